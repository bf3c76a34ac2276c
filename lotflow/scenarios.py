"""Which inlets take water while a storm runs: the sets of inlets that a result is told for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

#: Every inlet takes all that comes; each takes what grate, line and outlet let it; one takes
#: nothing; none takes anything.
Open = Literal["open", "limited", "one blocked", "all blocked"]

_BLOCKED: Final = "blocked:"


@dataclass(frozen=True)
class Scenario:
    """
    Which inlets take water; written as in the column `case` of ponds.

    Parameters
    ----------
    inlets
        How many of them are open, and to how much.
    blocked
        Name of the inlet that is blocked alone; empty otherwise.

    Examples
    --------
    >>> [str(one) for one in (OPEN, LIMITED, one_blocked("Patio basin"), ALL_BLOCKED)]
    ['open', 'limited', 'blocked:Patio basin', 'blocked:all']
    >>> Scenario.parse("blocked:Patio basin").blocked
    'Patio basin'
    """

    inlets: Open
    blocked: str = ""

    def __str__(self) -> str:
        """Write it: "open", "limited", "blocked:NAME" or "blocked:all"."""
        if self.inlets == "one blocked":
            return _BLOCKED + self.blocked
        return _BLOCKED + "all" if self.inlets == "all blocked" else self.inlets

    @property
    def is_one_blocked(self) -> bool:
        """Whether one inlet is blocked, and the others are open."""
        return self.inlets == "one blocked"

    @classmethod
    def parse(cls, text: str) -> Scenario:
        """
        Read one as it is written; of an inlet named "all" it is not known from all inlets.

        Parameters
        ----------
        text
            From the column `case`.

        Raises
        ------
        ValueError
            If it is none: a fault of the program, never of an input.
        """
        for one in (OPEN, LIMITED, ALL_BLOCKED):
            if text == str(one):
                return one
        if not text.startswith(_BLOCKED):
            raise ValueError(f"{text!r} names no set of open inlets")
        return one_blocked(text.removeprefix(_BLOCKED))


OPEN: Final = Scenario("open")
LIMITED: Final = Scenario("limited")
ALL_BLOCKED: Final = Scenario("all blocked")


def one_blocked(name: str) -> Scenario:
    """
    Give the scenario in which one inlet takes nothing and the others take all that comes.

    Parameters
    ----------
    name
        Of the blocked inlet.
    """
    return Scenario("one blocked", name)
