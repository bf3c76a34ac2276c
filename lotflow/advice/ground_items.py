"""Items on the ground: low spots, walls, where water comes on, and where nothing stands."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import shapely
from shapely.geometry import Point

from lotflow.advice import answer_words as words
from lotflow.advice import causes, drain_words, grades, observations, remedies, remedy_words
from lotflow.advice.buildable import CLEAR_M, has_ground_before, has_room_away, openings_of
from lotflow.advice.causes import Cause
from lotflow.advice.grades import LOOK_IN_RAIN, Grade
from lotflow.advice.harm import LIMITS, Harm, Kind, Place, broken
from lotflow.advice.items import PLACE_RANKS, THEME_RANKS, Item, rank_key
from lotflow.advice.remedies import Remedy
from lotflow.advice.result import BLOCKED, WALL_REACH_M, Result, Row
from lotflow.advice.themes import FAR, Found, Theme, heaviest, is_heavy, known_or, surface_of

if TYPE_CHECKING:
    from lotflow.findings import Finding

#: Most places at which water comes on that are named: lotflow's choice, no published source.
_MOST_WAYS: Final = 5
#: The same where drains are drawn, which ask for room in the answer.
_MOST_WITH_DRAINS: Final = 3
#: Share of the run-on from which one crossing is told of: lotflow's choice, no published source.
_MUCH: Final = 0.2


def of_low_spot(found: Found, key: str, some: Sequence[Finding]) -> Item | None:
    """A low spot on the lot with its openings, inlets and water."""
    number, result, say = int(key), found.result, found.say
    spot = found.spots[number]
    openings = found.openings_in(number)
    seen = result.rows("observations", low_spot=number)
    agrees = observations.agree(seen)
    if not is_heavy(some) and not openings and not agrees:
        return None
    inlets = [row for row in result.rows("inlets") if row["name"] in result.inlets_of(spot)]
    names = [row["name"] for row in inlets]
    place = found.place_of(number)
    grade = grades.of_low_spot(
        spot["probability"], spot["depth_m"], result.rmse_m,
        may_be_artefact=bool(spot["artefact"]) and not agrees,
    )  # fmt: skip
    # that water stands there was seen; on which side of a sill it runs over was not
    grade = grades.seen_too(grade) if agrees else grade
    if openings and not _is_decided(openings[0]):
        grade = grades.least_sure([grade, Grade.LIKELY])
    if any(one.rule == "coarse-cell" for one in result.findings) and not agrees:
        grade = grades.least_sure([grade, Grade.LIKELY])  # good for screening only
    own_m = spot.get("on_lot_depth_m")
    if not openings and not agrees and own_m is not None and own_m < (result.rmse_m or 0.0):
        grade = Grade.LEVEL_FIRST  # what is deep of it lies beyond the lot
    water = causes.of_low_spot(
        result, spot, found.feeding(number, today=False), found.feeding(number, today=True)
    )
    measures = remedies.of_low_spot(
        result, spot, water,
        at_house=place in (Place.OPENING, Place.WALL),
        is_paved=surface_of(result, number) is Place.PAVING,
        openings=openings, no_outlet=found.no_outlet,
    )  # fmt: skip
    if grade is Grade.LEVEL_FIRST and place not in (Place.OPENING, Place.WALL):
        measures = (remedies.Remedy(remedies.Step.CLEAN, "wait"), *measures)
    harm = _low_spot_harm(found, spot, place, openings, names)
    for one in some:
        if one.rule == "pond-stands-too-long" and one.severity == "fail" and not one.today:
            harm += words.after(words.stands_long(one.measured or 0.0, one.limit or 0.0))
            break
    rows = broken(found.harm, low_spot=number)
    closed = words.closed(names, _fills(result, spot), _old_inlets(result, spot, names))
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
        words.if_levels_hold(closed) if grade is Grade.LEVEL_FIRST else closed,
        remedy_words.what_to_do(say, measures), grade,
        words.low_spot_evidence(say, spot, openings, inlets)
        + words.below_grates(say, _above_low_point(inlets))
        + words.at_neighbours(_neighbours_in(result, number))
        + words.after(observations.evidence(say, seen)), tuple(some),
        measures=measures,
        takes=_fill_of(found, spot, measures),
        check=remedy_words.levels_of_low_spot(
            [one["name"] for one in openings if not _is_levelled(one)],
            has_buildings=bool(result.rows("buildings")), is_levelled=_is_levelled(spot),
        )
        + words.after(observations.questions(seen)),
        risk=remedy_words.RISKS[Theme.LOW_SPOT.value],
        means=grades.SEEN_MEANING[grade] if agrees else "",
        is_levelled=all(map(_is_levelled, (spot, *openings))),
        source=found.sources(heaviest(some), rows), causes=water,
        mends=found.mended(_surely_mended(result, spot, rows, measures)),
    )  # fmt: skip


def _is_levelled(row: Row) -> bool:
    """Whether what is told of it rests on levels taken on site."""
    return bool(row.get("level_from") == "levelled")


def _surely_mended(
    result: Result, spot: Row, rows: Sequence[Harm], measures: Sequence[Remedy]
) -> list[Harm]:
    """
    Rows that the remedy of a low spot mends for sure: a question or a search mends nothing.

    Filled on the lot to where it runs over it holds no water; inlets that have an outlet mend
    what is broken today and, by what was computed, neither with them open nor blocked.
    """
    keys = {one.what for one in measures}
    if keys & _FILLS and (spot["on_lot_m2"] or 0.0) >= _ALL * spot["area_m2"]:
        return list(rows)
    if "second-way" in keys and result.state == "proposed":
        still = {row.key for row in rows if row.state != "today"}
        return [row for row in rows if row.key not in still]
    return []


def _old_inlets(result: Result, spot: Row, names: Sequence[str]) -> list[str]:
    """Inlets that stand in a low spot today, beside those that will."""
    return [
        str(node["name"])
        for node in result.rows("nodes", case="today", kind="inlet")
        if result.state == "proposed" and node["name"] not in names
        and result.drains(spot, node["geometry"])
    ]  # fmt: skip


def _above_low_point(inlets: Sequence[Row]) -> list[Row]:
    """Inlets under whose grate water stays that the data show."""
    return [row for row in inlets if (row.get("residual_depth_m") or 0.0) >= _STAYS_M]


#: What is done about what was seen, by the verdict: the keys of its remedies.
_ASKED: Final[Mapping[str, tuple[str, ...]]] = {
    "seen, not predicted": ("hose", "hidden", "dry-weather"),
    "as with inlets blocked": ("hose",),
    "deeper than predicted": ("hose", "hidden"),
    "longer than predicted": ("hose", "soak", "dry-weather"),
    "predicted, not seen": ("find-culvert",),
}


def of_seen(found: Found, key: str, some: Sequence[Finding]) -> Item | None:
    """What was seen and no low spot of the lot explains: a question, and no computed harm."""
    row = found.result.row("observations", name=key)
    if row is None:
        return None
    say, names = found.say, [name for name in str(row["inlets"] or "").split(", ") if name]
    measures = [
        remedies.Remedy(remedies.Step.CLEAN, what, tuple(names) if what == "hose" else (key,))
        for what in _ASKED[row["verdict"]]
        if what != "hose" or names
    ]
    # without rain a hollow explains nothing
    if row["rain_mm"] is not None and row["rain_mm"] < observations.WETS_MM:
        measures.sort(key=lambda one: one.what != "dry-weather")
    return Item(
        Theme.SEEN, key, rank_key(THEME_RANKS[Theme.SEEN], Grade.LEVEL_FIRST, Theme.SEEN),
        key, row["x"], row["y"], observations.harm(say, row),
        remedy_words.VERDICTS["seen"],
        remedy_words.what_to_do(say, measures), Grade.LEVEL_FIRST,
        observations.reach(say, row), tuple(some),
        measures=tuple(measures),
        check=observations.questions([row]),
        risk=remedy_words.RISKS["seen"], source=found.sources(some),
    )  # fmt: skip


def _neighbours_in(result: Result, number: int) -> list[str]:
    """Buildings of neighbours at which the water of a low spot stands with every inlet open."""
    names = {
        row["name"]
        for row in result.rows("wall_water", case=result.open_case, low_spot=number)
        if row["kind"] == "building" and not row["is_own"] and row["at_wall"]
    }
    return sorted(names)


def _fill_of(found: Found, spot: Row, measures: Sequence[Remedy]) -> str:
    """What it takes to fill a low spot: only where it is filled, and all of it is on the lot."""
    if not any(one.what in ("fill", "fill-hollow", "raise") for one in measures):
        return ""
    if (spot["on_lot_m2"] or 0.0) < _ALL * spot["area_m2"]:
        return ""
    return words.quantities(found.say, spot["volume_m3"], spot["area_m2"])


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
            say, openings[0], spot["depth_m"], names, nothing_today=nothing_today,
            again_yr=_again(result, spot, openings[0]),
        )  # fmt: skip
        single = _alone(found, openings[0]["name"], names)
        if single is not None:
            told += f" {words.with_one_blocked(say, *single)}"
        worst = _open_water(found, int(spot["id"]))
        if worst:
            told += f" {words.with_inlets_open(say, worst, has_inlets=bool(names))}"
        unknown = result.not_counted(names)
        if unknown:
            told += f" {words.without_old_lines(unknown)}"
        return told
    where = {Place.LAWN: "on the lawn", Place.PAVING: "on paving"}.get(
        place, words.at_walls(_walls_at(result, spot))
    )
    if not result.rows("buildings"):
        part = _part_of_lot(result, spot["x"], spot["y"])
        where = words.in_part(part, f"low spot {spot['id']}")
    return words.water_that_stands(say, where, spot, names, nothing_today=nothing_today)


def _walls_at(result: Result, spot: Row) -> list[str]:
    """Walls at which a low spot stands, those first along which it is longest; two at most."""
    near = spot["geometry"].buffer(_AT_WALL_CELLS * result.cell)
    along = [(wall["geometry"].intersection(near).length, wall["name"])
             for wall in result.rows("facades")]  # fmt: skip
    return [name for length, name in sorted(along, reverse=True) if length > 0][:_MOST_WALLS]


#: A low spot stands at a wall that is no more cells away, and at so many walls that are named.
_AT_WALL_CELLS: Final = 1.0
_MOST_WALLS: Final = 2


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


def _alone(found: Found, opening: str, names: Sequence[str]) -> tuple[str, float, float] | None:
    """
    Inlet of which the blocking alone brings water to a sill, the storm, and the freeboard.

    Where none does, the one that brings it nearest, if that is within 6 in.
    """
    if len(names) < 2:
        return None
    rows = [
        (row["return_period_yr"], row["freeboard_m"], name)
        for name in names
        for row in found.result.rows("wall_water", case=f"blocked:{name}", name=opening)
        if row["freeboard_m"] is not None and row["freeboard_m"] < CLEAR_M and row["at_wall"]
    ]
    if not rows:
        return None
    reached = [row for row in rows if row[1] <= 0]
    storm_yr, freeboard_m, name = min(reached or rows)
    open_too = any(
        row["freeboard_m"] is not None and row["freeboard_m"] <= freeboard_m + _SAME_M
        for row in found.result.rows(
            "wall_water", case=found.result.open_case, name=opening, return_period_yr=storm_yr
        )
    )
    # blocked, it takes all that it can; open, no more than it can: where that stands higher, the
    # blocking tells nothing
    return None if open_too else (name, storm_yr, freeboard_m)


def _again(result: Result, spot: Row, opening: Row) -> float | None:
    """Most frequent storm that does with all inlets blocked what is done today [yr]."""
    if opening["freeboard_m"] > 0:
        return _fills(result, spot)
    return min(
        (
            row["return_period_yr"]
            for row in result.rows("wall_water", case=BLOCKED, name=opening["name"])
            if row["freeboard_m"] is not None and row["freeboard_m"] <= 0 and row["at_wall"]
        ),
        default=None,
    )


def _open_water(found: Found, number: int) -> list[tuple[float, float, float]]:
    """
    Storm, depth and freeboard of what stands at an opening with every inlet open.

    All storms in which it reaches the sill, after the most frequent in which it stands less than
    6 in below it; where none reaches it the one in which it stands nearest.
    """
    result = found.result
    lowest: dict[float, Row] = {}
    for row in result.rows("wall_water", case=result.open_case, low_spot=number, is_own=True):
        if row["freeboard_m"] is None or row["freeboard_m"] >= 0.3048 or not row["depth_m"]:
            continue
        before = lowest.get(row["return_period_yr"])
        if before is None or row["freeboard_m"] < before["freeboard_m"]:
            lowest[row["return_period_yr"]] = row
    rows = [row for _, row in sorted(lowest.items())]
    reached = [row for row in rows if row["freeboard_m"] <= 0]
    told = reached or sorted(rows, key=lambda row: float(row["freeboard_m"]))[:1]
    near = [row for row in rows if row["freeboard_m"] < CLEAR_M and row["at_wall"]]
    if near and near[0]["return_period_yr"] < told[0]["return_period_yr"]:
        told = [near[0], *told]
    return [(row["return_period_yr"], row["depth_m"], row["freeboard_m"]) for row in told]


def _fills(result: Result, spot: Row) -> float | None:
    """Most frequent storm in which a low spot runs over with all inlets blocked [yr]."""
    return min(
        (
            row["return_period_yr"]
            for row in result.rows("ponds", case=BLOCKED, low_spot=int(spot["id"]))
            if (row.get("overflow_m3") or 0.0) > 0 or row["depth_m"] >= spot["depth_m"] - _FULL_M
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
    head, worst = heaviest(some)[0], walls[0] if walls else None
    # what runs to the first is told of it; the causes are of all walls named of its building
    at_worst = water
    if worst is not None:
        same = [row for row in walls if row["building"] == worst["building"]]
        ends = _nearest_walls(result, spouts)
        near = [name for row in same for name in ends.get(row["name"], ())]
        water = causes.of_walls(result, same, near)
    grade = _wall_grade(worst) if worst else Grade.SHOWN
    ending = _downspouts(result, worst, list(spouts.values()))
    measures = remedies.of_walls(result, walls, water, ending, standing)
    raised = remedies.raised_walls(result, walls, standing)
    unsure = [
        row for row in result.rows("facades")
        if row.get("slope") is not None and row["slope"] < 0 and row["verdict"] == "cannot tell"
    ]  # fmt: skip
    # a pipe of which the end is not shown mends nothing yet
    led = {one.name for one in ending if one.has_room}
    mended = {name for one in measures if one.what in _MENDS_WALLS for name in one.subjects} | led
    rows = broken(
        row for row in found.harm
        if row.kind in (Kind.FALL, Kind.ROOF_WATER) and row.subject in mended
    )  # fmt: skip
    low = _low_sills(result, [*walls, *unsure])
    # where a low sill stands in a wall of which the data cannot tell, that is told beside it
    beside = [row for row in unsure if _low_sills(result, [row])]
    if low or beside:
        grade = grades.least_sure([grade, Grade.LIKELY])  # the ground there is off the data
    others_low = _other_low_sills(result, [*walls, *unsure])
    asked = broken(
        row for row in found.harm
        if row.kind in (Kind.FALL, Kind.ROOF_WATER) and row.subject in {*named, *spouts}
    )  # fmt: skip
    return Item(
        Theme.WALLS, "", rank_key(THEME_RANKS[Theme.WALLS], grade, Theme.WALLS),
        worst["name"] if worst else head.subject,
        worst["x"] if worst else head.x, worst["y"] if worst else head.y,
        " ".join(one for one in (
            words.low_sills(say, low, _wall_names(result, low)), words.level_first(beside),
            words.walls_harm(
                say, walls, at_worst, [one.told for one in ending], standing,
                taken=_taken_as_drawn(found, at_worst, worst), reverse=_reverses(walls),
                more=_more_than_first(result, walls),
                left_open=[
                    row["name"] for row in result.rows("inlets")
                    if grades.is_open(
                        row["catchment_m2"], row["catchment_m2_p05"], row["catchment_m2_p95"]
                    )
                ],
            ),
        ) if one),
        remedy_words.VERDICTS[Theme.WALLS.value],
        remedy_words.what_to_do(say, measures), grade,
        " ".join(one for one in (
            words.walls_evidence(say, walls) or drain_words.measured(say, heaviest(some)),
            words.low_sills(say, others_low, _wall_names(result, others_low)),
            words.level_first([row for row in unsure if row not in beside]),
        ) if one), tuple(some),
        measures=measures,
        takes=words.quantities(say, *remedies.earth_to_fill(raised)) if raised else "",
        check=remedy_words.levels_of_walls(
            say, [row["name"] for row in [*walls, *unsure] if not _is_levelled(row)],
            [row["name"] for row in low if not _is_levelled(row)],
        ),
        is_levelled=worst is not None and _is_levelled(worst),
        risk=remedy_words.risk_of_walls(say),
        source=found.sources(heaviest(some), asked), causes=water, mends=found.mended(rows),
    )  # fmt: skip


def _more_than_first(result: Result, walls: Sequence[Row]) -> dict[str, float]:
    """Walls named after the first to which more water runs, with the area it comes from [m^2]."""
    amounts = [sum(one.amount for one in causes.of_walls(result, [wall])) for wall in walls]
    return {
        wall["name"]: amount
        for wall, amount in zip(walls[1:], amounts[1:], strict=True)
        if amount > amounts[0]
    }


def _low_sills(result: Result, walls: Sequence[Row]) -> list[Row]:
    """Openings in walls of which the sill lies low above the ground, by their number."""
    limit = LIMITS[Kind.STEP].value or 0.0
    return [
        row
        for wall in walls
        for row in openings_of(result, wall)
        if (row.get("above_ground_m") or limit) < limit and row.get("kind") != "AC pad"
    ]


def _wall_names(result: Result, openings: Sequence[Row]) -> dict[str, str]:
    """Walls in which openings stand, by the name of the opening."""
    found: dict[str, str] = {}
    for wall in result.rows("facades"):
        here = {row["name"] for row in openings_of(result, wall)}
        for one in openings:
            if one["name"] in here:
                found.setdefault(one["name"], str(wall["name"]))
    return found


def _other_low_sills(result: Result, walls: Sequence[Row]) -> list[Row]:
    """Low sills in other walls, which no low spot tells of."""
    here = {row["name"] for wall in walls for row in openings_of(result, wall)}
    return [
        row
        for row in _low_sills(result, result.rows("facades"))
        if row["name"] not in here and not row.get("is_touched")
    ]


def _downspouts(
    result: Result, worst: Row | None, some: Sequence[Finding]
) -> list[remedies.Downspout]:
    """Downspouts that end at walls; what ends there only until the proposed is built is piped."""
    reach = WALL_REACH_M * result.per_metre
    ending = []
    for one in some:
        if one.today and result.state == "proposed":
            continue
        at, wall = None if one.x is None or one.y is None else Point(one.x, one.y), ""
        if at is not None and worst is not None and worst["geometry"].distance(at) > reach:
            walls = result.rows("facades")
            wall = str(min(walls, key=lambda row: row["geometry"].distance(at))["name"])
        has_room = has_room_away(result, one.x, one.y)
        ending.append(
            remedies.Downspout(
                one.subject, wall, has_room=has_room,
                has_ground=has_ground_before(result, one.x, one.y),
            )
        )  # fmt: skip
    return ending


def _taken_as_drawn(found: Found, water: Sequence[Cause], wall: Row | None) -> dict[str, str]:
    """
    Inlets that are to take the run-on of a wall once they are built, by its crossing.

    One that the water reaches when it has run past the wall keeps none of it off.
    """
    result = found.result
    if result.state != "proposed" or wall is None:
        return {}
    reach = WALL_REACH_M * result.per_metre
    taken = {}
    for row, way in result.run_on:
        if way is None or not any((one.x, one.y) == _place(row) for one in water):
            continue
        end, passes = Point(way.coords[-1]), way.distance(wall["geometry"]) <= reach
        for inlet in result.rows("inlets"):
            late = passes and inlet["geometry"].distance(wall["geometry"]) > reach
            if not late and inlet["geometry"].distance(end) <= 1.5 * result.cell:
                taken[f"crossing {row['id']}"] = str(inlet["name"])
    return taken


def _place(row: Row) -> tuple[float, float]:
    return row["geometry"].x, row["geometry"].y


def _reverses(walls: Sequence[Row]) -> set[str]:
    """Walls of which the data show too little fall, but not that it is towards them."""
    return {wall["name"] for wall in walls if known_or(wall["slope_high"], FAR) >= 0}


#: Remedies that leave ground at a wall falling away.
_MENDS_WALLS: Final = ("regrade", "relevel-walls")
#: Remedies that leave no low spot.
_FILLS: Final = frozenset({"fill", "fill-hollow", "raise", "relevel"})
#: Share of a low spot that is all of it: lines drawn by hand never quite agree.
_ALL: Final = 0.98
#: Water below a grate from which it is told of [m]: lotflow's choice, no published source.
_STAYS_M: Final = 0.02
#: Water that stands so little higher is as high [m]: the figures are told in hundredths.
_SAME_M: Final = 0.01
#: A low spot is full that stands so little below its edge [m].
_FULL_M: Final = 0.002
_FALLS_TO_WALL: Final = ("ground-falls-to-building", "ground-too-flat-at-building")


def _wall_grade(wall: Row) -> Grade:
    """
    How sure it is that ground falls towards a wall.

    The slope is that of the worst place, the least of many: alone it is likely at most.
    """
    grade = grades.of_interval(wall["slope_low"], wall["slope_high"], 0.0)
    return grades.least_sure([grade, Grade.LIKELY])


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
            known_or(wall["slope_high"], FAR) >= 0,
            tuple(Grade).index(_wall_grade(wall)), -sum(one.amount for one in water),
            wall["slope"], wall["name"],
        )  # fmt: skip
        told.append((key, wall, water))
    told.sort(key=lambda one: one[0])
    return [wall for _, wall, _ in told], told[0][2] if told else ()


def _nearest_walls(result: Result, spouts: Mapping[str, Finding]) -> dict[str, list[str]]:
    """Downspouts that end within 10 ft of a wall, by the wall that is nearest."""
    reach = WALL_REACH_M * result.per_metre
    ends: dict[str, list[str]] = {}
    for name, one in spouts.items():
        if one.x is None or one.y is None:
            continue
        at = Point(one.x, one.y)
        wall = min(result.rows("facades"), key=lambda row: row["geometry"].distance(at))
        if wall["geometry"].distance(at) <= reach:
            ends.setdefault(wall["name"], []).append(name)
    return ends


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
    entries = causes.entries(result)
    total = (result.content.get("balance") or {}).get("on_m2") or sum(r["area_m2"] for r in entries)
    free = [row for row in entries if f"crossing {row['id']}" not in used]
    # where drains are drawn, only much water needs a word; a screening tells where it comes on
    much = free and free[0]["area_m2"] >= _MUCH * total
    # without drains the question is where all of it comes on, and where it may leave
    shown = free if drawn else entries
    if not shown or not (much or is_heavy(some) or not drawn):
        return None
    head = shown[0]
    # "most" is most: the largest without a gap, those too that an item above tells of
    every = causes.entries(result, again=True)
    most = _MOST_WITH_DRAINS if drawn else _MOST_WAYS
    told = [row for row in every if row["area_m2"] >= _MUCH / 2 * total][:most] or every[:1]
    kept = [f"crossing {row['id']}" for row in told if f"crossing {row['id']}" not in used]
    leaves = result.rows("lot_line_crossings", direction="off")
    measures = (remedies.Remedy(
        remedies.Step.SWALE, "keep-open", tuple(kept or [f"crossing {head['id']}"]),
    ),)  # fmt: skip
    return Item(
        Theme.RUN_ON, "", rank_key(THEME_RANKS[Theme.RUN_ON], Grade.LIKELY, Theme.RUN_ON),
        f"crossing {head['id']}", *_place(head),
        words.run_on(say, told, total, is_heavy(some), () if drawn else leaves[:2]),
        remedy_words.VERDICTS["run-on"],
        remedy_words.what_to_do(say, measures), Grade.LIKELY,
        words.run_on_evidence(say, total, leaves[:1], proposed=result.state == "proposed"),
        tuple(some),
        measures=measures, means=LOOK_IN_RAIN,
        check=remedy_words.CHECKS["run-on"], risk=remedy_words.RISKS["run-on"],
        source=remedy_words.SOURCES["run-on"],
    )  # fmt: skip


def of_the_rest(found: Found, told: Collection[int]) -> Item | None:
    """
    Says that nothing stands on the lot, or what else there is, and what is no low spot.

    `told` are the low spots that are an item.
    """
    result, say = found.result, found.say
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
    # what no low spot shows is no harm that a level decides
    grade = Grade.LIKELY
    line = words.elsewhere(len(others), len(off_lot), unreal)
    return Item(
        Theme.ELSEWHERE, "", rank_key(THEME_RANKS[Theme.ELSEWHERE], grade, Theme.ELSEWHERE),
        "the lot", None, None, harm,
        remedy_words.VERDICTS["all told" if told and not others else "nothing else stands"],
        remedy_words.what_to_do(say, measures), grade,
        line or words.sentence(
            f"the elevation data hold no {'other ' * bool(told)}low spot here"
        ), tuple(some),
        measures=tuple(measures), means=LOOK_IN_RAIN,
        check=remedy_words.CHECKS["nothing else stands"],
        risk=remedy_words.RISKS["nothing else stands"],
        source=remedy_words.SOURCES["nothing else stands"],
    )  # fmt: skip
