"""The GeoPackage of a result holds exactly the declared layers, and a damaged one is found out."""

import os
import re
import shutil
import sqlite3
import subprocess
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pyogrio import raw
from pyproj import CRS, Transformer

from lotflow.errors import OutputError
from lotflow.layers import CORE_LAYERS, RESULT_LAYERS
from lotflow.outputs.geopackage import geopackage_file, verify_geopackage, write_geopackage
from lotflow.outputs.typed_tables import common_crs, typed_tables

METADATA = {"run_id": "0123", "program": "lotflow <&> 'x' é"}
SPATIAL = [layer.name for layer in RESULT_LAYERS.values() if layer.geometries]


@pytest.fixture(scope="module")
def made(make_layers, tmp_path_factory):
    """Layers and the file of them, written once: only copied from."""
    layers, path = make_layers(), tmp_path_factory.mktemp("made") / "result.gpkg"
    write_geopackage(path, layers, metadata=METADATA)
    return layers, path


@pytest.fixture
def layers(made):
    """A copy, since some tests put other values in."""
    return {name: frame.copy() for name, frame in made[0].items()}


@pytest.fixture
def written(made, tmp_path):
    """A copy, since some tests damage it."""
    return shutil.copy(made[1], tmp_path / "result.gpkg")


def change(path, *statements):
    """Damage a file behind its writer's back."""
    with closing(sqlite3.connect(path)) as connection:
        # the triggers that keep the index would ask for functions only the driver has
        triggers = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in triggers.fetchall():
            connection.execute(f'DROP TRIGGER "{name}"')
        for statement in statements:
            connection.execute(statement)
        connection.commit()


def test_every_layer_has_the_declared_columns_in_the_declared_order(written):
    assert pyogrio.list_layers(written)[:, 0].tolist() == list(RESULT_LAYERS)
    for layer in RESULT_LAYERS.values():
        fields = pyogrio.read_info(written, layer=layer.name)["fields"].tolist()
        assert fields == [column.name for column in layer.columns]


@pytest.mark.parametrize("name", SPATIAL)
def test_geopandas_reads_back_what_was_written(written, layers, name):
    """Values, empty cells, geometry and CRS."""
    found = gpd.read_file(written, layer=name)
    assert found.crs == layers[name].crs
    assert shapely.equals(found.geometry.array, layers[name].geometry.array).all()
    for column in RESULT_LAYERS[name].columns:
        expected = layers[name][column.name]
        assert found[column.name].isna().tolist() == expected.isna().tolist()
        present = expected.notna()
        assert found[column.name][present].tolist() == expected[present].tolist()


def test_types_are_those_of_the_schema(written):
    types = {"text": "TEXT", "number": "REAL", "whole": "INTEGER", "yes_no": "BOOLEAN"}
    with closing(sqlite3.connect(written)) as connection:
        for layer in RESULT_LAYERS.values():
            told = connection.execute(f'PRAGMA table_info("{layer.name}")').fetchall()
            found = {row[1]: row[2] for row in told}
            for column in layer.columns:
                assert found[column.name] == types[column.kind]


