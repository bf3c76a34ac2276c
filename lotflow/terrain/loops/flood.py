"""Filling depressions from the drains upward, on whole levels."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.neighbours import (
    COLUMN_STEP,
    DIRECTION_OF_BIT,
    ONE,
    ROW_STEP,
    ZERO,
    CellArray,
)

#: Of a key on the heap: level above, cell below.
CELL_BITS: Final = np.uint64(32)
CELL_MASK: Final = np.uint64((1 << 32) - 1)


@compiled
def neighbour_offsets(columns: int) -> CellArray:
    """Distance in the flat grid to the neighbour in each direction; 0 for direction 0."""
    return (ROW_STEP * columns + COLUMN_STEP).astype(np.uint64)


@compiled
def key_of(level: Any, cell: Any) -> Any:
    """Key of a cell on the heap: lower cells first, of equally low ones the first in the grid."""
    return (np.uint64(level) << CELL_BITS) | np.uint64(cell)


@compiled
def push(heap: CellArray, size: Any, key: Any) -> Any:
    """Put a key on the heap, smallest on top; returns the new size."""
    place = size
    while place > ZERO:
        parent = (place - ONE) >> ONE
        if heap[parent] <= key:
            break
        heap[place] = heap[parent]
        place = parent
    heap[place] = key
    return size + ONE


@compiled
def drop_top(heap: CellArray, size: Any) -> Any:
    """Take the smallest key off the heap; returns the new size."""
    size -= ONE
    last = heap[size]
    place = ZERO
    while True:
        child = place + place + ONE
        if child >= size:
            break
        if child + ONE < size and heap[child + ONE] < heap[child]:
            child += ONE
        if last <= heap[child]:
            break
        heap[place] = heap[child]
        place = child
    heap[place] = last
    return size


@compiled
def flood(ground: IntArray, drain: BoolArray, columns: int) -> IntArray:
    """
    Fill every depression to its spill level, starting from the drains.

    Priority-flood whose queue is a row of bins: only the bin that is being emptied is kept in
    order by a heap, which stays short.

    The ground is given as levels from 0; the drains keep theirs, the outer ring among them.

    References
    ----------
    Barnes, Lehman, Mulla (2014), Priority-flood: an optimal depression-filling and
    watershed-labeling algorithm for digital elevation models, Computers & Geosciences 62.
    """
    size, rows = ground.size, ground.size // columns
    highest = int(ground.max())
    shift = _bin_shift(highest, size)
    level, done = ground.copy(), drain.astype(np.uint8)
    pond = np.empty(size, np.uint32)  # under water, at the level of the cell before them
    heap = np.empty(size, np.uint64)  # of the bin that is being emptied
    first_in_bin = np.full((highest >> shift) + 1, -1, np.int32)
    next_in_bin = np.empty(size, np.int32)
    _put_all_into_bins(first_in_bin, next_in_bin, level >> shift, np.flatnonzero(drain))
    here_bin = 0
    heap_size, pond_first, pond_end = ZERO, ZERO, ZERO
    offset = neighbour_offsets(columns)
    while True:
        if pond_first < pond_end:
            cell = np.uint64(pond[pond_first])
            pond_first += ONE
        elif heap_size > ZERO:
            cell = heap[0] & CELL_MASK
            heap_size = drop_top(heap, heap_size)
        else:
            here_bin = _next_bin(first_in_bin, here_bin)
            if here_bin < 0:
                break
            heap_size = _open_bin(level, first_in_bin, next_in_bin, here_bin, heap)
            continue
        here = level[cell]
        if drain[cell] and _is_on_ring(np.int64(cell), rows, columns):
            mask = _neighbours_left_on_ring(done, np.int64(cell), rows, columns)
        else:
            mask = _neighbours_left(done, cell, np.uint64(columns))
        while mask:
            other = cell + offset[DIRECTION_OF_BIT[mask]]
            mask = np.uint8(mask & (mask - 1))
            done[other] = 1
            own = level[other]
            if own <= here:
                level[other] = here
                pond[pond_end] = other
                pond_end += ONE
            elif own >> shift == here_bin:
                heap_size = push(heap, heap_size, key_of(own, other))
            else:
                _put_into_bin(first_in_bin, next_in_bin, own >> shift, other)
    return level


@compiled
def _neighbours_left(done: NDArray[np.uint8], cell: Any, columns: Any) -> Any:
    """Bits of the neighbours that the flood has not reached, of a cell not on the outer ring."""
    # eight at a time: a loop would have to ask of each, and cannot foresee the answer
    above, below = cell - columns, cell + columns
    reached = (
        done[cell - ONE]
        | done[above - ONE] << 1
        | done[above] << 2
        | done[above + ONE] << 3
        | done[cell + ONE] << 4
        | done[below + ONE] << 5
        | done[below] << 6
        | done[below - ONE] << 7
    )
    return np.uint8(255 - reached)


@compiled
def _neighbours_left_on_ring(done: NDArray[np.uint8], cell: Any, rows: int, columns: int) -> Any:
    """Bits of the neighbours that the flood has not reached, of a cell on the outer ring."""
    left = 0
    for k in range(1, 9):
        if _has_neighbour(cell, k, rows, columns):
            left |= (1 - done[cell + ROW_STEP[k] * columns + COLUMN_STEP[k]]) << (k - 1)
    return np.uint8(left)


@compiled
def _bin_shift(highest: int, size: int) -> int:
    """Binary digits of a level that do not matter for its bin: about one cell to a bin."""
    shift = 0
    while (highest >> shift) > size:
        shift += 1
    return shift


@compiled
def _put_into_bin(first_in_bin: IntArray, next_in_bin: IntArray, place: Any, cell: Any) -> None:
    """Let a cell wait until the flood has risen to its bin."""
    next_in_bin[cell] = first_in_bin[place]
    first_in_bin[place] = cell


@compiled
def _put_all_into_bins(
    first_in_bin: IntArray, next_in_bin: IntArray, place: IntArray, cells: NDArray[np.int64]
) -> None:
    """Let several cells wait."""
    for cell in cells:
        _put_into_bin(first_in_bin, next_in_bin, place[cell], cell)


@compiled
def _next_bin(first_in_bin: IntArray, here_bin: int) -> int:
    """Lowest bin from here on in which a cell waits; -1 where there is none."""
    while here_bin < first_in_bin.size and first_in_bin[here_bin] < 0:
        here_bin += 1
    return here_bin if here_bin < first_in_bin.size else -1


@compiled
def _open_bin(
    level: IntArray,
    first_in_bin: IntArray,
    next_in_bin: IntArray,
    here_bin: int,
    heap: CellArray,
) -> Any:
    """Put the cells of a bin onto the empty heap; returns its size."""
    size = ZERO
    cell = first_in_bin[here_bin]
    first_in_bin[here_bin] = -1
    while cell >= 0:
        size = push(heap, size, key_of(level[np.uint64(cell)], cell))
        cell = next_in_bin[np.uint64(cell)]
    return size


@compiled
def _is_on_ring(cell: Any, rows: int, columns: int) -> bool:
    """Tell whether a cell belongs to the outer ring."""
    row = cell // columns
    column = cell - row * columns
    return bool(row == 0 or column == 0 or row == rows - 1 or column == columns - 1)


@compiled
def _has_neighbour(cell: Any, k: int, rows: int, columns: int) -> bool:
    """Tell whether a cell has a neighbour in a direction."""
    row = cell // columns
    r = row + ROW_STEP[k]
    c = cell - row * columns + COLUMN_STEP[k]
    return bool(0 <= r < rows and 0 <= c < columns)
