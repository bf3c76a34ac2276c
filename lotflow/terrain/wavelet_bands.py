"""Wavelet bands of a periodic surface: what share of a spectrum falls into each of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np

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
        Rows and columns; multiples of 2 to the power of `levels`.
    levels
        Number of halvings.
    """

    shape: tuple[int, int]
    levels: int

    @cached_property
    def _responses(self) -> tuple[list[FloatArray], list[FloatArray]]:
        """Squared responses of both axes, low-pass and band-pass, levels from fine to coarse."""
        import pywt  # noqa: PLC0415 - only where realisations are run

        low, high = (np.asarray(taps) for taps in pywt.Wavelet(WAVELET).filter_bank[:2])
        return ([_responses(low, low, n, self.levels) for n in self.shape],
                [_responses(low, high, n, self.levels) for n in self.shape])  # fmt: skip

    def variances(self, spectrum: FloatArray) -> FloatArray:
        """
        Variance of the coefficients of each band of a field.

        Parameters
        ----------
        spectrum
            Variance of each wave, shape of the grid [m^2].

        Returns
        -------
        variance
            Shape (levels, 3), from fine to coarse; horizontal, vertical and diagonal details.

        References
        ----------
        Mallat (2009), A Wavelet Tour of Signal Processing, 3rd edition, section 7.2: a wavelet's
        transform is the product of the responses of its filters, from memory.
        """
        low, high = self._responses
        # of all levels at once: the spectrum is gone through twice, not for each band anew
        by_low, by_high = low[0] @ spectrum, high[0] @ spectrum
        bands = [(by_high * low[1]), (by_low * high[1]), (by_high * high[1])]
        return np.stack([band.sum(axis=1) for band in bands], axis=1) / spectrum.size

    def smooth_spectrum(self, spectrum: FloatArray, level: int) -> FloatArray:
        """
        Spectrum of the smooth part that is left after some halvings.

        Parameters
        ----------
        spectrum
            Variance of each wave, shape of the grid [m^2].
        level
            Number of halvings.

        Returns
        -------
        smooth
            Variance of each wave on the coarse grid; finer waves are folded into them.
        """
        low, _ = self._responses
        passed = spectrum * low[0][level - 1][:, None] * low[1][level - 1]
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


def join(coefficients: list[Any]) -> FloatArray:
    """
    Put bands together.

    Parameters
    ----------
    coefficients
        As of `Bands.split`; may end before the finest level.
    """
    import pywt  # noqa: PLC0415 - only where realisations are run

    return np.asarray(pywt.waverec2(coefficients, WAVELET, MODE))


def _responses(low: FloatArray, last: FloatArray, size: int, levels: int) -> FloatArray:
    """Squared response of a band at each level: low-pass down to it, then the last filter."""
    wave = np.arange(size) / size

    def power(taps: FloatArray, stretch: int) -> FloatArray:
        phase = np.exp(-2j * np.pi * stretch * wave[:, None] * np.arange(taps.size))
        return np.asarray(np.abs(phase @ taps) ** 2)

    through, responses = np.ones(size), []
    for level in range(levels):
        responses.append(through * power(last, 2**level))
        through = through * power(low, 2**level)
    return np.array(responses)
