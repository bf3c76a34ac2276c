"""Items on the ground: low spots, walls, where water comes on, and where nothing stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import shapely
from shapely.geometry import Point

from lotflow.advice import answer_words as words
from lotflow.advice import causes, drain_words, grades, remedies, remedy_words
from lotflow.advice.causes import Cause, Source
from lotflow.advice.grades import Grade
from lotflow.advice.harm import Kind, Place, broken
from lotflow.advice.items import PLACE_RANKS, THEME_RANKS, Item, rank_key
from lotflow.advice.result import BLOCKED, WALL_REACH_M, Result, Row
from lotflow.advice.themes import FAR, Found, Theme, heaviest, is_heavy, known_or, surface_of

if TYPE_CHECKING:
    from lotflow.findings import Finding

#: Share of the run-on from which one crossing is told of: lotflow's choice, no published source.
_MUCH: Final = 0.2


def of_low_spot(found: Found, key: str, some: Sequence[Finding]) -> Item | None:
    """A low spot on the lot with its openings, inlets and water."""
    number, result, say = int(key), found.result, found.say
    spot = found.spots[number]
    openings = found.openings_in(number)
    if not is_heavy(some) and not openings:
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
        is_paved=surface_of(result, number) is Place.PAVING,
    )  # fmt: skip
    if grade is Grade.LEVEL_FIRST and place not in (Place.OPENING, Place.WALL):
        measures = (remedies.Remedy(remedies.Step.CLEAN, "wait"), *measures)
    harm = _low_spot_harm(found, spot, place, openings, names)
    rows = broken(found.harm, low_spot=number)
    return Item(
        Theme.LOW_SPOT, key,
        rank_key(
            PLACE_RANKS[place], grade, Theme.LOW_SPOT,
            known_or(openings[0]["freeboard_m"], FAR) if openings else tuple(Grade).index(grade),
            -spot["depth_m"],
        ),
        openings[0]["name"] if openings else ", ".join(names) or f"low spot {number}",
        spot["x"], spot["y"],
        words.if_levels_hold(harm) if grade is Grade.LEVEL_FIRST else harm,
        words.closed(names, _fills(result, spot)),
        remedy_words.what_to_do(say, measures), grade,
        words.low_spot_evidence(say, spot, openings, inlets), tuple(some),
        takes=words.quantities(say, spot["volume_m3"], spot["area_m2"]),
        check=remedy_words.levels_of_low_spot(
            [one["name"] for one in openings], has_buildings=bool(result.rows("buildings"))
        ),
        risk=remedy_words.RISKS[Theme.LOW_SPOT.value],
        source=found.sources(heaviest(some), rows), causes=water, mends=found.mended(rows),
    )  # fmt: skip


def _is_decided(opening: Row) -> bool:
    """Whether the data tell on which side of a sill a low spot runs over."""
    low, high = opening.get("freeboard_low_m"), opening.get("freeboard_high_m")
    return low is not None and high is not None and (low > 0 or high < 0)


def _low_spot_harm(
    found: Found, spot: Row, place: Place, openings: Sequence[Row], names: Sequence[str]
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
        part = _part_of_lot(result, spot["x"], spot["y"])
        where = words.in_part(part, f"low spot {spot['id']}")
    return words.water_that_stands(say, where, spot, names, nothing_today=nothing_today)


def _part_of_lot(result: Result, x: float, y: float) -> tuple[int, int]:
    """
    Part of the lot in which a place lies: west, middle, east and south, middle, north.

    By thirds of the bounds of the lot, as -1, 0 and 1.
    """
    lot = shapely.union_all([row["geometry"] for row in result.rows("lot")])
    west, south, east, north = lot.bounds
    across, up = (x - west) / (east - west), (y - south) / (north - south)
    return _third(across), _third(up)


def _third(share: float) -> int:
    """Third in which a share lies: -1, 0 or 1."""
    return int(share > 2 / 3) - int(share < 1 / 3)


def _open_water(found: Found, number: int) -> tuple[float, float, float] | None:
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


def of_walls(found: Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Ground and roof water at walls, one item: they have one remedy."""
    if not is_heavy(some):
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
    head, worst = heaviest(some)[0], walls[0] if walls else None
    grade = _wall_grade(worst) if worst else Grade.SHOWN
    measures = remedies.of_walls(result, walls, water, tuple(spouts))
    return Item(
        Theme.WALLS, "", rank_key(THEME_RANKS[Theme.WALLS], grade, Theme.WALLS),
        worst["name"] if worst else head.subject,
        worst["x"] if worst else head.x, worst["y"] if worst else head.y,
        words.walls_harm(say, walls, water, tuple(spouts), standing),
        remedy_words.VERDICTS[Theme.WALLS.value],
        remedy_words.what_to_do(say, measures), grade,
        words.walls_evidence(say, walls) or drain_words.measured(say, heaviest(some)), tuple(some),
        takes=words.quantities(say, *remedies.earth_to_fill(walls)) if walls else "",
        check=remedy_words.levels_of_walls(say, [row["name"] for row in walls]),
        risk=remedy_words.risk_of_walls(say),
        source=found.sources(heaviest(some), rows), causes=water, mends=found.mended(rows),
    )  # fmt: skip


