"""Storms and hydrographs: nothing is lost, and the shape is the published one."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from lotflow.errors import InputError, ParameterError
from lotflow.rainfall import RainfallTable
from lotflow.runoff.covers import cover_values
from lotflow.runoff.curve_number import runoff_depth
from lotflow.runoff.hydrograph import (
    Storm,
    design_storm,
    excess_rain,
    joint_hydrograph,
    nested_storm,
    unit_hydrograph,
)


@pytest.mark.parametrize("blocks", [1, 2, 3, 6, 12, 36, 144, 287])
def test_the_rain_of_every_duration_lies_about_the_middle_of_the_storm(irving, blocks):
    storm = nested_storm(irving, 10)
    peak = int(np.argmax(storm.depths_m))
    first = peak - (blocks - 1) // 2
    inside = storm.depths_m[first : first + blocks].sum()
    assert inside == pytest.approx(float(irving.depth(300 * blocks, 10)), rel=1e-9)


def test_the_storm_holds_all_the_rain_and_peaks_in_its_middle(irving):
    storm = nested_storm(irving, 100)
    assert storm.depths_m.size == 288
    assert storm.total_m == pytest.approx(float(irving.depth(86_400, 100)))
    assert (storm.depths_m > 0).all()
    assert abs(int(np.argmax(storm.depths_m)) - 143.5) <= 1


def test_an_even_and_an_odd_number_of_steps_both_hold_all_the_rain(irving):
    for steps in (1, 2, 3, 4):
        storm = nested_storm(irving, 10, duration_s=300.0 * steps)
        assert storm.depths_m.size == steps
        assert storm.total_m == pytest.approx(float(irving.depth(300 * steps, 10)))


@pytest.mark.parametrize(
    ("step", "duration", "error", "message"),
    [
        (300.0, 1000.0, ParameterError, "1000 s is not a whole number of steps of 300 s"),
        (0.0, 1000.0, ParameterError, "whole number of steps"),
        (600.0, 300.0, ParameterError, "whole number of steps"),
        (60.0, 3600.0, InputError, "a duration of 1 min lies outside"),
        (3600.0, 172_800.0, InputError, "a duration of 25 h lies outside"),
    ],
)
def test_steps_that_do_not_fit_the_rainfall_are_refused(irving, step, duration, error, message):
    with pytest.raises(error, match=message):
        nested_storm(irving, 10, step_s=step, duration_s=duration)


@given(st.lists(st.floats(0, 0.05), min_size=1, max_size=30), st.floats(30, 100))
def test_the_excess_adds_up_to_the_runoff_of_the_whole_storm(depths, curve_number):
    storm = Storm(300.0, np.array(depths))
    excess = excess_rain(storm, curve_number)
    assert (excess >= -1e-15).all()
    assert excess.sum() == pytest.approx(
        float(runoff_depth(storm.total_m, curve_number)), abs=1e-12
    )


def storm_hydrograph(area, curve_number, time, storm):
    """Flow of a catchment of one part."""
    excess = area * excess_rain(storm, curve_number)
    return joint_hydrograph(storm, excess[None], np.array([time]))


@given(st.floats(10, 1e5), st.floats(60, 3600), st.floats(50, 100), st.floats(0.02, 0.2))
def test_the_hydrograph_holds_exactly_the_water_that_runs_off(area, time, curve_number, rain):
    storm = Storm(300.0, rain * np.array([0.1, 0.2, 0.4, 0.2, 0.1]))
    hydrograph = storm_hydrograph(area, curve_number, time, storm)
    expected = area * float(runoff_depth(rain, curve_number))
    assert hydrograph.volume_m3 == pytest.approx(expected, rel=1e-9, abs=1e-12)


@given(st.floats(10, 1e5), st.floats(60, 36_000), st.floats(0.001, 0.133))
@example(10.0, 21657.089103186667, 0.016)  # its last step ends with the table, but for rounding
def test_the_unit_hydrograph_holds_one_metre_on_the_area(area, time, share):
    step = share * time
    flow = unit_hydrograph(area, time, step)
    assert step * flow.sum() == pytest.approx(area, rel=1e-12)
    assert flow[0] == 0
    assert flow[-1] == 0


def test_the_flow_begins_and_ends_with_zero_and_peaks_after_the_rain(irving):
    hydrograph = storm_hydrograph(1000.0, 85, 900.0, nested_storm(irving, 10))
    assert hydrograph.flow_m3s[0] == 0
    assert hydrograph.flow_m3s[-1] == pytest.approx(0, abs=1e-12)
    assert 12 * 3600 < hydrograph.peak_time_s < 12.6 * 3600
    assert hydrograph.times_s.size == hydrograph.flow_m3s.size
    assert hydrograph.peak_m3s == hydrograph.flow_m3s.max()


def test_a_slower_catchment_peaks_lower_and_later(irving):
    storm = nested_storm(irving, 10)
    quick = storm_hydrograph(1000.0, 85, 600.0, storm)
    slow = storm_hydrograph(1000.0, 85, 3600.0, storm)
    assert quick.peak_m3s > slow.peak_m3s
    assert quick.peak_time_s < slow.peak_time_s
    assert quick.volume_m3 == pytest.approx(slow.volume_m3)


def test_a_paved_catchment_peaks_near_the_rational_flow(irving):
    """All rain of the 10-year storm runs off: the peak stays below C i A of the time Tp."""
    area, time = 1000.0, 900.0
    peak = storm_hydrograph(area, 100, time, nested_storm(irving, 10)).peak_m3s
    rational = area * float(irving.intensity(time, 10))
    assert 0.6 * rational < peak < rational


def test_dividing_the_rain_of_a_step_evenly_changes_no_flow():
    """A storm given in steps short enough is taken as it is; coarser ones are divided."""
    coarse = Storm(300.0, np.array([0.01, 0.03, 0.01]))
    fine = Storm(60.0, np.repeat(coarse.depths_m / 5, 5))
    one = storm_hydrograph(500.0, 100, 500.0, coarse)
    other = storm_hydrograph(500.0, 100, 500.0, fine)
    assert one.step_s == other.step_s == 60.0
    assert_allclose(one.flow_m3s, other.flow_m3s, rtol=1e-9, atol=1e-15)


@pytest.mark.parametrize(
    ("area", "time", "step", "message"),
    [
        (0.0, 600.0, 60.0, "area must be greater than 0 m2"),
        (100.0, 0.0, 60.0, "time of concentration must be greater than 0 s"),
        (100.0, 600.0, 80.0, "step must be greater than 0 s and at most 79.8 s"),
        (100.0, 600.0, 0.0, "step must be greater than 0 s"),
    ],
)
def test_a_unit_hydrograph_outside_its_limits_is_refused(area, time, step, message):
    with pytest.raises(ParameterError, match=message):
        unit_hydrograph(area, time, step)


DAY = RainfallTable(
    [300, 3600, 86_400], [2, 100], [[0.010, 0.020], [0.030, 0.060], [0.080, 0.150]], "invented"
)
VALUES = cover_values(["lawn", "roof"], "C", 0.05)


def test_day_long_rain_is_by_curve_number():
    """Its total is the table's depth of 24 hours, and each ground sheds the depth of TR-55."""
    design = design_storm(DAY, 2)
    assert design.by_curve_number
    assert design.storm.total_m == pytest.approx(0.080)
    expected = runoff_depth(0.080, [74, 98])
    assert design.runoff_depths(VALUES) == pytest.approx(expected)
    assert design.excess(VALUES).sum(axis=1) == pytest.approx(expected)


