"""
The answer: what happens on a lot, why, what to do first, what it takes, how sure.

Every failure and warning belongs to exactly one item, or to the evidence with the reason why it is
none. Items stand in the order in which harm counts: openings, walls, drains that do not do their
work, what people walk on, the lawn, the neighbour; of one rank the surer first.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

from shapely.geometry import Point

from lotflow.advice import answer_words as words
from lotflow.advice import causes, grades, remedies
from lotflow.advice.causes import Cause, Source
from lotflow.advice.grades import MEANING, Grade
from lotflow.advice.harm import Harm, Kind, Place, broken, harms
from lotflow.advice.result import BLOCKED, WALL_REACH_M, Result, Row
from lotflow.advice.say import Say
from lotflow.advice.verdicts import Run, Verdict, runs
from lotflow.findings import RANKS, SEVERITIES, label, rank_of

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.findings import Finding
    from lotflow.units import UnitSystem


class Theme(StrEnum):
    """What an item is about, in the order of items where no harm decides."""

    LOW_SPOT = "low spot"
    NO_OUTLET = "no outlet"
    WALLS = "walls"
    RUN = "old run"
    CAPACITY = "drain too small"
    INLETS = "inlets"
    LET_OUT = "let out"
    RUN_ON = "run-on"
    LAYING = "laying"
    KEPT = "old run that stays"
    ELSEWHERE = "nothing else stands"
    DATA = "data"


#: Most items of an answer: more is no answer.
MOST: Final = 12

#: Items by where harm is done, then by theme: what is at the house before drains that do not do
#: their work, these before the rest. What old pipes are worth is asked before new ones are judged.
_PLACE_RANKS: Final = {
    Place.OPENING: 0, Place.WALL: 1, Place.PAVING: 4, Place.LAWN: 5, Place.NEIGHBOUR: 6,
}  # fmt: skip
_THEME_RANKS: Final = {
    Theme.WALLS: 1, Theme.RUN: 2, Theme.NO_OUTLET: 2, Theme.CAPACITY: 2, Theme.INLETS: 3,
    Theme.LET_OUT: 6, Theme.RUN_ON: 7, Theme.LAYING: 8, Theme.KEPT: 9, Theme.ELSEWHERE: 10,
}  # fmt: skip

_STANDING: Final = frozenset({
    "pond-reaches-building", "opening-below-spill", "pond-near-threshold", "inlet-blocked",
    "pond-at-wall", "opening-sill-unknown", "opening-beside-not-closed", "pond-stands-too-long",
    "water-stands-too-long", "pond-overflows-the-lot", "low-spot", "low-spot-sureness",
    "pond-not-closed",
})  # fmt: skip
#: Theme of a rule, where its subject does not decide.
_THEMES: Final[Mapping[str, Theme]] = {
    rule: theme
    for theme, rules in {
        Theme.WALLS: (
            "ground-falls-to-building", "ground-too-flat-at-building", "downspout-near-foundation",
            "downspout-feeds-low-spot", "roof-sheds-at-eaves", "gutter-runs-over",
            "ground-at-building-unknown", "outlet-runs-to-building", "opening-below-ground",
        ),
        Theme.NO_OUTLET: (
            "no-gravity-outlet", "outlet-only-beyond-lot", "outlet-fall-uncertain",
            "outlet-under-water", "outlet-not-found", "loose-end", "dry-well-small",
            "dry-well-slow", "dry-well-not-judged", "dry-well-not-given",
        ),
        Theme.CAPACITY: (
            "over-capacity", "smaller-pipe-downstream", "outlet-smaller-than-line",
            "best-single-change", "water-above-grate", "water-above-ground", "inlet-passed",
            "inlet-passed-by", "adverse-fall", "flat-line", "below-minimum-fall",
            "too-little-fall", "outlet-above-line", "emitter-above-grate", "grate-too-small",
        ),
        Theme.INLETS: (
            "inlet-better-place", "inlet-moved", "catchment-unsure", "catchment-hangs-on-detail",
            "path-hangs-on-detail", "capacity-within-doubt", "channel-ground-not-level",
            "channel-too-long", "grate-above-flow", "grate-not-at-low-point",
            "grate-on-slope-unknown", "downspout-onto-inlet-ground", "inlets-share-a-cell",
        ),
        Theme.LET_OUT: (
            "discharge-over-sidewalk", "outlet-runs-to-low-spot", "outlet-runs-to-inlet",
            "gutter-overtops-curb", "gutter-spread",
            *RANKS["onto a neighbour, or where it must not go"],
        ),
    }.items()
    for rule in rules
}  # fmt: skip
_RANK_THEMES: Final = {
    "data and assumptions": Theme.DATA,
    "roof water at a wall": Theme.WALLS,
    "ground that falls to a wall": Theme.WALLS,
}
#: Share of the run-on from which one crossing is told of: lotflow's choice, no published source.
_MUCH: Final = 0.2
#: A low spot stands at a building that is no farther [m]: half a cell of common data.
_AT_WALL_M: Final = 0.5
_LOW_SPOT: Final = re.compile(r"low spot (\d+)")
_OPENS_A_CATCHMENT: Final = frozenset({"catchment-unsure", "capacity-within-doubt"})
#: Why a finding is evidence and no item.
_OF_DATA: Final = "about the data, not the lot: it bears on every figure"
_REASONS: Final[Mapping[Theme, str]] = {
    Theme.DATA: _OF_DATA,
    Theme.RUN_ON: "its water is a cause of the items above",
}
_NOTHING_TO_DO: Final = "nothing of it is on the lot"


@dataclass(frozen=True)
class Item:
    """
    One item of the answer.

    Parameters
    ----------
    theme
        What it is about.
    key
        Which one of its theme.
    rank_key
        What it is ordered by.
    place, x, y
        Where.
    harm, verdict, remedy, takes
        Sentences: what happens, what it is, what to do in order, what that takes.
    check, risk, left
        Sentences: what to measure to be sure, what could make it wrong, and, of the first item,
        what fails still once it is done.
    causes
        Of its water, in shares that add up to one; empty where it is about no water.
    mends
        Rows of the table of harm that the remedy mends, by key.
    grade
        How sure.
    evidence, source
        The figures behind it, and who sets the limit.
    findings
        Folded under it, the weightiest first.
    rank
        Its number, from 1.
    """

    theme: Theme
    key: str
    rank_key: tuple[Any, ...]
    place: str
    x: float | None
    y: float | None
    harm: str
    verdict: str
    remedy: str
    grade: Grade
    evidence: str
    findings: tuple[Finding, ...]
    takes: str = ""
    check: str = ""
    risk: str = ""
    left: str = ""
    source: str = ""
    causes: tuple[Cause, ...] = ()
    mends: tuple[str, ...] = ()
    rank: int = 0

    def as_dict(self, say: Say) -> dict[str, Any]:
        """Give the item as `summary.json` holds it."""
        return {
            "rank": self.rank, "theme": self.theme.value, "harm": self.harm, "place": self.place,
            "x": _round(self.x), "y": _round(self.y),
            "causes": [
                {
                    "source": one.source.value, "share": one.share, "subject": one.subject,
                    "x": _round(one.x), "y": _round(one.y), "evidence": words.cause(say, one),
                }
                for one in self.causes
            ],
            "verdict": self.verdict, "remedy": self.remedy, "mends": list(self.mends),
            "takes": self.takes, "check": self.check, "risk": self.risk, "left": self.left,
            "grade": self.grade.value, "grade_means": MEANING[self.grade],
            "evidence": self.evidence, "source": self.source,
            "findings": [_finding_key(one) for one in self.findings],
        }  # fmt: skip


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
                _finding_key(one) | {"reason": why} for one, why in self.evidence_only
            ],
            "harm": [
                {
                    "place": row.place.value, "harm": row.kind.value, "subject": row.subject,
                    "measured": _round(row.measured), "limit": row.limit, "is_harm": row.is_harm,
                    "state": row.state, "inlets": row.inlets, "low_spot": row.low_spot or None,
                    "x": _round(row.x), "y": _round(row.y), "source": row.source,
                }
                for row in self.harm
            ],
        }  # fmt: skip


def _round(value: float | None) -> float | None:
    """Round as the rest of the summary is, so that the same result gives the same bytes."""
    return None if value is None else round(float(value), 4)


def _finding_key(one: Finding) -> dict[str, Any]:
    return {"rule": one.rule, "subject": one.subject, "scenario": "today" if one.today else ""}


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
    found = _Found(Result(layers, findings, content, units))
    items = [
        item
        for (theme, key), some in found.themes.items()
        if (item := _BUILDERS[theme](found, key, some)) is not None
    ]
    used = {causes_.subject for item in items for causes_ in item.causes}
    extra = [_run_on(found, used), _elsewhere(found)]
    items += [one for one in extra if one is not None]
    items = _capped(sorted(items, key=lambda one: one.rank_key), most)
    told = {id(one) for item in items for one in item.findings}
    evidence = [
        (one, _REASONS.get(found.theme(one)[0], _NOTHING_TO_DO))
        for one in findings
        if one.severity != "note" and id(one) not in told
    ]
    ranked = [replace(item, rank=number) for number, item in enumerate(items, 1)]
    for at, item in enumerate(ranked):
        if _is_drained(found, item):
            order = words.as_drawn_takes(remedies.drains_to_order(found.result))
            ranked[at] = replace(item, takes=item.takes + order)
            break
    if ranked:
        ranked[0] = replace(ranked[0], left=_left(found, ranked[0]))
    return Answer(tuple(ranked), tuple(evidence), tuple(found.harm))


@dataclass(frozen=True)
class _Found:
    """A result with what is made of it once: harm, old runs, findings by theme."""

    result: Result
    heads: dict[tuple[bool, str], Finding] = field(default_factory=dict)

    @cached_property
    def say(self) -> Say:
        return Say(self.result.units)

    @cached_property
    def harm(self) -> list[Harm]:
        return harms(self.result)

    @cached_property
    def runs(self) -> dict[str, Run]:
        return {run.lines[0]: run for run in runs(self.result)}

    @cached_property
    def spots(self) -> dict[int, Row]:
        return {int(row["id"]): row for row in self.result.rows("low_spots")}

    @cached_property
    def themes(self) -> dict[tuple[Theme, str], list[Finding]]:
        """Findings by what they are about; old runs are there even where nothing was found."""
        by_theme: dict[tuple[Theme, str], list[Finding]] = {}
        for one in self.result.findings:
            theme, key = self.theme(one)
            if theme not in (Theme.DATA, Theme.ELSEWHERE, Theme.RUN_ON):
                by_theme.setdefault((theme, key), []).append(one)
        for name in self.runs:
            by_theme.setdefault((Theme.RUN, name), [])
        return by_theme

    def of_theme(self, *wanted: Theme) -> list[Finding]:
        """All findings of some themes."""
        return [one for one in self.result.findings if self.theme(one)[0] in wanted]

    def theme(self, one: Finding) -> tuple[Theme, str]:
        """What a finding is about: what its head is about, unless it is of water or of a wall."""
        own = self._own_theme(one)
        if not one.part_of or own[0] in (Theme.LOW_SPOT, Theme.WALLS, Theme.ELSEWHERE):
            return own
        if not self.heads:
            self.heads.update(
                {
                    (head.today, label(head.rule, head.subject)): head
                    for head in reversed(self.result.findings)
                    if not head.part_of
                }
            )
        head = self.heads.get((one.today, one.part_of))
        return own if head is None else self._own_theme(head)

    def _own_theme(self, one: Finding) -> tuple[Theme, str]:
        if one.rule in _STANDING:
            number = self.low_spot_of(one)
            if number and not (one.rule == "inlet-blocked" and not one.measured):
                return Theme.LOW_SPOT, str(number)
            return Theme.ELSEWHERE, ""
        if one.rule.startswith("downspout") and one.today:
            number = self._under(one)
            if number:
                return Theme.LOW_SPOT, str(number)
        theme = _THEMES.get(one.rule) or _RANK_THEMES.get(rank_of(one.rule), Theme.LAYING)
        run = self._run_of(one)
        if run and theme is not Theme.WALLS:
            return Theme.RUN, run
        if one.rule == "cut-by-edge":
            return (Theme.RUN_ON, "") if one.subject == "lot" else (Theme.INLETS, "")
        return theme, self._system(one) if theme is Theme.CAPACITY else ""

    def _run_of(self, one: Finding) -> str:
        """Old run that a finding is about; of a node that stays, only what is so today."""
        for name, run in self.runs.items():
            if one.subject in run.lines:
                return name
            if one.subject in run.nodes and (one.today or self.result.state == "today"):
                return name
        return ""

    def _system(self, one: Finding) -> str:
        """Outlet of the drains that a finding is about."""
        for row in self.result.rows("drain_lines"):
            if one.subject in (row["name"], row["from_node"], row["to_node"]):
                return str(row["outlet"] or "")
        return ""

    def low_spot_of(self, one: Finding) -> int:
        """Low spot on the lot that a finding is about; 0 for none."""
        match = _LOW_SPOT.fullmatch(one.subject)
        number = int(match[1]) if match else 0
        if not number:
            opening = self.result.row("openings", name=one.subject)
            number = int((opening or {}).get("low_spot") or 0)
        if not number:
            named = [
                at for at, row in self.spots.items() if one.subject in self.result.inlets_of(row)
            ]
            number = named[0] if named else self._under(one)
        return number if self._is_on_lot(number) else 0

    def _is_on_lot(self, number: int) -> bool:
        spot = self.spots.get(number)
        return (
            spot is not None
            and (spot["on_lot_m2"] or 0.0) > 0
            and not str(spot["artefact"] or "").startswith("inside a building")
        )

    def _under(self, one: Finding) -> int:
        """Low spot on the lot at the place of a finding, within a grate's shift; 0 for none."""
        if one.x is None or one.y is None:
            return 0
        place = Point(one.x, one.y)
        near = [
            (row["geometry"].distance(place), number)
            for number, row in self.spots.items()
            if self._is_on_lot(number)
        ]
        distance, number = min(near, default=(1e9, 0))
        return number if distance <= self.result.per_metre else 0

    def openings_in(self, number: int) -> list[Row]:
        """Openings at which the water of a low spot does harm or touches, the lowest first."""
        hurt = {row.subject for row in broken(self.harm, low_spot=number)}
        found = [
            row
            for row in self.result.rows("openings", low_spot=number)
            if row["name"] in hurt or row["is_touched"]
        ]
        return sorted(found, key=lambda row: _or(row["freeboard_m"], _FAR))

    def place_of(self, number: int) -> Place:
        """Where the water of a low spot does harm."""
        if self.openings_in(number):
            return Place.OPENING
        spot = self.spots[number]
        at_wall = _or(spot["building_distance_m"], _FAR) < _AT_WALL_M
        return Place.WALL if at_wall else _surface(self.result, number)

    def feeding(self, number: int, *, today: bool) -> tuple[str, ...]:
        """Downspouts that run into a low spot; today only, or as told of otherwise."""
        named = [
            one.subject
            for one in self.result.findings
            if one.rule == "downspout-feeds-low-spot"
            and one.today == today
            and self._under(one) == number
        ]
        return tuple(dict.fromkeys(named))

    def mended(self, rows: Iterable[Harm]) -> tuple[str, ...]:
        """Keys of rows, each once."""
        return tuple(dict.fromkeys(row.key for row in rows))

    def sources(self, some: Sequence[Finding], rows: Sequence[Harm] = ()) -> str:
        """Sources of the limits, the weightiest two."""
        told = [row.source for row in rows] + [one.source for one in some]
        return "; ".join(list(dict.fromkeys(one for one in told if one))[:2])


