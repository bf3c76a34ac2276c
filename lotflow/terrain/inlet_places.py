"""Setting drawn inlets on the cells where the water runs, at the level of their rims."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.errors import Fault, InputError
from lotflow.terrain.cells import geometry_cells
from lotflow.terrain.kernels import connected_parts
from lotflow.terrain.routing import Culvert, Drains
from lotflow.terrain.surface import local_fall

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray, Grid, IntArray
    from lotflow.terrain.routing import Routing
    from lotflow.terrain.surface import Surface

#: An inlet this far within a footprint or less stands at the wall, below the eaves [m].
_WALL_REACH_M = 1.5
#: No inlet is set farther than this from where it was drawn [m].
LONGEST_MOVE_M: Final = 1.5


@dataclass(frozen=True)
class DrawnInlet:
    """
    An inlet as the user drew it.

    Parameters
    ----------
    geometry
        Point, line or polygon in the grid's CRS.
    rim
        Level of the rim, absolute [m]; NaN where not given.
    rim_above_ground
        Height of the rim above the ground beside it, as seen on site [m]; NaN where not given.
    """

    name: str
    geometry: Any
    rim: float = np.nan
    rim_above_ground: float = np.nan


@dataclass(frozen=True, eq=False)
class SetInlet:
    """
    An inlet on its cells.

    Parameters
    ----------
    cells
        Flat indices of its cells.
    moved_m
        How far from its drawn place the centre of the cell lies to which a point was moved; 0
        where it was not [m].
    level
        Level at which it takes water, where that is above the ground; None otherwise [m].
    idle_rim
        Height of a rim that stands above the level at which water passes it by; 0 otherwise [m].
    """

    drawn: DrawnInlet
    cells: NDArray[np.int64]
    moved_m: float = 0.0
    level: float | None = None
    idle_rim: float = 0.0


@dataclass(frozen=True)
class BetterPlace:
    """
    A place near an inlet where it would take far more; offered, never taken.

    Parameters
    ----------
    name
        Of the inlet.
    cell
        Flat index.
    away_m
        From where the inlet was drawn [m].
    taken, there
        Cells of the catchment as it was set, and at this place.
    """

    name: str
    cell: int
    away_m: float
    taken: float
    there: float


def _fault(drawn: DrawnInlet, rule: str, remedy: str) -> Fault:
    return Fault(rule, remedy, layer="inlets", column="name", value=drawn.name)


def _usable(drawn: DrawnInlet, surface: Surface) -> tuple[NDArray[np.int64], Fault | None]:
    """Cells of an inlet that are open ground, or why there are none."""
    cells = geometry_cells(drawn.geometry, surface.ground, partial(local_fall, surface))
    if not cells.size:
        return cells, _fault(
            drawn, "lies outside the elevation data that was read",
            "Check its position and CRS, or give elevation data that covers it",
        )  # fmt: skip
    roof = surface.roof.ravel()
    if (roof | surface.wall.ravel())[cells].all():
        beside = [_open_cell_beside(drawn.geometry, int(cell), surface) for cell in cells]
        found = [cell for cell in beside if cell is not None]
        if found:
            return np.unique(np.array(found, dtype=np.int64)), None
        if roof[cells].all():
            return cells[:0], _fault(
                drawn, "lies inside a building", "Move it onto open ground, or mend the footprint"
            )
    cells = cells[~roof[cells]]
    cells = cells[~surface.missing.ravel()[cells]]
    if not cells.size:
        return cells, _fault(
            drawn, "lies where the elevation data has no values",
            "Move it, or give elevation data without the gap",
        )  # fmt: skip
    return cells, None


def _open_cell_beside(geometry: Any, cell: int, surface: Surface) -> int | None:
    """
    Give the open cell nearest to a part of an inlet whose own cell is a building's or a wall's.

    Judged by what was drawn, not by cells: the way to it leads through no wall and no footprint,
    and a part deeper in a footprint than a grate at the wall can be has none.
    """
    grid = surface.ground
    columns = grid.shape[1]
    middle = shapely.Point(*grid.xy(*divmod(cell, columns)))
    place = shapely.get_point(shapely.shortest_line(geometry, middle), 0)
    side, reach = float(grid.transform.a), _WALL_REACH_M / grid.metres_per_unit
    near = [one for one in surface.barriers if one.distance(place) <= reach + 3 * side]
    built = shapely.union_all([one for one in near if one.area])
    if built.intersects(place):
        out = shapely.shortest_line(built.boundary, place)
        if out.length > reach:
            return None
        step = shapely.get_coordinates(out)
        away = step[0] - step[1]
        # a hair beyond the wall, straight out
        place = shapely.Point(step[0] + away / max(np.hypot(*away), 1e-12) * side * 1e-3)
    at = int(np.ceil(reach / side)) + 1
    row, column = grid.row_column(place.x, place.y)
    step = np.arange(-at, at + 1)
    r, c = (part.ravel() for part in np.meshgrid(row + step, column + step, indexing="ij"))
    inside = grid.contains(r, c)
    r, c = r[inside], c[inside]
    is_open = ~(surface.roof | surface.wall | surface.missing)[r, c]
    r, c = r[is_open], c[is_open]
    x, y = grid.xy(r, c)
    for i in np.argsort(np.hypot(x - place.x, y - place.y), kind="stable").tolist():
        # the wall on which a grate was drawn does not part it from its own side
        start = shapely.Point(place.x + 1e-3 * (x[i] - place.x), place.y + 1e-3 * (y[i] - place.y))
        way = shapely.LineString([start, (x[i], y[i])])
        if not any(
            way.intersection(one).length > 1e-6 * side if one.area else way.intersects(one)
            for one in near
        ):
            return int(r[i] * columns + c[i])
    return None


def place_inlets(drawn: Sequence[DrawnInlet], surface: Surface) -> list[SetInlet]:
    """
    Put inlets on the cells they were drawn on.

    Parameters
    ----------
    drawn
        Inlets.
    surface
        What they are set into.

    Raises
    ------
    InputError
        With every inlet that lies outside the data, inside a building or on missing data.
    """
    placed, faults = [], []
    for inlet in drawn:
        cells, fault = _usable(inlet, surface)
        if fault:
            faults.append(fault)
        placed.append(SetInlet(inlet, cells))
    if faults:
        raise InputError(faults)
    return placed


def snap_radius_m(snap_m: float, cell_m: float) -> float:
    """
    Tell how far from its drawn place an inlet may be set [m].

    Parameters
    ----------
    snap_m
        The criterion; 0 switches it off.
    cell_m
        Side of a cell [m]: half of it is no move on the ground.

    Examples
    --------
    >>> snap_radius_m(0.75, 0.5), snap_radius_m(0.75, 2.0), snap_radius_m(0.75, 10.0)
    (0.75, 1.0, 1.5)
    """
    return min(max(snap_m, cell_m / 2), LONGEST_MOVE_M) if snap_m > 0 else 0.0


def away_m(inlet: SetInlet, cells: NDArray[np.int64], grid: Grid) -> FloatArray:
    """Distance of the centres of cells from where a point inlet was drawn [m]."""
    x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
    place = inlet.drawn.geometry
    return np.asarray(np.hypot(x - place.x, y - place.y) * grid.metres_per_unit)


def open_cells_near(inlet: SetInlet, surface: Surface, radius_m: float) -> NDArray[np.int64]:
    """
    Open ground near a point inlet that is not behind a building or wall, as flat indices.

    Centres of cells count within the radius of where it was drawn.
    """
    grid = surface.ground
    rows, columns = grid.shape
    reach = int(radius_m / grid.cell_m) + 1
    row, column = divmod(int(inlet.cells[0]), columns)
    step = np.arange(-reach, reach + 1)
    r, c = (part.ravel() for part in np.meshgrid(row + step, column + step, indexing="ij"))
    inside = (r > 0) & (c > 0) & (r < rows - 1) & (c < columns - 1)
    # by a hair more, for centres exactly as far
    inside &= away_m(inlet, r * columns + c, grid) <= radius_m + 1e-6
    r, c = r[inside], c[inside]
    barred = surface.roof | surface.wall | surface.missing
    # every cell on the straight way must be open, the target too
    clear = np.ones(r.size, dtype=bool)
    for share in np.linspace(0.0, 1.0, 4 * max(reach, 1) + 1)[1:]:
        clear &= ~barred[
            np.rint(row + share * (r - row)).astype(int),
            np.rint(column + share * (c - column)).astype(int),
        ]
    return np.asarray((r * columns + c)[clear], dtype=np.int64)


def best_cell(
    inlet: SetInlet, routing: Routing, radius_m: float, pond_depth: float, *, enough: float = 1.0
) -> int:
    """
    Lowest cell of the low spot a point inlet stands in, else the one most water runs through.

    Parameters
    ----------
    inlet
        On the cell in which it was drawn.
    routing
        Without inlets.
    radius_m
        How far from the drawn place the cell may lie [m].
    pond_depth
        Depth from which the ground counts as a low spot [m].
    enough
        Share of the most water with which a nearer cell is taken.
    """
    cell = int(inlet.cells[0])
    candidates = np.append(open_cells_near(inlet, routing.surface, radius_m), cell)
    depth = routing.depth.ravel()
    elevation = routing.elevation.ravel()
    ponded = candidates[depth[candidates] >= pond_depth]
    if ponded.size:
        score, pool = -elevation, ponded
    else:
        score, pool = routing.total.ravel(), candidates
    best = score[pool].max()
    # an inlet that stands as well where it was drawn stays there
    if cell in pool and score[cell] == best:
        return cell
    good = pool[score[pool] >= (best if ponded.size else enough * best)]
    away = away_m(inlet, good, routing.surface.ground) if enough < 1 else np.zeros(good.size)
    return int(good[away == away.min()].min())


def set_at(inlet: SetInlet, cell: int, grid: Grid) -> SetInlet:
    """
    Set a point inlet on a cell.

    Parameters
    ----------
    inlet
        On the cell in which it was drawn.
    cell
        Flat index; its own means that it is not moved.
    """
    cells = np.array([cell], dtype=np.int64)
    if cell == inlet.cells[0]:
        return inlet
    return replace(inlet, cells=cells, moved_m=float(away_m(inlet, cells, grid)[0]))


def snap_inlets(
    placed: Sequence[SetInlet], natural: Routing, *, radius_m: float, pond_depth: float
) -> list[SetInlet]:
    """
    Move point inlets to where the water runs, as an installer would set them.

    Parameters
    ----------
    placed
        From `place_inlets`.
    natural
        Routing without inlets.
    radius_m
        How far from its drawn place an inlet may be set, see `snap_radius_m` [m]; never across
        a building or wall.
    pond_depth
        Depth from which the ground counts as a low spot, whose lowest cell is wanted [m].
    """
    grid = natural.surface.ground
    return [
        set_at(inlet, best_cell(inlet, natural, radius_m, pond_depth), grid)
        if inlet.drawn.geometry.geom_type == "Point" and radius_m > 0 else inlet
        for inlet in placed
    ]  # fmt: skip


def set_rims(placed: Sequence[SetInlet], natural: Routing, *, rmse: float) -> list[SetInlet]:
    """
    Let a rim that stands above the ground hold water back.

    An absolute rim level counts only where it exceeds the ground by more than twice the error
    of the elevation data; a height seen on site always does. Where water passes an inlet by
    before it reaches the rim, the rim is said to be idle and the catchment is kept: a
    centimetre must not take it away while the elevation is good to ten.

    Parameters
    ----------
    placed
        Inlets on their cells.
    natural
        Routing without inlets.
    rmse
        Vertical accuracy of the elevation data [m].
    """
    result = []
    for inlet in placed:
        ground = float(natural.elevation.ravel()[inlet.cells].min())
        rim = inlet.drawn.rim
        height = inlet.drawn.rim_above_ground
        if np.isnan(height):
            height = rim - ground if rim - ground > 2 * rmse else 0.0
        result.append(_with_rim(inlet, natural, ground, height))
    return result


def _with_rim(inlet: SetInlet, natural: Routing, ground: float, height: float) -> SetInlet:
    """Let a rim act where water can rise to it before it leaves."""
    if not height > 0:
        return inlet
    spill = float(natural.field.filled.ravel()[inlet.cells].max())
    if spill >= ground + height:
        return replace(inlet, level=ground + height)
    return replace(inlet, idle_rim=height)


def inlet_numbers(
    placed: Sequence[SetInlet], shape: tuple[int, int]
) -> tuple[IntArray, list[tuple[str, str]]]:
    """
    Number the cells of inlets; where two share a cell the smaller one keeps it.

    Parameters
    ----------
    placed
        Inlets on their cells, numbered from 1 in this order.

    Returns
    -------
    number
        Number of the inlet on each cell, 0 where there is none.
    hidden
        Names of inlets that lost all their cells, each with the one that has them.
    """
    number = np.zeros(shape, dtype=np.int32)
    flat = number.ravel()
    # a basin at the end of a channel drain keeps its own cell
    by_size = sorted(range(len(placed)), key=lambda i: (placed[i].cells.size, i))
    hidden = []
    for position in by_size:
        free = placed[position].cells[flat[placed[position].cells] == 0]
        if not free.size:
            owner = placed[int(flat[placed[position].cells[0]]) - 1]
            hidden.append((placed[position].drawn.name, owner.drawn.name))
        flat[free] = position + 1
    return number, hidden


def drains_of(
    placed: Sequence[SetInlet], surface: Surface, culverts: Sequence[Culvert] = ()
) -> tuple[Drains, list[tuple[str, str]]]:
    """
    Give the drains of a set of inlets.

    Parameters
    ----------
    placed
        Inlets on their cells, with their levels.
    surface
        What they are set into.

    Returns
    -------
    drains, hidden
        For `routing.route`; and the inlets hidden by others, see `inlet_numbers`.
    """
    number, hidden = inlet_numbers(placed, surface.ground.shape)
    level = {
        position: inlet.level
        for position, inlet in enumerate(placed, start=1)
        if inlet.level is not None
    }
    return Drains(number, level, tuple(culverts), len(placed)), hidden


def residual_depth(inlet: SetInlet, routing: Routing) -> float:
    """
    Depth that stays standing beside an inlet because it is not the lowest point [m].

    Parameters
    ----------
    routing
        With inlets.
    """
    ground = routing.surface.elevation
    filled = routing.field.filled
    rows, columns = ground.shape
    row, column = inlet.cells // columns, inlet.cells % columns
    first_row, last_row = max(row.min() - 1, 0), min(row.max() + 2, rows)
    first_column, last_column = max(column.min() - 1, 0), min(column.max() + 2, columns)
    # each cell of a channel on uneven ground takes water at its own level
    levels = np.unique(routing.elevation.ravel()[inlet.cells])
    # water held at a level of the inlet, not a pond of its own beside it
    held = (filled - ground > 1e-5) & (_distance_to(levels, filled) < 1e-5)
    pond, _ = connected_parts(held)
    beside = np.unique(pond[first_row:last_row, first_column:last_column])
    beside = beside[beside > 0]
    if not beside.size:
        return 0.0
    return float((filled - ground)[np.isin(pond, beside)].max())


def _distance_to(levels: FloatArray, values: FloatArray) -> FloatArray:
    """Distance of each value to the nearest of rising levels."""
    above = np.clip(np.searchsorted(levels, values), 0, levels.size - 1)
    below = np.maximum(above - 1, 0)
    return np.asarray(np.minimum(np.abs(values - levels[above]), np.abs(values - levels[below])))
