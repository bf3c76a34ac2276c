"""What findings about drains are measured against, and how one about a line is made."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.criteria import Criteria
from lotflow.findings import Finding, LevelSource, Severity, as_severe_as_known
from lotflow.terrain.level_error import SPREAD_95, Datum, LevelError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.grid import FloatArray

PRACTICE = "common practice, no published source"
#: A flow up to this is none, and nothing is said of it: half of the last digit of a flow that is
#: printed, 0.005 l/s (0.08 gpm), lotflow's rule [m^3/s].
NOTHING_M3S: Final = 5e-6


@dataclass(frozen=True, eq=False)
class Limits:
    """
    What drains are judged by.

    Parameters
    ----------
    buildings
        All footprints as one geometry, in the grid's CRS; None where there are none.
    """

    criteria: Criteria
    error: LevelError
    buildings: Any
    metres_per_unit: float

    def doubt_m(self, datum: Datum, at: tuple[float, float]) -> float:
        """Half the 95 % interval of how ground at a place lies to a level of a datum [m]."""
        return SPREAD_95 * self.error.beside(datum, *at)

    def source(self, criterion: str) -> str:
        """Where a limit comes from."""
        return self.criteria.sources()[criterion]


def about(
    line: DrainLine,
    rule: str,
    severity: Severity,
    *,
    at: tuple[float, float] | None = None,
    **others: Any,
) -> Finding:
    """Make a finding about a line, half-way along it by default; `others` as `about_place`."""
    where = line.middle if at is None else at
    return about_place(line.name, where, rule, severity, **others)


def about_place(
    subject: str,
    at: tuple[float, float] | None,
    rule: str,
    severity: Severity,
    *,
    facts: Mapping[str, Any] | None = None,
    rests_on: Sequence[LevelSource] = (),
    beyond_ground: bool = False,
    **others: Any,
) -> Finding:
    """
    Make a finding about a line, inlet or outlet; none fails on a level that nobody gave.

    Parameters
    ----------
    at
        Where it is; None where it has no place.
    facts
        For its sentence, in SI; rounded here, so that cases that differ by less are the same.
    others
        Further fields of the finding; `measured` and `limit` are rounded here.
    """
    for name in ("measured", "limit"):
        if others.get(name) is not None:
            others[name] = round(float(others[name]), 6)
    sources = tuple(dict.fromkeys(rests_on))
    severity = as_severe_as_known(severity, sources, beyond_ground=beyond_ground)
    x, y = (None, None) if at is None else at
    return Finding(
        rule, severity, subject, x=x, y=y, rests_on=sources, facts=rounded(facts or {}), **others
    )


def rounded(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Round facts to six figures, or to a millionth; None for NaN, which equals nothing."""
    return {name: _rounded(value) for name, value in facts.items()}


def _rounded(value: Any) -> Any:
    if isinstance(value, (tuple, list)):
        return tuple(_rounded(one) for one in value)
    if not isinstance(value, (float, np.floating)):
        return value
    number = float(value)
    if math.isnan(number):
        return None
    if math.isinf(number) or number == 0.0:
        return number
    return round(number, max(6, 5 - math.floor(math.log10(abs(number)))))


def design_storm(storms: FloatArray | Sequence[float], criteria: Criteria) -> int:
    """
    Position of the storm that drains must pass: the first not below the criterion, else the last.

    Parameters
    ----------
    storms
        Return periods, rising [yr]; at least one.
    criteria
        Gives the return period wanted.

    Examples
    --------
    >>> design_storm(np.array([2.0, 10.0, 100.0]), Criteria()), design_storm(
    ...     np.array([2.0, 5.0]), Criteria())
    (1, 1)
    """
    reached = np.flatnonzero(np.asarray(storms) >= criteria.design_storm_yr - 1e-9)
    return int(reached[0]) if reached.size else len(storms) - 1


def is_design_storm(return_period_yr: float, storms: FloatArray, criteria: Criteria) -> bool:
    """
    Tell whether a storm is the one that drains must pass.

    Parameters
    ----------
    return_period_yr
        Its own; NaN for rain of a stated intensity [yr].
    storms
        All return periods, rising [yr]; at least one.
    criteria
        Gives the return period wanted.

    Examples
    --------
    >>> is_design_storm(10.0, np.array([2.0, 10.0]), Criteria())
    True
    >>> is_design_storm(math.nan, np.array([math.nan]), Criteria())
    True
    """
    judged = storms[design_storm(storms, criteria)]
    return bool(np.array_equal(return_period_yr, judged, equal_nan=True))