def _heaviest(some: Sequence[Finding]) -> list[Finding]:
    """Findings, failures first, else in reading order."""
    return sorted(some, key=lambda one: SEVERITIES.index(one.severity))


def _is_heavy(some: Sequence[Finding]) -> bool:
    return any(one.severity != "note" for one in some)


def _rank(rank: float, grade: Grade, theme: Theme, *more: Any) -> tuple[Any, ...]:
    return (rank, tuple(Theme).index(theme), *more, tuple(Grade).index(grade))


def _low_spot(found: _Found, key: str, some: Sequence[Finding]) -> Item | None:
    """A low spot on the lot with its openings, inlets and water."""
    number, result, say = int(key), found.result, found.say
    spot = found.spots[number]
    openings = found.openings_in(number)
    if not _is_heavy(some) and not openings:
        return None
    inlets = [row for row in result.rows("inlets") if row["name"] in result.inlets_of(spot)]
    names = [row["name"] for row in inlets]
    place = found.place_of(number)
    grade = grades.of_low_spot(
        spot["probability"], spot["depth_m"], result.rmse_m, may_be_artefact=bool(spot["artefact"])
    )
    if openings and not _is_decided(openings[0]):
        grade = grades.least_sure([grade, Grade.LIKELY])
    water = causes.of_low_spot(
        result, spot, found.feeding(number, today=False), found.feeding(number, today=True)
    )
    measures = remedies.of_low_spot(
        result, spot, water,
        at_house=place in (Place.OPENING, Place.WALL),
        is_paved=_surface(result, number) is Place.PAVING,
    )  # fmt: skip
    if grade is Grade.LEVEL_FIRST and place not in (Place.OPENING, Place.WALL):
        measures = (remedies.Remedy(remedies.Step.CLEAN, "wait"), *measures)
    harm = _low_spot_harm(found, spot, place, openings, names)
    rows = broken(found.harm, low_spot=number)
    return Item(
        Theme.LOW_SPOT, key,
        _rank(
            _PLACE_RANKS[place], grade, Theme.LOW_SPOT,
            _or(openings[0]["freeboard_m"], _FAR) if openings else tuple(Grade).index(grade),
            -spot["depth_m"],
        ),
        openings[0]["name"] if openings else ", ".join(names) or f"low spot {number}",
        spot["x"], spot["y"],
        words.if_levels_hold(harm) if grade is Grade.LEVEL_FIRST else harm,
        words.closed(names, _fills(result, spot)),
        words.what_to_do(say, measures), grade,
        words.low_spot_evidence(say, spot, openings, inlets), tuple(some),
        takes=words.quantities(say, spot["volume_m3"], spot["area_m2"]),
        check=words.levels_of_low_spot(
            [one["name"] for one in openings], has_buildings=bool(result.rows("buildings"))
        ),
        risk=words.RISKS[Theme.LOW_SPOT.value],
        source=found.sources(_heaviest(some), rows), causes=water, mends=found.mended(rows),
    )  # fmt: skip


