"""What is wrong at the ends of lines: outlets too high, too small, unlawful, lost or shut."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from lotflow.drains.grade_line import EMITTER_OPENING_HEAD_M
from lotflow.drains.judged import PRACTICE, Limits, about, about_place
from lotflow.drains.levels import NO_LEVEL, SURFACE_OUTLETS
from lotflow.drains.pipe_findings import NEVER_SMALLER
from lotflow.findings import STATED

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.nodes import DrainNode
    from lotflow.findings import Finding, LevelSource

#: Differences below this are those of levelling [m].
_LEVELLING_M: Final = 0.005
_SAME_BORE_M: Final = 0.006
_TAILWATER: Final = "FHWA HEC-22, 3rd edition (2009), section 7.1.5: tailwater at the outlet"


def outlet_findings(
    state: DrainState,
    outlet_diameter_m: Mapping[str, float],
    limits: Limits,
    well_depth_m: Mapping[str, float],
) -> list[Finding]:
    """
    Judge the outlets that lines run to.

    Parameters
    ----------
    state
        What the system does.
    outlet_diameter_m
        Inside diameter of each outlet [m]; NaN where not given.
    limits
        What it is judged by.
    well_depth_m
        Depth of the storage of each dry well [m]; NaN where not given.
    """
    findings = []
    nodes = state.system.network.nodes
    for position, line in enumerate(state.lines):
        end = nodes[line.end]
        if end.kind != "outlet":
            continue
        findings += _kind_findings(line, end)
        if end.detail == "pop-up emitter":
            findings += _emitter_findings(state, position, end, limits)
        else:
            findings += _level_findings(state, position, end)
        bore = outlet_diameter_m.get(end.name, math.nan)
        if bore < line.pipe.diameter_down_m - _SAME_BORE_M:
            findings.append(
                about(
                    line, "outlet-smaller-than-line", "fail",
                    facts={"outlet_m": bore, "line_m": line.pipe.diameter_down_m},
                    measured=bore, limit=line.pipe.diameter_down_m, unit="m",
                    source=NEVER_SMALLER, at=end.xy,
                )
            )  # fmt: skip
    for name in dict.fromkeys(line.end for line in state.lines):
        if nodes[name].kind == "outlet":
            findings += _asked(state, nodes[name], well_depth_m.get(name, math.nan))
    return findings


def _kind_findings(line: DrainLine, end: DrainNode) -> list[Finding]:
    """An outlet that must not be, or that nobody has found."""
    if end.detail == "sanitary sewer":
        return [
            about(
                line, "into-sanitary-sewer", "fail",
                source="International Plumbing Code, 1101.3", at=end.xy,
            )
        ]  # fmt: skip
    if end.detail == "not found":
        return [about(line, "outlet-not-found", "warn", source=PRACTICE, at=end.xy)]
    return []


def _level_findings(state: DrainState, position: int, end: DrainNode) -> list[Finding]:
    """An outlet that lies higher than the end of its line, or whose crown lies under water."""
    line, node = state.lines[position], state.system.nodes[end.name]
    level, down = node.invert_m, float(state.inverts.down_m[position])
    basis = state.inverts.down_basis[position]
    findings = []
    if level - down > _LEVELLING_M:
        findings.append(
            about(
                line, "outlet-above-line", "fail", facts={"above_m": level - down},
                rests_on=("given", basis), measured=level, limit=down, unit="m", source=PRACTICE,
                at=end.xy,
            )
        )  # fmt: skip
    crown = down + line.pipe.diameter_down_m
    if node.water_m - crown > _LEVELLING_M:
        findings.append(
            about(
                line, "outlet-under-water", "warn",
                facts={"outlet": end.name, "water_m": node.water_m - crown, "over": "crown"},
                rests_on=(basis, "given"), measured=crown, limit=node.water_m, unit="m",
                source=_TAILWATER, at=end.xy,
            )
        )  # fmt: skip
    return findings


def _emitter_findings(
    state: DrainState, position: int, end: DrainNode, limits: Limits
) -> list[Finding]:
    """A line that stands full up to the lip of its emitter, or an emitter above a grate."""
    line, best = state.lines[position], state.outlet_level(end.name)
    lip, water = best.level_m, state.system.nodes[end.name].water_m
    basis = state.inverts.down_basis[position]
    findings = []
    stands = lip - float(state.inverts.down_m[position])
    if stands > _LEVELLING_M:
        findings.append(
            about(
                line, "emitter-line-cannot-empty", "note" if basis == "proposed" else "warn",
                facts={"stands_m": stands, "proposed": basis == "proposed"},
                rests_on=(best.source, basis), measured=stands, limit=0.0, unit="m",
                source=PRACTICE, at=end.xy,
            )
        )  # fmt: skip
    if water - lip > _LEVELLING_M:
        findings.append(
            about(
                line, "outlet-under-water", "warn",
                facts={"outlet": end.name, "water_m": water - lip, "over": "lip"},
                rests_on=(best.source, "given"), measured=lip, limit=water, unit="m",
                source=_TAILWATER, at=end.xy,
            )
        )  # fmt: skip
    needed = lip + EMITTER_OPENING_HEAD_M
    for name in _inlets_above(state, position):
        node = state.system.nodes[name]
        if not needed > node.rim_m:
            continue
        rim: LevelSource = "given" if node.measured else "from ground"
        findings.append(
            about(
                line, "emitter-above-grate", "fail",
                facts={"inlet": name, "above_m": needed - node.rim_m},
                rests_on=(best.source, rim),
                beyond_ground=needed - node.rim_m > limits.level_doubt_m,
                measured=needed, limit=node.rim_m, unit="m",
                source=f"{PRACTICE}; opening head from memory", at=end.xy,
            )
        )  # fmt: skip
    return findings


def _asked(state: DrainState, end: DrainNode, well_depth_m: float) -> list[Finding]:
    """Ask for the level of an outlet that nobody gave, and say what is taken in its place."""
    best, ground = state.outlet_level(end.name), state.system.nodes[end.name].ground_m
    if best.source in STATED or end.detail in NO_LEVEL or math.isnan(best.level_m):
        return []
    below, proposed = ground - best.level_m, best.source != "from ground"
    facts: dict[str, Any] = {"proposed": proposed, "below_m": below}
    if proposed and below > 0 and end.detail in SURFACE_OUTLETS:
        facts["cannot_daylight"] = True
    elif proposed and 0 < well_depth_m < math.inf:
        facts["well_bottom_m"] = below + well_depth_m
    return [
        about_place(
            end.name, end.xy, "outlet-level-not-given", "note", facts=facts,
            rests_on=(best.source, "from ground"), measured=below, unit="m", source=PRACTICE,
        )
    ]  # fmt: skip


def _inlets_above(state: DrainState, position: int) -> list[str]:
    """Inlets whose water passes a line, nearest first."""
    network, names = state.system.network, []
    wave = [position]
    while wave:
        line = network.lines[wave.pop(0)]
        if network.nodes[line.start].kind == "inlet":
            names.append(line.start)
        wave += network.entering.get(line.start, [])
    return list(dict.fromkeys(names))
