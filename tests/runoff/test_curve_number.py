"""Curve numbers: depth of runoff, graphical peak, and where the method's limits are met."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from lotflow.errors import ParameterError
from lotflow.runoff.curve_number import graphical_peak, pond_factor, retention, runoff_depth
from lotflow.tables import read_table
from lotflow.tables.runoff import PeakCoefficients

HOUR = 3600.0


@given(st.floats(0, 1), st.floats(0, 1), st.floats(30, 100), st.floats(30, 100))
def test_runoff_rises_with_rain_and_curve_number_and_is_never_more_than_the_rain(p1, p2, n1, n2):
    low = runoff_depth(min(p1, p2), min(n1, n2))
    high = runoff_depth(max(p1, p2), max(n1, n2))
    assert 0 <= low <= high * (1 + 1e-12) + 1e-15
    assert high <= max(p1, p2) * (1 + 1e-12)


def test_ground_that_keeps_nothing_sheds_all_rain_and_none_of_none():
    assert_allclose(runoff_depth([0.0, 0.05], 100), [0.0, 0.05])


def test_no_runoff_before_the_initial_abstraction_is_filled():
    abstraction = 0.2 * float(retention(70))
    assert float(runoff_depth(abstraction, 70)) == 0
    assert float(runoff_depth(abstraction * 1.01, 70)) > 0


@pytest.mark.parametrize("bad", [29.9, 100.1, 0, -5, float("nan")])
def test_a_curve_number_outside_30_to_100_is_refused(bad):
    for call in (lambda: retention(bad), lambda: runoff_depth(0.1, bad)):
        with pytest.raises(
            ParameterError, match="curve number must be at least 30 and at most 100"
        ):
            call()


def test_negative_rain_is_refused():
    with pytest.raises(ParameterError, match="rain must be at least 0 m"):
        runoff_depth(-0.01, 75)


# --- graphical peak -------------------------------------------------------------------------


def rain_for(ratio, curve_number=80):
    return 0.2 * float(retention(curve_number)) / ratio


@pytest.mark.parametrize("storm_type", ["I", "IA", "II", "III"])
def test_on_a_row_of_the_table_the_unit_peak_is_that_of_the_row(storm_type):
    """log10 qu = C0 + C1 log10 t + C2 (log10 t)^2, csm/in, written out."""
    csm = 0.0283168466 / (2.589988110e6 * 0.0254)
    rows = [r for r in read_table("nrcs_peak", PeakCoefficients) if r.storm_type == storm_type]
    for row in rows:
        for hours in (0.1, 0.7, 10.0):
            log = np.log10(hours)
            expected = 10 ** (row.c0 + row.c1 * log + row.c2 * log**2) * csm
            rain = rain_for(row.abstraction_ratio)
            peak = graphical_peak(1e6, 80, rain, hours * HOUR, storm_type)
            assert float(peak.unit_peak_per_s) == pytest.approx(expected, rel=1e-6)


def test_between_rows_the_unit_peak_is_linear_in_the_ratio():
    rains = [rain_for(0.10), rain_for(0.15), rain_for(0.30)]
    low, found, high = graphical_peak(1e6, 80, rains, HOUR, "II").unit_peak_per_s
    assert found == pytest.approx(low + 0.25 * (high - low))


def test_a_ratio_outside_the_table_is_clamped_and_it_is_said():
    rains = [rain_for(0.05), rain_for(0.10), rain_for(0.50), rain_for(0.9)]
    peak = graphical_peak(1e6, 80, rains, HOUR, "II")
    assert_array_equal(peak.ratio_clamped, [True, False, False, True])
    assert_allclose(peak.abstraction_ratio, [0.05, 0.10, 0.50, 0.9])
    assert peak.unit_peak_per_s[0] == pytest.approx(peak.unit_peak_per_s[1])
    assert peak.unit_peak_per_s[3] == pytest.approx(peak.unit_peak_per_s[2])


def test_a_time_below_six_minutes_is_raised_and_it_is_said():
    peak = graphical_peak(1e6, 80, 0.1, [300.0, 360.0, 720.0], "II")
    assert_array_equal(peak.time_raised, [True, False, False])
    assert peak.flow_m3s[0] == peak.flow_m3s[1] > peak.flow_m3s[2]


def test_a_curve_number_below_40_is_computed_and_it_is_said():
    peak = graphical_peak(1e6, [39, 40], 0.3, HOUR, "II")
    assert_array_equal(peak.below_curve_number_limit, [True, False])


def test_rain_that_does_not_run_off_has_no_peak():
    peak = graphical_peak(1e6, 60, 0.01, HOUR, "II")
    assert float(peak.flow_m3s) == 0
    assert bool(peak.ratio_clamped)


def test_inlets_and_storms_are_broadcast_as_they_are_one_by_one():
    area, number = np.array([[1e3], [2e3]]), np.array([[98], [74]])
    rain = np.array([0.08, 0.12, 0.2])
    peak = graphical_peak(area, number, rain, np.array([[400.0], [900.0]]), "III")
    assert peak.flow_m3s.shape == (2, 3)
    alone = graphical_peak(2e3, 74, 0.2, 900.0, "III")
    assert peak.flow_m3s[1, 2] == pytest.approx(float(alone.flow_m3s))


@pytest.mark.parametrize(
    ("percent", "factor"), [(0, 1.00), (0.2, 0.97), (1, 0.87), (3, 0.75), (5, 0.72), (2, 0.81)]
)
def test_ponds_reduce_the_peak_by_the_published_factor(percent, factor):
    """FHWA HEC-22, 3rd ed. 2009, Table 3-9; 2 % halfway between 1 and 3 %."""
    assert float(pond_factor(percent)) == pytest.approx(factor)
    dry = graphical_peak(1e6, 80, 0.1, HOUR, "II").flow_m3s
    wet = graphical_peak(1e6, 80, 0.1, HOUR, "II", pond_percent=percent).flow_m3s
    assert float(wet / dry) == pytest.approx(factor)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"storm_type": "IV"}, "storm type must be 'I', 'IA', 'II' or 'III', not 'IV'"),
        ({"time_of_concentration_s": 36_001.0}, "time of concentration must be .* 36000 s"),
        ({"rain_m": 0.0}, "rain must be greater than 0 m"),
        ({"area_m2": -1.0}, "area must be at least 0 m2"),
        ({"curve_number": 101}, "curve number"),
        ({"pond_percent": 6}, "share of ponds must be at least 0 % and at most 5 %"),
    ],
)
def test_arguments_outside_the_method_are_refused(change, message):
    good = {"area_m2": 1e6, "curve_number": 80, "rain_m": 0.1,
            "time_of_concentration_s": HOUR, "storm_type": "II"}  # fmt: skip
    with pytest.raises(ParameterError, match=message):
        graphical_peak(**{**good, **change})
