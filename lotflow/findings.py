"""The outcome of a check is data: a finding says what was measured, the limit and its source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final, Literal

Severity = Literal["fail", "warn", "note"]
#: Where a level comes from: an elevation somebody gave; a depth given below a rim that was given;
#: given for another line that meets there; the elevation data, with or without a depth given
#: below it; proposed by lotflow; not known.
LevelSource = Literal["given", "below rim", "from line", "from ground", "proposed", "unknown"]

#: Until these are answered nothing else that is asked of the same drains can be.
_ASKED_FIRST: Final = ("outlet-not-found",)

#: Levels that somebody gave.
STATED: Final[frozenset[LevelSource]] = frozenset({"given", "below rim", "from line"})

#: Worst first, the order in which findings are listed.
SEVERITIES: tuple[Severity, ...] = ("fail", "warn", "note")


@dataclass(frozen=True)
class Finding:
    """
    One thing a check found.

    Parameters
    ----------
    rule
        Stable identifier, words joined by hyphens: "smaller-pipe-downstream".
    severity
        "fail": breaks a limit; "warn": may, or an assumption decides; "note": worth knowing.
    subject
        Name of the inlet, line, low spot or file it is about.
    message
        One or two sentences: what, and what to do.
    measured, limit
        Numbers in `unit`; None where the check is not about a number.
    unit
        Unit of both.
    source
        Where the limit comes from: a published source, or "common practice, no published source".
    x, y
        Where it is, in the coordinates of the result; None where it has no place.
    area_m2, volume_m3
        Of the water it is about; None where it is about none.
    touches
        Buildings, openings and ground that this water stands on or against, joined by "; ".
    rests_on
        Where the levels come from that `measured` and `limit` rest on; empty where they rest on
        none.
    """

    rule: str
    severity: Severity
    subject: str
    message: str
    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    source: str = ""
    x: float | None = None
    y: float | None = None
    area_m2: float | None = None
    volume_m3: float | None = None
    touches: str = ""
    rests_on: tuple[LevelSource, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """All fields, in the order in which they are declared; sources of levels as one text."""
        return asdict(self) | {"rests_on": ", ".join(self.rests_on)}


def as_severe_as_known(
    severity: Severity, rests_on: Sequence[LevelSource], *, beyond_ground: bool = False
) -> Severity:
    """
    Take a failure back to a warning where it rests on a level that nobody gave.

    Parameters
    ----------
    severity
        Were all levels known.
    rests_on
        Sources of the levels compared.
    beyond_ground
        Whether the limit is missed by more than the ground of the elevation data may be wrong.
        Two levels off that data alone never fail: a pipe's fall is decided by a level on site.

    Examples
    --------
    >>> as_severe_as_known("fail", ("given", "proposed"), beyond_ground=True)
    'warn'
    >>> as_severe_as_known("fail", ("given", "from ground"), beyond_ground=True)
    'fail'
    >>> as_severe_as_known("fail", ("from ground",), beyond_ground=True)
    'warn'
    """
    sources = set(rests_on)
    if severity != "fail" or sources <= STATED:
        return severity
    decided = beyond_ground and bool(sources & STATED) and sources <= STATED | {"from ground"}
    return "fail" if decided else "warn"


def ordered(findings: list[Finding]) -> list[Finding]:
    """
    Put findings in reading order: worst first, then by rule and subject; repeats are dropped.

    Examples
    --------
    >>> a = Finding("b-rule", "note", "X", "...")
    >>> b = Finding("a-rule", "fail", "Y", "...")
    >>> [finding.rule for finding in ordered([a, b, a])]
    ['a-rule', 'b-rule']
    """
    return sorted(
        dict.fromkeys(findings),
        key=lambda finding: (
            SEVERITIES.index(finding.severity),
            finding.rule not in _ASKED_FIRST,
            finding.rule,
            finding.subject,
        ),
    )


#: Begins the message of what is found of the drains as they are and no longer as proposed.
TODAY: Final = "As it is today: "


def with_earlier(main: Sequence[Finding], earlier: Sequence[Finding]) -> list[Finding]:
    """
    Add what is found only of the drains as they are today, and say so.

    Parameters
    ----------
    main
        Of the main case.
    earlier
        Of the earlier case.

    Examples
    --------
    >>> kept, gone = Finding("a", "note", "L1", "Short."), Finding("b", "fail", "L2", "Narrow.")
    >>> [finding.message for finding in with_earlier([kept], [kept, gone])]
    ['Short.', 'As it is today: Narrow.']
    """
    known = set(main)
    return [
        *main,
        *(replace(one, message=TODAY + one.message) for one in earlier if one not in known),
    ]
