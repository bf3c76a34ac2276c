"""Levels measured on site: drawn points and level notes are one layer and feed what is drawn."""

import json
import math
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

import lotflow
from lotflow.cli import main
from lotflow.errors import InputError
from lotflow.inputs.job import read_job
from lotflow.outputs.map.content import map_shots
from lotflow.outputs.plan_page.drawn import drawn_layers
from lotflow.study.check import check_inputs
from lotflow.study.lot_water import read_inputs, study_lot
from lotflow.terrain.taken_shots import raster_level, shots_on

CRS = "EPSG:26918"
#: The raster of `make_raster` ends at 321,600 / 4,297,800, cells of 0.5 m, 40 by 30 m.
WEST, NORTH = 321_600.0, 4_297_800.0
HEAD = "point,bs_m,is_m,fs_m,level_m,place,x,y,on\n"
JOB = """[job]
units = "metric"
[elevation]
file = "dem.tif"
[layers]
file = "site.gpkg"
[confidence]
realisations = 0
"""
#: Sites that were made, by what was drawn in them.
SITES: dict[str, bytes] = {}
BENCHMARK = "benchmark = 100.0\nelevation_m = 20.0\nunit = 'm'\n"


def at(east, south):
    """A place so many metres east and south of the raster's corner."""
    return shapely.Point(WEST + east, NORTH - south)


def box(west, south, east, north):
    return shapely.box(WEST + west, NORTH - south, WEST + east, NORTH - north)


def site_file(drawn):
    """Bytes of a site with a house, a door, an inlet, a line and its outlet; made once each."""
    key = json.dumps(drawn, sort_keys=True)
    if key not in SITES:
        layers = {
            "lot": [({"name": "Lot"}, box(5, 25, 35, 5))],
            "buildings": [({"name": "House"}, box(15, 15, 25, 8))],
            "openings": [({"name": "Back door"} | drawn.get("door", {}), at(20, 15))],
            "inlets": [({"name": "CB 1"}, at(20, 20))],
            "drain_lines": [({"name": "Line 1", "from_node": "CB 1", "to_node": "Street"}
                             | drawn.get("line", {}),
                             shapely.LineString([at(20, 20), at(33, 24)]))],
            "outlets": [({"name": "Street", "kind": "curb"}, at(33, 24))],
        }  # fmt: skip
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "site.gpkg")
            for name, rows in layers.items():
                frame_of(rows).to_file(path, layer=name, driver="GPKG")
            SITES[key] = path.read_bytes()
    return SITES[key]


def frame_of(rows):
    return gpd.GeoDataFrame([row for row, _ in rows], geometry=[shape for _, shape in rows],
                            crs=CRS)  # fmt: skip


@pytest.fixture
def job(tmp_path, make_raster):
    """Make a job with notes and shots as they are given."""
    make_raster()

    def make(notes=None, shots=(), levels="", **drawn):
        (tmp_path / "site.gpkg").write_bytes(site_file(drawn))
        text = JOB
        if shots:
            frame_of(shots).to_file(tmp_path / "shots.geojson", driver="GeoJSON")
            text = text.replace("[layers]", "[layers]\nshots = 'shots.geojson'")
        if notes is not None:
            (tmp_path / "notes.csv").write_text(notes)
            levels = f"notes = 'notes.csv'\n{levels}"
        text += f"[levels]\n{levels}" if levels else ""
        (tmp_path / "job.toml").write_text(text)
        return read_job(tmp_path)

    return make


def site_of(job):
    return read_inputs(job)[3]


def faults_of(step):
    with pytest.raises(InputError) as caught:
        step()
    return caught.value.faults


def shot(name="S", level=19.5, kind="hard", **more):
    return {"name": name, "level_m": level, "surface_kind": kind, **more}


# what is read


def test_drawn_shots_come_with_what_is_assumed_of_them(job):
    """By a satellite 20 mm, with 10 mm more on lawn by squares: 22.36 mm; placed within 0.3 m."""
    rows = [(shot("A"), at(10, 20)), (shot("B", kind="lawn"), at(11, 20)),
            (shot("C", deviation_mm=3, placed_within_m=1, counts="check"), at(12, 20))]  # fmt: skip
    shots = site_of(job(shots=rows)).shots
    np.testing.assert_allclose(shots["deviation_m"], [0.020, 0.02236, 0.003], atol=1e-5)
    assert shots["placed_within_m"].tolist() == [0.3, 0.3, 1.0]
    assert shots["counts"].tolist() == ["yes", "yes", "check"]
    assert set(shots["datum"]) == {"raster"}


