"""What is wrong with lines: pipes, joints, what lies in them; fall, cover, trench, access."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely

from lotflow.drains.grade_line import SHARPEST_TURN_DEG, turn_deg
from lotflow.drains.hose import (
    LATE_FACTOR,
    area_lost,
    arrival_time,
    blockage_distance,
    is_late,
    share_tested,
)
from lotflow.drains.judged import PRACTICE, Limits, about
from lotflow.drains.levels import SURFACE_OUTLETS, least_fall
from lotflow.findings import STATED, LevelSource, as_severe_as_known
from lotflow.terrain.level_error import SPREAD_95

if TYPE_CHECKING:
    from collections.abc import Collection

    from lotflow.drains.drain_lines import DrainLine, LineProfile
    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.levels import NodeLevel
    from lotflow.drains.network import Network
    from lotflow.findings import Finding, Severity
    from lotflow.grid import BoolArray, FloatArray

#: Published for drainage piping in buildings; common practice in the ground.
NEVER_SMALLER: Final = "Chicago plumbing code, 18-29-704.2 (IPC 704.2, from memory)"
#: Two bores of one nominal size never differ by more [m].
SAME_BORE_M: Final = 0.006
#: Water left standing in a pipe from which it is said [m].
_STANDING_M: Final = 0.0127
_NO_JOINTS: Final = ("taped", "tape", "none", "no joint", "loose", "duct tape")
_MINUTE: Final = 60.0


def pipe_findings(state: DrainState) -> list[Finding]:
    """Judge the pipes of a system."""
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
        "late_factor": LATE_FACTOR, "assumed_slope": slope if unknown else None,
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


#: Stretch at an end at the surface over which cover is not asked for [m].
#: Source: NRCS underground outlet, conservation practice 620: rigid pipe over the last 10 ft.
_RIGID_END_M: Final = 3.048
#: Places along a line at which its cover is taken for the share that is too shallow.
_FINE: Final = 501
#: Levels are written down to half a millimetre at best [m].
_ROUNDING_M: Final = 0.0005


def laying_findings(state: DrainState, limits: Limits, access: Collection[str]) -> list[Finding]:
    """
    Judge how the lines of a system are laid.

    Parameters
    ----------
    limits
        What it is judged by.
    access
        Names of the nodes through which a line can be cleaned.
    """
    findings = []
    for position, line in enumerate(state.lines):
        findings += _fall_findings(state, position, limits)
        profile = state.profile(position)
        if not math.isnan(line.pipe.diameter_m):
            findings += _cover_findings(state, position, profile, limits)
        findings += _trench_findings(line, profile, limits)
        findings += _footing_findings(line, profile, limits)
        findings += _turn_findings(state, position)
    return findings + _access_findings(state, limits, access)


def _fall_findings(state: DrainState, position: int, limits: Limits) -> list[Finding]:
    """Adverse, flat, too little fall, or too slow to keep clean."""
    line, slope = state.lines[position], float(state.hydraulics.slope[position])
    if math.isnan(slope):
        return [_levels_unknown(state, position)]
    rule = least_fall(line, state.system.network.nodes[line.end].detail)
    fall = slope * line.length_m
    if fall + _ROUNDING_M >= rule.least * line.length_m:
        return _slow_findings(state, position, limits)
    basis = state.inverts.basis(position)
    name = "adverse-fall" if fall < -_ROUNDING_M else "below-minimum-fall"
    name = "flat-line" if abs(fall) <= _ROUNDING_M else name
    severity: Severity = "fail"
    facts = {
        "fall_m": fall, "length_m": line.length_m, "slope": slope, "least": rule.least,
        "levels": "known",
    }  # fmt: skip
    if "proposed" in basis:
        facts |= {"levels": "proposed", "cover_m": state.system.cover_m}
    elif not STATED.issuperset(basis):
        doubt = _fall_doubt(state, position, limits)
        may_be_enough = rule.least * line.length_m - fall <= doubt
        severity = "note" if may_be_enough else "fail"
        facts |= {"levels": "from ground", "doubt_m": doubt, "may_be_enough": may_be_enough}
    return [
        about(
            line, name, severity, facts=facts, rests_on=basis, measured=slope, limit=rule.least,
            unit="1", source=rule.source,
        )
    ]  # fmt: skip


def _levels_unknown(state: DrainState, position: int) -> Finding:
    """What must be measured before anything can be said of a line's fall and capacity."""
    line, basis = state.lines[position], state.inverts.basis(position)
    facts: dict[str, Any] = {"proposed": line.proposed}
    if not line.proposed:
        facts |= {
            "ends": tuple(name for name, source in zip(("upper", "lower"), basis, strict=True)
                          if source == "unknown"),
            "end_is_found": state.system.network.nodes[line.end].detail != "not found",
        }  # fmt: skip
    return about(
        line, "levels-unknown", "warn" if line.proposed else "note", facts=facts, rests_on=basis,
        source=PRACTICE,
    )  # fmt: skip


