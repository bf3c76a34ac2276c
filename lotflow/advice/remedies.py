"""
What mends what, in the order of practice.

Clean and repair, roof water, grading, swale or berm, inlet and solid pipe, subsurface drain, soak
away, and a pump last. The order is that of the guidance for homes: US DOE Building America; Palo
Alto CA asks for surface drainage before area drains and pipes; England's Building Regulations H3
rank where to discharge.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Final

from shapely.geometry import LineString, Point
from shapely.ops import substring, unary_union

from lotflow.advice.answer_words import joined
from lotflow.advice.buildable import (
    CLEAR_M,
    PAD,
    can_be_filled,
    lot_of,
    lowest_sill,
    openings_of,
    others_buildings,
    spills_on_lot,
    swale_along,
    why_not_raised,
)
from lotflow.advice.causes import Cause, Source, share_of
from lotflow.advice.result import WALL_REACH_M, Result, Row
from lotflow.advice.say import Say
from lotflow.advice.verdicts import Run, Verdict
from lotflow.terrain.lower_places import compass_name
from lotflow.units import METRES_PER_FOOT


class Step(IntEnum):
    """Kinds of remedies in the order in which they are tried."""

    CLEAN = 1
    ROOF = 2
    GRADE = 3
    SWALE = 4
    INLET = 5
    SUBSURFACE = 6
    SOAK = 7
    PUMP = 8


@dataclass(frozen=True)
class Remedy:
    """
    One thing to do.

    Parameters
    ----------
    step
        Its place in the order of practice.
    what
        Key of its sentence in `lotflow.advice.remedy_words`.
    subjects
        What is worked on.
    facts
        Other things its sentence says.
    length_m, reach_m, above_m
        Its length, how far out from a wall, how high above a sill, where it has them [m].
    """

    step: Step
    what: str
    subjects: tuple[str, ...] = ()
    facts: dict[str, str] = field(default_factory=dict, hash=False)
    length_m: float | None = None
    reach_m: float | None = None
    above_m: float | None = None


@dataclass(frozen=True)
class Downspout:
    """
    A downspout that ends at a wall.

    Parameters
    ----------
    name
        Its name.
    wall
        Where it ends, told where that is not the wall its item begins with; else "".
    has_room
        Whether the lot has ground 5 ft from all walls before it, and water leaves it there.
    has_ground
        Whether the lot has any ground before it.
    """

    name: str
    wall: str = ""
    has_room: bool = True
    has_ground: bool = True

    @property
    def remedy(self) -> str:
        """Key of what is done with its water."""
        if self.has_room:
            return "lead-away"
        return "pipe-away" if self.has_ground else "no-ground"

    @property
    def told(self) -> str:
        """Name with its wall."""
        return f"{self.name} ({self.wall})" if self.wall else self.name


#: Share of a source from which it is worth a measure of its own: lotflow's choice, no published
#: source.
_WORTH: Final = 0.2

#: Items of the table of quantities that a reader asks for first.
_WORTH_NAMING: Final = ("pipe", "catch basin", "area drain", "channel drain", "outlet")
#: Items that go with one of them.
_SMALL_PARTS: Final = (" end cap", " bottom outlet")


def in_order(remedies: Iterable[Remedy]) -> tuple[Remedy, ...]:
    """Put remedies in the order of practice; those of one step keep theirs."""
    return tuple(sorted(dict.fromkeys(remedies), key=lambda one: one.step))


def of_low_spot(
    result: Result,
    low_spot: Row,
    causes: Sequence[Cause],
    *,
    at_house: bool,
    is_paved: bool,
    openings: Sequence[Row] = (),
    no_outlet: Collection[str] = (),
) -> tuple[Remedy, ...]:
    """
    Give what helps where water stands: off with the roof water and the run-on, then the ground.

    Parameters
    ----------
    result
        As published.
    low_spot
        Its row.
    causes
        Of its water.
    at_house
        Whether it stands at a building.
    is_paved
        Whether most of it is paved.
    openings
        That its water reaches.
    no_outlet
        Names of the inlets and lines of which the outlet is out of reach.
    """
    inlets = tuple(result.inlets_of(low_spot))
    found = [
        *_roofs_off(causes, others_roofs(result)),
        *_drawn_swales(result, causes, low_spot),
        _run_on_off(result, causes, low_spot["spill_elevation_m"]),
        *_before_all(result, low_spot, inlets),
    ]
    why, swales = way_of_others(result, low_spot, causes), swales_in(result, low_spot)
    if not can_be_filled(low_spot, openings):
        found += [_no_fill(low_spot, openings), _way_out(result, low_spot, openings)]
    elif at_house or swales or not inlets:
        ground = _ground(result, low_spot, why, at_house=at_house, is_paved=is_paved)
        if ground.what in ("keep-way", "keep-swale"):
            # where their water may go is answered: here, as today
            found = [
                one for one in found
                if one is None or (one.what != "ask-run-on" and not set(one.subjects) & set(swales))
            ]  # fmt: skip
        found.append(ground)
    elif not is_paved and spills_on_lot(result, low_spot):
        at = _place_of_edge(result, low_spot, openings)
        # where the neighbour's water may go is answered by that: where it runs today
        found = [one for one in found if one is None or one.what != "ask-run-on"]
        found.append(Remedy(Step.GRADE, "level-way", (), {"where": f" ({at})" if at else ""}))
    if inlets:
        found += _of_its_inlets(result, inlets, no_outlet)
    elif at_house and all(one is None or one.what != "fill-hollow" for one in found):
        found.append(Remedy(Step.INLET, "basin"))
    return in_order(one for one in found if one is not None)


def _before_all(result: Result, low_spot: Row, inlets: Collection[str]) -> list[Remedy]:
    """Water that backs up is kept out first; else what may empty the low spot is looked for."""
    backs_up = over_grate(result, inlets)
    if backs_up is not None:
        return [Remedy(Step.CLEAN, "backwater", (backs_up[1],))]
    if not low_spot.get("artefact"):
        return []
    drains = _drains_today(result, low_spot)
    return [Remedy(Step.CLEAN, "runs-today" if drains else "find-culvert", drains)]


def _of_its_inlets(
    result: Result, inlets: tuple[str, ...], no_outlet: Collection[str]
) -> list[Remedy]:
    """What is to be done about inlets that stand in a low spot."""
    if over_grate(result, inlets) is not None:
        return []  # no pipe runs out against that water
    if set(inlets) & set(no_outlet):
        what = "outlet-drowned" if is_drowned(result, inlets) else "outlet-first"
        return [Remedy(Step.INLET, what, inlets)]
    as_it_is = "as they are" if len(inlets) > 1 else "as it is"
    how = "as drawn" if result.state == "proposed" else as_it_is
    return [Remedy(Step.INLET, "second-way", inlets, {"how": how})]


def _ground(
    result: Result, low_spot: Row, why_kept: str, *, at_house: bool, is_paved: bool
) -> Remedy:
    """What is done to the ground of a low spot that may be filled, but for others' water."""
    walls = _walls_kept(result, low_spot) if at_house else ()
    if why_kept and (walls or not at_house or swales_in(result, low_spot)):
        return _kept(result, low_spot, why_kept)
    if why_kept:
        facts = {"why": why_kept, "share": "2 %" if is_paved else "5 %"}
        return Remedy(Step.GRADE, "grade-beside-way", (_name(low_spot),), facts)
    if walls:
        return Remedy(Step.GRADE, "fill-hollow", (), {"where": joined(walls)})
    if at_house:
        return Remedy(Step.GRADE, "relevel" if is_paved else "raise")
    return Remedy(Step.GRADE, "fill")


