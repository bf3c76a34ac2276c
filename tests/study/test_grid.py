"""`lotflow grid`: from returns to a raster that says how well it is known."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from pyproj import CRS

import lotflow
from lotflow.cli.main import commands
from lotflow.errors import InputError, OutputError
from lotflow.inputs.area import Area
from lotflow.inputs.elevation import inspect_elevation, read_elevation
from lotflow.study.grid import grid
from lotflow.terrain import ground_points
from lotflow.terrain.realisations.likely_surfaces import likely_surfaces

laspy = pytest.importorskip("laspy")
pytest.importorskip("lazrs")

SHARED = Path(__file__).parents[2].parent / "shared" / "data"
WEST, SOUTH = 320_000.0, 4_299_000.0


@pytest.fixture(autouse=True)
def one_round(monkeypatch: pytest.MonkeyPatch) -> None:
    """Learn from one round of leaving out: what it gives is tested beside it."""
    monkeypatch.setattr(ground_points, "_ROUNDS", 1)


@pytest.fixture
def points(tmp_path: Path) -> Path:
    """Ground of 80 by 80 m with a bowl, 4 returns per m2, none under a tree of 5 m; a roof."""
    random = np.random.default_rng(6)
    x, y = random.uniform(0, 80, (2, 25_600))
    z = 20 - 0.01 * x - 0.3 * np.exp(-((x - 30) ** 2 + (y - 40) ** 2) / 40)
    z += random.normal(0, 0.02, x.size)
    under_tree = np.hypot(x - 55, y - 40) < 5
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = (WEST, SOUTH, 0), (0.001,) * 3
    header.add_crs(CRS("EPSG:26918+5703"))
    las = laspy.LasData(header)
    las.x, las.y, las.z = WEST + x, SOUTH + y, z + 8.0 * under_tree
    las.classification = np.where(under_tree, 5, 2).astype(np.uint8)
    las.write(str(tmp_path / "points.laz"))
    return tmp_path / "points.laz"


def run(*arguments: object) -> Any:
    return CliRunner().invoke(commands, [*map(str, arguments)])


def test_a_lot_is_gridded_and_screened(points: Path, tmp_path: Path) -> None:
    """The bowl is found; the tree is not ground; what is unsure is said in the result."""
    box = shapely.box(WEST + 20, SOUTH + 25, WEST + 60, SOUTH + 55)
    lot, dem = tmp_path / "lot.gpkg", tmp_path / "dem.tif"
    gpd.GeoDataFrame({"name": ["Lot"]}, geometry=[box], crs=26918).to_file(lot, layer="lot")
    ran = run("grid", points, "--lot", lot, "--margin", 15, "-o", dem)
    assert ran.exception is None, ran.output
    assert "note: Gridded from the ground returns of points.laz." in ran.output
    with rasterio.open(dem) as got:
        z, distance, returns = got.read()
        assert got.descriptions == ("elevation", "distance to the nearest return",
                                    "returns per cell")  # fmt: skip
        assert got.bounds == (WEST + 5, SOUTH + 10, WEST + 75, SOUTH + 70)
        row, column = got.index(WEST + 55, SOUTH + 40)
        assert got.units == ("metre", "metre", None)
    assert distance[row, column] > 3
    assert returns[row - 4 : row + 4, column - 4 : column + 4].sum() == 0
    assert z[row, column] == pytest.approx(20 - 0.55, abs=0.1)
    assert returns.mean() == pytest.approx(1.0, abs=0.1)
    folder = tmp_path / "result"
    ran = run("screen", dem, lot, "-o", folder, "--no-pack", "--realisations", 0, "-q")
    assert ran.exception is None, ran.output
    told = json.loads((folder / "summary.json").read_text())
    assert max(one["depth_m"] for one in told["low_spots"]) == pytest.approx(0.2, abs=0.08)
    rules = [one["rule"] for one in told["findings"]]
    assert "gridded" in rules
    assert "several-bands" not in rules
    (file,) = told["provenance"]["elevation"]["files"]
    assert file["gridded"]["law"]["returns"] > 1000
    assert file["gridded"]["files"][0]["file"] == "points.laz"


def test_what_is_less_sure_comes_to_the_realisations(
    points: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each cell's deviation by its distance, on the cells that are worked on; none of others."""
    dem = tmp_path / "dem.tif"
    made = grid([points], dem)
    law = made.gridded.law
    assert law is not None
    bounds = (WEST + 30, SOUTH + 30, WEST + 70, SOUTH + 50)
    found = read_elevation(inspect_elevation((dem,)), bounds)
    with rasterio.open(dem) as got:
        window = rasterio.windows.from_bounds(*bounds, got.transform)
        distance = got.read(2, window=window).astype(float)
        np.testing.assert_allclose(found.apart, law.c * distance**law.h, atol=1e-9)
        assert found.apart.shape == found.grid.shape
        values, profile = got.read(1), got.profile
    profile.update(count=1)
    with rasterio.open(tmp_path / "plain.tif", "w", **profile) as plain:
        plain.write(values, 1)
        plain.set_band_unit(1, "metre")
    assert read_elevation(inspect_elevation((tmp_path / "plain.tif",)), bounds).apart is None
    seen = []

    def spy(ground: Any, error: Any, cell_m: Any, random: Any, apart: Any = None) -> Any:
        seen.append(apart)
        return likely_surfaces(ground, error, cell_m, random, apart)

    monkeypatch.setattr("lotflow.terrain.realisations.likely_surfaces.likely_surfaces", spy)
    box = shapely.box(WEST + 25, SOUTH + 25, WEST + 60, SOUTH + 55)
    lot = gpd.GeoDataFrame({"name": ["Lot"]}, geometry=[box], crs=26918)
    result = lotflow.screen(dem, lot, realisations=10)
    (apart,) = seen
    assert apart.shape == result.ground.shape
    row, column = result.ground.row_column(WEST + 55, SOUTH + 40)
    assert apart[row, column] > 3 * np.median(apart)


