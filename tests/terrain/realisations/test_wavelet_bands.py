"""Variances of wavelet bands from a spectrum against fields that are split and counted."""

import numpy as np
import pytest
import pywt

from lotflow.terrain.level_error import ErrorModel, random_field
from lotflow.terrain.realisations.wavelet_bands import MODE, WAVELET, Bands, flat, join

BANDS = Bands((64, 96), 3)


def slanted():
    """A spectrum that differs between the axes, so that orientations cannot be mixed up."""
    rows, columns = np.fft.fftfreq(64)[:, None], np.fft.fftfreq(96)
    return 1e-4 / (0.01 + rows**2 + 9 * columns**2)


@pytest.mark.parametrize("spectrum", [slanted(), ErrorModel(0.1, 4.0, 0.2).spectrum((64, 96), 1.0)])
def test_variances_are_those_of_split_fields(spectrum):
    random = np.random.default_rng(2)
    counted = np.zeros((3, 3))
    for _ in range(80):
        split = pywt.wavedec2(random_field(spectrum, random), WAVELET, MODE, level=3)
        counted += [[np.mean(band**2) / 80 for band in level] for level in reversed(split[1:])]
    assert BANDS.variances(spectrum) == pytest.approx(counted, rel=0.1)


def test_every_band_of_an_uncorrelated_field_has_its_variance():
    """The wavelets have length 1."""
    white = np.full((64, 96), 0.04)
    assert BANDS.variances(white) == pytest.approx(np.full((3, 3), 0.04))
    assert BANDS.smooth_spectrum(white, 2) == pytest.approx(np.full((16, 24), 0.04))


def test_the_smooth_spectrum_is_that_of_smooth_parts():
    spectrum, random, counted = slanted(), np.random.default_rng(3), 0.0
    for _ in range(200):
        smooth = Bands((64, 96), 2).split(random_field(spectrum, random))[0]
        counted = counted + np.abs(np.fft.fft2(smooth)) ** 2 / smooth.size / 200
    expected = BANDS.smooth_spectrum(spectrum, 2)
    assert counted.mean() == pytest.approx(expected.mean(), rel=0.05)
    assert np.median(counted / expected) == pytest.approx(1.0, abs=0.05)
    assert np.abs(np.log(counted / expected)).max() < 0.5


def test_what_is_split_can_be_joined():
    values = np.random.default_rng(4).standard_normal((64, 96))
    assert join(BANDS.split(values)) == pytest.approx(values)
    smooth = join(BANDS.split(values)[:2])
    assert smooth == pytest.approx(Bands((64, 96), 2).split(values)[0])


def test_flat_coefficients_are_the_bands_in_their_order():
    smooth, *details = BANDS.split(np.random.default_rng(5).standard_normal((64, 96)))
    coefficients = flat(details)
    assert coefficients.size == 64 * 96 - smooth.size
    for level, again in zip(details, BANDS.details(coefficients), strict=True):
        for band, same in zip(level, again, strict=True):
            assert np.array_equal(band, same)


def test_each_coefficient_gets_the_number_of_its_band():
    numbers = np.arange(9.0).reshape(3, 3)  # from fine to coarse
    for finer, level in enumerate(BANDS.details(BANDS.of_each(numbers))):
        for band, number in zip(level, numbers[2 - finer], strict=True):
            assert (band == number).all()


def test_each_coefficient_gets_the_number_of_the_coarsest_cell_below_it():
    assert BANDS.coarsest == (8, 12)
    cells = np.arange(96, dtype=np.float32).reshape(8, 12)
    for finer, level in enumerate(BANDS.details(BANDS.over_all(cells))):
        for band in level:
            rows, columns = np.indices(band.shape) >> finer
            assert np.array_equal(band, cells[rows, columns])


def test_a_grid_that_is_not_split_has_no_details():
    (smooth,) = Bands((24, 24), 0).split(np.ones((24, 24)))
    assert smooth.shape == (24, 24)
    assert flat([]).size == 0
