"""What findings are about, and what is made of a result once for all items of the answer."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, Final

from shapely.geometry import Point

from lotflow.advice.harm import Harm, Place, broken, harms
from lotflow.advice.result import Result, Row
from lotflow.advice.say import Say
from lotflow.advice.verdicts import Run, runs
from lotflow.findings import RANKS, SEVERITIES, STANDING, label, rank_of

if TYPE_CHECKING:
    from lotflow.findings import Finding


class Theme(StrEnum):
    """What an item is about, in the order of items where no harm decides."""

    LOW_SPOT = "low spot"
    SEEN = "seen"
    NO_OUTLET = "no outlet"
    WALLS = "walls"
    RUN = "old run"
    CAPACITY = "drain capacity"
    INLETS = "inlets"
    LET_OUT = "let out"
    RUN_ON = "run-on"
    LAYING = "laying"
    KEPT = "old run that stays"
    ELSEWHERE = "nothing else stands"
    DATA = "data"


_STANDING: Final = frozenset({*STANDING, "opening-beside-not-closed"})

#: What was seen, as one observation has it.
_SEEN_RULES: Final = tuple(
    rule for rule in RANKS["water that stands"] if rule.startswith("observation-")
)

#: Theme of a rule, where neither its subject nor its rank decides. A rule of another rank must be
#: in here: the answer would else file it under laying.
_THEMES: Final[Mapping[str, Theme]] = {
    rule: theme
    for theme, rules in {
        Theme.WALLS: (
            "ground-falls-to-building", "ground-too-flat-at-building", "downspout-near-foundation",
            "downspout-feeds-low-spot", "roof-sheds-at-eaves", "gutter-runs-over",
            "ground-at-building-unknown", "outlet-runs-to-building", "opening-below-ground",
        ),
        Theme.SEEN: _SEEN_RULES,
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
        Theme.LAYING: (
            "lines-in-a-circle", "outlet-level-not-given", "tailwater-not-given",
            "inlet-without-line", "outlet-without-line", "downspout-without-node",
            "downspout-joins-line",
        ),
    }.items()
    for rule in rules
}  # fmt: skip

_RANK_THEMES: Final = {
    "faults of laying": Theme.LAYING,
    "data and assumptions": Theme.DATA,
    "roof water at a wall": Theme.WALLS,
    "ground that falls to a wall": Theme.WALLS,
}

#: A low spot stands at a building that is no farther [m]: half a cell of common data.
_AT_WALL_M: Final = 0.5

LOW_SPOT_NAME: Final = re.compile(r"low spot (\d+)")


@dataclass(frozen=True)
class Found:
    """A result with what is made of it once: harm, old runs, findings by theme."""

    result: Result
    heads: dict[tuple[bool, str], Finding] = field(default_factory=dict)

    @cached_property
    def say(self) -> Say:
        """Says a number in the units of the report."""
        return Say(self.result.units)

    @cached_property
    def harm(self) -> list[Harm]:
        """The table of harm."""
        return harms(self.result)

    @cached_property
    def runs(self) -> dict[str, Run]:
        """Runs of old pipe by their first line."""
        return {run.lines[0]: run for run in runs(self.result)}

    @cached_property
    def spots(self) -> dict[int, Row]:
        """Low spots by their number."""
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

    @cached_property
    def no_outlet(self) -> frozenset[str]:
        """Names of inlets, lines and outlets from which gravity finds no way out."""
        state = self.result.state
        lines = [row for row in self.result.rows("drain_lines") if row.get("case") == state]
        named = {
            one.subject
            for one in self.result.findings
            if one.severity != "note"
            and not one.today
            and one.rule in ("no-gravity-outlet", "outlet-under-water")
        }
        ends = {row["outlet"] for row in lines if {row["name"], row["from_node"]} & named} - {
            None,
            "",
        }
        for row in lines:
            if row["outlet"] in ends:
                named |= {row["name"], row["from_node"]}
        return frozenset(named | ends)

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
        if one.rule in _SEEN_RULES:
            return self._of_seen(one)
        if one.rule.startswith("downspout") and one.today and (number := self._under(one)):
            return Theme.LOW_SPOT, str(number)
        return self._by_rule(one)

    def _by_rule(self, one: Finding) -> tuple[Theme, str]:
        """Theme of a finding of neither standing water nor what was seen of it."""
        theme = _THEMES.get(one.rule) or _RANK_THEMES.get(rank_of(one.rule), Theme.LAYING)
        run = self._run_of(one)
        if run and theme is not Theme.WALLS:
            return Theme.RUN, run
        if one.rule == "cut-by-edge":
            return (Theme.RUN_ON, "") if one.subject == "lot" else (Theme.INLETS, "")
        return theme, self._system(one) if theme is Theme.CAPACITY else ""

    def _of_seen(self, one: Finding) -> tuple[Theme, str]:
        """The low spot on the lot that was seen; else an item of its own, if it asks."""
        row = self.result.row("observations", name=one.subject)
        number = int((row or {}).get("low_spot") or 0)
        if self._is_on_lot(number):
            return Theme.LOW_SPOT, str(number)
        return (Theme.ELSEWHERE, "") if one.severity == "note" else (Theme.SEEN, one.subject)

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
        match = LOW_SPOT_NAME.fullmatch(one.subject)
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
        return sorted(found, key=lambda row: known_or(row["freeboard_m"], FAR))

    def place_of(self, number: int) -> Place:
        """Where the water of a low spot does harm."""
        if self.openings_in(number):
            return Place.OPENING
        spot = self.spots[number]
        at_wall = known_or(spot["building_distance_m"], FAR) < _AT_WALL_M
        if at_wall and not self._is_at_own(spot):
            at_wall = False
        return Place.WALL if at_wall else surface_of(self.result, number)

    def _is_at_own(self, spot: Row) -> bool:
        """Whether a low spot stands at a building of the lot; where none has a wall, at any."""
        own = {row["building"] for row in self.result.rows("facades")}
        return not own or any(
            row["geometry"].distance(spot["geometry"]) < _AT_WALL_M * self.result.per_metre
            for row in self.result.rows("buildings")
            if row["name"] in own
        )

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


def heaviest(some: Sequence[Finding]) -> list[Finding]:
    """Findings, failures first, else in reading order."""
    return sorted(some, key=lambda one: SEVERITIES.index(one.severity))


def is_heavy(some: Sequence[Finding]) -> bool:
    """Whether there is more than notes."""
    return any(one.severity != "note" for one in some)


#: A number beyond all heights and distances on a lot.
FAR: Final = 1e6


def known_or(value: float | None, instead: float) -> float:
    """Give a number, or another where there is none."""
    return instead if value is None else float(value)


def surface_of(result: Result, number: int) -> Place:
    """Paving or lawn, by what most of the water of a low spot would stand on."""
    ponds = [row for row in result.rows("ponds", low_spot=number) if row["area_m2"]]
    paved = sum(row["paved_m2"] or 0.0 for row in ponds) / (sum(r["area_m2"] for r in ponds) or 1.0)
    return Place.PAVING if paved > 0.5 else Place.LAWN


def untold_rules() -> list[str]:
    """Rules of `findings.RANKS` that no theme is given for."""
    return [
        rule
        for rank, rules in RANKS.items()
        for rule in rules
        if rule not in _STANDING and rule not in _THEMES and rank not in _RANK_THEMES
    ]
