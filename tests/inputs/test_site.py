"""The whole site: every layer from its file, faults of all layers at once."""

import hashlib
from dataclasses import fields

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from pyproj import CRS
from shapely import LineString, Point, box

from lotflow.errors import Fault, InputError, ParameterError
from lotflow.inputs.site import (
    Site,
    drawn_layers,
    empty_layers,
    find_site_files,
    in_raster_datum,
    layer_in,
    read_site,
)
from lotflow.inputs.site_layer import check_site_layer
from lotflow.inputs.sources import LayerFile, Place, naming_files
from lotflow.layers import DRAWN_TABLES, SITE_LAYERS
from lotflow.outputs.job_folder import layers_file

UTM = CRS(32618)
X, Y = 500_000.0, 4_400_000.0

LAYERS = {
    "lot": {"name": ["Lot"], "geometry": [box(X, Y, X + 30, Y + 40)]},
    "buildings": {"name": ["house", "shed"],
                  "threshold_ft": [105.0, None],
                  "geometry": [box(X + 5, Y + 5, X + 15, Y + 15), box(X, Y + 30, X + 4, Y + 34)]},
    "inlets": {"name": ["CB1", "CB2"], "rim_ft": [100.0, 99.0],
               "geometry": [Point(X + 20, Y + 5), Point(X + 21, Y + 9)]},
    "outlets": {"name": ["Curb"], "kind": ["curb"], "geometry": [Point(X + 30, Y)]},
    "downspouts": {"building": ["house"], "leads_to": ["CB1"], "geometry": [Point(X + 15, Y + 5)]},
    "drain_lines": {"name": ["P1"], "from_node": ["CB1"], "to_node": ["Curb"],
                    "geometry": [LineString([(X + 20, Y + 5), (X + 30, Y)])]},
}  # fmt: skip


def save(path, **changes):
    """Write the layers above into one GeoPackage; a change replaces or drops columns."""
    for name, columns in LAYERS.items():
        change = changes.get(name, {})
        if change is None:
            continue
        data = {**columns, **change}
        gpd.GeoDataFrame(data, crs=UTM).to_file(path, layer=name)
    return path


def read(path, **kwargs):
    files, _ = find_site_files(path, {})
    return read_site(files, crs=UTM, vertical_unit="m", **kwargs)


def faults_of(path):
    with pytest.raises(InputError) as caught:
        read(path)
    return [str(fault) for fault in caught.value.faults]


def test_a_site_has_exactly_the_layers_of_the_schema():
    own = [item.name for item in fields(Site)]
    assert own == [
        *SITE_LAYERS, "given", "findings", "sources", "level_books", "levelled", "from_benchmark",
        "as_built", "within", "again",
    ]  # fmt: skip


def test_a_whole_site(tmp_path):
    """Given layers in SI, the others empty with all their columns; sources with hashes."""
    path = save(tmp_path / "site.gpkg")
    site = read(path)
    assert site.given == set(LAYERS)
    assert site.inlets["rim_m"].tolist() == pytest.approx([30.48, 30.1752])
    assert site.buildings["threshold_m"].tolist()[0] == pytest.approx(32.004)
    assert site.lot.geometry[0].area == 1200
    for name, schema in SITE_LAYERS.items():
        frame = getattr(site, name)
        assert list(frame.columns) == [*(c.inside_name for c in schema.columns), "geometry"]
        assert frame.crs == UTM
    assert site.findings == ()
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    assert [(s.layer, s.file, s.layer_in_file, s.rows) for s in site.sources] == [
        (name, "site.gpkg", name, len(LAYERS[name]["geometry"]))
        for name in SITE_LAYERS if name in LAYERS
    ]  # fmt: skip
    assert {source.hashes["site.gpkg"] for source in site.sources} == {digest}


def test_reading_leaves_the_file_alone(tmp_path):
    path = save(tmp_path / "site.gpkg")
    before = path.read_bytes()
    read(path)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["site.gpkg"]


