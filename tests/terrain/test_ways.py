"""Ways round buildings: shortest, and never through one."""

import math

import networkx as nx
import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.terrain.ways import Obstacles, way_round

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
