"""The files of a whole result: neighbours that leave each other alone, core layers, one project."""

import xml.etree.ElementTree as ET

import pyogrio
import pytest
import rasterio

import lotflow
from lotflow.layers import CORE_LAYERS, RESULT_LAYERS
from lotflow.outputs.result_file import text_file
from lotflow.outputs.result_layers import layers_to_write, water_layer
from lotflow.outputs.result_set import write_result_set
from lotflow.outputs.viewer_files import PROJECT
from lotflow.study.start import sample_folder


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    result = lotflow.run(sample_folder(), realisations=0)
    folder = tmp_path_factory.mktemp("files") / "result"
    result.write(folder)
    return result, folder


def test_no_raster_takes_another_file_for_its_own(made):
    """GDAL lists, copies and deletes with a raster what its drivers take for side files."""
    _, folder = made
    rasters = sorted(folder.glob("*.tif"))
    assert len(rasters) > 5
    for path in rasters:
        with rasterio.open(path) as source:
            assert source.files == [str(path)]


def test_a_file_of_the_name_that_was_left_is_taken_for_one(made, tmp_path):
    """The test above would see it: `summary.txt` belongs to a satellite's product."""
    _, folder = made
    path = tmp_path / "ground.tif"
    path.write_bytes((folder / "ground.tif").read_bytes())
    (tmp_path / "summary.txt").write_text("text")
    with rasterio.open(path) as source:
        assert len(source.files) == 2


def test_a_result_with_the_old_name_is_replaced_whole(tmp_path):
    told = {"schema_version": "1"}
    write_result_set(tmp_path / "r", [text_file("summary.txt", "old")], told)
    write_result_set(tmp_path / "r", [text_file("overview.txt", "new")], told, overwrite=True)
    assert {path.name for path in (tmp_path / "r").iterdir()} == {"overview.txt", "summary.json"}


def test_core_layers_are_there_and_others_only_with_rows(made):
    result, folder = made
    held = {name: pyogrio.read_info(folder / "result.gpkg", layer=name)["features"]
            for name in pyogrio.list_layers(folder / "result.gpkg")[:, 0]}  # fmt: skip
    assert set(CORE_LAYERS) <= set(held)
    assert all(rows for name, rows in held.items() if name not in CORE_LAYERS)
    assert set(result.study.layers) - set(held) == {
        name for name, frame in result.study.layers.items()
        if not len(frame) and name not in CORE_LAYERS
    }  # fmt: skip
    none = {name: frame.iloc[:0] for name, frame in result.study.layers.items()}
    assert set(layers_to_write(none, "us")) == {*CORE_LAYERS, "layer_styles"}


def test_inlets_are_points_and_those_drawn_longer_have_a_layer_of_their_shape(made):
    result, folder = made
    drawn = result.study.layers["inlets"].set_index("name").geometry
    lines = pyogrio.read_dataframe(folder / "result.gpkg", layer="inlet_lines")
    points = pyogrio.read_dataframe(folder / "result.gpkg", layer="inlets").set_index("name")
    assert list(lines["name"]) == ["Garage channel"]
    assert lines.geometry[0].equals(drawn["Garage channel"])
    assert set(points.geometry.geom_type) == {"Point"}
    assert (points.geometry.distance(drawn.set_crs(points.crs)) < 1e-6).all()


def test_the_project_names_files_beside_it_and_begins_at_the_lot(made):
    """All sources are relative and there; the first view is no larger than the lot needs."""
    result, folder = made
    root = ET.fromstring((folder / PROJECT).read_text("utf-8"))
    sources = [one.text.split("|")[0] for one in root.iter("datasource")]
    assert sources
    assert all(source.startswith("./") and (folder / source).is_file() for source in sources)
    box = [float(one.text) for one in root.find("mapcanvas/extent")]
    west, south, east, north = result.study.layers["lot"].total_bounds
    assert box[0] < west < east < box[2] < east + 0.5 * (east - west) + 0.5 * (north - south)
    assert box[1] < south < north < box[3]
    assert (folder / PROJECT).stat().st_size < 300_000
    groups = [one.get("name") for one in root.findall("layer-tree-group/layer-tree-group")]
    assert groups == ["Answer and findings", "Places", "Drains", "Water", "Ground"]
    ids = [one.text for one in root.findall("projectlayers/maplayer/id")]
    assert all(len(one) > 10 for one in ids)  # a shorter one is not read
    assert len(set(ids)) == len(ids) == len(sources)


def test_every_layer_with_shapes_has_looks_that_open_with_it(made):
    _, folder = made
    styles = pyogrio.read_dataframe(folder / "result.gpkg", layer="layer_styles", fid_as_index=True)
    assert styles.index.name == "fid"
    shapes = {name for name, kind in pyogrio.list_layers(folder / "result.gpkg") if kind}
    assert set(styles["f_table_name"]) == shapes
    assert set(styles["f_table_schema"]) == set(styles["f_table_catalog"]) == {""}
    assert styles["useAsDefault"].all()
    assert {name for name, layer in RESULT_LAYERS.items() if layer.geometries} >= shapes
    assert set(styles["update_time"]) == {"1970-01-01T00:00:00.000Z"}


def test_the_same_result_has_the_same_files(made, tmp_path):
    result, folder = made
    result.write(tmp_path / "again", pack=False)
    for name in ("result.gpkg", "overview.txt", "ground.tif"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes()


def test_water_seen_on_the_map_is_a_layer(made):
    result, _ = made
    site = result.study.lot.site
    layer = water_layer(site.lot.assign(name="Creek"))
    assert list(layer["name"]) == ["Creek"] * len(site.lot)
    told = layers_to_write({**result.study.layers, "water": layer}, "us")
    assert "water" in set(told["layer_styles"]["f_table_name"])
