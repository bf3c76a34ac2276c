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
