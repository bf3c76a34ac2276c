"""
Lidar returns of LAS and LAZ files: those of the ground, within an area, in metres of height.

The header is read by our own reader first, so that nothing is unpacked of a file that contradicts
itself; a return outside the bounds its own header states is damage, and refused.
"""

from __future__ import annotations

import importlib.util
import logging
import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from pyproj import CRS
from pyproj.exceptions import ProjError

from lotflow.errors import EngineError, Fault, InputError
from lotflow.findings import Finding
from lotflow.grid import FloatArray
from lotflow.inputs.crs_text import check_crs_text
from lotflow.inputs.georeference import Bounds, horizontal_crs, vertical_name
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.missing_values import HIGHEST_M, LOWEST_M
from lotflow.inputs.open import local_file, reading, sha256
from lotflow.inputs.raster_header import stamp
from lotflow.units import TO_SI, VerticalUnit

#: ASPRS LAS 1.4 R15, table 17.
GROUND_CLASS: Final = 2
_MOST_RECORDS: Final = 10_000
_AT_ONCE: Final = 500_000
#: Record numbers of the CRS: its text, and its keys (LAS 1.4 R15, section 3).
_WKT, _KEYS = 2112, 34_735
_OF_CRS: Final = b"LASF_Projection"
#: Record number of the packing; points of a chunk at most, and the number that means "as it says".
_PACKING: Final = 22_204
_MOST_IN_CHUNK: Final = 50_000_000
_VARIABLE: Final = 2**32 - 1
#: Keys of the directory of a GeoTIFF (OGC 19-008r4, annex A).
_GEOGRAPHIC, _PROJECTED, _VERTICAL, _VERTICAL_UNIT = 2048, 3072, 4096, 4099
_UNIT_CODES: Final[dict[int, VerticalUnit]] = {9001: "m", 9002: "ft", 9003: "us-ft"}
_USER_DEFINED: Final = 32_767


@dataclass(frozen=True)
class PointsHeader:
    """
    What a file of returns says of itself.

    Parameters
    ----------
    path
        Of the file.
    points
        Number of returns.
    bounds
        West, south, east and north of all, in units of the CRS.
    heights
        Lowest and highest, as stored.
    step
        Least difference of two coordinates on each axis.
    crs
        As the file states it; None where it does not.
    unit
        Unit of heights that its keys state; None where they do not.
    stamp
        Size and time of change.
    """

    path: Path
    points: int
    bounds: Bounds
    heights: tuple[float, float]
    step: tuple[float, float, float]
    crs: CRS | None
    unit: VerticalUnit | None
    stamp: tuple[int, int]

    def fault(self, rule: str, remedy: str) -> InputError:
        """Build the error that something is wrong with this file."""
        return InputError(Fault(rule, remedy, file=str(self.path)))


@dataclass(frozen=True, eq=False)
class GroundReturns:
    """
    Returns of the ground.

    Parameters
    ----------
    xyz
        Shape (n, 3): coordinates in units of `crs`, heights [m].
    crs
        Horizontal CRS of all files.
    metres_per_unit
        Length of one of its units [m].
    vertical_unit, vertical_datum
        Of the heights in the files; the datum empty where none states one.
    files
        Name, SHA-256, number of returns and of those taken, per file.
    findings
        What was noticed.
    """

    xyz: FloatArray
    crs: CRS
    metres_per_unit: float
    vertical_unit: VerticalUnit
    vertical_datum: str
    files: tuple[dict[str, Any], ...]
    findings: tuple[Finding, ...]


def points_crs(headers: Sequence[PointsHeader], stated: CRS | None) -> CRS:
    """
    Settle the CRS of files: the one they state, or the one that is stated for them.

    Parameters
    ----------
    headers
        Of the files.
    stated
        By the user; None where nobody does.

    Raises
    ------
    InputError
        If no one says, or two say different things, or lengths in it are none on the ground.
    """
    first = headers[0]
    for one in headers:
        if one.crs is None and stated is None:
            raise one.fault("the points do not say in which coordinate reference system they are",
                            "State it: --crs EPSG:CODE")  # fmt: skip
        said = horizontal_crs(one.crs) if one.crs is not None else None
        if said is not None and stated is not None and said != horizontal_crs(stated):
            raise one.fault(f"the CRS is stated as {stated.name}, but the file says {said.name}",
                            "Correct what is stated, or the file")  # fmt: skip
        if said is not None and first.crs is not None and said != horizontal_crs(first.crs):
            raise one.fault(f"the points are in {said.name}, those of {first.path.name} in "
                            f"{horizontal_crs(first.crs).name}", "Give tiles of one survey"
                            )  # fmt: skip
    crs = next((one.crs for one in headers if one.crs is not None), stated)
    if crs is None or not horizontal_crs(crs).is_projected:
        raise first.fault(f"the points are in {crs.name if crs else 'no CRS'}, not in metres or "
                          "feet of a map", "Reproject them to the local UTM zone first"
                          )  # fmt: skip
    return horizontal_crs(crs)


