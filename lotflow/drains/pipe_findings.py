"""What is wrong with pipes themselves: sizes, joints, what lies in them, what a test told."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from lotflow.drains.hose_test import (
    LATE_FACTOR,
    area_lost,
    arrival_time,
    blockage_distance,
    is_late,
    share_tested,
)
from lotflow.drains.judged import PRACTICE, about
from lotflow.drains.levels import least_fall

if TYPE_CHECKING:
    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.network import Network
    from lotflow.findings import Finding

#: Published for drainage piping in buildings; common practice in the ground.
NEVER_SMALLER: Final = "Chicago plumbing code, 18-29-704.2 (IPC 704.2, from memory)"
#: Two bores of one nominal size never differ by more [m].
SAME_BORE_M: Final = 0.006
#: Water left standing in a pipe from which it is said [m].
_STANDING_M: Final = 0.0127
_NO_JOINTS: Final = ("taped", "tape", "none", "no joint", "loose", "duct tape")
_MINUTE: Final = 60.0


def pipe_findings(state: DrainState) -> list[Finding]:
    """
    Judge the pipes of a system.

    Parameters
    ----------
    state
        What the system does.
    """
    findings = []
    for position, line in enumerate(state.lines):
        findings += _size_findings(line, state.system.network, position)
        findings += _joint_findings(line)
        findings += _filling_findings(line)
        findings += _test_findings(state, position)
    return findings


def _size_findings(line: DrainLine, network: Network, position: int) -> list[Finding]:
    """Unknown size, ends that differ, and a smaller pipe or outlet below."""
    pipe = line.pipe
    if math.isnan(pipe.diameter_m):
        return [
            about(
                line, "pipe-size-unknown", "note" if line.proposed else "warn",
                facts={"proposed": line.proposed}, source=PRACTICE,
            )
        ]  # fmt: skip
    findings = []
    if abs(pipe.diameter_down_m - pipe.diameter_m) > SAME_BORE_M:
        narrows = pipe.diameter_down_m < pipe.diameter_m
        findings.append(
            about(
                line, "size-changes-within-line", "fail" if narrows else "warn",
                facts={"above_m": pipe.diameter_m, "below_m": pipe.diameter_down_m},
                measured=pipe.diameter_down_m, limit=pipe.diameter_m, unit="m",
                source=NEVER_SMALLER if narrows else PRACTICE,
            )
        )  # fmt: skip
    return findings + _below(line, network, position)


def _below(line: DrainLine, network: Network, position: int) -> list[Finding]:
    """A smaller pipe downstream; nothing to say at an outlet, whose own size is judged there."""
    following = network.next_line(position)
    if following is None or network.share[position] == 0:
        return []
    lower = network.lines[following]
    bore, below = line.pipe.diameter_down_m, lower.pipe.diameter_m
    if math.isnan(below) or below >= bore - SAME_BORE_M:
        return []
    return [
        about(
            lower, "smaller-pipe-downstream", "fail",
            facts={"upper": line.name, "upper_m": bore, "own_m": below},
            measured=below, limit=bore, unit="m", source=NEVER_SMALLER,
            at=network.nodes[lower.start].xy,
        )
    ]  # fmt: skip


def _joint_findings(line: DrainLine) -> list[Finding]:
    """Joints that are none in the ground."""
    if line.condition.joint not in _NO_JOINTS:
        return []
    return [
        about(
            # "none" may also be meant for one length without any
            line, "joint-not-for-burial", "warn" if line.condition.joint == "none" else "fail",
            facts={"joint": line.condition.joint}, source=PRACTICE,
        )
    ]  # fmt: skip


def _filling_findings(line: DrainLine) -> list[Finding]:
    """Sediment, and water left standing in a sag."""
    findings = []
    bore = line.pipe.narrowest_m
    kinds = (
        ("sediment-in-line", line.condition.sediment_m, 0.0),
        ("water-stands-in-line", line.condition.standing_water_m, _STANDING_M),
    )
    for rule, depth, limit in kinds:
        if not depth > limit - 1e-9 or depth <= 0 or math.isnan(bore):
            continue
        lost = float(area_lost(min(depth, bore), bore))
        findings.append(
            about(
                line, rule, "warn", facts={"depth_m": depth, "lost": lost},
                measured=depth, limit=limit, unit="m", source=PRACTICE,
            )
        )  # fmt: skip
    return findings


def _test_findings(state: DrainState, position: int) -> list[Finding]:
    """What a hose test tells: whether water came when it should, and how little that proves."""
    line = state.lines[position]
    flow, seconds = line.condition.test_flow_m3s, line.condition.test_seconds
    if line.condition.test != "hose" or not flow > 0 or math.isnan(line.pipe.narrowest_m):
        return []
    pipe, slope = line.pipe, float(state.hydraulics.slope[position])
    # a line whose fall is not known is given the least it should have: it is late beyond that
    unknown = math.isnan(float(state.hydraulics.capacity_m3s[position]))
    if unknown:
        slope = least_fall(line, state.system.network.nodes[line.end].detail).least
    expected = float(
        arrival_time(flow, pipe.narrowest_m, slope, pipe.roughness, line.length_m)
    )  # fmt: skip
    if math.isnan(seconds) and line.condition.backed_up_seconds > 0:
        return [_blocked(line)]
    facts = {"seconds": seconds, **_share(state, position, flow)}
    if math.isnan(seconds):
        return [
            about(line, "hose-test", "warn", facts={**facts, "outcome": "not noted"},
                  source=PRACTICE)
        ]  # fmt: skip
    if math.isnan(expected):
        return [
            about(
                line, "hose-test", "warn", facts={**facts, "outcome": "no fall"},
                measured=seconds, unit="s", source=PRACTICE,
            )
        ]  # fmt: skip
    late = bool(is_late(seconds, expected)) if expected > 0 else False
    facts |= {
        "outcome": "late" if late else "in time", "expected_s": expected,
        "assumed_slope": slope if unknown else None,
    }  # fmt: skip
    return [
        about(
            line, "hose-test", "warn" if late else "note", facts=facts, measured=seconds,
            limit=LATE_FACTOR * expected, unit="s", source=PRACTICE,
        )
    ]  # fmt: skip


def _blocked(line: DrainLine) -> Finding:
    """Where a line is blocked, by the water it took until that stood at its upper end."""
    condition = line.condition
    volume = condition.test_flow_m3s * condition.backed_up_seconds
    reach = float(blockage_distance(volume, line.pipe.narrowest_m))
    facts = {
        "outcome": "backed up", "seconds": condition.backed_up_seconds, "volume_m3": volume,
        "blocked_within_m": None if reach > line.length_m else reach,
    }  # fmt: skip
    return about(
        line, "hose-test", "warn", facts=facts, measured=reach, limit=line.length_m, unit="m",
        source=PRACTICE,
    )  # fmt: skip


def _share(state: DrainState, position: int, flow: float) -> dict[str, Any]:
    """What share of the rarest storm's flow, or else of the capacity, a hose stands for."""
    storms = state.system.storms
    if storms.size and (carried := float(state.flows.flow_m3s[position, -1])) > 0:
        share = float(share_tested(flow, carried))
        return {"share": share, "share_of": "storm", "storm_yr": float(storms[-1])}
    whole = float(state.hydraulics.capacity_m3s[position])
    return {"share": float(share_tested(flow, whole))} if whole > 0 else {}
