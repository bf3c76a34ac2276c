"""
Elevation rasters, one or several tiles, to the one grid that is worked on.

`inspect_elevation` settles what the files say of themselves before a cell is read: CRS, cells and
vertical unit. `read_elevation` then reads the ground of an area.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from threading import Thread
from typing import Any, Final

import numpy as np
from affine import Affine
from pyproj import CRS, Transformer

from lotflow.errors import Fault, InputError, ParameterError
from lotflow.findings import Finding
from lotflow.grid import FloatArray, Grid
from lotflow.inputs.georeference import (
    Bounds,
    WorkCrs,
    ground_size,
    horizontal_crs,
    resample,
    settled_vertical_unit,
    square_cells,
    vertical_name,
    work_crs,
)
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.missing_values import HIGHEST_M, LOWEST_M, Scale, elevations, outside_land
from lotflow.inputs.open import kept_of, local_file, reading, sha256
from lotflow.inputs.raster_header import RasterHeader, Window
from lotflow.inputs.rasters import read_distance, read_header, read_stored
from lotflow.inputs.surface_checks import gap_check, lone_cell_check, seam_check, step_check
from lotflow.inputs.tiles import Mosaic, Pasted, Tile, mosaic
from lotflow.units import TO_SI, VerticalUnit, both_units

#: Cells above the first hide curbs and swales; above the second a lot has too few [m]. Below
#: the third the transform is wrong, or the raster is no elevation model of a lot.
_COARSE_M: Final = 1.0
_COARSEST_M: Final = 5.0
_FINEST_M: Final = 0.05
#: Rounding of cell sizes: a cell of 3.2808 ft is one of 1 m.
_ROUNDING: Final = 1e-3
#: Cells less square than the first share are refused, than the second resampled. Below the third
#: their sides differ by rounding, 0.1 mm in a kilometre; between, it may be a damaged number.
_NOT_SQUARE: Final = 0.01
_NEARLY_SQUARE: Final = 1e-4
_SQUARE: Final = 1e-7
_RULE: Final = "lotflow's rule"
#: Cells read round a window that is resampled, so that its edge has neighbours.
_PAD = 3


@dataclass(frozen=True, eq=False)
class ElevationSource:
    """
    Elevation rasters that fit together, and how they are read.

    Parameters
    ----------
    mosaic
        The files on one set of cells, in their own CRS.
    work
        The CRS that is worked in.
    vertical_unit
        Of their numbers; what is read is in metres.
    cell
        Side of the cells that are worked on, in units of `crs`.
    findings
        What the files tell before they are read.
    hashes
        Of the files, begun when they were inspected.
    """

    mosaic: Mosaic
    file_crs: CRS
    work: WorkCrs
    vertical_unit: VerticalUnit
    cell: float
    findings: tuple[Finding, ...]
    hashes: tuple[BackgroundHash, ...]

    @property
    def crs(self) -> CRS:
        """Projected CRS of the grid that is read."""
        return self.work.crs

    @property
    def metres_per_unit(self) -> float:
        """Length of one unit of that CRS [m]."""
        return self.work.metres_per_unit

    @property
    def cell_m(self) -> float:
        """Side of a cell of the grid that is read [m]."""
        return self.cell * self.metres_per_unit

    @property
    def is_resampled(self) -> bool:
        """Whether the cells that are worked on are not those of the files."""
        return bool(self.work.why_resampled)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north of all files, in units of `crs`."""
        bounds = self.mosaic.bounds(self.mosaic.window)
        if not self.is_resampled:
            return bounds
        west, south, east, north = self.to_work().transform_bounds(*bounds)
        return west, south, east, north

    @property
    def name(self) -> str:
        """Names of the files, for messages."""
        return ", ".join(tile.header.name for tile in self.mosaic.tiles)

    def to_work(self) -> Transformer:
        """Give the transformation from the CRS of the files to that of the work."""
        return Transformer.from_crs(self.file_crs, self.crs, always_xy=True)

    def describe(self) -> dict[str, Any]:
        """
        Say what was read, for the provenance of a result: names without folders, and hashes.

        Every file is read whole for its hash; this waits for it.

        Raises
        ------
        InputError
            If a file changed since it was inspected.
        """
        tiles = zip(self.mosaic.tiles, self.hashes, strict=True)
        return {
            "files": [_described(tile.header, sha256) for tile, sha256 in tiles],
            "crs": _crs_name(self.crs),
            "crs_of_files": _crs_name(self.file_crs),
            "resampled": self.work.why_resampled or None,
            "cell_m": round(self.cell_m, 6),
            "vertical_unit": self.vertical_unit,
        }


