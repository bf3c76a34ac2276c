"""The answer says everything once, in the order of harm, with how sure it is."""

from dataclasses import replace

import pytest
from hand_made import DOOR, LOT, LOW_SPOT, SOUTH, finding, frames, line, node, pond, water
from shapely.geometry import LineString, Point, box

from lotflow.advice.answer import MOST, answer, contradictions, told_twice
from lotflow.advice.grades import Grade
from lotflow.advice.remedies import Remedy, Step
from lotflow.advice.themes import Theme

CONTENT = {
    "accuracy": {"rmse_m": 0.1, "cell_m": 1.0, "low_spot_limit_m": 0.1},
    "balance": {"on_m2": 50.0, "lot_m2": 400.0},
}
LOW_SPOT_FOUND = (
    finding("opening-below-spill", "Door", "note", measured=-0.05, limit=0.0),
    finding("inlet-blocked", "Basin", measured=0.3, limit=0.0, part_of="opening-below-spill: Door"),
    finding("low-spot", "low spot 1", measured=0.3, limit=0.1, part_of="opening-below-spill: Door"),
)  # fmt: skip
WALL_FOUND = finding("ground-falls-to-building", "House, south side", measured=-0.06, limit=0.05)


def answered(layers, findings, units="metric", **content):
    return answer(frames(layers), findings, CONTENT | content, units)


def themes(told):
    return [item.theme for item in told.items]


def test_the_opening_comes_first_then_the_wall(site):
    told = answered(site, (WALL_FOUND, *LOW_SPOT_FOUND))
    assert themes(told)[:2] == [Theme.LOW_SPOT, Theme.WALLS]
    first = told.items[0]
    assert (first.place, first.grade, first.rank) == ("Door", Grade.SHOWN, 1)
    assert first.harm == (
        "Door stands in a low spot 0.30 m deep that nothing drains today: full, the water stands "
        "0.05 m above the sill; once built, it may still reach the sill from the 100-year storm on "
        "if Basin is blocked."
    )
    assert "Door" in first.left
    assert "House, south side" in first.left


def test_a_question_or_a_search_mends_nothing(site):
    """With its inlet blocked the water still enters; without an outlet nothing is mended at all."""
    assert answered(site, LOW_SPOT_FOUND).items[0].mends == ()
    drowned = finding("no-gravity-outlet", "Basin")
    site["nodes"].append(node("today", "Gully", 2, 2))
    assert answered(site, (*LOW_SPOT_FOUND, drowned)).items[0].mends == ()


def test_a_low_spot_that_is_filled_and_all_on_the_lot_is_mended(site):
    site["openings"], site["wall_water"], site["low_spots"] = [], [], [LOW_SPOT | {"inlets": ""}]
    site["nodes"] = []
    site["ponds"] = [pond("open"), pond("blocked:all")]
    told = answered(site, [finding("low-spot", "low spot 1")])
    assert told.items[0].measures[-1].what == "basin"
    assert told.items[0].mends
    site["low_spots"] = [LOW_SPOT | {"inlets": "", "on_lot_m2": 8.0}]
    assert answered(site, [finding("low-spot", "low spot 1")]).items[0].mends == ()


def test_from_which_storm_it_stands_again_is_that_of_the_water_with_all_blocked(site):
    site["wall_water"] += [water("blocked:all", 0.01, storm=2.0), water("blocked:all", -0.02, 10.0)]
    assert (
        "still reach the sill from the 10-year storm on"
        in answered(site, LOW_SPOT_FOUND).items[0].harm
    )


def test_a_sill_within_the_error_is_likely_at_most_and_says_what_to_level(site):
    site["openings"] = [DOOR | {"freeboard_low_m": -0.2, "freeboard_high_m": 0.1}]
    first = answered(site, LOW_SPOT_FOUND).items[0]
    assert first.grade is Grade.LIKELY
    assert "sill of Door" in first.check


def test_a_low_spot_the_data_cannot_tell_says_so_in_its_first_words(site):
    site["low_spots"] = [LOW_SPOT | {"probability": 0.1}]
    first = answered(site, LOW_SPOT_FOUND).items[0]
    assert first.grade is Grade.LEVEL_FIRST
    assert first.harm.startswith("If it is there: ")
    assert first.verdict.startswith("If it is there: ")


def test_what_stands_although_nothing_is_blocked_is_told(site):
    site["wall_water"].append(water("open", -0.02, storm=10.0))
    first = answered(site, LOW_SPOT_FOUND).items[0]
    assert "in the 10-year storm it stands 0.10 m deep there, 0.02 m above the sill" in first.harm


def test_an_open_catchment_is_a_range_in_the_evidence(site):
    site["inlets"][0] = site["inlets"][0] | {"catchment_m2_p05": 10.0, "catchment_m2_p95": 900.0}
    assert "Basin takes 10 to 900 m²" in answered(site, LOW_SPOT_FOUND).items[0].evidence


def test_an_old_run_is_one_item_however_much_is_wrong_with_it(site):
    site["drain_lines"] = [line("A", "Gully", "Joint"), line("B", "Joint", "End")]
    some = [
        finding("adverse-fall", "A", "fail"), finding("cover-too-small", "B", "fail"),
        finding("sediment-in-line", "A"), finding("water-above-grate", "Gully", today=True),
        finding("levels-unknown", "B", "note"),
    ]  # fmt: skip
    told = answered(site, (*LOW_SPOT_FOUND, *some))
    (run,) = [item for item in told.items if item.theme is Theme.RUN]
    assert run.verdict == "relay"
    assert len(run.findings) == len(some)


def test_a_question_about_an_old_run_stands_before_the_failures_of_others(site):
    site["drain_lines"] = [line("A", "Gully", "End"), line("Z", "Corner", "Lost")]
    some = [finding("adverse-fall", "A", "fail"), finding("outlet-not-found", "Z")]
    found = [item for item in answered(site, some).items if item.theme is Theme.RUN]
    assert [item.place for item in found] == ["Z", "A"]
    assert found[0].grade is Grade.LEVEL_FIRST


def test_an_old_run_that_is_sound_is_told_to_stay(site):
    site["drain_lines"] = [line("A", "Gully", "End")]
    (run,) = [item for item in answered(site, ()).items if item.theme is Theme.KEPT]
    assert run.verdict == "keep"