def test_a_shot_of_one_part_is_its_point_and_one_of_two_is_refused(job):
    """Viewers write points as many."""
    many = shapely.MultiPoint([at(10, 20)])
    assert site_of(job(shots=[(shot(), many)])).shots.geometry.tolist() == [at(10, 20)]
    many = shapely.MultiPoint([at(10, 20), at(11, 20)])
    (fault,) = faults_of(lambda: site_of(job(shots=[(shot(), many)])))
    assert (fault.layer, fault.row) == ("shots", 1)


def test_shots_from_the_benchmark_are_raised_and_drawn_levels_as_the_job_says(job):
    """100.00 on site is 20.00 in the raster's datum; 5 mm by a level."""
    rows = [(shot("A", 99.5), at(10, 20)), (shot("B", 19.5, datum="raster"), at(11, 20))]
    site = site_of(job(shots=rows, levels=BENCHMARK, door={"sill_m": 100.2}))
    np.testing.assert_allclose(site.shots["level_m"], [19.5, 19.5])
    np.testing.assert_allclose(site.shots["deviation_m"], [0.005, 0.020])
    np.testing.assert_allclose(site.openings["sill_m"], [20.2])
    text = BENCHMARK + "drawn = 'raster'\n"
    site = site_of(job(shots=rows, levels=text, door={"sill_m": 20.2}))
    np.testing.assert_allclose(site.shots["level_m"], [19.5, 19.5])
    np.testing.assert_allclose(site.openings["sill_m"], [20.2])


def test_notes_become_shots_at_their_places_and_levels_of_what_they_are_of(job):
    """By hand: collimation 101.500, sill 101.500 - 1.300; after TP 101.000, the invert 98.500."""
    notes = HEAD + (
        "BM,1.500,,,100.000,,,,\n"
        "P1,,1.300,,,Back door,,,\n"
        "P2,,1.950,,,cb 1,,,\n"
        f"P3,,1.900,,,,{WEST + 10},{NORTH - 20},lawn\n"
        "TP,1.100,,1.600,,,,,\n"
        "P4,,2.500,,,Street,,,\n"
        "P5,,2.450,,,Line 1 lower end,,,\n"
        "BM,,,1.000,,,,,\n"
    )
    site = site_of(job(notes, levels=BENCHMARK))
    shots = site.shots.set_index("name")
    levels = {"P1": 20.200, "P2": 19.550, "P3": 19.600, "P4": 18.500, "P5": 18.550}
    assert shots["level_m"].round(4).to_dict() == levels
    kinds = {"P1": "sill", "P2": "rim", "P3": "lawn", "P4": "invert", "P5": "invert"}
    assert shots["surface_kind"].to_dict() == kinds
    assert shots.loc["P4", "geometry"].equals(at(33, 24))
    assert site.openings["sill_m"].round(4).tolist() == [20.2]
    assert site.inlets["rim_m"].round(4).tolist() == [19.55]
    assert site.outlets["invert_m"].round(4).tolist() == [18.5]
    assert site.drain_lines["invert_down_m"].round(4).tolist() == [18.55]
    assert site.drain_lines["invert_up_m"].isna().all()
    assert site.levelled == {
        ("openings", "Back door", "sill_m"), ("inlets", "CB 1", "rim_m"),
        ("outlets", "Street", "invert_m"), ("drain_lines", "Line 1", "invert_down_m"),
    }  # fmt: skip
    (book,) = site.level_books
    assert round(book[1].misclosure_m, 6) == 0
    assert [one.rows for one in site.sources if one.layer == "shots"] == [5]


def test_an_invert_at_an_inlet_is_that_of_the_line_that_leaves_it(job):
    rows = [(shot("A", 18.9, "invert", subject="CB 1"), at(20, 20))]
    assert site_of(job(shots=rows)).drain_lines["invert_up_m"].tolist() == [18.9]
    # of a line alone the end that is nearer
    rows = [(shot("A", 18.4, "invert", subject="Line 1"), at(32.9, 24))]
    site = site_of(job(shots=rows))
    assert site.drain_lines["invert_down_m"].tolist() == [18.4]
    assert site.drain_lines["invert_up_m"].isna().all()


def test_a_level_that_is_only_compared_feeds_nothing(job):
    rows = [(shot("A", 20.1, "sill", subject="Back door", counts="check"), at(20, 15)),
            (shot("B", 19.3, "water mark", subject="Back door"), at(20, 15.5))]  # fmt: skip
    site = site_of(job(shots=rows, door={"sill_m": 20.2}))
    assert site.openings["sill_m"].tolist() == [20.2]
    assert not site.levelled


