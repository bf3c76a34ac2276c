"""Levels of nodes and lines: measured, or proposed; and measured ones held against each other."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from lotflow.drains.judged import about, about_place
from lotflow.drains.pipes import minimum_fall
from lotflow.errors import Fault, InputError
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.drain_lines import DrainLine, GroundProfile
    from lotflow.drains.network import Network
    from lotflow.findings import Finding, LevelSource
    from lotflow.grid import BoolArray, FloatArray
    from lotflow.tables.drains import MinimumFall
    from lotflow.terrain.level_error import Datum, GivenLevels, LevelOf

#: Outlets at the surface: the pipe comes up to the ground there.
SURFACE_OUTLETS: Final = ("curb", "daylight", "swale", "pop-up emitter")
#: Outlets of which no level is asked: nobody knows where, or water is lifted there.
NO_LEVEL: Final = ("not found", "pump")


#: Levels that differ by less are the same [m].
_SAME_LEVEL_M: Final = 0.0005


@dataclass(frozen=True)
class NodeLevel:
    """
    Levels at a node.

    Parameters
    ----------
    ground_m
        Ground by the elevation data [m]; NaN off the data.
    rim_m
        Level at which water leaves the node upward: the grate's rim, else the ground [m].
    measured
        Whether the rim was measured on site.
    invert_m
        Invert of an outlet, or the lip of an emitter [m]; NaN where not given.
    water_m
        Water in what an outlet runs into [m]; NaN where not given.
    """

    ground_m: float
    rim_m: float
    measured: bool = False
    invert_m: float = math.nan
    water_m: float = math.nan


@dataclass(frozen=True, eq=False)
class LineInverts:
    """
    Inverts of the lines of a network; arrays of shape (lines,).

    Parameters
    ----------
    up_m, down_m
        At the upper and lower end [m]; NaN where nobody knows.
    """

    up_m: FloatArray
    down_m: FloatArray
    up_basis: tuple[LevelSource, ...]
    down_basis: tuple[LevelSource, ...]

    def basis(self, position: int) -> tuple[LevelSource, LevelSource]:
        """Where the inverts of a line come from."""
        return self.up_basis[position], self.down_basis[position]


@dataclass(frozen=True)
class OutletLevel:
    """
    The best that is known of the level of an outlet.

    Parameters
    ----------
    level_m
        Invert, or lip of an emitter [m]; NaN where nobody knows.
    """

    level_m: float
    source: LevelSource


def least_fall(line: DrainLine, outlet_kind: str) -> MinimumFall:
    """
    Least fall of a line, by its size and by what it leads to.

    Parameters
    ----------
    line
        Its pipe gives the nominal size; without one the smallest size is taken.
    outlet_kind
        Kind of the outlet it runs into itself.
    """
    if outlet_kind == "pop-up emitter":
        return minimum_fall("pipe to an emitter")
    size = line.pipe.size_m
    return minimum_fall("pipe", 0.075 if math.isnan(size) else size)


def line_inverts(
    network: Network,
    ground: Sequence[GroundProfile],
    nodes: Mapping[str, NodeLevel],
    *,
    cover_m: float,
) -> LineInverts:
    """
    Settle the inverts of every line, from the heads down.

    Given ones count, an elevation before a depth below the rim, then that of the outlet or of a
    line that meets it there. Those of lines yet to be laid are proposed where nobody gave them: as
    shallow as the least cover allows, never flatter than the least fall, never with the crown
    above that of a pipe that comes in. An outlet at the surface without an invert lies at the
    ground, unless that is too high for the line; to an emitter the line stays deep, and a riser
    brings the water to its lip; into a well or sewer it runs as shallow as cover and fall allow.
    How an old line lies nobody has chosen: what was not measured of it stays unknown.

    Parameters
    ----------
    cover_m
        Least cover [m].

    Returns
    -------
    inverts
        Of proposed lines all finite where the ground at both ends is known.
    """
    count = len(network.lines)
    up, down = np.full(count, np.nan), np.full(count, np.nan)
    up_basis: list[LevelSource] = []
    down_basis: list[LevelSource] = []
    for i, line in enumerate(network.lines):
        # of lines in a circle one comes in that is not settled yet
        entering = [k for k in network.entering.get(line.start, []) if k < i]
        above = [(float(down[k]), down_basis[k], network.lines[k]) for k in entering]
        level, basis = _measured(line, "up", nodes[line.start])
        if basis == "unknown" and line.proposed:
            level, basis = _proposed_up(line, nodes[line.start], above, cover_m)
        elif basis == "unknown" and network.nodes[line.start].kind == "junction":
            level, basis = _from_above(above)
        up[i] = level
        up_basis.append(basis)
        level, basis = _measured(line, "down", nodes[line.end])
        if basis == "unknown":
            level, basis = _end_as_met(i, network, up[i], ground[i], nodes)
        if basis == "unknown" and line.proposed:
            level, basis = _proposed_down(i, network, up[i], ground[i], nodes, cover_m)
        down[i] = level
        down_basis.append(basis)
    return LineInverts(up, down, tuple(up_basis), tuple(down_basis))


def outlet_level(
    network: Network, nodes: Mapping[str, NodeLevel], inverts: LineInverts, name: str
) -> OutletLevel:
    """
    Find the best that is known of an outlet's level.

    Returns
    -------
    level
        As given, else that of the lowest line that runs to it; of an emitter, whose lip no line
        tells, the ground.
    """
    node = nodes[name]
    if not math.isnan(node.invert_m):
        return OutletLevel(node.invert_m, "given")
    if network.nodes[name].detail == "pop-up emitter":
        return OutletLevel(node.ground_m, "unknown" if math.isnan(node.ground_m) else "from ground")
    lines = network.entering.get(name, [])
    ends = [(float(inverts.down_m[i]), inverts.down_basis[i]) for i in lines]
    ends = [end for end in ends if not math.isnan(end[0])]
    if not ends:
        return OutletLevel(math.nan, "unknown")
    return OutletLevel(*_from_line(*min(ends)))


def datum_of_outlet(network: Network, name: str, given: GivenLevels) -> Datum:
    """Tell what the level of an outlet is measured from: its own, or that of a line to it."""
    lines = [network.lines[i].name for i in network.entering.get(name, [])]
    ends: list[LevelOf] = [("drain_lines", line, "invert_down_m") for line in lines]
    return given.datum(("outlets", name, "invert_m"), *ends)


def datums_of_ends(
    network: Network, inverts: LineInverts, position: int, given: GivenLevels
) -> tuple[Datum, Datum]:
    """
    Tell what the inverts of a line are known by.

    Parameters
    ----------
    given
        What levels that were given are measured from.
    """
    line, (up, down) = network.lines[position], inverts.basis(position)
    return (_datum_of_end(network, line, "up", up, given),
            _datum_of_end(network, line, "down", down, given))  # fmt: skip


def _datum_of_end(
    network: Network, line: DrainLine, end: Literal["up", "down"], source: LevelSource,
    given: GivenLevels,
) -> Datum:  # fmt: skip
    """Tell what one invert is known by."""
    node = line.start if end == "up" else line.end
    if source == "given":
        own: LevelOf = ("drain_lines", line.name, f"invert_{end}_m")
        return given.datum(own, ("outlets", node, "invert_m"))
    if source == "below rim":
        return given.datum(("inlets", node, "rim_m"))
    if source != "from line":
        return "ground"
    met: list[LevelOf] = [("inlets", node, "rim_m")]
    met += [("drain_lines", network.lines[i].name, "invert_down_m")
            for i in network.entering.get(node, [])]  # fmt: skip
    met += [("drain_lines", network.lines[i].name, "invert_up_m")
            for i in network.leaving.get(node, [])]  # fmt: skip
    return given.datum(*met)


def _measured(
    line: DrainLine, end: Literal["up", "down"], node: NodeLevel
) -> tuple[float, LevelSource]:
    """Invert as it was given, as elevation or as depth below a rim."""
    level, below = line.given.of(end)
    if not math.isnan(level):
        return level, "given"
    if not math.isnan(below) and not math.isnan(node.rim_m):
        return node.rim_m - below, "below rim" if node.measured else "from ground"
    return math.nan, "unknown"


def _width(line: DrainLine) -> float:
    """Inside diameter for the depth of a pipe of which it may not be known yet [m]."""
    return 0.1 if math.isnan(line.pipe.diameter_m) else line.pipe.diameter_m


def _from_line(level: float, source: LevelSource) -> tuple[float, LevelSource]:
    """A level as another line that meets there has it."""
    return level, "from line" if source in ("given", "below rim") else source


def _from_above(above: Sequence[tuple[float, LevelSource, DrainLine]]) -> tuple[float, LevelSource]:
    """Invert of an old line that leaves a joint: that of the lowest pipe that comes in."""
    known = [(level, source) for level, source, _ in above if not math.isnan(level)]
    known = [one for one in known if one[1] != "proposed"]
    return _from_line(*min(known)) if known else (math.nan, "unknown")


def _proposed_up(
    line: DrainLine, node: NodeLevel, above: Sequence[tuple[float, LevelSource, DrainLine]],
    cover_m: float,
) -> tuple[float, LevelSource]:  # fmt: skip
    """Highest invert a line may start with: under its cover, its crown no higher than others'."""
    levels = [node.ground_m - cover_m - _width(line)]
    for invert, _, upper in above:
        levels += [invert, invert + _width(upper) - _width(line)]
    levels = [level for level in levels if not math.isnan(level)]
    return (min(levels), "proposed") if levels else (math.nan, "unknown")


