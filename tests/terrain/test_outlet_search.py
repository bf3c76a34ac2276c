"""Outlets that gravity can reach, and the way of the trench to them."""

from __future__ import annotations

import math

import networkx as nx
import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.grid import Grid
from lotflow.terrain import known_surfaces as known
from lotflow.terrain.level_error import LevelError
from lotflow.terrain.lower_places import LowerPlace, edge_places, front_places
from lotflow.terrain.outlet_search import (
    LeadFrom,
    Obstacles,
    PipeRule,
    SearchGround,
    outlet_options,
    way_round,
)
from lotflow.terrain.surface import prepare_surface

RULE = PipeRule(cover_m=0.3, diameter_m=0.1, least_fall=0.01)


def ground_of(grid, lot, *, buildings=(), rmse=0.0):
    surface = prepare_surface(grid, buildings=buildings)
    return SearchGround(surface, lot, list(buildings), LevelError(rmse, 10.0, 0.1))


def test_falls_on_a_plane_are_those_of_the_plane():
    """5 % over 30 m: 1.5 m from ground to ground, 0.4 m for cover and pipe, 0.3 m for 1 %."""
    ground = ground_of(known.tilted_plane(60, slope=0.05), shapely.box(5, 5, 55, 55))
    start = LeadFrom("inlet", "A", 40.5, 30.5, 10 + 0.05 * 40.5)
    place = LowerPlace("curb", "street", 10.5, 30.5, 10 + 0.05 * 10.5)
    (option,) = outlet_options(start, [place], RULE, ground)
    assert option.run_m == pytest.approx(30)
    assert option.surface_fall_m == pytest.approx(1.5)
    assert option.fall_m == pytest.approx(1.1)
    assert option.left_m == pytest.approx(0.8)
    assert option.verdict == "reachable"
    # deepest at its upper end: the pipe falls less steeply than the ground
    assert option.deepest_m == pytest.approx(0.4, abs=0.05)
    assert option.off_lot_m == 0


def test_the_lowest_side_of_the_lot_is_found_and_the_others_are_not_reachable():
    lot = shapely.box(5, 5, 55, 55)
    ground = ground_of(known.tilted_plane(60, slope=0.05), lot)
    places = edge_places(ground.surface, lot)
    start = LeadFrom("low spot", "low spot 1", 30.5, 30.5, 10 + 0.05 * 30.5)
    options = outlet_options(start, places, RULE, ground)
    assert "west" in options[0].place.name
    assert options[0].verdict == "reachable"
    assert all(one.verdict == "not reachable" for one in options if "east" in one.place.name)


def test_a_bowl_has_no_outlet():
    """The rim is half a metre above its bed: with 0.4 m for the pipe every way lacks fall."""
    grid = known.spherical_bowl()
    size = grid.shape[0] * grid.cell_m
    lot = shapely.box(1, 1, size - 1, size - 1)
    ground = ground_of(grid, lot)
    start = LeadFrom("low spot", "low spot 1", size / 2, size / 2, 19.5)
    options = outlet_options(start, edge_places(ground.surface, lot), RULE, ground)
    assert options
    assert all(one.verdict == "not reachable" for one in options)


@pytest.mark.parametrize(("rmse", "verdict"), [(0.0, "reachable"), (0.1, "cannot tell")])
def test_the_accuracy_decides_whether_it_can_be_told(rmse, verdict):
    ground = ground_of(known.tilted_plane(60, slope=0.02), shapely.box(5, 5, 55, 55), rmse=rmse)
    start = LeadFrom("inlet", "A", 50.5, 30.5, 11.01)
    place = LowerPlace("curb", "street", 8.5, 30.5, 10.17)
    (option,) = outlet_options(start, [place], RULE, ground)
    assert option.left_m == pytest.approx(0.02)
    assert option.verdict == verdict


