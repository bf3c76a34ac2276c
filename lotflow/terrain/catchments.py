"""What drains to each inlet: areas from cells, outlines without gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray
    from lotflow.terrain.routing import Routing


@dataclass(frozen=True, eq=False)
class CatchmentCells:
    """
    Cells per inlet; every array has one entry per inlet, in their order.

    Parameters
    ----------
    total
        Ground and roofs that drain to it.
    on_lot
        Those on the lot.
    roof
        Those that are roofs, whose water lands at their eaves.
    cut_by_edge
        Whether water may come from beyond what is known.
    """

    total: FloatArray
    on_lot: FloatArray
    roof: FloatArray
    cut_by_edge: BoolArray


def catchment_cells(routing: Routing, lot: BoolArray, inflow: BoolArray) -> CatchmentCells:
    """
    Count the cells of each inlet's catchment.

    Parameters
    ----------
    routing
        With inlets.
    lot
        Cells of the lot.
    inflow
        Cells to which water may come from beyond what is known, see `low_spots.inflow_cells`.
    """
    known = ~routing.surface.missing

    def count(where: BoolArray) -> FloatArray:
        return weighed(routing, where)[1:]

    return CatchmentCells(
        total=count(known),
        on_lot=count(known & lot),
        roof=count(known & routing.surface.roof),
        cut_by_edge=count(inflow) > 0,
    )


def weighed(routing: Routing, where: BoolArray) -> FloatArray:
    """
    Cells' worth of rain that reaches each inlet, first what reaches none.

    Parameters
    ----------
    routing
        With inlets.
    where
        Cells whose rain counts.
    """
    return np.bincount(
        routing.label[where],
        weights=routing.surface.share[where],
        minlength=routing.drains.number + 1,
    ).astype(np.float64)


def label_polygons(label: IntArray, grid: Grid) -> tuple[list[int], list[Any]]:
    """
    Outline each label's cells exactly.

    Parameters
    ----------
    label
        Shape of the grid; 0 is left out.
    grid
        Gives the cells.

    Returns
    -------
    labels, polygons
        One polygon or multipolygon per label, in rising order.
    """
    from rasterio.features import shapes  # noqa: PLC0415 - slow to import

    parts: dict[int, list[Any]] = {}
    for geometry, value in shapes(label.astype(np.int32), mask=label > 0, transform=grid.transform):
        rings = [np.asarray(ring) for ring in geometry["coordinates"]]
        parts.setdefault(int(value), []).append(shapely.Polygon(rings[0], rings[1:]))
    labels = sorted(parts)
    return labels, [
        parts[value][0] if len(parts[value]) == 1 else shapely.union_all(parts[value])
        for value in labels
    ]


def simplified_outlines(polygons: list[Any], tolerance: float) -> list[Any]:
    """
    Simplify outlines so that neighbours still share their borders.

    Parameters
    ----------
    polygons
        A set of exact cell outlines that do not overlap.
    tolerance
        Largest shift of a border, in units of the CRS.

    Returns
    -------
    outlines
        Same order; one that would vanish is kept as it was.
    """
    if not polygons:
        return []
    clean = shapely.coverage_clean(polygons)
    simple = shapely.coverage_simplify(clean, tolerance)
    return [
        smooth if not smooth.is_empty and smooth.is_valid else exact
        for smooth, exact in zip(simple, polygons, strict=True)
    ]