def _fall_doubt(state: DrainState, position: int, limits: Limits) -> float:
    """Half the 95 % interval of the difference of two levels out of the elevation data [m]."""
    ends = state.system.network.lines[position].ends
    return SPREAD_95 * float(limits.error.of_difference(state.lines[position].length_m, ends))


def _slow_findings(state: DrainState, position: int, limits: Limits) -> list[Finding]:
    """A line so flat for its size that it does not clean itself."""
    velocity, least = state.hydraulics.full_velocity_m_s[position], limits.criteria.velocity_low_m_s
    if not velocity < least:
        return []
    return [
        about(
            state.lines[position], "too-slow-to-keep-clean", "warn",
            facts={"velocity_m_s": velocity},
            measured=velocity, limit=least, unit="m/s", source=limits.source("velocity_low_m_s"),
        )
    ]  # fmt: skip


def _judged_stretch(state: DrainState, position: int, profile: LineProfile) -> BoolArray:
    """Stations at which cover is asked for: not at ends that lie at the surface."""
    line, nodes = state.lines[position], state.system.network.nodes
    along = profile.distance_m
    judged = np.isfinite(profile.cover_m)
    if nodes[line.end].detail in SURFACE_OUTLETS:
        judged &= along <= along[-1] - _RIGID_END_M
    if nodes[line.start].detail == "channel drain":
        judged &= along >= _RIGID_END_M
    return np.asarray(judged)


def _cover_findings(
    state: DrainState, position: int, profile: LineProfile, limits: Limits
) -> list[Finding]:
    """Too little ground over the crown."""
    line, least = state.lines[position], limits.criteria.cover_m
    judged, covers = _judged_stretch(state, position, profile), profile.cover_m.copy()
    # a depth measured below the ground tells the cover there, whatever the elevation data say
    known = _known_covers(state, position)
    for station, given in known.items():
        covers[station] = given
    short = judged & (covers < least - _ROUNDING_M)
    if not short.any():
        return []
    first, worst = int(np.argmax(short)), int(np.argmin(np.where(short, covers, np.inf)))
    ends = [station for station in known if short[station]]
    worst = min(ends, key=lambda station: covers[station]) if ends else worst
    cover = float(covers[worst])
    share = _short_share(profile.distance_m[judged], covers[judged], least)
    # a pipe that comes up to an outlet at the surface runs shallow from some place on; one that is
    # measured to be shallow where it begins is so whatever the outlet
    end = state.system.network.nodes[line.end]
    only_to_outlet = (
        end.detail in SURFACE_OUTLETS and not ends and not (judged & ~short)[first:].any()
    )
    basis: tuple[LevelSource, ...] = (*state.inverts.basis(position), "from ground")
    basis = ("below rim",) if ends else basis
    # beyond the error and what is told of at all
    at = _station(profile, worst)
    doubt = limits.doubt_m(state.datum_of_line(position, limits.error), at)
    beyond = cover + doubt < least - _ROUNDING_M
    severity = as_severe_as_known("fail", basis, beyond_ground=beyond)
    fails = severity == "fail" and not only_to_outlet
    # stations are a cell apart: the last that has its cover is named
    shallow_from = float(profile.distance_m[max(first - 1, 0)]) if only_to_outlet else None
    facts = {
        "cover_m": cover, "least_m": least, "doubt_m": doubt, "share": share,
        "judged_m": float(np.ptp(profile.distance_m[judged])), "all_judged": bool(judged.all()),
        "at_m": float(profile.distance_m[worst]), "shallow_from_m": shallow_from,
        "measured_end": ("upper" if worst == 0 else "lower") if ends else None,
        **_bare_end(profile, judged, doubt),
    }  # fmt: skip
    return [
        about(
            line, "cover-too-small", "fail" if fails else "warn", facts=facts, rests_on=basis,
            beyond_ground=beyond, measured=cover, limit=least, unit="m",
            source=limits.source("cover_m"), at=at,
        )
    ]  # fmt: skip


def _short_share(along: FloatArray, cover: FloatArray, least: float) -> float:
    """Share of a length with too little cover, straight between stations."""
    if along.size < 2:
        return 1.0
    fine = np.linspace(along[0], along[-1], _FINE)
    return float((np.interp(fine, along, cover) < least - _ROUNDING_M).mean())


def _bare_end(profile: LineProfile, judged: BoolArray, doubt_m: float) -> dict[str, Any]:
    """Tell of a pipe that is out of the ground where it is asked for no cover."""
    bare = np.flatnonzero(~judged & (profile.cover_m < 0))
    # the very end of a pipe at the surface is to be seen
    if not bare.size or bare[0] >= judged.size - 1:
        return {}
    if np.nanmin(profile.cover_m[bare]) < -doubt_m:
        return {"bare_m": float(profile.distance_m[-1] - profile.distance_m[bare[0]])}
    return {"seems_bare": True}


