"""Ring round the house: slopes of planes, room that ends early, doubt that is told."""

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain import known_surfaces as known
from lotflow.terrain.house_ring import RingGround, RingLimits, house_facades, ring_cells
from lotflow.terrain.level_error import LevelError
from lotflow.terrain.surface import prepare_surface

LIMITS = RingLimits(0.05, 0.02)


def facades(grid, house, *, lot=None, others=(), paved=None, rmse=0.001):
    surface = prepare_surface(grid, buildings=[house, *others])
    west, south, east, north = grid.bounds
    ground = RingGround(
        surface,
        np.zeros(grid.shape, dtype=bool) if paved is None else paved,
        shapely.box(west, south, east, north) if lot is None else lot,
        shapely.union_all(list(others)),
        LevelError(rmse, 10.0, 0.1),
        LIMITS,
    )
    return {one.name: one for one in house_facades("House", house, ground)}


def plane(slope=0.08, cell=0.5):
    return known.tilted_plane(40, slope=slope, cell_m=cell)


@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0])
def test_slopes_before_a_house_on_a_plane_are_the_planes(cell):
    """8 % to the west: away from the west side, towards the east side, level along the others."""
    grid = known.tilted_plane(round(20 / cell), slope=0.08, cell_m=cell)
    found = facades(grid, shapely.box(8, 8, 13, 13))
    slopes = {name: one.slope for name, one in found.items()}
    assert slopes == {
        "House, west side": pytest.approx(0.08, abs=1e-9),
        "House, east side": pytest.approx(-0.08, abs=1e-9),
        "House, north side": pytest.approx(0, abs=1e-9),
        "House, south side": pytest.approx(0, abs=1e-9),
    }
    assert found["House, west side"].verdict == "no fault seen"
    assert found["House, east side"].verdict == "too flat"


@pytest.mark.parametrize("angle", [10, 25, 40])
def test_a_turned_house_sees_the_part_of_the_slope_across_its_walls(angle):
    """Cells in steps along a wall cost up to 0.7 %, far less than public data leave open."""
    house = shapely.affinity.rotate(shapely.box(8, 8, 13, 13), angle)
    slopes = sorted(one.slope for one in facades(plane(), house).values())
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    assert slopes == pytest.approx(sorted([0.08 * c, -0.08 * c, 0.08 * s, -0.08 * s]), abs=0.007)


def test_with_public_accuracy_a_plane_of_three_percent_is_no_finding():
    """Flagged only where the interval excludes the limit."""
    found = facades(plane(0.03), shapely.box(8, 8, 13, 13), rmse=0.10)
    assert found["House, west side"].verdict == "cannot tell"
    assert found["House, west side"].slope_high > 0.05


def test_paving_is_held_against_two_percent():
    grid = plane(0.03)
    found = facades(grid, shapely.box(8, 8, 13, 13), paved=np.ones(grid.shape, dtype=bool))
    assert found["House, west side"].slope_limit == 0.02
    assert found["House, west side"].verdict == "no fault seen"


@pytest.mark.parametrize("wall_y", [13.0, 12.9, 12.8])
def test_a_bank_behind_level_paving_is_not_of_the_paving(wall_y):
    """
    Level for 2.4 m out from the north wall at y = 13, paved so far, then 0.7 m up.

    What lies in the cells that the wall runs through is neither paving nor soil.
    """
    north = (20.0 - (np.arange(80) + 0.5) * 0.25)[:, None] + np.zeros((80, 80))
    grid = Grid(np.where(north > 15.4, 10.7, 10.0), Affine(0.25, 0, 0, 0, -0.25, 20.0), None)
    paved = (north > 13.0) & (north < 15.4)
    house = shapely.box(8, 8, 13, wall_y)
    found = facades(grid, house, paved=paved)["House, north side"]
    assert found.is_paved
    assert found.slope < -0.2
    assert found.paved_m == pytest.approx(15.4 - wall_y, abs=0.25)  # a cell


def test_a_neighbour_nearer_than_ten_feet_ends_the_reach():
    found = facades(plane(), shapely.box(8, 8, 13, 13), others=[shapely.box(4, 6, 6, 15)])
    assert found["House, west side"].reach_m == pytest.approx(2.0, abs=0.01)
    assert found["House, west side"].slope == pytest.approx(0.08, abs=1e-6)