def test_the_file_follows_geopackage_1_2(written):
    """OGC 12-128r15, requirements 2 (application id and version), 6, 13 and 68 (attributes)."""
    with closing(sqlite3.connect(written)) as connection:
        ask = connection.execute
        assert ask("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert ask("PRAGMA user_version").fetchone() == (10200,)
        assert ask("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert ask("PRAGMA foreign_key_check").fetchall() == []
        told = ask("SELECT table_name, data_type, identifier, description FROM gpkg_contents")
        for name, kind, identifier, description in told.fetchall():
            layer = RESULT_LAYERS[name]
            assert kind == ("features" if layer.geometries else "attributes")
            assert identifier == layer.title
            assert description == layer.meaning


def test_every_column_tells_its_title_meaning_and_choices(written):
    """
    OGC 12-128r15, annex F.9: tables 15 and 16, requirements 103 to 110, read as tables.

    Tables and columns that are told are there; names are unique in a table; a rule that is named
    has rows, of enums without bounds.
    """
    with closing(sqlite3.connect(written)) as connection:
        ask = connection.execute
        told = ask("SELECT table_name, column_name, name, title, description, mime_type, "
                   "constraint_name FROM gpkg_data_columns").fetchall()  # fmt: skip
        rules = ask("SELECT * FROM gpkg_data_column_constraints").fetchall()
        registered = ask("SELECT table_name, column_name, definition, scope FROM gpkg_extensions "
                         "WHERE extension_name = 'gpkg_schema'").fetchall()  # fmt: skip
        listed = {name for (name,) in ask("SELECT table_name FROM gpkg_contents")}
        there = {
            (table, row[1]) for table in listed for row in ask(f'PRAGMA table_info("{table}")')
        }
    assert {row[0] for row in registered} == {"gpkg_data_columns", "gpkg_data_column_constraints"}
    assert all(row[1] is None and row[3] == "read-write" for row in registered)
    assert {row[:2] for row in told} <= there
    assert len({(row[0], row[2]) for row in told}) == len(told)
    assert {row[:5] for row in told} == {
        (layer.name, column.name, title, title, column.meaning)
        for layer in RESULT_LAYERS.values() if layer.name != "layer_styles"
        for column in layer.columns
        for title in [f"{column.label} [{column.unit}]" if column.unit else column.label]
    }  # fmt: skip
    assert all(row[5] is None for row in told)
    assert {row[6] for row in told} - {None} == {row[0] for row in rules}
    assert all(row[1] == "enum" and row[2] and row[3:7] == (None,) * 4 for row in rules)
    choices = {row[2] for row in rules if row[0] == "findings_severity"}
    assert choices == {"fail", "warn", "note"}


def test_every_spatial_layer_is_indexed(written):
    with closing(sqlite3.connect(written)) as connection:
        for name in SPATIAL:
            found = connection.execute(f'SELECT count(*) FROM "rtree_{name}_geom"').fetchone()
            assert found == (5,)


def as_the_library_writes(path, layers):
    """The same layers written one by one by the library that makes GeoPackages, GDAL."""
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "1970-01-01T00:00:00.000Z"})
    try:
        for table in typed_tables(layers):
            first = not path.exists()
            raw.write(
                str(path), table.geometry, table.values, [c.name for c in table.layer.columns],
                field_mask=table.absent, layer=table.layer.name, driver="GPKG",
                geometry_type=table.geometry_type, append=not first,
                crs=common_crs(layers) if table.layer.geometries else None,
                dataset_metadata=METADATA if first else None,
                dataset_options={"VERSION": "1.2"} if first else None,
                layer_options={"IDENTIFIER": table.layer.title, "FID": table.row_id,
                               "DESCRIPTION": table.layer.meaning},
            )  # fmt: skip
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def held(path):
    """All statements and rows of a file but those of the nodes of its indexes."""
    with closing(sqlite3.connect(path)) as connection:
        ask = connection.execute
        made = ask("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
        rows = {}
        for kind, name, _, _ in made:
            if kind == "table" and not re.search(r"_geom_(node|parent|rowid)$", name):
                found = connection.execute(f'SELECT * FROM "{name}"').fetchall()
                rows[name] = sorted(found, key=str) if name.startswith("rtree") else found
        marks = [connection.execute(f"PRAGMA {one}").fetchone()
                 for one in ("application_id", "user_version", "page_size")]  # fmt: skip
    return {row[:3]: row[3] for row in made}, rows, marks


@pytest.mark.parametrize("empty", [False, True])
def test_the_file_is_what_the_library_would_have_written(layers, tmp_path, empty):
    """Every table, trigger, index, register and row, but for what is told of columns besides."""
    layers["catchments"].loc[1, "geometry"] = None
    if empty:
        layers = {name: frame.iloc[:0] for name, frame in layers.items()}
    as_the_library_writes(tmp_path / "theirs.gpkg", layers)
    write_geopackage(tmp_path / "ours.gpkg", layers, metadata=METADATA)
    (their_made, theirs, their_marks), (made, ours, marks) = map(
        held, (tmp_path / "theirs.gpkg", tmp_path / "ours.gpkg")
    )
    assert {key: made.get(key) for key in their_made} == their_made
    assert {name for _, _, name in set(made) - set(their_made)} == {
        "gpkg_data_columns", "gpkg_data_column_constraints",
    }  # fmt: skip
    assert marks == their_marks
    assert [row for row in ours["gpkg_extensions"] if row[2] != "gpkg_schema"] == theirs[
        "gpkg_extensions"
    ]
    for name in theirs:
        if name.startswith("rtree"):  # the outward rounding to float32 may differ by a step
            assert np.allclose(ours[name], theirs[name], rtol=3e-7)
        elif name == "gpkg_contents":  # it gives bounds to 15 digits
            for our, their in zip(ours[name], theirs[name], strict=True):
                assert (our[:5], our[9]) == (their[:5], their[9])
                bounds = [np.array(row[5:9], dtype=float) for row in (our, their)]
                assert np.allclose(*bounds, rtol=1e-14, equal_nan=True)
        elif name != "gpkg_extensions":
            assert ours[name] == theirs[name], name


def test_a_layer_can_be_changed_as_one_that_the_library_made(written):
    """A row that the library adds is counted and found through the index."""
    more = gpd.read_file(written, layer="lot").iloc[:1].set_geometry(
        gpd.GeoSeries([shapely.MultiPolygon([shapely.box(0, 0, 1, 1)])], crs=32618)
    )  # fmt: skip
    more.to_file(written, layer="lot", mode="a")
    assert len(gpd.read_file(written, layer="lot", bbox=(0, 0, 2, 2))) == 1
    assert pyogrio.read_info(written, layer="lot")["features"] == 6


def test_metadata_are_in_the_standard_table(written):
    with closing(sqlite3.connect(written)) as connection:
        told = connection.execute("SELECT metadata FROM gpkg_metadata").fetchone()[0]
    assert "0123" in told
    assert pyogrio.read_info(written, layer="lot")["dataset_metadata"] == METADATA


def test_the_same_layers_give_the_same_bytes(written, layers, tmp_path):
    again = tmp_path / "again.gpkg"
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2031-05-06T07:08:09.000Z"})
    try:
        write_geopackage(again, layers, metadata=METADATA)
        kept = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
    assert again.read_bytes() == written.read_bytes()
    assert kept == "2031-05-06T07:08:09.000Z"


def test_writing_twice_to_one_path_is_writing_once(written, layers):
    first = written.read_bytes()
    write_geopackage(written, layers, metadata=METADATA)
    assert written.read_bytes() == first


def test_layers_without_rows_keep_columns_types_and_crs(make_layers, tmp_path):
    path, layers = tmp_path / "result.gpkg", make_layers(rows=0)
    write_geopackage(path, layers, metadata={})
    verify_geopackage(path, layers, metadata={})
    assert pyogrio.list_layers(path)[:, 0].tolist() == list(RESULT_LAYERS)
    for name in SPATIAL:
        info = pyogrio.read_info(path, layer=name)
        assert (info["features"], info["crs"]) == (0, "EPSG:32618")
    dtypes = pyogrio.read_info(path, layer="low_spots")["dtypes"].tolist()
    assert dtypes[:3] == ["int64", "float64", "float64"]


def test_a_core_layer_that_is_not_given_is_there_without_rows_and_no_other(layers, tmp_path):
    path = tmp_path / "result.gpkg"
    write_geopackage(path, {"lot": layers["lot"]}, metadata={})
    assert set(pyogrio.list_layers(path)[:, 0]) == set(CORE_LAYERS)
    assert pyogrio.read_info(path, layer="flow_paths")["features"] == 0
    assert pyogrio.read_info(path, layer="findings")["features"] == 0


def test_a_row_without_geometry_or_with_an_empty_one_is_kept(layers, tmp_path):
    path = tmp_path / "result.gpkg"
    catchments = layers["catchments"]
    catchments.loc[0, "geometry"] = None
    catchments.loc[1, "geometry"] = shapely.Polygon()
    write_geopackage(path, layers, metadata={})
    verify_geopackage(path, layers, metadata={})
    found = gpd.read_file(path, layer="catchments")
    assert found.geometry.isna().tolist() == [True, True, False, False, False]


def test_heights_are_left_out_of_the_geometry(layers, tmp_path):
    path = tmp_path / "result.gpkg"
    layers["lot"].geometry = shapely.force_3d(layers["lot"].geometry, 7.0)
    write_geopackage(path, layers, metadata={})
    assert not gpd.read_file(path, layer="lot").geometry.has_z.any()


def test_only_the_horizontal_part_of_a_compound_crs_is_written(make_layers, tmp_path):
    """UTM 18N with NAVD88 height in US survey feet: the columns are metres all the same."""
    path, layers = tmp_path / "result.gpkg", make_layers(crs="EPSG:32618+6360")
    write_geopackage(path, layers, metadata={})
    assert pyogrio.read_info(path, layer="lot")["crs"] == "EPSG:32618"


def test_what_was_written_passes(written, layers):
    verify_geopackage(written, layers, metadata=METADATA)
    assert [path.name for path in written.parent.iterdir()] == ["result.gpkg"]


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ('DROP TABLE "rtree_low_spots_geom"', "rtree_low_spots"),
        ('DELETE FROM "rtree_low_spots_geom" WHERE id = 2', "index of low_spots"),
        ('DELETE FROM "low_spots" WHERE fid = 5', "low_spots has 4 rows, not 5"),
        ('UPDATE "low_spots" SET fid = 50 WHERE fid = 5', "low_spots holds other values"),
        ('UPDATE "low_spots" SET x = 1.5 WHERE fid = 3', "low_spots holds other values"),
        ('UPDATE "inlets" SET name = NULL', "inlets holds other values"),
        ('UPDATE "findings" SET message = "x" WHERE fid = 1', "findings holds other values"),
        (
            'UPDATE "flow_paths" SET geom = (SELECT geom FROM "flow_paths" WHERE fid = 2)',
            "flow_paths holds other values",
        ),
        ("UPDATE \"lot\" SET geom = X'00' WHERE fid = 1", "does not read back"),
        ('DROP TABLE "runoff"', "runoff"),
        ("DELETE FROM gpkg_metadata_reference", "metadata differ"),
        ("PRAGMA application_id = 0", "not marked as a GeoPackage"),
        ("PRAGMA user_version = 0", "not marked as a GeoPackage"),
        (
            "UPDATE gpkg_ogr_contents SET feature_count = 0 WHERE table_name = 'lot'",
            "lot is said to have 0 rows, not 5",
        ),
        ("UPDATE gpkg_contents SET min_x = NULL WHERE table_name = 'lot'", "extent of lot"),
        ("UPDATE gpkg_contents SET srs_id = -1 WHERE table_name = 'lot'", "coordinate system"),
        ("UPDATE gpkg_spatial_ref_sys SET definition = ''", "coordinate system"),
        ("DELETE FROM gpkg_extensions WHERE table_name = 'lot'", "index is registered"),
        ("DELETE FROM gpkg_data_columns WHERE column_name = 'depth_m'", "gpkg_data_columns"),
        ("UPDATE gpkg_data_columns SET title = NULL", "gpkg_data_columns"),
        (
            "UPDATE gpkg_data_column_constraints SET value = 'x' WHERE value = 'fail'",
            "gpkg_data_column_constraints",
        ),
        ("DROP TABLE gpkg_data_column_constraints", "does not read back"),
        ("DELETE FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'", "not registered"),
    ],
)
@pytest.mark.filterwarnings("ignore::RuntimeWarning:pyogrio")
def test_a_difference_is_found(written, layers, statement, told):
    change(written, statement)
    with pytest.raises(OutputError, match=told):
        verify_geopackage(written, layers, metadata=METADATA)


