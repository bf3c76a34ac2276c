"""What the formulas of this room take and give: the domain they are defined on, and gravity."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from lotflow.errors import ParameterError

#: A number, or one number per drain line, inlet, channel.
Floats: TypeAlias = float | NDArray[np.float64]
#: The same for claims.
Claims: TypeAlias = bool | NDArray[np.bool_]

#: Standard acceleration of gravity [m/s^2].
GRAVITY: Final = 9.80665


def positive(**values: Floats) -> None:
    """
    Check that every value is a finite number greater than 0.

    Parameters
    ----------
    values
        Numbers or arrays by the name a message calls them.

    Raises
    ------
    ParameterError
        If one is 0, negative, infinite or not a number; quotes the first such value.

    Examples
    --------
    >>> positive(diameter=np.array([0.1, -0.1]))
    Traceback (most recent call last):
    lotflow.errors.ParameterError: diameter must be greater than 0, not -0.1.
    """
    _require(lambda array: array > 0, "be greater than 0", values)


def not_negative(**values: Floats) -> None:
    """
    Check that every value is a finite number of 0 or more.

    Parameters
    ----------
    values
        Numbers or arrays by the name a message calls them.

    Raises
    ------
    ParameterError
        If one is negative, infinite or not a number; quotes the first such value.

    Examples
    --------
    >>> not_negative(flow=0.0, length=-1.0)
    Traceback (most recent call last):
    lotflow.errors.ParameterError: length must be 0 or more, not -1.
    """
    _require(lambda array: array >= 0, "be 0 or more", values)


def between(low: float, high: float, **values: Floats) -> None:
    """
    Check that every value lies within bounds, which are allowed themselves.

    Parameters
    ----------
    values
        Numbers or arrays by the name a message calls them.

    Raises
    ------
    ParameterError
        If one lies outside, or is not a number; quotes the first such value.

    Examples
    --------
    >>> between(0, 90, deflection=120.0)
    Traceback (most recent call last):
    lotflow.errors.ParameterError: deflection must lie between 0 and 90, not 120.
    """
    rule = f"lie between {low:g} and {high:g}"
    _require(lambda array: (array >= low) & (array <= high), rule, values)


def finite(**values: Floats) -> None:
    """
    Check that every value is a finite number, such as a slope, which may have either sign.

    Parameters
    ----------
    values
        Numbers or arrays by the name a message calls them.

    Raises
    ------
    ParameterError
        If one is infinite or not a number; quotes the first such value.

    Examples
    --------
    >>> finite(slope=float("nan"))
    Traceback (most recent call last):
    lotflow.errors.ParameterError: slope must be a finite number, not nan.
    """
    _require(np.isfinite, "be a finite number", values)


def _require(holds: Callable[[Any], Any], rule: str, values: dict[str, Floats]) -> None:
    """Raise for the first value that breaks a rule; NaN and infinity break every rule."""
    for name, value in values.items():
        array = np.atleast_1d(np.asarray(value, dtype=np.float64))
        bad = array[~(holds(array) & np.isfinite(array))]
        if bad.size:
            raise ParameterError(f"{name.replace('_', ' ')} must {rule}, not {bad.flat[0]:g}.")


def as_given(values: Any) -> Floats:
    """
    Give a plain float where only numbers went in, the array otherwise.

    Parameters
    ----------
    values
        Result of array arithmetic; of no dimension where only numbers went in.

    Examples
    --------
    >>> as_given(np.sqrt(np.asarray(4.0))), as_given(np.array([1.0, 2.0]))
    (2.0, array([1., 2.]))
    """
    array = np.asarray(values, dtype=np.float64)
    return float(array) if array.ndim == 0 else array


def as_claims(values: Any) -> Claims:
    """
    Give a plain bool where only numbers went in, the array otherwise.

    Parameters
    ----------
    values
        Result of a comparison; of no dimension where only numbers went in.

    Examples
    --------
    >>> as_claims(np.greater(2.0, 1.0))
    True
    """
    array = np.asarray(values, dtype=np.bool_)
    return bool(array) if array.ndim == 0 else array


def bisect_rising(
    function: Callable[[NDArray[np.float64]], Any],
    target: Floats,
    low: Floats,
    high: Floats,
    *,
    steps: int = 60,
) -> NDArray[np.float64]:
    """
    Where a rising function reaches a target, element by element.

    Halving needs no derivative and cannot run away, and 60 halvings exhaust a double.

    Parameters
    ----------
    function
        Rising from `low` to `high` in every element; called with an array.
    low, high
        Between these it is sought.
    steps
        Halvings: the answer is within (high - low) / 2^steps.

    Returns
    -------
    place
        Shape of `target`, `low` and `high` together; the nearer end where the target lies
        outside what the function takes on.

    Examples
    --------
    >>> bisect_rising(np.square, np.array([4.0, 9.0]), 0.0, 10.0).round(6)
    array([2., 3.])
    """
    target, low, high = np.broadcast_arrays(
        np.asarray(target, dtype=np.float64), np.asarray(low, float), np.asarray(high, float)
    )
    for _ in range(steps):
        middle = 0.5 * (low + high)
        below = function(middle) < target
        low = np.where(below, middle, low)
        high = np.where(below, high, middle)
    return np.asarray(0.5 * (low + high), dtype=np.float64)
