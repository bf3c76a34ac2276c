"""Where things are: drains off the lot, rain of another place, outlets beyond the lot line."""

import json
import math
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.cli import main
from lotflow.criteria import Criteria
from lotflow.drains.setbacks import off_lot
from lotflow.inputs.job import read_job, screening_job
from lotflow.inputs.rainfall import parse_rainfall
from lotflow.inputs.site import read_site
from lotflow.inputs.sources import LayerFile
from lotflow.outputs.positions import place_of
from lotflow.runoff.rain_findings import rain_findings
from lotflow.study.ground import outlet_chapter
from lotflow.study.lot_water import read_inputs, study_lot

ROOT = Path(__file__).parents[2]
ATLAS = ROOT / "tests" / "jobs" / "data" / "atlas14_pulaski.csv"
CRS = "EPSG:26917"
#: A lot of 20 m by 20 m; a street 6 m south of it, a path along its east side.
X, Y = 600_000.0, 3_300_000.0


def box(west, south, east, north):
    return shapely.box(X + west, Y + south, X + east, Y + north)


def line(*points):
    return shapely.LineString([(X + x, Y + y) for x, y in points])


def at(x, y):
    return shapely.Point(X + x, Y + y)


STREET, PATH = ("street", box(-20, -16, 60, -6)), ("sidewalk", box(22, -6, 24, 60))


def site_of(folder, constraints=(), water=(), **layers):
    """A site drawn in a file: rows of name, kind and shape; of lines name and shape."""
    drawn = {"lot": [{"geometry": box(0, 0, 20, 20)}]}
    drawn["constraints"] = [{"kind": kind, "geometry": shape} for kind, shape in constraints]
    drawn["water"] = [{"geometry": shape} for shape in water]
    for name, rows in layers.items():
        keys = ("name", "geometry") if name == "drain_lines" else ("name", "kind", "geometry")
        drawn[name] = [dict(zip(keys, row, strict=True)) for row in rows]
    files = {}
    for name, rows in drawn.items():
        if rows:
            gpd.GeoDataFrame(rows, crs=CRS).to_file(folder / f"{name}.geojson")
            files[name] = LayerFile(folder / f"{name}.geojson")
    return read_site(files, crs=pyproj.CRS(CRS), vertical_unit="m")


def said(site):
    return {
        (one.rule, one.subject): (one.severity, one.measured)
        for one in off_lot(site, Criteria(), 1.0)
    }


def test_inlets_outlets_and_lines_on_a_neighbours_ground_are_told_with_how_far(tmp_path):
    """As far as a drawing may be off, 0.5 m, nothing is said."""
    site = site_of(
        tmp_path,
        [STREET],
        inlets=[("Far", "area drain", at(-7, 5)), ("Near", "area drain", at(-0.4, 5)),
                ("Channel", "channel drain", line((-3, 9), (4, 9))),
                ("Field", "french drain", box(-2, 12, 3, 14))],
        outlets=[("Garden", "pop-up emitter", at(-4, 15))],
        drain_lines=[("Line", line((5, 15), (-4, 15)))],
    )  # fmt: skip
    assert said(site) == {
        ("inlet-off-lot", "Far"): ("warn", 7.0),
        ("inlet-off-lot", "Channel"): ("warn", 3.0),
        ("inlet-off-lot", "Field"): ("warn", 2.0),
        ("outlet-off-lot", "Garden"): ("warn", 4.0),
        ("line-off-lot", "Line"): ("warn", 4.0),
    }


@pytest.mark.parametrize(
    ("kind", "end", "more"),
    [
        ("curb", (10, -6.3), {"constraints": [STREET]}),
        ("curb", (10, -6), {"constraints": [("street", line((-20, -11), (60, -11)))]}),
        ("daylight", (10, -8), {"constraints": [STREET]}),
        ("daylight", (10, -8), {"water": [box(0, -12, 20, -7)]}),
        ("public inlet", (10, -6), {}),
        ("storm sewer", (10, -6), {}),
    ],
)
def test_what_ends_in_a_street_in_water_or_at_a_public_inlet_is_not_blamed(
    tmp_path, kind, end, more
):
    site = site_of(
        tmp_path,
        outlets=[("End", kind, at(*end))],
        drain_lines=[("Line", line((10, 5), end))],
        **more,
    )
    assert said(site) == {}


