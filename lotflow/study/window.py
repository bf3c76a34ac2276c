"""How much ground is read: lot and margin, grown until no catchment of interest is cut."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from lotflow.errors import Fault, InputError
from lotflow.inputs.elevation import Elevation, ElevationSource, read_elevation
from lotflow.inputs.site_checks import Datum, level_faults, raster_unit_findings
from lotflow.inputs.surface_checks import level_check, rounding_check
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.inlet_places import DrawnInlet, drains_of, place_inlets
from lotflow.terrain.low_spots import inflow_cells
from lotflow.terrain.routing import Culvert, Drains, Routing, no_drains, route, upstream_of
from lotflow.terrain.surface import Surface, prepare_surface
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.criteria import Criteria
    from lotflow.grid import BoolArray, Grid
    from lotflow.inputs.site import Site

#: Ground read round the lot at first, and at most [m].
FIRST_MARGIN_M: Final = 30.0
MARGIN_LIMIT_M: Final = 240.0
#: The window is not grown beyond this [cells]: a study should take seconds.
CELLS_LIMIT: Final = 4_000_000
#: Fewer cells than this tell nothing of a lot.
_LEAST_LOT_CELLS: Final = 20
#: An inlet farther from the lot than this is not of this lot [m].
_INLET_REACH_M: Final = 200.0

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
    lot_cut
        Whether what drains onto the lot is cut by the edge of the data.
    """

    elevation: Elevation
    surface: Surface
    lot: BoolArray
    culverts: tuple[Culvert, ...]
    lot_cut: bool


def study_window(
    source: ElevationSource,
    site: Site,
    inlets: Sequence[DrawnInlet],
    criteria: Criteria,
    *,
    margin_m: float | None,
    datum: Datum,
) -> StudyWindow:
    """
    Read the ground of a study.

    Parameters
    ----------
    source
        Elevation data.
    site
        In the grid's CRS.
    inlets
        As drawn.
    criteria
        Gives the height of walls.
    margin_m
        Ground read round the lot at first [m]; None for the default.
    datum
        By which the levels of the site were raised to that of the raster.

    Raises
    ------
    InputError
        If the lot is not covered by the data, too small for their cells, has no elevation or only
        one, or a level of the site is not possible on its ground.
    """
    lot = site.lot.geometry.union_all()
    _require_covered(lot, source)
    unit = source.metres_per_unit
    around = _bounds([lot, *_near_inlets(lot, inlets, unit)])
    margins = dict.fromkeys(_SIDES, FIRST_MARGIN_M if margin_m is None else margin_m)
    while True:
        window = _read(source, site, _widened(around, margins, unit), criteria)
        probe = route(window.surface, _trial_drains(window, inlets), by_kernel=True)
        reached = _cut_sides(window, probe)
        window = replace(window, lot_cut=bool(reached))
        wider = _grown(margins, reached, window)
        if wider == margins:
            return _held_against_ground(window, site, source, datum)
        margins = wider


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


def _near_inlets(
    lot: shapely.Geometry, inlets: Sequence[DrawnInlet], unit: float
) -> list[shapely.Geometry]:
    """Geometries of the inlets; one far from the lot belongs to another one."""
    far = [inlet for inlet in inlets if lot.distance(inlet.geometry) * unit > _INLET_REACH_M]
    if far:
        raise InputError(
            [
                Fault(
                    f"lies {both_units(lot.distance(inlet.geometry) * unit, 'distance')} from the "
                    "lot, outside the window of the study",
                    "Check its position and CRS",
                    layer="inlets", column="name", value=inlet.name,
                )
                for inlet in far
            ]
        )  # fmt: skip
    return [inlet.geometry for inlet in inlets]


def _bounds(geometries: Sequence[shapely.Geometry]) -> tuple[float, float, float, float]:
    west, south, east, north = shapely.total_bounds(np.asarray(geometries, dtype=object))
    return float(west), float(south), float(east), float(north)


def _widened(
    bounds: tuple[float, float, float, float], margins: Margins, unit: float
) -> tuple[float, float, float, float]:
    """Bounds with a margin on each side, in units of the CRS."""
    west, south, east, north = bounds
    return (
        west - margins["west"] / unit,
        south - margins["south"] / unit,
        east + margins["east"] / unit,
        north + margins["north"] / unit,
    )


def _read(
    source: ElevationSource,
    site: Site,
    bounds: tuple[float, float, float, float],
    criteria: Criteria,
) -> StudyWindow:
    """Read a window and set everything drawn into it."""
    elevation = read_elevation(source, bounds)
    grid = elevation.grid
    heights = site.walls["height_m"].fillna(criteria.wall_height_m).astype(float)
    surface = prepare_surface(
        grid,
        buildings=list(site.buildings.geometry),
        walls=list(zip(site.walls.geometry, heights, strict=True)),
        water=list(site.water.geometry),
    )
    lot = polygon_cells(site.lot.geometry.union_all(), grid)
    _require_ground(lot, surface, grid)
    return StudyWindow(elevation, surface, lot, _culverts(site, grid), lot_cut=False)


def _held_against_ground(
    window: StudyWindow, site: Site, source: ElevationSource, datum: Datum
) -> StudyWindow:
    """Judge what elevations and levels tell together: rounding, level ground, units."""
    elevation, surface = window.elevation, window.surface
    grid, ground = elevation.grid, window.lot & ~surface.roof & ~surface.water
    step, findings, faults = rounding_check(grid.values, ground, source.name)
    level, none = level_check(grid.values, ground, source.name, grid.xy)
    doubted, wrong = level_faults(site, grid, datum)
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


def _trial_drains(window: StudyWindow, inlets: Sequence[DrawnInlet]) -> Drains:
    """Drains where they were drawn, to see how far their catchments reach."""
    empty = replace(no_drains(window.surface), culverts=window.culverts)
    if not inlets:
        return empty
    placed = place_inlets(inlets, window.surface)
    return drains_of(placed, window.surface, window.culverts)[0]


def _cut_sides(window: StudyWindow, probe: Routing) -> set[str]:
    """Sides of the window, or "gap", where water of interest may come from beyond."""
    interest = (probe.label > 0) | upstream_of(probe, window.lot)
    open_cells = interest & inflow_cells(window.surface, probe.field.filled)
    if not open_cells.any():
        return set()
    row, column = np.nonzero(open_cells)
    rows, columns = open_cells.shape
    at_side = {
        "west": (column <= 1).any(),
        "south": (row >= rows - 2).any(),
        "east": (column >= columns - 2).any(),
        "north": (row <= 1).any(),
    }
    sides = {side for side, reached in at_side.items() if reached}
    return sides or {"gap"}


def _grown(margins: Margins, reached: set[str], window: StudyWindow) -> Margins:
    """Twice the margin where water comes from beyond and more data is to be had."""
    if window.surface.ground.values.size > CELLS_LIMIT / 2:
        return margins
    return {
        side: min(2 * margin, max(MARGIN_LIMIT_M, margin))
        if side in reached and window.elevation.more_data[side] else margin
        for side, margin in margins.items()
    }  # fmt: skip
