"""What is said of water that was seen: whether it agrees with what is predicted; what to ask."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice.answer_words import joined, names_or, sentence

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding

#: What is asked first of wet ground that rain does not explain: common practice.
_DRY_WEATHER: Final = (
    "Is it wet in dry weather too? Then ask for irrigation, a leak (close the house valve, watch "
    "the meter), groundwater or a spring, not for runoff."
)


def seen(say: Say, depth_m: float | None, hours: float | None, date: str) -> str:
    """
    Say what was seen.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> seen(Say("us"), 0.0762, 30.0, "2026-05-03"), seen(Say("metric"), 0.0, None, "")
    ('3.0 in for 30 h on 2026-05-03', 'no water')
    """
    on = f" on {date}" if date else ""
    if 0 in (depth_m, hours):
        return f"no water{on}"
    depth = "water" if depth_m is None else say(depth_m, "depth")
    return depth + ("" if hours is None else f" for {hours:g} h") + on


def rain(
    say: Say, basis: str, rain_m: float | None, rain_date: str, date: str,
    period: tuple[float, int] | None,
) -> str:  # fmt: skip
    """Say for which rain water is predicted."""
    if basis == "design storms":
        return "in the design storms (the rain of the day is not known)"
    if basis == "full low spots" or rain_m is None:
        return "where low spots are full (no rain is known)"
    on = "that day" if rain_date == date else f"{rain_date}, the day before"
    often = ""
    if period is not None:
        years, side = period
        often = {-1: f", less than a {years:g}-year rain", 1: f", more than a {years:g}-year rain"
                 }.get(side, f", about a {years:.2g}-year rain")  # fmt: skip
    return f"for the {say(rain_m, 'rain_depth')} of rain on {on}{often}"


def depths(say: Say, span: Sequence[float], least_m: float = 0.005) -> str:
    """
    Say a predicted depth, or from which to which.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> depths(Say("metric"), (0.3, 0.3)), depths(Say("metric"), (0.0, 0.3))
    ('0.30 m', 'none to 0.30 m')
    """
    low, high = ("none" if one < least_m else say(one, "depth") for one in span)
    return low if low == high else f"{low} to {high}"


def _stands(say: Say, predicted: Any) -> str:
    """Depth and hours that are predicted."""
    told = depths(say, predicted.opened)
    low, high = predicted.stands_h
    if not high:
        return told
    if math.isinf(high):
        return f"{told}, part of which stays on sealed ground until it dries"
    hours = f"{high:.0f} h" if round(low) == round(high) else f"{low:.0f} to {high:.0f} h"
    return f"{told}, gone after {hours}"


def _told(say: Say, facts: Mapping[str, Any]) -> tuple[str, str]:
    """What was seen, and for which rain something is predicted."""
    keys = ("basis", "rain_m", "rain_date", "date", "period")
    return (
        seen(say, facts["depth_m"], facts["hours"], facts["date"]),
        rain(say, *(facts[key] for key in keys)),
    )


def _beside(say: Say, facts: Mapping[str, Any]) -> str:
    """How a mark was matched where it lies beside what it belongs to."""
    if facts["away_m"] is None:
        return ""
    what = f"low spot {facts['low_spot']}" if facts["low_spot"] else "the water"
    return f" The mark lies {say(facts['away_m'], 'length')} beside {what} and is taken for it."


def _agrees(say: Say, _: Finding, **facts: Any) -> str:
    was, against = _told(say, facts)
    predicted = facts["predicted"]
    if 0 in (facts["depth_m"], facts["hours"]):
        return f"Seen: {was}; none is predicted {against}."
    error = say(predicted.error_m, "depth")
    return (
        f"Seen: {was}. Predicted {against}: {_stands(say, predicted)}. They agree, within the "
        f"{error} by which the data may be off.{_beside(say, facts)}"
    )


def _not_predicted(say: Say, _: Finding, **facts: Any) -> str:
    was, against = _told(say, facts)
    predicted = facts["predicted"]
    drain = ""
    if facts["inlets"]:
        drain = f" Does {joined(facts['inlets'])} take water? Put a hose in."
    within = ""
    depth = facts["depth_m"]
    if depth is not None and depth <= predicted.error_m:
        within = (
            f", no more than the {say(predicted.error_m, 'depth')} by which the data may be off"
        )
    return (
        f"Seen: {was}; none is predicted {against}. Look first for what the data do not show: a "
        f"settled place, paving, an edge or a curb that holds it{within}: take levels there."
        f"{drain} {_DRY_WEATHER}"
    )


def _drain_blocked(say: Say, _: Finding, **facts: Any) -> str:
    was, against = _told(say, facts)
    predicted = facts["predicted"]
    return (
        f"Seen: {was}. Predicted {against}: {depths(say, predicted.opened)} with inlets open, "
        f"{say(predicted.blocked.high, 'depth')} with all of them blocked. "
        f"{names_or(facts['inlets'], 'is', 'are') if facts['inlets'] else 'An inlet is'} likely "
        f"blocked, or the pipe behind: put a hose in and see where it comes out."
        f"{_beside(say, facts)}"
    )


def _deeper(say: Say, _: Finding, **facts: Any) -> str:
    was, against = _told(say, facts)
    drain = (
        f"does {joined(facts['inlets'])} take water at all" if facts["inlets"]
        else "does a drain that is not drawn no longer work"
    )  # fmt: skip
    return (
        f"Seen: {was}. Predicted {against}: {depths(say, facts['predicted'].opened)}, give or take "
        f"{say(facts['predicted'].error_m, 'depth')}. Deeper than the data explain: {drain}, does "
        "something hold it higher than they show (curb, wall, fill), does more water come (a "
        f"downspout, a neighbour)?{_beside(say, facts)}"
    )


def _longer(say: Say, _: Finding, **facts: Any) -> str:
    was, against = _told(say, facts)
    outlet = f", or {joined(facts['inlets'])} blocked" if facts["inlets"] else ""
    return (
        f"Seen: {was}. Predicted {against}: {_stands(say, facts['predicted'])}. It stays more than "
        "twice as long: slow or compacted soil (a soak test tells, soak_test in the job), a "
        f"blocked outlet{outlet}. {_DRY_WEATHER}{_beside(say, facts)}"
    )


def _not_seen(say: Say, _: Finding, **facts: Any) -> str:
    was, against = _told(say, facts)
    return (
        f"Predicted {against}: {_stands(say, facts['predicted'])}, give or take "
        f"{say(facts['predicted'].error_m, 'depth')}; seen: {was}. Look for a culvert or drain "
        "that empties it, and draw it; ask whether it rained as much here as at the gauge."
        f"{_beside(say, facts)}"
    )


def _less(say: Say, _: Finding, **facts: Any) -> str:
    was, against = _told(say, facts)
    return (
        f"Seen: {was}. Predicted {against}: {_stands(say, facts['predicted'])}. Less than "
        "predicted: ask for a drain or culvert that is not drawn, for soil that takes more, for "
        f"less rain here than at the gauge.{_beside(say, facts)}"
    )


def _open(say: Say, _: Finding, **facts: Any) -> str:
    was, against = _told(say, facts)
    why = (
        f"within the {say(facts['predicted'].error_m, 'depth')} by which the data may be off"
        if facts["basis"] == "rain of the day"
        else "of a day whose rain is not known"
    )
    return (
        f"Seen: {was}. Predicted {against}: {_stands(say, facts['predicted'])}. Whether they agree "
        f"cannot be told: it is {why}.{_beside(say, facts)}"
    )


def _rain_unknown(
    say: Say, _: Finding, *, names: Sequence[str], days: Sequence[str], undated: bool,
    has_storms: bool,
) -> str:  # fmt: skip
    against = "the design storms" if has_storms else "full low spots"
    key, depth = say.either("rain_mm", "rain_in"), say.either("41", "1.6")
    ask = (
        f"Look up the rain of {joined(days)} at the nearest gauge and give it in the job, as "
        f"[observations] {key} = {{ {days[0]} = {depth} }}."
        if days
        else f"With it, {key} under [observations] gives the rain of that day."
    )
    date = "Ask on which day it was seen. " if undated else ""
    return sentence(
        f"{names_or(names, 'is', 'are')} held against {against}: the rain of the day is not known. "
        f"{date}{ask}"
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "observation-agrees": _agrees,
    "observation-not-predicted": _not_predicted,
    "observation-drain-blocked": _drain_blocked,
    "observation-deeper": _deeper,
    "observation-longer": _longer,
    "observation-not-seen": _not_seen,
    "observation-less": _less,
    "observation-open": _open,
    "observation-rain-unknown": _rain_unknown,
}
