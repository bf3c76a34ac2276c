"""
Everyday form of the compiled loops over cells: fill, ways of water, labels, nearest cells.

Directions are numbered 1 to 8 for W NW N NE E SE S SW, as in the bands of richdem's flow
proportions; 0 is a drain, a cell that swallows its water. Every array has the shape of the
grid; the cells of the outer ring must be drains, so that every other cell has eight neighbours.
The loops themselves are in `loops`, loaded when they are first needed: the compiler comes with
them, and a command that routes no water does without.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lotflow.terrain.loops.neighbours import DirectionArray

if TYPE_CHECKING:
    from lotflow.grid import BoolArray, FloatArray, IntArray


def priority_flood(elevation: FloatArray, drain: BoolArray) -> FloatArray:
    """
    Fill every depression to its spill level, starting from the drains, which keep theirs.

    The elevations are finite [m], and may be finer or further apart than whole levels can be: to
    fill them, only which is higher counts.

    References
    ----------
    Barnes, Lehman, Mulla (2014), Priority-flood: an optimal depression-filling and
    watershed-labeling algorithm for digital elevation models, Computers & Geosciences 62.

    Examples
    --------
    A pit of 1 m in a plain of 3 m, drained all round:

    >>> plain = np.full((3, 3), 3.0)
    >>> plain[1, 1] = 2.0
    >>> float(priority_flood(plain, plain > 2.0)[1, 1])
    3.0
    """
    heights, rank = np.unique(elevation, return_inverse=True)
    filled = flooded_levels(rank.reshape(elevation.shape).astype(np.int32), drain)
    return np.asarray(heights[filled], dtype=np.float64)


def flooded_levels(level: IntArray, drain: BoolArray) -> IntArray:
    """Fill every depression of a surface in whole levels from 0, see `priority_flood`."""
    from lotflow.terrain.loops.flood import flood  # noqa: PLC0415 - loads the compiler

    filled = flood(_flat(level, np.int32), _flat(drain, np.bool_), level.shape[1])
    return np.asarray(filled.reshape(level.shape))


def directions(
    level: IntArray, drain: BoolArray, rule: str
) -> tuple[DirectionArray, NDArray[np.int64], IntArray]:
    """
    Give each cell of a filled surface, in whole levels from 0, one of eight directions.

    The rule is one of `drainage.RULES`. Gives the order too, flat indices of cells by rising
    level, in which every cell stands after the one it drains to; and the steps across level
    ground to where it begins to fall, -1 where there is no way out.
    """
    from lotflow.terrain.loops import directions as ways_of  # noqa: PLC0415 - loads the compiler

    number = ways_of.RULES[rule]
    columns = level.shape[1]
    ways = ways_of.find_ways(_flat(level, np.int32), _flat(drain, np.bool_), columns, number)
    direction, _ = ways_of.find_directions(ways, ways.choices, columns, number)
    order = ways_of.rising_order(ways.level, np.maximum(ways.steps, 0))
    return direction.reshape(level.shape), order, ways.steps.reshape(level.shape)


def _flat(values: Any, kind: Any) -> Any:
    """Give the cells of a grid row after row, of a type; the array itself where it is so."""
    return np.ascontiguousarray(values, dtype=kind).ravel()


def first_labels(direction: DirectionArray, order: NDArray[np.int64], label: IntArray) -> IntArray:
    """
    Give the first label on each cell's way down, its own included; 0 where it meets none.

    The order is that of `directions`; labels are 0 on cells that are not asked about.
    """
    from lotflow.terrain.loops.ways import hand_up  # noqa: PLC0415 - loads the compiler

    result = np.array(label, dtype=np.int32, order="C")
    hand_up(result.ravel(), _flat(direction, np.uint8), order[::-1], direction.shape[1])
    return result


def sums_to_target(
    receiver: NDArray[np.int64],
    order: NDArray[np.int64],
    target: IntArray,
    cost: FloatArray,
    start: FloatArray,
) -> FloatArray:
    """
    Add up what each cell costs on the way down to the first target; 0 on targets.

    Receivers are flat indices of the cell each cell drains to, its own at drains; the order is that
    of `directions`. Costs are of the step from each cell to the next; `start` is what it costs from
    each drain on, and does not count elsewhere.
    """
    from lotflow.terrain.loops.ways import sum_up  # noqa: PLC0415 - loads the compiler

    sums = np.array(start, dtype=np.float64, order="C")
    ways = _flat(receiver, np.int64), order, _flat(target, np.int32)
    sum_up(sums.ravel(), _flat(cost, np.float64), *ways)
    return sums


def way_to_target(
    receiver: NDArray[np.int64], target: IntArray, wanted: int, cell: int
) -> NDArray[np.int64]:
    """
    Cells from one down to the first of a wanted target, or to where its water ends.

    Other targets are passed through. Where a culvert leads water back to itself the way ends when
    it is as long as there are cells.
    """
    cells, goal = [cell], target.ravel()
    while goal[cell] != wanted and len(cells) < receiver.size:
        below = int(receiver[cell])
        if below == cell:
            break
        cells.append(below)
        cell = below
    return np.array(cells, dtype=np.int64)


def nearest_marked(marked: BoolArray) -> IntArray:
    """
    Flat index of the marked cell nearest to each cell; a marked cell's own index.

    Of equally near ones the first by column then row counts; where no cell is marked, each cell
    has its own index.

    Examples
    --------
    >>> nearest_marked(np.array([[True, False, False, True]]))
    array([[0, 0, 3, 3]], dtype=int32)
    """
    if marked.all() or not marked.any():
        return np.arange(marked.size, dtype=np.int32).reshape(marked.shape)
    from lotflow.terrain.loops.parts import nearest  # noqa: PLC0415 - loads the compiler

    return np.asarray(nearest(_flat(marked, np.uint8), *marked.shape).reshape(marked.shape))


def connected_parts(marked: BoolArray) -> tuple[IntArray, int]:
    """
    Number the connected parts of marked cells, the eight neighbours counting as connected.

    Gives the number of each cell's part, from 1, by row then column of their first cells, 0 on
    cells that are not marked; and the number of parts.

    Examples
    --------
    >>> connected_parts(np.array([[True, False, False], [False, True, False], [True, False, True]]))
    (array([[1, 0, 0],
           [0, 1, 0],
           [1, 0, 1]], dtype=int32), 1)
    """
    from lotflow.terrain.loops.parts import connected  # noqa: PLC0415 - loads the compiler

    part, count = connected(_flat(marked, np.uint8), *marked.shape)
    return part.reshape(marked.shape), count
