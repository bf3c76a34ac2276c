"""The steps of a whole job, beyond those of a screening: runoff, house, drains, ponds, orders."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from lotflow.drains.checked import inlet_capacities
from lotflow.drains.discharge_findings import outlet_discharge_findings, setback_findings
from lotflow.drains.earthworks import (
    Around,
    earthwork_findings,
    judge_earthworks,
    ordered_earthworks,
)
from lotflow.drains.first_levels import LotQuestions
from lotflow.drains.house import (
    downspouts_on_ground,
    facades_of,
    openings_of,
    outlets_on_ground,
    own_buildings,
)
from lotflow.drains.house_findings import downspout_findings, facade_findings, opening_findings
from lotflow.drains.judged import design_storm
from lotflow.drains.order import ordered_quantities
from lotflow.drains.quantities import priced
from lotflow.drains.setbacks import setback_distances
from lotflow.drains.stakes import stakes
from lotflow.findings import with_earlier
from lotflow.inputs.day_rain import DayRain, read_day_rain, require_days
from lotflow.inputs.prices import read_prices
from lotflow.layers.drawn import cases_of
from lotflow.outputs.ground_layers import (
    earthwork_layers,
    facades_layer,
    openings_layer,
    stakes_layer,
    swale_ways_layer,
)
from lotflow.outputs.positions import place_of
from lotflow.outputs.quantities import quantities_csv, quantities_table
from lotflow.outputs.result_layers import flow_paths_layer, runoff_table
from lotflow.outputs.worked_sheets import SHEETS_FILE, stated_sheets, worked_sheets
from lotflow.ponding.refused import opened_water
from lotflow.runoff.drawn_cover import SiteCover, drawn_cover
from lotflow.runoff.flow_bounds import entering_ca
from lotflow.runoff.rain_findings import overflow_findings, rain_findings, stated_findings
from lotflow.runoff.runoff_rows import storm_rows
from lotflow.runoff.stated_rain import (
    composite_coefficients,
    inlet_areas,
    inlet_ground,
    stated_columns,
    stated_rows,
)
from lotflow.runoff.stated_storm import stated_flows, stated_storm
from lotflow.runoff.storm_parts import downspout_ground, low_spot_ground
from lotflow.runoff.storms import StormStudy, peaks_reaching, study_storms, way_timer
from lotflow.study.chapter import RUNOFF, Chapter, say_nothing
from lotflow.study.confidence import confidence_chapter
from lotflow.study.drain_check import CaseRun, check_drains, drain_chapter
from lotflow.study.ground import water_parts
from lotflow.study.lot_water import CaseWater, case_water
from lotflow.study.ponding import observations_chapter, ponding_chapter, standing_chapter
from lotflow.terrain.cells import touched_cells
from lotflow.terrain.discharge_path import discharge_path
from lotflow.terrain.downspouts import roof_notes
from lotflow.terrain.earthworks import LineEdit, drawn_earthworks
from lotflow.terrain.surface import open_levels
from lotflow.terrain.swale_ways import SwaleWay, swale_ways

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.checked import CheckedCase
    from lotflow.drains.earthworks import JudgedEarthwork
    from lotflow.findings import Finding
    from lotflow.runoff.covers import GroundCover
    from lotflow.runoff.curve_number import StormType
    from lotflow.runoff.stated_storm import StatedStorm
    from lotflow.study.chapter import Tell
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.freeboard import OpeningLevels
    from lotflow.terrain.house_ring import Facade
    from lotflow.terrain.outlet_search import OutletOption
    from lotflow.terrain.ponding import StandingWater


@dataclass(frozen=True, eq=False)
class JudgedJob:
    """
    All that is drawn and given of a job, laid on the ground and found fit to be computed with.

    Parameters
    ----------
    waters
        What takes water in each state of the drains.
    cover
        Of the ground.
    storms
        Runoff of the design storms in each state; None where there is no rain.
    checked
        The drains of each state that has any, the main one first.
    opened
        Where the water of each storm is with every inlet of the main state open.
    days
        Rain of the days on which water was seen.
    """

    waters: list[CaseWater]
    cover: SiteCover
    storms: list[StormStudy | None]
    checked: tuple[CheckedCase, ...]
    opened: list[StandingWater]
    days: DayRain


def judge_job(lot: LotWater) -> JudgedJob:
    """
    Lay all that a job gives on the ground, which is where it may turn out not to fit.

    Both `check` and `run` ask this, so that what the one accepts the other computes.

    Raises
    ------
    InputError
        If something drawn of the drains cannot be taken as it is, or the rain of a day on which
        water was seen cannot be read or is not there.
    """
    days = read_day_rain(lot.job.observations)
    require_days(lot.site.observations, days)
    # those that are there already are not dug: nothing before this has judged how they are drawn
    drawn_earthworks(lot.site, None, lot.window.surface.ground.metres_per_unit)
    waters = [case_water(lot, case) for case in cases_of(lot.site)]
    cover = site_cover(lot)
    storms = [case_storms(lot, water, cover.ground) for water in waters]
    main = storms[-1]
    opened = [] if main is None else opened_water(waters[-1].inlets.routing, main)
    checked = check_drains(
        lot,
        [
            # a stated intensity counts where there is no rainfall
            CaseRun(water.case, water.inlets, storm or stated_case(lot, water, cover.ground),
                    opened if water is waters[-1] else ())
            for water, storm in zip(waters, storms, strict=True)
        ],
    )  # fmt: skip
    return JudgedJob(waters, cover, storms, checked, opened, days)


def case_storms(lot: LotWater, water: CaseWater, cover: GroundCover) -> StormStudy | None:
    """What the design storms bring to the drains of a case; None where no rainfall is given."""
    if lot.rainfall is None or lot.job.rainfall is None:
        return None
    return study_storms(
        lot.rainfall, lot.job.rainfall.storms, water.inlets.routing, water.names, water.roofs, cover
    )


def stated_case(lot: LotWater, water: CaseWater, cover: GroundCover) -> StatedStorm | None:
    """What the stated intensity brings to the drains of a case; None where none is stated."""
    if lot.job.intensity_m_s is None:
        return None
    routing = water.inlets.routing
    return stated_storm(lot.job.intensity_m_s, routing, water.names, water.roofs, cover)


def job_chapters(
    lot: LotWater, tell: Tell = say_nothing, options: Sequence[Sequence[OutletOption]] = ()
) -> list[Chapter]:
    """
    Take the steps of a job that a screening leaves out; `tell` hears what is being looked at.

    `options`: of `outlet_search`, which levels taken on site may decide.

    Raises
    ------
    InputError
        As `judge_job`.
    """
    judged = judge_job(lot)
    waters, cover, storms, checked = judged.waters, judged.cover, judged.storms, judged.checked
    main = storms[-1]
    # the main case is the first one checked
    of_main = checked[0] if checked and checked[0].case == lot.case else None
    capacity = inlet_capacities(of_main) if of_main else {}
    works = judged_earthworks(lot, main, cover.ground)
    ca_weight = entering_ca(lot.window.surface, cover.ground.coefficient)
    runoff = runoff_chapter(lot, cover, main, releases=capacity)
    house = round_house(lot, cover.ground)
    return [
        runoff,
        today_chapter(lot, waters),
        drain_chapter(lot, checked),
        # adds its bounds to what the chapters before it have
        confidence_chapter(
            lot,
            ca_weight=ca_weight,
            runoff=runoff,
            checked=checked,
            asked=LotQuestions(options, *house),
        ),
        house_chapter(lot, waters, cover.ground, house),
        earthwork_chapter(lot, works),
        stakes_chapter(lot, of_main, works),
        standing_chapter(lot, cover.ground),
        quantity_chapter(lot, checked, works),
        Chapter(findings=stated_findings(lot.job.intensity_m_s if checked else None))
        if main is None
        else ponding_chapter(
            lot,
            main,
            intakes=of_main.intakes if of_main else None,
            opened=judged.opened,
            tell=partial(tell, RUNOFF),
        ),
        # what was seen was seen of the drains as they are
        observations_chapter(lot, waters[0], cover.ground, storms[0], judged.days.known()),
        Chapter(hashes={"observations": judged.days.sha256} if judged.days.sha256 else {}),
    ]


def today_chapter(lot: LotWater, cases: Sequence[CaseWater]) -> Chapter:
    """Give where water runs today, where it is to run another way."""
    if len(cases) == 1:
        return Chapter()
    routing = cases[0].inlets.routing
    paths = flow_paths_layer(lot.paths_on(routing), routing, today=True)
    return Chapter(layers={"flow_paths_today": paths})


def site_cover(lot: LotWater) -> SiteCover:
    """Find what covers every cell, as the job gives the cover of ground without a polygon."""
    general, window = lot.job.job, lot.window
    return drawn_cover(
        lot.site, window.surface, window.lot, ground=general.ground,
        soil_group=general.soil_group, coefficient=general.coefficient,
        by_storm=lot.job.rainfall is not None,
    )  # fmt: skip


def runoff_chapter(
    lot: LotWater,
    cover: SiteCover,
    storms: StormStudy | None,
    *,
    releases: Mapping[str, float] = MappingProxyType({}),
) -> Chapter:
    """
    Give what the design storms bring to every inlet, node, downspout and low spot.

    Without rainfall it is the rational flow of the inlets for a stated intensity, or for one of
    10 mm/h. `releases` is what the line that leaves an inlet carries, by its name [m^3/s].
    """
    names, roofs, intensity = lot.names, lot.roofs, lot.job.intensity_m_s
    area = inlet_areas(lot.cells.total, roofs, names)
    coefficient = composite_coefficients(lot.inlets.routing, cover.ground, roofs, names, area)
    columns = stated_columns(roofs, names, coefficient, area, intensity)
    findings = [*cover.findings, *roof_notes(lot.site, roofs, lot.case, lot.window.lot)]
    if storms is None:
        rows = stated_rows(names, coefficient, area, intensity)
        ground = inlet_ground(lot.inlets.routing, cover.ground, roofs, names)
        sheets = stated_sheets(
            names, ground, cover.ground, intensity, lot_name=lot.job.job.name, case=lot.case,
            units=lot.job.units,
        )  # fmt: skip
        return Chapter(
            layers={"runoff": runoff_table(rows)}, columns={"inlets": columns}, findings=findings,
            texts={SHEETS_FILE: sheets} if names else {},
        )  # fmt: skip
    design = design_storm(storms.storms, lot.job.criteria)
    findings = [
        *findings,
        *rain_findings(storms.rainfall, place_of(lot.site.lot), lot.job.criteria),
        *overflow_findings(
            roofs.downspouts, storms.peak_overflow[:, design], storms.leader_limit_m_s,
            storms.storms[design],
        ),
    ]  # fmt: skip
    columns["flow_m3s"] = storms.peaks.flow_m3s[: len(names), design]
    return Chapter(
        layers={"runoff": runoff_table(_storm_rows(lot, storms, releases))},
        columns={"inlets": columns},
        findings=findings,
        texts={
            SHEETS_FILE: worked_sheets(
                storms,
                releases,
                lot_name=lot.job.job.name,
                case=lot.case,
                storm_type=_storm_type(lot),
                units=lot.job.units,
            )
        },
    )


def _storm_rows(
    lot: LotWater, storms: StormStudy, releases: Mapping[str, float]
) -> list[dict[str, Any]]:
    """Rows of the layer "runoff": inlets and nodes, downspouts, low spots on the lot."""
    storm_type = _storm_type(lot)
    kinds = ["inlet" if name in lot.names else "node" for name in storms.node_names]
    downspouts = replace(storms, ground=downspout_ground(lot.roofs, storms.cover))
    of_downspouts = ["downspout" for _ in lot.roofs.downspouts]
    spots = lot.low_spots.within(lot.window.lot).tolist()
    of_spots = low_spot_ground(
        lot.natural, lot.low_spots, lot.roofs, storms.cover, way_timer(storms.rainfall), spots
    )
    return [
        *storm_rows(storms, kinds, storm_type, releases),
        *storm_rows(downspouts, of_downspouts, storm_type),
        *storm_rows(replace(storms, ground=of_spots), ["low spot" for _ in spots], storm_type),
    ]


def _storm_type(lot: LotWater) -> StormType | None:
    """NRCS rain distribution of the region, where the job gives it."""
    return None if lot.job.rainfall is None else lot.job.rainfall.storm_type


def round_house(lot: LotWater, cover: GroundCover) -> tuple[list[Facade], list[OpeningLevels]]:
    """Take the fall before the walls of the lot's buildings, and the levels round openings."""
    site, surface = lot.site, lot.window.surface
    facades = facades_of(site, surface, paved=cover.paved, error=lot.level_error)
    openings = openings_of(
        site, surface, lot.low_spots, error=lot.level_error,
        not_closed=lot.spots_not_closed,
    )  # fmt: skip
    return facades, openings


