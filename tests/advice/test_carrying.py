"""Sentences about what lines carry, each with an example."""

import pytest

from lotflow.advice.carrying import SENTENCES
from lotflow.findings import Finding

#: Finding, and what its sentence must say in metric and in US units.
TOLD = [
    (
        Finding(
            "over-capacity",
            "fail",
            "L1",
            facts={"storm_yr": 10.0, "flow_m3s": 0.012, "clean_m3s": 0.009},
        ),
        ["10-year storm brings 12.00 l/s", "full, the line carries 9.00 l/s", "larger pipe"],
        ["190.2 gpm", "142.7 gpm"],
    ),
    (
        Finding(
            "over-capacity",
            "warn",
            "L1",
            facts={
                "storm_yr": None,
                "flow_m3s": 0.008,
                "clean_m3s": 0.009,
                "found_m3s": 0.006,
                "kept": 0.67,
                "left_m3s": 0.003,
                "kept_storm_yr": 10.0,
            },
            rests_on=("unknown",),
        ),
        [
            "stated rain brings 8.00 l/s",
            "found the line carries 6.00 l/s, clean 9.00 l/s",
            "not known",
            "hold back 67 %",
            "3.00 l/s arrive",
        ],
        ["95.1 gpm", "47.6 gpm arrive"],
    ),
    (
        Finding(
            "over-capacity",
            "warn",
            "L1",
            facts={"storm_yr": 10.0, "flow_m3s": 0.012, "clean_m3s": 0.009},
            limit=0.006,
        ),
        # held against what it carries as it was found: both are told
        ["as it was found the line carries 6.00 l/s, clean 9.00 l/s", "larger pipe"],
        ["95.1 gpm", "142.7 gpm"],
    ),
    (
        Finding(
            "over-capacity",
            "warn",
            "L1",
            facts={"storm_yr": 10.0, "flow_m3s": 0.012, "clean_m3s": 0.009},
            rests_on=("proposed", "from ground"),
        ),
        ["are proposed, or hang on the elevation data"],
        ["take them on site"],
    ),
    (
        Finding("too-fast", "warn", "L1", facts={"storm_yr": 10.0, "velocity_m_s": 4.2}),
        ["10-year storm runs at 4.2 m/s in it"],
        ["14 ft/s"],
    ),
    (
        Finding("pump-flow", "note", "L1", facts={"storm_yr": 10.0, "flow_m3s": 0.003}),
        ["3.00 l/s", "10-year storm"],
        ["47.6 gpm"],
    ),
    (
        Finding(
            "water-above-grate",
            "fail",
            "Basin",
            facts={"storm_yr": 10.0, "above_m": 0.1, "is_full": False},
        ),
        ["0.10 m above its grate", "10-year storm"],
        ["3.9 in above its grate"],
    ),
    (
        Finding(
            "water-above-grate",
            "fail",
            "Basin",
            facts={
                "storm_yr": 10.0,
                "above_m": 0.0,
                "is_full": True,
                "kept": 0.67,
                "left_m3s": 0.003,
                "kept_storm_yr": 10.0,
            },
            rests_on=("from ground",),
        ),
        ["fills the drain up to its grate", "hold back 67 %", "data: take"],
        ["hold back 67 %"],
    ),
    (
        Finding(
            "water-above-ground",
            "warn",
            "cleanout",
            facts={"storm_yr": 10.0, "above_m": 0.1, "is_full": False},
        ),
        ["0.10 m above the ground there"],
        ["3.9 in above the ground"],
    ),
    (
        Finding(
            "water-above-ground",
            "warn",
            "cleanout",
            facts={"storm_yr": 10.0, "above_m": 0.0, "is_full": True},
        ),
        ["full up to the ground there"],
        ["full up"],
    ),
    (
        Finding(
            "capacity-within-doubt",
            "note",
            "L1",
            facts={
                "storm_yr": 10.0,
                "carries_m3s": 0.009,
                "flow_m3s": 0.006,
                "more": 23,
                "realisations": 100,
                "into_well": True,
            },
            rests_on=("proposed",),
        ),
        [
            "By levels that nobody",
            "9.00 l/s",
            "10-year storm brings 6.00 l/s",
            "on 23 of 100 surfaces",
            "a well that takes it",
        ],
        ["142.7 gpm", "95.1 gpm"],
    ),
    (
        Finding(
            "capacity-within-doubt",
            "warn",
            "L1",
            facts={
                "storm_yr": 10.0,
                "carries_m3s": 0.009,
                "flow_m3s": 0.006,
                "more": 23,
                "realisations": 100,
                "into_well": False,
            },
        ),
        ["The line carries 9.00 l/s", "lay the line larger."],
        ["The line carries 142.7 gpm"],
    ),
    (
        Finding(
            "best-single-change",
            "note",
            "L1",
            facts={"change": "clean", "left": 1, "failures": 3, "tried": 6},
        ),
        ["of 6 lines tried: clean L1", "leaves 1 of 3"],
        ["clean L1"],
    ),
    (
        Finding(
            "best-single-change",
            "note",
            "L1",
            facts={"change": "lay", "size": "6 in", "left": 0, "failures": 3},
        ),
        ["lay L1 in 6 in"],
        ["lay L1 in 6 in"],
    ),
    (
        Finding(
            "best-single-change",
            "note",
            "L1",
            facts={
                "change": "lay as large",
                "lines": ("L1", "L2"),
                "larger": "L0",
                "diameter_m": 0.1524,
                "left": 0,
                "failures": 3,
            },
        ),
        ["lay L1, L2 as large as L0, in 152 mm"],
        ["in 6.0 in"],
    ),
    (
        Finding(
            "best-single-change", "note", "L1", facts={"change": "relay", "left": 0, "failures": 3}
        ),
        ["relay L1 with the fall it needs"],
        ["relay L1 with"],
    ),
    (
        Finding(
            "best-single-change",
            "note",
            "L1",
            facts={
                "change": "relay as large",
                "lines": ("L1",),
                "larger": "L0",
                "size": "6 in",
                "left": 0,
                "failures": 3,
            },
        ),
        ["relay L1 as large as L0, in 6 in, with the fall needed"],
        ["6 in"],
    ),
    (
        Finding(
            "best-single-change",
            "note",
            "L1",
            facts={"change": "relay the run", "left": 0, "failures": 3},
        ),
        ["everything from L1 to the outlet"],
        ["everything from L1"],
    ),
]


@pytest.mark.parametrize(("finding", "metric", "us"), TOLD)
def test_the_sentence_says_the_numbers(is_told, finding, metric, us):
    is_told(finding, metric, us)


def test_each_sentence_has_an_example():
    assert {finding.rule for finding, _, _ in TOLD} == set(SENTENCES)
