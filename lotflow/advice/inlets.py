"""What is said of grates, channel drains, and the water that an inlet does not take."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from lotflow.advice.say import storm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _grate_unknown(say: Say, _: Finding, *, flow_m3s: float) -> str:
    return (
        f"{say(flow_m3s, 'flow')} reach it in the design storm; without the size and open share of "
        "its grate nobody knows whether it takes them."
    )


def _grate_small(say: Say, _: Finding, *, clogged: float, flow_m3s: float, depth_m: float) -> str:
    return (
        f"{clogged:.0%} clogged, its grate takes the {say(flow_m3s, 'flow')} of the design storm "
        f"only under {say(depth_m, 'depth')} of water. Set a larger grate, or a second inlet."
    )


def _grate_fixed(_: Say, __: Finding) -> str:
    return (
        "Its grate cannot be taken out: it cannot be cleaned, and fills up. Replace it by one that "
        "can."
    )


def _grate_open(say: Say, _: Finding, *, opening_m: float) -> str:
    return (
        f"Openings of {say(opening_m, 'diameter')} where people walk. Set a grate with narrower "
        "ones, their long side across the way."
    )


def _grate_on_slope(
    say: Say, _: Finding, *, storm_yr: float | None, arriving_m3s: float, taken_m3s: float
) -> str:
    return (
        "By the data it lies on a slope, where water may run past it: of the "
        f"{say(arriving_m3s, 'flow')} that reach it on {say.surface} in the "
        f"{storm(storm_yr)} it takes between nothing and {say(taken_m3s, 'flow')}. What guides the "
        "water to it: a curb, a swale, a dip? Enter gutter_slope_pct and cross_slope_pct of it."
    )


_REMEDIES: Final = {
    "grate": "Set a larger grate or a second inlet",
    "line": "Lay a larger line or lead water elsewhere",
    "dry well": "Make the well larger or lead less to it",
}


def lines_not_counted(lines: Sequence[str]) -> str:
    """
    Say that old lines are counted as taking nothing, and why; without a full stop.

    Parameters
    ----------
    lines
        Names, one at least.
    """
    several = len(lines) > 1
    return (
        f"{_and(lines)} {'are' if several else 'is'} counted as taking nothing: "
        f"{'their ends, bores or falls are' if several else 'its end, bore or fall is'} not known"
    )


def _and(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _passed_by(
    say: Say, _: Finding, *, storm_yr: float | None,
    limited_by: Literal["grate", "line", "dry well"], taken_m3s: float, is_most: bool,
    arriving_m3s: float, backs_up_m3s: float, clogged: float, water_m: float, stands_m3s: float,
    passed_m3s: float, runs_to: str, leaves_lot: bool, refused_m3: float,
    not_counted: Sequence[str] = (), unknown_ways: Sequence[str] = (),
) -> str:  # fmt: skip
    """
    Water that an inlet refuses; flows too small to be told of are 0.

    `unknown_ways` names downspouts that count here though nobody gave where they lead.
    """
    told = []
    if stands_m3s:
        told.append(f"{say(stands_m3s, 'flow')} stand above it")
    if passed_m3s:
        goes = f"go on to {runs_to}" if runs_to else (
            "leave the lot" if leaves_lot else "stay on the ground")  # fmt: skip
        told.append(f"{say(passed_m3s, 'flow')} pass it by and {goes}")
    if not told:
        told.append(
            f"{say(refused_m3, 'volume')} of the storm are refused once the dry well is full"
        )
    taken = say(taken_m3s, "flow") if taken_m3s else "nothing"
    # what comes up out of it and what reaches it over the ground are told apart
    piped = f" ({say(backs_up_m3s, 'flow')} of them up out of its pipes)" if backs_up_m3s else ""
    under = f"under {say(water_m, 'depth')} of water,"
    limit = {
        "grate": f"grate, {100 * clogged:.0f} % clogged and {under}",
        "line": "line, with water no higher than its grate,",
        "dry well": "dry well",
    }[limited_by]
    counts = f" That counts the water of {', '.join(unknown_ways)}, of which nobody gave where " + (
        "it leads now: without it less comes, and it may take all."
    )
    if not_counted:
        return (
            f"At the peak of the {storm(storm_yr)} {say(arriving_m3s, 'flow')} reach it{piped}. "
            f"{lines_not_counted(not_counted)}. {'; '.join(told)}. Find where {_and(not_counted)} "
            f"{'ends' if len(not_counted) == 1 else 'end'} and take inverts at both ends, or give "
            f"the water another way.{counts if unknown_ways else ''}"
        )
    return (
        f"At the peak of the {storm(storm_yr)} it takes {'at most ' if is_most else ''}{taken} of "
        f"the {say(arriving_m3s, 'flow')} that reach it{piped}: its {limit} takes no more. "
        f"{'; '.join(told)}. {_REMEDIES[limited_by]}, or see that the way of the rest does no harm."
        f"{counts if unknown_ways else ''}"
    )


def _channel_unknown(_: Say, __: Finding) -> str:
    return "Without its inside width and depth nobody knows whether it carries its water."


def _channel_long(
    say: Say, _: Finding, *, water_m: float, depth_m: float, piped_m3s: float | None,
    longest_run_m: float | None, one_end_m: float, both_ends_m: float, middle_m: float,
) -> str:  # fmt: skip
    """A channel that overflows, and how deep water would stand with its outlet elsewhere."""
    piped = "" if piped_m3s is None else (
        f" {say(piped_m3s, 'flow')} of it come in through pipes.")  # fmt: skip
    served = "" if longest_run_m is None else (
        f" One outlet serves {say(longest_run_m, 'length')} of it.")  # fmt: skip
    return (
        f"In the design storm water in it stands {say(water_m, 'depth')} deep, more than its depth "
        f"of {say(depth_m, 'depth')}.{piped}{served} With the outlet at one end "
        f"{say(one_end_m, 'depth')}, at both ends {say(both_ends_m, 'depth')}, in the middle "
        f"{say(middle_m, 'depth')}. Move or add an outlet, or take a deeper or wider channel."
    )


def _channel_slopes(say: Say, finding: Finding, *, fall_m: float, doubt_m: float) -> str:
    told = f"By the data the ground along it differs by {say(fall_m, 'depth')}"
    if finding.severity == "note":
        return (
            f"{told}, known to about ±{say(doubt_m, 'depth')}: whether it is level enough for a "
            "top that is set level cannot be told. Level it."
        )
    return (
        f"{told}; its top is set level, and stands out at one end or lies deep at the other. Step "
        "it, or turn it along the contour."
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "grate-size-unknown": _grate_unknown,
    "grate-too-small": _grate_small,
    "grate-not-removable": _grate_fixed,
    "grate-opening-too-wide": _grate_open,
    "grate-on-slope-unknown": _grate_on_slope,
    "inlet-passed-by": _passed_by,
    "channel-size-unknown": _channel_unknown,
    "channel-too-long": _channel_long,
    "channel-ground-not-level": _channel_slopes,
}
