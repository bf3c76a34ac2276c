"""A lot of 24 by 24 m on ground of 96 by 96 cells: all of the raster is read for it."""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from rasterio.errors import NotGeoreferencedWarning

CELLS: Final = 96
WEST, NORTH, CELL = 600_000.0, 3_300_000.0, 0.5
EPSG: Final = 26917

#: Every way of storing a raster that is damaged: compression, and in strips or tiles.
STORED: Final[dict[str, dict[str, Any]]] = {
    f"{name}-{'tiles' if tiled else 'strips'}": {**how, **(
        {"tiled": True, "blockxsize": 48, "blockysize": 48} if tiled
        else {"tiled": False, "blockysize": 12})}
    for name, how in {
        "deflate": {"compress": "deflate", "predictor": 3},
        "lzw": {"compress": "lzw", "predictor": 3},
        "zstd": {"compress": "zstd", "predictor": 3},
        "plain": {},
    }.items()
    for tiled in (True, False)
}  # fmt: skip


def ground(seed: int = 0) -> np.ndarray[Any, np.dtype[np.float32]]:
    """Ground that falls and undulates, with the noise of a survey and one missing cell."""
    row, column = np.mgrid[0:CELLS, 0:CELLS]
    noise = np.random.default_rng(seed).normal(0.0, 0.02, (CELLS, CELLS))
    values = 20.0 - 0.013 * row - 0.011 * column + 0.3 * np.sin(row / 7.0) * np.cos(column / 5.0)
    values = (values + noise).astype("float32")
    values[3, 5] = -9999.0
    return values


def write_raster(path: Path, **stored: Any) -> Path:
    """Write the ground as a GeoTIFF that states all there is to state, unless told otherwise."""
    profile = {
        "driver": "GTiff", "count": 1, "height": CELLS, "width": CELLS, "dtype": "float32",
        "crs": f"EPSG:{EPSG}", "transform": Affine(CELL, 0.0, WEST, 0.0, -CELL, NORTH),
        "nodata": -9999.0, **stored,
    }  # fmt: skip
    seed, mask = profile.pop("seed", 0), profile.pop("mask", False)
    if mask:  # what the mask leaves out is not also said by a number
        del profile["nodata"]
    if profile["transform"] is None:
        del profile["transform"]
    with (
        warnings.catch_warnings(action="ignore", category=NotGeoreferencedWarning),
        rasterio.Env(GDAL_PAM_ENABLED=False, GDAL_TIFF_INTERNAL_MASK=True),
        rasterio.open(path, "w", **profile) as dataset,
    ):
        dataset.write(ground(seed), 1)
        if mask:
            left_out = np.full((CELLS, CELLS), 255, "uint8")
            left_out[10:30, 40:60] = 0
            dataset.write_mask(left_out)
        dataset.units = ("metre",)
    return path


def lot_polygon() -> shapely.Polygon:
    """The lot, in the middle of the ground."""
    half = CELLS * CELL / 2
    return shapely.box(*(at + side for side in (-12, 12) for at in (WEST + half, NORTH - half)))


def layers() -> dict[str, gpd.GeoDataFrame]:
    """A lot and, on it, three inlets and a wall."""
    x, y = lot_polygon().centroid.coords[0]
    inlets = {
        "name": ["CB 1", "CB 2", "area drain"],
        "kind": ["catch basin", "catch basin", "area drain"],
        "geometry": shapely.points([(x - 6, y - 6), (x + 6, y - 4), (x + 1, y + 7)]),
    }
    wall = {"height_m": [0.4], "geometry": [shapely.LineString([(x - 8, y), (x - 2, y + 1)])]}
    lot = {"name": ["Lot 1"], "geometry": [lot_polygon()]}
    tables = {"lot": lot, "inlets": inlets, "walls": wall}
    return {name: gpd.GeoDataFrame(table, crs=EPSG) for name, table in tables.items()}


def lot_geojson() -> bytes:
    """The lot alone as GeoJSON of the older kind, which may state its CRS."""
    crs = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{EPSG}"}}
    shape = json.loads(shapely.to_geojson(lot_polygon()))
    feature = {"type": "Feature", "properties": {"name": "Lot 1"}, "geometry": shape}
    return json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]}).encode()


def write_job(
    folder: Path, *, raster: str = "dem.tif", layer_lines: str = 'lot = "lot.geojson"'
) -> Path:
    """Write a job of a raster and layers that are put beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "job.toml").write_text(
        f'[job]\nname = "Small"\nunits = "metric"\n[elevation]\nfile = "{raster}"\n'
        f'vertical_unit = "m"\nrmse_m = 0.1\n[layers]\n{layer_lines}\n',
        encoding="utf-8",
    )
    return folder


def small_job(folder: Path, **stored: Any) -> Path:
    """Write a whole small job: a raster and the lot as GeoJSON."""
    write_job(folder)
    write_raster(folder / "dem.tif", **(stored or STORED["deflate-tiles"]))
    (folder / "lot.geojson").write_bytes(lot_geojson())
    return folder


def snapshot(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Bytes and time of change of every file in a folder."""
    return {path.relative_to(folder).as_posix(): (path.read_bytes(), path.stat().st_mtime_ns)
            for path in sorted(folder.rglob("*")) if path.is_file()}  # fmt: skip