def test_an_outlet_out_of_reach_stands_behind_the_low_spot_it_would_empty(site):
    site["outlet_options"] = [{
        "subject": "Basin", "rank": 1, "kind": "water", "place": "Canal", "run_m": 30.0,
        "left_m": -0.5, "left_low_m": -0.7, "left_high_m": -0.2, "verdict": "not reachable",
    }]  # fmt: skip
    some = (*LOW_SPOT_FOUND, finding("no-gravity-outlet", "Basin"), WALL_FOUND)
    told = answered(site, some)
    assert themes(told)[:3] == [Theme.LOW_SPOT, Theme.NO_OUTLET, Theme.WALLS]
    assert "to Canal the fall is short by 0.50 m" in told.items[1].harm


def test_an_inlet_out_of_reach_decides_though_of_another_the_data_cannot_tell(site):
    """It is told apart from it, and a pump is not kept back for the other's levels."""
    site["inlets"].append(site["inlets"][0] | {"name": "Channel"})
    site["outlet_options"] = [
        {"subject": name, "rank": 1, "kind": "street", "place": "Street", "run_m": 30.0,
         "left_m": left, "left_low_m": left - 0.25, "left_high_m": left + 0.25, "verdict": verdict}
        for name, left, verdict in (
            ("Basin", -0.16, "cannot tell"), ("Channel", -1.2, "not reachable")
        )
    ]  # fmt: skip
    some = [
        finding("no-gravity-outlet", "Basin", "fail"), finding("no-gravity-outlet", "Channel"),
    ]  # fmt: skip
    item = item_of(answered(site, some), Theme.NO_OUTLET)
    assert item.place == "Channel"
    keys = [one.what for one in item.measures]
    assert {"pump", "level-outlet"} <= set(keys)
    assert "1.20 m" in item.harm
    assert "0.16 m" not in item.harm
    assert item.harm.index("Channel") < item.harm.index("Basin")
    site["outlet_options"][1]["verdict"] = "cannot tell"
    keys = [one.what for one in item_of(answered(site, some), Theme.NO_OUTLET).measures]
    assert keys == ["level-outlet"]


def test_of_an_old_run_whose_end_is_drawn_levels_are_asked_for_and_no_end(site):
    site["drain_lines"] = [line("A", "Gully", "Curb", invert_down_basis="unknown")]
    for rule, what in (("adverse-fall", "find-level"), ("outlet-not-found", "find")):
        run = item_of(answered(site, [finding(rule, "A")]), Theme.RUN)
        assert run.grade is Grade.LEVEL_FIRST
        assert [one.what for one in run.measures] == [what]


def test_where_most_of_a_hollow_or_its_water_is_of_others_it_is_not_filled(site):
    site["openings"], site["wall_water"], site["nodes"], site["inlets"] = [], [], [], []
    spot = LOW_SPOT | {"inlets": "", "building_distance_m": 9.0, "geometry": box(30, 30, 34, 33)}
    few = {"subject": "low spot 1", "source": "neighbour", "name": "crossing 7", "x": 10.0,
           "y": 20.0, "is_led_in": False}  # fmt: skip
    own = few | {"source": "own yard", "name": "", "area_m2": 50.0}
    low = [finding("low-spot", "low spot 1")]
    for area, on_lot, what in ((20.0, 12.0, "fill"), (26.0, 12.0, "keep-way"),
                               (20.0, 3.0, "keep-way")):  # fmt: skip
        site["low_spots"] = [spot | {"on_lot_m2": on_lot}]
        site["water_parts"] = [few | {"area_m2": area}, own]
        item = item_of(answered(site, low), Theme.LOW_SPOT)
        assert [one.what for one in item.measures if one.step == 3] == [what]
        assert ("m³" in item.takes) == (what == "fill")
    (way,) = [one for one in item.measures if one.what == "keep-way"]
    assert way.facts["out"] == "beyond"
    site["low_spots"] = [spot | {"on_lot_m2": 3.0, "spill_x": 10.0, "spill_y": 1.0}]
    item = item_of(answered(site, low), Theme.LOW_SPOT)
    assert [one.facts["out"] for one in item.measures if one.what == "keep-way"] == ["own"]


def test_a_hollow_without_outlet_that_is_the_neighbours_way_is_not_raised_either(site):
    """One answer does not say of one low spot that it is kept and that it is raised."""
    site["openings"], site["wall_water"], site["nodes"], site["inlets"] = [], [], [], []
    water = {"subject": "low spot 1", "source": "neighbour", "name": "crossing 7", "x": 10.0,
             "y": 20.0, "is_led_in": False, "area_m2": 50.0}  # fmt: skip
    stuck = [finding("low-spot", "low spot 1"), finding("no-gravity-outlet", "low spot 1")]
    spot = LOW_SPOT | {"inlets": "", "building_distance_m": 9.0, "geometry": box(30, 30, 34, 33)}
    for own, raised in ((50.0, False), (150.0, True)):
        site["water_parts"] = [water, water | {"source": "own yard", "name": "", "area_m2": own}]
        for chance in (0.95, 0.38):
            site["low_spots"] = [spot | {"probability": chance}]
            told = answered(site, stuck)
            low, none = item_of(told, Theme.LOW_SPOT), item_of(told, Theme.NO_OUTLET)
            assert ("raise-terrace" in [one.what for one in none.measures]) == raised
            assert ("fill" in [one.what for one in low.measures]) == raised
            (points,) = [one for one in none.measures if one.what == "as-before"] or [None]
            assert raised or points.facts["item"] == str(low.rank)
            assert (none.grade is Grade.LEVEL_FIRST) == (chance < 0.5)


def test_what_stands_at_a_neighbours_wall_is_not_at_the_house(site):
    site["openings"], site["wall_water"], site["nodes"] = [], [], []
    shed = {"name": "Next door", "geometry": box(14, 20, 18, 24)}
    site["buildings"] = [*site["buildings"], shed]
    low = [finding("low-spot", "low spot 1")]
    for at, keys in ((box(8, 10, 14, 12), {"raise"}), (box(10, 20, 14, 22), {"fill"})):
        site["low_spots"] = [LOW_SPOT | {"inlets": "", "geometry": at}]
        item = item_of(answered(site, low), Theme.LOW_SPOT)
        assert {one.what for one in item.measures} & {"raise", "fill"} == keys
        assert ("at " in item.harm) == (keys == {"raise"})


