"""
Compiled loops that set inlets into a surface that has been routed without them.

An inlet changes the fill only in the level ground it lies in, and the directions only there and
on the way down from there. So the routing without inlets is corrected in these places, which
is much less work than routing again, and gives the same result, cell by cell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, FloatArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.realisation_kernels import (
    CELL_BITS,
    CELL_MASK,
    COLUMN_STEP,
    ROW_STEP,
    UNBOUNDED,
    DirectionArray,
    drop_top,
    facets_of_cell,
    push,
    spread_steps,
    way_down,
)


@compiled
def drain_level_ground(
    ground: IntArray,
    level: IntArray,
    drain: BoolArray,
    inlet: BoolArray,
    facets: NDArray[np.uint8],
    steps: IntArray,
    columns: int,
) -> IntArray:  # pragma: no cover - compiled
    """
    Lower the ponds and the level ground that inlets lie in, in place.

    Parameters
    ----------
    ground
        Flat levels; at an inlet the level at which it takes water, not above the pond's.
    level, facets, steps
        Of the surface filled without inlets; changed.
    drain
        Drains without the inlets.
    inlet
        Cells of inlets; none among the drains.
    columns
        Of the grid.

    Returns
    -------
    touched
        Cells whose way down may have changed.
    """
    size = level.size
    seen = np.zeros(size, np.bool_)
    touched = np.empty(size, np.int32)
    count = 0
    for cell in range(size):
        if inlet[cell] and not seen[cell]:
            first = count
            count = _spread_over_level(level, drain, seen, touched, cell, count, columns)
            _lower_to_inlets(ground, level, inlet, touched[first:count], columns)
    inner = count
    for i in range(inner):
        for k in range(1, 9):
            other = touched[i] + ROW_STEP[k] * columns + COLUMN_STEP[k]
            if not seen[other] and not drain[other]:
                seen[other] = True
                touched[count] = other
                count += 1
    unknown = np.empty(inner, np.int32)
    last = 0
    for i in range(count):
        cell = touched[i]
        facets[cell] = 0 if inlet[cell] else facets_of_cell(level, cell, columns)
        if i < inner:
            steps[cell] = 0
            if facets[cell] == 0 and not inlet[cell]:
                steps[cell] = -1
                unknown[last] = cell
                last += 1
    spread_steps(level, steps, unknown[:last], columns, np.empty(inner, np.int32))
    return touched[:count]


@compiled
def _spread_over_level(
    level: IntArray,
    drain: BoolArray,
    seen: BoolArray,
    cells: IntArray,
    start: int,
    count: int,
    columns: int,
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
            other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
            if not seen[other] and not drain[other] and level[other] == level[start]:
                seen[other] = True
                cells[count] = other
                count += 1
    return count


@compiled
def _lower_to_inlets(
    ground: IntArray, level: IntArray, inlet: BoolArray, cells: IntArray, columns: int
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
            other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
            sunk = max(here, np.int64(ground[other]))
            # every other cell round the pond stands at its old level or higher
            if level[other] == old and sunk < old and not inlet[other]:
                level[other] = np.int32(sunk)
                size = push(heap, size, (sunk << CELL_BITS) | other)


@compiled
def redirect(
    level: IntArray,
    facets: NDArray[np.uint8],
    steps: IntArray,
    inlet: BoolArray,
    direction: DirectionArray,
    flow: IntArray,
    deviation: FloatArray,
    touched: IntArray,
    columns: int,
    rule: int,
) -> None:  # pragma: no cover - compiled
    """
    Correct the directions below inlets, in place.

    Each cell is judged anew by what flows into it, until nothing changes any more.

    Parameters
    ----------
    level, facets, steps
        With inlets.
    inlet
        Cells of inlets.
    direction, flow, deviation
        From `directions` without inlets; changed. Of the flow only the cells are kept right.
    touched
        From `drain_level_ground`.
    columns, rule
        As for `directions`.
    """
    waits = np.zeros(level.size, np.bool_)
    queue = np.empty(level.size, np.int32)
    first = 0
    waiting = 0
    # from high to low, so that most cells are judged once, after those above them
    key = np.empty(touched.size, np.int64)
    for i in range(touched.size):
        key[i] = -((np.int64(level[touched[i]]) << CELL_BITS) | steps[touched[i]])
    for i in np.argsort(key):
        queue[waiting] = touched[i]
        waits[touched[i]] = True
        waiting += 1
    for cell in touched:  # the cells below them where they drained before
        k = direction[cell]
        below = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
        if k != 0 and not waits[below]:
            waits[below] = True
            queue[waiting] = below
            waiting += 1
    while waiting > 0:
        cell = queue[first]
        first = (first + 1) % queue.size
        waiting -= 1
        waits[cell] = False
        old = direction[cell]
        if inlet[cell]:
            direction[cell] = 0
            changed = False
        elif facets[cell] == 0 and steps[cell] == 0:  # another drain
            continue
        else:
            changed = _judge(
                level, facets, steps, direction, flow, deviation, cell, columns, rule
            )
        new = direction[cell]
        for k in (old, new):
            if k == 0 or (old == new and not changed):
                continue
            below = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
            if not waits[below]:
                waits[below] = True
                queue[(first + waiting) % queue.size] = below
                waiting += 1


@compiled
def _judge(
    level: IntArray,
    facets: NDArray[np.uint8],
    steps: IntArray,
    direction: DirectionArray,
    flow: IntArray,
    deviation: FloatArray,
    cell: int,
    columns: int,
    rule: int,
) -> bool:  # pragma: no cover - compiled
    """Find flow, deviation and direction of a cell; tells whether anything changed."""
    total = 1
    largest = 0
    source = -1
    for k in range(1, 9):
        other = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
        back = direction[other]
        if back == 0 or (k + 3) % 8 + 1 != back:
            continue
        total += flow[other, 0]
        share = flow[other, 0] if facets[other] else UNBOUNDED
        # of equal ones the highest counts, then the one that stands last in the grid
        higher = source >= 0 and (
            level[other] > level[source] or (level[other] == level[source] and other > source)
        )
        if share > largest or (share == largest and higher):
            largest = share
            source = other
    came = 0.0
    if source >= 0:
        _, came = way_down(level, facets, steps, source, deviation[source], columns, rule)
    chosen, _ = way_down(level, facets, steps, cell, came, columns, rule)
    changed = chosen != direction[cell] or total != flow[cell, 0] or came != deviation[cell]
    direction[cell] = chosen
    flow[cell, 0] = total
    deviation[cell] = came
    return changed


@compiled
def drained_to(
    direction: DirectionArray, number: IntArray, columns: int
) -> IntArray:  # pragma: no cover - compiled
    """
    Follow each cell's water to the first numbered cell.

    Parameters
    ----------
    direction
        Of each cell, flat; 0 at drains.
    number
        Of inlets and culverts; 0 elsewhere.
    columns
        Of the grid.

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
            cell = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]
        for i in range(length):
            label[way[i]] = label[cell]
    return label
