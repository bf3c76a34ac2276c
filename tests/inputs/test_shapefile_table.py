"""The table part of a Shapefile is taken as the library writes it, and refused when damaged."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from lotflow.errors import InputError
from lotflow.inputs.vectors import check_table, read_layer

COLUMNS = {
    "name": ["lot", "Gärten"],
    "count": [3, -7],
    "depth_m": [0.5, np.nan],
    "open": [True, False],
    "note": [None, "two\twords"],
}


def written(folder: Path, columns: dict[str, list[Any]] = COLUMNS, **options: Any) -> Path:
    """A Shapefile as pyogrio writes it."""
    path = folder / "lot.shp"
    rows = len(next(iter(columns.values())))
    points = shapely.points(321_600.0 + np.arange(rows), 4_297_700.0)
    frame = geopandas.GeoDataFrame(columns, geometry=points, crs="EPSG:26918")
    frame.to_file(path, **options)
    return path


def check(path: Path, table: bytes | None = None) -> None:
    dbf = path.with_suffix(".dbf")
    check_table(dbf, dbf.read_bytes() if table is None else table,
                path.with_suffix(".shx").stat().st_size)  # fmt: skip


@pytest.mark.parametrize("encoding", ["UTF-8", "ISO-8859-1"])
def test_every_type_of_column_is_taken_as_it_is_written(tmp_path: Path, encoding: str) -> None:
    path = written(tmp_path, encoding=encoding)
    check(path)
    assert read_layer(path)["name"].tolist() == ["lot", "Gärten"]


def test_a_layer_without_rows_is_taken(tmp_path: Path) -> None:
    check(written(tmp_path, {"name": pd.Series([], dtype=str), "count": pd.Series([], dtype=int)}))


@given(
    names=st.lists(st.text(st.characters(min_codepoint=32, exclude_categories=["C"]), max_size=40),
                   min_size=1, max_size=5),
    number=st.floats(-1e12, 1e12) | st.just(float("nan")) | st.floats(allow_nan=False, width=16),
)  # fmt: skip
def test_any_text_and_number_is_taken_as_it_is_written(
    tmp_path_factory: pytest.TempPathFactory, names: list[str], number: float
) -> None:
    columns = {"name": names, "number": [number] * len(names)}
    check(written(tmp_path_factory.mktemp("any"), columns, encoding="UTF-8"))


def changed(table: bytes, at: int, new: bytes) -> bytes:
    return table[:at] + new + table[at + len(new) :]


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (lambda table: bytes(len(table)), "it is no dBASE table"),
        (lambda table: table[:20], "damaged"),
        (lambda table: table[:100], "damaged"),
        (lambda table: table[:-30], "it is cut off"),
        (lambda table: changed(table, 4, b"\x03"), "it holds 3 rows, and the Shapefile 2 shapes"),
        (lambda table: changed(table, 8, b"\x21"), "its columns do not fit its rows"),
        (lambda table: changed(table, 10, b"\x01"), "its columns do not fit its rows"),
        (lambda table: changed(table, 33, b"\x01"), "its column 1 is none"),
        (lambda table: changed(table, 43, b"\x07"), "its column 1 is none"),
        (lambda table: changed(table, 48, b"\x40"), "its columns do not fit its rows"),
    ],
)
def test_a_damaged_structure_is_refused(tmp_path: Path, damage: Any, told: str) -> None:
    path = written(tmp_path)
    path.with_suffix(".dbf").write_bytes(damage(path.with_suffix(".dbf").read_bytes()))
    with pytest.raises(InputError, match=told) as caught:
        read_layer(path)
    assert "lot.dbf" in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b"lot ", b"l\x01t ", r"row 1, name = 'l\\x01t'"),
        (b" -7", b"7-7", "row 2, count = '7-7'"),
        (b" -7", b"q-7", "row 2, count = 'q-7'"),
        (b"F" + b"two", b"x" + b"two", "row 2, open = 'x'"),
    ],
)
def test_a_value_that_is_none_of_its_column_is_named(
    tmp_path: Path, old: bytes, new: bytes, told: str
) -> None:
    path = written(tmp_path)
    table = path.with_suffix(".dbf").read_bytes()
    assert table.count(old) == 1
    with pytest.raises(InputError, match=told):
        check(path, table.replace(old, new))


def test_a_mark_of_a_row_that_is_neither_kept_nor_deleted_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path)
    table = path.with_suffix(".dbf").read_bytes()
    start = int.from_bytes(table[8:10], "little")
    check(path, changed(table, start, b"*"))
    with pytest.raises(InputError, match="row 1, 'A'"):
        check(path, changed(table, start, b"A"))


def test_a_table_in_pieces_is_not_listed_cell_by_cell(tmp_path: Path) -> None:
    path = written(tmp_path, {"number": [1] * 100})
    table = path.with_suffix(".dbf").read_bytes()
    start = int.from_bytes(table[8:10], "little")
    with pytest.raises(InputError) as caught:
        check(path, table[:start] + b"#" * (len(table) - start))
    assert len(caught.value.faults) == 20


@pytest.mark.parametrize(("day", "good"), [
    (b"20240501", True), (b"        ", True), (b"00000000", True), (b"2024\x7f501", False),
    (b"2024-5-1", False),
])  # fmt: skip
def test_a_day_is_eight_digits_or_blank(tmp_path: Path, day: bytes, good: bool) -> None:
    header = struct.pack("<B3sIHH20x", 3, b"\x7e\x0b\x19", 1, 65, 9)
    column = struct.pack("<11sc4xBB14x", b"seen", b"D", 8, 0)
    table = header + column + b"\r" + b" " + day + b"\x1a"
    if good:
        check_table(tmp_path / "lot.dbf", table, 108)
    else:
        with pytest.raises(InputError, match="row 1, seen"):
            check_table(tmp_path / "lot.dbf", table, 108)
