"""
Compiled loops for many realisations of one window: flood, steepest facets, directions.

They do what `kernels` does, on whole numbers of elevation steps instead of metres: a level is
an elevation in units of `drainage.LEVEL_STEP` above a base. Whole numbers fit into half the
memory and can be put into bins. Everything is flat: a cell's neighbours stand at fixed offsets,
since the outer ring, whose cells have none, is always drains. Results are equal to those of the
main chain, cell by cell.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, FloatArray, IntArray
from lotflow.terrain.compiled import compiled

DirectionArray = NDArray[np.uint8]

ROW_STEP: Final = np.array([0, 0, -1, -1, -1, 0, 1, 1, 1], dtype=np.int64)
COLUMN_STEP: Final = np.array([0, -1, -1, 0, 1, 1, 1, 0, -1], dtype=np.int64)
#: Neighbours in the order in which ties are settled, and facets, both as in `kernels`.
_TIE_ORDER: Final = np.array([3, 1, 5, 7, 2, 4, 8, 6], dtype=np.int64)
_FACET_CARDINAL: Final = np.array([5, 3, 3, 1, 1, 7, 7, 5], dtype=np.int64)
_FACET_DIAGONAL: Final = np.array([4, 4, 2, 2, 8, 8, 6, 6], dtype=np.int64)
_FACET_SENSE: Final = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
_DIAGONAL_SHARE: Final = 0.7071067811865476
CELL_BITS: Final = 32  # of a heap key: level above, cell below
CELL_MASK: Final = (1 << CELL_BITS) - 1
UNBOUNDED: Final = 2**31 - 1

#: Direction rules.
LEAST_DEVIATION: Final = 0
STEEPEST: Final = 1
LOWEST: Final = 2


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


@compiled
def flood(
    ground: IntArray, drain: BoolArray, columns: int
) -> tuple[IntArray, IntArray]:  # pragma: no cover - compiled
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
    order
        Cells by rising level.

    References
    ----------
    Barnes, Lehman, Mulla (2014), Priority-flood: an optimal depression-filling and
    watershed-labeling algorithm for digital elevation models, Computers & Geosciences 62.
    """
    size = ground.size
    rows = size // columns
    level = ground.copy()
    order = np.empty(size, np.int32)
    pond = np.empty(size, np.int32)  # cells under water, at the level of the cell before them
    heap = np.empty(size, np.int64)
    shift = 0
    while (ground.max() >> shift) > size // 4:
        shift += 1
    bins = (ground.max() >> shift) + 1
    first_in_bin = np.full(bins, -1, np.int32)
    next_in_bin = np.empty(size, np.int32)
    done = drain.copy()
    for cell in range(size):
        if drain[cell]:
            b = ground[cell] >> shift
            next_in_bin[cell] = first_in_bin[b]
            first_in_bin[b] = cell
    here_bin = 0
    heap_size = 0
    pond_first = 0
    pond_end = 0
    count = 0
    while True:
        if pond_first < pond_end:
            cell = pond[pond_first]
            pond_first += 1
        elif heap_size > 0:
            cell = np.int32(heap[0] & CELL_MASK)
            heap_size = drop_top(heap, heap_size)
        else:
            while here_bin < bins and first_in_bin[here_bin] < 0:
                here_bin += 1
            if here_bin == bins:
                break
            entry = first_in_bin[here_bin]
            first_in_bin[here_bin] = -1
            while entry >= 0:
                heap_size = push(heap, heap_size, (np.int64(level[entry]) << CELL_BITS) | entry)
                entry = next_in_bin[entry]
            continue
        order[count] = cell
        count += 1
        here = level[cell]
        row = 0
        column = 0
        may_be_ring = drain[cell]
        if may_be_ring:
            row = cell // columns
            column = cell - row * columns
        for k in range(1, 9):
            if may_be_ring:
                r = row + ROW_STEP[k]
                c = column + COLUMN_STEP[k]
                if r < 0 or c < 0 or r >= rows or c >= columns:
                    continue
            other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
            if done[other]:
                continue
            done[other] = True
            if level[other] <= here:
                level[other] = here
                pond[pond_end] = other
                pond_end += 1
                continue
            b = level[other] >> shift
            if b == here_bin:
                heap_size = push(heap, heap_size, (np.int64(level[other]) << CELL_BITS) | other)
            else:
                next_in_bin[other] = first_in_bin[b]
                first_in_bin[b] = other
    return level, order[:count]


