"""Causes are shares that add up, of areas known by hand."""

import pytest
from hand_made import CROSSING, LOW_SPOT, SOUTH, finding, pond, result
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point

from lotflow.advice import causes
from lotflow.advice.causes import Source, shares
from lotflow.advice.result import way_from

PARTS = st.lists(
    st.tuples(
        st.sampled_from(list(Source)), st.sampled_from("abcdefgh"),
        st.floats(0, 1e6), st.none(), st.none(),
    ),
    max_size=30,
)  # fmt: skip


BYPASS = {
    "case": "proposed", "name": "Basin", "return_period_yr": 10.0, "own_m3": 6.0,
    "from_inlets_m3": 2.0, "backs_up_m3": 2.0, "stands_m3": 4.0, "passed_m3": 0.0,
    "limited_by": "line", "runs_to": "off the lot",
}  # fmt: skip


@given(PARTS)
def test_shares_add_up_to_one(parts):
    found = shares(parts)
    total = sum(one[2] for one in parts)
    assert sum(one.share for one in found) == pytest.approx(1.0 if found else 0.0)
    assert bool(found) == (total > 0)
    assert all(0 < one.share <= 1 for one in found)


@given(PARTS)
def test_no_source_is_lost_but_in_rounding(parts):
    found = shares(parts)
    total = sum(one[2] for one in parts)
    for source in Source:
        exact = sum(one[2] for one in parts if one[0] is source) / total if total else 0.0
        told = causes.share_of(found, source)
        assert told == pytest.approx(exact, abs=0.05)


def told(found):
    return {(one.source, one.subject): one.share for one in found}


def test_the_water_of_an_inlet_is_cut_by_the_lot_line_and_counts_its_roofs(site):
    """50 m² on the lot, 50 beyond it over one crossing, 20 of roof."""
    found = told(causes.of_inlets(result(site), ["Basin"]))
    exact = {
        (Source.OWN, ""): 50 / 120, (Source.NEIGHBOUR, "crossing 7"): 50 / 120,
        (Source.ROOF, "roofs led into Basin"): 20 / 120,
    }  # fmt: skip
    assert found == pytest.approx(exact, abs=0.01)


def test_downspouts_are_named_where_the_result_names_them(site):
    """In the water that comes up out of its drain as in what the inlet takes."""
    site["water_parts"] = [
        counted("Basin", "own yard", "", 80.0),
        counted("Basin", "roof", "DS1", 20.0, is_led_in=True),
    ]
    found = result(site)
    assert told(causes.of_inlets(found, ["Basin"]))[Source.ROOF, "DS1"] == 0.2
    assert [part[1] for part in causes._connected(found, ["Basin"])] == ["DS1"]


def test_roof_in_a_catchment_is_told_apart_and_a_roof_without_gutters_as_eaves(site):
    site["buildings"][0] = site["buildings"][0] | {"geometry": CROSSING["geometry"].buffer(0.1)}
    site["buildings"][0] |= {"geometry": LineString([(5, 16), (15, 16)]).buffer(0.5, cap_style=2)}
    assert (Source.ROOF, "roof of House") in told(causes.of_inlets(result(site), ["Basin"]))
    eaves = [finding("roof-sheds-at-eaves", "House", "note", measured=10.0, unit="m2")]
    found = told(causes.of_inlets(result(site, eaves), ["Basin"]))
    assert found[Source.EAVES, "roof of House"] == pytest.approx(10 / 120, abs=0.01)


def test_what_a_drain_refuses_comes_up_in_the_low_spot(site):
    """Own 6 m³, 2 out of the pipe, 2 past another inlet; halves of the ground share the 6."""
    row = BYPASS
    site["inlet_bypass"] = [row, row | {"name": "Upper", "runs_to": "Basin", "stands_m3": 0.0}]
    found = told(causes.of_low_spot(result(site), LOW_SPOT))
    assert found == {
        (Source.OWN, ""): 0.3, (Source.NEIGHBOUR, "crossing 7"): 0.3,
        (Source.DRAIN, "Basin (line)"): 0.2, (Source.INLET, "Upper"): 0.2,
    }  # fmt: skip


def test_a_low_spot_without_inlets_takes_what_runs_to_it_and_its_downspouts(site):
    site["inlets"] = []
    site["flow_paths"] = [{"area_m2": 70.0, "geometry": LineString([(10, 20), (10, 11)])}]
    site["runoff"] = [{"subject": "DS1", "kind": "downspout", "area_m2": 30.0}]
    spot = LOW_SPOT | {"inlets": ""}
    assert told(causes.of_low_spot(result(site), spot, ["DS1"])) == {
        (Source.NEIGHBOUR, "crossing 7"): 0.5, (Source.ROOF, "DS1"): 0.3, (Source.OWN, ""): 0.2,
    }  # fmt: skip


