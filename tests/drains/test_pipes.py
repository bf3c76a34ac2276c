"""Full-flow pipes: formulas, sizing and their domain."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.pipes import (
    friction_slope,
    full_flow_capacity,
    full_flow_velocity,
    minimum_slope,
    required_diameter,
    smallest_standard_size,
)
from lotflow.errors import ParameterError

INCH = 0.0254
CFS = 0.3048**3
INCHES = np.array([3, 4, 6, 8, 10, 12]) * INCH

diameters = st.floats(0.05, 2.0)
slopes = st.floats(1e-4, 0.5)
roughnesses = st.floats(0.008, 0.03)
flows = st.floats(1e-5, 2.0)
growth = st.floats(1.001, 3.0)


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses, growth)
def test_capacity_grows_with_diameter_fall_and_smoothness(diameter, slope, roughness, factor):
    capacity = full_flow_capacity(diameter, slope, roughness)
    assert full_flow_capacity(diameter * factor, slope, roughness) > capacity
    assert full_flow_capacity(diameter, slope * factor, roughness) > capacity
    assert full_flow_capacity(diameter, slope, roughness / factor) > capacity


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses)
def test_capacity_is_velocity_times_area(diameter, slope, roughness):
    area = np.pi * diameter**2 / 4
    assert full_flow_capacity(diameter, slope, roughness) == pytest.approx(
        area * full_flow_velocity(diameter, slope, roughness)
    )


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses)
def test_required_diameter_undoes_capacity(diameter, slope, roughness):
    flow = full_flow_capacity(diameter, slope, roughness)
    assert required_diameter(flow, slope, roughness) == pytest.approx(diameter)


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses)
def test_friction_slope_of_the_capacity_is_the_slope_of_the_pipe(diameter, slope, roughness):
    flow = full_flow_capacity(diameter, slope, roughness)
    assert friction_slope(flow, diameter, roughness) == pytest.approx(slope)


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses)
def test_minimum_slope_undoes_velocity(diameter, slope, roughness):
    velocity = full_flow_velocity(diameter, slope, roughness)
    assert minimum_slope(velocity, diameter, roughness) == pytest.approx(slope)


@settings(max_examples=50, deadline=None)
@given(flows, slopes, roughnesses)
def test_sizing_is_idempotent_and_sufficient(flow, slope, roughness):
    size = smallest_standard_size(flow, slope, roughness, INCHES)
    if np.isnan(size):
        assert full_flow_capacity(INCHES[-1], slope, roughness) < flow
        return
    capacity = full_flow_capacity(size, slope, roughness)
    assert capacity >= flow * (1 - 1e-8)
    assert smallest_standard_size(capacity, slope, roughness, INCHES) == size
    smaller = INCHES[size > INCHES]
    assert np.all(full_flow_capacity(smaller, slope, roughness) < flow)


def test_size_never_falls_below_the_pipe_upstream():
    size = smallest_standard_size(0.001, 0.01, 0.010, INCHES, at_least=np.array([0.0, INCHES[2]]))
    assert size.tolist() == [INCHES[0], INCHES[2]]


def test_sizes_may_come_in_any_order():
    assert smallest_standard_size(0.004, 0.01, 0.010, INCHES[::-1]) == pytest.approx(INCHES[1])


@pytest.mark.parametrize("slope", [0.0, -0.01])
def test_without_fall_a_pipe_carries_nothing_and_no_size_is_enough(slope):
    assert full_flow_capacity(0.1, slope, 0.010) == 0.0
    assert required_diameter(0.001, slope, 0.010) == np.inf
    assert np.isnan(smallest_standard_size(0.001, slope, 0.010, INCHES))
    assert required_diameter(0.0, slope, 0.010) == 0.0


def test_numbers_and_arrays_are_taken_alike():
    single = full_flow_capacity(0.1, 0.01, 0.010)
    many = full_flow_capacity(np.array([0.1, 0.2]), 0.01, 0.010)
    assert isinstance(single, float)
    assert many[0] == single
    assert full_flow_capacity(np.array([[0.1], [0.2]]), [0.01, 0.02], 0.010).shape == (2, 2)


# check of the design computation: capacity of full pipes, cubic feet per second
@pytest.mark.parametrize(
    ("inches", "roughness", "expected"),
    [
        (3, 0.010, (0.081, 0.115, 0.162)),
        (4, 0.010, (0.175, 0.247, 0.350)),
        (4, 0.013, (0.135, 0.190, 0.269)),
        (4, 0.020, (0.087, 0.124, 0.175)),
        (6, 0.010, (0.516, 0.729, 1.032)),
        (8, 0.013, (0.854, 1.208, 1.709)),
        (10, 0.010, (2.014, 2.848, 4.028)),
        (12, 0.013, (2.519, 3.563, 5.039)),
    ],
)
def test_capacity_against_independently_computed_values(inches, roughness, expected):
    capacity = full_flow_capacity(inches * INCH, np.array([0.005, 0.01, 0.02]), roughness) / CFS
    assert capacity == pytest.approx(expected, rel=2e-4, abs=6e-4)


def test_two_full_4_inch_pipes_are_two_thirds_of_a_6_inch_pipe():
    four, six = full_flow_capacity(np.array([4, 6]) * INCH, 0.01, 0.010)
    assert 2 * four / six == pytest.approx(0.68, abs=0.005)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: full_flow_capacity(0.0, 0.01, 0.010), "diameter must be greater than 0, not 0"),
        (
            lambda: full_flow_velocity(-0.1, 0.01, 0.010),
            "diameter must be greater than 0, not -0.1",
        ),
        (lambda: full_flow_capacity(0.1, 0.01, 0.0), "roughness must be greater than 0, not 0"),
        (lambda: full_flow_capacity([0.1, np.nan], 0.01, 0.010), "diameter must be .* not nan"),
        (lambda: full_flow_capacity(np.inf, 0.01, 0.010), "diameter must be .* not inf"),
        (lambda: full_flow_capacity(0.1, np.nan, 0.010), "slope must be a finite number, not nan"),
        (lambda: friction_slope(-1.0, 0.1, 0.010), "flow must be 0 or more, not -1"),
        (lambda: required_diameter(1.0, 0.01, -0.010), "roughness must be greater than 0"),
        (lambda: minimum_slope(-1.0, 0.1, 0.010), "velocity must be 0 or more"),
        (lambda: smallest_standard_size(1.0, 0.01, 0.010, []), "number of standard sizes must"),
        (lambda: smallest_standard_size(1.0, 0.01, 0.010, [0.1, 0.0]), "standard size must"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
