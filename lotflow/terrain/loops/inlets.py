"""
Setting inlets into a surface that has been filled without them.

An inlet changes the fill only in the level ground it lies in, and what ways its water may take
only there and beside it. So these places are corrected, which is much less work than filling
again, and gives the same result, cell by cell.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from lotflow.grid import BoolArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.directions import Ways
from lotflow.terrain.loops.facets import facets_of_cell, spread_steps
from lotflow.terrain.loops.flood import CELL_BITS, CELL_MASK, drop_top, key_of, push
from lotflow.terrain.loops.neighbours import ZERO, CellArray


@compiled
def lowest_places(
    ground: IntArray,
    level: IntArray,
    rain: IntArray,
    first: IntArray,
    candidates: IntArray,
    pond_depth: int,
) -> IntArray:
    """
    Set point inlets where the water runs near their marks; see `inlet_places.snap_inlets`.

    Levels are those of ground and filled surface without inlets; rain is what passes through each
    cell. `first` tells where the candidates of each inlet begin, and where the last end: the
    cells it may stand on, rising but for its own, which stands first. From the pond depth [steps]
    on the ground counts as a low spot.
    """
    chosen = np.empty(first.size - 1, np.int32)
    for inlet in range(chosen.size):
        own = candidates[first[inlet]]
        in_pond = False
        for i in range(first[inlet], first[inlet + 1]):
            cell = candidates[i]
            in_pond |= level[cell] - ground[cell] >= pond_depth
        best = own
        found = False
        for i in range(first[inlet], first[inlet + 1]):
            cell = candidates[i]
            if in_pond and level[cell] - ground[cell] < pond_depth:
                continue
            better = ground[cell] < ground[best] if in_pond else rain[cell] > rain[best]
            if not found or better:
                best = cell
                found = True
        chosen[inlet] = best
    return chosen


@compiled
def drain_level_ground(
    ground: IntArray,
    ways: Ways,
    drain: BoolArray,
    inlet: BoolArray,
    offset: CellArray,
) -> IntArray:
    """
    Lower the ponds and the level ground that inlets lie in; gives the cells whose choices change.

    The ground has at an inlet the level at which it takes water, not above the pond's. The ways
    are those without inlets: levels, facets, lower neighbours and steps are changed. Inlets are
    none of the drains.
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
def _find_facets_anew(ways: Ways, inlet: BoolArray, cell: Any, offset: CellArray) -> None:
    """Find facets and lower neighbours of one cell, in place."""
    facets, lower = facets_of_cell(ways.level, cell, offset)
    ways.facets[cell] = 0 if inlet[cell] else facets
    ways.lower[cell] = 0 if inlet[cell] else lower


@compiled
def _count_steps_anew(ways: Ways, inlet: BoolArray, cells: IntArray, offset: CellArray) -> None:
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
) -> int:
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
) -> None:
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
