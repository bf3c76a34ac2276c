"""
GeoTIFF, read block by block and verified: the library reads damaged blocks without a word.

GDAL does not insist on the checksum of a deflate block, and takes a block that is missing for
zeros. So the blocks of a window are looked up and verified here before their values are taken.
"""

from __future__ import annotations

import logging
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np
import rasterio
from pyproj import CRS
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.errors import NotGeoreferencedWarning

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.grid import BoolArray, FloatArray
from lotflow.inputs.limits import Limits
from lotflow.inputs.open import reading
from lotflow.inputs.raster_header import RasterHeader, Window, stamp
from lotflow.inputs.raster_tags import FETCHED_TAG, GRIDDED_TAG, Fetched, Gridded, tag_of
from lotflow.inputs.tiff_structure import (
    Block,
    check_structure,
    compression_of,
    mask_blocks,
    touched_blocks,
    verify_blocks,
)

#: Nothing beside the file is looked at, and a vertical CRS is told whatever the tags' version.
_OPTIONS: Final = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_GEOREF_SOURCES": "INTERNAL",
    "GTIFF_REPORT_COMPD_CS": "YES",
}


def geotiff_header(path: Path, limits: Limits) -> RasterHeader:
    """Read what a GeoTIFF says of itself, and nothing beside it."""
    mark = stamp(path)
    said: list[str] = []
    with reading(path), _opened(path, said=said) as dataset:
        _check_kind(path, dataset)
        odd = _checked_structure(path, dataset)
        rows, columns = dataset.block_shapes[0]
        limits.check("block_cells", rows * columns, "one block holds {} cells", file=str(path))
        crs = CRS.from_wkt(dataset.crs.to_wkt(version="WKT2_2019")) if dataset.crs else None
        tags = dataset.tags()
        fetched = tag_of(Fetched, tags.get(FETCHED_TAG))
        gridded = tag_of(Gridded, tags.get(GRIDDED_TAG))
        made = [item for one in (fetched, gridded) if one for item in one.findings(path.name)]
        has_transform = not dataset.transform.is_identity and not dataset.gcps[0]
        return RasterHeader(
            path=path,
            kind="geotiff",
            shape=(dataset.height, dataset.width),
            transform=dataset.transform if has_transform else None,
            crs=crs,
            nodata=dataset.nodata,
            dtype=dataset.dtypes[0],
            stamp=mark,
            scale=float(dataset.scales[0]),
            offset=float(dataset.offsets[0]),
            unit=(dataset.units[0] or "").strip(),
            bands=dataset.count,
            fetched=fetched,
            gridded=gridded,
            findings=(*_header_findings(path, said), *odd, *made),
        )


def geotiff_window(
    header: RasterHeader, window: Window, limits: Limits, *, band: int = 1
) -> FloatArray:
    """
    Read stored numbers of a band, the first unless told; NaN where there is none.

    Only the blocks that the window touches are read, each verified first. Declared nodata,
    masked cells and cells of blocks that were never written are NaN; scale and offset are not
    applied yet.
    """
    header.check_unchanged()
    with reading(header.path), _opened(header.path) as dataset:
        blocks = touched_blocks(dataset, band, window, header.path, limits)
        verify_blocks(header.path, compression_of(dataset), blocks)
        stored = _read(dataset, window, blocks, band)
        if header.nodata is not None:
            stored[stored == _as_stored(header.nodata, header.dtype)] = np.nan
        stored[_masked(header.path, dataset, window, limits)] = np.nan
    header.check_unchanged()
    return stored


@contextmanager
def _opened(path: Path, *, said: list[str] | None = None) -> Iterator[Any]:
    """Open with this driver only."""
    name = path.absolute()
    messages = [] if said is None else said
    with rasterio.Env(**_OPTIONS), warnings.catch_warnings(), _messages_of_the_library(messages):
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with rasterio.open(name, driver="GTiff", sharing=False) as dataset:
            if dataset.driver != "GTiff" or dataset.files != [str(name)]:
                raise ValueError(f"it draws in other files: {dataset.files}")
            yield dataset


