"""Rasters of a result: what is read back is what was computed, in a form everyone reads."""

import os
import shutil
import subprocess

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS
from rio_cogeo.cogeo import cog_validate

from lotflow.errors import OutputError
from lotflow.grid import Grid
from lotflow.outputs.rasters import NO_DATA, cog_file, verify_cog, write_cog

DEPTH = {"description": "depth of low spots", "unit": "m"}


def make_grid(rows=60, columns=80, crs="EPSG:32618", seed=0):
    rng = np.random.default_rng(seed)
    values = 30.0 + np.cumsum(rng.normal(0, 0.02, (rows, columns)), axis=0)
    values[:7, :9] = np.nan
    return Grid(values, Affine(0.5, 0, 5e5, 0, -0.5, 4e6), None if crs is None else CRS(crs))


@pytest.fixture
def written(tmp_path):
    path = tmp_path / "depth.tif"
    write_cog(path, make_grid(), **DEPTH)
    return path


def test_values_and_gaps_come_back(written):
    grid = make_grid()
    with rasterio.open(written) as source:
        found = source.read(1, masked=True)
    assert (found.mask == np.isnan(grid.values)).all()
    # 32-bit floats have 24 binary digits: half a step at 32 m
    np.testing.assert_allclose(found.compressed(), grid.values[~grid.missing], atol=2**-19)


def test_form_and_labels(written):
    grid = make_grid()
    with rasterio.open(written) as source:
        assert source.profile["compress"] == "deflate"
        assert source.tags(ns="IMAGE_STRUCTURE")["PREDICTOR"] == "3"
        assert (source.dtypes, source.nodata) == (("float32",), NO_DATA)
        assert (source.descriptions, source.units) == (("depth of low spots",), ("m",))
        assert (source.transform, source.crs.to_epsg()) == (grid.transform, 32618)
    assert [path.name for path in written.parent.iterdir()] == ["depth.tif"]


@pytest.mark.parametrize("shape", [(1, 1), (60, 80), (513, 700)])
def test_it_is_a_valid_cloud_optimized_geotiff(tmp_path, shape):
    """By the validator of rio-cogeo, warnings counted."""
    path = tmp_path / "grid.tif"
    grid = make_grid(*shape)
    write_cog(path, grid, **DEPTH)
    verify_cog(path, grid, **DEPTH)
    assert cog_validate(path, strict=True, quiet=True) == (True, [], [])


def test_overviews_of_measured_values_are_averages(tmp_path):
    path = tmp_path / "grid.tif"
    grid = make_grid(1100, 1200)
    write_cog(path, grid, **DEPTH)
    with rasterio.open(path) as source:
        assert source.overviews(1) == [2, 4]
    with rasterio.open(path, overview_level=0) as source:
        found = source.read(1)
    expected = grid.values[100:102, 200:202].mean()
    assert found[50, 100] == pytest.approx(expected, abs=1e-5)


def test_the_same_grid_gives_the_same_bytes(tmp_path):
    first, second = tmp_path / "a.tif", tmp_path / "b.tif"
    for path in (first, second, second):
        write_cog(path, make_grid(700, 600), **DEPTH)
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize(
    ("values", "dtype", "predictor"),
    [
        (np.arange(12).reshape(3, 4) - 2, "int32", "2"),
        (np.arange(12, dtype=np.int8).reshape(3, 4), "int32", "2"),
        (np.eye(3, dtype=bool), "uint8", "2"),
        (np.eye(3, dtype=np.float32), "float32", "3"),
    ],
)
def test_each_kind_of_value_has_its_type(tmp_path, values, dtype, predictor):
    path = tmp_path / "grid.tif"
    grid = Grid(values, make_grid().transform, CRS("EPSG:32618"))
    write_cog(path, grid, description="inlet", unit="")
    verify_cog(path, grid, description="inlet", unit="")
    with rasterio.open(path) as source:
        assert source.dtypes == (dtype,)
        assert source.tags(ns="IMAGE_STRUCTURE")["PREDICTOR"] == predictor
        assert source.nodata == (NO_DATA if dtype == "float32" else None)
        assert (source.read(1) == values).all()


@pytest.mark.parametrize("values", [np.array([[2**31]]), np.array([["a"]])])
def test_values_without_a_type_are_a_fault_of_ours(tmp_path, values):
    grid = Grid(values, make_grid().transform, None)
    with pytest.raises(TypeError):
        write_cog(tmp_path / "grid.tif", grid, **DEPTH)


@pytest.mark.parametrize(
    ("given", "kept"),
    [("EPSG:2263", 2263), ("EPSG:2263+6360", 2263), ("EPSG:32618+5703", 32618)],
)
def test_only_the_horizontal_crs_is_kept(tmp_path, given, kept):
    """Values are metres: a vertical part in feet would say otherwise."""
    path, grid = tmp_path / "grid.tif", make_grid(crs=given)
    write_cog(path, grid, **DEPTH)
    verify_cog(path, grid, **DEPTH)
    with rasterio.open(path) as source:
        assert source.crs.to_epsg() == kept


def other(grid, **changes):
    parts = {"values": grid.values, "transform": grid.transform, "crs": grid.crs, **changes}
    return Grid(**parts)


@pytest.mark.parametrize(
    ("changes", "labels", "told"),
    [
        ({"values": make_grid(seed=1).values}, {}, "values"),
        ({"values": make_grid(rows=59).values}, {}, "values, place"),
        ({"transform": Affine(0.5, 0, 5e5 + 1, 0, -0.5, 4e6)}, {}, "place"),
        ({"crs": CRS("EPSG:32617")}, {}, "CRS"),
        ({}, {"unit": "ft"}, "labels"),
        ({}, {"description": "height"}, "labels"),
    ],
)
def test_a_difference_is_found(written, changes, labels, told):
    with pytest.raises(OutputError, match=f"the same: {told}$"):
        verify_cog(written, other(make_grid(), **changes), **{**DEPTH, **labels})


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3, 0.6, 0.95])
def test_a_cut_off_file_is_found(written, share):
    content = written.read_bytes()
    written.write_bytes(content[: int(share * len(content))])
    with pytest.raises(OutputError, match=r"depth\.tif"):
        verify_cog(written, make_grid(), **DEPTH)


def test_a_missing_folder_is_an_output_error(tmp_path):
    with pytest.raises(OutputError, match=r"depth\.tif"):
        write_cog(tmp_path / "none" / "depth.tif", make_grid(), **DEPTH)


def test_the_result_file_writes_and_proves_the_same(written, tmp_path):
    file = cog_file("depth.tif", make_grid(), **DEPTH)
    path = tmp_path / "other.tif"
    file.write(path)
    file.verify(path)
    assert path.read_bytes() == written.read_bytes()
    assert file.estimate >= path.stat().st_size


@pytest.mark.skipif(shutil.which("gdalinfo") is None, reason="gdalinfo is not installed")
def test_an_older_program_reads_it_without_a_word_of_warning(written):
    told = subprocess.run(
        ["gdalinfo", "--config", "GDAL_PAM_ENABLED", "NO", str(written)],
        capture_output=True, text=True, check=True, env={"PATH": os.environ["PATH"]},
    )  # fmt: skip
    assert told.stderr == ""
    for text in ("LAYOUT=COG", "NoData Value=-9999", "Unit Type: m", "depth of low spots"):
        assert text in told.stdout
