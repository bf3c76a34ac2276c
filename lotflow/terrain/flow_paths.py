"""Where water runs: lines from confluence to confluence, and each cell's way to a target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, FloatArray, IntArray
from lotflow.terrain.cells import highest_around, lowest_around
from lotflow.terrain.kernels import sums_to_target, way_to_target
from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import Grid
    from lotflow.terrain.routing import Culvert, Routing


@dataclass(frozen=True, eq=False)
class Courses:
    """
    The way of the water to a set of targets, through culverts too.

    Parameters
    ----------
    target
        Shape of the grid: number of the target on each cell, from 1; 0 elsewhere.
    label
        Shape of the grid: number of the first target on the way of the water of each ground
        cell; 0 where it meets none.
    receiver, through
        Flat index of the cell each cell drains to, its own at drains; the second leads on
        through culverts.
    """

    routing: Routing
    target: IntArray
    label: IntArray
    receiver: NDArray[np.int64]
    through: NDArray[np.int64]

    @property
    def count(self) -> int:
        """Number of targets that have cells."""
        return int(self.target.max(initial=0))

    def step_m(self) -> FloatArray:
        """Shape of the grid: length of the step from each cell to the next [m]."""
        direction = self.routing.field.direction
        diagonal = (direction > 0) & (direction % 2 == 0)
        return np.where(diagonal, np.sqrt(2.0), 1.0) * self.routing.surface.ground.cell_m

    def sums(self, cost: FloatArray, culvert_cost: Sequence[float] = ()) -> FloatArray:
        """
        Add up along each cell's way to its target.

        Parameters
        ----------
        cost
            Shape of the grid: what the step from each cell to the next costs.
        culvert_cost
            What each culvert costs; nothing where not given.

        Returns
        -------
        sums
            Shape of the grid; 0 on targets. Meaningless where a cell meets no target.
        """
        culverts, order = self.routing.drains.culverts, self.routing.field.order
        own = list(culvert_cost) or [0.0] * len(culverts)
        start = np.zeros(self.target.shape)
        sums = sums_to_target(self.receiver, order, self.target, cost, start)
        # what comes out of a culvert may run into the next one
        for _ in culverts:
            for culvert, price in zip(culverts, own, strict=True):
                start.ravel()[culvert.up_cell] = price + sums.ravel()[culvert.down_cell]
            sums = sums_to_target(self.receiver, order, self.target, cost, start)
        return sums

    def length_m(self) -> FloatArray:
        """Shape of the grid: length of each cell's way to its target [m]."""
        ground = self.routing.surface.ground
        culverts = self.routing.drains.culverts
        return self.sums(
            self.step_m(), [_straight(one, ground.shape[1]) * ground.cell_m for one in culverts]
        )

    def way(self, cell: int, target: int) -> NDArray[np.int64]:
        """
        Cells from one down to the first of a target.

        Parameters
        ----------
        cell
            Flat index of the cell to start from; its water must reach the target.
        target
            Number of the target; others on the way are passed through.
        """
        return way_to_target(self.through, self.target, target, cell)


def _straight(culvert: Culvert, columns: int) -> float:
    """Straight length of a culvert [cells]."""
    up, down = divmod(culvert.up_cell, columns), divmod(culvert.down_cell, columns)
    return float(np.hypot(up[0] - down[0], up[1] - down[1]))


def courses_to(routing: Routing, target: IntArray) -> Courses:
    """
    Find the first target on the way of each cell's water.

    Parameters
    ----------
    target
        Number of the target on each cell, from 1; 0 elsewhere.
    """
    asked = target.astype(np.int32)
    number = asked.copy()
    receiver = routing.receivers().ravel()
    through = receiver.copy()
    label = routing.field.labels(number)
    for _ in routing.drains.culverts:
        for culvert in routing.drains.culverts:
            through[culvert.up_cell] = culvert.down_cell
            if not asked.ravel()[culvert.up_cell]:
                number.ravel()[culvert.up_cell] = label.ravel()[culvert.down_cell]
        label = routing.field.labels(number)
    return Courses(routing, asked, label, receiver, through)


def is_unbroken(courses: Courses, good: BoolArray) -> BoolArray:
    """Tell from which cells the whole way to the target, the target apart, is over good ground."""
    broken = courses.sums((~good).astype(np.float64))
    return np.asarray((broken == 0.0) & (courses.label > 0))