def test_one_file_per_layer_in_any_format(tmp_path):
    """Each in its own CRS; the layer of a file with one layer need not be named."""
    frames = {name: gpd.GeoDataFrame(data, crs=UTM) for name, data in LAYERS.items()}
    frames["lot"].to_crs(4326).to_file(tmp_path / "boundary.geojson")
    frames["inlets"].to_crs(2263).to_file(tmp_path / "drains.shp")
    frames["buildings"].to_file(tmp_path / "all.gpkg", layer="Buildings")
    frames["outlets"].to_file(tmp_path / "all.gpkg", layer="ends")
    site = read_site(
        {
            "lot": LayerFile(tmp_path / "boundary.geojson"),
            "inlets": LayerFile(tmp_path / "drains.shp"),
            "buildings": LayerFile(tmp_path / "all.gpkg"),
            "outlets": LayerFile(tmp_path / "all.gpkg", "ends"),
        },
        crs=UTM,
        vertical_unit="m",
    )
    assert site.given == {"lot", "inlets", "buildings", "outlets"}
    assert site.lot.geometry[0].area == pytest.approx(1200, abs=1e-2)
    assert site.inlets.geometry[0].distance(Point(X + 20, Y + 5)) < 1e-3
    assert sorted(site.sources[2].hashes) == [
        f"drains.{part}" for part in ("cpg", "dbf", "prj", "shp", "shx")
    ]
    assert {(s.layer, s.layer_in_file) for s in site.sources} == {
        ("lot", "boundary"), ("inlets", "drains"), ("buildings", "Buildings"), ("outlets", "ends"),
    }  # fmt: skip


def test_layers_without_rows_are_not_given(tmp_path):
    """The layers a new job starts with are there to draw in, and change nothing."""
    path = save(tmp_path / "site.gpkg")
    empty = gpd.GeoDataFrame({"name": []}, geometry=[], crs=UTM)
    pyogrio.write_dataframe(empty, path, layer="walls", geometry_type="LineString")
    site = read(path)
    assert "walls" not in site.given
    assert len(site.walls) == 0


FAULTS = [
    ({"lot": None}, ["no layer lot is given. Draw the lot's boundary as a polygon."]),
    ({"lot": {"name": [], "geometry": []}}, ["layer lot: the layer is empty. Draw the lot's"]),
    ({"outlets": {"name": ["CB2"]}},
     ["layer outlets, row 1, name = 'CB2': inlets and outlets must not share names, row 2 of the"]),
    ({"downspouts": {"building": ["hose"]}},
     ["layer downspouts, row 1, building = 'hose': no building has this name. Did you mean "
      "'house'?"]),
    ({"buildings": {"name": ["house", "house"]}},
     ["building = 'house': several buildings have this name. Rename all but one"]),
    ({"buildings": None}, ["building = 'house': no building has this name. Draw the building, or"]),
    ({"inlets": {"name": ["A", "A"]}, "outlets": {"kind": ["kurb"]},
      "downspouts": {"building": ["x"]}},
     ["layer inlets, row 2, name = 'A': names must be unique",
      "layer outlets, row 1, kind = 'kurb': is no kind that is known. Did you mean 'curb'?",
      "building = 'x': no building has this name. It may be 'house' or 'shed'."]),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "messages"), FAULTS)
def test_faults_of_all_layers_are_reported_together(tmp_path, changes, messages):
    said = faults_of(save(tmp_path / "site.gpkg", **changes))
    assert len(said) == len(messages)
    for message, expected in zip(said, messages, strict=True):
        assert expected in message


def test_a_layer_with_faults_is_not_held_against_others(tmp_path):
    """A building that could not be read is no missing building."""
    changes = {"buildings": {"threshold_ft": [1e6, 1.0]}}
    (said,) = faults_of(save(tmp_path / "site.gpkg", **changes))
    assert "threshold_ft = 1000000.0: must be between -1640.42 and 29527.6 ft" in said


def test_a_file_that_cannot_be_read_does_not_hide_faults_of_others(tmp_path):
    path = save(tmp_path / "site.gpkg", inlets={"name": ["A", "A"]})
    (tmp_path / "walls.geojson").write_text("{broken")
    files, _ = find_site_files(path, {"walls": LayerFile(tmp_path / "walls.geojson"),
                                      "water": LayerFile(tmp_path / "no.gpkg")})  # fmt: skip
    with pytest.raises(InputError) as caught:
        read_site(files, crs=UTM, vertical_unit="m")
    said = str(caught.value)
    assert len(caught.value.faults) == 3
    assert "names must be unique" in said
    assert "walls.geojson" in said
    assert "no.gpkg: the file of the layer water does not exist" in said


def test_a_layer_that_cannot_be_read_does_not_hide_faults_of_others(tmp_path):
    """A layer without a CRS in the same GeoPackage as one with a duplicate name."""
    path = save(tmp_path / "site.gpkg", inlets={"name": ["A", "A"]})
    walls = gpd.GeoDataFrame({"name": ["W"]}, geometry=[LineString([(0, 0), (1, 1)])])
    with pytest.warns(UserWarning, match="crs"):
        walls.to_file(path, layer="walls")
    said = faults_of(path)
    assert len(said) == 2
    assert "layer walls: the layer has no coordinate reference system" in said[0]
    assert "names must be unique" in said[1]


