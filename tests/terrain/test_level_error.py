"""The error of a difference of levels: its limits, and the error model it stands for."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.terrain.level_error import LevelError, deviation_between


@given(st.floats(0, 1e4), st.floats(0.01, 1), st.floats(1, 100), st.floats(0, 1))
def test_a_difference_is_known_between_exactly_and_as_two_strange_levels(d, rmse, reach, white):
    deviation = float(LevelError(rmse, reach, white).of_difference(d))
    assert 0 <= deviation <= np.sqrt(2) * rmse + 1e-12
    assert float(LevelError(rmse, reach, white).of_difference(d + 1)) >= deviation


def test_deviation_is_that_of_drawn_errors():
    """20 000 pairs of levels with exponential correlation and a white part, drawn."""
    rng = np.random.default_rng(1)
    rmse, reach, white, distance = 0.1, 10.0, 0.1, 5.0
    r = np.exp(-distance / reach)
    shared = rng.multivariate_normal([0, 0], np.array([[1, r], [r, 1]]), 20_000)
    error = rmse * (np.sqrt(1 - white) * shared + np.sqrt(white) * rng.normal(size=(20_000, 2)))
    expected = LevelError(rmse, reach, white).of_difference(distance)
    assert np.std(error[:, 0] - error[:, 1]) == pytest.approx(float(expected), rel=0.02)


@pytest.mark.parametrize(
    ("first", "second", "expected"), [(True, True, 0.0), (True, False, 0.1), (False, True, 0.1)]
)
def test_levels_taken_on_site_count_as_exact(first, second, expected):
    error = LevelError(0.1, 10.0, 0.1)
    found = deviation_between(error, 4.0, first_surveyed=first, second_surveyed=second)
    assert found == expected
