"""How far the flow of each drain line is left open by what realisations show."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.judged import about, rounded
from lotflow.drains.network_flows import led_down
from lotflow.drains.storm_findings import capacities_as_found
from lotflow.findings import STATED
from lotflow.terrain.confidence import SHARES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.network_flows import DrainWater
    from lotflow.findings import Finding, Severity
    from lotflow.grid import FloatArray

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
    names
        Of the inlets.
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
    state
        Of the lines.
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
