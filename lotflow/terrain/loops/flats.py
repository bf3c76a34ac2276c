"""Level ground: how far it is to where it falls, and the order in which water leaves it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, ROW_STEP

if TYPE_CHECKING:
    from lotflow.grid import FloatArray, IntArray
    from lotflow.terrain.loops.steps import BitArray, ByteArray, IndexArray


@compiled
def flat_steps(
    filled: FloatArray,
    drain: ByteArray,
    rows: int,
    columns: int,
    steps: IntArray,
    queue: IndexArray,
) -> int:
    """
    Count steps across level ground to where it begins to fall; give the cells with no way out.

    Breadth-first from all outlets of a flat at once, so that water takes the shortest way out.

    Parameters
    ----------
    filled
        Surface without depressions [m].
    drain
        Cells that swallow water.
    rows, columns
        Shape of the grid.
    steps
        0 everywhere; becomes the number of steps, 0 at drains and where a neighbour is lower,
        -1 where there is no way out (never on a filled surface).
    queue
        Work space, one place per cell.
    """
    level = _mark_level(filled, drain, rows, columns, steps)
    last = _first_to_leave(filled, rows, columns, steps, queue) if level else 0
    first = 0
    while first < last:
        cell = queue[first]
        first += 1
        for k in range(1, 9):
            other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
            if steps[other] == -1 and filled[other] == filled[cell]:
                steps[other] = steps[cell] + 1
                queue[last] = other
                last += 1
    return level - last


@compiled
def _mark_level(
    filled: FloatArray, drain: ByteArray, rows: int, columns: int, steps: IntArray
) -> int:
    """Set steps to -1 on cells without a lower neighbour, and count them."""
    level = 0
    for row in range(1, rows - 1):
        for cell in range(row * columns + 1, (row + 1) * columns - 1):
            if not drain[cell] and not _falls(filled, cell, columns):
                steps[cell] = -1
                level += 1
    return level


@compiled
def _first_to_leave(
    filled: FloatArray, rows: int, columns: int, steps: IntArray, queue: IndexArray
) -> int:
    """Put the cells one step from where level ground falls on the queue, and count them."""
    last = 0
    for row in range(1, rows - 1):
        for cell in range(row * columns + 1, (row + 1) * columns - 1):
            if steps[cell] == -1 and _is_beside_outlet(filled, steps, cell, columns):
                queue[last] = cell
                last += 1
    for place in range(last):
        steps[queue[place]] = 1
    return last


@compiled
def _falls(filled: FloatArray, cell: int, columns: int) -> bool:
    """Tell whether a cell has a lower neighbour."""
    falls = False
    for k in range(1, 9):
        falls |= filled[cell + ROW_STEP[k] * columns + COLUMN_STEP[k]] < filled[cell]
    return falls


@compiled
def _is_beside_outlet(filled: FloatArray, steps: IntArray, cell: int, columns: int) -> bool:
    """Tell whether a neighbour of the same level leads out."""
    here = filled[cell]
    for k in range(1, 9):
        other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
        if steps[other] == 0 and filled[other] == here:
            return True
    return False


@compiled
def rising_order(
    bits: BitArray,
    steps: IntArray,
    size: int,
    order: IndexArray,
    key: BitArray,
    other_key: BitArray,
    other_order: IndexArray,
    counts: IndexArray,
) -> None:
    """
    Sort cells by elevation, of equal ones by steps, of equal ones by row then column.

    Every cell then stands after the one it drains to. Sorted digit by digit, the last digit
    first: six times faster than by comparing.

    Parameters
    ----------
    bits
        The elevations, seen as the whole numbers that have the same bits.
    steps
        From `flat_steps`.
    size
        Number of cells.
    order
        Filled with the cells in that order.
    key, other_key, other_order
        Work space, one place per cell.
    counts
        Work space, the larger of 2048 and one place more than there are cells.
    """
    _sort_by_steps(steps, size, order, counts)
    changing = np.uint64(0)
    for place in range(size):
        key[place] = _rising(bits[order[place]])
        changing |= key[place] ^ key[0]
    result = order
    swapped = False
    for shift in range(0, 64, 11):
        if (changing >> np.uint64(shift)) & np.uint64(2047):
            _sort_by_digit(key, order, other_key, other_order, size, shift, counts)
            key, other_key = other_key, key
            order, other_order = other_order, order
            swapped = not swapped
    if swapped:
        for place in range(size):
            result[place] = order[place]


@compiled
def _rising(bits: np.uint64) -> np.uint64:
    """Give a number that rises as the elevation does; 0 and -0 are the same elevation."""
    sign = np.uint64(1) << np.uint64(63)
    if bits == sign:
        return sign
    return ~bits if bits & sign else bits | sign


@compiled
def _sort_by_steps(steps: IntArray, size: int, order: IndexArray, counts: IndexArray) -> None:
    """Sort cells by steps, of equal ones by row then column."""
    most = 0
    for cell in range(size):
        most = max(most, steps[cell])
    for number in range(most + 1):
        counts[number] = 0
    for cell in range(size):
        counts[steps[cell]] += 1
    _to_first_places(counts, most + 1)
    for cell in range(size):
        order[counts[steps[cell]]] = cell
        counts[steps[cell]] += 1


@compiled
def _sort_by_digit(
    key: BitArray,
    order: IndexArray,
    sorted_key: BitArray,
    sorted_order: IndexArray,
    size: int,
    shift: int,
    counts: IndexArray,
) -> None:
    """Sort cells by eleven bits of their key; equal ones keep their order."""
    digit = np.uint64(2047)
    places = np.uint64(shift)
    for number in range(2048):
        counts[number] = 0
    for place in range(size):
        counts[np.int64((key[place] >> places) & digit)] += 1
    _to_first_places(counts, 2048)
    for place in range(size):
        bucket = np.int64((key[place] >> places) & digit)
        sorted_key[counts[bucket]] = key[place]
        sorted_order[counts[bucket]] = order[place]
        counts[bucket] += 1


@compiled
def _to_first_places(counts: IndexArray, numbers: int) -> None:
    """Turn how many there are of each number into where the first of them goes."""
    place = 0
    for number in range(numbers):
        count = counts[number]
        counts[number] = place
        place += count
