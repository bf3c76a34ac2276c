"""A lot among the layers of a town: what lies far off changes nothing, and is not read."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from affine import Affine
from shapely import box
from shapely.affinity import translate

import lotflow
from lotflow.inputs import elevation
from lotflow.inputs.open import files_kept
from lotflow.study import lot_water
from lotflow.study.window import LEAST_REACH_M

SAMPLE = Path(lotflow.__file__).parents[1] / "data_samples" / "alder_court"
COPIES = 400


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """The sample's buildings, and the same ones many times, each 300 m farther north."""
    own = gpd.read_file(SAMPLE / "site.gpkg", layer="buildings")
    parts = [own]
    for number in range(1, COPIES):
        far = own.copy()
        far["geometry"] = [translate(shape, 0, 2000 + 300 * number) for shape in own.geometry]
        far["name"] = [f"{name} {number}" for name in own["name"]]
        parts.append(far)
    folder = tmp_path_factory.mktemp("town")
    for name, frame in (("own", own), ("town", pd.concat(parts, ignore_index=True))):
        frame.to_file(folder / f"{name}.gpkg", layer="buildings")
    return folder


def screened(town, name):
    return lotflow.screen(
        SAMPLE / "dem.tif", SAMPLE / "site.gpkg", buildings=town / f"{name}.gpkg", realisations=0
    )


def test_what_lies_far_off_changes_nothing_and_is_not_read(town, monkeypatch):
    own = screened(town, "own")
    read, rows = pyogrio.read_dataframe, []

    def counting(*arguments, **options):
        frame = read(*arguments, **options)
        rows.append(len(frame))
        return frame

    monkeypatch.setattr(pyogrio, "read_dataframe", counting)
    among_many = screened(town, "town")
    assert len(own.layers["buildings"]) * COPIES > 100 * sum(rows)
    for name, layer in own.layers.items():
        pd.testing.assert_frame_equal(layer, among_many.layers[name])
    sources = {one["layer"]: one["rows"] for one in among_many.summary["provenance"]["layers"]}
    assert sources["buildings"] == len(own.layers["buildings"]) * COPIES


def test_a_raster_is_hashed_once_for_many_lots(town, monkeypatch):
    hashed, sha256 = [], elevation.sha256
    monkeypatch.setattr(elevation, "sha256", lambda path: hashed.append(path) or sha256(path))
    with files_kept():
        results = [screened(town, "own") for _ in range(2)]
        assert results[0].summary["provenance"] == results[1].summary["provenance"]
    assert hashed == [SAMPLE / "dem.tif"]


def test_the_layers_are_read_farther_where_the_water_comes_from_farther(tmp_path, monkeypatch):
    """A lot at the foot of a long slope with houses all along: as with every house read at once."""
    long, wide, west, north = 800, 90, 500000.0, 4500000.0
    x = np.arange(long) + 0.5
    ground = np.tile(100 + 0.01 * x, (wide, 1)) + 0.004 * np.abs(np.arange(wide) - 45)[:, None]
    ground += np.random.default_rng(1).normal(scale=0.01, size=ground.shape)
    profile = {
        "driver": "GTiff", "width": long, "height": wide, "count": 1, "dtype": "float32",
        "crs": "EPSG:32618", "transform": Affine(1, 0, west, 0, -1, north),
    }  # fmt: skip
    with rasterio.open(tmp_path / "dem.tif", "w", **profile) as target:
        target.write(ground.astype("float32"), 1)
    lot = box(west + 30, north - 65, west + 60, north - 25)
    houses = [box(west + at, north - 52, west + at + 9, north - 40) for at in range(36, 760, 40)]
    for name, shapes in (("lot", [lot]), ("buildings", houses)):
        gpd.GeoDataFrame(geometry=shapes, crs=32618).to_file(tmp_path / f"{name}.gpkg", layer=name)

    def screened_here():
        return lotflow.screen(
            tmp_path / "dem.tif", tmp_path / "lot.gpkg", buildings=tmp_path / "buildings.gpkg",
            vertical_unit="m", realisations=0,
        )  # fmt: skip

    grown = screened_here()
    within = grown.study.lot.site.within
    assert within[2] > lot.bounds[2] + 2 * LEAST_REACH_M
    everywhere = (west - 1e6, north - 1e6, west + 1e6, north + 1e6)
    monkeypatch.setattr(lot_water, "first_reach", lambda *_: everywhere)
    whole = screened_here()
    assert len(whole.layers["buildings"]) == len(houses)
    for name, layer in whole.layers.items():
        if name != "buildings":
            pd.testing.assert_frame_equal(layer, grown.layers[name])