def test_a_way_over_the_neighbours_lot_to_the_street_is_no_verge(tmp_path):
    """12 m over the ground beside the lot, then the street; a sidewalk alone is no street."""
    site = site_of(
        tmp_path,
        [STREET, PATH],
        outlets=[("Curb", "curb", at(-3, -6)), ("Walk", "daylight", at(23, 3))],
        drain_lines=[("Round", line((5, 6), (-3, 6), (-3, -6))), ("Out", line((15, 3), (23, 3)))],
    )
    assert said(site) == {
        ("line-off-lot", "Round"): ("warn", 14.5),  # 3 m, and 12 m less the edge of the street
        ("line-off-lot", "Out"): ("warn", 3.0),
        ("outlet-off-lot", "Walk"): ("warn", 3.0),
    }


def test_a_curb_without_a_street_and_an_easement_are_asked_about(tmp_path):
    site = site_of(
        tmp_path,
        [("easement", box(-6, 0, 0, 20))],
        outlets=[("Curb", "curb", at(10, -3)), ("Swale", "swale", at(-4, 5))],
    )
    assert said(site) == {
        ("outlet-off-lot", "Curb"): ("warn", 3.0),
        ("outlet-off-lot", "Swale"): ("note", 4.0),
    }


def test_what_is_only_so_today_says_so_and_the_sample_is_in_its_place():
    _, _, source, site = read_inputs(read_job(ROOT / "data_samples" / "alder_court"))
    criteria, unit = Criteria(), source.metres_per_unit
    assert not off_lot(site, criteria, unit)
    moved = site.outlets.copy()
    lot = site.lot.geometry.union_all()
    west = shapely.box(lot.bounds[0] - 7.0, lot.bounds[1], lot.bounds[0] - 6.0, lot.bounds[3])
    place = shapely.shortest_line(west, lot).coords[0]
    moved.loc[0, "geometry"] = shapely.Point(place)
    moved.loc[0, ["kind", "status"]] = ["daylight", "replaced"]
    (finding,) = (
        one
        for one in off_lot(replace(site, outlets=moved), criteria, unit)
        if one.rule == "outlet-off-lot"
    )
    assert finding.today
    assert finding.measured == pytest.approx(6.0, abs=1e-3)


def great_circle_m(one, other):
    """Haversine on a sphere: within 0.6 % of the ellipsoid."""
    (lat1, lon1), (lat2, lon2) = (map(math.radians, place) for place in (one, other))
    half = math.sin((lat2 - lat1) / 2) ** 2
    half += math.cos(lat1) * math.cos(lat2) * math.sin((lon2 - lon1) / 2) ** 2
    return 2 * 6_371_009 * math.asin(math.sqrt(half))


def lot_at(latitude, longitude):
    point = gpd.GeoSeries([shapely.Point(longitude, latitude)], crs=4326).to_crs(26917)
    return gpd.GeoDataFrame(geometry=point.buffer(20.0))


def test_a_rainfall_table_of_another_place_is_told_with_the_distance():
    """NOAA Atlas 14, Pulaski VA, as served: 37.0556, -80.7842 in its heading."""
    table = parse_rainfall(ATLAS.read_bytes(), ATLAS.name)
    assert table.place == (37.0556, -80.7842)
    for away, told in ((0.0, False), (0.20, False), (0.25, True), (3.0, True)):
        place = (37.0556 + away, -80.7842)
        found = [
            one
            for one in rain_findings(table, place_of(lot_at(*place)), Criteria())
            if one.rule == "rainfall-elsewhere"
        ]
        assert bool(found) == told, away
        if told:
            (one,) = found
            assert (one.severity, one.limit, one.unit) == ("warn", 25_000.0, "m")
            assert one.measured == pytest.approx(great_circle_m(table.place, place), rel=6e-3)


