"""What goes wrong in a storm, and how far the flow of each line is left open."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.circular_section import PEAK_FLOW_RATIO
from lotflow.drains.hose import capacity_as_found
from lotflow.drains.judged import NOTHING_M3S, Limits, about, about_place, design_storm, rounded
from lotflow.drains.network_flows import led_down
from lotflow.findings import STATED
from lotflow.terrain.confidence import SHARES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.network_flows import DrainWater
    from lotflow.findings import Finding, LevelSource, Severity
    from lotflow.grid import FloatArray

_HEC_22_CAPACITY = "FHWA HEC-22, 3rd edition (2009), equation 7-1 (Manning, full)"
#: Water that stands higher by less is not told of [m].
_SEEN_M: Final = 0.005
_HEC_22_GRATE = "FHWA HEC-22, 3rd edition (2009), section 7.1.5: grade line below the grates"


def storm_findings(state: DrainState, limits: Limits) -> list[Finding]:
    """
    Judge what a system does in the design storm; what only rarer storms do is a note.

    Parameters
    ----------
    limits
        What it is judged by.
    """
    if not state.system.storms.size:
        return []
    storm = design_storm(state.system.storms, limits.criteria)
    found_capacity = capacities_as_found(state)
    findings = []
    for position in range(len(state.lines)):
        findings += _capacity_findings(state, position, storm, float(found_capacity[position]))
        findings += _fast_findings(state, position, storm, limits)
        findings += _pump_findings(state, position, storm)
    return findings + _node_findings(state, storm, limits)


def capacities_as_found(state: DrainState) -> FloatArray:
    """
    Capacity of each line with the sediment and standing water that were found in it [m^3/s].

    Parameters
    ----------
    state
        What the system does; NaN where a line is not known.
    """
    capacity = state.hydraulics.capacity_m3s.copy()
    for position, line in enumerate(state.lines):
        if np.isnan(capacity[position]):
            continue
        bore = line.pipe.narrowest_m
        sediment, water = (
            min(float(np.nan_to_num(depth)), bore)
            for depth in (line.condition.sediment_m, line.condition.standing_water_m)
        )
        capacity[position] = capacity_as_found(
            bore, float(state.hydraulics.slope[position]), line.pipe.roughness,
            sediment=sediment, standing_water=water,
        )  # fmt: skip
    return capacity


def _capacity_findings(
    state: DrainState, position: int, storm: int, as_found: float
) -> list[Finding]:
    """A line that carries the design storm only under pressure, or does so as it was found."""
    line, flow = state.lines[position], float(state.flows.flow_m3s[position, storm])
    clean = float(state.hydraulics.capacity_m3s[position])
    # what has no fall has a finding of its own; pressure shows in the water above the grates
    if not (flow > max(min(clean, as_found), NOTHING_M3S) and clean > 0):
        return []
    facts = {
        "storm_yr": state.system.storms[storm], "flow_m3s": flow, "clean_m3s": clean,
        "found_m3s": as_found if flow <= clean else None,
    }  # fmt: skip
    limit, basis = min(clean, as_found), state.inverts.basis(position)
    # a pipe not quite full carries a little more than a full one, which is not relied upon
    fails = flow > PEAK_FLOW_RATIO * limit
    return [
        about(
            line, "over-capacity", "fail" if fails else "warn", facts=facts, rests_on=basis,
            measured=flow, limit=limit, unit="m3/s", source=_HEC_22_CAPACITY,
        )
    ]  # fmt: skip


def _fast_findings(state: DrainState, position: int, storm: int, limits: Limits) -> list[Finding]:
    """A line in which the design storm runs so fast that it scours and lifts."""
    velocity = float(state.hydraulics.velocity_m_s[position, storm])
    most = limits.criteria.velocity_high_m_s
    if not velocity > most:
        return []
    return [
        about(
            state.lines[position], "too-fast", "warn",
            facts={"storm_yr": state.system.storms[storm], "velocity_m_s": velocity},
            measured=velocity, limit=most, unit="m/s", source=limits.source("velocity_high_m_s"),
        )
    ]  # fmt: skip


def _pump_findings(state: DrainState, position: int, storm: int) -> list[Finding]:
    """What a pump at the end of a line has to take."""
    line, flow = state.lines[position], float(state.flows.flow_m3s[position, storm])
    if state.system.network.nodes[line.end].detail != "pump" or not flow > NOTHING_M3S:
        return []
    return [
        about(
            line, "pump-flow", "note",
            facts={"storm_yr": state.system.storms[storm], "flow_m3s": flow},
            measured=flow, unit="m3/s", source="sum of the flows that run to it",
            at=state.system.network.nodes[line.end].xy,
        )
    ]  # fmt: skip


def _node_findings(state: DrainState, storm: int, limits: Limits) -> list[Finding]:
    """Water that stands above a grate, or would push out of a cleanout."""
    network, findings = state.system.network, []
    for name, leaving in network.leaving.items():
        level = state.hydraulics.node_m[leaving[0]]
        node = state.system.nodes[name]
        above = level - node.rim_m
        stands = state.node_water_m(name)
        if not (above > _SEEN_M).any():
            continue
        inlet = network.nodes[name].kind == "inlet"
        first = int(np.argmax(above > _SEEN_M))
        at = storm if above[storm] > _SEEN_M else first
        severity: Severity = "note" if above[storm] <= _SEEN_M else "fail" if inlet else "warn"
        rim: LevelSource = "given" if node.measured else "from ground"
        below = state.levels_below(leaving[0])
        datum = state.datum_of_line(leaving[0], limits.error)
        doubt = limits.doubt_m(datum, network.nodes[name].xy)
        findings.append(
            about_place(
                name, network.nodes[name].xy,
                "water-above-grate" if inlet else "water-above-ground", severity,
                facts={
                    "storm_yr": state.system.storms[at], "above_m": stands[at] - node.rim_m,
                    "is_full": bool(stands[at] < level[at]),
                },
                rests_on=(rim, *below),
                # a pipe laid to the elevation data is as high or low as that data
                beyond_ground=STATED.issuperset(below)
                and above[at] > doubt + _SEEN_M,
                measured=round(float(stands[at]), 3), limit=round(node.rim_m, 3), unit="m",
                source=_HEC_22_GRATE,
            )
        )  # fmt: skip
    return findings


#: Share of realisations in which a line may be too small before that is said.
_DOUBTED: Final = 1 - SHARES[-1]
_SOURCE: Final = "lotflow's choice, no published source"


def realised_line_flows(
    state: DrainState, names: Sequence[str], measured: FloatArray, intake: FloatArray
) -> FloatArray:
    """
    Flow of every line in every storm and realisation.

    As for inlets, the flow is in proportion to coefficient times area of all ground that drains
    into the line, at the intensity of the measured catchments. What one inlet gains and another
    loses on the same line is counted together. Connected roofs and given flows do not vary.

    Parameters
    ----------
    state
        Of the lines, on the measured surface.
    measured, intake
        Runoff coefficient times area of the ground of each inlet on the measured surface, shape
        (inlets,), and in each realisation, shape (realisations, inlets) [m^2].

    Returns
    -------
    flow
        Shape (realisations, lines, storms) [m^3/s].
    """
    network, water = state.system.network, state.system.water
    flow = np.repeat(state.flows.flow_m3s[None], len(intake), axis=0)
    if water is None:
        return flow
    given = led_down(network, {node: np.array([q]) for node, q in water.given_m3s.items()})[:, 0]
    for storm in range(len(water.storms)):
        ground, whole = _entering(water, storm)
        drawn = {node: np.full(len(intake), ca) for node, ca in whole.items()}
        for position, name in enumerate(names):
            own, before = ground.get(name, 0.0), float(measured[position])
            # coefficients of rare storms are larger; an inlet without ground has none of its own
            as_in_storm = own / before if before > 0 else 1.0
            more = (intake[:, position] - before) * as_in_storm
            drawn[name] = drawn.get(name, 0.0) + more
        as_measured = led_down(network, {node: np.array([ca]) for node, ca in whole.items()}).T
        ratio = np.ones(flow.shape[:2])
        np.divide(led_down(network, drawn).T, as_measured, out=ratio, where=as_measured > 0)
        flow[:, :, storm] = given + ratio * (state.flows.flow_m3s[:, storm] - given)
    return flow


def _entering(water: DrainWater, storm: int) -> tuple[dict[str, float], dict[str, float]]:
    """Runoff coefficient times area that enters at each node: of the ground, and of all [m^2]."""
    ground: dict[str, float] = {}
    whole: dict[str, float] = {}
    parts = water.parts
    for node, kind, ca in zip(parts.node, parts.kind, parts.ca_m2[:, storm], strict=True):
        whole[node] = whole.get(node, 0.0) + float(ca)
        if kind != "roof":
            ground[node] = ground.get(node, 0.0) + float(ca)
    return ground, whole


def _into_well(state: DrainState, position: int) -> bool:
    """Whether the well has to take it too if a line is laid larger."""
    network = state.system.network
    end = network.nodes[network.lines[network.way_down(position)[-1]].end]
    return end.detail == "dry well"


def line_doubts(state: DrainState, storm: int, flow: FloatArray) -> list[Finding]:
    """
    Say of lines that carry what the measured surface brings, but not what may come.

    Parameters
    ----------
    state
        Of the lines, on the measured surface.
    storm
        Position of the design storm.
    flow
        From `realised_line_flows`; of few realisations it says little.
    """
    number = len(flow)
    limit = np.fmin(state.hydraulics.capacity_m3s, capacities_as_found(state))
    found = []
    for position, line in enumerate(state.lines):
        here, most = flow[:, position, storm], float(limit[position])
        known = float(state.flows.flow_m3s[position, storm])
        share = float((here > most).mean())
        # what does not carry even that has a finding of its own, and so has what has no fall
        if known > most or not most > 0 or share <= _DOUBTED:
            continue
        basis = state.inverts.basis(position)
        severity: Severity = "warn" if STATED.issuperset(basis) else "note"
        found.append(
            about(
                line, "capacity-within-doubt", severity,
                facts={
                    "storm_yr": state.system.storms[storm], "carries_m3s": most,
                    "flow_m3s": known, "more": round(share * number), "realisations": number,
                    "into_well": _into_well(state, position),
                },
                rests_on=basis, measured=share, limit=_DOUBTED,
                unit="1", source=_SOURCE,
            )
        )  # fmt: skip
    return found


def less_what_hollows_keep(
    findings: Sequence[Finding], state: DrainState, storm: int, reaching: Mapping[str, FloatArray]
) -> list[Finding]:
    """
    Weigh less what fails only for water which hollows above the inlets keep.

    Pipes are sized for all ground, since nobody knows from elevation data that a hollow holds;
    but that such a line fails, or stands above a grate, is not known either.

    Parameters
    ----------
    findings
        Those of lines over their capacity and of water above a grate are looked at.
    storm
        Position of the design storm.
    reaching
        Of each inlet, by name: share of its runoff that comes to it, shape (storms,).
    """
    network, water = state.system.network, state.system.water
    if water is None or not reaching:
        return list(findings)
    ground, whole = _entering(water, storm)
    kept = {
        node: ca
        - ground.get(node, 0.0) * (1.0 - float(reaching.get(node, np.ones(storm + 1))[storm]))
        for node, ca in whole.items()
    }
    sums = [
        led_down(network, {node: np.array([ca]) for node, ca in each.items()})[:, 0]
        for each in (kept, whole)
    ]
    given = led_down(network, {node: np.array([q]) for node, q in water.given_m3s.items()})[:, 0]
    lines = {line.name: i for i, line in enumerate(state.lines)}
    nodes = {name: leaving[0] for name, leaving in network.leaving.items()}
    found = []
    for one in findings:
        # of a grate the line that leaves it
        places = {"over-capacity": lines, "water-above-grate": nodes}.get(one.rule, {})
        line = places.get(one.subject)
        if line is not None and sums[1][line] > 0:
            one = _less(one, state, storm, line, sums, given)  # noqa: PLW2901 - the same, weighed
        found.append(one)
    return found


#: What hollows keep is told from this share on, lotflow's rule [-].
_TOLD: Final = 0.1


def _less(
    one: Finding, state: DrainState, storm: int, line: int, sums: Sequence[FloatArray],
    given: FloatArray,
) -> Finding:  # fmt: skip
    """A finding that may hold only for water which hollows keep."""
    share = float(sums[0][line] / sums[1][line])
    left = float(given[line] + share * (state.flows.flow_m3s[line, storm] - given[line]))
    enough = one.rule == "over-capacity" and one.limit is not None and left > one.limit
    if share > 1.0 - _TOLD or enough:
        return one
    facts = {
        "kept": 1.0 - share, "left_m3s": left, "kept_storm_yr": state.system.storms[storm],
    }  # fmt: skip
    severity: Severity = "warn" if one.severity == "fail" else one.severity
    return replace(one, severity=severity, facts={**one.facts, **rounded(facts)})