def test_ground_at_an_inlet_is_not_raised_beside_a_low_sill(site):
    """Without a low spot round it nothing else speaks against raising it."""
    site["low_spots"], site["openings"], site["wall_water"] = [], [], []
    stuck = [finding("no-gravity-outlet", "Basin")]
    for high, near, raised in ((0.05, 11.0, False), (0.30, 11.0, True), (0.05, 16.0, True)):
        site["openings"] = [
            DOOR | {"above_ground_m": high, "low_spot": None, "geometry": Point(10, near)}
        ]
        keys = [one.what for one in item_of(answered(site, stuck), Theme.NO_OUTLET).measures]
        assert ("raise-terrace" in keys) == raised


def test_an_old_run_without_levels_is_a_question_before_it_is_repaired(site):
    """And a grate that is too small is not repaired but made larger."""
    small = [finding("grate-too-small", "Gully", today=True)]
    for basis, what in (("unknown", "find-level"), ("given", "larger-grate")):
        site["drain_lines"] = [line("A", "Gully", "Curb", invert_down_basis=basis)]
        run = item_of(answered(site, small), Theme.RUN)
        assert [one.what for one in run.measures] == [what]


def test_a_grate_that_is_too_small_is_made_larger_and_no_fall_is_asked_of_it(site):
    small = finding("grate-too-small", "Basin", "fail", measured=0.4, limit=0.05)
    item = item_of(answered(site, [small]), Theme.CAPACITY)
    assert [one.what for one in item.measures] == ["more-grate"]
    assert item.measures[0].subjects == ("Basin",)
    site["drain_lines"] = [
        line("L", "Basin", "End", case="proposed", status="proposed", required_size="6 in")
    ]
    tight = finding("over-capacity", "L", "fail", measured=0.02, limit=0.01)
    item = item_of(answered(site, [small, tight]), Theme.CAPACITY)
    assert [one.what for one in item.measures] == ["more-grate", "lay"]


@pytest.mark.parametrize(("at", "takes"), [((10, 8), False), ((10, 3.5), True), ((10, 1), True)])
def test_an_inlet_behind_a_wall_keeps_no_water_off_it(site, at, takes):
    """Water comes on in the south, runs along the wall's east end and on to the north."""
    place = Point(at)
    site["lot_line_crossings"] = [
        {"id": 7, "direction": "on", "area_m2": 500.0, "elevation_m": 12.0,
         "geometry": Point(15, 0)}
    ]  # fmt: skip
    way = [(15, 0), (15, 6), at] if at[1] > 4 else [(15, 0), at]
    site["flow_paths"] = [{"area_m2": 500.0, "geometry": LineString(way)}]
    site["inlets"] = [site["inlets"][0] | {"geometry": place, "x": at[0], "y": at[1]}]
    site["water_parts"] = [
        {"subject": "House, south side", "source": "neighbour", "name": "crossing 7", "x": 15.0,
         "y": 0.0, "area_m2": 500.0, "is_led_in": False}
    ]  # fmt: skip
    walls = item_of(answered(site, (WALL_FOUND,)), Theme.WALLS)
    assert ("Basin is to take it" in walls.harm) == takes


def test_of_many_entries_the_largest_are_named_with_drains_three_without_five(site):
    site["lot_line_crossings"] = [
        {"id": number, "direction": "on", "area_m2": 100.0 - number, "elevation_m": 12.0,
         "geometry": Point(20, number)}
        for number in range(1, 6)
    ]  # fmt: skip
    cut = finding("cut-by-edge", "lot")
    for inlets, count in ((site["inlets"], 3), ([], 5)):
        site["inlets"] = inlets
        harm = item_of(answered(site, [cut]), Theme.RUN_ON).harm
        assert [f"crossing {n}" in harm for n in range(1, 6)] == [n <= count for n in range(1, 6)]


def test_the_largest_entry_is_named_though_an_item_above_tells_of_it(site):
    """None of twelve brings a tenth; the first is what runs to the wall."""
    site["lot_line_crossings"] = [
        {"id": number, "direction": "on", "area_m2": 90.0 - number, "elevation_m": 12.0,
         "geometry": Point(20, number)}
        for number in range(1, 13)
    ]  # fmt: skip
    site["water_parts"] = [
        {"subject": "House, south side", "source": "neighbour", "name": "crossing 1", "x": 20.0,
         "y": 1.0, "area_m2": 89.0, "is_led_in": False}
    ]  # fmt: skip
    told = answered(site, (WALL_FOUND, finding("cut-by-edge", "lot")), balance={"on_m2": 1002.0})
    assert [one.subject for one in item_of(told, Theme.WALLS).causes] == ["crossing 1"]
    harm = item_of(told, Theme.RUN_ON).harm
    assert "crossing 1" in harm
    assert "crossing 2" not in harm


def test_cells_for_screening_only_show_no_low_spot_for_sure(site):
    site["openings"], site["wall_water"] = [], []
    low = finding("low-spot", "low spot 1")
    assert item_of(answered(site, [low]), Theme.LOW_SPOT).grade is Grade.SHOWN
    coarse = finding("coarse-cell", "dem.tif")
    assert item_of(answered(site, [low, coarse]), Theme.LOW_SPOT).grade is Grade.LIKELY


def test_a_low_sill_off_the_data_is_likely_beside_a_downspout_that_is_drawn(site):
    site["facades"] = [SOUTH | {"verdict": "cannot tell", "slope": -0.02}]
    spout = finding("downspout-near-foundation", "DS1", x=10.0, y=3.5, measured=0.5, limit=1.5)
    assert item_of(answered(site, [spout]), Theme.WALLS).grade is Grade.SHOWN
    site["openings"] = [DOOR | {"above_ground_m": 0.05, "geometry": Point(10, 4)}]
    assert item_of(answered(site, [spout]), Theme.WALLS).grade is Grade.LIKELY


def test_an_old_run_that_lies_badly_is_not_said_to_carry_too_little(site):
    site["drain_lines"] = [line("A", "Gully", "End")]
    for rule, carries in (("cover-too-small", True), ("adverse-fall", False)):
        run = item_of(answered(site, [finding(rule, "A", "fail")]), Theme.RUN)
        assert ("cannot carry" in run.harm) != carries


