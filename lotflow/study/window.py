"""How much ground is read: all whose water is of interest, and what closes its basins."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce
from typing import TYPE_CHECKING, Final

from lotflow.errors import InputError
from lotflow.inputs.elevation import Elevation, ElevationSource, read_elevation
from lotflow.inputs.placement import (
    require_covered,
    require_ground,
    require_near,
    require_seen_on_data,
    require_seen_on_ground,
)
from lotflow.inputs.shots import shot_faults
from lotflow.inputs.site_checks import datum_of, level_faults, raster_unit_findings
from lotflow.inputs.sources import naming_files
from lotflow.inputs.surface_checks import level_check, rounding_check
from lotflow.layers.drawn import cases_of, in_case, is_dug_alike
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.closure import with_sunk_basins
from lotflow.terrain.downspouts import case_roofs
from lotflow.terrain.earthworks import LaidEarthworks, drawn_earthworks, edited, laid_earthworks
from lotflow.terrain.inlets import cells_of_interest, drawn_inlets
from lotflow.terrain.low_spots import inflow_cells
from lotflow.terrain.needed_ground import (
    Bounds,
    Look,
    Margins,
    Part,
    brought_in,
    coarse_look,
    cut_sides,
    far_look,
    first_look,
    grown,
    held_round,
    held_sides,
    kept_bounds,
    look_at,
    needed_part,
    no_cells,
    runs_alike,
    united_marks,
    widened,
)
from lotflow.terrain.routing import Culvert, Routing, drawn_culverts, no_drains, route
from lotflow.terrain.surface import SunkBasin, Surface, prepare_surface

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.inputs.job import Job
    from lotflow.inputs.site import Site
    from lotflow.layers.drawn import Case


#: A site's layers are read at least so far round the ground that is kept in any case [m]: farther
#: than anything is looked for beside a lot.
LEAST_REACH_M: Final = 240.0


@dataclass(frozen=True, eq=False)
class StudyWindow:
    """
    The ground of a study.

    Parameters
    ----------
    elevation
        What was read.
    surface
        What water runs on, in the main case: with the earthworks of it.
    works
        Those earthworks.
    lot
        Cells of the lot.
    culverts
        On their cells.
    entering
        Cells of interest to which the water of basins may come that the edge of the data cuts.
    held
        Cells of interest whose water may stand higher than found, held back beyond that edge.
    sunk
        Closed basins of all the ground that was looked at that no storm fills.
    """

    elevation: Elevation
    surface: Surface
    works: LaidEarthworks
    lot: BoolArray
    culverts: tuple[Culvert, ...]
    entering: BoolArray
    held: BoolArray
    sunk: tuple[SunkBasin, ...] = ()

    def inflow(self, routing: Routing) -> BoolArray:
        """Cells to which water may come from beyond what is known."""
        return inflow_cells(self.surface, routing.field.filled) | self.entering


def first_reach(site: Site, source: ElevationSource, margin_m: float | None) -> Bounds:
    """
    Area of which a site's layers are read at first: that of the first look at the ground.

    `margin_m` is what somebody asked for.
    """
    unit = source.metres_per_unit
    least = kept_bounds(site, unit, margin_m)
    first = first_look(least, source)
    return widened(least, {side: max(one, LEAST_REACH_M) for side, one in first.items()}, unit)


def study_window(source: ElevationSource, site: Site, job: Job) -> tuple[StudyWindow, Site]:
    """
    Read the ground of a study; give it with the site, read as far as the ground was looked at.

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
    unit = source.metres_per_unit
    with naming_files(site.sources):
        lot = site.lot.geometry.union_all()
        require_covered(lot, source)
        require_seen_on_data(site, source)
        require_near(site, lot, unit)
        least = kept_bounds(site, unit, job.elevation.margin_m)
    margins: Margins | None = first_look(least, source)
    far: list[tuple[Grid, FloatArray]] = []
    while margins is not None:
        bounds = widened(least, margins, unit)
        site = site.over(bounds)
        with naming_files(site.sources):
            window = _read(source, site, bounds, job)
            looks = _looked_at(window, site, job)
            margins = _wider(margins, least, looks, window, (source, site, far))
            if margins is None:
                sunk = window.surface.sunk
                window = _taken_out(window, source, site, job, least, looks)
                window = replace(window, sunk=sunk)
                window = _held_against_ground(window, site, source, job)
    return window, site


def _wider(
    margins: Margins, least: Bounds, looks: Sequence[Look], window: StudyWindow,
    data: tuple[ElevationSource, Site, list[tuple[Grid, FloatArray]]],
) -> Margins | None:  # fmt: skip
    """Give wider margins where water is unfinished; None where it is finished. Looks afar once."""
    (source, site, far), more_data = data, window.elevation.more_data
    cut = set().union(*(cut_sides(look) for look in looks))
    wider = grown(margins, least, cut, more_data, source)
    if wider == margins and any(more_data.values()):
        if not far:
            reach = far_look(least, source)
            far.append(_looked_afar(source, site.over(reach, ("water",)), reach))
        held = set().union(*(held_sides(look, *far[0]) for look in looks))
        wider = grown(margins, least, held, more_data, source)
    return None if wider == margins else wider


def _read(source: ElevationSource, site: Site, bounds: Bounds, job: Job) -> StudyWindow:
    """Read a window and set everything drawn into it."""
    elevation = read_elevation(source, bounds)
    grid = elevation.grid
    surface, works = case_surface(site, grid, job, cases_of(site)[-1])
    lot = polygon_cells(site.lot.geometry.union_all(), grid)
    require_ground(lot, surface.missing | surface.ground.missing, grid)
    culverts, nothing = drawn_culverts(site.culverts, grid), no_cells(grid)
    return StudyWindow(elevation, surface, works, lot, culverts, nothing, nothing)


