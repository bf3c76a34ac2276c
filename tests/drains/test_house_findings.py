"""What is said of the ground round a house: flagged, never confirmed."""

import math
from dataclasses import replace

import pytest
import shapely

from lotflow.drains.house_findings import (
    SurfaceDischarge,
    downspout_findings,
    facade_findings,
    opening_findings,
)
from lotflow.terrain.freeboard import OpeningLevels
from lotflow.terrain.house_ring import Facade

NAN = float("nan")


def facade(fall, deviation, *, paved=False, name="House, west side"):
    wall = shapely.LineString([(0, 0), (5, 0)])
    return Facade(
        name,
        "House",
        wall,
        0.0,
        0.0,
        5.0,
        3.048,
        paved,
        fall,
        3.0,
        deviation,
        0.02 if paved else 0.05,
    )


@pytest.mark.parametrize(
    ("fall", "deviation", "rules"),
    [
        (-0.30, 0.05, ["ground-falls-to-building"]),
        (0.03, 0.01, ["ground-too-flat-at-building"]),
        (0.03, 0.10, ["ground-at-building-unknown"]),
        (NAN, 0.10, ["ground-at-building-unknown"]),
        (0.60, 0.01, []),
    ],
)
def test_only_what_the_interval_excludes_is_flagged(fall, deviation, rules):
    found = facade_findings([facade(fall, deviation)])
    assert [one.rule for one in found] == rules
    assert all(one.severity == ("note" if "unknown" in one.rule else "warn") for one in found)


@pytest.mark.parametrize(
    ("paved", "ends_m", "told"), [(True, 2.4, 2.4), (True, 3.0, None), (False, 1.0, None)]
)
def test_where_paving_ends_nearer_than_the_fall_was_taken_that_is_told(paved, ends_m, told):
    """The fall is that over 3.0 m."""
    (found,) = facade_findings([replace(facade(-0.6, 0.05, paved=paved), paved_m=ends_m)])
    assert found.facts["paved_m"] == told


def test_all_sides_that_cannot_be_told_of_a_building_are_one_note():
    sides = [facade(0.1, 0.1, name=f"House, {side} side") for side in ("north", "west")]
    (note,) = facade_findings(sides)
    assert note.subject == "House"
    assert note.facts["sides"] == ("north side", "west side")


def opening(sill, *, ground=20.0, spread=0.0, spill=NAN, touched=True, rmse=0.1):
    spot = None if math.isnan(spill) else 3
    return OpeningLevels(
        "Door", "door", shapely.Point(1, 2), sill, ground=ground, spread=spread, low_spot=spot,
        spill=spill, is_touched=touched and spot is not None, deviation_m=rmse,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("given", "rules"),
    [
        (opening(20.5, spill=20.2), []),
        (opening(20.5, spill=20.4), [("opening-below-spill", "note")]),
        (opening(20.5, spill=20.9), [("opening-below-spill", "warn")]),
        (opening(20.1), [("opening-height-unknown", "note")]),
        (opening(19.5), [("opening-below-ground", "warn")]),
        # water that stands near the opening and not at it is not said to enter
        (opening(20.5, spill=20.9, touched=False), [("opening-below-spill", "note")]),
        # rough ground before it: 0.30 m below its middle is beyond ±0.20 m, not beyond ±0.44 m
        (opening(19.7), [("opening-below-ground", "warn")]),
        (opening(19.7, spread=0.2), [("opening-height-unknown", "note")]),
        (opening(NAN, spill=20.9), [("opening-sill-unknown", "warn")]),
        (opening(NAN, spill=20.9, touched=False), [("opening-sill-unknown", "note")]),
        (opening(NAN), [("opening-sill-unknown", "note")]),
        (opening(20.0, ground=NAN), []),
    ],
)
def test_openings_are_judged_by_water_and_ground(given, rules):
    assert [(one.rule, one.severity) for one in opening_findings([given])] == rules


def test_downspouts_at_the_wall_into_a_low_spot_or_onto_an_inlets_ground():
    given = [
        SurfaceDischarge("A", 0, 0, 0.4, 2, "Basin"),
        SurfaceDischarge("B", 0, 0, 2.0, 0, "Basin"),
        SurfaceDischarge("C", 0, 0, 1.524, 0, ""),
    ]
    found = [(one.subject, one.rule) for one in downspout_findings(given)]
    assert found == [
        ("A", "downspout-near-foundation"),
        ("A", "downspout-feeds-low-spot"),
        ("B", "downspout-onto-inlet-ground"),
    ]
