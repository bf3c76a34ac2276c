"""Open elevation data: what is known of it comes out."""

from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

from lotflow.grid import Grid
from lotflow.inputs.screening import screening_job
from lotflow.study import run_study
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface

SHARED = Path(__file__).parents[1].parent / "shared" / "data"
needs_shared = pytest.mark.skipif(
    not SHARED.is_dir(), reason="the folder of real elevation data is not beside the checkout"
)


def low_spots(path, limit=0.1):
    with rasterio.open(path) as source:
        values = source.read(1).astype(float)
        values[values == source.nodata] = np.nan
        grid = Grid(values, source.transform, None)
    surface = prepare_surface(grid)
    return grid, find_low_spots(route(surface, no_drains(surface)), limit)


def test_the_huge_closed_basin_of_an_open_lidar_model():
    """The raster shipped with the package `lidar` 0.8.4 holds a basin 15.46 m deep."""
    try:
        listed = files("lidar") or []
    except PackageNotFoundError:
        pytest.skip("the package lidar, which ships the raster, is not installed")
    raster = next(entry for entry in listed if str(entry) == "lidar/data/dem.tif")
    grid, spots = low_spots(raster.locate())
    assert spots.depth[0] == pytest.approx(15.46, abs=0.01)
    assert spots.cells[0] * grid.cell_m2 == pytest.approx(71_885, rel=1e-3)
    assert spots.volume[0] * grid.cell_m2 == pytest.approx(450_069, rel=1e-3)


DELFT = "delft-ahn3/dtm_05m_filled.tif"
ALEXANDRIA = "alexandria-va/dtm_2m.tif"


@needs_shared
@pytest.mark.parametrize(
    ("file", "x", "y", "bed", "spill", "area"),
    [
        (DELFT, 85049.75, 447577.25, 0.084, 0.315, 108),
        (DELFT, 84828.75, 447599.75, 0.480, 0.606, 116),
        (DELFT, 84842.25, 447449.25, 0.269, 0.437, 44),
        (DELFT, 84981.75, 447570.75, 0.079, 0.252, 70),
        (ALEXANDRIA, 321951, 4297907, 12.451, 13.117, 740),
        (ALEXANDRIA, 321549, 4297923, 12.576, 13.013, 336),
        (ALEXANDRIA, 321739, 4297987, 8.032, 8.200, 720),
        (ALEXANDRIA, 321595, 4297931, 7.348, 8.615, 1260),
    ],
)
def test_known_low_spots_of_real_ground(file, x, y, bed, spill, area):
    """Bed and spill level within 1 mm, area within 1 % and a cell."""
    grid, spots = low_spots(SHARED / file)
    number = spots.number[grid.row_column(x, y)] - 1
    assert number >= 0
    assert spots.bed[number] == pytest.approx(bed, abs=1e-3)
    assert spots.spill[number] == pytest.approx(spill, abs=1e-3)
    assert spots.cells[number] * grid.cell_m2 == pytest.approx(area, rel=0.01, abs=grid.cell_m2)


@needs_shared
def test_canal_takes_flow_and_a_pond_under_a_roof_is_an_artefact(tmp_path):
    """With water and buildings given neither is reported as standing water."""
    lot = gpd.GeoDataFrame(geometry=[shapely.box(84980, 447510, 85030, 447560)], crs=28992)
    layers = {"lot": lot}
    for name in ("buildings", "water"):
        layers[name] = gpd.read_file(SHARED / "delft-ahn3" / "bgt.gpkg", layer=name)[["geometry"]]
    paths = {}
    for name, frame in layers.items():
        paths[name] = tmp_path / f"{name}.gpkg"
        frame.to_file(paths[name], layer=name)
    study = run_study(screening_job((SHARED / DELFT,), paths), use_covers=False)
    spots = study.layers["low_spots"]
    canal = layers["water"].union_all().buffer(-1)
    assert not spots[spots["artefact"] == ""].representative_point().within(canal).any()
    pond = spots[spots.contains(shapely.Point(85006.5, 447530.3))]
    assert len(pond) == 1
    assert "building" in pond["artefact"].iloc[0]
    assert study.lot.balance.residual == 0


@needs_shared
def test_feet_and_metres_are_the_same_ground(tmp_path):
    """Elevations in US survey feet, and the same brought to metres."""
    source_path = SHARED / "nm-gully-ft" / "dtm_2ft.tif"
    with rasterio.open(source_path) as source:
        profile, values = source.profile, source.read(1)
    profile.update(dtype="float64", predictor=3)
    with rasterio.open(tmp_path / "m.tif", "w", **profile) as target:
        target.write(values.astype(float) * 1200 / 3937, 1)
    lot = gpd.GeoDataFrame(
        geometry=[shapely.box(1639660, 1454560, 1639740, 1454640)], crs=profile["crs"]
    )
    lot.to_file(tmp_path / "lot.gpkg", layer="lot")
    feet, metres = (
        run_study(
            screening_job((path,), {"lot": tmp_path / "lot.gpkg"}, vertical_unit=unit),
            use_covers=False,
        )
        for path, unit in ((source_path, "us-ft"), (tmp_path / "m.tif", "m"))
    )
    assert feet.lot.balance.on == pytest.approx(metres.lot.balance.on, rel=0.01)
    assert feet.lot.balance.residual == metres.lot.balance.residual == 0
    np.testing.assert_allclose(
        feet.lot.window.surface.elevation, metres.lot.window.surface.elevation, atol=1e-5
    )
    assert len(feet.lot.low_spots) == len(metres.lot.low_spots) == 0
