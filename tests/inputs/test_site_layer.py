"""One site layer: columns in either unit, every fault of the layer at once, sound rows."""

import json
import warnings

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely import LineString, Point, Polygon, box

from lotflow.errors import InputError
from lotflow.inputs.columns import CellError, read_number
from lotflow.inputs.site import layer_in
from lotflow.inputs.site_layer import check_site_layer, empty_site_layer
from lotflow.inputs.sources import LayerFile, Place
from lotflow.inputs.vectors import read_layer
from lotflow.layers import SITE_LAYERS, Column
from lotflow.units import METRES_PER_US_SURVEY_FOOT

UTM = CRS(32618)
PLACE = Place("site.gpkg", "x")

SHAPES = {"point": Point(1, 2), "line": LineString([(0, 0), (5, 5)]), "polygon": box(0, 0, 9, 9)}


def frame_of(name, rows, shape=None, crs=UTM):
    """Build a layer as a file would give it: rows as dictionaries, one shape for each."""
    shape = shape or SHAPES[SITE_LAYERS[name].geometries[0]]
    columns = list(dict.fromkeys(key for row in rows for key in row))
    data = {key: [row.get(key) for row in rows] for key in columns}
    return gpd.GeoDataFrame(data, geometry=[shape] * len(rows), crs=crs)


def check(name, rows, *, vertical_unit="m", shape=None):
    return check_site_layer(
        frame_of(name, rows, shape), SITE_LAYERS[name], PLACE, crs=UTM, vertical_unit=vertical_unit
    )


def faults_of(name, rows, **kwargs):
    with pytest.raises(InputError) as caught:
        check(name, rows, **kwargs)
    return caught.value.faults


# ---------------------------------------------------------------- what comes out


def owed(schema):
    """A value for every column that must have one."""
    return {c.file_names[0]: c.choices[0] if c.choices else 1.0 if c.is_measured else "A"
            for c in schema.columns if c.required}  # fmt: skip


@pytest.mark.parametrize("schema", SITE_LAYERS.values(), ids=list(SITE_LAYERS))
def test_every_column_of_the_schema_comes_out_typed(schema):
    """A layer read with required columns only has the columns and types of an empty one."""
    layer, _ = check(schema.name, [owed(schema) or {"other": 1}])
    empty = empty_site_layer(schema, UTM)
    assert list(layer.columns) == [*(c.inside_name for c in schema.columns), "geometry"]
    assert layer.dtypes.to_dict() == empty.dtypes.to_dict()
    assert list(layer.index) == [0]
    assert layer.crs == empty.crs == UTM
    assert len(empty) == 0


@pytest.mark.parametrize(
    ("column", "value", "inside", "si"),
    [
        ("diameter_mm", 100, "diameter_m", 0.1),
        ("diameter_in", 4, "diameter_m", 0.1016),
        ("invert_up_m", 31.5, "invert_up_m", 31.5),
        ("invert_up_ft", 100, "invert_up_m", 30.48),
        ("invert_up_below_rim_ft", 2, "invert_up_below_rim_m", 0.6096),
        ("test_flow_lpm", 60, "test_flow_m3s", 0.001),
        ("test_flow_gpm", 1, "test_flow_m3s", 6.30902e-5),
        ("test_seconds", 30, "test_seconds", 30),
        ("diameter_in", "4", "diameter_m", 0.1016),
        ("diameter_in", " 4.0 ", "diameter_m", 0.1016),
        ("diameter_in", "0.4e1", "diameter_m", 0.1016),
        ("DIAMETER_IN", 4, "diameter_m", 0.1016),
    ],
)
def test_measured_columns_are_converted_to_si(column, value, inside, si):
    """Factors: inch 25.4 mm, foot 0.3048 m, US gallon 3.785411784 l (NIST Handbook 44)."""
    layer, _ = check("drain_lines", [{"name": "P1", column: value}])
    assert layer[inside].tolist() == pytest.approx([si], rel=1e-6)


