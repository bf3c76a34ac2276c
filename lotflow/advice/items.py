"""One item of the answer: its fields, its place in the order, its form in `summary.json`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice import answer_words as words
from lotflow.advice.causes import Cause
from lotflow.advice.grades import LEVELLED_MEANING, MEANING, Grade
from lotflow.advice.harm import Place
from lotflow.advice.remedies import Remedy
from lotflow.advice.themes import Theme

if TYPE_CHECKING:
    from lotflow.advice.say import Say
    from lotflow.findings import Finding

#: Items by where harm is done, then by theme: what is at the house before drains that do not do
#: their work, these before the rest. What old pipes are worth is asked before new ones are judged.
PLACE_RANKS: Final = {
    Place.OPENING: 0, Place.WALL: 1, Place.PAVING: 4, Place.LAWN: 5, Place.NEIGHBOUR: 6,
}  # fmt: skip

THEME_RANKS: Final = {
    Theme.WALLS: 1, Theme.SEEN: 2, Theme.RUN: 2, Theme.NO_OUTLET: 2, Theme.CAPACITY: 2,
    Theme.INLETS: 3, Theme.LET_OUT: 6, Theme.RUN_ON: 7, Theme.LAYING: 8, Theme.KEPT: 9,
    Theme.ELSEWHERE: 10,
}  # fmt: skip


@dataclass(frozen=True)
class Item:
    """
    One item of the answer.

    Parameters
    ----------
    theme
        What it is about.
    key
        Which one of its theme.
    rank_key
        What it is ordered by.
    place, x, y
        Where.
    harm, verdict, takes
        Sentences: what happens, what it is, what the remedy takes.
    steps
        What to do, in order.
    check, risk, left
        Sentences: what to measure to be sure, what could make it wrong, and, of the first item,
        what fails still once it is done.
    causes
        Of its water, in shares that add up to one; empty where it is about no water.
    mends
        Rows of the table of harm that the remedy mends, by key.
    grade
        How sure.
    evidence, source
        The figures behind it, and who sets the limit.
    findings
        Folded under it, the weightiest first.
    measures
        The remedy as it was found.
    means
        What its grade tells, where that is not the meaning of the grade.
    is_levelled
        Whether all that decides it was levelled on site.
    rank
        Its number, from 1.
    """

    theme: Theme
    key: str
    rank_key: tuple[Any, ...]
    place: str
    x: float | None
    y: float | None
    harm: str
    verdict: str
    steps: tuple[str, ...]
    grade: Grade
    evidence: str
    findings: tuple[Finding, ...]
    takes: str = ""
    check: str = ""
    risk: str = ""
    left: str = ""
    source: str = ""
    causes: tuple[Cause, ...] = ()
    mends: tuple[str, ...] = ()
    measures: tuple[Remedy, ...] = ()
    means: str = ""
    is_levelled: bool = False
    rank: int = 0

    @property
    def remedy(self) -> str:
        """What to do, in order, in one text."""
        return " ".join(self.steps)

    def as_dict(self, say: Say) -> dict[str, Any]:
        """Give the item as `summary.json` holds it."""
        meaning = LEVELLED_MEANING if self.is_levelled else MEANING
        return {
            "rank": self.rank, "theme": self.theme.value, "harm": self.harm, "place": self.place,
            "x": rounded(self.x), "y": rounded(self.y),
            "causes": [
                {
                    "source": one.source.value, "share": one.share, "subject": one.subject,
                    "x": rounded(one.x), "y": rounded(one.y), "evidence": words.cause(say, one),
                }
                for one in self.causes
            ],
            "verdict": self.verdict, "remedy": self.remedy, "steps": list(self.steps),
            "mends": list(self.mends),
            "takes": self.takes, "check": self.check, "risk": self.risk, "left": self.left,
            "grade": self.grade.value, "grade_means": self.means or meaning[self.grade],
            "is_levelled": self.is_levelled,
            "evidence": self.evidence, "source": self.source,
            "findings": [finding_key(one) for one in self.findings],
        }  # fmt: skip


def rounded(value: float | None) -> float | None:
    """Round as the rest of the summary is, so that the same result gives the same bytes."""
    return None if value is None else round(float(value), 4)


def finding_key(one: Finding) -> dict[str, Any]:
    """What names a finding in `summary.json`."""
    return {"rule": one.rule, "subject": one.subject, "scenario": "today" if one.today else ""}


def rank_key(rank: float, grade: Grade, theme: Theme, *more: Any) -> tuple[Any, ...]:
    """What an item is ordered by: the harm, its theme, what its theme weighs, how sure it is."""
    return (rank, tuple(Theme).index(theme), *more, tuple(Grade).index(grade))
