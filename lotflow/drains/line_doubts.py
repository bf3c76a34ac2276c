"""How far the flow of each drain line is left open by what realisations show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.judged import about, storm_named
from lotflow.drains.network_flows import led_down
from lotflow.drains.storm_findings import capacities_as_found
from lotflow.findings import STATED
from lotflow.terrain.confidence import SHARES
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Sequence

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


def _into_well(state: DrainState, position: int) -> str:
    """What a larger line needs where it ends in a dry well."""
    network = state.system.network
    end = network.nodes[network.lines[network.way_down(position)[-1]].end]
    return ", with a well that takes it" if end.detail == "dry well" else ""


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
        rain, basis = storm_named(state.system.storms[storm]), state.inverts.basis(position)
        severity: Severity = "warn" if STATED.issuperset(basis) else "note"
        levels = "It" if STATED.issuperset(basis) else "By levels that nobody has given it"
        found.append(
            about(
                line, "capacity-within-doubt", severity,
                f"{levels} carries {both_units(most, 'flow')}. On the measured surface the {rain} "
                f"brings {both_units(known, 'flow')}, but in {round(share * number)} of {number} "
                "realisations more than it carries. Measure levels on site where the catchments "
                f"of its inlets end, or lay it larger{_into_well(state, position)}.",
                rests_on=basis, measured=share, limit=_DOUBTED,
                unit="1", source=_SOURCE,
            )
        )  # fmt: skip
    return found