#: A number beyond all heights and distances on a lot.
_FAR: Final = 1e6


def _or(value: float | None, instead: float) -> float:
    return instead if value is None else float(value)


def _is_decided(opening: Row) -> bool:
    """Whether the data tell on which side of a sill a low spot runs over."""
    low, high = opening.get("freeboard_low_m"), opening.get("freeboard_high_m")
    return low is not None and high is not None and (low > 0 or high < 0)


def _surface(result: Result, number: int) -> Place:
    """Paving or lawn, by what most of the water of a low spot would stand on."""
    ponds = [row for row in result.rows("ponds", low_spot=number) if row["area_m2"]]
    paved = sum(row["paved_m2"] or 0.0 for row in ponds) / (sum(r["area_m2"] for r in ponds) or 1.0)
    return Place.PAVING if paved > 0.5 else Place.LAWN


def _low_spot_harm(
    found: _Found, spot: Row, place: Place, openings: Sequence[Row], names: Sequence[str]
) -> str:
    """What stands where, and how near to the sill."""
    say, result = found.say, found.result
    nothing_today = result.state == "proposed" and bool(names) and not result.drained_today(spot)
    if openings and openings[0].get("freeboard_m") is not None:
        told = words.water_at_opening(
            say, openings[0], spot["depth_m"], names, nothing_today=nothing_today
        )
        worst = _open_water(found, int(spot["id"]))
        if worst is None:
            return told
        return f"{told} {words.with_inlets_open(say, *worst, has_inlets=bool(names))}"
    where = {Place.LAWN: "on the lawn", Place.PAVING: "on paving"}.get(place, "at the house")
    if not result.rows("buildings"):
        where = f"in low spot {spot['id']}"
    return words.water_that_stands(say, where, spot, names, nothing_today=nothing_today)


