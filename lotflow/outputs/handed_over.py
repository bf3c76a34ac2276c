"""Tables and rasters that a caller hands over in memory, as files for the one door in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from lotflow.errors import Fault, InputError

if TYPE_CHECKING:
    import geopandas as gpd


def layer_path(given: Path | str | gpd.GeoDataFrame, name: str, folder: Path) -> Path:
    """
    Give the file of a layer: the one that is named, or one made of the table.

    Parameters
    ----------
    given
        A path, or a table with its CRS.
    folder
        Where a table is written.

    Raises
    ------
    InputError
        If a table has no CRS.
    """
    if isinstance(given, str | Path):
        return Path(given)
    if given.crs is None:
        raise InputError(
            Fault("the table has no coordinate reference system", "Set it: frame.set_crs(...)",
                  layer=name)
        )  # fmt: skip
    import pyogrio  # noqa: PLC0415 - of tables only

    from lotflow.outputs.geopackage import FIXED_DATE, gdal_options  # noqa: PLC0415

    path = folder / f"{name}.gpkg"
    with gdal_options(FIXED_DATE):  # the same table gives the same bytes
        pyogrio.write_dataframe(given, path, layer=name)
    return path


def raster_path(given: Any, number: int, folder: Path) -> Path:
    """
    Give the file of a raster: the one that is named or opened, or a copy of one in memory.

    Parameters
    ----------
    given
        A path, or a dataset of rasterio that is open for reading.
    number
        Of the tile, from 1.
    folder
        Where a dataset in memory is written.
    """
    if isinstance(given, str | Path):
        return Path(given)
    opened = Path(given.name)
    if given.driver in ("GTiff", "AAIGrid") and opened.is_file():
        return opened
    from rasterio.shutil import copy  # noqa: PLC0415 - of datasets only

    path = folder / f"elevation_{number}.tif"
    copy(given, path, driver="GTiff", compress="deflate")
    return path
