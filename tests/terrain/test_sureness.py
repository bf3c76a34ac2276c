"""How sure low spots and flow paths are, by realisations of the error of the data."""

from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.inputs.job import read_job
from lotflow.inputs.job_tables import Layers
from lotflow.study.confidence import confidence_chapter
from lotflow.study.lot_water import study_lot
from lotflow.terrain.confidence import Realised, Watched, run_realisations
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.level_error import ErrorModel, random_field
from lotflow.terrain.loops.ways import water_in_outlines
from lotflow.terrain.low_spots import Artefact, find_low_spots
from lotflow.terrain.realisations.realisation import realisation_plan, realise
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.sureness import (
    chance_there,
    holding_shares,
    path_findings,
    realised_bounds,
    signs_of_low_spots,
)
from lotflow.terrain.surface import prepare_surface

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
WEST, NORTH, CRS = 600_000.0, 3_300_000.0, "EPSG:26917"
ROWS, COLUMNS = 60, 80


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


def shares_if(lot, share):
    """Every cell drains where it drains here in this share of realisations, else elsewhere."""
    label = lot.inlets.routing.label
    number = np.arange(1, len(lot.names) + 1)[:, None, None]
    return np.where(label == number, share, (1 - share) / len(lot.names) * (label == 0))


def of_paths(lot, shares, number):
    return path_findings(lot.names, lot.paths, lot.inlets.routing, shares, number)


@pytest.mark.parametrize("share", [0.25, 1.0])
def test_a_path_holds_where_its_water_goes_where_it_goes_here(lot, share):
    """To an inlet, or to none: both are the same share of what is drawn."""
    found = holding_shares(lot.paths, lot.inlets.routing, shares_if(lot, share))
    assert found == pytest.approx(np.full(len(lot.paths), share))


def test_of_each_inlet_the_largest_path_that_does_not_hold_is_told(lot):
    label = lot.inlets.routing.label.ravel()
    found = path_findings(
        lot.names, lot.paths, lot.inlets.routing, np.full(len(lot.paths), 0.3), 100
    )
    reached = {lot.names[label[path.cells[0]] - 1] for path in lot.paths
               if label[path.cells[0]] and (path.cells.size - 1) * 0.5 >= 5.0}  # fmt: skip
    assert {one.subject for one in found} == reached
    assert reached
    first = found[0]
    number = lot.names.index(first.subject) + 1
    largest = max((path for path in lot.paths if label[path.cells[0]] == number
                   and (path.cells.size - 1) * 0.5 >= 5.0), key=lambda path: path.area)  # fmt: skip
    assert (first.facts["there"], first.facts["number"]) == (30, 100)
    grid = lot.window.surface.ground
    x, y = grid.xy(*(int(i) for i in np.unravel_index(largest.cells[0], grid.shape)))
    assert (first.x, first.y) == (x, y)


def test_what_holds_or_was_hardly_realised_is_not_told(lot):
    assert of_paths(lot, np.full(len(lot.paths), 0.5), 100) == []
    assert of_paths(lot, np.full(len(lot.paths), 0.3), 19) == []


def swale_job(folder, depth):
    """A slope of 2 % that a swale crosses aslant, which leads its water to an inlet."""
    row, column = np.mgrid[:ROWS, :COLUMNS].astype(float)
    middle = 30.0 + 0.15 * (column - 40.0)
    values = 20.0 - 0.02 * row - depth * np.exp(-(((row - middle) / 1.2) ** 2))
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "height": ROWS,
               "width": COLUMNS, "crs": CRS,
               "transform": Affine(1.0, 0, WEST, 0, -1.0, NORTH)}  # fmt: skip
    with rasterio.open(folder / "dem.tif", "w", **profile) as raster:
        raster.write(values.astype(np.float32), 1)
        raster.units = ("metre",)
    box = shapely.box(WEST + 10, NORTH - 50, WEST + 70, NORTH - 10)
    gpd.GeoDataFrame({"name": ["Slope"]}, geometry=[box], crs=CRS).to_file(
        folder / "site.gpkg", layer="lot"
    )
    inlet = shapely.Point(WEST + 65.5, NORTH - 34.5)
    gpd.GeoDataFrame({"name": ["End of the swale"]}, geometry=[inlet], crs=CRS).to_file(
        folder / "site.gpkg", layer="inlets"
    )
    (folder / "job.toml").write_text(
        '[elevation]\nfile = "dem.tif"\nrmse_m = 0.10\n[layers]\nfile = "site.gpkg"\n'
        "[confidence]\nrealisations = 40\n"
    )
    return folder


@pytest.mark.parametrize(("depth", "holds"), [(0.12, False), (0.70, True)])
def test_the_way_along_a_swale_as_deep_as_the_error_does_not_hold(tmp_path, depth, holds):
    """Seven times the error holds; about the error leaks, whatever the truth is, and is told."""
    chapter = confidence_chapter(study_lot(read_job(swale_job(tmp_path, depth))))
    told = [one for one in chapter.findings if one.rule == "path-hangs-on-detail"]
    assert (not told) == holds
    assert chapter.columns["flow_paths"]["holds_share"].max() <= 1
    if told:
        assert told[0].subject == "End of the swale"
        assert told[0].facts["there"] < 0.5 * told[0].facts["number"] == 20


