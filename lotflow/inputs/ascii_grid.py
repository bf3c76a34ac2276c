"""
ASCII grid, read strictly: each number must be one, and each row whole.

The usual library takes "12.3x" for 12.3 and shifts what follows a missing number; a text file
has no checksum, so its form is all that can be checked.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Final

import numpy as np
from affine import Affine

from lotflow.findings import Finding
from lotflow.grid import FloatArray
from lotflow.inputs.limits import Limits
from lotflow.inputs.open import read_bytes, reading
from lotflow.inputs.raster_header import RasterHeader, Window, stamp

_HEADER_BYTES: Final = 4096
_KEYS: Final = (
    "ncols", "nrows", "xllcorner", "xllcenter", "yllcorner", "yllcenter", "cellsize", "dx", "dy",
    "nodata_value",
)  # fmt: skip
#: The format's own default.
_NODATA: Final = -9999.0


def ascii_grid_header(path: Path, limits: Limits) -> RasterHeader:
    """
    Read the header of an ASCII grid.

    References
    ----------
    Esri, "Esri ASCII raster format" (ArcGIS documentation): header lines and the default
    NODATA_VALUE of -9999.
    """
    mark = stamp(path)
    limits.check("text_raster_bytes", mark[0], "the ASCII grid holds {} bytes", file=str(path))
    with reading(path):
        with path.open("rb") as stream:
            head = stream.read(_HEADER_BYTES)
        entries, body = _split_header(head)
        _refuse_commas(body)
        columns, rows = (_count(entries, key) for key in ("ncols", "nrows"))
        transform = _transform(entries, rows)
    return RasterHeader(
        path=path,
        kind="ascii-grid",
        shape=(rows, columns),
        transform=transform,
        crs=None,
        nodata=entries.get("nodata_value", _NODATA),
        dtype="float64",
        stamp=mark,
        findings=_corner_findings(path, entries),
    )


def ascii_grid_window(header: RasterHeader, window: Window, limits: Limits) -> FloatArray:
    """
    Read the numbers of a window; NaN where there is none.

    The file must hold as many numbers as its header says, and nothing else in the window.
    """
    header.check_unchanged()
    data = read_bytes(header.path, limits.text_raster_bytes, "ASCII grid")
    with reading(header.path):
        _, body = _split_header(data)
        values = _values(body, header.shape, window)
    values[values == header.nodata] = np.nan
    return values


def _split_header(data: bytes) -> tuple[dict[str, float], bytes]:
    """Take the lines that start with a word off the lines of numbers."""
    entries: dict[str, float] = {}
    while True:
        line, _, rest = data.lstrip().partition(b"\n")
        _refuse_commas(line)
        words = line.decode("ascii").split()
        if len(words) != 2 or not words[0][0].isalpha() or words[0].lower() in ("nan", "inf"):
            return entries, data
        key = words[0].lower()
        if key not in _KEYS or key in entries:
            raise ValueError(f"the header line {words[0]!r} is unknown or stands twice")
        entries[key] = float(words[1])
        data = rest


def _refuse_commas(text: bytes) -> None:
    """Refuse commas and semicolons, which a grid has nowhere, and say what they are."""
    if re.search(rb"\d,\d", text) and not re.search(rb"\d\.\d", text):
        raise ValueError("its numbers have decimal commas: write them with points")
    if re.search(rb"\d\s*[,;]\s*[-\d]", text):
        raise ValueError("its numbers are separated by commas or semicolons: put spaces there")


def _corner_findings(path: Path, entries: dict[str, float]) -> tuple[Finding, ...]:
    """Ask where a corner lies half a cell off whole cells, as the centre of a cell does."""
    size = entries.get("cellsize", entries.get("dx", 0.0))
    corner = [entries.get("xllcorner", math.nan), entries.get("yllcorner", math.nan)]
    off = [abs(value / size % 1.0 - 0.5) for value in corner]
    if not all(share < 1e-6 for share in off):
        return ()
    return (Finding("half-a-cell", "note", path.name, measured=size / 2, unit="of its CRS"),)


def _count(entries: dict[str, float], key: str) -> int:
    """Give a number of rows or columns."""
    value = entries.get(key, 0.0)
    if not 1 <= value < 1e9 or value != int(value):
        raise ValueError(f"the header line {key} is missing or no count")
    return int(value)


def _transform(entries: dict[str, float], rows: int) -> Affine:
    """Build the transform from the lower left corner, or the centre of the lower left cell."""
    width = entries.get("dx", entries.get("cellsize", 0.0))
    height = entries.get("dy", entries.get("cellsize", 0.0))
    if not (0 < width < np.inf and 0 < height < np.inf):
        raise ValueError("the header line cellsize is missing or not above 0")
    named = {key[1:] for key in entries if key.startswith(("xll", "yll"))}
    if len(named) > 1:
        raise ValueError("it gives the corner of the lower left cell and its centre, of which one "
                         "is wrong by half a cell")  # fmt: skip
    corner = []
    for axis, size in (("x", width), ("y", height)):
        if f"{axis}llcorner" in entries:
            corner.append(entries[f"{axis}llcorner"])
        elif f"{axis}llcenter" in entries:
            corner.append(entries[f"{axis}llcenter"] - size / 2)
        else:
            raise ValueError(f"the header line {axis}llcorner is missing")
    return Affine(width, 0.0, corner[0], 0.0, -height, corner[1] + rows * height)


def _values(body: bytes, shape: tuple[int, int], window: Window) -> FloatArray:
    """Read the numbers of a window; lines may be wrapped elsewhere than where rows end."""
    rows, columns = shape
    lines = [line for line in body.decode("ascii").splitlines() if line and not line.isspace()]
    if len(lines) == rows:
        values = _numbers(lines[window.row_start : window.row_stop])
        if values.shape[1] != columns:
            raise ValueError(f"its rows hold {values.shape[1]:,} numbers, its header says "
                             f"{columns:,}")  # fmt: skip
    else:
        values = _numbers([" ".join(lines)]) if lines else np.empty(0)
        if values.size != rows * columns:
            raise ValueError(f"it holds {values.size:,} numbers, its header says {rows:,} rows "
                             f"of {columns:,}")  # fmt: skip
        values = values.reshape(shape)[window.row_start : window.row_stop]
    return values[:, window.column_start : window.column_stop].copy()


def _numbers(lines: list[str]) -> FloatArray:
    """Read lines of as many numbers each."""
    numbers: FloatArray = np.loadtxt(lines, dtype=np.float64, comments=None, ndmin=2)
    return numbers
