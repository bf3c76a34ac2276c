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
    soaking_time,
    standing_findings,
)

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
    assert "none is drawn" in found.message
    assert (found.x, found.y) == (3.0, 4.0)


def place(depth, *, building=20.0, infiltration="soil"):
    return StandingPlace("low spot 1", 0, 0, depth, building, "lawn", infiltration)


@pytest.mark.parametrize(("group", "hours"), [("D", 33.3), ("C", 10.0), ("B", 6.7)])
def test_two_inches_soak_away_in_the_published_times(group, hours):
    """2 in at 0.06, 0.2 and 0.3 in/h (Minnesota Stormwater Manual's design rates)."""
    assert soaking_time(place(2 * 0.0254), group) / 3600 == pytest.approx(hours, abs=0.05)


def test_compacted_soil_counts_one_group_lower():
    given = place(0.05, infiltration="compacted soil")
    assert soaking_time(given, "C") == soaking_time(place(0.05), "D")


def test_paving_never_drains_and_the_limit_is_shorter_near_a_building():
    assert math.isinf(soaking_time(place(0.1, infiltration="none"), "A"))
    (paved,) = standing_findings([place(0.1, infiltration="none")], "A")
    assert paved.measured is None
    thirty_hours = 30 * 0.2 * 0.0254
    assert standing_findings([place(thirty_hours)], "C") == []
    (near,) = standing_findings([place(thirty_hours, building=1.0)], "C")
    assert (near.measured, near.limit) == (30.0, 24.0)


def test_only_stated_setbacks_are_judged():
    given = [Distance("E", "septic", "Field", 2.0, 0, 0), Distance("E", "lot line", "", 0.1, 0, 0)]
    (found,) = setback_findings(given, {"septic": 3.0}, "town code")
    assert (found.rule, found.severity, found.source) == ("setback", "fail", "town code")
    assert (found.measured, found.limit) == (2.0, 3.0)
    assert setback_findings(given, {}, "") == []
    assert setback_findings(given, {"septic": 2.0}, "") == []