def test_what_stands_on_the_lot_is_told_by_its_own_depth_and_wall(site):
    """0.30 m deep beyond the line and 0.05 m on the lot: less than the data can tell."""
    site["openings"], site["wall_water"] = [], []
    for own, grade in ((0.30, Grade.SHOWN), (0.12, Grade.SHOWN), (0.05, Grade.LEVEL_FIRST)):
        site["low_spots"] = [
            LOW_SPOT
            | {"inlets": "", "on_lot_depth_m": own, "on_lot_m2": 4.0, "geometry": box(8, 3, 14, 4)}
        ]
        item = item_of(answered(site, [finding("low-spot", "low spot 1")]), Theme.LOW_SPOT)
        assert item.grade is grade
        assert "at House, south side" in item.harm
        assert ("4 m²" in item.harm) == (own < 0.30)
        assert f"{own:.2f} m deep" in item.harm


def test_each_inlet_without_an_outlet_has_its_own_lack(site):
    site["inlets"].append(site["inlets"][0] | {"name": "Gully"})
    site["outlet_options"] = [
        {"subject": name, "rank": 1, "kind": "water", "place": "Canal", "run_m": 30.0,
         "left_m": left, "left_low_m": -0.7, "left_high_m": -0.1, "verdict": "not reachable"}
        for name, left in (("Basin", -0.5), ("Gully", -0.34))
    ]  # fmt: skip
    some = [finding("no-gravity-outlet", "Basin"), finding("no-gravity-outlet", "Gully")]
    harm = item_of(answered(site, some), Theme.NO_OUTLET).harm
    assert "0.50 m from Basin" in harm
    assert "0.34 m from Gully" in harm


def test_a_downspout_at_a_wall_is_led_away_before_the_ground_is_graded(site):
    """Led away it is mended; in a pipe whose end is not shown it is not."""
    spout = finding("downspout-near-foundation", "DS1", x=10.0, y=3.5, measured=0.5, limit=1.5)
    walls = answered(site, (WALL_FOUND, spout)).items[0]
    assert [one.what for one in walls.measures] == ["pipe-away", "neither"]
    assert walls.mends == ()
    site["flow_paths"] = [{"area_m2": 5.0, "geometry": LineString([(10, 2.4), (10, 0)])}]
    walls = answered(site, (WALL_FOUND, spout)).items[0]
    assert [one.what for one in walls.measures] == ["lead-away", "neither"]
    assert "roof water let out at the wall: DS1" in walls.mends


def test_a_dry_lot_says_so_and_what_would_remove_the_rest(site):
    site["low_spots"] = [
        LOW_SPOT | {"id": 2, "on_lot_m2": 0.0, "inlets": "", "artefact": "inside a building: none"}
    ]
    site["openings"] = []
    last = answered(site, ()).items[-1]
    assert last.harm.startswith("No water stands on your lot")
    assert "footprints" in last.evidence


def test_what_is_off_the_lot_is_no_item(site):
    site["low_spots"] = [LOW_SPOT | {"on_lot_m2": 0.0}]
    site["openings"] = []
    some = [finding("low-spot", "low spot 1", x=10.0, y=11.0)]
    told = answered(site, some)
    assert Theme.LOW_SPOT not in themes(told)
    assert some[0] in [one for item in told.items for one in item.findings]


def test_findings_of_the_data_are_evidence_with_their_reason(site):
    told = answered(site, (finding("rainfall-elsewhere", "rainfall"), *LOW_SPOT_FOUND))
    ((one, why),) = told.evidence_only
    assert one.rule == "rainfall-elsewhere"
    assert "bears on every figure" in why


def test_never_more_than_twelve_and_nothing_lost(site):
    site["drain_lines"] = [
        line(f"L{i}", f"N{i}", f"E{i}", case="today" if i % 2 else "proposed") for i in range(30)
    ]  # fmt: skip
    some = [finding("adverse-fall", f"L{i}", "fail") for i in range(30)]
    told = answered(site, (*some, *LOW_SPOT_FOUND, WALL_FOUND))
    assert len(told.items) == MOST
    assert [item.rank for item in told.items] == list(range(1, MOST + 1))
    counted = [one for item in told.items for one in item.findings]
    assert all(counted.count(one) == 1 for one in (*some, WALL_FOUND))


def test_a_study_with_nothing_drawn_is_answered(site):
    layers = {"lot": site["lot"], "low_spots": [LOW_SPOT | {"inlets": ""}]}
    told = answered(layers, [finding("low-spot", "low spot 1")])
    assert themes(told)[0] is Theme.LOW_SPOT
    assert "How far is the house?" in told.items[0].check


def test_an_empty_result_has_an_answer():
    assert themes(answered({}, ())) == [Theme.ELSEWHERE]


@pytest.mark.parametrize(("units", "depth"), [("us", "11.8 in"), ("metric", "0.30 m")])
def test_the_answer_is_in_the_units_of_the_report(site, units, depth):
    assert depth in answered(site, LOW_SPOT_FOUND, units).items[0].harm


def test_the_sections_of_the_summary_hold_the_contract(site):
    told = answered(site, (*LOW_SPOT_FOUND, WALL_FOUND)).content("metric")
    assert set(told) == {"answer", "evidence_only", "harm"}
    wanted = {
        "rank", "harm", "place", "x", "y", "causes", "verdict", "remedy", "mends", "takes",
        "grade", "evidence", "source", "findings",
    }  # fmt: skip
    for item in told["answer"]:
        assert wanted <= set(item)
        assert item["grade"] in ("shown", "likely", "level first")
        assert item["evidence"]
        assert item["source"]
        if item["causes"]:
            assert sum(one["share"] for one in item["causes"]) == pytest.approx(1.0, abs=0.01)
        assert all(set(one) == {"rule", "subject", "scenario"} for one in item["findings"])


def test_of_water_near_the_lawn_s_low_spot_today_and_proposed_are_apart(site):
    """An old gully stands in it: what it does today was not computed, and is not guessed."""
    site["nodes"].append(node("today", "Gully", 10, 11))
    site["ponds"] = [pond("blocked:all")]
    told = answered(site, LOW_SPOT_FOUND)
    assert "nothing drains today" not in told.items[0].harm


def test_walls_of_the_house_stand_before_those_of_the_shed(site):
    shed = {"name": "Shed", "geometry": site["buildings"][0]["geometry"].buffer(-2.5)}
    site["buildings"].append(shed)
    steep = SOUTH | {"name": "Shed, south side", "building": "Shed", "slope": -0.2}
    site["facades"].insert(0, steep)
    some = (finding("ground-falls-to-building", "Shed, south side"), WALL_FOUND)
    assert answered(site, some).items[0].place == "House, south side"


