"""
Compiled flood for many realisations of one window, on whole numbers of elevation steps.

A level is an elevation in units of `drainage.LEVEL_STEP` above a base. Whole numbers fit into
half the memory and can be put into bins. Everything is flat: a cell's neighbours stand at fixed
offsets, since the outer ring, whose cells have none, is always drains.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, ROW_STEP

#: Of a key on the heap: level above, cell below.
CELL_BITS: Final = 32
CELL_MASK: Final = (1 << CELL_BITS) - 1


@compiled
def neighbour_offsets(columns: int) -> NDArray[np.int64]:  # pragma: no cover - compiled
    """
    Distance in the flat grid to the neighbour in each direction; 0 for direction 0.

    Parameters
    ----------
    columns
        Of the grid.
    """
    return ROW_STEP * columns + COLUMN_STEP


@compiled
def push(heap: NDArray[np.int64], size: int, key: int) -> int:  # pragma: no cover - compiled
    """Put a key on the heap, smallest on top; returns the new size."""
    place = size
    while place > 0:
        parent = (place - 1) >> 1
        if heap[parent] <= key:
            break
        heap[place] = heap[parent]
        place = parent
    heap[place] = key
    return size + 1


@compiled
def drop_top(heap: NDArray[np.int64], size: int) -> int:  # pragma: no cover - compiled
    """Take the smallest key off the heap; returns the new size."""
    size -= 1
    last = heap[size]
    place = 0
    while True:
        child = 2 * place + 1
        if child >= size:
            break
        if child + 1 < size and heap[child + 1] < heap[child]:
            child += 1
        if last <= heap[child]:
            break
        heap[place] = heap[child]
        place = child
    heap[place] = last
    return size


class _Front(NamedTuple):
    """Where a flood stands: levels, cells it has met, and cells that wait for it."""

    level: IntArray
    done: BoolArray
    pond: IntArray  # under water, at the level of the cell before them
    heap: NDArray[np.int64]  # cells of the bin that is being emptied
    first_in_bin: IntArray
    next_in_bin: IntArray


@compiled
def flood(
    ground: IntArray, drain: BoolArray, columns: int
) -> IntArray:  # pragma: no cover - compiled
    """
    Fill every depression to its spill level, starting from the drains.

    Priority-flood whose queue is a row of bins: only the bin that is being emptied is kept in
    order by a heap, which stays short.

    Parameters
    ----------
    ground
        Flat; levels from 0.
    drain
        Flat; cells that swallow water, the outer ring among them.
    columns
        Of the grid.

    Returns
    -------
    level
        Of the filled surface.

    References
    ----------
    Barnes, Lehman, Mulla (2014), Priority-flood: an optimal depression-filling and
    watershed-labeling algorithm for digital elevation models, Computers & Geosciences 62.
    """
    size = ground.size
    shift = _bin_shift(ground.max(), size)
    front = _Front(
        ground.copy(), drain.copy(), np.empty(size, np.int32), np.empty(size, np.int64),
        np.full((ground.max() >> shift) + 1, -1, np.int32), np.empty(size, np.int32),
    )  # fmt: skip
    for cell in np.flatnonzero(drain):
        _let_wait(front, np.int32(cell), -1, shift, 0)
    here_bin = 0
    heap_size = 0
    pond_first = 0
    pond_end = 0
    offset = neighbour_offsets(columns)
    while True:
        if pond_first < pond_end:
            cell = front.pond[pond_first]
            pond_first += 1
        elif heap_size > 0:
            cell = np.int32(front.heap[0] & CELL_MASK)
            heap_size = drop_top(front.heap, heap_size)
        else:
            here_bin = _next_bin(front.first_in_bin, here_bin)
            if here_bin < 0:
                break
            heap_size = _open_bin(front, here_bin)
            continue
        on_ring = drain[cell] and _is_on_ring(cell, size // columns, columns)
        for k in range(1, 9):
            if on_ring and not _has_neighbour(cell, k, size // columns, columns):
                continue
            other = np.int32(cell + offset[k])
            if front.done[other]:
                continue
            front.done[other] = True
            if _sinks(front.level, other, cell):
                front.pond[pond_end] = other
                pond_end += 1
            else:
                heap_size = _let_wait(front, other, here_bin, shift, heap_size)
    return front.level


@compiled
def _key(level: IntArray, cell: int) -> int:  # pragma: no cover - compiled
    """Key of a cell on the heap."""
    return (np.int64(level[cell]) << CELL_BITS) | np.int64(cell)


@compiled
def _bin_shift(highest: int, size: int) -> int:  # pragma: no cover - compiled
    """Binary digits of a level that do not matter for its bin: four cells to a bin or more."""
    shift = 0
    while (highest >> shift) > size // 4:
        shift += 1
    return shift


@compiled
def _sinks(level: IntArray, cell: int, below: int) -> bool:  # pragma: no cover - compiled
    """Raise a cell to the level of the water beside it; tells whether it was not higher."""
    if level[cell] > level[below]:
        return False
    level[cell] = level[below]
    return True


@compiled
def _let_wait(
    front: _Front, cell: int, here_bin: int, shift: int, heap_size: int
) -> int:  # pragma: no cover - compiled
    """Let a cell wait until the flood has risen to it; returns the size of the heap."""
    place = front.level[cell] >> shift
    if place == here_bin:
        return push(front.heap, heap_size, _key(front.level, cell))
    front.next_in_bin[cell] = front.first_in_bin[place]
    front.first_in_bin[place] = cell
    return heap_size


@compiled
def _next_bin(first_in_bin: IntArray, here_bin: int) -> int:  # pragma: no cover - compiled
    """Lowest bin from here on in which a cell waits; -1 where there is none."""
    while here_bin < first_in_bin.size and first_in_bin[here_bin] < 0:
        here_bin += 1
    return here_bin if here_bin < first_in_bin.size else -1


@compiled
def _open_bin(front: _Front, here_bin: int) -> int:  # pragma: no cover - compiled
    """Put the cells of a bin onto the empty heap; returns its size."""
    size = 0
    cell = front.first_in_bin[here_bin]
    front.first_in_bin[here_bin] = -1
    while cell >= 0:
        size = push(front.heap, size, _key(front.level, cell))
        cell = front.next_in_bin[cell]
    return size


@compiled
def _is_on_ring(cell: int, rows: int, columns: int) -> bool:  # pragma: no cover - compiled
    """Tell whether a cell belongs to the outer ring."""
    row = cell // columns
    column = cell - row * columns
    return row == 0 or column == 0 or row == rows - 1 or column == columns - 1


@compiled
def _has_neighbour(
    cell: int, k: int, rows: int, columns: int
) -> bool:  # pragma: no cover - compiled
    """Tell whether a cell has a neighbour in a direction."""
    row = cell // columns
    r = row + ROW_STEP[k]
    c = cell - row * columns + COLUMN_STEP[k]
    return 0 <= r < rows and 0 <= c < columns
