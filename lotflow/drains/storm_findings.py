"""What goes wrong in a storm: lines over capacity, too fast, water above a grate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.circular_section import PEAK_FLOW_RATIO
from lotflow.drains.hose_test import capacity_as_found
from lotflow.drains.judged import (
    NOTHING_M3S,
    Limits,
    about,
    about_place,
    design_storm,
)
from lotflow.findings import STATED

if TYPE_CHECKING:
    from lotflow.drains.drain_system import DrainState
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
    state
        What the system does.
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
                and above[at] > limits.level_doubt_m + _SEEN_M,
                measured=round(float(stands[at]), 3), limit=round(node.rim_m, 3), unit="m",
                source=_HEC_22_GRATE,
            )
        )  # fmt: skip
    return findings
