"""What drain lines are connected to: found by name, or by where their ends are drawn."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import shapely

from lotflow.drains.judged import about
from lotflow.errors import Fault, InputError
from lotflow.text import closest, did_you_mean

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.findings import Finding, Severity

_OWN_RULE: Final = "lotflow's rule"
NodeKind = Literal["inlet", "outlet", "junction", "loose end"]
_End = Literal["start", "end"]


@dataclass(frozen=True, eq=False)
class DrainNode:
    """
    A place at which lines begin, meet or end.

    Parameters
    ----------
    kind
        "inlet", "outlet", "junction" (a bend, tee or cleanout), or "loose end".
    shape
        Geometry in the grid's CRS: of a channel drain its line.
    detail
        Kind of inlet or outlet, as given.
    """

    name: str
    kind: NodeKind
    shape: Any
    detail: str = ""

    @property
    def xy(self) -> tuple[float, float]:
        """Easting and northing."""
        point = self.shape if self.shape.geom_type == "Point" else self.shape.centroid
        return float(point.x), float(point.y)


def is_cleanout(name: str) -> bool:
    """
    Tell by its name whether a junction is a clean-out.

    Examples
    --------
    >>> [is_cleanout(name) for name in ("Clean-out east", "CO 2", "co1", "Corner", "tee")]
    [True, True, True, False, False]
    """
    return "clean" in name.casefold() or re.fullmatch(r"co[\s._-]?\d*", name.casefold()) is not None


@dataclass(frozen=True, eq=False)
class EndReach:
    """
    How far a line's end may be drawn from its node.

    Parameters
    ----------
    metres
        In metres [m].
    units
        In units of the CRS.
    """

    metres: float
    units: float


@dataclass
class _Matching:
    """Ends of lines on their way to nodes."""

    nodes: dict[str, DrainNode]
    reach: EndReach
    lines: list[DrainLine]
    ends: dict[tuple[str, _End], str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def find(
        self, rule: str, severity: Severity, line: DrainLine, at: Any,
        measured: float | None = None, **facts: Any,
    ) -> None:  # fmt: skip
        """Add a finding about a line; a measured one is held against the reach."""
        limit = None if measured is None else round(self.reach.metres, 3)
        self.findings.append(
            about(
                line, rule, severity, facts=facts, measured=measured, limit=limit,
                unit="" if measured is None else "m", source=_OWN_RULE,
                at=(float(at.x), float(at.y)),
            )
        )  # fmt: skip

    def metres(self, distance: float) -> float:
        """Bring a distance in units of the CRS to metres."""
        return distance * self.reach.metres / self.reach.units


def match_ends(
    lines: Sequence[DrainLine],
    placed: Iterable[DrainNode],
    reach: EndReach,
    *,
    entries: Collection[str] = (),
    elsewhere: Collection[str] = (),
) -> tuple[list[DrainLine], dict[str, DrainNode], list[Finding]]:
    """
    Find the node at each end of each line.

    A name counts first: of an inlet or outlet, or one that several ends share, which makes a
    junction. An end without a name belongs to the inlet, outlet or other end within reach. A
    line drawn from its lower to its upper node is turned round.

    Parameters
    ----------
    reach
        How far an end may be drawn from its node.
    entries
        Names at which downspouts enter.
    elsewhere
        Names of inlets and outlets that take no part in this case of the system.

    Returns
    -------
    lines, nodes, findings
        Lines with both nodes named, drawn downstream; all nodes by name; what was found.

    Raises
    ------
    InputError
        With every name that no node has, and every line that ends where it starts.
    """
    matching = _Matching({node.name: node for node in placed}, reach, list(lines))
    _turn(matching)
    _use_names(matching, set(entries), set(elsewhere))
    _use_places(matching)
    named = []
    for line in matching.lines:
        start, end = matching.ends[line.name, "start"], matching.ends[line.name, "end"]
        if start == end:
            matching.faults.append(
                line.fault(f"the line starts and ends at {start}", "Name or draw its other end")
            )
        named.append(replace(line, start=start, end=end))
    if matching.faults:
        raise InputError(matching.faults)
    return named, matching.nodes, matching.findings


def end_point(line: DrainLine, end: _End) -> Any:
    """
    Point at which a line starts or ends.

    Parameters
    ----------
    end
        "start" or "end".
    """
    return shapely.Point(line.path.coords[0 if end == "start" else -1])


def _turn(matching: _Matching) -> None:
    """Turn lines round that are drawn from their lower node up, or start at an outlet."""
    for position, line in enumerate(matching.lines):
        if _drawn_backwards(line, matching):
            matching.lines[position] = replace(line, path=shapely.reverse(line.path))
            matching.find("line-drawn-backwards", "warn", line, end_point(line, "start"))


def _drawn_backwards(line: DrainLine, matching: _Matching) -> bool:
    """Tell whether a line's ends lie at one another's nodes."""
    start, end = end_point(line, "start"), end_point(line, "end")
    upper, lower = matching.nodes.get(line.start), matching.nodes.get(line.end)
    reach = matching.reach.units
    if upper or lower:
        crossed = [node.shape.distance(at) <= reach
                   for node, at in ((upper, end), (lower, start)) if node]  # fmt: skip
        right = [node.shape.distance(at) <= reach
                 for node, at in ((upper, start), (lower, end)) if node]  # fmt: skip
        return all(crossed) and not any(right)
    if line.start or line.end:
        return False
    at_start, at_end = _nearest(start, matching), _nearest(end, matching)
    return (at_start is not None and at_start.kind == "outlet") and (
        at_end is None or at_end.kind != "outlet"
    )


def _nearest(at: Any, matching: _Matching) -> DrainNode | None:
    """Node within reach of a point, the nearest; an inlet before an outlet at the same place."""
    near = [(node.shape.distance(at), node) for node in matching.nodes.values()]
    near = [pair for pair in near if pair[0] <= matching.reach.units]
    return min(near, key=lambda pair: pair[0])[1] if near else None


def _use_names(matching: _Matching, entries: set[str], elsewhere: set[str]) -> None:
    """Settle the ends that have names; names of several ends make junctions."""
    shared: dict[str, list[tuple[DrainLine, _End]]] = defaultdict(list)
    for line in matching.lines:
        ends: tuple[tuple[_End, str], ...] = (("start", line.start), ("end", line.end))
        for end, name in ends:
            if name in matching.nodes:
                _settle(matching, line, end, matching.nodes[name])
            elif name:
                shared[name].append((line, end))
    starts = {name for name, uses in shared.items() if any(end == "start" for _, end in uses)}
    for name, uses in shared.items():
        _junction(matching, name, uses, known=entries | elsewhere, starts=starts - {name})


def _junction(
    matching: _Matching, name: str, uses: list[tuple[DrainLine, _End]], *, known: set[str],
    starts: set[str],
) -> None:  # fmt: skip
    """Make a node of a name that is no inlet or outlet, unless it looks like a slip."""
    line, end = uses[0]
    at = end_point(line, end)
    near = _nearest(at, matching)
    if len(uses) == 1 and name not in known and (near is not None or end == "end"):
        column = "from_node" if end == "start" else "to_node"
        remedy = f"Did you mean {near.name!r}?" if near else _remedy(name, matching, starts)
        matching.faults.append(
            line.fault(
                "no inlet, outlet or other line's end has this name", remedy, column, name
            )
        )  # fmt: skip
    leads_on = any(end == "start" for _, end in uses)
    kind: NodeKind = "junction" if leads_on else "loose end"
    if kind == "loose end" and (len(uses) > 1 or name in known):
        matching.find("loose-end", "fail", line, at, node=name)
    node = DrainNode(name, kind, at)
    matching.nodes[name] = node
    for user, which in uses:
        _settle(matching, user, which, node)


def _remedy(name: str, matching: _Matching, starts: set[str]) -> str:
    known = [*matching.nodes, *sorted(starts)]
    if closest(name, known):
        return did_you_mean(name, known)
    return "Draw an outlet of this name; where the end is not known, one of kind 'not found'"


def _settle(matching: _Matching, line: DrainLine, end: _End, node: DrainNode) -> None:
    """Note the node of an end, and say where the end is drawn away from it."""
    matching.ends[line.name, end] = node.name
    at = end_point(line, end)
    off = matching.metres(node.shape.distance(at))
    if off > matching.reach.metres:
        matching.find(
            "line-off-its-node", "warn", line, at, round(off, 3),
            end="upper" if end == "start" else "lower", off_m=off, node=node.name,
        )  # fmt: skip


def _use_places(matching: _Matching) -> None:
    """Settle the ends without names by what lies within reach."""
    open_ends: list[tuple[DrainLine, _End]] = [
        (line, end)
        for line in matching.lines
        for end in ("start", "end")
        if (line.name, end) not in matching.ends
    ]
    for line, end in open_ends:
        near = _nearest(end_point(line, end), matching)
        if near is not None and near.kind != "loose end":
            matching.ends[line.name, end] = near.name
    left = [(line, end) for line, end in open_ends if (line.name, end) not in matching.ends]
    # starts first: an end that meets none of them may still lie on the middle of their line
    left.sort(key=lambda use: use[1] != "start")
    while left:
        at = end_point(*left[0])
        group = [use for use in left if end_point(*use).distance(at) <= matching.reach.units]
        left = [use for use in left if use not in group]
        _unnamed_node(matching, group, at)


def _unnamed_node(matching: _Matching, group: list[tuple[DrainLine, _End]], at: Any) -> None:
    """Make a junction of ends that meet, a head of a start alone, a loose end of an end alone."""
    line = group[0][0]
    names = " and ".join(dict.fromkeys(user.name for user, _ in group))
    if any(which == "start" for _, which in group):
        title = f"joint of {names}" if len(group) > 1 else f"start of {names}"
        node = DrainNode(title, "junction", at)
    else:
        joined = _passes(matching, at, {user.name for user, _ in group})
        if joined is not None:
            for user, which in group:
                matching.ends[user.name, which] = joined
            return
        node = DrainNode(f"end of {names}", "loose end", at)
        matching.find("loose-end", "fail", line, at, node=None)
    matching.nodes[node.name] = node
    for user, which in group:
        matching.ends[user.name, which] = node.name


def _passes(matching: _Matching, at: Any, own: set[str]) -> str | None:
    """Upper node of a line that passes within reach of a loose end."""
    for line in matching.lines:
        upper = matching.ends.get((line.name, "start"))
        if line.name in own or upper is None or line.path.distance(at) > matching.reach.units:
            continue
        joining = next(item for item in matching.lines if item.name in own)
        matching.find("line-joins-midway", "warn", joining, at, onto=line.name)
        return upper
    return None
