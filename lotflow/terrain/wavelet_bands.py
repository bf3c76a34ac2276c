"""Wavelet bands of a periodic surface: what share of a spectrum falls into each of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.error_model import mirrored

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import FloatArray, SingleArray

#: Orthogonal, nearly symmetric, four vanishing moments: smooth ground needs few coefficients.
WAVELET: Final = "sym4"
#: The surface repeats at its sides.
MODE: Final = "periodization"


@dataclass(frozen=True)
class Bands:
    """
    The bands into which a grid is split.

    Parameters
    ----------
    shape
        Rows and columns; multiples of 2 to the power of `levels`, at least 8.
    levels
        Number of halvings.
    """

    shape: tuple[int, int]
    levels: int

    @cached_property
    def _responses(self) -> list[tuple[FloatArray, FloatArray]]:
        """
        Squared responses of each axis, low-pass and band-pass: levels from fine to coarse, waves.

        Of the waves from 0 to half the cells; those beyond are mirror images.
        """
        import pywt  # noqa: PLC0415 - only where realisations are run

        low, high = (np.asarray(taps) for taps in pywt.Wavelet(WAVELET).filter_bank[:2])
        return [(_responses(low, low, n, self.levels), _responses(low, high, n, self.levels))
                for n in self.shape]  # fmt: skip

    @cached_property
    def _shares(self) -> list[tuple[FloatArray, FloatArray]]:
        """What each wave, with its mirror image, adds to the variance of a band on each axis."""
        return [
            (low * _images(size) / size, high * _images(size) / size)
            for (low, high), size in zip(self._responses, self.shape, strict=True)
        ]

    def variances(self, spectrum: FloatArray) -> FloatArray:
        """
        Variance of the coefficients of each band of a field.

        Parameters
        ----------
        spectrum
            Variance of each wave in the order of a Fourier transform [m^2]. It is the same for
            mirrored waves, so that 0 to half the cells on each axis are enough.

        Returns
        -------
        variance
            Shape (levels, 3), from fine to coarse; horizontal, vertical and diagonal details.

        References
        ----------
        Mallat (2009), A Wavelet Tour of Signal Processing, 3rd edition, section 7.2: a wavelet's
        transform is the product of the responses of its filters, from memory.
        """
        (low, high), (low_across, high_across) = self._shares
        waves = spectrum[: low.shape[1], : low_across.shape[1]]
        # of all levels at once: the spectrum is gone through twice, not for each band anew
        by_low, by_high = low @ waves, high @ waves
        bands = [by_high * low_across, by_low * high_across, by_high * high_across]
        return np.stack([band.sum(axis=1) for band in bands], axis=1)

    def smooth_spectrum(self, spectrum: FloatArray, level: int) -> FloatArray:
        """
        Spectrum of the smooth part that is left after some halvings.

        Parameters
        ----------
        spectrum
            As for `variances`.
        level
            Number of halvings.

        Returns
        -------
        smooth
            Variance of each wave on the coarse grid; finer waves are folded into them.
        """
        low, across = (axis[0][level - 1] for axis in self._responses)
        passed = mirrored(spectrum[: low.size, : across.size] * np.outer(low, across), self.shape)
        step = 2**level
        rows, columns = self.shape[0] // step, self.shape[1] // step
        return np.asarray(passed.reshape(step, rows, step, columns).mean(axis=(0, 2)))

    @property
    def coarsest(self) -> tuple[int, int]:
        """Shape of the bands of the coarsest level."""
        return self.shape[0] >> self.levels, self.shape[1] >> self.levels

    def of_each(self, variance: FloatArray) -> FloatArray:
        """
        Give each coefficient the number of its band, in the order of `flat`.

        Parameters
        ----------
        variance
            Or another number; shape (levels, 3), from fine to coarse.
        """
        rows, columns = self.coarsest
        sizes = [rows * columns * 4**finer for finer in range(self.levels)]
        return np.repeat(variance[::-1].ravel(), np.repeat(sizes, 3))

    @cached_property
    def _stands_over(self) -> NDArray[np.intp]:
        """Cell of the coarsest level over which each coefficient stands, in the order of `flat`."""
        cells = np.arange(np.prod(self.coarsest)).reshape(self.coarsest)
        grids = [np.repeat(np.repeat(cells, 2**finer, axis=0), 2**finer, axis=1)
                 for finer in range(self.levels)]  # fmt: skip
        return np.concatenate([grid.ravel() for grid in grids for _ in range(3)])

    def over_all(self, values: SingleArray) -> SingleArray:
        """
        Give each coefficient the number of its place, in the order of `flat`.

        Parameters
        ----------
        values
            Shape of the bands of the coarsest level.
        """
        return values.ravel()[self._stands_over]

    def details(self, coefficients: SingleArray) -> list[tuple[SingleArray, ...]]:
        """
        Arrange coefficients as bands.

        Parameters
        ----------
        coefficients
            From `flat`; not copied.
        """
        rows, columns = self.coarsest
        found, first = [], 0
        for finer in range(self.levels):
            shape = (3, rows << finer, columns << finer)
            last = first + math.prod(shape)
            found.append(tuple(coefficients[first:last].reshape(shape)))
            first = last
        return found

    def split(self, values: FloatArray) -> list[Any]:
        """
        Split a field into bands.

        Parameters
        ----------
        values
            Shape of the grid.

        Returns
        -------
        coefficients
            The smooth part, then three bands per level, from coarse to fine, as of PyWavelets.
        """
        import pywt  # noqa: PLC0415 - only where realisations are run

        smooth, details = values, []
        for _ in range(self.levels):
            smooth, bands = pywt.dwt2(smooth, WAVELET, MODE)
            details.append(bands)
        return [smooth, *reversed(details)]


def flat(details: list[Any]) -> SingleArray:
    """
    Put the coefficients of bands behind each other, from coarse to fine.

    Parameters
    ----------
    details
        As of `Bands.split`, without the smooth part.
    """
    none = np.zeros(0, dtype=np.float32)
    return np.concatenate([none, *(band.ravel() for level in details for band in level)])


def join(coefficients: list[Any]) -> Any:
    """
    Put bands together; an array in the precision of the coefficients.

    Parameters
    ----------
    coefficients
        As of `Bands.split`; may end before the finest level.
    """
    import pywt  # noqa: PLC0415 - only where realisations are run

    return pywt.waverec2(coefficients, WAVELET, MODE)


def _images(size: int) -> FloatArray:
    """Count what each wave from 0 to half the cells stands for: itself, or its image too."""
    wave = np.arange(size // 2 + 1)
    return np.where((wave == 0) | (2 * wave == size), 1.0, 2.0)


def _responses(low: FloatArray, last: FloatArray, size: int, levels: int) -> FloatArray:
    """Squared response of a band at each level: low-pass down to it, then the last filter."""
    by_low, by_last = (np.abs(np.fft.fft(taps, size)) ** 2 for taps in (low, last))
    wave = np.arange(size // 2 + 1)
    through, responses = np.ones(wave.size), []
    for level in range(levels):
        # on the level's grid a wave is so many times as fast
        faster = (wave << level) % size
        responses.append(through * by_last[faster])
        through = through * by_low[faster]
    return np.array(responses)