def _end_as_met(
    position: int, network: Network, up: float, ground: GroundProfile,
    nodes: Mapping[str, NodeLevel],
) -> tuple[float, LevelSource]:  # fmt: skip
    """Lower invert by what the line runs into: an outlet, the ground, the next line."""
    line = network.lines[position]
    node, end = nodes[line.end], network.nodes[line.end]
    if end.kind == "outlet":
        if end.detail == "pop-up emitter" or end.detail in NO_LEVEL:
            return math.nan, "unknown"
        if not math.isnan(node.invert_m):
            return node.invert_m, "given"
        # a line yet to be laid does not rise to the ground of its outlet
        lowest = up - least_fall(line, end.detail).least * ground.length_m
        if end.detail in SURFACE_OUTLETS and not (line.proposed and node.ground_m > lowest):
            return node.ground_m, "unknown" if math.isnan(node.ground_m) else "from ground"
        return math.nan, "unknown"
    following = network.next_line(position)
    if following is None:
        return math.nan, "unknown"
    return _from_line(*_measured(network.lines[following], "up", node))


def _proposed_down(
    position: int, network: Network, up: float, ground: GroundProfile,
    nodes: Mapping[str, NodeLevel], cover_m: float,
) -> tuple[float, LevelSource]:  # fmt: skip
    """Invert that a line yet to be laid ends with: as high as fall and cover allow."""
    line = network.lines[position]
    node, end = nodes[line.end], network.nodes[line.end]
    level = up - least_fall(line, end.detail).least * ground.length_m
    if end.detail == "pop-up emitter":
        lip = node.ground_m if math.isnan(node.invert_m) else node.invert_m
        level = level if math.isnan(lip) else min(level, lip - _width(line))
    if end.detail not in SURFACE_OUTLETS or end.detail == "pop-up emitter":
        level = _under_cover(up, level, ground, cover_m + _width(line))
    return level, "unknown" if math.isnan(level) else "proposed"