def test_a_typed_level_that_agrees_gives_way_to_the_measured_one(job):
    """12 mm are within half an inch."""
    rows = [(shot("A", 20.188, "sill", subject="House"), at(20, 15)),
            (shot("B", 20.188, "sill", subject="Back door"), at(20, 15))]  # fmt: skip
    site = site_of(job(shots=rows, door={"sill_m": 20.2}))
    assert site.openings["sill_m"].tolist() == [20.188]
    assert site.buildings["threshold_m"].tolist() == [20.188]


def test_notes_in_feet_on_a_raster_in_survey_feet_are_feet_of_the_raster(job, make_raster):
    """5,000 US survey feet are 1524.003 m; 3 mm more than as many international ones."""
    notes = ("point,bs_ft,is_ft,fs_ft,level_ft,x,y,on\n"
             f"BM,4,,,5000,,,\nA,,5,,,{WEST + 10},{NORTH - 20},hard\nBM,,,4,,,,\n")  # fmt: skip
    given = job(notes)
    make_raster(values=np.full((60, 80), 4999.0, "float32") + np.arange(80, dtype="float32") / 100,
                unit="US survey foot")  # fmt: skip
    (level,) = site_of(given).shots["level_m"]
    assert level == pytest.approx(4999 * 1200 / 3937, abs=1e-6)


# places of the field sheet


def printed(name, east=math.nan, south=0.0, kind="", subject="", **more):
    """A place of a field sheet as its result tells it."""
    x, y = (None, None) if math.isnan(east) else (WEST + east, NORTH - south)
    row = {"name": name, "x": x, "y": y, "surface_kind": kind, "subject": subject}
    return row | {"only_compared": False} | more


@pytest.fixture
def carried(tmp_path):
    """Make the result whose field sheet was carried."""

    def make(*places, crs="NAD83 / UTM zone 18N (EPSG:26918)", **more):
        found = {
            "schema_version": "1", "state": "complete", "contents": {},
            "provenance": {"elevation": {"crs": crs}}, "sheet_places": list(places),
        }  # fmt: skip
        (tmp_path / "visit").mkdir(exist_ok=True)
        (tmp_path / "visit" / "summary.json").write_text(json.dumps(found | more))
        return BENCHMARK + "places = 'visit'\n"

    return make


SHEET = (
    printed("Low spot 3", 12, 21), printed("Low spot 3 spill", 14, 22), printed("Run-on 1", 6, 9),
    printed("foot of House, south side", 20, 15.4),
    printed("10.0 ft out from House, south side", 20, 18),
    printed("sill of Back door", 20, 15, "sill", "Back door"), printed("Tie point 1"),
    printed("Street walk", 33, 24, "hard", only_compared=True),
)  # fmt: skip
NOTED = (
    "BM,1.5,,,100,,,,\nL,,1.9,,,low spot 3,,,lawn\nS,,1.8,,,Low spot 3 spill,,,lawn\n"
    "R,,1.7,,,Run-on 1,,,lawn\nF,,1.6,,,\"Foot of the House, south side\",,,lawn\n"
    "O,,1.6,,,10 ft out from house south side,,,lawn\nB,,1.3,,,sill of Back door,,,\n"
    f"T,,1.6,,,Tie point 1,{WEST + 9},{NORTH - 21},hard\nW,,1.6,,,Street walk,,,\n"
    "BM,,,1.5,,,,,\n"
)  # fmt: skip


def test_places_are_those_of_the_result_that_was_carried(job, carried):
    text = carried(*SHEET)
    made = job(HEAD + NOTED, levels=text)
    site = site_of(made)
    shots = site.shots.set_index("name")
    at_places = {"L": (12, 21), "S": (14, 22), "R": (6, 9), "F": (20, 15.4), "O": (20, 18),
                 "B": (20, 15), "T": (9, 21), "W": (33, 24)}  # fmt: skip
    for name, place in at_places.items():
        assert shots.geometry[name].equals_exact(at(*place), 1e-6), name
    assert made.files()[-1].parent.name in ("visit", "result")
    # a sill feeds its door, what stands beside its place is only compared
    assert shots.loc["B", ["surface_kind", "subject"]].tolist() == ["sill", "Back door"]
    np.testing.assert_allclose(site.openings["sill_m"], [20.2])
    assert shots["counts"].tolist() == ["yes"] * 7 + ["check"]