#: A low spot stands at a wall that is no more cells away.
_AT_WALL_CELLS: Final = 1.0


def _walls_kept(result: Result, low_spot: Row) -> tuple[str, ...]:
    """Walls at a low spot to which the ground falls, where it cannot be raised to fall away."""
    near = low_spot["geometry"].buffer(_AT_WALL_CELLS * result.cell)
    return tuple(
        str(wall["name"])
        for wall in result.rows("facades")
        if wall["geometry"].intersects(near)
        and (wall.get("slope") or 0.0) < 0
        and why_not_raised(result, wall)
    )


def _drains_today(result: Result, low_spot: Row) -> tuple[str, ...]:
    """Inlets that stand in a low spot today: what is said to empty it."""
    return tuple(
        str(node["name"])
        for node in result.rows("nodes", case="today", kind="inlet")
        if result.drains(low_spot, node["geometry"])
    )


#: Share of a hollow from which it is others' ground.
_MOST: Final = 0.5
#: Share from which the water of a hollow makes it the neighbours' way, a third as it is told:
#: lotflow's choice, no published source.
_THEIRS: Final = 0.33
#: A drawn swale runs through what holds more cells of its length.
_SWALE_CELLS: Final = 2.0


def way_of_others(result: Result, low_spot: Row, causes: Sequence[Cause]) -> str:
    """
    Say why a hollow is not the owner's to fill; "" where it is.

    It is part of a swale that is there, most of it is others' ground, or much of the water that
    runs through it is theirs.

    Parameters
    ----------
    result
        As published.
    low_spot
        Its row.
    causes
        Of its water.
    """
    swales = swales_in(result, low_spot)
    if swales:
        return f"it is part of {joined(swales)}"
    if (low_spot.get("on_lot_m2") or 0.0) < _MOST * low_spot["area_m2"]:
        return "most of it lies on others' ground"
    share = round(share_of(causes, Source.NEIGHBOUR), 2)
    return f"{share * 100:.0f} % of its water comes from neighbours" if share >= _THEIRS else ""


