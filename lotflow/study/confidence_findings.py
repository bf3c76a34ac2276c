"""What realisations of the elevation error have to say, in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.findings import Finding
from lotflow.study.lot_water import error_model
from lotflow.terrain.confidence import FEWEST, half_width
from lotflow.terrain.error_model import CORRELATION_SOURCE, RMSE_SOURCE
from lotflow.units import OPEN, both_units, open_range

if TYPE_CHECKING:
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
        return Finding(
            "realisations", "note", "elevation",
            f"The stated error of the elevation data is {error.rmse_m:g} m: low spots and "
            "catchments are told as exact, which no survey is. Give [elevation] rmse_m.",
        )  # fmt: skip
    precision = half_width(number)
    if number < FEWEST:
        advice = f"fewer than {FEWEST} give no bounds and say little. Ask for more realisations."
    else:
        advice = "ask for more realisations for more."
    usual = job.confidence.realisations
    if job.confidence.precision is None and number < usual:
        advice = (
            f"the ground is so wide that {usual} would take long: ask for them by "
            f"[confidence] realisations = {usual}."
        )
    return Finding(
        "realisations", "note", "elevation",
        f"{number} realisation{'s' if number > 1 else ''} of a surface that is off by "
        f"{both_units(error.rmse_m, 'depth')} (RMSE), of which {1 - error.white_share:.0%} of the "
        f"variance is shared by neighbours and fades over "
        f"{both_units(error.correlation_m, 'length')}. Shares are good to "
        f"{precision * 100:.0f} in 100; {advice}",
        measured=round(precision, 3), unit="1", source=_error_source(job),
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
                _sureness(share, bounds, int(position)), measured=round(share, 4), limit=_SURE,
                unit="1", source=_CHOICE, x=float(x), y=float(y),
            )
        )  # fmt: skip
    return found


def _sureness(share: float, bounds: Bounds, position: int) -> str:
    """How sure a low spot is, and what to do."""
    stands = f"stands in {round(share * bounds.number)} of {bounds.number} realisations"
    low, _, high = bounds.depth_m[:, position]
    depth = f"{both_units(low, 'depth')} to {both_units(high, 'depth')} deep in nine of ten"
    if share >= _SURE:
        return f"It {stands}, {depth}: check it first."
    if share >= _DOUBTED:
        return f"It {stands}, {depth}: likely there; measure on site before building on it."
    return f"It {stands}: within the noise of the data. Measure on site."


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
    found = []
    together = _together(bounds)
    for position, name in enumerate(lot.names):
        low, _, high = bounds.catchment_m2[:, position]
        area = float(measured[position])
        span = f"{both_units(low, 'area')} to {both_units(high, 'area')} in nine of ten"
        if not low <= area <= high:
            message = (
                f"{name} takes {both_units(area, 'area')} on the measured surface, but {span} "
                "realisations: the way of its water hangs on a feature no deeper than the error "
                "of the data, such as a shallow swale or curb, through which realisations leak. "
                "If it is real, draw its curb or edges in the layer walls; if not, look where "
                "the water goes."
            )
            found.append(_inlet_finding("catchment-hangs-on-detail", name, message, area, high))
        elif open_range(area, low, high):
            message = (
                f"{name} takes {span} realisations: the data cannot tell. Size nothing for one of "
                f"these figures; take levels on site where its catchment ends.{together}"
            )
            found.append(_inlet_finding("catchment-unsure", name, message, high, OPEN * low))
    return found


def _together(bounds: Bounds) -> str:
    """What reaches all inlets at once: less than their upper bounds added."""
    if bounds.catchment_m2.shape[1] < 2:
        return ""
    return (
        f" All inlets together take no more than {both_units(bounds.together_m2[-1], 'area')} in "
        "nineteen of twenty: upper figures of several inlets, added, count the same water again."
    )


def _inlet_finding(
    rule: str, name: str, message: str, measured: float, limit: float
) -> Finding:  # fmt: skip
    return Finding(
        rule, "note", name, message, round(float(measured), 2), round(float(limit), 2), "m2",
        source=_CHOICE,
    )  # fmt: skip
