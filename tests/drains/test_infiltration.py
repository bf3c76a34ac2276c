"""How fast a soil takes water."""

from __future__ import annotations

import numpy as np
import pytest

from lotflow.drains.infiltration import (
    side_area_to_half_depth,
    soak_test_rate,
    soil_infiltration,
    time_to_soak_away,
    trial_pit_rate,
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


def test_the_lowest_reading_of_a_soak_test_counts_and_is_halved_on_request():
    rate = soak_test_rate([0.05, 0.03, 0.02, 0.02], [3600.0] * 4)
    assert rate == pytest.approx(0.02 / 3600)
    assert soak_test_rate([0.05, 0.02], [1800.0, 3600.0], divisor=2.0) == pytest.approx(rate / 2)
    assert soak_test_rate([0.0], [3600.0]) == 0.0


# computed independently: pit 1.0 x 0.75 x 1.0 m, 75 to 25 % in 56 min: 0.375 / (2.5 x 3360)
def test_trial_pit():
    assert trial_pit_rate(1.0, 0.75, 1.0, 3360.0) == pytest.approx(4.46e-5, abs=5e-8)


def test_side_area_leaves_the_base_out():
    assert side_area_to_half_depth(23.0, 5.0, 0.8) == pytest.approx(22.4)


# computed independently: 2 in at 0.06/0.2/0.3/0.5/1 in/h -> 33/10/7/4/2 h
def test_ponds_on_lawns():
    rates = np.array([0.06, 0.2, 0.3, 0.5, 1.0])
    hours = time_to_soak_away(2 * 0.0254, rates * INCH_PER_HOUR) / 3600
    assert hours.round().tolist() == [33, 10, 7, 4, 2]
    assert time_to_soak_away(0.05, 0.0) == np.inf
    assert time_to_soak_away(0.0, 0.0) == 0.0


def test_a_shallow_pond_on_clay_outlasts_a_day_from_1_4_inches_on():
    rate = soil_infiltration("D").rate_m_s
    assert time_to_soak_away(1.4 * 0.0254, rate) < 24 * 3600 < time_to_soak_away(0.0381, rate)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: soil_infiltration("E"), "soil group is A, B, C or D, not 'E'"),
        (lambda: soil_infiltration(""), "soil group is A, B, C or D, not ''"),
        (lambda: soak_test_rate([], []), "0 readings, 0 times"),
        (lambda: soak_test_rate([0.1, 0.1], [60.0]), "2 readings, 1 times"),
        (lambda: soak_test_rate([-0.1], [60.0]), "drop must be 0 or more, not -0.1"),
        (lambda: soak_test_rate([0.1], [0.0]), "interval must be greater than 0"),
        (lambda: soak_test_rate([0.1], [60.0], divisor=0.5), "divisor less one must be 0 or more"),
        (lambda: trial_pit_rate(1.0, 1.0, 1.0, 0.0), "time must be greater than 0"),
        (lambda: side_area_to_half_depth(1.0, 0.0, 1.0), "width must be greater than 0"),
        (lambda: time_to_soak_away(-0.1, 1e-6), "depth must be 0 or more"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
