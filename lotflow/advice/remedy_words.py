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
    "second-way": "{names} {how}: keep {it} clear, and give the water a second way, another "
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


def what_to_do(say: Say, remedies: Sequence[Remedy]) -> tuple[str, ...]:
    """Say the remedies, each on its own, in their order."""
    told = []
    for one in remedies:
        several = len(one.subjects) > 1
        words = {
            "names": joined(one.subjects), "away": say(1.524, "length"),
            "reach": say(3.048, "length"), "far": say(one.length_m or 3.048, "distance"),
            "end": "end" if several else "ends", "its": "their" if several else "its",
            "it": "them" if several else "it", "it_is": "they are" if several else "it is",
        }  # fmt: skip
        told.append(sentence(_REMEDIES[one.what].format(**words | one.facts)))
    return tuple(told)


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
    "walls": "Soil moved since the data were taken; lead nothing onto a neighbour.",
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


def risk_of_walls(say: Say) -> str:
    """
    Say what could go wrong with filling at walls, and how low fill stays.

    6 in: International Residential Code, R404.1.6, from memory.
    """
    return f"{RISKS['walls']} Keep fill {say(0.1524, 'depth')} below siding and sills."


def levels_of_inlets(names: Sequence[str]) -> str:
    """Say what to level round inlets."""
    return sentence(f"level the ground a few paces round {joined(names)}; which way does it fall")
