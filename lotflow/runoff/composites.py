"""
Mixes of covers: one coefficient or curve number for a catchment, and for a storm.

Published tables speak of a surface; a catchment has many. Values are weighted by area, per
catchment label where a raster or polygon areas say which part belongs to which catchment.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lotflow.grid import FloatArray
from lotflow.runoff.limits import within
from lotflow.tables import read_table
from lotflow.tables.runoff import FrequencyFactor


def composite(values: ArrayLike, weights: ArrayLike) -> float:
    """
    Weigh values by area: the coefficient or curve number of the whole.

    Parameters
    ----------
    values
        Shape (n,): runoff coefficients or curve numbers of the parts [-].
    weights
        Shape (n,): areas of the parts, in any unit.

    Returns
    -------
    composite
        NaN where the areas add up to 0 [-].

    Raises
    ------
    ParameterError
        If an area is negative.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equation 3-2; NRCS TR-55 (1986), chapter 2.

    Examples
    --------
    Roof, drive, patio and lawn of a lot of 10 000 square feet:

    >>> round(composite([0.90, 0.85, 0.85, 0.20], [2000, 800, 400, 6800]), 3)
    0.418
    """
    labels = np.zeros(np.shape(values), dtype=np.intp)
    return float(composite_by_label(values, weights, labels, 1)[0])


def composite_by_label(
    values: ArrayLike, weights: ArrayLike, labels: ArrayLike, count: int
) -> FloatArray:
    """
    Weigh values by area, per catchment.

    `values` may be of any shape, such as a raster of coefficients; `weights` are the areas of its
    cells, or one number; `labels` their catchments, 0 to `count` - 1, others are left out. A
    catchment without area gives NaN.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equation 3-2.

    Examples
    --------
    >>> composite_by_label([0.9, 0.2, 0.2], [100, 100, 50], [0, 0, 1], 3).tolist()
    [0.55, 0.2, nan]
    """
    area = np.broadcast_to(within("area", weights, 0.0), np.shape(labels))
    total = sum_by_label(area, labels, count)
    weighted = sum_by_label(np.asarray(values, dtype=np.float64) * area, labels, count)
    result = np.full(count, np.nan)
    np.divide(weighted, total, out=result, where=total > 0)
    return result


def sum_by_label(values: ArrayLike, labels: ArrayLike, count: int) -> FloatArray:
    """
    Add values up per catchment, such as C times area.

    Labels other than 0 to `count` - 1 are left out.

    Examples
    --------
    >>> sum_by_label([90.0, 20.0, 10.0, 5.0], [0, 0, 1, -1], 2).tolist()
    [110.0, 10.0]
    """
    label = np.asarray(labels).ravel()
    inside = (label >= 0) & (label < count)
    value = np.broadcast_to(np.asarray(values, dtype=np.float64), np.shape(labels)).ravel()
    sums = np.bincount(label[inside], weights=value[inside], minlength=count)
    return sums.astype(np.float64)


def frequency_factor(return_period_yr: ArrayLike) -> FloatArray:
    """
    Factor on the runoff coefficient in rare storms.

    1.00 below 25 years, 1.10 at 25, 1.20 at 50 and 1.25 at 100 years, between them by the
    logarithm of the return period; beyond 100 years, where the table ends, 1.25 is kept.

    Parameters
    ----------
    return_period_yr
        [yr], greater than 0.

    Returns
    -------
    factor
        [-].

    Raises
    ------
    ParameterError
        If a return period is not greater than 0.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 3.2.2.1, which does not endorse it; used by some
    agencies.

    Examples
    --------
    >>> frequency_factor([10, 25, 50, 100]).tolist()
    [1.0, 1.1, 1.2, 1.25]
    """
    period = within("return period", return_period_yr, 0.0, above=True, unit="yr")
    rows = read_table("frequency_factors", FrequencyFactor)
    tabulated = np.log([row.return_period_yr for row in rows])
    factor = np.interp(np.log(period), tabulated, [row.factor for row in rows])
    return np.where(period < rows[0].return_period_yr, 1.0, factor)


def storm_coefficient(runoff_coefficient: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
    """
    Runoff coefficient with the frequency factor of a storm, at most 1.

    Parameters
    ----------
    runoff_coefficient
        C, 0 to 1 [-].
    return_period_yr
        Broadcast against the coefficients [yr].

    Returns
    -------
    runoff_coefficient
        min(1, C Cf) [-].

    Raises
    ------
    ParameterError
        If a coefficient lies outside 0 to 1, or a return period is not greater than 0.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 3.2.2.1; the cap at 1 from memory.

    Examples
    --------
    >>> storm_coefficient([0.95, 0.20], 100).tolist()
    [1.0, 0.25]
    """
    coefficient = within("runoff coefficient", runoff_coefficient, 0.0, 1.0)
    return np.minimum(coefficient * frequency_factor(return_period_yr), 1.0)