_FALLS_TO_WALL: Final = ("ground-falls-to-building", "ground-too-flat-at-building")


def _wall_grade(wall: Row) -> Grade:
    """How sure it is that ground falls towards a wall."""
    return grades.of_interval(wall["slope_low"], wall["slope_high"], 0.0)


def _worst_first(
    found: Found,
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


def _walls_in_low_spots(found: Found) -> dict[str, int]:
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


def of_run_on(found: Found, used: set[str]) -> Item | None:
    """Water that comes onto the lot and is no cause of an item above."""
    some = found.of_theme(Theme.RUN_ON)
    result, say = found.result, found.say
    drawn = bool(result.rows("inlets"))
    water = causes.of_lot(result)
    total = sum(one.amount for one in water)
    free = [
        one
        for one in water
        if one.source is Source.NEIGHBOUR and one.subject not in used and one.x is not None
    ]
    # where drains are drawn, only much water needs a word; a screening tells where it comes on
    much = free and free[0].amount >= _MUCH * total
    # without drains the question is where all of it comes on, and where it may leave
    told = free if drawn else [
        one for one in water if one.source is Source.NEIGHBOUR and one.x is not None
    ]  # fmt: skip
    if not told or not (much or is_heavy(some) or not drawn):
        return None
    head = told[0]
    leaves = result.rows("lot_line_crossings", direction="off")
    measures = [remedies.Remedy(remedies.Step.SWALE, "keep-open")]
    return Item(
        Theme.RUN_ON, "", rank_key(THEME_RANKS[Theme.RUN_ON], Grade.LIKELY, Theme.RUN_ON),
        head.subject, head.x, head.y,
        words.run_on(say, told, total, is_heavy(some), () if drawn else leaves[:2]),
        remedy_words.VERDICTS["run-on"],
        remedy_words.what_to_do(say, measures), Grade.LIKELY,
        words.run_on_evidence(say, water, total, leaves[:2]),
        tuple(some),
        check=remedy_words.CHECKS["run-on"], risk=remedy_words.RISKS["run-on"],
        source=remedy_words.SOURCES["run-on"], causes=water,
    )  # fmt: skip


def of_the_rest(found: Found) -> Item | None:
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
        Theme.ELSEWHERE, "", rank_key(THEME_RANKS[Theme.ELSEWHERE], grade, Theme.ELSEWHERE),
        "the lot", None, None, harm,
        remedy_words.VERDICTS["all told" if told and not others else "nothing else stands"],
        remedy_words.what_to_do(say, measures), grade,
        line or words.sentence("the elevation data hold no other low spot here"), tuple(some),
        check=remedy_words.CHECKS["nothing else stands"],
        risk=remedy_words.RISKS["nothing else stands"],
        source=remedy_words.SOURCES["nothing else stands"],
    )  # fmt: skip
