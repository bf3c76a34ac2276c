"""Does gravity work at all: the fall between an inlet and its outlet, and what it needs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lotflow.drains.grade_line import EMITTER_OPENING_HEAD_M
from lotflow.drains.judged import about_place
from lotflow.drains.levels import NO_LEVEL, SURFACE_OUTLETS, OutletLevel, least_fall
from lotflow.findings import STATED
from lotflow.terrain.level_error import SPREAD_95, LevelError, deviation_between

if TYPE_CHECKING:
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
    node, outlet
        Their names.
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
    state
        Of the lines.
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
        deviation = deviation_between(
            error, run, first_surveyed=top.measured, second_surveyed=bottom.source in STATED
        )
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
    """
    Say from where gravity does not reach the outlet, or may not.

    Parameters
    ----------
    network
        Gives the places.
    falls
        From `available_falls`.
    """
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
