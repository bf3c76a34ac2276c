"""Inputs that are small on the disk and would be huge in memory, or would never end."""

from __future__ import annotations

import io
import json
import struct
import zipfile
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final

import rasterio
from affine import Affine
from programme.small_job import CELL, EPSG, NORTH, WEST, lot_geojson, write_job, write_raster
from pyproj import CRS

Build = Callable[[Path], None]

#: What a TIFF of one band of floats says of itself, by tag: type (3 short, 4 long) and value.
_TAGS: Final = {256: (4, 0), 257: (4, 0), 258: (3, 32), 259: (3, 1), 262: (3, 1), 277: (3, 1),
                278: (4, 1), 339: (3, 3)}  # fmt: skip


def _header_only(**changes: int) -> bytes:
    """A TIFF without any data, of so many columns and rows."""
    entries = dict(_TAGS)
    numbers = {"columns": 256, "rows": 257, "compression": 259, "strip_rows": 278,
               "tile_columns": 322, "tile_rows": 323, "bands": 277}  # fmt: skip
    for name, value in changes.items():
        entries[numbers[name]] = (4 if value > 65_535 else entries.get(numbers[name], (4,))[0],
                                  value)  # fmt: skip
    if 322 in entries:
        del entries[278]
    entries |= dict.fromkeys((324, 325) if 322 in entries else (273, 279), (4, 0))
    body = b"".join(struct.pack("<HHII", tag, kind, 1, value)
                    for tag, (kind, value) in sorted(entries.items()))  # fmt: skip
    return struct.pack("<2sHIH", b"II", 42, 8, len(entries)) + body + bytes(4)


def _raster_of(data: bytes) -> Build:
    return lambda job: (job / "dem.tif").write_bytes(data)


def _placed(cells: int, **stored: Any) -> Build:
    """A raster of one value, placed, that is almost nothing on the disk."""

    def build(job: Path) -> None:
        with rasterio.open(
            job / "dem.tif", "w", driver="GTiff", count=1, height=cells, width=cells,
            dtype="float32", crs=f"EPSG:{EPSG}",
            transform=Affine(CELL, 0, WEST, 0, -CELL, NORTH), SPARSE_OK=True, **stored,
        ) as dataset:  # fmt: skip
            dataset.units = ("metre",)

    return build


def _deflated_zeros(megabytes: int) -> bytes:
    """Give so many zeros as zlib would pack them: packed once, since each piece is like another."""
    piece, check = bytes(1_000_000), 1
    packer = zlib.compressobj(9, wbits=-15)
    packed = packer.compress(piece) + packer.flush(zlib.Z_FULL_FLUSH)
    for _ in range(megabytes):
        check = zlib.adler32(piece, check)
    return b"\x78\xda" + packed * megabytes + packer.flush() + struct.pack(">I", check)


def _zeros_bomb(job: Path) -> None:
    """One deflate block that says 48 by 48 cells and inflates to 300 MB."""
    write_raster(job / "dem.tif", compress="deflate", tiled=True, blockxsize=48, blockysize=48)
    data = bytearray((job / "dem.tif").read_bytes())
    with rasterio.open(job / "dem.tif") as dataset:
        read = [int(dataset.get_tag_item(f"BLOCK_{item}_0_0", "TIFF", bidx=1))
                for item in ("OFFSET", "SIZE")]  # fmt: skip
    bomb = _deflated_zeros(300)
    old = struct.pack("<I", read[0])
    data = data.replace(old, struct.pack("<I", len(data)), 1)
    data = data.replace(struct.pack("<I", read[1]), struct.pack("<I", len(bomb)), 1)
    (job / "dem.tif").write_bytes(bytes(data) + bomb)


def _zip(name: str) -> Build:
    return lambda job: (job / name).write_bytes(_zipped_zeros()) and None


@cache
def _zipped_zeros() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("data", bytes(100_000_000))
    return packed.getvalue()


def _ascii(rows: int, columns: int, body: str = "1 2 3\n") -> Build:
    text = (f"ncols {columns}\nnrows {rows}\nxllcorner {WEST}\nyllcorner {NORTH}\n"
            f"cellsize {CELL}\n{body}")  # fmt: skip

    def build(job: Path) -> None:
        (job / "dem.tif").write_text(text)
        (job / "dem.prj").write_text(CRS.from_epsg(EPSG).to_wkt("WKT1_ESRI"))

    return build


