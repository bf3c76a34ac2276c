"""What elevation rasters say of themselves, settled before a cell is read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from pyproj import CRS, Transformer

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.inputs.background_hash import BackgroundHash
from lotflow.inputs.georeference import (
    WorkCrs,
    ground_size,
    horizontal_crs,
    settled_vertical_unit,
    work_crs,
)
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.open import local_file, reading
from lotflow.inputs.raster_header import RasterHeader
from lotflow.inputs.rasters import read_header
from lotflow.inputs.tiles import Mosaic, mosaic
from lotflow.units import VerticalUnit, both_units

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


@dataclass(frozen=True, eq=False)
class ElevationSource:
    """
    Elevation rasters that fit together, and how they are read.

    Parameters
    ----------
    mosaic
        The files on one set of cells, in their own CRS.
    file_crs
        Their horizontal CRS.
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
    hashes = tuple(BackgroundHash(header.path) for header in headers)
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
        message = (f"Resampled bilinearly to cells of {both_units(cell_m, 'elevation')} in "
                   f"{work.crs.name}, because {work.why_resampled}.")  # fmt: skip
        found.append(Finding("resampled", "note", subject, message))
    if cell_m > _COARSE_M * (1 + _ROUNDING):
        message = (f"Cells of {both_units(cell_m, 'elevation')} hide curbs, gutters and side "
                   "yard swales: good for screening only. Use finer data where there are any."
                   )  # fmt: skip
        found.append(Finding("coarse-cell", "warn", subject, message, round(cell_m, 4), _COARSE_M,
                             "m", _RULE))  # fmt: skip
    return found


def _band_findings(header: RasterHeader) -> list[Finding]:
    """Tell what follows from the bands."""
    if header.bands == 1:
        return []
    message = f"The file holds {header.bands} bands; the first is taken for elevation."
    return [Finding("several-bands", "note", header.name, message)]


def _side_findings(header: RasterHeader, work: WorkCrs) -> list[Finding]:
    """Tell where the sides of cells that are taken as they are differ by more than rounding."""
    if header.transform is None or work.why_resampled:
        return []
    width, height = abs(float(header.transform.a)), abs(float(header.transform.e))
    if abs(height / width - 1) <= _SQUARE:
        return []
    message = (f"Its cells are not quite square, {width:.10g} by {height:.10g}, as one wrong bit "
               "in the file would make them. They are taken as they are; compare the file with the "
               "one it was copied from.")  # fmt: skip
    return [Finding("cells-not-square", "note", header.name, message)]


def _described(header: RasterHeader, sha256: BackgroundHash) -> dict[str, Any]:
    """Describe one file; its name stands without its folder."""
    digest = sha256.hexdigest()
    header.check_unchanged()
    return {
        "file": header.name,
        "sha256": digest,
        "bytes": header.stamp[0],
        "rows": header.shape[0],
        "columns": header.shape[1],
        "type": header.dtype,
        "nodata": None if header.nodata is None else f"{header.nodata:g}",
        "vertical_unit_stated": header.unit or None,
        "vertical_crs": _vertical_name(header.crs),
    }


def _crs_name(crs: CRS) -> str:
    """Name a CRS with its code."""
    authority = crs.to_authority()
    return f"{crs.name} ({':'.join(authority)})" if authority else str(crs.name)


def _vertical_name(crs: CRS | None) -> str | None:
    """Name the vertical part of a CRS, if it has one."""
    parts = crs.sub_crs_list if crs is not None else []
    return next((str(part.name) for part in parts if part.is_vertical), None)