def test_places_of_a_sheet_that_was_not_named_or_is_of_elsewhere_are_asked_for(job, carried):
    notes = HEAD + NOTED
    faults = faults_of(lambda: site_of(job(notes, levels=BENCHMARK)))
    assert [(fault.line, fault.column) for fault in faults] == [(n, "place") for n in range(3, 11)]
    assert all("[levels] places" in fault.remedy for fault in faults)
    (fault,) = faults_of(lambda: site_of(job(notes, levels=carried(*SHEET, crs="elsewhere"))))
    assert "is not in" in fault.rule
    text = carried(sheet_places=[{"name": "Low spot 3", "x": "east", "y": 1}])
    (fault,) = faults_of(lambda: site_of(job(notes, levels=text)))
    assert fault.file.endswith("summary.json")


@pytest.mark.parametrize(
    ("row", "column", "said"),
    [
        ("F,,1.6,,,foot of House south sid,,,lawn\n", "place", "foot of House, south side"),
        ("F,,1.6,,,12 ft out from House south side,,,lawn\n", "place", "10.0 ft out from House"),
        ("T,,1.6,,,Tie point 1,,,hard\n", "place", "Give x and y"),
        ("B,,1.3,,,sill of Back door,,,lawn\n", "surface_kind", "Leave on empty"),
        ("F,,1.6,,,\"foot of House, south side\",,,\n", "surface_kind", "hard"),
    ],
)  # fmt: skip
def test_a_place_of_the_sheet_that_cannot_be_used_is_refused_with_a_remedy(
    job, carried, row, column, said
):
    notes = HEAD + "BM,1.5,,,100,,,,\n" + row + "BM,,,1.5,,,,,\n"
    (fault,) = faults_of(lambda: site_of(job(notes, levels=carried(*SHEET))))
    assert (fault.line, fault.column) == (3, column)
    assert said in fault.remedy


# what is refused


GOOD = f"A,,1.9,,,,{WEST + 10},{NORTH - 20},lawn\n"


@pytest.mark.parametrize(
    ("rows", "line", "column", "said"),
    [
        ("BM,1.5,,,100,,,,\n" + GOOD, 3, None, "close on no known point"),
        ("BM,1.5,,,100,,,,\n" + GOOD + "BM,,,1.52,,,,,\n", 4, None, "do not close"),
        ("BM,1.5,,,100,,,,\nBM,,,1.5,,,,,\nBM,1.4,,,,,,,\n" + GOOD, 5, None, "go on after"),
        ("A,,1.9,,,,,,\n", 2, None, "before any backsight"),
        ("TP,,,1.9,,,,,\n", 2, None, "before any backsight"),
        ("BM,1.5,,,100,,,,\nA,,1.9,,,,,,lawn\nBM,,,1.5,,,,,\n", 3, None, "nobody knows where"),
        ("BM,1.5,,,100,,,,\nA,,1.9,,,,321610,,lawn\nBM,,,1.5,,,,,\n", 3, "x", "belong together"),
        ("BM,1.5,,,100,,,,\nA,,1.9,,,CB 2,,,rim\nBM,,,1.5,,,,,\n", 3, "place", "nothing is drawn"),
        ("BM,1.5,,,100,,,,\nA,,1.9,,,House,,,\nBM,,,1.5,,,,,\n", 3, "place", "no place of its own"),
        ("BM,1.5,,,100,,,,\nA,,1.9,,,Line 1,,,invert\nBM,,,1.5,,,,,\n", 3, "place",
         "several things"),
        ("BM,1.5,,,100,,,,\n" + GOOD.replace("lawn", "lawm") + "BM,,,1.5,,,,,\n", 3,
         "surface_kind", "no surface_kind that is known"),
        ("BM,1.5,,,100,,,,\n" + GOOD.replace("lawn", "") + "BM,,,1.5,,,,,\n", 3, "surface_kind",
         "do not say what the rod stood on"),
        ("BM,1.5,,,100,,,,\n" + GOOD + "A,,1.95,,,,,,\nBM,,,1.5,,,,,\n", 3, None,
         "two readings of the point differ"),
        ("BM,1.5,,,100,,,,\n" + GOOD + "A,,1.9,,,,,,hard\nBM,,,1.5,,,,,\n", 3, "surface_kind",
         "given twice"),
        ("BM,1.5,,,100,,,,\n" + GOOD + "BM,,,1.5,100.2,,,,\n", 4, None, "another level was given"),
        ("BM,1.5,,,100,,,,\n" + GOOD + "none,,1.9,,,CB 1,,,\nBM,,,1.5,,,,,\n", 4, "name",
         "use this name themselves"),
    ],
)  # fmt: skip
def test_notes_that_cannot_be_used_are_refused_with_their_line(job, rows, line, column, said):
    faults = faults_of(lambda: site_of(job(HEAD + rows, levels=BENCHMARK)))
    assert [(f.line, f.column) for f in faults if said in f.rule] == [(line, column)]
    assert all(fault.file.endswith("notes.csv") and fault.remedy for fault in faults)


