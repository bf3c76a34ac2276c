"""The lot's ground and its water, before any rain is given: the terrain step of a study."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, Final

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.inputs.area import widened
from lotflow.inputs.elevation import ElevationSource, inspect_elevation, read_elevation
from lotflow.inputs.job import settled
from lotflow.inputs.open import files_kept
from lotflow.inputs.shots import on_levelled_ground, with_levels_of_shots, with_shots
from lotflow.inputs.site import Site, find_site_files, in_raster_datum, read_site
from lotflow.inputs.site_checks import job_findings, lot_findings
from lotflow.inputs.sources import naming_files
from lotflow.inputs.surface_checks import widened_rmse
from lotflow.inputs.usual_units import UnitChoice, unit_choice
from lotflow.layers.drawn import Case, cases_of, in_case, is_dug_alike
from lotflow.outputs.positions import place_of
from lotflow.outputs.terrain_layers import told_crossings
from lotflow.study.window import StudyWindow, case_surface, first_reach, study_window, surface_on
from lotflow.terrain.catchments import CatchmentCells, LotBalance, catchment_cells, lot_balance
from lotflow.terrain.closure import spills_unseen
from lotflow.terrain.downspouts import case_roofs
from lotflow.terrain.flow_paths import FlowPath, flow_paths
from lotflow.terrain.inlets import InletStudy, drawn_inlets, study_inlets
from lotflow.terrain.level_error import ErrorModel, GivenLevels, LevelError
from lotflow.terrain.levelled import Levelled, benchmark_tie, level_ground
from lotflow.terrain.low_spots import (
    InnerLowSpot,
    LowSpots,
    cut_by_edge,
    in_rain_gardens,
    inner_low_spots,
    judged_low_spots,
)
from lotflow.terrain.routing import Routing, no_drains, route, upstream_of
from lotflow.terrain.shots import LEAST_TIED
from lotflow.terrain.taken_shots import shots_on
from lotflow.text import LONGEST_TEXT

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from geopandas import GeoDataFrame

    from lotflow.grid import BoolArray, Grid
    from lotflow.inputs.job import Job
    from lotflow.rainfall import Rainfall
    from lotflow.terrain.catchments import Crossing
    from lotflow.terrain.earthworks import LaidEarthworks
    from lotflow.terrain.inlet_places import DrawnInlet
    from lotflow.terrain.needed_ground import Bounds
    from lotflow.terrain.roofs import RoofWater
    from lotflow.terrain.shots import Reading

#: Ground that is read round levels to tie their benchmark: more than a cell of any data [m].
_ROUND_LEVELS_M: Final = 20.0


@dataclass(frozen=True, eq=False)
class LotWater:
    """
    Ground, low spots and inlets of a lot.

    Parameters
    ----------
    job
        What was asked, with the error of the elevation data widened by their rounding.
    asked
        As it was asked, for the provenance; name and units are settled in both.
    unit_choice
        Why the report is in its units.
    source, site, rainfall
        The inputs; no rainfall where none is given.
    window
        The ground.
    natural
        Routing without inlets.
    case
        State of the drain system that `roofs` and `inlets` are about.
    roofs
        Roofs with their downspouts.
    inlets
        Inlets and the routing with them.
    low_spots, inner
        Where water can stand without inlets, and the low spots nested in them.
    cells
        Catchments of the inlets.
    balance
        Of the lot, with inlets.
    levelled
        What levels taken on site made of the ground; None where there are none.
    """

    job: Job
    asked: Job
    unit_choice: UnitChoice
    source: ElevationSource
    site: Site
    rainfall: Rainfall | None
    window: StudyWindow
    natural: Routing
    case: Case
    roofs: RoofWater
    inlets: InletStudy
    low_spots: LowSpots
    inner: list[InnerLowSpot]
    cells: CatchmentCells
    balance: LotBalance
    levelled: Levelled | None = None

    @property
    def names(self) -> list[str]:
        """Names of the inlets, in the order of their numbers."""
        return [inlet.drawn.name for inlet in self.inlets.placed]

    @property
    def ground(self) -> Grid:
        """Ground without earthworks: as levels taken on site make it, else as measured."""
        measured = self.window.elevation.grid
        return measured if self.levelled is None else measured.with_values(self.levelled.ground)

    @cached_property
    def level_error(self) -> LevelError:
        """Vertical error of levels taken off the ground: smaller near levels taken on site."""
        stated, own = self.job.elevation, self.site.from_benchmark
        given = GivenLevels(self.job.is_drawn_by_benchmark, own, self.site.levelled.difference(own))
        error = LevelError(stated.rmse_m, stated.correlation_m, stated.white_share, given=given)
        if self.levelled is None:
            return error
        return self.levelled.error(error, self.window.surface.ground)

    @cached_property
    def spots_cut(self) -> BoolArray:
        """Whether the catchment of each low spot is cut by the edge of the data."""
        inflow = self.window.inflow(self.natural)
        return cut_by_edge(self.natural, self.low_spots, inflow)

    @cached_property
    def spots_not_closed(self) -> BoolArray:
        """Whether water in each low spot may rise higher: its basin is not closed by the data."""
        held = self.low_spots.cells_in(self.window.held) > 0
        return held | spills_unseen(self.natural, self.low_spots)

    @property
    def is_cut(self) -> bool:
        """Whether water may come onto the lot from beyond what is known."""
        coming = self.window.inflow(self.natural) & upstream_of(self.natural, self.window.lot)
        return bool(coming.any())

    @property
    def is_held(self) -> bool:
        """Whether water on the lot, in no low spot, may be held back from beyond the data."""
        held = self.window.held & self.window.lot & (self.low_spots.number == 0)
        return bool(held.any())

    @cached_property
    def crossings(self) -> list[Crossing]:
        """Where water crosses the lot line, with the inlets in place."""
        return told_crossings(
            self.inlets.routing, self.window.lot, self.site.lot.geometry.union_all()
        )

    @cached_property
    def paths(self) -> list[FlowPath]:
        """Where water runs with the inlets in place, downhill from confluence to confluence."""
        return self.paths_on(self.inlets.routing)

    def paths_on(self, routing: Routing) -> list[FlowPath]:
        """Where water runs in a state of the drains, downhill from confluence to confluence."""
        return flow_paths(routing, self.job.criteria.flow_path_area_m2)


def read_inputs(job: Job) -> tuple[Job, UnitChoice, ElevationSource, Site]:
    """Read and judge all inputs but the elevations themselves; settle name and units by them."""
    source = inspect_elevation(job.elevation.file, vertical_unit=job.elevation.vertical_unit)
    with files_kept():
        files, notes = find_site_files(job.layers.file, job.layers.own())
        read = partial(read_site, crs=source.crs, vertical_unit=source.vertical_unit)
        site = read(files, reach=lambda drawn: first_reach(drawn, source, job.elevation.margin_m))
    choice = unit_choice(job.job.units, source.file_crs, source.vertical_unit, place_of(site.lot))
    job = settled(job, name=lot_name(site.lot), units=choice.units)
    crs_name = source.describe()["crs"]
    # the notes are read as they were asked for; where the benchmark lies may be found by them
    asked = job
    if job.is_to_be_tied:
        levels = with_shots(site, asked, crs_name=crs_name, vertical_unit=source.vertical_unit)
        with naming_files(levels.sources):
            job, tied = _tied(job, source, levels)
        notes = [*notes, tied]

    def judged(site: Site) -> Site:
        """Give it in the raster's datum, with measured levels and all that there is to say."""
        site = with_shots(site, asked, crs_name=crs_name, vertical_unit=source.vertical_unit)
        site = in_raster_datum(site, job.level_offset_m, drawn=job.is_drawn_by_benchmark)
        site = with_levels_of_shots(site, source.metres_per_unit)
        doubts = (*job_findings(job), *lot_findings(site, source.metres_per_unit))
        return replace(site, findings=(*notes, *site.findings, *doubts), again=again)

    def again(bounds: Bounds, names: Collection[str]) -> Site:
        """Read it, or some of its layers, for a wider area."""
        wanted = {name: file for name, file in files.items() if name == "lot" or name in names}
        found = read(wanted, reach=lambda _: bounds)
        # levels are of layers that are not all there
        return judged(found) if len(wanted) == len(files) else found

    return job, choice, source, judged(site)


