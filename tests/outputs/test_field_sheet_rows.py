"""What the field sheet says, before it is set."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.field_sheet.content import FieldSheetContent
from lotflow.outputs.field_sheet.hose import hose_tests, in_flow_order, usual_lines
from lotflow.outputs.field_sheet.parts import cautions, first_level_rows
from lotflow.outputs.field_sheet.priorities import attention, confidence
from lotflow.outputs.field_sheet.walk import sheet_places, walk
from lotflow.terrain.low_spots import Artefact
from lotflow.units import to_si

HOSE = to_si(10.0, "gpm")


def spot(number, **more):
    usual = {
        "id": number, "depth_m": 0.2, "area_m2": 9.0, "building_distance_m": 3.0,
        "on_lot_m2": 9.0, "artefact": "", "inside_building": False, "probability": 1.0,
        "inlets": "",
        "bed_elevation_m": 31.0, "spill_elevation_m": 31.2,
    }  # fmt: skip
    return usual | more


def content(layers=None, site=None, units="us", **lists):
    names = ("low_spots", "inlets", "lot_line_crossings", "findings", "outlet_options", "facades",
             "openings")  # fmt: skip
    summary = {**{name: [] for name in names}, "accuracy": {"rmse_m": 0.1}, **lists}
    return FieldSheetContent(summary, layers or {}, "Lot", "dem.tif", units, site or {})


def line(name, start, end, **more):
    usual = {
        "scenario": "today", "name": name, "status": "existing", "from_node": start, "to_node": end,
        "outlet": "O", "material": "pvc", "roughness": 0.010, "diameter_m": 0.1016,
        "length_m": 30.48, "slope_m_per_m": 0.01, "capacity_m3s": 0.00703,
        "deepest_trench_m": 0.8,
    }  # fmt: skip
    return usual | more


def test_the_lines_of_these_tests_have_the_columns_of_the_schema():
    known = {column.name for column in RESULT_LAYERS["drain_lines"].columns}
    assert known.issuperset(line("A", "a", "b"))


@given(st.floats(0.001, 10), st.floats(0.01, 1), st.floats(0, 100), st.floats(1.01, 3))
def test_attention_grows_with_depth_and_sureness_and_falls_with_distance(depth, sure, far, more):
    asks = attention(depth, sure, far)
    assert attention(depth * more, sure, far) > asks
    assert attention(depth, sure / more, far) < asks
    assert attention(depth, sure, far + more) < asks
    assert attention(depth, sure, None) >= asks


@pytest.mark.parametrize(("depth", "share"), [(0.0, 0.5), (0.141421, 0.8413), (0.282843, 0.9772)])
def test_without_realisations_sureness_is_the_normal_chance_of_a_difference(depth, share):
    """Normal distribution at 0, 1 and 2 standard deviations of a difference: sqrt(2) x 0.10 m."""
    assert confidence(spot(1, probability=None, depth_m=depth), 0.1) == pytest.approx(
        share, abs=5e-5
    )


def test_times_of_lines_in_a_row_add_up_to_the_outlet():
    lines = [line("B", "b", "O"), line("A", "a", "b"), line("C", "c", "b", slope_m_per_m=0.02)]
    first, second, third = hose_tests(lines, HOSE)
    assert first.outlet_s == first.arrival_s
    assert second.outlet_s == pytest.approx(second.arrival_s + first.arrival_s)
    assert third.outlet_s == pytest.approx(third.arrival_s + first.arrival_s)
    assert third.arrival_s < second.arrival_s
    assert first.late_s == pytest.approx(3 * first.arrival_s)
    assert round(100 * first.share) == 9  # of a 4 in pipe at 1 %


@pytest.mark.parametrize("slope", [0.0, -0.01, None])
def test_a_line_without_fall_has_no_time_but_fills(slope):
    above, flat = hose_tests(
        [line("A", "a", "b"), line("B", "b", "O", slope_m_per_m=slope, capacity_m3s=0.0)], HOSE
    )
    assert flat.arrival_s is flat.late_s is flat.outlet_s is flat.share is None
    assert above.arrival_s is not None
    assert above.outlet_s is None
    assert flat.full_s / 60 == pytest.approx(6.5, abs=0.05)  # 0.653 gal/ft, 100 ft, 10 gpm


def test_a_line_of_unknown_size_has_no_times():
    (unknown,) = hose_tests([line("A", "a", "O", diameter_m=None, capacity_m3s=None)], HOSE)
    assert unknown.arrival_s is unknown.full_s is unknown.share is None


def test_lines_in_a_ring_do_not_run_for_ever():
    ring = [line("A", "a", "b"), line("B", "b", "a")]
    assert all(test.outlet_s > test.arrival_s for test in hose_tests(ring, HOSE))
    assert len(in_flow_order(ring)) == 2


def test_usual_lines_have_the_times_printed_for_a_hose():
    """10 gpm, 100 ft at 1 %, Manning n 0.010: 55, 57 and 60 s in 3, 4 and 6 in."""
    smooth = hose_tests(usual_lines("us"), HOSE)[:3]
    assert [round(test.arrival_s) for test in smooth] == [55, 57, 60]


def frame(*rows):
    return pd.DataFrame(list(rows))


def site():
    outlet = {"name": "Curb 1", "kind": "curb", "invert_m": 30.0}
    return {
        "downspouts": frame(
            {"name": "DS1", "building": "House", "roof_area_m2": 30.0, "leads_to": "surface",
             "status": "replaced"},
            {"name": "DS9", "building": "House", "roof_area_m2": 30.0, "leads_to": "C1",
             "status": "proposed"},
        ),
        "outlets": frame(
            outlet | {"status": None},
            outlet | {"name": "Curb 2", "invert_m": 32.0, "status": "existing"},
            outlet | {"name": "Lost", "invert_m": None, "status": "existing"},
            outlet | {"name": "Curb 9", "status": "proposed"},
        ),
        "constraints": frame({"name": "Oak", "kind": "tree"}, {"name": None, "kind": "septic"}),
    }  # fmt: skip


def test_the_walk_goes_from_roof_to_outlets_and_from_high_to_low():
    crossings = [
        {"id": n, "direction": way, "area_m2": 10.0 * n, "elevation_m": 30.0 + n}
        for n, way in ((1, "on"), (2, "off"), (3, "on"))
    ]
    spots = [
        spot(1, bed_elevation_m=30.5),
        spot(2, bed_elevation_m=31.5),
        spot(3, artefact=Artefact.IN_BUILDING, inside_building=True),
    ]
    stages = walk(content(site=site(), low_spots=spots, lot_line_crossings=crossings))
    places = [stop.place for stage in stages[1:] for stop in stage.stops]
    assert places == [
        "Curb 9", "DS1, House", "Run-on 3", "Run-on 1", "Lowest door sill",
        "Lowest window well, vent", "Low spot 2", "Low spot 1", "Curb 2, curb", "Curb 1, curb",
        "Lost, curb",
    ]  # fmt: skip


def test_the_levels_to_take_hold_tie_points_sills_rims_and_spill_points():
    opening = {"name": "Back door", "kind": "door", "sill_m": 31.66, "ground_m": 31.5,
               "freeboard_m": -0.0254, "low_spot": 1}  # fmt: skip
    node = {"scenario": "today", "name": "CB1", "kind": "inlet", "rim_m": 31.0, "invert_m": None}
    layers = {"nodes": frame(node, node | {"scenario": "proposed", "name": "CB9"})}
    side = {
        "name": "House, east side",
        "out_m": 3.048,
        "foot_x": 1.0,
        "foot_y": 2.0,
        "out_x": 1.0,
        "out_y": 5.0,
        "verdict": "cannot tell",
    }
    inlet = {"name": "CB1", "kind": "catch basin", "status": None, "rim_m": None,
             "rim_above_ground_m": None}  # fmt: skip
    made = content(
        layers, site() | {"inlets": frame(inlet)}, low_spots=[spot(1)], openings=[opening],
        facades=[side | {"verdict": "no fault seen", "name": "fine"}, side],
    )  # fmt: skip
    stages = walk(made)
    by_place = {stop.place: stop for stage in stages for stop in stage.stops if stop.upper}
    assert list(by_place) == [
        "Benchmark", "Tie point 1", "Tie point 2", "Tie point 3", "Curb 9", "Back door",
        "House, east side", "Low spot 1", "CB1, catch basin", "Curb 2, curb", "Curb 1, curb",
        "Lost, curb",
    ]  # fmt: skip
    names = {one["name"] for one in sheet_places(made)}
    assert {f"{stop.place} {level.of}" for stop in by_place.values()
            for level in (stop.upper, stop.lower) if level} <= names  # fmt: skip
    assert {"CB1 rim", "Low spot 1 spill", "Curb 9 gutter", "House, east side at wall"} <= names
    assert by_place["Back door"].reason == "1.0 in below spill 1"
    assert str(by_place["CB1, catch basin"].upper) == "rim 101.71 ft"
    assert str(by_place["CB1, catch basin"].lower) == "invert"
    assert str(by_place["Curb 9"].lower) == "gutter"
    assert str(by_place["House, east side"].lower) == "at 10.0 ft"


@pytest.mark.parametrize("note", [Artefact.ENCLOSED, Artefact.AT_GAP, Artefact.DAMMED])
def test_a_doubted_low_spot_is_walked_to_and_levelled_unless_it_is_in_a_building(note):
    """The deepest, outside at the wall, comes first, however many others nobody doubts."""
    others = [spot(n, bed_elevation_m=32.0 + n) for n in range(10, 30)]
    doubted = spot(1, artefact=note, depth_m=0.9, building_distance_m=0.0)
    house = {"artefact": Artefact.IN_BUILDING, "inside_building": True}
    inside = spot(2, depth_m=2.0, building_distance_m=0.0, **house)
    known = content(low_spots=[*others, inside, doubted])
    (stage,) = [stage for stage in walk(known) if stage.title.startswith("Low spots")]
    # the lowest of all: not cut off, although the walk ends there
    assert stage.stops[-1].place == "Low spot 1"
    assert note in stage.stops[-1].reason
    assert len(stage.stops) + stage.left_out == len(others) + 1
    assert "Low spot 2" not in {stop.place for stop in stage.stops}


@pytest.mark.parametrize(
    ("deepest", "says"),
    [(1.0, "(L9)."), (1.22, "(L9): ladder."), (1.53, "(L9): ladder, and shoring")],
)
def test_the_cautions_tell_how_deep_the_trenches_get(deepest, says):
    """29 CFR 1926.651(c)(2): a way out from 4 ft; 1926.652(a): protection from 5 ft."""
    deep = {"status": "proposed", "scenario": "proposed", "deepest_trench_m": deepest}
    layers = {"drain_lines": frame(line("L1", "a", "b"), line("L9", "a", "b", **deep))}
    told = " ".join(cautions(content(layers, site())))
    assert says in told
    assert "Oak (tree); septic" in told


def test_levels_to_take_first_are_rows_with_what_each_settles_and_room_for_the_shot():
    rows = [
        {"rank": 1, "place": "foot of House, south side", "away_m": None, "level_m": 31.0,
         "question": "wall", "subject": "House, south side", "settles": 0.41, "together_with": 2},
        {"rank": 2, "place": "out from House, south side", "away_m": 3.048, "level_m": 30.5,
         "question": "low spot", "subject": "low spot 3", "settles": 0.1, "together_with": None},
    ]  # fmt: skip
    at = {"y": 2.0, "kind": "wall", "named": "House, south side"}
    rows = [row | at | {"x": float(row["rank"])} for row in rows]
    made = content({"levels_to_take": pd.DataFrame(rows)})
    shown = first_level_rows(made)
    names = {one["name"]: one["x"] for one in sheet_places(made)}
    assert [names[row[1].removesuffix(" (with 2)")] for row in shown] == [1.0, 2.0]
    assert [names[f"Level {row[0]}"] for row in shown] == [1.0, 2.0]
    assert [row[0] for row in shown] == ["1", "2"]
    assert shown[0][1] == "foot of House, south side (with 2)"
    assert shown[1][1] == "10.0 ft out from House, south side"
    assert [row[3] for row in shown] == ["41%", "10%"]
    assert shown[0][4] == "101.71 ft"
    assert {row[5] for row in shown} == {None}
    # without realisations the walk alone stands there, in its order
    assert first_level_rows(content()) == []