def swales_in(result: Result, low_spot: Row) -> tuple[str, ...]:
    """Names of the swales there today of which the bed runs through a low spot."""
    return tuple(
        str(row["name"])
        for row in result.rows("earthwork_lines", kind="swale", status="existing")
        if row["geometry"].intersection(low_spot["geometry"]).length
        > _SWALE_CELLS * result.cell
    )  # fmt: skip


def _swales_on(result: Result, way: LineString | None) -> tuple[str, ...]:
    """Names of the swales there today in which water runs on its way, within a cell of the bed."""
    if way is None:
        return ()
    return tuple(
        str(row["name"])
        for row in result.rows("earthwork_lines", kind="swale", status="existing")
        if way.intersection(
            row["geometry"].buffer((row.get("width_m") or 0.0) / 2 * result.per_metre + result.cell)
        ).length > _SWALE_CELLS * result.cell
    )  # fmt: skip


def _before_walls(result: Result, way: LineString | None, walls: Sequence[Row]) -> Any:
    """Give the part of a way of water before it comes within 10 ft of any of some walls."""
    if way is None or not walls:
        return way
    near = unary_union([row["geometry"] for row in walls])
    passed = way.intersection(near.buffer(WALL_REACH_M * result.per_metre))
    if passed.is_empty:
        return way
    parts = getattr(passed, "geoms", [passed])
    return substring(way, 0.0, min(way.project(Point(part.coords[0])) for part in parts))


def _drawn_swales(
    result: Result,
    causes: Sequence[Cause],
    low_spot: Row | None = None,
    walls: Sequence[Row] = (),
) -> list[Remedy]:
    """
    Swales there today that take the neighbours' water, or lie in the low spot: cleared first.

    Of walls one that the water reaches when it has run past them keeps none of it off.
    """
    shares: dict[str, dict[str, float]] = {
        name: {} for name in (swales_in(result, low_spot) if low_spot is not None else ())
    }
    for row, way in result.run_on:
        at = row["geometry"].x, row["geometry"].y
        share = sum(one.share for one in causes if (one.x, one.y) == at)
        if share >= _WORTH / 2:
            for name in _swales_on(result, _before_walls(result, way, walls)):
                shares.setdefault(name, {})[f"crossing {row['id']}"] = share
    found = []
    for name, over in shares.items():
        why = "the low spot lies in its way"
        if over:
            told = f"{sum(over.values()) * 100:.0f} % of what comes"
            why = f"the neighbour's water ({told}, over {joined(tuple(over))}) runs in it"
        found.append(Remedy(Step.CLEAN, "drawn-swale", (name,), {"why": why}))
    return found