def test_only_names_of_site_layers_are_taken():
    with pytest.raises(ParameterError, match="ponds"):
        read_site({"ponds": LayerFile("a.gpkg")}, crs=UTM, vertical_unit="m")


@pytest.mark.parametrize("order", [(3, 2, 1, 0), (1, 3, 0, 2)])
def test_row_order_does_not_matter_to_the_other_layers(tmp_path, order):
    """Permuting the inlets permutes the inlets and changes nothing else."""
    names, points = ["A", "B", "C", "D"], [Point(X + i, Y) for i in range(4)]
    for number, rows in enumerate((range(4), order)):
        path = tmp_path / f"{number}.gpkg"
        save(path, inlets={"name": [names[i] for i in rows], "rim_ft": [100.0 + i for i in rows],
                           "geometry": [points[i] for i in rows]})  # fmt: skip
    first, second = read(tmp_path / "0.gpkg"), read(tmp_path / "1.gpkg")
    expected = first.inlets.iloc[list(order)].reset_index(drop=True)
    assert_geodataframe_equal(second.inlets, expected)
    assert_geodataframe_equal(second.buildings, first.buildings)


# ------------------------------------------------------------------ finding layers


def names_in(tmp_path, *names):
    path = tmp_path / "site.gpkg"
    for name in names:
        gpd.GeoDataFrame(geometry=[Point(X, Y)], crs=UTM).to_file(path, layer=name)
    return path


def test_layers_are_found_by_name_and_own_files_win(tmp_path):
    path = names_in(tmp_path, "Inlets", "lot", "parcels")
    own = {"lot": LayerFile(tmp_path / "lot.geojson")}
    files, findings = find_site_files(path, own)
    assert files == {"lot": own["lot"], "inlets": LayerFile(path, "Inlets")}
    assert [(finding.rule, finding.severity) for finding in findings] == [
        ("layers-ignored", "note")
    ]
    assert findings[0].facts == {"file": "site.gpkg", "layers": ("parcels",)}


def test_without_a_common_file_only_own_files_are_read():
    own = {"lot": LayerFile("lot.geojson")}
    assert find_site_files(None, own) == (own, [])


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (["lot", "inlet"], "layer 'inlet' is not known. Did you mean 'inlets'?"),
        (["lots"], "layer 'lots' is not known. Did you mean 'lot'?"),
        (["parcels"], "holds no layer that is known. Name its layers 'lot', 'buildings', "),
    ],
)
def test_a_layer_almost_known_is_a_fault(tmp_path, names, message):
    path = names_in(tmp_path, *names)
    with pytest.raises(InputError) as caught:
        find_site_files(path, {})
    assert message in str(caught.value)


def test_the_layer_of_a_file_is_the_one_named_the_only_one_or_the_one_of_that_name(tmp_path):
    path = names_in(tmp_path, "Lot", "ends")
    assert layer_in(LayerFile(path, "ends"), "outlets") == LayerFile(path, "ends")
    assert layer_in(LayerFile(path), "lot") == LayerFile(path, "Lot")
    with pytest.raises(InputError, match="no layer 'outlets' in the file, but 'Lot', 'ends'"):
        layer_in(LayerFile(path), "outlets")
    with pytest.raises(InputError, match=r"no layer 'end' .* Did you mean 'ends'"):
        layer_in(LayerFile(path, "end"), "outlets")


def test_a_file_without_layers_is_said(tmp_path):
    """Callers that know the names already may hand them over; here there are none."""
    path = names_in(tmp_path, "lot")
    with pytest.raises(InputError, match="the file holds no layer"):
        layer_in(LayerFile(path), "lot", names=())


# ------------------------------------------------------------------ levels, empty layers


def test_levels_from_a_benchmark_are_raised_and_heights_are_not(tmp_path):
    """Site notes: benchmark 100.00 ft, which is 31.42 m in the raster's datum."""
    site = read(save(tmp_path / "site.gpkg"))
    raised = in_raster_datum(site, 31.42 - 30.48)
    assert raised.inlets["rim_m"].tolist() == pytest.approx([31.42, 31.1152])
    assert raised.buildings["threshold_m"][0] == pytest.approx(32.944)
    assert site.inlets["rim_m"][0] == pytest.approx(30.48)
    assert raised.inlets["rim_above_ground_m"].isna().all()
    assert_geodataframe_equal(raised.lot, site.lot)


