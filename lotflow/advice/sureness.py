"""What is said of how sure a result is, given the error of its elevation data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _realisations(
    say: Say, _: Finding, *, rmse_m: float, number: int = 0, white_share: float = 0.0,
    correlation_m: float = 0.0, precision: float = 0.0, fewest: int = 0, usual: int = 0,
    cut_short: bool = False,
) -> str:  # fmt: skip
    if not number:
        return (
            f"The stated error of the elevation data is {rmse_m:g} m: low spots and catchments are "
            "told as exact, which no survey is. Give [elevation] rmse_m."
        )
    if cut_short:
        advice = (
            f"the ground is so wide that {usual} would take long: ask for them by [confidence] "
            f"realisations = {usual}."
        )
    elif number < fewest:
        advice = f"fewer than {fewest} give no bounds and say little. Ask for more realisations."
    else:
        advice = "ask for more realisations for more."
    return (
        f"{number} realisation{'s' if number > 1 else ''} of a surface that is off by "
        f"{say(rmse_m, 'depth')} (RMSE), of which {1 - white_share:.0%} of the variance is shared "
        f"by neighbours and fades over {say(correlation_m, 'length')}. Shares are good to "
        f"{precision * 100:.0f} in 100; {advice}"
    )


def _low_spot_sureness(
    say: Say, _: Finding, *, there: int, number: int, depth_low_m: float, depth_high_m: float,
    is_sure: bool, is_likely: bool,
) -> str:  # fmt: skip
    stands = f"stands in {there} of {number} realisations"
    depth = f"{say(depth_low_m, 'depth')} to {say(depth_high_m, 'depth')} deep in nine of ten"
    if is_sure:
        return f"It {stands}, {depth}: check it first."
    if is_likely:
        return f"It {stands}, {depth}: likely there; measure on site before building on it."
    return f"It {stands}: within the noise of the data. Measure on site."


def _span(say: Say, low_m2: float, high_m2: float) -> str:
    return f"{say(low_m2, 'area')} to {say(high_m2, 'area')} in nine of ten realisations"


def _catchment_hangs_on_detail(
    say: Say, finding: Finding, *, area_m2: float, low_m2: float, high_m2: float
) -> str:
    return (
        f"{finding.subject} takes {say(area_m2, 'area')} on the measured surface, but "
        f"{_span(say, low_m2, high_m2)}: the way of its water hangs on a feature no deeper than "
        "the error of the data, such as a shallow swale or curb, through which realisations leak. "
        "If it is real, draw its curb or edges in the layer walls; if not, look where the water "
        "goes."
    )


def _catchment_unsure(
    say: Say, finding: Finding, *, low_m2: float, high_m2: float, together_m2: float | None
) -> str:
    # what reaches all inlets at once is less than their upper bounds added
    together = "" if together_m2 is None else (
        f" All inlets together take no more than {say(together_m2, 'area')} in nineteen of "
        "twenty: upper figures of several inlets, added, count the same water again."
    )  # fmt: skip
    return (
        f"{finding.subject} takes {_span(say, low_m2, high_m2)}: the data cannot tell. Size "
        "nothing for one of these figures; take levels on site where its catchment ends."
        f"{together}"
    )


def _path_hangs_on_detail(
    say: Say, finding: Finding, *, length_m: float, behind_m2: float, there: int, number: int
) -> str:
    return (
        f"A way of the water to {finding.subject}, {say(length_m, 'length')} long with "
        f"{say(behind_m2, 'area')} behind it, leads there in {there} of {number} realisations: "
        "what keeps the water on it or turns it, here or below, is no higher than the error of "
        "the data, such as a shallow swale, a curb, or even ground. Look on site; if it is real, "
        "draw it in the layer walls."
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
