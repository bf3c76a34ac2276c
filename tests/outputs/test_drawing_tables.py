"""The file to draw in: what it tells viewers, by the open standard and in the viewer's words."""

import sqlite3
import xml.etree.ElementTree as ET
from contextlib import closing

import geopandas as gpd
import pyogrio
import pytest
import shapely
from pyproj import CRS

from lotflow.errors import InputError
from lotflow.inputs.site import empty_layers, find_site_files, read_site
from lotflow.layers import DRAWN_TABLES
from lotflow.outputs.drawing_tables import LOOKS, drawing_style
from lotflow.outputs.job_folder import layers_file

UTM = CRS(32618)


@pytest.fixture(scope="module", params=["us", "metric"])
def drawing(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("drawing") / "site.gpkg"
    tables = empty_layers(UTM, request.param)
    path.write_bytes(layers_file("site.gpkg", tables, request.param).content)
    return path, request.param


def rows(path, statement):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(statement).fetchall()


def test_the_schema_extension_is_registered_and_refers_to_what_is_there(drawing):
    """OGC 12-128r15, requirements 88 (extension rows) and 103 to 110 (tables of annex F.9)."""
    path, _ = drawing
    registered = rows(path, "SELECT table_name FROM gpkg_extensions "
                            "WHERE extension_name = 'gpkg_schema'")  # fmt: skip
    assert {name for (name,) in registered} == {
        "gpkg_data_columns", "gpkg_data_column_constraints"}  # fmt: skip
    told = rows(path, "SELECT table_name, column_name, constraint_name FROM gpkg_data_columns")
    rules = {name for (name,) in
             rows(path, "SELECT constraint_name FROM gpkg_data_column_constraints")}  # fmt: skip
    for table, column, rule in told:
        assert column in pyogrio.read_info(path, layer=table)["fields"]
        assert rule is None or rule in rules
    kinds = rows(path, "SELECT DISTINCT constraint_type FROM gpkg_data_column_constraints")
    assert {kind for (kind,) in kinds} == {"enum", "range"}
    (whole,) = rows(path, "PRAGMA integrity_check")
    assert whole == ("ok",)


def test_bounds_and_headings_are_in_the_unit_of_the_column(drawing):
    """A grate may be 0.02 to 3 m wide: 20 to 3000 mm, 0.787402 to 118.11 in."""
    path, units = drawing
    name, low, high, heading = {
        "us": ("grate_width_in", 0.787402, 118.11, "Grate width [in]"),
        "metric": ("grate_width_mm", 20.0, 3000.0, "Grate width [mm]"),
    }[units]
    (found,) = rows(
        path, "SELECT c.title, r.min, r.max FROM gpkg_data_columns c JOIN "
        "gpkg_data_column_constraints r USING (constraint_name) "
        f"WHERE table_name = 'inlets' AND column_name = '{name}'")  # fmt: skip
    assert found == (heading, low, high)


def test_what_is_owed_is_demanded_and_the_status_of_a_new_row_is_existing(drawing, tmp_path):
    path, _ = drawing
    copy = tmp_path / "site.gpkg"
    copy.write_bytes(path.read_bytes())
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute("INSERT INTO inlets (name) VALUES ('A')")
        assert connection.execute("SELECT status FROM inlets").fetchall() == [("existing",)]
        connection.execute("INSERT INTO inlet_lines (name) VALUES ('C')")
        assert connection.execute("SELECT kind FROM inlet_lines").fetchall() == [
            ("channel drain",)]  # fmt: skip
        with pytest.raises(
            sqlite3.IntegrityError, match=r"NOT NULL constraint failed: inlets\.name"
        ):
            connection.execute("INSERT INTO inlets (kind) VALUES ('area drain')")
        with pytest.raises(sqlite3.IntegrityError, match=r"constraint_points\.kind"):
            connection.execute("INSERT INTO constraint_points (name) VALUES ('oak')")


def test_every_table_has_a_title_a_meaning_and_one_default_style(drawing):
    path, _ = drawing
    titles = rows(path, "SELECT table_name, identifier, description FROM gpkg_contents "
                        "WHERE data_type = 'features'")  # fmt: skip
    assert titles == [(name, table.title, table.meaning) for name, table in DRAWN_TABLES.items()
                      if not table.is_optional]  # fmt: skip
    styles = rows(path, "SELECT f_table_name, f_geometry_column, useAsDefault, styleQML, styleSLD "
                        "FROM layer_styles")  # fmt: skip
    assert [(name, geometry, default) for name, geometry, default, _, _ in styles] == [
        (name, "geom", 1) for name, _, _ in titles]  # fmt: skip
    for _, _, _, native, open_style in styles:
        assert ET.fromstring(native).tag == "qgis"
        assert ET.fromstring(open_style).tag.endswith("StyledLayerDescriptor")


def test_every_row_has_a_look_whatever_its_status():
    for name, rules in LOOKS.items():
        assert any(not rule.column for rule in rules), name
    assert set(LOOKS) == set(DRAWN_TABLES)


@pytest.mark.parametrize("table", DRAWN_TABLES.values(), ids=lambda table: table.name)
def test_fields_of_a_form_take_decimals_lists_and_boxes(table):
    """A number is typed as text that must be a number: a spin box would take whole ones only."""
    root = ET.fromstring(drawing_style(table, "us"))
    widgets = {field.get("name"): field.find("editWidget").get("type")
               for field in root.find("fieldConfiguration")}  # fmt: skip
    for column in table.columns:
        expected = ("ValueMap" if column.choices else
                    "CheckBox" if column.kind == "yes_no" else
                    "DateTime" if column.kind == "date" else "TextEdit")  # fmt: skip
        assert widgets[column.drawn_name("us")] == expected
    assert widgets["fid"] == "Hidden"


def test_the_same_tables_give_the_same_bytes_on_any_day():
    made = []
    try:
        for day in ("2025-01-01", "2031-02-03"):
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{day}T00:00:00.000Z"})
            made.append(layers_file("a", empty_layers(UTM, "us"), "us").content)
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    assert made[0] == made[1]


def drawn(path, **given):
    """Draw a lot and further rows as a viewer does: by SQL into the tables that are there."""
    tables = {"lot": [(None, shapely.box(0, 0, 30, 40))], **given}
    with closing(sqlite3.connect(path)) as connection, connection:
        for table, shapes in tables.items():
            for name, shape in shapes:
                blob = b"GP\x00\x01" + (32618).to_bytes(4, "little") + shapely.to_wkb(
                    shape, byte_order=1)  # fmt: skip
                connection.execute(f"INSERT INTO {table} (name, geom) VALUES (?, ?)", (name, blob))


def read(path):
    return read_site(find_site_files(path, {})[0], crs=UTM, vertical_unit="m")


def test_a_file_with_forms_edited_styles_and_triggers_is_read_and_left_alone(drawing, tmp_path):
    path = tmp_path / "site.gpkg"
    path.write_bytes(drawing[0].read_bytes())
    drawn(path, inlet_lines=[("C", shapely.LineString([(0, 0), (4, 0)]))],
          inlets=[("A", shapely.Point(5, 5))])  # fmt: skip
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE layer_styles SET styleQML = 'mine', styleName = 'mine'")
        connection.execute("CREATE TABLE jobs_done (name TEXT)")
        connection.execute("CREATE TRIGGER noted AFTER INSERT ON inlets BEGIN "
                           "INSERT INTO jobs_done VALUES (NEW.name); END")  # fmt: skip
    before = path.read_bytes()
    site = read(path)
    assert site.inlets["name"].tolist() == ["A", "C"]
    assert site.findings == ()
    assert path.read_bytes() == before


def test_a_line_of_no_length_or_one_point_is_told_and_named(drawing, tmp_path):
    path = tmp_path / "site.gpkg"
    path.write_bytes(drawing[0].read_bytes())
    drawn(path, drain_lines=[("L", shapely.LineString([(1, 1), (1, 1)]))])
    with pytest.raises(InputError, match="layer drain_lines, row 1: the line has no length"):
        read(path)


def test_a_value_outside_its_list_is_told_with_the_one_that_was_meant(drawing, tmp_path):
    path = tmp_path / "site.gpkg"
    path.write_bytes(drawing[0].read_bytes())
    drawn(path, inlet_lines=[("C", shapely.LineString([(0, 0), (4, 0)]))])
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE inlet_lines SET kind = 'chanel drain'")
    with pytest.raises(InputError, match=r"row 1, kind = 'chanel drain': .* 'channel drain'"):
        read(path)


def test_a_file_that_a_viewer_holds_open_is_read_and_one_it_locks_to_write_too(drawing, tmp_path):
    """A viewer keeps its journal beside the file; what it has not committed is not read."""
    path = tmp_path / "site.gpkg"
    path.write_bytes(drawing[0].read_bytes())
    drawn(path, inlets=[("A", shapely.Point(5, 5))])
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("BEGIN EXCLUSIVE")
        connection.execute("UPDATE inlets SET name = 'B'")
        assert read(path).inlets["name"].tolist() == ["A"]
        connection.rollback()


def test_a_frame_of_the_usual_library_adds_rows_to_the_tables(drawing, tmp_path):
    path = tmp_path / "site.gpkg"
    path.write_bytes(drawing[0].read_bytes())
    drawn(path)
    rows = gpd.GeoDataFrame({"kind": ["tree"]}, geometry=[shapely.Point(3, 3)], crs=UTM)
    pyogrio.write_dataframe(rows, path, layer="constraint_points", append=True)
    assert read(path).constraints["kind"].tolist() == ["tree"]