def _tied(job: Job, source: ElevationSource, site: Site) -> tuple[Job, Finding]:
    """
    Find out where a benchmark without a known elevation lies in the raster's datum.

    Raises
    ------
    InputError
        If too few levels on hard ground tell it.
    """
    x, y = site.shots.geometry.x, site.shots.geometry.y
    west, south, east, north = source.bounds
    # those off the data are named later, with all other faults of places
    known = site.shots[x.between(west, east) & y.between(south, north)]
    found = None
    if len(known):
        bounds = widened(tuple(known.total_bounds), _ROUND_LEVELS_M, source.metres_per_unit)
        surface = surface_on(read_elevation(source, bounds).grid, site, job)
        found = benchmark_tie(surface, error_model(job), shots_on(known, surface))
    if found is None:
        rule = (
            "nobody has said how high the benchmark lies, and fewer than "
            f"{LEAST_TIED} levels on hard ground that can be believed tell it"
        )
        remedy = (
            "Give elevation_m in [levels], or level pavement, a gutter or a rim at "
            f"{LEAST_TIED} places or more (surface_kind hard, gutter or rim)"
        )
        raise InputError(Fault(rule, remedy, layer="shots", column="surface_kind"))
    job = job.tied(found.zero_m)
    elevation_m = 0.0 if job.levels is None else job.levels.elevation_m or 0.0
    return job, Finding(
        "benchmark-tied", "note", "benchmark", measured=round(found.deviation_m, 3), unit="m",
        facts={"elevation_m": elevation_m, "deviation_m": found.deviation_m,
               "levels": found.levels},
    )  # fmt: skip


