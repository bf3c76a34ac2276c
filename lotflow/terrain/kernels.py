"""
Compiled loops over cells: flood, level ground, directions, labels, accumulation, nearest cells.

Directions are numbered 1 to 8 for W NW N NE E SE S SW, as in the bands of richdem's flow
proportions; 0 is a drain, a cell that swallows its water. Every array has the shape of the
grid; the cells of the outer ring must be drains, so that every other cell has eight neighbours.
The loops themselves are in `loops`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from lotflow.terrain.loops.steps import COLUMN_STEP, ROW_STEP
from lotflow.terrain.machine_code import Loop

if TYPE_CHECKING:
    from lotflow.grid import BoolArray, FloatArray, IntArray

__all__ = [
    "COLUMN_STEP", "ROW_STEP", "DirectionArray", "accumulate", "connected_parts",
    "first_labels", "flat_distance", "least_deviation_directions", "nearest_marked",
    "priority_flood", "rising_order", "steepest_directions", "sums_to_target", "way_to_target",
]  # fmt: skip

DirectionArray = NDArray[np.uint8]

_FLOOD: Final = Loop(
    "flood", "flood", "float64* uint8* int64 int64 int64* float64* int64*", counts=True
)
_FLAT_STEPS: Final = Loop(
    "flats", "flat_steps", "float64* uint8* int64 int64 int32* int64*", counts=True
)
_RISING_ORDER: Final = Loop(
    "flats", "rising_order", "uint64* int32* int64 int64* uint64* uint64* int64* int64*"
)
_LEAST_DEVIATION: Final = Loop(
    "directions", "least_deviation",
    "float64* uint8* int32* int64* int64 int64 uint8* float64*",
)  # fmt: skip
_STEEPEST: Final = Loop("directions", "steepest", "float64* uint8* int32* int64 int64 uint8*")
_LABELS: Final = Loop("ways", "hand_up_labels", "uint8* int64* int64 int64 int32*")
_SUM_DOWN: Final = Loop("ways", "sum_down", "uint8* int64* int64 int64 float64*")
_SUM_UP: Final = Loop("ways", "sum_up", "int64* int64* int32* float64* int64 float64*")
_WALK_DOWN: Final = Loop("ways", "walk_down", "int64* int32* int64 int64 int64 int64*", counts=True)
_CONNECTED: Final = Loop("parts", "connected", "uint8* int64 int64 int32* int64*", counts=True)
_NEAREST: Final = Loop("parts", "nearest", "uint8* int64 int64 int32* int64*")


def _flat(values: Any, kind: Any) -> Any:
    """Give the cells of a grid row after row, of a type; the array itself where it is so."""
    return np.ascontiguousarray(values, dtype=kind)


def priority_flood(elevation: FloatArray, drain: BoolArray) -> tuple[FloatArray, NDArray[np.int64]]:
    """
    Fill every depression to its spill level, starting from the drains.

    Parameters
    ----------
    elevation
        Shape (rows, columns), finite everywhere [m].
    drain
        Cells that swallow water; they keep their elevation.

    Returns
    -------
    filled
        Elevation of the filled surface [m].
    order
        Flat indices of all cells by rising filled elevation.

    References
    ----------
    Barnes, Lehman, Mulla (2014), Priority-flood: an optimal depression-filling and
    watershed-labeling algorithm for digital elevation models, Computers & Geosciences 62.

    Examples
    --------
    A pit of 1 m in a plain of 3 m, drained all round:

    >>> plain = np.full((3, 3), 3.0)
    >>> plain[1, 1] = 2.0
    >>> filled, _ = priority_flood(plain, plain > 2.0)
    >>> float(filled[1, 1])
    3.0
    """
    filled = np.array(elevation, dtype=np.float64, order="C")
    done = np.array(drain, dtype=np.uint8, order="C")
    order = np.empty(filled.size, dtype=np.int64)
    heap = np.empty(filled.size), np.empty(filled.size, dtype=np.int64)
    count = _FLOOD(filled, done, *filled.shape, order, *heap)
    return filled, order[:count]


def flat_distance(filled: FloatArray, drain: BoolArray) -> IntArray:
    """
    Steps across level ground to where it begins to fall.

    Breadth-first from all outlets of a flat at once, so that water takes the shortest way out.

    Parameters
    ----------
    filled
        Surface without depressions [m].
    drain
        Cells that swallow water.

    Returns
    -------
    steps
        0 where a neighbour is lower and at drains; otherwise the number of steps to such a
        cell over cells of the same elevation; -1 where there is no way out (never on a filled
        surface).
    """
    steps = np.zeros(filled.shape, dtype=np.int32)
    queue = np.empty(filled.size, dtype=np.int64)
    _FLAT_STEPS(_flat(filled, np.float64), _flat(drain, np.uint8), *filled.shape, steps, queue)
    return steps


def rising_order(filled: FloatArray, steps: IntArray) -> NDArray[np.int64]:
    """
    Sort cells by elevation, of equal ones by steps, of equal ones by row then column.

    Parameters
    ----------
    filled
        Surface without depressions [m].
    steps
        From `flat_distance`, none negative.

    Returns
    -------
    order
        Flat indices: every cell stands after the one it drains to.

    Examples
    --------
    >>> rising_order(np.array([[2.0, 1.0, 1.0]]), np.array([[0, 1, 0]]))
    array([2, 1, 0])
    """
    size = filled.size
    order, spare = np.empty(size, dtype=np.int64), np.empty(size, dtype=np.int64)
    key, spare_key = np.empty(size, dtype=np.uint64), np.empty(size, dtype=np.uint64)
    bits = _flat(filled, np.float64).view(np.uint64)
    counts = np.empty(max(2048, size + 1), dtype=np.int64)
    _RISING_ORDER(bits, _flat(steps, np.int32), size, order, key, spare_key, spare, counts)
    return order


def least_deviation_directions(
    filled: FloatArray, drain: BoolArray, steps: IntArray, order: NDArray[np.int64]
) -> DirectionArray:
    """
    Give each cell one of eight directions so that paths stay close to the true descent.

    Of the two neighbours that enclose the steepest descent, the one is taken that keeps the
    sideways error accumulated along the path small (D8-LTD, with full memory, lambda = 1). The
    error is inherited from the largest of the inflowing cells, of equal ones from the highest;
    a path that leaves level ground, where its course is unknown, begins without one.

    Parameters
    ----------
    filled
        Surface without depressions [m].
    drain
        Cells that swallow water; direction 0.
    steps
        From `flat_distance`.
    order
        From `rising_order`.

    References
    ----------
    Orlandini, Moretti, Franchini, Aldighieri, Testa (2003), Path-based methods for the
    determination of nondispersive drainage directions in grid-based digital elevation models,
    Water Resources Research 39(6), 1144.
    """
    surface = _flat(filled, np.float64), _flat(drain, np.uint8), _flat(steps, np.int32)
    direction = np.zeros(filled.shape, dtype=np.uint8)
    path = np.zeros(3 * filled.size)
    _LEAST_DEVIATION(
        *surface, _flat(order, np.int64), filled.size, filled.shape[1], direction, path
    )
    return direction


def steepest_directions(filled: FloatArray, drain: BoolArray, steps: IntArray) -> DirectionArray:
    """
    Give each cell the direction of its steepest neighbour (D8).

    Parameters
    ----------
    filled, drain, steps
        As for `least_deviation_directions`.

    References
    ----------
    O'Callaghan, Mark (1984), The extraction of drainage networks from digital elevation data,
    Computer Vision, Graphics, and Image Processing 28.
    """
    surface = _flat(filled, np.float64), _flat(drain, np.uint8), _flat(steps, np.int32)
    direction = np.zeros(filled.shape, dtype=np.uint8)
    _STEEPEST(*surface, filled.size, filled.shape[1], direction)
    return direction


def first_labels(direction: DirectionArray, order: NDArray[np.int64], label: IntArray) -> IntArray:
    """
    Hand labels up to every cell whose water reaches them.

    Parameters
    ----------
    direction
        From one of the direction kernels.
    order
        From `rising_order`.
    label
        Numbers of the cells that are asked about; 0 elsewhere.

    Returns
    -------
    label
        New array: the number of the first labelled cell on each cell's way down, its own
        included; 0 where it meets none.
    """
    result = np.array(label, dtype=np.int32, order="C")
    way = _flat(direction, np.uint8)
    _LABELS(way, _flat(order, np.int64), way.size, way.shape[1], result)
    return result


def accumulate(
    direction: DirectionArray, order: NDArray[np.int64], weight: FloatArray
) -> FloatArray:
    """
    Sum weights down the directions.

    Parameters
    ----------
    direction, order
        As for `first_labels`.
    weight
        What each cell adds.

    Returns
    -------
    total
        What passes through each cell, its own weight included.
    """
    total = np.array(weight, dtype=np.float64, order="C")
    way = _flat(direction, np.uint8)
    _SUM_DOWN(way, _flat(order, np.int64), way.size, way.shape[1], total)
    return total


def sums_to_target(
    receiver: NDArray[np.int64],
    order: NDArray[np.int64],
    target: IntArray,
    cost: FloatArray,
    start: FloatArray,
) -> FloatArray:
    """
    Add up what each cell costs on the way down to the first target.

    Parameters
    ----------
    receiver
        Flat index of the cell each cell drains to; its own at drains.
    order
        From `rising_order`.
    target
        Number of the target on each cell, 0 elsewhere.
    cost
        Of the step from each cell to the next.
    start
        What it costs from each drain on; elsewhere it does not count.

    Returns
    -------
    sums
        0 on targets.
    """
    sums = np.array(start, dtype=np.float64, order="C")
    ways = _flat(receiver, np.int64), _flat(order, np.int64), _flat(target, np.int32)
    _SUM_UP(*ways, _flat(cost, np.float64), sums.size, sums)
    return sums


def way_to_target(
    receiver: NDArray[np.int64], target: IntArray, wanted: int, cell: int
) -> NDArray[np.int64]:
    """
    Cells from one down to the first of a wanted target, or to where its water ends.

    Parameters
    ----------
    receiver, target
        As for `sums_to_target`.
    wanted
        Number of the target; others are passed through.
    cell
        Flat index of the cell to begin at.
    """
    cells = np.empty(receiver.size, dtype=np.int64)
    ways = _flat(receiver, np.int64), _flat(target, np.int32)
    return cells[: _WALK_DOWN(*ways, wanted, cell, cells.size, cells)].copy()


def nearest_marked(marked: BoolArray) -> IntArray:
    """
    Flat index of the marked cell nearest to each cell; a marked cell's own index.

    Of equally near ones the first by column then row counts; where no cell is marked, each cell
    has its own index.

    Parameters
    ----------
    marked
        Shape of the grid.

    Examples
    --------
    >>> nearest_marked(np.array([[True, False, False, True]]))
    array([[0, 0, 3, 3]], dtype=int32)
    """
    if marked.all() or not marked.any():
        return np.arange(marked.size, dtype=np.int32).reshape(marked.shape)
    found = np.empty(marked.shape, dtype=np.int32)
    work = np.empty(3 * marked.shape[1], dtype=np.int64)
    _NEAREST(_flat(marked, np.uint8), *marked.shape, found, work)
    return found


def connected_parts(marked: BoolArray) -> tuple[IntArray, int]:
    """
    Number the connected parts of marked cells, the eight neighbours counting as connected.

    Parameters
    ----------
    marked
        Shape of the grid.

    Returns
    -------
    part
        Number of each cell's part, from 1, by row then column of their first cells; 0 on cells
        that are not marked.
    count
        Number of parts.

    Examples
    --------
    >>> connected_parts(np.array([[True, False, False], [False, True, False], [True, False, True]]))
    (array([[1, 0, 0],
           [0, 1, 0],
           [1, 0, 1]], dtype=int32), 1)
    """
    part = np.zeros(marked.shape, dtype=np.int32)
    queue = np.empty(marked.size, dtype=np.int64)
    return part, _CONNECTED(_flat(marked, np.uint8), *marked.shape, part, queue)
