"""
Compiled loops that set inlets into a surface that has been routed without them.

An inlet changes the fill only in the level ground it lies in, and the directions only there and
on the way down from there. So the routing without inlets is corrected in these places, which
is much less work than routing again, and gives the same result, cell by cell.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.realisation_facets import facets_of_cell
from lotflow.terrain.realisation_flood import CELL_BITS, CELL_MASK, drop_top, push
from lotflow.terrain.realisation_level_ground import spread_steps
from lotflow.terrain.realisation_ways import (
    UNBOUNDED,
    DirectionArray,
    Ways,
    is_higher,
    way_down,
)


@compiled
def drain_level_ground(
    ground: IntArray, ways: Ways, drain: BoolArray, inlet: BoolArray, offset: NDArray[np.int64]
) -> IntArray:  # pragma: no cover - compiled
    """
    Lower the ponds and the level ground that inlets lie in, in place.

    Parameters
    ----------
    ground
        Flat levels; at an inlet the level at which it takes water, not above the pond's.
    ways
        Without inlets; levels, facets and steps are changed.
    drain
        Drains without the inlets.
    inlet
        Cells of inlets; none among the drains.
    offset
        To the neighbours, from `realisation_flood.neighbour_offsets`.

    Returns
    -------
    touched
        Cells whose way down may have changed.
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
            other = touched[i] + offset[k]
            if not seen[other] and not drain[other]:
                seen[other] = True
                touched[count] = other
                count += 1
    for cell in touched[:count]:
        ways.facets[cell] = 0 if inlet[cell] else facets_of_cell(ways.level, cell, offset)
    _count_steps_anew(ways, inlet, touched[:inner], offset)
    return touched[:count]


@compiled
def _count_steps_anew(
    ways: Ways, inlet: BoolArray, cells: IntArray, offset: NDArray[np.int64]
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
    offset: NDArray[np.int64],
) -> int:  # pragma: no cover - compiled
    """Append the connected cells of one level to a list; returns its new length."""
    seen[start] = True
    cells[count] = start
    first = count
    count += 1
    while first < count:
        cell = cells[first]
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
    ground: IntArray, level: IntArray, inlet: BoolArray, cells: IntArray, offset: NDArray[np.int64]
) -> None:  # pragma: no cover - compiled
    """Let the water of connected level ground sink to where it spills into its inlets."""
    old = level[cells[0]]
    heap = np.empty(cells.size, np.int64)
    size = 0
    for cell in cells:
        if inlet[cell] and ground[cell] < old:
            level[cell] = ground[cell]
            size = push(heap, size, (np.int64(level[cell]) << CELL_BITS) | cell)
    while size > 0:
        here = heap[0] >> CELL_BITS
        cell = heap[0] & CELL_MASK
        size = drop_top(heap, size)
        for k in range(1, 9):
            other = cell + offset[k]
            sunk = max(here, np.int64(ground[other]))
            # every other cell round the pond stands at its old level or higher
            if level[other] == old and sunk < old and not inlet[other]:
                level[other] = np.int32(sunk)
                size = push(heap, size, (sunk << CELL_BITS) | other)


class _Waiting(NamedTuple):
    """Cells that are to be judged anew, in a queue that runs round."""

    queue: IntArray
    waits: BoolArray
    ends: NDArray[np.int64]  # place of the first one, and how many there are


@compiled
def _let_wait(waiting: _Waiting, cell: int) -> None:  # pragma: no cover - compiled
    """Put a cell at the end of the queue if it is not in it."""
    if not waiting.waits[cell]:
        waiting.waits[cell] = True
        place = (waiting.ends[0] + waiting.ends[1]) % waiting.queue.size
        waiting.queue[place] = cell
        waiting.ends[1] += 1


@compiled
def _let_cell_below_wait(
    waiting: _Waiting, cell: int, direction: int, offset: NDArray[np.int64]
) -> None:  # pragma: no cover - compiled
    """Put the cell that another one drains to at the end of the queue."""
    if direction:
        _let_wait(waiting, cell + offset[direction])