def test_elevations_take_the_foot_of_the_raster_and_heights_do_not():
    """On a raster in US survey feet 2 000 000 ft of elevation would be 1.219 m off otherwise."""
    row = [{"name": "CB", "rim_ft": 1000.0, "rim_above_ground_ft": 1.0}]
    international, _ = check("inlets", row, vertical_unit="m")
    survey, _ = check("inlets", row, vertical_unit="us-ft")
    assert international["rim_m"][0] == pytest.approx(304.8, abs=1e-9)
    assert survey["rim_m"][0] == pytest.approx(1000 * METRES_PER_US_SURVEY_FOOT, abs=1e-9)
    assert survey["rim_above_ground_m"][0] == 0.3048


@settings(deadline=None, max_examples=50)
@given(
    st.floats(0.4, 70),
    st.sampled_from(
        [c for layer in SITE_LAYERS.values() for c in layer.columns if c.quantity == "diameter"]
    ),
)
def test_either_unit_gives_the_same(inches, column):
    """A size in inches and the same in millimetres are one size, alone or side by side."""
    name = next(n for n, layer in SITE_LAYERS.items() if column in layer.columns)
    low, high = column.low or 0, column.high or 99
    inches = float(np.clip(inches, low / 0.0254 * 1.001, high / 0.0254 * 0.999))
    required = owed(SITE_LAYERS[name])
    pairs = [
        {f"{column.name}_in": inches},
        {f"{column.name}_mm": inches * 25.4},
        {f"{column.name}_in": inches, f"{column.name}_mm": inches * 25.4},
    ]
    values = [check(name, [required | pair])[0][column.inside_name][0] for pair in pairs]
    assert values == pytest.approx([inches * 0.0254] * 3, rel=1e-12)


def test_empty_text_in_a_column_of_numbers_is_missing():
    layer, _ = check("culverts", [{"diameter_in": "4"}, {"diameter_in": " "}])
    np.testing.assert_allclose(layer["diameter_m"], [0.1016, np.nan])


def test_each_row_may_use_its_own_unit():
    """Where a row has one of the two, that one counts; where neither, the value is missing."""
    rows = [{"diameter_mm": 100.0}, {"diameter_in": 4.0}, {"name": "C"}]
    layer, _ = check("culverts", rows)
    np.testing.assert_allclose(layer["diameter_m"], [0.1, 0.1016, np.nan])


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        (True, True), (0, False), (1.0, True), ("Yes", True), ("no", False), (" TRUE ", True),
        ("false", False), ("1", True), ("0", False), ("", None), (None, None),
    ],
)  # fmt: skip
def test_yes_or_no(raw, value):
    layer, _ = check("inlets", [{"name": "A", "grates_removable": raw}])
    found = layer["grates_removable"]
    assert found.isna().tolist() == [value is None]
    assert found.fillna(False).tolist() == [bool(value)]


@pytest.mark.parametrize("raw", ["AC pad", "ac pad", "  Ac   PAD "])
def test_choices_are_recognised_without_regard_to_case_and_spaces(raw):
    layer, _ = check("openings", [{"kind": raw}])
    assert layer["kind"].tolist() == ["AC pad"]


def test_text_is_cleaned_once_and_missing_text_is_none():
    layer, _ = check("walls", [{"name": " a\x00\u202eb "}, {"name": ""}, {"name": None}])
    assert layer["name"].tolist() == ["ab", None, None]


def test_names_may_be_numbers():
    """GIS programs type a column of numbers so, and one with gaps as fractions."""
    layer, _ = check("inlets", [{"name": 1.0}, {"name": 2.0}])
    assert layer["name"].tolist() == ["1", "2"]


def test_other_columns_are_ignored_and_said():
    """What GIS programs add means nothing here, nor does a joined copy of a known column."""
    row = {"name": "A", "fid": 1, "OBJECTID": 2, "HEIGHT": 3.0, "name_1": "B"}
    layer, findings = check("buildings", [row])
    assert [finding.rule for finding in findings] == ["columns-ignored"]
    assert findings[0].facts["columns"] == ("fid", "OBJECTID", "HEIGHT", "name_1")
    assert layer["name"].tolist() == ["A"]