@pytest.mark.parametrize("layer", ["lot", "runoff"])
@pytest.mark.filterwarnings("ignore::RuntimeWarning:pyogrio")
def test_a_trigger_that_one_layer_lacks_is_found(written, layers, layer):
    """Without it the count of the layer goes wrong with the first row that is added."""
    with closing(sqlite3.connect(written)) as connection:
        connection.execute(f'DROP TRIGGER "trigger_insert_feature_count_{layer}"')
        connection.commit()
    with pytest.raises(OutputError, match=f"triggers of {layer} are missing"):
        verify_geopackage(written, layers, metadata=METADATA)


@pytest.mark.parametrize("share", [0.0, 0.01, 0.5, 0.99])
@pytest.mark.filterwarnings("ignore::RuntimeWarning:pyogrio")
def test_a_cut_off_file_is_found(written, layers, share):
    content = written.read_bytes()
    written.write_bytes(content[: int(len(content) * share)])
    with pytest.raises(OutputError, match=r"result\.gpkg"):
        verify_geopackage(written, layers, metadata=METADATA)


def test_a_folder_that_is_not_there_is_an_output_error(layers, tmp_path):
    with pytest.raises(OutputError, match=r"result\.gpkg"):
        write_geopackage(tmp_path / "none" / "result.gpkg", layers, metadata={})


