"""What the runoff of a study gives to say: rainfall, uplift, roofs, gutters that run over."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from pyproj import Geod

from lotflow.drains.judged import design_storm
from lotflow.errors import OutputError
from lotflow.findings import Finding
from lotflow.outputs.positions import latitude_longitude
from lotflow.rainfall import rain_doubts, reference_rain, reference_text
from lotflow.runoff.concentration import MINIMUM_TIME_S
from lotflow.runoff.hydrograph import STORM_DURATION_S
from lotflow.study.roofs import roof_notes
from lotflow.units import both_units, from_si

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
    found = [
        Finding(
            "rainfall-used", "note", "rainfall",
            f"Rain: {rainfall.source}; {reference_text(rainfall)}.",
            measured=round(reference_rain(rainfall)[2], 5), unit="m", source=rainfall.source,
        )
    ]  # fmt: skip
    found += rain_doubts(rainfall)
    found += _elsewhere(getattr(rainfall, "place", None), lot, criteria)
    found += [
        Finding("rainfall-table", "note", "rainfall", f"{note}.", source=rainfall.source)
        for note in getattr(rainfall, "notes", ())
    ]
    if why := getattr(rainfall, "seems_cut", ""):
        found.append(
            Finding("rainfall-cut", "warn", "rainfall", f"The table may be cut short: {why}. "
                    "Compare it with its source.", source=rainfall.source)
        )  # fmt: skip
    if rainfall.uplift > 1:
        found.append(
            Finding(
                "rainfall-uplift", "note", "rainfall",
                f"All rain is raised by {rainfall.uplift - 1:.0%}, as [rainfall] uplift asks.",
                measured=rainfall.uplift, unit="1", source="the job's table [rainfall]",
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
            f"The rainfall table is of {place[0]:.4f}, {place[1]:.4f}; the lot lies "
            f"{away / 1000:,.0f} km ({from_si(away, 'ft') / 5280:,.0f} mi) from there, at "
            f"{latitude[0]:.4f}, {longitude[0]:.4f}. Flows, sizes and ponds hold for the rain of "
            "that place. Get the table of the lot.",
            measured=round(float(away), 1), limit=criteria.rainfall_reach_m, unit="m",
            source=criteria.sources()["rainfall_reach_m"],
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
                f"Its shortest rain lasts {shortest / 60:g} min: small catchments, which peak in "
                "5 min, are computed with that, too low. Give rain from 5 min on.",
                measured=round(shortest / 60, 3), limit=MINIMUM_TIME_S / 60, unit="min",
                source="FHWA HEC-22, 3rd edition (2009), section 7.2.2",
            )
        )  # fmt: skip
    if longest < STORM_DURATION_S:
        found.append(
            Finding(
                "rainfall-ends-early", "note", "rainfall",
                f"It ends at {longest / 3600:.3g} h: curve numbers hold for 24 h, so volumes are "
                "runoff coefficient times the longest rain, and sheet flow is timed by the "
                "kinematic wave.",
                measured=round(longest / 3600, 3), limit=24.0, unit="h",
                source="NRCS TR-55 (1986), chapters 2 and 3",
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
            f"In the {storms.storms[design]:g}-year storm its leader takes no more than rain of "
            f"{both_units(limit, 'rain')}; {share:.0%} of its roof's peak runs over the gutter "
            "and is counted at the eaves. Give it a larger leader, or the roof another downspout.",
            measured=round(share, 3), unit="1", source=_LEADER_SOURCE,
        )
        for downspout, share, limit in zip(
            lot.roofs.downspouts, shares, storms.leader_limit_m_s.tolist(), strict=True
        )
        if share > _LEAST_OVERFLOW
    ]  # fmt: skip
