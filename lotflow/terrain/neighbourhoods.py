"""What lies round cells: extremes within a few cells, distances, extremes and boxes of parts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.terrain.kernels import nearest_marked

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray


def highest_around(values: NDArray[Any], reach: int = 1) -> NDArray[Any]:
    """
    Greatest value in the square round each cell; beyond the grid there is nothing.

    Parameters
    ----------
    values
        Numbers, or a mask, which then grows.
    reach
        Cells from the middle of the square to its sides.

    Examples
    --------
    >>> highest_around(np.array([[0, 0, 0, 5, 1, 1]]))
    array([[0, 0, 5, 5, 5, 1]])
    >>> highest_around(np.eye(3, dtype=bool))[0]
    array([ True,  True,  True])
    """
    return np.ascontiguousarray(_around(_around(values, reach, np.maximum).T, reach, np.maximum).T)


def lowest_around(values: NDArray[Any], reach: int = 1) -> NDArray[Any]:
    """
    Smallest value in the square round each cell; beyond the grid there is nothing.

    Parameters
    ----------
    values, reach
        As for `highest_around`; a mask shrinks.

    Examples
    --------
    >>> lowest_around(np.array([[True, True, True, False]]))
    array([[ True,  True, False, False]])
    """
    return np.ascontiguousarray(_around(_around(values, reach, np.minimum).T, reach, np.minimum).T)


def _around(values: NDArray[Any], reach: int, extreme: np.ufunc) -> NDArray[Any]:
    """Extreme of each cell and those some rows above and below it."""
    result = values.copy()
    for step in range(1, min(reach, len(values) - 1) + 1):
        extreme(result[step:], values[:-step], out=result[step:])
        extreme(result[:-step], values[step:], out=result[:-step])
    return result


def cells_from(marked: BoolArray) -> FloatArray:
    """
    Distance of each cell to the nearest marked one, centre to centre [cells].

    Parameters
    ----------
    marked
        Shape of the grid; infinite distances where no cell is.

    Examples
    --------
    >>> cells_from(np.array([[True, False, False], [False, False, False]])).round(2)
    array([[0.  , 1.  , 2.  ],
           [1.  , 1.41, 2.24]])
    """
    if not marked.any():
        return np.full(marked.shape, np.inf)
    there = np.divmod(nearest_marked(marked), marked.shape[1])
    here = np.indices(marked.shape)
    return np.asarray(np.sqrt((there[0] - here[0]) ** 2.0 + (there[1] - here[1]) ** 2.0))


def greatest_of_parts(values: NDArray[Any], part: IntArray, count: int) -> FloatArray:
    """
    Greatest value of each part.

    Parameters
    ----------
    values
        Shape of the grid.
    part
        Number of the part on each cell, from 1 to `count`; 0 elsewhere.
    count
        Of the parts.

    Examples
    --------
    >>> greatest_of_parts(np.array([3.0, 1.0, 2.0, 9.0]), np.array([1, 1, 2, 0]), 2)
    array([3., 2.])
    """
    greatest = np.full(count + 1, -np.inf)
    inside = np.flatnonzero(part)
    np.maximum.at(greatest, part.ravel()[inside], values.ravel()[inside].astype(np.float64))
    return greatest[1:]


def boxes_of_parts(part: IntArray) -> list[tuple[slice, slice] | None]:
    """
    Smallest window of rows and columns that holds each part.

    Parameters
    ----------
    part
        Number of the part on each cell, from 1; 0 elsewhere.

    Returns
    -------
    boxes
        One per number up to the greatest; None where no cell has it.

    Examples
    --------
    >>> boxes_of_parts(np.array([[0, 3, 3], [0, 1, 0]]))
    [(slice(1, 2, None), slice(1, 2, None)), None, (slice(0, 1, None), slice(1, 3, None))]
    """
    count = int(part.max(initial=0))
    place = np.nonzero(part)
    first = np.full((2, count + 1), max(part.shape, default=0))
    last = np.full((2, count + 1), -1)
    for axis in range(2):
        np.minimum.at(first[axis], part[place], place[axis])
        np.maximum.at(last[axis], part[place], place[axis])
    return [
        (slice(int(first[0, n]), int(last[0, n]) + 1), slice(int(first[1, n]), int(last[1, n]) + 1))
        if last[0, n] >= 0 else None
        for n in range(1, count + 1)
    ]  # fmt: skip
