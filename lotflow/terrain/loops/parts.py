"""Marked cells: the connected parts they form, and the nearest of them to each cell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.neighbours import COLUMN_STEP, ROW_STEP, IndexArray

ByteArray = NDArray[np.uint8]


@compiled
def connected(marked: ByteArray, rows: int, columns: int) -> tuple[IntArray, int]:
    """
    Number the connected parts of marked cells, and count them; see `kernels.connected_parts`.

    scipy.ndimage.label gives the same, but is not loaded for it: its import alone takes longer
    than all the loops of a lot.
    """
    part = np.zeros(marked.size, np.int32)
    queue = np.empty(marked.size, np.int64)
    count = 0
    for start in range(rows * columns):
        if not marked[start] or part[start]:
            continue
        count += 1
        part[start] = count
        queue[0] = start
        first = 0
        last = 1
        while first < last:
            cell = queue[first]
            first += 1
            row = cell // columns
            column = cell - row * columns
            for k in range(1, 9):
                r = row + ROW_STEP[k]
                c = column + COLUMN_STEP[k]
                other = r * columns + c
                if not (0 <= r < rows and 0 <= c < columns):
                    continue
                if marked[other] and not part[other]:
                    part[other] = count
                    queue[last] = other
                    last += 1
    return part, count


@compiled
def nearest(marked: ByteArray, rows: int, columns: int) -> IntArray:
    """
    Find the marked cell nearest to each cell, of which there is one; see `kernels.nearest_marked`.

    References
    ----------
    Meijster, Roerdink, Hesselink (2000), A general algorithm for computing distance transforms
    in linear time, Mathematical Morphology and its Applications to Image and Signal Processing.
    """
    found = np.empty(marked.size, np.int32)
    work = np.empty(3 * columns, np.int64)
    for column in range(columns):
        _nearest_in_column(marked, rows, columns, column, found)
    for row in range(rows):
        _nearest_in_row(row, columns, found, work)
    return found


@compiled
def _nearest_in_column(
    marked: ByteArray, rows: int, columns: int, column: int, found: IntArray
) -> None:
    """Find the row of the nearest marked cell in the same column, -1 where there is none."""
    above = -1
    for row in range(rows):
        cell = row * columns + column
        if marked[cell]:
            above = row
        found[cell] = above
    below = -1
    for row in range(rows - 1, -1, -1):
        cell = row * columns + column
        if marked[cell]:
            below = row
        above = found[cell]
        if below >= 0 and (above < 0 or below - row < row - above):
            found[cell] = below


@compiled
def _nearest_in_row(row: int, columns: int, found: IntArray, work: IndexArray) -> None:
    """
    Choose, for each cell of a row, among the nearest cells of all columns.

    Of two columns the right one is nearer from some cell on, so the columns that are nearest
    somewhere form a list, each with the cell from which it is.
    """
    start = row * columns
    seen, nearest_from, chosen = 0, columns, 2 * columns
    last = -1
    for column in range(columns):
        work[seen + column] = found[start + column]
        if found[start + column] < 0:
            continue
        away = found[start + column] - row
        begins = 0
        while last >= 0:
            left = work[chosen + last]
            left_away = work[seen + left] - row
            square = column * column - left * left + away * away - left_away * left_away
            begins = square // (2 * (column - left)) + 1
            if begins > work[nearest_from + last]:
                break
            last -= 1
            begins = 0
        if begins < columns:
            last += 1
            work[chosen + last] = column
            work[nearest_from + last] = max(begins, 0)
    place = 0
    for column in range(columns):
        while place < last and work[nearest_from + place + 1] <= column:
            place += 1
        best = work[chosen + place]
        found[start + column] = work[seen + best] * columns + best