def _name(low_spot: Row) -> str:
    return f"low spot {low_spot['id']}"


def _kept(result: Result, low_spot: Row, why: str) -> Remedy:
    """A hollow that is not filled: the swale that it is part of cleared, or its way kept."""
    facts = {"why": why, "out": "own" if spills_on_lot(result, low_spot) else "beyond"}
    swales = swales_in(result, low_spot)
    if swales:
        return Remedy(Step.GRADE, "keep-swale", (_name(low_spot),), {"swale": joined(swales)})
    return Remedy(Step.GRADE, "keep-way", (_name(low_spot),), facts)


def keep_ways(
    result: Result, low_spots: Iterable[tuple[Row, Sequence[Cause]]]
) -> tuple[Remedy, ...]:
    """
    Give what is said instead of raising ground, for hollows that are not the owner's to fill.

    Parameters
    ----------
    result
        As published.
    low_spots
        Rows, each with the causes of its water.
    """
    return tuple(
        _kept(result, spot, why)
        for spot, water in low_spots
        if (why := way_of_others(result, spot, water))
    )


def is_drowned(result: Result, names: Collection[str]) -> bool:
    """Whether the outlet of inlets or lines, as drawn, stands under water and is no dry well."""
    lines = result.rows("drain_lines", case=result.state)
    ends = {row["outlet"] for row in lines if {row["name"], row["from_node"]} & set(names)}
    under = {
        one.subject
        for one in result.findings
        if one.rule == "outlet-under-water" and one.severity != "note"
    }
    return any(
        row["outlet"] in ends and {row["name"], row["from_node"], row["outlet"]} & under
        for row in lines
    )


def margins(
    result: Result, ends: Collection[str], inlets: Collection[str]
) -> list[tuple[str, str, float]]:
    """
    Inlet, outlet, and how far the water given for it may rise before it stands at the grate [m].

    The inlet that is reached first of each outlet; only where both levels are known. Negative
    where the water stands above the grate.
    """
    lines = result.rows("drain_lines", case=result.state)
    found = []
    for end in sorted(ends):
        levels = [
            row["water_level_m"]
            for row in result.rows("outlet_storms", case=result.state, name=end)
            if row.get("water_level_m") is not None
        ]
        rims = [
            (node["rim_m"], node["name"])
            for node in result.rows("nodes", case=result.state, kind="inlet")
            if node["name"] in inlets
            and node.get("rim_m") is not None
            and any(row["from_node"] == node["name"] and row["outlet"] == end for row in lines)
        ]
        if levels and rims:
            rim, name = min(rims)
            found.append((str(name), str(end), float(rim) - max(levels)))
    return found


def over_grate(result: Result, inlets: Collection[str]) -> tuple[str, str, float] | None:
    """
    Tell of the outlet whose water, as given, stands highest above a grate: it comes up out of it.

    Returns
    -------
    inlet, outlet, above
        How far above the grate [m]; None where no water given reaches a grate.
    """
    if not is_drowned(result, inlets):
        return None
    lines = result.rows("drain_lines", case=result.state)
    ends = {row["outlet"] for row in lines if row["from_node"] in inlets} - {None, ""}
    least = min(margins(result, ends, inlets), key=lambda one: one[2], default=None)
    return None if least is None or least[2] > 0 else (least[0], least[1], -least[2])


