"""Contours: interval by relief and accuracy, lines where they belong."""

import numpy as np
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from skimage.measure import find_contours

from lotflow.errors import ParameterError
from lotflow.grid import Grid
from lotflow.terrain.contours import contour_interval, contours


def cone(size=61):
    row, column = np.mgrid[:size, :size] - size // 2
    return Grid(10 - 0.1 * np.hypot(row, column), Affine(0.5, 0, 600_000, 0, -0.5, 3_300_000), None)


@pytest.mark.parametrize(
    ("relief", "rmse", "unit", "interval"),
    [
        (2.0, 0.10, 1.0, 0.5),
        (2.0, 0.05, 1.0, 0.2),
        (2.0, 0.10, 0.3048, 0.3048),
        (100.0, 0.10, 1.0, 5.0),
        (0.05, 0.0, 1.0, 0.002),
    ],
)
def test_the_interval_is_round_in_its_unit_and_no_finer_than_the_data(relief, rmse, unit, interval):
    assert contour_interval(relief, rmse, unit) == pytest.approx(interval)


@given(st.floats(0.01, 500), st.floats(0, 2), st.sampled_from([1.0, 0.3048]))
def test_an_interval_never_gives_more_lines_than_can_be_read(relief, rmse, unit):
    interval = contour_interval(relief, rmse, unit)
    assert relief / interval <= 30 * (1 + 1e-6)
    assert interval >= 3 * rmse * (1 - 1e-6)


def test_flat_ground_has_no_interval():
    with pytest.raises(ParameterError):
        contour_interval(0.0, 0.1, 1.0)


def test_contours_of_a_cone_are_circles_as_another_library_traces_them():
    grid = cone()
    lines = contours(grid, 0.5, shortest_m=1.0)
    assert {line.level for line in lines if line.index} == {7.5}
    for line in lines:
        radius = np.hypot(line.xy[:, 0] - 600_015.25, line.xy[:, 1] - 3_299_984.75)
        assert radius == pytest.approx((10 - line.level) / 0.1 * 0.5, abs=0.05)
    every = contours(grid, 0.5, shortest_m=0.0)
    for level in {line.level for line in every}:
        ours = {tuple(p) for one in every if one.level == level for p in one.xy.round(6)}
        traced = np.concatenate(find_contours(grid.values, level))
        theirs = np.column_stack(grid.xy(traced[:, 0], traced[:, 1])).round(6)
        assert ours == {tuple(p) for p in theirs}


def test_scraps_are_dropped_and_missing_ground_ends_a_line():
    grid = cone()
    values = grid.values.copy()
    values[:20] = np.nan
    cut = contours(grid.with_values(values), 0.5, shortest_m=5.0)
    assert cut
    assert max(line.xy[:, 1].max() for line in cut) <= grid.xy(20, 0)[1]
    shortest = min(np.hypot(*np.diff(line.xy, axis=0).T).sum() for line in cut)
    assert shortest >= 5.0
    longest = contours(grid, 0.5, shortest_m=1e4)
    assert longest == []


def test_level_or_missing_ground_has_no_contours():
    grid = cone()
    assert contours(grid.with_values(np.full(grid.shape, 3.0)), 0.5, shortest_m=0) == []
    assert contours(grid.with_values(np.full(grid.shape, np.nan)), 0.5, shortest_m=0) == []
