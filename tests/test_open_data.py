"""Open elevation data: what is known of it comes out."""

from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyflwdir
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import CRS
from rasterio.features import rasterize
from skimage.morphology import reconstruction

from lotflow.criteria import Criteria
from lotflow.grid import Grid
from lotflow.inputs.job import screening_job
from lotflow.study import run_study
from lotflow.terrain.kernels import priority_flood
from lotflow.terrain.low_spots import Artefact, find_low_spots
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface
from lotflow.units import METRES_PER_US_SURVEY_FOOT

SHARED = Path(__file__).parents[1].parent / "shared" / "data"
needs_shared = pytest.mark.skipif(
    not SHARED.is_dir(), reason="the folder of real elevation data is not beside the checkout"
)


def ground(path):
    with rasterio.open(path) as source:
        values = source.read(1).astype(float)
        values[values == source.nodata] = np.nan
        return Grid(values, source.transform, None)


def low_spots(path, limit=0.1):
    grid = ground(path)
    surface = prepare_surface(grid)
    return grid, find_low_spots(route(surface, no_drains(surface)), limit)


def lidar_model():
    """The raster shipped with the package `lidar` 0.8.4."""
    try:
        listed = files("lidar") or []
    except PackageNotFoundError:
        pytest.skip("the package lidar, which ships the raster, is not installed")
    return next(entry for entry in listed if str(entry) == "lidar/data/dem.tif").locate()


def test_the_huge_closed_basin_of_an_open_lidar_model():
    """It holds a basin 15.46 m deep."""
    grid, spots = low_spots(lidar_model())
    assert spots.depth[0] == pytest.approx(15.46, abs=0.01)
    assert spots.cells[0] * grid.cell_m2 == pytest.approx(71_885, rel=1e-3)
    assert spots.volume[0] * grid.cell_m2 == pytest.approx(450_069, rel=1e-3)


def filled_otherwise(surface, elevation):
    """scikit-image 0.24 and later: reconstruction by erosion, from what lies outside."""
    start = np.where(surface.outside, elevation, elevation.max())
    return reconstruction(start, elevation, method="erosion", footprint=np.ones((3, 3)))


def check_fill(path):
    """The engine's filled surface and the kernel's are that of scikit-image, to the last bit."""
    surface = prepare_surface(ground(path))
    routing = route(surface, no_drains(surface))
    expected = filled_otherwise(surface, routing.elevation)
    np.testing.assert_array_equal(routing.field.filled, expected)
    np.testing.assert_array_equal(priority_flood(routing.elevation, surface.outside), expected)


def test_filled_surface_of_an_open_lidar_model_is_that_of_scikit_image():
    """160 000 cells, 46 % of them in depressions."""
    check_fill(lidar_model())


DELFT = "delft-ahn3/dtm_05m_filled.tif"
ALEXANDRIA = "alexandria-va/dtm_2m.tif"
NEW_MEXICO = "nm-gully-ft/dtm_2ft.tif"
#: EPSG:2903 with its coordinates in metres (EPSG registry: projection method 9807).
NEW_MEXICO_METRES = CRS.from_string(
    "+proj=tmerc +lat_0=31 +lon_0=-106.25 +k=0.9999 +x_0=500000 +y_0=0 +ellps=GRS80 +units=m "
    "+no_defs +type=crs"
)


@needs_shared
@pytest.mark.parametrize("file", [DELFT, ALEXANDRIA, NEW_MEXICO])
def test_filled_surface_of_real_ground_is_that_of_scikit_image(file):
    """Flat and steep, with gaps and without."""
    check_fill(SHARED / file)


@needs_shared
@pytest.mark.parametrize("file", [DELFT, ALEXANDRIA, NEW_MEXICO])
def test_catchments_of_real_ground_are_the_basins_of_pyflwdir(file):
    """Every cell's way out, on our directions: the same cells for each of the ways out."""
    surface = prepare_surface(ground(SHARED / file))
    field = route(surface, no_drains(surface)).field
    d8 = np.array([0, 16, 32, 64, 128, 1, 2, 4, 8], dtype=np.uint8)  # pyflwdir: E is 1, clockwise
    flow = pyflwdir.from_array(d8[field.direction], ftype="d8", check_ftype=False)
    outs = np.flatnonzero(field.direction.ravel() == 0)
    number = np.zeros(field.direction.shape, dtype=np.int32)
    number.ravel()[outs] = np.arange(1, outs.size + 1)
    expected = flow.basins(idxs=outs, ids=np.arange(1, outs.size + 1, dtype=np.uint32))
    np.testing.assert_array_equal(field.labels(number), expected)


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


@pytest.fixture(scope="module")
def block_in_delft(tmp_path_factory):
    """A lot between row houses and canal, with its buildings and water."""
    folder = tmp_path_factory.mktemp("delft")
    layers = {"lot": gpd.GeoDataFrame(geometry=[shapely.box(84980, 447510, 85030, 447560)],
                                      crs=28992)}  # fmt: skip
    for name in ("buildings", "water"):
        layers[name] = gpd.read_file(SHARED / "delft-ahn3" / "bgt.gpkg", layer=name)[["geometry"]]
    paths = {name: folder / f"{name}.gpkg" for name in layers}
    for name, frame in layers.items():
        frame.to_file(paths[name], layer=name)
    return layers, run_study(screening_job((SHARED / DELFT,), paths), use_covers=False)


