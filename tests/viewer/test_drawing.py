"""
The file to draw in, as the open-source viewer QGIS opens it and writes into it.

Run where the viewer is installed: `pytest tests/viewer -m viewer`.
"""

import json

import geopandas as gpd
import pytest
import shapely

from lotflow.inputs.job import read_job
from lotflow.inputs.site import find_site_files, read_site
from lotflow.layers import DRAWN_TABLES
from lotflow.study.check import check_inputs
from lotflow.study.start import sample_folder, start_job

SAMPLE = sample_folder()
TABLES = [name for name, one in DRAWN_TABLES.items() if name != "lot" and not one.is_optional]
#: How the viewer writes that none of a list is chosen.
NOTHING = "{2839923C-8B7D-419E-B84B-CA2FE9B80EC7}"
GEOMETRIES = {"point": "Point", "line": "MultiLineString", "polygon": "MultiPolygon"}


pytestmark = pytest.mark.viewer


@pytest.fixture(scope="module", params=["us", "metric"])
def job(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("viewer") / "job"
    start_job(folder, SAMPLE / "dem.tif", SAMPLE / "site.gpkg", vertical_unit=None,
              units=request.param)  # fmt: skip
    return folder, request.param


@pytest.fixture(scope="module")
def told(job, viewer):
    return viewer("layers", job[0] / "site.gpkg")[str(job[0] / "site.gpkg")]


def test_every_layer_loads_with_one_geometry_and_its_own_style(told):
    assert {name: told[name]["geometry"] for name in TABLES} == {
        name: GEOMETRIES[DRAWN_TABLES[name].geometry] for name in TABLES}  # fmt: skip
    for name in TABLES:
        assert told[name]["valid"], name
        assert told[name]["renderer"] == "RuleRenderer", name
        assert told[name]["faulty_filters"] == [], name


def test_fields_are_named_and_of_the_kind_that_fits(told, job):
    for name in TABLES:
        for column in DRAWN_TABLES[name].columns:
            field = told[name]["fields"][column.drawn_name(job[1])]
            assert field["alias"].startswith(column.label)
            assert field["owed"] == column.required
            if column.choices:
                assert [one for one in field["choices"] if one != NOTHING] == list(column.choices)
            elif column.kind == "number":
                assert field["widget"] == "TextEdit"  # a spin box takes whole numbers only
            elif column.kind == "yes_no":
                assert field["widget"] == "CheckBox"
            elif column.kind == "date":
                assert field["widget"] == "DateTime"


def row_of(name, units):
    """A row with every value owed, the last of each list, and a number with decimals."""
    row = {}
    for column in DRAWN_TABLES[name].columns:
        if column.choices:
            row[column.drawn_name(units)] = column.choices[-1]
        elif column.required:
            row[column.drawn_name(units)] = f"one of {name}"
    numbers = [column for column in DRAWN_TABLES[name].columns if column.name == "open_share"]
    return row | {column.name: 0.4 for column in numbers}


def test_a_row_that_is_filled_in_is_written_and_one_that_lacks_a_value_is_not(job, viewer):
    folder, units = job
    rows = {name: [row_of(name, units), {}] for name in TABLES}
    for name, (added, bare) in viewer("add_each", folder / "site.gpkg", json.dumps(rows)).items():
        assert added["done"], (name, added["errors"])
        is_owed = any(column.required for column in DRAWN_TABLES[name].columns)
        assert bare["done"] != is_owed, name
    assert gpd.read_file(folder / "site.gpkg", layer="inlets")["open_share"].tolist() == [0.4]
    # the viewer drew at the origin of the coordinates: what it wrote is read as it was meant
    files, _ = find_site_files(folder / "site.gpkg", {})
    files["lot"] = read_job(folder).layers.own()["lot"]
    site = read_site(files, crs=gpd.read_file(SAMPLE / "site.gpkg", layer="lot").crs,
                     vertical_unit="m")  # fmt: skip
    assert site.inlets["kind"].tolist() == ["area drain", "french drain"]
    assert site.constraints.geom_type.tolist() == ["Point", "LineString", "MultiPolygon"] or (
        site.constraints.geom_type.tolist() == ["Point", "LineString", "Polygon"])  # fmt: skip
    assert site.drain_lines.geometry[0] == shapely.LineString([(0, 0), (10, 5)])


def test_a_default_of_the_form_is_written(job, tmp_path, viewer):
    folder, _ = job
    path = tmp_path / "site.gpkg"
    path.write_bytes((folder / "site.gpkg").read_bytes())
    assert viewer("add", path, "inlet_lines", json.dumps({"name": "Drive"}))["done"]
    row = gpd.read_file(path, layer="inlet_lines").set_index("name").loc["Drive"]
    assert (row["kind"], row["status"]) == ("channel drain", "existing")


def test_what_was_drawn_passes_the_check(tmp_path, viewer):
    """A channel drain drawn in the viewer, moved onto the lot, and the inputs judged."""
    folder = tmp_path / "job"
    start_job(folder, SAMPLE / "dem.tif", SAMPLE / "site.gpkg", vertical_unit=None,
              units="metric", layers={"buildings": SAMPLE / "site.gpkg"})  # fmt: skip
    at = gpd.read_file(SAMPLE / "site.gpkg", layer="lot").geometry[0].centroid
    place = {"wkt": f"LINESTRING({at.x} {at.y + 6}, {at.x + 3} {at.y + 6})"}
    added = viewer("add", folder / "site.gpkg", "inlet_lines", json.dumps({"name": "Drive"}),
                   json.dumps(place))  # fmt: skip
    assert added["done"], added["errors"]
    report = check_inputs(read_job(folder))
    assert {one["layer"]: one["rows"] for one in report.layers}["inlets"] == 1