@compiled
def steepest_facets(
    level: IntArray, drain: BoolArray, columns: int
) -> NDArray[np.uint8]:  # pragma: no cover - compiled
    """
    Find the triangular facets round each cell that fall most steeply.

    Parameters
    ----------
    level, drain, columns
        As for `flood`, filled.

    Returns
    -------
    facets
        One bit per facet, several where they share the steepest edge; 0 at drains and on level
        ground, where no neighbour is lower.

    References
    ----------
    Tarboton (1997), A new method for the determination of flow directions and upslope areas in
    grid digital elevation models, Water Resources Research 33(2).
    """
    rows = level.size // columns
    facets = np.zeros(level.size, np.uint8)
    slope = np.zeros((8, columns), np.float64)  # squared: no roots are needed to compare
    best = np.zeros(columns, np.float64)
    # row by row, so that the inner loops run over neighbours in memory
    for row in range(1, rows - 1):
        start = row * columns
        best[:] = 0.0
        for q in range(8):
            k1 = _FACET_CARDINAL[q]
            k2 = _FACET_DIAGONAL[q]
            to_cardinal = start + ROW_STEP[k1] * columns + COLUMN_STEP[k1]
            to_diagonal = start + ROW_STEP[k2] * columns + COLUMN_STEP[k2]
            for column in range(1, columns - 1):
                here = float(level[start + column])
                along = here - float(level[to_cardinal + column])
                down = here - float(level[to_diagonal + column])
                across = down - along
                # the steepest descent leaves the facet on the cardinal or on the diagonal side
                by_cardinal = along * along if along > 0.0 else 0.0
                by_diagonal = 0.5 * down * down if down > 0.0 else 0.0
                inside = along * along + across * across
                edge = by_diagonal if across >= along else inside
                value = by_cardinal if across <= 0.0 else edge
                slope[q, column] = value
                best[column] = max(best[column], value)
        for q in range(8):
            for column in range(1, columns - 1):
                bit = 1 << q if slope[q, column] == best[column] else 0
                facets[start + column] |= np.uint8(bit)
        for column in range(1, columns - 1):
            if best[column] == 0.0 or drain[start + column]:
                facets[start + column] = 0
    return facets


@compiled
def facets_of_cell(level: IntArray, cell: int, columns: int) -> int:  # pragma: no cover - compiled
    """
    Find the steepest facets of one cell; see `steepest_facets`.

    Parameters
    ----------
    level, columns
        Flat filled surface; columns of the grid.
    cell
        Not on the outer ring.
    """
    here = float(level[cell])
    best = 0.0
    facets = 0
    for q in range(8):
        k1 = _FACET_CARDINAL[q]
        k2 = _FACET_DIAGONAL[q]
        along = here - float(level[cell + ROW_STEP[k1] * columns + COLUMN_STEP[k1]])
        down = here - float(level[cell + ROW_STEP[k2] * columns + COLUMN_STEP[k2]])
        across = down - along
        if across <= 0.0:
            value = along * along if along > 0.0 else 0.0
        elif across >= along:
            value = 0.5 * down * down if down > 0.0 else 0.0
        else:
            value = along * along + across * across
        if value > best:
            best = value
            facets = 0
        if value == best and best > 0.0:
            facets |= 1 << q
    return facets


@compiled
def steps_over_level_ground(
    level: IntArray, drain: BoolArray, facets: NDArray[np.uint8], columns: int
) -> IntArray:  # pragma: no cover - compiled
    """
    Count the steps across level ground to where it begins to fall.

    Parameters
    ----------
    level, drain, columns
        As for `flood`, filled.
    facets
        From `steepest_facets`.

    Returns
    -------
    steps
        0 where a neighbour is lower and at drains; else steps over cells of the same level to
        such a cell, breadth-first from all ways out at once.
    """
    steps = np.zeros(level.size, np.int32)
    queue = np.empty(level.size, np.int32)
    count = 0
    for cell in range(level.size):
        if facets[cell] == 0 and not drain[cell]:
            steps[cell] = -1
            queue[count] = cell
            count += 1
    spread_steps(level, steps, queue[:count].copy(), columns, queue)
    return steps


