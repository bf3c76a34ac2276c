"""What is wrong with channel drains: too long for their outlet, or on ground that falls."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.channel_drains import compare_outlets, longest_run
from lotflow.drains.channel_profile import Channel, water_profile
from lotflow.drains.inlet_checks import InletFacts, inlet_finding
from lotflow.drains.judged import NOTHING_M3S
from lotflow.drains.pipe_tables import channel_roughness

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.drains.judged import Limits
    from lotflow.findings import Finding

_CHOW: Final = "Chow (1959), chapter 12, from memory: spatially varied flow with friction"


@dataclass(frozen=True)
class ChannelResult:
    """
    What a channel drain does in the design storm.

    Parameters
    ----------
    name
        Its name.
    depth_m
        Greatest depth of the water in it [m].
    freeboard_m
        From the water to the grate [m]; negative where it overflows.
    longest_run_m
        Longest run one outlet can serve [m]; NaN where nothing comes in through its grate.
    one_end_m, both_ends_m, middle_m
        Greatest depth with the outlet at one end, at both ends, in the middle [m].
    """

    name: str
    depth_m: float
    freeboard_m: float
    longest_run_m: float
    one_end_m: float
    both_ends_m: float
    middle_m: float


def channel_results(inlets: Sequence[InletFacts]) -> list[ChannelResult]:
    """
    Compute the water in every channel drain whose size and flow are known.

    The bed is taken as level, and the water as coming in evenly along the length. What lines,
    roofs and pumps let in below the grate comes in at the far end of its stretch, the peaks of all
    added: on the safe side. Water that stands in the drain line above the bed holds it up at the
    outlet.

    Parameters
    ----------
    inlets
        What is known of them.
    """
    known = [
        inlet for inlet in inlets
        if inlet.is_channel and inlet.channel_depth_m > 0 and inlet.channel_width_m > 0
        and _comes(inlet)
    ]  # fmt: skip
    return [_channel_result(inlet) for inlet in known]


def _comes(inlet: InletFacts) -> bool:
    """Whether water comes into a channel drain; without rain it is not known."""
    return inlet.flow_m3s + inlet.piped_m3s > NOTHING_M3S


def _channel_result(inlet: InletFacts) -> ChannelResult:
    """Water in one channel drain: in each stretch, and with its outlet elsewhere."""
    roughness, depth = channel_roughness("polymer concrete channel").n_design, inlet.channel_depth_m
    per_length = inlet.flow_m3s / inlet.length_m
    whole = Channel(
        inlet.channel_width_m, inlet.length_m, per_length, roughness, 0.0, _held(inlet),
        inlet.piped_m3s,
    )  # fmt: skip
    run, piped = np.array(inlet.stretches).T
    deepest = float(np.max(water_profile(replace(whole, length=run, head_flow=piped)).deepest))
    longest = np.nan
    if inlet.flow_m3s > NOTHING_M3S:
        longest = float(longest_run(whole, depth, tolerance=1e-3))
    compared = compare_outlets(whole)
    return ChannelResult(
        inlet.name, deepest, depth - deepest, longest,
        *(float(place) for place in (compared.one_end, compared.both_ends, compared.middle)),
    )  # fmt: skip


def _held(inlet: InletFacts) -> float:
    """Depth of water that the drain line holds in a channel at its outlet [m]."""
    bed = inlet.rim_m - inlet.channel_depth_m
    return max(float(np.nan_to_num(inlet.water_level_m - bed)), 0.0)


def channel_findings(
    inlets: Sequence[InletFacts], results: Sequence[ChannelResult], limits: Limits
) -> list[Finding]:
    """
    Say which channel drains overflow or lie on a slope, and what another outlet would do.

    Parameters
    ----------
    inlets
        What is known of them.
    results
        From `channel_results`.
    limits
        What they are judged by.
    """
    by_name = {result.name: result for result in results}
    findings = []
    for inlet in inlets:
        findings += _channel_top(inlet, limits)
        result = by_name.get(inlet.name)
        if result is None:
            if inlet.is_channel and _comes(inlet):
                findings.append(inlet_finding(inlet, "channel-size-unknown", "note", source=_CHOW))
            continue
        # water that the drain line holds up is told of the line; no other outlet would help
        if result.freeboard_m >= 0 or _held(inlet) > inlet.channel_depth_m:
            continue
        findings.append(
            inlet_finding(
                inlet, "channel-too-long", "fail",
                facts={
                    "water_m": result.depth_m, "depth_m": inlet.channel_depth_m,
                    "piped_m3s": inlet.piped_m3s if inlet.piped_m3s > NOTHING_M3S else None,
                    "longest_run_m": result.longest_run_m, "one_end_m": result.one_end_m,
                    "both_ends_m": result.both_ends_m, "middle_m": result.middle_m,
                },
                rests_on=inlet.water_rests_on if _held(inlet) > 0 else (),
                measured=result.depth_m, limit=inlet.channel_depth_m, unit="m", source=_CHOW,
            )
        )  # fmt: skip
    return findings


def _channel_top(inlet: InletFacts, limits: Limits) -> list[Finding]:
    """Ground that falls along a channel drain, whose top is set level."""
    most = limits.criteria.channel_level_m
    if not (inlet.is_channel and inlet.top_fall_m > most):
        return []
    certain = inlet.top_fall_m - inlet.top_doubt_m > most
    return [
        inlet_finding(
            inlet, "channel-ground-not-level", "warn" if certain else "note",
            facts={"fall_m": inlet.top_fall_m, "doubt_m": inlet.top_doubt_m},
            measured=inlet.top_fall_m, limit=most, unit="m",
            source=limits.source("channel_level_m"),
        )
    ]  # fmt: skip
