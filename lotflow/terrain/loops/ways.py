"""What is handed along the ways of water: labels upward, amounts downward."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lotflow.terrain.compiled import compiled
from lotflow.terrain.loops.steps import COLUMN_STEP, ROW_STEP

if TYPE_CHECKING:
    from lotflow.grid import FloatArray, IntArray
    from lotflow.terrain.loops.steps import ByteArray, IndexArray


@compiled
def hand_up_labels(
    direction: ByteArray, order: IndexArray, size: int, columns: int, label: IntArray
) -> None:
    """
    Hand labels up to every cell whose water reaches them, in place.

    Parameters
    ----------
    direction
        Of each cell.
    order
        Cells so that each stands after the one it drains to.
    size, columns
        Of the grid.
    label
        Numbers of the cells that are asked about, 0 elsewhere; becomes the number of the first
        numbered cell on each cell's way down, its own included, 0 where it meets none.
    """
    for position in range(size):
        cell = order[position]
        k = direction[cell]
        if k != 0 and label[cell] == 0:
            label[cell] = label[cell + ROW_STEP[k] * columns + COLUMN_STEP[k]]


@compiled
def sum_down(
    direction: ByteArray, order: IndexArray, size: int, columns: int, total: FloatArray
) -> None:
    """
    Sum weights down the directions, in place.

    Parameters
    ----------
    direction, order, size, columns
        As for `hand_up_labels`.
    total
        What each cell adds; becomes what passes through it, its own weight included.
    """
    for position in range(size - 1, -1, -1):
        cell = order[position]
        k = direction[cell]
        if k != 0:
            total[cell + ROW_STEP[k] * columns + COLUMN_STEP[k]] += total[cell]


@compiled
def sum_up(
    receiver: IndexArray,
    order: IndexArray,
    target: IntArray,
    cost: FloatArray,
    size: int,
    result: FloatArray,
) -> None:
    """
    Add up what each cell costs on the way down to a target, in place.

    Parameters
    ----------
    receiver
        Flat index of the cell each cell drains to; its own at drains.
    order
        Cells so that each stands after the one it drains to.
    target
        Number of the target on each cell; 0 elsewhere.
    cost
        Of the step from each cell to the next.
    size
        Number of cells.
    result
        What it costs from each drain on; becomes what it costs from each cell, 0 on targets.
    """
    for position in range(size):
        cell = order[position]
        if target[cell] > 0:
            result[cell] = 0.0
        elif receiver[cell] != cell:
            result[cell] = cost[cell] + result[receiver[cell]]


@compiled
def walk_down(
    receiver: IndexArray, target: IntArray, wanted: int, start: int, size: int, cells: IndexArray
) -> int:
    """
    Walk down from a cell to the first of a target, or to where its water ends.

    Parameters
    ----------
    receiver, target
        As for `sum_up`.
    wanted
        Number of the target; others are passed through.
    start
        Cell to begin at.
    size
        Number of cells, and longest walk.
    cells
        Filled with the cells of the walk, the first and last included.

    Returns
    -------
    count
        Number of these cells.
    """
    cells[0] = start
    count = 1
    cell = start
    while target[cell] != wanted and receiver[cell] != cell and count < size:
        cell = receiver[cell]
        cells[count] = cell
        count += 1
    return count
