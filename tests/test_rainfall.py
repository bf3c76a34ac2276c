"""Rainfall tables and formulas: published values, limits, and what rain cannot do."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from lotflow.errors import InputError
from lotflow.inputs.rainfall import parse_rainfall
from lotflow.rainfall import RainfallFormula, RainfallTable
from lotflow.rainfall_checks import duration_text
from lotflow.units import TO_SI

REFERENCE = Path(__file__).parent / "reference"
INCH_PER_HOUR = TO_SI["in_h"]


def atlas14(name):
    return parse_rainfall((REFERENCE / f"atlas14_{name}.csv").read_bytes(), f"{name}.csv")


def small(depths, durations=(300, 600), periods=(2, 10), **more):
    return RainfallTable(durations, periods, depths, "made up", **more)


@pytest.mark.parametrize(
    ("place", "minutes", "expected"),
    [
        ("irving", [5, 10, 15, 30, 60], [8.316, 6.66, 5.52, 3.82, 2.50]),
        ("fort_myers", [5, 10, 15, 30, 60], [9.864, 7.20, 5.88, 4.74, 3.13]),
    ],
)
def test_tabulated_10_year_intensities_are_those_of_atlas_14(place, minutes, expected):
    """NOAA Atlas 14 point tables, Irving TX and Fort Myers FL: depth over duration."""
    found = atlas14(place).intensity(np.array(minutes) * 60, 10) / INCH_PER_HOUR
    assert_allclose(found, expected, atol=5e-4)


@pytest.mark.parametrize(("place", "expected"), [("irving", 7.154), ("fort_myers", 7.968)])
def test_between_durations_depth_is_a_power_of_duration(place, expected):
    """8 min, 10-year: P = P1 (t/t1)^m; linear interpolation would differ by 1-4 %."""
    found = float(atlas14(place).intensity(480, 10)) / INCH_PER_HOUR
    assert found == pytest.approx(expected, abs=5e-4)


def test_between_return_periods_depth_is_a_power_of_the_return_period():
    """Irving, 60 min: 2.50 in (10 years) and 2.95 in (25 years), computed by hand for 15."""
    expected = 2.50 * (15 / 10) ** (np.log(2.95 / 2.50) / np.log(25 / 10))
    assert float(atlas14("irving").depth(3600, 15)) / 0.0254 == pytest.approx(expected, rel=1e-12)


def test_every_tabulated_depth_comes_back():
    table = atlas14("irving")
    found = table.depth(table.durations_s[:, None], table.return_periods_yr)
    assert_allclose(found, table.depths_m, rtol=1e-12)


def test_durations_and_storms_are_broadcast():
    table = atlas14("irving")
    assert table.intensity(np.full((4, 1), 500.0), [2, 10, 100]).shape == (4, 3)
    assert np.shape(table.intensity(500.0, 10)) == ()


def test_the_uplift_raises_every_depth():
    table = small([[0.01, 0.02], [0.015, 0.03]], uplift=1.2)
    assert_allclose(table.depth([300, 600], 10), [0.024, 0.036])


@pytest.mark.parametrize(
    ("duration", "period", "message"),
    [
        (60, 10, "a duration of 1 min .* from 5 min to 24 h"),
        (90_000, 10, "a duration of 25 h .* from 5 min to 24 h"),
        (300, 200, "a storm of 200 years .* from 1 to 100 years"),
        (300, 0.5, "a storm of 0.5 years"),
        (float("nan"), 10, "a duration of nan"),
        ([300, 200_000], 10, "outside the rainfall data"),
    ],
)
def test_outside_the_table_is_an_error_that_says_its_range(duration, period, message):
    table = atlas14("irving")
    with pytest.raises(InputError, match=message):
        table.intensity(duration, period)
    with pytest.raises(InputError, match=message):
        table.depth(duration, period)


@pytest.mark.parametrize(
    ("depths", "message"),
    [
        ([[0.010, 0.020], [0.009, 0.030]], "row 2, 2 yr = '9.0 mm': the depth falls"),
        ([[0.010, 0.009], [0.015, 0.016]], "row 1, 10 yr = '9.0 mm': the depth is less"),
        ([[0.010, 0.020], [0.030, 0.035]], "row 2, 2 yr = '30.0 mm': the intensity is greater"),
        ([[0.010, 0.0], [0.015, 0.03]], "row 1, 10 yr = 0.0: a depth must be"),
        ([[0.010, np.nan], [0.015, 0.03]], "a depth must be a number"),
        ([[0.010, 0.02]], "one depth for each duration and return period"),
    ],
)
def test_what_rain_cannot_do_is_a_fault_of_the_table(depths, message):
    with pytest.raises(InputError, match=message):
        small(depths)


@pytest.mark.parametrize(
    ("durations", "periods", "message"),
    [
        ((600, 300), (2, 10), "durations must be greater than 0 and rise"),
        ((300, 300), (2, 10), "durations must be greater than 0 and rise"),
        ((300, 600), (10, 2), "return periods must be greater than 0 and rise"),
        ((0, 600), (2, 10), "durations must be greater than 0"),
    ],
)
def test_axes_must_rise_from_above_zero(durations, periods, message):
    with pytest.raises(InputError, match=message):
        small([[0.01, 0.02], [0.015, 0.03]], durations, periods)


def test_all_faults_of_a_table_are_reported_together():
    with pytest.raises(InputError) as caught:
        small([[0.010, 0.009], [0.008, 0.007]])
    assert len(caught.value.faults) == 4


@pytest.mark.parametrize("uplift", [0.0, -1.0, float("nan"), float("inf")])
def test_an_uplift_that_is_no_factor_is_refused(uplift):
    with pytest.raises(InputError, match="uplift must be a factor"):
        small([[0.01, 0.02], [0.015, 0.03]], uplift=uplift)


def test_a_table_cannot_be_changed_after_its_check():
    table = small([[0.01, 0.02], [0.015, 0.03]])
    with pytest.raises(ValueError, match="read-only"):
        table.depths_m[0, 0] = 1.0


@given(st.floats(300, 86_400), st.floats(300, 86_400), st.floats(1, 100), st.floats(1, 100))
def test_longer_rain_is_deeper_and_never_more_intense(first, second, frequent, rare):
    table = IRVING
    short, long = sorted((first, second))
    assert table.depth(long, frequent) >= table.depth(short, frequent) * (1 - 1e-12)
    assert table.intensity(long, frequent) <= table.intensity(short, frequent) * (1 + 1e-12)
    low, high = sorted((frequent, rare))
    assert table.depth(short, high) >= table.depth(short, low) * (1 - 1e-12)


IRVING = atlas14("irving")


# --- coefficients ---------------------------------------------------------------------------


def formula(a=63.67, b=9.53, c=0.7619, **more):
    given_ = {"return_periods_yr": [10], "duration_range_s": (300, 86_400), **more}
    return RainfallFormula(a=np.atleast_1d(a), b=np.atleast_1d(b), c=np.atleast_1d(c),
                           **{"unit": "in_h", "source": "fit", **given_})  # fmt: skip


@pytest.mark.parametrize(
    ("place", "a", "b", "c", "error"),
    [("irving", 63.67, 9.53, 0.7619, 0.013), ("fort_myers", 77.95, 11.68, 0.7595, 0.095)],
)
def test_fitted_coefficients_miss_the_table_by_the_error_of_the_fit(place, a, b, c, error):
    """Least squares of a/(t+b)^c to the 10-year column: 1.3 % and 9.5 % at worst."""
    table = atlas14(place)
    tabulated = table.intensity(table.durations_s, 10)
    fitted = formula(a, b, c).intensity(table.durations_s, 10)
    assert np.abs(fitted / tabulated - 1).max() == pytest.approx(error, abs=0.0006)


def test_a_formula_in_millimetres_is_the_one_in_inches():
    inches = formula().intensity([300, 3600], 10)
    millimetres = formula(a=63.67 * 25.4, unit="mm_h").intensity([300, 3600], 10)
    assert_allclose(millimetres, inches, rtol=1e-12)


def test_between_the_storms_of_a_formula_intensity_is_interpolated_log_log():
    two = formula([50.0, 70.0], [10.0, 10.0], [0.8, 0.8], return_periods_yr=[10, 100])
    expected = np.sqrt(50.0 * 70.0) / (5 + 10) ** 0.8
    found = float(two.intensity(300, np.sqrt(1000.0))) / INCH_PER_HOUR
    assert found == pytest.approx(expected, rel=1e-12)


def test_depth_of_a_formula_is_intensity_times_duration_with_uplift():
    raised = formula(uplift=1.1)
    assert float(raised.depth(3600, 10)) == pytest.approx(1.1 * float(formula().intensity(3600, 10))
                                                          * 3600)  # fmt: skip


@pytest.mark.parametrize(
    ("duration", "period", "message"),
    [(299, 10, "from 5 min to 24 h"), (300, 25, "from 10 to 10 years")],
)
def test_a_formula_keeps_to_its_stated_range(duration, period, message):
    with pytest.raises(InputError, match=message):
        formula().intensity(duration, period)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"a": -1.0}, "a must be greater than 0"),
        ({"b": -1.0}, "b must be 0 or greater"),
        ({"c": 0.0}, "c must be greater than 0"),
        ({"c": [0.7, 0.8]}, "one per return period"),
        ({"c": 1.5}, "the depth falls"),
        ({"unit": "mm"}, "in_h or mm_h"),
        ({"duration_range_s": (600, 300)}, "range of durations"),
        ({"uplift": 0.0}, "uplift"),
        (
            {"a": [60.0, 50.0], "b": [9, 9], "c": [0.8, 0.8], "return_periods_yr": [10, 100]},
            "less than that of the 10-year storm",
        ),
    ],
)
def test_coefficients_that_are_no_rain_are_refused(change, message):
    with pytest.raises(InputError, match=message):
        formula(**change)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(300, "5 min"), (5400, "90 min"), (86_400, "24 h"), (172_800, "2 d"), (90, "1.5 min")],
)
def test_durations_are_named_as_tables_name_them(seconds, text):
    assert duration_text(seconds) == text
