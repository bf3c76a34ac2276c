"""How high water stands along every line and at every node: the grade line of each storm."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from lotflow.drains.circular_section import normal_flow
from lotflow.drains.grade_line import Reach, emitter_level, outlet_level, reach_grade
from lotflow.drains.losses import (
    SQUARE_ENTRANCE_COEFFICIENT,
    bend_coefficient,
    contraction_coefficient,
    structure_coefficient,
)
from lotflow.drains.pipes import full_flow_capacity, required_diameter

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.levels import LineInverts, NodeLevel
    from lotflow.drains.network import Network
    from lotflow.drains.nodes import DrainNode
    from lotflow.grid import BoolArray, FloatArray

#: Two nominal sizes of one size never differ by more [m].
SAME_SIZE_M = 1e-3
#: Sharpest turn at an access hole whose loss is published [degrees].
SHARPEST_TURN_DEG = 90.0


@dataclass(frozen=True, eq=False)
class LineHydraulics:
    """
    What the lines of a network do; arrays of shape (lines,) or (lines, storms).

    Values are NaN where diameter or levels of a line are not known.

    Parameters
    ----------
    slope
        Fall divided by length [-].
    capacity_m3s, full_velocity_m_s
        Of the clean pipe flowing full [m^3/s], [m/s].
    required_diameter_m
        Inside diameter that just carries the flow when full, and no smaller than what runs in
        [m]; infinite without fall.
    flow_ratio
        Flow beside capacity [-].
    depth_m, velocity_m_s
        Of uniform flow [m], [m/s]; NaN depth where surcharged.
    surcharged
        Whether the line carries the flow only under pressure.
    level_up_m, level_down_m
        Grade line at its ends [m].
    node_m
        Water level in each line's upper node [m].
    """

    slope: FloatArray
    capacity_m3s: FloatArray
    full_velocity_m_s: FloatArray
    required_diameter_m: FloatArray
    flow_ratio: FloatArray
    depth_m: FloatArray
    velocity_m_s: FloatArray
    surcharged: BoolArray
    level_up_m: FloatArray
    level_down_m: FloatArray
    node_m: FloatArray


def bends_deg(path: shapely.LineString) -> FloatArray:
    """
    Change of direction at each corner of a line [degrees].

    Parameters
    ----------
    path
        Its course.

    Examples
    --------
    >>> bends_deg(shapely.LineString([(0, 0), (1, 0), (1, 1), (2, 2)])).round(1)
    array([90., 45.])
    """
    steps = np.diff(shapely.get_coordinates(path), axis=0)
    steps = steps[np.hypot(steps[:, 0], steps[:, 1]) > 0]
    heading = np.degrees(np.arctan2(steps[:, 1], steps[:, 0]))
    return np.asarray(np.abs((np.diff(heading) + 180.0) % 360.0 - 180.0))


def turn_deg(upper: DrainLine, lower: DrainLine) -> float:
    """
    Change of direction from one line into the next [degrees].

    Parameters
    ----------
    upper, lower
        In flow order, drawn downstream.
    """
    joined = [*upper.path.coords[-2:], *_moved(lower, upper.path.coords[-1])]
    return float(bends_deg(shapely.LineString(joined))[-1])


def _moved(line: DrainLine, origin: tuple[float, ...]) -> list[tuple[float, float]]:
    """Second point of a line as seen from its first, set at an origin."""
    first, second = line.path.coords[0], line.path.coords[1]
    return [(origin[0] + second[0] - first[0], origin[1] + second[1] - first[1])]


def node_coefficient(network: Network, position: int) -> float:
    """
    Velocity heads from a line's upper end to the water in its upper node.

    From still water in an inlet, or at a head, one for the velocity and the entrance; at a
    junction that of an access hole for its sharpest turn, which is on the safe side for a plain
    bend. Turns sharper than the published 90 degrees count as 90.

    Parameters
    ----------
    network
        In flow order.
    position
        Of the line.
    """
    line = network.lines[position]
    entering = network.entering.get(line.start, [])
    if network.nodes[line.start].kind == "inlet" or not entering:
        return 1.0 + SQUARE_ENTRANCE_COEFFICIENT
    sharpest = max(turn_deg(network.lines[k], line) for k in entering)
    return float(structure_coefficient("access hole", min(sharpest, SHARPEST_TURN_DEG)))


def bend_heads(line: DrainLine) -> float:
    """Velocity heads lost in a line's own corners, and where it narrows."""
    lost = float(np.sum(bend_coefficient(bends_deg(line.path))))
    pipe = line.pipe
    if pipe.diameter_down_m < pipe.diameter_m:
        lost += float(contraction_coefficient(pipe.diameter_down_m / pipe.diameter_m))
    return lost


