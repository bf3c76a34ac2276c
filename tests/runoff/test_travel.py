"""Travel times: published forms, their limits, the iteration with rain; Kirpich and FAA."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from lotflow.errors import InputError, ParameterError
from lotflow.inputs.rainfall import parse_rainfall
from lotflow.runoff.travel import (
    faa_time,
    kirpich_time,
    manning_velocity,
    shallow_flow_velocity,
    sheet_flow_time,
    sheet_flow_time_for_intensity,
    sheet_flow_time_in_storm,
    travel_time,
)
from lotflow.units import METRES_PER_FOOT, to_si

FOOT, INCH = METRES_PER_FOOT, 0.0254

REFERENCE = Path(__file__).parents[1] / "reference"
IRVING = parse_rainfall((REFERENCE / "atlas14_irving.csv").read_bytes(), "irving.csv")

lengths, slopes, roughnesses = st.floats(0.1, 91), st.floats(1e-4, 0.5), st.floats(0.01, 0.8)


@pytest.mark.parametrize(
    ("roughness", "minutes", "printed"), [(0.24, 9.5, 0.05), (0.41, 14.6, 0.05), (0.011, 0.8, 0.05)]
)
def test_sixty_feet_of_lawn_bermuda_and_pavement(roughness, minutes, printed):
    """60 ft at 2 %, 2-year rain 3.2 in, computed from the TR-55 form."""
    found = float(sheet_flow_time(60 * FOOT, 0.02, roughness, 3.2 * INCH)) / 60
    assert found == pytest.approx(minutes, abs=printed)


@given(lengths, lengths, slopes, slopes, roughnesses, roughnesses)
def test_sheet_flow_is_slower_over_longer_flatter_rougher_ground(l1, l2, s1, s2, n1, n2):
    quick = sheet_flow_time(min(l1, l2), max(s1, s2), min(n1, n2), 0.08)
    slow = sheet_flow_time(max(l1, l2), min(s1, s2), max(n1, n2), 0.08)
    assert quick <= slow * (1 + 1e-12)


@given(lengths, slopes, roughnesses, st.sampled_from([2.0, 10.0, 100.0]), st.floats(0, 1200))
def test_sheet_flow_and_intensity_agree_when_the_iteration_ends(length, slope, n, storm, further):
    try:
        time = sheet_flow_time_in_storm(length, slope, n, IRVING, storm, further_time_s=further)
    except InputError:
        return  # longer than the table's 24 hours
    rain = IRVING.intensity(np.maximum(time + further, 300.0), storm)
    again = sheet_flow_time_for_intensity(length, slope, n, rain)
    assert float(again) == pytest.approx(float(time), abs=0.02)


def test_the_iteration_takes_arrays(irving):
    length = np.array([[10.0], [20.0]])
    time = sheet_flow_time_in_storm(length, 0.02, 0.24, irving, [2, 10, 100])
    one = sheet_flow_time_in_storm(20.0, 0.02, 0.24, irving, 10)
    assert time.shape == (2, 3)
    assert time[1, 1] == pytest.approx(float(one), abs=0.02)


def test_a_short_path_takes_the_intensity_of_the_minimum(irving):
    time = sheet_flow_time_in_storm(2.0, 0.05, 0.011, irving, 10)
    expected = sheet_flow_time_for_intensity(2.0, 0.05, 0.011, irving.intensity(300, 10))
    assert float(time) == pytest.approx(float(expected))


def test_the_shorthand_of_the_velocity_chart_is_kept():
    """TR-55 appendix F: V = 20.3282 s^.5 and 16.1345 s^.5, ft/s."""
    assert_allclose(shallow_flow_velocity(1.0, [True, False]) / FOOT, [20.3282, 16.1345])


def test_a_full_pipe_is_manning_with_a_quarter_of_its_diameter():
    """15 in, n .011, 0.8 %: 5.56 ft/s (HEC-22 example 3-2 prints 5.58)."""
    found = float(manning_velocity(to_si(15, "in") / 4, 0.008, 0.011)) / FOOT
    assert found == pytest.approx(5.57, abs=0.015)


GOOD = {"length_m": 20.0, "slope": 0.02, "roughness": 0.24}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"length_m": 92.0}, "sheet flow length must be at least 0 m and at most 91.44 m"),
        ({"length_m": -1.0}, "sheet flow length"),
        ({"slope": 0.0}, "slope must be greater than 0 m/m"),
        ({"slope": [0.02, -0.01]}, "slope must be greater than 0 m/m, not -0.01"),
        ({"roughness": 0.0}, "roughness must be greater than 0"),
        ({"two_year_rain_m": 0.0}, "2-year rain must be greater than 0 m"),
    ],
)
def test_sheet_flow_outside_its_limits_is_refused(change, message):
    with pytest.raises(ParameterError, match=message):
        sheet_flow_time(**{**GOOD, "two_year_rain_m": 0.08, **change})


def test_a_sheet_flow_of_300_feet_is_still_allowed():
    assert sheet_flow_time(300 * FOOT, 0.02, 0.24, 0.08) > 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: sheet_flow_time_for_intensity(**GOOD, intensity_m_s=0.0), "intensity must be"),
        (lambda: shallow_flow_velocity(-0.01, True), "slope must be at least 0"),
        (lambda: manning_velocity(0.1, 0.01, 0.0), "roughness must be greater than 0"),
        (lambda: travel_time(10.0, 0.0), "velocity must be greater than 0 m/s"),
        (lambda: travel_time(-1.0, 1.0), "length must be at least 0 m"),
    ],
)
def test_other_arguments_outside_their_range_are_refused(call, message):
    with pytest.raises(ParameterError, match=message):
        call()


FEET_300 = 300 * METRES_PER_FOOT


def test_kirpich_of_300_feet_at_2_percent():
    """0.0078 x 300^.77 x .02^-.385, computed by hand."""
    assert float(kirpich_time(FEET_300, 0.02)) / 60 == pytest.approx(2.84, abs=0.005)


def test_kirpich_in_metres_is_the_published_0_0195():
    assert float(kirpich_time(100.0, 1.0)) / 60 / 100**0.77 == pytest.approx(0.0195, abs=5e-5)


@pytest.mark.parametrize(("slope", "minutes"), [(0.01, 23.4), (0.02, 18.6)])
def test_faa_of_300_feet_with_a_coefficient_of_035(slope, minutes):
    """1.8 (1.1 - C) L^.5 / S^(1/3) with S in percent, computed by hand."""
    assert float(faa_time(0.35, FEET_300, slope)) / 60 == pytest.approx(minutes, abs=0.05)


def test_both_take_one_path_per_inlet():
    lengths, slopes = np.array([30.0, 60.0]), np.array([0.02, 0.01])
    assert_allclose(kirpich_time(lengths, slopes)[1], kirpich_time(60.0, 0.01))
    assert_allclose(faa_time([0.2, 0.9], lengths, slopes)[1], faa_time(0.9, 60.0, 0.01))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: kirpich_time(0.0, 0.01), "length must be greater than 0"),
        (lambda: kirpich_time(10.0, 0.0), "slope must be greater than 0"),
        (lambda: faa_time(1.2, 10.0, 0.01), "runoff coefficient must be at least 0"),
        (lambda: faa_time(0.5, 0.0, 0.01), "length must be greater than 0"),
        (lambda: faa_time(0.5, 10.0, -0.01), "slope must be greater than 0"),
    ],
)
def test_arguments_outside_their_range_are_refused(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