@pytest.mark.parametrize(
    ("units", "endings"),
    [("us", "_in _ft _ft2 _ft3 _gpm _in_h"), ("metric", "_mm _m _m2 _m3 _lpm _mm_h")],
)
def test_empty_layers_read_back_as_they_are_meant(tmp_path, units, endings):
    """A GeoPackage of empty layers to draw in: typed columns in the job's units, no fault."""
    path = tmp_path / "site.gpkg"
    layers = empty_layers(UTM, units)
    assert list(layers) == [name for name, one in DRAWN_TABLES.items() if not one.is_optional]
    for name, frame in layers.items():
        pyogrio.write_dataframe(frame, path, layer=name, geometry_type="Unknown")
        for column in DRAWN_TABLES[name].columns:
            if column.quantity:
                assert any(f"{column.name}{ending}" in frame for ending in endings.split())
    types = dict(zip(pyogrio.read_info(path, "inlets")["fields"],
                     pyogrio.read_info(path, "inlets")["dtypes"], strict=True))  # fmt: skip
    assert types["name"] == "object"
    assert types["open_share"] == "float64"
    files, findings = find_site_files(path, {})
    with pytest.raises(InputError) as caught:
        read_site(files, crs=UTM, vertical_unit="m")
    assert [fault.rule for fault in caught.value.faults] == ["the layer is empty"]
    assert findings == []


def test_one_drawn_row_in_an_empty_layer_is_enough(tmp_path):
    """Draw the lot and one drain line in the US layers, leave the rest empty."""
    path = tmp_path / "site.gpkg"
    drawn = {
        "lot": {"name": "Lot", "geometry": shapely.box(X, Y, X + 9, Y + 9)},
        "drain_lines": {
            "name": "P1", "diameter_in": 4.0, "invert_up_ft": 98.5,
            "geometry": LineString([(X, Y), (X + 5, Y)]),
        },
    }  # fmt: skip
    for name, frame in empty_layers(UTM, "us").items():
        for column, value in drawn.get(name, {}).items():
            frame.loc[0, column] = value
        pyogrio.write_dataframe(frame, path, layer=name, geometry_type="Unknown")
    site = read(path)
    assert site.given == {"lot", "drain_lines"}
    assert site.drain_lines["diameter_m"][0] == pytest.approx(0.1016)
    assert site.drain_lines["invert_up_m"][0] == pytest.approx(30.0228)


# ------------------------------------------------------------------ tables of one geometry


def test_the_tables_of_a_layer_are_read_as_one_points_before_lines_before_areas(tmp_path):
    """However the file lists them; an older table of every geometry beside them comes first."""
    path = save(tmp_path / "site.gpkg", inlets=None)
    tables = {
        "inlet_lines": {"name": ["Channel"], "kind": ["channel drain"],
                        "geometry": [LineString([(X, Y), (X + 4, Y)])]},
        "inlets": {"name": ["CB1", "Mixed"],
                   "geometry": [Point(X + 20, Y + 5), LineString([(X, Y + 1), (X + 4, Y + 1)])]},
        "inlet_areas": {"name": ["Pit"], "geometry": [box(X + 9, Y, X + 10, Y + 1)]},
        "constraint_areas": {"kind": ["street"], "geometry": [box(X, Y - 9, X + 30, Y - 4)]},
        "constraint_points": {"kind": ["tree"], "geometry": [Point(X + 2, Y + 2)]},
        "constraints": {"kind": ["well"], "geometry": [Point(X + 3, Y + 3)]},
    }  # fmt: skip
    for name, columns in tables.items():
        gpd.GeoDataFrame(columns, crs=UTM).to_file(path, layer=name)
    site = read(path)
    assert site.inlets["name"].tolist() == ["CB1", "Mixed", "Channel", "Pit"]
    assert site.constraints["kind"].tolist() == ["well", "tree", "street"]
    sources = {source.layer: source for source in site.sources}
    assert sources["inlets"].layer_in_file == "inlets, inlet_lines, inlet_areas"
    assert sources["inlets"].rows == 4
    own = read_site({"lot": LayerFile(path), "inlets": LayerFile(path)}, crs=UTM,
                    vertical_unit="m")  # fmt: skip
    assert_geodataframe_equal(own.inlets, site.inlets)


