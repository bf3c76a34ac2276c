"""The outcome of a check is data: a finding says what was measured, the limit and its source."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final, Literal

Severity = Literal["fail", "warn", "note"]
#: Where a level comes from: an elevation somebody gave; a depth given below a rim that was given;
#: given for another line that meets there; the elevation data, with or without a depth given
#: below it; proposed by lotflow; not known.
LevelSource = Literal["given", "below rim", "from line", "from ground", "proposed", "unknown"]

#: Levels that somebody gave.
STATED: Final[frozenset[LevelSource]] = frozenset({"given", "below rim", "from line"})

#: Worst first.
SEVERITIES: tuple[Severity, ...] = ("fail", "warn", "note")


@dataclass(frozen=True)
class Finding:
    """
    One thing a check found.

    Parameters
    ----------
    rule
        Stable identifier, words joined by hyphens: "smaller-pipe-downstream".
    severity
        "fail": breaks a limit; "warn": may, or an assumption decides; "note": worth knowing.
    subject
        Name of the inlet, line, low spot or file it is about.
    message
        One or two sentences: what, and what to do. Written by `lotflow.advice` from the facts.
    measured, limit
        Numbers in `unit`; None where the check is not about a number.
    unit
        Unit of both.
    source
        Where the limit comes from: a published source, or "common practice, no published source".
    x, y
        Where it is, in the coordinates of the result; None where it has no place.
    area_m2, volume_m3
        Of the water it is about; None where it is about none.
    touches
        Buildings, openings and ground that this water stands on or against, joined by "; ".
    rests_on
        Where the levels come from that `measured` and `limit` rest on; empty where they rest on
        none.
    part_of
        Rule and subject of the finding of the same cause under which it is listed, as `label`
        writes them; empty for one that stands for itself.
    today
        Whether it is so only of the drains as they are, and no longer as proposed.
    facts
        What its sentence in `lotflow.advice` is written from, by name: numbers in SI, names, and
        what is so or not.
    """

    rule: str
    severity: Severity
    subject: str
    message: str = ""
    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    source: str = ""
    x: float | None = None
    y: float | None = None
    area_m2: float | None = None
    volume_m3: float | None = None
    touches: str = ""
    rests_on: tuple[LevelSource, ...] = ()
    part_of: str = ""
    today: bool = False
    facts: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def as_dict(self) -> dict[str, Any]:
        """All fields but the facts, in their order; sources of levels as one text."""
        told = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "facts"}
        return told | {"rests_on": ", ".join(self.rests_on)}


def as_severe_as_known(
    severity: Severity, rests_on: Sequence[LevelSource], *, beyond_ground: bool = False
) -> Severity:
    """
    Take a failure back to a warning where it rests on a level that nobody gave.

    Parameters
    ----------
    severity
        Were all levels known.
    rests_on
        Sources of the levels compared.
    beyond_ground
        Whether the limit is missed by more than the ground of the elevation data may be wrong.
        Two levels off that data alone never fail: a pipe's fall is decided by a level on site.

    Examples
    --------
    >>> as_severe_as_known("fail", ("given", "proposed"), beyond_ground=True)
    'warn'
    >>> as_severe_as_known("fail", ("given", "from ground"), beyond_ground=True)
    'fail'
    >>> as_severe_as_known("fail", ("from ground",), beyond_ground=True)
    'warn'
    """
    sources = set(rests_on)
    if severity != "fail" or sources <= STATED:
        return severity
    decided = beyond_ground and bool(sources & STATED) and sources <= STATED | {"from ground"}
    return "fail" if decided else "warn"


#: Begins a sentence about the drains as they are and no longer as proposed, where it stands alone.
_TODAY: Final = "As it is today: "


def standing_alone(message: str, *, today: bool) -> str:
    """
    Give the sentence of a finding as it is read without the column that says of when it is.

    Parameters
    ----------
    message, today
        Of the finding.

    Examples
    --------
    >>> standing_alone("It narrows.", today=True)
    'As it is today: It narrows.'
    """
    return _TODAY + message if today else message


#: What water touches besides buildings and openings.
OPEN_GROUND: Final = ("paving", "ground beyond the lot")
#: Subject of what is found of all inlets together.
ALL_INLETS: Final = "all inlets"

#: What findings are ranked by: what they can do to people and house, worst first. Of each rank the
#: rules that count in it, the worse first. All outputs list findings in this order.
RANKS: Final[dict[str, tuple[str, ...]]] = {
    "water into the house": (
        "pond-reaches-building", "opening-below-ground", "opening-below-spill",
    ),
    "water at walls and openings": (
        "pond-near-threshold", "inlet-blocked", "pond-at-wall", "opening-sill-unknown",
        "opening-beside-not-closed",
    ),
    "ground that falls to a wall": (
        "ground-falls-to-building", "outlet-runs-to-building", "ground-too-flat-at-building",
    ),
    "roof water at a wall": (
        "downspout-near-foundation", "gutter-runs-over", "roof-sheds-at-eaves",
    ),
    "water that stands": (
        "discharge-over-sidewalk", "pond-stands-too-long", "pond-not-closed",
        "water-stands-too-long", "downspout-feeds-low-spot", "outlet-runs-to-low-spot",
        "observation-deeper", "observation-drain-blocked", "observation-longer",
        "observation-not-predicted", "observation-not-seen", "low-spot", "observation-agrees",
        "observation-less", "observation-open",
    ),
    "onto a neighbour, or where it must not go": (
        "into-sanitary-sewer", "discharge-onto-neighbour", "inlet-off-lot", "outlet-off-lot",
        "line-off-lot", "pond-overflows-the-lot", "setback",
        "swale-over-sidewalk", "berm-without-swale", "swale-onto-neighbour", "earthwork-off-lot",
    ),
    "drains that fail": (
        "over-capacity", "water-above-grate", "water-above-ground", "adverse-fall", "flat-line",
        "outlet-under-water", "outlet-above-line", "emitter-above-grate", "grate-too-small",
        "channel-too-long", "dry-well-small", "dry-well-slow", "gutter-overtops-curb",
        "gutter-spread", "inlet-passed", "inlet-passed-by",
        "capacity-within-doubt", "outlet-runs-to-inlet", "downspout-onto-inlet-ground",
        "grate-above-flow", "grate-not-at-low-point", "lines-in-a-circle",
        "smaller-pipe-downstream", "outlet-smaller-than-line", "best-single-change",
    ),
    "outlets not known or out of reach": (
        "outlet-not-found", "loose-end", "no-gravity-outlet", "outlet-only-beyond-lot",
        "outlet-level-not-given", "outlet-fall-uncertain", "tailwater-not-given",
        "dry-well-not-given", "dry-well-not-judged", "inlet-without-line", "outlet-without-line",
        "downspout-without-node", "downspout-joins-line",
    ),
    "faults of laying": (
        "size-changes-within-line", "joint-not-for-burial", "invert-above-ground",
        "too-little-fall", "below-minimum-fall", "cover-too-small", "line-under-building",
        "trench-below-footing", "water-stands-in-line", "emitter-line-cannot-empty",
        "sediment-in-line", "hose-test", "too-fast", "too-slow-to-keep-clean", "turn-too-sharp",
        "line-drawn-backwards", "line-joins-midway", "line-off-its-node", "lines-split",
        "several-outlets", "inverts-disagree", "levels-unknown", "no-way-to-clean",
        "cleanouts-too-far-apart", "grate-not-removable", "grate-opening-too-wide",
        "channel-ground-not-level", "trench-too-deep", "inlets-share-a-cell",
        "inlet-better-place",
        "swale-ends-blind", "swale-without-fall", "swale-too-small", "swale-runs-to-building",
        "fill-above-sill", "rain-garden-near-building", "swale-end-not-told",
        "swale-misses-its-end", "swale-too-flat", "swale-flat-at-house", "swale-loses-depth",
        "rain-garden-slow", "as-built-fall", "as-built-level",
        "rain-garden-soil-unknown", "swale-capacity-within-doubt", "regrade-not-met",
        "fill-holds-water", "earthwork-over-pipe", "fill-at-wall", "swale-freeboard",
    ),
    "data and assumptions": (
        "earthwork-not-in-data", "ground-at-building-unknown", "opening-height-unknown",
        "downspout-way-unknown",
        "ground-changed", "line-not-in-data", "shot-left-out", "shot-compared", "shot-not-placed",
        "shot-without-ground", "shots-tied", "shots-not-tied", "shots-used", "benchmark-tied",
        "observation-rain-unknown", "rainfall-elsewhere", "rainfall-starts-late",
        "rain-unit-doubted", "vertical-unit", "vertical-unit-doubted", "level-unit-doubted",
        "elevation-gap", "closed-basin", "not-closed",
        "cut-by-edge", "catchment-unsure",
        "catchment-hangs-on-detail", "path-hangs-on-detail", "inlet-moved", "low-spot-sureness",
        "grate-on-slope-unknown", "pipe-size-unknown", "pipe-material-assumed",
        "size-not-in-table", "grate-size-unknown", "channel-size-unknown", "pump-flow",
        "roof-areas-exceed-footprint", "roof-smaller-than-cell", "cover-assumed",
        "covers-overlap", "infiltration-counted", "line-leaves-elevation-data", "falls-left-out",
        "coarse-cell", "coarse-levels", "elevation-steps", "error-very-large", "level-ground",
        "lone-elevation", "missing-elevations", "undeclared-nodata", "tile-seam-step",
        "fetched-unverified", "fetched", "gridded",
        "raster-header", "half-a-cell", "blocks-out-of-order", "coordinates-rounded",
        "cells-not-square", "resampled", "datum-shift", "lot-very-small", "lot-is-building",
        "lot-has-hole", "lot-leaves-out-building", "lot-line-through-building", "lot-in-parts",
        "outline-repaired", "rainfall-cut", "rainfall-ends-early", "rainfall-uplift",
        "rainfall-used", "rainfall-table", "stated-intensity", "realisations", "ponds-listed",
        "several-systems", "several-bands", "item-without-price", "price-without-item",
        "columns-ignored", "old-column-names", "layers-ignored", "heights-ignored", "side-file",
        "reader-warning", "text-encoding",
    ),
}  # fmt: skip
_NAMES: Final = tuple(RANKS)
_PLACES: Final = {
    rule: (rank, place)
    for rank, rules in enumerate(RANKS.values())
    for place, rule in enumerate(rules)
}
#: Rank of a rule that has none of its own, by its first word.
_BY_FIRST_WORD: Final = {
    "pond": 1, "opening": 1, "ground": 2, "downspout": 3, "gutter": 3, "roof": 3, "low": 4,
    "discharge": 5, "inlet": 6, "grate": 6, "channel": 6, "dry": 6, "water": 6, "outlet": 7,
    "line": 8, "lines": 8, "pipe": 8, "trench": 8, "level": 8, "levels": 8,
}  # fmt: skip
#: A note tells no fault and stands behind them all, but for these: their weight is that of the
#: data, which cannot tell, not that of what may happen.
_NOTES_THAT_COUNT: Final = ("opening-below-spill",)
#: Rules of which the lower number is the worse one; of others the one farther from its limit.
_LOWER_IS_WORSE: Final = ("opening-below-spill",)


def rank_of(rule: str) -> str:
    """
    Name the rank of a rule.

    Parameters
    ----------
    rule
        One without a rank of its own goes by its first word, else to the faults of laying.

    Examples
    --------
    >>> rank_of("opening-below-spill"), rank_of("outlet-of-tomorrow")
    ('water into the house', 'outlets not known or out of reach')
    """
    return _NAMES[_place(rule)[0]]


def _place(rule: str) -> tuple[int, int]:
    """Rank of a rule, and its place in it."""
    default = _BY_FIRST_WORD.get(rule.partition("-")[0], _NAMES.index("faults of laying"))
    return _PLACES.get(rule, (default, len(_PLACES)))


def _key(finding: Finding) -> tuple[Any, ...]:
    """Put one finding in order: its rank, its weight, its rule, how far it is beyond its limit."""
    rank, place = _place(finding.rule)
    at_house = set(finding.touches.split("; ")) - {"", *OPEN_GROUND}
    if finding.rule == "inlet-blocked" and not at_house:
        rank = _NAMES.index("water that stands")
    sinks = finding.severity == "note" and finding.rule not in _NOTES_THAT_COUNT
    last = len(_NAMES) - 1
    measured, limit = finding.measured, finding.limit
    if finding.rule in _LOWER_IS_WORSE:
        beyond = 0.0 if measured is None else measured
    else:
        beyond = 0.0 if measured is None or limit is None else -abs(measured - limit)
    return (
        last if sinks else rank, sinks, rank, finding.today,
        SEVERITIES.index(finding.severity), place, beyond, finding.subject != ALL_INLETS,
        finding.subject, repr(finding),
    )  # fmt: skip


def ordered(findings: Iterable[Finding]) -> list[Finding]:
    """
    Put findings in reading order; repeats are dropped.

    By what they can do to people and house (`RANKS`), of one rank what is so as proposed before
    what is only so today, then the heavier. Those that are part of another follow it, and a
    group stands where its worst one belongs.

    Parameters
    ----------
    findings
        In any order.

    Examples
    --------
    >>> a = Finding("cover-too-small", "fail", "L1", "...")
    >>> b = Finding("ground-falls-to-building", "warn", "House, north side", "...")
    >>> [finding.subject for finding in ordered([a, b, a])]
    ['House, north side', 'L1']
    """
    by_key = sorted(dict.fromkeys(findings), key=_key)
    heads = [one for one in by_key if not one.part_of]
    named: dict[tuple[bool, str], Finding] = {}
    for one in heads:
        named.setdefault((one.today, label(one.rule, one.subject)), one)
    parts: dict[Finding | None, list[Finding]] = {}
    for one in by_key:
        if one.part_of:
            parts.setdefault(named.get((one.today, one.part_of)), []).append(one)
    groups = [[head, *parts.pop(head, [])] for head in heads]
    groups += [[one] for without in parts.values() for one in without]
    groups.sort(key=lambda group: min(map(_key, group)))
    return [one for group in groups for one in group]


def label(rule: str, subject: str) -> str:
    """
    Name a finding, for those that are part of it.

    Parameters
    ----------
    rule, subject
        Of the cause.

    Examples
    --------
    >>> label("outlet-not-found", "Old pipe")
    'outlet-not-found: Old pipe'
    """
    return f"{rule}: {subject}"


@dataclass(frozen=True)
class Ties:
    """
    What findings of different subjects have in common.

    Parameters
    ----------
    below
        Lines and nodes below an inlet or line, nearest first, by whether the state is only that
        of today, and name.
    old_run
        Name of the run of old pipe that a line belongs to, by the same; none for proposed ones.
    low_spot
        Number of the low spot that a finding is about; 0 for none.
    """

    below: Mapping[tuple[bool, str], Sequence[str]] = field(default_factory=dict)
    old_run: Mapping[tuple[bool, str], str] = field(default_factory=dict)
    low_spot: Callable[[Finding], int] = lambda _: 0


#: Rules that have one cause where they are about the same thing.
_ALIKE: Final[dict[str, tuple[str, ...]]] = {
    "fall": (
        "adverse-fall", "flat-line", "below-minimum-fall", "too-little-fall", "cover-too-small",
        "invert-above-ground", "outlet-above-line", "outlet-under-water",
        "emitter-line-cannot-empty", "emitter-above-grate", "too-slow-to-keep-clean",
    ),
    "size": (
        "over-capacity", "smaller-pipe-downstream", "outlet-smaller-than-line",
        "capacity-within-doubt", "too-fast", "best-single-change",
    ),
    "soaking": ("dry-well-small", "dry-well-slow", "dry-well-not-judged"),
    "place": (
        "catchment-unsure", "catchment-hangs-on-detail", "path-hangs-on-detail", "inlet-moved",
    ),
    "downspout": (
        "downspout-near-foundation", "downspout-feeds-low-spot", "downspout-onto-inlet-ground",
    ),
}  # fmt: skip
_TOPIC: Final = {rule: topic for topic, rules in _ALIKE.items() for rule in rules}
#: What is told of standing water: of one hollow they are one cause, and of one theme.
STANDING: Final = (
    "pond-reaches-building", "opening-below-spill", "pond-near-threshold", "inlet-blocked",
    "pond-at-wall", "opening-sill-unknown", "pond-stands-too-long", "water-stands-too-long",
    "pond-overflows-the-lot", "low-spot", "low-spot-sureness", "pond-not-closed",
)  # fmt: skip
_NO_OUTLET: Final = ("no-gravity-outlet", "outlet-only-beyond-lot", "outlet-fall-uncertain")
#: What a line that is too small does to the inlets above it.
_BACKED_UP: Final = (
    "inlet-passed", "inlet-passed-by", "water-above-grate", "water-above-ground",
)  # fmt: skip
_TOO_SMALL: Final = (
    "over-capacity", "smaller-pipe-downstream", "outlet-smaller-than-line", "capacity-within-doubt",
)  # fmt: skip
#: What stands for its group whatever else is in it: of an old pipe the question where it ends, of
#: lines that rise that there is nothing to fall to.
_STANDS_FOR_ALL: Final = ("outlet-not-found", "no-gravity-outlet")


def folded(findings: Iterable[Finding], ties: Ties) -> list[Finding]:
    """
    Fold findings of one cause under the one that matters most.

    One cause have: what a hollow does; the inlets that find no outlet out of one hollow, the falls
    of their lines, and the water that backs up there; all that is wrong with a run of old pipe;
    falls, or sizes, of a line; water that backs up into inlets above a line that is too small;
    downspouts let out at the wall; how unsure a catchment is.

    Parameters
    ----------
    findings
        As the checks gave them.
    ties
        What belongs together.

    Returns
    -------
    findings
        All of them in reading order, `part_of` naming the first of their cause.
    """
    known = _known(list(dict.fromkeys(findings)), ties)
    families: dict[tuple[Any, ...], list[Finding]] = {}
    for one in known.found:
        cause = _of_water(one, known) or _of_drains(one, known)
        if cause is not None:
            families.setdefault((one.today, *cause), []).append(one)
    head_of: dict[Finding, Finding] = {}
    for family in families.values():
        head = min(family, key=lambda one: (one.rule not in _STANDS_FOR_ALL, _key(one)))
        head_of |= {one: head for one in family if one is not head}
    return ordered(
        replace(one, part_of=label(head_of[one].rule, head_of[one].subject))
        if one in head_of
        else one
        for one in known.found
    )


@dataclass(frozen=True)
class _Known:
    """All findings, the rules of each subject, and who looks for an outlet out of where."""

    found: Sequence[Finding]
    ties: Ties
    rules: Mapping[tuple[bool, str], set[str]]
    above: Mapping[tuple[bool, str], str]
    low_spots: Mapping[str, int]


def _known(found: Sequence[Finding], ties: Ties) -> _Known:
    """Gather what each subject is blamed for, and the inlet above each line that has no outlet."""
    rules: dict[tuple[bool, str], set[str]] = {}
    for one in found:
        rules.setdefault((one.today, one.subject), set()).add(one.rule)
    above: dict[tuple[bool, str], str] = {}
    for (today, upper), way in ties.below.items():
        if "no-gravity-outlet" in rules.get((today, upper), ()):
            for lower in way:
                above.setdefault((today, lower), upper)
    low_spots = {one.subject: ties.low_spot(one) for one in found if one.rule in _NO_OUTLET}
    return _Known(found, ties, rules, above, low_spots)


def _of_water(one: Finding, known: _Known) -> tuple[Any, ...] | None:
    """The hollow that a finding comes from, or that nothing rises."""
    if one.rule in _NO_OUTLET:
        return _no_outlet(one.subject, known.low_spots)
    if one.rule == "inlet-blocked" and not one.measured:
        return ("nothing rises",)
    number = known.ties.low_spot(one) if one.rule in STANDING else 0
    return ("hollow", number) if number else None


def _of_drains(one: Finding, known: _Known) -> tuple[Any, ...] | None:
    """The run, line or inlet that a finding comes from."""
    at = one.today, one.subject
    topic = _TOPIC.get(one.rule)
    if one.rule in _BACKED_UP:
        return _full_well(one, known) or _backed_up(at, known)
    if one.rule in ("line-off-lot", "outlet-off-lot"):
        way = known.ties.below.get(at, ())
        ends = [name for name in way if "outlet-off-lot" in known.rules.get((at[0], name), ())]
        return "off the lot", ends[0] if ends else one.subject
    if at in known.ties.old_run:
        return "run", known.ties.old_run[at]
    if topic == "fall" and (above := _above(at, known)):
        return above
    if topic == "downspout":
        return (topic,)  # let out at the wall: one way to mend them all
    return None if topic is None else (topic, one.subject)


def _without_outlet(at: tuple[bool, str], known: _Known) -> str:
    """The inlet itself, or the first one above a line, from which no outlet was found."""
    return at[1] if "no-gravity-outlet" in known.rules.get(at, ()) else known.above.get(at, "")


def _full_well(one: Finding, known: _Known) -> tuple[Any, ...] | None:
    """The dry well below an inlet that refuses water, where it is too small or too slow."""
    if one.rule not in ("inlet-passed", "inlet-passed-by"):
        return None
    today = one.today
    for lower in known.ties.below.get((today, one.subject), ()):
        if known.rules.get((today, lower), set()) & {"dry-well-small", "dry-well-slow"}:
            return "soaking", lower
    return None


def _backed_up(at: tuple[bool, str], known: _Known) -> tuple[Any, ...]:
    """The line below an inlet that is too small for its water, no outlet; else the inlet."""
    for lower in known.ties.below.get(at, ()):
        there = at[0], lower
        if known.rules.get(there, set()) & set(_TOO_SMALL):
            run = known.ties.old_run.get(there)
            return ("size", lower) if run is None else ("run", run)
    return _above(at, known) or ("backed up", at[1])


def _above(at: tuple[bool, str], known: _Known) -> tuple[Any, ...] | None:
    """The run of old pipe that takes an inlet's or bend's water; else that there is no outlet."""
    first = next(iter(known.ties.below.get(at, ())), "")
    if old := known.ties.old_run.get((at[0], first)):
        return "run", old
    upper = _without_outlet(at, known)
    return _no_outlet(upper, known.low_spots) if upper else None


def _no_outlet(subject: str, low_spots: Mapping[str, int]) -> tuple[Any, ...]:
    """Inlets of one hollow look for the same outlet."""
    return "no outlet", low_spots.get(subject, 0) or subject


def with_earlier(main: Sequence[Finding], earlier: Sequence[Finding]) -> list[Finding]:
    """
    Add what is found only of the drains as they are today, marked so.

    Parameters
    ----------
    main
        Of the main case.
    earlier
        Of the earlier case.

    Examples
    --------
    >>> kept, gone = Finding("a", "note", "L1", "Short."), Finding("b", "fail", "L2", "Narrow.")
    >>> [finding.today for finding in with_earlier([kept], [kept, gone])]
    [False, True]
    """
    known = set(main)
    return [*main, *(replace(one, today=True) for one in earlier if one not in known)]
