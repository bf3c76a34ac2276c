"""Sentences about outlets, each with an example."""

import pytest

from lotflow.advice.outlets import SENTENCES
from lotflow.findings import Finding

#: Finding, and what its sentence must say in metric and in US units.
TOLD = [
    (
        Finding(
            "outlet-smaller-than-line", "fail", "L1", facts={"outlet_m": 0.0762, "line_m": 0.1016}
        ),
        ["76 mm", "102 mm"],
        ["3.0 in", "4.0 in"],
    ),
    (Finding("into-sanitary-sewer", "fail", "L1"), ["sanitary sewer"], ["sanitary sewer"]),
    (Finding("outlet-not-found", "warn", "L1"), ["dye"], ["dye"]),
    (
        Finding("outlet-above-line", "fail", "L1", facts={"above_m": 0.1}),
        ["0.10 m above"],
        ["3.9 in above"],
    ),
    (
        Finding(
            "outlet-under-water",
            "warn",
            "L1",
            facts={"outlet": "Ditch", "water_m": 0.1, "over": "crown"},
            rests_on=("proposed", "given"),
        ),
        ["Ditch stands 0.10 m above the crown", "Its level is proposed"],
        ["3.9 in"],
    ),
    (
        Finding(
            "outlet-under-water",
            "warn",
            "L1",
            facts={"outlet": "Ditch", "water_m": 0.1, "over": "lip"},
            rests_on=("from ground", "given"),
        ),
        ["0.10 m above its lip", "elevation data"],
        ["3.9 in"],
    ),
    (
        Finding(
            "emitter-line-cannot-empty", "warn", "L1", facts={"stands_m": 0.1, "proposed": False}
        ),
        ["lies 0.10 m above the invert"],
        ["3.9 in"],
    ),
    (
        Finding(
            "emitter-line-cannot-empty", "note", "L1", facts={"stands_m": 0.1, "proposed": True}
        ),
        ["riser of 0.10 m"],
        ["riser of 3.9 in"],
    ),
    (
        Finding(
            "emitter-above-grate",
            "fail",
            "L1",
            facts={"inlet": "Basin", "above_m": 0.1},
            rests_on=("given",),
        ),
        ["0.10 m above the grate of Basin: it never will"],
        ["3.9 in"],
    ),
    (
        Finding(
            "emitter-above-grate",
            "warn",
            "L1",
            facts={"inlet": "Basin", "above_m": 0.1},
            rests_on=("from ground",),
        ),
        ["by these levels", "Both levels"],
        ["Both levels"],
    ),
    (
        Finding("outlet-level-not-given", "note", "L1", facts={"proposed": False, "below_m": 0.0}),
        ["enter invert"],
        ["enter invert"],
    ),
    (
        Finding(
            "outlet-level-not-given",
            "note",
            "L1",
            facts={"proposed": True, "below_m": 0.6, "cannot_daylight": True},
        ),
        ["0.60 m below", "So deep"],
        ["23.6 in below"],
    ),
    (
        Finding(
            "outlet-level-not-given",
            "note",
            "L1",
            facts={"proposed": True, "below_m": 0.6, "well_bottom_m": 1.28},
        ),
        ["at least 1.28 m"],
        ["50.4 in"],
    ),
    (Finding("tailwater-not-given", "note", "L1"), ["water_level"], ["water_level"]),
    (
        Finding(
            "gutter-spread",
            "warn",
            "L1",
            facts={
                "storm_yr": 10.0,
                "flow_m3s": 0.05,
                "spread_m": 2.7,
                "depth_m": 0.054,
                "fall_by_data": 0.02,
                "assumed_cross_slope": 0.02,
                "street_left_out": True,
            },
        ),
        [
            "50.00 l/s",
            "10-year storm, 2.7 m wide and 0.05 m deep (fall of 2.0% by the elevation data",
            "cross slope of 2% assumed; the street's own water left out",
            "Ask the town",
        ],
        ["792.5 gpm", "8.9 ft wide", "2.1 in deep"],
    ),
    (
        Finding(
            "gutter-spread",
            "note",
            "L1",
            facts={
                "storm_yr": 10.0,
                "flow_m3s": 0.05,
                "spread_m": 2.7,
                "depth_m": 0.054,
                "fall_by_data": None,
                "assumed_cross_slope": None,
                "street_left_out": False,
            },
        ),
        ["0.05 m deep."],
        ["2.1 in deep."],
    ),
    (
        Finding(
            "gutter-overtops-curb",
            "fail",
            "L1",
            facts={
                "storm_yr": 10.0,
                "flow_m3s": 0.05,
                "spread_m": 2.7,
                "depth_m": 0.054,
                "fall_by_data": 0.02,
                "assumed_cross_slope": 0.02,
                "street_left_out": True,
            },
        ),
        ["higher than its curb"],
        ["higher than its curb"],
    ),
    (Finding("dry-well-not-judged", "note", "L1"), ["[rainfall]"], ["[rainfall]"]),
    (
        Finding(
            "dry-well-not-given",
            "warn",
            "L1",
            facts={
                "storm_yr": 10.0,
                "needed_m3": 4.0,
                "rain_h": 6.0,
                "may_be_longer": True,
                "pit_m3": 10.0,
                "voids": 0.4,
                "missing": ("storage", "soaking_area"),
            },
        ),
        [
            "must hold 4.00 m³ (rain of 6.0 h, the longest",
            "40% of voids that is a pit of 10.00 m³",
            "Enter its storage and soaking_area",
            "nothing soaks",
        ],
        ["141.3 ft³", "353.1 ft³"],
    ),
    (
        Finding(
            "dry-well-small",
            "fail",
            "L1",
            facts={
                "storm_yr": 10.0,
                "needed_m3": 4.0,
                "rain_h": 6.0,
                "may_be_longer": False,
                "pit_m3": 10.0,
                "voids": 0.4,
                "storage_m3": 2.0,
            },
        ),
        ["(rain of 6.0 h), and holds 2.00 m³"],
        ["70.6 ft³"],
    ),
    (
        Finding("dry-well-slow", "fail", "L1", facts={"storm_yr": 10.0, "empties_h": 80.4}),
        ["in 80 h"],
        ["in 80 h"],
    ),
    (
        Finding("dry-well-slow", "fail", "L1", facts={"storm_yr": None, "empties_h": None}),
        ["stated rain it empties never"],
        ["never"],
    ),
    (
        Finding("outlet-runs-to-inlet", "warn", "L1", facts={"inlet": "Basin"}),
        ["Basin, in a circle"],
        ["Basin"],
    ),
    (
        Finding("outlet-runs-to-low-spot", "warn", "L1", facts={"low_spot": 2, "way_m": 5.0}),
        ["Its water runs into low spot 2, 5.0 m on"],
        ["16.4 ft on"],
    ),
    (
        Finding(
            "outlet-runs-to-low-spot",
            "note",
            "L1",
            facts={"low_spot": 2, "way_m": 5.0, "fall_m": 0.05, "doubt_m": 0.1},
        ),
        ["its water runs into low spot 2", "0.05 m on that way", "±0.10 m"],
        ["2.0 in", "±3.9 in"],
    ),
    (
        Finding("outlet-runs-to-building", "warn", "L1", facts={"wall_m": 1.0}),
        ["1.0 m of a wall"],
        ["3.3 ft"],
    ),
    (
        Finding("discharge-over-sidewalk", "warn", "L1", facts={"sidewalk": "Elm Street walk"}),
        ["over Elm Street walk"],
        ["Elm Street walk"],
    ),
    (
        Finding("discharge-onto-neighbour", "warn", "L1", facts={"street_is_drawn": False}),
        ["none is drawn"],
        ["none is drawn"],
    ),
    (
        Finding("discharge-onto-neighbour", "warn", "L1", facts={"street_is_drawn": True}),
        ["in one place."],
        ["in one place."],
    ),
    (
        Finding(
            "water-stands-too-long",
            "warn",
            "L1",
            facts={"hours": 60.2, "left_m": 0.0, "most_h": 48.0, "near_building": False},
        ),
        ["60 h", "48 h is the usual limit away"],
        ["60 h"],
    ),
    (
        Finding(
            "water-stands-too-long",
            "warn",
            "L1",
            facts={"hours": None, "left_m": 0.05, "most_h": 24.0, "near_building": True},
        ),
        ["0.05 m stand", "24 h is the usual limit near"],
        ["2.0 in stand"],
    ),
    (
        Finding(
            "line-off-lot",
            "warn",
            "L1",
            facts={"off_m": 3.0, "is_length": True, "on": "ground", "street_is_drawn": False},
        ),
        ["3.0 m of it lie off", "No street is drawn"],
        ["9.8 ft of it"],
    ),
    (
        Finding(
            "inlet-off-lot",
            "warn",
            "L1",
            facts={"off_m": 3.0, "is_length": False, "on": "sidewalk", "street_is_drawn": False},
        ),
        ["It lies 3.0 m off the lot, on a sidewalk"],
        ["9.8 ft off"],
    ),
    (
        Finding(
            "outlet-off-lot",
            "note",
            "L1",
            facts={"off_m": 3.0, "is_length": False, "on": "easement", "street_is_drawn": False},
        ),
        ["drawn easement"],
        ["9.8 ft off"],
    ),
    (
        Finding(
            "setback",
            "fail",
            "L1",
            facts={"kind": "septic", "name": "Tank", "distance_m": 3.0, "least_m": 7.62},
        ),
        ["3.0 m from the septic (Tank)", "7.6 m"],
        ["9.8 ft", "25.0 ft"],
    ),
]


@pytest.mark.parametrize(("finding", "metric", "us"), TOLD)
def test_the_sentence_says_the_numbers(is_told, finding, metric, us):
    is_told(finding, metric, us)


def test_each_sentence_has_an_example():
    assert {finding.rule for finding, _, _ in TOLD} == set(SENTENCES)
