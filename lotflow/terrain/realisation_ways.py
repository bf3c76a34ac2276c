"""
Compiled loops for the directions of a realisation, as the main chain finds them.

Everything is flat and in whole levels, see `realisation_flood`. What does not depend on the
paths from above, the steepest facets, is found for all cells at once, in the order in which
they stand in memory; then each cell is judged in turn, after those that drain to it.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import FloatArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, DIAGONAL_SHARE, ROW_STEP, TIE_ORDER
from lotflow.terrain.realisation_facets import FACET_CARDINAL, FACET_DIAGONAL
from lotflow.terrain.realisation_flood import neighbour_offsets

DirectionArray = NDArray[np.uint8]

#: Sense of rotation from the cardinal to the diagonal neighbour of each facet.
_FACET_SENSE: Final = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
#: Place of the lowest bit that is set in a byte.
_FIRST_BIT: Final = np.array(
    [0, *((value & -value).bit_length() - 1 for value in range(1, 256))], dtype=np.uint8
)
#: More than any number of cells.
UNBOUNDED: Final = 2**31 - 1

#: Direction rules.
LEAST_DEVIATION: Final = 0
STEEPEST: Final = 1
LOWEST: Final = 2


class Ways(NamedTuple):
    """
    A filled surface and the way of every cell; flat arrays.

    Parameters
    ----------
    level
        Of the filled surface.
    facets
        Steepest facets of each cell, see `realisation_facets.steepest_facets`.
    steps
        Steps over level ground, see `realisation_level_ground.steps_over_level_ground`.
    direction
        1 to 8 for W NW N NE E SE S SW; 0 at drains.
    flow
        Shape (cells, 2): number of cells, and cells' worth of rain, that pass through.
    deviation
        Sideways error of the path that comes in [cells].
    """

    level: IntArray
    facets: NDArray[np.uint8]
    steps: IntArray
    direction: DirectionArray
    flow: IntArray
    deviation: FloatArray


@compiled
def _steepest_neighbour(
    level: IntArray, cell: int, offset: NDArray[np.int64], rule: int
) -> int:  # pragma: no cover - compiled
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
def _level_neighbour(
    level: IntArray, steps: IntArray, cell: int, offset: NDArray[np.int64]
) -> int:  # pragma: no cover - compiled
    """Direction to the neighbour one step nearer to the way out of level ground."""
    for q in range(8):
        k = TIE_ORDER[q]
        other = cell + offset[k]
        if level[other] == level[cell] and steps[other] == steps[cell] - 1:
            return int(k)
    return 0


@compiled
def _facet_neighbour(
    level: IntArray, cell: int, offset: NDArray[np.int64], facets: int, deviation: float
) -> tuple[int, float]:  # pragma: no cover - compiled
    """Direction by least transversal deviation, and the deviation handed on [cells]."""
    here = level[cell]
    least = np.inf
    to_cardinal = 0
    to_diagonal = 0
    by_cardinal = 0.0
    by_diagonal = 0.0
    while facets:
        q = _FIRST_BIT[facets]
        facets &= facets - 1
        k1 = FACET_CARDINAL[q]
        k2 = FACET_DIAGONAL[q]
        along = float(here - level[cell + offset[k1]])
        down = float(here - level[cell + offset[k2]])
        across = down - along
        if across <= 0.0:
            sine, cosine = 0.0, 1.0
        elif across >= along:
            sine, cosine = DIAGONAL_SHARE, DIAGONAL_SHARE
        else:
            slope = np.sqrt(along * along + across * across)
            sine, cosine = across / slope, along / slope
        sense = _FACET_SENSE[q]
        # of facets that share the steepest edge the one that can mend the deviation counts
        left_by_cardinal = deviation - sense * sine
        left_by_diagonal = deviation + sense * (cosine - sine)
        left = min(abs(left_by_cardinal), abs(left_by_diagonal))
        if left < least:
            least = left
            to_cardinal = k1 if along > 0.0 else 0
            to_diagonal = k2 if down > 0.0 else 0
            by_cardinal = left_by_cardinal
            by_diagonal = left_by_diagonal
    if to_cardinal and (to_diagonal == 0 or abs(by_cardinal) <= abs(by_diagonal)):
        return to_cardinal, by_cardinal
    return to_diagonal, by_diagonal


@compiled
def way_down(
    level: IntArray,
    facets: NDArray[np.uint8],
    steps: IntArray,
    cell: int,
    deviation: float,
    offset: NDArray[np.int64],
    rule: int,
) -> tuple[int, float]:  # pragma: no cover - compiled
    """
    Choose the direction of one cell.

    Parameters
    ----------
    level, facets, steps
        As in `Ways`; each by itself, since taking an array out of a tuple costs more than all
        that is done here.
    cell
        No drain.
    deviation
        Sideways error of the path that comes in [cells].
    offset
        From `realisation_flood.neighbour_offsets`.
    rule
        `LEAST_DEVIATION`, `STEEPEST` or `LOWEST`.

    Returns
    -------
    direction, deviation
        1 to 8, and the sideways error handed on.
    """
    if facets[cell] == 0:
        return _level_neighbour(level, steps, cell, offset), 0.0
    if rule == LEAST_DEVIATION:
        chosen, handed_on = _facet_neighbour(level, cell, offset, facets[cell], deviation)
        if chosen:
            return chosen, handed_on
    return _steepest_neighbour(level, cell, offset, rule), 0.0


@compiled
def find_choices(
    ways: Ways, columns: int, rule: int
) -> NDArray[np.uint8]:  # pragma: no cover - compiled
    """
    Find the directions that each cell may take, whatever the deviation of its path.

    Parameters
    ----------
    ways
        With levels, facets and steps.
    columns, rule
        Of the grid; as for `way_down`.

    Returns
    -------
    choices
        One bit per direction, the first for direction 1; 0 at drains.
    """
    level, facets, steps = ways.level, ways.facets, ways.steps
    offset = neighbour_offsets(columns)
    choices = np.zeros(level.size, np.uint8)
    for cell in range(level.size):
        mask = facets[cell]
        if rule != LEAST_DEVIATION or mask == 0:
            if mask or steps[cell] > 0:
                chosen, _ = way_down(level, facets, steps, cell, 0.0, offset, rule)
                choices[cell] = 1 << (chosen - 1)
            continue
        while mask:
            q = _FIRST_BIT[mask]
            mask &= mask - 1
            for k in (FACET_CARDINAL[q], FACET_DIAGONAL[q]):
                if level[cell + offset[k]] < level[cell]:
                    choices[cell] |= 1 << (k - 1)
    return choices


@compiled
def _pointed_at(
    choices: NDArray[np.uint8], columns: int
) -> NDArray[np.uint8]:  # pragma: no cover - compiled
    """Count the neighbours of each cell that may drain to it; cells of the ring have none."""
    count = np.zeros(choices.size, np.uint8)
    for row in range(1, choices.size // columns - 1):
        start = row * columns
        for k in range(1, 9):
            other = start + ROW_STEP[k] * columns + COLUMN_STEP[k]
            back = (k + 3) % 8
            for column in range(1, columns - 1):
                count[start + column] += (choices[other + column] >> back) & 1
    return count


@compiled
def find_directions(
    ways: Ways, choices: NDArray[np.uint8], columns: int, rule: int
) -> None:  # pragma: no cover - compiled
    """
    Give each cell one of eight directions; see `kernels.least_deviation_directions`.

    A cell is judged when all that may drain to it have been. Then the path is followed down, so
    that what is needed next stands close by in memory.

    Parameters
    ----------
    ways
        With levels, facets and steps, and in the flow what each cell adds; directions, flow and
        deviation, 0 before, are changed.
    choices
        From `find_choices`.
    columns, rule
        Of the grid; as for `way_down`.
    """
    level, facets, steps = ways.level, ways.facets, ways.steps
    direction, flow, deviation = ways.direction, ways.flow, ways.deviation
    offset = neighbour_offsets(columns)
    waits_for = _pointed_at(choices, columns)
    largest = np.zeros(choices.size, np.int32)
    source = np.zeros(choices.size, np.int32)
    ready = np.empty(choices.size, np.int32)
    for start in range(choices.size):
        if choices[start] == 0 or waits_for[start] > 0 or direction[start]:
            continue
        ready[0] = start
        count = 1
        while count > 0:
            count -= 1
            cell = ready[count]
            chosen, handed_on = way_down(level, facets, steps, cell, deviation[cell], offset, rule)
            direction[cell] = chosen
            below = cell + offset[chosen]
            flow[below, 0] += flow[cell, 0]
            flow[below, 1] += flow[cell, 1]
            # a path that leaves level ground, where its course is unknown, begins anew
            share = flow[cell, 0] if facets[cell] else np.int32(UNBOUNDED)
            ties = share == largest[below] and is_higher(level, cell, source[below])
            if share > largest[below] or ties:
                largest[below] = share
                source[below] = cell
                deviation[below] = handed_on
            count = _release(choices, waits_for, cell, offset, ready, count)


@compiled
def _release(
    choices: NDArray[np.uint8],
    waits_for: NDArray[np.uint8],
    cell: int,
    offset: NDArray[np.int64],
    ready: IntArray,
    count: int,
) -> int:  # pragma: no cover - compiled
    """Append the cells that waited for this one alone to the ready ones; returns how many."""
    mask = choices[cell]
    while mask:
        other = cell + offset[_FIRST_BIT[mask] + 1]
        mask &= mask - 1
        waits_for[other] -= 1
        if waits_for[other] == 0 and choices[other]:
            ready[count] = other
            count += 1
    return count


@compiled
def is_higher(level: IntArray, cell: int, than: int) -> bool:  # pragma: no cover - compiled
    """
    Tell whether a cell is higher than another, or as high and later in the grid.

    Parameters
    ----------
    level
        Flat filled surface.
    cell, than
        The two.
    """
    return level[cell] > level[than] or (level[cell] == level[than] and cell > than)
