"""Elevation rasters, one or several tiles, to the one grid that is worked on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from affine import Affine
from pyproj import Transformer

from lotflow.errors import InputError, ParameterError
from lotflow.findings import Finding
from lotflow.grid import FloatArray, Grid
from lotflow.inputs.elevation_source import ElevationSource, inspect_elevation
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.missing_values import HIGHEST_M, LOWEST_M, Scale, elevations, outside_land
from lotflow.inputs.open import reading
from lotflow.inputs.raster_header import Window
from lotflow.inputs.rasters import read_stored
from lotflow.inputs.resampling import Bounds, resample, square_cells
from lotflow.inputs.surface_checks import (
    gap_check,
    lone_cell_check,
    seam_check,
    step_check,
)
from lotflow.inputs.tiles import Pasted, Tile
from lotflow.units import TO_SI, both_units

__all__ = ["Elevation", "ElevationSource", "inspect_elevation", "read_elevation"]

#: Cells read round a window that is resampled, so that its edge has neighbours.
_PAD = 3


@dataclass(frozen=True, eq=False)
class Elevation:
    """
    A window of ground.

    Parameters
    ----------
    grid
        Elevations [m]; NaN where missing.
    findings
        What its numbers tell; what the files tell stands in the source.
    more_data
        Per side, "north", "south", "east" and "west", whether the rasters go on there. Their
        cells may still be without values.
    step_m
        To which the elevations are rounded [m]; 0 where that is not seen, or not looked at yet.
    """

    grid: Grid
    findings: tuple[Finding, ...]
    more_data: dict[str, bool]
    step_m: float = 0.0


def read_elevation(
    source: ElevationSource, bounds: Bounds, *, limits: Limits = DEFAULT_LIMITS
) -> Elevation:
    """
    Read the ground of an area, and nothing beyond it.

    The window is snapped outwards to the cells of the rasters and cut to where they reach.
    Where several overlap, the first given counts. A raster that is not worked on in its own CRS
    is resampled bilinearly.

    Parameters
    ----------
    source
        As inspected.
    bounds
        West, south, east, north, in units of `source.crs`.
    limits
        How much may be read.

    Returns
    -------
    elevation
        Ground, what its numbers tell, and where there is more.

    Raises
    ------
    InputError
        If the area lies outside the rasters or is too large, a file is damaged or changed
        meanwhile, or a number is no elevation of land.
    ParameterError
        If the bounds are no area.
    """
    west, south, east, north = bounds
    if not (np.isfinite(bounds).all() and west < east and south < north):
        raise ParameterError(f"{bounds} are not west, south, east and north of an area.")
    with reading(source.name):
        window = source.mosaic.covering(_in_file_crs(source, bounds))
    if window.is_empty:
        raise _outside(source, bounds)
    rows, columns = window.shape
    limits.check("window_cells", rows * columns, "the window holds {} cells", file=source.name)
    pasted, findings = _paste(source, window, limits)
    locate = _Locator(source, window)
    findings += seam_check(pasted, [tile.header.name for tile in source.mosaic.tiles], locate)
    findings += step_check(pasted.values, source.name, locate)
    findings += lone_cell_check(pasted.values, source.name, locate)
    with reading(source.name):
        grid = _worked_on(source, pasted.values, window, bounds)
    findings += gap_check(grid.values, source.name)
    return Elevation(grid, tuple(findings), source.mosaic.more_beyond(window))


@dataclass(frozen=True)
class _Locator:
    """Gives the coordinates, in the CRS of the work, of a cell of a window."""

    source: ElevationSource
    window: Window

    def __call__(self, row: int, column: int) -> tuple[float, float]:
        """Give easting and northing of the cell's centre."""
        t = self.source.mosaic.transform
        x = t.c + (self.window.column_start + column + 0.5) * t.a
        y = t.f + (self.window.row_start + row + 0.5) * t.e
        if not self.source.is_resampled:
            return x, y
        x, y = self.source.to_work().transform(x, y)
        return float(x), float(y)


def _in_file_crs(source: ElevationSource, bounds: Bounds) -> Bounds:
    """Give the area to read in the CRS of the files, with room to interpolate."""
    if not source.is_resampled:
        return bounds
    back = Transformer.from_crs(source.crs, source.file_crs, always_xy=True)
    west, south, east, north = back.transform_bounds(*bounds)
    t = source.mosaic.transform
    return west - _PAD * t.a, south + _PAD * t.e, east + _PAD * t.a, north - _PAD * t.e


def _outside(source: ElevationSource, bounds: Bounds) -> InputError:
    """Say that an area lies outside the rasters."""
    asked, there = (", ".join(f"{value:.1f}" for value in box) for box in (bounds, source.bounds))
    return InputError(
        f"{source.name}: the area asked for ({asked}) lies outside the raster ({there}, west, "
        f"south, east, north in {source.crs.name})",
        "Check the CRS of both, or give the neighbouring tile",
    )


def _paste(source: ElevationSource, window: Window, limits: Limits) -> tuple[Pasted, list[Finding]]:
    """Read what each tile has of a window."""
    pasted = Pasted.empty(window.shape)
    findings: list[Finding] = []
    for number, tile in enumerate(source.mosaic.tiles):
        part = tile.window.within(window)
        if part.is_empty:
            continue
        values, found = _tile_elevations(source, tile, part, limits)
        pasted.paste(values, number, part.shifted(-window.row_start, -window.column_start))
        findings += found
    return pasted, findings


def _tile_elevations(
    source: ElevationSource, tile: Tile, part: Window, limits: Limits
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """Read a part of a tile in metres, north up."""
    header = tile.header
    stored = tile.north_up(read_stored(header, tile.in_file(part), limits))
    scale = Scale(header.scale, header.offset, TO_SI[source.vertical_unit])
    values, findings = elevations(stored, scale, header.name)
    wrong = np.argwhere(outside_land(values))
    if len(wrong):
        row, column = (int(i) for i in wrong[0])
        x, y = _Locator(source, part)(row, column)
        raise header.fault(
            f"the elevation {both_units(float(values[row, column]), 'length')} at {x:.2f}, {y:.2f} "
            f"(one of {len(wrong):,} such cells) is none of land, {LOWEST_M:g} to {HIGHEST_M:g} m",
            "Check the vertical unit; declare the number as nodata; or the file is damaged",
            value=float(stored[row, column]),
        )
    return values, findings


def _worked_on(source: ElevationSource, values: FloatArray, window: Window, bounds: Bounds) -> Grid:
    """Give the window on the cells and in the CRS of the work."""
    mosaic = source.mosaic
    t = mosaic.transform
    west, _, _, north = mosaic.bounds(window)
    transform = Affine(t.a, 0.0, west, 0.0, t.e, north)
    if not source.is_resampled:
        return Grid(values, transform, source.crs, source.metres_per_unit)
    reach = source.to_work().transform_bounds(*mosaic.bounds(window))
    area = (
        max(bounds[0], reach[0]),
        max(bounds[1], reach[1]),
        min(bounds[2], reach[2]),
        min(bounds[3], reach[3]),
    )
    cells = square_cells(area, source.cell)
    return resample(values, transform, source.file_crs, source.work, cells)
