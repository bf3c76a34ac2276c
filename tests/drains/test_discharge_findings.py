"""Where outlets send their water, how long it stands, and what lies too near."""

import math
from dataclasses import replace

import pytest

from lotflow.drains.discharge_findings import (
    Distance,
    OutletDischarge,
    StandingPlace,
    outlet_discharge_findings,
    setback_findings,
    standing_findings,
)
from lotflow.drains.standing_water import SoakAway

NAN = float("nan")
FINE = OutletDischarge("E", 0, 0, NAN, "", 0, "", None, street_is_drawn=True)


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"inlet": "Basin", "low_spot": 1}, "outlet-runs-to-inlet"),
        ({"low_spot": 1}, "outlet-runs-to-low-spot"),
        ({"wall_m": 0.5}, "outlet-runs-to-building"),
        ({"sidewalk": "Walk", "leaves_at": (1.0, 1.0)}, "discharge-over-sidewalk"),
        ({"leaves_at": (1.0, 1.0)}, "discharge-onto-neighbour"),
    ],
)
def test_each_wrong_way_of_water_is_one_finding(change, rule):
    assert outlet_discharge_findings([FINE]) == []
    (found,) = outlet_discharge_findings([replace(FINE, **change)])
    assert (found.rule, found.severity, found.subject) == (rule, "warn", "E")


def test_where_no_street_is_drawn_it_is_said_that_it_may_be_one():
    given = replace(FINE, leaves_at=(3.0, 4.0), street_is_drawn=False)
    (found,) = outlet_discharge_findings([given])
    assert found.facts == {"street_is_drawn": False}
    assert (found.x, found.y) == (3.0, 4.0)


def place(hours, *, building=20.0, left=0.0):
    return StandingPlace("low spot 1", 0, 0, building, SoakAway(hours * 3600, left))


@pytest.mark.parametrize(("building", "limit"), [(1.0, 24.0), (20.0, 48.0), (NAN, 48.0)])
def test_water_may_stand_for_a_shorter_time_near_a_building(building, limit):
    assert standing_findings([place(limit, building=building)]) == []
    (found,) = standing_findings([place(limit + 1, building=building)])
    assert (found.rule, found.measured, found.limit) == ("water-stands-too-long", limit + 1, limit)


def test_water_on_ground_that_takes_nothing_stands_until_it_dries_but_a_film_does_not_count():
    (paved,) = standing_findings([place(1.0, left=0.05)])
    assert paved.measured is None
    assert (paved.facts["hours"], paved.facts["left_m"]) == (None, 0.05)
    assert math.isinf(place(1.0, left=0.05).hours)
    assert standing_findings([place(1.0, left=0.005)]) == []


def test_only_stated_setbacks_are_judged():
    given = [Distance("E", "septic", "Field", 2.0, 0, 0), Distance("E", "lot line", "", 0.1, 0, 0)]
    (found,) = setback_findings(given, {"septic": 3.0}, "town code")
    assert (found.rule, found.severity, found.source) == ("setback", "fail", "town code")
    assert (found.measured, found.limit) == (2.0, 3.0)
    assert setback_findings(given, {}, "") == []
    assert setback_findings(given, {"septic": 2.0}, "") == []
