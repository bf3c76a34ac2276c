"""Which inlets work while water stands, and which state of the drains a result is for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

_BLOCKED: Final = "blocked:"


class Scenario(str):
    """
    Which inlets work; its text is what results publish in their columns `case`.

    "open": every inlet works; "blocked:NAME": that one takes nothing; "blocked:all": none takes
    anything; "limited": those of limited capacity take no more than that. Nobody else writes or
    reads these texts.

    Examples
    --------
    >>> one = Scenario.one_blocked("Patio basin")
    >>> str(one), one.inlet, one.words
    ('blocked:Patio basin', 'Patio basin', 'Patio basin blocked')
    >>> [Scenario(text).words for text in ("open", "blocked:all", "limited")]
    ['every inlet open', 'all inlets blocked', 'inlets at their limit']
    """

    __slots__ = ()

    @classmethod
    def one_blocked(cls, inlet: str) -> Scenario:
        """Have one inlet take nothing."""
        return cls(_BLOCKED + inlet)

    @property
    def is_blocked(self) -> bool:
        """Whether one inlet takes nothing, or none takes anything."""
        return self.startswith(_BLOCKED)

    @property
    def inlet(self) -> str:
        """Name of the one inlet that takes nothing; empty where there is no such one."""
        return self.removeprefix(_BLOCKED) if self.is_blocked and self != ALL_BLOCKED else ""

    @property
    def words(self) -> str:
        """Say it to a reader."""
        if self == ALL_BLOCKED:
            return "all inlets blocked"
        if self.is_blocked:
            return f"{self.inlet} blocked"
        return "every inlet open" if self == OPEN else "inlets at their limit"

    @property
    def short(self) -> str:
        """Say it in a narrow column."""
        return f"blocked {self.inlet or 'all'}" if self.is_blocked else str(self)


OPEN: Final = Scenario("open")
LIMITED: Final = Scenario("limited")
ALL_BLOCKED: Final = Scenario("blocked:all")


def main_state(states: Iterable[str]) -> str:
    """
    Name the state of the drains that a result is for: the proposed one where there is one.

    Examples
    --------
    >>> main_state(["today", "proposed"]), main_state([])
    ('proposed', 'today')
    """
    return "proposed" if "proposed" in set(states) else "today"
