"""Whether gravity reaches the outlets, and what is wrong at them: too high, small, lost or shut."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.drains.grade_line import EMITTER_OPENING_HEAD_M
from lotflow.drains.judged import PRACTICE, Limits, about, about_place
from lotflow.drains.levels import (
    NO_LEVEL,
    SURFACE_OUTLETS,
    OutletLevel,
    datum_of_outlet,
    least_fall,
)
from lotflow.drains.line_findings import NEVER_SMALLER, SAME_BORE_M
from lotflow.findings import STATED
from lotflow.terrain.level_error import SPREAD_95, LevelError, deviation_between

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.network import Network
    from lotflow.drains.nodes import DrainNode
    from lotflow.findings import Finding, LevelSource, Severity


@dataclass(frozen=True)
class AvailableFall:
    """
    Fall between a node and the outlet its water runs to.

    Parameters
    ----------
    available_m
        From the rim or ground at the node to the outlet, or the ground there [m].
    interval_m
        Half the width of its 95 % interval from the error of the elevation data [m]; 0 where
        both levels were measured.
    run_m
        Length of the lines between them [m].
    diameter_m
        Inside diameter of the line that leaves it; NaN where it is not known [m].
    depth_m
        Depth of the invert below the rim or ground at the node [m].
    required_m
        Least fall of the lines between them, or the head that opens an emitter [m].
    rests_on
        Where the two levels come from.
    """

    node: str
    outlet: str
    available_m: float
    interval_m: float
    run_m: float
    diameter_m: float
    depth_m: float
    required_m: float
    rests_on: tuple[LevelSource, LevelSource]

    @property
    def left_m(self) -> float:
        """What is left after cover, pipe and least fall [m]; negative where gravity fails."""
        return self.available_m - self.depth_m - self.required_m


def available_falls(state: DrainState, *, error: LevelError) -> list[AvailableFall]:
    """
    Find the fall between every inlet and its outlet.

    An old line lies as deep as it lies: where its upper invert is not known nothing is said. Into
    a well or sewer whose level nobody gave any fall may be had. To an emitter the line may lie
    full below its lip: it takes the head that opens the lid, and no cover.

    Parameters
    ----------
    error
        Of the elevation data, over the length of the run.

    Returns
    -------
    falls
        One per inlet from which a line leads to an outlet whose level is known.
    """
    network, nodes, found = state.system.network, state.system.nodes, []
    for name, leaving in network.leaving.items():
        way = network.way_down(leaving[0])
        outlet = network.nodes[network.lines[way[-1]].end]
        if network.nodes[name].kind != "inlet" or outlet.kind != "outlet":
            continue
        top, bottom = nodes[name], _lowest(state, outlet)
        depth = _depth(state, leaving[0])
        if outlet.detail in NO_LEVEL or math.isnan(top.rim_m - bottom.level_m + depth):
            continue
        lines = [network.lines[i] for i in way]
        # under given water it is not the fall that counts: `outlet-under-water` tells of that
        end = state.lines[way[-1]].pipe.diameter_down_m
        if nodes[outlet.name].water_m > bottom.level_m + (0.0 if math.isnan(end) else end):
            continue
        run = sum(line.length_m for line in lines)
        of_rim = error.given.datum(("inlets", name, "rim_m"))
        of_outlet = datum_of_outlet(network, outlet.name, error.given)
        deviation = deviation_between(
            error, run, of_rim if top.measured else "ground",
            of_outlet if bottom.source in STATED else "ground",
            (network.nodes[name].xy, outlet.xy),
        )  # fmt: skip
        needed = sum(
            line.length_m * least_fall(line, network.nodes[line.end].detail).least for line in lines
        )
        if outlet.detail == "pop-up emitter":
            depth, needed = 0.0, EMITTER_OPENING_HEAD_M
        rim: LevelSource = "given" if top.measured else "from ground"
        found.append(
            AvailableFall(
                name, outlet.name, top.rim_m - bottom.level_m, SPREAD_95 * deviation, run,
                lines[0].pipe.diameter_m, depth, needed, (rim, bottom.source),
            )
        )  # fmt: skip
    return found


def _lowest(state: DrainState, outlet: DrainNode) -> OutletLevel:
    """Level of an outlet as far as it does not follow from the lines that are proposed."""
    best = state.outlet_level(outlet.name)
    if best.source != "proposed":
        return best
    if outlet.detail in SURFACE_OUTLETS:
        return OutletLevel(state.system.nodes[outlet.name].ground_m, "from ground")
    return OutletLevel(math.nan, "unknown")


def _depth(state: DrainState, position: int) -> float:
    """Depth of a line's invert below the rim of its inlet [m]: as it lies, or as cover asks for."""
    network, line = state.system.network, state.lines[position]
    basis = state.inverts.up_basis[position]
    if not line.proposed or basis in STATED:
        known = basis not in ("unknown", "proposed")
        rim = state.system.nodes[line.start].rim_m
        return rim - float(state.inverts.up_m[position]) if known else math.nan
    # a channel drain is as deep as it is made: its pipe needs no cover there
    channel = network.nodes[line.start].detail == "channel drain"
    diameter = line.pipe.diameter_m
    return (0.0 if channel else state.system.cover_m) + (0.1 if math.isnan(diameter) else diameter)


def fall_findings(network: Network, falls: list[AvailableFall]) -> list[Finding]:
    """Say from where gravity does not reach the outlet, or may not."""
    findings = []
    for fall in falls:
        if fall.left_m >= fall.interval_m:
            continue
        beyond = fall.left_m + fall.interval_m < 0
        severity: Severity = "fail" if beyond else "warn" if fall.left_m < 0 else "note"
        findings.append(
            about_place(
                fall.node, network.nodes[fall.node].xy, "too-little-fall", severity,
                facts={
                    "outlet": fall.outlet, "available_m": fall.available_m, "run_m": fall.run_m,
                    "required_m": fall.required_m, "left_m": fall.left_m,
                    "doubt_m": fall.interval_m, "depth_m": fall.depth_m or None,
                    "diameter_m": fall.diameter_m,
                },
                rests_on=fall.rests_on, beyond_ground=beyond, measured=round(fall.available_m, 3),
                limit=round(fall.depth_m + fall.required_m, 3), unit="m",
                source="cover and least fall as in the criteria and tables; 95 % interval from the "
                "stated error of the elevation data",
            )
        )  # fmt: skip
    return findings


#: Differences below this are those of levelling [m].
_LEVELLING_M: Final = 0.005
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
        if bore < line.pipe.diameter_down_m - SAME_BORE_M:
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
        datum = datum_of_outlet(state.system.network, end.name, limits.error.given)
        doubt = limits.doubt_m(datum, state.system.network.nodes[name].xy)
        findings.append(
            about(
                line, "emitter-above-grate", "fail",
                facts={"inlet": name, "above_m": needed - node.rim_m},
                rests_on=(best.source, rim),
                beyond_ground=needed - node.rim_m > doubt,
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