def house_chapter(
    lot: LotWater,
    cases: Sequence[CaseWater],
    cover: GroundCover,
    house: tuple[list[Facade], list[OpeningLevels]] | None = None,
) -> Chapter:
    """
    Judge the ground round the lot's buildings, their openings, and water let out on the ground.

    The main case comes last; what is found of an earlier one only says so. `house` is what
    `round_house` found; without it, it is asked.
    """
    crs = lot.window.surface.ground.crs
    facades, openings = round_house(lot, cover) if house is None else house
    *earlier, let_out = (_let_out(lot, case) for case in cases)
    for found in earlier:
        let_out = with_earlier(let_out, found)
    return Chapter(
        layers={
            "facades": facades_layer(facades, crs),
            "swale_ways": swale_ways_layer(_swale_ways(lot, cover, facades), crs),
            "openings": openings_layer(openings, crs),
            # with that of the walls now
            "water_parts": water_parts(lot, facades),
        },
        findings=[*facade_findings(facades), *opening_findings(openings), *let_out],
    )


def _swale_ways(lot: LotWater, cover: GroundCover, facades: Sequence[Facade]) -> list[SwaleWay]:
    """Look for ways for swales round the lot's buildings, clear of paving, walks and water."""
    site, surface = lot.site, lot.window.surface
    kept_clear = (
        cover.paved | surface.water | touched_cells(site.constraints.geometry, surface.ground)
    )
    return swale_ways(
        facades, surface, lot.natural.receivers().ravel(), lot=site.lot.geometry.union_all(),
        buildings=site.buildings.geometry.union_all(), kept_clear=kept_clear,
        hollows=(lot.low_spots.number > 0) & lot.window.lot,
        rmse_m=lot.job.elevation.rmse_m,
    )  # fmt: skip


