"""Design storms: their rain, what each ground sheds of it, and the flow of several parts."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.rainfall import RainfallTable
from lotflow.runoff.covers import cover_values
from lotflow.runoff.curve_number import runoff_depth
from lotflow.runoff.design_storms import design_storm, joint_hydrograph
from lotflow.runoff.hydrograph import Storm

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