def path_distance_m(cells: NDArray[np.int64], columns: int, cell_m: float) -> FloatArray:
    """
    Distance along a way from its first cell.

    Parameters
    ----------
    cells
        Flat indices, downhill.
    cell_m
        Side of a cell [m].

    Returns
    -------
    distance
        Shape of `cells`, from 0 [m].

    Examples
    --------
    >>> path_distance_m(np.array([0, 1, 12]), 10, 0.5).round(3).tolist()
    [0.0, 0.5, 1.207]
    """
    steps = np.hypot(np.diff(cells // columns), np.diff(cells % columns))
    return np.concatenate([[0.0], np.cumsum(steps * cell_m)])


#: Half the breadth of filled ground up to which the course of water counts as known [m].
_CERTAIN_M: Final = 1.5


@dataclass(frozen=True, eq=False)
class FlowPath:
    """
    One reach of a flow path.

    Parameters
    ----------
    cells
        Flat indices downhill, from its head or a confluence to the next one, that included.
    area
        Cells' worth of rain that passes its last own cell.
    order
        Strahler order: 1 at heads, one more where two reaches of the same order meet.
    ponded_share
        Share of its cells that lie on broad filled ground, where the course is uncertain.
    """

    cells: NDArray[np.int64]
    area: float
    order: int
    ponded_share: float


def path_length(path: FlowPath, grid: Grid) -> float:
    """
    Length of a flow path, from middle to middle of its cells [m].

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.zeros((3, 3)), Affine(2.0, 0.0, 0.0, 0.0, -2.0, 6.0), None)
    >>> round(path_length(FlowPath(np.array([0, 4, 5]), 9.0, 1, 0.0), grid), 2)
    4.83
    """
    row, column = np.divmod(path.cells, grid.shape[1])
    return float(np.hypot(np.diff(row), np.diff(column)).sum()) * grid.cell_m


def _reaches(
    stream: BoolArray, receiver: NDArray[np.int64], uphill_first: NDArray[np.int64]
) -> list[list[int]]:
    """Cells of each reach; reaches that end in a confluence stand before the one they join."""
    inflow = np.bincount(receiver[stream & (receiver != np.arange(receiver.size))],
                         minlength=receiver.size)  # fmt: skip
    starts = stream & (inflow != 1)
    reaches = []
    for start in uphill_first[starts[uphill_first]].tolist():
        cells = [start]
        while True:
            below = int(receiver[cells[-1]])
            if below == cells[-1]:
                break
            cells.append(below)
            if inflow[below] != 1 or not stream[below]:
                break
        if len(cells) > 1:
            reaches.append(cells)
    return reaches


def broad(filled: BoolArray, cell_m: float) -> BoolArray:
    """
    Keep the filled ground on which the course of water is uncertain.

    Across a pond narrower than about 3 m the course is known well enough, however shallow the
    channel: a dip in the bed of a gully does not hide the gully.

    Parameters
    ----------
    cell_m
        Side of a cell [m].

    Examples
    --------
    >>> broad(np.array([[True, True, True, False]] * 3), 1.0)[0].tolist()
    [True, True, True, False]
    >>> bool(broad(np.array([[False, True, False]] * 3), 1.0).any())
    False
    """
    reach = int(_CERTAIN_M / cell_m)
    return highest_around(lowest_around(filled, reach), reach)


def flow_paths(routing: Routing, least_m2: float) -> list[FlowPath]:
    """
    Trace where at least so much water runs.

    Parameters
    ----------
    routing
        Gives directions and what passes through each cell.
    least_m2
        Smallest contributing area.

    Returns
    -------
    paths
        Reaches, upstream ones first.

    References
    ----------
    Strahler (1957), Quantitative analysis of watershed geomorphology, Transactions of the
    American Geophysical Union 38.
    """
    total = routing.total.ravel()
    stream = (total >= least_m2 / routing.surface.ground.cell_m2) & ~routing.surface.roof.ravel()
    stream &= (routing.field.direction > 0).ravel() | (routing.drains.inlet > 0).ravel()
    receiver = receivers(routing.field).ravel()
    ponded = broad(routing.depth > 0, routing.surface.ground.cell_m).ravel()
    arriving: dict[int, list[int]] = {}
    paths = []
    for cells in _reaches(stream, receiver, routing.field.order[::-1]):
        orders = sorted(arriving.get(cells[0], []), reverse=True)
        order = 1
        if orders:
            order = orders[0] + (1 if len(orders) > 1 and orders[1] == orders[0] else 0)
        arriving.setdefault(cells[-1], []).append(order)
        paths.append(
            FlowPath(
                cells=np.array(cells, dtype=np.int64),
                area=float(total[cells[-2]]),
                order=order,
                ponded_share=float(ponded[cells].mean()),
            )
        )
    return paths