@settings(deadline=None, max_examples=50)
@given(st.permutations(range(6)), st.integers(0, 5))
def test_rows_keep_their_order_and_do_not_touch_one_another(order, gap):
    """Reading permuted rows is permuting the rows read."""
    rows = [{"name": f"N{i}", "rim_ft": None if i == gap else 10.0 * i} for i in range(6)]
    layer, _ = check("inlets", rows)
    permuted, _ = check("inlets", [rows[i] for i in order])
    expected = layer.iloc[list(order)].reset_index(drop=True)
    assert_geodataframe_equal(permuted, expected)


def test_what_the_library_warned_of_is_said_without_the_private_copy_s_path():
    """That path is another in every run, and a result must be the same in every run."""
    frame = frame_of("walls", [{"name": "A"}])
    frame.attrs["warnings"] = ("/tmp/lotflow-x1/copy.shp contains polygons with odd rings",)
    _, (finding,) = check_site_layer(frame, SITE_LAYERS["walls"], PLACE, crs=UTM, vertical_unit="m")
    assert finding.rule == "reader-warning"
    assert finding.facts["warning"] == "site.gpkg contains polygons with odd rings"


def test_the_frame_that_was_read_is_not_changed():
    frame = frame_of("walls", [{"name": " A ", "height_ft": "2"}])
    before = frame.copy(deep=True)
    check_site_layer(frame, SITE_LAYERS["walls"], PLACE, crs=UTM, vertical_unit="m")
    assert_geodataframe_equal(frame, before)


# ---------------------------------------------------------------- what is refused

INLET = {"name": "A"}

BAD_CELLS = [
    ("inlets", [{"name": "A"}, {"name": "A"}],
     "row 2, name = 'A': names must be unique, row 1 has the same"),
    ("inlets", [{"name": "A"}, {"name": " A\x00"}],
     "row 2, name = 'A': names must be unique, row 1 has the same"),
    ("inlets", [{"name": "A"}, {"name": " "}], "row 2, name = ' ': name must not be empty"),
    ("inlets", [{"name": "A"}, {"name": None}], "row 2, name: name must not be empty"),
    ("inlets", [{"name": "None"}], "row 1, name = 'None': results use this name themselves"),
    ("inlets", [{"name": "all"}], "results use this name themselves"),
    ("outlets", [{"name": "surface"}], "results use this name themselves"),
    ("inlets", [{"name": "A" * 201}], "text may be 200 characters long, this is 201"),
    ("inlets", [{"name": True}], "row 1, name = True: must be text"),
    ("inlets", [{"kind": "catch basin"}], "column 'name' is required and missing"),
    ("inlets", [INLET | {"kind": "catch_basin"}],
     "kind = 'catch_basin': is no kind that is known. Did you mean 'catch basin'?"),
    ("covers", [{"cover": "sand"}], "is no cover that is known. It may be 'roof', 'asphalt'"),
    ("covers", [{"cover": "lawn", "runoff_coefficient": 1.5}],
     "runoff_coefficient = 1.5: must be between 0 and 1."),
    ("drain_lines", [INLET | {"diameter_in": 400}],
     "diameter_in = 400: must be between 0.393701 and 78.7402 in"),
    ("drain_lines", [INLET | {"diameter_mm": 4}],
     "diameter_mm = 4: must be between 10 and 2000 mm"),
    ("drain_lines", [INLET | {"test_flow_gpm": -1.0}],
     "test_flow_gpm = -1.0: must be 0 or more gpm"),
    ("drain_lines", [INLET | {"diameter_mm": 100.0, "diameter_in": 5.0}],
     "diameter_mm = 100.0: differs from diameter_in = 5.0 of the same row"),
    ("drain_lines", [INLET | {"diameter_in": '4"'}],
     "is no number. Write it with a decimal point and without a unit"),
    ("drain_lines", [INLET | {"diameter_in": "4,5"}], "diameter_in = '4,5': is no number"),
    ("drain_lines", [INLET | {"diameter_in": "1_0"}], "diameter_in = '1_0': is no number"),
    ("drain_lines", [INLET | {"diameter_in": "nan"}], "diameter_in = 'nan': is no number"),
    ("drain_lines", [INLET | {"diameter_in": True}], "diameter_in = True: is no number"),
    ("drain_lines", [INLET | {"diameter_in": float("inf")}], "must be a finite number"),
    ("drain_lines", [INLET | {"diameter_in": "1e999"}], "must be a finite number"),
    ("inlets", [INLET | {"rim_m": -9999.0}], "rim_m = -9999.0: must be between -500 and 9000 m"),
    ("inlets", [INLET | {"grates_removable": "maybe"}],
     "grates_removable = 'maybe': must be yes or no"),
    ("inlets", [INLET | {"grates_removable": 2}], "grates_removable = 2: must be yes or no"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "rows", "message"), BAD_CELLS)
