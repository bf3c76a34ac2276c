"""
The window of an area out of one or several tiles: as stored where they share their cells.

Of one tile, or of tiles of one product, the numbers are those of the files to the last bit. Tiles
of other cells, another CRS or another unit are brought to the cells of the first, in metres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from lotflow.errors import InputError
from lotflow.findings import Finding
from lotflow.grid import FloatArray
from lotflow.inputs.area import Area
from lotflow.inputs.georeference import (
    Bounds,
    WorkCrs,
    horizontal_crs,
    resample,
    settled_vertical_unit,
    vertical_name,
)
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.missing_values import Scale, elevations
from lotflow.inputs.raster_header import RasterHeader, Window
from lotflow.inputs.rasters import read_stored
from lotflow.inputs.surface_checks import seam_check
from lotflow.inputs.tiles import Mosaic, Pasted, mosaic
from lotflow.units import TO_SI, VerticalUnit

#: Numbers that may stand for no value where the file declares none, or another tile has it.
_NO_VALUE: Final = (-9999.0, -999_999.0, -32_768.0)
#: Name of a unit in a file, as GDAL writes it.
UNIT_NAMES: Final[dict[VerticalUnit, str]] = {
    "m": "metre", "ft": "foot", "us-ft": "US survey foot",
}  # fmt: skip
#: Cells read round a tile that is resampled, so that its edge has neighbours.
_PAD: Final = 3
#: In the order of bounds.
_SIDES: Final = ("west", "south", "east", "north")


@dataclass(frozen=True, eq=False)
class Extract:
    """
    The numbers to be written, and what says where and what they are.

    Parameters
    ----------
    values
        Stored numbers, north up.
    transform, crs
        Where they lie; the CRS with its vertical part, where the files state one.
    nodata
        Number that means no value; None where every cell has one.
    unit, scale, offset
        As in a `RasterHeader`.
    used
        Number of each tile that gave a cell.
    resampled
        Why the numbers are not those of the files; empty where they are.
    findings
        Steps along seams.
    covered
        Share of the cells with a value.
    beyond
        Sides on which the area reaches beyond the files.
    """

    values: NDArray[Any]
    transform: Affine
    crs: CRS
    nodata: float | None
    unit: str
    scale: float
    offset: float
    used: tuple[int, ...]
    resampled: str
    findings: tuple[Finding, ...]
    covered: float
    beyond: tuple[str, ...]


def window_of(header: RasterHeader, area: Area) -> Window:
    """
    Give the rows and columns of a file that an area needs; may be empty.

    Parameters
    ----------
    header
        Of the file.
    area
        What is asked for.
    """
    one = mosaic([header])
    window = one.covering(_padded(one, area, header))
    _check_size(window.shape)
    return window if window.is_empty else one.tiles[0].in_file(window)


def same_cells(here: Sequence[float], there: Sequence[float]) -> bool:
    """
    Whether two transforms place cells alike, to a thousandth of a cell.

    Examples
    --------
    >>> same_cells((0.5, 0, 10, 0, -0.5, 20), (0.5, 0, 10.0001, 0, -0.5, 20))
    True
    """
    cell = abs(here[0])
    return len(here) == len(there) and all(
        abs(a - b) <= 1e-3 * cell for a, b in zip(here, there, strict=True)
    )


def _crs(header: RasterHeader) -> CRS:
    """CRS of a file; `read_header` refuses those without."""
    if header.crs is None:
        raise header.fault("the raster has no coordinate reference system")
    return header.crs


def _flat_crs(header: RasterHeader) -> CRS:
    """Horizontal part of the CRS of a file."""
    return horizontal_crs(_crs(header))


def _padded(one: Mosaic, area: Area, header: RasterHeader) -> Bounds:
    """Bounds of the area in the CRS of a file."""
    west, south, east, north = area.within(_flat_crs(header))
    pad = _PAD * one.transform.a
    return west - pad, south - pad, east + pad, north + pad


def merged(headers: Sequence[RasterHeader], area: Area, unit: VerticalUnit | None) -> Extract:
    """
    Read the area out of files that hold it.

    Parameters
    ----------
    headers
        Of the files; where they overlap the first counts.
    area
        What is asked for.
    unit
        Of the elevations, where the files do not say; needed of several.

    Raises
    ------
    InputError
        If a file is damaged, the area is too large, or the files contradict one another.
    """
    units = [settled_vertical_unit(one, unit)[0] for one in headers] if (
        len(headers) > 1 or unit is not None) else []  # fmt: skip
    datums = {name for one in headers if (name := vertical_name(one.crs))}
    if len(datums) > 1:
        raise InputError(
            f"the tiles are in different vertical datums: {', '.join(sorted(datums))}",
            "Fetch tiles of one product",
        )
    why = _differ(headers, units)
    if why:
        return _in_metres(headers, area, units, why)
    return _as_stored(headers, area, units)


def _differ(headers: Sequence[RasterHeader], units: Sequence[VerticalUnit]) -> str:
    """Say in what files differ from the first, so that their numbers cannot stand side by side."""
    first = headers[0]
    for number, one in enumerate(headers[1:], 1):
        crs, other = _flat_crs(first), _flat_crs(one)
        if crs != other:
            return f"{one.name} is in {other.name}, not in {crs.name}"
        if units[number] != units[0]:
            return f"the elevations of {one.name} are in {units[number]}, not in {units[0]}"
        if (one.dtype, one.scale, one.offset) != (first.dtype, first.scale, first.offset):
            return f"the numbers of {one.name} are stored in another way"
    try:
        mosaic(headers)
    except InputError as error:
        return str(error.faults[0].rule)
    return ""


def _as_stored(
    headers: Sequence[RasterHeader], area: Area, units: Sequence[VerticalUnit]
) -> Extract:
    """Lay the numbers of files side by side."""
    first, tiles = headers[0], mosaic(headers)
    window = tiles.covering(_padded(tiles, area, first))
    _check_size(window.shape)
    pasted = Pasted.empty(window.shape)
    for number, tile in enumerate(tiles.tiles):
        part = tile.window.within(window)
        if not part.is_empty:
            stored = tile.north_up(read_stored(tile.header, tile.in_file(part), DEFAULT_LIMITS))
            pasted.paste(stored, number, part.shifted(-window.row_start, -window.column_start))
    t = tiles.transform
    west, _, _, north = tiles.bounds(window)
    transform = Affine(t.a, 0.0, west, 0.0, t.e, north)
    wanted, there = area.within(_flat_crs(first)), tiles.bounds(tiles.window)
    less = [a < b - t.a for a, b in zip(wanted[:2], there[:2], strict=True)]
    less += [a > b + t.a for a, b in zip(wanted[2:], there[2:], strict=True)]
    beyond = tuple(side for side, is_less in zip(_SIDES, less, strict=True) if is_less)
    metres = pasted
    if units:
        scale = Scale(first.scale, first.offset, TO_SI[units[0]])
        metres = replace(pasted, values=elevations(pasted.values, scale, first.name)[0])
    values, nodata = _stored(pasted.values, np.dtype(first.dtype), first.nodata)
    return Extract(
        values, transform, _crs(first), nodata,
        first.unit or (UNIT_NAMES[units[0]] if units else ""), first.scale, first.offset,
        _used(pasted), "", _seams(headers, metres, transform), _covered(pasted.values), beyond,
    )  # fmt: skip


def _in_metres(
    headers: Sequence[RasterHeader], area: Area, units: Sequence[VerticalUnit], why: str
) -> Extract:
    """Bring files to the cells of the first, in metres."""
    base = mosaic(headers[:1])
    t = base.transform
    crs = _flat_crs(headers[0])
    west, south, east, north = area.within(crs)
    if crs.is_geographic:
        raise InputError(f"{why}, and the cells of the first are in degrees",
                         "Name a tile in a projected CRS first")  # fmt: skip
    left, top = math.floor((west - t.c) / t.a), math.floor((north - t.f) / t.e)
    shape = (math.ceil((south - t.f) / t.e) - top, math.ceil((east - t.c) / t.a) - left)
    _check_size(shape)
    transform = Affine(t.a, 0.0, t.c + left * t.a, 0.0, t.e, t.f + top * t.e)
    work = WorkCrs(crs, float(crs.axis_info[0].unit_conversion_factor))
    pasted = Pasted.empty(shape)
    for number, (header, unit) in enumerate(zip(headers, units, strict=True)):
        values = _tile_on(header, area, unit, (transform, shape), work, as_is=number == 0)
        pasted.paste(values, number, Window(0, shape[0], 0, shape[1]))
    z = pasted.values
    edges = (z[:, 0], z[-1], z[:, -1], z[0])
    beyond = tuple(side for side, edge in zip(_SIDES, edges, strict=True) if np.isnan(edge).all())
    stored, nodata = _stored(z, np.dtype("float32"), None)
    return Extract(
        stored, transform, crs, nodata, UNIT_NAMES["m"], 1.0, 0.0, _used(pasted), why,
        _seams(headers, pasted, transform), _covered(pasted.values), beyond,
    )  # fmt: skip


def _tile_on(
    header: RasterHeader,
    area: Area,
    unit: VerticalUnit,
    cells: tuple[Affine, tuple[int, int]],
    work: WorkCrs,
    *,
    as_is: bool,
) -> FloatArray:
    """Give the elevations of one file on other cells [m]; NaN where it has none."""
    one = mosaic([header])
    window = one.covering(_padded(one, area, header))
    out = np.full(cells[1], np.nan)
    if window.is_empty:
        return out
    tile = one.tiles[0]
    stored = tile.north_up(read_stored(header, tile.in_file(window), DEFAULT_LIMITS))
    values, _ = elevations(stored, Scale(header.scale, header.offset, TO_SI[unit]), header.name)
    t, (transform, shape) = one.transform, cells
    west, _, _, north = one.bounds(window)
    if as_is:  # of the same cells: only the window may differ
        column, row = round((west - transform.c) / t.a), round((north - transform.f) / t.e)
        own = Window(row, row + values.shape[0], column, column + values.shape[1])
        inside = own.within(Window(0, shape[0], 0, shape[1]))
        there = inside.shifted(-row, -column)
        out[slice(*inside[:2]), slice(*inside[2:])] = values[slice(*there[:2]), slice(*there[2:])]
        return out
    crs = _flat_crs(header)
    placed = Affine(t.a, 0.0, west, 0.0, t.e, north)
    return np.asarray(resample(values, placed, crs, work, cells).values)


def _check_size(shape: tuple[int, int]) -> None:
    """Refuse an area that is too large."""
    DEFAULT_LIMITS.check(
        "window_cells", shape[0] * shape[1], "the area holds {} cells", file="the area"
    )


def _stored(
    values: FloatArray, dtype: np.dtype[Any], nodata: float | None
) -> tuple[NDArray[Any], float | None]:
    """Give numbers in the type they are stored in, and the number for those that are missing."""
    missing = np.isnan(values)
    if not missing.any():
        return values.astype(dtype), nodata
    low, high = -math.inf, math.inf
    if dtype.kind in "iu":
        low, high = float(np.iinfo(dtype).min), float(np.iinfo(dtype).max)
    for number in (nodata, *_NO_VALUE, high):
        if number is None or not (math.isnan(number) or low <= number <= high):
            continue
        with np.errstate(over="ignore"):
            as_stored = np.array(number).astype(dtype)
        if math.isnan(number) or not (values == float(as_stored)).any():
            return np.where(missing, as_stored, values).astype(dtype), number
    raise InputError("the raster has no number left that could mean no value",
                     "Fetch a raster that declares one")  # fmt: skip


def _used(pasted: Pasted) -> tuple[int, ...]:
    """Number of each tile that gave a cell."""
    return tuple(int(i) for i in np.unique(pasted.owner[pasted.owner >= 0]))


def _covered(values: FloatArray) -> float:
    """Share of the cells with a value."""
    return float(np.isfinite(values).mean())


def _seams(
    headers: Sequence[RasterHeader], pasted: Pasted, transform: Affine
) -> tuple[Finding, ...]:
    """Tell the steps where two files meet."""

    def locate(row: int, column: int) -> tuple[float, float]:
        t = transform
        return float(t.c + (column + 0.5) * t.a), float(t.f + (row + 0.5) * t.e)

    return tuple(seam_check(pasted, [one.name for one in headers], locate))