def _way_out(result: Result, low_spot: Row, openings: Sequence[Row]) -> Remedy:
    """
    Levels for a cut through the edge of a low spot that cannot be filled.

    Where it is known, the lowest place of the edge on the lot's own ground is named: `reach_m` is
    how far it lies above where the low spot runs over now, `length_m` how deep the cut is there
    that keeps water 6 in below the lowest sill. Where the ground behind lies no lower than that,
    no cut helps, and it is said how high it lies above the sill. Else, over an edge on the lot
    nobody else is asked.
    """
    at, sill = _place_of_edge(result, low_spot, openings), lowest_sill(openings)
    if not at or sill is None:
        others = " On others' ground it takes that owner's permission."
        facts = {"others": "" if spills_on_lot(result, low_spot) else others}
        return Remedy(Step.GRADE, "way-out", (), facts)
    level, behind = float(low_spot["own_edge_m"]), low_spot.get("behind_own_edge_m")
    if behind is not None and behind > sill["sill_m"] - CLEAR_M:
        return Remedy(
            Step.GRADE, "no-way-over", (str(sill["name"]),), {"where": at},
            above_m=behind - sill["sill_m"],
        )  # fmt: skip
    return Remedy(
        Step.GRADE, "way-out-over", (str(sill["name"]),),
        {"where": at, "beside": _beside_line(result, low_spot)},
        above_m=level - low_spot["spill_elevation_m"], length_m=level - sill["sill_m"] + CLEAR_M,
    )  # fmt: skip


#: A cut this near to the lot line [m] is told to stay on its own side: 2 m, lotflow's choice.
_NEAR_LINE_M: Final = 2.0


def _beside_line(result: Result, low_spot: Row) -> str:
    """Say that the own edge of a low spot lies beside the lot line, where it does."""
    lot, edge = lot_of(result), Point(low_spot["own_edge_x"], low_spot["own_edge_y"])
    if lot is None or lot.boundary.distance(edge) > _NEAR_LINE_M * result.per_metre:
        return ""
    away = lot.boundary.distance(edge) / result.per_metre
    told = Say(result.units)(away, "length")
    return f" The lot line is {told} from there: lead it along your own side as far as that falls."


def _place_of_edge(result: Result, low_spot: Row, openings: Sequence[Row]) -> str:
    """
    Say where the edge of a low spot is lowest on the lot's own ground; "" where nothing tells.

    By its distance and direction from its lowest opening, else from an inlet in it.
    """
    x, y = low_spot.get("own_edge_x"), low_spot.get("own_edge_y")
    inlets = result.inlets_of(low_spot)
    near = [*openings, *(row for row in result.rows("inlets") if row["name"] in inlets)]
    if x is None or y is None or not near:
        return ""
    edge, start = Point(x, y), near[0]["geometry"].centroid
    away = start.distance(edge) / result.per_metre
    towards = compass_name(edge.x - start.x, edge.y - start.y)
    return f"{Say(result.units)(away, 'distance')} {towards} of {near[0]['name']}"


def _no_fill(low_spot: Row, openings: Sequence[Row]) -> Remedy:
    """Says that a low spot cannot be filled to where it runs over, and by how much."""
    sill = lowest_sill(openings) or {}
    return Remedy(
        Step.GRADE, "no-fill", (str(sill.get("name", "")),),
        above_m=low_spot["spill_elevation_m"] - sill.get("sill_m", low_spot["spill_elevation_m"]),
    )  # fmt: skip


