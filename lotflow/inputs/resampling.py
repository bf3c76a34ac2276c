"""From the cells of a file to square cells of another CRS."""

from __future__ import annotations

import math

import numpy as np
from affine import Affine
from pyproj import CRS

from lotflow.grid import FloatArray, Grid
from lotflow.inputs.georeference import WorkCrs

Bounds = tuple[float, float, float, float]


def square_cells(bounds: Bounds, cell: float) -> tuple[Affine, tuple[int, int]]:
    """
    Cover an area with square cells whose borders are multiples of their side.

    So two areas that overlap share their cells, and a window can grow without shifting.

    Parameters
    ----------
    bounds
        West, south, east, north.
    cell
        Side, in the same unit.

    Returns
    -------
    transform, shape
        Of the grid.

    Examples
    --------
    >>> transform, shape = square_cells((1.2, 0.0, 3.1, 2.5), 0.5)
    >>> transform.c, transform.f, shape
    (1.0, 2.5, (5, 5))
    """
    west, south, east, north = (value / cell for value in bounds)
    left, top = math.floor(west + 1e-6), math.ceil(north - 1e-6)
    shape = (top - math.floor(south + 1e-6), math.ceil(east - 1e-6) - left)
    return Affine(cell, 0.0, left * cell, 0.0, -cell, top * cell), shape


def resample(
    values: FloatArray,
    transform: Affine,
    crs: CRS,
    target: WorkCrs,
    cells: tuple[Affine, tuple[int, int]],
) -> Grid:
    """
    Interpolate bilinearly between the cell centres of a raster.

    Parameters
    ----------
    values, transform, crs
        The raster; NaN where missing.
    target
        CRS of the result.
    cells
        Transform and shape of the result, as `square_cells` gives them.

    Returns
    -------
    grid
        NaN where the raster has no value near.
    """
    # only rasters that are not worked on as they are need it
    from rasterio.crs import CRS as RasterCrs  # noqa: N811, PLC0415
    from rasterio.warp import Resampling, reproject  # noqa: PLC0415

    out = np.full(cells[1], np.nan)
    reproject(
        values,
        out,
        src_transform=transform,
        src_crs=RasterCrs.from_wkt(crs.to_wkt()),
        src_nodata=np.nan,
        dst_transform=cells[0],
        dst_crs=RasterCrs.from_wkt(target.crs.to_wkt()),
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
        # places are exact to this share of a cell, where the usual eighth would leave steps
        tolerance=0.001,
    )
    return Grid(out, cells[0], target.crs, target.metres_per_unit)