def test_water_at_a_wall_is_that_of_the_paths_near_it_and_at_least_its_own_strip(site):
    """50 m² over the line, 8 m times 10 ft of own ground."""
    site["flow_paths"] = [{"area_m2": 60.0, "geometry": LineString([(10, 20), (3, 10), (5, 2)])}]
    found = told(causes.of_walls(result(site), [SOUTH]))
    assert found == {(Source.NEIGHBOUR, "crossing 7"): 0.67, (Source.OWN, ""): 0.33}


def test_water_that_comes_on_twice_is_counted_once(site):
    again = CROSSING | {"id": 8, "area_m2": 60.0, "geometry": Point(4, 9)}
    site["lot_line_crossings"].append(again)
    site["flow_paths"] = [
        {"area_m2": 60.0, "geometry": LineString([(10, 20), (4, 9), (5, 2)])}
    ]  # fmt: skip
    found = {one.subject: one.amount for one in causes.of_walls(result(site), [SOUTH])}
    assert "crossing 7" not in found
    assert found["crossing 8"] == 60.0


def test_run_on_is_told_by_the_areas_of_its_crossings_and_what_comes_again_once(site):
    """Nothing is scaled: 50 and 60 m² stand in the layer."""
    assert [(row["id"], row["area_m2"]) for row in causes.entries(result(site))] == [(7, 50.0)]
    again = CROSSING | {"id": 8, "area_m2": 60.0, "geometry": Point(4, 9)}
    site["lot_line_crossings"].append(again)
    site["flow_paths"] = [
        {"area_m2": 60.0, "geometry": LineString([(10, 20), (4, 9), (5, 2)])}
    ]  # fmt: skip
    content = {"balance": {"on_m2": 40.0}}
    rows = causes.entries(result(site, content=content))
    assert [(row["id"], row["area_m2"]) for row in rows] == [(8, 60.0)]


def test_the_same_water_is_never_that_of_two_walls_of_a_house(site):
    """It runs round the corner, nearest to the east wall: the south wall has none of it."""
    east = SOUTH | {
        "name": "House, east side", "x": 14.0, "y": 7.0, "geometry": LineString([(14, 4), (14, 10)])
    }  # fmt: skip
    site["facades"] = [SOUTH, east]
    site["flow_paths"] = [
        {"area_m2": 60.0, "geometry": LineString([(10, 20), (15, 12), (15, 1)])}
    ]  # fmt: skip
    assert (Source.NEIGHBOUR, "crossing 7") in told(causes.of_walls(result(site), [east]))
    assert (Source.NEIGHBOUR, "crossing 7") not in told(causes.of_walls(result(site), [SOUTH]))


HOLLOW = {
    "id": 2, "contributing_area_m2": 40.0, "volume_m3": 5.0, "inlets": "", "spill_x": 10.0,
    "spill_y": 20.5, "on_lot_m2": 0.0, "geometry": Point(10, 22).buffer(1.0), "artefact": "",
    "spill_elevation_m": 12.0, "depth_m": 0.3, "area_m2": 3.0, "building_distance_m": 5.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("overflow", "volume", "kept"), [(0.0, 3.0, 40.0), (0.1, 3.0, 0.0), (0.0, 5.0, 0.0)]
)
def test_what_a_hollow_above_keeps_in_the_design_storm_does_not_arrive(
    site, overflow, volume, kept
):
    """40 of the 50 m² beyond the line; one that is full keeps nothing for sure."""
    site["low_spots"] = [LOW_SPOT, HOLLOW]
    site["ponds"] = [
        pond("open", low_spot=2, overflow_m3=overflow, volume_m3=volume, geometry=None)
    ]
    assert causes.held_back(result(site)).get("crossing 7", 0.0) == kept
    found = causes.of_inlets(result(site), ["Basin"])
    (one,) = [c for c in found if c.source is Source.NEIGHBOUR]
    assert (one.amount, one.held_m2) == (50.0, kept)
    # it has no share of what comes
    total = sum(c.amount for c in found)
    assert one.share == pytest.approx((50.0 - kept) / (total - kept), abs=0.006)
    assert [c.share for c in found] == sorted((c.share for c in found), reverse=True)
    assert sum(c.share for c in found) == pytest.approx(1)


def test_by_volume_a_hollow_that_keeps_its_water_has_no_share(site):
    """10 m² of 50 are left beyond the line beside 50 of the lot: a sixth of 6 m³."""
    site["low_spots"] = [LOW_SPOT, HOLLOW]
    site["ponds"] = [pond("open", low_spot=2, overflow_m3=0.0, volume_m3=3.0, geometry=None)]
    site["inlet_bypass"] = [BYPASS | {"from_inlets_m3": 0.0, "backs_up_m3": 0.0}]
    found = told(causes.of_low_spot(result(site), LOW_SPOT))
    assert found == {(Source.OWN, ""): 0.83, (Source.NEIGHBOUR, "crossing 7"): 0.17}


