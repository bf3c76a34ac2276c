"""
A result as the open-source viewer QGIS opens it: layers, looks, rasters, and the whole project.

Run where the viewer is installed: `pytest tests/viewer -m viewer`.
"""

import pytest

import lotflow
from lotflow.layers import RESULT_LAYERS
from lotflow.study.start import sample_folder

KINDS = {"point": "Point", "line": "LineString", "polygon": "MultiPolygon"}


pytestmark = pytest.mark.viewer


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A copy is opened: the viewer may write into what it opens."""
    made = tmp_path_factory.mktemp("viewer") / "result"
    lotflow.run(sample_folder(), realisations=0).write(made)
    return made


@pytest.fixture(scope="module")
def layers(folder, viewer):
    (told,) = viewer("layers", folder / "result.gpkg").values()
    return told


def test_every_layer_opens_with_its_geometry(layers):
    for name, layer in layers.items():
        assert layer["valid"], name
        (kind,) = RESULT_LAYERS[name].geometries or ("none",)
        assert layer["geometry"] == KINDS.get(kind, "NoGeometry"), name


def test_every_layer_opens_with_its_looks_and_draws_something(layers):
    """Marked by rules of its own; the filters parse, name columns that exist, and let rows by."""
    drawn = {name: layer for name, layer in layers.items() if RESULT_LAYERS[name].geometries}
    assert len(drawn) > 15
    for name, layer in drawn.items():
        assert layer["renderer"] == "RuleRenderer", name
        assert layer["faulty_filters"] == [], name
        assert layer["pixels"] > 50, name
    labelled = {name for name, layer in drawn.items() if layer["labels"]}
    assert {"inlets", "drain_lines", "low_spots", "lot_line_crossings", "openings"} <= labelled


def test_columns_open_with_their_titles_and_choices(layers):
    fields = layers["lot_line_crossings"]["fields"]
    assert fields["area_m2"]["alias"].startswith("Drains to it")
    assert fields["direction"]["widget"] in {"ValueMap", "TextEdit"}
    assert set(layers["findings"]["fields"]["severity"]["choices"] or ()) == {
        "fail", "warn", "note",
    }  # fmt: skip


def test_rasters_open_with_their_looks(folder, viewer):
    told = viewer("raster", folder / "ground.tif", folder / "pond_depth_100yr.tif")
    ground, ponds = (told[str(folder / name)] for name in ("ground.tif", "pond_depth_100yr.tif"))
    assert (ground["valid"], ground["renderer"]) == (True, "hillshade")
    assert (ponds["valid"], ponds["renderer"]) == (True, "singlebandpseudocolor")
    assert ground["pixels"] > 10_000
    assert 50 < ponds["pixels"] < 10_000  # dry ground is clear


def test_the_project_opens_everything_in_order(folder, tmp_path, viewer):
    told = viewer("project", folder / "result.qgs", tmp_path / "project.png")
    assert told["read"]
    assert all(told["valid"].values())
    assert told["groups"] == ["Answer and findings", "Places", "Drains", "Water", "Ground"]
    shown = told["shown"]
    assert shown[-1] == "Ground elevation"
    assert {"Lot", "Inlets", "Drain lines", "Ponds of the 100-year storm"} <= set(shown)
    assert "Ways for gravity to lower places" not in shown
    assert told["renderers"]["Ground elevation"] == "hillshade"
    assert told["pixels"] > 100_000
