"""
Flow along a curb or in a shallow V: how wide it spreads.

References
----------
Federal Highway Administration (2009), Urban Drainage Design Manual, Hydraulic Engineering
Circular 22, third edition: section 4.3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.drains.domain import Floats, as_given, bisect_rising, not_negative, positive

#: Izzard's factor of the modified Manning equation (0.56 in feet; HEC-22 equation 4-2).
_GUTTER_FACTOR: Final = 0.376


@dataclass(frozen=True)
class CompositeGutter:
    """
    A gutter whose strip along the curb is steeper than the road beside it.

    Parameters
    ----------
    width
        Width of the steeper strip [m]; greater than 0.
    gutter_cross_slope
        Its cross slope [-]; at least that of the road.
    cross_slope
        Cross slope of the road [-]; greater than 0.
    slope
        Fall along the gutter [-]; greater than 0.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Raises
    ------
    ParameterError
        If one is not greater than 0, or the strip is flatter than the road.
    """

    width: Floats
    gutter_cross_slope: Floats
    cross_slope: Floats
    slope: Floats
    roughness: Floats

    def __post_init__(self) -> None:
        positive(
            width=self.width,
            gutter_cross_slope=self.gutter_cross_slope,
            cross_slope=self.cross_slope,
            slope=self.slope,
            roughness=self.roughness,
        )
        not_negative(
            gutter_cross_slope_less_road=np.subtract(self.gutter_cross_slope, self.cross_slope)
        )


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


def v_cross_slope(first: Floats, second: Floats) -> Floats:
    """
    Cross slope of the simple gutter that carries what a V of two slopes does.

    Parameters
    ----------
    first, second
        Cross slopes of the two sides [-]; greater than 0.

    Returns
    -------
    cross_slope
        To be given to `gutter_flow` and `gutter_spread` [-].

    Raises
    ------
    ParameterError
        If a slope is not greater than 0.

    References
    ----------
    HEC-22 (2009), section 4.3; example 4-3 has 0.0345.

    Examples
    --------
    >>> v_cross_slope(0.25, 0.04)
    0.0345
    """
    positive(first_cross_slope=first, second_cross_slope=second)
    return as_given(np.multiply(first, second) / np.add(first, second))


def composite_gutter_flow(spread: Floats, gutter: CompositeGutter) -> Floats:
    """
    Flow in a gutter with a steeper strip along the curb.

    Parameters
    ----------
    spread
        Width of the water [m]; 0 or more. Not wider than the strip: the strip alone.
    gutter
        Its section, fall and roughness.

    Returns
    -------
    flow
        One value per spread [m^3/s].

    Raises
    ------
    ParameterError
        If a spread is negative.

    References
    ----------
    HEC-22 (2009), section 4.3, solved for Q; example 4-2 has 0.06 m^3/s.

    Examples
    --------
    >>> composite_gutter_flow(2.5, CompositeGutter(0.6, 0.103, 0.02, 0.01, 0.016))
    0.0643
    """
    not_negative(spread=spread)
    beyond = np.maximum(np.subtract(spread, gutter.width), 0.0)
    steeper = np.divide(gutter.gutter_cross_slope, gutter.cross_slope)
    # Q = Qs / (1 - E0) written out: the singularity at the edge of the strip cancels
    strip = np.power(beyond + steeper * gutter.width, 8.0 / 3.0) / steeper
    road = np.power(beyond, 8.0 / 3.0) * (1.0 - 1.0 / steeper)
    flow = _conveyance(gutter.cross_slope, gutter.slope, gutter.roughness) * (strip + road)
    alone = gutter_flow(spread, gutter.gutter_cross_slope, gutter.slope, gutter.roughness)
    return as_given(np.where(beyond > 0, flow, alone))


def composite_gutter_spread(flow: Floats, gutter: CompositeGutter) -> Floats:
    """
    Spread of a flow in a gutter with a steeper strip along the curb.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    gutter
        Its section, fall and roughness.

    Returns
    -------
    spread
        Width of the water [m].

    Raises
    ------
    ParameterError
        If a flow is negative.

    References
    ----------
    HEC-22 (2009), section 4.3; example 4-2 has 11.1 ft for 4.2 cfs.

    Examples
    --------
    >>> gutter = CompositeGutter(2 * 0.3048, 0.02 + 2 / 24, 0.02, 0.01, 0.016)
    >>> composite_gutter_spread(4.2 * 0.0283168, gutter) / 0.3048
    11.1
    """
    not_negative(flow=flow)
    # the steeper strip carries more than the road would: the plain gutter is the wider one
    widest = gutter_spread(flow, gutter.cross_slope, gutter.slope, gutter.roughness)
    spread = bisect_rising(
        lambda tried: np.asarray(composite_gutter_flow(tried, gutter)), flow, 0.0, widest
    )
    return as_given(np.where(np.asarray(flow) > 0, spread, 0.0))


def frontal_flow_share(spread: Floats, gutter: CompositeGutter) -> Floats:
    """
    Share of the flow that runs in the steeper strip, where a grate lies.

    Parameters
    ----------
    spread
        Width of the water [m]; greater than 0.
    gutter
        Its section, fall and roughness.

    Returns
    -------
    share
        E0 [-]; 1 where the water is not wider than the strip.

    Raises
    ------
    ParameterError
        If a spread is not greater than 0.

    References
    ----------
    HEC-22 (2009), section 4.3; example 4-2 has 0.70.

    Examples
    --------
    >>> frontal_flow_share(2.5, CompositeGutter(0.6, 0.103, 0.02, 0.01, 0.016))
    0.702
    """
    positive(spread=spread)
    beyond = as_given(np.maximum(np.subtract(spread, gutter.width), 0.0))
    beside = gutter_flow(beyond, gutter.cross_slope, gutter.slope, gutter.roughness)
    return as_given(1.0 - np.divide(beside, composite_gutter_flow(spread, gutter)))


def _conveyance(cross_slope: Floats, slope: Floats, roughness: Floats) -> NDArray[np.float64]:
    """Flow of a simple gutter at a spread of 1 m."""
    positive(cross_slope=cross_slope, slope=slope, roughness=roughness)
    by_slope = np.power(cross_slope, 5.0 / 3.0) * np.sqrt(slope)
    return np.asarray(_GUTTER_FACTOR / np.asarray(roughness, dtype=np.float64) * by_slope)
