"""
What water does at each place of the lot, held against published limits: a table, never a score.

Places stand in the order in which harm counts: where water comes in, the walls, what people walk
on, the lawn, the neighbour. Of one place the worse kind of harm comes first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from lotflow.advice.result import BLOCKED, WALL_REACH_M, Result, Row
from lotflow.findings import OPEN_GROUND


class Place(StrEnum):
    """Where harm is done, the worst first."""

    OPENING = "opening"
    WALL = "wall"
    PAVING = "walkway or paving"
    LAWN = "lawn"
    NEIGHBOUR = "neighbour"


class Kind(StrEnum):
    """What harm is done; of one place the worse first."""

    ENTERS = "water enters at the sill"
    FREEBOARD = "water close below the sill"
    STEP = "sill close above the ground"
    FALL = "ground does not fall away from the wall"
    ROOF_WATER = "roof water let out at the wall"
    STANDS_NEAR = "water stands near the house too long"
    SIDEWALK = "water led over a sidewalk"
    STAYS = "water stays on paving"
    NUISANCE = "water stands longer than anywhere allowed"
    STANDS = "water stands too long"
    LEAVES = "water led or spilled onto a neighbour"


@dataclass(frozen=True)
class Limit:
    """
    A published limit.

    Parameters
    ----------
    place
        Where it counts.
    value
        The limit, in SI; hours are hours. None where any amount is harm.
    source
        Who says so.
    below
        Whether less than it is harm.
    """

    place: Place
    value: float | None
    source: str
    below: bool = False


LIMITS: Final[dict[Kind, Limit]] = {
    Kind.ENTERS: Limit(Place.OPENING, 0.0, "level of the sill, as given", below=True),
    Kind.FREEBOARD: Limit(
        Place.OPENING, 0.3048,
        "City of Willard OH: floor 1 ft above the 100-year overflow route", below=True,
    ),
    Kind.STEP: Limit(
        Place.OPENING, 0.1524,
        "Fort Collins CO, certification of lot grading (2017): 6 in above the ground beside it",
        below=True,
    ),
    Kind.FALL: Limit(
        Place.WALL, 0.05,
        "International Residential Code (2006), R401.3: 6 in in the first 10 ft, 2 % on "
        "impervious surfaces", below=True,
    ),
    Kind.ROOF_WATER: Limit(
        Place.WALL, 1.524,
        "US DOE Building America: downspouts end at least 5 ft from the foundation", below=True,
    ),
    Kind.STANDS_NEAR: Limit(
        Place.WALL, 24.0, "home builders' performance guidelines, as quoted: 24 h near the house"
    ),
    Kind.SIDEWALK: Limit(
        Place.PAVING, None, "ordinances of Moses Lake WA, Redwood City CA, Silverton OR"
    ),
    Kind.STAYS: Limit(
        Place.PAVING, 0.0, "property maintenance codes of Blue Ash OH, Toledo OH, Madison IL: none"
    ),
    Kind.NUISANCE: Limit(Place.LAWN, 72.0, "City of Wentzville MO: looked into after 72 h"),
    Kind.STANDS: Limit(
        Place.LAWN, 48.0, "home builders' performance guidelines, as quoted: 48 h in swales"
    ),
    Kind.LEAVES: Limit(
        Place.NEIGHBOUR, None,
        "Sierra County CA section 12.08.560: no more in quantity or concentration than before",
    ),
}  # fmt: skip

#: States of the drains that a row holds for; "both" where drains change nothing.
BOTH: Final = "both"
_PLACES: Final = tuple(Place)
_KINDS: Final = tuple(Kind)


@dataclass(frozen=True)
class Harm:
    """
    One row of the table: one limit at one place.

    Parameters
    ----------
    kind
        Which limit.
    subject
        Opening, wall, downspout, low spot or outlet.
    measured, limit
        In SI, times in hours; None where it is no number.
    is_harm
        Whether the limit is broken; None where the data cannot tell.
    state
        "today", "proposed", or "both".
    inlets
        "open" (taking no more than they can, where that was computed), "blocked" for all of
        them, or "any" where they change nothing.
    low_spot
        Number of the low spot whose water it is; 0 for none.
    x, y
        Where, in the coordinates of the result.
    """

    kind: Kind
    subject: str
    measured: float | None
    limit: float | None
    is_harm: bool | None
    state: str = BOTH
    inlets: str = "any"
    low_spot: int = 0
    x: float | None = None
    y: float | None = None

    @property
    def place(self) -> Place:
        """Where the harm is done."""
        return LIMITS[self.kind].place

    @property
    def source(self) -> str:
        """Where the limit comes from."""
        return LIMITS[self.kind].source

    @property
    def key(self) -> str:
        """Name of the row."""
        return f"{self.kind}: {self.subject}"


def harms(result: Result) -> list[Harm]:
    """
    Hold every place of harm against its limits.

    Parameters
    ----------
    result
        As published.

    Returns
    -------
    rows
        Broken limits, kept ones, and those of which the data cannot tell, in the order of places
        and kinds; of one kind what is broken first, and what is broken with inlets open before
        what is only so with all of them blocked.
    """
    found = dict.fromkeys(
        [*_sills(result), *_steps(result), *_walls(result), *_ponds(result), *_let_out(result)]
    )
    return sorted(found, key=_order)


def _order(row: Harm) -> tuple[Any, ...]:
    excess = abs((row.measured or 0.0) - (row.limit or 0.0))
    return (
        _PLACES.index(row.place), _KINDS.index(row.kind),
        (True, None, False).index(row.is_harm), row.inlets == "blocked", row.state == "today",
        -excess, row.subject, row.state,
    )  # fmt: skip


def _cases(result: Result, low_spot: Row | None) -> Iterator[tuple[str, str, str]]:
    """State of the drains, state of the inlets, and the case that tells it of a low spot."""
    yield result.state, "open", result.open_case
    yield result.state, "blocked", BLOCKED
    if result.state == "proposed" and low_spot is not None and not result.drained_today(low_spot):
        # today no inlet stands there, so that its water is that of blocked ones; a low spot that
        # an old inlet drains was not computed as it is today
        yield "today", "open", BLOCKED if result.inlets_of(low_spot) else result.open_case


def _sills(result: Result) -> Iterator[Harm]:
    """Water at openings, by the rarest storm; of a study without rain of full low spots."""
    spots = {row["id"]: row for row in result.rows("low_spots")}
    for opening in result.rows("openings"):
        if opening.get("sill_m") is None:
            continue
        spot = spots.get(opening.get("low_spot"))
        place = _point(opening)
        if not result.storms:
            if spot is not None and opening.get("freeboard_m") is not None:
                full = (result.state, "blocked", int(spot["id"]))
                yield from _freeboard(opening["name"], opening["freeboard_m"], full, place)
            continue
        for state, inlets, case in _cases(result, spot):
            water = [
                row
                for row in result.rows("wall_water", case=case, name=opening["name"])
                if row["return_period_yr"] == result.storms[-1] and row["freeboard_m"] is not None
            ]
            if water:
                least = min(water, key=lambda row: float(row["freeboard_m"]))
                at = (state, inlets, int(least["low_spot"] or 0))
                yield from _freeboard(
                    opening["name"], least["freeboard_m"], at, place, touches=least["at_wall"]
                )


def _freeboard(
    name: str,
    freeboard_m: float,
    at: tuple[str, str, int],
    place: tuple[float, float],
    *,
    touches: bool = True,
) -> Iterator[Harm]:
    """The sill itself, and a foot below it; water that stands only near may be kept off by it."""
    for kind in (Kind.ENTERS, Kind.FREEBOARD):
        limit = LIMITS[kind].value or 0.0
        is_harm: bool | None = freeboard_m <= limit if kind is Kind.ENTERS else freeboard_m < limit
        if is_harm and not touches:
            is_harm = None
        yield Harm(kind, name, freeboard_m, limit, is_harm, *at, *place)


def _steps(result: Result) -> Iterator[Harm]:
    """Sills above the ground before them; a garage and a pad stand low by their use."""
    for opening in result.rows("openings"):
        step = opening.get("above_ground_m")
        if step is None or opening.get("kind") in ("garage", "AC pad"):
            continue
        limit = LIMITS[Kind.STEP].value or 0.0
        doubt = 1.96 * result.rmse_m
        is_harm = None if abs(step - limit) < doubt else step < limit
        x, y = _point(opening)
        yield Harm(Kind.STEP, opening["name"], step, limit, is_harm, x=x, y=y)


def _walls(result: Result) -> Iterator[Harm]:
    """Ground at walls, and roof water let out there."""
    told = {"too flat": True, "no fault seen": False}
    for wall in result.rows("facades"):
        if wall.get("slope") is None:
            continue
        is_harm = told.get(wall["verdict"])
        yield Harm(
            Kind.FALL, wall["name"], wall["slope"], wall["slope_limit"], is_harm,
            x=wall["x"], y=wall["y"],
        )  # fmt: skip
    for one in result.findings:
        if one.rule == "downspout-near-foundation":
            state = "today" if one.today else result.state
            limit = LIMITS[Kind.ROOF_WATER].value
            yield Harm(
                Kind.ROOF_WATER, one.subject, one.measured, limit, True, state, x=one.x, y=one.y
            )


def _ponds(result: Result) -> Iterator[Harm]:
    """How long water stands on the lot after the design storm, and what stays on paving."""
    spots = {row["id"]: row for row in result.rows("low_spots")}
    for pond in result.rows("ponds", return_period_yr=result.design_storm_yr):
        on_lot = (pond["area_m2"] or 0.0) - (pond["off_lot_m2"] or 0.0)
        if on_lot <= 0 or pond.get("artefact"):
            continue
        spot = spots.get(pond["low_spot"])
        for state, inlets, case in _cases(result, spot):
            if pond["case"] == case:
                at = (state, inlets, int(pond["low_spot"] or 0), pond["x"], pond["y"])
                yield from _times(pond, is_near(result, pond, spot), at)


def _times(
    pond: Row, near: bool, at: tuple[str, str, int, float | None, float | None]
) -> Iterator[Harm]:
    """One pond against the limits of time."""
    name = f"low spot {at[2]}"
    hours = pond.get("soaks_away_h")
    if hours is not None:
        for kind in (Kind.STANDS_NEAR,) if near else (Kind.NUISANCE, Kind.STANDS):
            limit = LIMITS[kind].value or 0.0
            yield Harm(kind, name, hours, limit, hours > limit, *at)
    if pond.get("paved_m2") and pond.get("stays_m") is not None:
        yield Harm(Kind.STAYS, name, pond["stays_m"], 0.0, pond["stays_m"] > 0, *at)


def is_near(result: Result, pond: Row, low_spot: Row | None) -> bool:
    """Whether water stands within 10 ft of a building."""
    stands_at = set(str(pond.get("touches") or "").split("; ")) - {"", *OPEN_GROUND}
    if stands_at:
        return True
    outline, walls = pond.get("geometry"), result.rows("buildings")
    if outline is not None and walls:
        reach = WALL_REACH_M * result.per_metre
        return any(outline.distance(wall["geometry"]) <= reach for wall in walls)
    distance = (low_spot or {}).get("building_distance_m")
    return distance is not None and float(distance) <= WALL_REACH_M


def _let_out(result: Result) -> Iterator[Harm]:
    """Water led over a sidewalk or onto a neighbour."""
    kinds = {
        "discharge-over-sidewalk": Kind.SIDEWALK,
        "discharge-onto-neighbour": Kind.LEAVES,
        "pond-overflows-the-lot": Kind.LEAVES,
    }
    for one in result.findings:
        if one.rule in kinds:
            state = "today" if one.today else result.state
            yield Harm(
                kinds[one.rule], one.subject, one.measured, one.limit, True, state, x=one.x, y=one.y
            )


def _point(row: Row) -> tuple[float, float]:
    """Coordinates of a point."""
    return float(row["geometry"].x), float(row["geometry"].y)


def broken(rows: Iterable[Harm], **values: Any) -> list[Harm]:
    """Rows of which the limit is broken, with the given values."""
    return [
        row
        for row in rows
        if row.is_harm and all(getattr(row, name) == value for name, value in values.items())
    ]
