"""Ways of the water: their lengths, their ground, through culverts and low spots too."""

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.grid import Grid
from lotflow.terrain import known_surfaces as known
from lotflow.terrain.flow_paths import courses_to, is_unbroken, path_distance_m
from lotflow.terrain.routing import Culvert, Drains, no_drains, route
from lotflow.terrain.surface import prepare_surface


def routed(grid, *cells, culverts=()):
    """Route a surface with one-cell inlets, numbered from 1."""
    surface = prepare_surface(grid)
    inlet = np.zeros(grid.shape, dtype=np.int32)
    for number, cell in enumerate(cells, 1):
        inlet.ravel()[cell] = number
    return route(surface, Drains(inlet, {}, culverts, len(cells)))


def rough(seed, size=30):
    random = np.random.default_rng(seed)
    values = 10 + random.random((size, size)) + 0.02 * np.arange(size)[::-1, None]
    return Grid(values, Affine(0.5, 0, 0, 0, -0.5, 15), None)


def test_lengths_along_a_plane_are_those_of_the_column():
    """On a plane that falls south the way to an inlet is straight down its column."""
    routing = routed(known.tilted_plane(20, slope=0.02, off_west=90.0), 15 * 20 + 7)
    courses = courses_to(routing, routing.drains.inlet)
    length = courses.length_m()
    assert (courses.label[1:16, 7] == 1).all()
    assert length[1:16, 7].tolist() == [float(15 - row) for row in range(1, 16)]
    assert courses.way(5 * 20 + 7, 1).tolist() == [row * 20 + 7 for row in range(5, 16)]


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.integers(31, 868))
def test_lengths_agree_with_the_ways_followed_one_by_one(seed, cell):
    """The sum in one pass equals the length of each way; labels are those of the routing."""
    routing = routed(rough(seed), cell)
    courses = courses_to(routing, routing.drains.inlet)
    assert (courses.label == routing.label).all()
    length = courses.length_m().ravel()
    for start in np.flatnonzero(courses.label.ravel() == 1)[::7]:
        way = courses.way(int(start), 1)
        assert way[-1] == cell
        assert path_distance_m(way, 30, 0.5)[-1] == pytest.approx(length[start], abs=1e-9)


def test_a_way_through_a_culvert_goes_on_at_its_lower_end():
    """Label, length and way lead from the upper end straight to the lower one."""
    culvert = Culvert("pipe", 5 * 20 + 3, 6 * 20 + 12)
    routing = routed(known.tilted_plane(20, slope=0.02, off_west=90.0), 15 * 20 + 12,
                     culverts=(culvert,))  # fmt: skip
    courses = courses_to(routing, routing.drains.inlet)
    assert (courses.label == routing.label).all()
    way = courses.way(2 * 20 + 3, 1)
    assert way.tolist() == [43, 63, 83, 103, *(row * 20 + 12 for row in range(6, 16))]
    assert courses.length_m().ravel()[43] == pytest.approx(3 + np.hypot(1, 9) + 9)


def test_ways_go_through_other_targets_to_the_one_asked_for():
    """A way may pass an upper target; the label is the first one met."""
    routing = routed(known.tilted_plane(20, slope=0.02, off_west=90.0))
    target = np.zeros((20, 20), dtype=np.int32)
    target[8, 7], target[15, 7] = 1, 2
    courses = courses_to(routing, target)
    assert courses.label[3, 7] == 1
    assert courses.label[12, 7] == 2
    assert courses.way(3 * 20 + 7, 2).size == 13


def test_broken_ground_cuts_off_all_that_lies_above_it():
    """One cell of lawn in a paved way, the target apart, and nothing above is connected."""
    routing = routed(known.tilted_plane(20, slope=0.02, off_west=90.0), 15 * 20 + 7)
    courses = courses_to(routing, routing.drains.inlet)
    paved = np.ones((20, 20), dtype=bool)
    paved[15, 7] = False  # the grate itself
    assert is_unbroken(courses, paved)[1:16, 7].all()
    paved[9, 7] = False
    direct = is_unbroken(courses, paved)[:, 7]
    assert direct[10:16].all()
    assert not direct[:10].any()


def test_without_targets_there_is_nothing_to_reach():
    routing = route(prepare_surface(known.tilted_plane(10)), no_drains(
        prepare_surface(known.tilted_plane(10))))  # fmt: skip
    courses = courses_to(routing, routing.drains.inlet)
    assert courses.count == 0
    assert not courses.label.any()
