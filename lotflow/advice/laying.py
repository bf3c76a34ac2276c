"""What is said of how lines are laid: fall, cover, trench, levels, and ways to clean them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _fall(
    say: Say, finding: Finding, *, fall_m: float, length_m: float, slope: float, least: float,
    levels: Literal["known", "proposed", "from ground"], cover_m: float = 0.0,
    doubt_m: float = 0.0, may_be_enough: bool = False,
) -> str:  # fmt: skip
    """Too little fall, none, or a fall the wrong way."""
    adverse = finding.rule == "adverse-fall"
    falls = (
        "lies level" if finding.rule == "flat-line"
        else f"{'rises' if adverse else 'falls'} {say(abs(fall_m), 'depth')}"
    )  # fmt: skip
    told = (
        f"it {falls} over {say(length_m, 'length')} ({slope:.2%}); {least:.2%} is the least for "
        "its size."
    )
    if levels == "known":
        which = " Check which end is which." if adverse else ""
        return f"I{told[1:]} Relay it with fall to its outlet, or look for a lower outlet.{which}"
    if levels == "proposed":
        return (
            f"By the levels proposed, {say(cover_m, 'depth')} of cover at least, {told} Level both "
            "ends; then lay it and the lines above it shallower, or look for a lower outlet."
        )
    known = f"By the elevation data {told} That data is good to {say(doubt_m, 'depth')} here"
    if may_be_enough:
        return f"{known}, so that it may fall enough or not at all: level both ends."
    return f"{known}: level both ends before it is relaid."


def _levels_unknown(
    _: Say, __: Finding, *, proposed: bool, ends: Sequence[str] = (), end_is_found: bool = True
) -> str:
    if proposed:
        return (
            "Its levels are not known, and cannot be proposed off the elevation data: nothing can "
            "be said of its fall."
        )
    measure = "Measure" if end_is_found else "Once its end is found, measure"
    return (
        f"The invert at its {' and '.join(ends)} end is not known, so that nothing can be said of "
        f"its fall and of what it carries. {measure} how deep the invert lies below the rim or "
        "ground there."
    )


def _too_little_fall(
    say: Say, finding: Finding, *, outlet: str, available_m: float, run_m: float,
    required_m: float, left_m: float, doubt_m: float, depth_m: float | None,
    diameter_m: float | None,
) -> str:  # fmt: skip
    """Gravity does not reach the outlet, or may not; of an emitter no depth is given."""
    pipe = "pipe" if diameter_m is None else f"the pipe of {say(diameter_m, 'diameter')}"
    takes = (
        "the lid of the emitter takes" if depth_m is None
        else f"cover and {pipe} take {say(depth_m, 'depth')}, the least fall"
    )  # fmt: skip
    told = (
        f"From here to {outlet} there are {say(available_m, 'depth')} of fall over "
        f"{say(run_m, 'length')}; {takes} {say(required_m, 'depth')}. "
    )
    doubt = f"the elevation data is good to {say(doubt_m, 'depth')} here"
    if finding.severity == "fail":
        return f"{told}Gravity does not work: look for a lower outlet, a shallower drain or a pump."
    if left_m < 0:
        return f"{told}That is too little, but {doubt}: level both ends before anything is dug."
    return (
        f"{told}By that {say(left_m, 'depth')} are left, but {doubt}: it may do or not. Level both "
        "ends before anything is dug."
    )


def _too_slow(say: Say, _: Finding, *, velocity_m_s: float) -> str:
    return (
        f"Full, it runs at {say.speed(velocity_m_s, 2)}, too slow to carry grit away. Give it more "
        "fall, or plan to flush it."
    )


def _cover(
    say: Say, finding: Finding, *, cover_m: float, least_m: float, doubt_m: float, share: float,
    judged_m: float, all_judged: bool, at_m: float, shallow_from_m: float | None = None,
    measured_end: Literal["upper", "lower"] | None = None, bare_m: float | None = None,
    seems_bare: bool = False,
) -> str:  # fmt: skip
    """
    Too little ground over the crown.

    `measured_end` is where a depth was given that is too little; `shallow_from_m` where a pipe
    begins to come up to an outlet at the surface; `bare_m` the last stretch, where it is out of
    the ground.
    """
    fails, data = finding.severity == "fail", f"By the elevation data (±{say(doubt_m, 'depth')})"
    how = (
        f"its cover is down to {say(cover_m, 'depth')}" if cover_m >= 0
        else f"it stands {say(-cover_m, 'depth')} out of the ground"
    )  # fmt: skip
    stretch = (
        "its length" if all_judged
        else f"the {say(judged_m, 'length')} that are judged, its end at the surface left out"
    )  # fmt: skip
    over = f"over about {100 * share:.0f} % of {stretch}"
    if measured_end is not None:
        told = f"By the depth given at its {measured_end} end {how} there" + (
            f"; by the elevation data it is too little {over}." if judged_m > 0 else "."
        )
    elif shallow_from_m is not None:
        told = (
            f"{data} its cover is under {say(least_m, 'depth')} from about "
            f"{say(shallow_from_m, 'length')} from its upper end on to its outlet."
        )
    else:
        told = (
            (f"{how[0].upper()}{how[1:]}" if fails else f"{data} {how}")
            + f" {say(at_m, 'length')} from its upper end"
            + (f", and too little {over}." if judged_m > 0 else ".")
        )
    if bare_m is not None:
        told += f" Its last {say(bare_m, 'length')} lie out of the ground."
    elif seems_bare:
        told += (
            " Before it ends there it lies out of the ground by these data, which may be their "
            "error, or a curb or walk they do not show: take levels there."
        )
    if shallow_from_m is not None:
        return (
            f"{told} It comes up to its outlet there: under a walk or to a curb it takes a pipe or "
            "box made for it, with the town's permit, and levels of curb and gutter first; "
            "elsewhere lay rigid pipe, and keep wheels off it."
        )
    if bare_m is not None:
        return (
            f"{told} Under a walk or to a curb it takes a pipe or box made for it, with the town's "
            "permit; elsewhere lay it deeper or end it before."
            f"{'' if fails else ' Dig and measure.'}"
        )
    told += " Lay it deeper, or rigid pipe under paving."
    return told if fails else f"{told} Dig and measure."


def _trench_deep(say: Say, _: Finding, *, depth_m: float) -> str:
    return (
        f"Its trench is up to {say(depth_m, 'depth')} deep. Nobody enters it unprotected: shore or "
        "slope it, or look for a shallower way."
    )


def _under_building(_: Say, __: Finding) -> str:
    return "It is drawn under a building, where it cannot be reached. Lead it round."


def _below_footing(say: Say, _: Finding, *, depth_m: float, away_m: float) -> str:
    return (
        f"Its trench is {say(depth_m, 'depth')} deep at {say(away_m, 'length')} from a building, "
        "below the line at 45 degrees from a footing of ordinary depth. Keep away, or ask an "
        "engineer."
    )


def _turn(_: Say, __: Finding, *, turn_deg: float, meets: str) -> str:
    return (
        f"Its water turns back by {turn_deg:.0f} degrees where it meets {meets}. Join it with the "
        "flow; its loss is counted as that of a right angle."
    )


def _no_way_in(_: Say, __: Finding, *, upper_end: str) -> str:
    return (
        f"Nothing at its upper end, {upper_end}, lets a hose or rod in. Set a cleanout, or a grate "
        "that can be taken out."
    )


def _far_apart(say: Say, _: Finding, *, length_m: float) -> str:
    return (
        f"It is {say(length_m, 'length')} from the last place at which a rod can be put in to its "
        "lower end. Set a cleanout between."
    )


def _leaves_data(_: Say, __: Finding, *, share: float) -> str:
    return (
        f"{share:.0%} of it lies where the elevation data has no values: cover and trench depth "
        "are not known there."
    )


def _above_ground(say: Say, _: Finding, *, end: Literal["upper", "lower"], above_m: float) -> str:
    return (
        f"Its {end} invert lies {say(above_m, 'depth')} above the ground, more than the elevation "
        "data may be wrong. Level it again."
    )


def _disagree(say: Say, _: Finding, *, end: Literal["upper", "lower"], differ_m: float) -> str:
    return (
        f"The {end} invert and its depth below the rim differ by {say(differ_m, 'depth')}, with "
        "the rim taken from the elevation data: the elevation counts. Measure the rim, and give it."
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "adverse-fall": _fall,
    "flat-line": _fall,
    "below-minimum-fall": _fall,
    "levels-unknown": _levels_unknown,
    "too-little-fall": _too_little_fall,
    "too-slow-to-keep-clean": _too_slow,
    "cover-too-small": _cover,
    "trench-too-deep": _trench_deep,
    "line-under-building": _under_building,
    "trench-below-footing": _below_footing,
    "turn-too-sharp": _turn,
    "no-way-to-clean": _no_way_in,
    "cleanouts-too-far-apart": _far_apart,
    "line-leaves-elevation-data": _leaves_data,
    "invert-above-ground": _above_ground,
    "inverts-disagree": _disagree,
}
