"""Levels of nodes and lines: as they were measured, or proposed where they were not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from lotflow.drains.pipe_tables import minimum_fall

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.line_profiles import GroundProfile
    from lotflow.drains.network import Network
    from lotflow.grid import FloatArray
    from lotflow.tables.drains import MinimumFall

Basis = Literal["given", "below rim", "proposed"]


@dataclass(frozen=True)
class NodeLevel:
    """
    Levels at a node.

    Parameters
    ----------
    ground_m
        Ground by the elevation data [m]; NaN off the data.
    rim_m
        Level at which water leaves the node upward: the grate's rim, else the ground [m].
    measured
        Whether the rim was measured on site.
    invert_m
        Invert of an outlet, or the lip of an emitter [m]; NaN where not given.
    water_m
        Water in what an outlet runs into [m]; NaN where not given.
    """

    ground_m: float
    rim_m: float
    measured: bool = False
    invert_m: float = math.nan
    water_m: float = math.nan


@dataclass(frozen=True, eq=False)
class LineInverts:
    """
    Inverts of the lines of a network; arrays of shape (lines,).

    Parameters
    ----------
    up_m, down_m
        At the upper and lower end [m].
    up_basis, down_basis
        "given", "below rim" or "proposed".
    from_raster
        Whether either end hangs on the elevation data, and so on its error.
    """

    up_m: FloatArray
    down_m: FloatArray
    up_basis: tuple[Basis, ...]
    down_basis: tuple[Basis, ...]
    from_raster: tuple[bool, ...]


def least_fall(line: DrainLine, outlet_kind: str) -> MinimumFall:
    """
    Least fall of a line, by its size and by what it leads to.

    Parameters
    ----------
    line
        Its pipe gives the nominal size; without one the smallest size is taken.
    outlet_kind
        Kind of the outlet it runs into itself.
    """
    if outlet_kind == "pop-up emitter":
        return minimum_fall("pipe to an emitter")
    size = line.pipe.size_m
    return minimum_fall("pipe", 0.075 if math.isnan(size) else size)


def line_inverts(
    network: Network,
    ground: Sequence[GroundProfile],
    nodes: Mapping[str, NodeLevel],
    *,
    cover_m: float,
) -> LineInverts:
    """
    Settle the inverts of every line, from the heads down.

    Given ones count, an elevation before a depth below the rim. Others are proposed: as shallow
    as the least cover allows, never flatter than the least fall, never with the crown above that
    of a pipe that comes in; the last one runs to the outlet's invert, or without one to the
    ground there (below the lid of an emitter).

    Parameters
    ----------
    network
        In flow order.
    ground
        Over each line.
    nodes
        Levels by node.
    cover_m
        Least cover [m].

    Returns
    -------
    inverts
        All finite where the ground at both ends of a line is known.
    """
    count = len(network.lines)
    up, down = np.full(count, np.nan), np.full(count, np.nan)
    up_basis: list[Basis] = []
    down_basis: list[Basis] = []
    for i, line in enumerate(network.lines):
        level, basis = _measured(line, "up", nodes[line.start])
        if math.isnan(level):
            entering = [(down[k], network.lines[k]) for k in network.entering.get(line.start, [])]
            level = _proposed_up(line, nodes[line.start], entering, cover_m)
        up[i] = level
        up_basis.append(basis)
        level, basis = _measured(line, "down", nodes[line.end])
        down[i] = (
            _proposed_down(i, network, up[i], ground[i], nodes, cover_m)
            if math.isnan(level)
            else level
        )
        down_basis.append(basis)
    raster = tuple(
        _hangs_on_raster(b, nodes[n.start]) or _hangs_on_raster(c, nodes[n.end])
        for n, b, c in zip(network.lines, up_basis, down_basis, strict=True)
    )
    return LineInverts(up, down, tuple(up_basis), tuple(down_basis), raster)


def _measured(line: DrainLine, end: Literal["up", "down"], node: NodeLevel) -> tuple[float, Basis]:
    """Invert as it was given; NaN, to be proposed, where it was not."""
    level, below = line.given.of(end)
    if not math.isnan(level):
        return level, "given"
    if not math.isnan(below) and not math.isnan(node.rim_m):
        return node.rim_m - below, "below rim"
    return math.nan, "proposed"


def _hangs_on_raster(basis: Basis, node: NodeLevel) -> bool:
    """Tell whether an invert hangs on the elevation data."""
    if basis == "below rim":
        return not node.measured
    return basis == "proposed" and math.isnan(node.invert_m)


def _width(line: DrainLine) -> float:
    """Inside diameter for the depth of a pipe of which it may not be known yet [m]."""
    return 0.1 if math.isnan(line.pipe.diameter_m) else line.pipe.diameter_m


def _proposed_up(
    line: DrainLine, node: NodeLevel, entering: Sequence[tuple[float, DrainLine]], cover_m: float
) -> float:
    """Highest invert a line may start with: under its cover, its crown no higher than others'."""
    highest = node.ground_m - cover_m - _width(line)
    if math.isnan(highest):
        highest = math.inf
    for invert, upper in entering:
        crowns_level = invert + _width(upper) - _width(line)
        highest = min(highest, invert, crowns_level)
    return highest if math.isfinite(highest) else math.nan


def _proposed_down(
    position: int, network: Network, up: float, ground: GroundProfile,
    nodes: Mapping[str, NodeLevel], cover_m: float,
) -> float:  # fmt: skip
    """Invert a line ends with: what it runs into, else as high as fall and cover allow."""
    line = network.lines[position]
    node, end = nodes[line.end], network.nodes[line.end]
    if end.kind == "outlet" and end.detail not in ("not found", "pump"):
        # the lid of an emitter sits on a riser: the pipe ends with its crown at the lip
        crown = _width(line) if end.detail == "pop-up emitter" else 0.0
        level = node.ground_m if math.isnan(node.invert_m) else node.invert_m
        return level - crown
    following = network.next_line(position)
    if following is not None:
        onward = _measured(network.lines[following], "up", node)[0]
        if not math.isnan(onward):
            return onward
    fall = least_fall(line, end.detail).least
    lowest = up - fall * ground.length_m
    if not line.proposed:
        return lowest  # how deep an old line lies nobody has chosen by its cover
    return _under_cover(up, lowest, ground, cover_m + _width(line))


def _under_cover(up: float, down: float, ground: GroundProfile, depth: float) -> float:
    """Lower a straight pipe's lower end until it keeps its depth everywhere below its start."""
    along = ground.distance_m[1:] / ground.length_m
    # a pipe that starts too high keeps to its start, and is told of elsewhere
    needed = up + (ground.ground_m[1:] - depth - up) / along
    needed = needed[np.isfinite(needed) & (along > 0.2)]
    return float(min(down, needed.min(initial=np.inf)))
