"""
The answer: what happens on a lot, why, what to do first, what it takes, how sure.

Every failure and warning belongs to exactly one item, or to the evidence with the reason why it is
none. Items stand in the order in which harm counts: openings, walls, drains that do not do their
work, what people walk on, the lawn, the neighbour; of one rank the surer first.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice import answer_words as words
from lotflow.advice import drain_items, ground_items, remedies, remedy_words
from lotflow.advice.harm import Harm, Kind, broken
from lotflow.advice.items import Item, finding_key, rounded
from lotflow.advice.result import Result
from lotflow.advice.say import Say
from lotflow.advice.themes import Found, Theme

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.findings import Finding
    from lotflow.units import UnitSystem

#: Most items of an answer: more is no answer.
MOST: Final = 12
#: Of a screening.
MOST_OF_SCREENING: Final = 6

#: Why a finding is evidence and no item.
_OF_DATA: Final = "about the data, not the lot: it bears on every figure"

_REASONS: Final[Mapping[Theme, str]] = {
    Theme.DATA: _OF_DATA,
    Theme.RUN_ON: "its water is a cause of the items above",
}

_NOTHING_TO_DO: Final = "nothing of it is on the lot"


@dataclass(frozen=True)
class Answer:
    """
    What is told first.

    Parameters
    ----------
    items
        In order, at most twelve.
    evidence_only
        Failures and warnings that are no item, with the reason.
    harm
        The table of harm.
    """

    items: tuple[Item, ...]
    evidence_only: tuple[tuple[Finding, str], ...]
    harm: tuple[Harm, ...]

    def content(self, units: UnitSystem | None) -> dict[str, list[dict[str, Any]]]:
        """Give the sections of `summary.json`: `answer`, `evidence_only`, `harm`."""
        say = Say(units)
        return {
            "answer": [item.as_dict(say) for item in self.items],
            "evidence_only": [
                finding_key(one) | {"reason": why} for one, why in self.evidence_only
            ],
            "harm": [
                {
                    "place": row.place.value, "harm": row.kind.value, "subject": row.subject,
                    "measured": rounded(row.measured), "limit": row.limit, "is_harm": row.is_harm,
                    "state": row.state, "inlets": row.inlets, "low_spot": row.low_spot or None,
                    "x": rounded(row.x), "y": rounded(row.y), "source": row.source,
                }
                for row in self.harm
            ],
        }  # fmt: skip


def answer(
    layers: Mapping[str, pd.DataFrame],
    findings: Sequence[Finding],
    content: Mapping[str, Any],
    units: UnitSystem | None = None,
    *,
    most: int = MOST,
) -> Answer:
    """
    Answer what is wrong with a lot, what to do, in which order, how sure.

    Parameters
    ----------
    layers
        Of the result, with the columns of docs/layers.md; what is not there is not asked for.
    findings
        Folded and with their messages, in reading order.
    content
        Of `summary.json`: `balance` and `confidence` are read.
    units
        Of the report.
    most
        Items that are told at most; the last of a theme are folded into those before.

    Returns
    -------
    answer
        Items in the order of harm, and the failures and warnings that are none.
    """
    found = Found(Result(layers, findings, content, units))
    items = [
        item
        for (theme, key), some in found.themes.items()
        if (item := _BUILDERS[theme](found, key, some)) is not None
    ]
    used = {causes_.subject for item in items for causes_ in item.causes}
    spots = {int(item.key) for item in items if item.theme is Theme.LOW_SPOT}
    extra = [ground_items.of_run_on(found, used), ground_items.of_the_rest(found, spots)]
    items = _under_their_outlet([*items, *(one for one in extra if one is not None)])
    items = _capped(sorted(items, key=lambda one: one.rank_key), most)
    told = {id(one) for item in items for one in item.findings}
    evidence = [
        (one, _REASONS.get(found.theme(one)[0], _NOTHING_TO_DO))
        for one in findings
        if one.severity != "note" and id(one) not in told
    ]
    ranked = [replace(item, rank=number) for number, item in enumerate(items, 1)]
    ranked = _said_once(found.say, ranked)
    for at, item in enumerate(ranked):
        if _is_drained(item):
            if found.no_outlet:
                break  # nothing is ordered for drains that find no outlet
            order = words.as_drawn_takes(remedies.drains_to_order(found.result))
            ranked[at] = replace(item, takes=f"{item.takes} {order}".strip())
            break
    if ranked:
        ranked[0] = replace(ranked[0], left=_left(found, ranked[0]))
    return Answer(tuple(ranked), tuple(evidence), tuple(found.harm))


#: Remedies that raise ground, and those that say it is not raised.
_RAISES: Final = frozenset({"regrade", "relevel-walls"})
_NOT_RAISED: Final = frozenset({"neither", "neither-swale", "standing"})
#: Pairs of remedies that may not name the same thing.
_APART: Final = (
    (_RAISES, _NOT_RAISED),
    (
        frozenset({"lay", "second-way", "deeper", "shallow-end", "end-before"}),
        frozenset({"outlet-first", "outlet-drowned"}),
    ),
    (frozenset({"swale"}), frozenset({"keep-open", "ask-run-on"})),
    (frozenset({"swale-round"}), frozenset({"neither"})),
    (frozenset({"raise-terrace"}), frozenset({"keep-way", "keep-swale", "grade-beside-way"})),
    (frozenset({"lead-away"}), frozenset({"pipe-away"})),
    (frozenset({"stands-full"}), frozenset({"under-walk", "permission"})),
    (frozenset({"raise", "relevel", "fill", "fill-hollow"}), frozenset({"no-fill"})),
)


#: Remedies that say that a low spot is not filled.
_KEPT: Final = frozenset({"no-fill", "keep-way", "keep-swale", "grade-beside-way"})


def contradictions(items: Sequence[Item]) -> list[str]:
    """
    Tell what remedies of an answer say against each other.

    Parameters
    ----------
    items
        Of the answer.

    Returns
    -------
    told
        One for each thing that two remedies that exclude each other name; none in an answer that
        can be followed. The ground of one low spot is held against that of its own item only.
    """
    told = [
        f"{what}: {_either(some)} against {_either(others)}"
        for some, others in _APART
        for what in sorted(_named(items, some) & _named(items, others))
    ]
    for item in items:
        keys = {one.what for one in item.measures}
        if keys & _KEPT and keys & {"raise", "relevel", "fill", "fill-hollow"}:
            told.append(f"{item.place}: filled although it cannot be")
    return told


#: Remedies that are one in other words, with what a later item says of it.
_SAME: Final[Mapping[str, frozenset[str]]] = {
    " for the roof water": frozenset(
        {"roof-elsewhere", "gutter", "ask-gutter", "lead-away", "pipe-away", "no-ground"}
    ),
    ", what comes before all else there": frozenset(
        {"trace-first", "find", "find-level", "find-outlet", "find-replaced"}
    ),
    " for where it ends": frozenset({"end-inside", "end-before"}),
    ", the outlet first": frozenset({"outlet-first", "outlet-drowned"}),
}


def _family(what: str) -> str:
    """What remedies that are one in other words have in common."""
    return next((why for why, keys in _SAME.items() if what in keys), what)


def _subject(told: str) -> str:
    """Name of what a remedy names, without where it is."""
    return told.partition(" (")[0]


def told_twice(items: Sequence[Item], ends: Mapping[str, str] | None = None) -> list[str]:
    """
    Tell what two items of an answer order for the same thing.

    Parameters
    ----------
    items
        Of the answer.
    ends
        Outlets of lines, by the line: a line and its outlet are the same thing.

    Returns
    -------
    told
        One for each remedy, in whatever words, that a second item gives for the same subject.
    """
    first: dict[tuple[str, str], int] = {}
    told = []
    for at, item in enumerate(items):
        for one in item.measures:
            if one.what == _AS_BEFORE:
                continue
            for name in one.subjects:
                key = (_family(one.what), (ends or {}).get(_subject(name), _subject(name)))
                if first.setdefault(key, at) != at:
                    told.append(f"{one.what} of {name}: items {first[key] + 1} and {at + 1}")
    return told


#: Remedy that points to the item that gives it.
_AS_BEFORE: Final = "as-before"


def _said_once(say: Say, items: Sequence[Item]) -> list[Item]:
    """Items in which what one before orders for the same thing is pointed to, not told again."""
    first: dict[tuple[str, str], int] = {}
    return [_pointing(say, item, first) for item in items]


def _pointing(say: Say, item: Item, first: dict[tuple[str, str], int]) -> Item:
    """Item with its remedies that stand in an item before replaced by where."""
    steps, measures = list(item.steps), list(item.measures)
    if len(steps) != len(measures):
        return item
    told: list[tuple[remedies.Remedy, str]] = []
    for one, step in zip(measures, steps, strict=True):
        why = _family(one.what)
        before = {
            name: at
            for name in one.subjects
            if (at := first.setdefault((why, _subject(name)), item.rank)) != item.rank
        }
        rest = tuple(name for name in one.subjects if name not in before)
        for at in sorted(set(before.values())):
            names = tuple(name for name in before if before[name] == at)
            facts = {"item": str(at), "why": why if why in _SAME else ""}
            points = remedies.Remedy(one.step, _AS_BEFORE, names, facts)
            told.append((points, remedy_words.what_to_do(say, [points])[0]))
        if rest == one.subjects:
            told.append((one, step))
        elif rest:
            left = replace(one, subjects=rest)
            told.append((left, remedy_words.what_to_do(say, [left])[0]))
    return replace(
        item, measures=tuple(one for one, _ in told), steps=tuple(step for _, step in told)
    )


def _either(keys: Iterable[str]) -> str:
    """Name keys of remedies."""
    return " or ".join(sorted(keys))


def _named(items: Sequence[Item], keys: Collection[str]) -> set[str]:
    """What the remedies with some keys name."""
    return {
        subject
        for item in items
        for one in item.measures
        if one.what in keys
        for subject in one.subjects
    }


#: Remedies that, done, leave no roof water at a wall.
_LEADS_AWAY: Final = frozenset({"lead-away", "pipe-away"})
#: Remedies that say no more than that an outlet comes first.
_OUTLET_ONLY: Final = frozenset({"outlet-first", "outlet-drowned"})


def _under_their_outlet(items: Sequence[Item]) -> list[Item]:
    """
    Items with one remedy under the outlet that is missing.

    Drains of which only the outlet is at fault, and old pipes that are traced since they may be it.
    """
    outlet = next((one for one in items if one.theme is Theme.NO_OUTLET), None)
    if outlet is None:
        return list(items)
    traced = _named([outlet], {"trace-first"})
    same = [
        one
        for one in items
        if (one.theme is Theme.CAPACITY and {m.what for m in one.measures} <= _OUTLET_ONLY)
        or (one.theme is Theme.RUN and _named([one], {"find-outlet"}) & traced)
    ]
    whole = outlet
    for one in same:
        whole = replace(
            whole,
            evidence=f"{whole.evidence} {one.harm} {one.evidence}",
            findings=(*whole.findings, *one.findings),
            mends=tuple(dict.fromkeys([*whole.mends, *one.mends])),
        )
        if one.theme is Theme.RUN:
            whole = replace(
                whole, takes=f"{whole.takes} {one.takes}".strip(),
                check=f"{whole.check} {one.check}", risk=f"{whole.risk} {one.risk}",
            )  # fmt: skip
    return [whole if one is outlet else one for one in items if one not in same]


def _is_drained(item: Item) -> bool:
    """Whether a step of an item has drains laid."""
    return any(one.what == "lay" for one in item.measures)


def _left(found: Found, first: Item) -> str:
    """What is broken still once the first item is done."""
    # a downspout is cured once its step is done; where that has no end yet, it is told as open
    led = {
        subject.partition(" (")[0]
        for one in first.measures
        if one.what in _LEADS_AWAY
        for subject in one.subjects
    }
    rest = [
        row
        for row in broken(found.harm)
        if row.key not in first.mends
        and row.state != "today"
        and not (row.kind is Kind.ROOF_WATER and row.subject in led)
    ]
    return words.left(
        [
            (row.subject, f"{row.kind.value}{', all inlets blocked' * (row.inlets == 'blocked')}")
            for row in rest
        ]
    )


def _capped(items: Sequence[Item], most_told: int) -> list[Item]:
    """So many items: the last of the theme that has most is folded into the one before."""
    kept = list(items)
    while len(kept) > max(most_told, 1):
        counts = {one.theme: sum(other.theme is one.theme for other in kept) for one in kept}
        most = max(counts, key=lambda theme: counts[theme])
        same = [one for one in kept if one.theme is most]
        last, into = same[-1], same[-2] if len(same) > 1 else kept[-2]
        folded = replace(
            into,
            evidence=f"{into.evidence} {words.also(last.place, last.harm)}",
            findings=(*into.findings, *last.findings),
            mends=tuple(dict.fromkeys([*into.mends, *last.mends])),
        )
        kept = [folded if one is into else one for one in kept if one is not last]
    return kept


_BUILDERS: Final[Mapping[Theme, Callable[[Found, str, Sequence[Finding]], Item | None]]] = {
    Theme.LOW_SPOT: ground_items.of_low_spot,
    Theme.SEEN: ground_items.of_seen,
    Theme.NO_OUTLET: drain_items.without_outlet,
    Theme.WALLS: ground_items.of_walls,
    Theme.RUN: drain_items.of_run,
    Theme.CAPACITY: drain_items.of_capacity,
    Theme.INLETS: drain_items.of_inlets,
    Theme.LET_OUT: drain_items.of_let_out,
    Theme.LAYING: drain_items.of_laying,
}
