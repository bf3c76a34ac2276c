"""Grids of a result as cloud optimized GeoTIFFs, and the proof that they hold them."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS
from rasterio._err import CPLE_BaseError
from rasterio.errors import RasterioError

from lotflow.errors import OutputError
from lotflow.grid import Grid
from lotflow.outputs.failures import deepest_reason
from lotflow.outputs.result_file import ResultFile

#: Stands for "no value" in rasters of measured values.
NO_DATA: Final = -9999.0

#: rasterio reports what GDAL finds while a file is closed by an error of none of its own kinds.
_ERRORS: Final = (RasterioError, CPLE_BaseError, OSError, ValueError)


def write_cog(path: Path, grid: Grid, *, description: str, unit: str) -> None:
    """
    Write a grid as cloud optimized GeoTIFF.

    Measured values are stored as 32-bit floats (0.03 mm at 300 m), missing ones as -9999;
    whole numbers as 32-bit integers and claims as bytes, both without a missing value.
    Overviews are made above 512 cells: averages of measured values, else the nearest cell.
    Only the horizontal part of the CRS is kept: the values are SI, whatever the rest says.

    `path`: file to be written; one that is there is replaced; `grid`: the values and where
    they are; `description`: what the values are, shown as the name of the band; `unit`: unit
    of the values, such as "m"; empty for names and claims.

    Raises OutputError if the file cannot be written.

    Raises TypeError if the values are of another type, or too large for it; that is a fault of
    lotflow.

    References
    ----------
    OGC 21-026, Cloud Optimized GeoTIFF Standard 1.0.
    """
    values, measured = _stored(grid.values)
    rows, columns = grid.shape
    try:
        with (
            # without side files: everything stands in the file itself
            rasterio.Env(GDAL_PAM_ENABLED=False),
            rasterio.open(
                path,
                "w",
                driver="COG",
                width=columns,
                height=rows,
                count=1,
                dtype=values.dtype,
                crs=_horizontal_wkt(grid.crs),
                transform=grid.transform,
                nodata=NO_DATA if measured else None,
                compress="DEFLATE",
                predictor="FLOATING_POINT" if measured else "STANDARD",
                overview_resampling="AVERAGE" if measured else "NEAREST",
            ) as target,
        ):
            target.write(values, 1)
            target.set_band_description(1, description)
            target.set_band_unit(1, unit)
    except _ERRORS as error:
        raise OutputError(f"{path.name}: {deepest_reason(error)}") from error


def verify_cog(path: Path, grid: Grid, *, description: str, unit: str) -> None:
    """
    Read a raster back and compare values, place and labels with the grid.

    On a full disk a raster may be left unreadable without any error.

    Raises OutputError if anything differs or the file cannot be read.
    """
    values, measured = _stored(grid.values)
    expected = {
        "values": True,
        "place": (grid.transform, grid.shape),
        "CRS": _crs_of(_horizontal_wkt(grid.crs)),
        "no-data value": NO_DATA if measured else None,
        "labels": (description, unit),
        "layout": "COG",
    }
    try:
        with (
            rasterio.Env(GDAL_PAM_ENABLED=False, GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR"),
            rasterio.open(path, driver="GTiff") as source,
        ):
            found = {
                "values": bool(np.array_equal(source.read(1), values)),
                "place": (source.transform, source.shape),
                "CRS": source.crs,
                "no-data value": source.nodata,
                "labels": (source.descriptions[0] or "", source.units[0] or ""),
                "layout": source.tags(ns="IMAGE_STRUCTURE").get("LAYOUT"),
            }
    except _ERRORS as error:
        raise OutputError(f"{path.name} does not read back: {deepest_reason(error)}") from error
    faults = [part for part in expected if expected[part] != found[part]]
    if faults:
        raise OutputError(f"{path.name} does not read back the same: {', '.join(faults)}")


def cog_file(name: str, grid: Grid, *, description: str, unit: str) -> ResultFile:
    """
    Make a result file of a grid.

    Parameters
    ----------
    name
        Name in the result folder.
    """
    return ResultFile(
        name,
        lambda path: write_cog(path, grid, description=description, unit=unit),
        lambda path: verify_cog(path, grid, description=description, unit=unit),
        estimate=2 * 4 * grid.values.size,  # the driver keeps a second copy while it writes
    )


def _stored(values: NDArray[Any]) -> tuple[NDArray[Any], bool]:
    """Give the values in the type they are stored in, and whether they are measured ones."""
    if values.dtype.kind == "f":
        return np.where(np.isnan(values), NO_DATA, values).astype(np.float32), True
    if values.dtype.kind == "b":
        return values.astype(np.uint8), False
    if values.dtype.kind not in "iu":
        raise TypeError(f"a raster of {values.dtype} cannot be stored")
    stored = values.astype(np.int32)
    if not np.array_equal(stored, values):
        raise TypeError("whole numbers beyond 32 bits cannot be stored")
    return stored, False


def _horizontal_wkt(crs: CRS | None) -> str | None:
    """WKT of the horizontal part of a CRS."""
    if crs is None:
        return None
    return str((crs.sub_crs_list[0] if crs.is_compound else crs).to_wkt())


def _crs_of(wkt: str | None) -> Any:
    """The same CRS as rasterio holds it."""
    return None if wkt is None else rasterio.crs.CRS.from_wkt(wkt)
