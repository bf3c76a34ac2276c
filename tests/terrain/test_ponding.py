"""Ponding: nested pits by hand, bowls analytically, no drop lost on any ground."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from lotflow.errors import InputError, ParameterError
from lotflow.grid import Grid
from lotflow.terrain import known_surfaces as known
from lotflow.terrain.freeboard import building_thresholds, freeboards, opening_thresholds
from lotflow.terrain.ponding import (
    WAYS_OUT,
    node_name,
    overflow_path,
    pond_network,
    standing_water,
    water_bodies,
)
from lotflow.terrain.routing import Culvert, Drains, route
from lotflow.terrain.surface import prepare_surface

SHARED = Path(__file__).parents[2].parent / "shared" / "data"


def network_of(grid, inlets=(), culverts=(), levels=None, **drawn):
    """Inlets are lists of flat cells."""
    surface = prepare_surface(grid, **drawn)
    number = np.zeros(grid.shape, dtype=np.int32)
    for position, cells in enumerate(inlets, 1):
        number.ravel()[cells] = position
    drains = Drains(number, levels or {}, tuple(culverts), len(inlets))
    return pond_network(route(surface, drains))


def poured(network, *pours):
    runoff = np.zeros(network.first.shape)
    for row, column, volume in pours:
        runoff[row, column] += volume
    return standing_water(network, runoff)


def closes(water):
    """The sum of what stands, was taken and left, against what ran off, to 1e-9 of it."""
    gone = water.depth.sum() + water.taken.sum() + water.left.sum()
    assert gone == pytest.approx(water.runoff, rel=1e-9, abs=1e-12)
    assert water.kept.sum() == pytest.approx(water.depth.sum(), rel=1e-9, abs=1e-12)
    assert (water.depth >= 0).all()
    assert (water.overflow >= 0).all()


# ---------------------------------------------------------------- by hand


@pytest.mark.parametrize(
    ("column", "volume", "expected", "left"),
    [
        (2, 2.0, [0, 0, 2, 0, 0, 0, 0, 0, 0], 0),
        (2, 3.5, [0, 0, 3, 0, 0.5, 0, 0, 0, 0], 0),  # the first pit full, 0.5 over its sill
        (2, 12.0, [0, 0, 17 / 3, 8 / 3, 11 / 3, 0, 0, 0, 0], 0),  # one pond at level 7.667
        (2, 30.0, [0, 0, 8, 5, 6, 1, 7, 0, 0], 3),  # 27 kept
        (6, 7.0, [0, 0, 0, 0, 1, 0, 6, 0, 0], 0),  # 6 kept, 1 spills into the next pit
    ],
)
def test_nested_pits_fill_as_by_hand(column, volume, expected, left):
    """Pits 2 and 4 behind a sill of 5, and 3 behind one of 9, all below a rim of 10."""
    water = poured(network_of(known.trench_with_pits()), (2, column, volume))
    np.testing.assert_allclose(water.depth[2], expected, atol=1e-12)
    assert dict(zip(WAYS_OUT, water.left, strict=True)) == {"water": 0, "gap": 0, "edge": left}
    closes(water)


def test_bodies_of_water_are_told_apart_until_they_join():
    """3.5 on the first pit: one at level 5, one at 4.5; 12: a single one at 7.667."""
    network = network_of(known.trench_with_pits())
    apart = water_bodies(poured(network, (2, 2, 3.5)), 0.01)
    assert apart.level.tolist() == [5.0, 4.5]
    assert apart.volume.tolist() == [3.0, 0.5]
    assert apart.overflow.tolist() == [0, 0]
    joined = water_bodies(poured(network, (2, 2, 12.0)), 0.01)
    assert joined.level.tolist() == [pytest.approx(23 / 3)]
    assert joined.cells.tolist() == [3]


def test_shallow_water_is_left_out_but_exactly_the_limit_counts():
    network = network_of(known.trench_with_pits())
    water = poured(network, (2, 2, 3.1))
    assert len(water_bodies(water, 0.1)) == 2
    assert len(water_bodies(water, 0.11)) == 1


def hill_of_two_ponds(inlet_row=None):
    """Slope to the south with two pits of 1 m in a channel; below them an inlet or the edge."""
    rows = 12
    values = np.full((rows, 7), 50.0)
    bottom = 20.0 - np.arange(rows, dtype=float)
    values[1:-1, 3] = bottom[1:-1]
    values[3, 3] -= 2.0  # one metre below the ground after it
    values[6, 3] -= 3.0  # two metres below the ground after it
    values[-1] = 0.0
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, rows), None)
    return grid, [] if inlet_row is None else [[inlet_row * 7 + 3]]


def test_a_full_pond_feeds_the_next_one_and_that_the_inlet():
    """10 on the upper pond: 1 stays; 9 reach the lower one, 2 stay; 7 reach the inlet."""
    grid, inlets = hill_of_two_ponds(9)
    network = network_of(grid, inlets)
    water = poured(network, (2, 3, 10.0), (8, 3, 0.5))
    assert sorted(water.kept.tolist()) == [1.0, 2.0]
    assert water.depth[3, 3] == 1.0
    assert water.depth[6, 3] == 2.0
    assert water.direct.tolist() == [0.5]
    assert water.passed_on.tolist() == [7.0]
    assert sorted(water.overflow.tolist()) == [7.0, 9.0]
    closes(water)


def test_overflow_is_followed_to_the_next_pond_that_matters():
    grid, inlets = hill_of_two_ponds(9)
    network = network_of(grid, inlets)
    upper, lower = network.depression[3, 3], network.depression[6, 3]
    stops = np.ones(network.capacity.size, dtype=bool)
    receiver = network.routing.receivers().ravel()
    path = overflow_path(network, receiver, upper, stops)
    assert (path.cells // 7).tolist() == [4, 5, 6]
    assert path.spill_cell == 4 * 7 + 3
    spots = np.zeros(network.capacity.size, dtype=np.int32)
    spots[lower - 1] = 5
    assert node_name(network, path.end, ["C1"], spots) == "low spot 5"
    across = overflow_path(network, receiver, upper, ~stops)
    assert across.cells[-1] // 7 == 9
    assert node_name(network, across.end, ["C1"], spots) == "C1"
    assert overflow_path(network, receiver, lower, stops).spill_cell == 7 * 7 + 3


@pytest.mark.parametrize(("depth", "radius"), [(0.5, 10.0), (0.2, 6.0)])
@pytest.mark.parametrize("share", [0.3, 0.8])
def test_a_bowl_fills_to_the_level_of_its_spherical_cap(depth, radius, share):
    """A volume of pi h^2 (3 R - h) / 3 in a sphere stands h deep (within 1 % of the bowl)."""
    grid = known.spherical_bowl(depth_m=depth, radius_m=radius)
    sphere = (radius**2 + depth**2) / (2 * depth)
    height = share * depth
    volume = np.pi * height**2 * (3 * sphere - height) / 3
    middle = grid.shape[0] // 2
    water = poured(network_of(grid), (middle, middle, volume / grid.cell_m2))
    bodies = water_bodies(water, 0.01)
    assert bodies.depth.tolist() == [pytest.approx(height, abs=0.01 * depth)]
    assert bodies.volume[0] * grid.cell_m2 == pytest.approx(volume, rel=1e-9)
    wet = np.pi * height * (2 * sphere - height)
    assert bodies.cells[0] * grid.cell_m2 == pytest.approx(wet, rel=0.03)


def test_a_full_bowl_holds_its_cap_and_passes_the_rest_on():
    grid = known.spherical_bowl()
    cap = known.spherical_cap_volume(0.5, 10.0)
    middle = grid.shape[0] // 2
    water = poured(network_of(grid), (middle, middle, 2 * cap / grid.cell_m2))
    assert water.depth.sum() * grid.cell_m2 == pytest.approx(cap, rel=0.01)
    closes(water)


# ---------------------------------------------------------------- drains


def test_an_inlet_in_a_pit_leaves_it_dry_and_a_rim_keeps_water_up_to_it():
    trench = known.trench_with_pits()
    dry = poured(network_of(trench, [[2 * 9 + 2]]), (2, 2, 3.5))
    assert dry.depth.sum() == 0
    assert dry.taken.tolist() == [3.5]
    # beside the pit, with its rim at 6: the pits fill to 6 first
    rim = poured(network_of(trench, [[2 * 9 + 3]], levels={1: 6.0}), (2, 2, 10.0))
    assert rim.depth[2, 2] == 4.0
    assert rim.taken.tolist() == [6.0]
    closes(rim)


def test_culvert_water_enters_again_at_its_lower_end():
    """What the culvert takes above the hill fills the pond below; a chain of two as well."""
    grid, _ = hill_of_two_ponds()
    one = Culvert("A", 2 * 7 + 3, 5 * 7 + 3)
    water = poured(network_of(grid, culverts=[one]), (1, 3, 5.0))
    assert water.depth[3, 3] == 0  # passed under
    assert water.depth[6, 3] == 2.0
    assert water.left.sum() == 3.0
    second = Culvert("B", 5 * 7 + 3, 9 * 7 + 3)
    water = poured(network_of(grid, culverts=[second, one]), (1, 3, 5.0))
    assert water.depth.sum() == 0
    assert water.left.sum() == 5.0


def test_culvert_fed_by_its_own_pond_is_an_error():
    grid, _ = hill_of_two_ponds()
    with pytest.raises(InputError, match=r"runs? back"):
        network_of(grid, culverts=[Culvert("A", 9 * 7 + 3, 2 * 7 + 3)])


def test_water_leaves_by_name():
    """Over the edge, into open water, into a gap: each is counted apart."""
    values = known.tilted_plane(20).values
    values[10, 3] = np.nan
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, 20), None)
    network = network_of(grid, water=[shapely.box(3, 3, 4, 4)])
    water = poured(network, (10, 10, 1.0), (16, 10, 2.0), (3, 10, 4.0))
    assert dict(zip(WAYS_OUT, water.left, strict=True)) == {"water": 2, "gap": 1, "edge": 4}


@pytest.mark.parametrize("bad", [-1e-9, np.nan])
def test_runoff_that_is_negative_or_missing_is_refused(bad):
    network = network_of(known.trench_with_pits())
    with pytest.raises(ParameterError, match="0 or more"):
        poured(network, (2, 2, bad))


# ---------------------------------------------------------------- no drop is lost


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 3), st.integers(0, 2), st.sampled_from([1, 3, 1000]))
def test_no_drop_is_lost_on_rough_ground_with_ties(seed, inlets, culverts, steps):
    """Integer levels make many ties: ponds side by side, sills at their level, flats."""
    random = np.random.default_rng(seed)
    shape = (14, 17)
    values = np.round(random.random(shape) * 3 * steps) / steps
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, 14), None)
    inner = np.arange(values.size).reshape(shape)[1:-1, 1:-1].ravel()
    cells = random.choice(inner, inlets + 2 * culverts, replace=False)
    pipes = [
        Culvert(str(i), int(cells[inlets + 2 * i]), int(cells[inlets + 2 * i + 1]))
        for i in range(culverts)
    ]
    try:
        network = network_of(grid, [[int(cell)] for cell in cells[:inlets]], pipes)
    except InputError as reason:
        assert "culverts" in str(reason)  # noqa: PT017 - one of two allowed outcomes
        return
    for scale in (1e-7, 0.01, 0.3, 10.0):
        runoff = random.random(shape) * scale
        water = standing_water(network, runoff)
        closes(water)
        assert (water.depth <= network.routing.depth + 1e-9).all()
        # every pond is level
        for body in range(1, len(water_bodies(water, 0.001)) + 1):
            wet = water_bodies(water, 0.001).number == body
            assert np.ptp((network.routing.elevation + water.depth)[wet]) < 1e-9


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
@example(21056)
def test_when_everything_runs_over_each_inlet_takes_its_catchment_less_the_ponds(seed):
    """In the end state what an inlet takes is the runoff of its label, less what ponds keep."""
    random = np.random.default_rng(seed)
    values = random.random((20, 20)) + 0.05 * np.arange(20)[:, None]
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, 20), None)
    network = network_of(grid, [[9 * 20 + 5], [4 * 20 + 14]])
    runoff = np.full(values.shape, 100.0)
    water = standing_water(network, runoff)
    routing = network.routing
    label = routing.label
    # a pond whose rim is as low in two places runs over at one of them, its cells drain to both
    ponds = network.depression[network.depression > 0]
    both = np.unique(np.stack([ponds, label[network.depression > 0]]), axis=1)
    assume(len(both[0]) == len(np.unique(ponds)))
    for inlet in (1, 2):
        gross = runoff[label == inlet].sum()
        kept = routing.depth[label == inlet].sum()
        assert water.taken[inlet - 1] == pytest.approx(gross - kept, rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.001, 1.0))
def test_more_rain_never_leaves_less_anywhere(seed, depth):
    random = np.random.default_rng(seed)
    grid = Grid(random.random((15, 15)), Affine(1.0, 0, 0, 0, -1.0, 15), None)
    network = network_of(grid, [[7 * 15 + 7]])
    runoff = random.random((15, 15)) * depth
    less, more = standing_water(network, runoff), standing_water(network, runoff * 1.5)
    assert (more.depth >= less.depth - 1e-9).all()
    assert (more.taken >= less.taken - 1e-9).all()


@pytest.mark.skipif(not SHARED.is_dir(), reason="no real elevation data beside the checkout")
@pytest.mark.parametrize(
    "file",
    [
        "delft-ahn3/dtm_05m_filled.tif",
        "delft-ahn3/dtm_05m_gaps.tif",
        "alexandria-va/dsm_2m.tif",
        "alexandria-va/dtm_2m.tif",
        "nm-gully-ft/dtm_2ft.tif",
    ],
)
@pytest.mark.parametrize("depth", [0.005, 0.05, 1.0])
def test_no_drop_is_lost_on_real_ground(file, depth):
    """Every open data set, with a dozen inlets: exact to 1e-9 and to the litre."""
    path = SHARED / file
    if not path.is_file():
        pytest.skip(f"{file} is not there")
    with rasterio.open(path) as source:
        values = source.read(1, window=((0, 350), (0, 350))).astype(float)
        if source.nodata is not None:
            values[values == source.nodata] = np.nan
        grid = Grid(values, source.transform, None)
    random = np.random.default_rng(2)
    known_cells = np.flatnonzero(np.isfinite(values[1:-1, 1:-1]).ravel())
    chosen = random.choice(known_cells, 12, replace=False)
    rows, columns = np.divmod(chosen, values.shape[1] - 2)
    network = network_of(grid, [[int(c)] for c in (rows + 1) * values.shape[1] + columns + 1])
    runoff = np.where(np.isfinite(values), depth * random.random(values.shape), 0.0)
    water = standing_water(network, runoff)
    closes(water)
    assert abs(water.residual) * grid.cell_m2 < 0.001


# ---------------------------------------------------------------- buildings


def house_in_a_bowl():
    """A bowl 1 m deep with a house on its floor, 2 by 2 cells."""
    row, column = np.mgrid[:21, :21]
    values = 10.0 + 0.1 * np.maximum(np.abs(row - 10), np.abs(column - 10))
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, 21), None)
    return grid, shapely.box(10, 9, 12, 11)


def contacts(water, thresholds, least_depth=0.01):
    bodies = water_bodies(water, least_depth)
    level = water.network.routing.elevation + water.depth
    return bodies, freeboards(bodies.number, level, water.depth, thresholds)


def test_freeboard_is_threshold_less_level_and_reached_at_the_wall():
    grid, house = house_in_a_bowl()
    network = network_of(grid, buildings=[house])
    water = poured(network, (10, 8, 5.0))
    surface = network.routing.surface
    level = float(water_bodies(water, 0.01).level[0])
    for sill, reached in ((level + 0.2, False), (level - 0.01, True)):
        _, found = contacts(water, building_thresholds(surface, ["A"], [sill]))
        (wall,) = found[1]
        assert wall.at_wall
        assert wall.is_reached is reached
        assert wall.freeboard == pytest.approx(sill - level)
        assert wall.threshold.basis == "threshold"


def test_without_a_threshold_nothing_is_reached_and_the_depth_at_the_wall_is_told():
    """Water 0.4 m below the house's highest ground: how deep it stands is known, no more."""
    grid, house = house_in_a_bowl()
    network = network_of(grid, buildings=[house])
    water = poured(network, (10, 8, 5.0))
    _, found = contacts(water, building_thresholds(network.routing.surface, ["A"], [np.nan]))
    (wall,) = found[1]
    assert not wall.is_reached
    assert np.isnan(wall.freeboard)
    assert not wall.threshold.is_given
    level = float(water_bodies(water, 0.01).level[0])
    # the lowest of the cells round it lie at 10.1, the nearest to the middle of the bowl
    assert wall.depth == pytest.approx(level - 10.1, abs=1e-4)


