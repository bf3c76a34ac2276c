"""The answer says everything once, in the order of harm, with how sure it is."""

import pytest
from hand_made import DOOR, LOW_SPOT, SOUTH, finding, frames, line, node, pond, water

from lotflow.advice.answer import MOST, answer
from lotflow.advice.grades import Grade
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
        "0.05 m above the sill, and will again whenever Basin is blocked."
    )
    assert "water enters at the sill: Door" in first.mends
    assert "House, south side" in first.left


def test_a_sill_within_the_error_is_likely_at_most_and_says_what_to_level(site):
    site["openings"] = [DOOR | {"freeboard_low_m": -0.2, "freeboard_high_m": 0.1}]
    first = answered(site, LOW_SPOT_FOUND).items[0]
    assert first.grade is Grade.LIKELY
    assert "sill of Door" in first.check


def test_a_low_spot_the_data_cannot_tell_says_so_in_its_first_words(site):
    site["low_spots"] = [LOW_SPOT | {"probability": 0.1}]
    first = answered(site, LOW_SPOT_FOUND).items[0]
    assert first.grade is Grade.LEVEL_FIRST
    assert first.harm.startswith("If the levels hold: ")


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
    assert "Canal, lacks 0.50 m" in told.items[1].harm


def test_a_downspout_at_a_wall_is_led_away_before_the_ground_is_graded(site):
    spout = finding("downspout-near-foundation", "DS1", x=10.0, y=3.5, measured=0.5, limit=1.5)
    walls = answered(site, (WALL_FOUND, spout)).items[0]
    assert walls.remedy.index("DS1") < walls.remedy.index("Grade the soil")
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