def test_a_misspelt_kind_is_offered_the_right_one(job):
    notes = HEAD + "BM,1.5,,,100,,,,\n" + GOOD.replace("lawn", "lawm") + "BM,,,1.5,,,,,\n"
    (fault,) = faults_of(lambda: site_of(job(notes, levels=BENCHMARK)))
    assert (fault.value, fault.remedy) == ("lawm", "Did you mean 'lawn'?")
    (fault,) = faults_of(lambda: site_of(job(shots=[(shot(kind="guter"), at(10, 20))])))
    assert (fault.layer, fault.row, fault.column) == ("shots", 1, "surface_kind")
    assert fault.remedy == "Did you mean 'gutter'?"


def test_both_unit_systems_in_one_table_are_refused(job):
    head = HEAD.replace("is_m", "is_ft")
    (fault,) = faults_of(lambda: site_of(job(head + "BM,1.5,,,100,,,,\n", levels=BENCHMARK)))
    assert (fault.line, fault.rule) == (1, "metres and feet stand in one table")
    head = HEAD.replace(",on", ",on,line_depth_in")
    (fault,) = faults_of(lambda: site_of(job(head + "BM,1.5,,,100,,,,,\n", levels=BENCHMARK)))
    assert (fault.line, fault.rule) == (1, "metres and feet stand in one table")


@pytest.mark.parametrize(
    ("rows", "drawn", "place", "said"),
    [
        ([(shot(datum="benchmark"), at(10, 20))], {}, ("shots", 1, "datum"), "the job has none"),
        ([(shot("A"), at(10, 20)), (shot("B", 19.6), at(10.05, 20))], {}, ("shots", 2, "name"),
         "taken at the same place"),
        ([(shot("A", 20.0, "sill", subject="Front door"), at(20, 15))], {},
         ("shots", 1, "subject"), "nothing is drawn by this name"),
        ([(shot("A", 20.0, "sill", subject="CB 1"), at(20, 15))], {},
         ("shots", 1, "subject"), "no level of the kind sill"),
        ([(shot("A", 20.0, "sill", subject="Back door"), at(20, 15)),
          (shot("B", 20.3, "sill", subject="Back door"), at(21, 15))], {},
         ("shots", 2, "subject"), "differ by 0.30 m"),
        ([(shot("A", 20.0, "sill", subject="Back door"), at(20, 15))], {"door": {"sill_m": 20.3}},
         ("openings", 1, "sill_m"), "0.30 m (11.8 in) above the level that was taken"),
        ([(shot("A", 19.5, "invert", subject="Line 1 upper end"), at(20, 20))],
         {"line": {"invert_up_m": 19.0}}, ("drain_lines", 1, "invert_up_m"), "below the level"),
    ],
)  # fmt: skip
def test_shots_that_contradict_the_drawing_or_one_another_are_refused(
    job, rows, drawn, place, said
):
    (fault,) = faults_of(lambda: site_of(job(shots=rows, **drawn)))
    assert (fault.layer, fault.row, fault.column) == place
    assert said in fault.rule
    assert Path(fault.file).name == ("shots.geojson" if place[0] == "shots" else "site.gpkg")
    assert fault.remedy
    # what is said to be wrong, or only to be compared, stops nothing
    first, *others = rows
    left = [(row | {"counts": "no"}, where) for row, where in (others or [first])]
    if place[2] != "datum":
        site_of(job(shots=[*([first] if others else []), *left], **drawn))


def test_one_name_in_notes_and_drawing_is_refused_by_the_line(job):
    notes = HEAD + "BM,1.5,,,100,,,,\n" + GOOD + "BM,,,1.5,,,,,\n"
    (fault,) = faults_of(
        lambda: site_of(job(notes, shots=[(shot("A"), at(12, 20))], levels=BENCHMARK))
    )
    assert (fault.line, fault.layer, fault.column) == (3, None, "name")


@pytest.mark.parametrize(
    ("row", "place", "said"),
    [
        (shot(), at(60, 20), "off the elevation data"),
        (shot(), at(20, 11), "under the roof"),
        (shot(level=1019.5), at(10, 20), "above its ground"),
        (shot(level=19.5 * 3.2808), at(10, 20), "above its ground"),
        (shot(level=19.5), at(900, 20), "from the lot"),
    ],
)
def test_shots_that_cannot_be_on_their_ground_are_refused(job, row, place, said):
    (fault,) = faults_of(lambda: check_inputs(job(shots=[(row, place)])))
    assert said in fault.rule
    assert (fault.layer, fault.row) == ("shots", 1)
    assert fault.file.endswith("shots.geojson")
    assert fault.remedy
    if "from the lot" not in said:
        check_inputs(job(shots=[(row | {"counts": "no"}, place)]))