def read_points_header(path: Path) -> PointsHeader:
    """
    Read what a LAS or LAZ file says of itself.

    Parameters
    ----------
    path
        As the user gave it.

    Raises
    ------
    InputError
        If it is none, or contradicts itself.

    References
    ----------
    ASPRS LAS 1.4 R15, sections 2.4 (public header) and 2.5 (variable length records).
    """
    file = local_file(path, "file of lidar points")
    mark = stamp(file)
    with reading(file), file.open("rb") as stream:
        head = stream.read(375)
        if head[:4] != b"LASF":
            raise InputError(Fault("this is no LAS or LAZ file", "Name a file of lidar points",
                                   file=str(path)))  # fmt: skip
        if len(head) < 227:
            raise ValueError("it is cut off in its header")
        major, minor = head[24], head[25]
        size, start, records = struct.unpack_from("<HII", head, 94)
        kind, length, points = struct.unpack_from("<BHI", head, 104)
        if (major, minor) >= (1, 4) and len(head) >= 255:
            points = struct.unpack_from("<Q", head, 247)[0] or points
        scale = struct.unpack_from("<3d", head, 131)
        far = struct.unpack_from("<6d", head, 179)
        packed = bool(kind & 0xC0)
        known = major == 1 and minor <= 4 and size <= start <= mark[0] and length >= 20
        if not known or records > _MOST_RECORDS or not all(map(math.isfinite, (*scale, *far))):
            raise ValueError("its header is damaged")
        if not all(0 < one <= 1 for one in scale):
            raise ValueError("its header states no usable scale of coordinates")
        if not packed and start + points * length > mark[0]:
            raise ValueError(f"it is cut off: {points:,} points do not fit into it")
        if packed and points:
            _check_chunks(stream, start, length, mark[0])
        stream.seek(size)
        found = _records(stream.read(start - size), records)
        if packed:
            _check_packing(found.get((b"laszip encoded", _PACKING), b""), length)
        crs, unit = _crs_of(found, str(path))
    east, west, north, south, top, bottom = far
    return PointsHeader(
        file, points, (west, south, east, north), (bottom, top), scale, crs, unit, mark
    )


def _check_chunks(stream: BinaryIO, start: int, length: int, size: int) -> None:
    """
    Refuse a table of chunks that the file cannot hold.

    The library takes memory for as many as it states before it looks, and ends the program where
    there is not so much.
    """
    stream.seek(start)
    (place,) = struct.unpack("<q", stream.read(8).ljust(8, b"\0"))
    if place == -1:  # written at the very end
        stream.seek(-8, 2)
        (place,) = struct.unpack("<q", stream.read(8))
    if not start + 8 <= place <= size - 8:
        raise ValueError("it is cut off: the table of its points is missing")
    stream.seek(place)
    version, chunks = struct.unpack("<II", stream.read(8))
    # each begins with a point that is not packed
    if version != 0 or chunks > (place - start) // length + 1:
        raise ValueError("the table of its points is damaged")


def _check_packing(body: bytes, length: int) -> None:
    """
    Refuse a record of the packing that contradicts the header.

    References
    ----------
    Isenburg (2013), LASzip: lossless compression of LiDAR data, Photogrammetric Engineering and
    Remote Sensing 79(2), from memory; the record is that of its open-source library.
    """
    if len(body) < 34:
        raise ValueError("the record of its packing is missing")
    compressor, _, _, _, _, _, chunk = struct.unpack_from("<HHBBHII", body)
    (items,) = struct.unpack_from("<H", body, 32)
    if compressor not in (1, 2, 3) or len(body) < 34 + 6 * items or not chunk:
        raise ValueError("the record of its packing is damaged")
    sizes = [struct.unpack_from("<H", body, 36 + 6 * i)[0] for i in range(items)]
    if sum(sizes) != length or _MOST_IN_CHUNK < chunk < _VARIABLE:
        raise ValueError("the record of its packing is damaged")