def broken(layers, fault):
    """Layers that are not what the schema declares, each by one fault of ours."""
    spots = layers["low_spots"]
    changed = {
        "unknown layer": {"puddles": spots},
        "unknown column": {"low_spots": spots.assign(colour="blue")},
        "missing column": {"low_spots": spots.drop(columns="depth_m")},
        "text as number": {"low_spots": spots.assign(depth_m="deep")},
        "number as text": {"low_spots": spots.assign(artefact=1.5)},
        "part of a whole number": {"low_spots": spots.assign(id=1.5)},
        "number as claim": {"low_spots": spots.assign(cut_by_edge=1)},
        "wrong geometry": {"low_spots": spots.set_geometry(spots.geometry.centroid)},
        "points in parts": {
            "spill_points": layers["spill_points"].set_geometry(
                gpd.GeoSeries([shapely.MultiPoint([(0, 0), (1, 1)])] * 5, crs=spots.crs)
            )
        },
        "geometry in a table": {
            "runoff": layers["runoff"].pipe(gpd.GeoDataFrame, geometry=spots.geometry)
        },
        "no geometry in a layer": {"low_spots": pd.DataFrame(spots.drop(columns="geometry"))},
        "two CRS": {"lot": layers["lot"].to_crs("EPSG:32617")},
        "no CRS": {"lot": layers["lot"].set_crs(None, allow_override=True)},
    }
    return {**layers, **changed[fault]}


