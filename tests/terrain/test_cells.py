"""Cells that drawn geometry covers, and what lies round cells."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage
from scipy.ndimage import label

from lotflow.grid import Grid
from lotflow.terrain.cells import (
    boxes_of_parts,
    cells_from,
    channel_cells,
    geometry_cells,
    greatest_of_parts,
    highest_around,
    line_cells,
    lowest_around,
    polygon_cells,
)
from lotflow.terrain.kernels import connected_parts, nearest_marked

#: Sides of cells in units of the CRS; a foot in metres among them.
SIDES = (0.2, 0.25, 0.3, 0.3048, 0.4, 0.5, 0.6, 1.0, 1.2, 2.0)
ROWS = COLUMNS = 24
#: Far from the origin, as northings are.
WEST, NORTH = 84_900.0, 4_447_600.0


def grid_of(side: float, rows: int = ROWS, columns: int = COLUMNS) -> Grid:
    return Grid(np.zeros((rows, columns)), Affine(side, 0, WEST, 0, -side, NORTH), None)


def line_between(side: float, *places: tuple[float, float]) -> shapely.LineString:
    """Draw a line through places in (column, row), as a person's whole numbers come out."""
    return shapely.LineString([(WEST + side * c, NORTH - side * r) for c, r in places])


def met_by(line: list[tuple[int, int]], grid: Grid) -> tuple[set[int], set[int]]:
    """
    Cells whose inside a straight line meets, and those it touches at all, in exact fractions.

    Slow code of its own: the part of the line between two parallel sides, for each cell.
    """
    (c0, r0), (c1, r1) = line
    inside, touched = set(), set()
    for row in range(grid.shape[0]):
        for column in range(grid.shape[1]):
            low, high, is_open = Fraction(0), Fraction(1), True
            for place, step, side in ((c0, c1 - c0, column), (r0, r1 - r0, row)):
                if step == 0:
                    if not side <= place <= side + 1:
                        high = Fraction(-1)
                    is_open &= side < place < side + 1
                    continue
                a, b = sorted((Fraction(side - place, step), Fraction(side + 1 - place, step)))
                low, high = max(low, a), min(high, b)
            number = row * grid.shape[1] + column
            if low <= high:
                touched.add(number)
            if low < high and is_open:
                inside.add(number)
    return inside, touched


def random_corners(rng: np.random.Generator) -> list[tuple[int, int]]:
    """Two different corners of cells within the grid, now and then on one row or column."""
    while True:
        ends = rng.integers(1, ROWS - 1, (2, 2))
        if rng.random() < 0.4:
            ends[1, rng.integers(2)] = ends[0, rng.integers(2)]
        if (ends[0] != ends[1]).any():
            return [(int(c), int(r)) for c, r in ends]


@pytest.mark.parametrize("side", SIDES)
def test_lines_between_corners_of_cells_are_never_lost(side):
    """Lines along borders and through corners own what they must, and nothing they do not meet."""
    grid, rng = grid_of(side), np.random.default_rng(int(side * 1e4))
    for _ in range(25):
        ends = random_corners(rng)
        cells = set(line_cells(line_between(side, *ends), grid).tolist())
        inside, touched = met_by(ends, grid)
        assert cells
        assert inside <= cells <= touched
        # either way along it, and typed in two pieces
        assert cells == set(line_cells(line_between(side, *ends[::-1]), grid).tolist())
        assert line_cells(shapely.MultiLineString([line_between(side, *ends)]), grid).size


@pytest.mark.parametrize("side", SIDES)
def test_walls_through_corners_hold_water(side):
    """No way of eight directions leads through the cells of a line from edge to edge."""
    grid, rng = grid_of(side), np.random.default_rng(int(side * 1e4) + 1)
    for _ in range(25):
        left, right, bend = (int(v) for v in rng.integers(2, ROWS - 2, 3))
        middle = int(rng.integers(2, COLUMNS - 2))
        drawn = line_between(side, (-1, left), (middle, bend), (COLUMNS + 1, right))
        # as one line, and as two that share a corner
        halves = [line_between(side, (-1, left), (middle, bend)),
                  line_between(side, (COLUMNS + 1, right), (middle, bend))]  # fmt: skip
        for lines in ([drawn], halves):
            open_ground = np.ones(grid.shape, dtype=bool)
            for line in lines:
                open_ground.ravel()[line_cells(line, grid)] = False
            sides, _ = label(open_ground, structure=np.ones((3, 3)))
            assert not set(sides[0][open_ground[0]]) & set(sides[-1][open_ground[-1]])


