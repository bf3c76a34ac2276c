"""Travel time of water: sheet flow, shallow concentrated flow, and whole paths by one formula."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from lotflow.errors import ParameterError
from lotflow.grid import FloatArray
from lotflow.rainfall import Rainfall
from lotflow.runoff.limits import within
from lotflow.units import METRES_PER_FOOT, METRES_PER_INCH, TO_SI

#: Velocity over the root of slope [m/s], from 20.3282 and 16.1345 ft/s.
_PAVED_VELOCITY: Final = 20.3282 * METRES_PER_FOOT
_UNPAVED_VELOCITY: Final = 16.1345 * METRES_PER_FOOT

_SHEET_FLOW_LIMIT_M: Final = 300.0 * METRES_PER_FOOT
_ITERATIONS: Final = 200


def sheet_flow_time(
    length_m: ArrayLike, slope: ArrayLike, roughness: ArrayLike, two_year_rain_m: ArrayLike
) -> FloatArray:
    """
    Travel time of sheet flow by the kinematic solution of TR-55.

    T = 0.007 (n L)^0.8 / (P^0.5 s^0.4), hours, feet and inches.

    Parameters
    ----------
    length_m
        At most 300 ft (91.44 m); later guidance says 100 ft (30.48 m) [m].
    slope
        Greater than 0 [m/m].
    roughness
        Manning n of sheet flow, greater than 0 [s/m^(1/3)].
    two_year_rain_m
        Depth of the 2-year storm of 24 hours, greater than 0 [m].

    Returns
    -------
    time
        [s].

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    References
    ----------
    NRCS TR-55 (1986), equation 3-3 and worksheet 3; NEH 630 chapter 15 (2010) for 100 ft.

    Examples
    --------
    Dense grass, 100 ft at 1 %, 3.6 inches of rain: 0.30 h.

    >>> round(float(sheet_flow_time(30.48, 0.01, 0.24, 3.6 * 0.0254)) / 3600, 2)
    0.3
    """
    length = within("sheet flow length", length_m, 0.0, _SHEET_FLOW_LIMIT_M + 1e-6, unit="m")
    steep = within("slope", slope, 0.0, above=True, unit="m/m")
    rain = within("2-year rain", two_year_rain_m, 0.0, above=True, unit="m") / METRES_PER_INCH
    rough = within("roughness", roughness, 0.0, above=True)
    hours = 0.007 * (rough * length / METRES_PER_FOOT) ** 0.8 / (rain**0.5 * steep**0.4)
    return np.asarray(hours * TO_SI["h"])


def sheet_flow_time_for_intensity(
    length_m: ArrayLike, slope: ArrayLike, roughness: ArrayLike, intensity_m_s: ArrayLike
) -> FloatArray:
    """
    Travel time of sheet flow by the kinematic wave, for a known intensity.

    T = 0.933 / I^0.4 (n L / S^0.5)^0.6, minutes, feet and in/h; the factor is printed as 6.92 for
    metres and mm/h, which is 0.3 % less.

    Parameters
    ----------
    length_m
        Rarely more than 400 ft (122 m), possibly less than 80 ft (24 m) [m].
    slope
        Greater than 0 [m/m].
    roughness
        Manning n of sheet flow, greater than 0 [s/m^(1/3)].
    intensity_m_s
        Rain intensity over the time of concentration, greater than 0 [m/s].

    Returns
    -------
    time
        [s].

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equation 3-3.

    Examples
    --------
    223 ft of bermuda grass at 0.5 % in 3.4 in/h: 42 min.

    >>> rain = 3.4 * 0.0254 / 3600
    >>> round(float(sheet_flow_time_for_intensity(223 * 0.3048, 0.005, 0.41, rain)) / 60, 1)
    42.1
    """
    length = within("sheet flow length", length_m, 0.0, unit="m")
    steep = within("slope", slope, 0.0, above=True, unit="m/m")
    rough = within("roughness", roughness, 0.0, above=True)
    rain = within("intensity", intensity_m_s, 0.0, above=True, unit="m/s") / TO_SI["in_h"]
    feet = length / METRES_PER_FOOT
    minutes = 0.933 / rain**0.4 * (rough * feet / np.sqrt(steep)) ** 0.6
    return np.asarray(minutes * TO_SI["min"])


def sheet_flow_time_in_storm(
    length_m: ArrayLike,
    slope: ArrayLike,
    roughness: ArrayLike,
    rainfall: Rainfall,
    return_period_yr: ArrayLike,
    *,
    further_time_s: ArrayLike = 0.0,
    minimum_s: float = 300.0,
) -> FloatArray:
    """
    Travel time of sheet flow by the kinematic wave, with the intensity that belongs to it.

    The intensity is that of the whole time of concentration, which the result is part of, so
    the two are repeated until they agree within a hundredth of a second.

    Parameters
    ----------
    return_period_yr
        Storm [yr].
    further_time_s
        Travel time of the rest of the path [s].
    minimum_s
        Shortest time for which an intensity is looked up [s].

    Returns
    -------
    time
        Of the sheet flow alone [s].

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    InputError
        If the time of concentration lies outside the rainfall.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 3.2.2.3 and example 3-2.

    Examples
    --------
    >>> from lotflow.rainfall import RainfallTable
    >>> rain = RainfallTable([300, 3600], [10], [[0.0176], [0.0635]], "example")
    >>> time = sheet_flow_time_in_storm(20.0, 0.02, 0.24, rain, 10)
    >>> again = sheet_flow_time_for_intensity(20.0, 0.02, 0.24, rain.intensity(time, 10))
    >>> round(float(time)), round(float(again))
    (436, 436)
    """
    further = within("further travel time", further_time_s, 0.0, unit="s")
    total = np.full(np.broadcast(length_m, slope, roughness, return_period_yr, further).shape, 0.0)
    for _ in range(_ITERATIONS):
        rain = rainfall.intensity(np.maximum(total, minimum_s), return_period_yr)
        time = sheet_flow_time_for_intensity(length_m, slope, roughness, rain)
        if (np.abs(time + further - total) < 0.01).all():
            return time
        total = time + further
    raise ParameterError("sheet flow and rain intensity do not settle on one another.")


def shallow_flow_velocity(slope: ArrayLike, paved: ArrayLike) -> FloatArray:
    """
    Velocity of shallow concentrated flow.

    V = 20.3282 s^0.5 on pavement, 16.1345 s^0.5 elsewhere, feet per second.

    Parameters
    ----------
    slope
        Not below 0 [m/m].
    paved
        Whether the ground is paved.

    Returns
    -------
    velocity
        [m/s].

    Raises
    ------
    ParameterError
        If a slope is negative.

    References
    ----------
    NRCS TR-55 (1986), appendix F, from memory.

    Examples
    --------
    >>> round(float(shallow_flow_velocity(0.01, False)) / 0.3048, 2)
    1.61
    """
    steep = within("slope", slope, 0.0, unit="m/m")
    return np.where(np.asarray(paved, bool), _PAVED_VELOCITY, _UNPAVED_VELOCITY) * np.sqrt(steep)


def manning_velocity(
    hydraulic_radius_m: ArrayLike, slope: ArrayLike, roughness: ArrayLike
) -> FloatArray:
    """
    Mean velocity in a channel, a swale or a full pipe (Manning).

    V = (1/n) R^(2/3) S^(1/2).

    Parameters
    ----------
    hydraulic_radius_m
        Wetted area over wetted perimeter; a quarter of the diameter of a full pipe [m].
    slope
        Not below 0 [m/m].
    roughness
        Manning n, greater than 0 [s/m^(1/3)].

    Returns
    -------
    velocity
        [m/s].

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    References
    ----------
    NRCS TR-55 (1986), equation 3-4; FHWA HEC-22, 3rd edition (2009), equation 3-5.

    Examples
    --------
    A 15 in pipe, n 0.011, at 0.8 %, full: 5.6 ft/s.

    >>> round(float(manning_velocity(0.381 / 4, 0.008, 0.011)) / 0.3048, 1)
    5.6
    """
    radius = within("hydraulic radius", hydraulic_radius_m, 0.0, unit="m")
    steep = within("slope", slope, 0.0, unit="m/m")
    return np.cbrt(radius) ** 2 * np.sqrt(steep) / within("roughness", roughness, 0.0, above=True)


def travel_time(length_m: ArrayLike, velocity_m_s: ArrayLike) -> FloatArray:
    """
    Time to run a length at a velocity.

    Parameters
    ----------
    length_m
        Not below 0 [m].
    velocity_m_s
        Greater than 0 [m/s].

    Returns
    -------
    time
        [s].

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equation 3-6.

    Examples
    --------
    >>> float(travel_time(30.0, 1.5))
    20.0
    """
    velocity = within("velocity", velocity_m_s, 0.0, above=True, unit="m/s")
    return within("length", length_m, 0.0, unit="m") / velocity


def kirpich_time(length_m: ArrayLike, slope: ArrayLike) -> FloatArray:
    """
    Time of concentration by Kirpich, as a check on a path's time.

    t = 0.0195 L^0.77 S^-0.385, minutes and metres. Found on small steep farm catchments with
    channels; short for lawns.

    Parameters
    ----------
    length_m
        Longest path, greater than 0 [m].
    slope
        Its fall divided by its length, greater than 0 [m/m].

    Returns
    -------
    time
        [s].

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    References
    ----------
    Kirpich, Z. P. (1940), Civil Engineering 10 (6), 362, as 0.0078 L^0.77 S^-0.385 in feet.

    Examples
    --------
    >>> round(float(kirpich_time(300 * 0.3048, 0.02)) / 60, 2)
    2.84
    """
    length = within("length", length_m, 0.0, above=True, unit="m") / METRES_PER_FOOT
    steep = within("slope", slope, 0.0, above=True, unit="m/m")
    return np.asarray(0.0078 * length**0.77 * steep**-0.385 * TO_SI["min"])


def faa_time(runoff_coefficient: ArrayLike, length_m: ArrayLike, slope: ArrayLike) -> FloatArray:
    """
    Time of concentration by the Federal Aviation Administration, as a check on a path's time.

    t = 1.8 (1.1 - C) L^0.5 / S^(1/3), minutes, feet and percent. Found on airfields.

    Parameters
    ----------
    runoff_coefficient
        C, 0 to 1 [-].
    length_m
        Longest path, greater than 0 [m].
    slope
        Its fall divided by its length, greater than 0 [m/m].

    Returns
    -------
    time
        [s].

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    References
    ----------
    FAA Advisory Circular 150/5320-5, Airport Drainage.

    Examples
    --------
    >>> round(float(faa_time(0.35, 300 * 0.3048, 0.01)) / 60, 1)
    23.4
    """
    coefficient = within("runoff coefficient", runoff_coefficient, 0.0, 1.0)
    length = within("length", length_m, 0.0, above=True, unit="m") / METRES_PER_FOOT
    percent = 100.0 * within("slope", slope, 0.0, above=True, unit="m/m")
    minutes = 1.8 * (1.1 - coefficient) * np.sqrt(length) / np.cbrt(percent)
    return np.asarray(minutes * TO_SI["min"])