@pytest.mark.parametrize(
    "fault",
    [
        "unknown layer", "unknown column", "missing column", "text as number", "number as text",
        "part of a whole number", "number as claim", "wrong geometry", "points in parts",
        "geometry in a table", "no geometry in a layer", "two CRS", "no CRS",
    ],
)  # fmt: skip
def test_what_is_not_declared_is_a_fault_of_ours(layers, tmp_path, fault):
    """Nothing is written that a reader of the schema would not expect."""
    path = tmp_path / "result.gpkg"
    with pytest.raises(TypeError):
        write_geopackage(path, broken(layers, fault), metadata={})
    assert not path.exists()


def test_whole_numbers_beside_an_empty_cell_stay_whole(layers, tmp_path):
    """pandas makes floats of a column of whole numbers with an empty cell."""
    path = tmp_path / "result.gpkg"
    layers["low_spots"]["inner_low_spots"] = [1.0, np.nan, 3.0, 4.0, 5.0]
    write_geopackage(path, layers, metadata={})
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute('SELECT inner_low_spots FROM "low_spots" ORDER BY fid')
        assert found.fetchall() == [(1,), (None,), (3,), (4,), (5,)]


def test_the_result_file_writes_and_proves_the_same(layers, written, tmp_path):
    file = geopackage_file("result.gpkg", layers, metadata=METADATA)
    path = tmp_path / "other.gpkg"
    file.write(path)
    file.verify(path)
    assert path.read_bytes() == written.read_bytes()
    assert file.estimate > 0.5 * path.stat().st_size


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="ogrinfo is not installed")
def test_an_older_program_reads_it_without_a_word_of_warning(written):
    """`ogrinfo` of the system: another build, often an older one, than the one that wrote it."""
    told = subprocess.run(
        ["ogrinfo", "-ro", "-al", "-so", str(written)],
        capture_output=True, text=True, check=True, env={"PATH": os.environ["PATH"]},
    )  # fmt: skip
    assert told.stderr == ""
    for layer in RESULT_LAYERS.values():
        assert f"Layer name: {layer.name}\n" in told.stdout
    assert told.stdout.count("Feature Count: 5") == len(RESULT_LAYERS)
    assert told.stdout.count("DESCRIPTION=") == len(RESULT_LAYERS)


