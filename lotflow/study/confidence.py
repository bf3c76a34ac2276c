"""How sure a study's low spots and catchments are, given the accuracy of its elevation data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from lotflow.drains.first_levels import (
    LotQuestions,
    first_levels,
    level_places,
    line_margins,
)
from lotflow.drains.storm_findings import line_doubts, realised_line_flows
from lotflow.findings import Finding
from lotflow.outputs.drain_layers import line_entries
from lotflow.outputs.grids import Raster
from lotflow.outputs.ground_layers import levels_to_take_layer
from lotflow.outputs.sureness_columns import (
    bound_columns,
    catchments_told,
    entries_with_bounds,
    inlet_grid,
    share_grid,
)
from lotflow.runoff.flow_bounds import (
    area_of_flow,
    flow_per_10mm_h,
    inlets_ca,
    line_flow_bounds,
    share_of_flow,
    storm_flow_bounds,
)
from lotflow.study.chapter import Chapter, inlet_share_file
from lotflow.study.lot_water import error_model, today_ground
from lotflow.terrain.confidence import (
    FEWEST,
    Watched,
    bounds_of,
    half_width,
    realisations_for,
    run_realisations,
)
from lotflow.terrain.falls import cells_of, falls_left_out, falls_table, named_places
from lotflow.terrain.inlet_places import snap_radius_m
from lotflow.terrain.level_error import CORRELATION_SOURCE, RMSE_SOURCE
from lotflow.terrain.realisations.realisation import realisation_plan
from lotflow.terrain.sureness import (
    catchment_areas,
    holding_shares,
    inlet_findings,
    low_spot_findings,
    path_findings,
    realised_bounds,
    usual_realisations,
)
from lotflow.terrain.surface import open_levels

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from lotflow.drains.checked import CheckedCase
    from lotflow.drains.first_levels import LevelPlaces
    from lotflow.grid import FloatArray, IntArray
    from lotflow.inputs.job import Job
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.confidence import Realised
    from lotflow.terrain.falls import NamedPlace
    from lotflow.terrain.sureness import Bounds


def confidence_chapter(
    lot: LotWater,
    *,
    ca_weight: FloatArray | None = None,
    runoff: Chapter | None = None,
    checked: Sequence[CheckedCase] = (),
    asked: LotQuestions | None = None,
) -> Chapter:
    """
    Run the realisations of a study and say what they show; empty where the job asks for none.

    Without `ca_weight`, of `entering_ca` [m^2], there are no bounds of flow; without `runoff`, of
    `runoff_chapter`, none of each storm; without `checked`, of `check_drains`, none in lines.
    `asked` is what is judged of the lot by levels that may be taken on site.
    """
    if not lot.job.confidence.realisations:
        return Chapter()
    grid, error = lot.window.surface.ground, error_model(lot.job)
    places = named_places(
        lot.site, lot.case, lot.window.surface, lot.window.lot, lot.low_spots, lot.inlets.placed
    )
    first = level_places(
        places, asked or LotQuestions(), lot.low_spots, lot.window.surface, lot.window.lot
    )
    realised = realise_study(lot, places=places, first=first, ca_weight=ca_weight)
    limit = lot.job.criteria.low_spot_limit_m(lot.job.elevation.rmse_m)
    bounds = realised_bounds(realised, lot.low_spots, error, limit, grid.cell_m2)
    measured = catchment_areas(lot.cells, grid)
    draining = realised.draining()
    holds = holding_shares(lot.paths, lot.inlets.routing, draining)
    flow, storms, lines, flows = {}, {}, Chapter(), None
    if ca_weight is not None:
        ground = bounds_of(realised.intake, error)
        flow = bound_columns("ground_flow_per_10mm_h_m3s", flow_per_10mm_h(ground))
        if runoff is not None:
            storms = _storm_columns(lot, ground, ca_weight, runoff)
        flows = _line_flows(lot, realised, ca_weight, checked)
        lines = _line_bounds(lot, realised, flows, checked)
    return Chapter(
        layers={
            "falls": falls_table(grid, places, realised.level, error),
            **_levels_to_take(lot, realised, first, None if flows is None else (checked[0], flows)),
        },
        columns={
            "low_spots": {"probability": bounds.probability}
            | bound_columns("depth_m", bounds.depth_m)
            | bound_columns("volume_m3", bounds.volume_m3),
            "inlets": bound_columns("catchment_m2", bounds.catchment_m2)
            | flow
            | catchments_told(measured, bounds.catchment_m2, lot.job.units),
            "flow_paths": {"holds_share": holds},
            "runoff": storms,
            **lines.columns,
        },
        findings=[
            confidence_note(lot.job, realised.number),
            *low_spot_findings(lot.low_spots, grid, lot.window.lot, bounds),
            *inlet_findings(lot.names, measured, bounds),
            *path_findings(lot.names, lot.paths, lot.inlets.routing, holds, realised.number),
            *lines.findings,
            *falls_left_out(places),
        ],
        sections={
            "confidence": [_section(lot, realised.number) | _together(lot, realised, bounds)],
            **lines.sections,
        },
        rasters=_rasters(lot, realised.most_likely(), draining) if lot.names else {},
    )


def confidence_note(job: Job, number: int) -> Finding:
    """Say how many realisations were run, of which error, and how precise their shares are."""
    error = error_model(job)
    if error.is_none:
        return Finding("realisations", "note", "elevation", facts={"rmse_m": error.rmse_m})
    precision, usual = half_width(number), job.confidence.realisations
    return Finding(
        "realisations", "note", "elevation",
        measured=round(precision, 3), unit="1", source=_error_source(job),
        facts={
            "rmse_m": error.rmse_m, "number": number, "white_share": error.white_share,
            "correlation_m": error.correlation_m, "precision": precision, "fewest": FEWEST,
            "usual": usual, "cut_short": job.confidence.precision is None and number < usual,
        },
    )  # fmt: skip


def _error_source(job: Job) -> str:
    """Where the numbers of the error come from: the job, or what is assumed without it."""
    stated = job.elevation.model_fields_set
    rmse = "RMSE: the job file" if "rmse_m" in stated else RMSE_SOURCE
    is_given = {"correlation_m", "white_share"} <= stated
    return f"{rmse}; {'how it is shared: the job file' if is_given else CORRELATION_SOURCE}"


def realise_study(
    lot: LotWater,
    *,
    places: Sequence[NamedPlace],
    first: LevelPlaces | None = None,
    ca_weight: FloatArray | None = None,
) -> Realised:
    """Run the realisations that the job asks for; the level of `places`, then `first`, is kept."""
    job, placed = lot.job, lot.inlets.placed
    plan = realisation_plan(
        lot.natural,
        placed,
        snap_m=snap_radius_m(job.criteria.snap_m, lot.window.surface.ground.cell_m),
        pond_depth_m=job.criteria.low_spot_limit_m(job.elevation.rmse_m),
        rule=job.terrain.direction,
        measured=open_levels(lot.window.elevation.grid),
        edit=lot.window.works,
    )
    watched = Watched(
        lot.low_spots.number,
        len(lot.low_spots),
        ca_weight,
        cells_of(places) if first is None else first.cells_after(places),
    )
    number = realisations_of(job, lot.low_spots.number.size)
    seed = job.confidence.seed
    return run_realisations(
        plan, error_model(job), watched, number=number, seed=seed,
        surfaces=None if lot.levelled is None else lot.levelled.surfaces,
        apart=lot.window.elevation.apart,
    )  # fmt: skip


def realisations_of(job: Job, cells: int) -> int:
    """
    How many realisations are run on ground of so many cells.

    What somebody asked for is run. Where nobody did, very wide ground has fewer than usual.
    """
    asked = job.confidence
    if asked.precision is not None:
        return realisations_for(asked.precision)
    if "realisations" in asked.model_fields_set:
        return asked.realisations
    return usual_realisations(asked.realisations, cells)


def _together(lot: LotWater, realised: Realised, bounds: Bounds) -> dict[str, Any]:
    """Catchment and flow over the ground of all inlets together, by their joint distribution."""
    if not lot.names:
        return {}
    told: dict[str, Any] = bound_columns("inlets_catchment_m2", bounds.together_m2)
    if realised.intake.shape[1] and realised.intake.any():
        whole = bounds_of(realised.intake.sum(axis=1), error_model(lot.job))
        told |= bound_columns("inlets_ground_flow_per_10mm_h_m3s", flow_per_10mm_h(whole))
    return {name: float(value) for name, value in told.items()}


def _storm_columns(
    lot: LotWater, ground: FloatArray, ca_weight: FloatArray, runoff: Chapter
) -> dict[str, FloatArray]:
    """Bounds of the flow in each storm: roofs led into drains are there in every realisation."""
    whole = area_of_flow(runoff.columns["inlets"]["flow_per_10mm_h_m3s"])
    measured = inlets_ca(lot.inlets.routing, lot.names, ca_weight)
    factor = share_of_flow(whole, measured, ground)
    return storm_flow_bounds(runoff.layers["runoff"], lot.names, factor)


def _line_flows(
    lot: LotWater, realised: Realised, ca_weight: FloatArray, checked: Sequence[CheckedCase]
) -> FloatArray | None:
    """Flow in the lines of the main case in each storm and realisation; None without lines."""
    if not checked or checked[0].case != lot.case:
        return None
    measured = inlets_ca(lot.inlets.routing, lot.names, ca_weight)
    return realised_line_flows(checked[0].state, lot.names, measured, realised.intake)


def _line_bounds(
    lot: LotWater, realised: Realised, flow: FloatArray | None, checked: Sequence[CheckedCase]
) -> Chapter:
    """Bounds of the flow in the lines of the main case, and lines they leave open."""
    if flow is None:
        return Chapter()
    main = checked[0]
    # lines of the other case have inlets of their own, which are in no realisation
    others = sum(case.state.flows.flow_m3s.size for case in checked[1:])
    bounds = line_flow_bounds(flow, error_model(lot.job), others)
    findings = []
    if main.design is not None and realised.number >= FEWEST:
        findings = line_doubts(main.state, main.design, flow)
    columns = bound_columns("flow_m3s", bounds)
    entries = [entry for case in checked for entry in line_entries(case)]
    # one entry per line and storm, as the table has them
    lines = entries_with_bounds(entries, columns)
    return Chapter(
        columns={"line_storms": columns}, findings=findings, sections={"lines": lines}
    )  # fmt: skip


def _levels_to_take(
    lot: LotWater,
    realised: Realised,
    places: LevelPlaces,
    flow: tuple[CheckedCase, FloatArray] | None,
) -> dict[str, pd.DataFrame]:
    """Levels to take on site first; none of few realisations, in which chance foretells much."""
    if realised.number < FEWEST:
        return {}
    lines = None
    if flow is not None and flow[0].design is not None:
        lines = line_margins(flow[0].state, flow[0].design, flow[1])
    limit = lot.job.criteria.low_spot_limit_m(lot.job.elevation.rmse_m)
    today = today_ground(lot)
    found = first_levels(places, realised, limit, today.values, lines)
    to_come = {
        str(name)
        for drawn in (lot.site.inlets, lot.site.outlets)
        for name in drawn["name"][drawn["status"] == "proposed"]
    }
    return {"levels_to_take": levels_to_take_layer(found, today.crs, to_come)} if found else {}


def _section(lot: LotWater, number: int) -> dict[str, Any]:
    """What was run, for the summary."""
    error = error_model(lot.job)
    return {
        "realisations": number,
        "seed": lot.job.confidence.seed,
        "rmse_m": error.rmse_m,
        "correlation_m": error.correlation_m,
        "white_share": error.white_share,
        "precision": 0.0 if error.is_none else half_width(number),
    }


def _rasters(
    lot: LotWater, most_likely: tuple[IntArray, FloatArray], draining: FloatArray
) -> dict[str, Raster]:
    """Per cell the most likely inlet, its share, and the share of each inlet."""
    surface, (inlet, share) = lot.window.surface, most_likely
    rasters = {
        "likely_inlet.tif": Raster(
            inlet_grid(surface, inlet),
            "number of the inlet that takes the water most often, 0 for none", "code",
        ),
        "likely_inlet_share.tif": Raster(
            share_grid(surface, share), "share of realisations in which it does", "1"
        ),
    }  # fmt: skip
    for number, values in enumerate(draining, start=1):
        rasters[inlet_share_file(number)] = Raster(
            share_grid(surface, values),
            f"share of realisations in which a cell drains to inlet number {number}", "1",
        )  # fmt: skip
    return rasters