def hydraulics(
    network: Network,
    inverts: LineInverts,
    nodes: Mapping[str, NodeLevel],
    flow_m3s: FloatArray,
) -> LineHydraulics:
    """
    Follow the grade line up every line from every outlet.

    It starts at the highest of (dc + D) / 2, the water in what the outlet runs into where that is
    given, and, at a pop-up emitter, its lip and the head that lifts its lid. Water in streets,
    sewers and wells that is not given is taken as lower. A line whose two ends differ has the
    narrower one for capacity. Above a line that is not known the grade line starts anew as from
    a free end.

    Parameters
    ----------
    network
        In flow order.
    inverts
        Of its lines.
    nodes
        Levels by node.
    flow_m3s
        Shape (lines, storms) [m^3/s].

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 7.1; the rules of `grade_line.reach_grade`.
    """
    lines = network.lines
    slope = (inverts.up_m - inverts.down_m) / np.array([line.length_m for line in lines])
    known = np.isfinite(slope) & np.isfinite([line.pipe.narrowest_m for line in lines])
    down, up, node = (np.full(flow_m3s.shape, np.nan) for _ in range(3))
    water_in: dict[str, FloatArray] = {}
    for group in _from_outlets_up(network):
        at = [i for i in group if known[i]]
        if not at or not flow_m3s.shape[1]:
            continue
        reach = _reach(network, at, inverts, flow_m3s)
        free = np.asarray(outlet_level(reach.invert_down, reach.flow, reach.diameter))
        below = [
            water_in[lines[i].end]
            if lines[i].end in water_in
            else _level_at_end(network.nodes[lines[i].end], nodes, free[k], flow_m3s[i])
            for k, i in enumerate(at)
        ]
        grade = reach_grade(np.array(below), reach)
        down[at], up[at] = grade.pipe_down, grade.pipe_up
        for i, level in zip(at, np.asarray(grade.node_up), strict=True):
            # of several lines that leave a node the fullest sets its level
            water_in[lines[i].start] = np.fmax(water_in.get(lines[i].start, np.nan), level)
    for position, line in enumerate(lines):
        node[position] = water_in.get(line.start, np.nan)
    return _with_sections(network, slope, flow_m3s, (down, up, node))


def _from_outlets_up(network: Network) -> list[list[int]]:
    """Lines in groups, each after those that its own water runs into."""
    rank = [0] * len(network.lines)
    for position in reversed(range(len(network.lines))):
        onward = network.leaving.get(network.lines[position].end, [])
        rank[position] = 1 + max((rank[i] for i in onward), default=-1)
    groups: list[list[int]] = [[] for _ in range(max(rank, default=-1) + 1)]
    for position, order in enumerate(rank):
        groups[order].append(position)
    return groups


def _reach(network: Network, at: list[int], inverts: LineInverts, flow_m3s: FloatArray) -> Reach:
    """Several lines at once, one row each."""
    lines = [network.lines[i] for i in at]

    def each(values: list[float]) -> FloatArray:
        return np.array(values, dtype=float)[:, None]

    return Reach(
        flow_m3s[at],
        each([line.pipe.narrowest_m for line in lines]),
        each([line.length_m for line in lines]),
        each([line.pipe.roughness for line in lines]),
        inverts.down_m[at][:, None],
        inverts.up_m[at][:, None],
        each([bend_heads(line) for line in lines]),
        each([node_coefficient(network, i) for i in at]),
    )


def _level_at_end(
    end: DrainNode, nodes: Mapping[str, NodeLevel], free: FloatArray, flow: FloatArray
) -> FloatArray:
    """Water level from which the grade line of a last line starts."""
    if end.kind != "outlet":
        return free
    level = nodes[end.name]
    if end.detail == "pop-up emitter":
        lip = level.ground_m if math.isnan(level.invert_m) else level.invert_m
        if not math.isnan(lip):
            free = np.maximum(free, emitter_level(lip, flow))
    return np.fmax(free, level.water_m)


def _with_sections(
    network: Network, slope: FloatArray, flow: FloatArray, grade: tuple[FloatArray, ...]
) -> LineHydraulics:
    """Capacity and uniform flow of all lines at once."""
    diameter = np.array([line.pipe.narrowest_m for line in network.lines], dtype=float)
    roughness = np.array([line.pipe.roughness for line in network.lines], dtype=float)
    known = np.isfinite(diameter) & np.isfinite(slope)
    some_diameter, some_slope = np.where(known, diameter, 1.0), np.where(known, slope, 0.0)
    capacity = np.asarray(full_flow_capacity(some_diameter, some_slope, roughness))
    normal = normal_flow(flow, some_diameter[:, None], some_slope[:, None], roughness[:, None])
    required = required_diameter(flow, np.nan_to_num(slope)[:, None], roughness[:, None])
    required = required * np.where(np.isfinite(slope), 1.0, np.nan)[:, None]
    only, each = np.where(known, 1.0, np.nan), np.where(known, 1.0, np.nan)[:, None]
    return LineHydraulics(
        slope=slope,
        capacity_m3s=capacity * only,
        full_velocity_m_s=capacity / (0.25 * np.pi * some_diameter**2) * only,
        required_diameter_m=_no_smaller_than_above(network, required),
        flow_ratio=normal.flow_ratio * each,
        depth_m=normal.depth * each,
        velocity_m_s=normal.velocity * each,
        surcharged=np.asarray(normal.surcharged) & known[:, None],
        level_up_m=grade[1],
        level_down_m=grade[0],
        node_m=grade[2],
    )


def _no_smaller_than_above(network: Network, required: FloatArray) -> FloatArray:
    """Raise required diameters to what runs in: the pipes there are, and those that are needed."""
    raised = required.copy()
    for position, line in enumerate(network.lines):
        if network.share[position] == 0:
            continue
        for k in network.entering.get(line.start, []):
            above = network.lines[k].pipe
            bore = above.diameter_down_m
            if line.pipe.size_m >= above.size_m - SAME_SIZE_M:
                # bores of two materials of one size differ by millimetres
                bore = min(bore, line.pipe.narrowest_m)
            needed = np.where(np.isfinite(raised[k]), raised[k], 0.0)
            # a line without fall keeps what it has: nothing, or no size at all
            raised[position] = np.maximum(raised[position], np.fmax(needed, bore))
    return raised