def _records(data: bytes, records: int) -> dict[tuple[bytes, int], bytes]:
    """Take apart the records behind the header: whose, number and content."""
    found: dict[tuple[bytes, int], bytes] = {}
    at = 0
    for _ in range(records):
        if at + 54 > len(data):
            raise ValueError("its records are cut off")
        user = data[at + 2 : at + 18].split(b"\0")[0]
        number, length = struct.unpack_from("<HH", data, at + 18)
        found.setdefault((user, number), data[at + 54 : at + 54 + length])
        at += 54 + length
    return found


def _crs_of(
    records: dict[tuple[bytes, int], bytes], file: str
) -> tuple[CRS | None, VerticalUnit | None]:
    """Find the CRS in the records behind the header; its text counts before its keys."""
    found = {number: body for (user, number), body in records.items() if user == _OF_CRS}
    for body in found.values():
        check_crs_text(body, file=file)
    if text := found.get(_WKT, b"").split(b"\0")[0]:
        try:
            crs = CRS.from_wkt(text.decode("utf-8"))
        except (ProjError, UnicodeDecodeError):
            raise ValueError("the text of its CRS cannot be read") from None
        return crs, None
    return _crs_of_keys(found.get(_KEYS, b""))


def _crs_of_keys(body: bytes) -> tuple[CRS | None, VerticalUnit | None]:
    """Make a CRS of the codes in a directory of keys; those without a code give none."""
    if len(body) < 8:
        return None, None
    numbers = np.frombuffer(body[: len(body) // 8 * 8], "<u2").reshape(-1, 4)
    keys = {int(key): int(value) for key, place, _, value in numbers[1:] if place == 0}
    code = keys.get(_PROJECTED) or keys.get(_GEOGRAPHIC) or 0
    unit = _UNIT_CODES.get(keys.get(_VERTICAL_UNIT, 0))
    if code in (0, _USER_DEFINED):
        return None, unit
    vertical = keys.get(_VERTICAL, 0)
    with_height = f"+{vertical}" if vertical not in (0, _USER_DEFINED) else ""
    for text in (f"EPSG:{code}{with_height}", f"EPSG:{code}"):
        try:
            return CRS.from_user_input(text), unit
        except ProjError:
            continue
    raise ValueError(f"its CRS has the code {code}, which is none")


def read_ground(
    headers: Sequence[PointsHeader],
    crs: CRS,
    bounds: Bounds | None,
    *,
    vertical_unit: VerticalUnit | None,
    limits: Limits = DEFAULT_LIMITS,
) -> GroundReturns:
    """
    Read the returns of the ground within bounds.

    Parameters
    ----------
    headers
        Of the files, as `read_points_header` gives them.
    crs
        Of all of them.
    bounds
        West, south, east and north in its units; None for all.
    vertical_unit
        Of the heights, where the files do not say; if they do, it must be the same.
    limits
        How much may be read.

    Raises
    ------
    InputError
        If a file is damaged, holds no ground, or nobody says in which unit its heights are.
    EngineError
        If the libraries that unpack it are not installed.
    """
    if importlib.util.find_spec("laspy") is None or importlib.util.find_spec("lazrs") is None:
        raise EngineError(
            "lidar points need laspy and lazrs. Install: pip install 'lotflow[lidar]'"
        )
    units = {_unit(one, vertical_unit) for one in headers}
    if len(units) > 1:
        raise headers[0].fault("the files have heights in different units", "Grid each on its own")
    unit = units.pop()
    datums = {name for one in headers if (name := vertical_name(one.crs))}
    if len(datums) > 1:
        raise headers[0].fault(f"the files are in different vertical datums: {sorted(datums)}",
                               "Give tiles of one survey")  # fmt: skip
    taken: list[FloatArray] = []
    files = []
    for header in headers:
        limits.check("points", header.points, "the file holds {} points", file=str(header.path))
        own = _ground_of(header, bounds, sum(map(len, taken)), limits)
        _check_heights(header, own, unit)
        taken.append(own)
        files.append({"file": header.path.name, "sha256": sha256(header.path),
                      "points": header.points, "ground_points": len(own)})  # fmt: skip
        if stamp(header.path) != header.stamp:
            raise header.fault("the file changed while it was read", "Run again when it is at rest")
    xyz = np.concatenate(taken)
    xyz[:, 2] *= TO_SI[unit]
    return GroundReturns(
        xyz, crs, float(crs.axis_info[0].unit_conversion_factor), unit,
        next(iter(datums), ""), tuple(files), (),
    )  # fmt: skip


def _unit(header: PointsHeader, declared: VerticalUnit | None) -> VerticalUnit:
    """Settle the unit of heights; it is never assumed."""
    said = header.unit
    axes = header.crs.axis_info if header.crs is not None else []
    for axis in axes:
        if axis.direction.lower() == "up":
            units: tuple[VerticalUnit, ...] = ("m", "ft", "us-ft")
            said = next((one for one in units if math.isclose(
                axis.unit_conversion_factor, TO_SI[one], rel_tol=1e-7)), said)  # fmt: skip
    if said and declared and said != declared:
        raise header.fault(f"the unit of heights is declared as {declared}, but the file says "
                           f"{said}", "Correct the declaration, or the file")  # fmt: skip
    unit = declared or said
    if unit is None:
        raise header.fault("the file does not state the unit of its heights",
                           "State it: --vertical-unit m|ft|us-ft")  # fmt: skip
    return unit


def _ground_of(
    header: PointsHeader, bounds: Bounds | None, so_far: int, limits: Limits
) -> FloatArray:
    """Read the ground returns of one file; heights as stored."""
    taken: list[FloatArray] = [np.zeros((0, 3))]
    classes: set[int] = set()
    count = 0
    with reading(header.path):
        for xyz, kinds, withheld in _chunks(header):
            count += len(xyz)
            _check_bounds(header, xyz)
            classes |= set(np.unique(kinds).tolist())
            keep = (kinds == GROUND_CLASS) & ~withheld
            if bounds is not None:
                west, south, east, north = bounds
                x, y = xyz[:, 0], xyz[:, 1]
                keep &= (x >= west) & (x <= east) & (y >= south) & (y <= north)
            taken.append(xyz[keep])
            so_far += int(keep.sum())
            limits.check(
                "ground_points", so_far, "{} ground points lie in the area", file=str(header.path)
            )
        if count != header.points:
            raise ValueError(f"it is cut off: {count:,} of its {header.points:,} points are there")
    if GROUND_CLASS not in classes:
        named = ", ".join(map(str, sorted(classes))) or "none"
        raise header.fault(f"no point is classified as ground (class 2); classes there: {named}",
                           "Have the ground classified first, or get the classified file"
                           )  # fmt: skip
    return np.concatenate(taken)


def _chunks(
    header: PointsHeader,
) -> Iterator[tuple[FloatArray, np.ndarray[Any, Any], np.ndarray[Any, Any]]]:
    """Give coordinates, classes and whether withheld, some points at a time."""
    import laspy  # noqa: PLC0415 - an extra
    import lazrs  # noqa: PLC0415

    # it logs every error that it raises
    logging.getLogger("laspy").addHandler(logging.NullHandler())
    try:
        # records behind the points are not wanted, and there may be four billion of nothing
        with laspy.open(
            header.path, laz_backend=laspy.LazBackend.Lazrs, read_evlrs=False
        ) as reader:
            for points in reader.chunk_iterator(_AT_ONCE):
                xyz = np.column_stack([points.x, points.y, points.z]).astype(np.float64)
                yield xyz, np.asarray(points.classification), np.asarray(points.withheld) != 0
    except (laspy.errors.LaspyException, lazrs.LazrsError, struct.error, OSError) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise  # of the disk
        # what the library says of it tells a user nothing
        raise ValueError("its points cannot be unpacked: it is cut off or damaged") from None


def _check_bounds(header: PointsHeader, xyz: FloatArray) -> None:
    """Refuse points outside the bounds that the header states: damage shows so."""
    (west, south, east, north), (low, high) = header.bounds, header.heights
    least, most = np.array([west, south, low]), np.array([east, north, high])
    room = 2 * np.array(header.step)
    if len(xyz) and not ((xyz >= least - room) & (xyz <= most + room)).all():
        raise ValueError("a point lies outside the bounds that its header states")


def _check_heights(header: PointsHeader, xyz: FloatArray, unit: VerticalUnit) -> None:
    """Refuse heights that are none of land."""
    z = xyz[:, 2] * TO_SI[unit]
    if len(z) and not (z.min() >= LOWEST_M and z.max() <= HIGHEST_M):
        raise header.fault(f"ground at {z.min():,.0f} to {z.max():,.0f} m is none of land",
                           "Check the vertical unit; or the file is damaged")  # fmt: skip
