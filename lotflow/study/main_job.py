"""From a job to everything that is known about the lot's water."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.findings import Finding, ordered
from lotflow.inputs.elevation import ElevationSource, inspect_elevation
from lotflow.inputs.site import Site, in_raster_datum, read_site
from lotflow.inputs.site_files import find_site_files
from lotflow.outputs import result_layers as layers
from lotflow.study.inlets import InletStudy, active, drawn_inlets, study_inlets
from lotflow.study.runoff import Cover, inlet_runoff, site_cover
from lotflow.study.window import MARGIN_LIMIT_M, StudyWindow, study_window
from lotflow.terrain.catchments import CatchmentCells, catchment_cells
from lotflow.terrain.flow_paths import flow_paths
from lotflow.terrain.lot_line import LotBalance, lot_balance, lot_line_crossings
from lotflow.terrain.low_spots import (
    InnerLowSpot,
    LowSpots,
    cut_by_edge,
    find_low_spots,
    flag_artefacts,
    inflow_cells,
    inner_low_spots,
    joined,
    low_spots_under_roofs,
)
from lotflow.terrain.notes import edge_notes, gap_notes, inlet_notes, low_spot_notes
from lotflow.terrain.routing import Routing, no_drains, route

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.inputs.job import Job

#: Length of the stretches of the lot line over which crossing water is summed up [m].
_STRETCH_M = 5.0
#: Crossings smaller than this are only counted in the balance [m^2].
_LEAST_CROSSING_M2 = 5.0


@dataclass(frozen=True, eq=False)
class Study:
    """
    What is known about the lot's water.

    Parameters
    ----------
    job
        What was asked.
    source, site
        The inputs.
    window
        The ground.
    natural
        Routing without inlets.
    inlets
        Inlets and the routing with them.
    low_spots
        Where water can stand without inlets.
    balance
        Of the lot, with inlets.
    layers
        The layers of the result.
    findings
        In reading order.
    """

    job: Job
    source: ElevationSource
    site: Site
    window: StudyWindow
    natural: Routing
    inlets: InletStudy
    low_spots: LowSpots
    balance: LotBalance
    layers: dict[str, pd.DataFrame] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def read_inputs(job: Job) -> tuple[ElevationSource, Site]:
    """
    Read and judge all inputs but the elevations themselves.

    Parameters
    ----------
    job
        Names the files.
    """
    source = inspect_elevation(job.elevation.file, vertical_unit=job.elevation.vertical_unit)
    files, notes = find_site_files(job.layers.file, job.layers.own())
    site = read_site(files, crs=source.crs, vertical_unit=source.vertical_unit)
    site = in_raster_datum(site, job.level_offset_m)
    return source, replace(site, findings=(*notes, *site.findings))


def run_study(job: Job, *, use_covers: bool = True) -> Study:
    """
    Find where water stands on a lot, where it comes from and what each inlet takes.

    Parameters
    ----------
    job
        What to read and how to judge it.
    use_covers
        Whether runoff coefficients follow from covers; otherwise only a stated one counts.

    Raises
    ------
    InputError
        If an input is wrong; all faults of a file at once.
    """
    source, site = read_inputs(job)
    drawn = drawn_inlets(site.inlets)
    window = study_window(source, site, drawn, job.criteria, margin_m=job.elevation.margin_m)
    surface, rule = window.surface, job.terrain.direction
    empty = replace(no_drains(surface), culverts=window.culverts)
    natural = route(surface, empty, rule=rule)
    inlets = study_inlets(drawn, natural, job)
    spots, inner = _low_spots(natural, job)
    cells = catchment_cells(
        inlets.routing, window.lot, inflow_cells(surface, inlets.routing.field.filled)
    )
    knows_cover = use_covers or job.job.coefficient is not None
    cover = site_cover(site, window, job) if knows_cover else None
    study = Study(
        job, source, site, window, natural, inlets, spots,
        lot_balance(inlets.routing, window.lot),
    )  # fmt: skip
    findings = _findings(study, cells, cover)
    return replace(study, findings=findings, layers=_layers(study, cells, inner, cover, findings))


def _low_spots(natural: Routing, job: Job) -> tuple[LowSpots, list[InnerLowSpot]]:
    """Low spots with their artefact flags, those under roofs last, and those nested in them."""
    limit = job.criteria.low_spot_limit_m(job.elevation.rmse_m)
    spots = find_low_spots(natural, limit)
    flags = flag_artefacts(natural, spots, dam_depth=job.criteria.dam_depth_m)
    spots = replace(spots, artefact=flags)
    inner = [] if natural.hierarchy is None else inner_low_spots(natural.hierarchy, spots, limit)
    if natural.surface.roof.any():
        spots = joined(spots, low_spots_under_roofs(natural.surface, limit))
    return spots, inner


def _on_lot(spots: LowSpots, window: StudyWindow) -> Any:
    """Cells of each low spot on the lot."""
    return np.bincount(spots.number[window.lot], minlength=len(spots) + 1)[1:]


def _findings(study: Study, cells: CatchmentCells, cover: Cover | None) -> tuple[Finding, ...]:
    """Everything there is to say, worst first."""
    job, window, inlets = study.job, study.window, study.inlets
    grid = window.surface.ground
    limit = job.criteria.low_spot_limit_m(job.elevation.rmse_m)
    names = [inlet.drawn.name for inlet in inlets.placed]
    found = [*study.source.findings, *window.elevation.findings, *study.site.findings]
    found += gap_notes(window.surface, window.lot)
    found += edge_notes(
        names, cells.cut_by_edge, lot_cut=window.lot_cut, margin_limit_m=MARGIN_LIMIT_M
    )
    found += inlet_notes(inlets.placed, inlets.residual, inlets.hidden, grid, limit=limit)
    found += low_spot_notes(
        study.low_spots, _on_lot(study.low_spots, window) > 0, grid, limit=limit
    )
    if cover is not None:
        found += cover.findings
    return tuple(ordered(found))


def _layers(
    study: Study,
    cells: CatchmentCells,
    inner: list[InnerLowSpot],
    cover: Cover | None,
    findings: tuple[Finding, ...],
) -> dict[str, pd.DataFrame]:
    """The layers of the result."""
    window, spots, natural, inlets = study.window, study.low_spots, study.natural, study.inlets
    grid, routing, job = window.surface.ground, inlets.routing, study.job
    names = [inlet.drawn.name for inlet in inlets.placed]
    inflow = inflow_cells(window.surface, natural.field.filled)
    facts = layers.LowSpotFacts(
        _on_lot(spots, window), cut_by_edge(natural, spots, inflow), _inlets_in(spots, inlets)
    )
    paths = flow_paths(routing, job.criteria.flow_path_area_m2 / grid.cell_m2)
    crossings = [
        crossing
        for crossing in lot_line_crossings(
            routing, window.lot, study.site.lot.geometry.union_all().boundary, _STRETCH_M
        )
        if crossing.area * grid.cell_m2 >= _LEAST_CROSSING_M2
    ]
    runoff = inlet_runoff(inlets, cells, cover, job)
    inlet_facts = layers.InletFacts(
        kind=list(active(study.site.inlets)["kind"]),
        cells=cells,
        before_move=inlets.before_move,
        residual=inlets.residual,
        roof_connected_m2=np.zeros(len(names)),
        coefficient=runoff.coefficient,
        intensity=job.intensity_m_s,
    )
    outlines, exact = layers.catchment_layers(routing, names, cells.cut_by_edge)
    return {
        "lot": layers.lot_layer(study.site.lot, grid.metres_per_unit),
        "low_spots": layers.low_spots_layer(spots, grid, facts, inner, study.site.buildings),
        "inner_low_spots": layers.inner_low_spots_layer(inner, grid),
        "spill_points": layers.spill_points_layer(spots, grid),
        "flow_paths": layers.flow_paths_layer(paths, routing),
        "lot_line_crossings": layers.crossings_layer(crossings, grid),
        "inlets": layers.inlets_layer(inlets.placed, routing, inlet_facts),
        "catchments": outlines,
        "catchment_cells": exact,
        "buildings": layers.buildings_layer(study.site.buildings),
        "runoff": layers.runoff_table(runoff.rows),
        "findings": layers.findings_table(findings),
    }


def _inlets_in(spots: LowSpots, inlets: InletStudy) -> list[str]:
    """Names of the inlets that stand in each low spot."""
    inside: list[list[str]] = [[] for _ in range(len(spots) + 1)]
    for inlet in inlets.placed:
        for number in np.unique(spots.number.ravel()[inlet.cells]):
            inside[number].append(inlet.drawn.name)
    return [", ".join(names) for names in inside[1:]]