def judged_earthworks(
    lot: LotWater, storms: StormStudy | None = None, cover: GroundCover | None = None
) -> list[JudgedEarthwork]:
    """
    Judge the earthworks of the main case.

    Parameters
    ----------
    lot
        Ground and inlets.
    storms
        Runoff of the design storms; None where there is no rain.
    cover
        Of the ground, for a stated intensity.
    """
    site, surface = lot.site, lot.window.surface
    shown = drawn_earthworks(site, None, surface.ground.metres_per_unit)
    if not (lot.window.works.edits or shown):
        return []
    routing = lot.inlets.routing
    path_of = partial(discharge_path, routing, lot.low_spots, lot.window.lot)
    flows = _swale_flows(lot, storms, cover)
    around = Around(site, surface, routing.field.filled, path_of, lot.names, flows)
    steps = lot.window.works.steps(open_levels(lot.ground))
    return judge_earthworks(steps, shown, around)


def earthwork_chapter(lot: LotWater, works: Sequence[JudgedEarthwork]) -> Chapter:
    """Give earthworks as they are dug, and what is wrong with them; empty without any."""
    if not works:
        return Chapter()
    return Chapter(
        layers=earthwork_layers(works, lot.window.surface.ground.crs),
        findings=earthwork_findings(works),
    )


