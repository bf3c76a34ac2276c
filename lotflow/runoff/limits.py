"""What the formulas of this room are defined for."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from lotflow.errors import ParameterError
from lotflow.grid import FloatArray

#: Lowest and highest curve number in use (NRCS TR-55, chapter 2).
CURVE_NUMBER_RANGE: Final = (30.0, 100.0)


def within(
    name: str,
    values: ArrayLike,
    low: float,
    high: float = np.inf,
    *,
    above: bool = False,
    unit: str = "",
) -> FloatArray:
    """
    Make sure that values lie in the domain of a formula.

    Examples
    --------
    >>> within("curve number", 74, 30, 100)
    array(74.)
    >>> within("slope", [0.02, 0.0], 0, above=True, unit="m/m")
    Traceback (most recent call last):
    lotflow.errors.ParameterError: slope must be greater than 0 m/m, not 0 m/m.
    """
    array = np.asarray(values, dtype=np.float64)
    inside = (array > low if above else array >= low) & (array <= high) & np.isfinite(array)
    if not inside.all():
        value = array[~inside].flat[0]
        end = f" {unit}" if unit else ""
        least = f"greater than {low:g}{end}" if above else f"at least {low:g}{end}"
        most = f" and at most {high:g}{end}" if np.isfinite(high) else ""
        raise ParameterError(f"{name} must be {least}{most}, not {value:g}{end}.")
    return array
