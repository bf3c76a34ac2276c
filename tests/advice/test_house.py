"""Sentences about the house, each with an example."""

import pytest

from lotflow.advice.house import SENTENCES
from lotflow.findings import Finding

#: Finding, and what its sentence must say in metric and in US units.
TOLD = [
    (
        Finding(
            "ground-falls-to-building",
            "warn",
            "L1",
            facts={
                "paved": True,
                "slope": -0.229,
                "run_m": 3.0,
                "slope_low": -0.27,
                "slope_high": -0.19,
                "least": 0.02,
                "paved_m": 2.4,
            },
        ),
        ["The ground, paved for the first 2.4 m only, falls towards the wall: by the data 22.9%"],
        ["7.9 ft"],
    ),
    (
        Finding(
            "ground-falls-to-building",
            "warn",
            "L1",
            facts={
                "paved": True,
                "slope": -0.01,
                "run_m": 3.0,
                "slope_low": -0.02,
                "slope_high": -0.005,
                "least": 0.02,
            },
        ),
        [
            "paving falls towards the wall: by the data 1.0% towards it over 3.0 m",
            "between 2.0% towards it and 0.5% towards it",
            "a fall of 2%",
        ],
        ["9.8 ft"],
    ),
    (
        Finding(
            "ground-too-flat-at-building",
            "warn",
            "L1",
            facts={
                "paved": False,
                "slope": -0.01,
                "run_m": 3.0,
                "slope_low": -0.02,
                "slope_high": 0.01,
                "least": 0.02,
            },
        ),
        ["soil does not fall away", "1.0% away from it;"],
        ["9.8 ft"],
    ),
    (
        Finding(
            "ground-at-building-unknown",
            "note",
            "L1",
            facts={"sides": ("north side",), "narrow": (("east side", 1.0),), "levels_at_m": 3.048},
        ),
        ["north side. Take levels at the wall and 3.0 m out", "east side (1.0 m)"],
        ["10.0 ft out", "3.3 ft"],
    ),
    (
        Finding(
            "ground-at-building-unknown",
            "note",
            "L1",
            facts={"sides": (), "narrow": (("east side", 1.0),), "levels_at_m": 3.048},
        ),
        ["The lot line or another building"],
        ["3.3 ft"],
    ),
    (
        Finding(
            "opening-height-unknown",
            "note",
            "L1",
            facts={"openings": (("Door", 0.05), ("Vent", -0.02))},
        ),
        ["Door (0.05 m), Vent (-0.02 m)"],
        ["Door (2.0 in)"],
    ),
    (
        Finding(
            "opening-below-spill",
            "warn",
            "L1",
            facts={
                "low_spot": 2,
                "spill_m": 100.0,
                "is_least": False,
                "freeboard_m": -0.1,
                "doubt_m": 0.05,
                "touched": True,
                "sure": True,
                "artefact": "",
            },
        ),
        ["Low spot 2 overflows at 100.00 m; the sill stands 0.10 m below that. Water enters"],
        ["328.08 ft", "3.9 in below"],
    ),
    (
        Finding(
            "opening-below-spill",
            "note",
            "L1",
            facts={
                "low_spot": 2,
                "spill_m": 100.0,
                "is_least": True,
                "freeboard_m": -0.1,
                "doubt_m": 0.05,
                "touched": True,
                "sure": False,
                "artefact": "a culvert may drain it",
            },
        ),
        ["at least 100.00 m", "Within ±0.05 m", "But: a culvert may drain it."],
        ["±2.0 in"],
    ),
    (
        Finding(
            "opening-below-spill",
            "note",
            "L1",
            facts={
                "low_spot": 2,
                "spill_m": 100.0,
                "is_least": False,
                "freeboard_m": 0.01,
                "doubt_m": 0.05,
                "touched": False,
                "sure": False,
                "artefact": "",
            },
        ),
        ["0.01 m above that. Full, it stands near"],
        ["0.4 in above"],
    ),
    (
        Finding(
            "opening-beside-not-closed",
            "warn",
            "L1",
            facts={"low_spot": 2, "spill_m": 100.0, "freeboard_m": 0.3},
        ),
        ["low spot 2", "100.00 m or higher", "at most 0.30 m"],
        ["328.08 ft", "11.8 in"],
    ),
    (
        Finding(
            "opening-below-ground",
            "warn",
            "L1",
            facts={"ground_m": 100.0, "spread_m": 0.02, "above_m": -0.2, "doubt_m": 0.1},
        ),
        ["lies at 100.00 m, give or take 0.02 m", "0.20 m below that", "±0.10 m. Lower"],
        ["7.9 in below"],
    ),
    (
        Finding(
            "opening-below-ground",
            "warn",
            "L1",
            facts={"ground_m": 100.0, "spread_m": 0.02, "above_m": -0.09, "doubt_m": 0.1},
        ),
        ["Measure the step; if it is so, lower"],
        ["3.5 in below"],
    ),
    (
        Finding(
            "opening-sill-unknown",
            "warn",
            "L1",
            facts={"low_spot": 2, "spill_m": 100.0, "touched": True},
        ),
        ["Low spot 2 at it overflows at 100.00 m"],
        ["328.08 ft"],
    ),
    (
        Finding(
            "opening-sill-unknown",
            "note",
            "L1",
            facts={"low_spot": None, "spill_m": None, "touched": False},
        ),
        ["No sill is given. Measure it"],
        ["No sill"],
    ),
    (
        Finding("downspout-near-foundation", "warn", "L1", facts={"wall_m": 0.3, "least_m": 1.524}),
        [
            "0.3 m from the wall",
            "at least 1.5 m from every wall",
            "your own ground where that falls",
        ],
        ["1.0 ft", "5.0 ft"],
    ),
    (
        Finding("downspout-near-foundation", "warn", "L1", facts={"wall_m": 0.0, "least_m": 1.524}),
        ["ends at the wall", "else lead it in a pipe"],
        ["5.0 ft"],
    ),
    (
        Finding("downspout-feeds-low-spot", "warn", "L1", facts={"low_spot": 2}),
        ["low spot 2"],
        ["low spot 2"],
    ),
    (
        Finding("downspout-onto-inlet-ground", "warn", "L1", facts={"inlet": "Basin"}),
        ["Basin"],
        ["Basin"],
    ),
    (
        Finding("downspout-way-unknown", "note", "L1", facts={"inlet": "Basin", "low_spot": 0}),
        ["runs to Basin, and counts there"],
        ["Basin"],
    ),
    (
        Finding("downspout-way-unknown", "note", "L1", facts={"inlet": "", "low_spot": 2}),
        ["low spot 2"],
        ["low spot 2"],
    ),
    (
        Finding("downspout-way-unknown", "note", "L1", facts={"inlet": "", "low_spot": 0}),
        ["runs on over the ground"],
        ["over the ground"],
    ),
]


@pytest.mark.parametrize(("finding", "metric", "us"), TOLD)
def test_the_sentence_says_the_numbers(is_told, finding, metric, us):
    is_told(finding, metric, us)


def test_each_sentence_has_an_example():
    assert {finding.rule for finding, _, _ in TOLD} == set(SENTENCES)
