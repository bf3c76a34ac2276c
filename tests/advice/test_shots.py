"""What is said of levels taken on site, from facts."""

import math

import pytest

from lotflow.advice.sentences import message
from lotflow.findings import Finding


def said(rule, **facts):
    return message(Finding(rule, "note", "S4", facts=facts), "metric")


@pytest.mark.parametrize(
    ("facts", "told"),
    [({"used": 5, "of": 6, "own_datum": False}, "5 of 6 levels"),
     ({"used": 1, "of": 1, "own_datum": False}, "1 level taken"),
     ({"used": 6, "of": 6, "own_datum": True}, "a benchmark of their own"),
     ({"used": 0, "of": 2, "own_datum": False}, "None of the 2 levels")],
)  # fmt: skip
def test_how_many_levels_went_into_the_ground_is_told(facts, told):
    assert told in said("shots-used", offset_m=0.0, **facts)


def test_levels_brought_to_the_ground_are_told_with_by_how_much():
    facts = {"used": 6, "of": 6, "own_datum": True}
    assert "told so much lower" in said("shots-used", offset_m=0.3, **facts)
    assert "0.30 m below" in said("shots-used", offset_m=-0.3, **facts)
    assert "so much" not in said("shots-used", offset_m=0.003, **facts)


def test_a_benchmark_that_the_program_tied_is_told_with_its_deviation():
    text = said("benchmark-tied", elevation_m=31.66, deviation_m=0.05, levels=12)
    assert "at 31.66 m" in text
    assert "0.05 m (standard deviation)" in text


def test_a_tie_tells_offset_and_its_deviation():
    text = said("shots-tied", offset_m=-3.64, deviation_m=0.07, levels=5)
    assert "3.64 m below" in text
    assert "0.07 m (standard deviation), by 5 levels" in text
    assert "Fewer than 3 levels on hard ground" in said("shots-not-tied", least=3)


def test_what_is_left_out_is_told_with_its_evidence():
    text = said("shot-left-out", off_m=0.5, score=4.21, limit_score=3.2)
    assert "S4 lies 0.50 m above" in text
    assert "4.2 times" in text
    assert "by a cut?" in said("ground-changed", off_m=-0.3, shots=3)
    assert "by fill?" in said("ground-changed", off_m=0.3, shots=3)
    facts = {"off_m": -0.4, "shots": 5}
    assert "The bed of S4 lies 0.40 m below" in said("line-not-in-data", part="bed", **facts)
    assert said("line-not-in-data", part="", **facts).startswith("S4 lies")
    assert "within 3.0 m" in said("shot-not-placed", within_m=3.0, limit_m=3.0)
    assert "no open ground" in said("shot-without-ground")


@pytest.mark.parametrize(
    ("facts", "told"),
    [({"off_m": 0.05, "is_held": True, "is_told": True}, "bears the result out"),
     ({"off_m": -0.4, "is_held": False, "is_told": True}, "more than it should be"),
     ({"off_m": math.nan, "is_held": False, "is_told": False}, "nothing ties its benchmark")],
)  # fmt: skip
def test_levels_that_only_compare_bear_the_result_out_or_not(facts, told):
    assert told in said("shot-compared", reach_m=0.1, **facts)


def test_the_finished_work_is_told_with_proposal_and_limit():
    facts = {"measured_slope": 0.004, "least_slope": 0.0104, "shots": "A, B"}
    text = said("as-built-fall", expected_slope=0.015, verdict="too flat", **facts)
    assert "falls 0.4% between A, B, proposed 1.5%, 1.0% needed: too flat. Lay it again." in text
    unplanned = said("as-built-fall", expected_slope=math.nan, verdict="runs back", **facts)
    assert "proposed" not in unplanned
    facts = {"tolerance_m": 0.061, "part": "rim"}
    text = said("as-built-level", off_m=-0.1, verdict="off", **facts)
    assert "its rim lies 0.10 m below the proposal; 0.06 m are allowed" in text
    assert "level it again" in said("as-built-level", off_m=0.065, verdict="cannot tell", **facts)
