"""
Surfaces that may be the true one, given the measured one and the error of its survey.

The measured surface holds its error already: adding error to it once more gives surfaces that
are too rough and intervals that are too sure of themselves. What is drawn here is the surface
*given* the measurement. Long waves are judged wave by wave (their error is shared by
neighbours), short ones by wavelets; structure that stands out of the error keeps its height.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.relief_prior import (
    PowerLaw,
    built_share,
    energies,
    fit_power_law,
    level_prior,
)
from lotflow.terrain.wavelet_bands import Bands, join

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray
    from lotflow.terrain.error_model import ErrorModel
    from lotflow.terrain.relief_prior import LevelPrior

#: Levels judged by wavelets alone; coarser ones wave by wave, on a grid of every fourth cell.
_FINE_LEVELS: Final = 2
#: Number of ways in which the bands are laid over the surface; draws take them in turn.
_SHIFTS: Final = 8
#: Positions from which is learned what relief is likely.
_LEARNED_FROM: Final = 3
#: Cells added at the sides, over which the surface is led back into its other side.
_LEAST_MARGIN: Final = 16
#: Errors smaller than this are none [m].
_LEAST_ERROR_M: Final = 1e-5


@dataclass(frozen=True, eq=False)
class _Laid:
    """The bands in one position: what is known of each, and how far it may be off."""

    shift: tuple[int, int]
    smooth: FloatArray
    smooth_spread: FloatArray
    structure_spread: list[tuple[FloatArray, ...]]
    details: list[tuple[tuple[FloatArray, FloatArray], ...]]


@dataclass(frozen=True, eq=False)
class Posterior:
    """
    The surfaces that may be true.

    Parameters
    ----------
    ground
        As measured, complete [m].
    trend
        Plane through it [m].
    law
        Power law of its relief; None where there is no error.
    laid
        The bands in several positions; none where there is no error.
    """

    ground: FloatArray
    trend: FloatArray
    law: PowerLaw | None
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

        Returns
        -------
        surface
            Shape of the ground [m]; the ground itself where there is no error.
        """
        if not self.laid:
            return self.ground
        laid = self.laid[number % len(self.laid)]
        residual = join([_smooth_draw(laid, random), *_detail_draws(laid.details, random)])
        residual = np.roll(residual, (-laid.shift[0], -laid.shift[1]), axis=(0, 1))
        rows, columns = self.ground.shape
        return self.trend + residual[:rows, :columns]


def _smooth_draw(laid: _Laid, random: np.random.Generator) -> FloatArray:
    """Draw the smooth part: waves, and what structure may be off."""
    noise = random.standard_normal(laid.smooth.shape)
    waves = np.fft.irfft2(np.fft.rfft2(noise) * laid.smooth_spread, s=noise.shape)
    if not laid.structure_spread:
        return laid.smooth + waves
    coarsest = np.zeros(laid.structure_spread[0][0].shape)
    bands = [
        tuple(spread * random.standard_normal(spread.shape) for spread in level)
        for level in laid.structure_spread
    ]
    return laid.smooth + waves + join([coarsest, *bands])


def _detail_draws(
    details: list[tuple[tuple[FloatArray, FloatArray], ...]], random: np.random.Generator
) -> list[tuple[FloatArray, ...]]:
    """Draw the coefficients of the fine levels."""
    return [
        tuple(mean + spread * random.standard_normal(mean.shape) for mean, spread in level)
        for level in details
    ]


def posterior(
    ground: FloatArray, error: ErrorModel, cell_m: float, random: np.random.Generator
) -> Posterior:
    """
    Find which surfaces may be true.

    Parameters
    ----------
    ground
        As measured, without buildings and walls, complete [m].
    error
        Of the measurement.
    cell_m
        Side of a cell [m].
    random
        Decides the positions in which the bands are laid.

    References
    ----------
    Coifman, Donoho (1995), Translation-invariant de-noising, Lecture Notes in Statistics 103;
    Wiener (1949), Extrapolation, Interpolation and Smoothing of Stationary Time Series. Both
    from memory; putting them together is lotflow's own.
    """
    trend = _plane(ground)
    if error.rmse_m < _LEAST_ERROR_M:
        return Posterior(ground, trend, None, ())
    periodic = led_round(ground - trend)
    bands = Bands(periodic.shape, _levels(periodic.shape))
    spectrum = error.spectrum(bands.shape, cell_m)
    variance = np.maximum(bands.variances(spectrum), _LEAST_ERROR_M**2)
    shifts = [(int(a), int(b)) for a, b in random.integers(0, 2**bands.levels, (_SHIFTS, 2))]
    splits = [bands.split(np.roll(periodic, shift, axis=(0, 1))) for shift in shifts]
    law = fit_power_law(splits[:_LEARNED_FROM], variance, bands)
    relief = law.spectrum(bands.shape)
    base = bands.variances(relief) / variance
    built = built_share(splits[:_LEARNED_FROM])
    judgeable = [
        [energies(split, variance, base, level) for level in range(bands.levels)]
        for split in splits
    ]
    priors = [
        _learned([levels[level] for levels in judgeable[:_LEARNED_FROM]], base[level], built)
        for level in range(bands.levels)
    ]
    waves = _Waves.of(bands, relief, spectrum)
    laid = [
        _lay(
            shift,
            split,
            [
                _judge(split[-1 - level], pairs, variance[level], base[level], priors[level])
                for level, pairs in enumerate(levels)
            ],
            waves,
        )
        for shift, split, levels in zip(shifts, splits, judgeable, strict=True)
    ]
    return Posterior(ground, trend, law, laid)