@needs_shared
def test_canal_takes_flow_cell_by_cell(block_in_delft):
    """Each of its cells swallows water at its own level; no low spot reaches into it."""
    layers, study = block_in_delft
    grid, lot = study.lot.window.surface.ground, study.lot
    canal, houses = (
        rasterize(layers[name].geometry, grid.shape, transform=grid.transform).astype(bool)
        for name in ("water", "buildings")
    )
    canal &= ~houses
    assert (canal & lot.window.lot).sum() > 300
    np.testing.assert_array_equal(lot.window.surface.water, canal)
    assert (lot.natural.field.direction[canal] == 0).all()
    np.testing.assert_array_equal(lot.natural.field.filled[canal], lot.natural.elevation[canal])
    assert (lot.low_spots.water[canal] == 0).all()
    assert set(np.unique(lot.low_spots.number[canal])) <= {
        number
        for number, flag in enumerate(lot.low_spots.artefact, 1)
        if flag == Artefact.IN_BUILDING
    } | {0}


@needs_shared
def test_without_its_water_layer_the_canal_is_filled_to_the_bridges():
    """6,924 m2, 0.66 m deep, 1,077 m3; with the layer nothing of it is left."""
    grid, spots = low_spots(SHARED / DELFT)
    largest = int(np.argmax(spots.cells))
    assert spots.cells[largest] * grid.cell_m2 == pytest.approx(6924, rel=0.01)
    assert spots.depth[largest] == pytest.approx(0.66, abs=0.01)
    assert spots.volume[largest] * grid.cell_m2 == pytest.approx(1077, rel=0.01)
    water = gpd.read_file(SHARED / "delft-ahn3" / "bgt.gpkg", layer="water").geometry
    wet = prepare_surface(grid, water=list(water))
    left = find_low_spots(route(wet, no_drains(wet)), 0.1)
    assert not left.number[wet.water].any()
    assert left.cells.max() * grid.cell_m2 < 1000


@needs_shared
def test_a_pond_under_a_roof_is_an_artefact(block_in_delft):
    """0.77 m in the terrain model; nothing stands there, and it is said why."""
    _, study = block_in_delft
    spots = study.layers["low_spots"]
    pond = spots[spots.contains(shapely.Point(85006.5, 447530.3))]
    assert len(pond) == 1
    assert pond["artefact"].iloc[0] == Artefact.IN_BUILDING
    assert study.lot.balance.residual == 0


def in_metres(source_path, folder):
    """The same cells with levels and coordinates in metres."""
    with rasterio.open(source_path) as source:
        profile, values = source.profile, source.read(1)
    assert CRS(profile["crs"]) == CRS(2903)
    scale = Affine.scale(METRES_PER_US_SURVEY_FOOT)
    profile.update(
        dtype="float64", predictor=3, crs=NEW_MEXICO_METRES, transform=scale @ profile["transform"]
    )
    with rasterio.open(folder / "m.tif", "w", **profile) as target:
        target.write(values.astype(float) * METRES_PER_US_SURVEY_FOOT, 1)
        target.units = ("metre",)
    return folder / "m.tif"


@needs_shared
@pytest.mark.parametrize("limit", [0.02, 0.1])
def test_feet_and_metres_are_the_same_ground(tmp_path, limit):
    """Levels and coordinates in US survey feet, and both brought to metres."""
    source_path = SHARED / NEW_MEXICO
    metric_path = in_metres(source_path, tmp_path)
    feet_lot = shapely.box(1639660, 1454560, 1639740, 1454640)
    metric_lot = shapely.transform(feet_lot, lambda xy: xy * METRES_PER_US_SURVEY_FOOT)
    studies = []
    for path, lot, crs, unit in (
        (source_path, feet_lot, CRS(2903), "us-ft"),
        (metric_path, metric_lot, NEW_MEXICO_METRES, "m"),
    ):
        file = tmp_path / f"lot_{unit}.gpkg"
        gpd.GeoDataFrame(geometry=[lot], crs=crs).to_file(file, layer="lot")
        job = screening_job((path,), {"lot": file}, vertical_unit=unit)
        job = job.model_copy(update={"criteria": Criteria(low_spot_depth_m=limit)})
        studies.append(run_study(job, use_covers=False))
    feet, metres = (study.lot for study in studies)
    area = feet.window.surface.ground.cell_m2
    assert area == pytest.approx(metres.window.surface.ground.cell_m2, rel=1e-9)
    assert feet.balance.on * area == pytest.approx(metres.balance.on * area, rel=1e-9)
    assert feet.balance.off * area == pytest.approx(metres.balance.off * area, rel=1e-9)
    assert feet.balance.residual == metres.balance.residual == 0
    np.testing.assert_array_equal(feet.natural.elevation, metres.natural.elevation)
    np.testing.assert_array_equal(feet.natural.field.direction, metres.natural.field.direction)
    spots = [study.layers["low_spots"] for study in studies]
    assert len(spots[0]) == len(spots[1])
    assert (len(spots[0]) > 3) == (limit == 0.02)  # none deeper than 7 cm, many of 2
    for column in ("depth_m", "area_m2", "volume_m3", "bed_elevation_m", "spill_elevation_m",
                   "contributing_area_m2"):  # fmt: skip
        np.testing.assert_allclose(spots[0][column], spots[1][column], rtol=1e-9)
    np.testing.assert_allclose(spots[0]["x"] * METRES_PER_US_SURVEY_FOOT, spots[1]["x"])
