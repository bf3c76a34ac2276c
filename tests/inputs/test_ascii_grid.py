"""ASCII grid: each number must be one, and each row whole."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import CRS

from lotflow.errors import InputError
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.raster_header import Window
from lotflow.inputs.rasters import read_header, read_stored

HEADER = "ncols 4\nnrows 3\nxllcorner 321600\nyllcorner 4297800\ncellsize 0.5\nNODATA_value -9999\n"
BODY = "1 2 3 4\n5 6.5 7 8\n9 10 11 -9999\n"
NUMBERS = [[1, 2, 3, 4], [5, 6.5, 7, 8], [9, 10, 11, np.nan]]


def grid_file(folder: Path, text: str = HEADER + BODY, *, prj: bool = True) -> Path:
    """Write an ASCII grid."""
    path = folder / "dem.asc"
    path.write_text(text)
    if prj:
        path.with_suffix(".prj").write_text(CRS(26918).to_wkt("WKT1_ESRI"))
    return path


def stored(path: Path) -> np.ndarray:
    """Read all numbers."""
    header = read_header(path, DEFAULT_LIMITS)
    return read_stored(header, header.window, DEFAULT_LIMITS)


def test_numbers_place_and_crs_are_as_the_usual_library_reads_them(tmp_path: Path) -> None:
    """A well-formed grid with a .prj reads as by GDAL, and the .prj is reported."""
    path = grid_file(tmp_path)
    header = read_header(path, DEFAULT_LIMITS)
    with rasterio.open(path) as dataset:
        assert header.transform == dataset.transform
        assert header.crs.to_epsg() == dataset.crs.to_epsg() == 26918
        expected = dataset.read(1, masked=True).astype(float).filled(np.nan)
    np.testing.assert_array_equal(stored(path), expected)
    assert [finding.rule for finding in header.findings] == ["side-file"]


def test_a_grid_without_prj_is_refused(tmp_path: Path) -> None:
    """The format has no place for a CRS, and none is assumed."""
    with pytest.raises(InputError, match="has no coordinate reference system"):
        read_header(grid_file(tmp_path, prj=False), DEFAULT_LIMITS)


@pytest.mark.parametrize(
    "text",
    [
        HEADER + "1 2\n3 4 5 6.5\n7 8 9 10 11\n-9999\n",
        (HEADER + BODY).replace("\n", "\r\n"),
        HEADER.upper() + BODY.replace(" ", "\t"),
        HEADER.replace("cellsize 0.5", "dx 0.5\ndy 0.5") + BODY,
        HEADER.replace("NODATA_value -9999\n", "") + BODY,
        HEADER + BODY.replace("-9999", "nan"),
        HEADER + BODY.replace("6.5", "+.65E+1"),
        HEADER + "\n" + BODY + "\n\n",
    ],
)
def test_every_way_of_writing_it_gives_the_same_numbers(tmp_path: Path, text: str) -> None:
    """Wrapped lines, line ends, case, tabs, dx and dy and the default nodata change nothing."""
    np.testing.assert_array_equal(stored(grid_file(tmp_path, text)), NUMBERS)


def test_a_corner_given_as_centre_lies_half_a_cell_off(tmp_path: Path) -> None:
    """Xllcenter and yllcenter place the centre of the first cell."""
    text = (HEADER + BODY).replace("xllcorner 321600", "xllcenter 321600.25")
    text = text.replace("yllcorner 4297800", "yllcenter 4297800.25")
    expected = read_header(grid_file(tmp_path), DEFAULT_LIMITS).transform
    assert read_header(grid_file(tmp_path, text), DEFAULT_LIMITS).transform == expected


def test_a_window_is_those_cells(tmp_path: Path) -> None:
    """Rows and columns count from the upper left."""
    header = read_header(grid_file(tmp_path), DEFAULT_LIMITS)
    found = read_stored(header, Window(1, 3, 2, 4), DEFAULT_LIMITS)
    np.testing.assert_array_equal(found, [[7, 8], [11, np.nan]])


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (BODY.replace("6.5", "6x5"), "'6x5'"),
        (BODY.replace("6.5", "6,5"), "decimal commas"),
        (BODY.replace("6.5 ", ""), "columns"),
        (BODY[:18], "its header says 3 rows of 4"),
        ("", "holds 0 numbers"),
        (BODY + "5 5 5 5\n", "its header says 3 rows of 4"),
        ("1 2 3\n4 5 6\n7 8 9\n", "rows hold 3 numbers"),
        (BODY.replace("6.5", "6\N{MICRO SIGN}5"), "codec can't decode"),
    ],
)
def test_what_the_usual_library_forgives_is_refused(tmp_path: Path, body: str, said: str) -> None:
    """Each body is damaged in one way."""
    with pytest.raises(InputError, match=said):
        stored(grid_file(tmp_path, HEADER + body))


@pytest.mark.parametrize(
    ("line", "instead", "said"),
    [
        ("ncols 4", "ncols 4.5", "ncols is missing or no count"),
        ("cellsize 0.5", "cellsize x", "could not convert"),
        ("nrows 3\n", "", "nrows is missing"),
        ("cellsize 0.5", "cellsize -1", "cellsize is missing or not above 0"),
        ("xllcorner 321600\n", "", "xllcorner is missing"),
        ("nrows 3", "ncols 3", "stands twice"),
        ("nrows 3", "color 3", "unknown"),
    ],
)
def test_a_damaged_header_is_refused(tmp_path: Path, line: str, instead: str, said: str) -> None:
    """Each header lacks or spoils one line."""
    text = HEADER.replace(line, instead) + BODY
    with pytest.raises(InputError, match=said):
        read_header(grid_file(tmp_path, text), DEFAULT_LIMITS)


def test_a_header_of_a_million_rows_takes_no_memory(tmp_path: Path) -> None:
    """What the header claims is not allocated."""
    text = HEADER.replace("ncols 4", "ncols 1000000").replace("nrows 3", "nrows 1000000")
    header = read_header(grid_file(tmp_path, text + BODY), DEFAULT_LIMITS)
    with pytest.raises(InputError, match="its header says"):
        read_stored(header, Window(0, 10, 0, 10), DEFAULT_LIMITS)


def test_a_file_above_its_limit_is_refused(tmp_path: Path) -> None:
    """The limit is the size of the whole text."""
    path = grid_file(tmp_path)
    size = path.stat().st_size
    assert read_header(path, Limits(text_raster_bytes=size)).shape == (3, 4)
    with pytest.raises(InputError, match="text_raster_bytes"):
        read_header(path, Limits(text_raster_bytes=size - 1))
