"""A new job: what is known of the site is copied into the tables to draw in."""

import geopandas as gpd
import pyogrio
import pytest
import shapely

from lotflow.errors import InputError
from lotflow.inputs.job import read_job
from lotflow.layers import DRAWN_TABLES
from lotflow.study.check import check_inputs
from lotflow.study.start import sample_folder, start_job

SAMPLE = sample_folder()
SITE = SAMPLE / "site.gpkg"


def start(folder, units="metric", **layers):
    return start_job(folder, SAMPLE / "dem.tif", SITE, vertical_unit=None, units=units,
                     layers=layers)  # fmt: skip


def test_a_new_job_has_a_table_for_each_geometry_and_nothing_in_it(tmp_path):
    made = start(tmp_path / "job")
    assert made.files == ("job.toml", "site.gpkg")
    assert made.copied == {}
    listed = {name: kind for name, kind in pyogrio.list_layers(tmp_path / "job" / "site.gpkg")
              if kind is not None}  # fmt: skip
    kinds = {"point": "Point", "line": "MultiLineString", "polygon": "MultiPolygon"}
    assert listed == {name: kinds[table.geometry] for name, table in DRAWN_TABLES.items()
                      if name != "lot" and not table.is_optional}  # fmt: skip


@pytest.mark.parametrize("units", ["metric", "us"])
def test_what_is_known_is_copied_and_checks_as_it_did(tmp_path, units):
    """Buildings and inlets of the sample, in the columns of the job's units, and a street."""
    street = gpd.read_file(SITE, layer="covers").query("cover == 'asphalt'")[["geometry"]]
    street.to_file(tmp_path / "road.geojson")
    made = start(tmp_path / "job", units, inlets=SITE, buildings=SITE,
                 streets=tmp_path / "road.geojson")  # fmt: skip
    assert made.copied == {"buildings": 5, "inlets": 2, "inlet_lines": 2, "inlet_areas": 1,
                           "constraint_areas": 1}  # fmt: skip
    drawn = gpd.read_file(tmp_path / "job" / "site.gpkg", layer="inlets").set_index("name")
    width = drawn["grate_width_mm" if units == "metric" else "grate_width_in"]
    assert width["Patio basin"] == pytest.approx(304.8 if units == "metric" else 12.0)
    assert drawn.geometry["Patio basin"] == gpd.read_file(SITE, layer="inlets").set_index(
        "name").geometry["Patio basin"]  # fmt: skip
    streets = gpd.read_file(tmp_path / "job" / "site.gpkg", layer="constraint_areas")
    assert streets["kind"].tolist() == ["street"]
    report = check_inputs(read_job(tmp_path / "job"))
    rows = {one["layer"]: one["rows"] for one in report.layers}
    assert (rows["inlets"], rows["buildings"], rows["constraints"]) == (5, 5, 1)


def test_what_is_ignored_of_it_is_said(tmp_path):
    walls = gpd.read_file(SITE, layer="walls").assign(mason="Smith")
    walls.to_file(tmp_path / "walls.gpkg", layer="walls")
    made = start(tmp_path / "job", walls=tmp_path / "walls.gpkg")
    assert [finding.rule for finding in made.findings] == ["columns-ignored"]
    assert "mason" in made.findings[0].message


def test_a_fault_of_it_makes_no_folder(tmp_path):
    frame = gpd.GeoDataFrame({"name": ["A", "A"]}, geometry=[shapely.Point(600010, 3300010)] * 2,
                             crs=26917)  # fmt: skip
    frame.to_file(tmp_path / "inlets.gpkg", layer="inlets")
    with pytest.raises(InputError, match="names must be unique"):
        start(tmp_path / "job", inlets=tmp_path / "inlets.gpkg")
    assert not (tmp_path / "job").exists()
