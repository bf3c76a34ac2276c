"""To which of its eight neighbours each cell drains."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, DIAGONAL_SHARE, ROW_STEP, TIE_ORDER

if TYPE_CHECKING:
    from lotflow.grid import FloatArray, IntArray
    from lotflow.terrain.loops.steps import ByteArray, IndexArray

#: The eight triangular facets round a cell: cardinal neighbour, diagonal neighbour, and the
#: sense of rotation from the first to the second (Tarboton 1997, table 1).
_FACET_CARDINAL: Final = np.array([5, 3, 3, 1, 1, 7, 7, 5], dtype=np.int64)
_FACET_DIAGONAL: Final = np.array([4, 4, 2, 2, 8, 8, 6, 6], dtype=np.int64)
_FACET_SENSE: Final = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0])


@compiled
def least_deviation(
    filled: FloatArray,
    drain: ByteArray,
    steps: IntArray,
    order: IndexArray,
    size: int,
    columns: int,
    direction: ByteArray,
    path: FloatArray,
) -> None:
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
    steps, order
        From the loops over level ground.
    size, columns
        Of the grid.
    direction
        0 everywhere; filled with directions.
    path
        Work space, 0 everywhere, three places per cell: the cells that drain through it, its
        own not counted; its sideways error; the inflow that this comes from [cells].

    References
    ----------
    Orlandini, Moretti, Franchini, Aldighieri, Testa (2003), Path-based methods for the
    determination of nondispersive drainage directions in grid-based digital elevation models,
    Water Resources Research 39(6), 1144.
    """
    for position in range(size - 1, -1, -1):
        cell = order[position]
        if drain[cell]:
            continue
        new_deviation = 0.0
        if steps[cell] > 0:
            chosen = _level_neighbour(filled, steps, cell, columns)
        else:
            chosen, new_deviation = _facet_neighbour(filled, cell, columns, path[3 * cell + 1])
            if chosen == 0:
                chosen = _steepest_neighbour(filled, cell, columns)
        direction[cell] = chosen
        below = cell + ROW_STEP[chosen] * columns + COLUMN_STEP[chosen]
        share = path[3 * cell] + 1.0
        path[3 * below] += share
        if steps[cell] > 0:  # a path that leaves level ground begins anew
            share = math.inf
        # cells come from high to low: of equal ones the first to come, the highest, counts
        if share > path[3 * below + 2]:
            path[3 * below + 1] = new_deviation
            path[3 * below + 2] = share


@compiled
def steepest(
    filled: FloatArray,
    drain: ByteArray,
    steps: IntArray,
    size: int,
    columns: int,
    direction: ByteArray,
) -> None:
    """
    Give each cell the direction of its steepest neighbour (D8).

    Parameters
    ----------
    filled, drain, steps, size, columns, direction
        As for `least_deviation`.

    References
    ----------
    O'Callaghan, Mark (1984), The extraction of drainage networks from digital elevation data,
    Computer Vision, Graphics, and Image Processing 28.
    """
    for cell in range(size):
        if drain[cell]:
            continue
        if steps[cell] > 0:
            direction[cell] = _level_neighbour(filled, steps, cell, columns)
        else:
            direction[cell] = _steepest_neighbour(filled, cell, columns)


@compiled
def _steepest_neighbour(filled: FloatArray, cell: int, columns: int) -> int:
    """Direction of the steepest fall; of equal ones the first in the order of ties."""
    best = 0.0
    chosen = 0
    here = filled[cell]
    for q in range(8):
        k = TIE_ORDER[q]
        fall = here - filled[cell + ROW_STEP[k] * columns + COLUMN_STEP[k]]
        if k % 2 == 0:
            fall *= DIAGONAL_SHARE
        if fall > best:
            best = fall
            chosen = k
    return chosen


@compiled
def _level_neighbour(filled: FloatArray, steps: IntArray, cell: int, columns: int) -> int:
    """Direction to the neighbour one step nearer to the way out of a flat."""
    wanted = steps[cell] - 1
    for q in range(8):
        k = TIE_ORDER[q]
        other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
        if filled[other] == filled[cell] and steps[other] == wanted:
            return int(k)
    return 0


@compiled
def _facet_neighbour(
    filled: FloatArray, cell: int, columns: int, deviation: float
) -> tuple[int, float]:
    """Direction by least transversal deviation, and the deviation handed on [cells]."""
    here = filled[cell]
    best = 0.0
    least = math.inf
    facet = -1
    sine = 0.0
    cosine = 1.0
    for q in range(8):
        k1 = _FACET_CARDINAL[q]
        k2 = _FACET_DIAGONAL[q]
        cardinal = filled[cell + ROW_STEP[k1] * columns + COLUMN_STEP[k1]]
        diagonal = filled[cell + ROW_STEP[k2] * columns + COLUMN_STEP[k2]]
        along = here - cardinal
        across = cardinal - diagonal
        slope = _facet_slope(along, across, here - diagonal)
        if slope <= 0.0 or slope < best:
            continue
        s, c = _facet_angle(along, across, slope)
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
    falls1 = filled[cell + ROW_STEP[k1] * columns + COLUMN_STEP[k1]] < here
    falls2 = filled[cell + ROW_STEP[k2] * columns + COLUMN_STEP[k2]] < here
    if falls1 and (not falls2 or abs(by_cardinal) <= abs(by_diagonal)):
        return k1, by_cardinal
    if falls2:
        return k2, by_diagonal
    return 0, 0.0


@compiled
def _facet_slope(along: float, across: float, down: float) -> float:
    """Steepest slope within a facet."""
    if across <= 0.0:  # the steepest descent leaves the facet on the cardinal side
        return along
    if across >= along:  # ... on the diagonal side
        return down * DIAGONAL_SHARE
    return math.sqrt(along * along + across * across)


@compiled
def _facet_angle(along: float, across: float, slope: float) -> tuple[float, float]:
    """Sine and cosine of the angle from the cardinal edge of a facet to its steepest slope."""
    if across <= 0.0:
        return 0.0, 1.0
    if across >= along:
        return DIAGONAL_SHARE, DIAGONAL_SHARE
    return across / slope, along / slope
