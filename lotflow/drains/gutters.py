"""
Flow along a curb: how wide it spreads.

References
----------
Federal Highway Administration (2009), Urban Drainage Design Manual, Hydraulic Engineering
Circular 22, third edition: section 4.3.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.drains.domain import Floats, as_given, not_negative, positive

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
