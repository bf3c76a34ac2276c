"""Does gravity work at all: the fall between an inlet and its outlet, and what it needs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lotflow.drains.levels import least_fall
from lotflow.findings import Finding
from lotflow.terrain.level_error import SPREAD_95, LevelError, deviation_between
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.drains.levels import NodeLevel
    from lotflow.drains.network import Network


@dataclass(frozen=True)
class AvailableFall:
    """
    Fall between a node and the outlet its water runs to.

    Parameters
    ----------
    node, outlet
        Their names.
    available_m
        From the rim or ground at the node to the outlet's invert, or the ground there [m].
    interval_m
        Half the width of its 95 % interval from the error of the elevation data [m]; 0 where
        both levels were measured.
    run_m
        Length of the lines between them [m].
    depth_m
        Cover and pipe at the node [m].
    required_m
        Least fall of the lines between them [m].
    """

    node: str
    outlet: str
    available_m: float
    interval_m: float
    run_m: float
    depth_m: float
    required_m: float

    @property
    def left_m(self) -> float:
        """What is left after cover, pipe and least fall [m]; negative where gravity fails."""
        return self.available_m - self.depth_m - self.required_m


def available_falls(
    network: Network, nodes: Mapping[str, NodeLevel], *, cover_m: float, error: LevelError
) -> list[AvailableFall]:
    """
    Find the fall between every inlet and its outlet.

    Parameters
    ----------
    network
        In flow order.
    nodes
        Levels by node.
    cover_m
        Least cover [m].
    error
        Of the elevation data, over the length of the run.

    Returns
    -------
    falls
        One per inlet from which a line leads to an outlet that is found and no pump.
    """
    found = []
    for name, leaving in network.leaving.items():
        way = network.way_down(leaving[0])
        outlet = network.nodes[network.lines[way[-1]].end]
        if network.nodes[name].kind != "inlet" or outlet.kind != "outlet":
            continue
        top, bottom = nodes[name], nodes[outlet.name]
        low = bottom.ground_m if math.isnan(bottom.invert_m) else bottom.invert_m
        if outlet.detail in ("not found", "pump") or math.isnan(top.rim_m - low):
            continue
        lines = [network.lines[i] for i in way]
        run = sum(line.length_m for line in lines)
        deviation = deviation_between(
            error, run, first_surveyed=top.measured,
            second_surveyed=not math.isnan(bottom.invert_m),
        )  # fmt: skip
        # a channel drain is as deep as it is made: its pipe needs no cover there
        cover = 0.0 if network.nodes[name].detail == "channel drain" else cover_m
        diameter = lines[0].pipe.diameter_m
        found.append(
            AvailableFall(
                name, outlet.name, top.rim_m - low, SPREAD_95 * deviation, run,
                cover + (0.1 if math.isnan(diameter) else diameter),
                sum(line.length_m * least_fall(line, network.nodes[line.end].detail).least
                    for line in lines),
            )
        )  # fmt: skip
    return found


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
        x, y = network.nodes[fall.node].xy
        told = (
            f"From here to {fall.outlet} there are {both_units(fall.available_m, 'depth')} of fall"
            f" over {both_units(fall.run_m, 'length')}; cover and pipe take "
            f"{both_units(fall.depth_m, 'depth')}, the least fall "
            f"{both_units(fall.required_m, 'depth')}. "
        )
        fails = fall.left_m + fall.interval_m < 0
        short = fall.left_m < 0
        doubt = f"the elevation data is good to {both_units(fall.interval_m, 'depth')} here"
        if fails:
            told += "Gravity does not work: look for a lower outlet, a shallower drain or a pump."
        elif short:
            told += f"That is too little, but {doubt}: level both ends before anything is dug."
        else:
            told += f"That is enough, but {doubt}: level both ends before anything is dug."
        findings.append(
            Finding(
                "too-little-fall", "fail" if fails else "warn" if short else "note", fall.node,
                told, measured=round(fall.available_m, 3),
                limit=round(fall.depth_m + fall.required_m, 3), unit="m",
                source="cover and least fall as in the criteria and tables; 95 % interval from the "
                "stated error of the elevation data",
                x=x, y=y,
            )
        )  # fmt: skip
    return findings
