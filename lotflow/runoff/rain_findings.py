"""What there is to say of the rain of a study: its source, reach, place; gutters that run over."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pyproj import Geod

from lotflow.findings import Finding
from lotflow.rainfall import rain_doubts, reference_rain
from lotflow.runoff.concentration import MINIMUM_TIME_S
from lotflow.runoff.hydrograph import STORM_DURATION_S
from lotflow.units import from_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.criteria import Criteria
    from lotflow.grid import FloatArray
    from lotflow.rainfall import Rainfall
    from lotflow.terrain.roofs import Downspout

_LEADER_SOURCE: Final = (
    "National Bureau of Standards Monograph 31 (1961), from memory: leaders at 7/24 of the section"
)
#: A smaller share over the gutter is within the accuracy of the formula [-].
_LEAST_OVERFLOW: Final = 0.01


def rain_findings(
    rainfall: Rainfall, lot: tuple[float, float] | None, criteria: Criteria
) -> list[Finding]:
    """
    Name the rainfall, with its uplift, what reading it settled, and whether it is of elsewhere.

    Parameters
    ----------
    rainfall
        Table or formula.
    lot
        Latitude and longitude of the lot [degrees]; None where it has none.
    criteria
        Gives the distance from which it is said.
    """
    duration, period, depth = reference_rain(rainfall)
    found = [
        Finding(
            "rainfall-used", "note", "rainfall",
            measured=round(depth, 5), unit="m", source=rainfall.source,
            facts={"duration_s": duration, "return_period_yr": period, "depth_m": depth},
        )
    ]  # fmt: skip
    found += rain_doubts(rainfall)
    found += _elsewhere(getattr(rainfall, "place", None), lot, criteria)
    # what it settled or missed is said by what has read the table, line by line
    found += [
        Finding("rainfall-table", "note", "rainfall", source=rainfall.source, facts={"note": note})
        for note in getattr(rainfall, "notes", ())
    ]
    if why := getattr(rainfall, "seems_cut", ""):
        found.append(
            Finding("rainfall-cut", "warn", "rainfall", source=rainfall.source, facts={"why": why})
        )
    if rainfall.uplift > 1:
        found.append(
            Finding(
                "rainfall-uplift", "note", "rainfall",
                measured=rainfall.uplift, unit="1", source="the job's table [rainfall]",
                facts={"uplift": rainfall.uplift},
            )
        )  # fmt: skip
    return found + _reach(rainfall)


def _elsewhere(
    place: tuple[float, float] | None, lot: tuple[float, float] | None, criteria: Criteria
) -> list[Finding]:
    """Say that a table is of another place, where it says of which."""
    if place is None or lot is None:
        return []
    _, _, away = Geod(ellps="WGS84").inv(lot[1], lot[0], place[1], place[0])
    if away < criteria.rainfall_reach_m:
        return []
    return [
        Finding(
            "rainfall-elsewhere", "warn", "rainfall",
            measured=round(float(away), 1), limit=criteria.rainfall_reach_m, unit="m",
            source=criteria.sources()["rainfall_reach_m"],
            facts={"table": place, "lot": lot, "away_m": float(away)},
        )
    ]  # fmt: skip


def _reach(rainfall: Rainfall) -> list[Finding]:
    """Say what stands in for rain that the rainfall does not have."""
    found = []
    shortest, longest = rainfall.duration_range_s
    if shortest > MINIMUM_TIME_S:
        found.append(
            Finding(
                "rainfall-starts-late", "warn", "rainfall",
                measured=round(shortest / 60, 3), limit=MINIMUM_TIME_S / 60, unit="min",
                source="FHWA HEC-22, 3rd edition (2009), section 7.2.2",
                facts={"shortest_s": shortest},
            )
        )  # fmt: skip
    if longest < STORM_DURATION_S:
        found.append(
            Finding(
                "rainfall-ends-early", "note", "rainfall",
                measured=round(longest / 3600, 3), limit=24.0, unit="h",
                source="NRCS TR-55 (1986), chapters 2 and 3", facts={"longest_s": longest},
            )
        )  # fmt: skip
    return found


def overflow_findings(
    downspouts: Sequence[Downspout], share: FloatArray, limit_m_s: FloatArray,
    return_period_yr: float,
) -> list[Finding]:  # fmt: skip
    """
    Say which gutters run over in a storm.

    Parameters
    ----------
    downspouts
        Of the roofs.
    share
        Of each roof's peak that its leader cannot take [-].
    limit_m_s
        Rain from which each leader overflows [m/s].
    return_period_yr
        Of the storm.
    """
    return [
        Finding(
            "gutter-runs-over", "warn", downspout.name,
            measured=round(over, 3), unit="1", source=_LEADER_SOURCE,
            facts={"return_period_yr": return_period_yr, "leader_limit_m_s": limit,
                   "share": over},
        )
        for downspout, over, limit in zip(
            downspouts, share.tolist(), limit_m_s.tolist(), strict=True
        )
        if over > _LEAST_OVERFLOW
    ]  # fmt: skip


def stated_findings(intensity_m_s: float | None) -> list[Finding]:
    """Say that drains are checked for a stated intensity, where they are, and what that omits."""
    if intensity_m_s is None:
        return []
    return [
        Finding(
            "stated-intensity", "note", "rainfall",
            measured=round(from_si(intensity_m_s, "mm_h"), 3), unit="mm/h",
            source="FHWA HEC-22, 3rd edition (2009), equation 3-1",
            facts={"intensity_m_s": intensity_m_s},
        )
    ]  # fmt: skip