@compiled
def spread_steps(
    level: IntArray, steps: IntArray, unknown: IntArray, columns: int, queue: IntArray
) -> None:  # pragma: no cover - compiled
    """
    Count the steps of cells on level ground, in place.

    Parameters
    ----------
    level, columns
        Filled surface; columns of the grid.
    steps
        0 at ways out, -1 at the unknown cells; changed.
    unknown
        Cells on level ground; none on the outer ring.
    queue
        Room for as many cells.
    """
    last = 0
    for cell in unknown:
        for k in range(1, 9):
            other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
            if steps[other] == 0 and level[other] == level[cell]:
                steps[cell] = 1
                queue[last] = cell
                last += 1
                break
    first = 0
    while first < last:
        cell = queue[first]
        first += 1
        for k in range(1, 9):
            other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
            if steps[other] < 0 and level[other] == level[cell]:
                steps[other] = steps[cell] + 1
                queue[last] = other
                last += 1


@compiled
def settle_order(
    order: IntArray, level: IntArray, steps: IntArray
) -> None:  # pragma: no cover - compiled
    """
    Put cells of one level into the order in which water leaves them, in place.

    Parameters
    ----------
    order
        Cells by rising level; changed: nearer to the way out first, of equal ones by index.
    level, steps
        From `flood` and `facets_and_steps`.
    """
    size = order.size
    start = 0
    while start < size:
        end = start + 1
        here = level[order[start]]
        while end < size and level[order[end]] == here:
            end += 1
        if end - start > 1:
            _settle_run(order[start:end], steps)
        start = end


@compiled
def _settle_run(run: IntArray, steps: IntArray) -> None:  # pragma: no cover - compiled
    """Sort cells by steps; those that fall by index too, where it can settle a tie."""
    most = 0
    for cell in run:
        most = max(most, steps[cell])
    place = np.zeros(most + 2, np.int32)
    for cell in run:
        place[steps[cell] + 1] += 1
    falling = place[1]
    for i in range(1, most + 2):
        place[i] += place[i - 1]
    old = run.copy()
    for cell in old:
        run[place[steps[cell]]] = cell
        place[steps[cell]] += 1
    run[:falling].sort()


@compiled
def _steepest_neighbour(
    level: IntArray, cell: int, columns: int, rule: int
) -> int:  # pragma: no cover - compiled
    """Direction of the steepest fall, or to the lowest cell, of equal ones the first."""
    diagonal_share = 1.0 if rule == LOWEST else _DIAGONAL_SHARE
    best = 0.0
    chosen = 0
    for q in range(8):
        k = q + 1 if rule == LOWEST else _TIE_ORDER[q]  # richdem takes them in this order
        other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
        fall = float(level[cell] - level[other])
        if k % 2 == 0:
            fall *= diagonal_share
        if fall > best:
            best = fall
            chosen = k
    return chosen


@compiled
def _level_neighbour(
    level: IntArray, steps: IntArray, cell: int, columns: int
) -> int:  # pragma: no cover - compiled
    """Direction to the neighbour one step nearer to the way out of level ground."""
    for q in range(8):
        k = _TIE_ORDER[q]
        other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
        if level[other] == level[cell] and steps[other] == steps[cell] - 1:
            return int(k)
    return 0


