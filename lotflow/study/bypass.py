"""Where the water goes that an inlet of a case refuses: over the ground with that inlet blocked."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from lotflow.drains.intake import WayPast
from lotflow.study.blocked import blocked_routing
from lotflow.terrain.discharge_path import discharge_path
from lotflow.terrain.kernels import connected_parts

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from lotflow.drains.inlet_checks import InletFacts
    from lotflow.drains.network import Network
    from lotflow.study.drain_check import CaseRun
    from lotflow.study.lot_water import LotWater


def ways_past(lot: LotWater, run: CaseRun, inlets: Sequence[InletFacts]) -> dict[str, WayPast]:
    """
    Follow the water that each inlet refuses, over the ground with it blocked and the others open.

    It stands in the depression above the inlet until that is full; then it runs into the next
    inlet or away.

    Parameters
    ----------
    lot
        Ground and site.
    run
        The case.
    inlets
        Those whose way is sought.

    Returns
    -------
    ways
        By name, of the inlets that stand on the ground.
    """
    number = _numbers(run)
    return {
        one.name: _way_past(lot, run, number[one.name], {number[one.name]})
        for one in inlets
        if one.name in number
    }


def without_rings(
    lot: LotWater, run: CaseRun, inlets: Sequence[InletFacts], ways: Mapping[str, WayPast],
    network: Network, refused: Mapping[str, float] | None = None,
) -> list[WayPast]:  # fmt: skip
    """
    Lead ways that run in a ring of inlets out of it, as between inlets in one low spot.

    All of the ring are taken as blocked for the last of them: it holds what the whole low spot
    does, less what the others hold already. The last is the lowest inlet of the ring, or, where
    its inlets belong to several systems of lines and it is known what they refuse, that of the
    system which refuses least: what one system refuses another may still take.

    Parameters
    ----------
    lot
        Ground and site.
    run
        The case.
    inlets
        Those whose way is sought.
    ways
        From `ways_past`.
    network
        Their lines.
    refused
        Largest share of its water that each inlet refuses by ways without `refused`; None where
        that is not known yet.

    Returns
    -------
    ways
        One per inlet, with the water that a grate needs at least.
    """
    number, least = _numbers(run), lot.job.criteria.grate_water_m
    known = {inlet.name: inlet for inlet in inlets if inlet.name in ways}
    closed, led = {name: {number[name]} for name in known}, dict(ways)
    # each round more is taken as blocked
    while ring := _ring({name: way.runs_to for name, way in led.items()}):
        last = _last(ring, known, network, refused)
        closed[last] |= {number[name] for name in ring}
        whole = _way_past(lot, run, number[last], closed[last])
        others = max((led[name].held_m3 for name in ring if name != last), default=0.0)
        held = max(whole.held_m3 - others, led[last].held_m3)
        led[last] = replace(whole, held_m3=held)
    return [
        replace(led[one.name], depth_m=max(led[one.name].depth_m, least))
        if one.name in led
        else WayPast(least)
        for one in inlets
    ]


def _numbers(run: CaseRun) -> dict[str, int]:
    """Position of each inlet that stands on the ground, by name."""
    return {inlet.drawn.name: k for k, inlet in enumerate(run.inlets.placed)}


def _ring(runs_to: Mapping[str, str]) -> list[str]:
    """Names that follow one another in a circle; none where there is no circle."""
    for first in runs_to:
        way = [first]
        while (following := runs_to.get(way[-1], "")) and following not in way:
            way.append(following)
        if following == first:
            return way
    return []


def _last(
    ring: Sequence[str], known: Mapping[str, InletFacts], network: Network,
    refused: Mapping[str, float] | None,
) -> str:  # fmt: skip
    """Inlet of a ring from which water leaves the ring, once all of it are full."""
    system = {name: _system(name, network) for name in ring}

    def refuses(one: str) -> float:
        if refused is None:
            return 0.0
        return max(refused.get(name, 0.0) for name in ring if system[name] == one)

    def worth(name: str) -> tuple[float, float, str]:
        rim = known[name].rim_m
        return refuses(system[name]), float("inf") if math.isnan(rim) else rim, name

    return min(ring, key=worth)


def _system(name: str, network: Network) -> str:
    """Where the lines of an inlet end, by which its system is known; itself without lines."""
    leaving = network.leaving.get(name)
    return network.lines[network.way_down(leaving[0])[-1]].end if leaving else name


def _way_past(lot: LotWater, run: CaseRun, position: int, blocked: Collection[int]) -> WayPast:
    """Way past one inlet with some blocked, itself among them."""
    placed = run.inlets.placed
    inlet, grid = placed[position], lot.window.surface.ground
    routing = blocked_routing(lot, blocked, placed)
    ground = grid.values.ravel()[inlet.cells]
    lowest = int(inlet.cells[np.argmin(ground)])
    level = float(ground.min()) if inlet.level is None else inlet.level
    parts, _ = connected_parts(routing.depth > 0)
    here = np.unique(parts.ravel()[inlet.cells])
    pool = np.isin(parts, here[here > 0])
    deep = float(routing.depth.ravel()[inlet.cells].max(initial=0.0))
    stands = float(routing.field.filled.ravel()[lowest]) - level
    x, y = grid.xy(*divmod(lowest, grid.shape[1]))
    path = discharge_path(routing, lot.low_spots, lot.window.lot, (float(x), float(y)))
    onward = int(routing.label.ravel()[lowest])
    return WayPast(
        max(stands, 0.0),
        runs_to=placed[onward - 1].drawn.name if onward else "",
        leaves_at=None if onward or path is None else path.leaves_at,
        held_m3=float(routing.depth[pool].sum()) * grid.cell_m2,
        in_sag=deep >= lot.job.criteria.pond_depth_m,
    )
