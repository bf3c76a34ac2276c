"""What realisations of the elevation error have to say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.findings import Finding
from lotflow.study.lot_water import error_model
from lotflow.terrain.confidence import FEWEST, half_width
from lotflow.terrain.error_model import CORRELATION_SOURCE, RMSE_SOURCE
from lotflow.units import OPEN, open_range

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.grid import FloatArray
    from lotflow.inputs.job import Job
    from lotflow.study.lot_water import LotWater

#: From this share of realisations a low spot is there; below the other it may be noise: false ones
#: on a smooth yard stand in more than half (docs/methods.md).
_SURE: Final = 0.9
_DOUBTED: Final = 2 / 3
_CHOICE: Final = "lotflow's choice, no published source"


@dataclass(frozen=True, eq=False)
class Bounds:
    """
    What realisations show per low spot and inlet; bounds have shape (3, low spots or inlets).

    Parameters
    ----------
    number
        Of realisations.
    probability
        Share of realisations in which each low spot exists; NaN where none was realised.
    depth_m, volume_m3
        5, 50 and 95 % of depth [m] and volume [m^3] of each low spot; of fewer than 20
        realisations 50 % alone, the others NaN.
    catchment_m2
        The same of each inlet's catchment [m^2].
    together_m2
        The same of what all inlets take together, shape (3,) [m^2].
    """

    number: int
    probability: FloatArray
    depth_m: FloatArray
    volume_m3: FloatArray
    catchment_m2: FloatArray
    together_m2: FloatArray


def confidence_note(job: Job, number: int) -> Finding:
    """
    Say how many realisations were run, of which error, and how precise their shares are.

    Parameters
    ----------
    job
        Gives the error of the elevation data.
    number
        Of realisations.
    """
    error = error_model(job)
    if error.is_none:
        return Finding("realisations", "note", "elevation", facts={"rmse_m": error.rmse_m})
    precision, usual = half_width(number), job.confidence.realisations
    return Finding(
        "realisations", "note", "elevation",
        measured=round(precision, 3), unit="1", source=_error_source(job),
        facts={
            "rmse_m": error.rmse_m, "number": number, "white_share": error.white_share,
            "correlation_m": error.correlation_m, "precision": precision, "fewest": FEWEST,
            "usual": usual, "cut_short": job.confidence.precision is None and number < usual,
        },
    )  # fmt: skip


def _error_source(job: Job) -> str:
    """Where the numbers of the error come from: the job, or what is assumed without it."""
    stated = job.elevation.model_fields_set
    rmse = "RMSE: the job file" if "rmse_m" in stated else RMSE_SOURCE
    is_given = {"correlation_m", "white_share"} <= stated
    return f"{rmse}; {'how it is shared: the job file' if is_given else CORRELATION_SOURCE}"


def low_spot_findings(lot: LotWater, bounds: Bounds) -> list[Finding]:
    """
    Say of the low spots on the lot how sure they are.

    Parameters
    ----------
    lot
        Ground and low spots.
    bounds
        What the realisations show; fewer than 20 say nothing.
    """
    spots, grid = lot.low_spots, lot.window.surface.ground
    on_lot = np.unique(spots.number[lot.window.lot & (spots.number > 0)]) - 1
    found = []
    for position in on_lot:
        share = float(bounds.probability[position])
        if np.isnan(share) or bounds.number < FEWEST:
            continue
        cell = int(spots.bed_cell[position])
        x, y = grid.xy(cell // grid.shape[1], cell % grid.shape[1])
        found.append(
            Finding(
                "low-spot-sureness", "note", f"low spot {position + 1}",
                measured=round(share, 4), limit=_SURE, unit="1", source=_CHOICE,
                x=float(x), y=float(y),
                facts={
                    "there": round(share * bounds.number), "number": bounds.number,
                    "depth_low_m": float(bounds.depth_m[0, position]),
                    "depth_high_m": float(bounds.depth_m[-1, position]),
                    "is_sure": share >= _SURE, "is_likely": share >= _DOUBTED,
                },
            )
        )  # fmt: skip
    return found


def inlet_findings(lot: LotWater, bounds: Bounds) -> list[Finding]:
    """
    Say of inlets whose catchment the data leaves open, or the realisations do not bear out.

    Parameters
    ----------
    lot
        Ground and inlets.
    bounds
        What the realisations show; fewer than 20 say nothing.
    """
    if bounds.number < FEWEST:
        return []
    measured = lot.cells.total * lot.window.surface.ground.cell_m2
    # what reaches all inlets at once is less than their upper bounds added
    together = float(bounds.together_m2[-1]) if len(lot.names) > 1 else None
    found = []
    for position, name in enumerate(lot.names):
        low, high = (float(bounds.catchment_m2[at, position]) for at in (0, -1))
        area = float(measured[position])
        span = {"low_m2": low, "high_m2": high}
        if not low <= area <= high:
            facts: dict[str, float | None] = {"area_m2": area, **span}
            found.append(_inlet_finding("catchment-hangs-on-detail", name, area, high, facts))
        elif open_range(area, low, high):
            facts = {**span, "together_m2": together}
            found.append(_inlet_finding("catchment-unsure", name, high, OPEN * low, facts))
    return found


def _inlet_finding(
    rule: str, name: str, measured: float, limit: float, facts: Mapping[str, float | None]
) -> Finding:
    return Finding(
        rule, "note", name, measured=round(measured, 2), limit=round(limit, 2), unit="m2",
        source=_CHOICE, facts=facts,
    )  # fmt: skip
