"""Blocked inlets and water at walls on rough ground, against slow code that shares none of it."""

import itertools

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.criteria import Criteria
from lotflow.grid import Grid
from lotflow.ponding.findings import PondsFound, pond_findings
from lotflow.ponding.ponds import SAME_LEVEL_M, PondGround, case_storm
from lotflow.scenarios import OPEN, Scenario
from lotflow.terrain.freeboard import building_thresholds, opening_thresholds
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.ponding import pond_network, standing_water
from lotflow.terrain.routing import Drains, no_drains, route
from lotflow.terrain.surface import prepare_surface

SIZE = 36
AROUND = [step for step in itertools.product((-1, 0, 1), repeat=2) if any(step)]


def fractal(random, size, roughness):
    """Noise whose power falls with the square of the frequency and more, 0.3 m high [m]."""
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    frequency[0, 0] = np.inf
    waves = np.fft.rfft2(random.standard_normal((size, size))) / frequency**roughness
    values = np.fft.irfft2(waves, s=(size, size))
    return 0.1 * values / values.std()


def rough_yard(seed):
    """
    A yard with what real ones have: relief at every scale, puddles, a curb, a wall, a slope.

    Returns grid, the house, its openings (cell, sill), cells of the inlets and runoff [m].
    """
    random = np.random.default_rng(seed)
    row, column = np.mgrid[:SIZE, :SIZE]
    values = 20 + fractal(random, SIZE, random.uniform(0.8, 2.0))
    values += random.normal(0, 0.01, values.shape)  # single cells: a stone, a plant
    values -= random.choice([0.0, 0.005, 0.03]) * row
    values[int(random.integers(3, SIZE - 3))] += 0.15 * (random.random(SIZE) > 0.1)  # with gaps
    across = int(random.integers(3, SIZE - 3))
    values[:: 1 if random.random() < 0.5 else 2, across] += 1.2
    if random.random() < 0.5:  # levels to the centimetre: ties
        values = values.round(2)
    cell = float(random.choice([0.5, 1.0, 2.0]))
    grid = Grid(values, Affine(cell, 0, 0, 0, -cell, SIZE * cell), None)
    top, left = (int(n) for n in random.integers(6, SIZE - 16, 2))
    height, width = (int(n) for n in random.integers(4, 10, 2))
    house = shapely.box(
        left * cell, (SIZE - top - height) * cell, (left + width) * cell, (SIZE - top) * cell
    )
    sill = float(np.median(values)) + random.uniform(-0.1, 0.3)
    openings = [
        (top * SIZE + left + width // 2, sill), ((top + height // 2) * SIZE + left, np.nan)
    ]  # fmt: skip
    free = (row > 1) & (row < SIZE - 2) & (column > 1) & (column < SIZE - 2)
    free[top : top + height, left : left + width] = False
    places = np.flatnonzero(free)
    low_first = places[np.argsort(values.ravel()[places])]
    # half of them where water would stand, half anywhere
    count = int(random.integers(1, 5))
    inlets = [
        int(random.choice(low_first[:60] if random.random() < 0.5 else places))
        for _ in range(count)
    ]
    return grid, house, openings, list(dict.fromkeys(inlets)), random.uniform(0.005, 0.15)


class Yard:
    """A rough yard, its water with every inlet open, and with each blocked."""

    def __init__(self, seed):
        grid, house, openings, self.inlets, depth = rough_yard(seed)
        self.surface = prepare_surface(grid, buildings=[house])
        self.thresholds = [
            *building_thresholds(self.surface, ["House"], [np.nan]),
            *opening_thresholds(
                self.surface, ["A", "B"], [c for c, _ in openings], [s for _, s in openings]
            ),
        ]
        spots = find_low_spots(route(self.surface, no_drains(self.surface)), 0.05)
        everywhere = np.ones(grid.shape, dtype=bool)
        self.ground = PondGround(
            grid=grid, lot=everywhere, near=everywhere, low_spot=spots.number,
            artefact=[""] * len(spots), not_closed=np.zeros(len(spots), dtype=bool),
            thresholds=self.thresholds, paved=~everywhere,
            rate=np.full(grid.shape, 1e-6), inlets=[f"I{n}" for n in range(len(self.inlets))],
            least_depth=0.01, rmse=0.1,
        )  # fmt: skip
        self.runoff = depth * self.surface.rain_weight
        self.opened = self.water([])
        self.usual = case_storm(self.ground, OPEN, 0, self.opened), self.opened
        self.cases = [
            (Scenario.one_blocked(name), self.water([n]))
            for n, name in enumerate(self.ground.inlets)
        ]

    def water(self, blocked):
        number = np.zeros(self.surface.ground.shape, dtype=np.int32)
        for position, cell in enumerate(self.inlets):
            if position not in blocked:
                number.ravel()[cell] = position + 1
        drains = Drains(number, {}, (), len(self.inlets))
        return standing_water(pond_network(route(self.surface, drains)), self.runoff)


def neighbours(cell):
    """The eight cells round one."""
    row, column = divmod(cell, SIZE)
    for down, across in AROUND:
        if 0 <= row + down < SIZE and 0 <= column + across < SIZE:
            yield (row + down) * SIZE + column + across


def slow_body(wet, start):
    """Cells of the water that holds a cell, one after another."""
    seen, todo = {start}, [start]
    while todo:
        for cell in neighbours(todo.pop()):
            if wet[cell] and cell not in seen:
                seen.add(cell)
                todo.append(cell)
    return seen


def judge_blocked(yard):
    """What is said of each blocked inlet against the rasters with and without; how many rise."""
    raised = 0
    for scenario, water in yard.cases:
        storm = case_storm(yard.ground, scenario, 0, water, yard.usual)
        found = PondsFound(yard.ground, [storm], [10.0], Criteria(), [0.0])
        (finding,) = [one for one in pond_findings(found) if one.rule == "inlet-blocked"]
        more = (water.depth - yard.opened.depth).ravel()
        # lower nowhere, but that level ground may lead water another way: then it rises too
        ties = np.allclose(yard.ground.grid.values.round(2), yard.ground.grid.values)
        assert more.min() >= -SAME_LEVEL_M or (ties and more.max() > SAME_LEVEL_M), scenario
        higher = more > SAME_LEVEL_M
        # raises nothing <=> the rasters are equal, by the line above
        assert (finding.measured == 0) == (not higher.any()), scenario
        assert (not storm.rises) == (not higher.any()), scenario
        if not higher.any():
            continue
        raised += 1
        unit = yard.surface.ground.cell_m2
        assert max(one.rise for one in storm.rises) == pytest.approx(more.max(), abs=2e-5)
        area = sum(one.raised_m2 for one in storm.rises)
        assert area == pytest.approx(higher.sum() * unit)
        volume = sum(one.raised_m3 for one in storm.rises)
        assert volume == pytest.approx(more[higher].sum() * unit, rel=1e-3)
        wet = water.depth.ravel() > 2e-6
        for one in storm.rises:
            body = slow_body(wet, one.cell)
            assert one.area_m2 == pytest.approx(len(body) * unit)
            assert one.rise == pytest.approx(max(more[cell] for cell in body), abs=2e-5)
        # the inlet's own place is never hidden by water elsewhere: no worse rise is left out
        if finding.measured < 0.005:
            assert more.max() < 0.005 + 2e-5
    return raised


def judge_walls(yard):
    """Depth of each pond at each wall against a search of all touching cells; how many touch."""
    touching = 0
    roof = yard.surface.roof.ravel()
    for scenario, water in [(OPEN, yard.opened), *yard.cases]:
        storm = case_storm(yard.ground, scenario, 0, water, yard.usual)
        depth = water.depth.ravel()
        wet = depth > 2e-6
        for pond in storm.ponds:
            body = slow_body(wet, pond.bed_cell)
            at_wall = [c for c in body if any(roof[n] for n in neighbours(c))]
            houses = [one for one in pond.walls if one.threshold.name == "House" and one.at_wall]
            assert bool(houses) == bool(at_wall)
            if not at_wall:
                continue
            touching += 1
            (house,) = houses
            assert house.depth == pytest.approx(max(depth[c] for c in at_wall), abs=2e-6)
            assert house.cell in at_wall
            assert np.isnan(house.freeboard)
            assert not house.is_reached
            for opening in (t for t in yard.thresholds if t.is_opening):
                cells = body & set(opening.wall.tolist())
                told = [w for w in pond.walls if w.threshold is opening and w.at_wall]
                assert bool(told) == bool(cells)
                if told:
                    deepest = max(cells, key=lambda cell: depth[cell])
                    assert told[0].depth == pytest.approx(depth[deepest])
                    assert told[0].is_reached == (told[0].freeboard <= 0)
    return touching


def test_blocked_inlets_and_walls_on_a_few_rough_yards():
    yards = [Yard(seed) for seed in range(6)]
    assert sum(judge_blocked(yard) for yard in yards) >= 3
    assert sum(judge_walls(yard) for yard in yards) >= 3


@pytest.mark.nightly
@pytest.mark.parametrize("start", range(0, 600, 100))
def test_blocked_inlets_and_walls_on_many_rough_yards(start, record_testsuite_property):
    raised = touching = blocked = 0
    for seed in range(1000 + start, 1100 + start):
        yard = Yard(seed)
        blocked += len(yard.cases)
        raised += judge_blocked(yard)
        touching += judge_walls(yard)
    record_testsuite_property(
        f"blocked, raising, at walls from {start}", (blocked, raised, touching)
    )
    assert 0 < raised < blocked
    assert touching > 0
