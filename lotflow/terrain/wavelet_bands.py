"""Wavelet bands of a periodic surface: what share of a spectrum falls into each of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.error_model import mirrored

if TYPE_CHECKING:
    from lotflow.grid import FloatArray

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
