"""Files of lidar points: what they say of themselves, and those that cannot be used."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import CRS

from lotflow.errors import EngineError, InputError
from lotflow.inputs.limits import Limits
from lotflow.inputs.points import points_crs, read_ground, read_points_header

laspy = pytest.importorskip("laspy")
pytest.importorskip("lazrs")

Make = Callable[..., Path]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Write points: a plane of ground with a roof on it."""

    def write(name: str = "a.laz", *, crs: str | None = "EPSG:26918+5703", version: str = "1.4",
              kind: int = 6, classes: tuple[int, ...] = (2, 6), number: int = 3000,
              metres: float = 1.0, change: Any = None) -> Path:  # fmt: skip
        random = np.random.default_rng(2)
        header = laspy.LasHeader(point_format=kind, version=version)
        header.offsets, header.scales = (320_000, 4_299_000, 0), (0.001,) * 3
        if crs:
            header.add_crs(CRS(crs))
        las = laspy.LasData(header)
        x, y = random.uniform(0, 40, (2, number))
        las.x, las.y = 320_000 + x / metres, 4_299_000 + y / metres
        las.classification = np.resize(np.array(classes, dtype=np.uint8), number)
        las.z = (10 + 0.02 * x + 5.0 * (np.asarray(las.classification) == 6)) / metres
        if change:
            change(las)
        las.write(str(tmp_path / name))
        return tmp_path / name

    return write


def ground(*paths: Path, crs: CRS | None = None, unit: Any = None, bounds: Any = None,
           limits: Limits | None = None) -> Any:  # fmt: skip
    headers = [read_points_header(path) for path in paths]
    given = {"limits": limits} if limits else {}
    return read_ground(headers, points_crs(headers, crs), bounds, vertical_unit=unit, **given)


@pytest.mark.parametrize(("name", "version", "kind"), [
    ("a.las", "1.2", 1), ("a.laz", "1.2", 3), ("a.las", "1.4", 6), ("a.laz", "1.4", 7),
])  # fmt: skip
def test_versions_and_packing(make: Make, name: str, version: str, kind: int) -> None:
    """All give the same ground returns: those laspy gives, of class 2."""
    is_new = version == "1.4"
    crs = "EPSG:26918+5703" if is_new else "EPSG:26918"
    path = make(name, version=version, kind=kind, crs=crs)
    found = ground(path, unit=None if is_new else "m")
    las = laspy.read(path)
    expected = np.column_stack([las.x, las.y, las.z])[np.asarray(las.classification) == 2]
    np.testing.assert_array_equal(found.xyz, expected)
    assert found.crs.to_epsg() == 26918
    assert found.files[0]["points"] == 3000
    assert found.files[0]["ground_points"] == 1500


def test_points_that_are_withheld_are_left_out(make: Make) -> None:
    def withhold(las: Any) -> None:
        las.withheld = np.arange(3000) % 4 == 0  # every second of those of the ground

    assert len(ground(make(change=withhold)).xyz) == 750


def test_only_the_area_is_taken(make: Make) -> None:
    found = ground(make(), bounds=(320_010, 4_299_010, 320_020, 4_299_020))
    assert 50 < len(found.xyz) < 150
    assert (found.xyz[:, 0] >= 320_010).all()
    assert (found.xyz[:, 1] <= 4_299_020).all()


@pytest.mark.parametrize(("crs", "unit", "declared"), [
    ("EPSG:2283+6360", "us-ft", None), ("EPSG:2283", "ft", "ft"), ("EPSG:26918+8228", "ft", None),
])  # fmt: skip
def test_heights_in_feet_come_in_metres(make: Make, crs: str, unit: str, declared: Any) -> None:
    """By their vertical CRS, or as declared; nothing is assumed."""
    path = make(crs=crs, metres=0.3048)
    found = ground(path, unit=declared)
    assert found.vertical_unit == unit
    assert found.xyz[:, 2].min() == pytest.approx(10.0, abs=0.05)
    with pytest.raises(InputError, match=r"unit of heights is declared as m|does not state"):
        ground(path, unit="m" if declared is None else None)


def test_keys_of_older_files(make: Make) -> None:
    """LAS 1.2 has no text of its CRS, but codes as a GeoTIFF."""
    header = read_points_header(make(version="1.2", kind=1, crs="EPSG:26918"))
    assert header.crs == CRS(26918)
    with pytest.raises(InputError, match="does not state the unit of its heights"):
        ground(header.path)


def damaged(path: Path, change: Callable[[bytearray], Any]) -> Path:
    data = bytearray(path.read_bytes())
    told = change(data)
    path.write_bytes(told if isinstance(told, bytes | bytearray) else data)
    return path


