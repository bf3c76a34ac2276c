"""What is said of how sure a result is, given the error of its elevation data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


#: From this chance on rounding would say that it is certain.
_AS_GOOD_AS_SURE: Final = 0.995


def _realisations(
    say: Say, _: Finding, *, rmse_m: float, number: int = 0, white_share: float = 0.0,
    correlation_m: float = 0.0, precision: float = 0.0, fewest: int = 0, usual: int = 0,
    cut_short: bool = False,
) -> str:  # fmt: skip
    if not number:
        return (
            f"The stated error of the elevation data is {say(rmse_m, 'depth')}: low spots and "
            "catchments are told as exact, which no survey is. Give [elevation] rmse_m."
        )
    if cut_short:
        advice = (
            f"the ground is so wide that {usual} would take long: ask for them by [confidence] "
            f"realisations = {usual}."
        )
    elif number < fewest:
        advice = f"fewer than {fewest} give no bounds and say little. Ask for more realisations."
    else:
        advice = "more realisations make them finer."
    tried = f"{number} realisations, surfaces that may each be" if number > 1 else (
        "1 realisation, a surface that may be"
    )  # fmt: skip
    return (
        f"How sure low spots and catchments are is read off {tried} the true ground: the elevation "
        f"data are off by {say(rmse_m, 'depth')} (RMSE), and {1 - white_share:.0%} of the variance "
        f"is shared by neighbours and fades over {say(correlation_m, 'length')}. Shares are good "
        f"to {precision * 100:.0f} in 100; {advice}"
    )


def _surfaces(count: str) -> str:
    """What a realisation is for."""
    return f"{count} surfaces that may be the true ground, given the error of the data"


def _low_spot_sureness(
    say: Say, _: Finding, *, there: int, number: int, chance: float, depth_low_m: float,
    depth_high_m: float, is_sure: bool, is_likely: bool,
) -> str:  # fmt: skip
    told = "more than 99%" if chance >= _AS_GOOD_AS_SURE else f"{chance:.0%}"
    stands = (
        f"It is there on {_surfaces(f'{there} of {number}')}; such surfaces hold more low spots "
        f"than the ground does, so the chance that it is real is {told}"
    )
    depth = f"{say(depth_low_m, 'depth')} to {say(depth_high_m, 'depth')} deep on nine of ten"
    if is_sure:
        return f"{stands}. It is {depth}: check it first."
    if is_likely:
        return f"{stands}. It is {depth}: likely real; measure on site before building on it."
    return f"{stands}. That is within the noise of the data: measure on site."


def _span(say: Say, low_m2: float, high_m2: float) -> str:
    return f"{say(low_m2, 'area')} to {say(high_m2, 'area')} on {_surfaces('nine of ten')}"


def _catchment_hangs_on_detail(
    say: Say, finding: Finding, *, area_m2: float, low_m2: float, high_m2: float
) -> str:
    return (
        f"{finding.subject} takes {say(area_m2, 'area')} on {say.surface}, but "
        f"{_span(say, low_m2, high_m2)}: where its water goes hangs on a feature no deeper than "
        "that error, such as a shallow swale or curb, over which it runs on those surfaces. If it "
        "is real, draw its curb or edges in the layer walls; if not, look where the water goes."
    )


def _catchment_unsure(
    say: Say, finding: Finding, *, low_m2: float, high_m2: float, together_m2: float | None
) -> str:
    # what reaches all inlets at once is less than their upper bounds added
    together = "" if together_m2 is None else (
        f" All inlets together take no more than {say(together_m2, 'area')} on nineteen of "
        "twenty: upper figures of several inlets, added up, count the same water twice."
    )  # fmt: skip
    return (
        f"{finding.subject} takes {_span(say, low_m2, high_m2)}. Size nothing for "
        "one of these figures; take levels on site where its catchment ends."
        f"{together}"
    )


def _path_hangs_on_detail(
    say: Say, finding: Finding, *, length_m: float, behind_m2: float, there: int, number: int
) -> str:
    return (
        f"A flow path to {finding.subject}, {say(length_m, 'length')} long with "
        f"{say(behind_m2, 'area')} draining to it, leads there on "
        f"{_surfaces(f'{there} of {number}')}: what keeps the water on it or turns it, here or "
        "below, is no higher than that error, such as a shallow swale, a curb, or level ground. "
        "Look on site; if it is real, draw it in the layer walls."
    )


def _falls_left_out(
    _: Say, __: Finding, *, told: int, places: int, left_out: Sequence[str], further: int
) -> str:
    more = f" and {further} more" if further else ""
    return (
        f"Falls are told between the first {told} of {places} places: inlets, outlets, openings, "
        f"low spots. Left out: {', '.join(left_out)}{more}. Draw fewer to have them."
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "realisations": _realisations,
    "low-spot-sureness": _low_spot_sureness,
    "catchment-hangs-on-detail": _catchment_hangs_on_detail,
    "catchment-unsure": _catchment_unsure,
    "path-hangs-on-detail": _path_hangs_on_detail,
    "falls-left-out": _falls_left_out,
}
