"""What the durations, return periods and depths of a rainfall must be, and where values lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lotflow.errors import Fault, InputError

FloatArray = NDArray[np.float64]

#: Relative slack of range and order checks: the rounding of unit conversions, no more.
_SLACK = 1e-9


def table_faults(
    durations_s: FloatArray, return_periods_yr: FloatArray, depths_m: FloatArray
) -> list[Fault]:
    """
    Find what cannot be in a rainfall table.

    Parameters
    ----------
    durations_s
        Shape (n,) [s].
    return_periods_yr
        Shape (m,) [yr].
    depths_m
        Shape (n, m) [m].

    Returns
    -------
    faults
        One per place; `row` is the number of the duration, counted from 1.

    Examples
    --------
    >>> depths = np.array([[0.010], [0.009]])
    >>> print(table_faults(np.array([300.0, 600.0]), np.array([10.0]), depths)[0])
    row 2, 10 yr = '9.0 mm': the depth falls from 10.0 mm in 5 min to 9.0 mm in 10 min. Check ...
    """
    axes = [(durations_s, "durations"), (return_periods_yr, "return periods")]
    faults = [
        Fault(f"{name} must be greater than 0 and rise, each given once", "Sort the table")
        for axis, name in axes
        if not rises(axis)
    ]
    if depths_m.shape != (durations_s.size, return_periods_yr.size):
        faults.append(Fault("there must be one depth for each duration and return period"))
    else:
        rule = "a depth must be a number greater than 0"
        for row, column in np.argwhere(~(np.isfinite(depths_m) & (depths_m > 0))):
            shown = f"{return_periods_yr[column]:g} yr"
            value = float(depths_m[row, column])
            faults.append(Fault(rule, row=int(row) + 1, column=shown, value=value))
    return faults or order_faults(durations_s, return_periods_yr, depths_m)


def order_faults(
    durations_s: FloatArray, return_periods_yr: FloatArray, depths_m: FloatArray
) -> list[Fault]:
    """
    Find depths that fall with duration or return period, and intensities that rise.

    Parameters
    ----------
    durations_s, return_periods_yr, depths_m
        As for `table_faults`, with axes that rise.

    Returns
    -------
    faults
        One per pair of neighbours in the table.

    Examples
    --------
    >>> depths = np.array([[0.010, 0.012], [0.030, 0.031]])
    >>> faults = order_faults(np.array([300.0, 600.0]), np.array([2.0, 10.0]), depths)
    >>> [fault.rule for fault in faults]
    ['the intensity is greater than that of 5 min', 'the intensity is greater than that of 5 min']
    """
    names = [duration_text(float(duration)) for duration in durations_s]
    places: list[tuple[int, int, str]] = []
    for row, column in _falls(depths_m[:-1], depths_m[1:]):
        before, after = depths_m[row : row + 2, column] * 1e3
        change = f"from {before:.1f} mm in {names[row]} to {after:.1f} mm in {names[row + 1]}"
        places.append((row + 1, column, f"the depth falls {change}"))
    for row, column in _falls(depths_m[:, :-1], depths_m[:, 1:]):
        rule = f"the depth is less than that of the {return_periods_yr[column]:g}-year storm"
        places.append((row, column + 1, rule))
    intensities = depths_m / durations_s[:, None]
    for row, column in _falls(intensities[1:], intensities[:-1]):
        places.append((row + 1, column, f"the intensity is greater than that of {names[row]}"))
    return [
        Fault(
            rule,
            "Check the figures against their source",
            row=row + 1,
            column=f"{return_periods_yr[column]:g} yr",
            value=f"{depths_m[row, column] * 1e3:.1f} mm",
        )
        for row, column, rule in places
    ]


def _falls(first: FloatArray, second: FloatArray) -> list[tuple[int, int]]:
    """Rows and columns at which the second is less than the first."""
    return [(int(r), int(c)) for r, c in np.argwhere(second < first * (1 - _SLACK))]


def rises(axis: FloatArray) -> bool:
    """
    Tell whether an axis is one row of positive, strictly rising numbers.

    Examples
    --------
    >>> rises(np.array([2.0, 10.0])), rises(np.array([2.0, 2.0])), rises(np.array([]))
    (True, False, False)
    """
    if axis.ndim != 1 or not axis.size:
        return False
    return bool(np.isfinite(axis).all() and axis[0] > 0 and (np.diff(axis) > 0).all())


def uplift_faults(uplift: float) -> list[Fault]:
    """
    Check an uplift factor.

    Parameters
    ----------
    uplift
        Factor on published rain [-].

    Examples
    --------
    >>> uplift_faults(1.2), len(uplift_faults(-0.1))
    ([], 1)
    """
    if np.isfinite(uplift) and uplift > 0:
        return []
    return [Fault("the uplift must be a factor greater than 0", column="uplift", value=uplift)]


def between(axis: FloatArray, values: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """
    Locate values between those of an axis, on a logarithmic scale.

    Parameters
    ----------
    axis
        Shape (n,), positive and rising.
    values
        Any shape, within the axis.

    Returns
    -------
    index, share
        Index of the axis value before each value, and the share of the logarithmic step to
        the next one that lies behind it.

    Examples
    --------
    >>> index, share = between(np.array([1.0, 10.0, 100.0]), np.array([10.0, 100.0]))
    >>> index.tolist(), share.tolist()
    ([1, 1], [0.0, 1.0])
    """
    index = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, max(axis.size - 2, 0))
    if axis.size == 1:
        return index, np.zeros(values.shape)
    return index, np.log(values / axis[index]) / np.log(axis[index + 1] / axis[index])


def durations_within(duration_s: ArrayLike, limits: tuple[float, float]) -> FloatArray:
    """
    Make sure that durations lie within the range of a rainfall.

    Parameters
    ----------
    duration_s
        Durations [s].
    limits
        Shortest and longest [s].

    Returns
    -------
    durations
        The same, as an array [s].

    Raises
    ------
    InputError
        With the range, if one lies outside.

    Examples
    --------
    >>> durations_within(120, (300, 86400))
    Traceback (most recent call last):
    lotflow.errors.InputError: a duration of 2 min lies outside the rainfall data, which run ...
    """
    values, outside = _clipped(duration_s, limits)
    if outside is not None:
        low, high = duration_text(limits[0]), duration_text(limits[1])
        rule = (
            f"a duration of {duration_text(outside)} lies outside the rainfall data, which run "
            f"from {low} to {high}"
        )
        raise InputError(Fault(rule, "Give rainfall data that cover it"))
    return values


def return_periods_within(return_period_yr: ArrayLike, limits: tuple[float, float]) -> FloatArray:
    """
    Make sure that return periods lie within the range of a rainfall.

    Parameters
    ----------
    return_period_yr
        Return periods [yr].
    limits
        Shortest and longest [yr].

    Returns
    -------
    return_periods
        The same, as an array [yr].

    Raises
    ------
    InputError
        With the range, if one lies outside.

    Examples
    --------
    >>> return_periods_within(500, (1, 100))
    Traceback (most recent call last):
    lotflow.errors.InputError: a storm of 500 years lies outside the rainfall data, which run ...
    """
    values, outside = _clipped(return_period_yr, limits)
    if outside is not None:
        rule = (
            f"a storm of {outside:g} years lies outside the rainfall data, which run from "
            f"{limits[0]:g} to {limits[1]:g} years"
        )
        raise InputError(Fault(rule, "Choose another storm, or give rainfall data that cover it"))
    return values


def _clipped(values: ArrayLike, limits: tuple[float, float]) -> tuple[FloatArray, float | None]:
    """Clip values that only rounding carries outside; the first truly outside, if any."""
    array = np.asarray(values, dtype=np.float64)
    low, high = limits
    inside = (array >= low * (1 - _SLACK)) & (array <= high * (1 + _SLACK))
    outside = None if inside.all() else float(array[~inside].flat[0])
    return np.clip(array, low, high), outside


def duration_text(duration_s: float) -> str:
    """
    Name a duration as rainfall tables do.

    Parameters
    ----------
    duration_s
        Duration [s].

    Examples
    --------
    >>> duration_text(300), duration_text(7200), duration_text(604800), duration_text(5400)
    ('5 min', '2 h', '7 d', '90 min')
    """
    for unit, seconds, first in (("d", 86400.0, 172800.0), ("h", 3600.0, 7200.0)):
        if duration_s >= first and (duration_s / seconds).is_integer():
            return f"{duration_s / seconds:g} {unit}"
    return f"{duration_s / 60:.4g} min"
