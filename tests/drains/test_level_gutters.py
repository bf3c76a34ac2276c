"""The European standard's level gutter beside theory and beside the British table."""

from __future__ import annotations

import numpy as np
import pytest

from lotflow.drains.channel_drains import frictionless_capacity, longest_run
from lotflow.drains.channel_profile import Channel
from lotflow.drains.level_gutters import (
    LEVEL_FACTOR,
    level_gutter_capacity,
    level_gutter_length_factor,
)
from lotflow.errors import ParameterError


# Approved Document H3, table 2 (from memory): half-round gutters of 75 to 150 mm, litres per second
@pytest.mark.parametrize(
    ("millimetres", "litres"), [(75, 0.38), (100, 0.78), (115, 1.11), (125, 1.37), (150, 2.16)]
)
def test_half_round_gutters_carry_what_the_british_table_says(millimetres, litres):
    area = np.pi * (millimetres / 1000) ** 2 / 8
    capacity = level_gutter_capacity(area, "half-round") * 1000
    assert capacity == pytest.approx(litres, rel=0.012)


def test_half_round_100_mm_is_0_778_litres_per_second():
    capacity = level_gutter_capacity(np.pi * 0.100**2 / 8, "half-round")
    assert capacity * 1000 == pytest.approx(0.778, abs=5e-4)


# theory of the level channel: a square section carries 4.345e-5 A^1.25 l/s, A in mm^2
@pytest.mark.parametrize(("shape", "share"), [("rectangular", 0.801), ("box", 0.895)])
def test_the_standard_stays_10_to_20_percent_below_frictionless_theory(shape, share):
    side = np.array([0.05, 0.1, 0.2])
    nominal = np.asarray(level_gutter_capacity(side**2, shape)) / LEVEL_FACTOR
    assert nominal / frictionless_capacity(side, side) == pytest.approx(share, abs=1.5e-3)


def test_a_box_channel_of_100_mm_with_its_own_friction_lies_between_standard_and_theory():
    standard = level_gutter_capacity(0.01, "box", length_ratio=50) * 1000
    assert standard == pytest.approx(3.50, abs=0.005)
    assert frictionless_capacity(0.1, 0.1) * 1000 == pytest.approx(4.35, abs=0.01)
    flows = np.linspace(3.5e-3, 4.3e-3, 81)
    runs = longest_run(Channel(0.1, 1.0, flows / 5.0, 0.012), 0.1)  # 5 m is 50 depths
    assert np.interp(-5.0, -runs, flows) * 1000 == pytest.approx(4.02, abs=0.015)


# share of the capacity at 50 depths that the profile with friction leaves, n 0.012, square:
# 0.936/0.884/0.841/0.803/0.771/0.716/0.671 at 100/150/200/250/300/400/500 (computed independently)
@pytest.mark.parametrize(
    ("ratio", "share"), [(100, 0.936), (200, 0.841), (300, 0.771), (500, 0.671)]
)
def test_length_costs_the_profile_about_what_it_costs_the_standard(ratio, share):
    flows = np.linspace(2.2e-3, 4.3e-3, 211)
    at_50, at_ratio = (
        np.interp(-n * 0.1, -longest_run(Channel(0.1, 1.0, flows / (n * 0.1), 0.012), 0.1), flows)
        for n in (50, ratio)
    )
    assert at_ratio / at_50 == pytest.approx(share, abs=2e-3)
    assert 0.0 <= at_ratio / at_50 - level_gutter_length_factor(ratio) <= 0.075


def test_short_gutters_are_not_reduced_and_long_ones_more_and_more():
    factors = level_gutter_length_factor(np.array([0.0, 50.0, 100.0, 112.5, 500.0]))
    assert factors == pytest.approx([1.0, 1.0, 0.93, 0.915, 0.60])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: level_gutter_capacity(0.0, "box"), "area must be greater than 0, not 0"),
        (lambda: level_gutter_capacity(0.01, "oval"), "'oval' is not a gutter shape"),
        (lambda: level_gutter_length_factor(-1.0), "length ratio must be 0 or more"),
        (lambda: level_gutter_length_factor(501.0), "length ratio must not exceed 500, .* not 501"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
