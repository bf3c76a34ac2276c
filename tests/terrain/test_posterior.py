"""Surfaces that may be true: they keep structure, and are as far off as they may be."""

import numpy as np
import pytest

from lotflow.terrain.error_model import ErrorModel, random_field
from lotflow.terrain.likely_surfaces import likely_surfaces
from lotflow.terrain.posterior import led_round, posterior


def hills(size, random):
    """Smooth natural ground: waves that grow with their length."""
    wave = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size))
    wave[0, 0] = np.inf
    power = wave**-3.5
    return random_field(power * 0.25 / power.mean(), random)


def test_without_error_every_draw_is_the_ground():
    ground = hills(50, np.random.default_rng(0))
    found = posterior(ground, ErrorModel(0.0, 10.0, 0.1), 1.0, np.random.default_rng(1))
    assert found.draw(3, np.random.default_rng(2)) is ground


@pytest.mark.parametrize("shape", [(20, 20), (41, 97), (120, 75)])
def test_draws_have_the_shape_of_the_ground(shape):
    ground = hills(128, np.random.default_rng(0))[: shape[0], : shape[1]]
    found = posterior(ground, ErrorModel(0.05, 5.0, 0.1), 1.0, np.random.default_rng(1))
    drawn = found.draw(0, np.random.default_rng(2))
    assert drawn.shape == shape
    assert np.isfinite(drawn).all()


def test_the_same_random_numbers_give_the_same_draw():
    ground = hills(64, np.random.default_rng(0))
    found = [
        posterior(ground, ErrorModel(0.05, 5.0, 0.1), 1.0, np.random.default_rng(1)).draw(
            2, np.random.default_rng(2)
        )
        for _ in range(2)
    ]
    assert np.array_equal(*found)


def test_the_mean_of_the_draws_is_nearer_to_the_truth_than_the_measured_surface():
    """Of natural ground with white error it takes most of the error away."""
    random = np.random.default_rng(4)
    truth = hills(96, random)
    error = ErrorModel(0.05, 5.0, 1.0)
    measured = truth + random_field(error.spectrum(truth.shape, 1.0), random)
    found = posterior(measured, error, 1.0, random)
    draws = np.array([found.draw(i, random) for i in range(24)])
    inner = (slice(8, -8), slice(8, -8))
    off = (draws.mean(axis=0) - truth)[inner].std()
    assert off < 0.7 * (measured - truth)[inner].std()
    # and the draws are about as far from their mean as the truth is
    assert draws.std(axis=0)[inner].mean() == pytest.approx(off, rel=0.5)


def test_a_single_bowl_three_times_as_deep_as_the_error_is_held_by_the_intervals():
    """On natural ground; a prior of such ground alone would level it."""
    y, x = np.mgrid[:96, :96].astype(float)
    radius = np.hypot(x - 48, y - 48)
    rim = (radius > 9) & (radius < 11)

    def depth(surface):
        return surface[rim].mean() - surface[46:51, 46:51].mean()

    held, deep, levelled = [], [], []
    for seed in range(8):
        random = np.random.default_rng(seed)
        truth = 0.01 * y - np.where(radius < 8, 0.30 * (1 - (radius / 8) ** 2), 0.0)
        truth += 0.1 * hills(96, random)
        error = ErrorModel(0.10, 10.0, 0.1)
        measured = truth + random_field(error.spectrum(truth.shape, 1.0), random)
        found = likely_surfaces(measured, error, 1.0, random)
        depths = np.array([depth(found.draw(i, random)) for i in range(40)])
        low, high = np.quantile(depths, (0.05, 0.95))
        held.append(low <= depth(truth) <= high)
        deep.append((depths[1::2] > 0.1).mean())
        levelled.append((depths > 0.1).mean())
    assert np.mean(held) >= 0.6
    assert np.mean(deep) >= 0.9  # by the view that looks at each place alone
    assert np.mean(levelled) >= 0.5


def test_draws_take_both_views_in_turn():
    ground = hills(64, np.random.default_rng(0))
    error = ErrorModel(0.05, 5.0, 0.1)
    found = likely_surfaces(ground, error, 1.0, np.random.default_rng(1))
    for number, view in ((4, found.learned), (5, found.local)):
        drawn = found.draw(number, np.random.default_rng(2))
        assert np.array_equal(drawn, view.draw(2, np.random.default_rng(2)))
    assert not found.are_one
    assert likely_surfaces(ground, ErrorModel(0, 5, 0), 1.0, np.random.default_rng(1)).are_one


def test_a_surface_is_led_round_without_a_step():
    """Where its sides meet there is no jump larger than those within it."""
    values = np.cumsum(np.ones((40, 50)), axis=0) * 0.01
    periodic = led_round(values)
    assert np.array_equal(periodic[:40, :50], values)
    jump = np.abs(np.diff(np.concatenate([periodic, periodic[:1]]), axis=0)).max()
    assert jump < 0.06
