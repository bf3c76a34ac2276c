"""How fast a soil takes water."""

from __future__ import annotations

import pytest

from lotflow.drains.infiltration import (
    side_area_to_half_depth,
    soil_infiltration,
)
from lotflow.errors import ParameterError

INCH_PER_HOUR = 0.0254 / 3600


# Minnesota Stormwater Manual, design infiltration, inches per hour; 1 in/h = 7.056e-6 m/s
@pytest.mark.parametrize(("group", "rate"), [("A", 0.8), ("B", 0.3), ("C", 0.2), ("D", 0.06)])
def test_design_infiltration_by_soil_group(group, rate):
    soil = soil_infiltration(group)
    assert soil.rate_in_h == rate
    assert soil.rate_m_s == pytest.approx(rate * 7.056e-6, rel=1e-4)


@pytest.mark.parametrize(("group", "lower"), [("A", "B"), ("B", "C"), ("C", "D"), ("D", "D")])
def test_compacted_soil_counts_one_group_lower(group, lower):
    assert soil_infiltration(group, compacted=True) == soil_infiltration(lower)


def test_side_area_leaves_the_base_out():
    assert side_area_to_half_depth(23.0, 5.0, 0.8) == pytest.approx(22.4)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: soil_infiltration("E"), "soil group is A, B, C or D, not 'E'"),
        (lambda: soil_infiltration(""), "soil group is A, B, C or D, not ''"),
        (lambda: side_area_to_half_depth(1.0, 0.0, 1.0), "width must be greater than 0"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
