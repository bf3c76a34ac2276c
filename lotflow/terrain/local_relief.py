"""
Surfaces that may be true if nothing is known of the ground but what stands near each place.

Every wavelet coefficient is judged by its own neighbours: what exceeds the error there is
relief. That keeps a single bowl or pad on smooth ground, where a prior learned from the whole
window would take it for error; on ground that is smooth all over it leaves too much error in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.error_model import random_field
from lotflow.terrain.posterior import led_round
from lotflow.terrain.wavelet_bands import Bands, join

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray, SingleArray
    from lotflow.terrain.error_model import ErrorModel
    from lotflow.terrain.relief_prior import Each

#: Halvings at most; what is coarser is taken as measured, with its error.
_LEVELS: Final = 4
#: Ways in which the bands are laid over the surface; draws take them in turn.
_SHIFTS: Final = 4
#: Coefficients on a side of the neighbourhood that speaks for one.
_NEIGHBOURS: Final = 3
#: A coefficient speaks for itself by what its square exceeds this many error variances.
_SPEAKS_ABOVE: Final = 2.0


@dataclass(frozen=True, eq=False)
class _Laid:
    """The bands in one position: smooth part; details, coarse to fine; how far each may be off."""

    shift: tuple[int, int]
    smooth: FloatArray
    mean: list[tuple[SingleArray, ...]]
    spread: list[tuple[SingleArray, ...]]


@dataclass(frozen=True, eq=False)
class LocalRelief:
    """
    The surfaces that may be true, judged place by place.

    Parameters
    ----------
    trend
        Plane through the ground [m].
    smooth_error
        Variance of each wave of the error of the smooth part [m^2].
    laid
        The bands in several positions.
    """

    trend: FloatArray
    smooth_error: FloatArray
    laid: Sequence[_Laid]

    def draw(self, number: int, random: np.random.Generator) -> FloatArray:
        """
        Draw one surface.

        Parameters
        ----------
        number
            Of the draw, from 0: decides which position of the bands is taken.
        random
            Source of normal numbers.
        """
        laid = self.laid[number % len(self.laid)]
        smooth = (laid.smooth + random_field(self.smooth_error, random)).astype(np.float32)
        details = [
            tuple(_drawn(mean, spread, random) for mean, spread in zip(*level, strict=True))
            for level in zip(laid.mean, laid.spread, strict=True)
        ]
        residual = np.roll(join([smooth, *details]), (-laid.shift[0], -laid.shift[1]), axis=(0, 1))
        rows, columns = self.trend.shape
        return np.asarray(self.trend + residual[:rows, :columns])


def _drawn(mean: SingleArray, spread: SingleArray, random: np.random.Generator) -> SingleArray:
    """Draw the coefficients of a band."""
    noise = random.standard_normal(mean.shape, dtype=np.float32)
    noise *= spread
    noise += mean
    return noise


def local_relief(
    ground: FloatArray,
    trend: FloatArray,
    error: ErrorModel,
    cell_m: float,
    random: np.random.Generator,
    *,
    each: Each = map,
) -> LocalRelief:
    """
    Judge a measured surface place by place.

    Parameters
    ----------
    ground
        As measured, without buildings and walls, complete [m].
    trend
        Plane through it [m].
    error
        Of the measurement; not 0.
    cell_m
        Side of a cell [m].
    random
        Decides the positions in which the bands are laid.
    each
        How a function is called for each of some values.

    References
    ----------
    Mihcak, Kozintsev, Ramchandran, Moulin (1999), Low-complexity image denoising based on
    statistical modeling of wavelet coefficients, IEEE Signal Processing Letters 6(12), from
    memory: variance of a coefficient from its neighbourhood. Drawing from it is lotflow's own.
    """
    periodic = led_round(ground - trend)
    levels = min(_LEVELS, *(int(np.log2(size / 6)) for size in periodic.shape))
    bands = Bands(periodic.shape, levels)
    spectrum = error.spectrum(bands.shape, cell_m)
    variance = bands.variances(spectrum)
    shifts = [(int(a), int(b)) for a, b in random.integers(0, 2**levels, (_SHIFTS, 2))]

    def lay(shift: tuple[int, int]) -> _Laid:
        return _lay(bands.split(np.roll(periodic, shift, axis=(0, 1))), shift, variance)

    return LocalRelief(trend, bands.smooth_spectrum(spectrum, levels), list(each(lay, shifts)))


def _lay(split: list[Any], shift: tuple[int, int], variance: FloatArray) -> _Laid:
    """Judge the coefficients of one position of the bands."""
    judged = [
        [_judged(band, float(own)) for band, own in zip(level, noise, strict=True)]
        for level, noise in zip(split[1:], variance[::-1], strict=True)
    ]
    mean, spread = ([tuple(part[which] for part in level) for level in judged] for which in (0, 1))
    return _Laid(shift, split[0], mean, spread)


def _judged(band: FloatArray, noise: float) -> tuple[SingleArray, SingleArray]:
    """Relief in the coefficients of a band, and how far it may be off."""
    from scipy.ndimage import uniform_filter  # noqa: PLC0415 - only where realisations are run

    width = min(_NEIGHBOURS, *band.shape)
    energy = band**2
    relief = np.maximum(uniform_filter(energy, width, mode="wrap") - noise, 0.0)
    relief = np.maximum(relief, energy - _SPEAKS_ABOVE * noise)
    share = relief / (relief + noise)
    # in single precision: a micrometre in a relief of ten metres
    return (band * share).astype(np.float32), np.sqrt(share * noise).astype(np.float32)
