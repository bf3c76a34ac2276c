"""The sentences of the answer, in the trade's plain words, written from facts alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from lotflow.advice.causes import Cause, Source
from lotflow.units import open_range

if TYPE_CHECKING:
    from lotflow.advice.remedies import Remedy
    from lotflow.advice.result import Row
    from lotflow.advice.say import Say
    from lotflow.advice.verdicts import Run
    from lotflow.findings import Finding

#: What a person does, by the key of the remedy; {names} are what is worked on.
_REMEDIES: Final[Mapping[str, str]] = {
    "find-culvert": "Look for a culvert or drain that empties it; if there is one, clear it.",
    "find": "Find where {names} {end}: dye first, then a camera or a sonde. Connect nothing to it "
    "before that; if the end is not found, give the run up as one and cap it.",
    "abandon": "Do not use {names} again: the proposed drains take {its} place. Cap {it} where "
    "{it_is} met.",
    "relay": "Relay {names} as one, with fall to the outlet and glued or gasketed joints.",
    "repair": "Open and repair {names}; leave the rest of the run.",
    "clean": "Jet {names} and look at the outlet while the water runs.",
    "keep": "Keep {names} as found.",
    "roof-elsewhere": "Take the roof water out of it ({names}; {share} of what comes): to another "
    "side, or in a pipe of its own.",
    "gutter": "Hang a gutter on the {names} and lead its water away from the house.",
    "lead-away": "Lead {names} at least {away} from the wall, onto ground that falls, or into a "
    "pipe of {its} own.",
    "swale": "Turn the neighbour's water ({share} of what comes, over {names}) past in a grass "
    "swale on your own ground, to where water leaves the lot already ({to}, {far} "
    "from there).",
    "relevel": "Relevel the paving so that it falls 2 % away from the house, or open a way out "
    "over the ground that lies lower than the sill.",
    "raise": "Fill and grade so that the ground falls 5 % away from the house over the first "
    "{reach}, or open a way out over the ground that lies lower than the sill.",
    "wait": "Look after rain, or level it: leave it alone where no water stands.",
    "fill": "Fill it with the soil of the lawn to a fall of 1 %, towards where it runs over now.",
    "regrade": "Grade the soil at {names} to fall 5 % away over the first {reach}.",
    "relevel-walls": "Relevel the paving at {names} to fall 2 % away.",
    "second-way": "Then {names} {how}: keep {it} clear, and give the water a second way, another "
    "inlet or an overflow over the ground.",
    "basin": "Only then an inlet at its lowest point, with a solid pipe to a lower place.",
    "raise-terrace": "Raise the ground at {names} so that it sheds over the surface, as far as the "
    "sills allow.",
    "pit-test": "Trust {names} only after a soak test and a test pit down to groundwater.",
    "flap": "Ask whose water stands at the outlet; a flap valve keeps it out of the pipe, but the "
    "pipe drains only while that water is low.",
    "pump": "If nothing else is left: a pump with an alarm and an overflow, let out at least "
    "{far} from the house.",
    "lay": "Lay {names}.",
    "fall": "Give {names} fall to a lower outlet, by levels taken on site.",
    "settle-inlets": "Set {names} where the water runs when it rains, by levels, not by the plan.",
    "size-later": "Size nothing for one of these figures: level where the catchments end, and run "
    "it again.",
    "public": "Ask whose ground that is; if it is a street, an alley or a ditch, draw it. On a "
    "neighbour's ground it is no outlet.",
    "level-outlet": "Take the level of the grate and of the outlet before a pipe is ordered.",
    "contour": "Step {names}, or turn it along the contour: a channel is set level.",
    "under-walk": "Lead the water of {names} under the walk, or let it out where it does not run "
    "over it.",
    "permission": "Get permission in writing for {names}, or keep to the lot.",
    "let-out": "Let the water of {names} out farther in on your own ground: spread, and no more "
    "than ran there before.",
    "keep-open": "Keep its way open: no building, fill, bed or closed fence in it. You may not "
    "block it, nor send it on faster or in one stream.",
    "as-drawn": "Settle these on the plan before the first trench.",
    "nothing": "No inlet is needed for standing water.",
    "running-only": "The inlets drawn are there for water that runs: set them where it runs.",
    "watch": "Look at them after rain before you dig for any of them.",
}  # fmt: skip

#: What a finding says of a pipe, after its name.
_OF_PIPES: Final[Mapping[str, str]] = {
    "outlet-not-found": "ends nobody knows where",
    "loose-end": "ends in nothing",
    "lines-in-a-circle": "runs in a circle",
    "into-sanitary-sewer": "runs into the sanitary sewer",
    "adverse-fall": "rises",
    "flat-line": "has no fall",
    "below-minimum-fall": "falls too little",
    "too-little-fall": "has too little fall to its outlet",
    "outlet-above-line": "lies below its outlet",
    "invert-above-ground": "lies out of the ground",
    "emitter-above-grate": "ends above its own grate",
    "over-capacity": "is too small",
    "joint-not-for-burial": "has joints that do not hold in the ground",
    "cover-too-small": "lies too shallow",
    "line-under-building": "runs under a building",
    "size-changes-within-line": "changes its bore at a joint nobody has seen",
    "smaller-pipe-downstream": "is smaller than the pipe that runs into it",
    "outlet-smaller-than-line": "is smaller than its line",
    "capacity-within-doubt": "may be too small: its catchment is open",
    "water-stands-in-line": "holds water",
    "inverts-disagree": "has levels that disagree",
    "outlet-under-water": "ends under water",
    "grate-too-small": "has too small a grate",
    "sediment-in-line": "holds sediment",
    "hose-test": "took too long in the hose test",
    "too-slow-to-keep-clean": "is too slow to keep clean",
    "no-way-to-clean": "cannot be reached for cleaning",
    "cleanouts-too-far-apart": "has cleanouts too far apart",
    "grate-not-removable": "has a grate that cannot be taken out",
    "emitter-line-cannot-empty": "cannot empty",
    "water-above-grate": "is full to the grate",
    "water-above-ground": "is full to the ground",
    "inlet-passed": "does not take all that comes",
    "inlet-passed-by": "does not take all that comes",
    "trench-below-footing": "is dug below the footing",
    "trench-too-deep": "needs a protected trench",
    "turn-too-sharp": "turns too sharply",
    "too-fast": "runs too fast",
    "dry-well-small": "is too small",
    "dry-well-slow": "empties too slowly",
    "discharge-over-sidewalk": "sends water over the sidewalk",
    "discharge-onto-neighbour": "sends water onto the neighbour in one stream",
    "outlet-off-lot": "lies off the lot",
    "line-off-lot": "runs off the lot",
    "inlet-off-lot": "lies off the lot",
    "outlet-runs-to-low-spot": "sends water to a low spot",
    "outlet-runs-to-building": "sends water to a building",
    "outlet-runs-to-inlet": "sends water back to an inlet",
    "gutter-overtops-curb": "brings more than the curb holds",
    "gutter-spread": "spreads far over the street",
    "setback": "lies too close to what it must keep clear of",
    "inlet-better-place": "may stand beside where the water runs",
    "channel-ground-not-level": "is drawn over ground that is not level",
    "catchment-unsure": "has a catchment that the data leave open",
    "grate-not-at-low-point": "is not at the low point",
    "grate-above-flow": "stands above the water that should reach it",
    "grate-opening-too-wide": "has openings too wide to walk on",
    "channel-too-long": "is too long for one outlet",
    "downspout-onto-inlet-ground": "adds its roof to an inlet over the ground",
    "cut-by-edge": "has a catchment cut by the edge of the data",
}

_SOURCES: Final[Mapping[Source, str]] = {
    Source.ROOF: "roof", Source.EAVES: "roof, off its eaves", Source.OWN: "your own yard",
    Source.NEIGHBOUR: "from the neighbour", Source.DRAIN: "up out of the drain",
    Source.INLET: "past other inlets",
}  # fmt: skip


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


def what_to_do(say: Say, remedies: Sequence[Remedy]) -> str:
    """Say the remedies, one sentence each, in their order."""
    told = []
    for one in remedies:
        several = len(one.subjects) > 1
        words = {
            "names": joined(one.subjects), "away": say(1.524, "length"),
            "reach": say(3.048, "length"), "far": say(one.length_m or 3.048, "length"),
            "end": "end" if several else "ends", "its": "their" if several else "its",
            "it": "them" if several else "it", "it_is": "they are" if several else "it is",
        }  # fmt: skip
        told.append(sentence(_REMEDIES[one.what].format(**words | one.facts)))
    return " ".join(told)


def cause(say: Say, one: Cause) -> str:
    """
    Say one cause with its evidence.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> cause(Say("metric"), Cause(Source.NEIGHBOUR, "crossing 4", 0.81, 312.0))
    '81 % from the neighbour: 312 m² over the lot line at crossing 4'
    """
    amount = say(one.amount, "volume" if one.is_volume else "area")
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
    return f"{percent(one.share)} {_SOURCES[one.source]}: {where}"


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


def complaint(rule: str) -> str:
    """What a finding says of its subject, after the name."""
    return _OF_PIPES.get(rule, rule.replace("-", " "))


def complaints(pairs: Sequence[tuple[str, str]], most: int = 8) -> str:
    """
    Say what is found of several things, each named once.

    Parameters
    ----------
    pairs
        Subject and rule, the weightiest first.
    most
        How many complaints are told.

    Examples
    --------
    >>> complaints([("L1", "adverse-fall"), ("L2", "cover-too-small"), ("L1", "sediment-in-line")])
    'L1 rises and holds sediment; L2 lies too shallow'
    """
    told: dict[str, list[str]] = {}
    left = 0
    for subject, rule in dict.fromkeys(pairs):
        words = complaint(rule)
        if sum(len(some) for some in told.values()) >= most:
            left += 1
        elif words not in told.setdefault(subject, []):
            told[subject].append(words)
    said = "; ".join(f"{subject} {joined(words)}" for subject, words in told.items() if words)
    return f"{said}; and {left} more" if left else said


def water_at_opening(
    say: Say, opening: Row, depth_m: float, inlets: Sequence[str], *, nothing_today: bool
) -> str:
    """Say what a low spot does to an opening."""
    full = at_sill(say, opening["freeboard_m"])
    told = f"{opening['name']} stands in a low spot {say(depth_m, 'depth')} deep"
    if nothing_today:
        told += f" that nothing drains today: full, the water stands {full}"
        return sentence(f"{told}, and will again whenever {names_or(inlets, 'is', 'are')} blocked")
    if inlets:
        return sentence(
            f"{told}: once {names_or(inlets, 'is', 'are')} blocked, the water rises {_to(full)}"
        )
    return sentence(f"{told}: full, the water stands {full}")


def _to(full: str) -> str:
    return full if full.startswith("to ") else f"to {full}"


def water_that_stands(
    say: Say, place: str, spot: Row, inlets: Sequence[str], *, nothing_today: bool
) -> str:
    """Say what a low spot holds."""
    told = (
        f"water stands {place}, up to {say(spot['depth_m'], 'depth')} deep over "
        f"{say(spot['area_m2'], 'area')}"
    )
    if nothing_today:
        told += f"; nothing drains it today, {names_or(inlets, 'is', 'are')} meant to"
    elif inlets:
        told += f", whenever {names_or(inlets, 'is', 'are')} blocked"
    return sentence(told)


def if_levels_hold(text: str) -> str:
    """Say that the data do not tell this for sure."""
    return (
        f"If the levels hold: {text[0].lower()}{text[1:]}"
        if text.startswith("Water")
        else (f"If the levels hold: {text}")
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
        told.append(f"water stands there in {share} of the surfaces that the error allows")
    told += [catchment_range(say, one) for one in inlets]
    if spot.get("artefact"):
        told.append(f"but {spot['artefact']}")
    return sentence("; ".join(told))


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
) -> str:
    """Say that ground falls to walls, what runs on to the first, and what roofs add."""
    told = []
    beyond = [one for one in causes if one.source is Source.NEIGHBOUR]
    if walls:
        worst, others = walls[0], walls[1:]
        fall = slope(worst["slope"]).replace(" it", " the wall")
        run_on = ""
        if sum(one.share for one in beyond) >= _MUCH:
            area = say(sum(one.amount for one in beyond), "area")
            run_on = f", and water from {area} beyond the lot line runs to it"
        told.append(f"at {worst['name']} the ground falls {fall}{run_on}")
        if others:
            names = [
                f"{one['name']} ({slope(one['slope'])}"
                + (f", low spot {hollow[one['name']]})" if one["name"] in hollow else ")")
                for one in others
            ]
            told.append(f"also at {joined(names)}")
    if downspouts:
        told.append(f"{names_or(downspouts, 'lets', 'let')} roof water out at the wall")
    return sentence("; ".join(told))


def walls_evidence(say: Say, walls: Sequence[Row]) -> str:
    """Say the slopes with what the data allow."""
    return " ".join(
        sentence(
            f"{one['name']}: {slope(one['slope'])} over {say(one['reach_m'], 'length')} where it "
            f"is worst, by the error of the data between {slope(one['slope_low'])} and "
            f"{slope(one['slope_high'])}; {percent(one['slope_limit'])} away is the least"
        )
        for one in walls
    )


def run_verdict(run: Run) -> str:
    """Say the verdict of a run."""
    told = str(run.verdict.value)
    if run.places:
        told += f" at {joined(run.places)}"
    return told


def run_harm(run: Run) -> str:
    """Say what an old run is good for."""
    names = joined(run.lines)
    if run.is_question:
        known = "nobody knows where it ends"
        if all(one.rule != "outlet-not-found" for one in run.findings):
            known = "its levels are not known"
        return sentence(f"{names}, one old run: {known}, so it cannot be relied on")
    if run.verdict.value.startswith(("keep", "clean")):
        return sentence(f"{names}: the old run can stay")
    return sentence(f"{names}, one old run, does not take what should go down it")


def no_outlet(say: Say, inlets: Sequence[str], option: Row | None) -> str:
    """Say how far gravity leads."""
    names = joined(inlets)
    if option is None:
        return sentence(f"no lower place was found for {names}")
    place = option["place"] or option["kind"]
    if option["verdict"] == "not reachable":
        return sentence(
            f"no way out by gravity for {names}: even the best place, {place}, lacks "
            f"{say(-option['left_m'], 'depth')} of fall"
        )
    if option["verdict"] == "cannot tell":
        return sentence(f"whether gravity leads from {names} to {place} the data cannot tell")
    return sentence(
        f"gravity leads from {names} only to ground that may not be yours: {place}, "
        f"{say(option['run_m'], 'length')} away"
    )


def run_on(say: Say, parts: Sequence[Cause], total_m2: float, at_least: bool) -> str:
    """Say where water comes onto the lot."""
    least = "at least " if at_least else ""
    places = joined([f"{say(one.amount, 'area')} at {one.subject}" for one in parts])
    return sentence(f"water from {least}{say(total_m2, 'area')} beyond the lot comes on: {places}")


def nothing_stands(say: Say, limit_m: float | None, *, others: bool) -> str:
    """Say that no low spot lies on the lot, or no other."""
    if others:
        return sentence("nothing else stands on your lot")
    deep = f" deeper than {say(limit_m, 'depth')}, the least the data show" if limit_m else ""
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


#: What an item is, by its theme.
VERDICTS: Final[Mapping[str, str]] = {
    "walls": "Surface water at the wall: roof water and grade before any pipe.",
    "no outlet": "A pipe finds nothing lower: keep water off, raise the ground, or lift the water.",
    "drain too small": "The drain does not take what it should.",
    "inlets": "Water may run past what is meant to take it.",
    "open catchments": "How much water comes the data cannot tell: no size holds before that.",
    "beyond": "An outlet that may not be allowed.",
    "uncertain": "An outlet that may lie too high.",
    "let out": "Water goes where it may not, or not like that.",
    "run-on": "A way of the neighbour's water, not a fault: it has a right to run.",
    "laying": "Faults on the plan, cheap before digging.",
    "nothing else stands": "No standing water to cure here.",
    "all told": "The low spots told of are all there are on the lot.",
}
#: What to measure to be sure.
CHECKS: Final[Mapping[str, str]] = {
    "no outlet": "Level of the grates and of the outlet or the water it runs into; whose it is.",
    "drain too small": "Levels at both ends of the line, and where the catchments of its inlets "
    "end.",
    "let out": "Lot line, levels from the outlet on, and the town's rule.",
    "run-on": "Watch it in rain: where it comes on, how wide, where it leaves.",
    "laying": "Rims, inverts and ground along the lines.",
    "nothing else stands": "Look after rain: a puddle smaller than a cell of the data, or "
    "shallower than their error, does not show.",
}
#: What could make an item wrong.
RISKS: Final[Mapping[str, str]] = {
    "low spot": "A culvert, a drain or a wall that the elevation data do not show; ground moved "
    "since they were taken.",
    "walls": "Soil moved since the data were taken; keep fill 6 in below siding and sills, and "
    "lead nothing onto a neighbour.",
    "old run": "What lies under ground: nobody has seen all of it.",
    "no outlet": "A ditch, gutter or manhole that is not drawn and lies lower.",
    "drain too small": "Rain of another place, hollows that hold water back, catchments left open.",
    "inlets": "A few inches of ground decide: curbs, beds and edges are not in the data.",
    "let out": "Local rules differ; a street or an easement that is not drawn.",
    "run-on": "Walls, fences and culverts that are not drawn turn it.",
    "laying": "Levels off the elevation data may be wrong by more than the fault.",
    "nothing else stands": "Hollows shallower than the error of the data.",
}
#: Who says so, where no finding does.
SOURCES: Final[Mapping[str, str]] = {
    "run-on": "civil-law and reasonable-use rules of drainage: Millburn NJ, Lee's Summit MO, "
    "Hamilton ON; local law decides",
    "nothing else stands": "the stated vertical RMSE of the elevation data",
}


def closed(inlets: Sequence[str], storm_yr: float | None) -> str:
    """Say what a low spot is."""
    told = "a closed low spot, no way out over the ground until it is full"
    if inlets:
        told += f"; only {names_or(inlets, 'empties', 'empty')} it"
    if storm_yr is not None:
        told += f"; undrained, a {storm_yr:g}-year storm fills it"
    return sentence(told)


def with_inlets_open(
    say: Say, storm_yr: float, depth_m: float, freeboard_m: float, *, has_inlets: bool
) -> str:
    """Say what stands at an opening although no inlet is blocked."""
    when = "Even with nothing blocked, in" if has_inlets else "In"
    return sentence(
        f"{when} the {storm_yr:g}-year storm it stands {say(depth_m, 'depth')} deep there, "
        f"{at_sill(say, freeboard_m)}"
    )


def as_drawn_takes(items: Sequence[str]) -> str:
    """Say what the drains take as drawn."""
    return f" {sentence('drains as drawn, all of them: ' + joined(items, 9))}" if items else ""


def levels_of_low_spot(openings: Sequence[str], *, has_buildings: bool) -> str:
    """Say what to level at a low spot."""
    sills = f"the sill of {joined(openings)}, " if openings else ""
    told = sentence(f"level {sills}its lowest point, and the edge over which it runs out")
    if not has_buildings:
        told += " How far is the house? With footprints (--buildings) it is told."
    return told


def levels_of_walls(say: Say, walls: Sequence[str]) -> str:
    """Say what to level at walls."""
    if not walls:
        return sentence("look where each downspout lets out")
    return sentence(
        f"level the ground at {joined(walls)}, at the wall and {say(3.048, 'length')} out"
    )


def levels_of_inlets(names: Sequence[str]) -> str:
    """Say what to level round inlets."""
    return sentence(f"level the ground a few paces round {joined(names)}; which way does it fall")


def check_run(run: Run) -> str:
    """Say what to ask of an old run on site."""
    if run.is_question:
        return "Dye at its upper end, watch every possible outlet; inverts at both ends."
    return "Inverts, bore and sediment at both ends of each length."


def run_takes(say: Say, run: Run, length_m: float) -> str:
    """Say what a verdict takes."""
    if run.is_question:
        return "An hour with hose and dye; half a day with a camera."
    if run.is_replaced:
        return "Caps at both ends."
    if run.verdict.value == "relay":
        return sentence(f"{say(length_m, 'length')} of pipe, and its trench")
    return ""


def wells(say: Say, some: Sequence[Finding]) -> str:
    """Say that a dry well is too small or too slow."""
    for one in some:
        if one.rule == "dry-well-small" and one.measured and one.limit:
            return " " + sentence(
                f"{one.subject} holds {say(one.limit, 'volume')} of the "
                f"{say(one.measured, 'volume')} it would have to"
            )
        if one.rule == "dry-well-slow" and one.measured:
            return " " + sentence(f"{one.subject} takes {one.measured:.0f} h to empty")
    return ""


def option_evidence(say: Say, option: Row | None, drowned: Sequence[Finding]) -> str:
    """Say how the best way out was judged."""
    told = []
    if option is not None:
        told.append(
            f"best of the places looked at: {option['place'] or option['kind']}, "
            f"{say(option['run_m'], 'length')} away; fall left over "
            f"{say(option['left_m'], 'depth')}, by the data between "
            f"{say(option['left_low_m'], 'depth')} and {say(option['left_high_m'], 'depth')}"
        )
    told += [
        f"the water at the end of {one.subject} stands "
        f"{say((one.limit or 0.0) - (one.measured or 0.0), 'depth')} over the top of the pipe"
        for one in drowned
    ]
    return sentence("; ".join(told) or "no lower place was found")


#: Units of findings as quantities of a report.
_QUANTITIES: Final[Mapping[str, str]] = {
    "m": "depth", "m2": "area", "m3": "volume", "m3/s": "flow",
}  # fmt: skip


def measured(say: Say, some: Sequence[Finding], most: int = 5) -> str:
    """Say what findings measured against their limits, where both are numbers."""
    told = []
    for one in some:
        quantity = _QUANTITIES.get(one.unit)
        if one.measured is None or one.limit is None or quantity is None:
            continue
        if one.rule in _DIAMETERS:
            quantity = "diameter"
        limit = f" against {say(one.limit, quantity)}" if one.limit else ""
        told.append(f"{one.subject} {complaint(one.rule)}: {say(one.measured, quantity)}{limit}")
    return sentence("; ".join(told[:most]))


_DIAMETERS: Final = frozenset({
    "smaller-pipe-downstream", "outlet-smaller-than-line", "size-changes-within-line",
})  # fmt: skip


def drain_harm(say: Say, head: Finding) -> str:
    """Say what is wrong with a line of the proposed drains."""
    if head.rule == "over-capacity" and head.measured and head.limit:
        return sentence(
            f"{head.subject} gets {say(head.measured, 'flow')} in the design storm and carries "
            f"{say(head.limit, 'flow')}"
        )
    if head.rule == "smaller-pipe-downstream" and head.measured and head.limit:
        return sentence(
            f"{head.subject}, {say(head.measured, 'diameter')} inside, takes a pipe of "
            f"{say(head.limit, 'diameter')}: what passes the one sticks in the other"
        )
    return sentence(f"{head.subject} {complaint(head.rule)}")


def lay(lines: Sequence[Row], best: Sequence[Finding]) -> str:
    """Say in which sizes lines are laid, and what the best single change leaves."""
    sizes = [
        f"{row['name']} in {row['required_size']}" for row in lines if row.get("required_size")
    ]
    told = [sentence(f"lay {joined(sizes)}, and the outlet no smaller")] if sizes else []
    if not sizes:
        told.append("Give it fall or a lower outlet, by levels taken on site.")
    told += [
        sentence(
            f"the one change that mends most is at {one.subject}; it leaves {one.measured:.0f} of "
            f"{one.limit:.0f} failures of the lines"
        )
        for one in best
        if one.measured is not None and one.limit is not None
    ]
    return " ".join(told)


def larger(say: Say, lines: Sequence[Row]) -> str:
    """Say how much pipe is laid larger."""
    length = sum(row["length_m"] or 0.0 for row in lines if row.get("required_size"))
    return sentence(f"{say(length, 'length')} of larger pipe in the same trench") if length else ""


def inlets_harm(say: Say, head: Finding, heavy: Sequence[Finding], opened: Sequence[Row]) -> str:
    """Say what is not settled about inlets."""
    told = []
    if head.rule == "channel-ground-not-level" and head.measured is not None:
        told.append(
            f"the ground along {head.subject} differs by {say(head.measured, 'depth')}: set level, "
            "it stands out at one end and takes nothing there"
        )
    wide = {row["name"]: row for row in opened}
    told += [
        f"{one.subject} takes {better_place(say, one, wide.get(one.subject))}, as drawn or a step "
        "away: the data cannot tell"
        for one in heavy
        if one.rule == "inlet-better-place"
    ][:2]
    if not told:
        told += [catchment_range(say, row) for row in opened[:1]]
    return sentence("; ".join(told) or f"{head.subject} {complaint(head.rule)}")


def better_place(say: Say, one: Finding, inlet: Row | None) -> str:
    """Say the catchments between which a step, or the error of the data, decides."""
    both = [one.limit or 0.0, one.measured or 0.0]
    if inlet is not None:
        both += [inlet["catchment_m2_p05"], inlet["catchment_m2_p95"]]
    return say_range(say, min(both), max(both))


def inlets_evidence(
    say: Say,
    heavy: Sequence[Finding],
    opened: Sequence[Row],
    joint: tuple[float, float] | None,
) -> str:
    """Say the ranges, and the bound of all together."""
    told = [catchment_range(say, row) for row in opened]
    wide = {row["name"] for row in opened}
    told += [
        f"{one.subject} takes {say(one.limit or 0.0, 'area')} where it is drawn and "
        f"{say(one.measured or 0.0, 'area')} at the place marked"
        for one in heavy
        if one.rule == "inlet-better-place" and one.subject not in wide
    ]
    if joint is not None:
        told.append(
            f"they share water: together {say_range(say, *joint)}, not the sum of the ranges"
        )
    others = [(o.subject, o.rule) for o in heavy if o.rule != "inlet-better-place"]
    told.append(complaints(others))
    return sentence("; ".join(one for one in told if one))


def run_on_evidence(
    say: Say, water: Sequence[Cause], total_m2: float, leaves: Sequence[Row]
) -> str:
    """Say how the run-on was counted, and where most water leaves."""
    told = joined([f"{one.subject} {percent(one.share)}" for one in water])
    said = sentence(f"each cell counted once, {say(total_m2, 'area')}: {told}")
    places = joined([f"crossing {row['id']} ({say(row['area_m2'], 'area')})" for row in leaves])
    return f"{said} Most leaves at {places}." if leaves else said


def more_low_spots(count: int) -> str:
    """Say that the lot holds other low spots."""
    return sentence(f"{count} more low spot{'s' if count > 1 else ''} on the lot, of less weight")


def artefact(why: str, *, has_buildings: bool) -> str:
    """Say what would remove a low spot that is none."""
    missing = "the neighbours' footprints" if has_buildings else "footprints (--buildings)"
    if why.startswith(("inside", "between", "under")):
        return f"under buildings: {missing} remove them"
    return f"deep or behind a bank: {missing}, or the culvert drawn, remove them"


def left(rows: Sequence[tuple[str, str]]) -> str:
    """
    Say what is broken still.

    Examples
    --------
    >>> left([("Back door", "water enters at the sill")]), left([])
    ('After it there is still: Back door (water enters at the sill).', '')
    """
    by_subject: dict[str, str] = {}
    for subject, kind in rows:
        by_subject.setdefault(subject, kind)
    if not by_subject:
        return ""
    told = joined([f"{subject} ({kind})" for subject, kind in by_subject.items()], 4)
    return f"After it there is still: {told}."


def also(place: str, harm: str) -> str:
    """Say an item that was folded into another."""
    return sentence(f"also {place}: {harm}")


def let_out_evidence(subjects: Sequence[str]) -> str:
    """Say how it was found where let-out water goes."""
    return sentence(f"the way of the water of {joined(subjects)} followed over the ground")


def on_plan() -> str:
    """Say that a fault is seen on the plan."""
    return "Seen on the plan, as drawn."
