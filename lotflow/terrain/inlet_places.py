"""Setting drawn inlets on the cells where the water runs, at the level of their rims."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.errors import Fault, InputError
from lotflow.terrain.cells import geometry_cells
from lotflow.terrain.kernels import connected_parts
from lotflow.terrain.routing import Culvert, Drains
from lotflow.terrain.slope import local_fall

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray, IntArray
    from lotflow.terrain.routing import Routing
    from lotflow.terrain.surface import Surface

#: An inlet this close to a footprint that covers its cell stands at the wall, not in it [m].
_WALL_REACH_M = 1.5


@dataclass(frozen=True)
class DrawnInlet:
    """
    An inlet as the user drew it.

    Parameters
    ----------
    name
        Its name.
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
    drawn
        As it was drawn.
    cells
        Flat indices of its cells.
    moved_m
        How far a point was moved [m].
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


def _fault(drawn: DrawnInlet, rule: str, remedy: str) -> Fault:
    return Fault(rule, remedy, layer="inlets", column="name", value=drawn.name)


def _usable(
    drawn: DrawnInlet, surface: Surface
) -> tuple[NDArray[np.int64], Fault | None]:  # fmt: skip
    """Cells of an inlet that are ground, or why there are none."""
    grid = surface.ground
    cells = geometry_cells(drawn.geometry, grid, partial(local_fall, surface))
    if not cells.size:
        return cells, _fault(
            drawn, "lies outside the elevation data that was read",
            "Check its position and CRS, or give elevation data that covers it",
        )  # fmt: skip
    roof = surface.roof.ravel()
    if roof[cells].all():
        at_wall = np.unique(surface.eave_cell.ravel()[cells])
        columns = grid.shape[1]
        away = np.hypot(at_wall[0] // columns - cells[0] // columns,
                        at_wall[0] % columns - cells[0] % columns)  # fmt: skip
        if away * grid.cell_m > _WALL_REACH_M:
            return cells[:0], _fault(
                drawn, "lies inside a building", "Move it onto open ground, or mend the footprint"
            )
        return at_wall.astype(np.int64), None
    cells = cells[~roof[cells]]
    cells = cells[~surface.missing.ravel()[cells]]
    if not cells.size:
        return cells, _fault(
            drawn, "lies where the elevation data has no values",
            "Move it, or give elevation data without the gap",
        )  # fmt: skip
    return cells, None


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


def open_cells_near(cell: int, surface: Surface, radius_cells: float) -> NDArray[np.int64]:
    """
    Open ground within a radius that is not behind a building or wall, as flat indices.

    Parameters
    ----------
    cell
        Flat index of the middle.
    surface
        Gives buildings, walls and missing data.
    radius_cells
        Radius [cells].
    """
    rows, columns = surface.ground.shape
    reach = int(radius_cells)
    row, column = divmod(cell, columns)
    step = np.arange(-reach, reach + 1)
    dr, dc = (part.ravel() for part in np.meshgrid(step, step, indexing="ij"))
    near = dr**2 + dc**2 <= radius_cells**2
    r, c = row + dr[near], column + dc[near]
    inside = (r > 0) & (c > 0) & (r < rows - 1) & (c < columns - 1)
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


def _best_cell(cell: int, routing: Routing, radius_cells: float, pond_depth: float) -> int:
    """Lowest cell of the low spot the inlet stands in, else the one most water runs through."""
    candidates = np.append(open_cells_near(cell, routing.surface, radius_cells), cell)
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
    return int(pool[score[pool] == best].min())


def snap_inlets(
    placed: Sequence[SetInlet], natural: Routing, *, radius_cells: float, pond_depth: float
) -> list[SetInlet]:
    """
    Move point inlets to where the water runs, as an installer would set them.

    Parameters
    ----------
    placed
        From `place_inlets`.
    natural
        Routing without inlets.
    radius_cells
        How far an inlet may be moved [cells]; never across a building or wall.
    pond_depth
        Depth from which the ground counts as a low spot, whose lowest cell is wanted [m].
    """
    snapped = []
    columns = natural.surface.ground.shape[1]
    for inlet in placed:
        if inlet.drawn.geometry.geom_type != "Point" or radius_cells < 1:
            snapped.append(inlet)
            continue
        cell = int(inlet.cells[0])
        best = _best_cell(cell, natural, radius_cells, pond_depth)
        away = np.hypot(best // columns - cell // columns, best % columns - cell % columns)
        snapped.append(
            replace(
                inlet,
                cells=np.array([best], dtype=np.int64),
                moved_m=float(away * natural.surface.ground.cell_m),
            )
        )
    return snapped


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
    shape
        Of the grid.

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
    culverts
        On their cells.

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
    inlet
        On its cells.
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
