"""What is said of earthworks: swales, berms, raised ground, rain gardens."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


#: Fall is judged over 10 ft, and near a house so far off.
_STRETCH_M: Final = 3.048


def _no_fall(say: Say, _: Finding, *, fall: float, least: float) -> str:
    return (
        f"Its bed falls {say(max(fall, 0.0), 'slope')} over {say(_STRETCH_M, 'distance')}, which "
        f"is no fall: water stands in it. Give it {say(least, 'slope')} at least, or lead it "
        "another way."
    )


def _too_flat(say: Say, _: Finding, *, fall: float, least: float) -> str:
    return (
        f"Its bed falls {say(fall, 'slope')} over {say(_STRETCH_M, 'distance')}; "
        f"{say(least, 'slope')} is the least. "
        "Dig it deeper toward its lower end, or shorten the way."
    )


def _flat_at_house(say: Say, _: Finding, *, fall: float, least: float) -> str:
    return (
        f"Within {say(_STRETCH_M, 'distance')} of a building its bed falls {say(fall, 'slope')}; "
        f"{say(least, 'slope')} is the least there. Keep it farther off, or give it more fall."
    )


def _loses_depth(say: Say, _: Finding, *, depth_m: float, share: float) -> str:
    return (
        f"The ground falls too little for a swale {say(depth_m, 'depth')} deep that runs out: it "
        f"has that depth on {say(share, 'share')} of its length. Lead its end to lower ground."
    )


def _not_told(_: Say, __: Finding, *, goes_to: str) -> str:
    goes = f" By the ground its water goes to {goes_to}." if goes_to.startswith("low") else ""
    return f"Where does its lower end lead?{goes} A swale without an end moves the puddle."


def _blind(say: Say, _: Finding, *, stands_m: float) -> str:
    return (
        f"Water {say(stands_m, 'depth')} deep stays in it: its lower end is blind, or its bed has "
        "a low place. Lead the end out on lower ground or into an inlet."
    )


def _misses(say: Say, _: Finding, *, leads_to: str, misses_m: float) -> str:
    return f"Its lower end lies {say(misses_m, 'distance')} from {leads_to}. Draw it to the place."


def _sidewalk(_: Say, __: Finding, *, sidewalk: str) -> str:
    return f"Its water crosses {sidewalk}, where it freezes and trips people. Lead it another way."


def _neighbour(_: Say, __: Finding) -> str:
    return (
        "Its water leaves the lot in one stream. Ask whose ground that is and whether it may go "
        "there: more, faster or at a new place is the neighbour's say."
    )


def _to_building(say: Say, _: Finding, *, wall_m: float) -> str:
    return (
        f"From its end the water runs back within {say(wall_m, 'distance')} of a building. "
        "Lead it past the wall."
    )


def _too_small(say: Say, _: Finding, *, flow_m3s: float, capacity_m3s: float) -> str:
    return (
        f"In the design storm {say(flow_m3s, 'flow')} reach it; to its lower bank it carries "
        f"{say(capacity_m3s, 'flow')} at its worst place. Make it deeper or wider there."
    )


def _in_doubt(say: Say, _: Finding, *, flow_m3s: float, capacity_m3s: float) -> str:
    return (
        f"In the design storm {say(flow_m3s, 'flow')} reach it. Mown it carries that; overgrown "
        f"only {say(capacity_m3s, 'flow')}."
    )


def _freeboard(say: Say, _: Finding, *, freeboard_m: float, least_m: float) -> str:
    return (
        f"In the design storm its water runs {say(freeboard_m, 'depth')} below the lower bank; "
        f"{say(least_m, 'depth')} leave room for leaves."
    )


def _berm(say: Say, _: Finding, *, height_m: float) -> str:
    return (
        f"A berm {say(height_m, 'depth')} high alone turns the water onto others. Which swale "
        "takes what it holds back?"
    )


def _not_met(say: Say, _: Finding, *, share: float, raised_m: float) -> str:
    return (
        f"Of this ground {say(share, 'share')} falls away as asked, raised by up to "
        f"{say(raised_m, 'depth')}. The rest needs more fill than the wall allows, or a swale."
    )


def _fill_holds(say: Say, _: Finding, *, stands_m: float) -> str:
    return f"Water {say(stands_m, 'depth')} deep still stands on it. Fill higher, or give it a way."


def _garden_near(say: Say, _: Finding, *, wall_m: float, least_m: float) -> str:
    return (
        f"It lies {say(wall_m, 'distance')} from a building; {say(least_m, 'distance')} keep what "
        "soaks in from the foundation."
    )


def _garden_soil(say: Say, _: Finding, *, most_h: float, depth_m: float) -> str:
    return (
        f"How fast does water soak away here? {say(depth_m, 'depth')} must be gone in "
        f"{most_h:.0f} hours. Dig a hole, fill it twice, and time the second."
    )


def _garden_slow(say: Say, _: Finding, *, hours: float | None, most_h: float) -> str:
    takes = "never" if hours is None else f"in {say(3600 * hours, 'duration')}"
    return (
        f"By its soil it empties {takes}; {most_h:.0f} h are the most. Make it shallower and "
        "wider, or lead the water on."
    )


def _sill(say: Say, _: Finding, *, opening: str, below_m: float, least_m: float) -> str:
    if below_m <= 0:
        return f"It raises the ground to the sill of {opening}, or above it. Keep it lower there."
    return (
        f"It raises the ground to {say(below_m, 'depth')} below the sill of {opening}; "
        f"{say(least_m, 'depth')} are the least."
    )


def _at_wall(say: Say, _: Finding, *, raised_m: float) -> str:
    return (
        f"It raises the ground at a wall by up to {say(raised_m, 'depth')}. Look how far the "
        "siding is above the ground: fill must never reach it."
    )


def _over_pipe(
    say: Say, _: Finding, *, what: Literal["pipe", "utility"], name: str, depth_m: float
) -> str:
    how = "Have it located" if what == "utility" else "Take its level"
    return f"It cuts {say(depth_m, 'depth')} over {name}. {how} before digging."


def _off_lot(say: Say, _: Finding, *, off_m: float) -> str:
    return f"It reaches {say(off_m, 'distance')} beyond the lot line. Whose ground is that?"


def _not_in_data(say: Say, _: Finding, *, off_m: float) -> str:
    return (
        f"The elevation data do not show it: the ground lies {say(off_m, 'depth')} off its levels. "
        "Was it built since? Then give it the status as built, and it is dug."
    )


#: By rule.
SENTENCES: Final[dict[str, Sentence]] = {
    "swale-without-fall": _no_fall,
    "swale-too-flat": _too_flat,
    "swale-flat-at-house": _flat_at_house,
    "swale-loses-depth": _loses_depth,
    "swale-end-not-told": _not_told,
    "swale-ends-blind": _blind,
    "swale-misses-its-end": _misses,
    "swale-over-sidewalk": _sidewalk,
    "swale-onto-neighbour": _neighbour,
    "swale-runs-to-building": _to_building,
    "swale-too-small": _too_small,
    "swale-capacity-within-doubt": _in_doubt,
    "swale-freeboard": _freeboard,
    "berm-without-swale": _berm,
    "regrade-not-met": _not_met,
    "fill-holds-water": _fill_holds,
    "rain-garden-near-building": _garden_near,
    "rain-garden-soil-unknown": _garden_soil,
    "rain-garden-slow": _garden_slow,
    "fill-above-sill": _sill,
    "fill-at-wall": _at_wall,
    "earthwork-over-pipe": _over_pipe,
    "earthwork-off-lot": _off_lot,
    "earthwork-not-in-data": _not_in_data,
}