def test_shorter_rain_is_by_runoff_coefficient_with_its_frequency_factor():
    """At 100 years the lawn's 0.20 becomes 0.25, and the roof's 0.90 no more than 1."""
    rain = RainfallTable([300, 3600], [2, 100], [[0.01, 0.02], [0.03, 0.06]], "invented")
    design = design_storm(rain, 100)
    assert not design.by_curve_number
    assert design.runoff_depths(VALUES) == pytest.approx([0.06 * 0.25, 0.06])
    assert design.excess(VALUES).sum(axis=1) == pytest.approx([0.06 * 0.25, 0.06])


@pytest.mark.parametrize(
    ("durations", "step", "total"),
    [([600, 86_400], 600, 0.08), ([420, 86_400], 600, 0.08), ([900, 2000], 900, None),
     ([120, 240], 240, 0.015), ([3600, 3600 * 48], 3600, None)],
)  # fmt: skip
def test_steps_are_no_shorter_than_the_shortest_rain(durations, step, total):
    """Steps divide the day; a short rainfall is taken as far as whole steps reach."""
    longest = min(0.08, 0.0075 * durations[1] / durations[0])
    rain = RainfallTable(durations, [2], [[0.0075], [longest]], "invented")
    design = design_storm(rain, 2)
    assert design.storm.step_s == step
    expected = design.storm.step_s * design.storm.depths_m.size
    assert design.storm.total_m == pytest.approx(float(rain.depth(expected, 2)))
    if total is not None:
        assert design.storm.total_m == pytest.approx(total)


def test_share_above_an_intensity():
    """Of 4, 10 and 6 mm in steps of 5 min, 5 + 1 mm fall faster than 5 mm per step."""
    design = design_storm(
        RainfallTable([300, 600, 900], [10], [[0.010], [0.016], [0.020]], "example"), 10
    )
    share = design.share_above(np.array([0.005 / 300, np.inf, 0.0]))
    assert share == pytest.approx([6 / 20, 0.0, 1.0])


@given(
    st.lists(
        st.tuples(st.floats(0.0, 50.0), st.floats(60.0, 7200.0)), min_size=1, max_size=4
    )
)  # fmt: skip
def test_joint_flow_keeps_the_volume_of_its_parts(parts):
    """Whatever the times of concentration."""
    storm = Storm(300.0, np.array([0.25, 0.5, 0.25]))
    excess = np.array([volume * storm.depths_m for volume, _ in parts])
    flow = joint_hydrograph(storm, excess, np.array([time for _, time in parts]))
    assert flow.volume_m3 == pytest.approx(excess.sum(), rel=1e-9, abs=1e-12)
