"""How sure flow paths are: thin features about as deep as the error do not hold in realisations."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.inputs.job import read_job
from lotflow.inputs.job_tables import Layers
from lotflow.study.confidence import confidence_chapter
from lotflow.study.lot_water import study_lot
from lotflow.terrain.sureness import holding_shares, path_findings

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
