"""What was fetched, as a GeoTIFF with a file beside it that says where it comes from; and parts."""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from rasterio._err import CPLE_BaseError
from rasterio.errors import RasterioError

from lotflow.errors import InputError, OutputError
from lotflow.inputs.georeference import horizontal_crs
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.rasters import read_header, read_stored
from lotflow.outputs.failures import explained, failure, require_unicode

#: End of the name of the file beside a raster that says where it comes from.
RECORD_END: Final = ".source.json"
_ERRORS: Final = (RasterioError, CPLE_BaseError, OSError, ValueError)
_BLOCK: Final = 256
_PART: Final = re.compile(
    r"[0-9a-f]{16}-\d+-\d+-[0-9a-f]{64}(\.new)?|(raster\.tif|record\.json)-[0-9a-f]{8}"
)


def record_path(path: Path) -> Path:
    """Give the path of the file that says where a raster comes from."""
    return path.with_name(path.name + RECORD_END)


def check_target(path: Path, *, overwrite: bool) -> None:
    """
    Refuse a place where a raster cannot be written, before anything is asked for.

    Parameters
    ----------
    path
        Of the raster.
    overwrite
        Whether one that lotflow has made there, and nobody changed, may be replaced.

    Raises
    ------
    OutputError
        If it may not be written there.
    """
    require_unicode(path)
    with explained(path.parent):
        if not path.name or path.suffix.lower() not in (".tif", ".tiff"):
            raise OutputError(f"{path} must end in .tif: a GeoTIFF is written.")
        if not path.parent.is_dir():
            raise OutputError(f"the folder {path.parent} does not exist. Make it first.")
        for one in (path, record_path(path)):
            if one.is_symlink() or (one.exists() and not one.is_file()):
                raise OutputError(f"{one} is no plain file. Choose another name with -o.")
        if path.exists() and not overwrite:
            raise OutputError(f"{path} is there already. Choose another name, or use --overwrite.")
        if path.exists() and not _is_ours(path):
            raise OutputError(
                f"{path} is not as lotflow has left it, and stays as it is. Choose another name, "
                "or move it away."
            )
        if not os.access(path.parent, os.W_OK):
            raise OutputError(f"{path.parent} cannot be written to. Choose another with -o.")


def _is_ours(path: Path) -> bool:
    """Tell a raster that stands in its record as it is."""
    record = record_path(path)
    if not record.is_file() or record.stat().st_size > DEFAULT_LIMITS.vector_bytes:
        return False
    with suppress(ValueError, RecursionError):
        told = json.loads(record.read_bytes())
        with path.open("rb") as stream:
            return bool(told["sha256"] == hashlib.file_digest(stream, "sha256").hexdigest())
    return False


def write_raster(  # noqa: PLR0913 - what a raster says, each by its name
    path: Path,
    bands: Mapping[str, NDArray[Any]],
    *,
    transform: Affine,
    crs: CRS,
    nodata: float | None,
    units: tuple[str, ...],
    tags: Mapping[str, str],
    record: Mapping[str, Any],
    scale: float = 1.0,
    offset: float = 0.0,
) -> None:
    """
    Write a raster and the record beside it: both whole, or none.

    Parameters
    ----------
    path
        Of the raster.
    bands
        Numbers by what they are; the first are the elevations.
    transform, crs
        Where they lie.
    nodata
        Number that means no value; None where there is none.
    units
        Of each band.
    tags
        What the raster says of itself.
    record
        What the file beside it says; the hash of the raster is added.
    scale, offset
        Elevation = number * scale + offset.

    Raises
    ------
    OutputError
        If it cannot be written, or does not read back the same.
    """
    first = next(iter(bands.values()))
    store = PartStore(path)
    token = secrets.token_hex(4)
    raster, beside = (store.folder / f"{kind}-{token}" for kind in ("raster.tif", "record.json"))
    try:
        with explained(path.parent):
            store.make()
            _write(raster, bands, (transform, crs, nodata, units, tags, scale, offset))
            _verify(raster, first, transform, crs, nodata)
            with raster.open("rb+") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
                os.fsync(stream.fileno())
            told = {
                "file": path.name, "bytes": raster.stat().st_size, "sha256": digest, **record,
            }  # fmt: skip
            with beside.open("xb") as stream:
                stream.write((json.dumps(told, indent=1, ensure_ascii=False) + "\n").encode())
                stream.flush()
                os.fsync(stream.fileno())
            # in this order: a record without its raster hinders no later run
            beside.replace(record_path(path))
            raster.replace(path)
    finally:
        for one in (raster, beside):
            with suppress(OSError):
                one.unlink(missing_ok=True)
        with suppress(OSError):  # where parts are kept it stays
            store.folder.rmdir()
    store.clear()


