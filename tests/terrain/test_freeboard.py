"""Freeboard of openings above ground and water."""

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain import known_surfaces as known
from lotflow.terrain.freeboard import DrawnOpening, opening_levels
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface


def levels(point, sill, *, rmse=0.1, artefact=""):
    surface = prepare_surface(known.spherical_bowl())
    spots = find_low_spots(route(surface, no_drains(surface)), 0.1)
    spots.artefact[0] = artefact
    return opening_levels(DrawnOpening("D", "door", point, sill), surface, spots, rmse_m=rmse)


def test_freeboard_is_measured_from_where_the_bowl_overflows():
    """The bowl of 0.5 m spills at 20.0."""
    middle = shapely.Point(13.125, 13.125)
    found = levels(middle, 20.3)
    assert found.low_spot == 1
    assert found.freeboard == pytest.approx(0.3, abs=1e-4)
    assert found.freeboard_low == pytest.approx(0.3 - 1.96 * 0.1, abs=1e-4)
    assert found.is_touched
    assert 0.75 < found.above_ground < 0.8


def test_far_from_water_there_is_no_freeboard_to_it():
    found = levels(shapely.Point(0.6, 0.6), 21.0)
    assert found.low_spot is None
    assert np.isnan(found.freeboard)
    assert found.above_ground == pytest.approx(21.0 - 20.09, abs=0.06)


def test_an_artefact_holds_no_water():
    assert levels(shapely.Point(13.125, 13.125), 20.3, artefact="at a gap").low_spot is None


def test_an_opening_off_the_data_has_no_ground():
    assert np.isnan(levels(shapely.Point(-50, 0), 20.3).above_ground)


def test_one_odd_cell_at_the_wall_is_not_the_ground():
    """Ground at 10 m, one cell 0.3 m from the opening 0.27 m higher, one of 25 beyond 1 m lower."""
    values = np.full((40, 40), 10.0)
    values[19, 20] = 10.27
    values[16, 20] = 9.4
    surface = prepare_surface(Grid(values, Affine(0.5, 0, 0, 0, -0.5, 20), None))
    spots = find_low_spots(route(surface, no_drains(surface)), 5.0)
    door = DrawnOpening("D", "door", shapely.Point(10.25, 10.0), 10.1)
    found = opening_levels(door, surface, spots, rmse_m=0.1)
    assert found.ground == 10.0
    assert found.spread == 0.0
    assert found.above_ground == pytest.approx(0.1)


def test_rough_ground_has_a_spread_and_a_coarse_grid_the_next_cells():
    """By hand: cells of 0.5 m with centres 0.5 to 1.5 m off, of ground rising 0.1 m per cell."""
    row = np.mgrid[:40, :40][0]
    surface = prepare_surface(Grid(10.0 + 0.1 * row, Affine(0.5, 0, 0, 0, -0.5, 20), None))
    spots = find_low_spots(route(surface, no_drains(surface)), 5.0)
    point = shapely.Point(10.25, 9.75)
    found = opening_levels(DrawnOpening("D", "door", point, 13.0), surface, spots, rmse_m=0.1)
    rings = [
        10.0 + 0.1 * (20 + up)
        for up in range(-3, 4)
        for side in range(-3, 4)
        if 1 <= np.hypot(up, side) <= 3
    ]
    low, middle, high = np.percentile(rings, (16, 50, 84))
    assert found.ground == pytest.approx(middle, abs=1e-4)
    assert found.spread == pytest.approx((high - low) / 2, abs=1e-4)
    coarse = prepare_surface(Grid(10.0 + 0.1 * row, Affine(2.0, 0, 0, 0, -2.0, 80), None))
    spots = find_low_spots(route(coarse, no_drains(coarse)), 5.0)
    point = shapely.Point(41.0, 39.0)
    found = opening_levels(DrawnOpening("D", "door", point, 13.0), coarse, spots, rmse_m=0.1)
    assert found.ground == pytest.approx(12.0, abs=1e-4)
