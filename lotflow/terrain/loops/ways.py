"""What is handed along the ways of water and summed up, and how a realisation is measured."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import FloatArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.flood import neighbour_offsets
from lotflow.terrain.loops.neighbours import COLUMN_STEP, ROW_STEP, DirectionArray


@compiled
def hand_up(label: IntArray, direction: DirectionArray, order: NDArray[Any], columns: int) -> None:
    """
    Hand labels up to every cell whose water reaches them, in place.

    Cells stand in the order after those that drain to them; drains may be left out. A label
    becomes the first on the way down, the cell's own included, 0 where there is none.
    """
    offset = neighbour_offsets(columns)
    for position in range(order.size - 1, -1, -1):
        cell = np.uint64(order[position])
        if label[cell] == 0:
            label[cell] = label[cell + offset[direction[cell]]]


@compiled
def hand_down(
    amount: NDArray[Any], direction: DirectionArray, order: NDArray[Any], columns: int
) -> None:
    """
    Sum what enters at each cell down the directions, in place.

    Cells stand in the order after those that drain to them; drains may be left out.
    """
    offset = neighbour_offsets(columns)
    for position in range(order.size):
        cell = np.uint64(order[position])
        if direction[cell]:
            amount[cell + offset[direction[cell]]] += amount[cell]


@compiled
def sum_up(
    sums: FloatArray,
    cost: FloatArray,
    receiver: NDArray[np.int64],
    order: NDArray[np.int64],
    target: IntArray,
) -> None:
    """
    Add up what each cell costs on the way down to a target, in place; 0 on targets.

    Cells stand in the order before those that drain to them, drains among them: these are their
    own receivers, and the sums hold what it costs from them on.
    """
    for cell in order:
        if target[cell] > 0:
            sums[cell] = 0.0
        elif receiver[cell] != cell:
            sums[cell] = cost[cell] + sums[receiver[cell]]


@compiled
def raise_drawn(
    elevation: FloatArray,
    building: IntArray,
    raise_m: float,
    wall_cells: NDArray[np.int64],
    wall_height: FloatArray,
) -> None:
    """Put buildings, by their numbers, and walls of a height [m] onto open ground [m], in place."""
    for i in range(wall_cells.size):
        elevation[wall_cells[i]] += wall_height[i]
    highest = np.full(building.max() + 1, -np.inf)
    if highest.size == 1:
        return
    for cell in range(building.size):
        number = building[cell]
        if number:
            highest[number] = max(highest[number], elevation[cell])
    for cell in range(building.size):
        if building[cell]:
            elevation[cell] = highest[building[cell]] + raise_m


@compiled
def levels_of(elevation: FloatArray, step: float) -> tuple[IntArray, int]:
    """
    Turn elevations [m] into whole steps above a base, and give that base.

    The relief must be below 2^31 steps: see `drainage.whole_levels`, which asks.
    """
    base = int(np.rint(elevation.min() / step))
    level = np.empty(elevation.size, np.int32)
    for cell in range(elevation.size):
        level[cell] = np.int32(np.int64(np.rint(elevation[cell] / step)) - base)
    return level, base


@compiled
def let_out(
    rain: IntArray, direction: DirectionArray, up: IntArray, down: IntArray, columns: int
) -> None:
    """
    Add what culverts let out to the flow below them, in place.

    A culvert must stand before those that its water runs into.
    """
    for culvert in range(up.size):
        cell = down[culvert]
        flow = rain[up[culvert]]
        while True:
            rain[cell] += flow
            k = direction[cell]
            if k == 0:
                break
            cell = cell + ROW_STEP[k] * columns + COLUMN_STEP[k]


@compiled
def count_labels(
    label: IntArray, landing: IntArray, share: FloatArray, inlets: int, hits: NDArray[np.uint16]
) -> FloatArray:
    """
    Count the cells of each inlet's catchment, and add them to the counts of each cell.

    The label of a cell counts for those whose rain lands on it, by the share of a cell's worth
    of rain that enters the flow. The counts, of inlets by cells, tell how often a cell drained to
    an inlet; they are changed.
    """
    cells = np.zeros(inlets, np.float64)
    for cell in range(label.size):
        number = label[landing[cell]]
        if number > 0 and share[cell] > 0.0:
            cells[number - 1] += share[cell]
            hits[number - 1, cell] += 1
    return cells


@compiled
def sums_by_label(label: IntArray, weight: FloatArray, inlets: int) -> FloatArray:
    """Sum what enters at the cells that drain to each inlet."""
    total = np.zeros(inlets, np.float64)
    for cell in range(label.size):
        if label[cell] > 0:
            total[label[cell] - 1] += weight[cell]
    return total


@compiled
def water_in_outlines(
    ground: IntArray, level: IntArray, number: IntArray, count: int
) -> tuple[IntArray, NDArray[np.int64]]:
    """
    Measure the water that stands within the outline of each low spot when all are full.

    Gives the greatest depth [steps], and the sum of depths [steps times cells], by the number of
    the low spot on each cell, from 1.
    """
    depth = np.zeros(count, np.int32)
    volume = np.zeros(count, np.int64)
    for cell in range(number.size):
        if number[cell] > 0:
            spot = number[cell] - 1
            water = level[cell] - ground[cell]
            depth[spot] = max(depth[spot], water)
            volume[spot] += water
    return depth, volume
