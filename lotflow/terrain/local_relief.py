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
from lotflow.terrain.wavelet_bands import flat, join

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray, SingleArray
    from lotflow.terrain.measured_surface import MeasuredSurface, Shift
    from lotflow.terrain.wavelet_bands import Bands

#: Halvings at most; what is coarser is taken as measured, with its error.
HALVINGS: Final = 4
#: Coefficients on a side of the neighbourhood that speaks for one.
_NEIGHBOURS: Final = 3
#: A coefficient speaks for itself by what its square exceeds this many error variances.
_SPEAKS_ABOVE: Final = 2.0


@dataclass(frozen=True, eq=False)
class _Laid:
    """
    The bands in one position.

    The smooth part; of all coefficients, flat, the mean, and how far each may be off.
    """

    shift: Shift
    smooth: FloatArray
    mean: SingleArray
    spread: SingleArray


@dataclass(frozen=True, eq=False)
class LocalRelief:
    """
    The surfaces that may be true, judged place by place.

    Parameters
    ----------
    measured
        The measured surface.
    bands
        Into which it is split.
    smooth_error
        Variance of each wave of the error of the smooth part [m^2].
    laid
        The bands in several positions.
    """

    measured: MeasuredSurface
    bands: Bands
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
        drawn = random.standard_normal(laid.mean.size, dtype=np.float32)
        drawn *= laid.spread
        drawn += laid.mean
        residual = join([smooth, *self.bands.details(drawn)])
        return self.measured.complete(residual, laid.shift)


def local_relief(measured: MeasuredSurface, positions: Sequence[Shift]) -> LocalRelief:
    """
    Judge a measured surface place by place.

    Parameters
    ----------
    measured
        The measured surface; its error is not 0.
    positions
        In which the bands are laid, from `MeasuredSurface.positions`.

    References
    ----------
    Mihcak, Kozintsev, Ramchandran, Moulin (1999), Low-complexity image denoising based on
    statistical modeling of wavelet coefficients, IEEE Signal Processing Letters 6(12), from
    memory: variance of a coefficient from its neighbourhood. Drawing from it is lotflow's own.
    """
    bands = measured.bands(HALVINGS)
    variance = bands.variances(measured.error)
    laid = [_lay(measured.split(bands, shift), shift, variance) for shift in positions]
    return LocalRelief(measured, bands, bands.smooth_spectrum(measured.error, bands.levels), laid)


def _lay(split: list[Any], shift: Shift, variance: FloatArray) -> _Laid:
    """Judge the coefficients of one position of the bands."""
    judged = [
        [_judged(band, float(own)) for band, own in zip(level, noise, strict=True)]
        for level, noise in zip(split[1:], variance[::-1], strict=True)
    ]
    mean, spread = (flat([[part[which] for part in level] for level in judged]) for which in (0, 1))
    return _Laid(shift, split[0], mean, spread)


def _judged(band: SingleArray, noise: float) -> tuple[SingleArray, SingleArray]:
    """Relief in the coefficients of a band, and how far it may be off."""
    from scipy.ndimage import uniform_filter  # noqa: PLC0415 - only where realisations are run

    width = min(_NEIGHBOURS, *band.shape)
    energy = band**2
    relief = np.maximum(uniform_filter(energy, width, mode="wrap") - noise, 0.0)
    relief = np.maximum(relief, energy - _SPEAKS_ABOVE * noise)
    share = relief / (relief + noise)
    return band * share, np.sqrt(share * noise)