def item_of(told, theme):
    (one,) = [item for item in told.items if item.theme is theme]
    return one


def test_one_blocked_inlet_that_is_enough_is_told(site):
    site["low_spots"] = [LOW_SPOT | {"inlets": "Basin, Gully"}]
    site["inlets"].append(site["inlets"][0] | {"name": "Gully"})
    site["wall_water"].append(water("blocked:Basin", -0.02, storm=10.0))
    harm = answered(site, LOW_SPOT_FOUND).items[0].harm
    assert "Basin alone blocked is enough: the 10-year storm then stands 0.02 m above" in harm
    # with none blocked it stands higher: that one is blocked tells nothing
    site["wall_water"].append(water("open", -0.03, storm=10.0))
    assert "alone blocked" not in answered(site, LOW_SPOT_FOUND).items[0].harm


def test_all_storms_that_reach_a_sill_with_nothing_blocked_are_told(site):
    site["wall_water"] += [water("open", -0.01, storm=10.0), water("open", -0.06, storm=100.0)]
    harm = answered(site, LOW_SPOT_FOUND).items[0].harm
    assert "in the 10-year storm" in harm
    assert "in the 100-year storm 0.06 m above the sill" in harm


def test_a_low_spot_that_a_storm_does_not_fill_is_not_said_to_be_filled(site):
    site["ponds"] = [pond("blocked:all", depth_m=0.291)]
    assert "undrained" not in answered(site, LOW_SPOT_FOUND).items[0].verdict
    site["ponds"] = [pond("blocked:all", overflow_m3=0.4)]
    assert "undrained, a 10-year storm fills it" in answered(site, LOW_SPOT_FOUND).items[0].verdict


def test_no_fill_is_counted_for_what_cannot_be_filled_or_is_not_the_lot_s(site):
    assert "fill" not in answered(site, LOW_SPOT_FOUND).items[0].takes
    site["openings"] = []
    site["low_spots"] = [LOW_SPOT | {"inlets": ""}]
    assert "1.50 m³ of fill" in answered(site, LOW_SPOT_FOUND[2:]).items[0].takes
    site["low_spots"] = [LOW_SPOT | {"inlets": "", "on_lot_m2": 8.0}]
    assert answered(site, LOW_SPOT_FOUND[2:]).items[0].takes == ""


def capacity(site):
    site["drain_lines"] = [
        line("Main", "Basin", "Out", case="proposed", status="proposed", required_size="125 mm",
             diameter_m=0.1),
    ]  # fmt: skip
    return finding(
        "over-capacity", "Main", measured=0.010, limit=0.008, unit="m3/s", rests_on=("given",)
    )


def test_no_larger_pipe_is_asked_for_before_its_outlet_is_found(site):
    over = capacity(site)
    assert "125 mm" in item_of(answered(site, [over]), Theme.CAPACITY).remedy
    drowned = finding("outlet-under-water", "Main", measured=-0.5, limit=0.1, unit="m")
    told = answered(site, [over, drowned, *LOW_SPOT_FOUND])
    # told once, under its outlet, with all that was found of it
    assert not [one for one in told.items if one.theme is Theme.CAPACITY]
    outlet = item_of(told, Theme.NO_OUTLET)
    assert over in outlet.findings
    assert "125 mm" not in outlet.remedy + outlet.takes
    assert "flap" in {one.what for one in outlet.measures}
    assert contradictions(told.items) == []


def test_a_line_that_fits_what_arrives_says_so_and_is_likely_at_most(site):
    """Of 10 m³ the hollows let 6 arrive: 6 l/s of 10, and it carries 8."""
    over = capacity(site)
    site["runoff"] = [{
        "subject": "Basin", "kind": "inlet", "volume_m3": 10.0, "return_period_yr": 10.0,
    }]  # fmt: skip
    site["inlet_intake"] = [{
        "inlet": "Basin", "case": "open", "return_period_yr": 10.0, "direct_m3": 2.0,
        "overflow_m3": 4.0,
    }]  # fmt: skip
    main = item_of(answered(site, [over]), Theme.CAPACITY)
    assert "large enough for what arrives by the data, 6.00 l/s against 8.00 l/s" in main.harm
    assert [one.what for one in main.measures] == ["holds"]
    assert "125 mm" not in main.remedy + main.takes
    assert main.grade is Grade.LIKELY


def test_a_narrowing_is_no_lack_of_size_and_has_two_cures(site):
    site["drain_lines"] = [
        line("Upper", "Basin", "Bend", case="proposed", status="proposed", required_size="110 mm",
             diameter_m=0.15),
        line("Main", "Bend", "Out", case="proposed", status="proposed", required_size="160 mm",
             diameter_m=0.1),
    ]  # fmt: skip
    narrow = finding("smaller-pipe-downstream", "Main", "fail", measured=0.1, limit=0.15, unit="m")
    main = item_of(answered(site, [narrow]), Theme.CAPACITY)
    assert "narrows" in main.verdict
    assert "Or lay Upper in 110 mm" in main.remedy


def profile(*places):
    """Where, ground and bottom of a pipe of 0.1 m."""
    return [
        {"case": "proposed", "name": "Main", "distance_m": at, "ground_m": ground,
         "invert_m": invert, "cover_m": ground - invert - 0.1}
        for at, ground, invert in places
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("detail", "places", "done"),
    [
        ("curb", [(0, 10.5, 10.0), (10, 9.9, 9.9)], "shallow-end"),
        ("curb", [(0, 10.5, 10.0), (10, 10.2, 9.9)], "deeper"),
        ("daylight", [(0, 10.5, 10.0), (5, 9.8, 9.95), (10, 9.9, 9.9)], "end-before"),
        ("daylight", [(0, 10.5, 10.0), (5, 10.0, 9.95), (10, 9.9, 9.9)], "deeper"),
    ],
)
def test_cover_is_mended_by_where_a_line_ends(site, detail, places, done):
    """Nothing lies deeper than a gutter; a bottom above the ground is out of it, a top is not."""
    capacity(site)
    site["nodes"].append(node("proposed", "Out", 10, 0, "outlet") | {"detail": detail})
    site["line_profiles"] = profile(*places)
    shallow = finding("cover-too-small", "Main", measured=0.25, limit=0.3, unit="m")
    told = item_of(answered(site, [shallow]), Theme.LAYING)
    assert [one.what for one in told.measures] == [done]
    # the figure is that of the finding, and what comes out of the ground beside it
    assert "Main has 0.25 m of cover, 0.30 m wanted" in told.evidence
    assert ("0.25 m out of the ground" in told.evidence) == (done == "end-before")
    assert ("less than 0.10 m before the curb" in told.evidence) == (done == "shallow-end")


