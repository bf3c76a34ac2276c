"""The steps about the ground: low spots, inlets, what runs over it, and where gravity leads it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lotflow.drains.gravity_outlets import outlets_by_gravity, search_ground
from lotflow.drains.setbacks import off_lot
from lotflow.layers.drawn import in_case
from lotflow.outputs import result_layers as layers
from lotflow.outputs.ground_layers import LowSpotFacts, outlet_options_layer, shots_layer
from lotflow.outputs.level_book import LEVEL_BOOK_FILE, level_books_text
from lotflow.outputs.terrain_layers import (
    STRETCH_M,
    contours_layer,
    inlet_layers,
    inlets_in,
    low_spot_layers,
    water_parts_table,
)
from lotflow.study.chapter import WHERE_TO, Chapter, say_nothing
from lotflow.study.window import surface_on
from lotflow.terrain.downspouts import building_names
from lotflow.terrain.earthworks import before_swales
from lotflow.terrain.house_ring import ring_cells
from lotflow.terrain.levelled import shot_findings
from lotflow.terrain.notes import edge_notes, gap_notes, inlet_notes, low_spot_notes, sunk_notes
from lotflow.terrain.origins import Ground, lot_origins, origins
from lotflow.terrain.own_edges import own_edges
from lotflow.terrain.taken_shots import drawn_there, raster_level

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from lotflow.findings import Finding
    from lotflow.study.chapter import Tell
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.house_ring import Facade
    from lotflow.terrain.outlet_search import OutletOption


def terrain_chapter(lot: LotWater) -> Chapter:
    """Give the layers and findings of the ground, its low spots and inlets."""
    return Chapter(layers=_layers(lot), findings=_findings(lot))


def shots_chapter(lot: LotWater) -> Chapter:
    """Give the levels measured on site, and the level notes as they were reduced."""
    site = lot.site
    if not len(site.shots):
        return Chapter()
    layer = shots_layer(
        site.shots,
        raster_level(site.shots, surface_on(lot.window.elevation.grid, site, lot.job)),
        drawn_there(site.shots, site.covers, site.buildings),
    )
    books = site.level_books
    return Chapter(
        layers={"shots": layer},
        texts={LEVEL_BOOK_FILE: level_books_text(books)} if books else {},
    )


def _findings(lot: LotWater) -> list[Finding]:
    """What the inputs and the ground give to say."""
    job, window, inlets = lot.job, lot.window, lot.inlets
    grid = window.surface.ground
    limit = job.criteria.low_spot_limit_m(job.elevation.rmse_m)
    found = [*lot.source.findings, *window.elevation.findings, *lot.site.findings]
    if lot.levelled is not None:
        found += shot_findings(lot.levelled)
    found += gap_notes(window.surface, window.lot)
    found += sunk_notes(window.sunk)
    found += off_lot(lot.site, job.criteria, grid.metres_per_unit)
    found += edge_notes(
        lot.names,
        lot.cells.cut_by_edge,
        lot_cut=lot.is_cut,
        lot_held=lot.is_held,
        lot=window.lot,
        cell_m=grid.cell_m,
    )
    found += inlet_notes(
        inlets.placed, inlets.residual, inlets.hidden, grid, limit=limit,
        offers=inlets.offers, lot=window.lot,
    )  # fmt: skip
    found += low_spot_notes(
        lot.low_spots,
        lot.low_spots.cells_in(window.lot) > 0,
        grid,
        limit=limit,
        not_closed=lot.spots_not_closed,
    )
    return found


def _layers(lot: LotWater) -> dict[str, pd.DataFrame]:
    """The layers of the ground."""
    window, inlets, site = lot.window, lot.inlets, lot.site
    grid, units = window.surface.ground, lot.job.units
    return {
        "lot": layers.lot_layer(site.lot, grid.metres_per_unit, lot.job.job.name),
        **low_spot_layers(lot.low_spots, lot.inner, grid, _low_spot_facts(lot), site.buildings),
        "flow_paths": layers.flow_paths_layer(lot.paths, inlets.routing),
        "lot_line_crossings": layers.crossings_layer(lot.crossings, grid),
        "water_parts": water_parts(lot),
        **inlet_layers(
            inlets, lot.cells, list(in_case(site.inlets, lot.case)["kind"]), lot.low_spots,
            lot.spots_not_closed,
        ),
        "buildings": layers.buildings_layer(site.buildings),
        "contours": contours_layer(grid, units, lot.job.elevation.rmse_m),
        "water": layers.water_layer(site.water),
    }  # fmt: skip


def _low_spot_facts(lot: LotWater) -> LowSpotFacts:
    """What is known of the low spots beside their shape."""
    spots, window = lot.low_spots, lot.window
    own_edge, behind = own_edges(spots, lot.natural, window.lot)
    return LowSpotFacts(
        spots.cells_in(window.lot), lot.spots_cut, lot.spots_not_closed,
        inlets_in(spots, lot.inlets.placed), own_edge, behind, spots.deepest_in(window.lot),
    )  # fmt: skip


def water_parts(lot: LotWater, facades: Sequence[Facade] = ()) -> pd.DataFrame:
    """Where the water of the lot, its inlets, low spots and, as it runs today, walls comes from."""
    grid, footprints = lot.window.surface.ground, lot.site.buildings.geometry
    ground = Ground(
        lot.roofs, lot.window.lot, lot.site.lot.geometry.union_all().boundary, STRETCH_M,
        lot.crossings, building_names(lot.site.buildings),
    )  # fmt: skip
    found = lot_origins(ground, lot.inlets.routing, lot.names, lot.low_spots)
    if facades:
        # what runs by on a street or next door is not this house's to deal with
        walls = footprints.union_all()
        ring = ring_cells(facades, walls, grid, lot.window.lot)
        ring = before_swales(ring, lot.window.works, walls, grid)
        found += origins(ground, lot.natural, [one.name for one in facades], ring)
    return water_parts_table(found, grid)


def outlet_search(
    lot: LotWater, tell: Tell = say_nothing
) -> tuple[list[list[OutletOption]], list[Finding]]:
    """Look for lower places that gravity can reach from each low spot on the lot and each inlet."""
    surface = lot.window.surface
    return outlets_by_gravity(
        lot.site, lot.case, search_ground(surface, lot.site, lot.level_error),
        lot.low_spots, lot.window.lot, lot.inlets.placed, lot.job.criteria,
        lambda part: tell(WHERE_TO, part),
    )  # fmt: skip


def outlet_chapter(
    lot: LotWater, found: tuple[list[list[OutletOption]], list[Finding]] | None = None
) -> Chapter:
    """Say what `outlet_search` found; without it, search."""
    options, findings = outlet_search(lot) if found is None else found
    crs = lot.window.surface.ground.crs
    return Chapter(layers={"outlet_options": outlet_options_layer(options, crs)}, findings=findings)
