"""What covers the ground of a study, and what was assumed where nothing is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from lotflow.drains.standing_water import infiltration_rates
from lotflow.findings import Finding
from lotflow.runoff.ground_cover import DrawnCover, GroundCover, ground_cover
from lotflow.terrain.slope import typical_slope

if TYPE_CHECKING:
    from lotflow.grid import FloatArray
    from lotflow.inputs.job import General, Job
    from lotflow.study.lot_water import LotWater
    from lotflow.study.window import StudyWindow


#: Less of the lot under two covers is how two outlines meet, not a mistake [-].
_LEAST_OVERLAP: Final = 0.001


@dataclass(frozen=True, eq=False)
class SiteCover:
    """
    Cover of every cell, and what was assumed.

    Parameters
    ----------
    ground
        The covers.
    findings
        What was assumed, with its source.
    """

    ground: GroundCover
    findings: tuple[Finding, ...]


def site_cover(lot: LotWater) -> SiteCover:
    """
    Find what covers every cell.

    Parameters
    ----------
    lot
        Its job gives the cover of ground without a polygon, or one coefficient for all ground.
    """
    job, window, surface = lot.job, lot.window, lot.window.surface
    drawn = [
        DrawnCover(
            str(row.cover), row.geometry, float(row.runoff_coefficient), float(row.curve_number)
        )
        for row in lot.site.covers.itertuples()
    ]
    slope = typical_slope(surface.ground, window.lot)
    ground = ground_cover(
        surface.ground, drawn, roof=surface.roof, water=surface.water, ground=job.job.ground,
        soil_group=job.job.soil_group, slope=slope,
    )  # fmt: skip
    findings = _assumptions(ground, window, job, slope) + _overlaps(lot)
    if job.job.coefficient is not None:
        ground = ground.with_coefficient(job.job.coefficient)
    return SiteCover(ground, tuple(findings))


def ground_infiltration(general: General, cover: GroundCover) -> FloatArray:
    """
    Infiltration of every cell, by its cover and the lot's soil or soak test.

    Parameters
    ----------
    general
        Gives soil group and soak test.
    cover
        Of every cell.

    Returns
    -------
    rate
        Shape of the grid [m/s].
    """
    kinds = [str(kind) for kind in cover.values.infiltration]
    rates = infiltration_rates(kinds, general.soil_group, measured=general.soak_test_m_s)
    return np.asarray(rates[cover.number], dtype=np.float64)


def _assumptions(ground: GroundCover, window: StudyWindow, job: Job, slope: float) -> list[Finding]:
    """Say which cover was assumed where none was drawn, and where polygons overlap."""
    lot = window.lot
    assumed = ~ground.drawn & lot
    share = float(assumed.sum() / lot.sum())
    found = []
    if share:
        value = float(ground.coefficient[assumed].mean())
        number = float(ground.curve_number[assumed].mean())
        found.append(
            Finding(
                "cover-assumed", "note", "lot",
                measured=round(share, 4), unit="1",
                source="FHWA HEC-22, 3rd edition (2009), Table 3-1; the choice is lotflow's",
                facts={
                    "share": share, "ground": job.job.ground, "soil_group": job.job.soil_group,
                    "slope": slope,
                    # what is not computed with is not told
                    "coefficient": value if job.job.coefficient is None else None,
                    "curve_number": None if job.rainfall is None else number,
                },
            )
        )  # fmt: skip
    return found


def _overlaps(lot: LotWater) -> list[Finding]:
    """Say on how much of the lot cover polygons of different kinds overlap, roofs apart."""
    site, inside = lot.site, lot.site.lot.geometry.union_all()
    seen, twice = shapely.Polygon(), shapely.Polygon()
    for _, same in site.covers.groupby("cover"):
        whole = same.geometry.union_all()
        twice, seen = twice.union(whole.intersection(seen)), seen.union(whole)
    always = shapely.union_all([*site.buildings.geometry, *site.water.geometry])
    share = float(twice.intersection(inside).difference(always).area / inside.area)
    if share < _LEAST_OVERLAP:
        return []
    return [
        Finding(
            "covers-overlap", "note", "covers",
            measured=round(share, 4), unit="1", source="lotflow's rule", facts={"share": share},
        )
    ]  # fmt: skip