@pytest.mark.parametrize(
    "crs",
    [
        # a UTM zone in US survey feet as rasters have it: its conversion bears the zone's number
        'PROJCRS["NAD83 / UTM zone 17N in US survey feet",BASEGEOGCRS["NAD83",DATUM["North '
        'American Datum 1983",ELLIPSOID["GRS 1980",6378137,298.257222101]],ID["EPSG",4269]],'
        'CONVERSION["UTM zone 17N",METHOD["Transverse Mercator",ID["EPSG",9807]],PARAMETER['
        '"Latitude of natural origin",0,ANGLEUNIT["degree",0.0174532925199433]],PARAMETER['
        '"Longitude of natural origin",-81,ANGLEUNIT["degree",0.0174532925199433]],PARAMETER['
        '"Scale factor at natural origin",0.9996],PARAMETER["False easting",1640416.66666667,'
        'LENGTHUNIT["US survey foot",0.304800609601219]],PARAMETER["False northing",0,LENGTHUNIT['
        '"US survey foot",0.304800609601219]],ID["EPSG",16017]],CS[Cartesian,2],AXIS["easting",'
        'east,LENGTHUNIT["US survey foot",0.304800609601219]],AXIS["northing",north,LENGTHUNIT['
        '"US survey foot",0.304800609601219]]]',
        "EPSG:2903",
        "EPSG:28992",
        "EPSG:32618",
    ],
)
def test_a_viewer_places_the_layers_in_the_unit_they_are_in(make_layers, tmp_path, crs):
    """Feet read as metres move a lot by thousands of kilometres."""
    layers = make_layers(2, crs=crs)
    write_geopackage(tmp_path / "a.gpkg", layers, metadata={"run_id": "1"})
    verify_geopackage(tmp_path / "a.gpkg", layers, metadata={"run_id": "1"})
    given, found = CRS(crs), CRS(pyogrio.read_info(tmp_path / "a.gpkg", layer="lot")["crs"])
    assert found.axis_info[0].unit_conversion_factor == given.axis_info[0].unit_conversion_factor
    there = Transformer.from_crs(given, 4326, always_xy=True).transform(500_000, 4_500_000)
    read = Transformer.from_crs(found, 4326, always_xy=True).transform(500_000, 4_500_000)
    assert read == pytest.approx(there, abs=1e-9)