def test_a_shot_where_the_raster_has_no_elevation_is_refused(job, make_raster, ground):
    given = job(shots=[(shot(), at(10.25, 20.25))])
    values = ground.copy()
    values[40, 20] = -9999
    make_raster(values=values, nodata=-9999)
    (fault,) = faults_of(lambda: check_inputs(given))
    assert "there is no elevation" in fault.rule


def test_a_level_from_notes_that_cannot_be_on_its_ground_is_told_by_its_line(job):
    """The benchmark was forgotten in the job: 100 m are no level there."""
    notes = HEAD + "BM,1.5,,,100,,,,\n" + GOOD + "BM,,,1.5,,,,,\n"
    (fault,) = faults_of(lambda: check_inputs(job(notes)))
    assert (fault.line, fault.layer) == (3, None)
    assert "above its ground" in fault.rule


# what the statistics of the ground read


def test_shots_are_handed_on_as_numbers(job):
    rows = [
        (shot("A", 19.4, "lawn", line="Swale", line_part="bed", line_rank=2, line_depth_mm=120),
         at(10.1, 20.1)),
        (shot("B", 19.6, counts="check"), at(20, 14.8)),
    ]  # fmt: skip
    lot = study_lot(job(shots=rows))
    shots = shots_on(lot.site.shots, lot.window.surface)
    assert shots.names == ("A", "B")
    assert (shots.line, shots.line_part) == (("Swale", ""), ("bed", ""))
    np.testing.assert_allclose(shots.line_rank, [2, np.nan])
    np.testing.assert_allclose(shots.line_depth_m, [0.12, np.nan])
    np.testing.assert_allclose(shots.level_m, [19.4, 19.6])
    assert shots.usage == ("yes", "check")
    assert not shots.own_datum.any()
    # A stays; B was read at the wall, whose outline it is drawn 0.2 m within
    assert (shots.x[0], shots.y[0]) == (WEST + 10.1, NORTH - 20.1)
    assert shots.y[1] == NORTH - 15.25
    cells = lot.window.surface.ground.row_column(shots.x, shots.y)
    np.testing.assert_allclose(
        raster_level(lot.site.shots, lot.window.surface), lot.window.surface.ground.values[cells]
    )
    assert not lot.window.surface.roof[cells].any()


def test_own_benchmarks_share_one_offset(job):
    rows = [(shot("A", 99.5), at(10, 20)), (shot("B", 19.5, datum="raster"), at(11, 20))]
    lot = study_lot(job(shots=rows, levels=BENCHMARK))
    assert shots_on(lot.site.shots, lot.window.surface).own_datum.tolist() == [True, False]


def test_without_shots_there_are_none(job):
    lot = study_lot(job())
    assert shots_on(lot.site.shots, lot.window.surface).names == ()
    assert lot.site.level_books == ()


# what a result shows


NOTES = HEAD + (
    "BM,1.500,,,100.000,,,,\n"
    "P1,,1.300,,,Back door,,,\n"
    f"P2,,2.000,,,,{WEST + 20.25},{NORTH - 16.25},hard\n"
    f"P3,,1.900,,,,{WEST + 10.25},{NORTH - 20.25},lawn\n"
    "TP,1.100,,1.600,,,,,\n"
    "P4,,2.500,,,Street,,,\n"
    "BM,,,1.002,,,,,\n"
)