def _known_covers(state: DrainState, position: int) -> dict[int, float]:
    """Cover at ends whose depth below the ground was given: station 0 the upper, -1 the lower."""
    line, nodes = state.lines[position], state.system.nodes

    def cover(end: Literal["up", "down"], node: NodeLevel, diameter: float) -> float:
        level, below = line.given.of(end)
        # a rim that was levelled says nothing of the ground beside it
        if not math.isnan(level) or node.measured:
            return math.nan
        return below - (node.rim_m - node.ground_m) - diameter

    pipe = line.pipe
    found = {0: cover("up", nodes[line.start], pipe.diameter_m),
             -1: cover("down", nodes[line.end], pipe.diameter_down_m)}  # fmt: skip
    return {end: known for end, known in found.items() if not math.isnan(known)}


def _station(profile: LineProfile, index: int) -> tuple[float, float]:
    return float(profile.ground.x[index]), float(profile.ground.y[index])


def _trench_findings(line: DrainLine, profile: LineProfile, limits: Limits) -> list[Finding]:
    """A trench so deep that it must be protected."""
    depth, most = profile.trench_depth_m, limits.criteria.trench_depth_m
    if not np.nanmax(depth, initial=-np.inf) > most:
        return []
    worst = int(np.nanargmax(depth))
    return [
        about(
            line, "trench-too-deep", "warn", facts={"depth_m": depth[worst]},
            measured=float(depth[worst]), limit=most, unit="m",
            source=limits.source("trench_depth_m"), at=_station(profile, worst),
        )
    ]  # fmt: skip


def _footing_findings(line: DrainLine, profile: LineProfile, limits: Limits) -> list[Finding]:
    """A line under a building, or a trench below the line at 45 degrees from its footing."""
    if limits.buildings is None or limits.buildings.is_empty:
        return []
    points = shapely.points(profile.ground.x, profile.ground.y)
    away = shapely.distance(points, limits.buildings) * limits.metres_per_unit
    inside = np.flatnonzero(away == 0)
    # an end drawn against the wall is at the wall
    if inside.size > 2:
        at = _station(profile, int(inside[inside.size // 2]))
        return [
            about(line, "line-under-building", "warn", source=PRACTICE, at=at),
        ]
    below = profile.trench_depth_m - limits.criteria.footing_depth_m
    breach = np.where(np.isfinite(below), below - away, -np.inf)
    worst = int(np.argmax(breach))
    if not breach[worst] > 0:
        return []
    return [
        about(
            line, "trench-below-footing", "warn",
            facts={"depth_m": profile.trench_depth_m[worst], "away_m": away[worst]},
            measured=float(away[worst]), limit=float(below[worst]), unit="m",
            source="NHBC Standards: drains out of the footing's load zone; "
            + limits.source("footing_depth_m"),
            at=_station(profile, worst),
        )
    ]  # fmt: skip


def _turn_findings(state: DrainState, position: int) -> list[Finding]:
    """A turn back sharper than a right angle where lines meet."""
    network, line = state.system.network, state.lines[position]
    following = network.next_line(position)
    if following is None or network.nodes[line.end].kind == "inlet":
        return []
    turn = turn_deg(line, network.lines[following])
    if turn <= SHARPEST_TURN_DEG + 1.0:
        return []
    return [
        about(
            line, "turn-too-sharp", "warn",
            facts={"turn_deg": turn, "meets": network.lines[following].name},
            measured=turn, limit=SHARPEST_TURN_DEG, unit="degrees",
            source="FHWA HEC-22, 3rd edition (2009), section 7.1.6: losses published up to 90 "
            "degrees",
            at=network.nodes[line.end].xy,
        )
    ]  # fmt: skip


def _access_findings(state: DrainState, limits: Limits, access: Collection[str]) -> list[Finding]:
    """Lines that nothing can be put into for cleaning, or only over a long way."""
    network, findings = state.system.network, []
    most = limits.criteria.access_spacing_m
    behind: dict[str, float] = {}
    for line in network.lines:
        here = 0.0 if line.start in access else behind.get(line.start, math.inf)
        length = here + line.length_m
        if math.isinf(length):
            findings.append(
                about(
                    line, "no-way-to-clean", "warn", facts={"upper_end": line.start},
                    source=PRACTICE, at=network.nodes[line.start].xy,
                )
            )  # fmt: skip
            length = line.length_m
        elif length > most + _ROUNDING_M:
            findings.append(
                about(
                    line, "cleanouts-too-far-apart", "warn", facts={"length_m": length},
                    measured=length, limit=most, unit="m",
                    source=limits.source("access_spacing_m"),
                )
            )  # fmt: skip
            length = 0.0
        behind[line.end] = max(behind.get(line.end, 0.0), length)
    return findings
