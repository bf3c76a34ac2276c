"""Bends from drawn lines."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from lotflow.drains.fittings import BENDS_DEG, bends, turn_between, turns


@given(st.floats(0, 180))
def test_bends_make_up_a_turn_to_half_of_the_smallest(angle):
    found = bends(angle)
    assert abs(sum(found) - angle) <= BENDS_DEG[-1] / 2 + 1e-9
    assert set(found) <= set(BENDS_DEG)
    assert found == sorted(found, reverse=True)


@pytest.mark.parametrize(
    ("second", "angle"), [((1, 0), 0), ((0, 1), 90), ((1, -1), 45), ((-1, 0), 180)]
)
def test_turns_do_not_depend_on_the_side(second, angle):
    assert turn_between(np.array([2.0, 0.0]), np.array(second, dtype=float)) == pytest.approx(angle)


def test_a_point_drawn_twice_is_no_turn():
    assert turns(shapely.LineString([(0, 0), (1, 0), (1, 0), (2, 0)])) == [0.0]
    assert turns(shapely.LineString([(0, 0), (1, 0)])) == []
