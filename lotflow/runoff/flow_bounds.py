"""How far the flow of each inlet is left open by what realisations show."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.terrain.confidence import SHARES, bounds_of
from lotflow.units import to_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from lotflow.grid import FloatArray
    from lotflow.terrain.level_error import ErrorModel
    from lotflow.terrain.routing import Routing
    from lotflow.terrain.surface import Surface


def entering_ca(surface: Surface, coefficient: FloatArray) -> FloatArray:
    """
    Runoff coefficient times area that enters the flow at each cell.

    Parameters
    ----------
    surface
        Tells where the rain of each cell enters the flow.
    coefficient
        Shape of the grid; of the ground, or the roof, of each cell [-].

    Returns
    -------
    ca
        Shape of the grid [m^2]; what downspouts lead into drains is not in it.
    """
    counted = ~surface.missing & ~surface.piped
    ca = np.bincount(
        surface.landing[counted],
        weights=(coefficient * surface.share)[counted],
        minlength=coefficient.size,
    )
    return np.asarray(ca * surface.ground.cell_m2).reshape(coefficient.shape)


def inlets_ca(routing: Routing, names: Sequence[str], ca_weight: FloatArray) -> FloatArray:
    """Runoff coefficient times area of the ground of each inlet as measured [m^2]."""
    label = routing.label.ravel()
    sums = np.bincount(label, weights=ca_weight.ravel(), minlength=len(names) + 1)
    return np.asarray(sums[1:], dtype=np.float64)


def flow_per_10mm_h(ca_m2: FloatArray) -> FloatArray:
    """
    Flow at an intensity of 10 mm/h of runoff coefficient times area [m^3/s].

    Examples
    --------
    >>> float(flow_per_10mm_h(np.array(360.0)))
    0.001
    """
    return np.asarray(ca_m2 * to_si(10.0, "mm_h"))


def area_of_flow(flow_per_10mm_h_m3s: FloatArray) -> FloatArray:
    """Runoff coefficient times area that gives a flow at an intensity of 10 mm/h [m^2]."""
    return np.asarray(flow_per_10mm_h_m3s / to_si(10.0, "mm_h"))


def line_flow_bounds(flow: FloatArray, error: ErrorModel, others: int) -> FloatArray:
    """
    Bounds of the flow of each line in each storm, in the rows of the table of both.

    Parameters
    ----------
    flow
        Shape (realisations, lines, storms) [m^3/s].
    error
        Of the elevation data.
    others
        Rows of lines that follow, which are in no realisation.

    Returns
    -------
    bounds
        Shape (3, rows), NaN for the others [m^3/s].
    """
    bounds = bounds_of(flow, error).reshape(len(SHARES), -1)
    return np.pad(bounds, ((0, 0), (0, others)), constant_values=np.nan)


def share_of_flow(whole: FloatArray, measured: FloatArray, bounds: FloatArray) -> FloatArray:
    """
    Bounds of what reaches each inlet over what it is on the measured surface.

    Roofs led into drains are there in every realisation.

    Parameters
    ----------
    whole, measured
        Runoff coefficient times area of each inlet, with and without roofs led into it [m^2].
    bounds
        Shape (3, inlets): of what reaches it over the ground [m^2].

    Returns
    -------
    factor
        Shape (3, inlets); NaN where nothing reaches an inlet.

    Examples
    --------
    >>> share_of_flow(np.array([30.0]), np.array([20.0]), np.array([[5.0], [20.0], [50.0]])).T
    array([[0.5, 1. , 2. ]])
    """
    factor = np.full(bounds.shape, np.nan)
    np.divide(whole + bounds - measured, whole, out=factor, where=whole > 0)
    return factor


def storm_flow_bounds(
    runoff: pd.DataFrame, names: Sequence[str], factor: FloatArray
) -> dict[str, FloatArray]:
    """
    Give bounds of the peak of each inlet by the rational method, storm by storm.

    A realisation says how much ground drains to an inlet, not how long its water takes. So the
    peak is taken in proportion to coefficient times area, at the intensity of the measured
    catchment: a larger one would also take longer, so that the upper bound is rather too high.

    Parameters
    ----------
    runoff
        Layer "runoff".
    names
        Of the inlets.
    factor
        Shape (3, inlets): bounds of coefficient times area over what it is on the measured
        surface; NaN where that is nothing.

    Returns
    -------
    columns
        Of the layer "runoff", one value per row [m^3/s]; NaN but for inlets by that method.

    Examples
    --------
    >>> import pandas as pd
    >>> runoff = pd.DataFrame({"subject": ["A", "A"], "kind": "inlet",
    ...                        "method": ["rational", "nrcs"], "flow_m3s": [0.010, 0.012]})
    >>> storm_flow_bounds(runoff, ["A"], np.array([[0.5], [1.0], [1.5]]))["flow_m3s_p95"]
    array([0.015,   nan])
    """
    position = {name: i for i, name in enumerate(names)}
    own = [
        position[subject] if (kind, method) == ("inlet", "rational") else -1
        for subject, kind, method in zip(
            runoff["subject"], runoff["kind"], runoff["method"], strict=True
        )
    ]
    # the last column stands for all that is no inlet
    factors = np.column_stack([factor, np.full(len(SHARES), np.nan)])[:, own]
    flow = runoff["flow_m3s"].to_numpy(dtype=np.float64)
    return {
        f"flow_m3s_p{round(100 * share):02d}": own_factor * flow
        for share, own_factor in zip(SHARES, factors, strict=True)
    }
