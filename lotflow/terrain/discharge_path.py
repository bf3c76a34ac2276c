"""Where water goes that is let out on the ground: into a low spot, an inlet, over the lot line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
import shapely.ops

from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.routing import Routing

#: Ground beyond the lot over which water may run before it must have reached a street [m].
VERGE_M: Final = 8.0
#: Distance from a wall that water is to keep [m]: 5 ft.
WALL_DISTANCE_M: Final = 1.524


@dataclass(frozen=True, eq=False)
class DischargePath:
    """
    The way of water from where it is let out.

    Parameters
    ----------
    line
        In the grid's CRS, downhill; None where it ends where it begins.
    cells
        Flat indices of its cells, downhill.
    inlet
        Number of the inlet that takes it, from 1; 0 for none.
    low_spot
        Number of the first low spot it runs into, artefacts left out; 0 for none.
    leaves_at
        Where it leaves the lot; None where it does not.
    to_low_spot_m, fall_to_low_spot_m
        Length of the way to that low spot, and how far the ground falls on it [m]; NaN without.
    """

    line: Any
    cells: NDArray[np.int64]
    inlet: int
    low_spot: int
    leaves_at: tuple[float, float] | None
    to_low_spot_m: float = float("nan")
    fall_to_low_spot_m: float = float("nan")


def discharge_path(
    routing: Routing, spots: LowSpots, lot: BoolArray, xy: tuple[float, float]
) -> DischargePath | None:
    """
    Follow water over the surface from a place.

    Parameters
    ----------
    routing
        With the inlets of the case.
    spots
        Low spots without inlets.
    xy
        Where it is let out; under a roof the nearest open ground counts.

    Returns
    -------
    path
        None where the place lies off the grid.
    """
    grid = routing.surface.ground
    row, column = grid.row_column(*xy)
    if not grid.contains(row, column):
        return None
    start = int(routing.surface.eave_cell[row, column])
    cells = _downhill(start, receivers(routing.field).ravel())
    x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
    number = spots.number.ravel()[cells]
    believed = np.array([True, *(not doubt for doubt in spots.artefact)])
    met = np.flatnonzero((number > 0) & believed[number])
    length, fall = float("nan"), float("nan")
    if met.size:
        on_way = slice(0, int(met[0]) + 1)
        length = float(np.hypot(np.diff(x[on_way]), np.diff(y[on_way])).sum())
        ground = grid.values.ravel()
        fall = float(ground[start] - ground[cells[met[0]]])
    inside = lot.ravel()[cells]
    out = np.flatnonzero(inside[:-1] & ~inside[1:])
    last = int(out[-1]) + 1 if out.size and not inside[-1] else 0
    return DischargePath(
        line=shapely.LineString(np.column_stack([x, y])) if cells.size > 1 else None,
        cells=cells,
        inlet=int(routing.drains.inlet.ravel()[cells[-1]]),
        low_spot=int(number[met[0]]) if met.size else 0,
        leaves_at=(float(x[last]), float(y[last])) if last else None,
        to_low_spot_m=length * grid.metres_per_unit,
        fall_to_low_spot_m=fall,
    )


def _downhill(start: int, receiver: NDArray[np.int64]) -> NDArray[np.int64]:
    """Cells from one to the drain it ends in."""
    cells = [start]
    while (below := int(receiver[cells[-1]])) != cells[-1]:
        cells.append(below)
    return np.array(cells, dtype=np.int64)


def runs_back_to(path: DischargePath, walls: Any, metres_per_unit: float) -> float:
    """
    Least distance from buildings of water that was let out clear of them.

    Parameters
    ----------
    walls
        The buildings as one geometry, in the grid's CRS.
    metres_per_unit
        Of that CRS.

    Returns
    -------
    distance
        NaN where it was let out within `WALL_DISTANCE_M` of one, or has no way [m].
    """
    if path.line is None or walls is None or walls.is_empty:
        return float("nan")
    start = shapely.Point(path.line.coords[0])
    if start.distance(walls) * metres_per_unit < WALL_DISTANCE_M:
        return float("nan")
    return float(path.line.distance(walls)) * metres_per_unit


#: Water that leaves so near to a stretch of the lot line at which it may leaves there [m].
_AT_END_M: Final = 2.0


def leaves_where_allowed(
    path: DischargePath, allowed: Sequence[Any], metres_per_unit: float
) -> bool:
    """
    Tell whether water leaves the lot at a stretch of its line at which it may.

    Parameters
    ----------
    path
        Where it goes.
    allowed
        Those stretches, in the grid's CRS.
    metres_per_unit
        Of that CRS.
    """
    if path.leaves_at is None:
        return False
    at = shapely.Point(path.leaves_at)
    return any(one.distance(at) * metres_per_unit <= _AT_END_M for one in allowed)


def reaches_street(path: DischargePath, streets: Sequence[Any], metres_per_unit: float) -> bool:
    """
    Tell whether water that leaves the lot reaches a street within a verge's width.

    Parameters
    ----------
    path
        Where it goes; it leaves the lot.
    streets
        Streets and sidewalks in the grid's CRS.
    metres_per_unit
        Of that CRS.
    """
    if path.leaves_at is None or path.line is None:
        return False
    beyond = shapely.line_locate_point(path.line, shapely.Point(path.leaves_at))
    verge = shapely.ops.substring(path.line, beyond, beyond + VERGE_M / metres_per_unit)
    return any(verge.intersects(street) for street in streets)