@dataclass(frozen=True, eq=False)
class _Waves:
    """Per wave of the smooth part: share of it that is relief, and how far that may be off."""

    share: FloatArray
    spread: FloatArray

    @classmethod
    def of(cls, bands: Bands, relief: FloatArray, error: FloatArray) -> _Waves:
        """Compute both from the spectra of relief and error."""
        signal = bands.smooth_spectrum(relief, _FINE_LEVELS)
        noise = np.maximum(bands.smooth_spectrum(error, _FINE_LEVELS), _LEAST_ERROR_M**2)
        share = (signal / (signal + noise))[:, : signal.shape[1] // 2 + 1]
        return cls(share, np.sqrt(share * noise[:, : share.shape[1]]))


def _learned(positions: Sequence[list[Any]], base: FloatArray, built: float) -> LevelPrior:
    """Learn a level's prior from its energies in some positions of the bands."""
    pairs = [pair for level in positions for pair in level]
    own, near = (np.concatenate([pair[i].ravel() for pair in pairs]) for i in (0, 1))
    return level_prior(own, near, float(base.mean()), built)


def _lay(
    shift: tuple[int, int], split: list[Any], judged: list[list[_Band]], waves: _Waves
) -> _Laid:
    """Put together what is known in one position of the bands."""
    fine = [
        tuple((band.mean, np.sqrt(band.spread)) for band in level)
        for level in reversed(judged[:_FINE_LEVELS])
    ]
    smooth = join(split[: len(split) - _FINE_LEVELS])
    by_waves = np.fft.irfft2(np.fft.rfft2(smooth) * waves.share, s=smooth.shape)
    coarse = Bands(smooth.shape, len(judged) - _FINE_LEVELS).split(by_waves)
    merged, spreads = coarse[:1], []
    for by_law, level in zip(coarse[1:], reversed(judged[_FINE_LEVELS:]), strict=True):
        merged.append(
            tuple(
                wave + band.structure * (band.mean - wave)
                for wave, band in zip(by_law, level, strict=True)
            )
        )
        spreads.append(tuple(np.sqrt(band.structure * band.excess) for band in level))
    return _Laid(shift, join(merged), waves.spread, spreads, fine)


@dataclass(frozen=True, eq=False)
class _Band:
    """Coefficients of one band: mean and variance, how likely structure, variance beyond waves."""

    mean: FloatArray
    spread: FloatArray
    structure: FloatArray
    excess: FloatArray


def _judge(
    level: tuple[FloatArray, ...],
    pairs: Any,
    variance: FloatArray,
    base: FloatArray,
    prior: LevelPrior,
) -> list[_Band]:
    """Judge the coefficients of one level, from their energies."""
    found = []
    for band, (own, near), noise, law in zip(level, pairs, variance, base, strict=True):
        shares = prior.shares(own, near)
        spread = noise * shares.gain + band**2 * np.maximum(shares.square - shares.gain**2, 0.0)
        beyond = np.maximum(spread - noise * law / (1 + law), 0.0)
        found.append(_Band(band * shares.gain, spread, shares.structure, beyond))
    return found


def _levels(shape: tuple[int, int]) -> int:
    """Number of halvings of a grid: down to no fewer than six cells a side, at most five."""
    return min(5, *(int(math.log2(size / 6)) for size in shape))


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

    Parameters
    ----------
    residual
        Surface without its trend.

    Returns
    -------
    periodic
        Sides are multiples of 32 cells (of 8 where the surface is small); the surface itself
        stands at the upper left.

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
