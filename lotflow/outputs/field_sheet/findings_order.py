"""Which findings are put on the sheet, and in which order."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.findings import SEVERITIES, TODAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    Found = Mapping[str, Any]

#: What concerns the house, worst first. A threshold or wall of which the data cannot tell is
#: here too: a level decides it.
_AT_THE_HOUSE: Final = (
    "pond-reaches-building", "opening-below-ground", "opening-below-spill", "pond-near-threshold",
    "pond-at-wall",
    "ground-falls-to-building", "ground-too-flat-at-building", "outlet-runs-to-building",
    "line-under-building", "trench-below-footing", "downspout-near-foundation",
)  # fmt: skip
#: Low spots have a table of their own.
_ELSEWHERE: Final = ("low-spot",)
#: Most findings of one subject, and of one rule: first so many, then, where room is left, more.
_CAPS: Final = ((1, 2), (2, 3))


def findings_to_check(findings: Iterable[Found]) -> list[Found]:
    """
    Order the findings that a look on site can settle.

    What concerns the house comes first, then what is to be there (inlets before lines), last what
    is there today and is to be replaced; in each of them the failed before the doubtful.

    Parameters
    ----------
    findings
        Entries of the summary's list "findings".

    Examples
    --------
    >>> old = {"rule": "flat-line", "severity": "fail", "message": "As it is today: It is flat."}
    >>> wall = {"rule": "pond-near-threshold", "severity": "warn", "message": "Water stands."}
    >>> [one["rule"] for one in findings_to_check([old, wall])]
    ['pond-near-threshold', 'flat-line']
    """
    asked = [one for one in findings if one["rule"] not in _ELSEWHERE and _can_be_settled(one)]
    return sorted(asked, key=_place)


def _can_be_settled(found: Found) -> bool:
    """Tell whether a look settles it; of a note only where it is an opening of the house."""
    return found["severity"] in ("fail", "warn") or found["rule"] == "opening-below-spill"


def _place(found: Found) -> tuple[int, int, int, float]:
    """Group, weight, rule, then the lower level, grade or distance first."""
    rule, weight = found["rule"], SEVERITIES.index(found["severity"])
    if found["message"].startswith(TODAY):
        return 2, weight, 0, 0.0
    if rule in _AT_THE_HOUSE:
        failed = weight == SEVERITIES.index("fail")
        measured = found.get("measured")
        return 0, int(not failed), _AT_THE_HOUSE.index(rule), measured or 0.0
    return 1, weight, int("inlet" not in rule and "grate" not in rule), 0.0


def different_subjects(findings: Sequence[Found], most: int) -> list[Found]:
    """
    Choose findings so that a short list covers different subjects and different faults.

    Parameters
    ----------
    findings
        In order.
    most
        To be chosen.

    Returns
    -------
    chosen
        In the same order: at first one of a subject and two of a rule, then, as far as room is
        left, two of a subject and three of a rule.

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
