"""The compiled loops, each against plain Python or another way to do it."""

import heapq
import math

import numpy as np
import pytest

from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.loops.directions import (
    LEAST_DEVIATION,
    LOWEST,
    STEEPEST,
    find_directions,
    find_ways,
    upstream_choices,
)
from lotflow.terrain.loops.facets import facets_of_cell, steepest_facets, steps_over_level_ground
from lotflow.terrain.loops.flood import flood, neighbour_offsets
from lotflow.terrain.loops.ways import (
    hand_down,
    hand_up,
    levels_of,
    raise_drawn,
    water_in_outlines,
)

#: Rows and columns to the neighbours W NW N NE E SE S SW.
AROUND = [(0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1)]
#: Straight and diagonal neighbour of each facet, and the sense of turning from one to the other.
FACETS = [
    (5, 4, 1),
    (3, 4, -1),
    (3, 2, 1),
    (1, 2, -1),
    (1, 8, 1),
    (7, 8, -1),
    (7, 6, 1),
    (5, 6, -1),
]
TIES = [3, 1, 5, 7, 2, 4, 8, 6]


def ground_and_drains(seed, size=50, levels=1000):
    """Random levels, some of them equal, and scattered drains."""
    random = np.random.default_rng(seed)
    ground = random.integers(0, levels, (size, size + 7)).astype(np.int32)
    drain = random.random(ground.shape) < 0.01
    drain[[0, -1]] = drain[:, [0, -1]] = True
    return ground, drain


def slow_flood(ground, drain):
    """Levels of the filled surface by one heap."""
    level, done = ground.astype(object), drain.copy()
    heap = [(ground[at], at) for at in zip(*np.nonzero(drain), strict=True)]
    heapq.heapify(heap)
    while heap:
        here, (row, column) = heapq.heappop(heap)
        for dr, dc in AROUND:
            at = row + dr, column + dc
            if 0 <= at[0] < ground.shape[0] and 0 <= at[1] < ground.shape[1] and not done[at]:
                done[at], level[at] = True, max(ground[at], here)
                heapq.heappush(heap, (level[at], at))
    return level.astype(np.int32)


def slow_steps(level, drain):
    """Steps over level ground, round by round."""
    around = np.array([np.roll(level, (-dr, -dc), (0, 1)) for dr, dc in AROUND])
    steps = np.where(drain | (around < level).any(axis=0), 0, -1)
    for number in range(1, level.size):
        out = np.array([np.roll(steps, (-dr, -dc), (0, 1)) for dr, dc in AROUND]) == number - 1
        found = (steps < 0) & (out & (around == level)).any(axis=0)
        if not found.any():
            return steps
        steps[found] = number
    return steps


def slow_directions(level, drain, steps, rule):
    """Directions by each rule, cell by cell from high to low, in whole numbers and fractions."""
    direction = np.zeros(level.shape, dtype=int)
    flow, deviation, largest = {}, {}, {}
    order = np.lexsort((np.arange(level.size), steps.ravel(), level.ravel()))[::-1]
    for at in (divmod(int(cell), level.shape[1]) for cell in order):
        if drain[at]:
            continue
        fall = [0] + [int(level[at]) - int(level[at[0] + dr, at[1] + dc]) for dr, dc in AROUND]
        on = [0] + [steps[at[0] + dr, at[1] + dc] for dr, dc in AROUND]
        handed_on = 0.0
        if steps[at]:
            chosen = next(k for k in TIES if fall[k] == 0 and on[k] == steps[at] - 1)
        elif rule == STEEPEST:  # twice the square of the slope, which is whole
            chosen = max(TIES, key=lambda k: max(fall[k], 0) ** 2 * (2 if k % 2 else 1))
        elif rule == LOWEST:
            chosen = max(range(1, 9), key=lambda k: fall[k])
        else:
            chosen, handed_on = slow_facet(fall, deviation.get(at, 0.0))
        direction[at] = chosen
        below = at[0] + AROUND[chosen - 1][0], at[1] + AROUND[chosen - 1][1]
        share = flow.get(at, 0) + 1
        flow[below] = flow.get(below, 0) + share
        share = math.inf if steps[at] else share
        if share > largest.get(below, 0):
            deviation[below], largest[below] = handed_on, share
    return direction