def of_walls(
    result: Result,
    walls: Sequence[Row],
    causes: Sequence[Cause],
    downspouts: Sequence[Downspout],
    standing: Collection[str] = (),
) -> tuple[Remedy, ...]:
    """
    Give what helps where the ground falls to a wall.

    Parameters
    ----------
    result
        As published.
    walls
        Rows of their facades.
    causes
        Of the water there.
    downspouts
        That end at walls and are not piped by the plan.
    standing
        Names of walls that stand in a low spot: raised there, the ground sheds nothing.
    """
    past = _run_on_off(result, causes, None, walls)
    if past is not None and past.what != "swale" and walls and walls[0]["name"] in standing:
        past = None  # asked at the low spot
    found = [past, *_drawn_swales(result, causes, walls=walls)]
    for what in ("lead-away", "pipe-away", "no-ground"):
        names = tuple(one.told for one in downspouts if one.remedy == what)
        if names:
            found.append(Remedy(Step.ROOF, what, names))
    theirs = others_roofs(result)
    eaves = tuple(
        one.subject for one in causes if one.source is Source.EAVES and one.subject not in theirs
    )
    if eaves:
        found.append(Remedy(Step.ROOF, "gutter", eaves))
    found += [one for one in _roofs_off(causes, theirs) if one.what == "ask-gutter"]
    raised = raised_walls(result, walls, standing)
    found += _raised(raised)
    rest = [wall for wall in walls if wall not in raised]
    ways = {
        wall["name"]: way
        for wall in rest
        if wall["name"] not in standing
        and (way := result.row("swale_ways", wall=wall["name"])) is not None
    }
    found += _not_raised(result, rest, standing, ways)
    if not ways or (past is not None and past.what == "swale"):
        return in_order(one for one in found if one is not None)
    first = next(iter(ways))
    if first == walls[0]["name"]:
        found = [one for one in found if one is not past]  # the swale takes the run-on too
    swale = Remedy(
        Step.SWALE, "swale-round", tuple(ways), {"side": _towards(ways[first]["geometry"])},
        length_m=ways[first]["length_m"],
        reach_m=ways[first]["fall_m"], above_m=ways[first]["cut_m"],
    )  # fmt: skip
    roofs = share_of(causes, Source.ROOF) + share_of(causes, Source.EAVES)
    others = in_order(one for one in found if one is not None)
    # roof water first, where it is much of what comes
    return in_order([*others, swale]) if roofs >= _WORTH else (swale, *others)


def _towards(way: LineString) -> str:
    """
    Name the directions in which a way begins and ends.

    Examples
    --------
    >>> _towards(LineString([(9, 0), (0, 0), (0, 9)]))
    'west, then the north'
    """
    begins, ends = (
        compass_name(last.x - first.x, last.y - first.y)
        for first, last in (
            (way.interpolate(low, normalized=True), way.interpolate(high, normalized=True))
            for low, high in ((0.0, 1 / 3), (2 / 3, 1.0))
        )
    )
    return begins if begins == ends else f"{begins}, then the {ends}"


def _raised(walls: Sequence[Row]) -> list[Remedy]:
    """Ground raised to fall away from walls, by its surface and its reach."""
    by_kind: dict[tuple[str, float], list[str]] = {}
    for wall in walls:
        what = "relevel-walls" if wall.get("surface") == "paving" else "regrade"
        by_kind.setdefault((what, round(wall["reach_m"], 2)), []).append(wall["name"])
    return [
        Remedy(Step.GRADE, what, tuple(names), reach_m=reach)
        for (what, reach), names in by_kind.items()
    ]


def _not_raised(
    result: Result, walls: Sequence[Row], standing: Collection[str], ways: Collection[str]
) -> list[Remedy]:
    """
    Walls at which ground is not raised, by the reason.

    Where no way for a swale was found, it is asked on site whether ground may be lowered: water
    that falls to a wall takes its way along it today, and a cut would lead it another way.
    """
    whys: dict[tuple[str, str, bool], list[str]] = {}
    for wall in walls:
        why = "low spot" if wall["name"] in standing else why_not_raised(result, wall)
        near = joined([
            str(row["name"])
            for row in openings_of(result, wall)
            if (row.get("kind") == PAD) == (why == "pad")
        ])  # fmt: skip
        key = (why, near if why in ("sill", "pad") else "", wall["name"] in ways)
        whys.setdefault(key, []).append(wall["name"])
    return [
        Remedy(
            Step.GRADE,
            "standing" if why == "low spot" else "neither-swale" if has_way else "neither",
            tuple(names), {"why": why, "sill": near},
        )
        for (why, near, has_way), names in whys.items()
    ]  # fmt: skip


def raised_walls(result: Result, walls: Sequence[Row], standing: Collection[str] = ()) -> list[Row]:
    """Walls at which the ground may be raised to fall away, as far as the result shows."""
    return [
        wall for wall in walls if wall["name"] not in standing and not why_not_raised(result, wall)
    ]


