"""
Compiled loops that set inlets into a surface that has been filled without them.

An inlet changes the fill only in the level ground it lies in, and what ways its water may take
only there and beside it. So these places are corrected, which is much less work than filling
again, and gives the same result, cell by cell.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from lotflow.grid import BoolArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.realisation_facets import facets_of_cell
from lotflow.terrain.realisation_flood import (
    CELL_BITS,
    CELL_MASK,
    ZERO,
    CellArray,
    drop_top,
    key_of,
    push,
)
from lotflow.terrain.realisation_level_ground import spread_steps
from lotflow.terrain.realisation_ways import DirectionArray, OrderArray, Ways


@compiled
def drain_level_ground(
    ground: IntArray,
    ways: Ways,
    drain: BoolArray,
    inlet: BoolArray,
    offset: CellArray,
) -> IntArray:  # pragma: no cover - compiled
    """
    Lower the ponds and the level ground that inlets lie in, in place.

    Parameters
    ----------
    ground
        Flat levels; at an inlet the level at which it takes water, not above the pond's.
    ways
        Without inlets; levels, facets, lower neighbours and steps are changed.
    drain
        Drains without the inlets.
    inlet
        Cells of inlets; none among the drains.
    offset
        To the neighbours, from `realisation_flood.neighbour_offsets`.

    Returns
    -------
    touched
        Cells whose choices are to be found anew.
    """
    seen = np.zeros(ground.size, np.bool_)
    touched = np.empty(ground.size, np.int32)
    count = 0
    for cell in range(ground.size):
        if inlet[cell] and not seen[cell]:
            first = count
            count = _spread_over_level(ways.level, drain, seen, touched, cell, count, offset)
            _lower_to_inlets(ground, ways.level, inlet, touched[first:count], offset)
    inner = count
    for i in range(inner):
        for k in range(1, 9):
            other = np.uint64(touched[i]) + offset[k]
            if not seen[other] and not drain[other]:
                seen[other] = True
                touched[count] = other
                count += 1
    for cell in touched[:count]:
        _find_facets_anew(ways, inlet, np.uint64(cell), offset)
    _count_steps_anew(ways, inlet, touched[:inner], offset)
    return touched[:count]


@compiled
def _find_facets_anew(
    ways: Ways, inlet: BoolArray, cell: Any, offset: CellArray
) -> None:  # pragma: no cover - compiled
    """Find facets and lower neighbours of one cell, in place."""
    facets, lower = facets_of_cell(ways.level, cell, offset)
    ways.facets[cell] = 0 if inlet[cell] else facets
    ways.lower[cell] = 0 if inlet[cell] else lower


@compiled
def _count_steps_anew(
    ways: Ways, inlet: BoolArray, cells: IntArray, offset: CellArray
) -> None:  # pragma: no cover - compiled
    """Count the steps over level ground of some cells, in place."""
    unknown = np.empty(cells.size, np.int32)
    last = 0
    for cell in cells:
        ways.steps[cell] = 0
        if ways.facets[cell] == 0 and not inlet[cell]:
            ways.steps[cell] = -1
            unknown[last] = cell
            last += 1
    spread_steps(ways.level, ways.steps, unknown[:last], offset, np.empty(last, np.int32))


@compiled
def _spread_over_level(
    level: IntArray,
    drain: BoolArray,
    seen: BoolArray,
    cells: IntArray,
    start: int,
    count: int,
    offset: CellArray,
) -> int:  # pragma: no cover - compiled
    """Append the connected cells of one level to a list; returns its new length."""
    seen[start] = True
    cells[count] = start
    first = count
    count += 1
    while first < count:
        cell = np.uint64(cells[first])
        first += 1
        for k in range(1, 9):
            other = cell + offset[k]
            if not seen[other] and not drain[other] and level[other] == level[start]:
                seen[other] = True
                cells[count] = other
                count += 1
    return count


@compiled
def _lower_to_inlets(
    ground: IntArray, level: IntArray, inlet: BoolArray, cells: IntArray, offset: CellArray
) -> None:  # pragma: no cover - compiled
    """Let the water of connected level ground sink to where it spills into its inlets."""
    old = level[cells[0]]
    heap = np.empty(cells.size, np.uint64)
    size = ZERO
    for cell in cells:
        if inlet[cell] and ground[cell] < old:
            level[cell] = ground[cell]
            size = push(heap, size, key_of(level[cell], cell))
    while size > ZERO:
        here = np.int64(heap[0] >> CELL_BITS)
        cell = heap[0] & CELL_MASK
        size = drop_top(heap, size)
        for k in range(1, 9):
            other = cell + offset[k]
            sunk = max(here, np.int64(ground[other]))
            # every other cell round the pond stands at its old level or higher
            if level[other] == old and sunk < old and not inlet[other]:
                level[other] = np.int32(sunk)
                size = push(heap, size, key_of(sunk, other))


@compiled
def drained_to(
    direction: DirectionArray, order: OrderArray, number: IntArray, offset: CellArray
) -> IntArray:  # pragma: no cover - compiled
    """
    Follow each cell's water to the first numbered cell.

    Parameters
    ----------
    direction, order
        Of all cells, from `realisation_ways.find_directions`.
    number
        Of inlets and culverts; 0 elsewhere.
    offset
        To the neighbours, from `realisation_flood.neighbour_offsets`.

    Returns
    -------
    label
        The number that is met, the cell's own included; 0 where none is.
    """
    label = number.copy()
    for position in range(order.size - 1, -1, -1):
        cell = np.uint64(order[position])
        if label[cell] == 0:
            label[cell] = label[cell + offset[direction[cell]]]
    return label
