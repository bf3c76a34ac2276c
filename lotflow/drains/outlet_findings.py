"""What is wrong at the ends of lines: outlets too high, too small, unlawful, lost or shut."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from lotflow.drains.grade_line import EMITTER_OPENING_HEAD_M
from lotflow.drains.judged import PRACTICE, Limits, about, about_place
from lotflow.drains.levels import NO_LEVEL, SURFACE_OUTLETS
from lotflow.drains.pipe_findings import NEVER_SMALLER
from lotflow.findings import STATED
from lotflow.units import both_units

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
                    f"Its outlet has an inside diameter of {both_units(bore, 'diameter')}, the "
                    f"line {both_units(line.pipe.diameter_down_m, 'diameter')}. An outlet is never "
                    "smaller than its line.",
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
                "It runs into a sanitary sewer, where rain water must not go. Lead it to a lawful "
                "outlet, and have the connection closed.",
                source="International Plumbing Code, 1101.3", at=end.xy,
            )
        ]  # fmt: skip
    if end.detail == "not found":
        return [
            about(
                line, "outlet-not-found", "warn",
                "Where it ends is not known: nothing of this run can be relied upon before that is "
                "found. Trace it with dye, a camera or a sonde, or "
                "abandon it.",
                source=PRACTICE, at=end.xy,
            )
        ]  # fmt: skip
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
                line, "outlet-above-line", "fail",
                f"Its outlet lies {both_units(level - down, 'depth')} above its lower end: that "
                "much water stays in it. Level both again; the outlet must be the lowest point.",
                rests_on=("given", basis), measured=level, limit=down, unit="m", source=PRACTICE,
                at=end.xy,
            )
        )  # fmt: skip
    crown = down + line.pipe.diameter_down_m
    if node.water_m - crown > _LEVELLING_M:
        findings.append(
            about(
                line, "outlet-under-water", "warn",
                f"The water given for {end.name} stands {both_units(node.water_m - crown, 'depth')}"
                " above the crown of the line there: the line stands full of it and drains only "
                "against it. Raise the outlet or lead it elsewhere; else a flap valve keeps that "
                f"water out of the yard.{_proposed(basis)}",
                rests_on=(basis, "given"), measured=crown, limit=node.water_m, unit="m",
                source=_TAILWATER, at=end.xy,
            )
        )  # fmt: skip
    return findings


def _proposed(source: LevelSource) -> str:
    """Say that a level is not one that somebody gave."""
    if source in STATED:
        return ""
    how = "proposed" if source == "proposed" else "taken from the elevation data"
    return f" Its level is {how}: take it on site."


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
        told = (
            f"With the levels proposed a riser of {both_units(stands, 'depth')} leads up to the "
            "lip of its emitter: water stays in the line after every rain, freezes and breeds"
            if basis == "proposed" else
            f"The lip of its emitter lies {both_units(stands, 'depth')} above the invert there: "
            "water stays in the line after every rain, freezes and breeds"
        )  # fmt: skip
        findings.append(
            about(
                line, "emitter-line-cannot-empty", "note" if basis == "proposed" else "warn",
                f"{told} mosquitoes. Give the elbow a weep hole over a pit of stone.",
                rests_on=(best.source, basis), measured=stands, limit=0.0, unit="m",
                source=PRACTICE, at=end.xy,
            )
        )  # fmt: skip
    if water - lip > _LEVELLING_M:
        findings.append(
            about(
                line, "outlet-under-water", "warn",
                f"The water given for {end.name} stands {both_units(water - lip, 'depth')} above "
                f"its lip: nothing runs out against it.{_proposed(best.source)}",
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
        sources = (best.source, rim)
        doubt = "" if STATED.issuperset(sources) else (
            " Both levels must be taken on site to tell.")  # fmt: skip
        never = "it never will" if not doubt else "by these levels it never will"
        findings.append(
            about(
                line, "emitter-above-grate", "fail",
                f"Its emitter opens when water stands {both_units(needed - node.rim_m, 'depth')} "
                f"above the grate of {name}: {never}. Put the outlet lower.{doubt}",
                rests_on=sources, beyond_ground=needed - node.rim_m > limits.level_doubt_m,
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
    below = ground - best.level_m
    if best.source == "from ground":
        what = (
            "Its level is not given and hangs on the elevation data, in which a curb, a gutter or "
            "a shallow ditch may not be. Take it on site, and enter invert."
        )
    else:
        what = (
            f"Its level is not given. The lines proposed would reach it "
            f"{both_units(below, 'depth')} below the ground there."
        )
        if below > 0 and end.detail in SURFACE_OUTLETS:
            what += " So deep it cannot come out at the surface here, by the elevation data."
        elif 0 < well_depth_m < math.inf:
            what += (
                f" With the storage and base given its bottom would lie at least "
                f"{both_units(below + well_depth_m, 'depth')} below the ground: dig a test pit, "
                "and look for groundwater."
            )
        what += " Find out its level, and enter invert."
    return [
        about_place(
            end.name, end.xy, "outlet-level-not-given", "note", what,
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
