"""
The hydraulic grade line of a drain, from its outlet up: how high water stands at each node.

At the lower end of every reach the line starts from the higher of the water below and the depth
at which the reach runs; going up, it never lies below normal depth.

References
----------
Federal Highway Administration (2009), Urban Drainage Design Manual, Hydraulic Engineering
Circular 22, third edition: sections 7.1.5 and 7.1.6.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from lotflow.drains.circular_section import critical_depth, normal_flow, section_velocity
from lotflow.drains.domain import (
    Claims,
    Floats,
    as_claims,
    as_given,
    finite,
    not_negative,
    positive,
)
from lotflow.drains.losses import (
    SQUARE_ENTRANCE_COEFFICIENT,
    bend_coefficient,
    contraction_coefficient,
    friction_loss,
    structure_coefficient,
    velocity_head,
)
from lotflow.drains.pipes import full_flow_capacity, required_diameter

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.levels import LineInverts, NodeLevel
    from lotflow.drains.network import Network
    from lotflow.drains.nodes import DrainNode
    from lotflow.grid import BoolArray, FloatArray

#: The lid of a pop-up emitter opens at about 1 in of water.
#: Source: common practice, no published source, from memory.
EMITTER_OPENING_HEAD_M: Final = 0.0254


@dataclass(frozen=True)
class Reach:
    """
    One pipe between two nodes; numbers, or arrays of one value per pipe.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    diameter
        Inside diameter [m]; greater than 0.
    length
        Length along the pipe [m]; greater than 0.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.
    invert_down, invert_up
        Elevation of the inside bottom at either end [m].
    bend_coefficient
        Velocity heads lost between the ends, in bends and narrowings [-].
    node_coefficient
        Velocity heads from the pipe's upper end to the water in the upper node [-]: the head
        that sets still water in motion and the entrance loss; for a plain junction the
        structure's coefficient alone.

    Raises
    ------
    ParameterError
        If one lies outside what is stated.

    Examples
    --------
    >>> Reach(0.004, 0.0, 10.0, 0.010, 30.0, 30.1)
    Traceback (most recent call last):
    lotflow.errors.ParameterError: diameter must be greater than 0, not 0.
    """

    flow: Floats
    diameter: Floats
    length: Floats
    roughness: Floats
    invert_down: Floats
    invert_up: Floats
    bend_coefficient: Floats = 0.0
    node_coefficient: Floats = 1.0 + SQUARE_ENTRANCE_COEFFICIENT

    def __post_init__(self) -> None:
        positive(diameter=self.diameter, length=self.length, roughness=self.roughness)
        not_negative(
            flow=self.flow,
            bend_coefficient=self.bend_coefficient,
            node_coefficient=self.node_coefficient,
        )
        finite(invert_down=self.invert_down, invert_up=self.invert_up)

    @property
    def slope(self) -> Floats:
        """Fall divided by length, positive downhill [-]."""
        return as_given(np.subtract(self.invert_up, self.invert_down) / self.length)


@dataclass(frozen=True)
class ReachGrade:
    """
    The grade line along one reach; all elevations [m].

    Parameters
    ----------
    pipe_down, pipe_up
        In the pipe, at its lower and upper end; above the crown where it runs full.
    node_up
        Water in the node at the upper end.
    own_depth
        Depth at which the reach itself runs [m]: normal depth, or (dc + D) / 2 where the reach
        has none.
    surcharged
        The reach carries the flow only under pressure, whatever the water below.
    """

    pipe_down: Floats
    pipe_up: Floats
    node_up: Floats
    own_depth: Floats
    surcharged: Claims


def outlet_level(
    invert: Floats, flow: Floats, diameter: Floats, *, tailwater: Floats = -np.inf
) -> Floats:
    """
    Elevation from which the grade line starts: the higher of tailwater and (dc + D) / 2.

    Parameters
    ----------
    invert
        Elevation of the inside bottom of the pipe at the outlet [m].
    flow
        Discharge [m^3/s]; 0 or more.
    diameter
        Inside diameter [m]; greater than 0.
    tailwater
        Elevation of the water the pipe runs into [m]; minus infinity for a free end.

    Returns
    -------
    level
        Elevation of the grade line [m]; that of the tailwater or invert where nothing flows.

    Raises
    ------
    ParameterError
        If a flow is negative or a diameter not greater than 0.

    References
    ----------
    HEC-22 (2009), section 7.1.5.

    Examples
    --------
    0.10 cubic feet per second at the free end of a 4 in pipe, in feet above the invert:

    >>> outlet_level(0.0, 0.10 * 0.0283168, 0.1016) / 0.3048
    0.255
    """
    finite(invert=invert)
    depth = np.where(np.asarray(flow) > 0, _depth_of_full_end(flow, diameter), 0.0)
    return as_given(np.maximum(tailwater, invert + depth))


def emitter_level(
    lip: Floats, flow: Floats, *, opening_head: Floats = EMITTER_OPENING_HEAD_M
) -> Floats:
    """
    Water level a pop-up emitter needs to let water out: its lip and the head that lifts the lid.

    With no flow the lid is shut and the line stands full to the lip: only a weep hole empties it.

    Parameters
    ----------
    lip
        Elevation of the lip of the emitter [m].
    flow
        Discharge [m^3/s]; 0 or more.
    opening_head
        Head at which the lid opens [m].

    Returns
    -------
    level
        To be given to `grade_line` as the level at the outlet [m].

    Raises
    ------
    ParameterError
        If a flow or opening head is negative.

    References
    ----------
    Common practice, no published source; the default head is from memory.

    Examples
    --------
    >>> emitter_level(30.0, np.array([0.0, 0.002]))
    array([30.    , 30.0254])
    """
    finite(lip=lip)
    not_negative(flow=flow, opening_head=opening_head)
    return as_given(lip + np.where(np.asarray(flow) > 0, opening_head, 0.0))


def reach_grade(level_below: Floats, reach: Reach) -> ReachGrade:
    """
    Follow the grade line up one reach.

    Going up the pipe friction is that of the full section, and the line is lifted to the depth
    at which the reach runs by itself wherever it would fall below it. In the upper node stands
    the velocity head and entrance loss more; where the pipe runs faster than critical, its
    entrance sets the level.

    Parameters
    ----------
    level_below
        Elevation of the water in the node below, or at the outlet [m].

    Returns
    -------
    grade
        Elevations at both ends and in the node above.

    Raises
    ------
    ParameterError
        If a level is not a finite number.

    References
    ----------
    HEC-22 (2009), sections 7.1.5 and 7.1.6; that no level lies below normal depth is lotflow's
    rule.

    Examples
    --------
    An emitter's lip at 0, 60 ft of 4 in pipe with two 45 degree bends, 112 gallons per minute:

    >>> reach = Reach(0.25 * 0.0283168, 0.1016, 60 * 0.3048, 0.010, -0.5, -0.4, 2 * 0.1485)
    >>> reach_grade(0.0, reach).node_up / 0.3048
    0.842
    """
    finite(level_below=level_below)
    own = normal_flow(reach.flow, reach.diameter, reach.slope, reach.roughness)
    full_end = _depth_of_full_end(reach.flow, reach.diameter)
    own_depth = np.where(own.surcharged, full_end, own.depth)
    area = 0.25 * np.pi * np.square(reach.diameter)
    full_head = velocity_head(as_given(reach.flow / area))
    pipe_down = np.maximum(level_below, reach.invert_down + own_depth)
    friction = friction_loss(reach.flow, reach.diameter, reach.length, reach.roughness)
    backwater = pipe_down + friction + np.multiply(reach.bend_coefficient, full_head)
    pipe_up = np.maximum(backwater, reach.invert_up + own_depth)
    return ReachGrade(
        pipe_down=as_given(pipe_down),
        pipe_up=as_given(pipe_up),
        node_up=as_given(_node_level(pipe_up, reach)),
        own_depth=as_given(own_depth),
        surcharged=as_claims(own.surcharged),
    )


def grade_line(level_at_outlet: float, reaches: Iterable[Reach]) -> tuple[ReachGrade, ...]:
    """
    Follow the grade line from the outlet up through pipes in series.

    Parameters
    ----------
    level_at_outlet
        From `outlet_level` or `emitter_level` [m].
    reaches
        From the outlet up.

    Returns
    -------
    grades
        One per reach, in the same order.

    Raises
    ------
    ParameterError
        If the level is not a finite number.

    Examples
    --------
    >>> lower = Reach(0.004, 0.1016, 10.0, 0.010, 30.0, 30.1)
    >>> upper = Reach(0.002, 0.1016, 10.0, 0.010, 30.1, 30.2)
    >>> [round(grade.node_up, 3) for grade in grade_line(30.05, [lower, upper])]
    [30.206, 30.271]
    """
    grades: list[ReachGrade] = []
    level: Floats = level_at_outlet
    for reach in reaches:
        grades.append(reach_grade(level, reach))
        level = grades[-1].node_up
    return tuple(grades)


def _depth_of_full_end(flow: Floats, diameter: Floats) -> NDArray[np.float64]:
    """Depth of the grade line at the free end of a full pipe, half-way from critical to crown."""
    return np.asarray(0.5 * np.add(critical_depth(flow, diameter), diameter))


def _node_level(pipe_up: NDArray[np.float64], reach: Reach) -> NDArray[np.float64]:
    """Water in the node above a reach: the energy at its upper end and the entrance loss."""
    # at less than critical depth the entrance is the control, and the depth there is critical
    critical = critical_depth(reach.flow, reach.diameter)
    depth = np.maximum(pipe_up - reach.invert_up, critical)
    head = velocity_head(section_velocity(reach.flow, as_given(depth), reach.diameter))
    return np.asarray(reach.invert_up + depth + np.multiply(reach.node_coefficient, head))


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
