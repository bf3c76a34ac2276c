"""Times of concentration by one formula each, to be shown beside the sum of a path's segments."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lotflow.grid import FloatArray
from lotflow.runoff.limits import within
from lotflow.units import METRES_PER_FOOT, TO_SI


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