def test_a_bad_cell_is_one_fault_with_place_value_and_rule(name, rows, message):
    faults = faults_of(name, rows)
    assert len(faults) == 1
    assert str(faults[0]).startswith("site.gpkg, layer x")
    assert message in str(faults[0])


BAD_NAMES = [
    ("drain_lines", "diamter_mm", "column 'diamter_mm' is not known. Did you mean 'diameter_mm'?"),
    ("drain_lines", "invert_up_", "column 'invert_up_' was cut, as Shapefiles cut names at 10 "
     "characters. Did you mean 'invert_up_m', 'invert_up_ft', 'invert_up_below_rim_m' or "
     "'invert_up_below_rim_ft'?"),
    ("drain_lines", "INVERT_D_1", "Did you mean 'invert_down_m'"),
    ("drain_lines", "diameter", "column 'diameter' must carry its unit. Name it 'diameter_mm' or "
     "'diameter_in'"),
    ("inlets", "rim", "column 'rim' must carry its unit"),
    ("walls", "HEIGHT", "column 'HEIGHT' must carry its unit"),
    ("drain_lines", "size_cm", "column 'size_cm' is not known. Did you mean 'size_mm'?"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "column", "message"), BAD_NAMES)
def test_a_column_almost_known_is_a_fault(name, column, message):
    """It would be ignored in silence otherwise."""
    required = {c.name: "A" for c in SITE_LAYERS[name].columns if c.required}
    faults = faults_of(name, [required | {column: 1.0}])
    assert len(faults) == 1
    assert message in str(faults[0])


def test_columns_that_differ_in_case_only_are_a_fault():
    (fault,) = faults_of("walls", [{"name": "A", "NAME": "B"}])
    assert "columns 'name' and 'NAME' are the same one" in str(fault)


def test_all_faults_of_a_layer_come_at_once_in_reading_order():
    """Faults of the whole layer first, then row by row."""
    frame = frame_of("inlets", [{"name": "A", "rimm_m": 1, "kind": "x"}, {"name": "A", "kind": ""}])
    frame.geometry = [None, Polygon([(0, 0), (1, 1), (2, 2)])]
    with pytest.raises(InputError) as caught:
        check_site_layer(frame, SITE_LAYERS["inlets"], PLACE, crs=UTM, vertical_unit="m")
    said = [(fault.row, fault.column) for fault in caught.value.faults]
    assert said == [(None, None), (1, "kind"), (1, None), (2, "name"), (2, None)]
    assert len(str(caught.value).splitlines()) == 5


def test_a_fault_of_very_many_rows_names_the_first_and_counts_the_others():
    """A column in the wrong unit must not fill the screen."""
    faults = faults_of("walls", [{"name": f"W{i}", "height_m": 500.0} for i in range(300)])
    assert [fault.row for fault in faults] == list(range(1, 51))
    assert "must be between 0 and 10 m; so have 250 rows after it." in str(faults[-1])