def put(at: int, form: str, *values: Any) -> Callable[[bytearray], None]:
    return lambda data: struct.pack_into(form, data, at, *values)


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda data: b"", "no LAS or LAZ"),
        (lambda data: b"PK\3\4" + data[4:], "no LAS or LAZ"),
        (lambda data: data[:100], "cut off in its header"),
        (lambda data: data[:300], "damaged|cut off"),
        (lambda data: data[: len(data) // 2], "cut off|cannot be unpacked"),
        (lambda data: data[:-10], "cut off|cannot be unpacked"),
        (put(24, "<B", 9), "header is damaged"),
        (put(96, "<I", 2**31), "header is damaged"),
        (put(100, "<I", 2**32 - 1), "header is damaged"),
        (put(131, "<d", float("nan")), "header is damaged"),
        (put(131, "<d", 0.0), "scale"),
        (put(131, "<d", 0.5), "outside the bounds"),
        (put(179, "<d", 320_001.0), "outside the bounds"),
        (put(247, "<Q", 3001), "cut off|unpacked"),
        (put(247, "<Q", 10**12), "more than the limit|cut off"),
    ],
)  # fmt: skip
def test_damaged_files(make: Make, name: str, change: Any, said: str) -> None:
    path = damaged(make(name), change)
    with pytest.raises(InputError, match=said) as caught:
        ground(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("name", ["a.las", "a.laz"])
def test_records_behind_the_points_are_not_read(make: Make, name: str) -> None:
    """A small file may state four billion of them, each of nothing (LAS 1.4 R15, section 2.4)."""
    path = make(name)
    expected = ground(path).xyz
    at = path.stat().st_size
    found = ground(damaged(path, put(235, "<QI", at, 2**32 - 1))).xyz
    np.testing.assert_array_equal(found, expected)


def test_flipped_bits_are_hardly_ever_silent(make: Make) -> None:
    """Of packed points: an error, or the same points; a step of a few millimetres may pass."""
    path = make()
    good, data = ground(path).xyz, path.read_bytes()
    start = struct.unpack_from("<I", data, 96)[0]
    random = np.random.default_rng(4)
    silent = 0
    for at in random.integers(start + 8, len(data), 60):
        path.write_bytes(data[:at] + bytes([data[at] ^ 1 << int(at % 8)]) + data[at + 1 :])
        try:
            found = ground(path).xyz
        except InputError:
            continue
        silent += found.shape != good.shape or not np.array_equal(found, good)
    assert silent <= 3


def test_what_is_no_ground_or_nowhere(make: Make) -> None:
    with pytest.raises(InputError, match=r"ground \(class 2\); classes there: 1, 6"):  # fmt: skip
        ground(make(classes=(1, 6)))
    with pytest.raises(InputError, match="do not say in which coordinate reference system"):
        ground(make(crs=None))
    assert len(ground(make(crs=None), crs=CRS(26918), unit="m").xyz) == 1500
    with pytest.raises(InputError, match="CRS is stated as"):
        ground(make(), crs=CRS(26917))
    with pytest.raises(InputError, match="not in metres or feet of a map"):
        ground(make(crs="EPSG:4326"), unit="m")
    with pytest.raises(InputError, match="points are in"):
        ground(make("a.laz"), make("b.laz", crs="EPSG:26917+5703"))
    with pytest.raises(InputError, match="different vertical datums"):
        ground(make("a.laz"), make("b.laz", crs="EPSG:26918+5773"))


def test_a_crs_that_names_a_file_is_refused(make: Make) -> None:
    path = make()
    data = path.read_bytes()
    at = data.index(b"NAVD88 height")
    path.write_bytes(data[:at] + b"PROJ4_GRIDS  " + data[at + 13 :])
    with pytest.raises(InputError, match="names a grid file"):
        read_points_header(path)


def test_heights_that_are_none_of_land(make: Make) -> None:
    def high(las: Any) -> None:
        las.z = np.full(3000, 20_000.0)

    with pytest.raises(InputError, match="none of land"):
        ground(make(change=high))


def test_limits_are_named(make: Make) -> None:
    with pytest.raises(InputError, match=r"limit points = 100"):
        ground(make(), limits=Limits(points=100))
    with pytest.raises(InputError, match=r"limit ground_points = 100"):
        ground(make(), limits=Limits(ground_points=100))


def test_without_the_libraries_it_says_what_to_install(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = make()
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(EngineError, match=r"lotflow\[lidar\]"):
        ground(path)
