"""The terrain step's layers and findings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.outputs import result_layers as layers
from lotflow.outputs.ground_layers import (
    InletFacts,
    LowSpotFacts,
    catchment_layers,
    inlets_layer,
    inner_low_spots_layer,
    low_spots_layer,
    spill_points_layer,
)
from lotflow.study.cases import in_case
from lotflow.study.chapter import Chapter
from lotflow.study.setbacks import off_lot
from lotflow.terrain.contours import contour_interval, contours
from lotflow.terrain.lot_line import lot_line_crossings
from lotflow.terrain.low_spots import LowSpots
from lotflow.terrain.notes import edge_notes, gap_notes, inlet_notes, low_spot_notes
from lotflow.terrain.routing import upstream_of
from lotflow.units import METRES_PER_FOOT

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.findings import Finding
    from lotflow.study.inlets import InletStudy
    from lotflow.study.lot_water import LotWater
    from lotflow.study.window import StudyWindow

#: Length of the stretches of the lot line over which crossing water is summed up [m].
_STRETCH_M: Final = 5.0
#: Crossings smaller than this are only counted in the balance [m^2].
_LEAST_CROSSING_M2: Final = 5.0
#: Shorter scraps of contours tell nothing of a lot [m].
_SHORTEST_CONTOUR_M: Final = 5.0


def terrain_chapter(lot: LotWater) -> Chapter:
    """
    Give the layers and findings of the ground, its low spots and inlets.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.
    """
    return Chapter(layers=_layers(lot), findings=_findings(lot))


def _on_lot(spots: LowSpots, window: StudyWindow) -> Any:
    """Cells of each low spot on the lot."""
    return np.bincount(spots.number[window.lot], minlength=len(spots) + 1)[1:]


def _lot_cut(lot: LotWater) -> bool:
    """Tell whether water may come onto the lot from beyond what is known."""
    coming = lot.window.inflow(lot.natural) & upstream_of(lot.natural, lot.window.lot)
    return bool(coming.any())


def _findings(lot: LotWater) -> list[Finding]:
    """What the inputs and the ground give to say."""
    job, window, inlets = lot.job, lot.window, lot.inlets
    grid = window.surface.ground
    limit = job.criteria.low_spot_limit_m(job.elevation.rmse_m)
    found = [*lot.source.findings, *window.elevation.findings, *lot.site.findings]
    found += gap_notes(window.surface, window.lot)
    held = window.held & window.lot & (lot.low_spots.number == 0)
    found += off_lot(lot.site, job.criteria, grid.metres_per_unit)
    found += edge_notes(
        lot.names,
        lot.cells.cut_by_edge,
        lot_cut=_lot_cut(lot),
        lot_held=bool(held.any()),
        lot=window.lot,
        cell_m=grid.cell_m,
    )
    found += inlet_notes(
        inlets.placed, inlets.residual, inlets.hidden, grid, limit=limit,
        offers=inlets.offers, lot=window.lot,
    )  # fmt: skip
    found += low_spot_notes(
        lot.low_spots,
        _on_lot(lot.low_spots, window) > 0,
        grid,
        limit=limit,
        not_closed=lot.spots_not_closed,
    )
    return found


def _layers(lot: LotWater) -> dict[str, pd.DataFrame]:
    """The layers of the ground."""
    window, spots, inlets = lot.window, lot.low_spots, lot.inlets
    grid, routing = window.surface.ground, inlets.routing
    facts = LowSpotFacts(
        _on_lot(spots, window), lot.spots_cut, lot.spots_not_closed, _inlets_in(spots, inlets)
    )
    crossings = [
        crossing
        for crossing in lot_line_crossings(
            routing, window.lot, lot.site.lot.geometry.union_all().boundary, _STRETCH_M
        )
        if crossing.area * grid.cell_m2 >= _LEAST_CROSSING_M2
    ]
    inlet_facts = InletFacts(
        kind=list(in_case(lot.site.inlets, lot.case)["kind"]),
        cells=lot.cells,
        not_closed=_inlets_not_closed(lot),
        before_move=inlets.before_move,
        residual=inlets.residual,
    )
    outlines, exact = catchment_layers(routing, lot.names, lot.cells.cut_by_edge)
    return {
        "lot": layers.lot_layer(lot.site.lot, grid.metres_per_unit),
        "low_spots": low_spots_layer(spots, grid, facts, lot.inner, lot.site.buildings),
        "inner_low_spots": inner_low_spots_layer(lot.inner, grid),
        "spill_points": spill_points_layer(spots, grid),
        "flow_paths": layers.flow_paths_layer(lot.paths, routing),
        "lot_line_crossings": layers.crossings_layer(crossings, grid),
        "inlets": inlets_layer(inlets.placed, routing, inlet_facts),
        "catchments": outlines,
        "catchment_cells": exact,
        "buildings": layers.buildings_layer(lot.site.buildings),
        "contours": _contours(lot),
        "layer_styles": layers.styles_table(lot.job.job.units),
    }


def _contours(lot: LotWater) -> Any:
    """Contours of the window; without any relief there are none."""
    grid, job = lot.window.surface.ground, lot.job
    known = grid.values[~grid.missing]
    relief = float(np.ptp(known)) if known.size else 0.0
    lines = []
    if relief > 0:
        unit = METRES_PER_FOOT if job.job.units == "us" else 1.0
        interval = contour_interval(relief, job.elevation.rmse_m, unit)
        lines = contours(grid, interval, shortest_m=_SHORTEST_CONTOUR_M)
    return layers.contours_layer(lines, grid, job.job.units)


def _inlets_not_closed(lot: LotWater) -> list[bool]:
    """Tell of each inlet whether its catchment or the low spot it stands in is not closed."""
    is_open = np.append(False, lot.spots_not_closed)
    return [
        bool(cut or is_open[lot.low_spots.number.ravel()[inlet.cells]].any())
        for inlet, cut in zip(lot.inlets.placed, lot.cells.cut_by_edge, strict=True)
    ]


def _inlets_in(spots: LowSpots, inlets: InletStudy) -> list[str]:
    """Names of the inlets that stand in each low spot."""
    inside: list[list[str]] = [[] for _ in range(len(spots) + 1)]
    for inlet in inlets.placed:
        for number in np.unique(spots.number.ravel()[inlet.cells]):
            inside[number].append(inlet.drawn.name)
    return [", ".join(names) for names in inside[1:]]