@contextmanager
def _messages_of_the_library(said: list[str]) -> Iterator[None]:
    """Collect what the library logs: that is where it says that it ignores a damaged tag."""

    # a message that quotes damaged text fails in the library's own logging, which then prints
    # the failure, and reports it as one that nobody can catch
    def prints(
        kind: type[BaseException], value: BaseException, trace: TracebackType | None
    ) -> None:
        if not isinstance(value, UnicodeDecodeError):
            usual_print(kind, value, trace)

    def fails(unraisable: sys.UnraisableHookArgs) -> None:
        if isinstance(unraisable.exc_value, UnicodeDecodeError):
            said.append("a text in it is not UTF-8")
        else:
            usual(unraisable)

    handler = logging.Handler(logging.WARNING)
    handler.emit = lambda record: said.append(record.getMessage())  # type: ignore[method-assign]
    logger = logging.getLogger("rasterio._env")
    usual_print, usual = sys.excepthook, sys.unraisablehook
    logger.addHandler(handler)
    sys.excepthook, sys.unraisablehook = prints, fails
    try:
        yield
    finally:
        sys.excepthook, sys.unraisablehook = usual_print, usual
        logger.removeHandler(handler)


def _header_findings(path: Path, said: list[str]) -> tuple[Finding, ...]:
    """Report what the library warned of on opening."""
    messages = dict.fromkeys(text.split(":", 1)[-1].strip()[:200].rstrip(".") for text in said)
    return tuple(
        Finding("raster-header", "warn", path.name, facts={"warning": text}) for text in messages
    )


def _checked_structure(path: Path, dataset: Any) -> tuple[Finding, ...]:
    """Hold what the directories say that the file has against what the library has of it."""
    mask, odd = check_structure(path)
    if mask is not None and MaskFlags.per_dataset not in dataset.mask_flag_enums[0]:
        raise ValueError("it holds a mask that cannot be read")
    if dataset.gcps[0] and dataset.transform.is_identity:
        count = len(dataset.gcps[0])
        rule = f"the raster is placed by {count} tie point{'s' if count > 1 else ''} without a "
        remedy = "Rectify it to square cells first, or export it with its georeference"
        raise InputError(Fault(f"{rule}size of its cells", remedy, file=str(path)))
    return odd


def _check_kind(path: Path, dataset: Any) -> None:
    """Raise for rasters that hold something else than elevations."""
    first = dataset.colorinterp[0]
    is_picture = first == ColorInterp.palette or (
        first == ColorInterp.red and dataset.dtypes[0] == "uint8"
    )
    if is_picture:
        rule = "this is a picture (its first band holds colours), not elevations"
    elif dataset.dtypes[0].startswith("complex"):
        rule = f"the raster holds complex numbers ({dataset.dtypes[0]}), not elevations"
    else:
        return
    raise InputError(Fault(rule, "Name the elevation raster itself", file=str(path)))


def _masked(path: Path, dataset: Any, window: Window, limits: Limits) -> BoolArray:
    """Tell which cells a mask leaves out: an alpha band, or an image of its own in the file."""
    if ColorInterp.alpha in dataset.colorinterp:
        band = dataset.colorinterp.index(ColorInterp.alpha) + 1
        blocks = touched_blocks(dataset, band, window, path, limits)
        verify_blocks(path, compression_of(dataset), blocks)
        return np.asarray(dataset.read(band, window=_ranges(window)) == 0)
    if MaskFlags.per_dataset not in dataset.mask_flag_enums[0]:
        return np.zeros(window.shape, dtype=np.bool_)
    mask, _ = check_structure(path)
    if mask is None:
        raise ValueError("it has a mask that none of its directories holds")
    verify_blocks(path, *mask_blocks(path, mask, window))
    return np.asarray(dataset.read_masks(1, window=_ranges(window)) == 0)


def _read(dataset: Any, window: Window, blocks: list[Block], band: int) -> FloatArray:
    """Read the window; block by block where some were never written."""
    stored = [block for block in blocks if block.is_stored]
    if len(stored) == len(blocks):
        return _numbers(dataset, window, band)
    values = np.full(window.shape, np.nan)
    for block in stored:
        part = block.cells.within(window)
        inside = part.shifted(-window.row_start, -window.column_start)
        values[slice(*inside[:2]), slice(*inside[2:])] = _numbers(dataset, part, band)
    return values


def _numbers(dataset: Any, window: Window, band: int) -> FloatArray:
    """Read numbers of a band."""
    values = dataset.read(band, window=_ranges(window))
    # a damaged number may be a NaN of the kind that warns when it is widened
    with np.errstate(invalid="ignore"):
        return np.asarray(values, dtype=np.float64)


def _ranges(window: Window) -> tuple[tuple[int, int], tuple[int, int]]:
    """Give a window as the library wants it."""
    return (window[0], window[1]), (window[2], window[3])


def _as_stored(nodata: float, dtype: str) -> float:
    """Round the declared nodata number as the stored numbers are."""
    with np.errstate(over="ignore"):
        return float(np.float32(nodata)) if dtype == "float32" else nodata
