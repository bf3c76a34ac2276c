"""The sentences of the answer, in the trade's plain words, written from facts alone."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from lotflow.advice.causes import Cause, Source
from lotflow.advice.inlets import lines_not_counted
from lotflow.advice.say import hours as whole_hours
from lotflow.units import open_range

if TYPE_CHECKING:
    from lotflow.advice.result import Row
    from lotflow.advice.say import Say

_SOURCES: Final[Mapping[Source, str]] = {
    Source.ROOF: "roof", Source.EAVES: "roof, off its eaves", Source.OWN: "your own yard",
    Source.NEIGHBOUR: "from the neighbour", Source.DRAIN: "up out of the drain",
    Source.INLET: "past other inlets",
}  # fmt: skip


def source(value: str) -> str:
    """
    Say where water comes from.

    Examples
    --------
    >>> source("neighbour")
    'from the neighbour'
    """
    return _SOURCES[Source(value)]


def joined(names: Sequence[str], most: int = 6) -> str:
    """
    Say names in a sentence.

    Examples
    --------
    >>> joined(["a", "b", "c"]), joined([])
    ('a, b and c', '')
    """
    told = list(dict.fromkeys(names))
    if len(told) > most:
        told = [*told[: most - 1], f"{len(told) - most + 1} more"]
    return " and ".join([", ".join(told[:-1]), told[-1]] if len(told) > 1 else told)


def sentence(text: str) -> str:
    """Begin a sentence with a capital, and end it."""
    text = text.strip()
    return text if not text else text[0].upper() + text[1:] + ("" if text[-1] in ".?!" else ".")


def after(text: str) -> str:
    """
    Give a text to follow another; empty where it says nothing.

    Examples
    --------
    >>> after("It rained."), after("")
    (' It rained.', '')
    """
    return f" {text}" if text else ""


def cause(say: Say, one: Cause) -> str:
    """
    Say one cause with its evidence.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> cause(Say("metric"), Cause(Source.NEIGHBOUR, "crossing 4", 0.81, 312.0))
    '81 % by area from the neighbour: 312 m² over the lot line at crossing 4'
    """
    amount = say(one.amount - one.held_m2, "volume" if one.is_volume else "area")
    where = {
        Source.ROOF: f"{amount}, {one.subject}" if one.subject else amount,
        Source.EAVES: f"{amount}, {one.subject}",
        Source.OWN: f"{amount} of the lot",
        Source.NEIGHBOUR: f"{amount} over the lot line at {one.subject or 'no one place'}",
        Source.DRAIN: f"{amount} that {one.subject} has no room for",
        Source.INLET: f"{amount} that {one.subject} lets pass",
    }[one.source]
    if one.is_volume:
        where += " in the design storm"
    elif one.held_m2:
        held = say(one.held_m2, "area")
        where += f"; hollows above keep the water of {held} more in the design storm"
    by = "" if one.is_volume else " by area"
    return f"{percent(one.share)}{by} {_SOURCES[one.source]}: {where}"


def percent(share: float) -> str:
    """
    Say a share.

    Examples
    --------
    >>> percent(0.333)
    '33 %'
    """
    return f"{share * 100:.0f} %"


def names_or(names: Sequence[str], one: str, several: str) -> str:
    """
    Say names with the verb in its number.

    Examples
    --------
    >>> names_or(["A", "B"], "is", "are")
    'A and B are'
    """
    return f"{joined(names)} {several if len(set(names)) > 1 else one}"


def at_sill(say: Say, freeboard_m: float) -> str:
    """
    Say how high water stands at a sill.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> at_sill(Say("metric"), -0.088), at_sill(Say("metric"), 0.002)
    ('0.09 m above the sill', 'to the sill')
    """
    if abs(freeboard_m) < 0.005:
        return "to the sill"
    return f"{say(abs(freeboard_m), 'depth')} {'above' if freeboard_m < 0 else 'below'} the sill"


def water_at_opening(
    say: Say,
    opening: Row,
    depth_m: float,
    inlets: Sequence[str],
    *,
    nothing_today: bool,
    again_yr: float | None = None,
) -> str:
    """Say what a low spot does to an opening; `again_yr` is the storm that does it once built."""
    full = at_sill(say, opening["freeboard_m"])
    told = f"{opening['name']} stands in a low spot {say(depth_m, 'depth')} deep"
    if nothing_today:
        told += f" that nothing drains today: full, the water stands {full}"
        if again_yr is not None:
            which = names_or(inlets, "is", "are both" if len(set(inlets)) == 2 else "are all")
            does = "it may still reach the sill" if opening["freeboard_m"] <= 0 else "it may fill"
            told += f"; once built, {does} from the {again_yr:g}-year storm on if {which} blocked"
        return sentence(told)
    if inlets:
        return sentence(
            f"{told}: with {names_or(inlets, 'is', 'all').removesuffix(' is')} blocked, the water "
            f"rises {_to(full)} before it runs over"
        )
    return sentence(f"{told}: full, the water stands {full}")


def _to(full: str) -> str:
    return full if full.startswith("to ") else f"to {full}"


#: Depths that differ by less are told as one [m].
_SAME_DEPTH_M: Final = 0.01


def at_walls(names: Sequence[str]) -> str:
    """
    Say at which walls something stands.

    Examples
    --------
    >>> at_walls(["House, south side"]), at_walls([])
    ('at House, south side', 'at the house')
    """
    return f"at {joined(names)}" if names else "at the house"


def water_that_stands(
    say: Say, place: str, spot: Row, inlets: Sequence[str], *, nothing_today: bool
) -> str:
    """Say what a low spot holds."""
    deep, area = spot["depth_m"], spot["area_m2"]
    own, own_m2 = spot.get("on_lot_depth_m"), spot.get("on_lot_m2") or 0.0
    beyond = ""
    if own is not None and own < deep - _SAME_DEPTH_M:
        beyond = f" of your lot, beyond it up to {say(deep, 'depth')} deep"
        deep, area = own, own_m2
    told = f"water stands {place}, up to {say(deep, 'depth')} deep over {say(area, 'area')}{beyond}"
    if nothing_today:
        told += f"; nothing drains it today, {names_or(inlets, 'is', 'are')} meant to"
    elif inlets:
        told += f", whenever {names_or(inlets, 'is', 'are')} blocked"
    return sentence(told)


def if_levels_hold(text: str) -> str:
    """Say that the data do not tell this for sure."""
    return (
        f"If it is there: {text[0].lower()}{text[1:]}"
        if text.startswith(("Water", "A closed"))
        else f"If it is there: {text}"
    )


def low_spot_evidence(say: Say, spot: Row, openings: Sequence[Row], inlets: Sequence[Row]) -> str:
    """Say the figures behind what is told of a low spot."""
    told = [
        f"Low spot {spot['id']}: {say(spot['depth_m'], 'depth')} deep, "
        f"{say(spot['area_m2'], 'area')}, {say(spot['volume_m3'], 'volume')}; it runs over at "
        f"{say(spot['spill_elevation_m'], 'elevation')}"
    ]
    told += [
        f"{one['name']}: sill at {say(one['sill_m'], 'elevation')}"
        for one in openings
        if one.get("sill_m") is not None
    ]
    if spot.get("probability") is not None:
        share = percent(spot["probability"])
        told.append(f"the chance that it is there is {share}, by the error of the data")
    told += [catchment_range(say, one) for one in inlets]
    if spot.get("artefact"):
        told.append(f"but {spot['artefact']}")
    return sentence("; ".join(told))


def at_neighbours(names: Sequence[str]) -> str:
    """
    Say that water stands at neighbours' houses as well.

    Examples
    --------
    >>> at_neighbours(["Neighbour 3"]), at_neighbours([])
    (" It stands at a neighbour's building too: Neighbour 3.", '')
    """
    if not names:
        return ""
    whose = "a neighbour's building" if len(names) == 1 else f"{len(names)} neighbours' buildings"
    return f" It stands at {whose} too: {joined(names)}."


def catchment_range(say: Say, inlet: Row) -> str:
    """
    Say what an inlet takes: its range where the data leave it open.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> inlet = {"name": "A", "catchment_m2": 8.0, "catchment_m2_p05": 8.0,
    ...          "catchment_m2_p95": 1600.0}
    >>> catchment_range(Say("metric"), inlet)
    'A takes 8 to 1,600 m² (the data leave it open)'
    """
    value = inlet.get("catchment_m2") or 0.0
    between = open_range(value, inlet.get("catchment_m2_p05"), inlet.get("catchment_m2_p95"))
    if between is None:
        return f"{inlet['name']} takes {say(value, 'area')}"
    return f"{inlet['name']} takes {say_range(say, *between)} (the data leave it open)"


def say_range(say: Say, low: float, high: float, quantity: str = "area") -> str:
    """Say a range; the unit once where there is only one."""
    least, most = say(low, quantity), say(high, quantity)
    number, _, unit = least.rpartition(" ")
    return f"{number if say.units is not None and most.endswith(unit) else least} to {most}"


def slope(value: float) -> str:
    """
    Say a fall at a wall.

    Examples
    --------
    >>> slope(-0.0643), slope(0.02)
    ('6.4 % towards it', '2.0 % away from it')
    """
    return f"{abs(value) * 100:.1f} % {'towards' if value < 0 else 'away from'} it"


#: Share of the neighbour's water from which a wall's first sentence tells of it.
_MUCH: Final = 0.3


def walls_harm(
    say: Say,
    walls: Sequence[Row],
    causes: Sequence[Cause],
    downspouts: Sequence[str],
    hollow: Mapping[str, int],
    *,
    taken: Mapping[str, str] | None = None,
    reverse: Collection[str] = (),
    left_open: Collection[str] = (),
    more: Mapping[str, float] | None = None,
) -> str:
    """
    Say that ground falls to walls, what runs on to the first, and what roofs add.

    Parameters
    ----------
    say
        Says a number.
    walls
        Rows of their facades, the worst first.
    causes
        Of the water at the first.
    downspouts
        That end at walls.
    hollow
        Low spots that walls stand in.
    taken
        Inlets that take the water of a crossing once they are built.
    reverse
        Walls of which the data show too little fall, but not that it is towards them.
    left_open
        Inlets of which the data leave the catchment open.
    more
        Walls after the first to which more water runs, with the area it comes from [m^2].
    """
    told = []
    beyond = [one for one in causes if one.source is Source.NEIGHBOUR]
    if walls:
        worst, others = walls[0], walls[1:]
        run_on = _runs_to(say, beyond, taken or {}, left_open)
        fall = slope(worst["slope"]).replace(" it", " the wall")
        if worst["name"] in reverse:
            told.append(f"at {_wall(say, worst)} {_not_sure(worst['slope'])}{run_on}")
        else:
            told.append(
                f"at {_wall(say, worst)} the ground falls {fall} at its worst place{run_on}"
            )
        if worst["name"] in hollow:
            told[0] = f"{told[0]}; low spot {hollow[worst['name']]} stands there"
        if others:
            names = []
            for one in others:
                fall = slope(one["slope"])
                if one["name"] in reverse:
                    fall = f"{fall}, not certain" if one["slope"] < 0 else "too flat"
                where = f", low spot {hollow[one['name']]}" if one["name"] in hollow else ""
                long = (
                    f"{say(one['length_m'], 'length')} long, " if one["name"][-1].isdigit() else ""
                )
                much = (more or {}).get(one["name"])
                water = "" if much is None else f", the water of {say(much, 'area')} runs to it"
                names.append(f"{one['name']} ({long}{fall}{where}{water})")
            told.append(f"also at {joined(names)}")
    if downspouts:
        told.append(f"{names_or(downspouts, 'discharges', 'discharge')} at the wall")
    return sentence("; ".join(told))


def _runs_to(
    say: Say, beyond: Sequence[Cause], taken: Mapping[str, str], left_open: Collection[str]
) -> str:
    """Say how much water from beyond the lot line runs to a wall, and what is to take it."""
    if sum(one.share for one in beyond) < _MUCH:
        return ""
    told = f", and water from {say(sum(one.amount for one in beyond), 'area')} beyond the lot line "
    told += "runs to it"
    inlets = [name for at, name in taken.items() if at in {one.subject for one in beyond}]
    if inlets:
        told += " today"
    if held := sum(one.held_m2 for one in beyond):
        told += f", {say(held, 'area')} of it only when hollows above run over"
    if not inlets:
        return told
    unsure = ", if it runs there: the data leave that open" if set(inlets) & set(left_open) else ""
    return f"{told}; as proposed {joined(inlets)} is to take it{unsure}"


def _not_sure(fall: float) -> str:
    """Say a fall of which the data do not tell the direction."""
    if fall >= 0:
        return f"the ground does not fall away enough, {percent(fall)} by the data"
    return (
        f"the ground falls towards the wall, {abs(fall) * 100:.1f} % at its worst place by the "
        "data, not certain"
    )


def _wall(say: Say, wall: Row) -> str:
    """Name a wall; one of several on a side, which an owner cannot count, with its length."""
    name = str(wall["name"])
    return f"{name} ({say(wall['length_m'], 'length')} long)" if name[-1].isdigit() else name


def run_of(wall: Row) -> float:
    """
    Give the length over which the fall at a wall was taken, at its worst place [m].

    Examples
    --------
    >>> run_of({"fall_m": -0.13, "slope": -0.065, "reach_m": 3.048})
    2.0
    """
    if not wall.get("fall_m") or not wall.get("slope"):
        return float(wall["reach_m"])
    return float(wall["fall_m"] / wall["slope"])


def walls_evidence(say: Say, walls: Sequence[Row]) -> str:
    """Say the slopes with what the data allow."""
    return " ".join(
        sentence(
            f"{one['name']}: {slope(one['slope'])} over {say(run_of(one), 'length')} at its "
            f"worst place, by the error of the data between {slope(one['slope_low'])} and "
            f"{slope(one['slope_high'])}; {percent(one['slope_limit'])} away is the least"
        )
        for one in walls
    )


def _above_ground(say: Say, above_m: float) -> str:
    """
    Say how high a sill lies above the ground.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> _above_ground(Say("metric"), 0.05), _above_ground(Say("metric"), -0.02)
    ('only 0.05 m above', '0.02 m below')
    """
    told = say(abs(above_m), "depth")
    return f"{told} below" if above_m < 0 else f"only {told} above"


def low_sills(say: Say, openings: Sequence[Row], walls: Mapping[str, str] | None = None) -> str:
    """Say which sills lie low above the ground, the lowest first; `walls` are theirs, by name."""
    told: list[str] = []
    for one in sorted(openings, key=lambda one: float(one["above_ground_m"])):
        part = "threshold" if one.get("kind") == "garage" else "sill"
        high = _above_ground(say, float(one["above_ground_m"]))
        at = f" ({(walls or {})[one['name']]})" if one["name"] in (walls or {}) else ""
        told.append(
            f"the {part} of {one['name']}{at} {high.removesuffix(' above')}" if told
            else f"the {part} of {one['name']}{at} lies {high} the ground in front of it"
        )  # fmt: skip
    return sentence(f"by the data {', '.join(told)}") if told else ""


def below_grates(say: Say, inlets: Sequence[Row]) -> str:
    """Say of which inlets the grate is not the low point of their hollow."""
    return "".join(
        " " + sentence(
            f"the grate of {one['name']} is not the low point there: by the data "
            f"{say(one['residual_depth_m'], 'depth')} of water stays below it"
        )
        for one in inlets
    )  # fmt: skip


def level_first(walls: Sequence[Row]) -> str:
    """Say at which other walls the data cannot tell, although the ground seems to fall there."""
    return " ".join(
        sentence(
            f"{one['name']}: {slope(one['slope'])} at its worst place, between "
            f"{slope(one['slope_low'])} and {slope(one['slope_high'])}: the data cannot tell, "
            "take its levels first"
        )
        for one in walls
    )


def stands_long(hours: float, limit_h: float) -> str:
    """
    Say that water stands longer than is borne anywhere.

    Examples
    --------
    >>> stands_long(528.5, 72.0)
    'Once wet it takes 529 h to drain and soak away; 72 h is the limit anywhere.'
    """
    return (
        f"Once wet it takes {whole_hours(hours)} to drain and soak away; {limit_h:g} h is the "
        "limit anywhere."
    )


def run_on(
    say: Say, rows: Sequence[Row], total_m2: float, at_least: bool, leaves: Sequence[Row] = ()
) -> str:
    """Say where water comes onto the lot, and where most of it leaves."""
    least = "at least " if at_least else ""
    places = joined([_coming_on(say, row) for row in rows])
    told = f"water from {least}{say(total_m2, 'area')} beyond the lot comes on, most here: {places}"
    off = joined([f"crossing {row['id']} ({say(row['area_m2'], 'area')})" for row in leaves])
    return sentence(f"{told}; most leaves at {off}" if off else told)


def _coming_on(say: Say, row: Row) -> str:
    """Say how much comes on at a crossing, and how much of it has been on the lot before."""
    told = f"{say(row['area_m2'], 'area')} at crossing {row['id']}"
    if row["first_m2"] > 0.9 * row["area_m2"]:
        return told
    return f"{told} (all but {say(row['first_m2'], 'area')} of it has crossed the lot before)"


_ACROSS: Final = {-1: "west", 0: "", 1: "east"}
_UP: Final = {-1: "south", 0: "", 1: "north"}


def in_part(part: tuple[int, int], name: str) -> str:
    """
    Say in which part of the lot a place lies.

    Examples
    --------
    >>> in_part((1, -1), "low spot 3"), in_part((0, 0), "low spot 1")
    ('in the south-east of the lot (low spot 3)', 'in the middle of the lot (low spot 1)')
    """
    sides = [side for side in (_UP[part[1]], _ACROSS[part[0]]) if side]
    return f"in the {'-'.join(sides) or 'middle'} of the lot ({name})"


def nothing_stands(say: Say, limit_m: float | None, *, others: bool) -> str:
    """Say that no low spot lies on the lot, or no other."""
    if others:
        return sentence("no other standing water on your lot")
    deep = (
        f" deeper than {say(limit_m, 'depth')}, the smallest depth the data can show"
        if limit_m
        else ""
    )
    return sentence(f"no water stands on your lot{deep}")


def elsewhere(on_lot: int, off_lot: int, artefacts: Mapping[str, int]) -> str:
    """
    Say in one line what other low spots there are, and what would remove those that are none.

    Examples
    --------
    >>> elsewhere(0, 1, {"under buildings": 2})
    'Low spots beside that: 1 off the lot; 2 that are likely none (under buildings).'
    """
    told = [f"{on_lot} more on the lot"] if on_lot else []
    told += [f"{off_lot} off the lot"] if off_lot else []
    told += [
        f"{count} that {'is' if count == 1 else 'are'} likely none ({why})"
        for why, count in artefacts.items()
    ]
    return f"Low spots beside that: {'; '.join(told)}." if told else ""


def quantities(say: Say, volume_m3: float, area_m2: float, length_m: float | None = None) -> str:
    """Say what earthwork takes."""
    along = f" along {say(length_m, 'length')} of wall" if length_m else ""
    return sentence(f"about {say(volume_m3, 'volume')} of fill over {say(area_m2, 'area')}{along}")


#: Less than this of what stays on sealed ground is a film [m]; as `pond_depth_m` of the criteria.
_FILM_M: Final = 0.01


def not_gone(hours: float | None, stays_m: float | None) -> str:
    """
    Say how long water stands where that is no number of hours; empty where it is one.

    Parameters
    ----------
    hours
        Until it has soaked away, where the ground takes any; None where it takes none.
    stays_m
        What stays on sealed ground until it dries [m].
    """
    if hours is None:
        return "never"
    return "until it dries" if (stays_m or 0.0) >= _FILM_M else ""


def closed(inlets: Sequence[str], storm_yr: float | None, old: Sequence[str] = ()) -> str:
    """Say what a low spot is; `old` are inlets that stand in it today and will not stay."""
    told = "a closed low spot, no way out over the ground until it is full"
    if inlets:
        told += f"; only {names_or(inlets, 'empties', 'empty')} it"
        told += f" as proposed, today {joined(old)}" if old else ""
    if storm_yr is not None:
        told += f"; undrained, a {storm_yr:g}-year storm fills it"
    return sentence(told)


def with_inlets_open(
    say: Say, storms: Sequence[tuple[float, float, float]], *, has_inlets: bool
) -> str:
    """Say what stands at an opening although no inlet is blocked: storm, depth, freeboard."""
    when = "Even with nothing blocked, in" if has_inlets else "In"
    storm_yr, depth_m, freeboard_m = storms[0]
    told = (
        f"{when} the {storm_yr:g}-year storm it stands {say(depth_m, 'depth')} deep there, "
        f"{at_sill(say, freeboard_m)}"
    )
    told += "".join(f"; in the {year:g}-year storm {at_sill(say, f)}" for year, _, f in storms[1:])
    return sentence(told)


def without_old_lines(lines: Sequence[str]) -> str:
    """Say that levels rest on nothing being taken by old lines of which too little is known."""
    return sentence(lines_not_counted(lines))


def with_one_blocked(say: Say, name: str, storm_yr: float, freeboard_m: float) -> str:
    """Say that one blocked inlet is enough, or how near it brings water to the sill."""
    if freeboard_m > 0:
        return sentence(
            f"with {name} alone blocked, water stands {at_sill(say, freeboard_m)} in the "
            f"{storm_yr:g}-year storm"
        )
    return sentence(
        f"{name} alone blocked is enough: the {storm_yr:g}-year storm then stands "
        f"{at_sill(say, freeboard_m)}"
    )


def as_drawn_takes(items: Sequence[str]) -> str:
    """Say what the drains take as drawn."""
    return f"{sentence('drains as drawn, all of them: ' + joined(items, 9))}" if items else ""


def run_on_evidence(
    say: Say, total_m2: float, leaves: Sequence[Row], *, proposed: bool = False
) -> str:
    """Say how the run-on was counted, and where most water leaves."""
    said = (
        f"Each cell counted once, {say(total_m2, 'area')} in all. What crosses the line more than "
        "once is in the figure of each crossing: do not add them."
    )
    places = joined([f"crossing {row['id']} ({say(row['area_m2'], 'area')})" for row in leaves])
    drains = " with the drains as proposed" if proposed else ""
    return f"{said} Most leaves at {places}{drains}." if leaves else said


def more_low_spots(count: int) -> str:
    """Say that the lot holds other low spots."""
    return sentence(f"{count} more low spot{'s' if count > 1 else ''} on the lot, of less weight")


def artefact(why: str, *, has_buildings: bool) -> str:
    """Say what would remove a low spot that is none."""
    missing = "the neighbours' footprints" if has_buildings else "footprints (--buildings)"
    if why.startswith("a rain garden"):
        return "rain gardens: dug to hold water"
    if why.startswith(("inside", "between", "under")):
        return f"under buildings: {missing} remove them"
    return f"deep or behind a bank: {missing}, or a culvert once it is found and drawn, remove them"


def left(rows: Sequence[tuple[str, str]]) -> str:
    """
    Say what is broken still.

    Examples
    --------
    >>> left([("Back door", "water enters at the sill")]), left([])
    ('After it there is still: water enters at the sill (Back door).', '')
    """
    by_subject: dict[str, str] = {}
    for subject, kind in rows:
        by_subject.setdefault(subject, kind)
    if not by_subject:
        return ""
    kinds: dict[str, list[str]] = {}
    for subject, kind in by_subject.items():
        kinds.setdefault(kind, []).append(subject)
    every = len(by_subject)
    told = "; ".join(f"{kind} ({joined(names, every)})" for kind, names in kinds.items())
    return f"After it there is still: {told}."


def also(place: str, harm: str) -> str:
    """Say an item that was folded into another."""
    return sentence(f"also {place}: {harm}")
