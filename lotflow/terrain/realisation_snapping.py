"""Compiled loops round one realisation: levels, inlets at the low point near their marks, sums."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import FloatArray, IntArray
from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, ROW_STEP
from lotflow.terrain.realisation_ways import DirectionArray, OrderArray


@compiled
def raise_drawn(
    elevation: FloatArray,
    building: IntArray,
    raise_m: float,
    wall_cells: NDArray[np.int64],
    wall_height: FloatArray,
) -> None:  # pragma: no cover - compiled
    """
    Put buildings and walls onto open ground, in place.

    Parameters
    ----------
    elevation
        Flat [m]; changed.
    building
        Number of the building on each cell; 0 elsewhere.
    raise_m
        Height of a footprint above its highest ground [m].
    wall_cells, wall_height
        Cells of walls, and their height above the ground [m].
    """
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
def levels_of(
    elevation: FloatArray, step: float
) -> tuple[IntArray, int]:  # pragma: no cover - compiled
    """
    Turn elevations into whole steps above a base.

    Parameters
    ----------
    elevation
        Flat [m]; relief below 2^31 steps.
    step
        Length of a step [m].

    Returns
    -------
    level, base
        From 0, and the steps of level 0 above elevation 0.
    """
    base = int(np.rint(elevation.min() / step))
    level = np.empty(elevation.size, np.int32)
    for cell in range(elevation.size):
        level[cell] = np.int32(np.int64(np.rint(elevation[cell] / step)) - base)
    return level, base


@compiled
def lowest_places(
    ground: IntArray,
    level: IntArray,
    rain: IntArray,
    first: IntArray,
    candidates: IntArray,
    pond_depth: int,
) -> IntArray:  # pragma: no cover - compiled
    """
    Set point inlets where the water runs near their marks; see `inlet_places.snap_inlets`.

    Parameters
    ----------
    ground, level
        Flat levels of ground and filled surface, without inlets.
    rain
        Cells' worth of rain that pass through each cell.
    first
        Where the candidates of each inlet begin, and where the last end.
    candidates
        Cells each may stand on, rising but for its own, which stands first.
    pond_depth
        Depth from which the ground counts as a low spot [steps].

    Returns
    -------
    cell
        Of each inlet.
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
def hand_down(
    rain: IntArray, direction: DirectionArray, order: OrderArray, columns: int
) -> None:  # pragma: no cover - compiled
    """
    Add the rain that passes through each cell to that of the next, in place.

    Parameters
    ----------
    rain
        Cells' worth of rain that enter at each cell; becomes what passes through it.
    direction, order
        From `realisation_ways.find_directions`.
    columns
        Of the grid.
    """
    for cell in order:
        k = direction[cell]
        rain[cell + ROW_STEP[k] * columns + COLUMN_STEP[k]] += rain[cell]


@compiled
def let_out(
    rain: IntArray, direction: DirectionArray, up: IntArray, down: IntArray, columns: int
) -> None:  # pragma: no cover - compiled
    """
    Add what culverts let out to the flow below them, in place.

    Parameters
    ----------
    rain
        Cells' worth of rain that pass through each cell; changed.
    direction
        Of each cell.
    up, down
        Cells of the ends of each culvert, a culvert before those its water runs into.
    columns
        Of the grid.
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
) -> FloatArray:  # pragma: no cover - compiled
    """
    Count the cells of each inlet's catchment, and add them to the counts of each cell.

    Parameters
    ----------
    label
        Inlet that each cell's water reaches, by the cell it enters the flow at; 0 for none.
    landing
        Where the rain of each cell enters the flow.
    share
        Cells' worth of rain of each cell that enter the flow; 0 where none does.
    inlets
        How many.
    hits
        Shape (inlets, cells): how often a cell drained to an inlet; changed.
    """
    cells = np.zeros(inlets, np.float64)
    for cell in range(label.size):
        number = label[landing[cell]]
        if number > 0 and share[cell] > 0.0:
            cells[number - 1] += share[cell]
            hits[number - 1, cell] += 1
    return cells


@compiled
def sums_by_label(
    label: IntArray, weight: FloatArray, inlets: int
) -> FloatArray:  # pragma: no cover - compiled
    """
    Sum what enters at the cells that drain to each inlet.

    Parameters
    ----------
    label
        Inlet that each cell's water reaches; 0 for none.
    weight
        What enters at each cell.
    inlets
        How many.
    """
    total = np.zeros(inlets, np.float64)
    for cell in range(label.size):
        if label[cell] > 0:
            total[label[cell] - 1] += weight[cell]
    return total


@compiled
def water_in_outlines(
    ground: IntArray, level: IntArray, number: IntArray, count: int
) -> tuple[IntArray, NDArray[np.int64]]:  # pragma: no cover - compiled
    """
    Measure the water that stands within the outline of each low spot when all are full.

    Parameters
    ----------
    ground, level
        Flat levels of ground and filled surface.
    number
        Number of the low spot on each cell, from 1; 0 where there is none.
    count
        Of the low spots.

    Returns
    -------
    depth, volume
        Greatest depth [steps], and sum of depths [steps times cells].
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
