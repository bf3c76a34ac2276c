"""What is looked at first: which low spots, and which findings."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from lotflow.findings import label
from lotflow.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    Found = Mapping[str, Any]


#: Distance from a building at which a low spot counts half: the 10 ft within which the ground
#: must fall away (International Residential Code, R401.3). The halving is lotflow's rule.
_HALF_DISTANCE_M: Final = 10.0 * METRES_PER_FOOT


def attention(depth_m: float, confidence: float, distance_m: float | None) -> float:
    """
    Tell how much a low spot asks to be looked at: depth x confidence x nearness.

    Nearness is 1 at the wall, 1/2 at 10 ft, 1/3 at 20 ft.

    `depth_m`: greatest depth below the spill level [m]; `confidence`: chance that it is there,
    0 to 1; `distance_m`: to the nearest building [m]; None where there is none: nearness 1.

    Only the order of such numbers [m] means something.

    References
    ----------
    lotflow's rule.

    Examples
    --------
    >>> attention(0.10, 1.0, 0.0), attention(0.20, 1.0, 3.048), attention(0.20, 0.5, 3.048)
    (0.1, 0.1, 0.05)
    """
    nearness = 1.0 if distance_m is None else _HALF_DISTANCE_M / (_HALF_DISTANCE_M + distance_m)
    return depth_m * confidence * nearness


def confidence(spot: Mapping[str, Any], rmse_m: float | None) -> float:
    """
    Tell how sure it is that a low spot is there.

    `spot`: entry of the summary's list "low_spots"; `rmse_m`: vertical accuracy of the
    elevation data [m]; None where it is not known.

    Returns its share of the realisations, where they were run; else the chance that its depth
    is more than the error of a difference of two independent levels (normal); 1 where nothing
    is known of the accuracy.

    Examples
    --------
    >>> confidence({"probability": 0.4, "depth_m": 0.3}, 0.1)
    0.4
    >>> round(confidence({"probability": None, "depth_m": 0.1414}, 0.1), 2)
    0.84
    """
    if spot["probability"] is not None:
        return float(spot["probability"])
    if not rmse_m:
        return 1.0
    # the error of a difference is sqrt(2) RMSE, the error function's own sqrt(2) comes on top
    return 0.5 * (1.0 + math.erf(spot["depth_m"] / (2.0 * rmse_m)))


def were_realised(spots: Iterable[Mapping[str, Any]]) -> bool:
    """
    Tell whether realisations say of any low spot how often it stands.

    Examples
    --------
    >>> were_realised([{"probability": None}, {"probability": 0.4}])
    True
    """
    return any(spot["probability"] is not None for spot in spots)


def first_to_check(
    spots: Iterable[Mapping[str, Any]], rmse_m: float | None
) -> list[Mapping[str, Any]]:
    """
    Order low spots: on the lot before beyond it, what may be none after the rest, by attention.

    What may be none on the lot, such as ground held by a bank, still comes before what is beyond
    it: a look settles it. Low spots inside buildings are no water and come last of all.

    `rmse_m`: vertical accuracy of the elevation data [m].
    """

    def place(spot: Mapping[str, Any]) -> tuple[bool, bool, bool, float, int]:
        asks = attention(spot["depth_m"], confidence(spot, rmse_m), spot["building_distance_m"])
        beyond = spot["on_lot_m2"] == 0
        return bool(spot["inside_building"]), beyond, bool(spot["artefact"]), -asks, spot["id"]

    return sorted(spots, key=place)


def to_be_levelled(
    spots: Iterable[Mapping[str, Any]], rmse_m: float | None
) -> list[Mapping[str, Any]]:
    """
    Give the low spots on the lot at which levels are taken, by attention.

    One of which it is doubted whether water stands in it is among them, by the same order: levels
    settle it. Only those inside buildings are left out.

    `rmse_m`: vertical accuracy of the elevation data [m].
    """

    def place(spot: Mapping[str, Any]) -> tuple[float, int]:
        sure = confidence(spot, rmse_m)
        return -attention(spot["depth_m"], sure, spot["building_distance_m"]), spot["id"]

    there = [s for s in spots if s["on_lot_m2"] and not s["inside_building"]]
    return sorted(there, key=place)


#: Low spots have a table of their own.
_ELSEWHERE: Final = ("low-spot",)
#: Most findings of one subject, and of one rule: first so many, then, where room is left, more.
_CAPS: Final = ((1, 2), (2, 3))


def findings_to_check(findings: Iterable[Found]) -> list[Found]:
    """
    Choose the findings that a look on site can settle, in the order of all outputs.

    Those of the same cause are settled with the one that stands for it; a group counts where one
    of it is asked about.

    Examples
    --------
    >>> found = [
    ...     {"rule": "outlet-not-found", "severity": "warn", "subject": "Old"},
    ...     {"rule": "sediment-in-line", "severity": "warn", "subject": "Old",
    ...      "part_of": "outlet-not-found: Old"},
    ...     {"rule": "rainfall-used", "severity": "note", "subject": "rainfall"},
    ... ]
    >>> [one["rule"] for one in findings_to_check(found)]
    ['outlet-not-found']
    """
    chosen: list[Found] = []
    head: Found | None = None
    for one in findings:
        if head is None or one.get("part_of") != label(head["rule"], head["subject"]):
            head = one
        asked = _can_be_settled(one) and head["rule"] not in _ELSEWHERE
        if asked and head not in chosen:
            chosen.append(head)
    return chosen


def _can_be_settled(found: Found) -> bool:
    """Tell whether a look settles it; of a note only where it is an opening of the house."""
    return found["severity"] in ("fail", "warn") or found["rule"] == "opening-below-spill"


def different_subjects(findings: Sequence[Found], most: int) -> list[Found]:
    """
    Choose findings so that a short list covers different subjects and different faults.

    They stay in the same order: at first one of a subject and two of a rule, then, as far as
    room is left, two of a subject and three of a rule.

    Examples
    --------
    >>> found = [{"subject": s, "rule": r} for s, r in ("Aa", "Ab", "Bc", "Ad", "Be")]
    >>> [one["rule"] for one in different_subjects(found, 3)]
    ['a', 'b', 'c']
    >>> [one["rule"] for one in different_subjects(found, 2)]
    ['a', 'c']
    """
    chosen: list[int] = []
    for of_subject, of_rule in _CAPS:
        for number, one in enumerate(findings):
            if len(chosen) == most:
                break
            there = [findings[n] for n in chosen]
            alike = sum(other["subject"] == one["subject"] for other in there)
            same = sum(other["rule"] == one["rule"] for other in there)
            if number not in chosen and alike < of_subject and same < of_rule:
                chosen.append(number)
    return [findings[number] for number in sorted(chosen)]