def test_a_table_that_names_no_place_is_not_held_against_one():
    table = parse_rainfall(b"depth_mm, 2 yr, 10 yr\n5 min, 8, 12\n1 h, 20, 31\n", "rain.csv")
    assert table.place is None
    broken = ATLAS.read_text("utf-8").replace("Longitude: -80.7842", "Longitude: -807.842")
    assert parse_rainfall(broken.encode(), "rain.csv").place is None
    found = rain_findings(table, place_of(lot_at(37.0, -80.0)), Criteria())
    assert "rainfall-elsewhere" not in {one.rule for one in found}


def yard_with_a_gutter(folder):
    """A dished yard; its south line lies high, the gutter 6 m beyond it 1.5 m lower."""
    x, y = np.meshgrid(np.arange(100) - 39.5, 59.5 - np.arange(100))
    values = 10.0 + 0.02 * np.hypot(x - 10, y - 10)
    values[(y < -6) & (y > -16)] = 8.5
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "width": 100, "height": 100,
               "crs": CRS, "transform": Affine(1, 0, X - 40, 0, -1, Y + 60)}  # fmt: skip
    with rasterio.open(folder / "dem.tif", "w", **profile) as raster:
        raster.write(values.astype(np.float32), 1)
    gpd.GeoDataFrame(geometry=[box(0, 0, 20, 20)], crs=CRS).to_file(folder / "lot.geojson")
    streets = gpd.GeoDataFrame({"kind": ["residential"]}, geometry=[STREET[1]], crs=CRS)
    streets.to_file(folder / "roads.gpkg", layer="streets")
    other = gpd.GeoDataFrame({"kind": ["x"]}, geometry=[box(0, 40, 9, 50)], crs=CRS)
    other.to_file(folder / "roads.gpkg", layer="parks")
    return folder / "dem.tif", {"lot": folder / "lot.geojson"}


def searched(elevation, layers, **criteria):
    job = screening_job((elevation,), layers, vertical_unit="m")
    job = job.model_copy(update={"criteria": replace(job.criteria, **criteria)})
    chapter = outlet_chapter(study_lot(job))
    options = chapter.layers["outlet_options"]
    first = options[options["rank"] == 1]
    return first.iloc[0] if len(first) else None, chapter.findings


def test_the_gutter_is_found_drawn_or_not_and_where_it_lies_is_said(tmp_path):
    elevation, layers = yard_with_a_gutter(tmp_path)
    drawn, findings = searched(elevation, {**layers, "streets": tmp_path / "roads.gpkg"})
    assert (drawn["kind"], drawn["verdict"], findings) == ("street", "reachable", [])
    first, (finding,) = searched(elevation, layers)
    assert (first["kind"], first["verdict"]) == ("beyond the lot", "reachable")
    assert (first["level_m"], first["off_lot_m"]) == (8.5, pytest.approx(6.5, abs=1.0))
    assert (finding.rule, finding.severity) == ("outlet-only-beyond-lot", "warn")
    assert finding.measured == pytest.approx(first["off_lot_m"], abs=1e-3)
    nothing, (finding,) = searched(elevation, layers, outlet_reach_m=0.0)
    # the lot's edge lies in the same low spot, under its overflow
    assert nothing is None
    assert (finding.rule, finding.measured) == ("no-gravity-outlet", None)


def test_a_screening_reads_streets_and_a_job_may_give_its_constraints_a_kind(tmp_path):
    """The file's own column "kind" is a road register's, and its other layers are not read."""
    elevation, layers = yard_with_a_gutter(tmp_path)
    more = ["--streets", tmp_path / "roads.gpkg", "--vertical-unit", "m", "-q", "--no-pack"]
    folder = tmp_path / "result"
    arguments = ["screen", elevation, layers["lot"], *more, "--realisations", 0, "-o", folder]
    with pytest.raises(SystemExit) as stopped:
        main([str(one) for one in arguments])
    assert stopped.value.code == 0
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    assert {one["kind"] for one in summary["outlet_options"] if one["rank"] == 1} == {"street"}
    (tmp_path / "job.toml").write_text(
        '[elevation]\nfile = "dem.tif"\nvertical_unit = "m"\n[layers]\nlot = "lot.geojson"\n'
        'constraints = { file = "roads.gpkg", layer = "parks", kind = "easement" }\n',
        "utf-8",
    )
    *_, site = read_inputs(read_job(tmp_path / "job.toml"))
    assert site.constraints["kind"].tolist() == ["easement"]
