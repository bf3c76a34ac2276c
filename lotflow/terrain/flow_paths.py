"""Where water runs, as lines drawn downhill from confluence to confluence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.terrain.neighbourhoods import highest_around, lowest_around
from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, Grid
    from lotflow.terrain.routing import Routing

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

    Parameters
    ----------
    path
        On the grid.
    grid
        Gives its cells.

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
    filled
        Cells of filled ground.
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