def stakes_chapter(
    lot: LotWater, checked: CheckedCase | None, works: Sequence[JudgedEarthwork]
) -> Chapter:
    """Give the stakes by which what is proposed is set out; empty where nothing is."""
    staked = stakes(lot.site, lot.case, checked, works, lot.ground)
    return Chapter(layers={"stakes": stakes_layer(staked, lot.ground.crs)}) if staked else Chapter()


def _swale_flows(
    lot: LotWater, storms: StormStudy | None, cover: GroundCover | None
) -> dict[str, float]:
    """Design flow that reaches each swale of the main case [m^3/s]; none where no rain is given."""
    routing, intensity = lot.inlets.routing, lot.job.intensity_m_s
    swales = {
        edit.work.name: edit.cells[edit.touched]
        for edit in lot.window.works.edits
        if isinstance(edit, LineEdit) and edit.work.kind == "swale"
    }
    if storms is not None:
        return peaks_reaching(
            storms, routing, swales, design_storm(storms.storms, lot.job.criteria)
        )
    if intensity is None or cover is None:
        return {}
    weight = entering_ca(lot.window.surface, cover.coefficient)
    return stated_flows(routing, weight, swales, intensity)


def _let_out(lot: LotWater, water: CaseWater) -> list[Finding]:
    """What is wrong with water let out on the ground in one case, and what is too near."""
    site, case, names, setbacks = lot.site, water.case, water.names, lot.job.setbacks
    unit = lot.window.surface.ground.metres_per_unit
    path_of = partial(discharge_path, water.inlets.routing, lot.low_spots, lot.window.lot)
    downspouts = downspouts_on_ground(site, case, water.roofs, path_of, names)
    outlets = outlets_on_ground(site, case, path_of, names, lot.level_error, unit)
    away = setback_distances(site, case, own_buildings(site), unit)
    return [
        *downspout_findings(downspouts),
        *outlet_discharge_findings(outlets),
        *setback_findings(away, setbacks.limits, setbacks.source),
    ]


def quantity_chapter(
    lot: LotWater, checked: Sequence[CheckedCase], works: Sequence[JudgedEarthwork] = ()
) -> Chapter:
    """
    List what the proposed drains and earthworks need, with the prices of the job's own list.

    Raises
    ------
    InputError
        If the job names a price list that cannot be used.
    """
    general = lot.job.job
    order = ordered_quantities(
        lot.site, checked[0] if checked else None, ground=general.ground,
        metres_per_unit=lot.window.surface.ground.metres_per_unit, units=lot.job.units,
    )  # fmt: skip
    order = [*order, *ordered_earthworks(works, lot.job.units)]
    findings: list[Finding] = []
    hashes: dict[str, str] = {}
    if lot.job.prices is not None:
        file = lot.job.prices.file
        given = read_prices(file)
        hashes["prices"] = given.sha256
        order, findings = priced(order, given.prices, file.name)
    return Chapter(
        layers={"quantities": quantities_table(order)},
        findings=findings,
        texts={"quantities.csv": quantities_csv(order)} if order else {},
        hashes=hashes,
    )