def test_a_result_tells_each_level_beside_the_data_and_prints_the_notes(job, tmp_path, ground):
    """The raster's cell there is read off the raster itself."""
    result = lotflow.run(job(NOTES, levels=BENCHMARK))
    shots = result.shots.set_index("name")
    there = {"P2": ground[32, 40], "P3": ground[40, 20]}
    for name, level in there.items():
        assert shots.loc[name, "ground_m"] == pytest.approx(float(level))
        apart = shots.loc[name, "level_m"] - float(level)
        assert shots.loc[name, "difference_m"] == pytest.approx(apart)
    # misclosure -2 mm over two set-ups: 1 mm each; 100 is 20 in the raster's datum, as it was
    # given: all levels from it are brought to the ground that was made of them
    moved = 20.201 - shots.loc["P1", "level_m"]
    expected = np.array([20.201, 19.501, 19.601, 18.502]) - moved
    np.testing.assert_allclose(shots["level_m"], expected, atol=1e-4)
    assert moved > 0.1
    made = result.ground.values
    for name, cell in (("P2", (32, 40)), ("P3", (40, 20))):
        assert made[cell] == pytest.approx(shots.loc[name, "level_m"], abs=0.02)
    sill = result.openings["sill_m"].iloc[0]
    assert sill == pytest.approx(20.201 - moved, abs=1e-4)
    assert shots.loc[["P1", "P4"], "ground_m"].isna().all()
    assert shots["stands_on"].fillna("").tolist() == ["House", "", "", ""]
    assert set(shots["read_from"]) == {"level notes"}
    assert result.openings["level_from"].tolist() == ["levelled"]
    outlet = result.nodes[result.nodes["name"] == "Street"]
    assert outlet["level_from"].tolist() == ["levelled"]
    assert outlet["invert_m"].iloc[0] == pytest.approx(18.502 - moved, abs=1e-3)
    result.write(tmp_path / "out")
    book = (tmp_path / "out" / "level_book.txt").read_text()
    assert "Misclosure -0.002 m over 2 set-ups; 0.007 m are allowed." in book
    assert book.splitlines()[0] == "notes.csv"
    (drawn,) = [one for one in drawn_layers(result.layers, result.ground) if one["key"] == "shots"]
    assert [one["name"] for one in drawn["features"]] == ["P1", "P2", "P3", "P4"]
    told = {heading: value for heading, value, _ in drawn["features"][2]["told"]}
    assert told["Level"] == pytest.approx(19.601 - moved, abs=1e-4)
    assert told["Counts"] == "yes"
    assert len(map_shots(result.layers)) == 4
    kept = json.loads((tmp_path / "out" / "summary.json").read_text())
    (source,) = [one for one in kept["provenance"]["layers"] if one["layer"] == "shots"]
    assert (source["rows"], list(source["sha256"])) == (4, ["notes.csv"])


def hard_notes(ground, cells, bench=100.0, wrong=0.0):
    """Notes of levels on hard ground at cells, 80.25 above the raster; the last one is misread."""
    rows = [f"BM,1.500,,,{bench},,,,"]
    for number, (row, column) in enumerate(cells, 1):
        level = float(ground[row, column]) + 80.25 + (wrong if number == len(cells) else 0.0)
        at_cell = f"{WEST + 0.5 * column + 0.25},{NORTH - 0.5 * row - 0.25}"
        rows.append(f"H{number},,{bench + 1.5 - level:.3f},,,,{at_cell},hard")
    return HEAD + "\n".join([*rows, "BM,,,1.500,,,,,", ""])


CELLS = [(33, 14), (38, 30), (46, 20), (40, 60), (20, 62)]


@pytest.mark.parametrize("wrong", [0.0, 0.9])
def test_a_benchmark_of_unknown_elevation_is_tied_by_levels_on_hard_ground(job, ground, wrong):
    """100.00 is 19.75 in the raster's datum; a misread rod does not spoil it."""
    notes = hard_notes(ground, CELLS, wrong=wrong)
    settled, _, _, site = read_inputs(job(notes, levels="benchmark = 100.0\nunit = 'm'\n"))
    assert settled.levels.elevation_m == pytest.approx(19.75, abs=0.005)
    (tied,) = [one for one in site.findings if one.rule == "benchmark-tied"]
    assert tied.facts["levels"] == (4 if wrong else 5)
    # between the error of one level of the data and that of five that share nothing
    assert 0.1 / math.sqrt(5) < tied.facts["deviation_m"] < 0.1
    raster = [float(ground[cell]) for cell in CELLS[:4]]
    np.testing.assert_allclose(site.shots["level_m"][:4], raster, atol=0.006)


def test_a_benchmark_that_too_few_levels_tie_is_asked_for(job, ground):
    notes = hard_notes(ground, CELLS[:2])
    (fault,) = faults_of(lambda: site_of(job(notes, levels="benchmark = 100.0\nunit = 'm'\n")))
    assert fault.column == "surface_kind"
    assert "elevation_m" in fault.remedy


def test_how_a_sill_lies_to_levelled_ground_does_not_hang_on_where_the_benchmark_lies(job):
    """A decimetre in the elevation of the benchmark moves sill and levels alike."""
    told = [
        lotflow.run(job(NOTES, levels=BENCHMARK.replace("20.0", elevation))).openings
        for elevation in ("20.0", "20.1")
    ]
    for column in ("above_ground_m", "sill_m"):
        assert told[0][column].iloc[0] == pytest.approx(told[1][column].iloc[0], abs=1e-3)


