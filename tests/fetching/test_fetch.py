"""Fetching elevation data: exact, small, said where from, resumed, and never half-written."""

from __future__ import annotations

import hashlib
import json
import socket
import struct
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from click.testing import CliRunner
from lying_server import BLOCK, CORNER, NORTH, SIDE, WEST, Lying, ground, write_tile
from pyproj import CRS
from rasterio.warp import reproject
from test_lies import order, truth

from lotflow.cli.main import commands
from lotflow.errors import FetchError, InputError, LotflowError, OutputError
from lotflow.fetching import http_door, remote_tiff
from lotflow.fetching.http_door import Budget
from lotflow.inputs.area import Area
from lotflow.inputs.elevation import inspect_elevation
from lotflow.study.fetch import Done, Order, fetch, plan

Fetch = Callable[..., Done]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "dem.tif"


@pytest.fixture
def remote(tiles: Path, tmp_path: Path, net: Lying, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of the server for the files of one test."""
    folder = tmp_path / "remote"
    folder.mkdir()
    monkeypatch.setattr(net, "root", folder)
    return folder


def yes(_: str) -> bool:
    return True


def blocks_touched(path: Path, fetched: Path) -> tuple[int, int]:
    """Number and bytes of the blocks that a fetched window touches, as GDAL tells them."""
    with rasterio.open(path) as tile, rasterio.open(fetched) as got:
        window = rasterio.windows.from_bounds(*got.bounds, tile.transform).round_offsets()
        rows, columns = tile.block_shapes[0]
        sizes = [
            int(tile.get_tag_item(f"BLOCK_SIZE_{j}_{i}", "TIFF", bidx=1) or 0)
            for i in range(
                int(window.row_off) // rows, -(-int(window.row_off + got.height) // rows)
            )
            for j in range(
                int(window.col_off) // columns, -(-int(window.col_off + got.width) // columns)
            )
        ]
    return len(sizes), sum(sizes)


@pytest.mark.parametrize("half_m", [10, 60, 300])
def test_bytes_and_requests_are_those_of_the_blocks(net: Lying, out: Path, half_m: int) -> None:
    """At most 1.1 times the blocks that are touched and 128 kB, and two requests more."""
    done = fetch(order(net.url("deflate.tif"), half_m=half_m), out, yes, Budget())
    count, octets = blocks_touched(net.root / "deflate.tif", out)
    assert count >= 4
    assert net.octets <= 1.1 * octets + 128_000
    assert len(net.log) <= count + 2
    assert (done.octets, done.requests) == (net.octets, len(net.log))
    assert truth(net.root, out, "deflate.tif")


LAYOUTS: dict[str, dict[str, Any]] = {
    "strips": {"driver": "GTiff", "compress": "deflate", "blocksize": None},
    "big": {"driver": "GTiff", "compress": "lzw", "BIGTIFF": "YES", "tiled": True,
            "blocksize": None},
    "whole-numbers": {"compress": "deflate", "dtype": "int16", "predictor": 2, "nodata": -32768},
    # as older federal tiles declare it
    "lowest-number": {"compress": "lzw", "nodata": -3.4028230607370965e38},
    "doubles": {"compress": "zstd", "dtype": "float64"},
    "big-endian": {"driver": "GTiff", "compress": "deflate", "ENDIANNESS": "BIG",
                   "blocksize": None},
    "compound": {"compress": "deflate", "crs": "EPSG:26918+5703"},
    "feet": {"compress": "deflate", "crs": "EPSG:2283", "unit": "US survey foot"},
    "degrees": {"compress": "deflate", "crs": "EPSG:4269",
                "transform": Affine(1e-5, 0, -77.05, 0, -1e-5, 38.80)},
}  # fmt: skip


@pytest.mark.parametrize("layout", LAYOUTS)
def test_fetched_is_local_to_the_last_bit(net: Lying, remote: Path, out: Path, layout: str) -> None:
    """However the file is laid out: numbers, place, CRS, nodata, unit."""
    given = dict(LAYOUTS[layout])
    dtype = given.pop("dtype", "float32")
    values = (ground() * 100).astype("int16") if dtype == "int16" else ground().astype(dtype)
    path = write_tile(
        remote / "tile.tif", values, **{k: v for k, v in given.items() if v is not None or k == "x"}
    )
    with rasterio.open(path) as tile:
        west, south, east, north = tile.bounds
        middle = ((west + east) / 2, (south + north) / 2)
        half = 40 * tile.transform.a
        box = (middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half)
        crs = CRS.from_wkt(tile.crs.to_wkt())
        asked = Order((), (net.url("tile.tif"),), Area(box, crs, 0.0))
    fetch(asked, out, yes, Budget())
    assert truth(remote, out, "tile.tif")
    with rasterio.open(path) as tile, rasterio.open(out) as got:
        assert (got.dtypes, got.nodata, got.units) == (tile.dtypes, tile.nodata, tile.units)


def test_missing_blocks_and_masked_cells_stay_missing(net: Lying, remote: Path, out: Path) -> None:
    """Blocks that were never written, and cells that a mask leaves out, are no ground."""
    values = ground()
    path = remote / "tile.tif"
    with (
        rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True),
        rasterio.open(path, "w", driver="GTiff", width=SIDE, height=SIDE, count=1,
                      dtype="float32", crs="EPSG:26918", tiled=True, blockxsize=BLOCK,
                      blockysize=BLOCK, sparse_ok=True, compress="deflate",
                      transform=Affine(1, 0, WEST, 0, -1, NORTH)) as dataset,
    ):  # fmt: skip
        dataset.write(values[:, :512], 1, window=((0, SIDE), (0, 512)))
        mask = np.full((SIDE, SIDE), 255, dtype="uint8")
        mask[500:510, 490:500] = 0
        dataset.write_mask(mask)
    fetch(order(net.url("tile.tif")), out, yes, Budget())
    with rasterio.open(out) as got:
        assert got.nodata == -9999.0
        found = got.read(1)
        row, column = round(NORTH - got.bounds.top), round(got.bounds.left - WEST)
    expected = values[row : row + found.shape[0], column : column + found.shape[1]].copy()
    expected[:, 512 - column :] = -9999.0
    expected[500 - row : 510 - row, 490 - column : 500 - column] = -9999.0
    np.testing.assert_array_equal(found, expected)


def changed_tag(path: Path, tag: int, change: Callable[[bytearray, int], None]) -> None:
    """Change the entry of a tag in the first directory of a classic TIFF (TIFF 6.0, section 2)."""
    data = bytearray(path.read_bytes())
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    for at in range(start + 2, start + 2 + 12 * count, 12):
        if struct.unpack_from("<H", data, at)[0] == tag:
            change(data, at)
    path.write_bytes(data)


def first_value(form: str, *values: Any) -> Callable[[bytearray, int], None]:
    """Change values where the entry of a tag points."""

    def change(data: bytearray, at: int) -> None:
        struct.pack_into(form, data, struct.unpack_from("<I", data, at + 8)[0], *values)

    return change


@pytest.mark.parametrize(
    ("tag", "change", "said"),
    [
        # cells of a nanometre, for which the area has more of them than any memory
        (33_550, first_value("<3d", 1e-9, 1e-9, 0.0), "outside every file|window_cells"),
        (33_550, first_value("<3d", 1e-3, 1e-3, 0.0), "outside every file|window_cells"),
        (33_550, first_value("<3d", 0.0, 0.0, 0.0), "the size of its cells"),
        # more rows than blocks
        (257, lambda data, at: struct.pack_into("<I", data, at + 8, 2**31 - 1), "other blocks"),
        # blocks beyond the end; blocks that share bytes
        (324, first_value("<16I", *[2**31] * 16), "beyond the end|same bytes"),
        (324, first_value("<16I", *[5000] * 16), "same bytes"),
        # tags that point beyond the end, of more values than the file has bytes
        (325, lambda data, at: struct.pack_into("<I", data, at + 4, 2**31), "points beyond"),
        (34_735, lambda data, at: struct.pack_into("<I", data, at + 8, 2**31), "points beyond"),
        (34_737, lambda data, at: struct.pack_into("<I", data, at + 4, 2**30), "points beyond"),
        (322, lambda data, at: struct.pack_into("<H", data, at + 8, 0), "other blocks"),
    ],
)  # fmt: skip
def test_directories_that_lie(
    net: Lying, remote: Path, out: Path, tag: int, change: Any, said: str
) -> None:
    """A file from a stranger costs its head and an error, never memory or time."""
    path = write_tile(remote / "tile.tif", ground())
    changed_tag(path, tag, change)
    began = time.monotonic()
    with pytest.raises(InputError, match=said):
        fetch(order(net.url("tile.tif")), out, yes, Budget(seconds=20))
    assert time.monotonic() - began < 10
    assert net.octets < 400_000
    assert not out.exists()


# ---------------------------------------------------------------- mosaics


def cut(remote: Path, name: str, rows: slice, columns: slice, **given: Any) -> Path:
    """Write a part of the ground as a tile of its own."""
    values = ground()[rows, columns] + np.float32(given.pop("shift", 0.0))
    corner = Affine(1, 0, WEST + columns.start, 0, -1, NORTH - rows.start)
    return write_tile(remote / name, values, transform=corner, **given)


def test_four_tiles_are_the_whole(net: Lying, remote: Path, out: Path) -> None:
    """Tiles of one product that meet in the lot, with a few cells in common."""
    halves = (slice(0, 518), slice(506, SIDE))
    names = [f"{i}{j}.tif" for i in range(2) for j in range(2)]
    for name in names:
        cut(remote, name, halves[int(name[0])], halves[int(name[1])])
    write_tile(remote / "whole.tif", ground())
    done = fetch(order(*map(net.url, names)), out, yes, Budget())
    assert truth(remote, out, "whole.tif")
    assert len(done.fetched.tiles) == 4
    assert done.fetched.seam_step_m == 0
    assert [one.rule for one in done.findings] == ["fetched"]


def test_two_years_are_told_by_the_step_between_them(net: Lying, remote: Path, out: Path) -> None:
    cut(remote, "old.tif", slice(0, SIDE), slice(0, 512))
    cut(remote, "new.tif", slice(0, SIDE), slice(512, SIDE), shift=0.3)
    done = fetch(order(net.url("old.tif"), net.url("new.tif")), out, yes, Budget())
    assert done.fetched.seam_step_m == pytest.approx(0.3, abs=0.02)
    assert [one.rule for one in done.findings] == ["tile-seam-step", "fetched"]
    # later runs, which see one file, know it too
    (found,) = inspect_elevation((out,)).findings
    assert found.facts["seam_step_m"] == done.fetched.seam_step_m


def test_two_utm_zones_are_resampled_to_the_first(net: Lying, remote: Path, out: Path) -> None:
    """To cells of the first, within what bilinear interpolation of smooth ground may be off."""
    row, column = np.mgrid[0:SIDE, 0:SIDE]
    smooth = (40 - 0.01 * row + np.sin(column / 90)).astype("float32")
    west = write_tile(remote / "west.tif", smooth[:, :512], nodata=-9999.0)
    crs, cell = rasterio.crs.CRS.from_epsg(26917), 1.0
    source = Affine(1, 0, WEST, 0, -1, NORTH)
    bounds = rasterio.warp.transform_bounds(
        "EPSG:26918", crs, WEST + 500, NORTH - SIDE, WEST + SIDE, NORTH
    )
    width, height = (int(bounds[2] - bounds[0]), int(bounds[3] - bounds[1]))
    there = Affine(cell, 0, round(bounds[0]), 0, -cell, round(bounds[3]))
    east = np.full((height, width), -9999.0, dtype="float32")
    reproject(smooth, east, src_transform=source, src_crs="EPSG:26918", dst_transform=there,
              dst_crs=crs, dst_nodata=-9999.0,
              resampling=rasterio.warp.Resampling.cubic)  # fmt: skip
    write_tile(remote / "east.tif", east, crs=crs, transform=there, nodata=-9999.0)
    done = fetch(order(net.url("west.tif"), net.url("east.tif")), out, yes, Budget())
    assert "zone 17N" in done.fetched.resampled
    with rasterio.open(out) as got, rasterio.open(west) as first:
        assert got.crs == first.crs
        assert got.units == ("metre",)
        found = got.read(1)
        top, left = round(NORTH - got.bounds.top), round(got.bounds.left - WEST)
    expected = smooth[top : top + found.shape[0], left : left + found.shape[1]]
    assert np.abs(found - expected).max() < 0.01
    np.testing.assert_array_equal(found[:, : 512 - left], expected[:, : 512 - left])


def test_feet_beside_metres_come_in_metres(net: Lying, remote: Path, out: Path) -> None:
    cut(remote, "m.tif", slice(0, SIDE), slice(0, 512))
    feet = ground()[:, 512:] / np.float32(0.3048)
    write_tile(remote / "ft.tif", feet, unit="foot",
               transform=Affine(1, 0, WEST + 512, 0, -1, NORTH))  # fmt: skip
    done = fetch(order(net.url("m.tif"), net.url("ft.tif")), out, yes, Budget())
    assert "in ft, not in m" in done.fetched.resampled
    with rasterio.open(out) as got:
        row, column = round(NORTH - got.bounds.top), round(got.bounds.left - WEST)
        found = got.read(1)
    expected = ground()[row : row + found.shape[0], column : column + found.shape[1]]
    np.testing.assert_allclose(found, expected, atol=1e-4)


@pytest.mark.parametrize(
    ("second", "said"),
    [({"crs": "EPSG:26918+5703"}, None), ({"crs": "EPSG:26918+5773"}, "vertical datums"),
     ({"unit": ""}, "does not state the unit")],
)  # fmt: skip
def test_tiles_that_do_not_go_together(
    net: Lying, remote: Path, out: Path, second: dict[str, Any], said: str | None
) -> None:
    cut(remote, "a.tif", slice(0, SIDE), slice(0, 512), crs="EPSG:26918+5703")
    cut(remote, "b.tif", slice(0, SIDE), slice(512, SIDE), **{"crs": "EPSG:26918", **second})
    asked = order(net.url("a.tif"), net.url("b.tif"))
    if said is None:
        fetch(asked, out, yes, Budget())
        return
    with pytest.raises(InputError, match=said):
        fetch(asked, out, yes, Budget())
    assert not out.exists()


def test_a_tile_that_is_not_needed_costs_its_head(net: Lying, remote: Path, out: Path) -> None:
    cut(remote, "near.tif", slice(256, 768), slice(256, 768))
    far = Affine(1, 0, WEST + 50_000, 0, -1, NORTH)
    write_tile(remote / "far.tif", ground(), transform=far)
    done = fetch(order(net.url("far.tif"), net.url("near.tif")), out, yes, Budget())
    assert [tile.url for tile in done.fetched.tiles] == [net.url("near.tif")]
    with pytest.raises(InputError, match="outside every file"):
        fetch(order(net.url("far.tif")), out.with_name("b.tif"), yes, Budget())


# ---------------------------------------------------------------- Items


def item(net: Lying, name: str = "deflate.tif", **changes: Any) -> dict[str, Any]:
    """Describe the tile as a real Item does."""
    told = {
        "type": "Feature", "stac_version": "1.1.0", "id": "invented_tile", "links": [],
        "properties": {
            "datetime": None, "start_datetime": "2022-12-09T00:00:00Z",
            "end_datetime": "2022-12-28T00:00:00Z", "proj:code": "EPSG:26918",
            "proj:shape": [SIDE, SIDE], "proj:transform": [1, 0, WEST, 0, -1, NORTH, 0, 0, 1],
        },
        "assets": {"elevation": {
            "href": f"{net.url(name)}?key=secret", "type": "image/tiff; application=geotiff",
            "roles": ["data"], "file:size": (net.root / name).stat().st_size,
        }},
    }  # fmt: skip
    for path, value in changes.items():
        where, _, key = path.partition("__")
        if where == "asset":
            told["assets"]["elevation"][key] = value
        else:
            told["properties"][key] = value
    return told


def of_item(path: Path, told: dict[str, Any], **given: Any) -> Order:
    path.write_text(json.dumps(told))
    return Order((str(path),), (), order().area, **given)


def test_what_an_item_says_goes_with_the_file(net: Lying, out: Path, tmp_path: Path) -> None:
    """Survey, name and tag stand in the file and beside it; a key in the address nowhere."""
    done = fetch(of_item(tmp_path / "item.json", item(net)), out, yes, Budget())
    (tile,) = done.fetched.tiles
    assert tile.surveyed == ("2022-12-09", "2022-12-28")
    assert tile.item == "invented_tile"
    assert tile.etag == '"deflate.tif-1"'
    assert tile.checked == "adler-32"
    record = json.loads((tmp_path / "dem.tif.source.json").read_text())
    assert record["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
    data = (net.root / "deflate.tif").read_bytes()
    for first, last, sha256 in record["tiles"][0]["parts"]:
        assert hashlib.sha256(data[first : last + 1]).hexdigest() == sha256
    assert b"secret" not in out.read_bytes()
    assert "secret" not in json.dumps(record)
    assert any("?key=secret" in path for path, _ in net.log)
    # later runs tell it
    source = inspect_elevation((out,))
    (file,) = source.describe()["files"]
    assert file["fetched"]["tiles"][0]["surveyed"] == ["2022-12-09", "2022-12-28"]
    (found,) = source.findings
    assert found.facts["surveyed"] == ("2022-12-09", "2022-12-28")
    assert found.facts["hosts"] == (f"data.test:{net.server_address[1]}",)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"properties__proj:shape": [10, 10]}, "rows and columns"),
        ({"properties__proj:code": "EPSG:26917"}, "EPSG:26918, not EPSG:26917"),
        ({"properties__proj:transform": [1, 0, WEST + 1, 0, -1, NORTH]}, "another place"),
        ({"asset__file:size": 77}, "its Item says 77"),
    ],
)
def test_a_file_that_its_item_does_not_describe(
    net: Lying, out: Path, tmp_path: Path, change: dict[str, Any], said: str
) -> None:
    with pytest.raises(LotflowError, match=said):
        fetch(of_item(tmp_path / "item.json", item(net, **change)), out, yes, Budget())
    assert not out.exists()


@pytest.mark.parametrize("code", ["epsg:26918", "EPSG:999999", "IAU_2015:30100", None])
def test_an_item_may_state_a_crs_that_nobody_knows(
    net: Lying, out: Path, tmp_path: Path, code: str | None
) -> None:
    """What cannot be compared is left to the file, which says it anyway."""
    told = item(net, **{"properties__proj:code": code})
    fetch(of_item(tmp_path / "item.json", told), out, yes, Budget())
    assert truth(net.root, out, "deflate.tif")


@pytest.mark.parametrize(
    "href",
    ["/etc/passwd", "file:///etc/passwd", "/vsicurl/https://data.test/a.tif", "deflate.tif",
     "http://data.test/a.tif", "https://me:pw@data.test/a.tif", "//data.test/a.tif", "s3://a/b"],
)  # fmt: skip
def test_an_item_leads_to_https_addresses_only(
    net: Lying, out: Path, tmp_path: Path, href: str
) -> None:
    with pytest.raises(InputError, match=r"item\.json: the address must be https") as caught:
        fetch(of_item(tmp_path / "item.json", item(net, asset__href=href)), out, yes, Budget())
    assert "pw" not in str(caught.value)
    assert net.connections == 0


def test_an_item_that_is_fetched_may_name_its_file_by_a_relative_address(
    net: Lying, remote: Path, out: Path, tiles: Path
) -> None:
    (remote / "deflate.tif").write_bytes((tiles / "deflate.tif").read_bytes())
    (remote / "item.json").write_text(json.dumps(item(net, asset__href="./deflate.tif")))
    asked = Order((net.url("item.json"),), (), order().area)
    fetch(asked, out, yes, Budget())
    assert truth(remote, out, "deflate.tif")


def test_a_whole_file_is_held_against_its_sha256(net: Lying, out: Path, tmp_path: Path) -> None:
    """The one check that also tells a server which sends other bytes of the same length."""
    digest = hashlib.sha256((net.root / "none.tif").read_bytes()).hexdigest()
    good = item(net, "none.tif", **{"asset__file:checksum": f"1220{digest}"})
    done = fetch(of_item(tmp_path / "item.json", good, whole=True), out, yes, Budget())
    assert done.fetched.tiles[0].checked == "sha-256"
    assert [one.rule for one in done.findings] == ["fetched"]
    bad = item(net, "none.tif", **{"asset__file:checksum": "1220" + "0" * 64})
    with pytest.raises(FetchError, match="another SHA-256"):
        fetch(of_item(tmp_path / "item.json", bad, whole=True), tmp_path / "b.tif", yes, Budget())


# ---------------------------------------------------------------- resuming, writing


@pytest.fixture
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have blocks come in more requests than needed."""
    monkeypatch.setattr(remote_tiff, "_MOST_AT_ONCE", 600_000)


def test_a_fetch_that_was_stopped_goes_on(net: Lying, out: Path, small_parts: None) -> None:
    """Parts that came are not asked for again, and the result is the same to the byte."""
    asked = order(net.url("deflate.tif"), half_m=300)
    fetch(asked, out.with_name("whole.tif"), yes, Budget())
    needed = len(net.log)
    assert needed >= 4
    net.forget()
    with pytest.raises(FetchError, match="requests"):
        fetch(asked, out, yes, Budget(requests=needed - 1))
    assert not out.exists()
    net.forget()
    fetch(asked, out, yes, Budget())
    assert len(net.log) == 2  # the first part, and the one that was missing
    assert out.read_bytes() == out.with_name("whole.tif").read_bytes()
    assert not list(out.parent.glob(".*"))


def test_parts_of_another_version_or_changed_on_disk_are_not_used(
    net: Lying, out: Path, small_parts: None
) -> None:
    asked = order(net.url("deflate.tif"), half_m=300)
    with pytest.raises(FetchError):
        fetch(asked, out, yes, Budget(requests=3))
    kept = sorted((out.parent / ".dem.tif.parts").iterdir())
    assert len(kept) == 2
    kept[0].write_bytes(b"other bytes")
    fetch(asked, out, yes, Budget())
    assert truth(net.root, out, "deflate.tif")


def test_what_is_there_is_replaced_only_if_it_was_fetched_and_only_when_asked(
    net: Lying, out: Path
) -> None:
    asked = order(net.url("deflate.tif"))
    fetch(asked, out, yes, Budget())
    first = out.read_bytes()
    with pytest.raises(OutputError, match="there already"):
        fetch(asked, out, yes, Budget())
    fetch(asked, out, yes, Budget(), overwrite=True)
    assert out.read_bytes() == first  # the same bytes every time
    out.write_bytes(first + b"changed")
    with pytest.raises(OutputError, match="not as lotflow has left it"):
        fetch(asked, out, yes, Budget(), overwrite=True)
    assert out.read_bytes() == first + b"changed"


def test_a_disk_that_fails_leaves_nothing(
    net: Lying, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("lotflow.outputs.fetched.os.fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        fetch(order(net.url("deflate.tif")), out, yes, Budget())
    assert {one.name for one in out.parent.iterdir()} == {".dem.tif.parts"}


@pytest.mark.parametrize("at", [1, 2, 3, 4])
def test_a_fetch_that_is_killed_leaves_old_or_new(
    net: Lying, out: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """Stopped at each replacing of a file, and as if killed, without clearing up after itself."""
    real, calls = Path.replace, []

    def replace(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) >= at:
            raise KeyboardInterrupt
        return real(self, target)

    asked = order(net.url("deflate.tif"))
    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", replace)
        patched.setattr(Path, "unlink", lambda *_, **__: None)
        with pytest.raises(KeyboardInterrupt):
            fetch(asked, out, yes, Budget())
    assert not out.exists()
    fetch(asked, out, yes, Budget())
    assert truth(net.root, out, "deflate.tif")
    assert {one.name for one in out.parent.iterdir()} == {out.name, f"{out.name}.source.json"}


def test_the_area_may_reach_beyond_the_data(net: Lying, out: Path) -> None:
    """What is missing is said; what is there comes."""
    x, y = WEST + 10, NORTH - 300
    area = order(half_m=60).area
    moved = type(area)((x - 60, y - 60, x + 60, y + 60), area.crs, 0.0)
    done = fetch(Order((), (net.url("deflate.tif"),), moved), out, yes, Budget())
    assert done.extract.beyond == ("west",)


# ---------------------------------------------------------------- the command


def lot_file(folder: Path) -> Path:
    """A lot of 30 m round the corner of four blocks."""
    x, y = CORNER
    path = folder / "lot.geojson"
    box = shapely.box(x - 15, y - 15, x + 15, y + 15)
    gpd.GeoDataFrame({"name": ["Corner lot"]}, geometry=[box], crs=26918).to_crs(4326).to_file(path)
    return path


def screened(dem: Path, lot: Path) -> dict[str, Any]:
    """Screen a lot and give its summary."""
    folder = dem.with_name(f"{dem.stem}-result")
    ran = CliRunner().invoke(
        commands, ["screen", str(dem), str(lot), "-o", str(folder), "--no-pack",
                   "--realisations", "0", "-q"]
    )  # fmt: skip
    assert ran.exception is None, ran.output
    return dict(json.loads((folder / "summary.json").read_text()))


def command(*arguments: object) -> Any:
    return CliRunner().invoke(commands, ["fetch", *map(str, arguments)])


def test_a_lot_screened_on_what_was_fetched_is_the_lot_screened_on_the_whole(
    net: Lying, out: Path, tmp_path: Path
) -> None:
    lot = lot_file(tmp_path)
    host = f"data.test:{net.server_address[1]}"
    ran = command("--url", net.url("deflate.tif"), "--lot", lot, "-o", out, "--host", host)
    assert ran.exception is None, ran.output
    assert "Fetched from data.test" in ran.output
    whole = tmp_path / "whole.tif"
    whole.write_bytes((net.root / "deflate.tif").read_bytes())
    keys = ("low_spots", "lot_line_crossings", "lot")
    fetched, local = screened(out, lot), screened(whole, lot)
    assert [fetched[key] for key in keys] == [local[key] for key in keys]
    assert len(fetched["low_spots"]) > 0


def test_a_host_that_nobody_confirmed_is_not_connected_to(
    net: Lying, out: Path, tmp_path: Path
) -> None:
    lot = lot_file(tmp_path)
    for more in ((), ("--host", "data.test"), ("--host", "other.test")):
        ran = command("--url", net.url("deflate.tif"), "--lot", lot, "-o", out, *more)
        assert isinstance(ran.exception, FetchError)
        assert "Give --host data.test:" in str(ran.exception)
    assert net.connections == 0


def test_a_dry_run_tells_bytes_and_writes_nothing(net: Lying, out: Path, tmp_path: Path) -> None:
    lot = lot_file(tmp_path)
    host = f"data.test:{net.server_address[1]}"
    ran = command("--url", net.url("deflate.tif"), "--url", net.url("none.tif", "notag"), "--lot",
                  lot, "-o", out, "--host", host, "--dry-run")  # fmt: skip
    assert ran.exception is None, ran.output
    assert not out.exists()
    asked = net.octets
    assert asked < 200_000
    planned = plan(order(net.url("deflate.tif")), yes, Budget())
    ((_, octets, requests, why),) = planned.rows
    before = net.octets
    fetch(order(net.url("deflate.tif")), out, yes, Budget())
    assert net.octets - before - octets == 65_536  # that of the first part comes again
    assert (why, requests) == ("", 2)
    assert "the whole file, since the server gives no strong ETag" in ran.output


def test_a_plan_keeps_nothing_of_directories_far_behind(
    net: Lying, remote: Path, out: Path
) -> None:
    """Of a plain file whose directory stands at its end, as some programs write it."""
    path = write_tile(remote / "tile.tif", ground(), driver="GTiff", blocksize=None)
    data = bytearray(path.read_bytes())
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    struct.pack_into("<I", data, 4, len(data))
    path.write_bytes(data + data[start : start + 2 + 12 * count] + bytes(4))
    plan(order(net.url("tile.tif")), yes, Budget())
    assert list(out.parent.iterdir()) == [remote]
    fetch(order(net.url("tile.tif")), out, yes, Budget())
    assert truth(remote, out, "tile.tif")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--url", "https://data.test/a.tif"], "--lot"),
        (["--bbox", "-77.06,38.80,-77.05,38.81"], "--stac or --url"),
        (["--url", "https://data.test/a.tif", "--bbox", "1,2,3"], "WEST,SOUTH,EAST,NORTH"),
        (["--url", "https://data.test/a.tif", "--bbox", "3,2,1,4"], "WEST,SOUTH,EAST,NORTH"),
        (["--url", "https://data.test/a.tif", "--bbox", "1,2,3,4", "--proxy", "x"], "HOST:PORT"),
    ],
)
def test_wrong_usage(tmp_path: Path, arguments: list[str], said: str) -> None:
    ran = command(*arguments, "-o", tmp_path / "dem.tif")
    assert ran.exit_code == 2
    assert said in ran.output


def test_the_environment_names_no_proxy(
    net: Lying, canary: Lying, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("HTTPS_PROXY", "https_proxy", "ALL_PROXY", "HTTP_PROXY"):
        monkeypatch.setenv(name, f"http://127.0.0.2:{canary.server_address[1]}")
    fetch(order(net.url("deflate.tif")), out, yes, Budget())
    assert canary.connections == 0


def test_a_proxy_that_is_asked_for_is_gone_through(net: Lying, out: Path) -> None:
    """By a tunnel: it sees the host's name and no more, and the certificate is the host's."""
    seen: list[bytes] = []
    listener = socket.create_server(("127.0.0.1", 0))

    def pump(source: socket.socket, target: socket.socket) -> None:
        try:
            while piece := source.recv(65_536):
                target.sendall(piece)
        except OSError:
            pass
        finally:
            target.close()

    def serve() -> None:
        line, _ = listener.accept()
        seen.append(line.recv(4096))
        there = socket.create_connection(net.server_address)
        line.sendall(b"HTTP/1.1 200 Connection established\r\n\r\n")
        threading.Thread(target=pump, args=(there, line), daemon=True).start()
        pump(line, there)
        line.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    asked = order(net.url("deflate.tif"))
    through = type(asked)(asked.stac, asked.urls, asked.area, proxy=listener.getsockname())
    fetch(through, out, yes, Budget())
    thread.join(timeout=5)
    listener.close()
    assert truth(net.root, out, "deflate.tif")
    assert seen[0].startswith(b"CONNECT data.test:")


def test_a_proxy_that_drips_is_cut_off(net: Lying, out: Path) -> None:
    """Each byte would make the wait for the next one begin anew."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        line, _ = listener.accept()
        try:
            while True:
                line.sendall(b"H")
                time.sleep(0.1)
        except OSError:
            line.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    asked = order(net.url("deflate.tif"))
    through = type(asked)(asked.stac, asked.urls, asked.area, proxy=listener.getsockname())
    began = time.monotonic()
    with pytest.raises(FetchError, match="took longer than 1 s"):
        fetch(through, out, yes, Budget(seconds=1.0))
    assert time.monotonic() - began < 5
    thread.join(timeout=5)
    listener.close()


def test_the_rules_for_users_are_strict() -> None:
    """What tests may do is in no option, variable or file."""
    assert (http_door.RULES.loopback, http_door.RULES.context) == (False, None)
