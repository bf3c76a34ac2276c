"""How much ground is read: all whose water is of interest, and what closes its basins."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np
import shapely

from lotflow.errors import Fault, InputError
from lotflow.inputs.elevation import Elevation, ElevationSource, read_elevation
from lotflow.inputs.site_checks import datum_of, level_faults, raster_unit_findings
from lotflow.inputs.surface_checks import level_check, rounding_check
from lotflow.layers.drawn import cases_of, in_case
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.closure import (
    Interest,
    Unfinished,
    coarse_water,
    ground_of_interest,
    held_behind_ring,
    unfinished_at_ring,
)
from lotflow.terrain.downspouts import case_roofs
from lotflow.terrain.inlets import cells_of_interest, drawn_inlets
from lotflow.terrain.low_spots import inflow_cells
from lotflow.terrain.lower_places import sampled
from lotflow.terrain.routing import Culvert, Routing, no_drains, route
from lotflow.terrain.surface import Surface, prepare_surface
from lotflow.units import both_units

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.inputs.job import Job
    from lotflow.inputs.site import Site
    from lotflow.terrain.drainage import FlowField

#: Ground kept round lot and inlets [m], and round what else is drawn.
FIRST_MARGIN_M: Final = 30.0
_DRAWN_MARGIN_M: Final = 3.0
#: Ground looked at round these, at most [m]: with cells of 1 m just within the next limit.
MARGIN_LIMIT_M: Final = 960.0
#: Not more is looked at [cells]: it takes some seconds.
CELLS_LIMIT: Final = 4_000_000
#: So much is looked at in any case, if it is no farther away than this [cells, m]: it costs a
#: tenth of a second.
_CHEAP_CELLS: Final = 160_000
_CHEAP_MARGIN_M: Final = 240.0
#: So much is looked at on a coarse view, if it is within the limit of margins [cells].
_FAR_CELLS: Final = 1_000_000
#: Water that has fallen this much on its way out is not held back by what lies beyond [m].
_FALLEN_M: Final = 2.0
#: Fewer cells than this tell nothing of a lot.
_LEAST_LOT_CELLS: Final = 20
#: What is drawn farther from the lot than this is not of this lot [m].
_REACH_M: Final = 300.0
#: Cells kept beyond the ground of interest, for the steps to where water leaves it.
_RIM_CELLS: Final = 3

Bounds = tuple[float, float, float, float]
Margins = dict[str, float]
_SIDES: Final = ("west", "south", "east", "north")


@dataclass(frozen=True, eq=False)
class StudyWindow:
    """
    The ground of a study.

    Parameters
    ----------
    elevation
        What was read.
    surface
        What water runs on.
    lot
        Cells of the lot.
    culverts
        On their cells.
    entering
        Cells of interest to which the water of basins may come that the edge of the data cuts.
    held
        Cells of interest whose water may stand higher than found, held back beyond that edge.
    """

    elevation: Elevation
    surface: Surface
    lot: BoolArray
    culverts: tuple[Culvert, ...]
    entering: BoolArray
    held: BoolArray

    def inflow(self, routing: Routing) -> BoolArray:
        """
        Cells to which water may come from beyond what is known.

        Parameters
        ----------
        routing
            Of this window.
        """
        return inflow_cells(self.surface, routing.field.filled) | self.entering


def study_window(source: ElevationSource, site: Site, job: Job) -> StudyWindow:
    """
    Read the ground of a study.

    First it is looked how far the water of interest reaches: over more and more ground, until
    all that drains to lot and inlets, and all that may hold their water back, lies within it.
    Water that falls far on its way out is taken to leave, unless it stands as high again on a
    coarse view of the ground farther on. Then no more is read than that, with a margin, and it
    is made sure that the water of interest runs and stands there as on all the ground looked at.

    Parameters
    ----------
    source
        Elevation data.
    site
        In the grid's CRS.
    job
        Gives criteria, accuracy, direction rule and margin.

    Raises
    ------
    InputError
        If the lot is not covered by the data, too small for their cells, has no elevation or only
        one, something drawn lies far from the lot, or a level is not possible on its ground.
    """
    lot = site.lot.geometry.union_all()
    _require_covered(lot, source)
    unit = source.metres_per_unit
    least = _kept(site, lot, unit, job.elevation.margin_m)
    margins = _first_look(least, source)
    far: _Far | None = None
    while True:
        look = _looked_at(_read(source, site, _widened(least, margins, unit), job), site, job)
        wider = _grown(margins, least, _cut_sides(look), look, source)
        if wider == margins and any(look.window.elevation.more_data.values()):
            far = far or _looked_afar(source, site, least)
            wider = _grown(margins, least, _held_sides(look, far), look, source)
        if wider == margins:
            window = _taken_out(source, site, job, least, look)
            return _held_against_ground(window, site, source, job)
        margins = wider


#: Blocks of a coarse view, and the level of water on each [m].
_Far: TypeAlias = "tuple[Grid, FloatArray]"


@dataclass(frozen=True, eq=False)
class _Look:
    """Ground that was looked at, its natural routing, and what of its water is of interest."""

    window: StudyWindow
    natural: Routing
    interest: Interest
    open_ends: Unfinished


def _kept(site: Site, lot: shapely.Geometry, unit: float, margin_m: float | None) -> Bounds:
    """Ground kept in any case: round the lot, its inlets and all that is drawn for it."""
    _require_near(site, lot, unit)
    margin = (FIRST_MARGIN_M if margin_m is None else margin_m) / unit
    around = shapely.total_bounds(np.array([lot, *site.inlets.geometry], dtype=object))
    layers = (site.drain_lines, site.outlets, site.openings, site.downspouts)
    drawn = [shape for layer in layers for shape in layer.geometry]
    boxes = [around + margin * np.array([-1, -1, 1, 1])]
    if drawn:
        rim = _DRAWN_MARGIN_M / unit
        drawn_box = shapely.total_bounds(np.array(drawn, dtype=object))
        boxes.append(drawn_box + rim * np.array([-1, -1, 1, 1]))
    west, south = np.min(boxes, axis=0)[:2].tolist()
    east, north = np.max(boxes, axis=0)[2:].tolist()
    return west, south, east, north


def _require_near(site: Site, lot: shapely.Geometry, unit: float) -> None:
    """Refuse what is drawn far from the lot: it belongs to another one, or lies wrongly."""
    faults = []
    for layer in ("inlets", "drain_lines", "outlets", "openings", "downspouts"):
        frame = getattr(site, layer)
        for row, (name, shape) in enumerate(zip(frame["name"], frame.geometry, strict=True), 1):
            away = _farthest(shape, lot)
            if away * unit > _REACH_M:
                faults.append(
                    Fault(
                        f"lies {both_units(away * unit, 'distance')} from the lot, outside the "
                        f"window of the study; at most {both_units(_REACH_M, 'distance')} are "
                        "taken",
                        "Check its position and CRS",
                        layer=layer, row=row, column="name" if name else None, value=name or None,
                    )
                )  # fmt: skip
    if faults:
        raise InputError(faults)


def _require_covered(lot: shapely.Geometry, source: ElevationSource) -> None:
    """Refuse a lot that the elevation data do not cover."""
    data = shapely.box(*source.bounds)
    outside = lot.difference(data).area / lot.area
    # a rounded corner may stick out by a hair
    if outside > 1e-4:
        where = "outside" if outside > 0.9999 else f"partly outside ({outside:.0%})"
        raise InputError(
            Fault(
                f"lies {where} the elevation data, which reach from "
                f"{source.bounds[0]:.1f}, {source.bounds[1]:.1f} to {source.bounds[2]:.1f}, "
                f"{source.bounds[3]:.1f} in {source.crs.name}",
                "Check the CRS of both files, or give the neighbouring tile too",
                layer="lot",
            )
        )


def _farthest(shape: shapely.Geometry, lot: shapely.Geometry) -> float:
    """Distance from the lot to the farthest corner of something drawn."""
    corners = shapely.points(shapely.get_coordinates(shape))
    return float(shapely.distance(corners, lot).max(initial=0.0))


def _widened(bounds: Bounds, margins: Margins, unit: float) -> Bounds:
    """Bounds with a margin on each side, in units of the CRS."""
    west, south, east, north = bounds
    return (
        west - margins["west"] / unit,
        south - margins["south"] / unit,
        east + margins["east"] / unit,
        north + margins["north"] / unit,
    )


def _read(source: ElevationSource, site: Site, bounds: Bounds, job: Job) -> StudyWindow:
    """Read a window and set everything drawn into it."""
    elevation = read_elevation(source, bounds)
    grid = elevation.grid
    heights = site.walls["height_m"].fillna(job.criteria.wall_height_m).astype(float)
    surface = prepare_surface(
        grid,
        buildings=list(site.buildings.geometry),
        walls=list(zip(site.walls.geometry, heights, strict=True)),
        water=list(site.water.geometry),
    )
    lot = polygon_cells(site.lot.geometry.union_all(), grid)
    _require_ground(lot, surface, grid)
    nothing = np.zeros(grid.shape, dtype=bool)
    return StudyWindow(elevation, surface, lot, _culverts(site, grid), nothing, nothing)


def _held_against_ground(
    window: StudyWindow, site: Site, source: ElevationSource, job: Job
) -> StudyWindow:
    """Judge what elevations and levels tell together: rounding, level ground, units."""
    elevation, surface = window.elevation, window.surface
    grid, ground = elevation.grid, window.lot & ~surface.roof & ~surface.water
    step, findings, faults = rounding_check(grid.values, ground, source.name)
    level, none = level_check(grid.values, ground, source.name, grid.xy)
    doubted, wrong = level_faults(site, grid, datum_of(job))
    unit = raster_unit_findings(grid, window.lot, surface.building, source.vertical_unit)
    if faults := none or [*faults, *wrong]:
        raise InputError(faults)
    findings = [*elevation.findings, *findings, *level, *doubted, *unit]
    return replace(window, elevation=replace(elevation, findings=tuple(findings), step_m=step))


def _require_ground(lot: BoolArray, surface: Surface, grid: Grid) -> None:
    """Refuse a lot of too few cells, or without any elevation."""
    cells = int(lot.sum())
    if cells < _LEAST_LOT_CELLS:
        raise InputError(
            Fault(
                f"the lot has only {cells} cells of {both_units(grid.cell_m, 'elevation')}; at "
                f"least {_LEAST_LOT_CELLS} are needed",
                "Use finer elevation data, or check the CRS of the lot",
                layer="lot",
            )
        )
    if (surface.missing | surface.ground.missing)[lot].all():
        raise InputError(
            Fault(
                "no cell of the lot has an elevation: all are nodata",
                "Use elevation data that cover the lot, or check its CRS",
                layer="lot",
            )
        )


def _culverts(site: Site, grid: Grid) -> tuple[Culvert, ...]:
    """Culverts whose two ends lie on the grid; one beyond it has no part in the study."""
    found = []
    for position, (name, line) in enumerate(
        zip(site.culverts["name"], site.culverts.geometry, strict=True), start=1
    ):
        ends = shapely.get_coordinates(line)[[0, -1]]
        row, column = grid.row_column(ends[:, 0], ends[:, 1])
        if not grid.contains(row, column).all():
            continue
        up, down = (int(cell) for cell in row * grid.shape[1] + column)
        if up != down:
            found.append(Culvert(str(name) if name else f"culvert {position}", up, down))
    return tuple(found)


def _by_kernel(window: StudyWindow, surface: Surface, job: Job) -> Routing:
    """Route the water of a window without inlets, to see how far what is of interest reaches."""
    empty = replace(no_drains(surface), culverts=window.culverts)
    return route(surface, empty, rule=job.terrain.direction, by_kernel=True)


def _looked_at(window: StudyWindow, site: Site, job: Job) -> _Look:
    """Find what of a window's water is of interest, and where it is unfinished."""
    *others, main = cases_of(site)
    natural = _by_kernel(window, case_roofs(site, window.surface, main).surface, job)
    core = window.lot.copy()
    for case in (main, *others):
        drawn = drawn_inlets(in_case(site.inlets, case))
        own = natural
        if drawn and case != main and len(site.downspouts):
            own = _by_kernel(window, case_roofs(site, window.surface, case).surface, job)
        if drawn:
            cells = cells_of_interest(drawn, own, job.criteria, rmse_m=job.elevation.rmse_m)
            core.ravel()[cells] = True
    grid = window.surface.ground
    # a pond is near with its nearest corner, a cell counts with its middle
    reach = (job.criteria.pond_reach_m + grid.cell_m) / grid.metres_per_unit
    near = polygon_cells(site.lot.geometry.union_all().buffer(reach), grid)
    interest = ground_of_interest(natural, core, near, job.criteria.pond_depth_m)
    return _Look(window, natural, interest, unfinished_at_ring(natural, interest, _FALLEN_M))


