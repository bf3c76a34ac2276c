"""One verdict for each run of old pipe, with the findings that led to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from lotflow.advice.result import Result, Row
from lotflow.findings import SEVERITIES

if TYPE_CHECKING:
    from lotflow.findings import Finding


class Verdict(StrEnum):
    """What to do with a run of old pipe."""

    KEEP = "keep"
    CLEAN = "clean and keep"
    REPAIR = "repair"
    RELAY = "relay"
    ABANDON = "abandon"
    LOOK = "cannot tell: look"


@dataclass(frozen=True)
class Run:
    """
    Old pipes that are connected, and what becomes of them.

    Parameters
    ----------
    lines
        Names, upstream first.
    nodes
        Names of inlets, joints and outlets on it.
    verdict
        One for all of it.
    places
        Where to repair; empty for other verdicts.
    reasons
        Findings about it that speak for the verdict, the weightiest first.
    findings
        All findings about it.
    is_replaced
        Whether the proposed drains take its place.
    """

    lines: tuple[str, ...]
    nodes: tuple[str, ...]
    verdict: Verdict
    places: tuple[str, ...] = ()
    reasons: tuple[Finding, ...] = ()
    findings: tuple[Finding, ...] = ()
    is_replaced: bool = False

    @property
    def is_question(self) -> bool:
        """Whether it is asked on site before anything is judged."""
        return self.verdict is Verdict.LOOK

    @property
    def lacks_grate(self) -> bool:
        """Whether all that is to be repaired is a grate that is too small: it is not broken."""
        local = {one.rule for one in self.reasons if one.rule in _LOCAL}
        return self.verdict is Verdict.REPAIR and local == {"grate-too-small"}

    @property
    def cannot_carry(self) -> bool:
        """Whether its fall, levels or size are wrong; else only how it lies or is joined."""
        return any(one.rule in _FLOW for one in self.reasons)

    @property
    def has_end(self) -> bool:
        """Whether it is drawn where it ends: only levels are asked for then."""
        return all(one.rule not in _FIND for one in self.findings)


#: What a rule found of an old pipe asks for, first of all where its end is. By practice a run is
#: kept if cleaning is enough, and relaid where its fall, joints or cover are wrong; common
#: practice, no published source.
_FIND: Final = ("outlet-not-found", "loose-end", "lines-in-a-circle", "into-sanitary-sewer")
_WRONG: Final = (
    "adverse-fall", "flat-line", "below-minimum-fall", "too-little-fall", "outlet-above-line",
    "invert-above-ground", "emitter-above-grate", "over-capacity", "joint-not-for-burial",
    "cover-too-small", "line-under-building",
)  # fmt: skip
#: Of these a warning is no more than a level that nobody took.
_LEVELS: Final = (
    "adverse-fall", "flat-line", "below-minimum-fall", "too-little-fall", "over-capacity",
)  # fmt: skip
_LOCAL: Final = (
    "size-changes-within-line", "smaller-pipe-downstream", "outlet-smaller-than-line",
    "water-stands-in-line", "inverts-disagree", "outlet-under-water", "grate-too-small",
    "joint-not-for-burial", "cover-too-small",
)  # fmt: skip
_DIRTY: Final = (
    "sediment-in-line", "hose-test", "too-slow-to-keep-clean", "no-way-to-clean",
    "grate-not-removable", "emitter-line-cannot-empty", "cleanouts-too-far-apart",
)  # fmt: skip
#: Of all these, what keeps water from running as it should.
_FLOW: Final = frozenset({
    "adverse-fall", "flat-line", "below-minimum-fall", "too-little-fall", "outlet-above-line",
    "emitter-above-grate", "over-capacity", "size-changes-within-line", "smaller-pipe-downstream",
    "outlet-smaller-than-line", "water-stands-in-line", "outlet-under-water", "hose-test",
    "emitter-line-cannot-empty",
})  # fmt: skip
#: What is found wrong with an old pipe.
FAULTS: Final = frozenset({*_WRONG, *_LOCAL, *_DIRTY})
#: Verdict, rules and severities that lead to it: the first that is met.
_ASKS: Final = (
    (Verdict.LOOK, _FIND, ("fail", "warn")),
    (Verdict.RELAY, _WRONG, ("fail",)),
    (Verdict.LOOK, _LEVELS, ("warn",)),
    (Verdict.REPAIR, _LOCAL, ("fail", "warn")),
    (Verdict.CLEAN, _DIRTY, ("fail", "warn")),
)
#: Status of pipes that are there today.
_OLD: Final = ("existing", "replaced", "abandoned")
#: Status of pipes that the proposed takes the place of, or that are given up.
_GIVEN_UP: Final = ("replaced", "abandoned")
_UNKNOWN: Final = "unknown"


def runs(result: Result) -> list[Run]:
    """
    Judge every run of old pipe as one.

    Parameters
    ----------
    result
        As published.

    Returns
    -------
    runs
        Questions first: where an end or a level is not known, nothing else is a failed number.
        Then those to give up, relay, repair, clean and keep.
    """
    judged = [_judged(result, lines) for lines in _connected(result)]
    urgent = (
        Verdict.LOOK, Verdict.ABANDON, Verdict.RELAY, Verdict.REPAIR, Verdict.CLEAN, Verdict.KEEP,
    )  # fmt: skip
    return sorted(judged, key=lambda run: (urgent.index(run.verdict), run.lines))


def _connected(result: Result) -> list[list[Row]]:
    """Old lines by the nodes they share, each run with its lines upstream first."""
    drawn: dict[str, Row] = {}
    for row in result.rows("drain_lines"):
        if row.get("status") in _OLD:
            drawn.setdefault(row["name"], row)
    left = list(drawn.values())
    found = []
    while left:
        run, ends = [left.pop(0)], set[str]()
        grown = True
        while grown:
            ends = {row[end] for row in run for end in ("from_node", "to_node")}
            more = [row for row in left if {row["from_node"], row["to_node"]} & ends]
            run += more
            left = [row for row in left if row not in more]
            grown = bool(more)
        found.append(_upstream_first(run))
    return found


def _upstream_first(run: Sequence[Row]) -> list[Row]:
    """Lines of a run by how many of it lie above them."""
    below = {row["from_node"]: row["to_node"] for row in run}

    def above(row: Row) -> int:
        count = 0
        for other in run:
            node, steps = other["to_node"], 0
            while node != row["from_node"] and node in below and steps < len(run):
                node, steps = below[node], steps + 1
            count += node == row["from_node"]
        return count

    return sorted(run, key=lambda row: (above(row), row["name"]))


def _judged(result: Result, lines: Sequence[Row]) -> Run:
    """One run with its verdict."""
    names = tuple(row["name"] for row in lines)
    nodes = tuple(dict.fromkeys(row[end] for row in lines for end in ("from_node", "to_node")))
    # of an inlet that stays, what is found as proposed is no fault of the old pipe
    found = tuple(
        one
        for one in result.findings
        if one.subject in names or (one.subject in nodes and (one.today or result.state == "today"))
    )
    replaced = all(row["status"] in _GIVEN_UP for row in lines)
    verdict, reasons = _verdict(found, lines)
    if replaced and verdict not in (Verdict.LOOK, Verdict.KEEP):
        verdict = Verdict.ABANDON
    places: tuple[str, ...] = ()
    if verdict is Verdict.REPAIR:
        places = tuple(dict.fromkeys(one.subject for one in reasons if one.rule in _LOCAL))
    return Run(names, nodes, verdict, places, tuple(reasons), found, replaced)


def _verdict(found: Sequence[Finding], lines: Sequence[Row]) -> tuple[Verdict, list[Finding]]:
    """The first verdict that a finding asks for, and all that speaks against keeping."""
    named = (*_FIND, *_WRONG, *_LOCAL, *_DIRTY)
    reasons = [one for one in found if one.severity != "note" and one.rule in named]
    reasons.sort(key=lambda one: (SEVERITIES.index(one.severity), named.index(one.rule)))
    unknown = all(
        _UNKNOWN in (row.get("invert_up_basis"), row.get("invert_down_basis")) for row in lines
    )
    tested = any(one.rule == "hose-test" for one in found)
    for verdict, rules, severities in _ASKS:
        if verdict in (Verdict.REPAIR, Verdict.CLEAN) and unknown and not tested:
            break  # nobody knows yet whether it falls at all
        if any(one.rule in rules and one.severity in severities for one in reasons):
            return verdict, reasons
    return (Verdict.LOOK if unknown and not tested else Verdict.KEEP), reasons