def test_water_at_a_wall_is_not_judged_by_ground_elsewhere_round_the_house():
    """
    A house on a slope of 10 %, with a hollow 0.11 m deep at its upper side.

    The ground below the house lies 0.4 m lower; the water stands 0.11 m deep at the wall.
    """
    values = 20.0 - 0.1 * np.mgrid[:20, :20][0].astype(float)
    values[8, 8:12] = values[9, 8] - 0.01
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, 20), None)
    network = network_of(grid, buildings=[shapely.box(8, 6, 12, 11)])
    water = poured(network, (8, 9, 3.0))
    _, found = contacts(water, building_thresholds(network.routing.surface, ["A"], [np.nan]))
    (wall,) = found[1]
    assert wall.depth == pytest.approx(float(water.depth[8, 8:12].max()))
    assert divmod(wall.cell, 20)[0] == 8
    assert wall.depth < 0.13


def test_far_water_has_no_freeboard_and_near_water_is_not_at_the_wall():
    values = np.full((30, 30), 10.0) + 0.01 * np.arange(30)
    values[15, 15] = 9.0
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, 30), None)
    for west, near in ((18, True), (24, False)):
        network = network_of(grid, buildings=[shapely.box(west, 13, west + 3, 16)])
        thresholds = building_thresholds(network.routing.surface, ["A"], [9.2])
        _, found = contacts(poured(network, (15, 15, 0.5)), thresholds)
        assert (1 in found) is near
        if near:
            (wall,) = found[1]
            assert not wall.at_wall
            assert wall.depth == 0
            assert not wall.is_reached  # water cannot cross dry ground


