"""Raster files by their kind, and what stands beside them where they do not say it themselves."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Final

from affine import Affine
from pyproj import CRS
from pyproj.exceptions import ProjError

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.grid import FloatArray
from lotflow.inputs.ascii_grid import ascii_grid_header, ascii_grid_window
from lotflow.inputs.crs_text import check_crs_text, geotiff_crs_text
from lotflow.inputs.geotiff import geotiff_header, geotiff_window
from lotflow.inputs.limits import Limits
from lotflow.inputs.open import beside, read_bytes, reading, sniff
from lotflow.inputs.raster_header import RasterHeader, Window

_WORLD_FILES: Final = (".tfw", ".tifw", ".wld")


def read_header(path: Path, limits: Limits) -> RasterHeader:
    """
    Read what a raster says of itself; what it does not say, a file beside it may.

    A `.prj` is read where the raster has no CRS, a world file where it has no transform, and
    either is reported. An `.aux.xml` is never used.
    """
    kind = sniff(path)
    if kind == "geotiff":
        check_crs_text(geotiff_crs_text(path), file=str(path))
        header = geotiff_header(path, limits)
    elif kind == "ascii-grid":
        header = ascii_grid_header(path, limits)
    else:
        raise InputError(Fault("this is a vector file, not an elevation raster", "Name a GeoTIFF "
                               "or an ASCII grid", file=str(path)))  # fmt: skip
    if not (0 < abs(header.scale) < math.inf and math.isfinite(header.offset)):
        raise header.fault(f"it states a scale of {header.scale:g} and an offset of "
                           f"{header.offset:g}: its numbers are no elevations",
                           "Correct scale and offset in the file")  # fmt: skip
    header = _with_world_file(header, limits)
    return _with_projection_file(header, limits)


def read_stored(header: RasterHeader, window: Window, limits: Limits) -> FloatArray:
    """
    Read stored numbers of a window of a raster; NaN where there is none.

    In the rows and columns of the file; scale and offset are not applied yet.
    """
    rows, columns = window.shape
    limits.check("window_cells", rows * columns, "the window holds {} cells", file=str(header.path))
    read = geotiff_window if header.kind == "geotiff" else ascii_grid_window
    return read(header, window, limits)


def read_distance(header: RasterHeader, window: Window, limits: Limits) -> FloatArray:
    """
    Read the distance to the nearest return of a window of a raster that `lotflow grid` made [m].

    In the rows and columns of the file.
    """
    return geotiff_window(header, window, limits, band=2)


def _with_world_file(header: RasterHeader, limits: Limits) -> RasterHeader:
    """Take the transform from a world file where the raster has none."""
    if header.transform is not None:
        return header
    found = next(filter(None, (beside(header.path, suffix) for suffix in _WORLD_FILES)), None)
    if found is None:
        raise header.fault("the raster does not say where it lies (it has no transform)"
                           + _unused(header.path), "Export it with its georeference")  # fmt: skip
    text = read_bytes(found, limits.side_file_bytes, "world file")
    a, d, b, e, x, y = _six_numbers(text, found)
    # a world file places the centre of the first cell, a transform its corner
    transform = Affine(a, b, x - (a + b) / 2, d, e, y - (d + e) / 2)
    said = _side_file(header, found)
    return replace(header, transform=transform, findings=(*header.findings, said))


def _with_projection_file(header: RasterHeader, limits: Limits) -> RasterHeader:
    """Take the CRS from a `.prj` file where the raster has none."""
    if header.crs is not None and _is_on_earth(header.crs):
        return header
    found = beside(header.path, ".prj")
    if found is None:
        raise header.fault("the raster has no coordinate reference system" + _unused(header.path),
                           "Assign the CRS it was made in and export it again")  # fmt: skip
    text = read_bytes(found, limits.side_file_bytes, "projection file")
    crs = _crs_of_the_earth(text, found)
    said = _side_file(header, found, crs=crs.name)
    return replace(header, crs=crs, findings=(*header.findings, said))


def _six_numbers(text: bytes, found: Path) -> list[float]:
    """Read a world file; what else stands in it is not shown, it may be somebody's."""
    try:
        numbers = [float(word) for word in text.decode("ascii").split()]
    except ValueError:
        numbers = []
    if len(numbers) != 6:
        rule = "a world file must hold six numbers, this does not"
        remedy = "Export the raster with its georeference"
        raise InputError(Fault(rule, remedy, file=str(found)))
    return numbers


def _crs_of_the_earth(text: bytes, found: Path) -> CRS:
    """Read a projection file; what else stands in it is not shown, it may be somebody's."""
    check_crs_text(text, file=str(found))
    with reading(found):
        try:
            crs = CRS.from_wkt(text.decode("utf-8-sig"))
        except (ProjError, ValueError):
            raise ValueError("it is no well-known text of a CRS") from None
        if not _is_on_earth(crs):
            raise ValueError(f"{crs.name} is no coordinate reference system of the Earth")
    return crs


def _is_on_earth(crs: CRS) -> bool:
    """Tell a CRS of the Earth from one of a building site."""
    return bool(crs.is_projected or crs.is_geographic)


def _side_file(header: RasterHeader, found: Path, *, crs: str = "") -> Finding:
    """Report that a file beside the raster was used: for its CRS, else for where it lies."""
    return Finding("side-file", "note", header.name, facts={"file": found.name, "crs": crs})


def _unused(path: Path) -> str:
    """Say that an `.aux.xml` beside the raster was not used."""
    candidates = (path.with_name(f"{path.name}.aux.xml"), path.with_suffix(".aux.xml"))
    there = next((item.name for item in candidates if item.is_file()), None)
    return f"; {there} beside it is never used" if there else ""