def test_a_rule_from_memory_is_never_shown(site):
    capacity(site)
    said = finding("trench-below-footing", "Main", measured=0.15, limit=0.21, unit="m")
    for source, grade in (("a standard", Grade.SHOWN), ("a standard, from memory", Grade.LIKELY)):
        told = answered(site, [replace(said, source=source)])
        assert item_of(told, Theme.LAYING).grade is grade
        narrow = finding("smaller-pipe-downstream", "Main", "fail", measured=0.1, limit=0.15)
        told = answered(site, [replace(narrow, source=source, rests_on=("given",))])
        assert item_of(told, Theme.CAPACITY).grade is grade


def test_a_pipe_size_is_not_held_against_a_flow(site):
    """0.15 m is more than 0.006 m³/s: nothing fits by that."""
    capacity(site)
    site["runoff"] = [{
        "subject": "Basin", "kind": "inlet", "volume_m3": 10.0, "return_period_yr": 10.0,
    }]  # fmt: skip
    site["inlet_intake"] = [{
        "inlet": "Basin", "case": "open", "return_period_yr": 10.0, "direct_m3": 2.0,
        "overflow_m3": 4.0,
    }]  # fmt: skip
    narrow = finding("smaller-pipe-downstream", "Main", "fail", measured=0.1, limit=0.15)
    main = item_of(answered(site, [narrow]), Theme.CAPACITY)
    assert [one.what for one in main.measures] == ["lay"]


def test_drains_are_ordered_only_where_a_step_has_them_laid(site):
    site["quantities"] = [{"item": "pipe pvc 4 in", "quantity": 3.0, "unit": "10 ft length"}]
    assert [one.takes for one in answered(site, LOW_SPOT_FOUND).items if one.takes] == []
    told = answered(site, (*LOW_SPOT_FOUND, capacity(site)))
    assert "3 × 10 ft of pipe" in item_of(told, Theme.CAPACITY).takes


def test_an_inlet_above_the_low_point_of_its_hollow_is_told(site):
    site["inlets"] = [site["inlets"][0] | {"residual_depth_m": 0.08}]
    assert "0.08 m of water stays below it" in answered(site, LOW_SPOT_FOUND).items[0].evidence
    site["inlets"] = [site["inlets"][0] | {"residual_depth_m": 0.01}]
    assert "stays below it" not in answered(site, LOW_SPOT_FOUND).items[0].evidence


def test_an_old_inlet_that_drains_it_today_is_told_beside_the_new(site):
    site["nodes"].append(node("today", "Gully", 10, 11))
    verdict = answered(site, LOW_SPOT_FOUND).items[0].verdict
    assert "only Basin empties it as proposed, today Gully" in verdict


def test_a_better_place_beyond_the_lot_line_is_said_to_be_there(site):
    for x, beyond in ((10.0, False), (25.0, True)):
        better = finding("inlet-better-place", "Basin", x=x, y=10.0, measured=180.0, limit=1.5)
        told = item_of(answered(site, [better]), Theme.INLETS)
        assert ("beyond the lot line" in told.harm) is beyond


def test_the_length_of_a_fall_is_that_over_which_it_was_taken(site):
    """0.13 m at 6.5 %: 2.0 m, and not the reach of 3.0 m."""
    site["facades"] = [SOUTH | {"fall_m": -0.13, "slope": -0.065}]
    assert "6.5 % towards it over 2.0 m" in answered(site, (WALL_FOUND,)).items[0].evidence


@pytest.mark.parametrize(
    ("rule", "mends"),
    [("outlet-not-found", ()), ("adverse-fall", ("water led over a sidewalk: Lost",))],
)
def test_only_an_old_run_that_is_given_up_lets_nothing_out_any_more(site, rule, mends):
    site["drain_lines"] = [line("A", "Gully", "Lost", status="replaced")]
    walk = finding("discharge-over-sidewalk", "Lost", today=True)
    told = answered(site, [finding(rule, "A", "fail"), walk])
    assert item_of(told, Theme.RUN).mends == mends


def test_the_worst_place_alone_shows_no_wall(site):
    assert answered(site, (WALL_FOUND,)).items[0].grade is Grade.LIKELY


def test_a_wall_that_may_fall_away_is_too_flat_and_not_said_to_fall_towards(site):
    west = SOUTH | {"name": "House, west side", "slope": 0.01, "slope_high": 0.04}
    site["facades"].append(west)
    flat = finding("ground-too-flat-at-building", "House, west side")
    assert "House, west side (too flat)" in answered(site, (WALL_FOUND, flat)).items[0].harm


def test_a_wall_after_the_first_to_which_more_water_runs_is_told_with_it(site):
    """A shed is told after the house, though four times as much runs to it."""
    shed = SOUTH | {"name": "Shed, south side", "building": "Shed",
                    "geometry": LineString([(20, 4), (24, 4)])}  # fmt: skip
    site["facades"].append(shed)
    part = {"source": "own yard", "name": "", "x": None, "y": None, "is_led_in": False}
    some = (WALL_FOUND, finding("ground-falls-to-building", "Shed, south side"))
    for area, told in ((400.0, True), (90.0, False)):
        site["water_parts"] = [
            part | {"subject": "House, south side", "area_m2": 100.0},
            part | {"subject": "Shed, south side", "area_m2": area},
        ]
        harm = item_of(answered(site, some), Theme.WALLS).harm
        assert harm.index("House, south side") < harm.index("Shed, south side")
        assert (f"{area:.0f} m²" in harm) == told


def test_of_several_walls_of_a_side_the_length_is_told(site):
    """An owner knows no numbers of walls."""
    site["facades"] = [SOUTH | {"name": "House, south side 2"}]
    some = [finding("ground-falls-to-building", "House, south side 2")]
    assert "At House, south side 2 (8.0 m long)" in answered(site, some).items[0].harm


