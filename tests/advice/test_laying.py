"""Sentences about how lines are laid, each with an example."""

import pytest

from lotflow.advice.laying import SENTENCES
from lotflow.findings import Finding

#: Finding, and what its sentence must say in metric and in US units.
TOLD = [
    (
        Finding(
            "adverse-fall",
            "fail",
            "L1",
            facts={
                "fall_m": -0.3,
                "length_m": 20.0,
                "slope": -0.015,
                "least": 0.0104,
                "levels": "known",
            },
        ),
        ["It rises 0.30 m over 20.0 m (-1.50%); 1.04%", "which end is which"],
        ["rises 11.8 in over 65.6 ft"],
    ),
    (
        Finding(
            "flat-line",
            "warn",
            "L1",
            facts={
                "fall_m": 0.0001,
                "length_m": 20.0,
                "slope": 0.0,
                "least": 0.0104,
                "levels": "proposed",
                "cover_m": 0.3,
            },
        ),
        ["By the levels proposed, 0.30 m of cover", "it lies level over 20.0 m"],
        ["11.8 in of cover"],
    ),
    (
        Finding(
            "below-minimum-fall",
            "note",
            "L1",
            facts={
                "fall_m": 0.1,
                "length_m": 20.0,
                "slope": 0.005,
                "least": 0.0104,
                "levels": "from ground",
                "doubt_m": 0.26,
                "may_be_enough": True,
            },
        ),
        ["it falls 0.10 m", "good to 0.26 m here, so that it may fall enough"],
        ["3.9 in", "10.2 in"],
    ),
    (
        Finding(
            "below-minimum-fall",
            "fail",
            "L1",
            facts={
                "fall_m": 0.1,
                "length_m": 20.0,
                "slope": 0.005,
                "least": 0.0104,
                "levels": "from ground",
                "doubt_m": 0.05,
            },
        ),
        ["0.05 m here: level both ends before"],
        ["2.0 in here"],
    ),
    (
        Finding(
            "levels-unknown",
            "note",
            "L1",
            facts={"proposed": False, "ends": ("upper", "lower"), "end_is_found": False},
        ),
        ["upper and lower end", "Once its end is found"],
        ["upper and lower end"],
    ),
    (
        Finding("levels-unknown", "warn", "L1", facts={"proposed": True}),
        ["cannot be proposed"],
        ["cannot be proposed"],
    ),
    (
        Finding(
            "too-little-fall",
            "fail",
            "L1",
            facts={
                "outlet": "Curb",
                "available_m": 0.2,
                "run_m": 30.0,
                "required_m": 0.3,
                "left_m": -0.5,
                "doubt_m": 0.1,
                "depth_m": 0.4,
                "diameter_m": 0.1016,
            },
        ),
        [
            "to Curb there are 0.20 m of fall over 30.0 m",
            "pipe of 102 mm take 0.40 m, the least fall 0.30 m",
            "Gravity does not work",
        ],
        ["7.9 in", "98.4 ft", "4.0 in take 15.7 in"],
    ),
    (
        Finding(
            "too-little-fall",
            "warn",
            "L1",
            facts={
                "outlet": "Curb",
                "available_m": 0.2,
                "run_m": 30.0,
                "required_m": 0.3,
                "left_m": -0.1,
                "doubt_m": 0.2,
                "depth_m": 0.4,
                "diameter_m": None,
            },
        ),
        ["cover and pipe take", "too little, but", "0.20 m here"],
        ["7.9 in here"],
    ),
    (
        Finding(
            "too-little-fall",
            "note",
            "L1",
            facts={
                "outlet": "Lawn",
                "available_m": 0.2,
                "run_m": 30.0,
                "required_m": 0.1,
                "left_m": 0.1,
                "doubt_m": 0.2,
                "depth_m": None,
                "diameter_m": 0.1,
            },
        ),
        ["lid of the emitter takes 0.10 m", "By that 0.10 m are left"],
        ["3.9 in are left"],
    ),
    (
        Finding("too-slow-to-keep-clean", "warn", "L1", facts={"velocity_m_s": 0.5}),
        ["0.50 m/s"],
        ["1.6 ft/s"],
    ),
    (
        Finding(
            "cover-too-small",
            "fail",
            "L1",
            facts={
                "cover_m": 0.2,
                "least_m": 0.3,
                "doubt_m": 0.05,
                "share": 0.4,
                "judged_m": 17.0,
                "all_judged": False,
                "at_m": 5.0,
            },
        ),
        [
            "Its cover is down to 0.20 m 5.0 m from its upper end",
            "over about 40 % of the 17.0 m that are judged",
        ],
        ["7.9 in 16.4 ft", "55.8 ft"],
    ),
    (
        Finding(
            "cover-too-small",
            "warn",
            "L1",
            facts={
                "cover_m": -0.1,
                "least_m": 0.3,
                "doubt_m": 0.05,
                "share": 0.4,
                "judged_m": 20.0,
                "all_judged": True,
                "at_m": 5.0,
            },
        ),
        [
            "By the elevation data (±0.05 m) it stands 0.10 m out of the ground",
            "40 % of its length",
            "Dig and measure",
        ],
        ["±2.0 in", "3.9 in out"],
    ),
    (
        Finding(
            "cover-too-small",
            "warn",
            "L1",
            facts={
                "cover_m": 0.1,
                "least_m": 0.3,
                "doubt_m": 0.05,
                "share": 0.4,
                "judged_m": 17.0,
                "all_judged": False,
                "at_m": 20.0,
                "shallow_from_m": 12.0,
                "bare_m": 2.0,
            },
        ),
        ["under 0.30 m from about 12.0 m", "Its last 2.0 m lie out", "It comes up to its outlet"],
        ["11.8 in from about 39.4 ft", "last 6.6 ft"],
    ),
    (
        Finding(
            "cover-too-small",
            "fail",
            "L1",
            facts={
                "cover_m": 0.15,
                "least_m": 0.3,
                "doubt_m": 0.05,
                "share": 0.4,
                "judged_m": 17.0,
                "all_judged": True,
                "at_m": 0.0,
                "measured_end": "upper",
                "seems_bare": True,
            },
        ),
        [
            "By the depth given at its upper end its cover is down to 0.15 m there",
            "may be their error",
        ],
        ["5.9 in there"],
    ),
    (
        Finding("trench-too-deep", "warn", "L1", facts={"depth_m": 1.7}),
        ["1.70 m deep"],
        ["66.9 in deep"],
    ),
    (Finding("line-under-building", "warn", "L1"), ["under a building"], ["under a building"]),
    (
        Finding("trench-below-footing", "warn", "L1", facts={"depth_m": 0.9, "away_m": 0.4}),
        ["0.90 m deep at 0.4 m"],
        ["35.4 in deep at 1.3 ft"],
    ),
    (
        Finding("turn-too-sharp", "warn", "L1", facts={"turn_deg": 120.4, "meets": "L2"}),
        ["120 degrees where it meets L2"],
        ["120 degrees"],
    ),
    (Finding("no-way-to-clean", "warn", "L1", facts={"upper_end": "bend"}), ["bend"], ["bend"]),
    (
        Finding("cleanouts-too-far-apart", "warn", "L1", facts={"length_m": 40.0}),
        ["40.0 m"],
        ["131.2 ft"],
    ),
    (Finding("line-leaves-elevation-data", "warn", "L1", facts={"share": 0.25}), ["25%"], ["25%"]),
    (
        Finding("invert-above-ground", "fail", "L1", facts={"end": "lower", "above_m": 0.3}),
        ["lower invert lies 0.30 m"],
        ["11.8 in"],
    ),
    (
        Finding("inverts-disagree", "warn", "L1", facts={"end": "upper", "differ_m": 0.3}),
        ["The upper invert", "differ by 0.30 m"],
        ["11.8 in"],
    ),
]


@pytest.mark.parametrize(("finding", "metric", "us"), TOLD)
def test_the_sentence_says_the_numbers(is_told, finding, metric, us):
    is_told(finding, metric, us)


def test_each_sentence_has_an_example():
    assert {finding.rule for finding, _, _ in TOLD} == set(SENTENCES)