def _cut_sides(look: _Look) -> set[str]:
    """Sides of the window beyond which water of interest may come from or be held back."""
    coming = look.interest.upstream & inflow_cells(look.window.surface, look.natural.field.filled)
    row, column = np.nonzero(coming)
    ring_row, ring_column = np.divmod(look.open_ends.ring, coming.shape[1])
    return _sides_at(np.append(row, ring_row), np.append(column, ring_column), coming.shape)


def _sides_at(
    row: NDArray[np.int64], column: NDArray[np.int64], shape: tuple[int, int]
) -> set[str]:
    """Sides of a window at which cells lie, within a step."""
    rows, columns = shape
    at_side = {
        "west": (column <= 1).any(),
        "south": (row >= rows - 2).any(),
        "east": (column >= columns - 2).any(),
        "north": (row <= 1).any(),
    }
    return {side for side, reached in at_side.items() if reached}


def _cells(bounds: Bounds, source: ElevationSource) -> float:
    """Cells of an area, as far as there are data."""
    west, south = np.maximum(bounds[:2], source.bounds[:2])
    east, north = np.minimum(bounds[2:], source.bounds[2:])
    return float(max(east - west, 0.0) * max(north - south, 0.0) / source.cell**2)


def _first_look(least: Bounds, source: ElevationSource) -> Margins:
    """Ground that is looked at in any case: as much as costs next to nothing."""
    margin = _CHEAP_MARGIN_M
    while margin > FIRST_MARGIN_M:
        margins = dict.fromkeys(_SIDES, margin)
        if _cells(_widened(least, margins, source.metres_per_unit), source) <= _CHEAP_CELLS:
            return margins
        margin /= 2
    return dict.fromkeys(_SIDES, FIRST_MARGIN_M)