def test_what_the_plan_pipes_already_is_not_asked_for(site):
    spout = finding(
        "downspout-near-foundation", "DS1", x=10.0, y=3.5, measured=0.5, limit=1.5, today=True
    )
    assert "DS1" not in answered(site, (WALL_FOUND, spout)).items[0].remedy


def test_low_sills_stand_first_and_walls_to_level_are_evidence_of_walls(site):
    """The door stands in the wall that takes water, the hatch in one that the data do not doubt."""
    site["openings"] = [
        DOOR | {"above_ground_m": 0.10, "geometry": Point(10, 4)},
        DOOR | {"name": "Hatch", "above_ground_m": 0.05, "is_touched": False,
                "geometry": Point(14, 7)},
    ]  # fmt: skip
    site["facades"].append(
        SOUTH | {"name": "House, east side", "verdict": "falls away", "slope": 0.08,
                 "geometry": LineString([(14, 4), (14, 10)])}
    )  # fmt: skip
    site["facades"].append(
        SOUTH | {"name": "House, west side", "verdict": "cannot tell", "slope": -0.03,
                 "geometry": LineString([(6, 4), (6, 10)])}
    )  # fmt: skip
    walls = answered(site, (WALL_FOUND,)).items[0]
    assert walls.harm.startswith(
        "By the data the sill of Door (House, south side) lies only 0.10 m above the ground"
    )
    assert "Door" in walls.check
    assert "the sill of Hatch (House, east side) lies only 0.05 m" in walls.evidence
    assert "House, west side: 3.0 % towards it" in walls.evidence
    assert "House, west side" in walls.check


def test_remedies_that_exclude_each_other_are_found(site):
    """The same line larger and its outlet first; ground raised and not raised."""
    told = answered(site, (WALL_FOUND,)).items[0]
    one = replace(told, measures=(Remedy(Step.INLET, "lay", ("Main",)),))
    other = replace(told, measures=(Remedy(Step.INLET, "outlet-first", ("Main", "Upper")),))
    assert len(contradictions([one, other])) == 1
    filled = replace(told, measures=(Remedy(Step.GRADE, "no-fill"), Remedy(Step.GRADE, "raise")))
    assert len(contradictions([filled])) == 1
    assert contradictions([one]) == []


def test_catchments_at_places_marked_count_what_they_share_once(site):
    """At its marked place A takes 60 m² that run on past that of B, which takes 80."""
    site["inlets"] = [
        site["inlets"][0] | {"name": name, "catchment_m2": area, "catchment_m2_p05": None,
                             "catchment_m2_p95": None}
        for name, area in (("A", 5.0), ("B", 7.0))
    ]  # fmt: skip
    site["flow_paths"] = [{"area_m2": 80.0, "geometry": LineString([(10, 20), (2, 12), (2, 2)])}]
    some = [
        finding("inlet-better-place", "A", x=10.0, y=20.0, measured=60.0, limit=5.0),
        finding("inlet-better-place", "B", x=2.0, y=5.0, measured=80.0, limit=7.0),
    ]
    told = item_of(answered(site, some), Theme.INLETS)
    assert "together 12 to 85 m²" in told.evidence


def test_a_line_that_cannot_empty_is_told_although_it_is_a_note(site):
    capacity(site)
    shallow = finding("cover-too-small", "Main", measured=0.25, limit=0.3, unit="m")
    closed = finding("no-way-to-clean", "Main")
    assert "Give Main a cleanout" in item_of(answered(site, [closed]), Theme.LAYING).remedy
    stays = finding("emitter-line-cannot-empty", "Main", "note", measured=0.45, limit=0.0)
    assert "weep hole" in item_of(answered(site, [shallow, stays]), Theme.LAYING).remedy
    assert "weep hole" not in item_of(answered(site, [shallow]), Theme.LAYING).remedy


def test_what_a_step_of_the_first_item_leads_away_is_not_told_as_left(site):
    """A downspout that is piped off; one before which the lot has no ground stays open."""
    spout = finding("downspout-near-foundation", "DS", measured=0.1, limit=1.5, x=10.0, y=3.9)
    told = answered(site, (WALL_FOUND, spout))
    assert {"lead-away", "pipe-away"} & {one.what for one in told.items[0].measures}
    assert "DS" not in told.items[0].left
    site["lot"] = [LOT | {"geometry": box(0, 4, 20, 24)}]
    told = answered(site, (WALL_FOUND, spout))
    (walls,) = [one for one in told.items if one.theme is Theme.WALLS]
    assert {one.what: one.subjects for one in walls.measures}["no-ground"] == ("DS",)
    assert "DS" in told.items[0].left


def test_an_old_pipe_is_traced_before_it_is_capped_where_the_new_drains_find_no_outlet(site):
    """It may be the one thing that empties the hollow, and the outlet that nobody found."""
    site["drain_lines"] = [
        line("Old", "Gully", "Somewhere", status="replaced"),
        line("Main", "Basin", "Out", case="proposed", status="proposed"),
    ]  # fmt: skip
    site["nodes"] += [
        node("today", "Gully", 10, 11), node("today", "Somewhere", 0, 0, "outlet"),
    ]  # fmt: skip
    lost = finding("outlet-not-found", "Old", today=True)
    keys = [one.what for one in item_of(answered(site, [lost]), Theme.RUN).measures]
    assert keys == ["find-replaced"]
    stuck = finding("no-gravity-outlet", "Basin")
    told = answered(site, [lost, stuck])
    outlet = item_of(told, Theme.NO_OUTLET)
    assert (outlet.measures[0].what, outlet.measures[0].subjects) == ("trace-first", ("Old",))
    # it is the same step: the run is no item beside it
    assert Theme.RUN not in themes(told)
    assert lost in outlet.findings


def test_the_same_step_in_other_words_is_told_twice(site):
    one, other = (
        replace(item, measures=(measure,))
        for item, measure in zip(
            answered(site, (*LOW_SPOT_FOUND, WALL_FOUND)).items[:2],
            (
                Remedy(Step.ROOF, "roof-elsewhere", ("DS",)),
                Remedy(Step.ROOF, "pipe-away", ("DS (House, south side)",)),
            ),
            strict=True,
        )
    )
    assert len(told_twice([one, other])) == 1
    assert told_twice([one]) == []
    ended = replace(one, measures=(Remedy(Step.INLET, "end-inside", ("Out",)),))
    before = replace(other, measures=(Remedy(Step.INLET, "end-before", ("Main",)),))
    assert told_twice([ended, before]) == []
    assert len(told_twice([ended, before], {"Main": "Out"})) == 1


