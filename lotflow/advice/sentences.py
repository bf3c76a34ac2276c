"""The message of each finding, written from its facts by the rule it goes by."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from lotflow.advice import (
    carrying,
    data,
    earthworks,
    gravity,
    ground,
    house,
    inlets,
    laying,
    lines,
    observations,
    outlets,
    pipes,
    ponds,
    runoff,
    shots,
    sureness,
)
from lotflow.advice.say import Say, Sentence
from lotflow.advice.verdicts import FAULTS

if TYPE_CHECKING:
    from lotflow.findings import Finding
    from lotflow.units import UnitSystem

#: By rule. What a sentence takes besides `Say` and the finding are the facts that its rule owes.
SENTENCES: Final[dict[str, Sentence]] = {
    rule: sentence
    for room in (
        carrying,
        data,
        earthworks,
        gravity,
        ground,
        house,
        inlets,
        laying,
        lines,
        observations,
        outlets,
        pipes,
        ponds,
        runoff,
        shots,
        sureness,
    )
    for rule, sentence in room.SENTENCES.items()
}


#: What is wrong with drains that the proposed takes the place of: nobody mends it.
_OF_OLD_DRAINS: Final = FAULTS | {
    "water-above-grate", "water-above-ground", "inlet-passed", "inlet-passed-by",
    "channel-ground-not-level",
}  # fmt: skip
_IF_KEPT: Final = " To be mended only if it is kept."


def message(finding: Finding, units: UnitSystem | None = None, *, is_levelled: bool = False) -> str:
    """
    Write the message of a finding.

    Parameters
    ----------
    finding
        With the facts that the sentence of its rule takes.
    units
        Of the report; None for metric units with US ones in brackets.
    is_levelled
        Whether levels taken on site went into the ground.

    Raises
    ------
    TypeError
        If a fact is missing, or one is given that the sentence does not take: a fault of the
        program, never of an input.

    Examples
    --------
    >>> from lotflow.findings import Finding
    >>> facts = {"above_m": 0.1016, "below_m": 0.0762}
    >>> message(Finding("size-changes-within-line", "fail", "L1", facts=facts), "us")[:52]
    'Its ends differ, 4.0 in above and 3.0 in below: ther'
    """
    if finding.message:
        return finding.message
    told = SENTENCES[finding.rule](Say(units, is_levelled), finding, **finding.facts)
    return f"{told}{_IF_KEPT}" if finding.today and finding.rule in _OF_OLD_DRAINS else told


def worded(findings: Iterable[Finding], units: UnitSystem | None = None) -> tuple[Finding, ...]:
    """
    Give findings with their messages.

    Parameters
    ----------
    findings
        In any order, which is kept.
    units
        As for `message`.
    """
    found = list(findings)
    is_levelled = any(one.rule == "shots-used" and one.facts.get("used") for one in found)
    return tuple(
        replace(one, message=message(one, units, is_levelled=is_levelled)) for one in found
    )
