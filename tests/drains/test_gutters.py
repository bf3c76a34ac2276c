"""Spread of flow along a curb and in a shallow V."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from lotflow.drains.gutters import (
    CompositeGutter,
    composite_gutter_flow,
    composite_gutter_spread,
    frontal_flow_share,
    gutter_flow,
    gutter_spread,
    v_cross_slope,
)
from lotflow.errors import ParameterError

spreads = st.floats(0.05, 6.0)
cross_slopes = st.floats(0.01, 0.08)
falls = st.floats(0.002, 0.1)

gutters = st.builds(
    lambda width, steeper, cross, fall: CompositeGutter(width, cross * steeper, cross, fall, 0.016),
    st.floats(0.2, 1.0),
    st.floats(1.0, 6.0),
    cross_slopes,
    falls,
)


@settings(max_examples=50, deadline=None)
@given(spreads, cross_slopes, falls)
def test_spread_undoes_flow(spread, cross_slope, slope):
    flow = gutter_flow(spread, cross_slope, slope, 0.016)
    assert gutter_spread(flow, cross_slope, slope, 0.016) == pytest.approx(spread)


@settings(max_examples=50, deadline=None)
@given(spreads, gutters)
def test_composite_spread_undoes_composite_flow(spread, gutter):
    flow = composite_gutter_flow(spread, gutter)
    assert composite_gutter_spread(flow, gutter) == pytest.approx(spread, rel=1e-6)


@settings(max_examples=50, deadline=None)
@given(spreads, gutters)
def test_composite_flow_is_that_of_strips_added_up(spread, gutter):
    """Izzard's equation is Manning strip by strip with the depth as hydraulic radius."""
    width = gutter.width
    edge = max(spread - width, 0.0) * gutter.cross_slope
    in_strip = min(width, spread)
    unit = 0.376 * 8 / 3 / gutter.roughness * gutter.slope**0.5
    strip, _ = quad(lambda x: (edge + gutter.gutter_cross_slope * x) ** (5 / 3), 0.0, in_strip)
    road, _ = quad(lambda x: (gutter.cross_slope * x) ** (5 / 3), 0.0, max(spread - width, 0.0))
    assert composite_gutter_flow(spread, gutter) == pytest.approx(unit * (strip + road), rel=1e-5)


@settings(max_examples=50, deadline=None)
@given(st.floats(0.3, 1.5), cross_slopes, falls)
def test_a_strip_no_steeper_than_the_road_changes_nothing(width, cross_slope, slope):
    plain = gutter_flow(2.0, cross_slope, slope, 0.016)
    gutter = CompositeGutter(width, cross_slope, cross_slope, slope, 0.016)
    assert composite_gutter_flow(2.0, gutter) == pytest.approx(plain)


@settings(max_examples=50, deadline=None)
@given(spreads, gutters)
def test_share_in_the_strip_is_a_share_and_all_of_a_narrow_flow(spread, gutter):
    share = frontal_flow_share(spread, gutter)
    assert 0 < share <= 1
    if spread <= gutter.width:
        assert share == 1


def test_a_v_carries_what_its_two_sides_carry_together():
    depth, first, second = 0.05, 0.25, 0.04
    together = gutter_flow(depth / first, first, 0.01, 0.016) + gutter_flow(
        depth / second, second, 0.01, 0.016
    )
    cross_slope = v_cross_slope(first, second)
    assert gutter_flow(depth / cross_slope, cross_slope, 0.01, 0.016) == pytest.approx(together)


def test_numbers_and_arrays_are_taken_alike():
    gutter = CompositeGutter(np.array([0.6, 0.3]), 0.1, 0.02, 0.01, 0.016)
    spread = composite_gutter_spread(np.array([0.05, 0.0]), gutter)
    assert spread.shape == (2,)
    assert spread[1] == 0.0
    assert isinstance(gutter_spread(0.05, 0.02, 0.01, 0.016), float)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: gutter_flow(-1.0, 0.02, 0.01, 0.016), "spread must be 0 or more, not -1"),
        (lambda: gutter_flow(1.0, 0.0, 0.01, 0.016), "cross slope must be greater than 0"),
        (lambda: gutter_spread(1.0, 0.02, 0.0, 0.016), "slope must be greater than 0, not 0"),
        (lambda: gutter_spread(-1.0, 0.02, 0.01, 0.016), "flow must be 0 or more"),
        (lambda: v_cross_slope(0.0, 0.02), "first cross slope must be greater than 0"),
        (
            lambda: CompositeGutter(0.6, 0.01, 0.02, 0.01, 0.016),
            "gutter cross slope less road must be 0 or more",
        ),
        (lambda: CompositeGutter(0.0, 0.1, 0.02, 0.01, 0.016), "width must be greater than 0"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
