"""Surfaces that may be true: what each view of the ground keeps and lets go, their turns."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from time import sleep

import numpy as np
import pytest

from lotflow.terrain.level_error import ErrorModel, random_field
from lotflow.terrain.realisations.likely_surfaces import (
    _LEARNED_HALVINGS,
    LikelySurfaces,
    _FoundOnce,
    likely_surfaces,
    posterior,
)
from lotflow.terrain.realisations.wavelet_bands import led_round, measured_surface

SIZE = 96


def natural(random, exponent=3.5, deviation=0.4):
    wave = np.hypot(np.fft.fftfreq(SIZE)[:, None], np.fft.fftfreq(SIZE))
    wave[0, 0] = np.inf
    spectrum = wave**-exponent
    relief = random_field(spectrum * deviation**2 / spectrum.mean(), random)
    return relief + 0.02 * np.arange(SIZE)[:, None]


def with_bowl(depth=0.30, radius=8.0):
    row, column = np.mgrid[:SIZE, :SIZE].astype(float)
    away = np.hypot(row - 48, column - 48)
    return 0.01 * row - np.where(away < radius, depth * (1 - (away / radius) ** 2), 0)


def surveyed(truth, error, random):
    return truth + random_field(error.spectrum(truth.shape, 1.0), random)


def draws(measured, error, number, seed=0):
    random = np.random.default_rng(seed)
    ready = measured_surface(measured, error, 1.0)
    found = posterior(ready, ready.positions(_LEARNED_HALVINGS, random))
    return np.array([found.draw(i, random) for i in range(number)])


def roughness(surface):
    """Deviation of a cell from the mean of its four neighbours."""
    inner = surface[..., 1:-1, 1:-1]
    around = (surface[..., 2:, 1:-1] + surface[..., :-2, 1:-1]
              + surface[..., 1:-1, 2:] + surface[..., 1:-1, :-2])  # fmt: skip
    return (inner - around / 4).std()


ERRORS = [
    ErrorModel(0.03, 1.0, 1.0),
    ErrorModel(0.08, 10.0, 0.1, "gaussian"),
    ErrorModel(0.10, 10.0, 0.1),
]


@pytest.mark.parametrize("error", ERRORS)
def test_draws_hold_the_truth_as_often_as_they_say(error):
    """Height of a cell above the cells 3 and 12 off: nine of ten differences in the interval."""
    held = []
    for seed in range(6):
        random = np.random.default_rng(seed)
        truth = natural(random)
        drawn = draws(surveyed(truth, error, random), error, 60)
        for step in (3, 12):
            fall, true = drawn[:, step:] - drawn[:, :-step], truth[step:] - truth[:-step]
            low, high = np.quantile(fall, [0.05, 0.95], axis=0, method="weibull")
            held.append(((low <= true) & (true <= high)).mean())
    assert 0.85 < np.mean(held) < 0.97


@pytest.mark.parametrize("error", ERRORS)
def test_the_middle_of_the_draws_is_nearer_to_the_truth_than_the_measurement(error):
    """Falls over 3 cells, where error and relief can be told apart."""
    random = np.random.default_rng(3)
    truth = natural(random)
    measured = surveyed(truth, error, random)
    middle = draws(measured, error, 40).mean(axis=0)

    def off(surface):
        return np.std((surface - truth)[3:] - (surface - truth)[:-3])

    assert off(middle) < 0.9 * off(measured)


def test_draws_are_as_rough_as_the_truth_not_as_the_measurement_with_error_once_more():
    error, random = ErrorModel(0.05, 1.0, 1.0), np.random.default_rng(4)
    truth = natural(random)
    measured = surveyed(truth, error, random)
    drawn = draws(measured, error, 8)
    assert roughness(drawn) < 0.8 * roughness(measured)
    assert roughness(drawn) > 0.9 * roughness(truth)


def bowl_depths(drawn):
    rim = (drawn[..., 48, 38:40].mean(axis=-1) + drawn[..., 48, 57:59].mean(axis=-1)) / 2
    return rim - drawn[..., 47:50, 47:50].mean(axis=(-1, -2))


def test_a_deep_bowl_keeps_its_depth():
    """A bowl ten errors deep stands in every draw, as deep as it was measured."""
    error, random = ErrorModel(0.03, 10.0, 0.1, "gaussian"), np.random.default_rng(11)
    measured = surveyed(with_bowl(), error, random)
    depths = bowl_depths(draws(measured, error, 40))
    assert depths.mean() == pytest.approx(bowl_depths(measured), abs=0.05)
    assert (depths > 0.10).all()


def test_a_doubtful_bowl_is_there_in_some_draws_and_not_in_others():
    """A bowl three errors deep on a plane may be an error: the draws reach from nothing to it."""
    error, gone, held = ErrorModel(0.10, 10.0, 0.1, "gaussian"), [], []
    for seed in range(8):
        measured = surveyed(with_bowl(), error, np.random.default_rng(seed))
        depths = bowl_depths(draws(measured, error, 40))
        gone.append(depths.min() < 0.12)
        held.append(np.quantile(depths, 0.95) > 0.20)
    assert np.mean(gone) >= 0.75
    assert np.mean(held) >= 0.5


def test_a_slope_of_the_whole_ground_is_kept():
    """Draws of ground on another plane are the same draws on that plane, but for rounding."""
    error = ErrorModel(0.05, 5.0, 0.5)
    ground = natural(np.random.default_rng(6))
    plane = 100 + np.add.outer(0.1 * np.arange(SIZE), -0.03 * np.arange(SIZE))
    tilted = draws(ground + plane, error, 3)
    assert tilted - plane == pytest.approx(draws(ground, error, 3), abs=1e-6)


def test_the_same_random_numbers_give_the_same_bits():
    error, ground = ErrorModel(0.05, 5.0, 0.5), natural(np.random.default_rng(7))
    assert np.array_equal(draws(ground, error, 9), draws(ground, error, 9))
    assert not np.array_equal(draws(ground, error, 9), draws(ground, error, 9, seed=1))


@pytest.mark.parametrize("shape", [(3, 3), (5, 40), (47, 48), (50, 130)])
@pytest.mark.parametrize(
    "error",
    [ErrorModel(10.0, 10.0, 0.1), ErrorModel(0.1, 5000.0, 0.0), ErrorModel(0.1, 0.05, 0.5),
     ErrorModel(1e-4, 10.0, 0.0, "gaussian")],
)  # fmt: skip
def test_small_windows_and_odd_errors_give_finite_surfaces(shape, error):
    ground = np.random.default_rng(8).standard_normal(shape)
    drawn = draws(ground, error, 3)
    assert drawn.shape == (3, *shape)
    assert np.isfinite(drawn).all()


def test_level_ground_stays_nearly_level():
    """Where nothing was measured but a level, no more relief is drawn than the error may hide."""
    drawn = draws(np.zeros((60, 60)), ErrorModel(0.05, 1.0, 1.0), 20)
    assert np.std(drawn) < 0.02


@pytest.mark.parametrize("shape", [(96, 70), (30, 20), (4, 90)])
def test_a_surface_is_led_round_without_a_step(shape):
    """Across the seam neighbours differ no more than within the surface."""
    values = np.cumsum(np.cumsum(np.random.default_rng(9).standard_normal(shape), 0), 1)
    periodic = led_round(values)
    assert np.array_equal(periodic[: shape[0], : shape[1]], values)
    for axis in (0, 1):
        within = np.abs(np.diff(values, axis=axis)).max()
        seam = np.abs(np.diff(periodic, axis=axis, append=np.take(periodic, [0], axis=axis)))
        assert seam.max() < 1.5 * within


@pytest.mark.parametrize("reach", [100.0, 1000.0])
def test_an_error_that_reaches_beyond_the_window_lifts_near_places_together(reach):
    """On built ground: a fall over 5 and 50 m is no less sure than the error itself makes it."""
    error = ErrorModel(0.05, reach, 0.0)
    random = np.random.default_rng(1)
    row, column = np.mgrid[:SIZE, :SIZE].astype(float)
    truth = 0.01 * row + 0.35 * ((abs(column - 30) < 12) & (abs(row - 40) < 10)) + with_bowl(0.4)
    drawn = draws(surveyed(truth, error, random), error, 200)
    for step in (5, 50):
        falls = drawn[:, step:] - drawn[:, :-step]
        allowed = np.sqrt(2 * error.semivariance(float(step)))
        assert np.sqrt(falls.var(axis=0).mean()) < 1.5 * allowed


@pytest.mark.parametrize("scale", [1e-13, 1e-6, 1.0, 1e3])
def test_relief_of_any_size_gives_finite_surfaces(scale):
    """Squares of what rounding leaves of a plane, or of a mountain, stay numbers."""
    relief = scale * natural(np.random.default_rng(10), deviation=1.0)
    drawn = draws(5.0 + relief, ErrorModel(0.05, 5.0, 0.5), 3)
    assert np.isfinite(drawn).all()
    assert np.abs(drawn - 5.0 - relief).max() < 0.5


def hills(size, random):
    """Smooth natural ground: waves that grow with their length."""
    wave = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size))
    wave[0, 0] = np.inf
    power = wave**-3.5
    return random_field(power * 0.25 / power.mean(), random)


def test_draws_take_both_views_in_turn():
    ground = hills(64, np.random.default_rng(0))
    found = likely_surfaces(ground, ErrorModel(0.05, 5.0, 0.1), 1.0, np.random.default_rng(1))
    for number, view in zip((4, 5), found.views, strict=True):
        drawn = found.draw(number, np.random.default_rng(2))
        assert np.array_equal(drawn, view.found.draw(2, np.random.default_rng(2)))
    assert not found.are_one


def test_without_error_all_are_the_measured_ground():
    ground = hills(40, np.random.default_rng(0))
    found = likely_surfaces(ground, ErrorModel(0.0, 5.0, 0.0), 1.0, np.random.default_rng(1))
    assert found.are_one
    assert found.draw(1, np.random.default_rng(2)) is ground


def test_a_single_bowl_three_times_as_deep_as_the_error_is_kept_by_the_local_view():
    """On natural ground, whose prior alone would level it; the hardest case known."""
    y, x = np.mgrid[:96, :96].astype(float)
    radius = np.hypot(x - 48, y - 48)
    rim = (radius > 9) & (radius < 11)

    def depth(surface):
        return surface[rim].mean() - surface[46:51, 46:51].mean()

    held, deep = [], []
    for seed in range(16):
        random = np.random.default_rng(seed)
        truth = 0.01 * y - np.where(radius < 8, 0.30 * (1 - (radius / 8) ** 2), 0.0)
        truth += 0.1 * hills(96, random)
        error = ErrorModel(0.10, 10.0, 0.1)
        measured = truth + random_field(error.spectrum(truth.shape, 1.0), random)
        found = likely_surfaces(measured, error, 1.0, random)
        depths = np.array([depth(found.draw(i, random)) for i in range(40)])
        low, high = np.quantile(depths, (0.05, 0.95), method="weibull")
        held.append(low <= depth(truth) <= high)
        deep.append((depths[1::2] > 0.1).mean())
    assert np.mean(held) >= 0.5  # 0.90 is claimed: see the limits in docs/methods.md
    assert np.mean(deep) >= 0.8


def test_threads_that_ask_at_once_get_the_same():
    together, calls = Barrier(4), []

    def find():
        calls.append(1)
        sleep(0.05)  # long enough for the others to ask meanwhile
        return object()

    asked = _FoundOnce(find)

    def ask(_):
        together.wait()
        return asked.found

    with ThreadPoolExecutor(4) as pool:
        found = set(pool.map(ask, range(4)))
    assert len(calls) == len(found) == 1


def test_nothing_is_an_answer_too():
    answers = iter([None, 1])
    asked = _FoundOnce(lambda: next(answers))
    assert asked.found is None
    assert asked.found is None


def test_what_failed_is_tried_again():
    divisors = iter([0, 2])
    asked = _FoundOnce(lambda: 1 / next(divisors))
    with pytest.raises(ZeroDivisionError):
        _ = asked.found
    assert asked.found == 0.5


@pytest.mark.parametrize("number", [0, 1, 2, 3, 7, 100])
def test_every_draw_has_its_turn_once(number):
    turns = LikelySurfaces.in_turn(number)
    assert sorted(turns) == list(range(number))
    assert turns[:2] == [0, 1][:number]


def test_cells_that_are_less_sure_are_drawn_so_and_the_others_as_ever():
    """As ground under a tree beside ground full of returns."""
    random = np.random.default_rng(5)
    error = ErrorModel(0.03, 8.0, 0.1)
    ground = surveyed(natural(random), error, random)
    apart = np.zeros((SIZE, SIZE))
    apart[:, 60:] = 0.12
    plain, wide = (
        np.array([
            likely_surfaces(ground, error, 0.5, np.random.default_rng(1), given).draw(
                n, np.random.default_rng(n)
            )
            for n in range(30)
        ])
        for given in (None, apart)
    )  # fmt: skip
    np.testing.assert_array_equal(wide[:, :, :60], plain[:, :, :60])
    assert wide[:, :, 60:].std(axis=0).mean() > 2 * plain[:, :, 60:].std(axis=0).mean()
    assert wide[:, :, 60:].std(axis=0).mean() < 0.15
    none = likely_surfaces(ground, error, 0.5, np.random.default_rng(1), np.zeros((SIZE, SIZE)))
    np.testing.assert_array_equal(none.draw(3, np.random.default_rng(3)), plain[3])