def test_without_inlets_no_path_is_judged(tmp_path):
    """All water goes to none, in every realisation."""
    job = read_job(swale_job(tmp_path, 0.12))
    lot = study_lot(job)
    bare = study_lot(job.model_copy(update={"layers": lot_alone(tmp_path)}))
    assert np.isfinite(confidence_chapter(lot).columns["flow_paths"]["holds_share"]).all()
    assert bare.paths
    chapter = confidence_chapter(bare)
    assert np.isnan(chapter.columns["flow_paths"]["holds_share"]).all()
    assert not [one for one in chapter.findings if one.rule == "path-hangs-on-detail"]


def lot_alone(folder):
    """The same lot without its inlet."""
    box = gpd.read_file(folder / "site.gpkg", layer="lot")
    box.to_file(folder / "lot.gpkg", layer="lot")
    return Layers(file=folder / "lot.gpkg")


# ------------------------------------------------------------------ low spots

SIZE, LIMIT = 64, 0.10
ERROR = ErrorModel(0.10, 10.0, 0.1)


def surveyed(seed, roughness, bowl=0.0):
    """Natural ground that falls by 1 %, with one bowl: its low spots as measured, and the truth."""
    random = np.random.default_rng(seed)
    wave = np.hypot(np.fft.fftfreq(SIZE)[:, None], np.fft.fftfreq(SIZE))
    wave[0, 0] = np.inf
    spectrum = wave**-4.0
    truth = random_field(spectrum * roughness**2 / spectrum.mean(), random)
    truth += 0.01 * np.arange(SIZE)[:, None]
    row, column = np.ogrid[:SIZE, :SIZE]
    away = np.hypot(row - 32, column - 32) / 6
    truth -= np.where(away < 1, bowl * (1 - away**2), 0)
    measured = truth + random_field(ERROR.spectrum(truth.shape, 1.0), random)
    surface = prepare_surface(Grid(measured, Affine(1, 0, 0, 0, -1, SIZE), None))
    flow = route(surface, no_drains(surface), by_kernel=True)
    spots = find_low_spots(flow, LIMIT)
    plan = realisation_plan(flow, [], snap_m=0.0, pond_depth_m=LIMIT)
    found = realise(plan, truth)
    deep, _ = water_in_outlines(found.ground, found.natural_level, spots.number.ravel(), len(spots))
    watched = Watched(spots.number, len(spots), None, np.array([0]))
    shown = run_realisations(plan, ERROR, watched, number=20, seed=seed, workers=1)
    return spots, shown, deep * LEVEL_STEP >= LIMIT


@pytest.mark.parametrize("roughness", [0.12, 0.3])
def test_what_the_error_dug_is_said_to_be_there_as_often_as_it_is(roughness):
    """The two deepest of each ground: shares of realisations alone are far too sure."""
    there, share, chance = [], [], []
    for seed in range(14):
        spots, shown, is_there = surveyed(seed, roughness)
        told = realised_bounds(shown, spots, ERROR, LIMIT, 1.0)
        there.extend(is_there[:2])
        share.extend(told.share[:2])
        chance.extend(told.probability[:2])
    there, share, chance = (np.array(one, dtype=float) for one in (there, share, chance))
    assert len(there) == 28
    assert share.mean() - there.mean() > 0.15
    assert abs(chance.mean() - there.mean()) < 0.10
    assert np.mean((chance - there) ** 2) < 0.85 * np.mean((share - there) ** 2)


def test_a_bowl_six_errors_deep_is_as_good_as_sure():
    for seed in range(3):
        spots, shown, is_there = surveyed(seed, 0.12, 0.6)
        chance = realised_bounds(shown, spots, ERROR, LIMIT, 1.0).probability
        assert spots.number[32, 32] == 1
        assert is_there[0]
        assert chance[0] > 0.9


def test_more_surfaces_and_more_water_make_a_low_spot_likelier():
    share, full = np.meshgrid(np.linspace(0.005, 0.995, 30), np.geomspace(0.05, 30, 30))
    chance = chance_there(share, full)
    assert ((chance > 0) & (chance < 1)).all()
    assert (np.diff(chance, axis=0) > 0).all()
    assert (np.diff(chance, axis=1) > 0).all()


def test_pits_of_single_cells_are_weaker_signs_than_water_all_over():
    """Four realisations of two outlines, 10 cells each: one pit in each, or the limit all over."""
    depth = np.full((4, 2), 0.12)
    depth[3] = 0.02
    volume = np.array([[0.15, 1.1]] * 3 + [[0.02, 0.1]])
    share, full = signs_of_low_spots(depth, volume, np.array([10, 10]), LIMIT, LIMIT)
    assert share.tolist() == [0.7, 0.7]  # 3.5 of 5: of few surfaces all say little, too
    assert full == pytest.approx([0.1175, 0.85])
    pit, pool = chance_there(share, full)
    assert pit < 0.5 * pool
    empty = signs_of_low_spots(depth, 0 * volume, np.array([10, 10]), LIMIT, LIMIT)[1]
    assert empty.tolist() == [0.05, 0.05]


def test_of_exact_data_a_low_spot_is_there_and_between_buildings_nothing_is_told():
    nothing = np.zeros((1, 0))
    shown = Realised(
        np.array([[0.3, 0.3]]), np.array([[0.9, 0.9]]), nothing, nothing, nothing,
        np.zeros((0, 1, 1), dtype=np.uint16),
    )  # fmt: skip
    spots = SimpleNamespace(artefact=["", Artefact.ENCLOSED], cells=np.array([9, 9]))
    told = realised_bounds(shown, spots, ErrorModel(0.0, 10.0, 0.1), LIMIT, 1.0)
    assert told.probability[0] == 1.0
    assert np.isnan(told.probability[1])
