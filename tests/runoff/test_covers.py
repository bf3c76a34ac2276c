"""Values of covers by soil, slope and condition, and what the user puts in their place."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from lotflow.errors import InputError, ParameterError
from lotflow.runoff.covers import cover_values, with_given_values
from lotflow.tables.runoff import cover_keys

NAN = float("nan")


def test_the_default_lawn_is_on_heavy_soil_of_average_slope():
    values = cover_values(["lawn"])
    assert values.runoff_coefficient.tolist() == [0.20]
    assert values.curve_number.tolist() == [74]
    assert "heavy soil, average slope" in values.covers[0].source


@pytest.mark.parametrize(
    ("group", "slope", "low", "high"),
    [
        ("A", 0.01, 0.05, 0.10), ("B", 0.015, 0.05, 0.10), ("A", 0.05, 0.10, 0.15),
        ("B", 0.0875, 0.15, 0.20), ("C", 0.015, 0.13, 0.17), ("D", 0.025, 0.18, 0.22),
        ("C", 0.0525, 0.18, 0.22), ("D", 0.20, 0.25, 0.35),
    ],
)  # fmt: skip
def test_a_lawn_has_the_range_of_its_soil_and_slope(group, slope, low, high):
    """FHWA HEC-22, 3rd ed. 2009, Table 3-1: lawns."""
    values = cover_values(["lawn"], group, slope)
    row = values.covers[0]
    assert (row.coefficient_low, row.coefficient_high) == (low, high)
    assert low < values.runoff_coefficient[0] < high


@given(
    cover=st.sampled_from(cover_keys()), group=st.sampled_from("ABCD"),
    slope=st.one_of(st.floats(0, 0.3), st.sampled_from([0.015, 0.02, 0.025, 0.0525, 0.07, 0.0875])),
)  # fmt: skip
def test_a_coefficient_does_not_jump_by_noise_in_the_slope(cover, group, slope):
    """A change of slope by 1e-9 changes C by no more than its steepest rise, 0.05 in 1 %."""
    beside = [max(slope - 1e-9, 0.0), slope, slope + 1e-9]
    found = cover_values([cover] * 3, group, beside)
    for name in ("coefficient_low", "coefficient_default", "coefficient_high"):
        assert np.ptp([getattr(row, name) for row in found.covers]) <= 1.1e-8
    assert np.diff(found.runoff_coefficient).min() >= 0


def test_at_the_limit_of_two_classes_both_are_named():
    """2 % lies half-way in the passage from 1.5 to 2.5 %."""
    values = cover_values(["lawn"], "C", 0.02)
    assert values.runoff_coefficient[0] == pytest.approx((0.15 + 0.20) / 2)
    assert "heavy soil, flat" in values.covers[0].source
    assert "heavy soil, average slope" in values.covers[0].source


@pytest.mark.parametrize(
    ("condition", "expected"),
    [("good", [39, 61, 74, 80]), ("fair", [49, 69, 79, 84]), ("poor", [68, 79, 86, 89])],
)
@pytest.mark.parametrize("cover", ["lawn", "planting"])
def test_grass_has_the_curve_number_of_its_condition(cover, condition, expected):
    """FHWA HEC-22, 3rd ed. 2009, Table 3-6 (= TR-55 Table 2-2a): open space."""
    found = [cover_values([cover], g, condition=condition).curve_number[0] for g in "ABCD"]
    assert found == expected


@pytest.mark.parametrize(
    ("cover", "expected"),
    [("roof", [98] * 4), ("asphalt", [98] * 4), ("gravel", [76, 85, 89, 91]),
     ("bare soil", [77, 86, 91, 94])],
)  # fmt: skip
def test_hard_and_bare_ground_has_its_published_curve_number(cover, expected):
    """FHWA HEC-22, 3rd ed. 2009, Table 3-6."""
    assert [cover_values([cover], group).curve_number[0] for group in "ABCD"] == expected


def test_every_key_has_values_in_range_in_every_group():
    for group in "ABCD":
        values = cover_values(cover_keys(), group, 0.03)
        assert ((values.runoff_coefficient > 0) & (values.runoff_coefficient <= 1)).all()
        assert ((values.curve_number >= 30) & (values.curve_number <= 100)).all()
        assert (values.roughness > 0).all()


def test_slopes_may_differ_from_cover_to_cover():
    values = cover_values(["lawn", "lawn", "roof"], "C", [0.01, 0.10, 0.30])
    assert_allclose(values.runoff_coefficient, [0.15, 0.30, 0.90])


def test_paving_and_infiltration_follow_the_cover():
    values = cover_values(["asphalt", "lawn", "gravel", "permeable pavers"])
    assert_array_equal(values.paved, [True, False, False, True])
    assert_array_equal(values.infiltration, ["none", "soil", "compacted soil", "soil"])


def test_unknown_covers_are_all_named_with_what_was_meant():
    with pytest.raises(InputError) as caught:
        cover_values(["lawm", "roof", "Pavers", "moss"])
    text = str(caught.value).splitlines()
    assert text[0] == (
        "layer covers, row 1, cover = 'lawm': there is no such cover. Did you mean 'lawn'?"
    )
    assert "row 3" in text[1]
    assert "Did you mean 'pavers'?" in text[1]
    assert "row 4" in text[2]
    assert "It may be 'roof', 'asphalt'" in text[2]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"soil_group": "E"}, "soil group must be 'A', 'B', 'C' or 'D', not 'E'"),
        ({"soil_group": ""}, "soil group must be"),
        ({"condition": "green"}, "condition must be 'good', 'fair' or 'poor'"),
        ({"slope": -0.01}, "slope must be at least 0 m/m"),
        ({"slope": NAN}, "slope must be at least 0 m/m"),
    ],
)
def test_unknown_soils_conditions_and_slopes_are_refused(change, message):
    with pytest.raises(ParameterError, match=message):
        cover_values(["lawn"], **change)


def test_given_values_replace_those_of_the_table_and_leave_the_rest():
    table = cover_values(["lawn", "gravel"])
    values = with_given_values(table, [NAN, 0.0], [30.0, NAN])
    assert_allclose(values.runoff_coefficient, [0.20, 0.0])
    assert_allclose(values.curve_number, [30.0, 89.0])
    assert_allclose(table.runoff_coefficient, [0.20, 0.60])


def test_given_values_out_of_range_are_all_reported():
    table = cover_values(["lawn", "gravel", "roof"])
    with pytest.raises(InputError) as caught:
        with_given_values(table, [-0.1, 1.01, 0.5], [29.9, 70, 101])
    places = [(f.row, f.column, f.value) for f in caught.value.faults]
    assert places == [
        (1, "runoff_coefficient", -0.1),
        (2, "runoff_coefficient", 1.01),
        (1, "curve_number", 29.9),
        (3, "curve_number", 101.0),
    ]