def lot_name(lot: GeoDataFrame) -> str | None:
    """Name of a lot by its layer, or its parts' names one after the other; None without any."""
    return ", ".join(str(name) for name in lot["name"].dropna().unique())[:LONGEST_TEXT] or None


def study_lot(job: Job) -> LotWater:
    """
    Find where water stands on a lot, where it comes from and which inlet takes it.

    Parameters
    ----------
    job
        What was asked.

    Raises
    ------
    InputError
        If an input is wrong; all faults of a file at once.
    """
    rainfall, is_to_be_tied = _rainfall(job), job.is_to_be_tied
    with files_kept():
        job, choice, source, site = read_inputs(job)
        window, site = study_window(source, site, job)
    with naming_files(site.sources):
        lot = _lot_water(job, choice, source, site, rainfall, window)
    # where the benchmark was found to lie nobody asked for: it is a finding
    return replace(lot, asked=lot.asked.untied()) if is_to_be_tied else lot


def _rainfall(job: Job) -> Rainfall | None:
    """Read the rainfall, where the job has one."""
    if job.rainfall is None:
        return None
    from lotflow.inputs.rainfall import read_rainfall  # noqa: PLC0415 - a screening has none

    return read_rainfall(job.rainfall)


def _lot_water(
    job: Job, choice: UnitChoice, source: ElevationSource, site: Site, rainfall: Rainfall | None,
    window: StudyWindow,
) -> LotWater:  # fmt: skip
    """Find it from inputs that were read and judged one by one."""
    case = cases_of(site)[-1]
    drawn = drawn_inlets(in_case(site.inlets, case))
    asked, job = job, _with_rounding(job, window.elevation.step_m)
    window, site, levelled = _levelled(window, site, job)
    roofs = case_roofs(site, window.surface, case)
    window = replace(window, surface=roofs.surface)
    natural = _natural(window, job)
    inlets = _inlets(drawn, natural, job)
    spots = _low_spots(natural, job, window.works)
    inner = _nested(natural, spots, job)
    return LotWater(
        job=job, asked=asked, unit_choice=choice, source=source, site=site, rainfall=rainfall,
        window=window,
        natural=natural, case=case, roofs=roofs, inlets=inlets, low_spots=spots, inner=inner,
        cells=catchments_of(inlets, window), balance=lot_balance(inlets.routing, window.lot),
        levelled=levelled,
    )  # fmt: skip


#: What to do where the numbers of levels are likelier to be meant otherwise.
_MEANT: Final[dict[Reading, str]] = {
    "rod readings for levels": "Are they rod readings? Give levels, or the notes of the readings",
    "feet for metres": "Are they in feet? Name the column level_ft",
    "metres for feet": "Are they in metres? Name the column level_m",
}


def _levelled(
    window: StudyWindow, site: Site, job: Job
) -> tuple[StudyWindow, Site, Levelled | None]:
    """
    Bring levels taken on site into the ground, and levels of their benchmark onto it.

    Raises
    ------
    InputError
        If the levels do not fit the ground, as written or at all.
    """
    if not len(site.shots):
        return window, site, None
    measured = surface_on(window.elevation.grid, site, job)
    found = level_ground(
        measured, error_model(job), shots_on(site.shots, measured), seed=job.confidence.seed,
        apart=window.elevation.apart,
    )  # fmt: skip
    judged = found.judged
    if judged.reading != "as written":
        rule = (
            f"the levels fit the ground of the elevation data far better as {judged.reading} "
            f"(chi-square {judged.readings[judged.reading]:.0f}, as written "
            f"{judged.readings['as written']:.0f})"
        )
        raise InputError(Fault(rule, _MEANT[judged.reading], layer="shots", column="level_m"))
    if not judged.fits:
        rule = (
            f"the levels do not fit the ground of the elevation data (chi-square "
            f"{judged.chi_square:.0f} of {judged.freedom}; with an error as stated in less than "
            "one of 1,000 surveys)"
        )
        remedy = (
            "Look at places, units and the height of the benchmark; where the ground has changed, "
            'write "no" into counts of the levels there; or state a larger [elevation] rmse_m'
        )
        raise InputError(Fault(rule, remedy, layer="shots", column="level_m"))
    site = on_levelled_ground(site, found.offset_m, drawn=job.is_drawn_by_benchmark)
    ground = measured.ground.with_values(found.ground)
    surface, works = case_surface(site, ground, job, cases_of(site)[-1])
    return replace(window, surface=surface, works=works), site, found


