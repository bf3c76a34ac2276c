"""What is said of water that was seen: whether it agrees with what is predicted; what to ask."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice.answer_words import joined, names_or, sentence
from lotflow.ponding.observations import REACH_M

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.advice.result import Row
    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding

#: What is asked first of wet ground that rain does not explain: common practice.
_DRY_WEATHER: Final = (
    "Is it wet in dry weather too? Then ask for irrigation, a leak (close the house valve, watch "
    "the meter), groundwater or a spring, not for runoff."
)

#: Less rain than this runs off roofs and paving alone, 0.1 in [mm].
WETS_MM: Final = 2.54


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
        about = float(f"{years:.2g}")
        often = {-1: f", less than a {years:g}-year rain", 1: f", more than a {years:g}-year rain"
                 }.get(side, f", about a {about:g}-year rain")  # fmt: skip
    if not rain_m:
        return f"for {on}, which had no rain" if rain_date != date else "for that day without rain"
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
    away = say(facts["away_m"], "length")
    number = facts["low_spot"]
    spot = f"low spot {number}" if number else "a low spot of today"
    return f" The mark lies {away} beside {spot} and is taken for it."


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
    hidden = (
        "Look for what the data do not show: a settled place, paving, an edge or a curb that holds "
        f"it{within}; take levels there.{drain}"
    )
    rain_m = facts["rain_m"]
    # what no rain brings is asked for first
    first, then = (
        (_DRY_WEATHER, hidden)
        if rain_m is not None and rain_m < WETS_MM / 1e3
        else (hidden, _DRY_WEATHER)
    )
    return f"Seen: {was}; none is predicted {against}. {first} {then}"


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
        "more water come (a downspout, a neighbour), does something hold it higher than they show "
        f"(curb, wall, fill)? Take the level of its edge.{_beside(say, facts)}"
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


#: What the answer asks, by the verdict; {inlets} are those near it.
_QUESTIONS: Final[Mapping[str, str]] = {
    "seen, not predicted": "is it wet in dry weather too (a leak, irrigation, groundwater); does "
    "an edge or a settled place hold it{blocked}?",
    "as with inlets blocked": "{inlets} blocked? Put a hose in: where does it come out?",
    "deeper than predicted": "what holds it higher, what brings more{blocked}?",
    "longer than predicted": "is the soil slow (soak test), or an outlet blocked{blocked}?",
    "predicted, not seen": "which culvert or drain empties it? Draw it.",
}
#: Observations of one place that are told, those that ask first.
_MOST: Final = 4


def was_seen(row: Row) -> bool:
    """Whether water was seen, not that none was."""
    return 0 not in (row["depth_m"], row["stood_h"])


def agree(rows: Sequence[Row]) -> bool:
    """
    Whether water was seen where it is predicted, and never missed there.

    Parameters
    ----------
    rows
        Of the layer `observations`, all of one low spot.
    """
    missed = any(row["verdict"] == "predicted, not seen" for row in rows)
    return not missed and any(row["verdict"] == "agrees" and was_seen(row) for row in rows)


def evidence(say: Say, rows: Sequence[Row]) -> str:
    """
    Say what was seen at a place beside what is predicted there, in short.

    Parameters
    ----------
    rows
        Of the layer `observations`.
    """
    first = sorted(rows, key=lambda row: row["verdict"] not in _QUESTIONS)
    told = [
        sentence(f"seen ({row['name']}): {_of_row(say, row)}; {_predicted(say, row)}: "
                 f"{row['verdict']}")
        for row in first[:_MOST]
    ]  # fmt: skip
    more = len(rows) - _MOST
    return " ".join(told + ([f"{more} more in the layer observations."] if more > 0 else []))


def _of_row(say: Say, row: Row) -> str:
    """What was seen, of a row of the layer."""
    return seen(say, row["depth_m"], row["stood_h"], row["seen_on"] or "")


def _predicted(say: Say, row: Row) -> str:
    """What is predicted, and for which rain, in short."""
    depth = depths(say, (row["predicted_least_m"], row["predicted_m"]))
    if row["predicted_h"] and row["stood_h"]:
        depth += f" for {row['predicted_h']:.0f} h"
    rain_mm = row["rain_mm"]
    if rain_mm is None:
        return f"{depth} predicted ({row['rain_basis']})"
    rained = f"{say(rain_mm / 1e3, 'rain_depth')} of rain" if rain_mm else "a day without rain"
    return f"{depth} predicted for {rained}"


def questions(rows: Sequence[Row]) -> str:
    """
    Ask what explains that something else was seen than is predicted.

    Parameters
    ----------
    rows
        Of the layer `observations`.
    """
    asked = []
    for row in rows:
        if row["verdict"] in _QUESTIONS:
            names = [name for name in str(row["inlets"] or "").split(", ") if name]
            verb = "are" if len(names) > 1 else "is"
            told = _QUESTIONS[row["verdict"]].format(
                inlets=f"{verb} {joined(names) or 'an inlet'}",
                blocked=f"; {verb} {joined(names)} blocked" if names else "",
            )
            asked.append(sentence(f"{row['name']}: {told}"))
    return " ".join(asked)


def harm(say: Say, row: Row) -> str:
    """
    Say what was seen that no low spot of the lot explains.

    Parameters
    ----------
    row
        Of the layer `observations`.
    """
    return sentence(f"seen at {row['name']}: {_of_row(say, row)}; {_predicted(say, row)}")


def reach(say: Say, row: Row) -> str:
    """Say how far was looked for water, and how far off a depth may be."""
    return sentence(
        f"{row['verdict']}, with inlets as they are today; looked for within "
        f"{say(REACH_M, 'length')} of the mark; depths may be off by {say(row['error_m'], 'depth')}"
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
