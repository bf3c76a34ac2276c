"""What is said of outlets: how they are laid, what takes the water, and where it runs on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from lotflow.advice.say import storm
from lotflow.findings import STATED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _outlet_small(say: Say, _: Finding, *, outlet_m: float, line_m: float) -> str:
    return (
        f"Its outlet has an inside diameter of {say(outlet_m, 'diameter')}, the line "
        f"{say(line_m, 'diameter')}. An outlet is never smaller than its line."
    )


def _into_sewer(_: Say, __: Finding) -> str:
    return (
        "It runs into a sanitary sewer, where rain water must not go. Lead it to a lawful outlet, "
        "and have the connection closed."
    )


def _not_found(_: Say, __: Finding) -> str:
    return (
        "Where it ends is not known: nothing of this run can be relied upon before that is found. "
        "Trace it with dye, a camera or a sonde, or abandon it."
    )


def _outlet_high(say: Say, _: Finding, *, above_m: float) -> str:
    return (
        f"Its outlet lies {say(above_m, 'depth')} above its lower end: that much water stays in "
        "it. Level both again; the outlet must be the lowest point."
    )


def _under_water(
    say: Say, finding: Finding, *, outlet: str, water_m: float, over: Literal["crown", "lip"]
) -> str:
    """Water given for an outlet, above the crown of the line or the lip of an emitter."""
    water = f"The water given for {outlet} stands {say(water_m, 'depth')} above"
    if over == "lip":
        told = f"{water} its lip: nothing runs out against it."
    else:
        told = (
            f"{water} the crown of the line there: the line stands full of it and drains only "
            "against it. If the outlet is yours, raise it or lead it elsewhere; else its owner is "
            "asked for a flap valve, which keeps that water out of the yard."
        )
    if STATED.issuperset(finding.rests_on):
        return told
    how = "proposed" if "proposed" in finding.rests_on else "taken from the elevation data"
    return f"{told} Its level is {how}: take it on site."


def _cannot_empty(say: Say, _: Finding, *, stands_m: float, proposed: bool) -> str:
    told = (
        f"With the levels proposed a riser of {say(stands_m, 'depth')} leads up to the lip of its "
        "emitter" if proposed else
        f"The lip of its emitter lies {say(stands_m, 'depth')} above the invert there"
    )  # fmt: skip
    return (
        f"{told}: water stays in the line after every rain, freezes and breeds mosquitoes. Give "
        "the elbow a weep hole over a pit of stone, if the soil there takes water and no "
        "groundwater stands in the pit; else end it in the open."
    )


def _emitter_high(say: Say, finding: Finding, *, inlet: str, above_m: float) -> str:
    is_known = STATED.issuperset(finding.rests_on)
    never = "it never will" if is_known else "by these levels it never will"
    doubt = "" if is_known else " Both levels must be taken on site to tell."
    return (
        f"Its emitter opens when water stands {say(above_m, 'depth')} above the grate of {inlet}: "
        f"{never}. Put the outlet lower.{doubt}"
    )


def _level_not_given(
    say: Say, _: Finding, *, proposed: bool, below_m: float, cannot_daylight: bool = False,
    well_bottom_m: float | None = None,
) -> str:  # fmt: skip
    """Ask for the level of an outlet, and say what is taken in its place."""
    if not proposed:
        return (
            "Its level is not given and hangs on the elevation data, in which a curb, a gutter or "
            "a shallow ditch may not be. Take it on site, and enter invert."
        )
    told = (
        "Its level is not given. The lines proposed would reach it "
        f"{say(below_m, 'depth')} below the ground there."
    )
    if cannot_daylight:
        told += " So deep it cannot come out at the surface here, by the elevation data."
    elif well_bottom_m is not None:
        told += (
            " With the storage and base given its bottom would lie at least "
            f"{say(well_bottom_m, 'depth')} below the ground: dig a test pit, and look for "
            "groundwater."
        )
    return f"{told} Find out its level, and enter invert."


def _tailwater(_: Say, __: Finding) -> str:
    return (
        "How high water stands in what it runs into is not given: it is taken to run out freely. "
        "Ask the owner of the sewer, and enter water_level."
    )


def _gutter(
    say: Say, finding: Finding, *, storm_yr: float | None, flow_m3s: float, spread_m: float,
    depth_m: float, fall_by_data: float | None, assumed_cross_slope: float | None,
    street_left_out: bool,
) -> str:  # fmt: skip
    """Water along a curb, and what of the gutter nobody gave."""
    parts = []
    if fall_by_data is not None:
        parts.append(f"fall of {fall_by_data:.1%} by the elevation data")
    if assumed_cross_slope is not None:
        parts.append(f"cross slope of {assumed_cross_slope:.0%} assumed")
    if street_left_out:
        parts.append("the street's own water left out: enter gutter_flow")
    assumed = f" ({'; '.join(parts)})" if parts else ""
    told = (
        f"On {say.surface} {say(flow_m3s, 'flow')} run along the curb in the "
        f"{storm(storm_yr)}, {say(spread_m, 'length')} wide and {say(depth_m, 'depth')} deep"
        f"{assumed}."
    )
    if finding.rule == "gutter-overtops-curb":
        return f"{told} That is higher than its curb. Let less out here."
    return f"{told} Ask the town, or let less out here." if finding.severity == "warn" else told


def _well_not_judged(_: Say, __: Finding) -> str:
    return (
        "Rain of a stated intensity has no end, so that what it must hold is not known. Give a "
        "rainfall table: table [rainfall] of the job."
    )


def _well_volume(
    say: Say, _: Finding, *, storm_yr: float | None, needed_m3: float, rain_h: float,
    may_be_longer: bool, pit_m3: float, voids: float, storage_m3: float | None = None,
    missing: Sequence[Literal["storage", "soaking_area"]] = (),
) -> str:  # fmt: skip
    """What a dry well must hold; `missing` is what nobody gave of it."""
    longest = ", the longest that the rainfall knows: it may be more" if may_be_longer else ""
    told = (
        f"In the {storm(storm_yr)} it must hold {say(needed_m3, 'volume')} (rain of {rain_h:.1f} h"
        f"{longest})"
    )
    stone = f" In stone with {voids:.0%} of voids that is a pit of {say(pit_m3, 'volume')}."
    if storage_m3 is None or missing:
        soaks = " if nothing soaks away meanwhile" if "soaking_area" in missing else ""
        return f"{told}{soaks}.{stone} Enter its {' and '.join(missing)} to have it judged."
    return (
        f"{told}, and holds {say(storage_m3, 'volume')}.{stone} Make it larger, lead less to it, "
        "or give it an overflow that does no harm."
    )


def _well_slow(_: Say, __: Finding, *, storm_yr: float | None, empties_h: float | None) -> str:
    how = "never" if empties_h is None else f"in {empties_h:.0f} h"
    return (
        f"After the {storm(storm_yr)} it empties {how}, and the next rain finds it full. Give it a "
        "larger base, or make a soak test: the soil may be better than its group."
    )


def _runs_to_inlet(_: Say, __: Finding, *, inlet: str) -> str:
    return f"Its water runs over the ground to {inlet}, in a circle. Lead the line farther."


def _runs_to_low_spot(
    say: Say, _: Finding, *, low_spot: int, way_m: float | None, fall_m: float | None = None,
    doubt_m: float = 0.0,
) -> str:  # fmt: skip
    """Water that runs into a low spot; `fall_m` where the data leave open which way it runs."""
    on = "" if way_m is None else f", {say(way_m, 'length')} on"
    told = f"ts water runs into low spot {low_spot}{on}"
    if fall_m is None:
        return f"I{told}. Lead it farther, or past it."
    return (
        f"By the elevation data i{told}, but the ground falls by only {say(fall_m, 'depth')} on "
        f"that way, known to about ±{say(doubt_m, 'depth')}: look on site which way it runs."
    )


def _runs_to_building(say: Say, _: Finding, *, wall_m: float) -> str:
    return (
        f"Its water runs back to within {say(wall_m, 'length')} of a wall. Move the outlet, or "
        "grade a swale."
    )


def _over_sidewalk(_: Say, __: Finding, *, sidewalk: str) -> str:
    return (
        f"Its water runs over {sidewalk}, where it freezes or makes slippery: towns may forbid it. "
        "Lead it under the walk."
    )


def _onto_neighbour(_: Say, __: Finding, *, street_is_drawn: bool) -> str:
    unless = "" if street_is_drawn else ", unless that is a street: none is drawn"
    return (
        f"Its water leaves the lot in one place{unless}. Let it out farther in on "
        "the lot, spread, and no more than ran there before."
    )


def _stands_long(
    say: Say, _: Finding, *, hours: float | None, left_m: float, most_h: float, near_building: bool
) -> str:
    """A low spot that drains slowly into the ground, or holds water that only dries."""
    told = (
        f"{say(left_m, 'depth')} stand on ground that takes no water, until they dry."
        if hours is None else f"Once full it takes {hours:.0f} h to soak into the ground."
    )  # fmt: skip
    where = "near a building" if near_building else "away from buildings"
    return f"{told} {most_h:.0f} h is the usual limit {where}. Give it a way out."


def _off_lot(
    say: Say, _: Finding, *, off_m: float, is_length: bool,
    on: Literal["easement", "sidewalk", "ground"], street_is_drawn: bool,
) -> str:  # fmt: skip
    """Ask whose ground it is that a part of the drains lies on."""
    far = say(off_m, "length")
    told = f"{far} of it lie off the lot" if is_length else f"It lies {far} off the lot"
    if on == "easement":
        return f"{told}, in a drawn easement. Make sure that it allows this drain."
    if on == "sidewalk":
        return f"{told}, on a sidewalk. Ask whose it is, and get permission."
    street = "" if street_is_drawn else " No street is drawn: draw it if there is one."
    return (
        f"{told}, on ground that is drawn neither as street nor as water. Whose is it? On a "
        "neighbour's it needs an easement or written permission; else keep to the lot, or lead it "
        f"to a public place.{street}"
    )


def _setback(
    say: Say, _: Finding, *, kind: str, name: str, distance_m: float, least_m: float
) -> str:
    named = f" ({name})" if name else ""
    return (
        f"It lies {say(distance_m, 'length')} from the {kind}{named}; the job asks for "
        f"{say(least_m, 'length')}. Move it."
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "outlet-smaller-than-line": _outlet_small,
    "into-sanitary-sewer": _into_sewer,
    "outlet-not-found": _not_found,
    "outlet-above-line": _outlet_high,
    "outlet-under-water": _under_water,
    "emitter-line-cannot-empty": _cannot_empty,
    "emitter-above-grate": _emitter_high,
    "outlet-level-not-given": _level_not_given,
    "tailwater-not-given": _tailwater,
    "gutter-spread": _gutter,
    "gutter-overtops-curb": _gutter,
    "dry-well-not-judged": _well_not_judged,
    "dry-well-not-given": _well_volume,
    "dry-well-small": _well_volume,
    "dry-well-slow": _well_slow,
    "outlet-runs-to-inlet": _runs_to_inlet,
    "outlet-runs-to-low-spot": _runs_to_low_spot,
    "outlet-runs-to-building": _runs_to_building,
    "discharge-over-sidewalk": _over_sidewalk,
    "discharge-onto-neighbour": _onto_neighbour,
    "water-stands-too-long": _stands_long,
    "inlet-off-lot": _off_lot,
    "outlet-off-lot": _off_lot,
    "line-off-lot": _off_lot,
    "setback": _setback,
}
