"""A lot among the layers of a town: what lies far off changes nothing, and is not read."""

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from shapely.affinity import translate

import lotflow
from lotflow.inputs import elevation
from lotflow.inputs.open import files_kept

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
