"""The way of each cell's water to where it is taken: which target, how far, over what ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import BoolArray, FloatArray, IntArray
from lotflow.terrain.kernels import sums_to_target, way_to_target

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.terrain.routing import Culvert, Routing


@dataclass(frozen=True, eq=False)
class Courses:
    """
    The way of the water to a set of targets, through culverts too.

    Parameters
    ----------
    routing
        Gives the directions.
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
    routing
        Gives the directions.
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
    """
    Tell from which cells the whole way to the target, the target apart, is over good ground.

    Parameters
    ----------
    courses
        To the targets.
    good
        Cells of such ground.
    """
    broken = courses.sums((~good).astype(np.float64))
    return np.asarray((broken == 0.0) & (courses.label > 0))


def path_distance_m(cells: NDArray[np.int64], columns: int, cell_m: float) -> FloatArray:
    """
    Distance along a way from its first cell.

    Parameters
    ----------
    cells
        Flat indices, downhill.
    columns
        Of the grid.
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
