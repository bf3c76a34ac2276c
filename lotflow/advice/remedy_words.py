"""What the answer says of each kind of item: what it is, to do, to measure, may be wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from lotflow.advice.answer_words import joined, sentence

if TYPE_CHECKING:
    from lotflow.advice.remedies import Remedy
    from lotflow.advice.say import Say

#: What a person does, by the key of the remedy; {names} are what is worked on.
_REMEDIES: Final[Mapping[str, str]] = {
    "find-culvert": "Look for a culvert or drain that empties it; if there is one, clear it.",
    "runs-today": "{names} {is} there to empty it today: see in rain, or with a hose, whether {it} "
    "{run}; if not, that comes first.",
    "hose": "Put a hose into {names} and look where the water comes out, and whether it backs up.",
    "hidden": "Look for what the elevation data do not show: a settled place, an edge of paving, a "
    "curb, a wall; level it, and draw what is found.",
    "dry-weather": "Ask whether it is wet in dry weather too: then close the house valve and watch "
    "the meter, shut off the irrigation, dig down to groundwater. No grading or drain of surface "
    "water helps there.",
    "soak": "Make a soak test there, and give it in the job.",
    "find": "Find where {names} {end}: dye first, then a camera or a sonde. Connect nothing to it "
    "before that, and let it run while nothing else drains there; if the end is not found, abandon "
    "the whole run and cap it once new drains take all the water, tried in rain.",
    "find-level": "Put a hose into {names} at the upper end and see that the water comes out where "
    "{it} {end} on the plan, and take the levels that are missing. Connect nothing to {it} before "
    "that, and let {it} run while nothing else drains there.",
    "find-outlet": "Trace {names}, dye first, then a camera, before anything else is built: these "
    "drains have no outlet, and if {it} {end} in a sound drain that may take the water, it is one. "
    "Let {it} run, connect nothing to {it} before that, and abandon nothing.",
    "find-replaced": "The proposed drains take the place of {names}: connect nothing to {it}, but "
    "let {it} run until they take all the water, tried in rain; then abandon the whole run and cap "
    "it. Dye shows what else drains there.",
    "abandon": "The proposed drains take the place of {names}: lead nothing new into {it}, but let "
    "{it} run until they take all the water, tried in rain; then abandon the whole run and cap it "
    "at its ends.",
    "relay": "Relay {names} as one, with fall to the outlet and glued or gasketed joints.",
    "more-grate": "Give {names} a larger grate, or set a second inlet beside it.",
    "larger-grate": "Set a larger grate at {names}, or a second inlet; leave the run.",
    "repair": "Open and repair {names}; leave the rest of the run.",
    "clean": "Jet {names} and look at the outlet while the water runs.",
    "keep": "Keep {names} as found.",
    "trace-first": "Trace {names} first, with dye and a camera: if {it} {end} in a sound drain "
    "that may take this water, that is the outlet. Let {it} run, connect nothing to {it} and "
    "abandon nothing before.",
    "as-before": "{names}: see item {item}{why}.",
    "roof-elsewhere": "Take the roof water away from there ({names}; {share} of what comes{by}): "
    "in a pipe of {its} own to a place outside the hollow that may take it, by levels.",
    "gutter": "Hang a gutter on the {names} and lead its water away from the house.",
    "ask-gutter": "Water off the {names}, without a gutter, is {share} of what comes{by}: ask the "
    "neighbour to hang one and to lead its water where it runs onto no other ground.",
    "drawn-swale": "Clear {names}, the swale drawn as there today: {why}. Take levels along its "
    "bed to its end and beyond: where the bed rises, or a walk or bank before its end stands "
    "higher, its water runs over to lower ground. Regrade it to fall all the way; no more may "
    "leave the lot than today, and nothing over a walk.",
    "lead-away": "Lead {names} at least {away} from every wall, onto your own ground that falls "
    "away from the house there, or into a pipe of {its} own.",
    "pipe-away": "Pipe {names} to a lower place outside every hollow: on your own ground if levels "
    "show one, else into the street's drain with the town's permit; or let {its} water out at "
    "least {away} from every wall, where levels show that your ground falls away from the house.",
    "no-ground": "{names}: before {it} there is no ground of yours to let water out on. Ask the "
    "town for a permit to lead it into the street's drain.",
    "swale": "Turn the neighbour's water ({share} by area, over {names}) past the house along the "
    "way it takes today, in a grass swale at least {away} from every wall, to where it leaves the "
    "lot now ({to}, about {far} on). Not across paving or a walk, which the data may not show, and "
    "no more of it and no faster than now.",
    "swale-round": "Cut a swale before {names}, at least {away} out from every wall and {line} "
    "within the lot line. By the data there is a way on your own ground (dashed on the plan): from "
    "the middle of {first} towards the {side}, {long} long, the ground falling {fall}{cut}, to "
    "where this water runs today. Levels first. What falls beyond a crest goes round the other "
    "corner, if levels show a fall there; no more may leave the lot than today.",
    "ask-run-on": "Ask where the neighbour's water may go ({share}, over {names}): no swale for it "
    "was found along its way of today. {lower_place}; turn it onto no other neighbour and over no "
    "walk.",
    "relevel": "Relevel the paving on your lot so that it falls 2 % away from the house, not above "
    "{clear} below a sill.",
    "raise": "Fill and grade your own ground so that it falls 5 % away from the house over the "
    "first {reach}, not above {clear} below a sill.",
    "fill-hollow": "Fill the hollow at {where} to where it runs over now and no higher, so that "
    "its water runs on along the wall: it stays {clear} below every sill. Ground that falls away "
    "from the wall takes a cut there, by levels.",
    "no-fill": "It cannot be filled away: it runs over {above} the sill of {names}, and soil "
    "and paving stay {clear} below a sill.",
    "way-out": "A lower way out over the ground takes a cut through its edge: take "
    "levels from its lowest point to where it runs over now, along the rest of its edge on your "
    "own ground, and on to any lower street, ditch or green.{others}",
    "way-out-over": "A lower way out over the ground takes a cut through its edge. On your own "
    "ground that is lowest {where}, by the data {edge}. Cut to {clear} below the sill of {names}, "
    "it would be {deep} deep there.{beside} Take levels from the lowest point of the hollow over "
    "that place and on to any lower street, ditch or green: it must fall all the way, and beyond "
    "the lot line it takes that owner's permission.",
    "no-way-over": "No cut on your own ground helps: where its edge is lowest, {where}, the ground "
    "behind lies {above} the sill of {names} by the data. Leave that edge as high as it is, so "
    "that no more comes in over it, and lead other water past.",
    "level-way": "Take levels along its way out first, from its lowest point over its edge on your "
    "lot{where} and on: a shallow cut there, where no paving stands in the way, may need no drain.",
    "outlet-first": "{names} {how} {find} no outlet that gravity reaches for sure with the cover "
    "and fall of a pipe. Settle the outlet first, then the sizes.",
    "outlet-drowned": "{names} {how} {run} only while the water at the grate stands higher than "
    "that at the outlet. Ask first how high that rises in rain; while it stays below, a larger "
    "pipe keeps the water lower.",
    "backwater": "Keep the water of {names} out: a backwater valve in the line, agreed with "
    "{its} owner. While it is shut the drain takes nothing: behind it a pump with an alarm, its "
    "pipe looped up above the level of the street, lifts what still comes. So lead as much water "
    "elsewhere as can be.",
    "wait": "Look after rain, or level it: leave it alone where no water stands.",
    "fill": "Fill it with the soil of the lawn to a fall of 1 %, towards where it runs over now.",
    "keep-way": "Do not fill it: {why}, and their water must not be dammed. Clear it, and take "
    "levels from its lowest point along its way out. {out}. No more may leave the lot than today.",
    "keep-swale": "Do not fill it: it is part of {swale}, whose water must not be dammed. Clear "
    "{swale}, take levels along its bed from here to where it lets its water out, and cut "
    "what rises on the way. No more may leave the lot than today.",
    "grade-beside-way": "Do not fill all of it: {why}, and their water must not be dammed. Grade "
    "your own ground so that it falls {share} away from the house into a swale that keeps their "
    "way open, by levels from the lowest point along its way out; no soil or paving within {clear} "
    "of a sill.",
    "regrade": "Fill the soil at {names} to fall 5 % away over the first {reach}.",
    "relevel-walls": "Relevel the paving at {names} to fall 2 % away over the first {reach}.",
    "standing": "{names} {stand} in a low spot: fill there sheds nothing, see the low spot.",
    "neither": "Do not fill at {names}: {because}. Take levels along {walls}, for a cut there and "
    "a lower place for its water: over no walk and onto no neighbour.",
    "neither-swale": "Do not fill at {names}: {because}; the swale is cut there instead.",
    "second-way": "{names} {how}: keep {it} clear, and give the water a second way, another "
    "inlet or an overflow over the ground.",
    "basin": "Only then an inlet at its lowest point, with a solid pipe to a lower place.",
    "raise-terrace": "Raise the ground at {names} so that it sheds over the surface, as far as the "
    "sills allow.",
    "pit-test": "Trust {names} only after a soak test and a test pit down to groundwater.",
    "flap": "Connect nothing to {names} before you know who owns {it}, whether sewage runs there, "
    "and how high the water rises there in rain: above a grate it comes up out of that. A "
    "backwater (flap) valve keeps it out; agree it with the owner first. While the valve is shut, "
    "the drain takes nothing.",
    "less-cover": "Before a pump take levels to {names}: with less cover, in rigid pipe where "
    "nothing drives, and less fall, a larger pipe may still reach it. Ask whose it is.",
    "pump": "If nothing else is left: a pump with an alarm and an overflow, let out beyond the "
    "edge of the hollow, at least {far} from the house, from where the water does not run back: "
    "into a street or a drain by permit, not onto a neighbour.",
    "settle-inlets": "Set {names} on your own ground where the water runs when it rains, by levels,"
    " not by the plan.",
    "size-later": "Size nothing for one of these figures: take levels where the catchments end, "
    "and have it judged again with them.",
    "holds": "{names} can stay as drawn while the hollows above hold water back; larger only if "
    "they may be filled.",
    "public": "Ask whose ground that is; if it is a street, an alley or a ditch, draw it. On a "
    "neighbour's ground it is no outlet.",
    "level-outlet": "Take the level of the grate and of the outlet before a pipe is ordered.",
    "contour": "Step {names}, or turn it along the contour: a channel is set level.",
    "under-walk": "Lead the water of {names} under the walk, with the town's permit, or let it out "
    "where levels show that it does not run over it.",
    "if-kept": "{names}: best given up, since the line cannot empty. If kept, its water goes under "
    "any walk, with the town's permit, and nothing lies off the lot without permission in writing.",
    "permission": "Get permission in writing for {names}, or keep to the lot.",
    "end-inside": "The line to {names} comes out of the ground before its end, by the data: end it "
    "on your own ground where that comes down to the bottom of the pipe, over stone. No more water "
    "may leave the lot than ran there before.",
    "let-out": "Let the water of {names} out farther in on your own ground: spread, and no more "
    "than ran there before.",
    "keep-open": "Keep its way open: no building, fill, bed or closed fence in it. Local law "
    "decides what may be done to it: do not block it, speed it up or gather it in one stream.",
    "as-drawn": "Mend {names} on the plan before the first trench.",
    "cleanout": "Give {names} a cleanout at {its} upper end.",
    "reroute": "Reroute {names} round the corner of the building.",
    "shallow-end": "{names} {have} hardly any cover before the curb: a pipe or box made for it "
    "there and under a walk, with the town's permit, levels of curb and gutter first; elsewhere "
    "rigid pipe, and no wheels on it.",
    "end-before": "{names} {come} out of the ground before {its} lower {lower} by the data: end "
    "{it} where the ground comes down to {its} bottom, on your own ground, or lay {it} deeper.",
    "deeper": "Lay {names} deeper, as far as the outlet allows, or in rigid pipe with no wheels on "
    "it.",
    "weep": "{names} cannot empty by the levels proposed: a weep hole over a pit of stone at "
    "the elbow of {its} emitter, where the soil there takes water and no groundwater stands in the "
    "pit; or water stays after every rain.",
    "stands-full": "{names} cannot empty by the levels proposed, and {stay} full after every rain: "
    "give the emitter up, settle the outlet first.",
    "footing": "Lay {names} farther from the wall, or ask an engineer.",
    "nothing": "No inlet is needed for standing water.",
    "running-only": "The inlets drawn are there for water that runs.",
    "watch": "Look at them after rain before you dig for any of them.",
}  # fmt: skip


def clear_of(say: Say) -> str:
    """
    Say how far below a sill soil stays.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> clear_of(Say("us")), clear_of(Say("metric"))
    ('6 in', '150 mm')
    """
    return {"us": "6 in", "metric": "150 mm"}.get(say.units or "", "150 mm (6 in)")


def risk_of_walls(say: Say) -> str:
    """
    Say what could make an item on walls wrong.

    6 in: International Residential Code, R404.1.6, from memory.
    """
    return RISKS["walls"].format(clear=clear_of(say))


def at_level(say: Say, above_m: float | None) -> str:
    """
    Say how far above or below a sill something lies.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> at_level(Say("metric"), 0.088), at_level(Say("metric"), -0.094), at_level(Say("us"), 0.0)
    ('0.09 m above', 'only 0.09 m below', 'at')
    """
    if above_m is None or abs(above_m) < 0.005:
        return "at"
    told = say(abs(above_m), "depth")
    return f"{told} above" if above_m > 0 else f"only {told} below"


#: Why ground at a wall is not raised.
_NOT_RAISED: Final[Mapping[str, str]] = {
    "height": "it would take more than {clear} of soil against the wall",
    "sill": "the ground may not come within {clear} of {sill}",
    "pad": "it would bury {sill}, which stands too low for it",
    "lot line": "the lot line is nearer than that takes",
}


#: How a hollow that is not filled is emptied, by where it runs over.
_OUT: Final[Mapping[str, str]] = {
    "own": "A shallow cut there, on your own ground, may empty it",
    "beyond": "It runs over beyond your ground: ask its owner, or under a walk the town",
}  # fmt: skip


def _cut(say: Say, cut_m: float | None) -> str:
    """
    Say how far the bed of a swale lies below the ground, beside the depth of the swale.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> _cut(Say("metric"), 0.0), _cut(Say("metric"), 0.058)
    ('', ', cut 0.06 m through a rise on it')
    """
    told = cut_m is not None and cut_m >= 0.005
    return f", cut {say(cut_m or 0.0, 'depth')} through a rise on it" if told else ""


def _edge(say: Say, above_m: float | None) -> str:
    """
    Say how high the own edge of a hollow lies above the place where that runs over now.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> _edge(Say("metric"), 0.036), _edge(Say("metric"), 0.0)
    ('0.04 m above the place where it runs over now', 'where it runs over now')
    """
    now = "where it runs over now"
    if above_m is None or above_m < 0.005:
        return now
    return f"{say(above_m, 'depth')} above the place {now}"


def what_to_do(say: Say, remedies: Sequence[Remedy]) -> tuple[str, ...]:
    """Say the remedies, each on its own, in their order."""
    told = []
    for one in remedies:
        several = len(one.subjects) > 1
        words = {
            "names": joined(one.subjects), "away": say(1.524, "length"),
            "reach": say(3.048, "length"), "far": say(one.length_m or 3.048, "distance"),
            "end": "end" if several else "ends", "its": "their" if several else "its",
            "it": "them" if several else "it", "have": "have" if several else "has",
            "is": "are" if several else "is",
            "come": "come" if several else "comes",
            "lower": "ends" if several else "end", "drain": "drain" if several else "drains",
            "walls": "the walls" if several else "the wall",
            "find": "find" if several else "finds", "stand": "stand" if several else "stands",
            "run": "run" if several else "runs", "stay": "stay" if several else "stays",
            "by": "", "others": "", "beside": "",
            "lower_place": "Look for a lower street, ditch or drain", "line": say(0.9144, "length"),
            "long": say(one.length_m or 0.0, "length"), "deep": say(one.length_m or 0.0, "depth"),
            "edge": _edge(say, one.above_m), "where": "",
            "fall": say(one.reach_m or 0.0, "elevation"), "cut": _cut(say, one.above_m),
            "first": one.subjects[0] if one.subjects else "",
            "because": _NOT_RAISED.get(one.facts.get("why", ""), "").format(
                clear=clear_of(say), sill=one.facts.get("sill", "")
            ),
            "clear": clear_of(say),
            "above": at_level(say, one.above_m), "how": "as drawn",
        }  # fmt: skip
        facts = one.facts | {name: _OUT[one.facts[name]] for name in ("out",) if name in one.facts}
        if one.reach_m is not None:
            words["reach"] = say(one.reach_m, "length")
        told.append(sentence(_REMEDIES[one.what].format(**words | facts)))
    return tuple(told)


#: What an item is, by its theme.
VERDICTS: Final[Mapping[str, str]] = {
    "seen": "It was seen, and what was computed does not explain it: ask before anything is built.",
    "walls": "Surface water at the wall: roof water and grade before any pipe.",
    "no outlet": "No outlet low enough for a pipe with cover and fall: keep water off, or lift it.",
    "drain too small": "The drain does not take what it should.",
    "narrowing": "The pipe narrows on its way: a place where it blocks; by the flow as computed "
    "no lack of size.",
    "outlet first": "Its outlet is the fault: that is settled before its size.",
    "sized": "Sized without what hollows hold back: with them it is large enough.",
    "inlets": "Water may run past what is meant to take it.",
    "open catchments": "How much water comes the data cannot tell: no size holds before that.",
    "beyond": "An outlet that may not be allowed.",
    "uncertain": "An outlet that may lie too high.",
    "let out": "Water goes where it may not, or not like that.",
    "run-on": "A way of the neighbour's water, no fault of the lot's own.",
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
    "seen": "Another day, another rain, a mark in the wrong place.",
    "walls": "Soil moved since the data were taken; keep soil {clear} below siding and sills, and "
    "lead nothing onto a neighbour.",
    "old run": "What lies under ground: nobody has seen all of it.",
    "no outlet": "A ditch, gutter or manhole that is not drawn and lies lower.",
    "drain too small": "Rain of another place, hollows that hold water back, catchments left open.",
    "inlets": "A hand's breadth of ground decides: curbs, beds and edges are not in the data.",
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


#: What is left to do where all was levelled.
_LEVELS_TAKEN: Final = "Its levels are taken: look in rain whether water stands there."


def levels_of_low_spot(
    openings: Sequence[str], *, has_buildings: bool, is_levelled: bool = False
) -> str:
    """Say what to level at a low spot: sills, and the hollow itself unless it was levelled."""
    asked = [f"{'sills' if len(openings) > 1 else 'sill'} of {joined(openings)}"] * bool(openings)
    asked += [] if is_levelled else ["bottom of the hollow", "edge where it spills"]
    told = sentence(f"take levels: {', '.join(asked)}") if asked else _LEVELS_TAKEN
    if not has_buildings:
        told += " How far is the house? With footprints (--buildings) it is told."
    return told


def levels_of_walls(say: Say, walls: Sequence[str], openings: Sequence[str] = ()) -> str:
    """Say what to level at walls, and of low sills in them."""
    several = "sills" if len(openings) > 1 else "sill"
    if not walls and openings:
        return sentence(f"take the level of the {several} of {joined(openings)}")
    if not walls:
        return sentence("look where each downspout discharges")
    sills = f", and of the {several} of {joined(openings)}" if openings else ""
    return sentence(
        f"take levels of the ground at {joined(walls)}, at the wall and {say(3.048, 'length')} "
        f"out, or where the lot ends{sills}"
    )


def levels_of_inlets(names: Sequence[str]) -> str:
    """Say what to level round inlets."""
    return sentence(
        f"take levels of the ground a few paces round {joined(names)}; which way does it fall"
    )
