"""What a filled surface does round each cell: its steepest facets, and its level ground."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, FloatArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.neighbours import COLUMN_STEP, ROW_STEP, CellArray

#: The triangular facets round a cell: cardinal and diagonal neighbour (Tarboton 1997, table 1).
FACET_CARDINAL: Final = np.array([5, 3, 3, 1, 1, 7, 7, 5], dtype=np.uint8)
FACET_DIAGONAL: Final = np.array([4, 4, 2, 2, 8, 8, 6, 6], dtype=np.uint8)


@compiled
def steepest_facets(
    level: IntArray, drain: BoolArray, columns: int
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """
    Find the triangular facets round each cell that fall most steeply, and its lower neighbours.

    Facets come as one bit each, several where they share the steepest edge; 0 at drains and on
    level ground, where no neighbour is lower. Lower neighbours come as one bit each, the first
    for direction 1; 0 at drains.

    References
    ----------
    Tarboton (1997), A new method for the determination of flow directions and upslope areas in
    grid digital elevation models, Water Resources Research 33(2).
    """
    rows = level.size // columns
    facets = np.zeros(level.size, np.uint8)
    lower = np.zeros(level.size, np.uint8)
    # row by row, over neighbours in memory and numbers of one size: such loops do several cells
    # at a time
    ground = np.empty((3, columns), np.float64)  # the row above, the row itself, the row below
    slope = np.zeros((8, columns), np.float64)  # squared: no roots are needed to compare
    best = np.zeros(columns, np.float64)
    for row in range(1, rows - 1):
        start = row * columns
        for i in range(3):
            for column in range(columns):
                ground[i, column] = level[start + (i - 1) * columns + column]
        best[:] = 0.0
        for q in range(8):
            _slopes(
                _shifted(ground, 0),
                _shifted(ground, FACET_CARDINAL[q]),
                _shifted(ground, FACET_DIAGONAL[q]),
                slope[q, 1:-1],
                best[1:-1],
            )
        _mark_steepest(slope, best, facets[start : start + columns])
        _mark_lower(level, start, lower[start : start + columns])
        for column in range(columns):
            if drain[start + column]:
                facets[start + column] = 0
                lower[start + column] = 0
    return facets, lower


@compiled
def _shifted(ground: FloatArray, k: int) -> FloatArray:
    """Of the inner cells of the middle of three rows, the neighbours in one direction."""
    first = 1 + COLUMN_STEP[k]
    return ground[1 + ROW_STEP[k], first : first + ground.shape[1] - 2]


@compiled
def _slope(along: float, down: float) -> float:
    """
    Square the steepest slope within one facet, from the falls to its two neighbours.

    It is chosen among all that it may be, without branches: these could not be foreseen.
    """
    across = down - along
    # the steepest descent leaves the facet on the cardinal or on the diagonal side
    by_cardinal = along * along if along > 0.0 else 0.0
    by_diagonal = 0.5 * down * down if down > 0.0 else 0.0
    inside = along * along + across * across
    edge = by_diagonal if across >= along else inside
    return by_cardinal if across <= 0.0 else edge


@compiled
def _slopes(
    here: FloatArray,
    cardinal: FloatArray,
    diagonal: FloatArray,
    slope: FloatArray,
    best: FloatArray,
) -> None:
    """Square the steepest slope within one facet of each cell, 0 where it rises; keep the best."""
    for i in range(here.size):
        own = _slope(here[i] - cardinal[i], here[i] - diagonal[i])
        slope[i] = own
        best[i] = own if own > best[i] else best[i]


@compiled
def _mark_steepest(slope: FloatArray, best: FloatArray, facets: NDArray[np.uint8]) -> None:
    """Set the bits of the facets whose slope is the best, where that is one."""
    bits = np.zeros(best.size, np.float64)
    for q in range(8):
        bit = float(1 << q)
        own = slope[q]
        for column in range(1, best.size - 1):
            bits[column] += bit if own[column] == best[column] else 0.0
    for column in range(1, best.size - 1):
        facets[column] = np.uint8(bits[column] if best[column] > 0.0 else 0.0)


@compiled
def _mark_lower(level: IntArray, start: int, lower: NDArray[np.uint8]) -> None:
    """Set the bits of the lower neighbours of each cell of a row."""
    bits = np.zeros(lower.size, np.int32)
    here = level[start : start + lower.size]
    for k in range(1, 9):
        bit = np.int32(1 << (k - 1))
        other, step = level[start + ROW_STEP[k] * lower.size :], COLUMN_STEP[k]
        for column in range(1, lower.size - 1):
            bits[column] |= bit if other[column + step] < here[column] else np.int32(0)
    for column in range(1, lower.size - 1):
        lower[column] = np.uint8(bits[column])


@compiled
def facets_of_cell(level: IntArray, cell: Any, offset: CellArray) -> tuple[int, int]:
    """Find the steepest facets, and the lower neighbours, of one cell; see `steepest_facets`."""
    here = level[cell]
    lower = 0
    for k in range(1, 9):
        lower |= (1 << (k - 1)) if level[cell + offset[k]] < here else 0
    best = 0.0
    facets = 0
    for q in range(8):
        own = _slope(
            float(here - level[cell + offset[FACET_CARDINAL[q]]]),
            float(here - level[cell + offset[FACET_DIAGONAL[q]]]),
        )
        facets = 0 if own > best else facets
        best = own if own > best else best
        facets |= (1 << q) if own == best else 0
    return (facets if best > 0.0 else 0), lower


@compiled
def steps_over_level_ground(
    level: IntArray, drain: BoolArray, facets: NDArray[np.uint8], offset: CellArray
) -> IntArray:
    """
    Count the steps across level ground to where it begins to fall.

    0 where a neighbour is lower and at drains; else steps over cells of the same level to such a
    cell, breadth-first from all ways out at once, so that water takes the shortest; -1 where
    there is no way out, which is never on a filled surface.
    """
    steps = np.zeros(level.size, np.int32)
    queue = np.empty(level.size, np.int32)
    count = 0
    for cell in range(level.size):
        if facets[cell] == 0 and not drain[cell]:
            steps[cell] = -1
            queue[count] = cell
            count += 1
    spread_steps(level, steps, queue[:count].copy(), offset, queue)
    return steps


@compiled
def spread_steps(
    level: IntArray, steps: IntArray, unknown: IntArray, offset: CellArray, queue: IntArray
) -> None:
    """
    Count the steps of cells on level ground, in place.

    Steps are 0 at ways out and -1 at the unknown cells, none of which is on the outer ring; the
    queue has room for as many cells.
    """
    last = 0
    for position in unknown:
        cell = np.uint64(position)
        for k in range(1, 9):
            other = cell + offset[k]
            if steps[other] == 0 and level[other] == level[cell]:
                steps[cell] = 1
                queue[last] = cell
                last += 1
                break
    first = 0
    while first < last:
        cell = np.uint64(queue[first])
        first += 1
        for k in range(1, 9):
            other = cell + offset[k]
            if steps[other] < 0 and level[other] == level[cell]:
                steps[other] = steps[cell] + 1
                queue[last] = other
                last += 1