def slow_facet(fall, deviation):
    """Direction by least transversal deviation, and the deviation handed on."""
    steepest, least, found = 0, math.inf, None
    for straight, diagonal, sense in FACETS:
        along, down = fall[straight], fall[diagonal]
        across = down - along
        if across <= 0:
            slope, sine, cosine = 2 * max(along, 0) ** 2, 0.0, 1.0
        elif across >= along:
            slope, sine, cosine = max(down, 0) ** 2, math.sqrt(0.5), math.sqrt(0.5)
        else:
            slope = 2 * (along**2 + across**2)
            sine, cosine = across / math.sqrt(slope / 2), along / math.sqrt(slope / 2)
        by = deviation - sense * sine, deviation + sense * (cosine - sine)
        left = min(abs(by[0]), abs(by[1]))
        if slope > steepest or (slope == steepest > 0 and left < least):
            steepest, least, found = slope, left, (straight, diagonal, *by)
    straight, diagonal, first, second = found
    if fall[straight] > 0 and (fall[diagonal] <= 0 or abs(first) <= abs(second)):
        return straight, first
    return diagonal, second


@pytest.mark.parametrize("levels", [2, 7, 1000, 2_000_000_000])
def test_the_flood_is_that_by_one_heap(levels):
    """Also where all cells fall into few bins, or into bins far apart."""
    for seed in range(4):
        ground, drain = ground_and_drains(seed, levels=levels)
        level = flood(ground.ravel(), drain.ravel(), ground.shape[1]).reshape(ground.shape)
        assert np.array_equal(level, slow_flood(ground, drain))


@pytest.mark.parametrize("levels", [3, 40, 100_000])
def test_steps_over_level_ground_are_those_found_round_by_round(levels):
    for seed in range(4):
        ground, drain = ground_and_drains(seed, levels=levels)
        columns = ground.shape[1]
        level = flood(ground.ravel(), drain.ravel(), columns)
        facets, _ = steepest_facets(level, drain.ravel(), columns)
        steps = steps_over_level_ground(level, drain.ravel(), facets, neighbour_offsets(columns))
        expected = slow_steps(level.reshape(ground.shape), drain)
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


@pytest.mark.parametrize("rule", [LEAST_DEVIATION, STEEPEST, LOWEST])
@pytest.mark.parametrize("levels", [3, 40, 100_000])
def test_directions_are_those_by_plain_python_and_every_cell_may_take_its_own(levels, rule):
    for seed in range(4):
        ground, drain = ground_and_drains(seed, levels=levels)
        columns = ground.shape[1]
        level = flood(ground.ravel(), drain.ravel(), columns)
        ways = find_ways(level, drain.ravel(), columns, rule)
        direction, order = find_directions(ways, ways.choices, columns, rule)
        shape = ground.shape
        expected = slow_directions(level.reshape(shape), drain, ways.steps.reshape(shape), rule)
        assert np.array_equal(direction.reshape(shape), expected)
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
    level = flood(ground.ravel(), drain.ravel(), columns)
    ways = find_ways(level, drain.ravel(), columns, LEAST_DEVIATION)
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


def test_labels_are_handed_up_in_either_form_of_an_order():
    """Upstream first without drains, as directions are found; and all cells, as they rise."""
    ground, drain = ground_and_drains(2)
    columns = ground.shape[1]
    level = flood(ground.ravel(), drain.ravel(), columns)
    ways = find_ways(level, drain.ravel(), columns, LEAST_DEVIATION)
    direction, order = find_directions(ways, ways.choices, columns, LEAST_DEVIATION)
    found = []
    falling = np.lexsort((np.arange(level.size), ways.steps, level))[::-1]
    for upstream_first in (order, falling):
        label = np.where(drain.ravel(), np.arange(1, level.size + 1), 0).astype(np.int32)
        hand_up(label, direction, upstream_first, columns)
        found.append(label)
    assert found[0].all()
    assert np.array_equal(*found)
