"""The drain check: what lines and inlets carry in each case, what is wrong, what would work."""

from __future__ import annotations

from dataclasses import replace
from itertools import takewhile
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.drains.channel_drains import channel_findings, channel_results
from lotflow.drains.drain_system import DrainState, SizedSystem, run_system, size_system
from lotflow.drains.inlet_checks import InletFacts, grate_water_depth, inlet_findings
from lotflow.drains.intake import Intakes, StormSeries, inlet_intakes, intake_findings
from lotflow.drains.judged import design_storm
from lotflow.drains.network_flows import node_peaks
from lotflow.drains.outlet_findings import available_falls, fall_findings
from lotflow.drains.receivers import receiver_findings, receiver_storms
from lotflow.drains.storm_findings import less_what_hollows_keep
from lotflow.drains.system_check import CheckedCase, best_single_change, check_system
from lotflow.findings import with_earlier
from lotflow.outputs.drain_layers import (
    drain_layers,
    inlet_bypass_rows,
    line_entries,
    outlet_storm_rows,
)
from lotflow.study.bypass import ways_past, without_rings
from lotflow.study.cases import cases_of, in_case
from lotflow.study.chapter import Chapter
from lotflow.study.drain_inputs import CaseRun, DrawnSystem, drawn_system
from lotflow.study.limited import SteppedStorms, opened_water, storm_series
from lotflow.study.lot_water import LotWater, case_water
from lotflow.study.receivers import case_receivers
from lotflow.study.roofs import downspout_name, unknown_ways
from lotflow.terrain.discharge_path import discharge_path

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.findings import Finding


def dry_runs(lot: LotWater) -> tuple[CaseRun, ...]:
    """
    Set the inlets of every case of a site, without rain.

    Parameters
    ----------
    lot
        Ground and site; its own inlets are those of the last case.
    """
    return tuple(CaseRun(case, case_water(lot, case).inlets) for case in cases_of(lot.site))


def check_drains(lot: LotWater, runs: Sequence[CaseRun]) -> tuple[CheckedCase, ...]:
    """
    Check the drains of every case in which any are drawn.

    Parameters
    ----------
    lot
        Ground and site.
    runs
        The cases, that of the main result last.

    Returns
    -------
    checked
        The main case first.

    Raises
    ------
    InputError
        With every line that has no length or an unknown name, size or level.
    """
    return tuple(_checked(lot, run) for run in reversed(runs) if _has_drains(lot, run))


def drain_chapter(lot: LotWater, checked: Sequence[CheckedCase]) -> Chapter:
    """
    Give what the drain check found.

    What is found of the system as it is today and no longer of the proposed one says so.

    Parameters
    ----------
    lot
        Ground and site.
    checked
        From `check_drains`.

    Returns
    -------
    chapter
        Layers "drain_lines", "line_storms", "nodes", "line_profiles", "outlet_storms",
        "inlet_bypass", the summary's "lines", "outlet_storms" and "inlet_bypass", and findings.
        Empty where no drains are drawn.
    """
    findings: list[Finding] = list(checked[0].findings) if checked else []
    for earlier in checked[1:]:
        findings = with_earlier(findings, earlier.findings)
    below, old_run = _ties(checked)
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


def _ties(
    checked: Sequence[CheckedCase],
) -> tuple[dict[tuple[bool, str], list[str]], dict[tuple[bool, str], str]]:
    """
    Tell what lies below each inlet and line, and which old pipes are one run.

    Of what is to be replaced a run goes as far as old pipes follow one another; an old pipe that
    stays is judged by itself.
    """
    below: dict[tuple[bool, str], list[str]] = {}
    old_run: dict[tuple[bool, str], str] = {}
    for number, case in enumerate(checked):
        network, today = case.state.system.network, number > 0
        for position, line in enumerate(network.lines):
            way = [network.lines[i] for i in network.way_down(position)]
            names = [name for one in way for name in (one.name, one.end)]
            below[today, line.name] = names[1:]
            below.setdefault((today, line.start), names)
            old = list(takewhile(lambda one: not one.proposed, way))
            if old:
                old_run[today, line.name] = old[-1].name if today else line.name
    return below, old_run


def inlet_capacities(checked: CheckedCase) -> dict[str, float]:
    """
    Tell what the line of each inlet takes from it at most in the design storm.

    By the grade line, while the other inlets take what they do.

    Parameters
    ----------
    checked
        A case.

    Returns
    -------
    capacities
        By the name of the inlet; only those whose lines' size and levels are known [m^3/s];
        none without rain.
    """
    if checked.design is None:
        return {}
    rows = checked.intakes.of_storm(checked.design)
    return {name: row.line_m3s for name, row in rows.items() if np.isfinite(row.line_m3s)}


