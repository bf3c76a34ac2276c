"""Parts, nearest cells and surroundings against scipy's."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from lotflow.terrain.kernels import connected_parts, nearest_marked
from lotflow.terrain.neighbourhoods import (
    boxes_of_parts,
    cells_from,
    greatest_of_parts,
    highest_around,
    lowest_around,
)

SHAPES = st.tuples(st.integers(1, 24), st.integers(1, 24))
MASKS = arrays(np.bool_, SHAPES)
EIGHT = np.ones((3, 3), dtype=int)


@st.composite
def scattered(draw):
    """A few marked cells on a larger grid: long distances and many ties."""
    mask = np.zeros(draw(SHAPES), dtype=bool)
    for cell in draw(st.lists(st.integers(0, mask.size - 1), min_size=1, max_size=6)):
        mask.ravel()[cell] = True
    return mask


@settings(max_examples=200, deadline=None)
@given(st.one_of(MASKS, scattered()))
def test_nearest_cells_are_those_of_scipy_ties_included(mask):
    """scipy's exact distance transform names the same cell, also where several are as near."""
    if not mask.any():
        return
    row, column = ndimage.distance_transform_edt(~mask, return_distances=False, return_indices=True)
    np.testing.assert_array_equal(nearest_marked(mask), row * mask.shape[1] + column)
    np.testing.assert_array_equal(cells_from(mask), ndimage.distance_transform_edt(~mask))


def test_nearest_cells_of_wide_gaps_are_those_of_scipy():
    """Most cells missing, as at the edge of a survey."""
    random = np.random.default_rng(1)
    mask = random.random((300, 400)) < 0.001
    row, column = ndimage.distance_transform_edt(~mask, return_distances=False, return_indices=True)
    np.testing.assert_array_equal(nearest_marked(mask), row * mask.shape[1] + column)


def test_without_a_marked_cell_each_is_its_own_nearest():
    """And its distance to a marked one is infinite."""
    nothing = np.zeros((2, 3), dtype=bool)
    np.testing.assert_array_equal(nearest_marked(nothing), np.arange(6).reshape(2, 3))
    assert np.isinf(cells_from(nothing)).all()


@settings(max_examples=200, deadline=None)
@given(MASKS)
def test_parts_have_the_numbers_scipy_gives(mask):
    """Eight neighbours connected, numbered by their first cells."""
    part, count = connected_parts(mask)
    expected, expected_count = ndimage.label(mask, structure=EIGHT)
    assert count == expected_count
    np.testing.assert_array_equal(part, expected)
    assert boxes_of_parts(part) == ndimage.find_objects(expected)
    values = np.random.default_rng(0).random(mask.shape)
    np.testing.assert_array_equal(
        greatest_of_parts(values, part, count),
        np.reshape(ndimage.maximum(values, expected, np.arange(1, count + 1)), count),
    )


def test_a_number_without_cells_has_no_box():
    """As in scipy."""
    part = np.array([[0, 3], [1, 3]])
    assert boxes_of_parts(part) == ndimage.find_objects(part)


@settings(max_examples=100, deadline=None)
@given(arrays(np.int64, SHAPES, elements=st.integers(-9, 9)), st.integers(0, 5))
def test_extremes_around_are_those_of_scipy(values, reach):
    """Also where the square reaches over the edge, or is larger than the grid."""
    size = 2 * reach + 1
    np.testing.assert_array_equal(
        highest_around(values, reach), ndimage.maximum_filter(values, size, mode="nearest")
    )
    np.testing.assert_array_equal(
        lowest_around(values, reach), ndimage.minimum_filter(values, size, mode="nearest")
    )


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (7, 1)])
def test_a_mask_grows_to_its_eight_neighbours(shape):
    """Beyond the grid there is nothing."""
    mask = np.zeros(shape, dtype=bool)
    mask[0, 0] = True
    np.testing.assert_array_equal(
        highest_around(mask), ndimage.binary_dilation(mask, structure=EIGHT)
    )
