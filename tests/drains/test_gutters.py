"""Spread of flow along a curb."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.gutters import (
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
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