def case_surface(site: Site, grid: Grid, job: Job, case: Case) -> tuple[Surface, LaidEarthworks]:
    """
    Make what water runs on in a case: the measured ground with its earthworks, houses and walls.

    Parameters
    ----------
    site
        What is drawn.
    grid
        The measured ground [m].
    job
        Gives the height of walls without one.
    case
        State of drains and ground.

    Raises
    ------
    InputError
        If an earthwork of the case cannot be dug as it is drawn.
    """
    drawn = drawn_earthworks(site, case, grid.metres_per_unit)
    works = laid_earthworks(drawn, site, grid)
    return surface_on(edited(grid, works), site, job), works


def surface_on(grid: Grid, site: Site, job: Job) -> Surface:
    """Set the buildings, walls and water of a site on a ground; what no storm fills is drained."""
    heights = site.walls["height_m"].fillna(job.criteria.wall_height_m).astype(float)
    surface = prepare_surface(
        grid,
        buildings=list(site.buildings.geometry),
        walls=list(zip(site.walls.geometry, heights, strict=True)),
        water=list(site.water.geometry),
    )
    return with_sunk_basins(surface, polygon_cells(site.lot.geometry.union_all(), grid))


def _held_against_ground(
    window: StudyWindow, site: Site, source: ElevationSource, job: Job
) -> StudyWindow:
    """Judge what elevations and levels tell together: rounding, level ground, units."""
    elevation, surface = window.elevation, window.surface
    grid, ground = elevation.grid, window.lot & surface.bare
    require_seen_on_ground(site, surface.missing | grid.missing, grid)
    step, findings, faults = rounding_check(grid.values, ground, source.name)
    level, none = level_check(grid.values, ground, source.name, grid.xy)
    doubted, wrong = level_faults(site, grid, datum_of(job))
    unit = raster_unit_findings(grid, window.lot, surface.building, source.vertical_unit)
    off = shot_faults(site, grid, surface.building)
    if faults := none or [*faults, *wrong, *off]:
        raise InputError(faults)
    findings = [*elevation.findings, *findings, *level, *doubted, *unit]
    return replace(window, elevation=replace(elevation, findings=tuple(findings), step_m=step))


def _by_kernel(window: StudyWindow, surface: Surface, job: Job) -> Routing:
    """Route the water of a window without inlets, to see how far what is of interest reaches."""
    empty = replace(no_drains(surface), culverts=window.culverts)
    return route(surface, empty, rule=job.terrain.direction, by_kernel=True)


def _surfaces(window: StudyWindow, site: Site, job: Job) -> list[tuple[Case, Surface]]:
    """What water runs on in the main case, and in an earlier one whose ground is another."""
    *others, main = cases_of(site)
    measured = window.elevation.grid
    return [(main, window.surface)] + [
        (case, case_surface(site, measured, job, case)[0])
        for case in others
        if not is_dug_alike(site, case, main)
    ]


def _looked_at(window: StudyWindow, site: Site, job: Job) -> list[Look]:
    """Find what of a window's water is of interest, and where it is unfinished, on each ground."""
    *others, main = cases_of(site)
    surfaces = dict(_surfaces(window, site, job))
    grounds = {
        case: _by_kernel(window, case_roofs(site, surface, case).surface, job)
        for case, surface in surfaces.items()
    }
    cells = []
    for case in (main, *others):
        drawn = drawn_inlets(in_case(site.inlets, case))
        own = grounds.get(case, grounds[main])
        if drawn and case not in grounds and len(site.downspouts):
            own = _by_kernel(window, case_roofs(site, window.surface, case).surface, job)
        if drawn:
            rmse = job.elevation.rmse_m
            cells.append(cells_of_interest(drawn, own, job.criteria, rmse_m=rmse))
    outline = site.lot.geometry.union_all()
    return [look_at(own, window.lot, outline, cells, job.criteria) for own in grounds.values()]


def _looked_afar(source: ElevationSource, site: Site, reach: Bounds) -> tuple[Grid, FloatArray]:
    """Blocks of a coarse view of all ground that may be looked at, and the water's level there."""
    ground = read_elevation(source, reach).grid
    return coarse_look(ground, list(site.water.geometry))


def _taken_out(
    window: StudyWindow,
    source: ElevationSource,
    site: Site,
    job: Job,
    least: Bounds,
    looks: Sequence[Look],
) -> StudyWindow:
    """Read what is needed of the ground looked at, and mark what is unfinished at its end."""
    grid = looks[0].grid
    rows, columns = grid.shape
    limit_m = job.criteria.low_spot_limit_m(job.elevation.rmse_m)
    entering, held = united_marks(looks, limit_m)
    part = reduce(Part.joined, (needed_part(look, least) for look in looks))
    while part != Part(0, rows, 0, columns):
        smaller = _read(source, site, part.bounds_on(grid), job)
        here = [
            _by_kernel(smaller, surface, job).field for _, surface in _surfaces(smaller, site, job)
        ]
        pairs = list(zip(looks, here, strict=True))
        if all(runs_alike(look, part, field) for look, field in pairs):
            for look, field in pairs:
                entering |= brought_in(look, part)
                held |= held_round(look, part, field)
            return replace(smaller, entering=entering[part.place], held=held[part.place])
        part = part.widened(grid.shape)
    return replace(window, entering=entering, held=held)