def test_what_an_item_before_orders_is_pointed_to(site):
    """Of two downspouts the one that the low spot's item leads away is not led away again."""
    site["water_parts"] = [
        {"subject": "low spot 1", "source": "roof", "name": "DS", "area_m2": 30.0, "x": None,
         "y": None, "is_led_in": False},
        {"subject": "low spot 1", "source": "own yard", "name": "", "area_m2": 30.0, "x": None,
         "y": None, "is_led_in": False},
    ]  # fmt: skip
    at_wall = [finding("downspout-near-foundation", name, x=12.0, y=9.9) for name in ("DS", "D2")]
    told = answered(site, (*LOW_SPOT_FOUND, WALL_FOUND, *at_wall))
    walls = item_of(told, Theme.WALLS)
    points = [one for one in walls.measures if one.what == "as-before"]
    assert [(len(one.subjects), one.facts["item"]) for one in points] == [(1, "1")]
    assert points[0].subjects[0].startswith("DS ")
    others = [one for one in walls.measures if one.what in ("lead-away", "pipe-away", "no-ground")]
    assert [name.partition(" ")[0] for one in others for name in one.subjects] == ["D2"]
    assert len(walls.steps) == len(walls.measures)


def test_no_weep_hole_is_asked_for_in_a_line_without_an_outlet(site):
    site["drain_lines"] = [line("Main", "Basin", "Out", case="proposed", status="proposed")]
    full = finding("emitter-line-cannot-empty", "Main", "note", part_of="cover-too-small: Main")
    thin = finding("cover-too-small", "Main", measured=0.1, limit=0.3, unit="m")
    keys = {one.what for one in item_of(answered(site, [thin, full]), Theme.LAYING).measures}
    assert "weep" in keys
    stuck = finding("no-gravity-outlet", "Basin")
    told = answered(site, [thin, full, stuck])
    keys = {one.what for item in told.items for one in item.measures}
    assert "stands-full" in keys
    assert "weep" not in keys


def test_how_far_the_water_at_a_drowned_outlet_may_rise_is_told_by_its_levels(site):
    """0.05 m below the grate: what comes up out of it is told first, and of the lower grate."""
    site["drain_lines"] = [line("Main", "Basin", "Out", case="proposed", status="proposed")]
    site["nodes"] = [node("proposed", "Basin", 10, 11) | {"rim_m": 9.85}]
    site["outlet_storms"] = [
        {"case": "proposed", "name": "Out", "return_period_yr": storm, "water_level_m": level}
        for storm, level in ((2.0, 9.70), (10.0, 9.80))
    ]
    drowned = finding("outlet-under-water", "Main", measured=-0.5, limit=0.1, unit="m")
    stuck = finding("no-gravity-outlet", "Basin")
    harm = item_of(answered(site, [stuck, drowned]), Theme.NO_OUTLET).harm
    assert "more than 0.05 m higher than given" in harm
    site["nodes"][0]["rim_m"] = 9.75
    harm = item_of(answered(site, [stuck, drowned]), Theme.NO_OUTLET).harm
    assert "stands at the grate of Basin or above" in harm
    # without its level nothing is said of it
    site["outlet_storms"] = []
    harm = item_of(answered(site, [stuck, drowned]), Theme.NO_OUTLET).harm
    assert "comes up" not in harm


def test_nobody_fills_over_a_pad_nor_asks_a_neighbour_for_the_lot_s_own_edge(site):
    """A pad is no sill: it is buried or not."""
    site["openings"] = [
        DOOR | {"name": "Pump", "kind": "AC pad", "sill_m": 10.0, "geometry": Point(10, 4)}
    ]
    (one,) = [m for m in answered(site, (WALL_FOUND,)).items[0].measures if m.facts.get("why")]
    assert (one.facts["why"], one.facts["sill"]) == ("pad", "Pump")
    site["openings"] = [DOOR]
    for spill, asked in (((10.0, 13.0), False), ((30.0, 13.0), True)):
        site["low_spots"] = [LOW_SPOT | {"spill_x": spill[0], "spill_y": spill[1]}]
        first = answered(site, LOW_SPOT_FOUND).items[0]
        (way,) = [m for m in first.measures if m.what == "way-out"]
        assert bool(way.facts["others"]) == asked


def test_one_blocked_inlet_that_brings_water_within_6_in_of_a_sill_is_told(site):
    site["low_spots"] = [LOW_SPOT | {"inlets": "Basin, Gully"}]
    site["inlets"].append(site["inlets"][0] | {"name": "Gully"})
    site["wall_water"].append(water("blocked:Basin", 0.12, storm=2.0))
    harm = answered(site, LOW_SPOT_FOUND).items[0].harm
    assert "with Basin alone blocked, water stands 0.12 m below the sill" in harm.replace("W", "w")
    # farther below it, or as high with none blocked, it tells nothing
    site["wall_water"][-1] = water("blocked:Basin", 0.20, storm=2.0)
    assert "alone blocked" not in answered(site, LOW_SPOT_FOUND).items[0].harm
    site["wall_water"][-1] = water("blocked:Basin", 0.12, storm=2.0)
    site["wall_water"].append(water("open", 0.12, storm=2.0))
    assert "alone blocked" not in answered(site, LOW_SPOT_FOUND).items[0].harm


def test_levels_are_asked_for_before_a_pump_where_less_cover_may_reach_a_lower_place(site):
    """0.16 m above the highest invert with 0.30 m of cover; 0.40 m above it no cover helps."""
    stuck = finding("no-gravity-outlet", "Basin")
    for fall, told in ((-0.16, True), (-0.40, False)):
        site["outlet_options"] = [{
            "subject": "Basin", "rank": 1, "place": "Canal", "kind": "water", "run_m": 32.0,
            "fall_m": fall, "left_m": fall - 0.33, "left_low_m": fall - 0.6,
            "left_high_m": fall - 0.06, "verdict": "not reachable",
        }]  # fmt: skip
        keys = [m.what for m in item_of(answered(site, [stuck]), Theme.NO_OUTLET).measures]
        assert ("less-cover" in keys) == told
        assert not told or keys.index("less-cover") < keys.index("pump")