def test_roof_water_that_comes_up_again_out_of_the_drain_is_roof_water(site):
    """20 m² of roof at 0.05 m bring 1 of the 2 m³ that come up."""
    site["inlet_bypass"] = [BYPASS | {"from_inlets_m3": 0.0}]
    site["runoff"] = [{
        "subject": "DS1", "kind": "downspout", "area_m2": 20.0, "volume_m3": 1.0,
        "return_period_yr": 10.0,
    }]  # fmt: skip
    found = told(causes.of_low_spot(result(site), LOW_SPOT))
    of_roof = causes.share_of(causes.of_low_spot(result(site), LOW_SPOT), Source.ROOF)
    assert of_roof == pytest.approx(1 / 8, abs=0.01)
    assert found[Source.DRAIN, "Basin (line)"] == pytest.approx(1 / 8, abs=0.01)


def counted(subject, source, name, area, *, is_led_in=False):
    return {
        "subject": subject, "source": source, "name": name, "area_m2": area,
        "is_led_in": is_led_in,
    }  # fmt: skip


def test_cells_counted_by_a_study_take_the_place_of_all_that(site):
    site["water_parts"] = [
        counted("Basin", "roof", "DS9", 3.0, is_led_in=True), counted("Basin", "own yard", "", 1.0),
    ]  # fmt: skip
    assert told(causes.of_inlets(result(site), ["Basin"])) == {
        (Source.ROOF, "DS9"): 0.75, (Source.OWN, ""): 0.25,
    }  # fmt: skip


def test_what_drains_lead_in_is_no_part_of_the_ground_of_a_low_spot(site):
    site["water_parts"] = [
        counted("Basin", "roof", "DS9", 3.0, is_led_in=True),
        counted("Basin", "own yard", "", 1.0), counted("Basin", "neighbour", "crossing 7", 3.0),
    ]  # fmt: skip
    assert told(causes.of_low_spot(result(site), LOW_SPOT)) == {
        (Source.NEIGHBOUR, "crossing 7"): 0.75, (Source.OWN, ""): 0.25,
    }  # fmt: skip


def test_a_wall_has_the_roofs_that_end_there_besides_what_was_counted(site):
    site["water_parts"] = [counted(SOUTH["name"], "own yard", "", 60.0)]
    site["downspouts"] = [{"name": "DS9", "roof_area_m2": 20.0}]
    assert told(causes.of_walls(result(site), [SOUTH], ["DS9"])) == {
        (Source.OWN, ""): 0.75, (Source.ROOF, "DS9"): 0.25,
    }  # fmt: skip


def test_run_on_says_what_first_comes_on_and_small_entries_are_other_places(site):
    site["lot_line_crossings"] = [
        CROSSING, {**CROSSING, "id": 8, "area_m2": 90.0}, {**CROSSING, "id": 9, "area_m2": 95.0},
    ]  # fmt: skip
    site["water_parts"] = [
        counted("the lot", "neighbour", "crossing 8", 90.0),
        counted("the lot", "neighbour", "crossing 7", 10.0),
        counted("the lot", "neighbour", "other places", 200.0),
    ]  # fmt: skip
    found = [(row["id"], row["area_m2"], row["first_m2"]) for row in causes.entries(result(site))]
    assert found == [(9, 95.0, 0.0), (8, 90.0, 90.0), (7, 50.0, 10.0)]
    assert told(causes.of_inlets(result(site), ["the lot"])) == {
        (Source.NEIGHBOUR, "other places"): 0.67, (Source.NEIGHBOUR, "crossing 8"): 0.30,
        (Source.NEIGHBOUR, "crossing 7"): 0.03,
    }  # fmt: skip


def test_a_way_is_followed_from_path_to_path_and_ends_in_a_circle():
    paths = [
        LineString([(0, 0), (0, 5)]),
        LineString([(0, 5), (5, 5)]),
        LineString([(5, 5), (0, 5)]),
    ]
    way = way_from(Point(0.5, 1), paths, 1.0)
    assert way.coords[0] == (0, 1)
    assert way.coords[-1] == (0, 5)
    assert way_from(Point(9, 9), paths, 1.0) is None
    assert way_from(Point(9, 9), [], 1.0) is None


def test_a_roof_that_a_downspout_brings_to_a_low_spot_goes_by_its_name(site):
    """Its outline lies in the catchment; one that runs there only today is added."""
    roof = LineString([(5, 16), (15, 16)]).buffer(0.5, cap_style=2)
    site["buildings"] = [{"name": "House", "geometry": roof}]
    site["runoff"] = [{"subject": "DS2", "kind": "downspout", "area_m2": 100.0}]
    found = told(causes.of_low_spot(result(site), LOW_SPOT, ["DS1"]))
    assert found[Source.ROOF, "DS1"] == pytest.approx(0.10, abs=0.01)
    found = told(causes.of_low_spot(result(site), LOW_SPOT, [], ["DS2"]))
    assert found[Source.ROOF, "DS2"] == 0.5
    assert found[Source.ROOF, "roof of House"] == 0.05
