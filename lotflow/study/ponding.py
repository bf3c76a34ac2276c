"""The steps to what stands after each storm, with every inlet open and with inlets blocked."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Protocol

from lotflow.drains.discharge_findings import standing_findings
from lotflow.drains.standing_water import ground_infiltration
from lotflow.findings import Finding
from lotflow.outputs import pond_layers as layers
from lotflow.outputs.grids import Raster
from lotflow.ponding.findings import PondsFound, pond_findings, soil_note
from lotflow.ponding.observations import SeenGround, observation_findings, observed
from lotflow.ponding.ponds import PondGround, near_lot, site_thresholds
from lotflow.ponding.runs import limited_storm, require_closed, run_storms, scenario_routings
from lotflow.ponding.standing import hours_to_soak, judged_places, standing_places
from lotflow.runoff.storms import periods_of_days, rain_of_a_day
from lotflow.study.chapter import Chapter, say_nothing
from lotflow.terrain.low_spots import counterparts
from lotflow.terrain.ponding import pond_network

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from lotflow.drains.intake import Intakes
    from lotflow.grid import BoolArray, FloatArray
    from lotflow.ponding.records import CaseStorm
    from lotflow.runoff.covers import GroundCover
    from lotflow.runoff.storms import StormStudy
    from lotflow.study.lot_water import CaseWater, LotWater
    from lotflow.terrain.ponding import StandingWater


class StormRunoff(Protocol):
    """What is asked of the storms of a study."""

    @property
    def storms(self) -> Sequence[float]:
        """Return periods, rising [yr]."""

    @property
    def cover(self) -> GroundCover:
        """Cover of every cell."""

    def runoff_depth(self, storm: int, /) -> FloatArray:
        """Runoff of each cell, at the cell where it enters the flow [m]."""

    def connected_volume(self, storm: int, /) -> Mapping[str, float]:
        """Roof water led into each node of the drains [m^3]."""


def standing_chapter(lot: LotWater, cover: GroundCover) -> Chapter:
    """Find how long each low spot takes to soak away, and which on the lot take too long."""
    spots, grid = lot.low_spots, lot.window.surface.ground
    rate = ground_infiltration(cover, lot.job.job.soil_group, lot.job.job.soak_test_m_s)
    places = standing_places(spots, grid, rate, lot.site.buildings.geometry)
    return Chapter(
        columns={"low_spots": {"soak_away_h": hours_to_soak(places)}},
        findings=standing_findings(judged_places(places, spots, lot.window.lot, lot.inlets.placed)),
    )


def ponding_chapter(
    lot: LotWater, storms: StormRunoff, *, intakes: Intakes | None = None,
    opened: Sequence[StandingWater] | None = None, tell: Callable[[str], None] = say_nothing,
) -> Chapter:  # fmt: skip
    """
    Find what stands after each storm, what inlets take, and what happens when they do not.

    With `intakes`, which have volumes, storms also run with every inlet taking no more than that;
    `opened` is where the water of each storm is with every inlet open, where it is known already.
    """
    rate = ground_infiltration(storms.cover, lot.job.job.soil_group, lot.job.job.soak_test_m_s)
    ground = ground_of_ponds(lot, rate, storms.cover.paved)
    found, first, natural = run_storms(
        ground,
        scenario_routings(
            lot.natural, lot.inlets.routing, lot.inlets.placed, lot.job.terrain.direction
        ),
        [storms.runoff_depth(i) for i in range(len(storms.storms))],
        opened=opened,
        tell=tell,
    )
    if intakes is not None and intakes.rows and lot.names:
        found += [
            limited_storm(ground, lot.inlets.placed, natural, one, intakes.of_storm(i), up)
            for i, (one, up) in enumerate(zip(first, intakes.surfaced_m3.tolist(), strict=True))
        ]
    require_closed(found)
    return _chapter(lot, storms, ground, found, [water.depth for _, water in first])


def observations_chapter(
    lot: LotWater,
    today: CaseWater,
    cover: GroundCover,
    storms: StormStudy | None,
    days: Mapping[str, float],
) -> Chapter:
    """
    Hold what was seen against what is predicted with the drains of today.

    Parameters
    ----------
    today, storms
        What takes water today, and the design storms with it; None where no rain is given.
    cover
        Of every cell.
    days
        Rain by day [m].
    """
    if not len(lot.site.observations):
        return Chapter()
    site, general = lot.site, lot.job.job
    ground = SeenGround(
        grid=lot.window.surface.ground,
        low_spots=today.low_spots,
        # results number those of the main case
        told=counterparts(today.low_spots, lot.low_spots),
        opened=pond_network(today.inlets.routing),
        natural=pond_network(today.natural),
        placed=today.inlets.placed,
        rate=ground_infiltration(cover, general.soil_group, general.soak_test_m_s),
        barriers=[*site.buildings.geometry, *site.walls.geometry],
        error=lot.level_error,
        least_m=lot.job.criteria.pond_depth_m,
    )
    seen = observed(
        site.observations, ground, days, partial(rain_of_a_day, cover, today.roofs),
        [] if storms is None else [storms.runoff_depth(i) for i in range(len(storms.storms))],
    )  # fmt: skip
    periods = periods_of_days(lot.rainfall, [one.rain.depth_m for one in seen])
    layer = layers.observations_layer(seen, periods, ground.grid.crs)
    return Chapter(
        layers={"observations": layer},
        findings=observation_findings(seen, periods),
        sections={"observations": layers.observation_entries(layer)},
    )


def ground_of_ponds(lot: LotWater, rate: FloatArray, paved: BoolArray) -> PondGround:
    """Gather what the ponds of a lot are judged by; `rate` is infiltration [m/s]."""
    surface, site, criteria = lot.window.surface, lot.site, lot.job.criteria
    outline = site.lot.geometry.union_all()
    return PondGround(
        grid=surface.ground,
        lot=lot.window.lot,
        near=near_lot(lot.window.lot, surface.ground, criteria),
        low_spot=lot.low_spots.number,
        artefact=lot.low_spots.artefact,
        not_closed=lot.spots_not_closed | lot.spots_cut,
        thresholds=site_thresholds(surface, site.buildings, site.openings, outline),
        paved=paved,
        rate=rate,
        inlets=lot.names,
        least_depth=criteria.pond_depth_m,
        rmse=lot.job.elevation.rmse_m,
    )


def _chapter(
    lot: LotWater,
    storms: StormRunoff,
    ground: PondGround,
    found: Sequence[CaseStorm],
    open_depths: Sequence[FloatArray],
) -> Chapter:
    """Put layers, tables, rasters and findings together."""
    job, periods = lot.job.job, [float(period) for period in storms.storms]
    connected = [float(sum(storms.connected_volume(i).values())) for i in range(len(periods))]
    judged = PondsFound(ground, found, periods, lot.job.criteria, connected)
    listed = layers.listed_ponds(found)
    ponds = layers.ponds_layer(ground, listed, periods)
    return Chapter(
        layers={
            "ponds": ponds,
            "overflow_paths": layers.overflow_paths_layer(ground, listed, periods),
            "pond_cases": layers.pond_cases_table(ground, found, periods, connected),
            "wall_water": layers.wall_water_table(ground, listed, periods),
            "inlet_intake": layers.inlet_intake_table(ground, found, periods),
        },
        findings=[
            *([soil_note(job.soil_group, job.soak_test_m_s)] if len(ponds) else []),
            *_listing_note(layers.rows_of_all(found)),
            *pond_findings(judged),
        ],
        sections={
            "ponds": layers.pond_entries(ground, ponds, found, listed, periods, lot.low_spots)
        },
        rasters={
            f"pond_depth_{period:g}yr.tif": Raster(
                layers.standing_depth(ground.grid, depth),
                f"depth of water standing after the {period:g}-year storm, every inlet open",
                "m",
            )
            for period, depth in zip(periods, open_depths, strict=True)
        },
    )


def _listing_note(rows: int) -> list[Finding]:
    """Say that not every pond is listed in every case."""
    if rows <= layers.LISTED_PONDS:
        return []
    return [
        Finding(
            "ponds-listed", "note", "lot", measured=rows, limit=layers.LISTED_PONDS, unit="rows"
        )
    ]
