"""Bends from drawn lines."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from lotflow.drains.fittings import BENDS_DEG, bends, turn_between, turns


@given(st.floats(0, 180))
def test_a_corner_is_one_bend_and_sharper_than_square_two(angle):
    """The nearest of those sold: no other single bend comes closer, nor another beside the 90."""
    found = bends(angle)
    assert len(found) <= (1 if angle <= 95.625 else 2)
    left = angle - (90.0 if len(found) == 2 else 0.0)
    last = found[-1] if found else 0.0
    assert all(abs(left - last) <= abs(left - other) + 1e-9 for other in (0.0, *BENDS_DEG))
    assert found == sorted(found, reverse=True)


@given(angle=st.floats(20, 100), points=st.integers(2, 6), size=st.floats(0.05, 0.49))
def test_a_corner_drawn_round_is_one_corner(angle, points, size):
    """An arc of short steps turns as its two straights do; without the rule each step is a turn."""
    headings = np.radians(np.linspace(0, angle, points + 1))
    lengths = np.array([4.0, *[size] * (points - 1), 4.0])
    steps = lengths[:, None] * np.stack([np.cos(headings), np.sin(headings)], axis=1)
    path = shapely.LineString(np.vstack([[0, 0], np.cumsum(steps, axis=0)]))
    assert turns(path, together=0.5) == pytest.approx([angle])
    assert turns(path) == pytest.approx([angle / points] * points)


def test_a_jog_is_two_corners():
    """Left and right again within 0.3 m: the line goes on as before, and needs both bends."""
    path = shapely.LineString([(0, 0), (5, 0), (5, 0.3), (9, 0.3)])
    assert turns(path, together=0.5) == pytest.approx([90, 90])


@pytest.mark.parametrize(
    ("second", "angle"), [((1, 0), 0), ((0, 1), 90), ((1, -1), 45), ((-1, 0), 180)]
)
def test_turns_do_not_depend_on_the_side(second, angle):
    assert turn_between(np.array([2.0, 0.0]), np.array(second, dtype=float)) == pytest.approx(angle)


def test_a_point_drawn_twice_is_no_turn():
    assert turns(shapely.LineString([(0, 0), (1, 0), (1, 0), (2, 0)])) == [0.0]
    assert turns(shapely.LineString([(0, 0), (1, 0)])) == []