def test_a_lot_line_at_the_wall_leaves_no_room():
    found = facades(plane(), shapely.box(8, 8, 13, 13), lot=shapely.box(7.5, 2, 18, 18))
    assert found["House, west side"].verdict == "too narrow to tell"
    assert np.isnan(found["House, west side"].slope)


def test_a_swale_within_ten_feet_takes_the_water():
    """The ground falls 8 % for 2 m to a swale and rises behind it: the fall to it counts."""
    x = (np.arange(80) + 0.5) * 0.25
    values = np.tile(10 + 0.08 * np.abs(x - 6.0), (80, 1))
    grid = Grid(values, Affine(0.25, 0, 0, 0, -0.25, 20.0), None)
    west = facades(grid, shapely.box(8, 8, 13, 13))["House, west side"]
    assert west.slope == pytest.approx(0.08, abs=0.01)
    assert west.run_m < 2.1


@pytest.mark.parametrize(("dip", "rise", "counts"), [(0.10, 0.2, True), (0.01, 0.2, False),
                                                     (0.01, 0.0, True)])  # fmt: skip
def test_a_dip_within_the_error_before_rising_ground_is_no_swale(dip, rise, counts):
    """With levels good to 10 cm a centimetre is none, unless the ground beyond lies no higher."""
    x = (np.arange(80) + 0.5) * 0.25
    out = 8.0 - x  # from the west wall
    values = np.interp(out, [0.0, 1.5, 3.0], [10.0, 10.0 - dip, 10.0 + rise])
    grid = Grid(np.tile(values, (80, 1)), Affine(0.25, 0, 0, 0, -0.25, 20.0), None)
    west = facades(grid, shapely.box(8, 8, 13, 13), rmse=0.10)["House, west side"]
    assert (west.slope > 0) is counts
    assert (west.run_m < 1.6) is counts


def test_the_worst_part_of_a_long_wall_counts():
    """One dip of 20 cm at the wall, 3 m long, before a wall of 12 m."""
    grid = known.tilted_plane(80, slope=0.06, cell_m=0.25)
    values = grid.values.copy()
    row, column = grid.row_column(np.array([6.0, 8.0]), np.array([8.0, 5.0]))
    values[row[0] : row[1], column[0] + 4 : column[1]] -= 0.2
    west = facades(grid.with_values(values), shapely.box(8, 4, 13, 16))["House, west side"]
    assert west.slope < 0.02
    assert 5 <= west.y <= 8


def test_corners_and_bays_are_no_facades_and_sides_are_numbered():
    house = shapely.box(8, 8, 13, 13).union(shapely.box(13, 8, 16, 10))
    found = facades(plane(), house)
    assert sorted(found) == [
        "House, east side 1", "House, east side 2", "House, north side 1", "House, north side 2",
        "House, south side", "House, west side",
    ]  # fmt: skip
    bay = shapely.box(8, 8, 13, 13).union(shapely.box(7.5, 10, 8, 11))
    assert all(one.length_m >= 1.5 for one in facades(plane(), bay).values())


def test_ground_without_data_before_a_wall_is_not_judged():
    grid = plane()
    values = grid.values.copy()
    values[:, :14] = np.nan
    west = facades(grid.with_values(values), shapely.box(8, 8, 13, 13))["House, west side"]
    assert west.verdict == "too narrow to tell"


def test_the_cells_before_a_wall_end_at_its_corners_and_at_other_buildings():
    """A house of 6 m x 4 m: 3 rows of cells fit in 10 ft; a shed stands 1 m east of it."""
    grid = known.tilted_plane(30, slope=0.01)
    house, shed = shapely.box(10, 10, 16, 14), shapely.box(17, 10, 18, 14)
    found = list(facades(grid, house, others=[shed]).values())
    lot = np.ones(grid.shape, dtype=bool)
    number = ring_cells(found, shapely.union_all([house, shed]), grid, lot)
    cells = {one.name: np.count_nonzero(number == i) for i, one in enumerate(found, 1)}
    assert cells == {
        "House, north side": 18, "House, south side": 18, "House, west side": 12,
        "House, east side": 4,
    }  # fmt: skip
    lot[:, 12:] = False
    cut = ring_cells(found, shapely.union_all([house, shed]), grid, lot)
    np.testing.assert_array_equal(cut, np.where(lot, number, 0))
