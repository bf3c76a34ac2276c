"""What is ordered for the proposed drains: lines, fittings, inlets, outlets, connections."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from lotflow.drains.drain_lines import laid_profile
from lotflow.drains.line_findings import SAME_BORE_M
from lotflow.drains.nodes import is_cleanout
from lotflow.drains.pipes import pipe_size
from lotflow.drains.quantities import (
    ONE_CORNER_M,
    WYE_DEG,
    OrderedLine,
    OrderedParts,
    Quantity,
    lengths_by_cover,
    quantities,
    turn_between,
    turns,
)
from lotflow.errors import ParameterError
from lotflow.units import UnitSystem, from_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.drains.checked import CheckedCase
    from lotflow.drains.network import Network
    from lotflow.layers.drawn import Drawn


def ordered_quantities(
    site: Drawn, checked: CheckedCase | None, *, ground: str, metres_per_unit: float,
    units: UnitSystem,
) -> list[Quantity]:  # fmt: skip
    """
    List what the proposed parts of the drain system need.

    Parameters
    ----------
    site
        What is drawn.
    checked
        The main case, which gives levels and sizes; None where no drains are drawn.
    ground
        Cover of what has no cover polygon.
    metres_per_unit
        Of the site's CRS.
    units
        In whole inches or millimetres, and in feet or metres.
    """
    parts = _parts(site, metres_per_unit, units)
    if checked is None:
        return quantities([], parts, units)
    pieces = [*parts.pieces, *_junctions(site, checked, units)]
    lines = _lines(site, checked, ground, metres_per_unit, units)
    return quantities(lines, OrderedParts(pieces, parts.channels_m), units)


def _proposed(frame: pd.DataFrame) -> Any:
    return frame[frame["status"] == "proposed"]


def _nominal(size_m: float, system: UnitSystem) -> str:
    """Size in whole inches or millimetres."""
    unit = "in" if system == "us" else "mm"
    return f"{round(from_si(size_m, unit), 1 if unit == 'in' else 0):g} {unit}"


def _lines(
    site: Drawn, checked: CheckedCase, ground: str, unit: float, system: UnitSystem
) -> list[OrderedLine]:
    """Proposed lines as they are ordered."""
    covers = list(zip(site.covers["cover"], site.covers.geometry, strict=True))
    found = []
    for position, line in enumerate(checked.state.lines):
        if checked.status.get(line.name) != "proposed":
            continue
        pipe, diameter = _pipe(checked, position, system)
        profile = laid_profile(
            checked.state.system.ground[position],
            float(checked.state.inverts.up_m[position]),
            float(checked.state.inverts.down_m[position]),
            diameter,
        )
        over = lengths_by_cover(line.path, covers, ground)
        found.append(
            OrderedLine(
                line.name, pipe, diameter,
                turns_deg=[*turns(line.path, ONE_CORNER_M / unit), *_turn_into(checked, position)],
                distance_m=profile.distance_m, depth_m=profile.trench_depth_m,
                over_m={cover: length * unit for cover, length in over.items()},
            )
        )  # fmt: skip
    return found


def _pipe(checked: CheckedCase, position: int, system: UnitSystem) -> tuple[str, float]:
    """Material with size, and diameter [m]; the size that works where none is drawn."""
    pipe = checked.state.lines[position].pipe
    if math.isnan(pipe.diameter_m):
        sized = checked.sized
        if sized is None or not sized.labels[position]:
            return f"{pipe.material}, size not chosen", 0.1
        return f"{pipe.material} {sized.labels[position]}", sized.state.lines[
            position
        ].pipe.diameter_m
    try:
        return f"{pipe.material} {pipe_size(pipe.material, pipe.size_m).label}", pipe.diameter_m
    except ParameterError:  # an inside diameter that is no nominal size
        return f"{pipe.material} {_nominal(pipe.diameter_m, system)} inside", pipe.diameter_m


def _turn_into(checked: CheckedCase, position: int) -> list[float]:
    """Turn at the lower end of a line where no basin takes it up; a wye takes up 45 degrees."""
    network = checked.state.system.network
    following = network.next_line(position)
    end = network.nodes[network.lines[position].end]
    if following is None or end.kind != "junction":
        return []
    turn = _turn(network, position, following)
    branch = position in _branches(network, end.name)
    return [abs(turn - WYE_DEG) if branch else turn]


def _turn(network: Network, position: int, following: int) -> float:
    """Angle between the end of a line and the start of another [degrees]."""
    into = shapely.get_coordinates(network.lines[position].path)
    out_of = shapely.get_coordinates(network.lines[following].path)
    return turn_between(into[-1] - into[-2], out_of[1] - out_of[0])


def _branches(network: Network, node: str) -> list[int]:
    """Lines that come into a junction by a wye: all but that which runs straightest on."""
    entering, leaving = network.entering.get(node, []), network.leaving.get(node, [])
    if len(entering) < 2 or not leaving:
        return []
    through = min(entering, key=lambda k: _turn(network, k, leaving[0]))
    return [k for k in entering if k != through]


def _junctions(site: Drawn, checked: CheckedCase, system: UnitSystem) -> list[str]:
    """Clean-outs, wyes where lines meet without a basin, and reducers where the size changes."""
    network = checked.state.system.network
    called = [_pipe(checked, i, system)[0] for i in range(len(network.lines))]
    ours = [checked.status.get(line.name) == "proposed" for line in network.lines]
    found = []
    for name, node in network.nodes.items():
        entering, leaving = network.entering.get(name, []), network.leaving.get(name, [])
        touching = [k for k in (*entering, *leaving) if ours[k]]
        if node.kind != "junction" or not touching:
            continue
        if is_cleanout(name):
            found.append(f"clean-out {called[touching[0]]}")
        found += [f"wye {called[leaving[0] if ours[leaving[0]] else k]}"
                  for k in _branches(network, name) if ours[k] or ours[leaving[0]]]  # fmt: skip
    return found + _reducers(site, network, called, ours, system)


def _reducers(
    site: Drawn, network: Network, called: Sequence[str], ours: Sequence[bool], system: UnitSystem
) -> list[str]:
    """Pieces between two bores: on the way of a line, at a joint without a basin, at an outlet."""
    ends = dict(zip(site.outlets["name"], site.outlets["diameter_m"], strict=True))
    found = []
    for k, line in enumerate(network.lines):
        bore, following = line.pipe.diameter_down_m, network.next_line(k)
        meets: list[tuple[float, str, bool]] = [
            (line.pipe.diameter_m, f"{_nominal_or_none(bore, system)} inside", ours[k])
        ]
        if line.end in ends:
            size = float(ends[line.end])
            meets.append((size, f"outlet {_nominal_or_none(size, system)}", ours[k]))
        elif following is not None and network.nodes[line.end].kind == "junction":
            below = network.lines[following].pipe.diameter_m
            meets.append((below, called[following], ours[k] or ours[following]))
        found += [f"reducer {called[k]} to {other}" for size, other, ordered in meets
                  if ordered and abs(size - bore) > SAME_BORE_M]  # fmt: skip
    return found


def _nominal_or_none(size_m: float, system: UnitSystem) -> str:
    return "" if math.isnan(size_m) else _nominal(size_m, system)


def _parts(site: Drawn, unit: float, system: UnitSystem) -> OrderedParts:
    """Inlets, outlets and connections of downspouts that are proposed."""
    pieces, channels = [], []
    for row in _proposed(site.inlets).to_dict("records"):
        kind = row["kind"] or "inlet"
        if kind == "channel drain":
            width = row["channel_width_m"]
            size = "" if np.isnan(width) else f" {_nominal(width, system)} wide"
            channels.append((f"{kind}{size}", float(row["geometry"].length) * unit))
        else:
            sides = (row["grate_length_m"], row["grate_width_m"])
            size = "" if np.isnan(sides).any() else " {} x {}".format(
                *(_nominal(side, system) for side in sides)
            )  # fmt: skip
            pieces.append(f"{kind}{size}")
    for row in _proposed(site.outlets).to_dict("records"):
        size = "" if np.isnan(row["diameter_m"]) else f" {_nominal(row['diameter_m'], system)}"
        pieces.append(f"outlet {row['kind'] or ''}".rstrip() + size)
    led = _proposed(site.downspouts)["leads_to"].fillna("surface") != "surface"
    pieces += ["downspout connection"] * int(led.sum())
    return OrderedParts(pieces, channels)
