"""Tiny rasters and layers, each made where it is used."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from rasterio.errors import NotGeoreferencedWarning

#: West, north and side of the cells of every raster that says nothing else.
PLACED = Affine(0.5, 0.0, 321_600.0, 0.0, -0.5, 4_297_800.0)

MakeRaster = Callable[..., Path]


@pytest.fixture
def ground() -> np.ndarray:
    """Ground of 60 by 80 cells that falls to the south-east and undulates; no two cells equal."""
    row, column = np.mgrid[0:60, 0:80]
    undulating = 0.2 * np.sin(row / 7.0) * np.cos(column / 5.0)
    return (20.0 - 0.013 * row - 0.011 * column + undulating).astype("float32")


@pytest.fixture
def make_raster(tmp_path: Path, ground: np.ndarray) -> MakeRaster:
    """Write a raster; everything is stated unless the test says otherwise."""

    def make(name: str = "dem.tif", values: np.ndarray | None = None, **given: Any) -> Path:
        values = ground if values is None else values
        bands = values if values.ndim == 3 else values[None]
        unit = given.pop("unit", "metre")
        mask = given.pop("mask", None)
        scale, offset = given.pop("scale", None), given.pop("offset", None)
        profile = {
            "driver": "GTiff", "count": bands.shape[0], "height": bands.shape[1],
            "width": bands.shape[2], "dtype": bands.dtype, "crs": "EPSG:26918",
            "transform": PLACED, "compress": "deflate", "tiled": True, "blockxsize": 32,
            "blockysize": 32, **given,
        }  # fmt: skip
        if profile["transform"] is None:
            del profile["transform"]
        with (
            warnings.catch_warnings(action="ignore", category=NotGeoreferencedWarning),
            rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True, GDAL_PAM_ENABLED=False),
            rasterio.open(tmp_path / name, "w", **profile) as dataset,
        ):
            dataset.write(bands)
            if unit is not None:
                dataset.units = (unit,) * bands.shape[0]
            if mask is not None:
                dataset.write_mask(mask)
            if scale is not None:
                dataset.scales = (scale,)
            if offset is not None:
                dataset.offsets = (offset,)
        return tmp_path / name

    return make
