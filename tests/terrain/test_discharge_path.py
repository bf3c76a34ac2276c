"""The way of water let out on the ground."""

import numpy as np
import pytest
import shapely

from lotflow.terrain import known_surfaces as known
from lotflow.terrain.discharge_path import (
    discharge_path,
    leaves_where_allowed,
    reaches_street,
    runs_back_to,
)
from lotflow.terrain.inlet_places import DrawnInlet, drains_of, place_inlets
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface


def routed(grid, *inlets, buildings=()):
    surface = prepare_surface(grid, buildings=buildings)
    natural = route(surface, no_drains(surface))
    drains, _ = drains_of(place_inlets(inlets, surface), surface, ())
    return route(surface, drains) if inlets else natural, find_low_spots(natural, 0.1)


def lot_of(grid, low, high):
    x, _ = grid.xy(*np.mgrid[: grid.shape[0], : grid.shape[1]])
    return (x > low) & (x < high)


def test_water_on_a_plane_leaves_where_the_lot_ends_below_it():
    grid = known.tilted_plane(60)
    routing, spots = routed(grid)
    path = discharge_path(routing, spots, lot_of(grid, 10, 50), (30.5, 30.5))
    assert path.leaves_at == (9.5, 30.5)
    assert (path.inlet, path.low_spot) == (0, 0)
    assert path.line.length == pytest.approx(30)


def test_water_may_leave_at_a_stretch_of_the_lot_line_that_is_allowed_and_nowhere_else():
    grid = known.tilted_plane(60)
    routing, spots = routed(grid)
    path = discharge_path(routing, spots, lot_of(grid, 10, 50), (30.5, 30.5))
    here, beside = (shapely.LineString([(10, y), (10, y + 6)]) for y in (27, 36))
    assert leaves_where_allowed(path, [beside, here], 1.0)
    assert not leaves_where_allowed(path, [beside], 1.0)
    assert leaves_where_allowed(path, [beside], 0.3048)  # 5.5 ft are less than 2 m
    assert not leaves_where_allowed(path, [], 1.0)


def test_an_inlet_on_the_way_takes_it():
    grid = known.tilted_plane(60)
    routing, spots = routed(grid, DrawnInlet("A", shapely.Point(15.5, 30.5)))
    path = discharge_path(routing, spots, lot_of(grid, 10, 50), (30.5, 30.5))
    assert path.inlet == 1
    assert path.leaves_at is None


def test_a_low_spot_on_the_way_is_told_and_an_artefact_is_not():
    grid = known.spherical_bowl()
    routing, spots = routed(grid)
    lot = np.ones(grid.shape, dtype=bool)
    assert discharge_path(routing, spots, lot, (13.1, 22.0)).low_spot == 1
    spots.artefact[0] = "at a gap"
    assert discharge_path(routing, spots, lot, (13.1, 22.0)).low_spot == 0


def test_a_place_under_a_roof_starts_at_its_eaves_and_one_off_the_grid_nowhere():
    grid = known.tilted_plane(60)
    routing, spots = routed(grid, buildings=[shapely.box(20, 20, 30, 40)])
    lot = lot_of(grid, 10, 50)
    path = discharge_path(routing, spots, lot, (20.6, 30.5))
    assert path.line.coords[0][0] < 20
    assert discharge_path(routing, spots, lot, (-5, 30)) is None


def test_water_that_comes_back_to_a_wall_is_told_only_if_it_began_clear_of_it():
    grid = known.tilted_plane(60)
    routing, spots = routed(grid)
    lot = lot_of(grid, 10, 50)
    path = discharge_path(routing, spots, lot, (40.5, 30.5))
    assert runs_back_to(path, shapely.box(20, 31, 25, 35), 1.0) == pytest.approx(0.5)
    assert np.isnan(runs_back_to(path, shapely.box(39, 31, 41, 35), 1.0))
    assert np.isnan(runs_back_to(path, None, 1.0))


def test_a_street_is_reached_within_a_verge_and_no_farther():
    grid = known.tilted_plane(60)
    routing, spots = routed(grid)
    path = discharge_path(routing, spots, lot_of(grid, 20, 50), (30.5, 30.5))
    assert reaches_street(path, [shapely.box(5, 0, 14, 60)], 1.0)
    assert not reaches_street(path, [shapely.box(1, 0, 8, 60)], 1.0)