def _ring(vertices: int) -> Build:
    """A lot of so many corners: 10 million take 200 MB as text, so one line is repeated."""

    def build(job: Path) -> None:
        start = b'{"type": "Polygon", "coordinates": [['
        point = b"[4.3,52.0],"
        with (job / "lot.geojson").open("wb") as stream:
            stream.write(start)
            for _ in range(vertices // 100_000):
                stream.write(point * 100_000)
            stream.write(point.rstrip(b",") + b"]]}")

    return build


def _nested(depth: int) -> Build:
    text = b'{"type": "Polygon", "coordinates": ' + b"[" * depth + b"]" * depth + b"}"
    return lambda job: (job / "lot.geojson").write_bytes(text)


def _features(count: int) -> Build:
    def build(job: Path) -> None:
        document = json.loads(lot_geojson())
        feature = json.dumps(document["features"].pop()).encode()
        start, end = json.dumps(document).encode().split(b"[]")
        rows = feature + (b", " + feature) * (count - 1)
        (job / "lot.geojson").write_bytes(start + b"[" + rows + b"]" + end)

    return build


def _wide_feature(job: Path) -> None:
    document = json.loads(lot_geojson())
    document["features"][0]["properties"] = {f"c{number}": number for number in range(20_000)}
    (job / "lot.geojson").write_text(json.dumps(document))


def _job_text(extra: str) -> Build:
    def build(job: Path) -> None:
        path = job / "job.toml"
        path.write_text(path.read_text() + extra)

    return build


def _sparse_file(name: str, start: bytes, size: int) -> Build:
    def build(job: Path) -> None:
        with (job / name).open("wb") as stream:
            stream.write(start)
            stream.truncate(size)

    return build


def _many_tiles(job: Path) -> None:
    """Two hundred tiles, which all exist."""
    names = [f"t{number}.tif" for number in range(200)]
    for name in names:
        (job / name).write_bytes(_header_only(columns=96, rows=96))
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace('"dem.tif"', json.dumps(names)))


def _wide_strip(job: Path) -> None:
    _placed(1_000_000, compress="deflate", BIGTIFF="YES")(job)


def _geopackage(job: Path) -> None:
    _sparse_file("site.gpkg", b"SQLite format 3\0" + bytes(52) + b"GPKG", 400_000_000)(job)
    write_job(job, layer_lines='file = "site.gpkg"')


def _shapefile(job: Path) -> None:
    for suffix in (".shp", ".shx", ".dbf"):
        _sparse_file(f"lot{suffix}", b"\0\0\x27\x0a", 100_000_000)(job)
    write_job(job, layer_lines='lot = "lot.shp"')


def _rain(job: Path) -> None:
    (job / "rain.csv").write_bytes(b"duration_min,2\n" + b"5,10\n" * 1_000_000)
    _job_text('[rainfall]\nfile = "rain.csv"\n')(job)


#: Changes to a small job, by what they are.
ATTACKS: Final[dict[str, Build]] = {
    "header of 10^6 x 10^6": _raster_of(_header_only(columns=10**6, rows=10**6)),
    "header of 2^31 x 2^31": _raster_of(_header_only(columns=2**31 - 1, rows=2**31 - 1)),
    "one strip of 10^9 cells": _raster_of(
        _header_only(columns=30_000, rows=30_000, strip_rows=30_000)
    ),
    "tiles of 65 520 x 65 520": _raster_of(
        _header_only(columns=10**6, rows=10**6, tile_columns=65_520, tile_rows=65_520)
    ),
    "65 535 bands": _raster_of(_header_only(columns=10**4, rows=10**4, bands=65_535)),
    "deflate header without data": _raster_of(
        _header_only(columns=10**6, rows=10**6, compression=8)
    ),
    "placed, 10^6 cells a row": _wide_strip,
    "placed, blocks of 8192 x 8192": _placed(
        40_000, compress="deflate", tiled=True, blockxsize=8192, blockysize=8192
    ),
    "block that inflates to 300 MB": _zeros_bomb,
    "zip named as raster": _zip("dem.tif"),
    "zip named as layer": _zip("lot.geojson"),
    "text grid of 10^8 x 10^8": _ascii(10**8, 10**8),
    "text grid with a line of 50 MB": _ascii(2, 2, "1" * 50_000_000),
    "text grid of 200 MB": _sparse_file("dem.tif", b"ncols 9\nnrows 9\n", 200_000_000),
    "ring of 10^6 vertices": _ring(10**6),
    "ring of 10^7 vertices": _ring(10**7),
    "GeoJSON nested 10^5 deep": _nested(10**5),
    "GeoJSON nested 500 deep": _nested(500),
    "GeoJSON of 100 001 lots": _features(100_001),
    "GeoJSON of 20 000 columns": _wide_feature,
    "GeoPackage of 400 MB": _geopackage,
    "Shapefile of 300 MB": _shapefile,
    "brackets 10^5 deep in the job": _job_text("x = " + "[" * 100_000),
    "key of 20 000 parts in the job": _job_text(".".join(["a"] * 20_000) + " = 1\n"),
    "job of 300 kB": _job_text("# " + "x" * 300_000),
    "rainfall of 5 MB": _rain,
    "200 tiles": _many_tiles,
}  # fmt: skip