# ---------------------------------------------------------------- files


def read_site_layer(path, schema):
    """A layer as it stands in its file, checked."""
    source = layer_in(LayerFile(path), schema.name)
    frame = read_layer(source.path, source.layer)
    place = Place(str(path), source.layer)
    return check_site_layer(frame, schema, place, crs=UTM, vertical_unit="m")


def save(frame, path, **kwargs):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of cut names, which is the point of some tests
        frame.to_file(path, **kwargs)
    return path


@pytest.mark.parametrize("ending", ["gpkg", "geojson", "shp"])
def test_all_three_formats_give_the_same_layer(tmp_path, ending):
    """Also empty cells, accents, and geometries with heights."""
    rows = [{"name": "É 1", "height_ft": 4.0}, {"name": None, "height_ft": None}]
    frame = frame_of("walls", rows, LineString([(500000, 4e6, 7), (500005, 4000005, 6)]))
    crs = "EPSG:4326" if ending == "geojson" else UTM
    path = save(frame.to_crs(crs), tmp_path / f"walls.{ending}")
    layer, findings = read_site_layer(path, SITE_LAYERS["walls"])
    assert layer["name"].tolist() == ["É 1", None]
    np.testing.assert_allclose(layer["height_m"], [1.2192, np.nan])
    np.testing.assert_allclose(
        shapely.get_coordinates(layer.geometry[0]), [(500000, 4e6), (500005, 4000005)], atol=1e-2
    )
    assert not layer.has_z.any()
    assert [finding.rule for finding in findings] == ["heights-ignored"]


def test_a_shapefile_with_cut_names_is_refused(tmp_path):
    """GDAL writes `invert_up_m` as `invert_up_` and its neighbours with numbers."""
    row = {"name": "P1", "invert_up_m": 1.0, "invert_down_m": 0.5, "invert_down_below_rim_m": 1.0}
    path = save(frame_of("drain_lines", [row]), tmp_path / "drain_lines.shp")
    with pytest.raises(InputError) as caught:
        read_site_layer(path, SITE_LAYERS["drain_lines"])
    assert len(caught.value.faults) == 3
    assert all("was cut" in fault.rule for fault in caught.value.faults)


def test_mixed_types_of_a_geojson_column_are_read(tmp_path):
    """A column of 4 and "4.0" and true and "yes" is widened to text by the library."""
    properties = [
        {"name": 7, "grate_width_in": 4, "grates_removable": True},
        {"name": "B", "grate_width_in": "4.0", "grates_removable": "no"},
        {"name": "C", "grate_width_in": None, "grates_removable": None},
    ]
    features = [
        {
            "type": "Feature",
            "properties": p,
            "geometry": {"type": "Point", "coordinates": [-75, 36]},
        }
        for p in properties
    ]
    path = tmp_path / "inlets.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    layer, _ = read_site_layer(path, SITE_LAYERS["inlets"])
    assert layer["name"].tolist() == ["7", "B", "C"]
    np.testing.assert_allclose(layer["grate_width_m"], [0.1016, 0.1016, np.nan])
    assert layer["grates_removable"].tolist()[:2] == [True, False]


def test_a_geojson_without_features_is_an_empty_layer(tmp_path):
    path = tmp_path / "walls.geojson"
    path.write_text('{"type": "FeatureCollection", "features": []}')
    layer, findings = read_site_layer(path, SITE_LAYERS["walls"])
    assert_geodataframe_equal(layer, empty_site_layer(SITE_LAYERS["walls"], UTM))
    assert findings == []


def test_whole_numbers_are_read_where_a_column_wants_them():
    """No site layer has such a column yet; the kind is part of the schema."""
    column = Column("count", "Count.", "whole")
    assert read_number(3.0, column) == 3
    with pytest.raises(CellError):
        read_number(3.5, column)
