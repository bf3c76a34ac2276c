"""What the runoff of a study gives to say: rainfall, uplift, roofs, gutters that run over."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from pyproj import Geod

from lotflow.drains.judged import design_storm
from lotflow.errors import OutputError
from lotflow.findings import Finding
from lotflow.outputs.positions import latitude_longitude
from lotflow.rainfall import rain_doubts, reference_rain
from lotflow.runoff.concentration import MINIMUM_TIME_S
from lotflow.runoff.hydrograph import STORM_DURATION_S
from lotflow.study.roofs import roof_notes

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from lotflow.criteria import Criteria
    from lotflow.rainfall import Rainfall
    from lotflow.study.lot_water import LotWater
    from lotflow.study.storms import StormStudy

_LEADER_SOURCE: Final = (
    "National Bureau of Standards Monograph 31 (1961), from memory: leaders at 7/24 of the section"
)
#: A smaller share over the gutter is within the accuracy of the formula [-].
_LEAST_OVERFLOW: Final = 0.01


def runoff_findings(lot: LotWater, storms: StormStudy | None) -> list[Finding]:
    """
    Say what was assumed of roofs and rain, and which gutters run over.

    Parameters
    ----------
    lot
        Ground and site.
    storms
        Of the main case; None where no rainfall is given.
    """
    found = roof_notes(lot.site, lot.roofs, lot.case, lot.window.lot)
    if storms is None:
        return found
    return [
        *found, *rain_findings(storms.rainfall, lot.site.lot, lot.job.criteria),
        *_overflows(lot, storms),
    ]  # fmt: skip


def rain_findings(rainfall: Rainfall, lot: GeoDataFrame, criteria: Criteria) -> list[Finding]:
    """
    Name the rainfall, with its uplift, what reading it settled, and whether it is of elsewhere.

    Parameters
    ----------
    rainfall
        Table or formula.
    lot
        The lot, in any CRS.
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
    place: tuple[float, float] | None, lot: GeoDataFrame, criteria: Criteria
) -> list[Finding]:
    """Say that a table is of another place, where it says of which."""
    if place is None:
        return []
    middle = lot.geometry.union_all().centroid
    try:
        latitude, longitude = latitude_longitude([middle.x], [middle.y], lot.crs)
    except OutputError:
        return []  # a lot that is nowhere on Earth: the files with positions are refused for it
    _, _, away = Geod(ellps="WGS84").inv(longitude[0], latitude[0], place[1], place[0])
    if away < criteria.rainfall_reach_m:
        return []
    return [
        Finding(
            "rainfall-elsewhere", "warn", "rainfall",
            measured=round(float(away), 1), limit=criteria.rainfall_reach_m, unit="m",
            source=criteria.sources()["rainfall_reach_m"],
            facts={"table": place, "lot": (latitude[0], longitude[0]), "away_m": float(away)},
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


def _overflows(lot: LotWater, storms: StormStudy) -> list[Finding]:
    """Say which gutters run over in the design storm."""
    design = design_storm(np.array(storms.storms), lot.job.criteria)
    shares = storms.peak_overflow[:, design].tolist()
    return [
        Finding(
            "gutter-runs-over", "warn", downspout.name,
            measured=round(share, 3), unit="1", source=_LEADER_SOURCE,
            facts={"return_period_yr": storms.storms[design], "leader_limit_m_s": limit,
                   "share": share},
        )
        for downspout, share, limit in zip(
            lot.roofs.downspouts, shares, storms.leader_limit_m_s.tolist(), strict=True
        )
        if share > _LEAST_OVERFLOW
    ]  # fmt: skip
