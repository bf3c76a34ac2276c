"""Both views of the ground: draws take them in turn, and a single bowl is not levelled."""

import numpy as np

from lotflow.terrain.error_model import ErrorModel, random_field
from lotflow.terrain.likely_surfaces import likely_surfaces


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
        assert np.array_equal(drawn, view().draw(2, np.random.default_rng(2)))
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
