"""Time of concentration along a path: how it is cut, floored and summed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.errors import InputError, ParameterError
from lotflow.rainfall import RainfallTable
from lotflow.runoff.concentration import (
    MINIMUM_TIME_S,
    PathProfile,
    PathRules,
    path_time,
    path_time_in_storm,
)
from lotflow.runoff.travel import (
    shallow_flow_velocity,
    sheet_flow_time,
    sheet_flow_time_for_intensity,
)

RAIN = 0.09
TABLE = RainfallTable([300, 86_400], [10], [[0.0176], [0.15]], "made up")


def profile(distance, elevation, roughness, paved):
    return PathProfile(
        np.array(distance, float), np.array(elevation, float), np.array(roughness, float),
        np.array(paved, bool),
    )  # fmt: skip


def test_a_path_becomes_sheet_flow_and_stretches_of_like_paving():
    """Lawn, street, gutter, lawn: the street and gutter are one stretch."""
    path = profile(
        [0, 20, 50, 60, 70, 90], [5.0, 4.6, 4.0, 3.8, 3.5, 2.5],
        [0.24, 0.24, 0.011, 0.013, 0.24], [0, 0, 1, 1, 0],
    )  # fmt: skip
    found = path_time(path, RAIN)
    kinds = [(s.kind, round(s.length_m, 2), round(s.fall_m, 4)) for s in found.segments]
    sheet_end = 4.6 - 10.48 * 0.6 / 30
    assert kinds == [
        ("sheet", 30.48, round(5.0 - sheet_end, 4)),
        ("shallow unpaved", 19.52, round(sheet_end - 4.0, 4)),
        ("shallow paved", 20.0, 0.5),
        ("shallow unpaved", 20.0, 1.0),
    ]
    assert found.segments[2].time_s == pytest.approx(
        20.0 / float(shallow_flow_velocity(0.5 / 20, True))
    )
    assert found.travel_s == pytest.approx(sum(s.time_s for s in found.segments))


def test_a_path_no_longer_than_its_sheet_flow_is_one_segment():
    found = path_time(profile([0, 30.48], [0.6096, 0], [0.24], [False]), RAIN)
    assert [s.kind for s in found.segments] == ["sheet"]
    assert found.time_s == pytest.approx(float(sheet_flow_time(30.48, 0.02, 0.24, RAIN)))
    assert not found.minimum_governs


def test_the_roughness_of_sheet_flow_is_weighed_by_length():
    path = profile([0, 10, 40], [0.8, 0.6, 0], [0.24, 0.011], [False, True])
    sheet = path_time(path, RAIN).segments[0]
    assert sheet.roughness == pytest.approx((10 * 0.24 + 20.48 * 0.011) / 30.48)


def test_cutting_one_slope_into_many_points_changes_nothing():
    distance = np.linspace(0, 80, 161)
    many = profile(distance, 2 - 0.02 * distance, np.full(160, 0.24), np.zeros(160))
    few = profile([0, 80], [2, 0.4], [0.24], [False])
    assert path_time(many, RAIN).time_s == pytest.approx(path_time(few, RAIN).time_s)


@pytest.mark.parametrize("end", [1.0, 1.02, 0.99])
def test_a_level_rising_or_nearly_level_path_takes_the_least_slope_and_says_so(end):
    found = path_time(profile([0, 20], [1.0, end], [0.24], [False]), RAIN)
    segment = found.segments[0]
    assert segment.slope_raised
    assert segment.slope == 0.001
    assert segment.fall_m == pytest.approx(1.0 - end)
    assert found.time_s == pytest.approx(float(sheet_flow_time(20, 0.001, 0.24, RAIN)))


def test_a_slope_at_the_least_is_not_called_raised():
    segment = path_time(profile([0, 20], [0.04, 0], [0.24], [False]), RAIN).segments[0]
    assert not segment.slope_raised
    assert segment.slope == pytest.approx(0.002)


def test_a_short_path_takes_the_minimum_and_says_so():
    found = path_time(profile([0, 5], [0.2, 0], [0.011], [True]), RAIN)
    assert found.minimum_governs
    assert found.travel_s < 60
    assert found.time_s == MINIMUM_TIME_S == 300


def test_rules_may_be_set():
    rules = PathRules(sheet_length_m=10.0, least_slope=0.01, minimum_s=360.0)
    found = path_time(profile([0, 20], [0.1, 0], [0.011], [True]), RAIN, rules=rules)
    assert [s.length_m for s in found.segments] == [10.0, 10.0]
    assert [s.slope for s in found.segments] == [0.01, 0.01]
    assert found.time_s == 360.0


def test_in_a_storm_the_intensity_is_that_of_the_whole_path():
    path = profile([0, 30.48, 230.48], [4.3048, 4.0, 0], [0.41, 0.24], [False, False])
    found = path_time_in_storm(path, TABLE, 10)
    sheet, shallow = found.segments
    rain = TABLE.intensity(found.time_s, 10)
    expected = float(sheet_flow_time_for_intensity(30.48, 0.01, 0.41, rain))
    assert sheet.time_s == pytest.approx(expected, abs=0.02)
    assert shallow.time_s == pytest.approx(200 / float(shallow_flow_velocity(0.02, False)))
    assert "HEC-22" in sheet.source


def test_a_storm_outside_the_rainfall_is_refused():
    path = profile([0, 20], [0.4, 0], [0.24], [False])
    with pytest.raises(InputError, match="a storm of 100 years"):
        path_time_in_storm(path, TABLE, 100)


@given(st.floats(1, 300), st.floats(-0.02, 0.3), st.floats(0.011, 0.8), st.booleans())
def test_the_segments_of_any_path_add_up_to_its_length_and_fall(length, slope, n, paved):
    path = profile([0, length / 3, length], [slope * length, slope * length / 2, 0],
                   [n, n], [paved, not paved])  # fmt: skip
    found = path_time(path, RAIN)
    assert sum(s.length_m for s in found.segments) == pytest.approx(length)
    assert sum(s.fall_m for s in found.segments) == pytest.approx(slope * length, abs=1e-9)
    assert all(s.time_s > 0 for s in found.segments)
    assert found.time_s >= 300


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"distance": [0, 10]}, "n - 1 reaches"),
        ({"roughness": [0.24, 0.24, 0.24]}, "n - 1 reaches"),
        ({"distance": [0], "elevation": [1], "roughness": [], "paved": []}, "n > 1"),
        ({"distance": [0, 10, 10]}, "must rise from 0"),
        ({"distance": [1, 10, 20]}, "must rise from 0"),
        ({"distance": [0, float("nan"), 20]}, "must rise from 0"),
        ({"elevation": [1, float("nan"), 0]}, "elevations must be numbers"),
        ({"roughness": [0.24, 0.0]}, "roughness greater than 0"),
    ],
)
def test_a_path_that_is_none_is_refused(change, message):
    good = {"distance": [0, 10, 20], "elevation": [1, 0.5, 0], "roughness": [0.24, 0.24],
            "paved": [False, False]}  # fmt: skip
    with pytest.raises(ParameterError, match=message):
        profile(**{**good, **change})


def test_a_sheet_length_beyond_the_method_is_refused():
    path = profile([0, 200], [4, 0], [0.24], [False])
    with pytest.raises(ParameterError, match="sheet flow length"):
        path_time(path, RAIN, rules=PathRules(sheet_length_m=100.0))
