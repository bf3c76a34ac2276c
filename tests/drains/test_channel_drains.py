"""What a channel drain can serve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.channel_drains import compare_outlets, frictionless_capacity, longest_run
from lotflow.drains.channel_profile import Channel, critical_depth, water_profile
from lotflow.errors import ParameterError

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
    assert frictionless_capacity(1.0, 1.0) == pytest.approx(1.3740, abs=3e-4)  # g = 9.81
    assert frictionless_capacity(FOOT, FOOT) / FOOT**3 == pytest.approx(2.489, abs=1e-3)
    run = longest_run(Channel(0.1, 1.0, 0.0003, 0.0), 0.08)
    assert run == pytest.approx(frictionless_capacity(0.08, 0.1) / 0.0003, rel=1e-4)


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
        (lambda: frictionless_capacity(-0.1, 0.1), "depth must be 0 or more, not -0.1"),
        (lambda: frictionless_capacity(0.1, 0.0), "width must be greater than 0"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
