"""The water surface in a channel drain against theory and an ODE solution; what it can serve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from lotflow.drains.channel_drains import (
    Channel,
    compare_outlets,
    critical_depth,
    longest_run,
    water_profile,
)
from lotflow.errors import ParameterError

G = 9.80665


def depth_by_solve_ivp(channel, *, distances):
    """
    Depth by dy/dx = (S0 - Sf - 2 Q q / g A^2) / (1 - F^2), the textbook form, by scipy.

    It is singular at critical depth: the start lies a hair inside the channel, on the parabola
    along which the depth leaves critical depth.
    """
    b, length, q, n = channel.width, channel.length, channel.inflow, channel.roughness
    s0 = channel.slope

    def rhs(s, y):
        flow, area = channel.head_flow + q * (length - s), b * y
        friction = (n * flow / area) ** 2 / (area / (b + 2 * y)) ** (4 / 3)
        above = s0 - friction - 2 * flow * q / (G * area**2)
        return -above / (1 - flow**2 * b / (G * area**3))

    critical = (channel.flow**2 / (G * b**2)) ** (1 / 3)
    start, hair = max(channel.outlet_depth, critical), 0.0
    if start == critical:
        # y' = f / (3 (y - yc) / yc) near critical depth, so (y - yc)^2 = (2/3) yc f s
        friction = -s0 + (n * channel.flow / (b * critical)) ** 2 / (
            b * critical / (b + 2 * critical)
        ) ** (4 / 3)
        numerator = friction + 2 * channel.flow * q / (G * (b * critical) ** 2)
        hair = 1e-8 * length
        start = critical + np.sqrt(2 / 3 * critical * numerator * hair)
    solved = solve_ivp(
        rhs, (hair, length), [start], method="LSODA", rtol=1e-9, atol=1e-12, t_eval=distances
    )
    assert solved.success
    return solved.y[0]


@pytest.mark.parametrize("roughness", [0.0, 0.010, 0.013])
@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"width": 0.2, "inflow": 0.001},
        {"slope": 0.002},
        {"slope": 0.005},
        {"slope": -0.003},
        {"outlet_depth": 0.08},
        {"outlet_depth": 0.15, "slope": 0.004},
        {"length": 30.0, "inflow": 0.0001},
        {"head_flow": 0.002},
        {"head_flow": 0.004, "inflow": 0.0001, "slope": 0.002},
        {"head_flow": 0.001, "outlet_depth": 0.12},
    ],
)
def test_profile_against_an_independent_solution_of_the_textbook_equation(roughness, changes):
    channel = Channel(
        **{"width": 0.1, "length": 10.0, "inflow": 0.0003, "roughness": roughness} | changes
    )
    profile = water_profile(channel)
    expected = depth_by_solve_ivp(channel, distances=profile.distance[4:])
    assert profile.depth[4:] == pytest.approx(expected, rel=2e-4)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.05, 0.5), st.floats(1.0, 50.0), st.floats(1e-5, 2e-3))
def test_without_friction_the_far_end_stands_at_root_3_times_critical(width, length, inflow):
    channel = Channel(width, length, inflow, 0.0)
    expected = np.sqrt(3) * critical_depth(channel.flow, width)
    assert water_profile(channel).far_end == pytest.approx(expected, rel=1e-9)


# theory: x / L = (1.5 sqrt(3) (Y - Y^3))^(1/2) with Y = y / y_up, x from the far end
@pytest.mark.parametrize(
    ("ratio", "place"), [(0.9, 0.6665), (0.8, 0.8650), (0.7, 0.9631), (0.6, 0.9988)]
)
def test_frictionless_profile_is_the_published_curve(ratio, place):
    profile = water_profile(Channel(0.1, 1.0, 0.003, 0.0), steps=2000)
    found = np.interp(1.0 - place, profile.distance, profile.depth / profile.far_end)
    assert found == pytest.approx(ratio, abs=6e-4)


# momentum integration of b 0.1 m, L 10 m, Q 3 l/s, computed independently
@pytest.mark.parametrize(
    ("roughness", "millimetres", "ratio"),
    [(0.0, 78.12, 1.732), (0.010, 84.2, 1.868), (0.012, 86.5, 1.918), (0.013, 87.7, 1.945)],
)
def test_friction_raises_the_far_end(roughness, millimetres, ratio):
    far_end = water_profile(Channel(0.1, 10.0, 0.0003, roughness)).far_end
    assert far_end * 1000 == pytest.approx(millimetres, abs=0.06)
    assert far_end / critical_depth(0.003, 0.1) == pytest.approx(ratio, abs=6e-4)


def test_friction_vanishes_to_the_frictionless_limit():
    rough = Channel(0.1, 10.0, 0.0003, np.array([1e-2, 1e-3, 1e-4, 0.0]))
    depth = water_profile(rough).far_end
    assert np.all(np.diff(depth) < 0)
    assert depth[2] == pytest.approx(depth[3], rel=1e-5)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.05, 0.4), st.floats(2.0, 30.0), st.floats(5e-5, 1e-3), st.floats(0.005, 0.02))
def test_a_level_channel_is_deepest_at_its_far_end_and_deeper_with_more_water(
    width, length, inflow, roughness
):
    profile = water_profile(Channel(width, length, inflow, roughness))
    assert np.all(np.diff(profile.depth) > 0)
    assert profile.deepest == profile.far_end
    more = water_profile(Channel(width, length, 1.2 * inflow, roughness))
    assert more.far_end > profile.far_end


def test_steps_are_enough():
    channel = Channel(0.1, 10.0, 0.0003, np.array([0.010, 0.013, 0.020]))
    fine = water_profile(channel, steps=1024).far_end
    assert water_profile(channel).far_end == pytest.approx(fine, rel=1e-5)


def test_a_fall_of_the_bed_lowers_the_water_and_a_rise_lifts_it():
    slope = np.array([-0.002, 0.0, 0.002, 0.01])
    assert np.all(np.diff(water_profile(Channel(0.1, 10.0, 0.0003, 0.012, slope)).far_end) < 0)


def test_in_a_steep_channel_the_outlet_is_critical_and_nothing_is_deeper():
    profile = water_profile(Channel(0.1, 10.0, 0.0003, 0.012, slope=0.03))
    assert profile.deepest == pytest.approx(critical_depth(0.003, 0.1))
    assert np.all(np.isfinite(profile.depth))
    assert profile.far_end < 0.002


def test_water_held_at_the_outlet_stands_level_where_nothing_flows():
    profile = water_profile(Channel(0.1, 10.0, 0.0, 0.012, slope=0.002, outlet_depth=0.08))
    assert profile.depth == pytest.approx(0.08 - 0.002 * profile.distance)


def test_a_flow_at_the_head_without_friction_keeps_the_momentum_of_the_outlet():
    """Q^2 / (g b y) + b y^2 / 2 at the far end, with the head's flow alone, is that of critical."""
    channel = Channel(0.1, 10.0, 0.0002, 0.0, head_flow=0.001)
    critical, far = critical_depth(0.003, 0.1), water_profile(channel).far_end
    at_head = 0.001**2 / (G * 0.1 * far) + 0.1 * far**2 / 2
    assert at_head == pytest.approx(1.5 * 0.1 * critical**2, rel=1e-6)
    assert critical < far < np.sqrt(3) * critical


