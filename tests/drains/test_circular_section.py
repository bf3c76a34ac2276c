"""Part-full circular pipes: ratios, normal depth on the lower branch, critical depth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar

from lotflow.drains.circular_section import (
    FULLEST_FLOW_FILLING,
    PEAK_FLOW_RATIO,
    area_ratio,
    critical_depth,
    flow_ratio,
    normal_flow,
    section_velocity,
    velocity_ratio,
)
from lotflow.drains.domain import GRAVITY
from lotflow.drains.pipes import full_flow_capacity, full_flow_velocity
from lotflow.errors import ParameterError

CFS = 0.3048**3


@pytest.mark.parametrize("filling", [0.05, 0.3, 0.5, 0.8, 1.0])
def test_area_is_that_of_the_segment_integrated_strip_by_strip(filling):
    area, _ = quad(lambda y: 2 * np.sqrt(y * (1 - y)), 0.0, filling)
    assert area_ratio(filling) == pytest.approx(area / (np.pi / 4), rel=1e-6)


# Manning with constant n, computed independently
@pytest.mark.parametrize(
    ("filling", "area", "velocity", "flow"),
    [
        (0.10, 0.052, 0.401, 0.021),
        (0.20, 0.142, 0.615, 0.088),
        (0.25, 0.196, 0.701, 0.137),
        (0.30, 0.252, 0.776, 0.196),
        (0.40, 0.374, 0.902, 0.337),
        (0.50, 0.500, 1.000, 0.500),
        (0.60, 0.627, 1.072, 0.672),
        (0.70, 0.748, 1.120, 0.837),
        (0.80, 0.858, 1.140, 0.977),
        (0.90, 0.948, 1.124, 1.066),
        (0.938, 0.974, 1.104, 1.0757),
    ],
)
def test_ratios_of_a_partly_filled_pipe(filling, area, velocity, flow):
    assert area_ratio(filling) == pytest.approx(area, abs=6e-4)
    assert velocity_ratio(filling) == pytest.approx(velocity, abs=6e-4)
    assert flow_ratio(filling) == pytest.approx(flow, abs=6e-4)


def test_greatest_flow_and_its_filling_are_those_an_optimiser_finds():
    best = minimize_scalar(
        lambda f: -flow_ratio(f), bounds=(0.9, 0.97), method="bounded", options={"xatol": 1e-10}
    )
    assert best.x == pytest.approx(FULLEST_FLOW_FILLING, abs=1e-6)
    assert -best.fun == pytest.approx(PEAK_FLOW_RATIO, abs=1e-7)


def test_greatest_velocity_is_1_140_times_the_full_one_at_0_813():
    best = minimize_scalar(lambda f: -velocity_ratio(f), bounds=(0.5, 1.0), method="bounded")
    assert best.x == pytest.approx(0.813, abs=5e-4)
    assert -best.fun == pytest.approx(1.140, abs=5e-4)


def test_full_flow_runs_already_at_0_820_of_the_depth():
    capacity = full_flow_capacity(0.1, 0.01, 0.010)
    normal = normal_flow(capacity, 0.1, 0.01, 0.010)
    assert normal.filling == pytest.approx(0.820, abs=5e-4)
    assert not normal.surcharged


@settings(max_examples=50, deadline=None)
@given(st.floats(1e-3, PEAK_FLOW_RATIO), st.floats(0.05, 1.0), st.floats(1e-3, 0.2))
def test_normal_depth_gives_the_flow_back_on_the_lower_branch(ratio, diameter, slope):
    flow = ratio * full_flow_capacity(diameter, slope, 0.010)
    normal = normal_flow(flow, diameter, slope, 0.010)
    assert not normal.surcharged or ratio > PEAK_FLOW_RATIO * (1 - 1e-12)
    if not normal.surcharged:
        assert normal.filling <= FULLEST_FLOW_FILLING
        assert flow_ratio(normal.filling) == pytest.approx(ratio, rel=1e-6)
        velocity = full_flow_velocity(diameter, slope, 0.010) * velocity_ratio(normal.filling)
        assert normal.velocity == pytest.approx(velocity, rel=1e-6)


@pytest.mark.parametrize("filling", [0.02, 0.2, 0.5, 0.9])
def test_normal_depth_against_a_root_finder_on_area_and_wetted_perimeter(filling):
    diameter, slope, roughness = 0.15, 0.02, 0.013

    def manning(depth):
        angle = 2 * np.arccos(1 - 2 * depth / diameter)
        area = diameter**2 / 8 * (angle - np.sin(angle))
        return area * (area / (0.5 * diameter * angle)) ** (2 / 3) * slope**0.5 / roughness

    flow = manning(filling * diameter)
    expected = brentq(lambda depth: manning(depth) - flow, 1e-9, 0.938 * diameter, xtol=1e-13)
    assert normal_flow(flow, diameter, slope, roughness).depth == pytest.approx(expected, rel=1e-7)


def test_more_than_1_076_times_the_capacity_is_surcharge_and_has_no_depth():
    capacity = full_flow_capacity(0.1, 0.01, 0.010)
    normal = normal_flow(np.array([1.07, 1.08]) * capacity, 0.1, 0.01, 0.010)
    assert normal.surcharged.tolist() == [False, True]
    assert np.isnan(normal.depth).tolist() == [False, True]
    assert np.isnan(normal.filling).tolist() == [False, True]
    assert normal.velocity[1] == pytest.approx(1.08 * full_flow_velocity(0.1, 0.01, 0.010))


@pytest.mark.parametrize("slope", [0.0, -0.02])
def test_a_pipe_without_fall_is_surcharged_by_any_flow_but_none(slope):
    normal = normal_flow(np.array([0.0, 1e-6]), 0.1, slope, 0.010)
    assert normal.surcharged.tolist() == [False, True]
    assert normal.depth[0] == 0.0
    assert normal.velocity[0] == 0.0
    assert normal.flow_ratio[1] == np.inf


@settings(max_examples=50, deadline=None)
@given(st.floats(1e-5, 0.5), st.floats(0.05, 1.0))
def test_critical_depth_has_a_froude_number_of_1_and_stays_in_the_pipe(flow, diameter):
    depth = critical_depth(flow, diameter)
    assert 0 < depth <= diameter
    if depth < 0.99 * diameter:
        angle = 2 * np.arccos(1 - 2 * depth / diameter)
        area = diameter**2 / 8 * (angle - np.sin(angle))
        width = diameter * np.sin(angle / 2)
        assert flow**2 * width / (GRAVITY * area**3) == pytest.approx(1.0, rel=1e-4)


def test_velocity_at_a_depth_is_that_of_the_full_pipe_from_the_crown_on():
    assert section_velocity(0.01, np.array([0.1, 0.3]), 0.1) == pytest.approx(
        0.01 / (np.pi * 0.1**2 / 4)
    )
    assert section_velocity(0.0, 0.0, 0.1) == 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: area_ratio(1.1), "filling must lie between 0 and 1, not 1.1"),
        (lambda: flow_ratio(np.nan), "filling must lie between 0 and 1, not nan"),
        (lambda: normal_flow(-0.1, 0.1, 0.01, 0.010), "flow must be 0 or more, not -0.1"),
        (lambda: normal_flow(0.1, 0.0, 0.01, 0.010), "diameter must be greater than 0"),
        (lambda: normal_flow(0.1, 0.1, 0.01, 0.0), "roughness must be greater than 0"),
        (lambda: critical_depth(0.1, -0.1), "diameter must be greater than 0"),
        (lambda: section_velocity(0.1, 0.0, 0.1), "depth of a flow must be greater than 0"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