def _has_drains(lot: LotWater, run: CaseRun) -> bool:
    frames = (lot.site.inlets, lot.site.drain_lines, lot.site.outlets)
    return any(len(in_case(frame, run.case)) for frame in frames)


def _checked(lot: LotWater, run: CaseRun) -> CheckedCase:
    """Check one case."""
    drawn = drawn_system(lot, run)
    network = drawn.system.network
    past = ways_past(lot, run, drawn.inlets)
    ways = without_rings(lot, run, drawn.inlets, past, network)
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
        sized = size_system(state, storm, lot.job.job.units)
        last = system.storms.size - 1
        rarest = sized if last == storm else size_system(state, last, lot.job.job.units)
    inlets = _with_storm(drawn, state, storm)
    channels = channel_results(inlets)
    receivers = case_receivers(lot, run)
    longest = limits.criteria.standing_longest_h * 3600.0
    received = receiver_storms(state, receivers, longest_s=longest)
    series = _series(lot, run)
    intakes = inlet_intakes(state, inlets, ways, limits, series=series, receivers=receivers)
    # what one system refuses another in the same low spot may still take
    shares = _refused_shares(intakes)
    better = without_rings(lot, run, drawn.inlets, past, network, shares)
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
        ], lot, run, state, storm, series),
    )  # fmt: skip


def _weighed(
    findings: list[Finding], lot: LotWater, run: CaseRun, state: DrainState, storm: int | None,
    series: StormSeries | None,
) -> list[Finding]:  # fmt: skip
    """Weigh findings by what is not known of the water they count."""
    if storm is not None and series is not None:
        findings = less_what_hollows_keep(findings, state, storm, series.reaching)
    return _of_unknown_ways(findings, lot, run)


def _of_unknown_ways(findings: list[Finding], lot: LotWater, run: CaseRun) -> list[Finding]:
    """Say of what inlets take that it counts roof water of which nobody gave where it leads."""
    rows, names = unknown_ways(lot.site, run.case), [one.drawn.name for one in run.inlets.placed]
    counted: dict[str, list[str]] = {}
    for index, name, foot in zip(rows.index, rows["name"], rows.geometry, strict=True):
        place = (float(foot.x), float(foot.y))
        path = discharge_path(run.inlets.routing, lot.low_spots, lot.window.lot, place)
        if path is not None and path.inlet:
            label = downspout_name(name, int(index) + 1)
            counted.setdefault(names[path.inlet - 1], []).append(label)
    return [
        replace(
            one, facts={**one.facts, "unknown_ways": tuple(counted[one.subject])}, severity="note"
        )
        if one.rule == "inlet-passed-by" and one.subject in counted else one
        for one in findings
    ]  # fmt: skip


def _refused_shares(intakes: Intakes) -> dict[str, float]:
    """Largest share of its water in any storm that each inlet refuses."""
    shares: dict[str, float] = {}
    for row in intakes.rows:
        came, left = row.arriving_m3s + row.backs_up_m3s, row.refused_m3s
        if np.isfinite(row.taken_m3):
            came, left = row.refused_m3 + row.taken_m3, row.refused_m3
        share = left / came if came > 0 else 0.0
        shares[row.name] = max(shares.get(row.name, 0.0), share)
    return shares


def _series(lot: LotWater, run: CaseRun) -> StormSeries | None:
    """The storms of a case step by step; None where they have no duration."""
    storms: Any = run.storms
    if not isinstance(storms, SteppedStorms):
        return None
    names = [inlet.drawn.name for inlet in run.inlets.placed]
    opened = run.opened or opened_water(run.inlets.routing, storms)
    return storm_series(storms, names, opened, lot.window.surface.ground.cell_m2)


def _with_storm(drawn: DrawnSystem, state: DrainState, storm: int | None) -> tuple[InletFacts, ...]:
    """Inlets with what the design storm brings over the ground, and the water below them."""
    water = drawn.system.water
    if water is None or storm is None:
        return drawn.inlets
    names = [inlet.name for inlet in drawn.inlets]
    over_ground = node_peaks(names, water, storm, roofs=False)
    roofs = node_peaks(names, water, storm, roofs=True)
    entering = drawn.system.network.entering
    leaving = drawn.system.network.leaving
    return tuple(
        replace(
            inlet,
            flow_m3s=float(over_ground[i]),
            entering_m3s=tuple(
                float(state.flows.flow_m3s[line, storm]) for line in entering.get(inlet.name, ())
            ),
            other_m3s=float(roofs[i]) + water.given_m3s.get(inlet.name, 0.0),
            water_level_m=float(state.node_water_m(inlet.name)[storm])
            if inlet.name in leaving
            else np.nan,
            water_rests_on=state.levels_below(leaving[inlet.name][0])
            if inlet.name in leaving
            else (),
        )
        for i, inlet in enumerate(drawn.inlets)
    )
