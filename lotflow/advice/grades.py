"""How sure an answer is, in three words that say what to do; and figures that are left open."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import Final

from lotflow.findings import STATED
from lotflow.units import open_range


class Grade(StrEnum):
    """How sure, the surest first."""

    SHOWN = "shown"
    LIKELY = "likely"
    LEVEL_FIRST = "level first"


#: What a grade tells the reader to do.
MEANING: Final[dict[Grade, str]] = {
    Grade.SHOWN: "the data shows it",
    Grade.LIKELY: "likely: take these levels first",
    Grade.LEVEL_FIRST: "the data cannot tell: level here",
}
#: What it tells where water was seen as it is predicted.
SEEN_MEANING: Final[dict[Grade, str]] = {
    Grade.SHOWN: "it was seen, and the data show it",
    Grade.LIKELY: "it was seen, how high is likely: take these levels first",
    Grade.LEVEL_FIRST: MEANING[Grade.LEVEL_FIRST],
}
#: What it tells where all that decides it was levelled on site.
LEVELLED_MEANING: Final[dict[Grade, str]] = {
    Grade.SHOWN: "levels taken on site show it",
    Grade.LIKELY: "likely by levels taken on site: look in rain",
    Grade.LEVEL_FIRST: "levels taken on site leave it open: look in rain",
}
#: What it tells where nothing is levelled.
LOOK_IN_RAIN: Final = "likely: look in rain"
_ORDER: Final = tuple(Grade)
#: Chance from which a thing is shown, and from which it is likely: lotflow's choice, no
#: published source.
_SHOWN: Final = 0.9
_LIKELY: Final = 0.5


def least_sure(grades: Iterable[Grade]) -> Grade:
    """Give the least sure of some grades; what rests on nothing uncertain is shown."""
    return max(grades, key=_ORDER.index, default=Grade.SHOWN)


def of_interval(low: float | None, high: float | None, bound: float) -> Grade:
    """
    Grade the claim that a number lies below a bound.

    Parameters
    ----------
    low, high
        Its 95 % interval; None where it is not known.
    bound
        In the same unit.

    Examples
    --------
    >>> of_interval(-0.17, -0.05, 0.0), of_interval(-0.13, 0.01, 0.0), of_interval(-0.01, 0.3, 0.0)
    (<Grade.SHOWN: 'shown'>, <Grade.LIKELY: 'likely'>, <Grade.LEVEL_FIRST: 'level first'>)
    """
    if low is None or high is None:
        return Grade.LEVEL_FIRST
    if high < bound:
        return Grade.SHOWN
    return Grade.LIKELY if (low + high) / 2 <= bound else Grade.LEVEL_FIRST


def of_low_spot(
    probability: float | None, depth_m: float, rmse_m: float, *, may_be_artefact: bool = False
) -> Grade:
    """
    Grade the claim that water can stand in a low spot.

    Parameters
    ----------
    probability
        Chance that it is there, by realisations; None where too few were run, and the depth decides
        beside the accuracy of the data: 1.96 RMSE for shown.
    depth_m, rmse_m
        Depth and accuracy [m].
    may_be_artefact
        Whether something speaks against it: then it is likely at most.

    Examples
    --------
    >>> of_low_spot(0.15, 0.13, 0.1), of_low_spot(None, 0.32, 0.1)
    (<Grade.LEVEL_FIRST: 'level first'>, <Grade.SHOWN: 'shown'>)
    """
    if probability is None:
        shown, likely = depth_m >= 1.96 * rmse_m, depth_m >= rmse_m
    else:
        shown, likely = probability >= _SHOWN, probability >= _LIKELY
    grade = Grade.SHOWN if shown else Grade.LIKELY if likely else Grade.LEVEL_FIRST
    return least_sure([grade, Grade.LIKELY]) if may_be_artefact else grade


def seen_too(grade: Grade) -> Grade:
    """
    Raise the grade of water that was seen where it is predicted by one.

    Examples
    --------
    >>> seen_too(Grade.LEVEL_FIRST), seen_too(Grade.SHOWN)
    (<Grade.LIKELY: 'likely'>, <Grade.SHOWN: 'shown'>)
    """
    return _ORDER[max(_ORDER.index(grade) - 1, 0)]


def of_levels(rests_on: Sequence[str]) -> Grade:
    """
    Grade what rests on levels.

    Parameters
    ----------
    rests_on
        Where they come from; of none it was seen or drawn, and is shown.

    Examples
    --------
    >>> of_levels(["given"]), of_levels(["given", "from ground"]), of_levels(["unknown"])
    (<Grade.SHOWN: 'shown'>, <Grade.LIKELY: 'likely'>, <Grade.LEVEL_FIRST: 'level first'>)
    """
    sources = set(rests_on) - STATED
    if not sources:
        return Grade.SHOWN
    return Grade.LEVEL_FIRST if "unknown" in sources else Grade.LIKELY


def joint_bounds(
    bounds: Sequence[tuple[float, float, float]], together: tuple[float, float] | None
) -> tuple[float, float]:
    """
    Bound what several inlets take together, the same water counted once.

    Parameters
    ----------
    bounds
        Catchment of each on the measured surface, and its bounds [m^2].
    together
        Bounds of all inlets together; None where they are not known.

    Returns
    -------
    low, high
        At least the largest lower bound and at most the sum of the upper ones, nor more than all
        together, but never less than what they take on the measured surface.

    Examples
    --------
    >>> joint_bounds([(8, 3, 1600), (447, 20, 1600), (96, 40, 1600)], (450, 1650))
    (40, 1650)
    """
    if not bounds:
        return 0.0, 0.0
    measured = sum(value for value, _, _ in bounds)
    high = sum(max(value, most) for value, _, most in bounds)
    if together is not None:
        high = max(min(high, together[1]), measured)
    return max(min(value, least) for value, least, _ in bounds), high


def is_open(value: float | None, low: float | None, high: float | None) -> bool:
    """Whether a range is told in the place of a figure: bounds a factor of two or more apart."""
    return open_range(value, low, high) is not None
