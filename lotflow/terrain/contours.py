"""Contours: an interval that the ground asks for and the data can bear, and the lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, cast

import numpy as np

from lotflow.errors import ParameterError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import FloatArray, Grid

#: Intervals a reader expects, as multiples of a power of ten.
_STEPS: Final = (1.0, 2.0, 5.0)
#: Least interval by accuracy, in RMSE.
_LEAST_IN_RMSE: Final = 3.0
#: Most contours of a window.
_MOST_LINES: Final = 30
#: Every fifth line is an index contour.
_INDEX_EVERY: Final = 5


@dataclass(frozen=True, eq=False)
class Contour:
    """
    One contour line.

    Parameters
    ----------
    level
        Elevation [m].
    index
        Whether it is one of the bold ones.
    xy
        Coordinates, shape (n, 2) [unit of the CRS].
    """

    level: float
    index: bool
    xy: FloatArray


def contour_interval(relief_m: float, rmse_m: float, unit_m: float) -> float:
    """
    Choose the contour interval.

    It is the smallest of 1, 2, 5 times a power of ten that keeps the number of lines readable
    and is no finer than the data can bear: three times their RMSE.

    Parameters
    ----------
    relief_m
        Difference between highest and lowest ground, greater than 0 [m].
    rmse_m
        Vertical accuracy of the data [m].
    unit_m
        Length of the unit in which the interval is to be round: 1 or a foot [m].

    Returns
    -------
    interval
        In metres.

    Raises
    ------
    ParameterError
        If the relief or the unit is not greater than 0.

    References
    ----------
    FGDC-STD-007.3-1998, appendix 3-D: a contour interval of 3.29 RMSE meets the National Map
    Accuracy Standard; three is lotflow's rounding of it.

    Examples
    --------
    >>> contour_interval(4.0, 0.10, 1.0), contour_interval(4.0, 0.10, 0.3048) / 0.3048
    (0.5, 1.0)
    """
    if relief_m <= 0 or unit_m <= 0:
        raise ParameterError("relief and unit of a contour interval must be greater than 0.")
    # a hair of tolerance: 3 x 0.10 m must not miss 0.3 for a rounding error
    least = max(_LEAST_IN_RMSE * rmse_m, relief_m / _MOST_LINES) / unit_m * (1 - 1e-9)
    power = 10.0 ** np.floor(np.log10(least))
    candidates = [step * power for step in (*_STEPS, 10.0)]
    return float(next(step for step in candidates if step >= least) * unit_m)


def contours(ground: Grid, interval_m: float, *, shortest_m: float) -> list[Contour]:
    """
    Trace contours of the ground.

    Parameters
    ----------
    ground
        Elevation [m]; NaN where it is missing, there lines end.
    interval_m
        Vertical distance between lines; levels are its multiples [m].
    shortest_m
        Shorter scraps are dropped [m].

    Returns
    -------
    lines
        From the lowest up.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> plane = np.tile(np.arange(5.0), (4, 1))
    >>> grid = Grid(plane, Affine(1.0, 0.0, 0.0, 0.0, -1.0, 4.0), None)
    >>> [(line.level, line.index, line.xy[:, 0].tolist()) for line in contours(
    ...     grid, 2.0, shortest_m=0.0)]
    [(2.0, False, [2.5, 2.5, 2.5, 2.5])]
    """
    from contourpy import contour_generator  # noqa: PLC0415 - only where contours are drawn

    known = ground.values[~ground.missing]
    if not known.size or np.ptp(known) == 0:
        return []
    rows, columns = ground.shape
    x, _ = ground.xy(np.zeros(columns), np.arange(columns))
    _, y = ground.xy(np.arange(rows), np.zeros(rows))
    tracer = contour_generator(x, y, np.ma.masked_invalid(ground.values), name="serial")
    # lines at the very top or bottom of level ground would frame every cell of it
    first = int(np.floor(known.min() / interval_m)) + 1
    last = int(np.ceil(known.max() / interval_m)) - 1
    found: list[Contour] = []
    for number in range(first, last + 1):
        level = number * interval_m
        # coordinates alone are the tracer's default; its signature allows for other forms
        traced = cast("list[NDArray[np.float64]]", tracer.lines(level))
        found += [
            Contour(level, number % _INDEX_EVERY == 0, xy)
            for xy in traced
            if _length(xy) * ground.metres_per_unit >= shortest_m
        ]
    return found


def _length(xy: NDArray[np.float64]) -> float:
    """Length of a line [unit of its coordinates]."""
    return float(np.hypot(*np.diff(xy, axis=0).T).sum())