@pytest.mark.parametrize("side", SIDES)
def test_channels_between_corners_of_cells_are_never_lost(side):
    """On level ground and on a slope; along a border a channel is as long as it was drawn."""
    grid, rng = grid_of(side), np.random.default_rng(int(side * 1e4) + 2)
    for _ in range(25):
        ends = random_corners(rng)
        line = line_between(side, *ends)
        level = channel_cells(line, grid)
        sloping = channel_cells(line, grid, lambda row, column: np.array([0.6, -0.8]))
        assert level.size
        assert sloping.size
        assert set(level) | set(sloping) <= set(line_cells(line, grid).tolist())
        (c0, r0), (c1, r1) = ends
        if c0 == c1 or r0 == r1:
            assert level.size == max(abs(c1 - c0), abs(r1 - r0))


def test_a_channel_typed_in_whole_metres_on_level_ground():
    """Both ends lie on corners of cells of half a metre: four cells and one between."""
    grid = grid_of(0.5)
    line = shapely.LineString([(WEST + 2, NORTH - 5), (WEST + 4, NORTH - 4)])
    assert geometry_cells(line, grid, lambda row, column: None).size == 5


def test_a_channel_whose_vertices_repeat():
    """A point drawn twice has no direction and is passed over."""
    line = line_between(1.0, (2, 2.5), (2, 2.5), (6, 2.5), (6, 2.5))
    assert channel_cells(line, grid_of(1.0)).size == 4
    nowhere = line_between(1.0, (2.5, 2.5), (2.5, 2.5))
    assert channel_cells(nowhere, grid_of(1.0)).tolist() == [2 * COLUMNS + 2]


@pytest.mark.parametrize("side", SIDES)
def test_neighbours_share_out_the_centres_between_them(side):
    """Polygons that meet on a line through centres hold each centre exactly once."""
    grid, rng = grid_of(side), np.random.default_rng(int(side * 1e4) + 3)
    for _ in range(10):
        # all borders through centres, some aslant
        middle = [float(v) + 0.5 for v in rng.integers(4, 20, 2)]
        rim = [(-2.5, -2.5), (11.5, -2.5), (26.5, -2.5), (26.5, 12.5), (26.5, 26.5), (8.5, 26.5),
               (-2.5, 26.5), (-2.5, 10.5)]  # fmt: skip
        held = np.zeros(grid.shape, dtype=int)
        for first, second in zip(rim, rim[1:] + rim[:1], strict=True):
            ring = line_between(side, first, second, tuple(middle), first)
            held += polygon_cells(shapely.Polygon(ring), grid)
        assert (held == 1).all()


def test_polygons_hold_the_centres_that_another_library_finds_in_them():
    """Against shapely, where no centre lies on an edge; holes and several parts included."""
    grid, rng = grid_of(0.3, 60, 70), np.random.default_rng(7)
    x, y = grid.xy(*np.mgrid[:60, :70])
    for _ in range(20):
        discs = [shapely.Point(WEST + rng.uniform(-3, 24), NORTH - rng.uniform(-3, 20)).buffer(
            rng.uniform(0.1, 7)) for _ in range(4)]  # fmt: skip
        shape = shapely.union_all(discs[:3]).difference(discs[3])
        assert (polygon_cells(shape, grid) == shapely.contains_xy(shape, x, y)).all()


def test_what_reaches_far_beyond_the_grid():
    """A coast or a road that is drawn for hundreds of kilometres."""
    grid = grid_of(0.5)
    x, y = grid.xy(*np.mgrid[:ROWS, :COLUMNS])
    sea = shapely.Polygon([(-4e5, 4e6), (8e5, 4_647_600.3), (8e5, 9e6), (-4e5, 9e6)])
    assert (polygon_cells(sea, grid) == shapely.contains_xy(sea, x, y)).all()
    road = shapely.LineString([(WEST - 3e6, NORTH - 5.1), (WEST + 3e6, NORTH - 5.1)])
    assert line_cells(road, grid).tolist() == list(range(10 * COLUMNS, 11 * COLUMNS))


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