def test_levels_taken_on_site_leave_no_doubt():
    ground = ground_of(known.tilted_plane(60, slope=0.02), shapely.box(5, 5, 55, 55), rmse=0.1)
    start = LeadFrom("inlet", "A", 50.5, 30.5, 11.01, surveyed=True)
    place = LowerPlace("curb", "street", 8.5, 30.5, 10.17, surveyed=True)
    (option,) = outlet_options(start, [place], RULE, ground)
    assert (option.left_low_m, option.left_high_m) == (option.left_m, option.left_m)


def test_a_building_in_the_way_makes_the_run_longer_and_the_rest_smaller():
    house = shapely.box(20, 20, 30, 40)
    lot = shapely.box(5, 5, 55, 55)
    start = LeadFrom("inlet", "A", 40.5, 30.5, 12.0)
    place = LowerPlace("curb", "street", 10.5, 30.5, 10.0)
    grid = known.tilted_plane(60, slope=0.05)
    (free,) = outlet_options(start, [place], RULE, ground_of(grid, lot))
    (round_it,) = outlet_options(start, [place], RULE, ground_of(grid, lot, buildings=[house]))
    assert round_it.run_m > free.run_m
    assert not round_it.way.intersects(house)
    assert free.left_m - round_it.left_m == pytest.approx(0.01 * (round_it.run_m - free.run_m))


def test_drawn_outlets_stand_before_the_street_and_the_street_before_the_lot_edge():
    ground = ground_of(known.tilted_plane(60, slope=0.05), shapely.box(5, 5, 55, 55))
    start = LeadFrom("inlet", "A", 40.5, 30.5, 13.0)
    places = [
        LowerPlace("lot edge", "west side", 35.5, 30.5, 10.0),
        LowerPlace("street", "Elm", 20.5, 30.5, 10.0),
        LowerPlace("curb", "C1", 10.5, 30.5, 10.0),
        LowerPlace("lot edge", "south side", 36.5, 30.5, 10.0),
    ]
    found = outlet_options(start, places, RULE, ground)
    assert [one.place.kind for one in found] == ["curb", "street", "lot edge"]
    assert [one.place.name for one in found][-1] == "south side"  # the shorter way


def test_the_street_side_that_faces_the_lot_counts_and_the_gutter_is_its_lowest_cell():
    """A street 6 m wide south of the lot, a gutter one cell deep along its near side."""
    values = np.full((40, 40), 10.0)
    values[31, :] = 9.8
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, 40.0), None)
    surface = prepare_surface(grid)
    lot = shapely.box(10, 12, 30, 30)
    places = front_places("street", "Elm", shapely.box(0, 3, 40, 9), surface, lot)
    assert places
    assert all(place.level == 9.8 for place in places)
    assert all(place.y == 9 for place in places)
    assert front_places("street", "far", shapely.box(0, -60, 40, -50), surface, lot) == []


def test_feet_and_metres_give_the_same_options():
    unit = 1200 / 3937
    metric = known.tilted_plane(60, slope=0.05)
    feet = Grid(
        metric.values, Affine(1 / unit, 0, 0, 0, -1 / unit, 60 / unit), None, metres_per_unit=unit
    )
    found = []
    for grid, scale in ((metric, 1.0), (feet, 1 / unit)):
        lot = shapely.box(5 * scale, 5 * scale, 55 * scale, 55 * scale)
        ground = ground_of(
            grid, lot, buildings=[shapely.box(*(np.array([20, 20, 30, 40]) * scale))]
        )
        start = LeadFrom("inlet", "A", 40.5 * scale, 30.5 * scale, 12.0)
        options = outlet_options(start, edge_places(ground.surface, lot), RULE, ground)
        found.append([(one.place.name, one.verdict, one.run_m, one.left_m) for one in options])
    for first, second in zip(*found, strict=True):
        assert first[:2] == second[:2]
        assert first[2:] == pytest.approx(second[2:], abs=1e-6)