@compiled
def redirect(
    ways: Ways, inlet: BoolArray, touched: IntArray, offset: NDArray[np.int64], rule: int
) -> None:  # pragma: no cover - compiled
    """
    Correct the directions below inlets, in place.

    Each cell is judged anew by what flows into it, until nothing changes any more.

    Parameters
    ----------
    ways
        Levels, facets and steps with inlets, directions without; of the flow only the number of
        cells is kept right.
    inlet
        Cells of inlets.
    touched
        From `drain_level_ground`, from high to low and from far to near over level ground: then
        most cells are judged once, after those above them.
    offset, rule
        As for `realisation_ways.way_down`.
    """
    waiting = _Waiting(
        np.empty(ways.level.size, np.int32),
        np.zeros(ways.level.size, np.bool_),
        np.zeros(2, np.int64),
    )
    for cell in touched:
        _let_wait(waiting, cell)
    for cell in touched:
        _let_cell_below_wait(waiting, cell, ways.direction[cell], offset)
    while waiting.ends[1] > 0:
        cell = waiting.queue[waiting.ends[0]]
        waiting.ends[0] = (waiting.ends[0] + 1) % waiting.queue.size
        waiting.ends[1] -= 1
        waiting.waits[cell] = False
        old = ways.direction[cell]
        if inlet[cell]:
            ways.direction[cell] = 0
            changed = old != 0
        elif ways.facets[cell] == 0 and ways.steps[cell] == 0:  # another drain
            continue
        else:
            changed = _judge(ways, cell, offset, rule)
        if changed:
            _let_cell_below_wait(waiting, cell, old, offset)
            _let_cell_below_wait(waiting, cell, ways.direction[cell], offset)


@compiled
def _judge(
    ways: Ways, cell: int, offset: NDArray[np.int64], rule: int
) -> bool:  # pragma: no cover - compiled
    """Find flow, deviation and direction of a cell; tells whether anything changed."""
    level, facets, steps = ways.level, ways.facets, ways.steps
    total = 1
    largest = 0
    source = -1
    for k in range(1, 9):
        other = cell + offset[k]
        if ways.direction[other] != (k + 3) % 8 + 1:  # it does not drain to this one
            continue
        total += ways.flow[other, 0]
        share = ways.flow[other, 0] if ways.facets[other] else UNBOUNDED
        if share > largest or (share == largest and is_higher(ways.level, other, source)):
            largest = share
            source = other
    came = 0.0
    if source >= 0:
        _, came = way_down(level, facets, steps, source, ways.deviation[source], offset, rule)
    chosen, _ = way_down(level, facets, steps, cell, came, offset, rule)
    changed = (
        chosen != ways.direction[cell]
        or total != ways.flow[cell, 0]
        or came != ways.deviation[cell]
    )
    ways.direction[cell] = chosen
    ways.flow[cell, 0] = total
    ways.deviation[cell] = came
    return bool(changed)


@compiled
def drained_to(
    direction: DirectionArray, number: IntArray, offset: NDArray[np.int64]
) -> IntArray:  # pragma: no cover - compiled
    """
    Follow each cell's water to the first numbered cell.

    Parameters
    ----------
    direction
        Of each cell, flat; 0 at drains.
    number
        Of inlets and culverts; 0 elsewhere.
    offset
        To the neighbours, from `realisation_flood.neighbour_offsets`.

    Returns
    -------
    label
        The number that is met, the cell's own included; 0 where none is.
    """
    unknown = -1
    label = np.empty(direction.size, np.int32)
    for cell in range(direction.size):
        # a drain keeps its own number, 0 if it has none
        ends = direction[cell] == 0 or number[cell] != 0
        label[cell] = number[cell] if ends else unknown
    way = np.empty(direction.size, np.int32)
    for start in range(direction.size):
        cell = start
        length = 0
        while label[cell] == unknown:
            way[length] = cell
            length += 1
            k = direction[cell]
            cell = cell + offset[k]
        for i in range(length):
            label[way[i]] = label[cell]
    return label