def inspect_elevation(
    paths: Sequence[Path],
    *,
    vertical_unit: VerticalUnit | None = None,
    around: tuple[float, float] | None = None,
    limits: Limits = DEFAULT_LIMITS,
) -> ElevationSource:
    """
    Settle in which CRS, cells and unit elevation rasters are read, before a cell is.

    A projected CRS is kept, also one in feet. A raster in degrees, or in a projection whose
    lengths are not those on the ground, such as EPSG:3857, is worked on in the local UTM zone.

    Parameters
    ----------
    paths
        One raster, or several neighbouring tiles of one product.
    vertical_unit
        Unit of the elevations, where the files do not say; if they do, it must be the same.
    around
        Longitude and latitude of the work, which choose the UTM zone; None for the middle of
        the rasters.
    limits
        How much the files may hold.

    Returns
    -------
    source
        For `read_elevation`.

    Raises
    ------
    InputError
        If a file is no elevation raster, has no CRS or transform, is rotated, has cells that
        are not square or above 5 m, does not fit the others, or nobody says its vertical unit.
    """
    headers = _headers(paths, limits)
    # a damaged CRS or transform can make any of these fail
    with reading(headers[0].path):
        tiles = mosaic(headers)
        crs = _common_crs(headers)
        unit, notes = _common_unit(headers, vertical_unit)
        x, y = _middle(tiles, crs, around)
        work, cell = _work(headers[0], tiles, (crs, x, y))
    found = [finding for header in headers for finding in header.findings]
    found += notes
    found += _work_findings(headers, work, cell)
    found += [note for header in headers for note in _band_findings(header)]
    found += [note for header in headers for note in _side_findings(header, work)]
    hashes = tuple(
        kept_of("hash", header.path, partial(BackgroundHash, header.path)) for header in headers
    )
    return ElevationSource(tiles, crs, work, unit, cell, tuple(dict.fromkeys(found)), hashes)


def _headers(paths: Sequence[Path], limits: Limits) -> list[RasterHeader]:
    """Open every file and tell the faults of all."""
    if not paths:
        raise InputError("no elevation raster is named", "Name one")
    limits.check("tiles", len(paths), "{} rasters are given", file=Path(paths[0]).name)
    headers: list[RasterHeader] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            headers.append(read_header(local_file(path, "elevation raster"), limits))
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return headers


def _common_crs(headers: Sequence[RasterHeader]) -> CRS:
    """Give the horizontal CRS that all files are in."""
    found = [horizontal_crs(header.crs) for header in headers if header.crs is not None]
    faults = [
        Fault(f"the raster is in {crs.name}, not in {found[0].name} as {headers[0].name}",
              "Give tiles of one product, or reproject it first", file=str(header.path))
        for header, crs in zip(headers, found, strict=True)
        if crs != found[0]
    ]  # fmt: skip
    if faults:
        raise InputError(faults)
    return found[0]


def _common_unit(
    headers: Sequence[RasterHeader], declared: VerticalUnit | None
) -> tuple[VerticalUnit, list[Finding]]:
    """Give the vertical unit that all files are in."""
    settled = [settled_vertical_unit(header, declared) for header in headers]
    unit = settled[0][0]
    faults = [
        Fault(f"the elevations are in {other}, those of {headers[0].name} in {unit}",
              "Give tiles of one product", file=str(header.path))
        for header, (other, _) in zip(headers, settled, strict=True)
        if other != unit
    ]  # fmt: skip
    if faults:
        raise InputError(faults)
    return unit, [note for _, notes in settled for note in notes]


def _middle(tiles: Mosaic, crs: CRS, around: tuple[float, float] | None) -> tuple[float, float]:
    """Give the place that decides on the CRS, in the CRS of the files."""
    if around is not None:
        x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(*around)
        return float(x), float(y)
    west, south, east, north = tiles.bounds(tiles.window)
    return (west + east) / 2, (south + north) / 2


def _work(
    header: RasterHeader, tiles: Mosaic, place: tuple[CRS, float, float]
) -> tuple[WorkCrs, float]:
    """Settle the cells that are worked on, and refuse those that are not square or too large."""
    try:
        work = work_crs(*place)
    except InputError as error:
        file = str(header.path)
        raise InputError([replace(fault, file=file) for fault in error.faults]) from error
    width, height = float(tiles.transform.a), -float(tiles.transform.e)
    cell = width
    if work.why_resampled:
        cell = _rounded(math.sqrt(math.prod(ground_size(*place, width, height))))
    elif abs(height / width - 1) > _NOT_SQUARE:
        raise header.fault(f"cells must be square, these measure {width:g} by {height:g}",
                           "Resample the raster to square cells first")  # fmt: skip
    elif abs(height / width - 1) > _NEARLY_SQUARE:
        cell = _rounded(math.sqrt(width * height))
        why = f"its cells are not quite square, {width:.6g} by {height:.6g}"
        work = WorkCrs(work.crs, work.metres_per_unit, why)
    cell_m = cell * work.metres_per_unit
    if not _FINEST_M <= cell_m <= _COARSEST_M * (1 + _ROUNDING):
        raise header.fault(
            f"cells must measure {_FINEST_M:g} to {_COARSEST_M:g} m, these measure {cell_m:.4g} m",
            "Use elevation data of 1 m or finer, as from airborne lidar, or check the CRS",
        )
    return work, cell