def _under_cover(up: float, down: float, ground: GroundProfile, depth: float) -> float:
    """Lower a straight pipe's lower end until it keeps its depth everywhere below its start."""
    along = ground.distance_m[1:] / ground.length_m
    # a pipe that starts too high keeps to its start, and is told of elsewhere
    needed = up + (ground.ground_m[1:] - depth - up) / along
    # one that starts shallower than that, as below a channel drain, is under cover at its end:
    # to be so sooner it would have to fall steeply all the way down
    shallow = ground.ground_m[0] - up < depth - _SAME_LEVEL_M
    needed = needed[np.isfinite(needed) & (along > (1.0 - 1e-9 if shallow else 0.2))]
    return float(min(down, needed.min(initial=np.inf)))


#: Two levels of one point, both measured, that differ by more do not belong together [m].
#: Source: common practice, no published source: half an inch.
_ONE_POINT_M: Final = 0.0127
_TWICE_RMSE: Final = "lotflow's rule: twice the RMSE of the elevation data"


def level_findings(
    network: Network,
    ground: Sequence[GroundProfile],
    nodes: Mapping[str, NodeLevel],
    *,
    rmse_m: float,
) -> list[Finding]:
    """
    Hold the given levels against one another and against the ground.

    Parameters
    ----------
    rmse_m
        Vertical accuracy of the elevation data [m].

    Returns
    -------
    findings
        Levels that disagree by no more than the elevation data may be wrong, inverts that lie
        above the ground, lines that leave the data.

    Raises
    ------
    InputError
        With every line that lies wholly off the elevation data, or has two measured levels of one
        end that differ.
    """
    findings: list[Finding] = []
    faults: list[Fault] = []
    for line, profile in zip(network.lines, ground, strict=True):
        missing = np.isnan(profile.ground_m)
        if missing.all():
            faults.append(
                line.fault(
                    "the line lies outside the elevation data that was read",
                    "Check its position and CRS, or give elevation data that covers it",
                )
            )
            continue
        if missing.any():
            findings.append(_leaves_data(line, profile, missing))
        sides: tuple[tuple[Literal["up", "down"], str, int], ...] = (
            ("up", line.start, 0), ("down", line.end, -1),
        )  # fmt: skip
        for end, name, station in sides:
            found, bad = _end_level(line, end, nodes[name], profile.ground_m[station], rmse_m)
            faults += bad
            x, y = float(profile.x[station]), float(profile.y[station])
            findings += [replace(item, x=x, y=y) for item in found]
    if faults:
        raise InputError(faults)
    return findings


