"""What realisations show, as columns, entries and grids of the result."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.terrain.confidence import SHARES
from lotflow.units import open_range, shown_open

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.grid import FloatArray, Grid, IntArray
    from lotflow.terrain.surface import Surface
    from lotflow.units import UnitSystem


def bound_columns(name: str, bounds: FloatArray) -> dict[str, FloatArray]:
    """
    Columns of lower bound, middle and upper bound.

    Examples
    --------
    >>> list(bound_columns("depth_m", np.zeros((3, 1))))
    ['depth_m_p05', 'depth_m_p50', 'depth_m_p95']
    """
    return {
        f"{name}_p{round(100 * share):02d}": values
        for share, values in zip(SHARES, bounds, strict=True)
    }


def catchments_told(
    measured_m2: FloatArray, bounds_m2: FloatArray, units: UnitSystem
) -> dict[str, list[Any]]:
    """What is to be read of each inlet's catchment: its size, or the range that is left open."""
    low, _, high = bounds_m2
    known = list(zip(measured_m2.tolist(), low.tolist(), high.tolist(), strict=True))
    return {
        "is_open": [open_range(*one) is not None for one in known],
        "catchment_told": [shown_open(*one, "area", units) for one in known],
    }


def entries_with_bounds(
    entries: Sequence[dict[str, Any]], columns: Mapping[str, FloatArray]
) -> list[dict[str, Any]]:
    """Entries of the summary with their value of each column, if the columns have any."""
    return [
        entry | {name: float(values[k]) for name, values in columns.items() if values.size}
        for k, entry in enumerate(entries)
    ]


def share_grid(surface: Surface, share: FloatArray) -> Grid:
    """Share of realisations per cell; none where there is no elevation."""
    known = np.where(surface.missing, np.nan, share)
    return surface.ground.with_values(known.astype(np.float32))


def inlet_grid(surface: Surface, inlet: IntArray) -> Grid:
    """Number of an inlet per cell; 0 where there is no elevation."""
    known = np.where(surface.missing, 0, inlet)
    return surface.ground.with_values(known.astype(np.int32))
