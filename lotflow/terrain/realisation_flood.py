"""
Compiled flood for many realisations of one window, on whole numbers of elevation steps.

A level is an elevation in units of `drainage.LEVEL_STEP` above a base. Whole numbers fit into
half the memory and can be put into bins. Everything is flat: a cell's neighbours stand at fixed
offsets, since the outer ring, whose cells have none, is always drains.
"""

from __future__ import annotations

from typing import Any, Final

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
def push(heap: NDArray[np.int64], size: int, key: Any) -> int:  # pragma: no cover - compiled
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
    highest = int(ground.max())
    shift = _bin_shift(highest, size)
    level, done = ground.copy(), drain.copy()
    pond = np.empty(size, np.int32)  # under water, at the level of the cell before them
    heap = np.empty(size, np.int64)  # of the bin that is being emptied
    first_in_bin = np.full((highest >> shift) + 1, -1, np.int32)
    next_in_bin = np.empty(size, np.int32)
    _put_all_into_bins(first_in_bin, next_in_bin, level >> shift, np.flatnonzero(drain))
    here_bin = 0
    heap_size = 0
    pond_first = 0
    pond_end = 0
    offset = neighbour_offsets(columns)
    while True:
        if pond_first < pond_end:
            cell = int(pond[pond_first])
            pond_first += 1
        elif heap_size > 0:
            cell = int(heap[0] & CELL_MASK)
            heap_size = drop_top(heap, heap_size)
        else:
            here_bin = _next_bin(first_in_bin, here_bin)
            if here_bin < 0:
                break
            heap_size = _open_bin(level, first_in_bin, next_in_bin, here_bin, heap)
            continue
        on_ring = drain[cell] and _is_on_ring(cell, size // columns, columns)
        for k in range(1, 9):
            if on_ring and not _has_neighbour(cell, k, size // columns, columns):
                continue
            other = cell + offset[k]
            if done[other]:
                continue
            done[other] = True
            if level[other] <= level[cell]:
                level[other] = level[cell]
                pond[pond_end] = other
                pond_end += 1
            elif level[other] >> shift == here_bin:
                heap_size = push(heap, heap_size, _key(level, other))
            else:
                _put_into_bin(first_in_bin, next_in_bin, level[other] >> shift, other)
    return level


@compiled
def _key(level: IntArray, cell: Any) -> Any:  # pragma: no cover - compiled
    """Key of a cell on the heap."""
    return (np.int64(level[cell]) << CELL_BITS) | np.int64(cell)


@compiled
def _bin_shift(highest: int, size: int) -> int:  # pragma: no cover - compiled
    """Binary digits of a level that do not matter for its bin: about one cell to a bin."""
    shift = 0
    while (highest >> shift) > size:
        shift += 1
    return shift


@compiled
def _put_into_bin(
    first_in_bin: IntArray, next_in_bin: IntArray, place: Any, cell: Any
) -> None:  # pragma: no cover - compiled
    """Let a cell wait until the flood has risen to its bin."""
    next_in_bin[cell] = first_in_bin[place]
    first_in_bin[place] = cell


@compiled
def _put_all_into_bins(
    first_in_bin: IntArray, next_in_bin: IntArray, place: IntArray, cells: NDArray[np.int64]
) -> None:  # pragma: no cover - compiled
    """Let several cells wait."""
    for cell in cells:
        _put_into_bin(first_in_bin, next_in_bin, place[cell], cell)


@compiled
def _next_bin(first_in_bin: IntArray, here_bin: int) -> int:  # pragma: no cover - compiled
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
    heap: NDArray[np.int64],
) -> int:  # pragma: no cover - compiled
    """Put the cells of a bin onto the empty heap; returns its size."""
    size = 0
    cell = first_in_bin[here_bin]
    first_in_bin[here_bin] = -1
    while cell >= 0:
        size = push(heap, size, _key(level, cell))
        cell = next_in_bin[cell]
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
    return bool(0 <= r < rows and 0 <= c < columns)
