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
    storm_named,
)
from lotflow.findings import STATED
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    rain = storm_named(state.system.storms[storm])
    told = f"In the {rain} {both_units(flow, 'flow')} come"
    if flow <= clean:
        told += (f", and as it was found it carries {both_units(as_found, 'flow')}; clean, "
                 f"{both_units(clean, 'flow')}. Clean it.")  # fmt: skip
    else:
        told += (f", and full it carries {both_units(clean, 'flow')}. Lay a larger pipe, give it "
                 "more fall, or lead water elsewhere.")  # fmt: skip
    limit, basis = min(clean, as_found), state.inverts.basis(position)
    told += _hangs_on(basis)
    # a pipe not quite full carries a little more than a full one, which is not relied upon
    fails = flow > PEAK_FLOW_RATIO * limit
    return [
        about(
            line, "over-capacity", "fail" if fails else "warn", told, rests_on=basis,
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
            f"The {storm_named(state.system.storms[storm])} runs at {velocity:.1f} m/s "
            f"({velocity / 0.3048:.0f} ft/s) in it. Anchor it, and protect the ground at its "
            "outlet.",
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
            f"Its pump must take {both_units(flow, 'flow')} in the "
            f"{storm_named(state.system.storms[storm])}, with a way for what comes when it stands "
            "still.",
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
        full = bool(stands[at] < level[at])
        findings.append(
            about_place(
                name, network.nodes[name].xy,
                "water-above-grate" if inlet else "water-above-ground", severity,
                f"In the {storm_named(state.system.storms[at])} "
                f"{_height(float(stands[at] - node.rim_m), inlet, full=full)} A larger pipe, a "
                f"lower outlet or more fall below it may help.{_hangs_on((rim, *below))}",
                rests_on=(rim, *below),
                # a pipe laid to the elevation data is as high or low as that data
                beyond_ground=STATED.issuperset(below)
                and above[at] > limits.level_doubt_m + _SEEN_M,
                measured=round(float(stands[at]), 3), limit=round(node.rim_m, 3), unit="m",
                source=_HEC_22_GRATE,
            )
        )  # fmt: skip
    return findings


def _hangs_on(sources: Sequence[LevelSource]) -> str:
    """What of the levels nobody gave."""
    if STATED.issuperset(sources):
        return ""
    if "proposed" in sources:
        ground = ", or hang on the elevation data" if "from ground" in sources else ""
        return f" Levels that count here are proposed{ground}: take them on site."
    if "unknown" in sources:
        return " Levels that count here are not known."
    return " Levels that count here hang on the elevation data: take them on site."


def _height(above: float, inlet: bool, *, full: bool) -> str:
    """How high water stands; full where the line takes no more and the rest stays outside."""
    outside = "it comes out of any cover that is not sealed"
    where = "its grate" if inlet else "the ground there"
    if inlet and not full:
        return (
            "the drain could carry what comes to its inlets over their own ground and in pipes "
            f"only with water standing {both_units(above, 'depth')} above its grate: it takes "
            "less. What runs over from other inlets comes on top."
        )
    if not full:
        return f"water in the drain stands {both_units(above, 'depth')} above {where}: {outside}."
    if inlet:
        return (
            "what comes to its inlets over their own ground and in pipes fills the drain up to its "
            "grate: some of it is refused, here or at the inlets that share it."
        )
    return f"the drain is full up to {where}: {outside}. The rest stands there or runs on."
