"""
A circular section partly filled: area, velocity, flow, normal and critical depth.

With the filling d/D, the angle the water subtends at the centre is theta = 2 arccos(1 - 2 d/D);
Manning n is taken as the same at every filling.

References
----------
Chow, V. T. (1959), Open-Channel Hydraulics, chapters 2, 4 and 6 (from memory). Federal Highway
Administration (2009), Hydraulic Engineering Circular 22, third edition, section 7.1.3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from lotflow.drains.domain import (
    GRAVITY,
    Claims,
    Floats,
    as_claims,
    as_given,
    between,
    bisect_rising,
    not_negative,
    positive,
)
from lotflow.drains.pipes import full_flow_capacity

#: Filling at which a pipe carries most; above it the flow falls again as the crown wets.
FULLEST_FLOW_FILLING: Final = 0.9381812
#: What it carries there, beside what it carries full.
PEAK_FLOW_RATIO: Final = 1.0757061


@dataclass(frozen=True)
class NormalFlow:
    """
    Uniform flow in a circular pipe.

    Parameters
    ----------
    depth
        Depth of the water [m]; NaN where surcharged: no such depth exists.
    filling
        Depth beside diameter [-]; NaN where surcharged.
    velocity
        Mean velocity [m/s]; of the full section where surcharged.
    flow_ratio
        Flow beside the capacity of the pipe when full [-]; infinite where it has no fall.
    surcharged
        The pipe carries the flow only under pressure: more than 1.076 times its capacity.
    """

    depth: Floats
    filling: Floats
    velocity: Floats
    flow_ratio: Floats
    surcharged: Claims


def area_ratio(filling: Floats) -> Floats:
    """
    Area of the water beside that of the whole section.

    Parameters
    ----------
    filling
        Depth beside diameter [-]; 0 to 1.

    Raises
    ------
    ParameterError
        If a filling is not between 0 and 1.

    Examples
    --------
    Half an inch, one and two inches of water left in a 4 in pipe:

    >>> area_ratio(np.array([0.5, 1.0, 2.0]) / 4.0).round(2)
    array([0.07, 0.2 , 0.5 ])
    """
    angle = _angle(filling)
    return as_given((angle - np.sin(angle)) / (2.0 * np.pi))


def velocity_ratio(filling: Floats) -> Floats:
    """
    Velocity of uniform flow beside that of the same pipe flowing full.

    Parameters
    ----------
    filling
        Depth beside diameter [-]; 0 to 1.

    Raises
    ------
    ParameterError
        If a filling is not between 0 and 1.

    Examples
    --------
    >>> velocity_ratio(np.array([0.0, 0.25, 0.5, 0.813, 1.0])).round(3)
    array([0.   , 0.701, 1.   , 1.14 , 1.   ])
    """
    angle = _angle(filling)
    wet = np.where(angle > 0, angle, 1.0)
    return as_given(np.where(angle > 0, np.power(1.0 - np.sin(wet) / wet, 2.0 / 3.0), 0.0))


def flow_ratio(filling: Floats) -> Floats:
    """
    Uniform flow beside that of the same pipe flowing full; greatest at 0.938 of the depth.

    Parameters
    ----------
    filling
        Depth beside diameter [-]; 0 to 1.

    Raises
    ------
    ParameterError
        If a filling is not between 0 and 1.

    Examples
    --------
    >>> flow_ratio(np.array([0.1, 0.5, 0.82, 0.938, 1.0])).round(3)
    array([0.021, 0.5  , 1.   , 1.076, 1.   ])
    """
    return as_given(np.multiply(area_ratio(filling), velocity_ratio(filling)))


def normal_flow(flow: Floats, diameter: Floats, slope: Floats, roughness: Floats) -> NormalFlow:
    """
    Depth and velocity of uniform flow in a circular pipe.

    Of the two depths that give the same flow near the crown the lower one is taken. A flow of
    more than 1.076 times the capacity has none: the pipe is surcharged.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    diameter
        Inside diameter [m]; greater than 0.
    slope
        Fall divided by length, positive downhill [-]; a pipe without fall is surcharged by any
        flow.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Returns
    -------
    normal
        Depth, filling, velocity, flow ratio, and whether the pipe is surcharged.

    Raises
    ------
    ParameterError
        If a flow is negative, or a diameter or roughness not greater than 0.

    References
    ----------
    HEC-22 (2009), section 7.1.3.

    Examples
    --------
    Ten gallons per minute from a hose, in a smooth 4 in pipe at 1 %:

    >>> normal = normal_flow(6.309e-4, 0.1016, 0.01, 0.010)
    >>> normal.filling, normal.velocity, normal.surcharged
    (0.202, 0.536, False)
    """
    not_negative(flow=flow)
    flow, diameter, slope, roughness = np.broadcast_arrays(flow, diameter, slope, roughness)
    capacity = np.asarray(full_flow_capacity(diameter, slope, roughness))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(flow > 0, flow / capacity, 0.0)
    surcharged = ratio > PEAK_FLOW_RATIO
    filling = bisect_rising(_uniform_flow, ratio, 0.0, FULLEST_FLOW_FILLING)
    filling = np.where(surcharged, np.nan, np.where(flow > 0, filling, 0.0))
    # a surcharged pipe is full; a dry one has no velocity
    wet_share = np.where(surcharged, 1.0, area_ratio(np.nan_to_num(filling)))
    area = 0.25 * np.pi * np.square(diameter) * np.where(wet_share > 0, wet_share, 1.0)
    return NormalFlow(
        depth=as_given(filling * diameter),
        filling=as_given(filling),
        velocity=as_given(flow / area),
        flow_ratio=as_given(ratio),
        surcharged=as_claims(surcharged),
    )


def critical_depth(flow: Floats, diameter: Floats) -> Floats:
    """
    Depth at which a flow runs over a free end of a circular pipe: Q^2 T = g A^3.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    diameter
        Inside diameter [m]; greater than 0.

    Returns
    -------
    depth
        Always less than the diameter [m].

    Raises
    ------
    ParameterError
        If a flow is negative or a diameter not greater than 0.

    References
    ----------
    Chow (1959), chapter 4 (from memory).

    Examples
    --------
    0.05, 0.10 and 0.20 cubic feet per second in a 4 in pipe, in feet:

    >>> (critical_depth(np.array([0.05, 0.10, 0.20]) * 0.0283168, 0.1016) / 0.3048).round(3)
    array([0.123, 0.177, 0.252])
    """
    not_negative(flow=flow)
    positive(diameter=diameter)
    flow, diameter = np.broadcast_arrays(flow, diameter)
    filling = bisect_rising(
        _critical_flow, flow / (np.sqrt(GRAVITY) * np.power(diameter, 2.5)), 0.0, 1.0
    )
    return as_given(np.where(flow > 0, filling * diameter, 0.0))


def section_velocity(flow: Floats, depth: Floats, diameter: Floats) -> Floats:
    """
    Mean velocity of a flow at a depth in a circular pipe, whatever set that depth.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    depth
        Depth of the water [m]; the pipe is full from its diameter on.
    diameter
        Inside diameter [m]; greater than 0.

    Returns
    -------
    velocity
        0 where nothing flows [m/s].

    Raises
    ------
    ParameterError
        If a flow is negative, a diameter not greater than 0, or there is flow without depth.

    Examples
    --------
    >>> section_velocity(0.010, np.array([0.05, 0.10, 0.20]), 0.10).round(2)
    array([2.55, 1.27, 1.27])
    """
    not_negative(flow=flow, depth=depth)
    positive(diameter=diameter)
    flow, depth, diameter = np.broadcast_arrays(flow, depth, diameter)
    positive(depth_of_a_flow=depth[flow > 0])
    wet_share = np.asarray(area_ratio(np.minimum(depth / diameter, 1.0)))
    area = 0.25 * np.pi * np.square(diameter) * np.where(flow > 0, wet_share, 1.0)
    return as_given(flow / area)


def _angle(filling: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Angle the water subtends at the centre of the section [rad]."""
    between(0.0, 1.0, filling=filling)
    return _wet_angle(np.asarray(filling, dtype=np.float64))


def _wet_angle(
    filling: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """The same for fillings that a search has kept between 0 and 1: it asks for many."""
    # 2 arccos(1 - 2 d/D) in the form that keeps its digits in a nearly dry pipe
    return np.asarray(4.0 * np.arcsin(np.sqrt(filling)))


def _uniform_flow(
    filling: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Uniform flow beside full flow, (t - sin t)^(5/3) / (2 pi t^(2/3)) at the angle t."""
    angle = _wet_angle(filling)
    # A R^(2/3); a search never asks for a filling of exactly 0
    return np.asarray(np.cbrt((angle - np.sin(angle)) ** 5 / angle**2) / (2.0 * np.pi))


def _critical_flow(filling: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Critical flow at a filling, Q / (g^(1/2) D^(5/2)) = (A^3 / T)^(1/2) with D = 1."""
    angle = _wet_angle(np.asarray(filling, dtype=np.float64))
    area = (angle - np.sin(angle)) / 8.0
    width = np.sin(0.5 * angle)
    return np.asarray(np.sqrt(area**3 / width))
