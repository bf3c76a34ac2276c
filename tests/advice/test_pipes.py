"""Sentences about pipes, each with an example."""

import pytest

from lotflow.advice.pipes import SENTENCES
from lotflow.findings import Finding

#: Finding, and what its sentence must say in metric and in US units.
TOLD = [
    (
        Finding("pipe-size-unknown", "warn", "L1", facts={"proposed": False}),
        ["Measure"],
        ["Measure"],
    ),
    (
        Finding("pipe-size-unknown", "note", "L1", facts={"proposed": True}),
        ["not given"],
        ["not given"],
    ),
    (
        Finding("size-not-in-table", "warn", "L1", facts={"material": "pvc", "size_m": 0.09}),
        ["90 mm", "pvc"],
        ["3.5 in"],
    ),
    (
        Finding("pipe-material-assumed", "note", "L1", facts={"material": "hdpe corrugated"}),
        ["hdpe corrugated"],
        ["hdpe corrugated"],
    ),
    (
        Finding(
            "size-changes-within-line", "fail", "L1", facts={"above_m": 0.1016, "below_m": 0.0762}
        ),
        ["102 mm above", "76 mm below", "must not narrow"],
        ["4.0 in above", "3.0 in below"],
    ),
    (
        Finding(
            "size-changes-within-line", "warn", "L1", facts={"above_m": 0.0762, "below_m": 0.1016}
        ),
        ["look at it"],
        ["look at it"],
    ),
    (
        Finding(
            "smaller-pipe-downstream",
            "fail",
            "L1",
            facts={"upper": "L0", "upper_m": 0.1524, "own_m": 0.1016},
        ),
        ["102 mm", "L0", "152 mm"],
        ["4.0 in", "6.0 in"],
    ),
    (Finding("joint-not-for-burial", "fail", "L1", facts={"joint": "taped"}), ["taped"], ["taped"]),
    (
        Finding("joint-not-for-burial", "warn", "L1", facts={"joint": "none"}),
        ["one length"],
        ["one length"],
    ),
    (
        Finding("sediment-in-line", "warn", "L1", facts={"depth_m": 0.0254, "lost": 0.2}),
        ["0.03 m of sediment take 20%", "Jet it"],
        ["1.0 in of sediment take 20%"],
    ),
    (
        Finding("water-stands-in-line", "warn", "L1", facts={"depth_m": 0.0254, "lost": 0.2}),
        ["0.03 m of standing water take 20%", "sags"],
        ["1.0 in of standing water"],
    ),
    (
        Finding(
            "hose-test",
            "note",
            "L1",
            facts={"outcome": "in time", "seconds": 40.0, "expected_s": 27.2, "share": 0.06},
        ),
        ["after 40 s; about 27 s", "6% of the capacity"],
        ["after 40 s; about 27 s"],
    ),
    (
        Finding(
            "hose-test",
            "warn",
            "L1",
            facts={
                "outcome": "late",
                "late_factor": 3.0,
                "seconds": 240.0,
                "expected_s": 27.2,
                "assumed_slope": 0.0104,
                "share": 0.5,
                "share_of": "storm",
                "storm_yr": 100.0,
            },
        ),
        ["fall of 1.04%, the least", "More than 3 times", "50% of the 100-year flow"],
        ["More than 3 times"],
    ),
    (
        Finding(
            "hose-test",
            "warn",
            "L1",
            facts={"outcome": "not noted", "share": 1.2, "share_of": "storm", "storm_yr": None},
        ),
        ["no arrival time", "stands for the stated flow as computed and more"],
        ["no arrival time"],
    ),
    (
        Finding("hose-test", "warn", "L1", facts={"outcome": "no fall", "seconds": 60.0}),
        ["after 60 s", "filled first"],
        ["after 60 s"],
    ),
    (
        Finding(
            "hose-test",
            "warn",
            "L1",
            facts={
                "outcome": "backed up",
                "seconds": 60.0,
                "volume_m3": 0.038,
                "blocked_within_m": 4.67,
            },
        ),
        ["after 60 s, 0.04 m³", "at most 4.7 m from there"],
        ["1.3 ft³", "at most 15.3 ft"],
    ),
    (
        Finding(
            "hose-test",
            "warn",
            "L1",
            facts={"outcome": "backed up", "seconds": 600.0, "volume_m3": 0.38},
        ),
        ["0.38 m³, more than the line holds"],
        ["13.4 ft³, more"],
    ),
]


@pytest.mark.parametrize(("finding", "metric", "us"), TOLD)
def test_the_sentence_says_the_numbers(is_told, finding, metric, us):
    is_told(finding, metric, us)


def test_each_sentence_has_an_example():
    assert {finding.rule for finding, _, _ in TOLD} == set(SENTENCES)
