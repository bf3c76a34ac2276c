"""Which findings are put on the sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.findings import label

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    Found = Mapping[str, Any]

#: Low spots have a table of their own.
_ELSEWHERE: Final = ("low-spot",)
#: Most findings of one subject, and of one rule: first so many, then, where room is left, more.
_CAPS: Final = ((1, 2), (2, 3))


def findings_to_check(findings: Iterable[Found]) -> list[Found]:
    """
    Choose the findings that a look on site can settle, in the order of all outputs.

    Those of the same cause are settled with the one that stands for it; a group counts where one
    of it is asked about.

    Parameters
    ----------
    findings
        Entries of the summary's list "findings".

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
