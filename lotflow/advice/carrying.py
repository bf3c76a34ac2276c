"""What is said of what lines carry in storms, and of the water that stands where they do not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from lotflow.advice.say import storm
from lotflow.findings import STATED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding, LevelSource


def _over_capacity(
    say: Say, finding: Finding, *, storm_yr: float | None, flow_m3s: float, clean_m3s: float,
    found_m3s: float | None = None, kept: float | None = None, left_m3s: float = 0.0,
    kept_storm_yr: float | None = None,
) -> str:  # fmt: skip
    """More water than a line carries; `found_m3s` where it would carry it if it were clean."""
    told = f"The {storm(storm_yr)} brings {say(flow_m3s, 'flow')}"
    if found_m3s is not None:
        told += (
            f"; as it was found the line carries {say(found_m3s, 'flow')}, clean "
            f"{say(clean_m3s, 'flow')}. Clean it."
        )
    elif finding.limit is not None and finding.limit < 0.99 * clean_m3s:
        told += (
            f"; as it was found the line carries {say(finding.limit, 'flow')}, clean "
            f"{say(clean_m3s, 'flow')}, less than comes either way. Lay a larger pipe, give it "
            "more fall, or lead water elsewhere."
        )
    else:
        told += (
            f"; full, the line carries {say(clean_m3s, 'flow')}. Lay a larger pipe, give it more "
            "fall, or lead water elsewhere."
        )
    return told + _hangs_on(finding.rests_on) + _hollows(say, kept, left_m3s, kept_storm_yr)


def _hangs_on(sources: Sequence[LevelSource]) -> str:
    """What of the levels nobody gave."""
    if STATED.issuperset(sources):
        return ""
    if "proposed" in sources:
        ground = ", or hang on the elevation data" if "from ground" in sources else ""
        return f" Levels that count here are proposed{ground}: take them on site."
    if "unknown" in sources:
        return " Levels that count here are not known."
    return " Levels that count here hang on the elevation data: take them on site."


def _hollows(say: Say, kept: float | None, left_m3s: float, storm_yr: float | None) -> str:
    """What hollows above the inlets keep."""
    if kept is None:
        return ""
    return (
        f" By the elevation data, hollows above its inlets hold back {100 * kept:.0f} % of that "
        f"water in the {storm(storm_yr)}, and {say(left_m3s, 'flow')} arrive: take the levels at "
        "which they run over."
    )


def _too_fast(say: Say, _: Finding, *, storm_yr: float | None, velocity_m_s: float) -> str:
    return (
        f"The {storm(storm_yr)} runs at {say.speed(velocity_m_s)} in it. Anchor it, and protect "
        "the ground at its outlet."
    )


def _pump(say: Say, _: Finding, *, storm_yr: float | None, flow_m3s: float) -> str:
    return (
        f"Its pump must take {say(flow_m3s, 'flow')} in the {storm(storm_yr)}. Give the water a "
        "way out for when the pump stands still."
    )


def _water_above(
    say: Say, finding: Finding, *, storm_yr: float | None, above_m: float, is_full: bool,
    kept: float | None = None, left_m3s: float = 0.0, kept_storm_yr: float | None = None,
) -> str:  # fmt: skip
    """Water that stands above a grate or cover; full where the line takes no more of it."""
    is_inlet = finding.rule == "water-above-grate"
    above, outside = say(above_m, "depth"), "it comes out of any cover that is not sealed"
    if is_inlet and not is_full:
        told = (
            "the drain could carry what comes to its inlets over their own ground and in pipes "
            f"only with water standing {above} above its grate: it takes less. What runs over from "
            "other inlets comes on top."
        )
    elif is_inlet:
        told = (
            "what comes to its inlets over their own ground and in pipes fills the drain up to its "
            "grate: some of it is refused, here or at the inlets that share it."
        )
    elif not is_full:
        told = f"water in the drain stands {above} above the ground there: {outside}."
    else:
        told = (
            f"the drain is full up to the ground there: {outside}. The rest stands there or runs "
            "on."
        )
    return (
        f"In the {storm(storm_yr)} {told} A larger pipe, a lower outlet or more fall below it may "
        f"help.{_hangs_on(finding.rests_on)}{_hollows(say, kept, left_m3s, kept_storm_yr)}"
    )


def _within_doubt(
    say: Say, finding: Finding, *, storm_yr: float | None, carries_m3s: float, flow_m3s: float,
    more: int, realisations: int, into_well: bool,
) -> str:  # fmt: skip
    line = "The line" if STATED.issuperset(finding.rests_on) else (
        "By levels that nobody has given the line")  # fmt: skip
    well = ", with a well that takes it" if into_well else ""
    return (
        f"{line} carries {say(carries_m3s, 'flow')}. On {say.surface} the {storm(storm_yr)} "
        f"brings {say(flow_m3s, 'flow')}, but on {more} of {realisations} surfaces that the "
        "elevation data allow (realisations) it brings more than the line carries. Take levels on "
        f"site where the catchments of its inlets end, or lay the line larger{well}."
    )


Change = Literal["clean", "lay", "lay as large", "relay", "relay as large", "relay the run"]


def _best_change(
    say: Say, finding: Finding, *, change: Change, left: int, failures: int,
    lines: Sequence[str] = (), larger: str = "", size: str | None = None,
    diameter_m: float | None = None, tried: int | None = None,
) -> str:  # fmt: skip
    """Name the one change; `size` as pipe is ordered, the bore where it is none that is sold."""
    name, bore = finding.subject, "" if diameter_m is None else say(diameter_m, "diameter")
    laid = size or bore
    as_large = f"{', '.join(lines)} as large as {larger}, in {laid}"
    what = {
        "clean": f"clean {name}",
        "lay": f"lay {name} in {laid}",
        "lay as large": f"lay {as_large}",
        "relay": f"relay {name}{f' in {laid}' if laid else ''} with the fall it needs",
        "relay as large": f"relay {as_large}, with the fall needed",
        "relay the run": f"relay everything from {name} to the outlet",
    }[change]
    of = "" if tried is None else f", of {tried} lines tried"
    return (
        f"The single change to a line that mends most{of}: {what}. It leaves {left} of {failures} "
        "failures of the lines."
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "over-capacity": _over_capacity,
    "too-fast": _too_fast,
    "pump-flow": _pump,
    "water-above-grate": _water_above,
    "water-above-ground": _water_above,
    "capacity-within-doubt": _within_doubt,
    "best-single-change": _best_change,
}