@compiled
def _facet_neighbour(
    level: IntArray, cell: int, columns: int, facets: int, deviation: float
) -> tuple[int, float]:  # pragma: no cover - compiled
    """Direction by least transversal deviation, and the deviation handed on [cells]."""
    here = level[cell]
    least = np.inf
    chosen = -1
    sine = 0.0
    cosine = 1.0
    for q in range(8):
        if not facets & (1 << q):
            continue
        k1 = _FACET_CARDINAL[q]
        k2 = _FACET_DIAGONAL[q]
        along = float(here - level[cell + ROW_STEP[k1] * columns + COLUMN_STEP[k1]])
        across = float(here - level[cell + ROW_STEP[k2] * columns + COLUMN_STEP[k2]]) - along
        if across <= 0.0:
            s, c = 0.0, 1.0
        elif across >= along:
            s, c = _DIAGONAL_SHARE, _DIAGONAL_SHARE
        else:
            slope = np.sqrt(along * along + across * across)
            s, c = across / slope, along / slope
        sense = _FACET_SENSE[q]
        # of facets that share the steepest edge the one that can mend the deviation counts
        left = min(abs(deviation - sense * s), abs(deviation + sense * (c - s)))
        if left < least:
            least = left
            chosen = q
            sine = s
            cosine = c
    if chosen < 0:
        return 0, 0.0
    sense = _FACET_SENSE[chosen]
    k1 = _FACET_CARDINAL[chosen]
    k2 = _FACET_DIAGONAL[chosen]
    by_cardinal = deviation - sense * sine
    by_diagonal = deviation + sense * (cosine - sine)
    falls1 = level[cell + ROW_STEP[k1] * columns + COLUMN_STEP[k1]] < here
    falls2 = level[cell + ROW_STEP[k2] * columns + COLUMN_STEP[k2]] < here
    if falls1 and (not falls2 or abs(by_cardinal) <= abs(by_diagonal)):
        return int(k1), by_cardinal
    if falls2:
        return int(k2), by_diagonal
    return 0, 0.0


@compiled
def way_down(
    level: IntArray,
    facets: NDArray[np.uint8],
    steps: IntArray,
    cell: int,
    deviation: float,
    columns: int,
    rule: int,
) -> tuple[int, float]:  # pragma: no cover - compiled
    """
    Choose the direction of one cell.

    Parameters
    ----------
    level, facets, steps, columns
        Filled surface, what the functions above give, columns of the grid.
    cell
        No drain.
    deviation
        Sideways error of the path that comes in [cells].
    rule
        `LEAST_DEVIATION`, `STEEPEST` or `LOWEST`.

    Returns
    -------
    direction, deviation
        1 to 8, and the sideways error handed on.
    """
    if facets[cell] == 0:
        return _level_neighbour(level, steps, cell, columns), 0.0
    if rule == LEAST_DEVIATION:
        chosen, handed_on = _facet_neighbour(level, cell, columns, facets[cell], deviation)
        if chosen:
            return chosen, handed_on
    return _steepest_neighbour(level, cell, columns, rule), 0.0


@compiled
def directions(
    level: IntArray,
    facets: NDArray[np.uint8],
    steps: IntArray,
    order: IntArray,
    rain: IntArray,
    columns: int,
    rule: int,
) -> tuple[DirectionArray, IntArray, FloatArray]:  # pragma: no cover - compiled
    """
    Give each cell one of eight directions; see `kernels.least_deviation_directions`.

    Parameters
    ----------
    level, facets, steps, columns, rule
        As for `way_down`.
    order
        From `flood`, settled.
    rain
        Cells' worth of rain that enters at each cell.

    Returns
    -------
    direction
        1 to 8 for W NW N NE E SE S SW; 0 at drains.
    flow
        Shape (cells, 2): number of cells, and cells' worth of rain, that pass through.
    deviation
        Sideways error of the path that comes in [cells].
    """
    size = level.size
    direction = np.zeros(size, np.uint8)
    flow = np.empty((size, 2), np.int32)
    largest = np.zeros(size, np.int32)
    deviation = np.zeros(size, np.float64)
    for cell in range(size):
        flow[cell, 0] = 1
        flow[cell, 1] = rain[cell]
    for position in range(order.size - 1, -1, -1):
        cell = order[position]
        if facets[cell] == 0 and steps[cell] == 0:  # a drain
            continue
        chosen, handed_on = way_down(level, facets, steps, cell, deviation[cell], columns, rule)
        direction[cell] = chosen
        below = cell + ROW_STEP[chosen] * columns + COLUMN_STEP[chosen]
        flow[below, 0] += flow[cell, 0]
        flow[below, 1] += flow[cell, 1]
        # a path that leaves level ground, where its course is unknown, begins anew
        share = flow[cell, 0] if facets[cell] else np.int32(UNBOUNDED)
        # cells come from high to low: of equal ones the first to come, the highest, counts
        if share > largest[below]:
            largest[below] = share
            deviation[below] = handed_on
    return direction, flow, deviation
