"""What is wrong at the ends of lines: outlets too high, too small, unlawful, lost or shut."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from lotflow.drains.grade_line import EMITTER_OPENING_HEAD_M
from lotflow.drains.judged import PRACTICE, about
from lotflow.drains.pipe_findings import NEVER_SMALLER
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.nodes import DrainNode
    from lotflow.findings import Finding

#: Differences below this are those of levelling [m].
_LEVELLING_M: Final = 0.005
_SAME_BORE_M: Final = 0.006


def outlet_findings(state: DrainState, outlet_diameter_m: Mapping[str, float]) -> list[Finding]:
    """
    Judge the outlets that lines run to.

    Parameters
    ----------
    state
        What the system does.
    outlet_diameter_m
        Inside diameter of each outlet [m]; NaN where not given.
    """
    findings = []
    nodes = state.system.network.nodes
    for position, line in enumerate(state.lines):
        end = nodes[line.end]
        if end.kind != "outlet":
            continue
        findings += _kind_findings(line, end)
        if end.detail == "pop-up emitter":
            findings += _emitter_findings(state, position, end)
        else:
            findings += _level_findings(state, position, end)
        bore = outlet_diameter_m.get(end.name, math.nan)
        if bore < line.pipe.diameter_down_m - _SAME_BORE_M:
            findings.append(
                about(
                    line, "outlet-smaller-than-line", "fail",
                    f"Its outlet has an inside diameter of {both_units(bore, 'diameter')}, the "
                    f"line {both_units(line.pipe.diameter_down_m, 'diameter')}. An outlet is never "
                    "smaller than its line.",
                    measured=bore, limit=line.pipe.diameter_down_m, unit="m",
                    source=NEVER_SMALLER, at=end.xy,
                )
            )  # fmt: skip
    return findings


def _kind_findings(line: DrainLine, end: DrainNode) -> list[Finding]:
    """An outlet that must not be, or that nobody has found."""
    if end.detail == "sanitary sewer":
        return [
            about(
                line, "into-sanitary-sewer", "fail",
                "It runs into a sanitary sewer, where rain water must not go. Lead it to a lawful "
                "outlet, and have the connection closed.",
                source="International Plumbing Code, 1101.3", at=end.xy,
            )
        ]  # fmt: skip
    if end.detail == "not found":
        return [
            about(
                line, "outlet-not-found", "warn",
                "Where it ends is not known: its levels and capacity below cannot be judged, and "
                "it may end at the house. Trace it with dye, a camera or a sonde, or abandon it.",
                source=PRACTICE, at=end.xy,
            )
        ]  # fmt: skip
    return []


def _level_findings(state: DrainState, position: int, end: DrainNode) -> list[Finding]:
    """An outlet that lies higher than the end of its line."""
    line, level = state.lines[position], state.system.nodes[end.name].invert_m
    down = float(state.inverts.down_m[position])
    if not level - down > _LEVELLING_M:
        return []
    return [
        about(
            line, "outlet-above-line", "fail",
            f"Its outlet lies {both_units(level - down, 'depth')} above its lower end: that much "
            "water stays in it. Level both again; the outlet must be the lowest point.",
            measured=level, limit=down, unit="m", source=PRACTICE, at=end.xy,
        )
    ]  # fmt: skip


def _emitter_findings(state: DrainState, position: int, end: DrainNode) -> list[Finding]:
    """A line that stands full up to the lip of its emitter, or an emitter above a grate."""
    line, node = state.lines[position], state.system.nodes[end.name]
    lip = node.ground_m if math.isnan(node.invert_m) else node.invert_m
    findings = []
    stands = lip - float(state.inverts.down_m[position])
    if stands > _LEVELLING_M:
        findings.append(
            about(
                line, "emitter-line-cannot-empty", "warn",
                f"The lip of its emitter lies {both_units(stands, 'depth')} above the invert "
                "there: water stays in the line after every rain, freezes and breeds mosquitoes. "
                "Give the elbow a weep hole over a pit of stone.",
                measured=stands, limit=0.0, unit="m", source=PRACTICE, at=end.xy,
            )
        )  # fmt: skip
    needed = lip + EMITTER_OPENING_HEAD_M
    for name in _inlets_above(state, position):
        rim = state.system.nodes[name].rim_m
        if needed > rim:
            findings.append(
                about(
                    line, "emitter-above-grate", "fail",
                    f"Its emitter opens when water stands {both_units(needed - rim, 'depth')} "
                    f"above the grate of {name}: it never will. Put the outlet lower.",
                    measured=needed, limit=rim, unit="m",
                    source=f"{PRACTICE}; opening head from memory", at=end.xy,
                )
            )  # fmt: skip
    return findings


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