def of_run(run: Run, *, may_be_outlet: bool = False) -> tuple[Remedy, ...]:
    """
    Give what is done with a run of old pipe.

    `may_be_outlet` tells that the drains that replace it have no other outlet.
    """
    key = {
        Verdict.LOOK: "find-outlet" if run.is_replaced and may_be_outlet
        else "find-replaced" if run.is_replaced
        else "find-level" if run.has_end else "find",
        Verdict.ABANDON: "abandon", Verdict.RELAY: "relay",
        Verdict.REPAIR: "larger-grate" if run.lacks_grate else "repair",
        Verdict.CLEAN: "clean", Verdict.KEEP: "keep",
    }[run.verdict]  # fmt: skip
    return (Remedy(Step.CLEAN, key, run.places or run.lines),)


def without_outlet(
    inlets: Sequence[str],
    causes: Sequence[Cause],
    *,
    drowned: Sequence[str],
    soaks: Sequence[str],
    can_be_raised: bool = True,
    kept: Sequence[Remedy] = (),
    traced: Sequence[str] = (),
    nearly: str = "",
    theirs: Collection[str] = (),
) -> tuple[Remedy, ...]:
    """
    Give what is left where gravity finds no way out.

    Parameters
    ----------
    inlets
        That have none.
    causes
        Of their water.
    drowned
        Outlets drawn that stand under water.
    soaks
        Dry wells that they drain to.
    can_be_raised
        Whether their ground may be filled to where it sheds over the surface.
    kept
        What is done instead where it may not, since it is the way of others' water.
    traced
        Old pipes of which nobody knows where they end: one may be the outlet.
    nearly
        A lower place that a pipe with less cover and fall may still reach.
    theirs
        Roofs that are not the owner's.
    """
    found = _roofs_off(causes, theirs)
    if traced:
        found.append(Remedy(Step.CLEAN, "trace-first", tuple(traced)))
    if can_be_raised:
        found += kept or [Remedy(Step.GRADE, "raise-terrace", tuple(inlets))]
    if soaks:
        found.append(Remedy(Step.SOAK, "pit-test", tuple(soaks)))
    if nearly:
        found.append(Remedy(Step.INLET, "less-cover", (nearly,)))
    if drowned:
        found.append(Remedy(Step.PUMP, "flap", tuple(drowned)))
    found.append(Remedy(Step.PUMP, "pump"))
    return in_order(found)


def others_roofs(result: Result) -> frozenset[str]:
    """Roofs that are not the owner's, as causes name them."""
    return frozenset(f"roof of {name}" for name in others_buildings(result))


def _roofs_off(causes: Sequence[Cause], theirs: Collection[str]) -> list[Remedy]:
    """
    Roof water led elsewhere, where it is much of what comes.

    Of a downspout of one's own less is worth it: nobody else is asked. On a neighbour's building
    nothing is ordered.
    """
    found = []
    for source, is_theirs, what, worth in (
        (Source.ROOF, False, "roof-elsewhere", _WORTH / 2), (Source.EAVES, False, "gutter", _WORTH),
        (Source.EAVES, True, "ask-gutter", _WORTH),
    ):  # fmt: skip
        shares = [
            (one.subject.partition(" (")[0], one.share)
            for one in causes
            if one.source is source and (one.subject in theirs) == is_theirs
        ]
        names = tuple(dict.fromkeys(name for name, share in shares if share >= 0.05))
        share = sum(share for name, share in shares if name in names)
        if names and share >= worth:
            is_volume = any(one.is_volume for one in causes)
            facts = {"share": f"{share * 100:.0f} %", "by": "" if is_volume else " by area"}
            found.append(Remedy(Step.ROOF, what, names, facts))
    return found


