"""Grades act on figures, and ranges that share water are not added."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.advice.grades import MEANING, Grade, joint_bounds, least_sure, of_interval, of_low_spot

AREA = st.floats(0, 1e5)


def test_each_grade_says_what_to_do():
    assert set(MEANING) == set(Grade)


@pytest.mark.parametrize(
    ("probability", "depth", "grade"),
    [
        (0.90, 0.1, Grade.SHOWN), (0.89, 0.9, Grade.LIKELY), (0.50, 0.1, Grade.LIKELY),
        (0.49, 0.9, Grade.LEVEL_FIRST), (None, 0.20, Grade.SHOWN), (None, 0.12, Grade.LIKELY),
        (None, 0.09, Grade.LEVEL_FIRST),
    ],
)  # fmt: skip
def test_a_low_spot_is_graded_by_its_share_of_realisations_else_by_its_depth(
    probability, depth, grade
):
    assert of_low_spot(probability, depth, 0.1) is grade


def test_what_may_be_none_is_never_shown():
    assert of_low_spot(1.0, 1.0, 0.1, may_be_artefact=True) is Grade.LIKELY
    assert of_low_spot(0.1, 1.0, 0.1, may_be_artefact=True) is Grade.LEVEL_FIRST


def test_an_unknown_interval_tells_nothing():
    assert of_interval(None, 1.0, 0.0) is Grade.LEVEL_FIRST


def test_the_least_sure_part_decides():
    assert least_sure([Grade.SHOWN, Grade.LEVEL_FIRST, Grade.LIKELY]) is Grade.LEVEL_FIRST
    assert least_sure([]) is Grade.SHOWN


@given(st.lists(st.tuples(AREA, AREA, AREA), min_size=1), st.tuples(AREA, AREA))
def test_joint_bounds_count_no_water_twice_and_hold_the_measured_surface(bounds, together):
    bounds = [(value, min(value, low), max(value, high)) for value, low, high in bounds]
    low, high = joint_bounds(bounds, together)
    measured = sum(value for value, _, _ in bounds)
    assert high >= measured
    assert high <= max(together[1], measured) or high == pytest.approx(measured)
    assert high <= sum(most for _, _, most in bounds) + 1e-6
    assert low <= measured


def test_four_inlets_sized_for_upper_bounds_do_not_count_the_same_water_four_times():
    four = [(10.0, 5.0, 400.0)] * 4
    assert joint_bounds(four, (300.0, 420.0)) == (5.0, 420.0)
