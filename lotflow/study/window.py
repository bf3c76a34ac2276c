"""How much ground is read: all whose water is of interest, and what closes its basins."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from lotflow.errors import Fault, InputError
from lotflow.inputs.elevation import Elevation, ElevationSource, read_elevation
from lotflow.inputs.site_checks import datum_of, level_faults, raster_unit_findings
from lotflow.inputs.surface_checks import level_check, rounding_check
from lotflow.layers.drawn import cases_of, in_case
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.closure import coarse_water, ground_of_interest, unfinished_at_ring
from lotflow.terrain.downspouts import case_roofs
from lotflow.terrain.inlets import cells_of_interest, drawn_inlets
from lotflow.terrain.low_spots import inflow_cells
from lotflow.terrain.needed_ground import (
    CHEAP_CELLS,
    FIRST_MARGIN_M,
    Bounds,
    Look,
    Part,
    brought_in,
    cut_sides,
    far_look,
    first_look,
    grown,
    held_sides,
    needed_part,
    runs_alike,
    unfinished_marks,
    widened,
)
from lotflow.terrain.routing import Culvert, Routing, no_drains, route
from lotflow.terrain.surface import Surface, prepare_surface
from lotflow.units import both_units

if TYPE_CHECKING:
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.inputs.job import Job
    from lotflow.inputs.site import Site

#: Ground kept round what else than lot and inlets is drawn [m].
_DRAWN_MARGIN_M: Final = 3.0
#: Water that has fallen this much on its way out is not held back by what lies beyond [m].
_FALLEN_M: Final = 2.0
#: Fewer cells than this tell nothing of a lot.
_LEAST_LOT_CELLS: Final = 20
#: What is drawn farther from the lot than this is not of this lot [m].
_REACH_M: Final = 300.0


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
        """Cells to which water may come from beyond what is known."""
        return inflow_cells(self.surface, routing.field.filled) | self.entering


def study_window(source: ElevationSource, site: Site, job: Job) -> StudyWindow:
    """
    Read the ground of a study.

    First it is looked how far the water of interest reaches: over more and more ground, until
    all that drains to lot and inlets, and all that may hold their water back, lies within it.
    Water that falls far on its way out is taken to leave, unless it stands as high again on a
    coarse view of the ground farther on. Then no more is read than that, with a margin, and it
    is made sure that the water of interest runs and stands there as on all the ground looked at.

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
    margins = first_look(least, source)
    far: tuple[Grid, FloatArray] | None = None
    while True:
        window = _read(source, site, widened(least, margins, unit), job)
        look, more_data = _looked_at(window, site, job), window.elevation.more_data
        wider = grown(margins, least, cut_sides(look), more_data, source)
        if wider == margins and any(more_data.values()):
            far = far or _looked_afar(source, site, least)
            wider = grown(margins, least, held_sides(look, *far), more_data, source)
        if wider == margins:
            window = _taken_out(window, source, site, job, least, look)
            return _held_against_ground(window, site, source, job)
        margins = wider


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


def _looked_at(window: StudyWindow, site: Site, job: Job) -> Look:
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
    open_ends = unfinished_at_ring(natural, interest, _FALLEN_M)
    return Look(natural, window.lot, interest, open_ends)


def _looked_afar(source: ElevationSource, site: Site, least: Bounds) -> tuple[Grid, FloatArray]:
    """Blocks of a coarse view of all ground that may be looked at, and the water's level there."""
    ground = read_elevation(source, far_look(least, source)).grid
    step = max(int(np.ceil(np.sqrt(ground.values.size / CHEAP_CELLS))), 1)
    return coarse_water(ground, step, list(site.water.geometry))


def _taken_out(
    window: StudyWindow, source: ElevationSource, site: Site, job: Job, least: Bounds, look: Look
) -> StudyWindow:
    """Read what is needed of the ground looked at, and mark what is unfinished at its end."""
    rows, columns = look.grid.shape
    limit_m = job.criteria.low_spot_limit_m(job.elevation.rmse_m)
    entering, held = unfinished_marks(look, limit_m)
    part = needed_part(look, least)
    while part != Part(0, rows, 0, columns):
        smaller = _read(source, site, part.bounds_on(look.grid), job)
        here = _by_kernel(smaller, smaller.surface, job).field
        if runs_alike(look, part, here):
            entering |= brought_in(look, part)
            held[part.place] |= look.natural.field.filled[part.place] > here.filled
            return replace(smaller, entering=entering[part.place], held=held[part.place])
        part = part.widened(look.grid.shape)
    return replace(window, entering=entering, held=held)
