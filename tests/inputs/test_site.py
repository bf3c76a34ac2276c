"""The whole site: every layer from its file, faults of all layers at once."""

import hashlib
from dataclasses import fields

import geopandas as gpd
import pyogrio
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from pyproj import CRS
from shapely import LineString, Point, box

from lotflow.errors import InputError, ParameterError
from lotflow.inputs.site import (
    Site,
    empty_layers,
    find_site_files,
    in_raster_datum,
    layer_in,
    read_site,
)
from lotflow.inputs.sources import LayerFile
from lotflow.layers import DRAWN_TABLES, SITE_LAYERS

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
    assert own == [*SITE_LAYERS, "given", "findings", "sources"]


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
    ("units", "endings"), [("us", "_in _ft _ft2 _ft3 _gpm"), ("metric", "_mm _m _m2 _m3 _lpm")]
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