def _rounded(length: float) -> float:
    """Round to three significant digits."""
    return float(f"{length:.3g}")


def _work_findings(headers: Sequence[RasterHeader], work: WorkCrs, cell: float) -> list[Finding]:
    """Tell what follows from cells and CRS."""
    subject = ", ".join(header.name for header in headers)
    cell_m = cell * work.metres_per_unit
    found = []
    if work.why_resampled:
        facts = {"cell_m": cell_m, "crs": work.crs.name, "why": work.why_resampled}
        found.append(Finding("resampled", "note", subject, facts=facts))
    if cell_m > _COARSE_M * (1 + _ROUNDING):
        found.append(
            Finding("coarse-cell", "warn", subject, facts={"cell_m": cell_m},
                    measured=round(cell_m, 4), limit=_COARSE_M, unit="m", source=_RULE)
        )  # fmt: skip
    return found


def _band_findings(header: RasterHeader) -> list[Finding]:
    """Tell what follows from the bands."""
    # those of `lotflow grid` besides the first say how well it is known
    if header.bands == 1 or header.gridded is not None:
        return []
    return [Finding("several-bands", "note", header.name, facts={"bands": header.bands})]


def _side_findings(header: RasterHeader, work: WorkCrs) -> list[Finding]:
    """Tell where the sides of cells that are taken as they are differ by more than rounding."""
    if header.transform is None or work.why_resampled:
        return []
    width, height = abs(float(header.transform.a)), abs(float(header.transform.e))
    if abs(height / width - 1) <= _SQUARE:
        return []
    facts = {"width": width, "height": height}
    return [Finding("cells-not-square", "note", header.name, facts=facts)]


def _described(header: RasterHeader, sha256: BackgroundHash) -> dict[str, Any]:
    """Describe one file; its name stands without its folder."""
    digest = sha256.hexdigest()
    header.check_unchanged()
    made = {"fetched": header.fetched, "gridded": header.gridded}
    return {
        "file": header.name,
        "sha256": digest,
        "bytes": header.stamp[0],
        "rows": header.shape[0],
        "columns": header.shape[1],
        "type": header.dtype,
        "nodata": None if header.nodata is None else f"{header.nodata:g}",
        "vertical_unit_stated": header.unit or None,
        "vertical_crs": vertical_name(header.crs),
        **{key: told.model_dump(mode="json") for key, told in made.items() if told},
    }


def _crs_name(crs: CRS) -> str:
    """Name a CRS with its code."""
    authority = crs.to_authority()
    return f"{crs.name} ({':'.join(authority)})" if authority else str(crs.name)


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
    #: Standard deviation that is added on each cell away from returns [m], where the raster was
    #: gridded from them; else None.
    apart: FloatArray | None = None


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
        apart = _apart(source, pasted, window, limits)
        if apart is not None:
            apart = np.nan_to_num(_worked_on(source, apart, window, bounds).values)
    findings += gap_check(grid.values, source.name)
    beyond = source.mosaic.more_beyond(window)
    return Elevation(grid, tuple(findings), beyond, apart=apart)


def _apart(
    source: ElevationSource, pasted: Pasted, window: Window, limits: Limits
) -> FloatArray | None:
    """Tell how much less sure each cell is for its distance to the nearest return [m]."""
    laws = {
        number: tile.header.gridded.law
        for number, tile in enumerate(source.mosaic.tiles)
        if tile.header.gridded is not None and tile.header.gridded.law is not None
    }
    if not laws:
        return None
    apart = np.zeros(window.shape)
    for number, law in laws.items():
        tile = source.mosaic.tiles[number]
        part = tile.window.within(window)
        if part.is_empty:
            continue
        distance = tile.north_up(read_distance(tile.header, tile.in_file(part), limits))
        here = part.shifted(-window.row_start, -window.column_start)
        inside = (slice(*here[:2]), slice(*here[2:]))
        own = pasted.owner[inside] == number
        apart[inside][own] = law.apart(np.maximum(np.nan_to_num(distance), 0.0))[own]
    return apart


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


class BackgroundHash:
    """
    SHA-256 of a file, begun at once in a thread of its own.

    Of a tile of 300 MB, whose hash takes longer than the window that is read from it, this
    hides nearly all: hashing leaves the interpreter free.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile() as file:
    ...     BackgroundHash(Path(file.name)).hexdigest()[:16]
    'e3b0c44298fc1c14'
    """

    def __init__(self, path: Path) -> None:
        self._result: Future[str] = Future()
        # a daemon, so that a program that ends early does not wait for it
        Thread(target=self._run, args=(path,), daemon=True).start()

    def _run(self, path: Path) -> None:
        """Hash, and keep what comes of it, be it an error."""
        try:
            self._result.set_result(sha256(path))
        except BaseException as error:  # noqa: BLE001 - raised again where it is asked for
            self._result.set_exception(error)

    def hexdigest(self) -> str:
        """Wait for the hash, as 64 hexadecimal digits."""
        return self._result.result()
