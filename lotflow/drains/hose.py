"""
What a hose test and a look into an existing pipe tell: continuity, blockage, capacity as found.

A garden hose proves that a line is continuous; it stands for a small share of what the line must
carry in a storm.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.drains.circular_section import area_ratio, normal_flow
from lotflow.drains.domain import (
    Claims,
    Floats,
    as_claims,
    as_given,
    between,
    not_negative,
    positive,
)
from lotflow.drains.pipes import full_flow_capacity

#: An arrival later than this many times the expected one is flagged: the wetting front is slower
#: than steady flow, and sags fill first. Source: common practice, no published source.
LATE_FACTOR: Final = 3.0


def arrival_time(
    flow: Floats, diameter: Floats, slope: Floats, roughness: Floats, length: Floats
) -> Floats:
    """
    Time after which a hose flow is expected at the lower end of a clean pipe: length over velocity.

    Parameters
    ----------
    flow
        Of the hose, measured [m^3/s]; greater than 0.
    diameter
        Inside diameter [m]; greater than 0.
    slope
        Fall divided by length, positive downhill [-].
    roughness
        Manning n [s/m^(1/3)]; greater than 0.
    length
        Of the pipe [m]; 0 or more. Times of pipes in series add up.

    Returns
    -------
    time
        Of steady uniform flow [s]; NaN where the pipe cannot carry the hose by its fall: flat,
        adverse, or too small.

    Raises
    ------
    ParameterError
        If a flow, diameter or roughness is not greater than 0, or a length negative.

    References
    ----------
    Manning for part-full pipes: HEC-22 (2009), section 7.1.3; common practice, no published
    source, for its use here.

    Examples
    --------
    10 gallons per minute in 100 ft of smooth 4 in pipe at 0.5, 1 and 2 %:

    >>> arrival_time(6.309e-4, 0.1016, np.array([0.005, 0.01, 0.02]), 0.010, 30.48).round()
    array([73., 57., 45.])
    """
    positive(flow=flow)
    not_negative(length=length)
    normal = normal_flow(flow, diameter, slope, roughness)
    return as_given(np.where(normal.surcharged, np.nan, np.divide(length, normal.velocity)))


def is_late(seconds: Floats, expected: Floats) -> Claims:
    """
    Whether water came so late that the line must be looked into.

    Parameters
    ----------
    seconds
        Measured [s]; 0 or more.
    expected
        From `arrival_time` [s]; greater than 0.

    Returns
    -------
    late
        More than three times the expected time.

    Raises
    ------
    ParameterError
        If a time is negative or an expected one not greater than 0.

    References
    ----------
    Common practice, no published source.

    Examples
    --------
    >>> is_late(np.array([70.0, 300.0]), 57.0)
    array([False,  True])
    """
    not_negative(seconds=seconds)
    positive(expected=expected)
    return as_claims(np.greater(seconds, np.multiply(LATE_FACTOR, expected)))


def share_tested(flow: Floats, capacity: Floats) -> Floats:
    """
    Share of a capacity, or of a design flow, that a hose stands for.

    Parameters
    ----------
    flow
        Of the hose [m^3/s]; 0 or more.
    capacity
        Of the pipe, or the flow it is to carry [m^3/s]; greater than 0.

    Returns
    -------
    share
        0.09 means that nine tenths were not tested [-].

    Raises
    ------
    ParameterError
        If a flow is negative or a capacity not greater than 0.

    Examples
    --------
    10 gallons per minute into a smooth 4 in pipe at 1 %:

    >>> share_tested(6.309e-4, full_flow_capacity(0.1016, 0.01, 0.010))
    0.090
    """
    not_negative(flow=flow)
    positive(capacity=capacity)
    return as_given(np.divide(flow, capacity))


def pipe_volume(diameter: Floats, length: Floats) -> Floats:
    """
    Water a pipe holds when full.

    Parameters
    ----------
    diameter
        Inside diameter [m]; greater than 0.
    length
        Along the pipe [m]; 0 or more.

    Returns
    -------
    volume
        Over the flow of a hose it is the time to fill it [m^3].

    Raises
    ------
    ParameterError
        If a diameter is not greater than 0 or a length negative.

    Examples
    --------
    3, 4 and 6 in, in gallons per foot:

    >>> (pipe_volume(np.array([3, 4, 6]) * 0.0254, 0.3048) / 0.003785412).round(3)
    array([0.367, 0.653, 1.469])
    """
    positive(diameter=diameter)
    not_negative(length=length)
    return as_given(0.25 * np.pi * np.square(diameter) * length)


def blockage_distance(volume: Floats, diameter: Floats, *, basin_volume: Floats = 0.0) -> Floats:
    """
    How far from the inlet a line is blocked, from the water it took until it backed up.

    Parameters
    ----------
    volume
        Put in until water stood at the grate [m^3]; 0 or more.
    diameter
        Inside diameter [m]; greater than 0.
    basin_volume
        Of the basin below the grate, filled first [m^3]; 0 or more.

    Returns
    -------
    distance
        Along the pipe [m]; 0 where not even the basin was filled.

    Raises
    ------
    ParameterError
        If a volume is negative or a diameter not greater than 0.

    References
    ----------
    Common practice, no published source.

    Examples
    --------
    40 gallons into a 4 in line behind a basin of 7 gallons, in feet:

    >>> gallon = 0.003785412
    >>> blockage_distance(40 * gallon, 0.1016, basin_volume=7 * gallon) / 0.3048
    50.6
    """
    not_negative(volume=volume, basin_volume=basin_volume)
    in_pipe = np.maximum(np.subtract(volume, basin_volume), 0.0)
    return as_given(in_pipe / pipe_volume(diameter, 1.0))


def area_lost(depth: Floats, diameter: Floats) -> Floats:
    """
    Share of a pipe's section taken by sediment or by water left standing in a sag.

    Parameters
    ----------
    depth
        Of sediment or standing water above the invert [m]; 0 to the diameter.
    diameter
        Inside diameter [m]; greater than 0.

    Returns
    -------
    share
        Of the section [-].

    Raises
    ------
    ParameterError
        If a depth is negative or more than the diameter, or a diameter not greater than 0.

    Examples
    --------
    1/2, 1 and 2 in in a 4 in pipe:

    >>> area_lost(np.array([0.5, 1.0, 2.0]), 4.0).round(2)
    array([0.07, 0.2 , 0.5 ])
    """
    return area_ratio(_share_of_diameter(depth, diameter))


def capacity_as_found(
    diameter: Floats,
    slope: Floats,
    roughness: Floats,
    *,
    sediment: Floats = 0.0,
    standing_water: Floats = 0.0,
) -> Floats:
    """
    Full-flow capacity of a pipe with sediment, or water standing in a sag, on its invert.

    Both are measured from the invert and the deeper of the two is taken as lost section with a
    level top; its surface counts as wetted wall of the same roughness. For standing water this
    is on the safe side.

    Parameters
    ----------
    diameter
        Inside diameter [m]; greater than 0.
    slope
        Fall divided by length, positive downhill [-]; flat or adverse gives 0.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.
    sediment, standing_water
        Depth above the invert [m]; 0 to the diameter.

    Returns
    -------
    capacity
        0 where the pipe is filled up; with neither it is the capacity if clean [m^3/s].

    Raises
    ------
    ParameterError
        If a diameter or roughness is not greater than 0, or a depth negative or more than the
        diameter.

    References
    ----------
    Manning for a segment of a circle; that standing water is counted like sediment is lotflow's
    rule.

    Examples
    --------
    A 4 in pipe at 1 % with 1 in of sediment, beside the same pipe clean:

    >>> found = capacity_as_found(0.1016, 0.01, 0.010, sediment=0.0254)
    >>> found / capacity_as_found(0.1016, 0.01, 0.010)
    0.724
    """
    filled = np.maximum(
        _share_of_diameter(sediment, diameter), _share_of_diameter(standing_water, diameter)
    )
    open_share = 1.0 - np.asarray(area_ratio(as_given(filled)))
    # beside the clean pipe's: the arc above the bed and the bed itself, over the full circle
    # (arccos(1 - 2 d/D), in the form that keeps its digits where there is hardly any bed)
    arc = 1.0 - 2.0 * np.arcsin(np.sqrt(filled)) / np.pi
    bed = 2.0 * np.sqrt(filled * (1.0 - filled)) / np.pi
    wetted = np.where(open_share > 0, arc + bed, 1.0)
    ratio = np.maximum(open_share, 0.0) ** (5.0 / 3.0) / wetted ** (2.0 / 3.0)
    return as_given(full_flow_capacity(diameter, slope, roughness) * ratio)


def _share_of_diameter(depth: Floats, diameter: Floats) -> NDArray[np.float64]:
    """Depth beside diameter, refused where the depth does not fit into the pipe."""
    positive(diameter=diameter)
    filling = np.asarray(np.divide(depth, diameter), dtype=np.float64)
    between(0.0, 1.0, depth_beside_diameter=filling)
    return filling
