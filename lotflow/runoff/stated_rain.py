"""Flow of the inlets for one stated rainfall intensity, without rainfall table or storms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.runoff.rational import rational_flow
from lotflow.units import from_si, to_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray
    from lotflow.runoff.covers import GroundCover
    from lotflow.terrain.roofs import RoofWater
    from lotflow.terrain.routing import Routing


def inlet_areas(cells: FloatArray, roofs: RoofWater, names: Sequence[str]) -> FloatArray:
    """
    Area that reaches each inlet, over the ground and from roofs led into it.

    Parameters
    ----------
    cells
        Of the catchment of each inlet.
    roofs
        With their downspouts.
    names
        Of the inlets.

    Returns
    -------
    area
        Shape (inlets,) [m^2].
    """
    return (cells + roofs.connected_cells(names)) * roofs.surface.ground.cell_m2


def composite_coefficients(
    routing: Routing, cover: GroundCover, roofs: RoofWater, names: Sequence[str], area: FloatArray
) -> FloatArray:
    """
    Composite runoff coefficient of all that reaches each inlet.

    Parameters
    ----------
    routing
        With the inlets.
    cover
        Of every cell.
    roofs
        With their downspouts.
    names
        Of the inlets.
    area
        From `inlet_areas` [m^2].

    Returns
    -------
    coefficient
        Shape (inlets,); NaN where nothing reaches one [-].
    """
    surface, value = routing.surface, cover.coefficient
    known = ~surface.missing
    weights = (value * surface.share)[known]
    over_ground = np.bincount(routing.label[known], weights, minlength=len(names) + 1)[1:]
    roof = float(cover.values.runoff_coefficient[cover.keys.index("roof")])
    sums = over_ground + roof * roofs.connected_cells(names)
    result = np.full(area.shape, np.nan)
    np.divide(sums * surface.ground.cell_m2, area, out=result, where=area > 0)
    return result


def inlet_ground(
    routing: Routing, cover: GroundCover, roofs: RoofWater, names: Sequence[str]
) -> FloatArray:
    """
    Area of each kind of cover that reaches each inlet, with the roofs led into it.

    Parameters
    ----------
    routing, cover, roofs, names
        As for `composite_coefficients`.

    Returns
    -------
    area
        Shape (inlets, kinds of cover) [m^2].
    """
    surface, kinds = routing.surface, len(cover.keys)
    known = ~surface.missing
    place = routing.label[known] * kinds + cover.number[known]
    count = (len(names) + 1) * kinds
    counted = np.bincount(place, surface.share[known], minlength=count).reshape(-1, kinds)[1:]
    cells = np.asarray(counted, dtype=np.float64)
    cells[:, cover.keys.index("roof")] += roofs.connected_cells(names)
    area: FloatArray = cells * surface.ground.cell_m2
    return area


def one_coefficient(coefficient: float, area: FloatArray) -> FloatArray:
    """Give the coefficient of all ground to each inlet that anything reaches; NaN to others [-]."""
    return np.where(area > 0, coefficient, np.nan)


def stated_columns(
    roofs: RoofWater, names: Sequence[str], coefficient: FloatArray, area: FloatArray,
    intensity: float | None,
) -> dict[str, FloatArray]:  # fmt: skip
    """
    Flow of the inlets for the stated intensity, and for one of 10 mm/h.

    Parameters
    ----------
    roofs
        With their downspouts.
    names
        Of the inlets.
    coefficient
        Composite runoff coefficient of each inlet; NaN where nothing reaches it [-].
    area
        From `inlet_areas` [m^2].
    intensity
        None where none is stated [m/s].

    Returns
    -------
    columns
        Of the layer "inlets".
    """
    # an inlet without a catchment has no coefficient, and no flow either
    ca = np.nan_to_num(coefficient) * area
    return {
        "runoff_coefficient": coefficient,
        "roof_connected_m2": roofs.connected_cells(names) * roofs.surface.ground.cell_m2,
        "flow_m3s": ca * (np.nan if intensity is None else intensity),
        "flow_per_10mm_h_m3s": ca * to_si(10.0, "mm_h"),
    }


def stated_rows(
    names: Sequence[str], coefficient: FloatArray, area: FloatArray, intensity: float | None
) -> list[dict[str, Any]]:
    """
    Give the rows of the layer "runoff" for a stated intensity.

    Parameters
    ----------
    names, coefficient, area, intensity
        As for `stated_columns`.

    Returns
    -------
    rows
        None without an intensity.
    """
    if intensity is None:
        return []
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
        for i, name in enumerate(names)
    ]