def _looked_afar(source: ElevationSource, site: Site, least: Bounds) -> _Far:
    """Level of standing water on a coarse view of all ground that may be looked at."""
    margin = MARGIN_LIMIT_M
    while True:
        bounds = _widened(least, dict.fromkeys(_SIDES, margin), source.metres_per_unit)
        if _cells(bounds, source) <= _FAR_CELLS or margin <= FIRST_MARGIN_M:
            break
        margin *= 0.9
    ground = read_elevation(source, bounds).grid
    step = max(int(np.ceil(np.sqrt(ground.values.size / _CHEAP_CELLS))), 1)
    return coarse_water(ground, step, list(site.water.geometry))


def _held_sides(look: _Look, far: _Far) -> set[str]:
    """Sides where water that seemed to leave downhill stands, farther on, as high as here."""
    blocks, level = far
    ends, grid = look.open_ends, look.window.surface.ground
    x, y = grid.xy(ends.leaving // grid.shape[1], ends.leaving % grid.shape[1])
    stands = sampled(level, blocks, np.column_stack([x, y])) >= ends.brim
    return _sides_at(*np.divmod(ends.leaving[stands], grid.shape[1]), grid.shape)


def _grown(
    margins: Margins, least: Bounds, cut: set[str], look: _Look, source: ElevationSource
) -> Margins:
    """Twice the margin where water is unfinished and more data is to be had, within the limits."""
    sides = {side for side in cut if look.window.elevation.more_data[side]}
    for factor in (2.0, 1.5, 1.2):
        wider = {
            side: min(factor * margin, MARGIN_LIMIT_M) if side in sides else margin
            for side, margin in margins.items()
        }
        if _cells(_widened(least, wider, source.metres_per_unit), source) <= CELLS_LIMIT:
            return wider
    return margins


@dataclass(frozen=True)
class _Part:
    """Rows and columns of the ground looked at, each from and to."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def place(self) -> tuple[slice, slice]:
        """The part in an array of all."""
        return slice(self.top, self.bottom), slice(self.left, self.right)

    def widened(self, shape: tuple[int, int]) -> _Part:
        """Give a quarter more on every side."""
        down = max((self.bottom - self.top) // 4, _RIM_CELLS)
        across = max((self.right - self.left) // 4, _RIM_CELLS)
        return _Part(
            max(self.top - down, 0), min(self.bottom + down, shape[0]),
            max(self.left - across, 0), min(self.right + across, shape[1]),
        )  # fmt: skip


def _needed_part(look: _Look, least: Bounds) -> _Part:
    """Smallest part that holds what is kept in any case, and all water of interest."""
    grid = look.window.surface.ground
    rows, columns = grid.shape
    west, north, cell = grid.transform.c, grid.transform.f, grid.transform.a
    # an edge on a cell's border stays there, whatever the rounding
    top, bottom = (north - least[3]) / cell + 1e-6, (north - least[1]) / cell - 1e-6
    left, right = (least[0] - west) / cell + 1e-6, (least[2] - west) / cell - 1e-6
    row, column = np.nonzero(look.interest.upstream | look.interest.level)
    return _Part(
        max(min(int(np.floor(top)), int(row.min()) - _RIM_CELLS), 0),
        min(max(int(np.ceil(bottom)), int(row.max()) + 1 + _RIM_CELLS), rows),
        max(min(int(np.floor(left)), int(column.min()) - _RIM_CELLS), 0),
        min(max(int(np.ceil(right)), int(column.max()) + 1 + _RIM_CELLS), columns),
    )


def _taken_out(
    source: ElevationSource, site: Site, job: Job, least: Bounds, look: _Look
) -> StudyWindow:
    """Read what is needed of the ground looked at, and mark what is unfinished at its end."""
    shape = look.window.surface.ground.shape
    entering, held = _marks(look, job)
    part = _needed_part(look, least)
    while True:
        if part == _Part(0, shape[0], 0, shape[1]):
            return replace(look.window, entering=entering, held=held)
        window = _read(source, site, _bounds_of(part, look.window.surface.ground), job)
        here = _by_kernel(window, window.surface, job).field
        if _runs_alike(look, part, here):
            entering |= _brought_in(look, part)
            held[part.place] |= look.natural.field.filled[part.place] > here.filled
            return replace(window, entering=entering[part.place], held=held[part.place])
        part = part.widened(shape)


def _bounds_of(part: _Part, grid: Grid) -> Bounds:
    """Area of a part of a grid."""
    west, north, cell = grid.transform.c, grid.transform.f, grid.transform.a
    return (west + part.left * cell, north - part.bottom * cell,
            west + part.right * cell, north - part.top * cell)  # fmt: skip


def _runs_alike(look: _Look, part: _Part, here: FlowField) -> bool:
    """Tell whether all water of interest stands and runs in a part as on all ground looked at."""
    there, place = look.natural.field, part.place
    upstream, level = look.interest.upstream[place], look.interest.level[place]
    if here.filled.shape != upstream.shape:
        return False
    stands = (here.filled == there.filled[place]) | ~(upstream | level)
    runs = (here.direction == there.direction[place]) | ~upstream
    return bool(stands.all() and runs.all())


def _brought_in(look: _Look, part: _Part) -> BoolArray:
    """Cells of a part, not of interest, to which water comes from the ground round it."""
    inner = np.zeros(look.interest.flow.shape, dtype=bool)
    inner[part.top + 1 : part.bottom - 1, part.left + 1 : part.right - 1] = True
    below = look.natural.receivers()[~inner]
    entered = np.zeros(inner.size, dtype=bool)
    entered[below] = True
    return entered.reshape(inner.shape) & inner


def _marks(look: _Look, job: Job) -> tuple[BoolArray, BoolArray]:
    """
    Mark where water comes from basins that the edge of the data cuts, and where it is held.

    Only what rises behind that edge by no more than the data can tell counts: water that leaves
    downhill is finished, and of what lies beyond nothing is known.
    """
    entering, held = np.zeros((2, *look.interest.flow.shape), dtype=bool)
    if look.open_ends.ring.size:
        limit = job.criteria.low_spot_limit_m(job.elevation.rmse_m)
        ends = unfinished_at_ring(look.natural, look.interest, limit)
        entering.ravel()[ends.entry[ends.from_above]] = True
        held.ravel()[ends.entry[~ends.from_above]] = True
        held |= held_behind_ring(look.natural, limit) & look.window.lot
    return entering, held