def test_the_same_points_give_the_same_bytes_and_no_other_file_is_replaced(
    points: Path, tmp_path: Path
) -> None:
    first, second = tmp_path / "a.tif", tmp_path / "b.tif"
    area = Area((WEST + 20, SOUTH + 20, WEST + 60, SOUTH + 60), CRS(26918), 0.0)
    grid([points], first, area=area)
    made = grid([points], second, area=area, cell_m=0.5)
    assert first.read_bytes() == second.read_bytes()
    assert made.missing == 0
    with pytest.raises(OutputError, match="there already"):
        grid([points], first, area=area)
    second.write_bytes(b"mine")
    with pytest.raises(OutputError, match="not as lotflow has left it"):
        grid([points], second, area=area, overwrite=True)
    assert second.read_bytes() == b"mine"


def test_beyond_the_reach_of_returns_nothing_is_known(points: Path, tmp_path: Path) -> None:
    area = Area((WEST + 45, SOUTH + 30, WEST + 65, SOUTH + 50), CRS(26918), 0.0)
    made = grid([points], tmp_path / "a.tif", area=area, reach_m=2.0)
    assert made.missing == pytest.approx(np.pi * 3**2 / 400, abs=0.02)
    outside = Area((WEST + 500, SOUTH, WEST + 520, SOUTH + 20), CRS(26918), 0.0)
    with pytest.raises(InputError, match="no ground returns lie in the area"):
        grid([points], tmp_path / "b.tif", area=outside)
    assert not (tmp_path / "b.tif").exists()


def test_usage_and_codes(points: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.tif"
    for code in ("EPSG:0", "x.prj", "EPSG:4326x", "+proj=longlat"):
        ran = run("grid", points, "-o", out, "--crs", code)
        assert isinstance(ran.exception, InputError)
        assert "is no code of a CRS" in str(ran.exception)
    assert run("grid", "-o", out).exit_code == 2


@pytest.mark.skipif(not (SHARED / "ahn3-points").is_dir(), reason="real returns are not beside")
def test_real_returns_give_the_raster_that_others_made_of_them(tmp_path: Path) -> None:
    """AHN3: where there are returns, the 0.5 m model of the same survey, made elsewhere."""
    dem = tmp_path / "dem.tif"
    made = grid([SHARED / "ahn3-points" / "sample.laz"], dem, crs=CRS(28992), vertical_unit="m")
    ours = inspect_elevation((dem,))
    theirs = inspect_elevation((SHARED / "delft-ahn3" / "dtm_05m_filled.tif",), vertical_unit="m")
    bounds = (85_002.0, 447_420.0, 85_065.0, 447_635.0)
    a, b = (read_elevation(one, bounds).grid.values for one in (ours, theirs))
    with rasterio.open(dem) as got:
        window = rasterio.windows.from_bounds(*bounds, got.transform)
        near = got.read(2, window=window) < 0.5
    off = np.abs(a - b)[near & np.isfinite(a) & np.isfinite(b)]
    assert off.size > 20_000
    assert np.percentile(off, 99) < 0.01
    assert made.gridded.law is not None
    assert 0.02 < made.gridded.law.s0_m < 0.04
    assert 0.06 < made.gridded.law.within(1.0) < 0.12