def _write(
    path: Path,
    bands: Mapping[str, NDArray[Any]],
    said: tuple[Affine, CRS, float | None, tuple[str, ...], Mapping[str, str], float, float],
) -> None:
    """Write a tiled GeoTIFF; nothing beside it."""
    transform, crs, nodata, units, tags, scale, offset = said
    first = next(iter(bands.values()))
    rows, columns = first.shape
    tiled = {"tiled": True, "blockxsize": _BLOCK, "blockysize": _BLOCK} if (
        rows > _BLOCK and columns > _BLOCK) else {}  # fmt: skip
    try:
        with (
            rasterio.Env(GDAL_PAM_ENABLED="NO"),
            rasterio.open(
                path, "w", driver="GTiff", width=columns, height=rows, count=len(bands),
                dtype=first.dtype, crs=crs.to_wkt(), transform=transform, nodata=nodata,
                compress="DEFLATE", predictor=3 if first.dtype.kind == "f" else 2,
                interleave="band", **tiled,
            ) as target,
        ):  # fmt: skip
            for number, (name, values) in enumerate(bands.items(), 1):
                target.write(values, number)
                target.set_band_description(number, name)
                target.set_band_unit(number, units[number - 1])
            if (scale, offset) != (1.0, 0.0):
                target.scales = (scale,) * len(bands)
                target.offsets = (offset,) * len(bands)
            target.update_tags(**tags)
    except _ERRORS as error:
        raise failure(error, path.parent, needed_bytes=2 * first.nbytes * len(bands)) from error


def _verify(
    path: Path, values: NDArray[Any], transform: Affine, crs: CRS, nodata: float | None
) -> None:
    """Read a raster back as every command will, and compare."""
    try:
        header = read_header(path, DEFAULT_LIMITS)
        stored = read_stored(header, header.window, DEFAULT_LIMITS)
    except InputError as error:
        raise OutputError(f"what was written does not read back: {error}") from error
    expected = values.astype(np.float64)
    if nodata is not None and not np.isnan(nodata):
        expected[values == np.array(nodata).astype(values.dtype)] = np.nan
    same = {
        "values": np.array_equal(stored, expected, equal_nan=True),
        "place": header.transform == transform and header.shape == values.shape,
        "CRS": header.crs is not None and horizontal_crs(header.crs) == horizontal_crs(crs),
    }
    if not all(same.values()):
        wrong = ", ".join(part for part, is_same in same.items() if not is_same)
        raise OutputError(f"what was written does not read back the same: {wrong}.")


class PartStore:
    """
    What is on its way, in a hidden folder beside the raster to be, until it is made.

    Parameters
    ----------
    path
        Of the raster.
    """

    def __init__(self, path: Path) -> None:
        self.folder = path.with_name(f".{path.name}.parts")

    def get(self, key: str, span: tuple[int, int]) -> bytes | None:
        """Give a part, if it was kept and is whole."""
        with suppress(OSError):
            for file in self.folder.glob(f"{key}-{span[0]}-{span[1]}-*"):
                data = file.read_bytes()
                if file.name.endswith(hashlib.sha256(data).hexdigest()):
                    return data
        return None

    def make(self) -> None:
        """Make the folder; never what a link leads to."""
        if self.folder.is_symlink():
            raise OutputError(f"{self.folder} is a link to another folder. Remove it.")
        self.folder.mkdir(exist_ok=True)

    def put(self, key: str, span: tuple[int, int], data: bytes) -> None:
        """Keep a part."""
        name = f"{key}-{span[0]}-{span[1]}-{hashlib.sha256(data).hexdigest()}"
        with explained(self.folder.parent):
            self.make()
            new = self.folder / f"{name}.new"
            new.write_bytes(data)
            new.replace(self.folder / name)

    def clear(self) -> None:
        """Remove what was kept; what is not of this kind stays."""
        with suppress(OSError):
            if self.folder.is_symlink():
                return
            for file in self.folder.iterdir():
                if _PART.fullmatch(file.name):
                    file.unlink()
            self.folder.rmdir()
