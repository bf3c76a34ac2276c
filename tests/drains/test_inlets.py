"""Spread of flow along a curb; grates and curb openings at a low point."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.inlets import (
    CLOGGED_SHARE,
    MIXED_FLOW_COEFFICIENT,
    grate_capacity,
    grate_depth,
    grate_perimeter,
    grate_transition_depth,
    gutter_flow,
    gutter_spread,
)
from lotflow.errors import ParameterError

spreads = st.floats(0.05, 6.0)
cross_slopes = st.floats(0.01, 0.08)
falls = st.floats(0.002, 0.1)


@settings(max_examples=50, deadline=None)
@given(spreads, cross_slopes, falls)
def test_spread_undoes_flow(spread, cross_slope, slope):
    flow = gutter_flow(spread, cross_slope, slope, 0.016)
    assert gutter_spread(flow, cross_slope, slope, 0.016) == pytest.approx(spread)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: gutter_flow(-1.0, 0.02, 0.01, 0.016), "spread must be 0 or more, not -1"),
        (lambda: gutter_flow(1.0, 0.0, 0.01, 0.016), "cross slope must be greater than 0"),
        (lambda: gutter_spread(1.0, 0.02, 0.0, 0.016), "slope must be greater than 0, not 0"),
        (lambda: gutter_spread(-1.0, 0.02, 0.01, 0.016), "flow must be 0 or more"),
    ],
)
def test_outside_the_domain_of_a_gutter_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()


INCH = 0.0254
CFS = 0.3048**3

depths = st.floats(0.001, 1.0)
perimeters = st.floats(0.2, 5.0)
areas = st.floats(0.005, 1.0)
shares = st.floats(0.0, 0.95)
coefficients = st.floats(0.8, 1.0)


@settings(max_examples=50, deadline=None)
@given(depths, perimeters, areas, shares, coefficients)
def test_depth_undoes_capacity(depth, perimeter, area, clogged, mixed):
    flow = grate_capacity(depth, perimeter, area, clogged_share=clogged, mixed_flow=mixed)
    found = grate_depth(flow, perimeter, area, clogged_share=clogged, mixed_flow=mixed)
    assert found == pytest.approx(depth)


@settings(max_examples=50, deadline=None)
@given(depths, perimeters, areas, shares, st.floats(1.001, 3.0))
def test_capacity_grows_with_depth_and_falls_with_clogging(depth, perimeter, area, clogged, more):
    flow = grate_capacity(depth, perimeter, area, clogged_share=clogged)
    assert grate_capacity(depth * more, perimeter, area, clogged_share=clogged) > flow
    assert grate_capacity(depth, perimeter, area, clogged_share=clogged / more) >= flow
    clean = grate_capacity(depth, perimeter, area, clogged_share=0.0)
    assert flow == pytest.approx((1 - clogged) * clean)


# computed independently: flat yard grates, all four sides, 40 % open, cubic feet per second
@pytest.mark.parametrize(
    ("side", "expected"), [(9, (0.217, 0.494, 0.605)), (12, (0.289, 0.816, 1.075))]
)
def test_yard_grates_clean_and_half_clogged(side, expected):
    perimeter, openings = grate_perimeter(side * INCH, side * INCH), 0.4 * (side * INCH) ** 2
    depth = np.array([1.0, 2.0, 3.0]) * INCH
    clean = grate_capacity(depth, perimeter, openings, clogged_share=0.0)
    # the printed SI coefficient 1.66 stands for 3.0 in feet, which is 1.656
    assert clean / CFS == pytest.approx(expected, rel=4e-3)
    assert grate_capacity(depth, perimeter, openings) == pytest.approx(clean / 2)


@pytest.mark.parametrize(("side", "expected"), [(9, 1.6), (12, 2.15)])
def test_transition_depth_of_yard_grates(side, expected):
    depth = grate_transition_depth(4 * side * INCH, 0.4 * (side * INCH) ** 2)
    assert depth / INCH == pytest.approx(expected, abs=0.02)


def test_half_of_a_grate_is_taken_as_clogged_where_nothing_is_said():
    assert CLOGGED_SHARE == 0.5
    assert grate_capacity(0.05, 1.0, 0.1) == grate_capacity(0.05, 1.0, 0.1, clogged_share=0.5)


def test_a_wholly_blocked_grate_takes_nothing_at_any_depth():
    assert grate_capacity(1.0, 1.0, 0.1, clogged_share=1.0) == 0.0
    assert grate_depth(0.001, 1.0, 0.1, clogged_share=1.0) == np.inf
    assert grate_depth(0.0, 1.0, 0.1, clogged_share=1.0) == 0.0


@settings(max_examples=50, deadline=None)
@given(perimeters, areas, st.floats(0.3, 3.0))
def test_near_the_transition_and_only_there_the_mixed_flow_is_less_than_either(
    perimeter, area, ratio
):
    """HEC-22 takes the transition from 0.6 of the depth at which both are alike to 1.7 of it."""
    depth = ratio * grate_transition_depth(perimeter, area)
    lesser = grate_capacity(depth, perimeter, area)
    mixed = grate_capacity(depth, perimeter, area, mixed_flow=MIXED_FLOW_COEFFICIENT)
    assert mixed <= lesser
    if abs(mixed / lesser - 1) > 1e-9:
        assert 0.5 < ratio < 2.0
    assert mixed >= MIXED_FLOW_COEFFICIENT * lesser * (1 - 1e-12)


def test_a_side_against_a_wall_takes_nothing():
    assert grate_perimeter(0.3, 0.2) == pytest.approx(1.0)
    assert grate_perimeter(0.3, 0.2, side_against=0.3) == pytest.approx(0.7)


# HEC-22, 3rd ed. 2009, section 4.4.5: half of a 2 x 4 ft grate clogged along the curb halves
# its area but takes only a quarter of its perimeter, 8 to 6 ft
def test_clogging_along_the_curb_costs_less_edge_than_area():
    clean = grate_perimeter(4.0, 2.0, side_against=4.0)
    clogged = grate_perimeter(4.0, 0.5 * 2.0, side_against=4.0)
    assert (clean, clogged) == (8.0, 6.0)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: grate_perimeter(0.0, 0.3), "length must be greater than 0, not 0"),
        (lambda: grate_perimeter(0.3, 0.3, side_against=1.2), "perimeter must be greater than 0"),
        (lambda: grate_capacity(-0.1, 1.0, 0.1), "depth must be 0 or more, not -0.1"),
        (lambda: grate_capacity(0.1, 0.0, 0.1), "perimeter must be greater than 0"),
        (lambda: grate_capacity(0.1, 1.0, -0.1), "open area must be greater than 0"),
        (lambda: grate_capacity(0.1, 1.0, 0.1, clogged_share=1.1), "between 0 and 1, not 1.1"),
        (lambda: grate_depth(-0.1, 1.0, 0.1), "flow must be 0 or more"),
        (lambda: grate_depth(0.1, 1.0, 0.1, mixed_flow=0.0), "mixed flow must be greater than 0"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