def _with_rounding(job: Job, step_m: float) -> Job:
    """Widen the error of the elevation data by that of their rounding."""
    given = job.elevation
    rmse = widened_rmse(given.rmse_m, step_m)
    if rmse == given.rmse_m:
        return job
    widened = given.model_copy(update={"rmse_m": rmse})
    if "rmse_m" not in given.model_fields_set:  # nobody has stated it
        widened.model_fields_set.discard("rmse_m")
    return job.model_copy(update={"elevation": widened})


def _natural(window: StudyWindow, job: Job) -> Routing:
    """Route the water of the ground without inlets."""
    empty = replace(no_drains(window.surface), culverts=window.culverts)
    return route(window.surface, empty, rule=job.terrain.direction)


@dataclass(frozen=True, eq=False)
class CaseWater:
    """
    The water of one state of drains and ground.

    Parameters
    ----------
    case
        Which state.
    roofs, inlets
        What takes water: roofs with their downspouts, and inlets.
    natural, low_spots
        Routing without inlets, and where water can stand then.
    """

    case: Case
    roofs: RoofWater
    inlets: InletStudy
    natural: Routing
    low_spots: LowSpots

    @property
    def names(self) -> list[str]:
        """Names of the inlets, in the order of their numbers."""
        return [inlet.drawn.name for inlet in self.inlets.placed]


def case_water(lot: LotWater, case: Case) -> CaseWater:
    """
    Find the water of one state of drains and ground; that of the main case is known already.

    Raises
    ------
    InputError
        If an inlet or downspout of the case cannot be set on the ground.
    """
    if case == lot.case:
        return CaseWater(case, lot.roofs, lot.inlets, lot.natural, lot.low_spots)
    is_alike = is_dug_alike(lot.site, case, lot.case)
    surface, works = (
        (lot.window.surface, lot.window.works)
        if is_alike
        else case_surface(lot.site, lot.ground, lot.job, case)
    )
    roofs = case_roofs(lot.site, surface, case)
    natural = _natural(replace(lot.window, surface=roofs.surface), lot.job)
    drawn = drawn_inlets(in_case(lot.site.inlets, case))
    spots = lot.low_spots if is_alike else _low_spots(natural, lot.job, works)
    return CaseWater(case, roofs, _inlets(drawn, natural, lot.job), natural, spots)


def today_ground(lot: LotWater) -> Grid:
    """Give the ground of today: with what was built since the survey, not with what is proposed."""
    case = cases_of(lot.site)[0]
    if is_dug_alike(lot.site, case, lot.case):
        return lot.window.surface.ground
    return case_surface(lot.site, lot.ground, lot.job, case)[0].ground


def _inlets(drawn: Sequence[DrawnInlet], natural: Routing, job: Job) -> InletStudy:
    """Set inlets on the ground as the job says."""
    rmse, rule = job.elevation.rmse_m, job.terrain.direction
    return study_inlets(drawn, natural, job.criteria, rmse_m=rmse, rule=rule)


def catchments_of(inlets: InletStudy, window: StudyWindow) -> CatchmentCells:
    """Count the cells of each inlet's catchment."""
    return catchment_cells(inlets.routing, window.lot, window.inflow(inlets.routing))


def _low_spots(natural: Routing, job: Job, works: LaidEarthworks) -> LowSpots:
    """Low spots with their artefact flags, those under roofs last."""
    spots = judged_low_spots(natural, _limit_m(job), dam_depth=job.criteria.dam_depth_m)
    return in_rain_gardens(spots, works.beds)


def _nested(natural: Routing, spots: LowSpots, job: Job) -> list[InnerLowSpot]:
    """Low spots that are nested in others."""
    if natural.hierarchy is None:
        return []
    return inner_low_spots(natural.hierarchy, spots, _limit_m(job))


def _limit_m(job: Job) -> float:
    """Depth from which a low spot counts [m]."""
    return job.criteria.low_spot_limit_m(job.elevation.rmse_m)


def error_model(job: Job) -> ErrorModel:
    """Error of the elevation data, as the job states it."""
    stated = job.elevation
    return ErrorModel(stated.rmse_m, stated.correlation_m, stated.white_share)
