"""A measured surface split into waves and wavelet bands, and what of its error falls into each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.level_error import mirrored

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import FloatArray, SingleArray
    from lotflow.terrain.level_error import ErrorModel

#: Orthogonal, nearly symmetric, four vanishing moments: smooth ground needs few coefficients.
WAVELET: Final = "sym4"
#: The surface repeats at its sides.
MODE: Final = "periodization"


@dataclass(frozen=True)
class Bands:
    """
    The bands into which a grid is split.

    Rows and columns are multiples of 2 to the power of the levels, the number of halvings, and at
    least 8.
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

        The spectrum is the variance of each wave in the order of a Fourier transform [m^2]. It is
        the same for mirrored waves, so that 0 to half the cells on each axis are enough. Shape
        (levels, 3), from fine to coarse; horizontal, vertical and diagonal details.

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

        The variances, or other numbers, have shape (levels, 3), from fine to coarse.
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

        The values have the shape of the bands of the coarsest level.
        """
        return values.ravel()[self._stands_over]

    def details(self, coefficients: SingleArray) -> list[tuple[SingleArray, ...]]:
        """
        Arrange coefficients as bands.

        They are those of `flat`, and not copied.
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

        The smooth part, then three bands per level, from coarse to fine, as of PyWavelets.
        """
        import pywt  # noqa: PLC0415 - only where realisations are run

        smooth, details = values, []
        for _ in range(self.levels):
            smooth, bands = pywt.dwt2(smooth, WAVELET, MODE)
            details.append(bands)
        return [smooth, *reversed(details)]


def flat(details: list[Any]) -> SingleArray:
    """Put the coefficients of bands behind each other, from coarse to fine."""
    none = np.zeros(0, dtype=np.float32)
    return np.concatenate([none, *(band.ravel() for level in details for band in level)])


def join(coefficients: list[Any]) -> Any:
    """
    Put bands together; an array in the precision of the coefficients.

    As of `Bands.split`; they may end before the finest level.
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


#: Cells added at the sides, over which the surface is led back into its other side.
_LEAST_MARGIN: Final = 16
#: Ways in which bands are laid over the surface.
_POSITIONS: Final = 4

#: Rows and columns by which bands are moved over a surface.
Shift = tuple[int, int]


@dataclass(frozen=True, eq=False)
class MeasuredSurface:
    """
    What every way to judge a measured surface begins with.

    A plane through the ground [m]; the ground without it, led round at its sides, in single
    precision, which is a micrometre in a relief of ten metres [m]; and the variance of each wave of
    its error [m^2].
    """

    trend: FloatArray
    residual: SingleArray
    error: FloatArray

    @property
    def shape(self) -> tuple[int, int]:
        """Of the residual."""
        rows, columns = self.residual.shape
        return rows, columns

    def bands(self, halvings: int) -> Bands:
        """
        Give the bands into which the residual is split.

        At most so many halvings; none leads to fewer than six cells a side.
        """
        return Bands(self.shape, min(halvings, *(int(math.log2(size / 6)) for size in self.shape)))

    def positions(self, halvings: int, random: np.random.Generator) -> list[Shift]:
        """
        Choose positions in which bands are laid over the residual; draws take them in turn.

        Beyond the side of the coarsest cell of so many halvings positions repeat.
        """
        most = 2 ** self.bands(halvings).levels
        return [(int(a), int(b)) for a, b in random.integers(0, most, (_POSITIONS, 2))]

    def split(self, bands: Bands, shift: Shift) -> list[Any]:
        """Split the residual into bands that are laid over it in some position."""
        return bands.split(np.roll(self.residual, shift, axis=(0, 1)))

    def complete(self, residual: SingleArray, shift: Shift) -> FloatArray:
        """Give the surface of another residual, which was joined from bands."""
        rows, columns = self.trend.shape
        back = np.roll(residual, (-shift[0], -shift[1]), axis=(0, 1))
        return np.asarray(self.trend + back[:rows, :columns])


def measured_surface(ground: FloatArray, error: ErrorModel, cell_m: float) -> MeasuredSurface:
    """
    Make a measured surface ready to be judged.

    The ground is as measured, without buildings and walls, complete [m].
    """
    trend = _plane(ground)
    residual = led_round(ground - trend).astype(np.float32)
    rows, columns = residual.shape
    return MeasuredSurface(trend, residual, error.spectrum((rows, columns), cell_m))


def _plane(ground: FloatArray) -> FloatArray:
    """Plane of least squares."""
    rows, columns = ground.shape
    row, column = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    # on a full grid the three terms are independent of each other
    south = (ground * row).sum() / (row**2).sum()
    east = (ground * column).sum() / (column**2).sum()
    return np.asarray(ground.mean() + south * row + east * column)


def led_round(residual: FloatArray) -> FloatArray:
    """
    Add cells at the lower and right sides, over which a surface leads into its other side.

    Sides become multiples of 32 cells (of 8 where the surface is small); the surface itself stands
    at the upper left.

    Examples
    --------
    >>> led_round(np.ones((30, 60))).shape
    (48, 96)
    """
    return _led_round_rows(_led_round_rows(residual).T).T


def _led_round_rows(values: FloatArray) -> FloatArray:
    """Add rows in which the mirrored end fades into the mirrored beginning."""
    rows = values.shape[0]
    # few halvings are asked of a small surface: it need not be made much larger
    unit = 32 if rows + _LEAST_MARGIN > 64 else 8
    added = -(-(rows + _LEAST_MARGIN) // unit) * unit - rows
    end = np.pad(values, ((0, added), (0, 0)), mode="reflect")[rows:]
    beginning = np.pad(values, ((added, 0), (0, 0)), mode="reflect")[:added]
    fade = (1 - np.cos(np.pi * np.arange(1, added + 1) / (added + 1)))[:, None] / 2
    return np.concatenate([values, (1 - fade) * end + fade * beginning])
