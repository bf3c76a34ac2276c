"""
NRCS curve number: how deep the runoff of a storm is, and its graphical peak.

References
----------
NRCS TR-55, Urban Hydrology for Small Watersheds (1986), chapters 2 and 4; the same method in FHWA
HEC-22, Urban Drainage Design Manual, 3rd edition (2009), section 3.2.3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from lotflow.errors import ParameterError
from lotflow.grid import BoolArray, FloatArray
from lotflow.runoff.limits import CURVE_NUMBER_RANGE, within
from lotflow.tables import read_table
from lotflow.tables.runoff import PeakCoefficients, PondFactor
from lotflow.text import one_of
from lotflow.units import (
    CUBIC_METRES_PER_CUBIC_FOOT,
    METRES_PER_INCH,
    SQUARE_METRES_PER_ACRE,
    TO_SI,
)

StormType = Literal["I", "IA", "II", "III"]

#: Smallest curve number the graphical peak is published for [-].
_LEAST_CURVE_NUMBER: Final = 40.0
#: Shortest and longest time of concentration the graphical peak is published for [s].
TIME_RANGE_S: Final = (0.1 * TO_SI["h"], 10.0 * TO_SI["h"])

_INITIAL_ABSTRACTION: Final = 0.2
#: One cubic foot per second per square mile and inch of runoff [1/s].
CSM_PER_INCH: Final = CUBIC_METRES_PER_CUBIC_FOOT / (
    640.0 * SQUARE_METRES_PER_ACRE * METRES_PER_INCH
)


@dataclass(frozen=True, eq=False)
class GraphicalPeak:
    """Peak discharge by the graphical method, and where its limits were met."""

    flow_m3s: FloatArray
    runoff_depth_m: FloatArray
    #: Peak per area and depth of runoff.
    unit_peak_per_s: FloatArray
    #: Initial abstraction over rain, before it was brought into 0.1 to 0.5 [-].
    abstraction_ratio: FloatArray
    #: Whether it was: the peak is then less certain.
    ratio_clamped: BoolArray
    #: Whether a time of concentration below 0.1 h was raised to that.
    time_raised: BoolArray
    #: Whether the curve number is less than the 40 the method is published for.
    below_curve_number_limit: BoolArray


def retention(curve_number: ArrayLike) -> FloatArray:
    """
    Potential retention of the ground once runoff has begun.

    S = 1000 / CN - 10, inches.

    Parameters
    ----------
    curve_number
        30 to 100 [-].

    Returns
    -------
    retention
        [m].

    Raises
    ------
    ParameterError
        If a curve number lies outside 30 to 100.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equation 3-16; NRCS TR-55 (1986), equation 2-4.

    Examples
    --------
    >>> round(float(retention(75)) * 1e3)
    85
    """
    number = within("curve number", curve_number, *CURVE_NUMBER_RANGE)
    return (1000.0 / number - 10.0) * METRES_PER_INCH


def runoff_depth(rain_m: ArrayLike, curve_number: ArrayLike) -> FloatArray:
    """
    Depth of runoff of a storm.

    Q = (P - 0.2 S)^2 / (P + 0.8 S) for P above 0.2 S, else 0.

    Parameters
    ----------
    rain_m
        P, depth of the whole storm, not below 0 [m].
    curve_number
        30 to 100; broadcast against the rain [-].

    Returns
    -------
    depth
        [m].

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equation 3-15; NRCS TR-55 (1986), equation 2-3.

    Examples
    --------
    6 inches of rain on a curve number of 75: 3.28 inches.

    >>> round(float(runoff_depth(6 * 0.0254, 75)) / 0.0254, 2)
    3.28
    """
    rain = within("rain", rain_m, 0.0, unit="m")
    store = retention(curve_number)
    effective = np.maximum(rain - _INITIAL_ABSTRACTION * store, 0.0)
    # where nothing falls on ground that keeps nothing, 0 / 0 is no runoff
    whole = np.where(effective + store > 0, effective + store, 1.0)
    return np.asarray(effective**2 / whole)


def graphical_peak(
    area_m2: ArrayLike,
    curve_number: ArrayLike,
    rain_m: ArrayLike,
    time_of_concentration_s: ArrayLike,
    storm_type: StormType,
    *,
    pond_percent: ArrayLike = 0.0,
) -> GraphicalPeak:
    """
    Peak discharge of a 24-hour storm by the graphical method.

    q = qu A Q F with log10 qu = C0 + C1 log10 t + C2 (log10 t)^2, t in hours. Between the rows
    of the coefficient table qu is interpolated by Ia / P, which is held within 0.1 to 0.5.

    Parameters
    ----------
    area_m2
        Catchment [m^2].
    curve_number
        30 to 100; published from 40 on [-].
    rain_m
        Depth of the storm of 24 hours, greater than 0 [m].
    time_of_concentration_s
        At most 10 h; below 0.1 h it is raised to that [s].
    storm_type
        Rain distribution of the region: "I", "IA", "II" or "III".
    pond_percent
        Share of ponds and swamps spread over the catchment, 0 to 5 [%].

    Returns
    -------
    peak
        The arguments broadcast against one another.

    Raises
    ------
    ParameterError
        If an argument lies outside its range, or the storm type is unknown.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equations 3-17 and 3-18, Tables 3-7 and 3-9; NRCS TR-55
    (1986), chapter 4.

    Examples
    --------
    250 acres of CN 75, 6 inches, 1.53 h, type II: 345 cubic feet per second.

    >>> peak = graphical_peak(250 * 4046.856, 75, 6 * 0.0254, 1.53 * 3600, "II")
    >>> round(float(peak.flow_m3s) / 0.0283168), bool(peak.ratio_clamped)
    (345, False)
    """
    area = within("area", area_m2, 0.0, unit="m2")
    rain = within("rain", rain_m, 0.0, above=True, unit="m")
    time = within("time of concentration", time_of_concentration_s, 0.0, TIME_RANGE_S[1], unit="s")
    depth = runoff_depth(rain, curve_number)
    ratio = _INITIAL_ABSTRACTION * retention(curve_number) / rain
    held = np.clip(ratio, 0.1, 0.5)
    unit_peak = _unit_peak(np.maximum(time, TIME_RANGE_S[0]) / TO_SI["h"], held, storm_type)
    return GraphicalPeak(
        unit_peak * CSM_PER_INCH * area * depth * pond_factor(pond_percent),
        depth,
        unit_peak * CSM_PER_INCH,
        ratio,
        np.asarray(held != ratio),
        np.asarray(time < TIME_RANGE_S[0]),
        np.asarray(np.asarray(curve_number) < _LEAST_CURVE_NUMBER),
    )


def pond_factor(pond_percent: ArrayLike) -> FloatArray:
    """
    Reduction of the peak by ponds and swamps spread over a catchment.

    Parameters
    ----------
    pond_percent
        Their share of the area, 0 to 5 [%].

    Returns
    -------
    factor
        Interpolated between the shares of the table [-].

    Raises
    ------
    ParameterError
        If a share lies outside 0 to 5 %.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), Table 3-9.

    Examples
    --------
    >>> pond_factor([0.0, 1.0, 4.0]).round(3).tolist()
    [1.0, 0.87, 0.735]
    """
    rows = read_table("pond_factors", PondFactor)
    shares = [row.pond_percent for row in rows]
    share = within("share of ponds", pond_percent, shares[0], shares[-1], unit="%")
    return np.asarray(np.interp(share, shares, [row.factor for row in rows]))


def _unit_peak(time_h: FloatArray, ratio: FloatArray, storm_type: StormType) -> FloatArray:
    """Unit peak [csm/in], linear in Ia / P between the rows of the storm type."""
    if storm_type not in get_args(StormType):
        raise ParameterError(
            f"storm type must be {one_of(get_args(StormType))}, not {storm_type!r}."
        )
    rows = [
        row for row in read_table("nrcs_peak", PeakCoefficients) if row.storm_type == storm_type
    ]
    ratios = np.array([row.abstraction_ratio for row in rows])
    logs = np.log10(np.asarray(time_h))[..., None]
    c0, c1, c2 = (np.array([getattr(row, name) for row in rows]) for name in ("c0", "c1", "c2"))
    curves = 10.0 ** (c0 + c1 * logs + c2 * logs**2)
    index = np.clip(np.searchsorted(ratios, ratio, side="right") - 1, 0, len(rows) - 2)
    share = (ratio - ratios[index]) / (ratios[index + 1] - ratios[index])
    shape = np.broadcast_shapes(curves.shape[:-1], index.shape)
    curves = np.broadcast_to(curves, (*shape, len(rows)))
    index = np.broadcast_to(index, shape)
    low = np.take_along_axis(curves, index[..., None], axis=-1)[..., 0]
    high = np.take_along_axis(curves, index[..., None] + 1, axis=-1)[..., 0]
    return np.asarray(low + share * (high - low))