def _run_on_off(
    result: Result, causes: Sequence[Cause], above_m: float | None, walls: Sequence[Row] = ()
) -> Remedy | None:
    """
    Water from neighbours turned past on the lot's own ground, where that can be shown; else asked.

    A swale follows the way the water takes today, off the walls, to where it leaves today; of a
    low spot it must come on above the level at which that runs over.
    """
    across: list[tuple[str, float, str, float]] = []
    rest: list[tuple[str, float]] = []
    for row, way in result.run_on:
        at = row["geometry"].x, row["geometry"].y
        share = sum(one.share for one in causes if (one.x, one.y) == at)
        held = any(one.held_m2 > 0.5 * one.amount for one in causes if (one.x, one.y) == at)
        if share < _WORTH / 2 or held:
            continue  # what hollows above keep does not come
        if _swales_on(result, _before_walls(result, way, walls)):
            continue  # the swale is told of
        along = None
        if above_m is None or row["elevation_m"] > above_m:
            along = swale_along(result, row)
        if along is not None:
            across.append(
                (f"crossing {row['id']}", share, f"crossing {along.end['id']}", along.length_m)
            )
        else:
            rest.append((f"crossing {row['id']}", share))
    if sum(one[1] for one in across) >= _WORTH:
        _, _, to, way_m = max(across, key=lambda one: one[1])
        same = [one for one in across if one[2] == to]
        facts = {"share": f"{sum(one[1] for one in same) * 100:.0f} %", "to": to}
        return Remedy(Step.SWALE, "swale", tuple(one[0] for one in same), facts, way_m)
    share = sum(one[1] for one in rest)
    if share < _WORTH:
        return None
    facts = {"share": f"{share * 100:.0f} %"}
    lower = [
        str(row["place"])
        for row in result.rows("outlet_options", verdict="reachable")
        if row["kind"] in ("street", "curb") and row.get("place")
    ]
    if lower:
        facts["lower_place"] = (
            f"{lower[0]} lies lower by the data: look for a way to it, under any walk, with the "
            "town's permit"
        )
    return Remedy(Step.SWALE, "ask-run-on", tuple(one[0] for one in rest), facts)


def earth_to_fill(walls: Sequence[Row]) -> tuple[float, float, float]:
    """
    Estimate the earthwork that makes ground fall away from walls.

    Parameters
    ----------
    walls
        Rows of their facades.

    Returns
    -------
    volume_m3, area_m2, length_m
        A wedge against each wall: as high there as the fall is short of its limit over the reach,
        nothing at its foot.

    Examples
    --------
    >>> wall = {"length_m": 10.0, "reach_m": 3.0, "slope": -0.05, "slope_limit": 0.05}
    >>> earth_to_fill([wall])
    (4.5, 30.0, 10.0)
    """
    volume = area = length = 0.0
    for wall in walls:
        reach, along = wall["reach_m"] or 0.0, wall["length_m"] or 0.0
        rise = max(wall["slope_limit"] - (wall["slope"] or 0.0), 0.0) * reach
        volume += rise * reach / 2 * along
        area += reach * along
        length += along
    return volume, area, length


def _feet(size: str) -> float | None:
    """
    Give the length of a piece that is not sold by the foot in feet; None for other units.

    Examples
    --------
    >>> _feet("39 in"), _feet("10 ft")
    (3.25, None)
    """
    number, _, unit = size.partition(" ")
    per_unit = {"m": 1.0 / METRES_PER_FOOT, "in": 1.0 / 12.0}.get(unit)
    return None if per_unit is None else float(number) * per_unit


def drains_to_order(result: Result) -> list[str]:
    """Give what the proposed drains take, in the words of the table of quantities."""
    told: list[str] = []
    trench: dict[str, float] = {}
    for row in result.rows("quantities"):
        item, unit = str(row["item"]), str(row["unit"])
        if item.startswith("trench"):
            trench[unit] = trench.get(unit, 0.0) + float(row["quantity"])
        elif item.startswith(_WORTH_NAMING) and not item.endswith(_SMALL_PARTS):
            count = f"{row['quantity']:g}"
            size = unit.removesuffix(" length").removesuffix(" section")
            in_feet = _feet(size) if result.units == "us" else None
            if in_feet is not None:
                long = f"{float(row['quantity']) * in_feet:.1f}".removesuffix(".0")
                told.append(f"{long} ft of {item.removesuffix(' section')}")
                continue
            told.append(f"{count} × {item}" if unit == "each" else f"{count} × {size} of {item}")
    told += [f"{length:.0f} {unit} of trench" for unit, length in trench.items()]
    return told
