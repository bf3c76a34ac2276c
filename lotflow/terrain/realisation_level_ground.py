"""Compiled loops over level ground of a realisation: the steps to where it begins to fall."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.realisation_flood import CellArray


@compiled
def steps_over_level_ground(
    level: IntArray, drain: BoolArray, facets: NDArray[np.uint8], offset: CellArray
) -> IntArray:  # pragma: no cover - compiled
    """
    Count the steps across level ground to where it begins to fall.

    Parameters
    ----------
    level, drain
        As for `realisation_flood.flood`, filled.
    facets
        From `realisation_facets.steepest_facets`.
    offset
        From `realisation_flood.neighbour_offsets`.

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
    spread_steps(level, steps, queue[:count].copy(), offset, queue)
    return steps


@compiled
def spread_steps(
    level: IntArray, steps: IntArray, unknown: IntArray, offset: CellArray, queue: IntArray
) -> None:  # pragma: no cover - compiled
    """
    Count the steps of cells on level ground, in place.

    Parameters
    ----------
    level
        Filled surface.
    steps
        0 at ways out, -1 at the unknown cells; changed.
    unknown
        Cells on level ground; none on the outer ring.
    offset
        From `realisation_flood.neighbour_offsets`.
    queue
        Room for as many cells.
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