def test_a_result_without_shots_has_neither_layer_nor_book(job):
    result = lotflow.run(job())
    assert "shots" not in result.layers
    assert "level_book.txt" not in result.study.texts


def test_nothing_is_written_where_notes_are_refused(job, tmp_path, capsys):
    job(NOTES.replace("1.002", "1.102"), levels=BENCHMARK)
    with pytest.raises(SystemExit) as stopped:
        main(["run", str(tmp_path)])
    assert stopped.value.code == 1
    assert "notes.csv, line 8" in capsys.readouterr().err
    assert not (tmp_path / "result").exists()
    # nor may a run replace the notes, or the result whose places they name
    job(NOTES, levels=BENCHMARK)
    assert tmp_path / "notes.csv" in read_job(tmp_path).files()


# other names of columns


def test_columns_of_drawn_shots_have_the_other_names_that_are_told(job):
    """As docs/layers.md tells: `on`, `usage`, `date`."""
    rows = [({"name": "A", "level_m": 19.5, "on": "hard", "usage": "check", "date": "2026-05-03"},
             at(10, 20))]  # fmt: skip
    site = site_of(job(shots=rows))
    (shot_,) = site.shots.to_dict("records")
    told = (shot_["surface_kind"], shot_["counts"], str(shot_["taken_on"]))
    assert told == ("hard", "check", "2026-05-03")


@pytest.mark.parametrize(
    ("head", "row"),
    [
        ("surface_kind,counts,taken_on", "hard,check,2026-05-03"),
        ("on,usage,date", "hard,check,2026-05-03"), ("On,Use,Date", "hard,check,2026-05-03"),
    ],
)  # fmt: skip
def test_columns_of_notes_have_those_of_the_layer_and_its_other_names(job, head, row):
    notes = (f"point,bs_m,is_m,fs_m,level_m,x,y,{head}\nBM,1.5,,,100,,,,,\n"
             f"A,,2,,,{WEST + 10},{NORTH - 20},{row}\nBM,,,1.5,,,,,,\n")  # fmt: skip
    (shot_,) = site_of(job(notes, levels=BENCHMARK)).shots.to_dict("records")
    told = (shot_["surface_kind"], shot_["counts"], str(shot_["taken_on"]))
    assert told == ("hard", "check", "2026-05-03")


@pytest.mark.parametrize(("key", "value"), [("on", "gras"), ("usage", "maybe"), ("date", True)])
def test_a_wrong_value_of_a_column_by_its_other_name_is_one_fault(job, key, value):
    good = {"name": "A", "level_m": 19.5, "on": "hard", "usage": "check", "date": "2026-05-03"}
    (fault,) = faults_of(lambda: site_of(job(shots=[(good | {key: value}, at(10, 20))])))
    assert (fault.row, fault.column, fault.value) == (1, key, value)


# levels of another datum


def level_faults_of(job):
    return faults_of(lambda: study_lot(job))


def test_levels_that_fit_as_written_are_told_how_to_say_so(job):
    """Ground at about 20 m, benchmark 100.00 for 20.00: a sill drawn as 20.1 is in the raster's."""
    bm = BENCHMARK + "drawn = 'benchmark'\n"
    door = {"sill_m": 20.1}
    faults = level_faults_of(job(levels=bm, door=door))
    assert [fault.column for fault in faults] == ["sill_m"]
    assert 'drawn = "raster"' in faults[0].remedy
    shots = [(shot("A", 19.8, datum="benchmark"), at(10, 20))]
    (fault,) = level_faults_of(job(shots=shots, levels=BENCHMARK))
    assert (fault.column, "datum = raster" in fault.remedy) == ("level_m", True)


def test_notes_from_a_benchmark_that_the_job_does_not_name_are_asked_for_it(job):
    notes = HEAD + f"BM,1.5,,,1000,,,,\nA,,1.9,,,,{WEST + 10},{NORTH - 20},lawn\nBM,,,1.5,,,,,\n"
    (fault,) = level_faults_of(job(notes))
    assert (fault.line, "benchmark of their own" in fault.remedy) == (3, True)


def test_a_benchmark_that_too_few_levels_tie_is_told_of_the_notes(job):
    notes = HEAD + f"BM,1.5,,,100,,,,\nA,,1.9,,,,{WEST + 10},{NORTH - 20},lawn\nBM,,,1.5,,,,,\n"
    (fault,) = faults_of(lambda: site_of(job(notes, levels="benchmark = 100.0\nunit = 'm'\n")))
    assert fault.file.endswith("notes.csv")
    assert "elevation_m" in fault.remedy
