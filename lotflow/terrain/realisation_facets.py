"""Compiled loops for the steepest facets round each cell of a realisation."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, ROW_STEP

#: The triangular facets round a cell, as in `loops.directions`.
FACET_CARDINAL: Final = np.array([5, 3, 3, 1, 1, 7, 7, 5], dtype=np.int64)
FACET_DIAGONAL: Final = np.array([4, 4, 2, 2, 8, 8, 6, 6], dtype=np.int64)


@compiled
def steepest_facets(
    level: IntArray, drain: BoolArray, columns: int
) -> NDArray[np.uint8]:  # pragma: no cover - compiled
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
            k1 = FACET_CARDINAL[q]
            k2 = FACET_DIAGONAL[q]
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
            bit = np.uint8(1 << q)
            for column in range(1, columns - 1):
                is_steepest = slope[q, column] == best[column]
                facets[start + column] |= bit if is_steepest else np.uint8(0)
        for column in range(1, columns - 1):
            if best[column] == 0.0 or drain[start + column]:
                facets[start + column] = 0
    return facets


@compiled
def facets_of_cell(
    level: IntArray, cell: int, offset: NDArray[np.int64]
) -> int:  # pragma: no cover - compiled
    """
    Find the steepest facets of one cell; see `steepest_facets`.

    Parameters
    ----------
    level
        Flat filled surface.
    cell
        Not on the outer ring.
    offset
        From `realisation_flood.neighbour_offsets`.
    """
    here = float(level[cell])
    best = 0.0
    facets = 0
    for q in range(8):
        k1 = FACET_CARDINAL[q]
        k2 = FACET_DIAGONAL[q]
        along = here - float(level[cell + offset[k1]])
        down = here - float(level[cell + offset[k2]])
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