def _leaves_data(line: DrainLine, profile: GroundProfile, missing: BoolArray) -> Finding:
    """Say where a line leaves the elevation data."""
    first = int(np.argmax(missing))
    share = float(missing.mean())
    return about(
        line, "line-leaves-elevation-data", "warn", facts={"share": share},
        measured=round(share, 4), limit=0.0, unit="1", source="lotflow's rule",
        at=(float(profile.x[first]), float(profile.y[first])),
    )  # fmt: skip


def _end_level(
    line: DrainLine, end: Literal["up", "down"], node: NodeLevel, ground: float, rmse_m: float
) -> tuple[list[Finding], list[Fault]]:
    """Judge the given levels of one end."""
    findings: list[Finding] = []
    faults: list[Fault] = []
    level, below = line.given.of(end)
    where = "upper" if end == "up" else "lower"
    column = f"invert_{end}_m"
    if abs(node.rim_m - below - level) > _ONE_POINT_M:  # not where one is not given
        _disagree(line, (where, column), node, rmse_m, findings, faults)
    above = level - ground
    if above > 2.0 * rmse_m:
        findings.append(
            about(
                line, "invert-above-ground", "fail", facts={"end": where, "above_m": above},
                rests_on=("given", "from ground"), beyond_ground=True,
                measured=round(above, 3), limit=round(2.0 * rmse_m, 3), unit="m",
                source=_TWICE_RMSE,
            )
        )  # fmt: skip
    return findings, faults


def _disagree(
    line: DrainLine, at: tuple[str, str], node: NodeLevel, rmse_m: float,
    findings: list[Finding], faults: list[Fault],
) -> None:  # fmt: skip
    """An invert given twice: refused where the rim was measured, doubted where it was not."""
    where, column = at
    level, below = line.given.of("up" if where == "upper" else "down")
    differ = abs(node.rim_m - below - level)
    if node.measured:
        rule = (
            f"the {where} invert and its depth below the rim differ by "
            f"{both_units(differ, 'depth')}"
        )
        remedy = "Correct one of the two, or the rim, or remove one"
        faults.append(line.fault(rule, remedy, column, round(level, 3)))
    elif differ > 2.0 * rmse_m:
        findings.append(
            about_place(
                line.name, None, "inverts-disagree", "warn",
                facts={"end": where, "differ_m": differ}, measured=round(differ, 3),
                limit=round(2.0 * rmse_m, 3), unit="m", source=_TWICE_RMSE,
            )
        )  # fmt: skip
