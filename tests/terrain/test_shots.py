"""Levels taken on site: ties, guards, and what they do to the ground, against other arithmetic."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from affine import Affine
from scipy.stats import chi2, multivariate_normal
from shapely.affinity import rotate

from lotflow.grid import Grid
from lotflow.terrain.conditioning import (
    LevelledError,
    conditioning,
    distances,
    places_on,
    shared_covariance,
    strips_of,
)
from lotflow.terrain.confidence import (
    Watched,
    drawn_by_seed,
    random_stream,
    run_realisations,
)
from lotflow.terrain.inlet_places import DrawnInlet, place_inlets
from lotflow.terrain.level_error import ErrorModel, LevelError, random_field
from lotflow.terrain.levelled import level_ground, shot_findings
from lotflow.terrain.realisations.realisation import realisation_plan, realise
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.shots import Shots, foretold, judge, precision, tie
from lotflow.terrain.surface import prepare_surface

ERROR = ErrorModel(0.10, 10.0, 0.1)
SIZE = 48


def surface_of(values, **drawn):
    transform = Affine(1.0, 0.0, 0.0, 0.0, -1.0, values.shape[0])
    return prepare_surface(Grid(values, transform, None), **drawn)


def slope(seed=0, size=SIZE):
    """A slope with bumps, and the raster a survey made of it."""
    random = np.random.default_rng(seed)
    row, column = np.mgrid[:size, :size].astype(float)
    truth = 20 - 0.02 * row + 0.15 * np.sin(row / 7) * np.cos(column / 9)
    return truth, truth + random_field(ERROR.spectrum(truth.shape, 1.0), random)


def shots_at(rows, columns, level, size=SIZE, **more):
    """Levels at the middles of cells, read to 14 mm on hard ground."""
    n = len(rows)
    own = Shots(
        names=tuple(f"S{i + 1}" for i in range(n)),
        x=np.asarray(columns) + 0.5, y=size - np.asarray(rows) - 0.5,
        level_m=np.asarray(level, dtype=float), deviation_m=np.full(n, 0.014),
        placed_within_m=np.zeros(n), own_datum=np.zeros(n, dtype=bool), line=("",) * n,
        line_part=("",) * n, line_rank=np.arange(n, dtype=float), line_depth_m=np.full(n, np.nan),
        usage=("yes",) * n, surface_kind=("hard",) * n,
    )  # fmt: skip
    return replace(own, **more)


ROWS, COLUMNS = np.array([10, 12, 20, 30, 31, 40]), np.array([8, 30, 22, 12, 40, 25])


# ------------------------------------------------------------------ conditioning


@pytest.mark.parametrize("offset_known", [True, False])
def test_an_updated_draw_has_the_mean_and_covariance_of_a_dense_gaussian_posterior(offset_known):
    """
    Posterior of the shared error given the levels, by dense matrices over all cells.

    Of draws that are themselves exact samples of ground with that prior, updated by 4,000 draws;
    an offset not known is one more unknown of very large variance in the dense computation.
    """
    size, random = 16, np.random.default_rng(4)
    prior_mean = np.full((size, size), 20.0)
    rows, columns = np.array([3, 8, 12]), np.array([4, 9, 3])
    level = np.array([20.05, 19.9, 20.1])
    own = np.full(3, not offset_known)
    shots = shots_at(rows, columns, level, size, own_datum=own)
    made = conditioning(shots, surface_of(prior_mean), ERROR)
    row, column = (part.ravel() for part in np.mgrid[:size, :size])
    away = np.hypot(row[:, None] - row, column[:, None] - column)
    prior = shared_covariance(ERROR, away)
    at = rows * size + columns
    read = np.zeros((3, size * size))
    read[np.arange(3), at] = 1.0
    noise = 0.014**2 * np.eye(3) + 1e4 * np.outer(own, own)
    gain = prior @ read.T @ np.linalg.inv(read @ prior @ read.T + noise)
    mean = prior_mean.ravel() + gain @ (level - 20.0)
    posterior = prior - gain @ read @ prior
    root = np.linalg.cholesky(prior + 1e-12 * np.eye(size * size))
    draws = np.array([
        made.of(prior_mean + (root @ random.standard_normal(size * size)).reshape(size, size),
                random.standard_normal(made.numbers)).ravel()
        for _ in range(4000)
    ])  # fmt: skip
    assert made.of(prior_mean).ravel() == pytest.approx(mean, abs=2e-5)
    assert draws.mean(axis=0) == pytest.approx(mean, abs=0.006)
    spread = np.sqrt(np.diag(posterior))
    assert draws.std(axis=0) == pytest.approx(spread, abs=0.05 * spread.max())
    likeness = np.corrcoef(draws[:, at[0]], draws[:, at[0] + 2])[0, 1]
    dense = posterior[at[0], at[0] + 2] / (spread[at[0]] * spread[at[0] + 2])
    assert likeness == pytest.approx(dense, abs=0.06)


def test_the_ground_used_is_the_mean_of_the_surfaces_that_may_be_true():
    """Of 48 of them, up to what the errors of the levels themselves add: little, and only there."""
    truth, measured = slope(3)
    measured[:2, :2] = np.nan
    found = level_ground(surface_of(measured), ERROR, shots_at(ROWS, COLUMNS, truth[ROWS, COLUMNS]),
                         seed=1)  # fmt: skip
    draws = [found.surfaces.draw(i, random_stream(1, i + 1)) for i in range(48)]
    known = np.isfinite(measured)
    assert np.isnan(found.ground[:2, :2]).all()
    assert np.abs(found.ground - np.mean(draws, axis=0))[known].max() < 0.014
    assert np.sqrt(((found.ground - truth)[known] ** 2).mean()) < 0.8 * np.sqrt(
        ((measured - truth)[known] ** 2).mean()
    )


@pytest.mark.parametrize("own", [False, True])
def test_the_error_left_near_levels_is_that_of_the_dense_posterior(own):
    """Of levels and of differences; beside it the error of each cell alone, but where read."""
    size, rows, columns = 16, np.array([3, 8, 12]), np.array([4, 9, 3])
    surface = surface_of(np.full((size, size), 20.0))
    shots = shots_at(rows, columns, np.full(3, 20.0), size, own_datum=np.full(3, own))
    made = conditioning(shots, surface, ERROR)
    error = LevelledError(0.10, 10.0, 0.1, surface.ground, made)
    at = [(3, 4), (4, 4), (9, 12)]
    row, column = np.array([*at, *zip(rows, columns, strict=True)]).T
    away = np.hypot(row[:, None] - row, column[:, None] - column)
    prior = shared_covariance(ERROR, away)
    noise = 0.014**2 * np.eye(3) + 1e3 * own
    gain = prior[:3, 3:] @ np.linalg.inv(prior[3:, 3:] + noise)
    left = prior[:3, :3] - gain @ prior[3:, :3]
    left += 0.1 * 0.10**2 * np.diag([0.0, 1.0, 1.0])
    place = [(c + 0.5, size - r - 0.5) for r, c in at]
    assert [error.at(*one) for one in place] == pytest.approx(np.sqrt(np.diag(left)), rel=0.01)
    # above the benchmark, whose level is part of what is asked
    wide = prior + 1e3 * own
    gain = wide[:3, 3:] @ np.linalg.inv(wide[3:, 3:] + 0.014**2 * np.eye(3))
    above = wide[:3, :3] - gain @ wide[3:, :3] + 0.1 * 0.10**2 * np.diag([0.0, 1.0, 1.0])
    told = [error.from_benchmark(*one) for one in place]
    assert told == pytest.approx(np.sqrt(np.diag(above)), rel=0.01)
    assert told[0] < 0.03
    assert not own or told[0] < 0.6 * error.at(*place[0])
    fall = error.of_difference(1.0, (place[0], place[1]))
    assert fall == pytest.approx(np.sqrt(left[0, 0] + left[1, 1] - 2 * left[0, 1]), rel=0.05)
    assert fall < LevelError(0.10, 10.0, 0.1).of_difference(1.0)
    far = ((200.0, 200.0), (210.0, 200.0))
    assert error.of_difference(10.0, far) == pytest.approx(
        LevelError(0.10, 10.0, 0.1).of_difference(10.0)
    )


def test_levels_on_better_ground_are_those_of_a_smaller_error():
    """By share .7 of 10 cm as by 7 cm, which is worked out by itself."""
    surface = surface_of(np.full((16, 16), 20.0))
    shots = shots_at(np.array([3, 8, 12]), np.array([4, 9, 3]), np.full(3, 20.0), 16,
                     own_datum=np.ones(3, dtype=bool))  # fmt: skip
    found = conditioning(shots, surface, ERROR).of_better_ground(0.7)
    other = conditioning(shots, surface, replace(ERROR, rmse_m=0.7 * ERROR.rmse_m))
    for key in ("across", "gain", "offset", "offset_variance", "shared"):
        assert getattr(found, key) == pytest.approx(getattr(other, key), rel=1e-4, abs=1e-8), key


def test_levels_beyond_reach_move_nothing():
    _, measured = slope(size=100)
    made = conditioning(shots_at([10], [10], [measured[10, 10] + 1.0], 100), surface_of(measured),
                        ERROR)  # fmt: skip
    moved = made.of(measured) - measured
    row, column = np.mgrid[:100, :100]
    assert moved[10, 10] == pytest.approx(1.0, abs=0.03)
    assert not moved[np.hypot(row - 10, column - 10) > 40].any()


def test_without_levels_every_draw_and_result_is_bit_equal():
    _, measured = slope()
    surface = surface_of(measured)
    flow = route(surface, no_drains(surface))
    plan = realisation_plan(flow, [], snap_m=1.5, pond_depth_m=0.1)
    watched = Watched(np.zeros(measured.shape, np.int32), 0, None, np.arange(50))
    plain = run_realisations(plan, ERROR, watched, number=6, seed=3)
    given = run_realisations(
        plan, ERROR, watched, number=6, seed=3, surfaces=drawn_by_seed(surface, ERROR, 3)
    )
    assert plain.level.tobytes() == given.level.tobytes()
    nothing = level_ground(surface, ERROR, shots_at([], [], []), seed=3)
    assert nothing.surfaces is None
    assert nothing.ground.tobytes() == measured.tobytes()


def test_more_realisations_begin_with_those_of_fewer_and_far_ground_is_as_without_levels():
    _, measured = slope(size=100)
    surface = surface_of(measured)
    shots = shots_at([10, 14], [10, 12], measured[[10, 14], [10, 12]] + 0.05, 100)
    found = level_ground(surface, ERROR, shots, seed=2)
    plain = drawn_by_seed(surface, ERROR, 2)
    for i in range(3):
        one = found.surfaces.draw(i, random_stream(2, i + 1))
        again = level_ground(surface, ERROR, shots, seed=2).surfaces.draw(
            i, random_stream(2, i + 1)
        )
        assert one.tobytes() == again.tobytes()
        without = np.asarray(plain.draw(i, random_stream(2, i + 1)), dtype=float)
        assert np.array_equal(one[60:, 60:], without[60:, 60:])
        assert not np.array_equal(one[5:15, 5:15], without[5:15, 5:15])


def test_draws_agree_with_levels_and_with_falls_between_levels_of_an_own_benchmark():
    truth, measured = slope(3)
    surface, read = surface_of(measured), truth[ROWS, COLUMNS]
    for own in (False, True):
        shots = shots_at(ROWS, COLUMNS, read + 3.7 * own, own_datum=np.full(6, own))
        found = level_ground(surface, ERROR, shots, seed=1)
        levels = np.array([
            found.surfaces.draw(i, random_stream(1, i + 1))[ROWS, COLUMNS] for i in range(40)
        ])  # fmt: skip
        fall = levels[:, 0] - levels[:, 3]
        assert fall.mean() == pytest.approx(read[0] - read[3], abs=0.01)
        assert fall.std() < 0.03
        # without a tie the height of all together is as unsure as before
        assert (levels[:, 0].std() < 0.02) == (not own)


def test_a_level_between_centres_is_met_between_them():
    truth, measured = slope(5)
    surface = surface_of(measured)
    shots = shots_at([20], [20], [0.0], x=np.array([20.75]), y=np.array([27.25]))
    shots = replace(shots, level_m=np.array([float(truth[20:22, 20:22].mean())]))
    made = conditioning(shots, surface, ERROR).of(measured)
    told = (
        places_on(shots.x, shots.y, surface).read(made),
        (made[20, 20] * 9 + made[20, 21] * 3 + made[21, 20] * 3 + made[21, 21]) / 16,
    )
    assert told[0] == pytest.approx(told[1])
    assert told[0] == pytest.approx(shots.level_m, abs=0.02)
    assert abs(places_on(shots.x, shots.y, surface).read(measured) - shots.level_m) > 0.05


@pytest.mark.parametrize("length", [40, 12])
def test_levels_below_a_wall_move_the_ground_above_by_at_most_a_millimetre(length):
    size = 64
    row = np.mgrid[:size, :size][0]
    measured = 10 - 0.01 * row + np.where(row < 32, 0.6, 0.0)
    line = shapely.LineString([(32 - length / 2, 32.5), (32 + length / 2, 32.5)])
    surface = surface_of(measured, walls=[(line, 0.6)])
    shots = shots_at([32, 34, 35], [30, 34, 32], measured[[32, 34, 35], [30, 34, 32]] - 0.2, size)
    moved = np.abs(conditioning(shots, surface, ERROR).of(measured) - measured)
    assert moved[22:31, 29:36].max() <= 0.001
    assert moved[34, 34] > 0.18


def test_ways_round_a_building_are_those_of_a_walk_and_open_ground_is_measured_straight():
    """Behind a wall right across the grid there is no way; before it distances are straight."""
    size = 40
    line = shapely.LineString([(-1, 20.5), (41, 20.5)])
    surface = surface_of(np.zeros((size, size)), walls=[(line, 1.0)])
    places = places_on(np.array([10.5]), np.array([30.5]), surface)
    found = distances(places, surface, 60.0)
    row, column = np.divmod(found.cells, size)
    before = row < 19
    assert found.of_cells[before, 0] == pytest.approx(
        np.hypot(row[before] - 9, column[before] - 10), abs=1e-4
    )
    assert (row[~before] < 20).all()


# ------------------------------------------------------------------ ties


@pytest.mark.parametrize("seed", [1, 3])
def test_cells_at_a_house_that_stands_askew_follow_the_ground_beside_them(seed):
    """Its wall is a staircase of cells, along which every way is a little longer."""
    size, random = 60, np.random.default_rng(seed)
    house = rotate(shapely.box(24, 24, 36, 34), 9.0)
    surface = surface_of(np.zeros((size, size)), buildings=[house])
    ring = house.buffer(2.5).exterior
    along = (np.arange(8) + random.uniform(0, 0.5)) / 8
    places = [ring.interpolate(share, normalized=True) for share in along]
    shots = shots_at([int(size - p.y) for p in places], [int(p.x) for p in places],
                     random.normal(0, 0.07, 8), size, own_datum=np.ones(8, dtype=bool))  # fmt: skip

    def steepest(surface):
        made = conditioning(shots, surface, ERROR).of(np.zeros((size, size)))
        made[surface.roof] = np.nan
        return max(float(np.nanmax(np.abs(np.diff(made, axis=axis)))) for axis in (0, 1))

    assert steepest(surface) < 1.2 * steepest(surface_of(np.zeros((size, size))))


def test_the_tie_is_the_least_squares_answer_of_whitened_numbers():
    """As numpy's ordinary least squares have it, after Cholesky's factor is divided out."""
    random = np.random.default_rng(0)
    x, y = random.uniform(0, 40, (2, 7))
    away = np.hypot(x[:, None] - x, y[:, None] - y)
    covariance = 0.009 * np.exp(-away / 10) + 0.0012 * np.eye(7)
    off = 2.0 + np.linalg.cholesky(covariance) @ random.standard_normal(7)
    own = np.array([True] * 5 + [False] * 2)
    off[5:] -= 2.0
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    design = root @ own.astype(float)
    expected = np.linalg.lstsq(design[:, None], root @ off, rcond=None)[0][0]
    found = tie(off, covariance, own)
    assert found.offset_m == pytest.approx(expected)
    assert found.deviation_m == pytest.approx(1 / np.sqrt(design @ design))
    assert found.levels == 5
    assert tie(off[:2], covariance[:2, :2], own[:2]) is None


def test_the_stated_deviation_of_a_tie_is_the_true_one_over_correlated_error():
    """Over 400 samples of the error at places on a lot: right to 10 %, which s/sqrt(n) is not."""
    random, rows = np.random.default_rng(2), []
    for _ in range(400):
        x, y = random.uniform(0, 40, (2, 3))
        away = np.hypot(x[:, None] - x, y[:, None] - y)
        covariance = 0.009 * np.exp(-away / 10) + (0.001 + 0.014**2) * np.eye(3)
        off = np.linalg.cholesky(covariance) @ random.standard_normal(3)
        found = tie(off, covariance, np.ones(3, dtype=bool))
        rows.append((found.offset_m**2, found.deviation_m**2, off.var(ddof=1) / 3))
    true, stated, naive = np.sqrt(np.mean(rows, axis=0))
    assert stated == pytest.approx(true, rel=0.1)
    assert naive < 0.9 * true


def test_only_levels_on_hard_ground_tie():
    truth, measured = slope(3)
    own = np.ones(6, dtype=bool)
    shots = shots_at(ROWS, COLUMNS, truth[ROWS, COLUMNS] + 3.7, own_datum=own)
    kinds = ("hard", "lawn", "gutter", "lawn", "hard", "lawn")
    found = level_ground(surface_of(measured), ERROR, replace(shots, surface_kind=kinds), seed=1)
    assert found.tie.levels == 3
    assert found.tie.offset_m == pytest.approx(3.7, abs=3 * found.tie.deviation_m)
    assert 0.05 < found.tie.deviation_m < 0.09
    lawns = replace(shots, surface_kind=("lawn",) * 6)
    assert level_ground(surface_of(measured), ERROR, lawns, seed=1).tie is None


# ------------------------------------------------------------------ guards


def simulated(random, number=10, offset=3.7):
    """Levels that differ from what is expected as their covariance says; relief of a lot."""
    x, y = random.uniform(0, 40, (2, number))
    away = np.hypot(x[:, None] - x, y[:, None] - y)
    covariance = 0.008 * np.exp(-away / 10) + 0.014**2 * np.eye(number)
    expected = 20 - 0.03 * x + 0.01 * y
    error = np.linalg.cholesky(covariance) @ random.standard_normal(number)
    return expected + error + offset, expected, covariance, np.ones(number, dtype=bool), away


def test_false_alarms_are_as_rare_as_stated_and_half_a_metre_is_named():
    """One in a hundred of each of two tests, over 300 samples; 0.5 m named in nine of ten."""
    random, alarms, named = np.random.default_rng(5), 0, 0
    for _ in range(300):
        level, *rest = simulated(random)
        found = judge(level, *rest)
        alarms += not (found.fits and found.kept.all())
        wrong = int(random.integers(10))
        level[wrong] += 0.5 * random.choice((-1, 1))
        named += any(one.which == (wrong,) for one in judge(level, *rest).left_out)
    assert alarms / 300 <= 0.05
    assert named / 300 >= 0.90


def test_the_score_of_a_single_level_is_that_of_leaving_it_out():
    """By the normal distribution of one given the others, with the offset as a wide unknown."""
    level, expected, covariance, own, away = simulated(np.random.default_rng(8))
    level[3] += 0.6
    worst = judge(level, expected, covariance, own, away).left_out[0]
    wide = covariance + 1e5
    rest = [i for i in range(10) if i != 3]
    gain = np.linalg.solve(wide[np.ix_(rest, rest)], wide[rest, 3])
    left = (level - expected)[3] - gain @ (level - expected)[rest]
    spread = np.sqrt(wide[3, 3] - gain @ wide[rest, 3])
    assert worst.which == (3,)
    assert worst.off_m == pytest.approx(left, rel=1e-3)
    assert worst.score == pytest.approx(abs(left) / spread, rel=1e-3)


def test_chi_square_is_the_distance_of_what_is_left():
    level, expected, covariance, _, away = simulated(np.random.default_rng(8), offset=0.0)
    known = np.zeros(10, dtype=bool)
    found = judge(level, expected, covariance, known, away)
    density = multivariate_normal(expected, covariance)
    assert found.chi_square == pytest.approx(
        2 * (density.logpdf(expected) - density.logpdf(level)), rel=1e-6
    )
    assert found.probability == pytest.approx(chi2.sf(found.chi_square, 10))


@pytest.mark.parametrize(
    ("reading", "wrong"),
    [("rod readings for levels", lambda z: 5 - z), ("feet for metres", lambda z: z / 0.3048)],
)
def test_numbers_that_are_no_levels_in_metres_are_told(reading, wrong):
    random = np.random.default_rng(6)
    told = 0
    for _ in range(60):
        level, *rest = simulated(random, 8)
        assert judge(level, *rest).reading == "as written"
        told += judge(wrong(level), *rest).reading == reading
    assert told / 60 >= 0.95


def test_raised_ground_is_told_as_a_group_of_neighbours():
    random, told = np.random.default_rng(7), 0
    for _ in range(60):
        level, expected, covariance, own, away = simulated(random, 12)
        group = np.argsort(away[0])[:4]
        away[np.ix_(group, group)] = np.minimum(away[np.ix_(group, group)], 7.9)
        others = np.setdiff1d(np.arange(12), group)
        away[np.ix_(group, others)] = away[np.ix_(others, group)].clip(8.1).T
        level[group] += 0.5
        found = judge(level, expected, covariance, own, away)
        told += any(one.is_ground and set(one.which) <= set(group) for one in found.left_out)
    assert told / 60 >= 0.9


def test_three_levels_that_do_not_fit_are_refused_and_none_is_named():
    level, expected, covariance, own, away = simulated(np.random.default_rng(1), 3)
    level[0] += 2.0
    found = judge(level, expected, covariance, own, away)
    assert not found.left_out
    assert not found.fits


def test_a_position_from_a_phone_does_not_condition():
    truth, measured = slope(3)
    read = truth[ROWS, COLUMNS]
    within = np.array([0.3, 0.3, 3.0, 0.3, 5.0, 0.3])
    found = level_ground(surface_of(measured), ERROR,
                         shots_at(ROWS, COLUMNS, read, placed_within_m=within), seed=1)  # fmt: skip
    assert found.unplaced == (2, 4)
    assert found.used.tolist() == [True, True, False, True, False, True]


def test_levels_of_thresholds_and_pipes_are_no_ground():
    truth, measured = slope(3)
    kinds = ("sill", "invert", "hard", "water mark", "curb top", "benchmark")
    shots = shots_at(ROWS, COLUMNS, truth[ROWS, COLUMNS], surface_kind=kinds)
    assert level_ground(surface_of(measured), ERROR, shots, seed=1).used.tolist() == [
        False, False, True, False, False, False,
    ]  # fmt: skip


# ------------------------------------------------------------------ levels that only compare


def test_what_is_foretold_is_a_dense_prediction_with_a_wide_offset():
    level, expected, covariance, own, _ = simulated(np.random.default_rng(3))
    used = np.arange(10) < 7
    wide = covariance + 1e3
    off = level - expected
    gain = wide[np.ix_(~used, used)] @ np.linalg.inv(wide[np.ix_(used, used)])
    mean, deviation = foretold(off, covariance, own, used)
    left = wide[np.ix_(~used, ~used)] - gain @ wide[np.ix_(used, ~used)]
    assert mean == pytest.approx(gain @ off[used], abs=1e-3)
    assert deviation == pytest.approx(np.sqrt(np.diag(left)), rel=1e-3)
    assert np.isnan(foretold(off, covariance, own, np.zeros(10, dtype=bool))[0]).all()


def test_nine_in_ten_levels_that_only_compare_are_held():
    random, held = np.random.default_rng(9), []
    for seed in range(10):
        truth, measured = slope(seed)
        rows, columns = random.integers(3, SIZE - 3, (2, 14))
        shots = shots_at(rows, columns, truth[rows, columns] + 0.01 * random.standard_normal(14))
        shots = replace(shots, usage=("yes",) * 8 + ("check",) * 6)
        found = level_ground(surface_of(measured), ERROR, shots, seed=seed)
        assert not found.used[8:].any()
        held += [one.is_held for one in found.checked]
        assert [one.which for one in found.checked] == list(range(8, 14))
    assert len(held) == 60
    assert np.mean(held) >= 0.8


# ------------------------------------------------------------------ lines


def line_shots(rows, columns, level, part="bed", **more):
    n = len(rows)
    return shots_at(rows, columns, level, line=("swale",) * n, line_part=(part,) * n, **more)


def both_of(first, second):
    """Two sets of levels as one."""
    columns = {}
    for name in Shots.__dataclass_fields__:
        one, two = getattr(first, name), getattr(second, name)
        columns[name] = one + two if isinstance(one, tuple) else np.concatenate([one, two])
    return Shots(**columns)


def test_a_line_is_level_between_its_levels_and_unsure_as_a_bridge_is():
    """Half-way between levels 10 m apart 15 mm, as a Brownian bridge of that rate has it."""
    _, measured = slope()
    shots = line_shots([20, 20, 20], [8, 18, 28], [19.0, 18.8, 18.7], deviation_m=np.zeros(3))
    surface = surface_of(measured)
    (strip,) = strips_of(shots, surface)
    made = conditioning(shots, surface, ERROR)
    along = made.of(measured)[20, 8:29]
    assert along == pytest.approx(np.interp(np.arange(8, 29), [8, 18, 28], [19.0, 18.8, 18.7]))
    random = np.random.default_rng(0)
    drawn = np.array([
        made.of(measured, random.standard_normal(made.numbers))[20, 8:29] for _ in range(800)
    ])  # fmt: skip
    middle = 0.5 * (drawn[:, 4] + drawn[:, 6])  # 4 and 6 m along: pseudo levels
    assert np.diag(strip.bridge).max() <= 0.015**2
    assert drawn[:, [0, 10, 20]].std(axis=0).max() < 1e-6
    assert middle.std() == pytest.approx(0.0147, rel=0.12)


def test_levels_are_joined_in_their_rank_and_one_alone_is_no_line():
    _, measured = slope()
    shots = line_shots([20, 20, 20], [28, 8, 18], [18.7, 19.0, 18.8],
                       line_rank=np.array([3.0, 1.0, 2.0]))  # fmt: skip
    (strip,) = strips_of(shots, surface_of(measured))
    assert strip.which == (1, 2, 0)
    assert strips_of(shots.taken([0]), surface_of(measured)) == []
    assert conditioning(shots.taken([0]), surface_of(measured), ERROR).sets == ()


def test_a_bed_of_stated_depth_gets_a_lip_on_its_lower_side_alone():
    row = np.mgrid[:SIZE, :SIZE][0]
    measured = 20 - 0.02 * row.astype(float)
    bed = measured[20, [8, 18, 28]] - 0.1
    shots = line_shots([20, 20, 20], [8, 18, 28], bed, line_depth_m=np.full(3, 0.3))
    made = conditioning(shots, surface_of(measured), ERROR).of(measured)
    ways = (made[14:20, 18], made[21:27, 18])
    assert ways[1].max() >= bed[1] + 0.3 - 1e-6  # below
    assert ways[0].max() < bed[1] + 0.3 - 0.05  # above
    level = np.full((SIZE, SIZE), 20.0)
    both = conditioning(replace(shots, level_m=np.full(3, 19.8)), surface_of(level), ERROR)
    made = both.of(level)
    assert made[14:20, 18].max() >= 20.1 - 1e-6
    assert made[21:27, 18].max() >= 20.1 - 1e-6


def test_a_curb_beside_its_gutter_stands_on_cells_of_its_own():
    measured = np.full((SIZE, SIZE), 20.0)
    gutter = line_shots([20, 20], [8, 28], [19.85, 19.85])
    top = line_shots([20, 20], [8, 28], [20.0, 20.0], "curb top", surface_kind=("curb top",) * 2)
    top = replace(top, y=top.y + 0.3)
    both = both_of(gutter, top)
    strips = strips_of(both, surface_of(measured))
    cells = [set(strip.course.cells.tolist()) for strip in strips]
    assert not cells[0] & cells[1]
    assert {cell // SIZE for cell in cells[1]} <= {18, 19}
    made = conditioning(both, surface_of(measured), ERROR).of(measured)
    assert made[20, 10:26] == pytest.approx(19.85)
    # the top of a curb tells nothing of the ground behind it
    assert strips[1].is_ground is False


def test_a_swale_within_the_error_comes_back_with_its_bed_and_lip():
    """Of the water that comes down to a 12 cm swale nearly all is caught, and a third without."""
    size = 64
    row, column = np.mgrid[:size, :size].astype(float)
    truth = 10 - 0.02 * row - 0.008 * column
    truth -= 0.25 * np.exp(-(((row - 32) / 1.5) ** 2)) * (column <= 56)
    lip = 32 + int(truth[32:37, 30].argmax())
    random = np.random.default_rng(1)
    measured = truth + random_field(ERROR.spectrum(truth.shape, 1.0), random)
    columns = np.array([10, 25, 40, 56])
    surface = surface_of(measured)
    flow = route(surface, no_drains(surface))
    inlet = place_inlets([DrawnInlet("A", shapely.Point(56.5, size - 32.5))], surface)
    plan = realisation_plan(flow, inlet, snap_m=0, pond_depth_m=0.1)
    shares = []
    for with_line in (False, True):
        surfaces = drawn_by_seed(surface, ERROR, 0)
        if with_line:
            bed = line_shots([32] * 4, columns, truth[32, columns], size=size)
            low = line_shots([lip] * 4, columns, truth[lip, columns], "lip", size=size)
            shots = both_of(bed, low)
            surfaces = level_ground(surface, ERROR, shots, seed=0).surfaces
        labels = [realise(plan, surfaces.draw(i, random_stream(0, i + 1))).label for i in range(10)]
        caught = [(one.reshape(size, size)[30, 12:55] == 1).mean() for one in labels]
        shares.append(np.mean(caught))
    assert shares[0] < 0.7
    assert shares[1] >= 0.95


def test_a_swale_dug_since_the_survey_is_set_and_tells_nothing_of_the_ground_beside_it():
    truth, measured = slope(3)
    rows, columns = np.array([24] * 5), np.array([8, 16, 24, 32, 40])
    dug = line_shots(rows, columns, truth[rows, columns] - 0.6)
    others = shots_at(ROWS, COLUMNS, truth[ROWS, COLUMNS])
    found = level_ground(surface_of(measured), ERROR, both_of(dug, others), seed=1)
    (out,) = found.judged.left_out
    assert (out.is_line, out.which) == (True, (0, 1, 2, 3, 4))
    assert found.judged.fits
    assert found.used.all()
    assert found.ground[24, 10:38] == pytest.approx(
        np.interp(np.arange(10, 38), columns, truth[24, columns] - 0.6), abs=1e-6
    )
    without = level_ground(surface_of(measured), ERROR, others, seed=1)
    assert np.abs(found.ground - without.ground)[np.r_[:23, 26:SIZE]].max() < 1e-6
    (rule,) = [one.rule for one in shot_findings(found) if one.severity == "note"
               and one.rule != "shots-used"]  # fmt: skip
    assert rule == "line-not-in-data"


def test_a_curb_alone_is_set_where_its_height_is_known():
    measured = np.full((SIZE, SIZE), 20.0)
    top = line_shots([20, 20], [8, 28], [20.1, 20.1], "curb top", surface_kind=("curb top",) * 2)
    found = level_ground(surface_of(measured), ERROR, top, seed=0)
    assert found.ground[20, 10:26] == pytest.approx(20.1)
    assert np.array_equal(np.delete(found.conditioning.of(measured), 20, 0),
                          np.delete(measured, 20, 0))  # fmt: skip
    own = replace(top, own_datum=np.ones(2, dtype=bool))
    unknown = level_ground(surface_of(measured), ERROR, own, seed=0)
    assert unknown.conditioning is None
    assert not unknown.used.any()


def test_exact_levels_read_twice_at_one_place_are_taken_as_they_are():
    truth, measured = slope(3)
    rows, columns = np.append(ROWS, ROWS[0]), np.append(COLUMNS, COLUMNS[0])
    shots = shots_at(rows, columns, truth[rows, columns], deviation_m=np.zeros(7))
    found = level_ground(surface_of(measured), ERROR, shots, seed=1)
    assert found.judged.fits
    assert found.ground[ROWS, COLUMNS] == pytest.approx(truth[ROWS, COLUMNS], abs=0.002)


def test_levels_on_data_without_error_change_nothing_but_lines():
    exact, measured = ErrorModel(0.0, 10.0, 0.1), slope()[1]
    shots = both_of(shots_at([10], [30], [measured[10, 30] + 0.01]),
                    line_shots([20, 20], [8, 28], [19.0, 18.8]))  # fmt: skip
    made = conditioning(shots, surface_of(measured), exact).of(measured)
    assert np.array_equal(np.delete(made, 20, axis=0), np.delete(measured, 20, axis=0))
    assert made[20, 18] == pytest.approx(18.9)


def test_precision_is_the_inverse_with_a_very_wide_offset():
    _, _, covariance, own, _ = simulated(np.random.default_rng(3), 5)
    assert precision(covariance, own) == pytest.approx(
        np.linalg.inv(covariance + 1e5), rel=1e-3, abs=1e-3
    )
