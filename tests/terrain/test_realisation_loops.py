"""The loops of a realisation, each against the main chain or against another way to do it."""

import numpy as np
import pytest

from lotflow.terrain import kernels
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.realisation_facets import facets_of_cell, steepest_facets
from lotflow.terrain.realisation_flood import flood, neighbour_offsets
from lotflow.terrain.realisation_level_ground import steps_over_level_ground
from lotflow.terrain.realisation_snapping import (
    hand_down,
    levels_of,
    raise_drawn,
    water_in_outlines,
)
from lotflow.terrain.realisation_ways import (
    LEAST_DEVIATION,
    Ways,
    find_choices,
    find_directions,
    upstream_choices,
)


def ground_and_drains(seed, size=50, levels=1000):
    """Random levels, some of them equal, and scattered drains."""
    random = np.random.default_rng(seed)
    ground = random.integers(0, levels, (size, size + 7)).astype(np.int32)
    drain = random.random(ground.shape) < 0.01
    drain[[0, -1]] = drain[:, [0, -1]] = True
    return ground, drain


@pytest.mark.parametrize("levels", [2, 7, 1000, 2_000_000_000])
def test_the_flood_is_that_of_the_main_chain(levels):
    """Also where all cells fall into few bins, or into bins far apart."""
    for seed in range(4):
        ground, drain = ground_and_drains(seed, levels=levels)
        level = flood(ground.ravel(), drain.ravel(), ground.shape[1]).reshape(ground.shape)
        expected, _ = kernels.priority_flood(ground.astype(float), drain)
        assert np.array_equal(level, expected)


@pytest.mark.parametrize("levels", [3, 40, 100_000])
def test_steps_over_level_ground_are_those_of_the_main_chain(levels):
    for seed in range(4):
        ground, drain = ground_and_drains(seed, levels=levels)
        columns = ground.shape[1]
        level = flood(ground.ravel(), drain.ravel(), columns)
        facets, _ = steepest_facets(level, drain.ravel(), columns)
        steps = steps_over_level_ground(level, drain.ravel(), facets, neighbour_offsets(columns))
        expected = kernels.flat_distance(level.reshape(ground.shape).astype(float), drain)
        assert np.array_equal(steps.reshape(ground.shape), expected)


@pytest.mark.parametrize("levels", [3, 40, 100_000])
def test_facets_row_by_row_are_those_cell_by_cell(levels):
    ground, drain = ground_and_drains(1, levels=levels)
    columns = ground.shape[1]
    level = flood(ground.ravel(), drain.ravel(), columns)
    facets, lower = steepest_facets(level, drain.ravel(), columns)
    offset = neighbour_offsets(columns)
    for cell in np.flatnonzero(~drain):
        assert (facets[cell], lower[cell]) == facets_of_cell(level, cell, offset)
    assert not facets[drain.ravel()].any()
    assert not lower[drain.ravel()].any()


def ways_of(level, drain, columns, rule=LEAST_DEVIATION):
    """Ways of a filled surface, with the choices of all cells."""
    facets, lower = steepest_facets(level, drain, columns)
    steps = steps_over_level_ground(level, drain, facets, neighbour_offsets(columns))
    ways = Ways(level, facets, lower, steps, np.zeros(level.size, dtype=np.uint8))
    find_choices(ways, np.arange(level.size, dtype=np.int32), columns, rule)
    return ways


@pytest.mark.parametrize("levels", [3, 40, 100_000])
def test_directions_are_those_of_the_main_chain_and_every_cell_may_take_its_own(levels):
    for seed in range(4):
        ground, drain = ground_and_drains(seed, levels=levels)
        columns = ground.shape[1]
        level = flood(ground.ravel(), drain.ravel(), columns)
        ways = ways_of(level, drain.ravel(), columns)
        direction, order = find_directions(ways, ways.choices, columns, LEAST_DEVIATION)
        filled = level.reshape(ground.shape).astype(float)
        steps = kernels.flat_distance(filled, drain)
        expected = kernels.least_deviation_directions(
            filled, drain, steps, kernels.rising_order(filled, steps)
        )
        assert np.array_equal(direction.reshape(ground.shape), expected)
        inner = direction > 0
        assert ((ways.choices[inner] >> (direction[inner] - 1)) & 1 == 1).all()
        assert np.array_equal(np.sort(order), np.flatnonzero(inner))
        place = np.empty(direction.size, dtype=int)
        place[order] = np.arange(order.size)
        below = order + neighbour_offsets(columns)[direction[order]].astype(np.int64)
        goes_on = direction[below] > 0
        assert (place[below][goes_on] > place[order][goes_on]).all()


def test_what_flows_through_a_few_cells_needs_only_what_may_drain_to_them():
    """The directions upstream of a cell, and the rain through it, are those of the whole grid."""
    ground, drain = ground_and_drains(5, levels=100)
    columns = ground.shape[1]
    ways = ways_of(flood(ground.ravel(), drain.ravel(), columns), drain.ravel(), columns)
    direction, order = find_directions(ways, ways.choices, columns, LEAST_DEVIATION)
    rain = np.ones(direction.size, dtype=np.int32)
    hand_down(rain, direction, order, columns)
    asked = np.argsort(np.where(direction > 0, rain, 0))[[-1, -40, -400]].astype(np.int32)
    kept = upstream_choices(ways.choices, asked, neighbour_offsets(columns))
    assert 0 < np.count_nonzero(kept) < np.count_nonzero(ways.choices)
    own_direction, own_order = find_directions(ways, kept, columns, LEAST_DEVIATION)
    own_rain = np.ones(direction.size, dtype=np.int32)
    hand_down(own_rain, own_direction, own_order, columns)
    assert own_rain[asked].tolist() == rain[asked].tolist()
    assert np.array_equal(own_direction[kept > 0], direction[kept > 0])


def test_levels_are_whole_steps_above_the_lowest_cell():
    elevation = np.array([31.42, 31.42 + 3 * LEVEL_STEP, 29.0, -2.5, 8000.0])
    level, base = levels_of(elevation, LEVEL_STEP)
    assert level.min() == 0
    assert level[1] - level[0] == 3
    assert (level.astype(float) + base) * LEVEL_STEP == pytest.approx(elevation, abs=LEVEL_STEP)


def test_a_footprint_is_raised_above_its_highest_ground_and_a_wall_by_its_height():
    elevation = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    building = np.array([1, 1, 0, 2, 0], dtype=np.int32)
    raise_drawn(elevation, building, 3.0, np.array([2]), np.array([0.5]))
    assert elevation.tolist() == [5.0, 5.0, 3.5, 7.0, 5.0]


def test_water_is_measured_within_outlines_only():
    ground = np.array([0, 5, 9, 4, 0], dtype=np.int32)
    level = np.array([9, 9, 9, 9, 0], dtype=np.int32)
    number = np.array([0, 1, 1, 2, 2], dtype=np.int32)
    depth, volume = water_in_outlines(ground, level, number, 3)
    assert depth.tolist() == [4, 5, 0]
    assert volume.tolist() == [4, 5, 0]
