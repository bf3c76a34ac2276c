"""What a hose test and a look into a pipe tell; expected figures computed independently."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from lotflow.drains.hose import (
    area_lost,
    arrival_time,
    blockage_distance,
    capacity_as_found,
    is_late,
    pipe_volume,
    share_tested,
)
from lotflow.drains.pipes import full_flow_capacity
from lotflow.errors import ParameterError

INCH, FOOT = 0.0254, 0.3048
GALLON = 231 * INCH**3
HOSE = 10 * GALLON / 60
FALLS = np.array([0.005, 0.01, 0.02])


@pytest.mark.parametrize(
    ("inches", "roughness", "seconds"),
    [
        (4, 0.010, (73, 57, 45)),
        (3, 0.010, (71, 55, 43)),
        (6, 0.010, (76, 60, 47)),
        (4, 0.020, (119, 93, 73)),
    ],
)
def test_arrival_of_10_gallons_per_minute_per_100_feet(inches, roughness, seconds):
    times = arrival_time(HOSE, inches * INCH, FALLS, roughness, 100 * FOOT)
    assert times == pytest.approx(seconds, abs=0.75)


@pytest.mark.parametrize(("inches", "percent"), [(3, 19), (4, 9), (6, 3)])
def test_a_hose_proves_continuity_not_capacity(inches, percent):
    capacity = full_flow_capacity(inches * INCH, 0.01, 0.010)
    assert 100 * share_tested(HOSE, capacity) == pytest.approx(percent, abs=0.5)


def test_time_to_fill_a_blocked_line():
    minutes = pipe_volume(np.array([4, 6]) * INCH, 100 * FOOT) / HOSE / 60
    assert minutes == pytest.approx([6.5, 14.7], abs=0.05)


@settings(max_examples=50, deadline=None)
@given(st.floats(0.05, 0.3), st.floats(0.0, 60.0), st.floats(0.0, 0.1))
def test_a_line_blocked_at_a_distance_takes_its_volume_to_there(diameter, distance, basin):
    volume = pipe_volume(diameter, distance) + basin
    found = blockage_distance(volume, diameter, basin_volume=basin)
    assert found == pytest.approx(distance, abs=1e-9)


def test_water_at_the_grate_before_the_basin_is_full_is_a_blockage_at_once():
    assert blockage_distance(0.01, 0.1, basin_volume=0.02) == 0.0


@pytest.mark.parametrize(("inches", "percent"), [(4, (7, 20, 50)), (6, (4, 11, 29))])
def test_area_lost_to_water_left_in_a_sag(inches, percent):
    lost = area_lost(np.array([0.5, 1.0, 2.0]) * INCH, inches * INCH)
    assert (100 * lost).round().tolist() == list(percent)


def test_a_hose_that_does_not_run_down_by_itself_has_no_arrival():
    times = arrival_time(HOSE, 0.1, np.array([0.01, 0.0, -0.01]), 0.010, 10.0)
    assert np.isnan(times).tolist() == [False, True, True]
    assert np.isnan(arrival_time(0.05, 0.1, 0.01, 0.010, 10.0))


def test_only_more_than_three_times_the_expected_time_is_late():
    assert is_late(171.0, 57.0) is False
    assert is_late(172.0, 57.0) is True


@settings(max_examples=50, deadline=None)
@given(st.floats(0.05, 0.3), st.floats(0.0, 0.95), st.floats(1.0, 1.05))
@example(0.25, 1.0152911798322747e-13, 1.046875)
def test_capacity_falls_with_sediment_from_that_of_the_clean_pipe(diameter, filling, more):
    clean = full_flow_capacity(diameter, 0.01, 0.010)
    assert capacity_as_found(diameter, 0.01, 0.010) == pytest.approx(clean)
    found = capacity_as_found(diameter, 0.01, 0.010, sediment=filling * diameter)
    worse = capacity_as_found(diameter, 0.01, 0.010, sediment=min(filling * more, 1.0) * diameter)
    assert 0 <= worse <= found * (1 + 1e-12) <= clean * (1 + 1e-9)


@pytest.mark.parametrize("filling", [0.125, 0.25, 0.5, 0.8])
def test_capacity_as_found_is_manning_of_what_is_left(filling):
    diameter, slope, roughness = 0.1016, 0.01, 0.010
    half, _ = quad(lambda y: 2 * np.sqrt(y * (diameter - y)), filling * diameter, diameter)
    wetted = diameter * (np.pi - np.arccos(1 - 2 * filling)) + 2 * diameter * np.sqrt(
        filling * (1 - filling)
    )
    manning = half * (half / wetted) ** (2 / 3) * slope**0.5 / roughness
    found = capacity_as_found(diameter, slope, roughness, sediment=filling * diameter)
    assert found == pytest.approx(manning, rel=1e-6)


def test_the_deeper_of_sediment_and_standing_water_counts():
    sediment, water = 0.01, 0.03
    both = capacity_as_found(0.1, 0.01, 0.010, sediment=sediment, standing_water=water)
    assert both == capacity_as_found(0.1, 0.01, 0.010, standing_water=water)
    assert both == capacity_as_found(0.1, 0.01, 0.010, sediment=water)


def test_a_pipe_filled_up_carries_nothing():
    assert capacity_as_found(0.1, 0.01, 0.010, sediment=0.1) == 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: arrival_time(0.0, 0.1, 0.01, 0.010, 10.0), "flow must be greater than 0, not 0"),
        (lambda: arrival_time(0.001, 0.0, 0.01, 0.010, 10.0), "diameter must be greater than 0"),
        (lambda: arrival_time(0.001, 0.1, 0.01, 0.010, -1.0), "length must be 0 or more"),
        (lambda: is_late(60.0, 0.0), "expected must be greater than 0"),
        (lambda: share_tested(0.001, 0.0), "capacity must be greater than 0"),
        (lambda: blockage_distance(-0.1, 0.1), "volume must be 0 or more"),
        (lambda: pipe_volume(-0.1, 1.0), "diameter must be greater than 0, not -0.1"),
        (lambda: area_lost(0.2, 0.1), "depth beside diameter must lie between 0 and 1, not 2"),
        (lambda: capacity_as_found(0.0, 0.01, 0.010), "diameter must be greater than 0"),
        (
            lambda: capacity_as_found(0.1, 0.01, 0.010, sediment=-0.01),
            "depth beside diameter must lie between 0 and 1, not -0.1",
        ),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