def test_a_dry_channel_is_dry():
    assert water_profile(Channel(0.1, 10.0, 0.0, 0.012)).deepest == 0.0


def test_arrays_of_channels_give_what_each_gives_alone():
    width, slope = np.array([0.1, 0.15]), np.array([[0.0], [0.003]])
    together = water_profile(Channel(width, 10.0, 0.0003, 0.012, slope))
    assert together.far_end.shape == (2, 2)
    alone = water_profile(Channel(0.15, 10.0, 0.0003, 0.012, 0.003))
    assert together.far_end[1, 1] == alone.far_end
    assert together.depth[:, 1, 1] == pytest.approx(alone.depth)


def test_freeboard_is_the_least_height_below_a_level_grate():
    profile = water_profile(Channel(0.1, 10.0, 0.0003, 0.012))
    assert profile.freeboard(0.10) == pytest.approx(0.10 - profile.deepest)
    sloping = water_profile(Channel(0.1, 10.0, 0.0003, 0.012, slope=0.005))
    clearance = 0.12 - 0.005 * sloping.distance - sloping.depth
    assert sloping.freeboard(0.12, 0.005) == pytest.approx(clearance.min())


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Channel(0.0, 10.0, 0.001, 0.012), "width must be greater than 0, not 0"),
        (lambda: Channel(0.1, -1.0, 0.001, 0.012), "length must be greater than 0, not -1"),
        (lambda: Channel(0.1, 10.0, -0.001, 0.012), "inflow must be 0 or more, not -0.001"),
        (lambda: Channel(0.1, 10.0, 0.001, -0.012), "roughness must be 0 or more"),
        (lambda: Channel(0.1, 10.0, 0.001, 0.012, np.nan), "slope must be a finite number"),
        (lambda: Channel(0.1, 10.0, 0.001, 0.012, 0.0, -0.1), "outlet depth must be 0 or more"),
        (lambda: Channel(0.1, 10.0, 0.001, 0.012, head_flow=-1.0), "head flow must be 0 or more"),
        (lambda: critical_depth(-0.1, 0.1), "flow must be 0 or more"),
        (
            lambda: water_profile(Channel(0.1, 10.0, 0.001, 0.012)).freeboard(0.0),
            "channel depth must be greater than 0",
        ),
    ],
)
def test_outside_the_domain_of_a_profile_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()


FOOT, INCH = 0.3048, 0.0254


@settings(max_examples=15, deadline=None)
@given(
    st.floats(0.05, 0.3),
    st.floats(2.0, 30.0),
    st.floats(5e-5, 1e-3),
    st.floats(0.0, 0.02),
    st.floats(-0.002, 0.004),
)
def test_longest_run_undoes_the_greatest_depth(width, length, inflow, roughness, slope):
    channel = Channel(width, length, inflow, roughness, slope)
    deepest = water_profile(channel).deepest
    run = longest_run(channel, deepest)
    at_most = np.sqrt(9.80665) * width * deepest**1.5 / inflow
    assert run == pytest.approx(length, abs=3e-5 * at_most + 1e-6 * length)


