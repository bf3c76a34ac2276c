"""
To which of its eight neighbours each cell drains, by three rules.

What does not depend on the paths from above is found for all cells first, in the order in which
they stand in memory: the steepest facets and the directions they allow. Then each cell is judged
in turn, after those that may drain to it.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.facets import (
    FACET_CARDINAL,
    FACET_DIAGONAL,
    steepest_facets,
    steps_over_level_ground,
)
from lotflow.terrain.loops.flood import neighbour_offsets
from lotflow.terrain.loops.neighbours import (
    COLUMN_STEP,
    DIAGONAL_SHARE,
    DIRECTION_OF_BIT,
    ONE,
    ROW_STEP,
    TIE_ORDER,
    ZERO,
    CellArray,
    DirectionArray,
    IndexArray,
    OrderArray,
)

#: Sense of rotation from the cardinal to the diagonal neighbour of each facet.
_FACET_SENSE: Final = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
#: Place of the lowest bit that is set in a byte.
_FIRST_BIT: Final = np.array(
    [0, *((value & -value).bit_length() - 1 for value in range(1, 256))], dtype=np.uint8
)
#: More than any number of cells.
_UNBOUNDED: Final = 2**31 - 1

#: Direction rules: D8-LTD, the steepest of eight neighbours, the lowest of eight as by richdem.
LEAST_DEVIATION: Final = 0
STEEPEST: Final = 1
LOWEST: Final = 2
RULES: Final = {"ltd": LEAST_DEVIATION, "steepest": STEEPEST, "richdem-d8": LOWEST}


def _neighbours_of_facets() -> NDArray[np.uint8]:
    """Bits of the neighbours that any of some facets, given as bits, lie between."""
    neighbours = np.zeros(256, dtype=np.uint8)
    for q, (k1, k2) in enumerate(zip(FACET_CARDINAL, FACET_DIAGONAL, strict=True)):
        neighbours[(np.arange(256) >> q & 1) == 1] |= np.uint8(1 << (k1 - 1) | 1 << (k2 - 1))
    return neighbours


_NEIGHBOURS_OF_FACETS: Final = _neighbours_of_facets()


class Ways(NamedTuple):
    """
    A filled surface and the ways its water may take; flat arrays.

    Facets, lower neighbours and steps are as `facets` finds them. The choices are the directions
    each cell may take, whatever the deviation of its path: one bit each, the first for direction
    1; 0 at drains.
    """

    level: IntArray
    facets: NDArray[np.uint8]
    lower: NDArray[np.uint8]
    steps: IntArray
    choices: NDArray[np.uint8]


@compiled
def _steepest_neighbour(level: IntArray, cell: Any, offset: CellArray, rule: int) -> int:
    """Direction of the steepest fall, or to the lowest cell, of equal ones the first."""
    diagonal_share = 1.0 if rule == LOWEST else DIAGONAL_SHARE
    best = 0.0
    chosen = 0
    for q in range(8):
        k = q + 1 if rule == LOWEST else TIE_ORDER[q]  # richdem takes them in this order
        other = cell + offset[k]
        fall = float(level[cell] - level[other])
        if k % 2 == 0:
            fall *= diagonal_share
        if fall > best:
            best = fall
            chosen = k
    return chosen


@compiled
def _level_neighbour(level: IntArray, steps: IntArray, cell: Any, offset: CellArray) -> int:
    """Direction to the neighbour one step nearer to the way out of level ground."""
    for q in range(8):
        k = TIE_ORDER[q]
        other = cell + offset[k]
        if level[other] == level[cell] and steps[other] == steps[cell] - 1:
            return int(k)
    return 0


@compiled
def _sideways(level: IntArray, cell: Any, offset: CellArray, q: int) -> tuple[float, float]:
    """Sideways error of leaving a facet by its cardinal, and by its diagonal neighbour [cells]."""
    along = float(level[cell] - level[cell + offset[FACET_CARDINAL[q]]])
    down = float(level[cell] - level[cell + offset[FACET_DIAGONAL[q]]])
    across = down - along
    if across <= 0.0:
        sine, cosine = 0.0, 1.0
    elif across >= along:
        sine, cosine = DIAGONAL_SHARE, DIAGONAL_SHARE
    else:
        slope = np.sqrt(along * along + across * across)
        sine, cosine = across / slope, along / slope
    sense = _FACET_SENSE[q]
    return -sense * sine, sense * (cosine - sine)


@compiled
def find_choices(ways: Ways, cells: IntArray, columns: int, rule: int) -> None:
    """
    Find the directions that some cells may take, in place.

    The ways hold levels, facets, lower neighbours and steps. Of the outer ring only drains may be
    asked about.
    """
    # an array taken out of the tuple once, and short loops: else that costs more than the rest
    level, facets, lower, steps = ways.level, ways.facets, ways.lower, ways.steps
    choices, offset = ways.choices, neighbour_offsets(columns)
    for cell in cells:
        choices[cell] = _NEIGHBOURS_OF_FACETS[facets[cell]] & lower[cell]
    for position in cells:
        cell = np.uint64(position)
        if steps[cell] > 0:
            choices[cell] = 1 << (_level_neighbour(level, steps, cell, offset) - 1)
    if rule == LEAST_DEVIATION:
        return
    for position in cells:
        cell = np.uint64(position)
        if facets[cell]:
            choices[cell] = 1 << (_steepest_neighbour(level, cell, offset, rule) - 1)


@compiled
def find_ways(level: IntArray, drain: BoolArray, columns: int, rule: int) -> Ways:
    """Find the ways that water may take over a filled surface."""
    facets, lower = steepest_facets(level, drain, columns)
    steps = steps_over_level_ground(level, drain, facets, neighbour_offsets(columns))
    ways = Ways(level, facets, lower, steps, np.zeros(level.size, np.uint8))
    find_choices(ways, np.arange(level.size).astype(np.int32), columns, rule)
    return ways


@compiled
def _beside_descent(
    level: IntArray,
    facets: Any,
    choices: int,
    cell: Any,
    offset: CellArray,
    deviation: float,
) -> tuple[int, float]:
    """Choose by least transversal deviation; of equally steep facets that can mend it best."""
    least = np.inf
    to_cardinal = np.uint8(0)
    to_diagonal = np.uint8(0)
    by_cardinal = 0.0
    by_diagonal = 0.0
    while facets:
        q = _FIRST_BIT[facets]
        facets = np.uint8(facets & (facets - 1))
        along, down = _sideways(level, cell, offset, q)
        left = min(abs(deviation + along), abs(deviation + down))
        if left < least:
            least = left
            to_cardinal = FACET_CARDINAL[q]
            to_diagonal = FACET_DIAGONAL[q]
            by_cardinal = deviation + along
            by_diagonal = deviation + down
    return _nearer(choices, to_cardinal, to_diagonal, by_cardinal, by_diagonal)


@compiled
def _nearer(
    choices: int, to_cardinal: Any, to_diagonal: Any, by_cardinal: float, by_diagonal: float
) -> tuple[int, float]:
    """Of two neighbours the lower one; of two lower ones that with the smaller deviation."""
    takes_cardinal = (choices >> (to_cardinal - 1)) & 1 == 1
    takes_diagonal = (choices >> (to_diagonal - 1)) & 1 == 1
    is_less = abs(by_cardinal) <= abs(by_diagonal)
    if takes_cardinal & (is_less | (not takes_diagonal)):
        return to_cardinal, by_cardinal
    return to_diagonal, by_diagonal


@compiled
def _pointed_at(choices: NDArray[np.uint8], columns: int) -> NDArray[np.uint8]:
    """Count the neighbours of each cell that may drain to it; cells of the ring have none."""
    count = np.zeros(choices.size, np.uint8)
    for row in range(1, choices.size // columns - 1):
        start = row * columns
        here = count[start : start + columns]
        for k in range(1, 9):
            other, step = choices[start + ROW_STEP[k] * columns :], COLUMN_STEP[k]
            back = np.uint8(1 << ((k + 3) % 8))
            for column in range(1, columns - 1):
                here[column] += np.uint8(1) if other[column + step] & back else np.uint8(0)
    return count


@compiled
def find_directions(
    ways: Ways, choices: NDArray[np.uint8], columns: int, rule: int
) -> tuple[DirectionArray, OrderArray]:
    """
    Give each cell one of eight directions; gives the order in which they were judged too.

    By `LEAST_DEVIATION` paths stay close to the true descent: of the two neighbours that enclose
    the steepest descent, the one is taken that keeps the sideways error accumulated along the
    path small (D8-LTD, with full memory, lambda = 1). The error is inherited from the largest of
    the inflowing cells, of equal ones from the highest; a path that leaves level ground, where
    its course is unknown, begins without one.

    A cell is judged when all that may drain to it have been, and stands after them in the order.
    Then the path is followed down, so that what is needed next stands close by in memory. The
    choices are those of the ways, or 0 at cells that are left out, none of which may drain to
    another; drains and cells left out have direction 0 and no place in the order.

    References
    ----------
    Orlandini, Moretti, Franchini, Aldighieri, Testa (2003), Path-based methods for the
    determination of nondispersive drainage directions in grid-based digital elevation models,
    Water Resources Research 39(6), 1144. O'Callaghan, Mark (1984), The extraction of drainage
    networks from digital elevation data, Computer Vision, Graphics, and Image Processing 28.
    """
    level, facets = ways.level, ways.facets
    offset = neighbour_offsets(columns)
    direction = np.zeros(choices.size, np.uint8)
    order = np.empty(choices.size, np.uint32)
    judged = ZERO
    waits_for = _pointed_at(choices, columns)
    cells = np.ones(choices.size, np.int32)  # that pass through
    deviation = np.zeros(choices.size, np.float64)  # of the path that comes in
    largest = np.zeros(choices.size, np.int64)  # inflow, from which the deviation is
    source = np.zeros(choices.size, np.int32)
    ready = np.empty(choices.size, np.uint32)
    for start in range(choices.size):
        if choices[start] == 0 or waits_for[start] > 0 or direction[start]:
            continue
        ready[0] = start
        count = ONE
        while count > ZERO:
            count -= ONE
            cell = np.uint64(ready[count])
            own = facets[cell]
            if own == 0 or rule != LEAST_DEVIATION:
                chosen, handed_on = DIRECTION_OF_BIT[choices[cell]], 0.0
            else:
                chosen, handed_on = _beside_descent(
                    level, own, choices[cell], cell, offset, deviation[cell]
                )
            direction[cell] = chosen
            order[judged] = cell
            judged += ONE
            below = cell + offset[chosen]
            cells[below] += cells[cell]
            # a path that leaves level ground, where its course is unknown, begins anew; of equal
            # inflows the highest counts, and of equally high ones the last in the grid
            share = cells[cell] if own else _UNBOUNDED
            inflow = (np.int64(share) << 32) | np.int64(level[cell])
            is_equal = inflow == largest[below]
            if inflow > largest[below] or (is_equal and np.int64(cell) > source[below]):
                largest[below] = inflow
                source[below] = cell
                deviation[below] = handed_on
            count = _release(choices, waits_for, cell, offset, ready, count)
    return direction, order[: np.int64(judged)]


@compiled
def upstream_choices(
    choices: NDArray[np.uint8], cells: IntArray, offset: CellArray
) -> NDArray[np.uint8]:
    """Keep the choices of some cells and of all whose water may reach them; 0 elsewhere."""
    kept = np.zeros(choices.size, np.uint8)
    queue = np.empty(choices.size, np.int32)
    last = 0
    for cell in cells:
        if choices[cell] and not kept[cell]:
            kept[cell] = choices[cell]
            queue[last] = cell
            last += 1
    first = 0
    while first < last:
        cell = np.uint64(queue[first])
        first += 1
        for k in range(1, 9):
            other = cell + offset[k]
            if (choices[other] >> ((k + 3) % 8)) & 1 and not kept[other]:
                kept[other] = choices[other]
                queue[last] = other
                last += 1
    return kept


@compiled
def _release(
    choices: NDArray[np.uint8],
    waits_for: NDArray[np.uint8],
    cell: Any,
    offset: CellArray,
    ready: NDArray[np.uint32],
    count: Any,
) -> Any:
    """Append the cells that waited for this one alone to the ready ones; returns how many."""
    mask = choices[cell]
    while mask:
        other = cell + offset[DIRECTION_OF_BIT[mask]]
        mask = np.uint8(mask & (mask - 1))
        waits_for[other] -= 1
        if waits_for[other] == 0 and choices[other]:
            ready[count] = other
            count += ONE
    return count


@compiled
def rising_order(level: IntArray, steps: IntArray) -> IndexArray:
    """
    Sort cells by level, of equal ones by steps over level ground, of equal ones by place.

    Every cell then stands after the one it drains to. Sorted digit by digit, the last digit
    first: six times faster than by comparing.
    """
    most = int(steps.max()) + 1
    order = _sorted_by(steps.astype(np.uint64), np.arange(level.size), most)
    shift, highest = np.uint64(0), np.uint64(level.max())
    while highest >> shift:
        digit = (level.astype(np.uint64) >> shift) & np.uint64(2047)
        order = _sorted_by(digit, order, 2048)
        shift += np.uint64(11)
    return order


@compiled
def _sorted_by(key: CellArray, order: IndexArray, numbers: int) -> IndexArray:
    """Sort cells by a key below so many numbers; equal ones keep their order."""
    place = np.zeros(numbers + 1, np.int64)
    for one in key:
        place[one + ONE] += 1
    place = np.cumsum(place)  # of the first of each number
    result = np.empty(order.size, np.int64)
    for cell in order:
        own = key[np.uint64(cell)]
        result[np.uint64(place[own])] = cell
        place[own] += 1
    return result
