"""What is said of the house: the ground at its walls, its openings, its downspouts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding

#: A downspout that ends no farther ends at the wall [m]: the centimetre of a tape.
_AT_WALL_M: Final = 0.01


def _ground_at_wall(
    say: Say, finding: Finding, *, paved: bool, slope: float, run_m: float, slope_low: float,
    slope_high: float, least: float, paved_m: float | None = None,
) -> str:  # fmt: skip
    """
    Ground that falls too little, or towards the wall; slopes away from it are positive.

    Where paving ends at `paved_m`, nearer than the fall was taken, that is no fall of the paving.
    """
    kind = "paving" if paved else "soil"
    if paved_m is not None:
        kind = f"ground, paved for the first {say(paved_m, 'length')} only,"
    sure = (
        f"The {kind} falls towards the wall" if finding.rule == "ground-falls-to-building"
        else f"The {kind} does not fall away from the wall as it should"
    )  # fmt: skip
    return (
        f"{sure}: by the data {_side(slope)} over {say(run_m, 'length')} where it is worst, within "
        f"their accuracy between {_side(slope_low)} and {_side(slope_high)}; a fall of {least:.0%} "
        "away from it is the least. Take its levels on site, then regrade or take the water "
        "in."
    )


def _side(slope: float) -> str:
    return f"{abs(slope):.1%} {'towards' if slope < 0 else 'away from'} it"


def _ground_unknown(
    say: Say, _: Finding, *, sides: Sequence[str], narrow: Sequence[tuple[str, float]],
    levels_at_m: float,
) -> str:  # fmt: skip
    """Sides of which the data tell nothing; the narrow ones with the room before them [m]."""
    told = []
    if sides:
        told.append(
            "The elevation data cannot tell whether the ground falls away enough here: "
            f"{', '.join(sides)}. Take levels at the wall and {say(levels_at_m, 'length')} out, or "
            "where the lot ends."
        )
    if narrow:
        named = ", ".join(f"{name} ({say(room, 'length')})" for name, room in narrow)
        told.append(
            "The lot line or another building stands too near for the data to show a fall here: "
            f"{named}. Take levels at the wall and there, and lead the water along the wall."
        )
    return " ".join(told)


def _heights_unknown(say: Say, _: Finding, *, openings: Sequence[tuple[str, float]]) -> str:
    """Openings with their height above the ground [m]."""
    listed = ", ".join(f"{name} ({say(above, 'depth')})" for name, above in openings)
    return (
        "The elevation data cannot tell whether these stand above the ground before them (in "
        f"brackets by how much, as the data have it): {listed}. Measure the step at each."
    )


def _below_spill(
    say: Say, _: Finding, *, low_spot: int, spill_m: float, is_least: bool, freeboard_m: float,
    doubt_m: float, touched: bool, sure: bool, artefact: str,
) -> str:  # fmt: skip
    """An opening that water in a low spot may reach."""
    least = "at least " if is_least else ""
    if not touched:
        advice = "Full, it stands near this opening and not at it. Take both levels on site."
    elif sure:
        advice = "Water enters when it is full: keep its level down, or raise the sill."
    else:
        advice = (
            f"Within ±{say(doubt_m, 'depth')}, the accuracy of the data, water may enter when it "
            "is full: take both levels on site."
        )
    but = f" But: {artefact}." if artefact else ""
    return (
        f"Low spot {low_spot} overflows at {least}{say(spill_m, 'elevation')}; the sill stands "
        f"{_above(say, freeboard_m)} that. {advice}{but}"
    )


def _not_closed(say: Say, _: Finding, *, low_spot: int, spill_m: float, freeboard_m: float) -> str:
    return (
        f"The elevation data do not close low spot {low_spot} beside it: its water rises to "
        f"{say(spill_m, 'elevation')} or higher. The sill stands at most "
        f"{say(freeboard_m, 'depth')} above it; it cannot be told whether water reaches it. Give "
        "elevation data that reach farther."
    )


def _below_ground(
    say: Say, _: Finding, *, ground_m: float, spread_m: float, above_m: float, doubt_m: float
) -> str:
    measure = "" if above_m < -doubt_m else "Measure the step; if it is so, l"
    return (
        f"The ground in front of it lies at {say(ground_m, 'elevation')}, give or take "
        f"{say(spread_m, 'depth')}; its sill stands {_above(say, above_m)} that, known to about "
        f"±{say(doubt_m, 'depth')}. {measure or 'L'}ower the ground, or build a wall round it."
    )


def _no_sill(
    say: Say, _: Finding, *, low_spot: int | None, spill_m: float | None, touched: bool
) -> str:
    if low_spot is None or spill_m is None:
        return "No sill is given. Measure it."
    return (
        f"No sill is given. Low spot {low_spot} {'at' if touched else 'near'} it overflows at "
        f"{say(spill_m, 'elevation')}: whether water enters cannot be told. Measure it."
    )


def _above(say: Say, height: float) -> str:
    return f"{say(abs(height), 'depth')} {'above' if height >= 0 else 'below'}"


def _downspout_near(say: Say, _: Finding, *, wall_m: float, least_m: float) -> str:
    ends = "at" if wall_m < _AT_WALL_M else f"{say(wall_m, 'length')} from"
    return (
        f"It ends {ends} the wall. Let its water out at least {say(least_m, 'length')} from every "
        "wall, on your own ground where that falls away from the house; else lead it in a pipe."
    )


def _feeds_low_spot(_: Say, __: Finding, *, low_spot: int) -> str:
    return (
        f"Its water runs into low spot {low_spot}. Lead it past, in a pipe of its own or to "
        "another side."
    )


def _onto_inlet(_: Say, __: Finding, *, inlet: str) -> str:
    return (
        f"Its water runs over the ground to {inlet}, whose grate and line must take it too. Lead "
        "it into the line, or elsewhere."
    )


def _way_unknown(_: Say, __: Finding, *, inlet: str, low_spot: int) -> str:
    goes = f"runs to {inlet}, and counts there" if inlet else (
        f"runs into low spot {low_spot}" if low_spot else "runs on over the ground"
    )  # fmt: skip
    return (
        "Where it leads now is not given: its water is taken to come out on the ground at its "
        f"foot, and by the data {goes}. Look where it goes."
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "ground-falls-to-building": _ground_at_wall,
    "ground-too-flat-at-building": _ground_at_wall,
    "ground-at-building-unknown": _ground_unknown,
    "opening-height-unknown": _heights_unknown,
    "opening-below-spill": _below_spill,
    "opening-beside-not-closed": _not_closed,
    "opening-below-ground": _below_ground,
    "opening-sill-unknown": _no_sill,
    "downspout-near-foundation": _downspout_near,
    "downspout-feeds-low-spot": _feeds_low_spot,
    "downspout-onto-inlet-ground": _onto_inlet,
    "downspout-way-unknown": _way_unknown,
}
