"""Low spots, those nested in them and their spill points as layers of a result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from lotflow.outputs.result_layers import cell_centres, layer_frame
from lotflow.terrain.catchments import label_polygons

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.low_spots import InnerLowSpot, LowSpots


@dataclass(frozen=True, eq=False)
class LowSpotFacts:
    """
    What is known of low spots beside their shape; one entry per low spot.

    Parameters
    ----------
    on_lot
        Cells on the lot.
    cut
        Whether the catchment is cut by the edge of the data.
    not_closed
        Whether the basin is not closed by the data.
    inlets
        Names of the inlets in each, joined by commas.
    """

    on_lot: NDArray[np.int64]
    cut: BoolArray
    not_closed: BoolArray
    inlets: Sequence[str]


def low_spots_layer(
    spots: LowSpots,
    grid: Grid,
    facts: LowSpotFacts,
    inner: Sequence[InnerLowSpot],
    buildings: gpd.GeoDataFrame,
) -> gpd.GeoDataFrame:
    """
    Give the low spots as polygons, deepest first.

    Parameters
    ----------
    spots, grid
        The low spots and their cells.
    facts
        What is known of them beside.
    inner
        Low spots nested in them.
    buildings
        Footprints in the grid's CRS.
    """
    labels, polygons = label_polygons(spots.number, grid)
    # a low spot under a roof may be covered by another one, and then has no cells of its own
    shape = dict(zip(labels, polygons, strict=True))
    x, y = cell_centres(grid, spots.bed_cell)
    spill_x, spill_y = cell_centres(grid, spots.spill_cell)
    geometry = [shape.get(i + 1, shapely.Point(x[i], y[i]).buffer(grid.transform.a / 2, 1))
                for i in range(len(spots))]  # fmt: skip
    nested = np.bincount([spot.low_spot for spot in inner], minlength=len(spots) + 1)[1:]
    area = spots.contributing * grid.cell_m2
    volume = spots.volume * grid.cell_m2
    columns = {
        "id": np.arange(1, len(spots) + 1),
        "x": x,
        "y": y,
        "depth_m": spots.depth,
        "area_m2": spots.cells * grid.cell_m2,
        "volume_m3": volume,
        "bed_elevation_m": spots.bed,
        "spill_elevation_m": spots.spill,
        "spill_x": spill_x,
        "spill_y": spill_y,
        "contributing_area_m2": area,
        "runoff_to_fill_mm": np.divide(
            volume * 1000, area, out=np.full(len(spots), np.nan), where=area > 0
        ),
        "on_lot_m2": facts.on_lot * grid.cell_m2,
        "building_distance_m": _distances(geometry, buildings, grid),
        "inner_low_spots": nested,
        "inlets": list(facts.inlets),
        "artefact": spots.artefact,
        "cut_by_edge": facts.cut,
        "not_closed": facts.not_closed,
        "probability": np.full(len(spots), np.nan),
    }
    return layer_frame("low_spots", columns, geometry, grid.crs)


def _distances(geometry: list[Any], buildings: gpd.GeoDataFrame, grid: Grid) -> FloatArray:
    """Distance to the nearest building [m]; NaN where there is none."""
    if not len(buildings) or not geometry:
        return np.full(len(geometry), np.nan)
    tree = shapely.STRtree(buildings.geometry.to_numpy())
    _, away = tree.query_nearest(np.asarray(geometry), return_distance=True, all_matches=False)
    return np.asarray(away * grid.metres_per_unit, dtype=float)


def inner_low_spots_layer(inner: Sequence[InnerLowSpot], grid: Grid) -> gpd.GeoDataFrame:
    """
    Give nested low spots as points.

    Parameters
    ----------
    inner, grid
        The nested low spots and their cells.
    """
    x, y = cell_centres(grid, np.array([spot.bed_cell for spot in inner], dtype=np.int64))
    columns = {
        "id": np.arange(1, len(inner) + 1),
        "low_spot": np.array([spot.low_spot for spot in inner], dtype=int),
        "x": x,
        "y": y,
        "depth_m": np.array([spot.sill - spot.bed for spot in inner], dtype=float),
        "volume_m3": np.array([spot.volume * grid.cell_m2 for spot in inner], dtype=float),
        "bed_elevation_m": np.array([spot.bed for spot in inner], dtype=float),
        "sill_elevation_m": np.array([spot.sill for spot in inner], dtype=float),
    }
    return layer_frame("inner_low_spots", columns, shapely.points(x, y), grid.crs)


def spill_points_layer(spots: LowSpots, grid: Grid) -> gpd.GeoDataFrame:
    """
    Give the points over which low spots overflow.

    Parameters
    ----------
    spots, grid
        The low spots and their cells.
    """
    columns = {"id": np.arange(1, len(spots) + 1), "spill_elevation_m": spots.spill}
    points = shapely.points(*cell_centres(grid, spots.spill_cell))
    return layer_frame("spill_points", columns, points, grid.crs)
