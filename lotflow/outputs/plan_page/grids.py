"""The grids of a plan page: small enough for a phone, exact enough to follow the water."""

from __future__ import annotations

import base64
import io
import zlib
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.outputs.map.ground import Pixels

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from lotflow.grid import Grid
    from lotflow.terrain.routing import Routing

#: Codes of the grid of ways beside the directions 1 to 8: where a way ends, and what is roof.
EDGE: Final = 10
MISSING: Final = 11
WATER: Final = 12
INLET: Final = 13
CULVERT: Final = 14
ROOF: Final = 15

#: Elevations are embedded in whole steps of this [m], or coarser where the relief is large.
_STEP_M: Final = 0.001
_NO_ELEVATION: Final = 65_535


def packed(values: NDArray[Any]) -> str:
    """
    Compress an array of whole numbers for a page.

    `values`: any shape; written row by row, little-endian.

    Returns Base64 of a zlib stream.

    Examples
    --------
    >>> packed(np.zeros(3, dtype=np.uint8))
    'eNpjYGAAAAADAAE='
    """
    data = np.ascontiguousarray(values).astype(values.dtype.newbyteorder("<")).tobytes()
    return base64.b64encode(zlib.compress(data, 9)).decode("ascii")


def packed_text(text: str) -> str:
    """
    Compress a long text for a page.

    `text`: as `packed`, of its bytes in UTF-8.

    Examples
    --------
    >>> len(packed_text("[0.25,0.25]," * 1000)) < 200
    True
    """
    return base64.b64encode(zlib.compress(text.encode("utf-8"), 9)).decode("ascii")


def elevation_grid(ground: Grid) -> dict[str, Any]:
    """
    Embed elevations: steps above the lowest, as differences along each row.

    `ground`: elevation [m]; NaN where there is none.

    Returns `base` and `step` [m], and the packed numbers; 65535 stands for no elevation.
    """
    missing = ground.missing
    if missing.all():
        base, step = 0.0, _STEP_M
    else:
        base = float(np.floor(np.nanmin(ground.values) / _STEP_M) * _STEP_M)
        relief = float(np.nanmax(ground.values)) - base
        step = max(_STEP_M, relief / (_NO_ELEVATION - 1))
    steps = np.where(missing, 0.0, np.round((ground.values - base) / step))
    number = np.where(missing, _NO_ELEVATION, steps).astype(np.uint16)
    # neighbours are alike: differences are small numbers, which compress well
    change = np.diff(number, axis=1, prepend=np.uint16(0))
    return {"base": base, "step": step, "values": packed(change)}


def _way_codes(routing: Routing) -> NDArray[np.uint8]:
    """
    Give every cell's direction, or what ends a way there.

    Of the shape of the grid: 1 to 8 for W NW N NE E SE S SW, else one of this module's codes.
    """
    surface = routing.surface
    codes = routing.field.direction.astype(np.uint8)
    codes[surface.edge] = EDGE
    codes[surface.missing] = MISSING
    codes[surface.water] = WATER
    codes[routing.drains.inlet > 0] = INLET
    for culvert in routing.drains.culverts:
        codes.ravel()[culvert.up_cell] = CULVERT
    codes[surface.roof & (routing.drains.inlet == 0)] = ROOF
    return codes


def water_grid(routing: Routing, names: list[str]) -> dict[str, Any]:
    """
    Embed what is needed to follow the water.

    Gives packed codes; eaves of roof cells in reading order; cells whose worth of rain is
    not that of their kind; inlets and culverts by cell.
    """
    codes = _way_codes(routing)
    usual = np.where((codes == ROOF) | (codes == MISSING), 0.0, 1.0)
    other = np.flatnonzero(routing.weight != usual)
    inlet_cells = np.flatnonzero(routing.drains.inlet > 0)
    numbers = routing.drains.inlet.ravel()[inlet_cells]
    return {
        "codes": packed(codes),
        "eaves": packed(routing.surface.eave_cell[codes == ROOF].astype(np.int32)),
        "weights": {
            "cells": packed(other.astype(np.int32)),
            "values": packed(routing.weight.ravel()[other].astype(np.float64)),
        },
        "inlets": {str(cell): names[number - 1] for cell, number in zip(
            inlet_cells.tolist(), numbers.tolist(), strict=True)},
        "culverts": {
            str(culvert.up_cell): {"name": culvert.name, "out": int(culvert.down_cell)}
            for culvert in routing.drains.culverts
        },
    }  # fmt: skip


def picture(pixels: Pixels) -> str:
    """
    Embed an image.

    `pixels`: shape (rows, columns, 4): red, green, blue, opacity.

    Gives a data address of a PNG.
    """
    from PIL import Image  # noqa: PLC0415 - only where a page is asked for

    image = Image.fromarray(pixels, "RGBA").quantize(128, method=Image.Quantize.FASTOCTREE)
    target = io.BytesIO()
    image.save(target, "PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(target.getvalue()).decode("ascii")


def corner_degrees(grid: Grid) -> Mapping[str, tuple[float, float]]:
    """
    Give latitude and longitude of the corners of a grid.

    Between them a page interpolates; over a window of 1 km that is good to some centimetres.
    """
    from lotflow.outputs.positions import latitude_longitude  # noqa: PLC0415 - needs pyproj

    west, south, east, north = grid.bounds
    latitude, longitude = latitude_longitude(
        [west, east, west, east], [south, south, north, north], grid.crs
    )
    names = ("south_west", "south_east", "north_west", "north_east")
    pairs = zip(names, latitude, longitude, strict=True)
    return {name: (float(lat), float(lon)) for name, lat, lon in pairs}
