"""Which ground a sheet shows, and at which scale."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st

from lotflow.grid import Grid
from lotflow.outputs.map.content import needed_bounds, round_length, round_scale, sheet_view


def ground(rows: int, columns: int, *, cell: float = 1.0, metres_per_unit: float = 1.0) -> Grid:
    transform = Affine(cell, 0.0, 0.0, 0.0, -cell, rows * cell)
    return Grid(np.zeros((rows, columns)), transform, None, metres_per_unit)


@pytest.mark.parametrize(
    ("least", "units", "text"),
    [
        (199.9, "metric", "1 : 200"),
        (200.0, "metric", "1 : 200"),
        (200.1, "metric", "1 : 250"),
        (751.0, "metric", "1 : 1,000"),
        (240.0, "us", "1 in = 20 ft"),
        (241.0, "us", "1 in = 30 ft"),
        (961.0, "us", "1 in = 100 ft"),
    ],
)
def test_scales_are_those_of_rulers(least, units, text):
    """20 ft to an inch is 1 : 240."""
    assert round_scale(least, units).text == text


@given(st.floats(1.0, 1e6), st.sampled_from(["us", "metric"]))
def test_a_scale_is_never_larger_than_what_fits_and_not_far_from_it(least, units):
    scale = round_scale(least, units)
    assert least <= scale.denominator * (1 + 1e-6) <= 2.001 * least


@given(st.floats(1e-3, 1e6))
def test_a_scale_bar_is_at_most_as_long_as_asked_for(longest):
    assert longest / 2.5 * (1 - 1e-9) <= round_length(longest) <= longest


def test_a_map_shows_all_that_is_needed_and_stays_on_the_ground():
    bounds, scale = sheet_view((5, 40, 45, 60), ground(100, 200), (0.2, 0.15), "metric")
    assert scale.text == "1 : 200"
    assert bounds == pytest.approx((5, 35, 45, 65))
    near_the_edge, _ = sheet_view((0, 80, 30, 100), ground(100, 200), (0.2, 0.15), "metric")
    assert near_the_edge == pytest.approx((0, 77.5, 30, 100))


def test_where_the_ground_is_smaller_than_the_field_it_lies_in_its_middle():
    bounds, _ = sheet_view((0, 0, 10, 30), ground(30, 10), (0.2, 0.15), "metric")
    assert (bounds[0] + bounds[2]) / 2 == pytest.approx(5)


def test_a_map_in_feet_has_the_scale_of_the_same_map_in_metres():
    feet = 3937 / 1200
    metric, scale = sheet_view((5, 40, 45, 60), ground(100, 200), (0.2, 0.15), "us")
    grid = ground(100, 200, cell=feet, metres_per_unit=1 / feet)
    us, same = sheet_view((5 * feet, 40 * feet, 45 * feet, 60 * feet), grid, (0.2, 0.15), "us")
    assert same == scale
    assert np.divide(us, feet) == pytest.approx(metric)


def test_a_far_catchment_does_not_make_the_lot_small():
    needed = needed_bounds((0, 0, 20, 30), (-5000, 0, 10, 20), (-9000, -9000, 9000, 9000))
    assert needed[0] == -30
