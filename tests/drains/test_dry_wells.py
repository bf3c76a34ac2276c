"""Storage of dry wells over all durations, and the figures of stone and soil around them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.dry_wells import (
    emptying_time,
    excavated_volume,
    greatest_depth,
    storage_need,
)
from lotflow.errors import ParameterError

INCH, FOOT, HOUR = 0.0254, 0.3048, 3600.0


def root_of_time(seconds):
    """Rain depth that grows with the square root of time, 40 mm in an hour."""
    return 0.040 * np.sqrt(seconds / HOUR)


def test_critical_duration_is_where_rain_falls_as_fast_as_it_soaks_away():
    # V = a sqrt(t) - f t is greatest at t = (a / 2f)^2, where it is a^2 / 4f
    durations = np.linspace(0.1, 30.0, 3000) * HOUR
    need = storage_need(root_of_time, durations, 100.0, 1e-5, 20.0)
    a, f = 100.0 * 0.040 / np.sqrt(HOUR), 2e-4
    assert need.critical_duration == pytest.approx((a / (2 * f)) ** 2, rel=2e-3)
    assert need.volume == pytest.approx(a**2 / (4 * f), rel=1e-6)
    assert not need.governed_by_longest


def test_a_table_that_ends_too_soon_is_said_to_govern():
    need = storage_need(root_of_time, np.array([0.5, 1.0, 2.0]) * HOUR, 100.0, 1e-6, 20.0)
    assert need.governed_by_longest
    assert need.critical_duration == 2 * HOUR


def test_a_soil_that_takes_all_needs_no_storage():
    need = storage_need(root_of_time, np.array([0.5, 1.0]) * HOUR, 1.0, 1.0, 100.0)
    assert need.volume == 0.0
    assert not need.governed_by_longest


@settings(max_examples=50, deadline=None)
@given(st.floats(1.0, 500.0), st.floats(0.0, 1e-4), st.floats(0.0, 100.0), st.floats(1.01, 3.0))
def test_need_grows_with_area_and_falls_with_soil(area, rate, base, more):
    durations = np.array([0.25, 1.0, 6.0, 24.0]) * HOUR
    need = storage_need(root_of_time, durations, area, rate, base)
    assert storage_need(root_of_time, durations, area * more, rate, base).volume >= need.volume
    assert storage_need(root_of_time, durations, area, rate * more, base).volume <= need.volume
    assert need.volume <= need.inflow.max()


# NOAA Atlas 14 volume 9, Fort Myers FL, 10 years; roof of 1000 ft^2, C 0.95, base 64 ft^2, soil
# 1 in/h: storage in cubic feet computed independently; the long storm governs
def test_the_long_storm_governs_a_dry_well():
    minutes = np.array([5.0, 30.0, 60.0, 360.0, 1440.0])
    inches = np.array([0.822, 2.37, 3.13, 5.18, 7.28])
    need = storage_need(
        lambda t: np.interp(t, minutes * 60, inches * INCH),
        minutes * 60,
        0.95 * 1000 * FOOT**2,
        INCH / HOUR,
        64 * FOOT**2,
    )
    assert need.storage / FOOT**3 == pytest.approx([64.6, 185, 242, 378, 448], abs=0.6)
    assert need.critical_duration == 24 * HOUR
    assert need.governed_by_longest


# 1000 ft^2 of roof, 1 in, C 0.95: 79.2 ft^3 -> 198 ft^3 of stone; 4 ft deep 49.5 ft^2; it empties
# through the base in 36.9 / 64 / 19.2 h at 0.52 / 0.3 / 1.0 in/h (computed independently)
def test_dry_well_of_a_small_roof():
    storage = 0.95 * 1000 / 12
    assert storage == pytest.approx(79.2, abs=0.05)
    assert excavated_volume(storage) == pytest.approx(198, abs=0.5)
    area = excavated_volume(storage) / 4
    assert area == pytest.approx(49.5, abs=0.05)
    hours = emptying_time(storage, np.array([0.52, 0.3, 1.0]) / 12, area)
    assert hours == pytest.approx([36.9, 64.0, 19.2], abs=0.05)
    # f 0.3 in/h, 72 h, voids 0.4
    assert greatest_depth(0.3 / 12, 72.0) == pytest.approx(4.5)


def test_a_pit_as_deep_as_the_greatest_depth_empties_in_just_that_time():
    depth = greatest_depth(8e-6, 48 * HOUR)
    assert emptying_time(0.4 * depth * 10.0, 8e-6, 10.0) == pytest.approx(48 * HOUR)


def test_what_never_soaks_away_takes_for_ever_and_nothing_takes_no_time():
    assert emptying_time(np.array([1.0, 0.0]), 0.0, 1.0).tolist() == [np.inf, 0.0]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: storage_need(root_of_time, [], 1.0, 0.0, 0.0), "number of durations must"),
        (lambda: storage_need(root_of_time, [60.0, 60.0], 1.0, 0.0, 0.0), "durations .* must rise"),
        (lambda: storage_need(root_of_time, [0.0], 1.0, 0.0, 0.0), "duration must be greater"),
        (lambda: storage_need(root_of_time, [60.0], -1.0, 0.0, 0.0), "effective area must be 0"),
        (lambda: storage_need(lambda t: -t, [60.0], 1.0, 0.0, 0.0), "inflow must be 0 or more"),
        (lambda: excavated_volume(1.0, voids=0.0), "voids must be greater than 0, not 0"),
        (lambda: excavated_volume(1.0, voids=1.1), "voids must lie between 0 and 1, not 1.1"),
        (lambda: emptying_time(1.0, 1e-6, 0.0), "infiltration area must be greater than 0"),
        (lambda: emptying_time(-1.0, 1e-6, 1.0), "storage must be 0 or more"),
        (lambda: greatest_depth(-1e-6, 1.0), "infiltration rate must be 0 or more"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
