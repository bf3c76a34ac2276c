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

from lotflow.grid import BoolArray, FloatArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, DIAGONAL_SHARE, ROW_STEP, TIE_ORDER

DirectionArray = NDArray[np.uint8]

#: The triangular facets round a cell, as in `loops.directions`.
_FACET_CARDINAL: Final = np.array([5, 3, 3, 1, 1, 7, 7, 5], dtype=np.int64)
_FACET_DIAGONAL: Final = np.array([4, 4, 2, 2, 8, 8, 6, 6], dtype=np.int64)
_FACET_SENSE: Final = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
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
        Steepest facets of each cell, see `steepest_facets`.
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
def steepest_facets(
    level: IntArray, drain: BoolArray, columns: int
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:  # pragma: no cover - compiled
    """
    Find the triangular facets round each cell that fall most steeply.

    Parameters
    ----------
    level, drain, columns
        As for `realisation_flood.flood`, filled.

    Returns
    -------
    facets
        One bit per facet, several where they share the steepest edge; 0 at drains and on level
        ground, where no neighbour is lower.
    choices
        One bit per direction that may be chosen by least deviation, the first for 1.

    References
    ----------
    Tarboton (1997), A new method for the determination of flow directions and upslope areas in
    grid digital elevation models, Water Resources Research 33(2).
    """
    rows = level.size // columns
    facets = np.zeros(level.size, np.uint8)
    choices = np.zeros(level.size, np.uint8)
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
            k1 = _FACET_CARDINAL[q]
            k2 = _FACET_DIAGONAL[q]
            to_cardinal = start + ROW_STEP[k1] * columns + COLUMN_STEP[k1]
            to_diagonal = start + ROW_STEP[k2] * columns + COLUMN_STEP[k2]
            for column in range(1, columns - 1):
                is_steepest = slope[q, column] == best[column]
                here = level[start + column]
                falls1 = is_steepest and level[to_cardinal + column] < here
                falls2 = is_steepest and level[to_diagonal + column] < here
                facets[start + column] |= np.uint8(is_steepest << q)
                choices[start + column] |= np.uint8((falls1 << (k1 - 1)) | (falls2 << (k2 - 1)))
        for column in range(1, columns - 1):
            if best[column] == 0.0 or drain[start + column]:
                facets[start + column] = 0
                choices[start + column] = 0
    return facets, choices


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
def _steepest_neighbour(
    level: IntArray, cell: int, columns: int, rule: int
) -> int:  # pragma: no cover - compiled
    """Direction of the steepest fall, or to the lowest cell, of equal ones the first."""
    diagonal_share = 1.0 if rule == LOWEST else DIAGONAL_SHARE
    best = 0.0
    chosen = 0
    for q in range(8):
        k = q + 1 if rule == LOWEST else TIE_ORDER[q]  # richdem takes them in this order
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
        k = TIE_ORDER[q]
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
            s, c = DIAGONAL_SHARE, DIAGONAL_SHARE
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
    ways: Ways, cell: int, deviation: float, columns: int, rule: int
) -> tuple[int, float]:  # pragma: no cover - compiled
    """
    Choose the direction of one cell.

    Parameters
    ----------
    ways
        Gives levels, facets and steps.
    cell
        No drain.
    deviation
        Sideways error of the path that comes in [cells].
    columns
        Of the grid.
    rule
        `LEAST_DEVIATION`, `STEEPEST` or `LOWEST`.

    Returns
    -------
    direction, deviation
        1 to 8, and the sideways error handed on.
    """
    level, facets = ways.level, ways.facets[cell]
    if facets == 0:
        return _level_neighbour(level, ways.steps, cell, columns), 0.0
    if rule == LEAST_DEVIATION:
        chosen, handed_on = _facet_neighbour(level, cell, columns, facets, deviation)
        if chosen:
            return chosen, handed_on
    return _steepest_neighbour(level, cell, columns, rule), 0.0


@compiled
def complete_choices(
    ways: Ways, choices: NDArray[np.uint8], columns: int, rule: int
) -> None:  # pragma: no cover - compiled
    """
    Put in the directions of level ground, and those of rules that leave no choice, in place.

    Parameters
    ----------
    ways
        With levels, facets and steps.
    choices
        From `steepest_facets`; changed.
    columns, rule
        As for `way_down`.
    """
    for cell in range(choices.size):
        if ways.steps[cell] > 0 or (rule != LEAST_DEVIATION and choices[cell]):
            choices[cell] = 1 << (way_down(ways, cell, 0.0, columns, rule)[0] - 1)


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
        Directions each cell may take, completed.
    columns, rule
        As for `way_down`.
    """
    waits_for = _pointed_at(choices, columns)
    largest = np.zeros(choices.size, np.int32)
    source = np.zeros(choices.size, np.int32)
    ready = np.empty(choices.size, np.int32)
    for start in range(choices.size):
        if choices[start] == 0 or waits_for[start] > 0 or ways.direction[start]:
            continue
        ready[0] = start
        count = 1
        while count > 0:
            count -= 1
            cell = ready[count]
            _drain_down(ways, cell, largest, source, columns, rule)
            for k in range(1, 9):
                if (choices[cell] >> (k - 1)) & 1:
                    other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
                    waits_for[other] -= 1
                    if waits_for[other] == 0 and choices[other]:
                        ready[count] = other
                        count += 1


@compiled
def _drain_down(
    ways: Ways, cell: int, largest: IntArray, source: IntArray, columns: int, rule: int
) -> None:  # pragma: no cover - compiled
    """Choose the direction of a cell and hand its flow and deviation on."""
    chosen, handed_on = way_down(ways, cell, ways.deviation[cell], columns, rule)
    ways.direction[cell] = chosen
    below = cell + ROW_STEP[chosen] * columns + COLUMN_STEP[chosen]
    ways.flow[below, 0] += ways.flow[cell, 0]
    ways.flow[below, 1] += ways.flow[cell, 1]
    # a path that leaves level ground, where its course is unknown, begins anew
    share = ways.flow[cell, 0] if ways.facets[cell] else np.int32(UNBOUNDED)
    if share > largest[below] or (
        share == largest[below] and is_higher(ways.level, cell, source[below])
    ):
        largest[below] = share
        source[below] = cell
        ways.deviation[below] = handed_on


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
