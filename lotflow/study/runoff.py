"""Runoff of a study in its first form: covers, composite coefficients, a stated intensity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.findings import Finding
from lotflow.outputs.result_layers import runoff_table
from lotflow.runoff.ground_cover import DrawnCover, catchment_coefficients, ground_cover
from lotflow.runoff.rational import rational_flow
from lotflow.study.chapter import Chapter
from lotflow.terrain.slope import typical_slope
from lotflow.units import from_si, to_si

if TYPE_CHECKING:
    from lotflow.grid import FloatArray
    from lotflow.inputs.job import Job
    from lotflow.inputs.site import Site
    from lotflow.study.lot_water import LotWater
    from lotflow.study.window import StudyWindow


@dataclass(frozen=True, eq=False)
class Cover:
    """
    Runoff coefficient of every cell, and what was assumed.

    Parameters
    ----------
    coefficient
        Shape of the grid.
    findings
        What was assumed, with its source.
    """

    coefficient: FloatArray
    findings: tuple[Finding, ...]


def site_cover(site: Site, window: StudyWindow, job: Job) -> Cover:
    """
    Find the runoff coefficient of every cell.

    Parameters
    ----------
    site
        Gives cover polygons.
    window
        Gives the ground.
    job
        Gives the stated coefficient, or the cover of ground without a polygon.
    """
    surface, grid = window.surface, window.surface.ground
    if job.job.coefficient is not None:
        stated = np.full(grid.shape, job.job.coefficient)
        return Cover(stated, ())
    drawn = [
        DrawnCover(str(row.cover), row.geometry, float(row.runoff_coefficient))
        for row in site.covers.itertuples()
    ]
    slope = typical_slope(grid, window.lot)
    ground = ground_cover(
        grid, drawn, roof=surface.roof, water=surface.water, ground=job.job.ground,
        soil_group=job.job.soil_group, slope=slope,
    )  # fmt: skip
    return Cover(ground.coefficient, tuple(_assumptions(ground, window, job, slope)))


def _assumptions(ground: Any, window: StudyWindow, job: Job, slope: float) -> list[Finding]:
    """Say which cover was assumed where none was drawn, and where polygons overlap."""
    lot = window.lot
    share = float((~ground.drawn & lot).sum() / lot.sum())
    found = []
    if share:
        value = float(ground.coefficient[~ground.drawn & lot].mean())
        found.append(
            Finding(
                "cover-assumed", "note", "lot",
                f"{share:.0%} of the lot has no cover polygon and counts as {job.job.ground} on "
                f"soil of hydrologic group {job.job.soil_group} with a slope of {slope:.1%}: "
                f"runoff coefficient {value:.2f}. Change it with [job] ground and soil_group.",
                measured=round(share, 4), unit="1",
                source="FHWA HEC-22, 3rd edition (2009), Table 3-1; the choice is lotflow's",
            )
        )  # fmt: skip
    overlap = float((ground.overlapping & lot).sum() / lot.sum())
    if overlap:
        found.append(
            Finding(
                "covers-overlap", "note", "covers",
                f"Cover polygons of different kinds overlap on {overlap:.1%} of the lot; the "
                "later row counts there.",
                measured=round(overlap, 4), unit="1", source="lotflow's rule",
            )
        )  # fmt: skip
    return found


def runoff_chapter(lot: LotWater, *, use_covers: bool) -> Chapter:
    """
    Compute the rational flow of each inlet for the stated intensity.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.
    use_covers
        Whether runoff coefficients follow from covers; otherwise only a stated one counts.
    """
    job, count = lot.job, len(lot.inlets.placed)
    if not use_covers and job.job.coefficient is None:
        return Chapter(layers={"runoff": runoff_table([])})
    cover = site_cover(lot.site, lot.window, job)
    routing = lot.inlets.routing
    known = ~routing.surface.missing
    coefficient = catchment_coefficients(cover.coefficient, routing.label, known, count)
    area = lot.cells.total * routing.surface.ground.cell_m2
    # an inlet without a catchment has no coefficient, and no flow either
    ca = np.nan_to_num(coefficient) * area
    stated = np.nan if job.intensity_m_s is None else job.intensity_m_s
    columns = {
        "runoff_coefficient": coefficient,
        "flow_m3s": ca * stated,
        "flow_per_10mm_h_m3s": ca * to_si(10.0, "mm_h"),
    }
    rows = [] if job.intensity_m_s is None else _rows(lot, coefficient, area, job.intensity_m_s)
    return Chapter(
        layers={"runoff": runoff_table(rows)},
        columns={"inlets": columns},
        findings=cover.findings,
    )


def _rows(
    lot: LotWater, coefficient: FloatArray, area: FloatArray, intensity: float
) -> list[dict[str, Any]]:
    """Rows of the layer "runoff" for a stated intensity."""
    flow = rational_flow(np.nan_to_num(coefficient), intensity, area)
    return [
        {
            "subject": name,
            "return_period_yr": np.nan,
            "method": "rational",
            "area_m2": area[i],
            "runoff_coefficient": coefficient[i],
            "time_of_concentration_min": np.nan,
            "intensity_mm_h": from_si(intensity, "mm_h"),
            "flow_m3s": flow[i],
            "volume_m3": np.nan,
        }
        for i, name in enumerate(lot.names)
    ]
