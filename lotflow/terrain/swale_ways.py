"""
Ways for a swale round a building, on the lot's own ground, back into the water's way of today.

Water that falls to a wall can be led off only where ground falls: along such a way a shallow bed
falls all along, keeps off buildings, paving and the lot line, and ends where this water runs today,
so that no more of it leaves the lot than now.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.level_error import SPREAD_95
from lotflow.terrain.loops.neighbours import COLUMN_STEP, ROW_STEP
from lotflow.terrain.lower_places import open_ground

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray
    from lotflow.terrain.house_ring import Facade
    from lotflow.terrain.surface import Surface

#: A swale keeps so far off buildings [m]: 5 ft (US DOE Building America, of downspouts).
WALL_M: Final = 1.524
#: And so far within the lot line [m]: 3 ft, common practice, no published source.
LINE_M: Final = 0.9144
#: Least fall of its bed [-] (Willard OH).
LEAST_FALL: Final = 0.01
#: Deepest cut that its bed takes into the ground as surveyed, beside its own depth [m]: lotflow's
#: choice, no published source. A deeper one is a ditch, and its banks need room.
MOST_CUT_M: Final = 0.15
#: It begins no farther from the wall [m]: 10 ft and a cell or two.
_BEGINS_M: Final = 4.0
#: It ends in the way of today's water, so far off all buildings [m]: 10 ft.
_ENDS_M: Final = 3.048
#: A longer way is worth looking at where its bed is so much higher [m].
_HIGHER_M: Final = 0.01
#: No way is longer [m].
_FARTHEST_M: Final = 120.0


@dataclass(frozen=True, eq=False)
class SwaleWay:
    """
    A way for a swale from before a wall.

    Parameters
    ----------
    wall
        Name of the facade.
    line
        Downhill, in the grid's CRS.
    length_m, fall_m
        Of the ground between its ends [m].
    cut_m
        Deepest cut of its bed into the ground as surveyed [m].
    """

    wall: str
    line: Any
    length_m: float
    fall_m: float
    cut_m: float


def swale_ways(
    facades: Sequence[Facade],
    surface: Surface,
    receiver: NDArray[np.int64],
    *,
    lot: Any,
    buildings: Any,
    kept_clear: BoolArray,
    hollows: BoolArray,
    rmse_m: float,
) -> list[SwaleWay]:
    """
    Find, for each facade to which the ground falls, a way for a swale round the building.

    Parameters
    ----------
    facades
        Only those "too flat" of which the ground falls towards the wall are looked at.
    surface
        The ground; nothing leads under roofs or where data are missing.
    receiver
        Cell that each cell drains to today, flat.
    lot, buildings
        In the grid's CRS, buildings as one geometry.
    kept_clear
        Cells that no swale is cut through: paving, walks, open water.
    hollows
        Cells of low spots on the lot: water that runs to one has to be led elsewhere, not faster.
    rmse_m
        Vertical error of the data: a way must fall by more than it may be wrong.

    Returns
    -------
    ways
        At most one for each facade. Water runs off the middle of the wall along it, the bed falling
        by 1 % all along with a shallow cut, to where today's water from there, past the wall, runs
        on the lot 10 ft off all buildings.
    """
    grid = surface.ground
    unit = grid.metres_per_unit
    ground = open_ground(surface)
    free = np.isfinite(ground) & ~kept_clear
    free &= polygon_cells(lot.buffer(-LINE_M / unit), grid)
    at_wall = polygon_cells(buildings.buffer(WALL_M / unit), grid)
    free &= ~at_wall
    ends = polygon_cells(lot, grid) & ~polygon_cells(buildings.buffer(_ENDS_M / unit), grid)
    found = []
    for facade in facades:
        if facade.verdict != "too flat" or not facade.slope < 0:
            continue
        start = _start(facade, free, surface, unit)
        if start is None:
            continue
        today = _downhill(start, receiver)
        if not at_wall.ravel()[today].any() or hollows.ravel()[today].any():
            continue  # its water comes to no wall, or stands on its way
        # past the wall, once it is 10 ft off all buildings; it may come near another farther on
        past = int(np.argmax(at_wall.ravel()[today]))
        on = today[past:][ends.ravel()[today[past:]]]
        way = _shortest_way(start, set(on.tolist()), ground, free, grid.cell_m)
        if way is None:
            continue
        cells, cut, length = way
        fall = float(ground.ravel()[cells[0]] - ground.ravel()[cells[-1]])
        if fall - LEAST_FALL * length < SPREAD_95 * np.sqrt(2.0) * rmse_m:
            continue
        x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
        line = shapely.LineString(np.column_stack([x, y]))
        found.append(SwaleWay(facade.name, line, length, fall, cut))
    return found


def _start(facade: Facade, free: BoolArray, surface: Surface, unit: float) -> int | None:
    """Cell before the middle of a wall, as near as a swale may come; None where there is none."""
    east, north = facade.outward
    middle = facade.line.interpolate(0.5, normalized=True)
    grid = surface.ground
    for out in np.arange(WALL_M, _BEGINS_M, 0.5 * grid.cell_m):
        row, column = grid.row_column(middle.x + east * out / unit, middle.y + north * out / unit)
        if grid.contains(row, column) and free[row, column]:
            return int(row) * grid.shape[1] + int(column)
    return None


def _downhill(start: int, receiver: NDArray[np.int64]) -> NDArray[np.int64]:
    """Cells from one to the drain it ends in."""
    cells = [start]
    while (below := int(receiver[cells[-1]])) != cells[-1]:
        cells.append(below)
    return np.array(cells, dtype=np.int64)


def _shortest_way(
    start: int, ends: set[int], ground: FloatArray, free: BoolArray, cell_m: float
) -> tuple[NDArray[np.int64], float, float] | None:
    """
    Shortest way along which a shallow bed falls all along, with its deepest cut and length.

    The bed is the ground, or lower: it falls by its least fall from cell to cell. Shortest first;
    a cell is gone on from again only where a longer way reaches it higher.
    """
    level, may = ground.ravel(), free.ravel()
    # length, bed, cell, deepest cut, label it came from
    labels: list[tuple[int, int]] = [(start, -1)]
    heap = [(0.0, -float(level[start]), start, 0.0, 0)]
    best: dict[int, float] = {}
    while heap:
        length, minus_bed, cell, cut, label = heapq.heappop(heap)
        if -minus_bed <= best.get(cell, -np.inf) + _HIGHER_M:
            continue
        best[cell] = -minus_bed
        if cell in ends and cell != start:
            cells = []
            while label >= 0:
                cells.append(labels[label][0])
                label = labels[label][1]
            return np.array(cells[::-1], dtype=np.int64), cut, length
        for other, steps in _around(cell, may, ground.shape):
            if not (may[other] or (other in ends and np.isfinite(level[other]))):
                continue
            step = cell_m * steps
            bed = min(float(level[other]), -minus_bed - LEAST_FALL * step)
            deep = float(level[other]) - bed
            far = length + step
            if deep > MOST_CUT_M or far > _FARTHEST_M:
                continue
            if bed <= best.get(other, -np.inf) + _HIGHER_M:
                continue
            labels.append((other, label))
            heapq.heappush(heap, (far, -bed, other, max(cut, deep), len(labels) - 1))
    return None


def _around(
    cell: int, may: NDArray[np.bool_], shape: tuple[int, ...]
) -> Iterator[tuple[int, float]]:
    """Neighbours of a cell with the way there in cells; none across a corner of what is barred."""
    rows, columns = shape
    row, column = divmod(cell, columns)
    for down, across in zip(ROW_STEP[1:].tolist(), COLUMN_STEP[1:].tolist(), strict=True):
        r, c = row + down, column + across
        if not (0 <= r < rows and 0 <= c < columns):
            continue
        if down and across and not (may[row * columns + c] and may[r * columns + column]):
            continue
        yield r * columns + c, float(np.hypot(down, across))