def test_faults_name_the_table_and_the_row_there(tmp_path):
    """Of names across tables, of other layers with one of them, and those found on the ground."""
    path = save(tmp_path / "site.gpkg", outlets={"name": ["Channel"]},
                downspouts=None, drain_lines=None)  # fmt: skip
    lines = [LineString([(X, Y + i), (X + 4, Y + i)]) for i in range(2)]
    gpd.GeoDataFrame({"name": ["Channel", "CB2"]}, geometry=lines, crs=UTM).to_file(
        path, layer="inlet_lines"
    )
    (said,) = faults_of(path)
    assert "layer inlet_lines, row 2, name = 'CB2': names must be unique, row 2 of inlets" in said
    gpd.GeoDataFrame({"name": ["Channel", "C2"]}, geometry=lines, crs=UTM).to_file(
        path, layer="inlet_lines"
    )
    (said,) = faults_of(path)
    assert "layer outlets, row 1, name = 'Channel'" in said
    assert "row 1 of inlet_lines has the same" in said
    gpd.GeoDataFrame({"name": ["Gate", "C2"]}, geometry=lines, crs=UTM).to_file(
        path, layer="inlet_lines"
    )
    with pytest.raises(InputError) as caught, naming_files(read(path).sources):
        raise InputError(Fault("lies outside", layer="inlets", row=4))
    assert str(caught.value) == f"{path}, layer inlet_lines, row 2: lies outside."


def test_a_row_of_another_geometry_is_told_its_table(tmp_path):
    path = save(tmp_path / "site.gpkg")
    gpd.GeoDataFrame({"name": ["A"]}, geometry=[Point(X, Y)], crs=UTM).to_file(
        path, layer="inlet_lines"
    )
    (said,) = faults_of(path)
    assert "layer inlet_lines, row 1: is a point, must be a line" in said
    assert "Draw it as a line, or move the row to inlets." in said


def test_a_table_almost_called_as_one_to_draw_in_is_a_fault(tmp_path):
    path = names_in(tmp_path, "lot", "inlet_line")
    with pytest.raises(InputError, match=r"Did you mean 'inlet_lines'\?"):
        find_site_files(path, {})


def test_names_of_earlier_versions_are_read_with_a_note(tmp_path):
    spouts = LAYERS["downspouts"] | {"to": ["CB1"], "leads_to": [None]}
    lines = {"from": ["CB1"], "to": ["Curb"], "from_node": [None], "to_node": ["Curb"]}
    site = read(save(tmp_path / "site.gpkg", downspouts=spouts, drain_lines=lines))
    assert site.downspouts["leads_to"].tolist() == ["CB1"]
    assert site.drain_lines[["from_node", "to_node"]].values.tolist() == [["CB1", "Curb"]]
    assert [(f.rule, f.severity, f.subject, f.facts["names"]) for f in site.findings] == [
        ("old-column-names", "note", "downspouts", (("to", "leads_to"),)),
        ("old-column-names", "note", "drain_lines", (("from", "from_node"), ("to", "to_node"))),
    ]


def test_names_of_earlier_versions_in_a_table_without_rows_are_no_finding():
    columns = {"to": pd.Series(dtype=str), "name": pd.Series(dtype=str)}
    _, found = check_site_layer(
        gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([], crs=UTM), crs=UTM),
        SITE_LAYERS["downspouts"], Place("site.gpkg", "downspouts"), crs=UTM, vertical_unit="m",
    )  # fmt: skip
    assert found == []


def test_two_names_of_one_column_with_two_values_are_a_fault_of_the_row(tmp_path):
    path = save(tmp_path / "site.gpkg", drain_lines={"to": ["CB2"]})
    (said,) = faults_of(path)
    assert (
        "layer drain_lines, row 1, to_node = 'Curb': differs from to = CB2 of the same row" in said
    )


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("vertical_unit", ["m", "us-ft"])
def test_what_was_read_is_the_same_when_it_was_written_to_draw_in(tmp_path, units, vertical_unit):
    """Through the units of the columns, the foot of the raster, and tables of one geometry."""
    first = read_site(
        find_site_files(save(tmp_path / "site.gpkg", inlets={
            "kind": ["catch basin", "channel drain"], "rim_above_ground_m": [0.013, None],
            "geometry": [Point(X + 20, Y + 5), LineString([(X, Y), (X + 4, Y)])],
        }), {})[0],
        crs=UTM, vertical_unit=vertical_unit,
    )  # fmt: skip
    tables = drawn_layers(first, UTM, units, vertical_unit)
    assert {name: len(table) for name, table in tables.items() if len(table)} == {
        "lot": 1, "buildings": 2, "inlets": 1, "inlet_lines": 1, "downspouts": 1,
        "drain_lines": 1, "outlets": 1,
    }  # fmt: skip
    path = tmp_path / "drawn.gpkg"
    path.write_bytes(layers_file("drawn.gpkg", tables, units).content)
    second = read_site(find_site_files(path, {})[0], crs=UTM, vertical_unit=vertical_unit)
    for name in SITE_LAYERS:
        assert_geodataframe_equal(
            getattr(first, name), getattr(second, name), check_less_precise=False
        )
