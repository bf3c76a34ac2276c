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

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
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
from lotflow.drains.losses import SQUARE_ENTRANCE_COEFFICIENT, friction_loss, velocity_head

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
    reach
        The pipe.

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