def test_without_friction_the_longest_run_is_the_published_one():
    # Q = g^(1/2) b W^1.5 / 3^0.75, 1.3740 in SI and 2.489 in feet
    metre, foot = (longest_run(Channel(b, 1.0, 0.01, 0.0), b) * 0.01 for b in (1.0, FOOT))
    assert metre == pytest.approx(1.3740, abs=3e-4)  # g = 9.81
    assert foot / FOOT**3 == pytest.approx(2.489, abs=1e-3)
    run = longest_run(Channel(0.1, 1.0, 0.0003, 0.0), 0.08)
    assert run == pytest.approx(metre * 0.1 * 0.08**1.5 / 0.0003, rel=1e-4)


def test_friction_shortens_the_run_and_a_fall_lengthens_it():
    level, smooth, falling = longest_run(
        Channel(0.1, 1.0, 0.0003, np.array([0.012, 0.0, 0.012]), np.array([0.0, 0.0, 0.003])), 0.08
    )
    assert level < smooth
    assert level < falling


def test_an_outlet_that_holds_the_water_too_deep_serves_nothing():
    channel = Channel(0.1, 1.0, 0.0003, 0.012, outlet_depth=np.array([0.0, 0.05, 0.09]))
    runs = longest_run(channel, 0.08)
    assert runs[0] >= runs[1] > 0
    assert runs[2] == 0.0


# theory: half the run lowers the water to 2^(-2/3) = 0.630, outlet at 60/40 to 0.711, 75/25 0.825
def test_outlets_at_both_ends_or_in_the_middle_lower_the_water_to_0_630():
    channel = Channel(0.1, 10.0, 0.0003, 0.0)
    compared = compare_outlets(channel)
    assert compared.both_ends / compared.one_end == pytest.approx(2 ** (-2 / 3))
    assert compared.middle == compared.both_ends
    for share, factor in ((0.6, 0.711), (0.75, 0.825)):
        part = water_profile(replace(channel, length=10.0 * share)).deepest
        assert part / compared.one_end == pytest.approx(factor, abs=6e-4)


def test_with_friction_a_second_outlet_helps_even_more():
    compared = compare_outlets(Channel(0.1, 10.0, 0.0003, 0.013))
    assert compared.both_ends / compared.one_end < 2 ** (-2 / 3)


def test_a_flow_at_the_head_shortens_the_run_to_nothing():
    channel = Channel(0.1, 10.0, 0.0003, 0.012, head_flow=np.array([0.0, 0.001, 0.002, 0.02]))
    runs = longest_run(channel, 0.1)
    assert runs[0] > runs[1] > runs[2] > 0
    assert runs[3] == 0.0
    again = replace(channel, length=runs[1], head_flow=0.001)
    assert water_profile(again).deepest == pytest.approx(0.1, rel=1e-4)


def test_a_flow_at_the_head_leaves_at_its_end_but_runs_to_an_outlet_in_the_middle():
    plain = compare_outlets(Channel(0.1, 10.0, 0.0003, 0.012))
    compared = compare_outlets(Channel(0.1, 10.0, 0.0003, 0.012, head_flow=0.001))
    assert compared.one_end > plain.one_end
    assert compared.both_ends == plain.both_ends
    assert plain.middle < compared.middle < compared.one_end


def test_at_the_same_depth_two_outlets_serve_twice_the_channel():
    half = longest_run(Channel(0.1, 1.0, 0.0003, 0.012), 0.08)
    whole = Channel(0.1, 2 * half, 0.0003, 0.012)
    assert compare_outlets(whole).both_ends == pytest.approx(0.08, rel=1e-4)


# computed independently: 20 x 20 ft of patio, C 0.9, 5 in/h = 0.0413 cfs (18.5 gpm), level 4 in
# channel: critical depth 0.94 in; far end 1.62 in from one end, 1.02 in from both or the middle
def test_small_patio():
    inflow = 0.9 * 20 * FOOT * 5 * INCH / 3600
    channel = Channel(4 * INCH, 20 * FOOT, inflow, 0.0)
    # the rational method's 1.008 is dropped by convention in feet: 0.0413, exactly 0.0417
    assert channel.flow / FOOT**3 == pytest.approx(0.0417, abs=5e-5)
    compared = compare_outlets(replace(channel, inflow=inflow * 0.0413 / (channel.flow / FOOT**3)))
    assert critical_depth(0.0413 * FOOT**3, 4 * INCH) / INCH == pytest.approx(0.94, abs=6e-3)
    assert compared.one_end / INCH == pytest.approx(1.62, abs=6e-3)
    assert compared.both_ends / INCH == pytest.approx(1.02, abs=6e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: longest_run(Channel(0.1, 1.0, 0.0, 0.012), 0.1), "inflow must be greater than 0"),
        (
            lambda: longest_run(Channel(0.1, 1.0, 0.001, 0.012), 0.0),
            "greatest depth must be greater than 0",
        ),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