def _open_water(found: _Found, number: int) -> tuple[float, float, float] | None:
    """Storm, depth and freeboard of what stands at an opening with every inlet open."""
    result = found.result
    rows = [
        row
        for row in result.rows("wall_water", case=result.open_case, low_spot=number, is_own=True)
        if row["freeboard_m"] is not None and row["freeboard_m"] < 0.3048 and row["depth_m"]
    ]
    if not rows:
        return None
    worst = min(
        rows,
        key=lambda row: (
            row["freeboard_m"] > 0,
            row["return_period_yr"] if row["freeboard_m"] <= 0 else row["freeboard_m"],
        ),
    )
    return worst["return_period_yr"], worst["depth_m"], worst["freeboard_m"]


def _fills(result: Result, spot: Row) -> float | None:
    """Most frequent storm that fills a low spot with all inlets blocked [yr]."""
    return min(
        (
            row["return_period_yr"]
            for row in result.rows("ponds", case=BLOCKED, low_spot=int(spot["id"]))
            if row["depth_m"] >= 0.95 * spot["depth_m"]
        ),
        default=None,
    )


def _walls(found: _Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Ground and roof water at walls, one item: they have one remedy."""
    if not _is_heavy(some):
        return None
    result, say = found.result, found.say
    named = {one.subject for one in some if one.rule in _FALLS_TO_WALL and one.severity != "note"}
    spouts = {
        one.subject: one
        for one in some
        if one.rule in ("downspout-near-foundation", "downspout-feeds-low-spot")
    }
    standing = _walls_in_low_spots(found)
    walls, water = _worst_first(
        found, [row for row in result.rows("facades") if row["name"] in named], spouts, standing
    )
    rows = broken(
        row for row in found.harm
        if row.kind in (Kind.FALL, Kind.ROOF_WATER) and row.subject in {*named, *spouts}
    )  # fmt: skip
    head, worst = _heaviest(some)[0], walls[0] if walls else None
    grade = _wall_grade(worst) if worst else Grade.SHOWN
    measures = remedies.of_walls(result, walls, water, tuple(spouts))
    return Item(
        Theme.WALLS, "", _rank(_THEME_RANKS[Theme.WALLS], grade, Theme.WALLS),
        worst["name"] if worst else head.subject,
        worst["x"] if worst else head.x, worst["y"] if worst else head.y,
        words.walls_harm(say, walls, water, tuple(spouts), standing),
        words.VERDICTS[Theme.WALLS.value],
        words.what_to_do(say, measures), grade,
        words.walls_evidence(say, walls) or words.measured(say, _heaviest(some)), tuple(some),
        takes=words.quantities(say, *remedies.earth_to_fill(walls)) if walls else "",
        check=words.levels_of_walls(say, [row["name"] for row in walls]),
        risk=words.RISKS[Theme.WALLS.value],
        source=found.sources(_heaviest(some), rows), causes=water, mends=found.mended(rows),
    )  # fmt: skip


_FALLS_TO_WALL: Final = ("ground-falls-to-building", "ground-too-flat-at-building")


def _wall_grade(wall: Row) -> Grade:
    """How sure it is that ground falls towards a wall."""
    return grades.of_interval(wall["slope_low"], wall["slope_high"], 0.0)


def _worst_first(
    found: _Found,
    walls: Sequence[Row],
    spouts: Mapping[str, Finding],
    standing: Mapping[str, int],
) -> tuple[list[Row], tuple[Cause, ...]]:
    """
    Walls in the order in which they matter, and the causes of the water at the first.

    The larger building before the shed; what no item on a low spot tells of before what one does;
    what is surer, and of that the wall to which most water runs.
    """
    result = found.result
    sizes = {row["name"]: row["geometry"].area for row in result.rows("buildings")}
    reach = WALL_REACH_M * result.per_metre
    told: list[tuple[tuple[Any, ...], Row, tuple[Cause, ...]]] = []
    apart = [row for row in walls if row["name"] not in standing]
    for wall in walls:
        near = [
            name
            for name, one in spouts.items()
            if one.x is not None
            and one.y is not None
            and wall["geometry"].distance(Point(one.x, one.y)) <= reach
        ]
        water = causes.of_walls(result, [wall], near)
        key = (
            -sizes.get(wall["building"], 0.0), bool(apart) and wall["name"] in standing,
            tuple(Grade).index(_wall_grade(wall)), -sum(one.amount for one in water),
            wall["slope"], wall["name"],
        )  # fmt: skip
        told.append((key, wall, water))
    told.sort(key=lambda one: one[0])
    return [wall for _, wall, _ in told], told[0][2] if told else ()


def _walls_in_low_spots(found: _Found) -> dict[str, int]:
    """Walls of which the ground is for the greater part the bed of a low spot told of."""
    told = {int(key) for theme, key in found.themes if theme is Theme.LOW_SPOT}
    metre = found.result.per_metre
    inside: dict[str, int] = {}
    for wall in found.result.rows("facades"):
        deep = (wall["reach_m"] or 0.0) * metre
        strip = deep * (wall["length_m"] or 0.0) * metre
        around = wall["geometry"].buffer(deep)
        for number in told:
            # the bed of a low spot does not lie in the building: all of it is on this side
            if found.spots[number]["geometry"].intersection(around).area > 0.5 * strip > 0:
                inside[wall["name"]] = number
    return inside


def _run(found: _Found, key: str, some: Sequence[Finding]) -> Item:
    """A run of old pipe with its one verdict."""
    run, say = found.runs[key], found.say
    theme = Theme.KEPT if run.verdict in (Verdict.KEEP, Verdict.CLEAN) else Theme.RUN
    grade = Grade.LEVEL_FIRST
    if not run.is_question:
        grade = grades.least_sure(grades.of_levels(one.rests_on) for one in run.reasons[:1])
    line = found.result.row("drain_lines", name=run.lines[-1]) or {}
    length = sum(
        (found.result.row("drain_lines", name=name) or {}).get("length_m") or 0.0
        for name in run.lines
    )
    middle = line["geometry"].interpolate(0.5, normalized=True) if line.get("geometry") else None
    rows = broken(row for row in found.harm if row.subject in run.nodes and row.state != "proposed")
    pairs = [(one.subject, one.rule) for one in run.reasons]
    return Item(
        theme, key,
        _rank(_THEME_RANKS[theme], grade, theme, not run.is_question, -len(run.reasons)),
        run.lines[0], middle.x if middle else None, middle.y if middle else None,
        words.run_harm(run), words.run_verdict(run),
        words.what_to_do(say, remedies.of_run(run)), grade,
        words.sentence(words.complaints(pairs) or "nothing was found against it"), tuple(some),
        check=words.check_run(run), risk=words.RISKS[Theme.RUN.value],
        source=found.sources(_heaviest(some)) or "common practice, no published source",
        mends=found.mended(rows), takes=words.run_takes(say, run, length),
    )  # fmt: skip


def _no_outlet(found: _Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Inlets from which gravity finds no way out."""
    if not _is_heavy(some):
        return None
    result, say = found.result, found.say
    nodes = {row["name"] for row in result.rows("inlets")}
    heavy = _heaviest([one for one in some if one.severity != "note"])
    inlets = [one.subject for one in heavy if one.subject in nodes]
    inlets = list(dict.fromkeys(inlets)) or [heavy[0].subject]
    option = result.row("outlet_options", subject=inlets[0], rank=1)
    spots = {
        number for number, row in found.spots.items() if set(result.inlets_of(row)) & set(inlets)
    } | {found.low_spot_of(one) for one in heavy if _LOW_SPOT.fullmatch(one.subject)}
    rows = [row for row in broken(found.harm, inlets="open") if row.low_spot in spots]
    # behind the low spot that it would empty
    rank = min((_PLACE_RANKS[found.place_of(one)] + 0.5 for one in spots if one), default=2.0)
    wells = tuple(dict.fromkeys(one.subject for one in some if one.rule.startswith("dry-well")))
    drowned = [one for one in heavy if one.rule == "outlet-under-water"]
    water = causes.of_inlets(result, [name for name in inlets if name in nodes][:1])
    kind = _outlet_kind(option, bool(wells or drowned))
    if kind == "no outlet":
        measures = remedies.without_outlet(inlets, water, is_under_water=bool(drowned), soaks=wells)
        grade = Grade.LIKELY if option is None else _option_grade(option)
    else:
        what = "public" if kind == "beyond" else "level-outlet"
        measures = (remedies.Remedy(remedies.Step.CLEAN, what, tuple(inlets)),)
        grade = Grade.LIKELY if kind == "beyond" else Grade.LEVEL_FIRST
    return Item(
        Theme.NO_OUTLET, "", _rank(rank, grade, Theme.NO_OUTLET),
        inlets[0], heavy[0].x, heavy[0].y,
        words.no_outlet(say, inlets, option) + words.wells(say, some), words.VERDICTS[kind],
        words.what_to_do(say, measures), grade,
        words.option_evidence(say, option, drowned), tuple(some),
        check=words.CHECKS["no outlet"], risk=words.RISKS["no outlet"],
        source=found.sources(heavy), causes=water, mends=found.mended(rows),
    )  # fmt: skip


def _outlet_kind(option: Row | None, has_none: bool) -> str:
    """Whether there is no outlet, one that may not be used, or one that may be too high."""
    if has_none or option is None or option["verdict"] == "not reachable":
        return "no outlet"
    return "uncertain" if option["verdict"] == "cannot tell" else "beyond"


def _option_grade(option: Row) -> Grade:
    """How sure it is that gravity does not reach a place."""
    return grades.of_interval(option["left_low_m"], option["left_high_m"], 0.0)


def _capacity(found: _Found, key: str, some: Sequence[Finding]) -> Item | None:
    """Drains that do not carry what comes, one item for each outlet."""
    if not _is_heavy(some):
        return None
    result, say = found.result, found.say
    heavy = _heaviest([one for one in some if one.severity != "note"])
    head = heavy[0]
    lines = [
        row
        for row in result.rows("drain_lines", case=result.state)
        if row["name"] in {one.subject for one in heavy}
    ]
    inlets = [
        row["name"]
        for row in result.rows("inlets")
        for line in result.rows("drain_lines", case=result.state, from_node=row["name"])
        if line["outlet"] == key
    ]
    grade = grades.least_sure([
        grades.of_levels(head.rests_on),
        Grade.LIKELY if _open_inlets(result, inlets) and head.rule == "over-capacity"
        else Grade.SHOWN,
    ])  # fmt: skip
    water = causes.of_inlets(result, inlets)
    best = [one for one in some if one.rule == "best-single-change"]
    pairs = [(one.subject, one.rule) for one in heavy]
    return Item(
        Theme.CAPACITY, key, _rank(2.0, grade, Theme.CAPACITY, head.severity != "fail"),
        head.subject, head.x, head.y,
        words.drain_harm(say, head), words.VERDICTS["drain too small"],
        words.lay(lines, best), grade,
        words.measured(say, heavy) or words.sentence(words.complaints(pairs)),
        tuple(some),
        check=words.CHECKS["drain too small"], risk=words.RISKS["drain too small"],
        takes=words.larger(say, lines), source=found.sources(heavy), causes=water,
    )  # fmt: skip


def _open_inlets(result: Result, names: Iterable[str]) -> list[Row]:
    """Inlets of which the data leave the catchment open."""
    wanted = set(names)
    return [
        row
        for row in result.rows("inlets")
        if row["name"] in wanted
        and grades.is_open(row["catchment_m2"], row["catchment_m2_p05"], row["catchment_m2_p95"])
    ]


def _inlets(found: _Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Inlets of which the place, the level or the catchment is not settled."""
    if not _is_heavy(some):
        return None
    result, say = found.result, found.say
    heavy = _heaviest([one for one in some if one.severity != "note"])
    # a top that cannot be level is a fault; places and catchments are questions
    head = next((one for one in heavy if one.rule == "channel-ground-not-level"), heavy[0])
    names = {row["name"] for row in result.rows("inlets")}
    subjects = [one.subject for one in [head, *some] if one.subject in names]
    opened = _open_inlets(result, names)
    level = head.rule == "channel-ground-not-level"
    places = [one for one in heavy if one.rule == "inlet-better-place"]
    steps = remedies.Step.INLET
    measures = [remedies.Remedy(steps, "contour", (head.subject,))] if level else []
    if places:
        moved = tuple(one.subject for one in places)
        measures.append(remedies.Remedy(steps, "settle-inlets", moved))
    if not measures:
        measures.append(remedies.Remedy(steps, "size-later"))
    grade = Grade.LIKELY if level else Grade.LEVEL_FIRST
    widest = max(opened, key=lambda row: row["catchment_m2_p95"], default=None)
    open_first = not level and not places and widest is not None
    joint = _joint(result, opened, places)
    return Item(
        Theme.INLETS, "", _rank(_THEME_RANKS[Theme.INLETS], grade, Theme.INLETS),
        widest["name"] if widest and open_first else head.subject,
        widest["x"] if widest and open_first else head.x,
        widest["y"] if widest and open_first else head.y,
        words.inlets_harm(say, head, heavy, sorted(opened, key=lambda row: row is not widest)),
        words.VERDICTS["open catchments" if open_first else "inlets"],
        words.what_to_do(say, measures), grade,
        words.inlets_evidence(say, heavy, opened, joint), tuple(some),
        check=words.levels_of_inlets(subjects), risk=words.RISKS["inlets"],
        source=found.sources(heavy),
    )  # fmt: skip


def _joint(
    result: Result, opened: Sequence[Row], places: Sequence[Finding]
) -> tuple[float, float] | None:
    """Bounds of what inlets take together whose catchments are open, the same water once."""
    bounds = {
        row["name"]: (row["catchment_m2"], row["catchment_m2_p05"], row["catchment_m2_p95"])
        for row in opened
    }
    for one in places:
        if one.subject not in bounds and one.limit is not None and one.measured is not None:
            bounds[one.subject] = (one.limit, one.limit, one.measured)
    balance = result.content.get("balance") or {}
    most = sum(balance.get(name) or 0.0 for name in ("on_m2", "lot_m2"))
    together = _together(result) or ((0.0, most) if most else None)
    return grades.joint_bounds(list(bounds.values()), together) if len(bounds) > 1 else None


def _together(result: Result) -> tuple[float, float] | None:
    """Bounds of what all inlets take together, the same water counted once."""
    rows = result.content.get("confidence") or []
    row = rows[0] if isinstance(rows, list) and rows else {}
    low, high = row.get("inlets_catchment_m2_p05"), row.get("inlets_catchment_m2_p95")
    return None if low is None or high is None else (low, high)


def _let_out(found: _Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Where water must not go, or not so."""
    if not _is_heavy(some):
        return None
    heavy = _heaviest([one for one in some if one.severity != "note"])
    head = heavy[0]
    subjects = list(dict.fromkeys(one.subject for one in heavy))
    rows = broken(row for row in found.harm if row.subject in subjects)
    measures = _let_out_measures(heavy)
    pairs = [(one.subject, one.rule) for one in heavy]
    grade = Grade.SHOWN if head.rule.endswith("off-lot") else Grade.LIKELY
    # over a walk before over a line: people fall there
    place = min((_PLACE_RANKS[row.place] for row in rows), default=_THEME_RANKS[Theme.LET_OUT])
    return Item(
        Theme.LET_OUT, "", _rank(place, grade, Theme.LET_OUT),
        head.subject, head.x, head.y,
        words.sentence(words.complaints(pairs, 4)), words.VERDICTS["let out"],
        words.what_to_do(found.say, measures), grade,
        words.measured(found.say, heavy) or words.let_out_evidence(subjects), tuple(some),
        check=words.CHECKS["let out"], risk=words.RISKS["let out"],
        source=found.sources(heavy), mends=found.mended(rows),
    )  # fmt: skip


def _let_out_measures(heavy: Sequence[Finding]) -> list[remedies.Remedy]:
    """What helps against each way of letting water out wrongly."""
    by_what: dict[str, list[str]] = {}
    for one in heavy:
        what = "let-out"
        if one.rule == "discharge-over-sidewalk":
            what = "under-walk"
        elif one.rule.endswith("off-lot") or one.rule == "setback":
            what = "permission"
        by_what.setdefault(what, []).append(one.subject)
    return [
        remedies.Remedy(remedies.Step.INLET, what, tuple(dict.fromkeys(names)))
        for what, names in by_what.items()
    ]


def _laying(found: _Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Faults of laying, settled on paper."""
    if not _is_heavy(some):
        return None
    heavy = _heaviest([one for one in some if one.severity != "note"])
    head = heavy[0]
    pairs = [(one.subject, one.rule) for one in heavy]
    grade = grades.least_sure(grades.of_levels(one.rests_on) for one in heavy)
    measures = [remedies.Remedy(remedies.Step.INLET, "as-drawn")]
    return Item(
        Theme.LAYING, "", _rank(_THEME_RANKS[Theme.LAYING], grade, Theme.LAYING),
        head.subject, head.x, head.y,
        words.sentence(words.complaints(pairs, MOST)), words.VERDICTS["laying"],
        words.what_to_do(found.say, measures), grade,
        words.measured(found.say, heavy) or words.on_plan(), tuple(some),
        check=words.CHECKS["laying"], risk=words.RISKS["laying"], source=found.sources(heavy),
    )  # fmt: skip


def _run_on(found: _Found, used: set[str]) -> Item | None:
    """Water that comes onto the lot and is no cause of an item above."""
    some = found.of_theme(Theme.RUN_ON)
    result, say = found.result, found.say
    water = causes.of_lot(result)
    total = sum(one.amount for one in water)
    free = [
        one
        for one in water
        if one.source is Source.NEIGHBOUR and one.subject not in used and one.x is not None
    ]
    # where drains are drawn, only much water needs a word; a screening tells where it comes on
    much = free and free[0].amount >= _MUCH * total
    if not free or not (much or _is_heavy(some) or not result.rows("inlets")):
        return None
    head = free[0]
    leaves = result.rows("lot_line_crossings", direction="off")
    measures = [remedies.Remedy(remedies.Step.SWALE, "keep-open")]
    return Item(
        Theme.RUN_ON, "", _rank(_THEME_RANKS[Theme.RUN_ON], Grade.LIKELY, Theme.RUN_ON),
        head.subject, head.x, head.y,
        words.run_on(say, free, total, _is_heavy(some)), words.VERDICTS["run-on"],
        words.what_to_do(say, measures), Grade.LIKELY,
        words.run_on_evidence(say, water, total, leaves[:2]),
        tuple(some),
        check=words.CHECKS["run-on"], risk=words.RISKS["run-on"],
        source=words.SOURCES["run-on"], causes=water,
    )  # fmt: skip


def _elsewhere(found: _Found) -> Item | None:
    """Says that nothing stands on the lot, or what else there is, and what is no low spot."""
    result, say = found.result, found.say
    told = {int(key) for theme, key in found.themes if theme is Theme.LOW_SPOT}
    on_lot = [row for row in found.spots.values() if (row["on_lot_m2"] or 0.0) > 0]
    real = [row for row in on_lot if not row["artefact"]]
    others = [row for row in real if row["id"] not in told]
    off_lot = [row for row in found.spots.values() if row not in on_lot and not row["artefact"]]
    unreal: dict[str, int] = {}
    for row in found.spots.values():
        if row["artefact"] and row["id"] not in told:
            why = words.artefact(str(row["artefact"]), has_buildings=bool(result.rows("buildings")))
            unreal[why] = unreal.get(why, 0) + 1
    some = found.of_theme(Theme.ELSEWHERE)
    if told and not others and not off_lot and not unreal:
        return None
    limit = (result.content.get("accuracy") or {}).get("low_spot_limit_m")
    harm = (
        words.more_low_spots(len(others))
        if others
        else words.nothing_stands(say, limit, others=bool(told))
    )
    what = "watch" if others else "running-only" if result.rows("inlets") else "nothing"
    measures = [remedies.Remedy(remedies.Step.GRADE, what)] if others or not told else []
    grade = Grade.LIKELY
    line = words.elsewhere(len(others), len(off_lot), unreal)
    return Item(
        Theme.ELSEWHERE, "", _rank(_THEME_RANKS[Theme.ELSEWHERE], grade, Theme.ELSEWHERE),
        "the lot", None, None, harm,
        words.VERDICTS["all told" if told and not others else "nothing else stands"],
        words.what_to_do(say, measures), grade,
        line or words.sentence("the elevation data hold no other low spot here"), tuple(some),
        check=words.CHECKS["nothing else stands"], risk=words.RISKS["nothing else stands"],
        source=words.SOURCES["nothing else stands"],
    )  # fmt: skip


def _is_drained(found: _Found, item: Item) -> bool:
    """Whether an item asks for drains as drawn: for low spots with inlets, and drains too small."""
    if item.theme is Theme.LOW_SPOT:
        return bool(found.result.inlets_of(found.spots[int(item.key)]))
    return item.theme is Theme.CAPACITY


def _left(found: _Found, first: Item) -> str:
    """What is broken still once the first item is done."""
    rest = [
        row for row in broken(found.harm) if row.key not in first.mends and row.state != "today"
    ]
    return words.left([(row.subject, row.kind.value) for row in rest])


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


_BUILDERS: Final[Mapping[Theme, Callable[[_Found, str, Sequence[Finding]], Item | None]]] = {
    Theme.LOW_SPOT: _low_spot, Theme.NO_OUTLET: _no_outlet, Theme.WALLS: _walls, Theme.RUN: _run,
    Theme.CAPACITY: _capacity, Theme.INLETS: _inlets, Theme.LET_OUT: _let_out,
    Theme.LAYING: _laying,
}  # fmt: skip
