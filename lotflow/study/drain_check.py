"""The drain check: what lines and inlets carry in each case, what is wrong, what would work."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from lotflow.drains.channel_drains import channel_findings, channel_results
from lotflow.drains.checked import (
    CheckedCase,
    inlets_in_storm,
    of_unknown_ways,
    refused_shares,
    ties,
)
from lotflow.drains.drain_system import DrainState, SizedSystem, run_system, size_system
from lotflow.drains.drawn_system import case_receivers, drawn_system, soil_rate
from lotflow.drains.inlet_checks import grate_water_depth, inlet_findings
from lotflow.drains.intake import StormSeries, inlet_intakes, intake_findings
from lotflow.drains.judged import design_storm
from lotflow.drains.outlet_findings import available_falls, fall_findings
from lotflow.drains.receivers import receiver_findings, receiver_storms
from lotflow.drains.storm_findings import less_what_hollows_keep
from lotflow.drains.system_check import best_single_change, check_system
from lotflow.findings import with_earlier
from lotflow.layers.drawn import Case, cases_of, in_case
from lotflow.outputs.drain_layers import (
    drain_layers,
    inlet_bypass_rows,
    line_entries,
    outlet_storm_rows,
)
from lotflow.ponding.refused import SteppedStorms, WaysPast, opened_water, storm_series
from lotflow.study.chapter import Chapter
from lotflow.study.lot_water import LotWater, case_water
from lotflow.terrain.discharge_path import discharge_path
from lotflow.units import to_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.drains.drawn_system import Storms
    from lotflow.drains.house import PathOf
    from lotflow.findings import Finding
    from lotflow.terrain.inlets import InletStudy
    from lotflow.terrain.ponding import StandingWater


@dataclass(frozen=True, eq=False)
class CaseRun:
    """
    One state of the drain system, as the steps before leave it.

    Parameters
    ----------
    case
        "today" or "proposed".
    inlets
        Its inlets on their cells.
    storms
        Water that enters them; None where no rain is given.
    opened
        Where the water of each storm is with every inlet open; empty where that is not known yet.
    """

    case: Case
    inlets: InletStudy
    storms: Storms | None = None
    opened: Sequence[StandingWater] = ()


def dry_runs(lot: LotWater) -> tuple[CaseRun, ...]:
    """Set the inlets of every case of a site, that of the main result last, without rain."""
    return tuple(CaseRun(case, case_water(lot, case).inlets) for case in cases_of(lot.site))


def check_drains(lot: LotWater, runs: Sequence[CaseRun]) -> tuple[CheckedCase, ...]:
    """
    Check the drains of every case in which any are drawn; the main case comes first.

    Raises
    ------
    InputError
        With every line that has no length or an unknown name, size or level.
    """
    return tuple(_checked(lot, run) for run in reversed(runs) if _has_drains(lot, run))


def drain_chapter(lot: LotWater, checked: Sequence[CheckedCase]) -> Chapter:
    """
    Give the layers, findings and parts of the summary that the drain check found.

    What is found of the system as it is today and no longer of the proposed one says so.
    """
    findings: list[Finding] = list(checked[0].findings) if checked else []
    for earlier in checked[1:]:
        findings = with_earlier(findings, earlier.findings)
    below, old_run = ties(checked)
    return Chapter(
        below=below,
        old_run=old_run,
        layers=drain_layers(checked, lot.window.surface.ground.crs),
        findings=findings,
        sections={
            "lines": [entry for case in checked for entry in line_entries(case)],
            "outlet_storms": [row for case in checked for row in outlet_storm_rows(case)],
            "inlet_bypass": [row for case in checked for row in inlet_bypass_rows(case)],
        },
    )


def _has_drains(lot: LotWater, run: CaseRun) -> bool:
    frames = (lot.site.inlets, lot.site.drain_lines, lot.site.outlets)
    return any(len(in_case(frame, run.case)) for frame in frames)


def _checked(lot: LotWater, run: CaseRun) -> CheckedCase:
    """Check one case, in the order in which its parts need one another."""
    drawn = drawn_system(
        lot.site, run.case, run.inlets, run.storms, criteria=lot.job.criteria,
        error=lot.level_error,
    )  # fmt: skip
    network = drawn.system.network
    past = WaysPast(
        lot.natural, run.inlets.placed, lot.low_spots, lot.window.lot,
        rule=lot.job.terrain.direction, criteria=lot.job.criteria,
    )  # fmt: skip
    ways = past.of(drawn.inlets, network)
    stands = {inlet.name: way.depth_m for inlet, way in zip(drawn.inlets, ways, strict=True)}
    limits, system = drawn.around.limits, replace(drawn.system, stands_m=stands)
    state = run_system(system)
    falls = available_falls(state, error=limits.error)
    of_lines = check_system(state, drawn.around)
    storm: int | None = None
    sized: SizedSystem | None = None
    rarest: SizedSystem | None = None
    if system.storms.size:
        storm = design_storm(system.storms, limits.criteria)
        sized = size_system(state, storm, lot.job.units)
        last = int(system.storms.argmax())
        rarest = sized if last == storm else size_system(state, last, lot.job.units)
    inlets = inlets_in_storm(drawn.inlets, state, storm)
    channels = channel_results(inlets)
    path_of = partial(discharge_path, run.inlets.routing, lot.low_spots, lot.window.lot)
    general = lot.job.job
    receivers = case_receivers(
        lot.site, run.case, run.inlets.routing, path_of,
        soil_rate_m_s=soil_rate(general.soil_group, general.soak_test_m_s),
    )  # fmt: skip
    longest = to_si(limits.criteria.standing_longest_h, "h")
    received = receiver_storms(state, receivers, longest_s=longest)
    series = _series(lot, run)
    intakes = inlet_intakes(state, inlets, ways, limits, series=series, receivers=receivers)
    # what one system refuses another in the same low spot may still take
    shares = refused_shares(intakes)
    better = past.of(drawn.inlets, network, shares)
    if better != ways:
        intakes = inlet_intakes(state, inlets, better, limits, series=series, receivers=receivers)
    return CheckedCase(
        case=run.case, state=state, status=drawn.status, design=storm, sized=sized,
        sized_rarest=rarest, falls=falls,
        inlets=inlets, channels=channels, received=received,
        intakes=intakes,
        grate_depth_m={
            inlet.name: grate_water_depth(inlet, limits.criteria.clogged_share)
            for inlet in inlets
        },
        findings=_weighed([
            *drawn.findings, *fall_findings(system.network, falls), *of_lines,
            *inlet_findings(inlets, limits), *channel_findings(inlets, channels, limits),
            # of grates that are to go nobody asks what guides water to them
            *(one for one in intake_findings(inlets, intakes.rows, system.storms, limits)
              if run.case == lot.case or one.rule != "grate-on-slope-unknown"),
            *receiver_findings(received, system.storms, limits),
            # a system that is to be replaced is not mended line by line
            *(best_single_change(state, sized, drawn.around, of_lines)
              if run.case == lot.case else ()),
        ], lot, run, state, storm, series, path_of),
    )  # fmt: skip


def _weighed(
    findings: list[Finding], lot: LotWater, run: CaseRun, state: DrainState, storm: int | None,
    series: StormSeries | None, path_of: PathOf,
) -> list[Finding]:  # fmt: skip
    """Weigh findings by what is not known of the water they count."""
    if storm is not None and series is not None:
        findings = less_what_hollows_keep(findings, state, storm, series.reaching)
    names = [one.drawn.name for one in run.inlets.placed]
    return of_unknown_ways(findings, lot.site, run.case, path_of, names)


def _series(lot: LotWater, run: CaseRun) -> StormSeries | None:
    """The storms of a case step by step; None where they have no duration."""
    storms: Any = run.storms
    if not isinstance(storms, SteppedStorms):
        return None
    names = [inlet.drawn.name for inlet in run.inlets.placed]
    opened = run.opened or opened_water(run.inlets.routing, storms)
    return storm_series(storms, names, opened, lot.window.surface.ground.cell_m2)
