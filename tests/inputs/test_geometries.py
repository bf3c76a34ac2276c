"""Shapes: of the right kind, sound, two-dimensional, in the grid's CRS."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from shapely import box, from_wkt

from lotflow.errors import InputError
from lotflow.inputs.site_layer import check_site_layer
from lotflow.inputs.sources import Place
from lotflow.layers import SITE_LAYERS

UTM = CRS(32618)
PLACE = Place("folder/site.gpkg", "drawn")
BOW_TIE = "POLYGON ((0 0, 2 2, 2 0, 0 2, 0 0))"


def line_to_nowhere():
    """A line to (NaN, 1), as a damaged file may hold it."""
    with np.errstate(invalid="ignore"):
        return from_wkt("LINESTRING (0 0, nan 1)")


def check(name, *shapes, crs=UTM, to=UTM):
    """Read shapes for a layer; rows are named by their number."""
    schema = SITE_LAYERS[name]
    columns = {c.name: [str(i) for i in range(len(shapes))] for c in schema.columns[:1]}
    if name == "lot":
        columns = {"name": ["14 Alder Court"] * len(shapes)}
    if name == "covers":
        columns = {"cover": ["lawn"] * len(shapes)}
    shapes = [from_wkt(shape) if isinstance(shape, str) else shape for shape in shapes]
    frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)
    return check_site_layer(frame, schema, PLACE, crs=to, vertical_unit="m")


def fault_of(name, *shapes, **kwargs):
    with pytest.raises(InputError) as caught:
        check(name, *shapes, **kwargs)
    (fault,) = caught.value.faults
    return fault


REFUSED = [
    ("inlets", None, "the row has no shape"),
    ("inlets", "POINT EMPTY", "the row has no shape"),
    ("covers", "MULTIPOLYGON EMPTY", "the row has no shape"),
    ("inlets", shapely.Point(np.inf, 1), "a coordinate is not a finite number"),
    ("walls", line_to_nowhere(), "a coordinate is not a finite number"),
    ("lot", "POINT (1 1)", "is a point, must be a polygon"),
    ("lot", "LINESTRING (0 0, 1 1, 2 0)", "is a line, must be a polygon"),
    ("lot", "LINESTRING (0 0, 1 1, 2 0, 0 0)", "is a closed line, must be a polygon. Turn closed "
     "lines into polygons"),
    ("buildings", "MULTILINESTRING ((0 0, 1 1, 2 0, 0 0))", "is a closed line, must be a polygon"),
    ("walls", box(0, 0, 1, 1), "is a polygon, must be a line"),
    ("walls", "GEOMETRYCOLLECTION (LINESTRING (0 0, 1 1))", "is a collection of shapes"),
    ("walls", "LINESTRING (1 1, 1 1)", "the line has no length"),
    ("drain_lines", "MULTILINESTRING ((1 1, 1 1), (2 2, 2 2))", "the line has no length"),
    ("lot", "POLYGON ((0 0, 1 1, 2 2, 0 0))", "the polygon encloses no area"),
    ("covers", "POLYGON ((0 0, 1 1, 0 0, 0 0))", "the polygon encloses no area"),
    ("lot", BOW_TIE, "the outline crosses itself at (1, 1)"),
    ("lot", "POLYGON ((0 0, 2 0, 1 1, 2 2, 0 2, 1 1, 0 0))",
     "the outline touches itself at (1, 1)"),
    ("lot", "MULTIPOLYGON (((0 0, 9 0, 9 9, 0 9, 0 0)), ((1 1, 2 1, 2 2, 1 1)))",
     "the outline is not sound (nested shells) at (1, 1)"),
    ("lot", "POLYGON ((0 0, 9 0, 9 9, 0 9, 0 0), (20 20, 21 20, 21 21, 20 20))",
     "the outline is not sound (hole lies outside shell) at (20, 20)"),
    ("inlets", "MULTIPOINT (0 0, 1 1)", "the row has several parts"),
    ("downspouts", "MULTIPOINT (0 0, 1 1)", "the row has several parts"),
    ("drain_lines", "MULTILINESTRING ((0 0, 1 1), (2 2, 3 3))", "the row has several parts"),
    ("culverts", "MULTILINESTRING ((0 0, 1 1), (2 2, 1 1))", "the row has several parts"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "shape", "message"), REFUSED)
def test_a_bad_shape_is_one_fault_with_its_row(name, shape, message):
    """A good row before it stays without a fault."""
    good = {"point": "POINT (5 5)", "line": "LINESTRING (5 5, 6 6)"}
    first = good.get(SITE_LAYERS[name].geometries[0], box(5, 5, 6, 6))
    fault = fault_of(name, first, shape)
    assert fault.row == 2
    assert str(fault).startswith("folder/site.gpkg, layer drawn, row 2: ")
    assert message in str(fault)


@pytest.mark.parametrize("name", ["buildings", "covers", "water"])
def test_outlines_that_cross_themselves_are_repaired_and_it_is_said(name):
    layer, findings = check(name, BOW_TIE)
    assert layer.geometry[0].is_valid
    assert layer.geometry[0].area == pytest.approx(2.0)
    assert [(f.rule, f.severity, f.subject) for f in findings][-1] == (
        "outline-repaired", "warn", "drawn, row 1",
    )  # fmt: skip
    problem = "the outline crosses itself at (1, 1)"
    assert findings[-1].facts == {"file": "site.gpkg", "problem": problem}  # without its folder


def test_holes_stay_holes():
    layer, findings = check("lot", box(0, 0, 9, 9) - box(3, 3, 4, 4))
    assert layer.geometry[0].area == 80
    assert findings == []


@pytest.mark.parametrize(
    ("shape", "single"),
    [
        ("MULTIPOINT (1 2)", "POINT (1 2)"),
        ("POINT Z (1 2 3)", "POINT (1 2)"),
        ("MULTILINESTRING ((0 0, 1 1))", "LINESTRING (0 0, 1 1)"),
        ("MULTILINESTRING ((0 0, 1 1), (1 1, 2 0))", "LINESTRING (0 0, 1 1, 2 0)"),
        ("MULTILINESTRING ((1 1, 2 0), (0 0, 1 1))", "LINESTRING (0 0, 1 1, 2 0)"),
        ("MULTIPOLYGON (((0 0, 1 0, 1 1, 0 0)))", "POLYGON ((0 0, 1 0, 1 1, 0 0))"),
    ],
)
def test_shapes_of_one_part_come_out_single(shape, single):
    """GeoPackages are often typed multi-part; pieces that follow one another are one line."""
    layer, _ = check("inlets", shape)
    assert layer.geometry[0].equals_exact(from_wkt(single))


def test_walls_and_covers_may_have_several_parts():
    for name, shape in [("walls", "MULTILINESTRING ((0 0, 1 1), (2 2, 3 3))"),
                        ("covers", box(0, 0, 1, 1) | box(2, 2, 3, 3))]:  # fmt: skip
        layer, findings = check(name, shape)
        assert len(shapely.get_parts(layer.geometry.to_numpy())) == 2
        assert "outline-repaired" not in [finding.rule for finding in findings]


@pytest.mark.parametrize(
    ("shapes", "area", "parts"),
    [
        ([box(0, 0, 1, 1) | box(5, 0, 6, 1)], 2, 2),
        ([box(0, 0, 1, 1), box(5, 0, 6, 1)], 2, 2),
        ([box(0, 0, 2, 1), box(1, 0, 3, 1)], 3, 1),
    ],
)
def test_a_lot_is_one_row_however_it_is_drawn(shapes, area, parts):
    """Parts are united, overlaps count once, and it is said."""
    lot, findings = check("lot", *shapes)
    assert len(lot) == 1
    assert lot.crs == UTM
    assert lot.geometry[0].area == pytest.approx(area)
    assert [finding.rule for finding in findings] == ["lot-in-parts"]
    assert findings[0].facts == {"file": "site.gpkg", "rows": len(shapes), "parts": parts}
    assert lot["name"].tolist() == ["14 Alder Court"]


@pytest.mark.parametrize("names", [["A", "B", "A"], [None, None], ["A", None]])
def test_a_layer_of_several_lots_asks_which(names):
    """Rows that nobody says are one lot are not taken for one: a street is no lot."""
    frame = gpd.GeoDataFrame(
        {"name": names}, geometry=[box(i, 0, i + 1, 1) for i in range(len(names))], crs=UTM
    )
    with pytest.raises(InputError) as caught:
        check_site_layer(frame, SITE_LAYERS["lot"], PLACE, crs=UTM, vertical_unit="m")
    (fault,) = caught.value.faults
    assert f"has {len(names)}: row 1" in fault.rule
    assert all(repr(name) in fault.rule for name in names if name)
    assert "--lot-name" in fault.remedy
    assert "batch" in fault.remedy


def test_heights_are_dropped_and_it_is_said():
    """A height in a shape has no unit and no datum one could trust."""
    layer, findings = check("walls", "LINESTRING Z (0 0 5, 1 1 6)", "LINESTRING (0 0, 1 1)")
    assert not layer.has_z.any()
    assert [finding.rule for finding in findings] == ["heights-ignored"]
    assert (findings[0].facts["shapes"], findings[0].facts["of"]) == (1, 2)


@settings(deadline=None, max_examples=50)
@given(st.floats(-76.9, -73.1), st.floats(36, 44))
def test_positions_are_brought_into_the_grid_s_crs(x, y):
    """Longitude first, whatever the axis order of the CRS; against pyproj itself."""
    layer, findings = check("downspouts", shapely.Point(x, y), crs=CRS(4326))
    expected = Transformer.from_crs(4326, 32618, always_xy=True).transform(x, y)
    assert layer.geometry[0].coords[0] == pytest.approx(expected, abs=1e-6)
    assert findings == []


def test_a_foot_grid_and_a_metre_layer_meet():
    """EPSG:2263 is in US survey feet: 1000 m of UTM become about 3280.8 of its units."""
    layer, _ = check("walls", "LINESTRING (583000 4507000, 584000 4507000)", to=CRS(2263))
    assert layer.length[0] == pytest.approx(3280.83, rel=1e-3)


def test_a_shift_between_datums_is_said_with_its_accuracy():
    """EPSG registry: NAD83 to WGS 84 (1), code 1188, has an accuracy of 4 m."""
    _, findings = check("downspouts", "POINT (-75 40)", crs=CRS(4326), to=CRS(26918))
    (finding,) = findings
    assert (finding.rule, finding.severity) == ("datum-shift", "note")
    assert finding.facts["known_to_m"] == 4.0


def test_of_several_operations_the_accuracy_of_the_one_used_is_said():
    """NAD27 to NAD83 without grid files takes NAD27 to WGS 84 and back, known to metres only."""
    _, findings = check("downspouts", "POINT (-75 40)", crs=CRS(4267), to=CRS(26918))
    (finding,) = findings
    assert finding.rule == "datum-shift"
    assert (finding.facts["own"], finding.facts["raster"]) == ("NAD27", "NAD83 / UTM zone 18N")


def test_the_same_crs_with_other_axes_or_heights_is_not_shifted():
    """The same place is the same place."""
    for crs in (CRS(6347), CRS("EPSG:6347+5703")):
        layer, findings = check("downspouts", "POINT (500000 4500000)", crs=crs, to=CRS(6347))
        assert layer.geometry[0].coords[0] == pytest.approx((500000, 4500000), abs=1e-9)
        assert findings == []


def test_a_place_the_grid_s_crs_cannot_express_is_a_fault():
    fault = fault_of("downspouts", "POINT (-75 95)", crs=CRS(4326))
    assert "a coordinate is not a finite number" in str(fault)
    assert "WGS 84 / UTM zone 18N" in str(fault)


def test_nothing_changes_for_a_layer_that_is_right_already():
    schema = SITE_LAYERS["walls"]
    frame = gpd.GeoDataFrame(
        {"name": ["A"], "height_m": [0.5]}, geometry=from_wkt(["LINESTRING (0 0, 1 1)"]), crs=UTM
    )
    layer, findings = check_site_layer(frame, schema, PLACE, crs=UTM, vertical_unit="m")
    again, _ = check_site_layer(layer, schema, PLACE, crs=UTM, vertical_unit="m")
    assert findings == []
    assert_geodataframe_equal(layer, again)
