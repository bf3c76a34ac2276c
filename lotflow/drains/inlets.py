"""
What an inlet takes: how wide water spreads along a curb, and how deep it stands on a grate.

References
----------
Federal Highway Administration (2009), Urban Drainage Design Manual, Hydraulic Engineering
Circular 22, third edition: sections 4.3 (gutters) and 4.4.5 (grates). Its printed SI
coefficients are used.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.drains.domain import GRAVITY, Floats, as_given, between, not_negative, positive

#: Izzard's factor of the modified Manning equation (0.56 in feet; HEC-22 equation 4-2).
_GUTTER_FACTOR: Final = 0.376


def gutter_flow(spread: Floats, cross_slope: Floats, slope: Floats, roughness: Floats) -> Floats:
    """
    Flow in a gutter of one cross slope.

    Q = (0.376 / n) Sx^(5/3) SL^(1/2) T^(8/3); for a V, take `v_cross_slope`.

    Parameters
    ----------
    spread
        Width of the water [m]; 0 or more.
    cross_slope
        Cross slope [-]; greater than 0.
    slope
        Fall along the gutter [-]; greater than 0.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Returns
    -------
    flow
        One value per gutter [m^3/s].

    Raises
    ------
    ParameterError
        If a spread is negative, or one of the others not greater than 0.

    References
    ----------
    HEC-22 (2009), equation 4-2; example 4-1 has 0.039 m^3/s.

    Examples
    --------
    >>> gutter_flow(2.5, 0.02, 0.01, 0.016)
    0.0398
    """
    not_negative(spread=spread)
    return as_given(_conveyance(cross_slope, slope, roughness) * np.power(spread, 8.0 / 3.0))


def gutter_spread(flow: Floats, cross_slope: Floats, slope: Floats, roughness: Floats) -> Floats:
    """
    Spread of a flow in a gutter of one cross slope; times the cross slope it is the depth.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    cross_slope
        Cross slope [-]; greater than 0.
    slope
        Fall along the gutter [-]; greater than 0.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Returns
    -------
    spread
        Width of the water [m].

    Raises
    ------
    ParameterError
        If a flow is negative, or one of the others not greater than 0.

    References
    ----------
    HEC-22 (2009), equation 4-2; example 4-1 has 2.7 m.

    Examples
    --------
    >>> gutter_spread(0.05, 0.02, 0.01, 0.016)
    2.73
    """
    not_negative(flow=flow)
    return as_given(np.power(flow / _conveyance(cross_slope, slope, roughness), 3.0 / 8.0))


def _conveyance(cross_slope: Floats, slope: Floats, roughness: Floats) -> NDArray[np.float64]:
    """Flow of a simple gutter at a spread of 1 m."""
    positive(cross_slope=cross_slope, slope=slope, roughness=roughness)
    by_slope = np.power(cross_slope, 5.0 / 3.0) * np.sqrt(slope)
    return np.asarray(_GUTTER_FACTOR / np.asarray(roughness, dtype=np.float64) * by_slope)


#: Weir coefficient of a grate (3.0 in feet; HEC-22 equation 4-26) [m^(1/2)/s].
GRATE_WEIR_COEFFICIENT: Final = 1.66
#: Orifice coefficient of grates (HEC-22 equation 4-27) [-].
ORIFICE_COEFFICIENT: Final = 0.67
#: Share of a grate taken as clogged where nothing is known, on perimeter and area alike.
#: Source: TxDOT, Hydraulic Design Manual (a multiplier of about one half on both).
CLOGGED_SHARE: Final = 0.5
#: Reduction where weir and orifice flow meet: Q = 0.93 (Qw Qo)^(1/2).
#: Source: Urban Storm Drainage Criteria Manual (Denver), volume 1, from memory.
MIXED_FLOW_COEFFICIENT: Final = 0.93


def grate_perimeter(length: Floats, width: Floats, *, side_against: Floats = 0.0) -> Floats:
    """
    Edge of a rectangular grate over which water can fall.

    Parameters
    ----------
    length, width
        Outside of the bars [m]; greater than 0.
    side_against
        Length of the edge that lies against a curb or wall and takes nothing [m].

    Returns
    -------
    perimeter
        To be given to `grate_capacity` [m].

    Raises
    ------
    ParameterError
        If a side is not greater than 0, or no edge is left.

    References
    ----------
    HEC-22 (2009), equation 4-26: the side against the curb is left out.

    Examples
    --------
    A 2 x 2 ft grate against a curb, in feet:

    >>> grate_perimeter(2.0, 2.0, side_against=2.0)
    6.0
    """
    positive(length=length, width=width)
    not_negative(side_against=side_against)
    perimeter = as_given(2.0 * np.add(length, width) - side_against)
    positive(perimeter=perimeter)
    return perimeter


def grate_capacity(
    depth: Floats,
    perimeter: Floats,
    open_area: Floats,
    *,
    clogged_share: Floats = CLOGGED_SHARE,
    mixed_flow: float = 1.0,
) -> Floats:
    """
    Flow into a grate at a low point: the lesser of what its edge and its openings take.

    Over the edge as a weir, Q = 1.66 P d^(3/2); through the openings as an orifice,
    Q = 0.67 A (2 g d)^(1/2). Where the two meet the true flow is less than either.

    Parameters
    ----------
    depth
        Depth of the water, average over the grate [m]; 0 or more.
    perimeter
        Edge over which water can fall [m]; greater than 0.
    open_area
        Area of the openings, not of the grate [m^2]; greater than 0.
    clogged_share
        Share of edge and openings that is blocked [-]; 1 takes nothing.
    mixed_flow
        Coefficient of (Qw Qo)^(1/2) as a third bound [-]: 1 is the lesser of the two,
        `MIXED_FLOW_COEFFICIENT` allows for the transition.

    Returns
    -------
    capacity
        One value per grate [m^3/s].

    Raises
    ------
    ParameterError
        If a depth is negative, a perimeter or area not greater than 0, or the clogged share
        not between 0 and 1.

    References
    ----------
    HEC-22 (2009), equations 4-26 and 4-27.

    Examples
    --------
    Clean 9 x 9 in yard grate, 40 % open, under 1, 2 and 3 in of water, in cubic feet per second:

    >>> inch = 0.0254
    >>> perimeter, openings = grate_perimeter(9 * inch, 9 * inch), 0.4 * (9 * inch) ** 2
    >>> depth = np.array([1.0, 2.0, 3.0]) * inch
    >>> (grate_capacity(depth, perimeter, openings, clogged_share=0.0) / 0.0283168).round(3)
    array([0.217, 0.494, 0.605])
    """
    not_negative(depth=depth)
    weir, orifice = _clear(perimeter, open_area, clogged_share)
    between(0.0, 1.0, mixed_flow=mixed_flow)
    over_edge = weir * np.power(depth, 1.5)
    through = orifice * np.sqrt(depth)
    both = mixed_flow * np.sqrt(over_edge * through)
    return as_given(np.minimum(np.minimum(over_edge, through), both))


def grate_depth(
    flow: Floats,
    perimeter: Floats,
    open_area: Floats,
    *,
    clogged_share: Floats = CLOGGED_SHARE,
    mixed_flow: float = 1.0,
) -> Floats:
    """
    Depth at which a grate at a low point takes a flow: `grate_capacity` turned round.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    perimeter
        Edge over which water can fall [m]; greater than 0.
    open_area
        Area of the openings, not of the grate [m^2]; greater than 0.
    clogged_share
        Share of edge and openings that is blocked [-].
    mixed_flow
        As in `grate_capacity`; greater than 0.

    Returns
    -------
    depth
        Average over the grate [m]; infinite where a grate that is wholly blocked has a flow.

    Raises
    ------
    ParameterError
        If a flow is negative, a perimeter or area not greater than 0, or the clogged share
        not between 0 and 1.

    References
    ----------
    HEC-22 (2009), equations 4-26 and 4-27; example 4-11 has 0.130 m.

    Examples
    --------
    Example 4-11: a double grate of 2 x 3 ft half clogged along the curb:

    >>> foot = 0.3048
    >>> perimeter = grate_perimeter(6 * foot, 0.5 * 2 * foot, side_against=6 * foot)
    >>> grate_depth(0.19, perimeter, 1.0, clogged_share=0.0)
    0.130
    """
    not_negative(flow=flow)
    weir, orifice = _clear(perimeter, open_area, clogged_share)
    positive(mixed_flow=mixed_flow)
    flow = np.asarray(flow, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        over_edge = np.power(flow / weir, 2.0 / 3.0)
        through = np.square(flow / orifice)
        both = flow / (mixed_flow * np.sqrt(weir * orifice))
    depth = np.maximum(np.maximum(over_edge, through), both)
    return as_given(np.where(flow > 0, depth, 0.0))


def grate_transition_depth(perimeter: Floats, open_area: Floats) -> Floats:
    """
    Depth at which edge and openings of a grate take the same; clogging both alike keeps it.

    Parameters
    ----------
    perimeter
        Edge over which water can fall [m]; greater than 0.
    open_area
        Area of the openings [m^2]; greater than 0.

    Returns
    -------
    depth
        Below it the grate is a weir, above it an orifice [m].

    Raises
    ------
    ParameterError
        If a perimeter or area is not greater than 0.

    References
    ----------
    HEC-22 (2009), equations 4-26 and 4-27 set equal.

    Examples
    --------
    12 x 12 in, 40 % open, in inches:

    >>> inch = 0.0254
    >>> grate_transition_depth(48 * inch, 0.4 * 144 * inch**2) / inch
    2.14
    """
    weir, orifice = _clear(perimeter, open_area, 0.0)
    return as_given(orifice / weir)


def grate_efficiency(
    frontal_share: Floats, velocity: Floats, splash_over: Floats, cross_slope: Floats,
    length: Floats,
) -> Floats:  # fmt: skip
    """
    Share of a gutter's flow that a grate on a slope takes.

    E = Rf E0 + Rs (1 - E0): of the water that runs onto it, all up to the velocity at which it
    splashes over; of the water beside it, what comes in along its side.

    Parameters
    ----------
    frontal_share
        Of the flow, what runs within the width of the grate [-]; 0 to 1.
    velocity
        Of the water in the gutter [m/s]; 0 or more.
    splash_over
        Velocity at which water begins to shoot over the grate [m/s].
    cross_slope
        Of the gutter [-]; greater than 0.
    length
        Of the grate along the flow [m]; greater than 0.

    Returns
    -------
    efficiency
        [-].

    Raises
    ------
    ParameterError
        If a share is not between 0 and 1, a velocity negative, or a slope or length not greater
        than 0.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equations 4-16 to 4-21 (from memory); example 4-7 has
    0.73.

    Examples
    --------
    Example 4-7: 2.3 cubic feet per second in the gutter of example 4-2, a grate of 2 x 2 ft:

    >>> grate_efficiency(0.70, 2.74 * 0.3048, 6.0 * 0.3048, 0.02, 2 * 0.3048)
    0.729
    """
    between(0.0, 1.0, frontal_share=frontal_share)
    not_negative(velocity=velocity, splash_over=splash_over)
    positive(cross_slope=cross_slope, length=length)
    frontal = np.clip(1.0 - 0.295 * np.maximum(np.subtract(velocity, splash_over), 0.0), 0.0, 1.0)
    along = np.multiply(cross_slope, np.power(length, 2.3))
    side = 1.0 / (1.0 + 0.0828 * np.power(velocity, 1.8) / along)
    return as_given(frontal * frontal_share + side * np.subtract(1.0, frontal_share))


def splash_over_velocity(length: Floats) -> Floats:
    """
    Velocity at which water begins to shoot over a grate.

    Of the grates of HEC-22 the reticuline one, over which it does so first: the make of a yard
    grate is not known, and this is on the safe side (lotflow's rule).

    Parameters
    ----------
    length
        Of the grate along the flow [m]; greater than 0.

    Returns
    -------
    velocity
        [m/s].

    Raises
    ------
    ParameterError
        If a length is not greater than 0.

    References
    ----------
    A polynomial that follows chart 5 of HEC-22 (2009), from memory: in feet, 0.28 + 2.28 L -
    0.18 L^2 + 0.01 L^3; beyond 4 ft the value of 4 ft.

    Examples
    --------
    Two feet, in feet per second:

    >>> splash_over_velocity(2 * 0.3048) / 0.3048
    4.2
    """
    positive(length=length)
    feet = np.minimum(np.divide(length, 0.3048), 4.0)
    return as_given((0.28 + 2.28 * feet - 0.18 * feet**2 + 0.01 * feet**3) * 0.3048)


def grate_on_grade(
    flow: Floats, spread: Floats, cross_slope: Floats, length: Floats, width: Floats
) -> Floats:
    """
    Flow that a grate takes in a gutter of one cross slope, against the curb.

    Parameters
    ----------
    flow
        In the gutter [m^3/s]; 0 or more.
    spread
        Width of the water [m], from `gutter_spread`.
    cross_slope
        Of the gutter [-]; greater than 0.
    length, width
        Of the grate along and across the flow [m]; greater than 0.

    Returns
    -------
    taken
        [m^3/s].

    Raises
    ------
    ParameterError
        If a flow or spread is negative, or a slope or length not greater than 0.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 4.4.4.1 (from memory).

    Examples
    --------
    >>> from lotflow.drains.inlets import gutter_spread
    >>> flow = np.array([0.0, 0.002, 0.05])
    >>> grate_on_grade(flow, gutter_spread(flow, 0.02, 0.01, 0.016), 0.02, 0.3, 0.3)
    array([0.     , 0.00148, 0.01447])
    """
    not_negative(flow=flow, spread=spread)
    positive(width=width)
    flow, spread = np.asarray(flow, dtype=float), np.asarray(spread, dtype=float)
    wet = np.where(spread > 0, spread, 1.0)
    frontal = 1.0 - np.power(1.0 - np.minimum(width / wet, 1.0), 8.0 / 3.0)
    velocity = np.where(spread > 0, flow / (0.5 * wet**2 * cross_slope), 0.0)
    efficiency = grate_efficiency(
        frontal, velocity, splash_over_velocity(length), cross_slope, length
    )
    return as_given(flow * efficiency)


def _clear(
    perimeter: Floats, open_area: Floats, clogged_share: Floats
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weir and orifice flow of a grate at a depth of 1 m, after clogging."""
    positive(perimeter=perimeter, open_area=open_area)
    between(0.0, 1.0, clogged_share=clogged_share)
    clear = 1.0 - np.asarray(clogged_share, dtype=np.float64)
    weir = GRATE_WEIR_COEFFICIENT * clear * perimeter
    orifice = ORIFICE_COEFFICIENT * clear * open_area * np.sqrt(2.0 * GRAVITY)
    return np.asarray(weir), np.asarray(orifice)
