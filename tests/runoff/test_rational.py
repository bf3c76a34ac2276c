"""Rational flows, the part of a catchment that governs, and storage behind a release."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from lotflow.errors import InputError, ParameterError
from lotflow.rainfall import RainfallFormula
from lotflow.runoff.rational import governing_flows, rational_flow, storage_volume
from lotflow.units import CUBIC_METRES_PER_CUBIC_FOOT, SQUARE_METRES_PER_SQUARE_FOOT, to_si

FORMULA = RainfallFormula(
    [2, 10, 100], [40.0, 60.0, 90.0], [9.0, 9.0, 9.0], [0.75, 0.75, 0.75], "in_h",
    (300, 86_400), "made up",
)  # fmt: skip

coefficients = st.floats(0, 1)
rains = st.floats(0, 1e-4)
areas = st.floats(0, 1e5)


@given(coefficients, coefficients, rains, rains, areas, areas)
def test_flow_rises_with_coefficient_intensity_and_area(c1, c2, i1, i2, a1, a2):
    low = rational_flow(min(c1, c2), min(i1, i2), min(a1, a2))
    high = rational_flow(max(c1, c2), max(i1, i2), max(a1, a2))
    assert low <= high


def test_flows_of_inlets_and_storms_come_in_one_table():
    flow = rational_flow([[0.9], [0.2]], [1e-5, 2e-5, 3e-5], [[100.0], [200.0]])
    assert_allclose(flow, [[9e-4, 1.8e-3, 2.7e-3], [4e-4, 8e-4, 1.2e-3]])


@pytest.mark.parametrize(
    ("coefficient", "intensity", "area", "message"),
    [
        (-0.1, 1e-5, 100, "runoff coefficient must be at least 0 and at most 1, not -0.1"),
        (1.1, 1e-5, 100, "runoff coefficient"),
        (0.5, -1e-5, 100, "intensity must be at least 0"),
        (0.5, float("inf"), 100, "intensity must be at least 0"),
        (0.5, 1e-5, -100, "area must be at least 0"),
        ([0.5, float("nan")], 1e-5, 100, "runoff coefficient .* not nan"),
    ],
)
def test_arguments_outside_the_method_are_refused(coefficient, intensity, area, message):
    with pytest.raises(ParameterError, match=message):
        rational_flow(coefficient, intensity, area)


def slowly(times, ca, group, rainfall, storms, groups):
    """The rule of HEC-22 section 7.2.2 as it is written, one part after another."""
    flow = np.zeros((groups, len(storms)))
    governing = np.full((groups, len(storms)), np.nan)
    for g in range(groups):
        members = [k for k in range(len(times)) if group[k] == g]
        for s, storm in enumerate(storms):
            for k in members:
                arrived = sum(ca[j] for j in members if times[j] <= times[k])
                q = arrived * float(rainfall.intensity(times[k], storm))
                if q > flow[g, s] * (1 + 1e-12):
                    flow[g, s], governing[g, s] = q, times[k]
    return flow, governing


@given(st.integers(0, 2**32 - 1), st.integers(1, 30), st.integers(1, 6))
def test_the_largest_over_all_arrival_times_is_found(seed, count, groups):
    rng = np.random.default_rng(seed)
    times = rng.choice([300.0, 420.0, 900.0, 1500.0, 3600.0], count)
    ca, group = rng.uniform(1, 500, count), rng.integers(0, groups, count)
    storms = [2, 10, 100]
    peaks = governing_flows(times, ca, group, FORMULA, storms, groups=groups)
    flow, governing = slowly(times, ca, group, FORMULA, storms, groups)
    assert_allclose(peaks.flow_m3s, flow, rtol=1e-9)
    assert_allclose(peaks.time_of_concentration_s, governing)
    filled = peaks.flow_m3s > 0
    product = (peaks.intensity_m_s * peaks.ca_m2)[filled]
    assert_allclose(peaks.flow_m3s[filled], product, rtol=1e-12)
    total = np.bincount(group, weights=ca, minlength=groups)
    assert_allclose(peaks.total_ca_m2, np.repeat(total[:, None], 3, axis=1), rtol=1e-9)


@given(st.integers(0, 2**32 - 1), st.floats(0.1, 0.9))
def test_splitting_parts_and_changing_their_order_changes_nothing(seed, share):
    rng = np.random.default_rng(seed)
    times, ca = rng.uniform(300, 3600, 8), rng.uniform(1, 500, 8)
    group = rng.integers(0, 3, 8)
    whole = governing_flows(times, ca, group, FORMULA, [10], groups=3)
    order = rng.permutation(16)
    split = governing_flows(
        np.tile(times, 2)[order],
        np.concatenate([ca * share, ca * (1 - share)])[order],
        np.tile(group, 2)[order],
        FORMULA,
        [10],
        groups=3,
    )
    assert_allclose(split.flow_m3s, whole.flow_m3s, rtol=1e-9)
    assert_allclose(split.total_ca_m2, whole.total_ca_m2, rtol=1e-9)


@given(st.integers(0, 2**32 - 1))
def test_a_further_part_never_lowers_the_peak(seed):
    rng = np.random.default_rng(seed)
    times, ca = rng.uniform(300, 3600, 6), rng.uniform(0, 500, 6)
    fewer = governing_flows(times[:5], ca[:5], [0] * 5, FORMULA, [10], groups=1).flow_m3s
    assert governing_flows(times, ca, [0] * 6, FORMULA, [10], groups=1).flow_m3s >= fewer - 1e-15


def test_c_may_depend_on_the_storm():
    ca = np.array([[100.0, 100.0, 125.0]])
    peaks = governing_flows([300], ca, [0], FORMULA, [2, 10, 100], groups=1)
    assert_allclose(peaks.ca_m2, ca)
    assert_allclose(peaks.flow_m3s, ca * FORMULA.intensity(300, [2, 10, 100]))


def test_an_inlet_without_parts_has_no_flow():
    peaks = governing_flows([300], [100.0], [1], FORMULA, [10], groups=3)
    assert_array_equal(peaks.flow_m3s[[0, 2], 0], [0, 0])
    assert np.isnan(peaks.time_of_concentration_s[[0, 2], 0]).all()
    empty = governing_flows([], [], [], FORMULA, [10, 100], groups=2)
    assert empty.flow_m3s.shape == (2, 2)


@pytest.mark.parametrize(
    ("times", "ca", "group", "error", "message"),
    [
        ([300, 600], [1.0], [0, 0], ParameterError, "do not fit"),
        ([300], [[1.0, 2.0]], [0], ParameterError, "do not fit"),
        ([300], [1.0], [2], ParameterError, "groups must lie between 0 and 1"),
        ([300], [1.0], [-1], ParameterError, "groups must lie between 0 and 1"),
        ([0], [1.0], [0], ParameterError, "time of concentration must be greater than 0 s"),
        ([300], [-1.0], [0], ParameterError, "C A must be at least 0 m2"),
        ([60], [1.0], [0], InputError, "a duration of 1 min"),
    ],
)
def test_parts_that_do_not_fit_are_refused(times, ca, group, error, message):
    with pytest.raises(error, match=message):
        governing_flows(times, ca, group, FORMULA, [10], groups=2)


def test_a_storm_outside_the_rainfall_is_refused():
    with pytest.raises(InputError, match="a storm of 500 years"):
        governing_flows([300], [1.0], [0], FORMULA, [10, 500], groups=1)


@pytest.mark.parametrize(
    ("minutes", "cubic_feet"), [(5, 64.6), (30, 185), (60, 242), (360, 378), (1440, 448)]
)
def test_storage_under_a_roof_grows_with_the_storm(fort_myers, minutes, cubic_feet):
    """1000 ft2 of roof, C .95, into 64 ft2 of soil at 1 in/h, Fort Myers 10-year: by hand."""
    ca = 0.95 * 1000 * SQUARE_METRES_PER_SQUARE_FOOT
    release = to_si(1.0, "in_h") * 64 * SQUARE_METRES_PER_SQUARE_FOOT
    storage = storage_volume([ca], [release], fort_myers, [10], durations_s=[minutes * 60])
    found = storage.volume_m3[0, 0] / CUBIC_METRES_PER_CUBIC_FOOT
    assert found == pytest.approx(cubic_feet, abs=0.5 if cubic_feet > 100 else 0.05)


def test_the_longest_storm_governs_a_slow_release_and_it_is_said(fort_myers):
    storage = storage_volume([88.0], [1e-6], fort_myers, [10])
    assert storage.duration_s[0, 0] == pytest.approx(86_400)
    assert storage.at_longest[0, 0]


def test_the_storm_that_fills_a_quick_release_lies_between(irving):
    storage = storage_volume([200.0, 100.0], [1e-3, 1e-3], irving, [2, 100])
    assert storage.volume_m3.shape == (2, 2)
    assert not storage.at_longest.any()
    assert (storage.volume_m3[:, 1] > storage.volume_m3[:, 0]).all()
    assert (storage.volume_m3[0] > storage.volume_m3[1]).all()
    durations = np.geomspace(300, 86_400, 5000)
    exact = (200.0 * irving.depth(durations, 100) - 1e-3 * durations).max()
    assert storage.volume_m3[0, 1] == pytest.approx(exact, rel=1e-3)


def test_storage_takes_an_area_for_each_storm(irving):
    """Coefficients that grow with the storm: each column is that of its own area."""
    both = storage_volume([[80.0, 100.0]], [1e-3], irving, [2, 100])
    for storm, area in enumerate((80.0, 100.0)):
        alone = storage_volume([area], [1e-3], irving, [2, 100])
        assert both.volume_m3[0, storm] == alone.volume_m3[0, storm]
        assert both.duration_s[0, storm] == alone.duration_s[0, storm]


def test_a_release_above_every_inflow_needs_no_storage(irving):
    storage = storage_volume([10.0], [1.0], irving, [10])
    assert storage.volume_m3[0, 0] == 0
    assert not storage.at_longest[0, 0]


def test_a_negative_release_is_refused(irving):
    with pytest.raises(ParameterError, match="release must be at least 0"):
        storage_volume([10.0], [-1.0], irving, [10])
