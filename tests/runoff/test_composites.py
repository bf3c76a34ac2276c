"""Mixes of covers: weighted by area, per catchment, with storms and impervious parts."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from lotflow.errors import ParameterError
from lotflow.runoff.composites import (
    composite,
    composite_by_label,
    frequency_factor,
    storm_coefficient,
    sum_by_label,
)

parts = st.lists(st.tuples(st.floats(0, 1), st.floats(0.01, 1e5)), min_size=1, max_size=20)


def test_the_composite_of_a_lot_is_weighed_by_area():
    """Roof 2000 ft2 C .90, drive 800 .85, patio 400 .85, lawn 6800 .20, computed by hand."""
    assert composite([0.90, 0.85, 0.85, 0.20], [2000, 800, 400, 6800]) == pytest.approx(0.418)


@given(parts)
def test_a_composite_lies_between_its_parts(found):
    values, areas = np.array(found).T
    result = composite(values, areas)
    assert values.min() - 1e-12 <= result <= values.max() + 1e-12


@given(parts, st.floats(0.05, 0.95))
def test_splitting_the_parts_leaves_c_times_area_unchanged(found, share):
    values, areas = np.array(found).T
    split = np.concatenate([areas * share, areas * (1 - share)])
    doubled = np.concatenate([values, values])
    assert composite(doubled, split) == pytest.approx(composite(values, areas), rel=1e-9)
    assert_allclose((doubled * split).sum(), (values * areas).sum(), rtol=1e-9, atol=1e-12)


@given(st.integers(0, 2**32 - 1))
def test_composites_per_label_are_those_of_each_label_alone(seed):
    rng = np.random.default_rng(seed)
    values, areas = rng.uniform(0, 1, (7, 9)), rng.uniform(0, 4, (7, 9))
    labels = rng.integers(-1, 4, (7, 9))
    found = composite_by_label(values, areas, labels, 4)
    for label in range(4):
        inside = labels == label
        alone = composite(values[inside], areas[inside])
        assert found[label] == pytest.approx(alone, nan_ok=True)
    covered = labels >= 0
    total = sum_by_label(values * areas, labels, 4).sum()
    assert total == pytest.approx((values * areas)[covered].sum())


def test_cells_of_no_catchment_are_left_out_and_an_empty_one_has_no_composite():
    found = composite_by_label([[0.9, 0.1], [0.3, 0.5]], 0.25, [[-1, 0], [0, 7]], 2)
    assert_allclose(found, [0.2, np.nan])


def test_a_composite_of_nothing_is_not_a_number():
    assert np.isnan(composite([], []))
    assert np.isnan(composite([0.5], [0.0]))


def test_a_negative_area_is_refused():
    with pytest.raises(ParameterError, match="area must be at least 0, not -1"):
        composite([0.5, 0.5], [2.0, -1.0])


@pytest.mark.parametrize(
    ("period", "factor"),
    [(1, 1.0), (10, 1.0), (24.99, 1.0), (25, 1.10), (50, 1.20), (100, 1.25), (500, 1.25)],
)
def test_the_frequency_factor_is_the_published_one(period, factor):
    """FHWA HEC-22, 3rd ed. 2009, section 3.2.2.1; kept beyond 100 years, where it ends."""
    assert float(frequency_factor(period)) == pytest.approx(factor)


def test_between_published_storms_the_factor_goes_by_the_logarithm():
    assert float(frequency_factor(np.sqrt(25 * 50))) == pytest.approx(1.15)


def test_the_coefficient_of_a_storm_is_capped_at_one():
    """0.95 x 1.25 = 1.19 becomes 1.0; the cap from memory."""
    found = storm_coefficient(np.array([[0.95], [0.40]]), [10, 100])
    assert_allclose(found, [[0.95, 1.0], [0.40, 0.50]])


@pytest.mark.parametrize("bad", [-0.01, 1.01, float("nan")])
def test_a_coefficient_outside_its_range_is_refused(bad):
    with pytest.raises(ParameterError, match="runoff coefficient must be at least 0 and at most 1"):
        storm_coefficient(bad, 10)


@pytest.mark.parametrize("bad", [0, -10])
def test_a_return_period_must_be_above_zero(bad):
    with pytest.raises(ParameterError, match="return period must be greater than 0 yr"):
        frequency_factor(bad)
