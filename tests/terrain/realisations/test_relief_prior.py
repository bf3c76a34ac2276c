"""What is learned about relief through the error of its survey."""

import numpy as np
import pytest

from lotflow.terrain.level_error import ErrorModel, random_field
from lotflow.terrain.realisations.relief_prior import (
    PowerLaw,
    built_share,
    energies,
    fit_power_law,
    level_prior,
)
from lotflow.terrain.realisations.wavelet_bands import Bands

SHAPE = (128, 128)
BANDS = Bands(SHAPE, 4)


def surveyed(relief, error, seed):
    """A surface with its error, split in three positions; and the error's variance per band."""
    random = np.random.default_rng(seed)
    spectrum = error.spectrum(SHAPE, 1.0)
    measured = relief(random) + random_field(spectrum, random)
    splits = [BANDS.split(np.roll(measured, shift, axis=(0, 1))) for shift in (0, 5, 11)]
    return splits, BANDS.variances(spectrum)


def natural(law):
    return lambda random: random_field(law.spectrum(SHAPE), random)


def built(random):
    """Smooth slope with a pad, a curb and a bowl."""
    row, column = np.mgrid[:128, :128].astype(float)
    ground = np.where((abs(row - 40) < 15) & (abs(column - 40) < 20), 0.4, 0.0)
    ground += 0.12 * (row > 100)
    away = np.hypot(row - 80, column - 90)
    ground -= np.where(away < 9, 0.4 * (1 - (away / 9) ** 2), 0)
    return ground + 0.002 * random.standard_normal(SHAPE)


@pytest.mark.parametrize("law", [PowerLaw(1e-4, 3.0), PowerLaw(1e-5, 4.0), PowerLaw(1e-3, 2.0)])
def test_the_law_of_natural_ground_is_found_through_the_error(law):
    found = [
        fit_power_law(*surveyed(natural(law), ErrorModel(0.05, 5.0, 0.3), seed), BANDS)
        for seed in range(4)
    ]
    assert np.mean([one.exponent for one in found]) == pytest.approx(law.exponent, abs=0.4)
    # variance of waves 8 to 16 cells long, where amplitude and exponent count together
    band = [BANDS.variances(one.spectrum(SHAPE))[2].mean() for one in [law, *found]]
    assert np.mean(band[1:]) == pytest.approx(band[0], rel=0.3)


def test_ground_of_a_law_is_not_built_and_pads_and_curbs_are():
    error, base = ErrorModel(0.03, 10.0, 0.5), np.ones((4, 3))
    for seed in range(3):
        assert built_share(surveyed(natural(PowerLaw(1e-4, 3.5)), error, seed)[0], base) < 0.2
        assert built_share(surveyed(built, error, seed)[0], base) > 0.8


def test_where_the_law_is_lost_in_the_error_it_is_not_asked():
    level = [BANDS.split(np.zeros(SHAPE))]
    assert built_share(level, np.ones((4, 3))) == 0.0
    assert built_share(level, np.zeros((4, 3))) == 1.0
    assert built_share(level, np.full((4, 3), 0.15)) == pytest.approx(0.5)


@pytest.mark.parametrize("unit", [1e-18, 1e-9, 1.0, 1e6])
def test_how_far_ground_is_built_does_not_depend_on_the_unit(unit):
    """One of ten coefficients four times as large: kurtosis (0.9 + 25.6) / 2.5^2 = 4.24."""
    band = np.float32(unit) * np.where(np.arange(1000) % 10, 1, 4).reshape(20, 50)
    level = (band.astype(np.float32),) * 3
    assert built_share([[None, level]], np.ones((1, 3))) == pytest.approx(0.44, abs=1e-5)


def learned(relief, error, level=1, base=0.01, seed=0):
    splits, variance = surveyed(relief, error, seed)
    law = np.full(variance.shape, base)
    pairs = energies(splits[0], variance, law)[level]
    own, near = (np.concatenate([pair[i].ravel() for pair in pairs]) for i in (0, 1))
    return level_prior(own, near, base, 1.0), own, near


def test_mere_error_is_taken_for_error():
    prior, own, near = learned(lambda random: np.zeros(SHAPE), ErrorModel(0.05, 1.0, 1.0))
    expected, quiet = prior.expected(own, near), own < 4
    assert expected[quiet].max() < 0.5
    assert expected[quiet].mean() < 0.1


def test_what_stands_out_keeps_its_height():
    prior, own, near = learned(built, ErrorModel(0.03, 1.0, 1.0))
    expected = prior.expected(own, near)
    assert expected[own > 25].min() > 0.9
    assert (expected >= 0).all()
    assert (expected <= 1).all()


def test_more_energy_means_more_relief():
    """Of two coefficients with the same surroundings the larger one keeps the larger share."""
    prior, _, _ = learned(built, ErrorModel(0.03, 1.0, 1.0))
    own = np.geomspace(0.1, 1000, 80)
    for near in (0.1, 1.0, 10.0):
        assert (np.diff(prior.expected(own, np.full(80, near))) > -1e-9).all()


def test_a_level_is_judged_by_the_next_coarser_one_too():
    """Energy of the parent coefficient counts in the surroundings of its four children."""
    quiet = BANDS.split(np.zeros(SHAPE))
    quiet[-2][0][3, 5] = 2.0  # level 1, counted from the finest
    base = np.zeros((4, 3))
    own, near = energies(quiet, np.ones((4, 3)), base)[0][0]
    assert own.max() == 0
    assert set(zip(*np.nonzero(near), strict=True)) == {(6, 10), (6, 11), (7, 10), (7, 11)}
    assert near[6, 10] == pytest.approx(4.0 * 4.0 / 12.0)
