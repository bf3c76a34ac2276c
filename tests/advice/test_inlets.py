"""Sentences about inlets, each with an example."""

import pytest

from lotflow.advice.inlets import SENTENCES
from lotflow.findings import Finding

#: Finding, and what its sentence must say in metric and in US units.
TOLD = [
    (
        Finding("grate-size-unknown", "note", "Basin", facts={"flow_m3s": 0.004}),
        ["4.00 l/s"],
        ["63.4 gpm"],
    ),
    (
        Finding(
            "grate-too-small",
            "fail",
            "Basin",
            facts={"clogged": 0.5, "flow_m3s": 0.004, "depth_m": 0.1},
        ),
        ["50% clogged", "4.00 l/s", "0.10 m of water"],
        ["63.4 gpm", "3.9 in of water"],
    ),
    (
        Finding("grate-not-removable", "warn", "Basin"),
        ["cannot be taken out"],
        ["cannot be taken out"],
    ),
    (
        Finding("grate-opening-too-wide", "warn", "Basin", facts={"opening_m": 0.0254}),
        ["25 mm"],
        ["1.0 in"],
    ),
    (
        Finding(
            "grate-on-slope-unknown",
            "note",
            "Basin",
            facts={"storm_yr": 10.0, "arriving_m3s": 0.01, "taken_m3s": 0.004},
        ),
        ["10.00 l/s that reach it", "10-year storm", "nothing and 4.00 l/s"],
        ["158.5 gpm", "63.4 gpm"],
    ),
    (
        Finding(
            "inlet-passed-by",
            "warn",
            "Basin",
            facts={
                "storm_yr": 10.0,
                "limited_by": "grate",
                "taken_m3s": 0.004,
                "is_most": True,
                "arriving_m3s": 0.01,
                "backs_up_m3s": 0.001,
                "clogged": 0.5,
                "water_m": 0.05,
                "stands_m3s": 0.002,
                "passed_m3s": 0.004,
                "runs_to": "Next",
                "leaves_lot": False,
                "refused_m3": 1.0,
            },
        ),
        [
            "at most 4.00 l/s of the 10.00 l/s that reach it (1.00 l/s of them up out",
            "grate, 50 % clogged and under 0.05 m",
            "2.00 l/s stand above it; 4.00 l/s pass it by and go on to Next",
        ],
        ["63.4 gpm", "158.5 gpm", "2.0 in of water"],
    ),
    (
        Finding(
            "inlet-passed-by",
            "note",
            "Basin",
            facts={
                "storm_yr": 10.0,
                "limited_by": "line",
                "taken_m3s": 0.0,
                "is_most": False,
                "arriving_m3s": 0.01,
                "backs_up_m3s": 0.0,
                "clogged": 0.5,
                "water_m": 0.05,
                "stands_m3s": 0.002,
                "passed_m3s": 0.004,
                "runs_to": "",
                "leaves_lot": True,
                "refused_m3": 1.0,
                "unknown_ways": ("DS 2",),
            },
        ),
        [
            "takes nothing",
            "its line, with water no higher",
            "leave the lot",
            "water of DS 2, of which nobody",
        ],
        ["takes nothing"],
    ),
    (
        Finding(
            "inlet-passed-by",
            "warn",
            "Basin",
            facts={
                "storm_yr": 10.0,
                "limited_by": "dry well",
                "taken_m3s": 0.004,
                "is_most": True,
                "arriving_m3s": 0.01,
                "backs_up_m3s": 0.001,
                "clogged": 0.5,
                "water_m": 0.05,
                "stands_m3s": 0.0,
                "passed_m3s": 0.0,
                "runs_to": "",
                "leaves_lot": False,
                "refused_m3": 1.0,
            },
        ),
        ["its dry well takes no more. 1.00 m³ of the storm"],
        ["35.3 ft³"],
    ),
    (Finding("channel-size-unknown", "note", "Basin"), ["width and depth"], ["width and depth"]),
    (
        Finding(
            "channel-too-long",
            "fail",
            "Basin",
            facts={
                "water_m": 0.12,
                "depth_m": 0.1,
                "piped_m3s": 0.012,
                "longest_run_m": 6.0,
                "one_end_m": 0.12,
                "both_ends_m": 0.08,
                "middle_m": 0.07,
            },
        ),
        [
            "0.12 m deep, more than its depth of 0.10 m",
            "12.00 l/s of it come in through pipes",
            "serves 6.0 m",
            "both ends 0.08 m, in the middle 0.07 m",
        ],
        ["4.7 in", "190.2 gpm", "19.7 ft"],
    ),
    (
        Finding(
            "channel-too-long",
            "fail",
            "Basin",
            facts={
                "water_m": 0.12,
                "depth_m": 0.1,
                "piped_m3s": None,
                "longest_run_m": None,
                "one_end_m": 0.12,
                "both_ends_m": 0.08,
                "middle_m": 0.07,
            },
        ),
        ["0.10 m. With the outlet"],
        ["3.9 in. With"],
    ),
    (
        Finding(
            "channel-ground-not-level", "warn", "Basin", facts={"fall_m": 0.1, "doubt_m": 0.02}
        ),
        ["differs by 0.10 m; its top"],
        ["3.9 in; its top"],
    ),
    (
        Finding("channel-ground-not-level", "note", "Basin", facts={"fall_m": 0.1, "doubt_m": 0.2}),
        ["0.10 m, known to about ±0.20 m"],
        ["±7.9 in"],
    ),
]


@pytest.mark.parametrize(("finding", "metric", "us"), TOLD)
def test_the_sentence_says_the_numbers(is_told, finding, metric, us):
    is_told(finding, metric, us)


def test_each_sentence_has_an_example():
    assert {finding.rule for finding, _, _ in TOLD} == set(SENTENCES)
