"""Lines that fall, against every way on tiny grids and against scikit-image's least-cost path."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy import ndimage
from skimage.graph import MCP_Geometric

from lotflow.proposing.lines import (
    FITTINGS,
    GIVES_WAY,
    LEAST_LEG_M,
    SQUARE,
    Goal,
    LineRule,
    Trenching,
    best_line,
    cheapest_way,
    graded,
    laid,
)

RULE = LineRule(0.0104, 1.5)


def every_way(ground: Trenching, start: int, invert: float, goal: np.ndarray, rule: LineRule):
    """Cheapest of all simple ways, by trying each: slow code of its own."""
    rows, columns = ground.level.shape
    best = math.inf

    def go_on(cell, here, cost, been):
        nonlocal best
        if here >= goal.ravel()[cell]:
            best = min(best, cost)
            return
        r, c = divmod(cell, columns)
        for rr in range(max(r - 1, 0), min(r + 2, rows)):
            for cc in range(max(c - 1, 0), min(c + 2, columns)):
                other = rr * columns + cc
                if other in been or not np.isfinite(ground.cost[rr, cc]):
                    continue
                step = math.hypot(rr - r, cc - c) * ground.cell_m
                z = ground.level[rr, cc]
                there = min(here - rule.least_fall * step, z - ground.least_depth[rr, cc])
                if z - there > rule.deepest_m:
                    continue
                depth = 0.5 * (z - there + ground.level[r, c] - here)
                more = step * (
                    0.5 * (ground.cost[r, c] + ground.cost[rr, cc])
                    + rule.per_m + rule.per_depth * depth
                )  # fmt: skip
                if cost + more < best:
                    go_on(other, there, cost + more, been | {other})

    go_on(start, invert, 0.0, {start})
    return best


def tiny(seed: int) -> tuple[Trenching, np.ndarray]:
    random = np.random.default_rng(seed)
    shape = (3, 4)
    level = 10.0 + 0.3 * random.random(shape)
    cost = np.where(random.random(shape) < 0.15, np.inf, 1.0 + random.random(shape))
    cost[0, 0] = cost[-1, -1] = 1.0
    goal = np.full(shape, np.inf)
    goal[-1, -1] = level[0, 0] - 0.4 - random.uniform(0.05, 0.6)
    return Trenching(level, cost, np.full(shape, 0.4), 3.0), goal


def test_finds_what_trying_every_way_finds() -> None:
    rule = LineRule(0.02, 0.9)
    possible = 0
    for seed in range(60):
        ground, goal = tiny(seed)
        way = cheapest_way(ground, 0, ground.level[0, 0] - 0.4, goal, rule)
        best = every_way(ground, 0, ground.level[0, 0] - 0.4, goal, rule)
        assert (way is None) == (best == math.inf), seed
        if way is not None:
            possible += 1
            assert way.cost == pytest.approx(best, abs=2e-2)  # labels within 5 mm are one
    assert 15 <= possible <= 50


def yard(seed: int, size: int = 60) -> tuple[Trenching, int, np.ndarray]:
    """A yard of 60 m with a house in the way; ground, start and goal; invented."""
    random = np.random.default_rng(seed)
    rows, columns = np.mgrid[:size, :size]
    rough = ndimage.gaussian_filter(random.standard_normal((size, size)), 4)
    level = 10.0 - 0.012 * rows + 0.15 * rough / rough.std()
    cost = np.ones(level.shape)
    cost[:, 40:46] = 3.0
    cost[20:38, 12:38] = np.inf
    least = np.full(level.shape, 0.4)
    goal = np.full(level.shape, np.inf)
    end = (56, 30)
    least[np.hypot(rows - end[0], columns - end[1]) <= 2.0] = 0.0
    goal[end] = level[8, 24] - 0.4 - 0.9
    return Trenching(level, cost, least, 1.0), 8 * size + 24, goal


def static_cost(ground: Trenching, start: int, rule: LineRule) -> np.ndarray:
    """Least cost to every cell by scikit-image, at the least depth and without any fall."""
    raster = ground.cost + rule.per_m + rule.per_depth * ground.least_depth
    raster = np.where(np.isfinite(raster), raster, -1.0)
    found, _ = MCP_Geometric(raster).find_costs([divmod(start, ground.level.shape[1])])
    return found


def test_costs_no_less_than_the_path_that_knows_no_fall_and_as_much_on_an_even_slope() -> None:
    for seed in range(3):
        ground, start, goal = yard(seed)
        way = cheapest_way(ground, start, np.inf, goal, RULE)
        assert way is not None
        end = tuple(way.points[-1].astype(int))
        assert way.cost >= static_cost(ground, start, RULE)[end] - 1e-9
    slope = Trenching(
        10.0 - 0.02 * np.mgrid[:60, :60].sum(axis=0), ground.cost, np.full((60, 60), 0.4), 1.0
    )
    goal = np.full((60, 60), np.inf)
    goal[56, 50] = slope.level[56, 50] - 0.4 - 1e-6
    steep = LineRule(0.0, 1.5)  # any fall is enough, and the ground falls all the way
    way = cheapest_way(slope, 8 * 60 + 24, np.inf, goal, steep)
    assert way is not None
    assert way.cost == pytest.approx(static_cost(slope, 8 * 60 + 24, steep)[56, 50], rel=1e-6)


def beside_house(ground: Trenching) -> Trenching:
    """With points round the house, as the lot gives them."""
    ring = shapely.box(12, 20, 37, 37).buffer(1.5, join_style="mitre").exterior
    at = shapely.get_coordinates(shapely.line_interpolate_point(ring, np.arange(0, ring.length, 4)))
    points = np.vstack([at, shapely.get_coordinates(ring)])[:, ::-1]
    return replace(ground, points=points, walls=0.0)


def test_a_line_has_few_legs_falls_and_keeps_its_cover_and_what_is_forbidden() -> None:
    fitted, bends = [], []
    for seed in range(6):
        ground, start, goal = yard(seed)
        ground = beside_house(ground)
        end = np.argwhere(np.isfinite(goal))[0]
        level = float(goal[tuple(end)])
        found = best_line(ground, start, np.inf, [Goal(end.astype(float), level)], RULE)
        way = cheapest_way(ground, start, np.inf, goal, RULE)
        assert found is not None
        assert way is not None
        line, _ = found
        assert line.inverts[-1] >= level - 1e-6
        legs = np.hypot(*np.diff(line.points, axis=0).T)
        assert legs.min() >= LEAST_LEG_M - 1e-6
        assert (-np.diff(line.inverts) >= RULE.least_fall * legs - 1e-9).all()
        assert max(line.turns, default=0.0) <= 90.0 + GIVES_WAY
        # the house as a shape, less what a leg may cut off the corner of a cell
        drawn = shapely.LineString(line.points)
        assert not drawn.intersects(shapely.box(20, 12, 37, 37).buffer(0.3))
        inverts = graded(ground, line.points, (float(line.inverts[0]), level), RULE)
        assert inverts is not None
        share = np.linspace(0, 1, 400)
        at = shapely.get_coordinates(shapely.line_interpolate_point(drawn, share, normalized=True))
        along = np.concatenate([[0.0], np.cumsum(legs)])
        r, c = np.rint(at).astype(int).T
        depth = ground.level[r, c] - np.interp(share * along[-1], along, inverts)
        assert (depth <= RULE.deepest_m + 0.02).all()
        assert (depth >= ground.least_depth[r, c] - 0.02)[:-1].all()
        fitted += [
            any(abs(turn - one) <= GIVES_WAY + 1e-6 for one in (0.0, *FITTINGS))
            for turn in line.turns
        ]
        bends.append(line.bends)
        raw = laid(ground, way.points, float(way.inverts[0]), RULE)
        assert raw is None or line.cost < raw.cost
    assert np.median(bends) <= 2.5  # round the whole width of the house: two at least
    assert np.mean(fitted) >= 0.9


def test_of_lines_that_cost_the_same_the_one_along_the_walls_is_laid() -> None:
    level = np.full((40, 40), 10.0)
    ground = Trenching(level, np.ones(level.shape), np.full(level.shape, 0.4), 1.0)
    ground = replace(ground, cost=ground.cost.copy(), points=np.array([[5.0, 20.0], [9.0, 11.0]]))
    ground.cost[6:30, 12:30] = np.inf  # a house between
    goal = [Goal(np.array([34.0, 35.0]), 8.8)]
    askew, along = (
        best_line(replace(ground, walls=walls), 5 * 40 + 5, 9.6, goal, RULE)
        for walls in (math.nan, 0.0)
    )
    assert askew is not None
    assert along is not None

    def share_along(points: np.ndarray) -> float:
        legs = np.diff(points, axis=0)
        square = np.abs(legs).min(axis=1) <= 0.08 * np.abs(legs).max(axis=1)
        return float(np.hypot(*legs[square].T).sum() / np.hypot(*legs.T).sum())

    assert share_along(along[0].points) >= share_along(askew[0].points)
    assert along[0].cost <= 1.03 * askew[0].cost


def test_a_drive_is_crossed_square() -> None:
    level = np.full((60, 60), 10.0) - 0.02 * np.arange(60)[:, None]
    paved = np.zeros(level.shape, bool)
    paved[:, 28:34] = True
    cost = np.where(paved, 3.0, 1.0)
    ring = [[r, c] for r in range(4, 58, 4) for c in (25.0, 36.0)]
    ground = Trenching(
        level, cost, np.full(level.shape, 0.4), 0.5, None, paved, 0.0, np.array(ring, float)
    )
    found = best_line(ground, 6 * 60 + 10, 9.5, [Goal(np.array([50.0, 52.0]), 8.0)], RULE)
    assert found is not None
    line = shapely.LineString(found[0].points[:, ::-1])
    drive = shapely.box(27.5, 0, 33.5, 60)
    across = line.intersection(drive)
    assert across.length <= 6.0 / math.cos(math.radians(SQUARE)) + 1e-6
    # the straight line would cross it at 46 degrees from square
    straight = shapely.LineString([(10, 6), (52, 50)]).intersection(drive)
    assert straight.length > 1.4 * across.length / 1.12


def test_one_grade_keeps_cover_all_along_or_there_is_a_break_or_none() -> None:
    level = np.full((1, 21), 10.0)
    ground = Trenching(level, np.ones((1, 21)), np.full((1, 21), 0.4), 1.0)
    points = np.array([[0.0, 0.0], [0.0, 20.0]])
    assert graded(ground, points, (9.6, 9.3), RULE) == pytest.approx([9.6, 9.3])
    level[0, 10] = 9.7  # a swale across it: the pipe must lie at 9.3 at half way
    upper, lower = graded(ground, points, (9.6, 9.0), RULE)
    assert lower == 9.0
    assert upper - (upper - lower) * 9.5 / 20 == pytest.approx(9.3, abs=0.02)
    assert graded(ground, points, (9.6, 9.3), RULE) is None
    # down a step of 0.25 m no one grade keeps 0.4 m of cover and 0.62 m of depth
    level[0] = np.where(np.arange(21) < 10, 10.0, 9.75)
    bent = np.array([[0.0, 0.0], [0.0, 9.0], [0.0, 10.0], [0.0, 20.0]])
    shallow = LineRule(RULE.least_fall, 0.62)
    assert graded(ground, points, (9.6, 9.15), shallow) is None
    found = graded(ground, bent, (9.6, 9.15), shallow)
    assert found is not None
    slopes = -np.diff(found) / np.diff(bent[:, 1])
    assert (slopes >= RULE.least_fall - 1e-6).all()
    assert slopes[1] > 5 * slopes[[0, 2]].max()


def test_feasible_wherever_trying_every_way_is_and_no_dearer_than_a_twentieth() -> None:
    """Legs of a roadmap over all cells' middles, on yards of 9 by 9, against every such line."""
    checked, ratio = 0, []
    for seed in range(12):
        random = np.random.default_rng(500 + seed)
        level = 10.0 - 0.02 * np.add.outer(np.arange(9), np.arange(9)) * 2.0
        level += 0.05 * random.standard_normal((9, 9))
        cost = np.where(random.random((9, 9)) < 0.1, np.inf, 1.0)
        cost[0, 0] = cost[8, 8] = 1.0
        points = np.argwhere(np.isfinite(cost))[random.permutation(int(np.isfinite(cost).sum()))]
        points = points[:6].astype(float)
        ground = Trenching(level, cost, np.full((9, 9), 0.4), 2.0, points=points)
        rule = LineRule(0.0104, 1.2)
        goal = Goal(np.array([8.0, 8.0]), float(level[8, 8]) - 0.5)
        best = math.inf
        nodes = [np.zeros(2), *points, goal.point]
        for number in range(4):
            for some in itertools.permutations(range(1, 7), number):
                way = np.array([nodes[0], *(nodes[i] for i in some), goal.point])
                legs = np.hypot(*np.diff(way, axis=0).T) * 2.0
                heading = np.degrees(np.arctan2(*np.diff(way, axis=0).T))
                turn = np.abs((np.diff(heading) + 180) % 360 - 180)
                if (legs < 1.0).any() or (turn > 94.0).any():
                    continue
                line = laid(ground, way, float(level[0, 0]) - 0.4, rule)
                if line is not None and line.inverts[-1] >= goal.level - 1e-9:
                    best = min(best, line.cost)
        found = best_line(ground, 0, np.inf, [goal], rule)
        if best < math.inf:
            checked += 1
            assert found is not None, seed
            ratio.append(found[0].cost / best)
    assert checked >= 4
    assert max(ratio) <= 1.05
