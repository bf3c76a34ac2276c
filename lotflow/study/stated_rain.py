"""Flow of the inlets for one stated rainfall intensity, without rainfall table or storms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.outputs.result_layers import runoff_table
from lotflow.runoff.rational import rational_flow
from lotflow.study.chapter import Chapter
from lotflow.units import from_si, to_si

if TYPE_CHECKING:
    from lotflow.grid import FloatArray
    from lotflow.study.lot_water import LotWater


def screening_runoff(lot: LotWater) -> Chapter:
    """
    Compute the rational flow of each inlet for a stated coefficient and intensity.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.
    """
    stated = lot.job.job.coefficient
    if stated is None:
        return Chapter(layers={"runoff": runoff_table([])})
    area = inlet_areas(lot)
    return stated_rain(lot, np.where(area > 0, stated, np.nan), area)


def inlet_areas(lot: LotWater) -> FloatArray:
    """
    Area that reaches each inlet, over the ground and from roofs led into it.

    Parameters
    ----------
    lot
        Ground and inlets.

    Returns
    -------
    area
        Shape (inlets,) [m^2].
    """
    cell_m2 = lot.window.surface.ground.cell_m2
    return (lot.cells.total + lot.roofs.connected_cells(lot.names)) * cell_m2


def stated_rain(lot: LotWater, coefficient: FloatArray, area: FloatArray) -> Chapter:
    """
    Give the flow of the inlets for the stated intensity, and for one of 10 mm/h.

    Parameters
    ----------
    lot
        Ground and inlets.
    coefficient
        Composite runoff coefficient of each inlet; NaN where nothing reaches it [-].
    area
        From `inlet_areas` [m^2].

    Returns
    -------
    chapter
        Layer "runoff" and columns of the layer "inlets".
    """
    # an inlet without a catchment has no coefficient, and no flow either
    ca = np.nan_to_num(coefficient) * area
    intensity = lot.job.intensity_m_s
    stated = np.nan if intensity is None else intensity
    columns = {
        "runoff_coefficient": coefficient,
        "roof_connected_m2": lot.roofs.connected_cells(lot.names)
        * lot.window.surface.ground.cell_m2,
        "flow_m3s": ca * stated,
        "flow_per_10mm_h_m3s": ca * to_si(10.0, "mm_h"),
    }
    rows = [] if intensity is None else _rows(lot, coefficient, area, intensity)
    return Chapter(layers={"runoff": runoff_table(rows)}, columns={"inlets": columns})


def _rows(
    lot: LotWater, coefficient: FloatArray, area: FloatArray, intensity: float
) -> list[dict[str, Any]]:
    """Rows of the layer "runoff" for a stated intensity."""
    flow = rational_flow(np.nan_to_num(coefficient), intensity, area)
    return [
        {
            "subject": name,
            "kind": "inlet",
            "return_period_yr": np.nan,
            "method": "rational",
            "area_m2": area[i],
            "runoff_coefficient": coefficient[i],
            "intensity_mm_h": from_si(intensity, "mm_h"),
            "flow_m3s": flow[i],
        }
        for i, name in enumerate(lot.names)
    ]
