"""Filling depressions from the drains upward."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, ROW_STEP

if TYPE_CHECKING:
    from lotflow.grid import FloatArray
    from lotflow.terrain.loops.steps import ByteArray, IndexArray


@compiled
def flood(
    filled: FloatArray,
    done: ByteArray,
    rows: int,
    columns: int,
    order: IndexArray,
    heap_level: FloatArray,
    heap_cell: IndexArray,
) -> int:
    """
    Fill every depression to its spill level, in place, and give the number of cells reached.

    Parameters
    ----------
    filled
        Elevation of each cell, finite; raised to the filled surface [m].
    done
        1 on cells that swallow water, which keep their elevation; becomes 1 on all reached.
    rows, columns
        Shape of the grid.
    order
        Filled with the cells by rising filled elevation.
    heap_level, heap_cell
        Work space, one place per cell.

    References
    ----------
    Barnes, Lehman, Mulla (2014), Priority-flood: an optimal depression-filling and
    watershed-labeling algorithm for digital elevation models, Computers & Geosciences 62.
    """
    size = 0
    for cell in range(rows * columns):
        if done[cell]:
            size = _push(heap_level, heap_cell, size, filled[cell], cell)
    count = 0
    end = 0  # cells under water wait in `order` itself: they come next, at the same level
    while size > 0 or count < end:
        if count == end:
            order[end] = heap_cell[0]
            end += 1
            size = _pop(heap_level, heap_cell, size)
        cell = order[count]
        count += 1
        row = cell // columns
        column = cell - row * columns
        inside = 0 < row < rows - 1 and 0 < column < columns - 1
        level = filled[cell]
        for k in range(1, 9):
            if not inside and not _is_on_grid(
                row + ROW_STEP[k], column + COLUMN_STEP[k], rows, columns
            ):
                continue
            other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
            if done[other]:
                continue
            done[other] = 1
            if filled[other] <= level:
                filled[other] = level
                order[end] = other
                end += 1
            else:
                size = _push(heap_level, heap_cell, size, filled[other], other)
    return count


@compiled
def _is_on_grid(row: int, column: int, rows: int, columns: int) -> bool:
    """Tell whether there is such a cell."""
    return 0 <= row < rows and 0 <= column < columns


@compiled
def _push(level: FloatArray, cell: IndexArray, size: int, new_level: float, new_cell: int) -> int:
    """Put a cell on the heap; the lowest is on top."""
    place = size
    while place > 0:
        parent = (place - 1) >> 1
        if level[parent] <= new_level:
            break
        level[place] = level[parent]
        cell[place] = cell[parent]
        place = parent
    level[place] = new_level
    cell[place] = new_cell
    return size + 1


@compiled
def _pop(level: FloatArray, cell: IndexArray, size: int) -> int:
    """Take the top off the heap."""
    size -= 1
    last_level = level[size]
    last_cell = cell[size]
    place = 0
    while True:
        child = 2 * place + 1
        if child >= size:
            break
        if child + 1 < size and level[child + 1] < level[child]:
            child += 1
        if last_level <= level[child]:
            break
        level[place] = level[child]
        cell[place] = cell[child]
        place = child
    level[place] = last_level
    cell[place] = last_cell
    return size
