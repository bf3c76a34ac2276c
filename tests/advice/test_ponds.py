"""What is said of standing water and blocked inlets, from facts."""

from dataclasses import replace

import pytest

from lotflow.advice.sentences import message
from lotflow.findings import Finding
from lotflow.ponding.records import AtWall, Risen
from lotflow.scenarios import ALL_BLOCKED, LIMITED, OPEN, Scenario

IN_10_YEARS = {"period_yr": 10.0, "scenario": OPEN}
DOOR = AtWall("Cellar door", is_opening=True, depth_m=0.2, basis="sill", freeboard_m=0.05)
RISE = Risen(
    rise_m=0.3, least_told_m=0.005, low_spot=2, is_near=True, at_least=False, depth_m=0.4,
    area_m2=25.0, volume_m3=5.0, stands_at=(), stands_at_neighbours=(), left_to=None,
    overflow_m3=None, overflows_to="", overflows_beyond_lot=False, level_doubt_m=None,
    sills_unknown=(),
)  # fmt: skip


def said(rule, **facts):
    return message(Finding(rule, "warn", "A", facts=facts), "metric")


def blocked(rise=RISE, scenario=None, **facts):
    scenario = scenario or Scenario.one_blocked("A")
    return said("inlet-blocked", period_yr=10.0, scenario=scenario, rise=rise, **facts)


@pytest.mark.parametrize(
    ("wall", "told"),
    [(DOOR, "0.20 m deep at Cellar door, 0.05 m below its sill."),
     (DOOR._replace(freeboard_m=0.0), "at Cellar door, at its sill."),
     (DOOR._replace(freeboard_m=-0.02), "0.02 m above its sill."),
     (DOOR._replace(freeboard_m=None, is_opening=False), "at the wall of Cellar door.")],
)  # fmt: skip
def test_water_at_a_wall_is_told_with_what_is_left(wall, told):
    assert told in said("pond-reaches-building", **IN_10_YEARS, wall=wall, doubt="")


def test_a_doubted_low_spot_is_told_with_its_doubt():
    text = said("pond-at-wall", **IN_10_YEARS, wall=DOOR, doubt="held by a bank")
    assert text.endswith("measure it. But: held by a bank.")


def test_where_inlets_take_no_more_than_they_can_the_storm_says_so():
    facts = {"period_yr": 10.0, "scenario": LIMITED, "wall": DOOR, "doubt": ""}
    text = said("pond-reaches-building", **facts)
    assert text.startswith("In the 10-year storm, inlets taking no more than they can, water")


@pytest.mark.parametrize(
    ("stays_m", "told"), [(0.1, "0.10 m of it lie on sealed ground"), (None, "it takes 90 h to")]
)
def test_water_that_stands_too_long_is_told_by_hours_or_by_what_stays(stays_m, told):
    text = said(
        "pond-stands-too-long", **IN_10_YEARS, depth_m=0.4, at_least=True, stays_m=stays_m,
        hours=None if stays_m else 90.0, through_inlets=True, limit_h=72.0,
        limit_holds="anywhere", doubt="",
    )  # fmt: skip
    assert "stands at least 0.40 m deep" in text
    assert told in text
    assert "72 h is the limit anywhere" in text


def test_a_blocked_inlet_says_what_rises_what_it_reaches_and_where_it_runs():
    rise = RISE._replace(stands_at=(DOOR,), stands_at_neighbours=("Next door",), overflow_m3=2.0,
                         overflows_to="low spot 3", overflows_beyond_lot=True)  # fmt: skip
    text = blocked(rise, elsewhere=(2, 8.0), sooner=(2.0, DOOR))
    parts = [
        "With it blocked", "in low spot 2, to 0.40 m deep over 25", "it stands 0.20 m deep at",
        "it also stands at Next door", "run over to low spot 3, across ground beyond the lot.",
        "2 other places too", "Already in the 2-year storm",
    ]  # fmt: skip
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    assert "Roof water" not in blocked(roofs_led_in=True)
    assert "Roof water led into drains" in blocked(scenario=ALL_BLOCKED, roofs_led_in=True)


def test_a_blocked_inlet_that_makes_nothing_worse_is_told_with_the_higher_water_alone():
    text = blocked(RISE, sooner=(2.0, DOOR), higher_yet_m=0.1)
    assert "no worse than with none blocked" in text
    assert "0.50 m deep round it, in low spot 2" in text
    assert "0.40 m" not in text
    assert "Already" not in text


@pytest.mark.parametrize(
    ("facts", "told"),
    [({"rise": None, "cell_m": 0.5}, "no water stands higher"),
     ({"rise": None, "unclosed": (2, 3)}, "end before low spot 2, 3 closes"),
     ({"rise": RISE._replace(rise_m=None)}, "rises by less than 0.01 m in low spot 2"),
     ({"rise": RISE._replace(left_to=(0.1, "sill", "Door"))}, "0.10 m are left to the sill of"),
     ({"rise": RISE._replace(level_doubt_m=0.2)}, "±0.20 m: measure sill and ground."),
     ({"rise": RISE._replace(sills_unknown=("A", "B"))}, "is given for A, B: measure it.")],
)  # fmt: skip
def test_a_blocked_inlet_says_what_is_not_known(facts, told):
    assert told in blocked(**facts)


def test_infiltration_is_told_with_where_it_comes_from():
    soil = Finding("infiltration-counted", "note", "lot",
                   facts={"rate_m_s": 1e-6, "soil_group": "C"})  # fmt: skip
    assert "by hydrologic soil group C" in message(soil)
    assert "Measure it on site" in message(soil)
    tested = replace(soil, facts={"rate_m_s": 1e-6, "soil_group": None})
    assert "by the soak test" in message(tested)
    assert "Measure it on site" not in message(tested)