def test_water_lies_at_the_middle_level_of_its_own_cells():
    """A ditch at 9.0 with one odd cell in it, and banks of 9.6 that reach into its outline."""
    values = np.full((40, 40), 10.0)
    values[28:36, :] = 9.0
    values[28, :] = values[35, :] = 9.6
    values[29, 20] = 8.2
    surface = prepare_surface(Grid(values, Affine(1.0, 0, 0, 0, -1.0, 40.0), None))
    places = front_places("water", "Ditch", shapely.box(0, 4, 40, 12), surface,
                          shapely.box(10, 14, 30, 30))  # fmt: skip
    assert places
    assert {place.level for place in places} == {9.0}


BOXES = st.lists(
    st.tuples(st.integers(2, 16), st.integers(-6, 5), st.integers(1, 4), st.integers(1, 6)),
    min_size=0, max_size=4,
)  # fmt: skip


def houses(sizes):
    return [shapely.box(x, y, x + w, y + h) for x, y, w, h in sizes]


def test_nothing_in_the_way_is_the_straight_line():
    assert way_round((0, 0), (3, 4), Obstacles([shapely.box(5, 5, 6, 6)]), clearance=1).length == 5


def test_start_within_the_clearance_of_a_wall_still_gets_out():
    """A low spot against a wall: the way leaves along it."""
    way = way_round((5, 3.01), (5, -10), Obstacles([shapely.box(0, -3, 10, 3)]), clearance=1)
    assert way.length > 13
    assert way.distance(shapely.box(0, -3, 10, 3)) < 0.02


def test_a_court_closed_all_round_has_no_way_out():
    walls = [
        shapely.Polygon(shapely.box(0, 0, 10, 10).exterior, [shapely.box(2, 2, 8, 8).exterior])
    ]
    assert way_round((5, 5), (20, 5), Obstacles(walls), clearance=0.5) is None


@settings(max_examples=40, deadline=None)
@given(BOXES)
def test_a_way_crosses_no_building_and_is_hardly_longer_than_the_shortest_of_the_graph(sizes):
    """networkx on the same corners: clear lines between them, shortest path by length."""
    obstacles = houses(sizes)
    way = way_round((0.0, 0.1), (22.0, 0.1), Obstacles(obstacles), clearance=1.0)
    solid = shapely.union_all(obstacles).buffer(-1e-6)
    nodes = [(0.0, 0.1), (22.0, 0.1)]
    for one in obstacles:
        corners = shapely.get_coordinates(one.buffer(1.0, join_style="mitre"))[:-1]
        nodes += [tuple(c) for c in corners if not shapely.union_all(obstacles).contains(
            shapely.Point(c))]  # fmt: skip
    graph = nx.Graph()
    graph.add_nodes_from(range(len(nodes)))
    for i in range(len(nodes)):
        for k in range(i):
            if not shapely.LineString([nodes[i], nodes[k]]).intersects(solid):
                graph.add_edge(i, k, weight=math.dist(nodes[i], nodes[k]))
    if way is None:
        assert not nx.has_path(graph, 0, 1)
        return
    assert not way.intersects(solid)
    assert way.length >= 22 - 1e-9
    shortest = nx.dijkstra_path_length(graph, 0, 1)
    assert shortest - 1e-6 <= way.length <= 1.06 * shortest
    assert np.allclose(shapely.get_coordinates(way)[[0, -1]], [(0.0, 0.1), (22.0, 0.1)])


def test_between_two_houses_with_a_common_wall_there_is_no_way():
    row = Obstacles([shapely.box(0, 0, 5, 10), shapely.box(5, 0, 10, 10)])
    way = way_round((5.0, -2.0), (5.0, 12.0), row, clearance=1.0)
    assert way.length > 20
    assert way.distance(shapely.Point(5, 5)) > 5


def test_of_many_houses_only_those_in_the_way_are_gone_round():
    """Sixteen hundred corners in all: more than a search over all of them would try."""
    rows = [shapely.box(x, y, x + 6, y + 6) for x in range(0, 200, 10) for y in range(0, 200, 10)]
    way = way_round((-5.0, 53.0), (30.0, 53.0), Obstacles(rows), clearance=1.0)
    assert not way.intersects(shapely.union_all(rows).buffer(-1e-6))
    assert 35.0 < way.length < 40.0