def test_every_opening_in_a_wet_wall_has_its_own_freeboard():
    """Three doors round a house that stands in water: two sills, one that nobody gave."""
    grid, house = house_in_a_bowl()
    network = network_of(grid, buildings=[house])
    water = poured(network, (10, 8, 25.0))
    surface = network.routing.surface
    cells = [10 * 21 + 10, 11 * 21 + 11, 10 * 21 + 11]  # drawn on the footprint: eaves count
    openings = opening_thresholds(surface, ["W1", "W2", "W3"], cells, [10.05, 10.9, np.nan])
    walls = building_thresholds(surface, ["A"], [np.nan])
    bodies, found = contacts(water, [*walls, *openings])
    by_name = {one.threshold.name: one for one in found[1]}
    assert set(by_name) == {"A", "W1", "W2", "W3"}
    assert all(one.at_wall for one in by_name.values())
    level = float(bodies.level[0])
    assert by_name["W1"].freeboard == pytest.approx(10.05 - level)
    assert by_name["W1"].is_reached
    assert by_name["W2"].freeboard == pytest.approx(10.9 - level)
    assert not by_name["W3"].is_reached
    # the most urgent first: given levels by their freeboard, then what nobody gave
    assert [one.threshold.name for one in found[1]][:2] == ["W1", "W2"]


def test_same_network_serves_all_storms():
    network = network_of(known.trench_with_pits())
    first = poured(network, (2, 2, 12.0)).depth
    poured(network, (2, 6, 30.0))
    np.testing.assert_array_equal(poured(network, (2, 2, 12.0)).depth, first)


def test_runoff_is_not_changed():
    network = network_of(known.trench_with_pits())
    runoff = np.full((5, 9), 0.3)
    standing_water(network, runoff)
    assert (runoff == 0.3).all()


@pytest.mark.parametrize(("side", "seed", "rain"), [(60, 12, 0.01), (100, 11, 0.03)])
def test_a_pit_that_the_engine_overfills_by_half_a_step_finds_no_water(side, seed, rain):
    rng, frequency = np.random.default_rng(seed), np.fft.fftfreq(side)
    wave = np.hypot(*np.meshgrid(frequency, frequency))
    wave[0, 0] = 1.0
    relief = np.fft.ifft2(np.fft.fft2(rng.normal(size=(side, side))) / wave**1.1).real
    ground = (0.4 * relief / relief.std()).astype(np.float32) + 20.0
    network = network_of(Grid(ground.astype(float), Affine(1, 0, 0, 0, -1, side), None))
    closes(standing_water(network, np.full((side, side), rain)))
