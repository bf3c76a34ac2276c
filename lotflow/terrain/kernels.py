"""
Compiled loops over cells: flood, flow direction, labels, accumulation.

Directions are numbered 1 to 8 for W NW N NE E SE S SW, as in the bands of richdem's flow
proportions; 0 is a drain, a cell that swallows its water. Every array has the shape of the
grid; the cells of the outer ring must be drains, so that every other cell has eight neighbours.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, FloatArray, IntArray
from lotflow.terrain.compiled import compiled

DirectionArray = NDArray[np.uint8]

#: Steps per direction 1..8; index 0 stays.
ROW_STEP: Final = np.array([0, 0, -1, -1, -1, 0, 1, 1, 1], dtype=np.int64)
COLUMN_STEP: Final = np.array([0, -1, -1, 0, 1, 1, 1, 0, -1], dtype=np.int64)

#: Neighbours in the order in which ties are settled: cardinal ones first, by row then column.
_TIE_ORDER: Final = np.array([3, 1, 5, 7, 2, 4, 8, 6], dtype=np.int64)

#: The eight triangular facets round a cell: cardinal neighbour, diagonal neighbour, and the
#: sense of rotation from the first to the second (Tarboton 1997, table 1).
_FACET_CARDINAL: Final = np.array([5, 3, 3, 1, 1, 7, 7, 5], dtype=np.int64)
_FACET_DIAGONAL: Final = np.array([4, 4, 2, 2, 8, 8, 6, 6], dtype=np.int64)
_FACET_SENSE: Final = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0])

_DIAGONAL_SHARE: Final = 0.7071067811865476


@compiled
def priority_flood(
    elevation: FloatArray, drain: BoolArray
) -> tuple[FloatArray, NDArray[np.int64]]:  # pragma: no cover - compiled
    """
    Fill every depression to its spill level, starting from the drains.

    Parameters
    ----------
    elevation
        Shape (rows, columns), finite everywhere [m].
    drain
        Cells that swallow water; they keep their elevation.

    Returns
    -------
    filled
        Elevation of the filled surface [m].
    order
        Flat indices of all cells by rising filled elevation.

    References
    ----------
    Barnes, Lehman, Mulla (2014), Priority-flood: an optimal depression-filling and
    watershed-labeling algorithm for digital elevation models, Computers & Geosciences 62.
    """
    rows, columns = elevation.shape
    size = rows * columns
    filled = elevation.copy()
    level = filled.ravel()
    done = np.zeros(size, np.bool_)
    order = np.empty(size, np.int64)
    heap_key = np.empty(size, np.float64)
    heap_cell = np.empty(size, np.int64)
    pond = np.empty(size, np.int64)  # cells under water, at the level of the cell before them
    heap_size = 0
    pond_first = 0
    pond_end = 0
    count = 0
    flat_drain = drain.ravel()
    for cell in range(size):
        if flat_drain[cell]:
            done[cell] = True
            heap_size = _push(heap_key, heap_cell, heap_size, level[cell], cell)
    while heap_size > 0 or pond_first < pond_end:
        if pond_first < pond_end:
            cell = pond[pond_first]
            pond_first += 1
        else:
            cell = heap_cell[0]
            heap_size = _pop(heap_key, heap_cell, heap_size)
        order[count] = cell
        count += 1
        row = cell // columns
        column = cell - row * columns
        here = level[cell]
        for k in range(1, 9):
            r = row + ROW_STEP[k]
            c = column + COLUMN_STEP[k]
            if r < 0 or c < 0 or r >= rows or c >= columns:
                continue
            neighbour = r * columns + c
            if done[neighbour]:
                continue
            done[neighbour] = True
            if level[neighbour] <= here:
                level[neighbour] = here
                pond[pond_end] = neighbour
                pond_end += 1
            else:
                heap_size = _push(heap_key, heap_cell, heap_size, level[neighbour], neighbour)
    return filled, order[:count]


@compiled
def _push(
    key: FloatArray, cell: NDArray[np.int64], size: int, new_key: float, new_cell: int
) -> int:  # pragma: no cover - compiled
    """Put a cell on the heap; the smallest key is on top."""
    place = size
    while place > 0:
        parent = (place - 1) >> 1
        if key[parent] <= new_key:
            break
        key[place] = key[parent]
        cell[place] = cell[parent]
        place = parent
    key[place] = new_key
    cell[place] = new_cell
    return size + 1


@compiled
def _pop(key: FloatArray, cell: NDArray[np.int64], size: int) -> int:  # pragma: no cover - compiled
    """Take the top off the heap."""
    size -= 1
    last_key = key[size]
    last_cell = cell[size]
    place = 0
    while True:
        child = 2 * place + 1
        if child >= size:
            break
        if child + 1 < size and key[child + 1] < key[child]:
            child += 1
        if last_key <= key[child]:
            break
        key[place] = key[child]
        cell[place] = cell[child]
        place = child
    key[place] = last_key
    cell[place] = last_cell
    return size


@compiled
def flat_distance(filled: FloatArray, drain: BoolArray) -> IntArray:  # pragma: no cover - compiled
    """
    Steps across level ground to where it begins to fall.

    Breadth-first from all outlets of a flat at once, so that water takes the shortest way out.

    Parameters
    ----------
    filled
        Surface without depressions [m].
    drain
        Cells that swallow water.

    Returns
    -------
    steps
        0 where a neighbour is lower and at drains; otherwise the number of steps to such a
        cell over cells of the same elevation; -1 where there is no way out (never on a filled
        surface).
    """
    rows, columns = filled.shape
    steps = np.full(filled.shape, -1, np.int32)
    queue = np.empty(filled.size, np.int64)
    last = 0
    for row in range(rows):
        for column in range(columns):
            if drain[row, column]:
                steps[row, column] = 0
                queue[last] = row * columns + column
                last += 1
                continue
            falls, is_level = _neighbourhood(filled, row, column)
            if falls:
                steps[row, column] = 0
            # a cell without level neighbours cannot lead anyone out: keep the queue short
            if falls and is_level:
                queue[last] = row * columns + column
                last += 1
    first = 0
    while first < last:
        cell = queue[first]
        first += 1
        row = cell // columns
        column = cell - row * columns
        for k in range(1, 9):
            r = row + ROW_STEP[k]
            c = column + COLUMN_STEP[k]
            if r < 0 or c < 0 or r >= rows or c >= columns or steps[r, c] >= 0:
                continue
            if filled[r, c] == filled[row, column]:
                steps[r, c] = steps[row, column] + 1
                queue[last] = r * columns + c
                last += 1
    return steps


@compiled
def _neighbourhood(
    filled: FloatArray, row: int, column: int
) -> tuple[bool, bool]:  # pragma: no cover - compiled
    """Tell whether a cell has a lower neighbour, and one of its own elevation."""
    falls = False
    is_level = False
    for k in range(1, 9):
        other = filled[row + ROW_STEP[k], column + COLUMN_STEP[k]]
        if other < filled[row, column]:
            falls = True
        elif other == filled[row, column]:
            is_level = True
    return falls, is_level


@compiled
def settle_flats(
    order: NDArray[np.int64], filled: FloatArray, steps: IntArray
) -> None:  # pragma: no cover - compiled
    """
    Put cells of equal elevation into the order in which water leaves them, in place.

    Parameters
    ----------
    order
        Flat indices of cells by rising elevation; changed.
    filled
        Surface without depressions [m].
    steps
        From `flat_distance`.
    """
    level = filled.ravel()
    step = steps.ravel()
    size = order.size
    start = 0
    while start < size:
        end = start + 1
        while end < size and level[order[end]] == level[order[start]]:
            end += 1
        if end - start > 1:
            run = order[start:end].copy()
            order[start:end] = run[np.argsort(step[run])]
        start = end


@compiled
def least_deviation_directions(
    filled: FloatArray, drain: BoolArray, steps: IntArray, order: NDArray[np.int64]
) -> DirectionArray:  # pragma: no cover - compiled
    """
    Give each cell one of eight directions so that paths stay close to the true descent.

    Of the two neighbours that enclose the steepest descent, the one is taken that keeps the
    sideways error accumulated along the path small (D8-LTD, with full memory, lambda = 1). The
    error is inherited from the largest of the inflowing cells, of equal ones from the highest;
    a path that leaves level ground, where its course is unknown, begins without one.

    Parameters
    ----------
    filled
        Surface without depressions [m].
    drain
        Cells that swallow water; direction 0.
    steps
        From `flat_distance`.
    order
        Flat indices by rising elevation, flats settled.

    References
    ----------
    Orlandini, Moretti, Franchini, Aldighieri, Testa (2003), Path-based methods for the
    determination of nondispersive drainage directions in grid-based digital elevation models,
    Water Resources Research 39(6), 1144.
    """
    columns = filled.shape[1]
    direction = np.zeros(filled.shape, np.uint8)
    area = np.ones(filled.shape, np.float64)
    deviation = np.zeros(filled.shape, np.float64)
    largest = np.zeros(filled.shape, np.float64)
    for position in range(order.size - 1, -1, -1):
        cell = order[position]
        row = cell // columns
        column = cell - row * columns
        if drain[row, column]:
            continue
        new_deviation = 0.0
        if steps[row, column] > 0:
            chosen = _level_neighbour(filled, steps, row, column)
        else:
            chosen, new_deviation = _facet_neighbour(filled, row, column, deviation[row, column])
            if chosen == 0:
                chosen = steepest_neighbour(filled, row, column)
        direction[row, column] = chosen
        r = row + ROW_STEP[chosen]
        c = column + COLUMN_STEP[chosen]
        share = area[row, column]
        area[r, c] += share
        if steps[row, column] > 0:  # a path that leaves level ground begins anew
            share = np.inf
        # cells come from high to low: of equal ones the first to come, the highest, counts
        if share > largest[r, c]:
            largest[r, c] = share
            deviation[r, c] = new_deviation
    return direction


@compiled
def steepest_directions(
    filled: FloatArray, drain: BoolArray, steps: IntArray
) -> DirectionArray:  # pragma: no cover - compiled
    """
    Give each cell the direction of its steepest neighbour (D8).

    Parameters
    ----------
    filled, drain, steps
        As for `least_deviation_directions`.

    References
    ----------
    O'Callaghan, Mark (1984), The extraction of drainage networks from digital elevation data,
    Computer Vision, Graphics, and Image Processing 28.
    """
    rows, columns = filled.shape
    direction = np.zeros(filled.shape, np.uint8)
    for row in range(rows):
        for column in range(columns):
            if drain[row, column]:
                continue
            if steps[row, column] > 0:
                direction[row, column] = _level_neighbour(filled, steps, row, column)
            else:
                direction[row, column] = steepest_neighbour(filled, row, column)
    return direction


@compiled
def steepest_neighbour(
    filled: FloatArray, row: int, column: int
) -> int:  # pragma: no cover - compiled
    """Direction of the steepest fall; of equal ones the first in the order of ties."""
    best = 0.0
    chosen = 0
    here = filled[row, column]
    for q in range(8):
        k = _TIE_ORDER[q]
        fall = here - filled[row + ROW_STEP[k], column + COLUMN_STEP[k]]
        if k % 2 == 0:
            fall *= _DIAGONAL_SHARE
        if fall > best:
            best = fall
            chosen = k
    return chosen


@compiled
def _level_neighbour(
    filled: FloatArray, steps: IntArray, row: int, column: int
) -> int:  # pragma: no cover - compiled
    """Direction to the neighbour one step nearer to the way out of a flat."""
    wanted = steps[row, column] - 1
    for q in range(8):
        k = _TIE_ORDER[q]
        r = row + ROW_STEP[k]
        c = column + COLUMN_STEP[k]
        if filled[r, c] == filled[row, column] and steps[r, c] == wanted:
            return int(k)
    return 0


@compiled
def _facet_neighbour(
    filled: FloatArray, row: int, column: int, deviation: float
) -> tuple[int, float]:  # pragma: no cover - compiled
    """Direction by least transversal deviation, and the deviation handed on [cells]."""
    here = filled[row, column]
    best = 0.0
    least = np.inf
    facet = -1
    sine = 0.0
    cosine = 1.0
    for q in range(8):
        cardinal = filled[row + ROW_STEP[_FACET_CARDINAL[q]],
                          column + COLUMN_STEP[_FACET_CARDINAL[q]]]  # fmt: skip
        diagonal = filled[row + ROW_STEP[_FACET_DIAGONAL[q]],
                          column + COLUMN_STEP[_FACET_DIAGONAL[q]]]  # fmt: skip
        along = here - cardinal
        across = cardinal - diagonal
        if across <= 0.0:  # the steepest descent leaves the facet on the cardinal side
            slope = along
            s, c = 0.0, 1.0
        elif across >= along:  # ... on the diagonal side
            slope = (here - diagonal) * _DIAGONAL_SHARE
            s, c = _DIAGONAL_SHARE, _DIAGONAL_SHARE
        else:
            slope = np.sqrt(along * along + across * across)
            s, c = across / slope, along / slope
        if slope <= 0.0 or slope < best:
            continue
        # two facets that share the steepest edge: the one that can mend the deviation counts
        sense = _FACET_SENSE[q]
        left = min(abs(deviation - sense * s), abs(deviation + sense * (c - s)))
        if slope > best or left < least:
            best = slope
            least = left
            facet = q
            sine = s
            cosine = c
    if facet < 0:
        return 0, 0.0
    sense = _FACET_SENSE[facet]
    by_cardinal = deviation - sense * sine
    by_diagonal = deviation + sense * (cosine - sine)
    k1 = _FACET_CARDINAL[facet]
    k2 = _FACET_DIAGONAL[facet]
    falls1 = filled[row + ROW_STEP[k1], column + COLUMN_STEP[k1]] < here
    falls2 = filled[row + ROW_STEP[k2], column + COLUMN_STEP[k2]] < here
    if falls1 and (not falls2 or abs(by_cardinal) <= abs(by_diagonal)):
        return k1, by_cardinal
    if falls2:
        return k2, by_diagonal
    return 0, 0.0


@compiled
def first_labels(
    direction: DirectionArray, order: NDArray[np.int64], label: IntArray
) -> IntArray:  # pragma: no cover - compiled
    """
    Hand labels up to every cell whose water reaches them.

    Parameters
    ----------
    direction
        From one of the direction kernels.
    order
        Flat indices by rising elevation, flats settled.
    label
        Numbers of the cells that are asked about; 0 elsewhere.

    Returns
    -------
    label
        New array: the number of the first labelled cell on each cell's way down, its own
        included; 0 where it meets none.
    """
    columns = direction.shape[1]
    result = label.copy()
    flat = result.ravel()
    way = direction.ravel()
    for position in range(order.size):
        cell = order[position]
        k = way[cell]
        if k != 0 and flat[cell] == 0:
            flat[cell] = flat[cell + ROW_STEP[k] * columns + COLUMN_STEP[k]]
    return result


@compiled
def accumulate(
    direction: DirectionArray, order: NDArray[np.int64], weight: FloatArray
) -> FloatArray:  # pragma: no cover - compiled
    """
    Sum weights down the directions.

    Parameters
    ----------
    direction, order
        As for `first_labels`.
    weight
        What each cell adds.

    Returns
    -------
    total
        What passes through each cell, its own weight included.
    """
    columns = direction.shape[1]
    total = weight.copy()
    flat = total.ravel()
    way = direction.ravel()
    for position in range(order.size - 1, -1, -1):
        cell = order[position]
        k = way[cell]
        if k != 0:
            flat[cell + ROW_STEP[k] * columns + COLUMN_STEP[k]] += flat[cell]
    return total
