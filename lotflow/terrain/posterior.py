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

from lotflow.terrain.error_model import LEAST_ERROR_M, random_field
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

    from lotflow.grid import FloatArray, SingleArray
    from lotflow.terrain.measured_surface import MeasuredSurface, Shift
    from lotflow.terrain.relief_prior import LevelPrior

#: Halvings of the surface at most.
HALVINGS: Final = 5
#: Levels judged by wavelets alone; coarser ones wave by wave, on a grid of every fourth cell.
_FINE_LEVELS: Final = 2
#: Positions from which is learned what relief is likely.
_LEARNED_FROM: Final = 3


@dataclass(frozen=True, eq=False)
class _Band:
    """
    Coefficients of one band, as measured, and how they are drawn.

    With belief b that it is structure, beyond what ground of the law allows, a coefficient is
    as measured in a share b^2 of the draws (`sure`), and in the others b / (1 + b) of it counts
    as such: b on the whole. So what is well believed is there or not, as a whole, and what is
    hardly believed is always small. `least` is the share of a coefficient that is relief in
    those other draws, `spread` what it may then be off by; otherwise that is the whole error.
    """

    measured: SingleArray
    error: float
    sure: SingleArray
    least: SingleArray
    spread: SingleArray

    def draw(
        self, doubt: SingleArray, random: np.random.Generator
    ) -> tuple[SingleArray, SingleArray]:
        """Draw the share of each coefficient that is relief, and how far it is off."""
        is_structure = self.sure > doubt
        noise = random.standard_normal(self.least.shape, dtype=np.float32)
        noise *= np.where(is_structure, np.float32(self.error), self.spread)
        return np.where(is_structure, np.float32(1.0), self.least), noise


@dataclass(frozen=True, eq=False)
class _Coarsest:
    """
    What is smoother than all levels: too few numbers to tell relief from error.

    `error` is the variance of each wave of its error [m^2], `share` what of it counts as
    measured, `spread` what of that error is then left.
    """

    measured: FloatArray
    error: FloatArray
    share: float
    spread: float


@dataclass(frozen=True, eq=False)
class _Laid:
    """
    The bands in one position.

    `smooth` is the smooth part with its waves shrunk by the law, `smooth_spread` what each wave
    may be off by. `coarsest` is what is smoother than all levels: on built ground as measured.
    """

    shift: Shift
    smooth: FloatArray
    smooth_spread: FloatArray
    coarsest: _Coarsest
    levels: list[tuple[_Band, ...]]


@dataclass(frozen=True, eq=False)
class Posterior:
    """
    The surfaces that may be true.

    Parameters
    ----------
    measured
        The measured surface.
    law
        Power law of its relief.
    laid
        The bands in several positions.
    """

    measured: MeasuredSurface
    law: PowerLaw
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
            Shape of the ground [m].
        """
        laid = self.laid[number % len(self.laid)]
        return self.measured.complete(_residual(laid, random), laid.shift)


def _residual(laid: _Laid, random: np.random.Generator) -> SingleArray:
    """
    Draw the surface without its trend, in the position of the bands.

    Whether something is structure or error is decided once for a place and all its bands, by
    one random number: a doubtful bowl is there as a whole in some draws, and not in others.
    """
    doubt = random.random(laid.levels[0][0].measured.shape, dtype=np.float32)
    noise = random.standard_normal(laid.smooth.shape)
    waves = np.fft.irfft2(np.fft.rfft2(noise) * laid.smooth_spread, s=noise.shape)
    coarse = len(laid.levels) - _FINE_LEVELS
    drawn = Bands(noise.shape, coarse).split((laid.smooth + waves).astype(np.float32))
    coarsest = laid.coarsest
    # an error that reaches farther than the coarsest cells lifts neighbours together
    off = coarsest.spread * random_field(coarsest.error, random)
    drawn[0] += coarsest.share * (coarsest.measured - drawn[0]) + off
    for level, bands in enumerate(laid.levels):
        here = np.repeat(np.repeat(doubt, 2**level, axis=0), 2**level, axis=1)
        found = [(band.measured, *band.draw(here, random)) for band in bands]
        if level < coarse:  # relief of the law has been drawn in waves
            drawn[level + 1] = tuple(
                wave + share * (measured - wave) + noise
                for wave, (measured, share, noise) in zip(drawn[level + 1], found, strict=True)
            )
        else:
            drawn.append(tuple(share * measured + noise for measured, share, noise in found))
    return np.asarray(join(drawn))


def posterior(measured: MeasuredSurface, positions: Sequence[Shift]) -> Posterior:
    """
    Find which surfaces may be true.

    Parameters
    ----------
    measured
        The measured surface; its error is not 0.
    positions
        In which the bands are laid, from `MeasuredSurface.positions`; at least three.

    References
    ----------
    Coifman, Donoho (1995), Translation-invariant de-noising, Lecture Notes in Statistics 103;
    Wiener (1949), Extrapolation, Interpolation and Smoothing of Stationary Time Series. Both
    from memory; putting them together is lotflow's own.
    """
    bands = measured.bands(HALVINGS)
    variance = np.maximum(bands.variances(measured.error), LEAST_ERROR_M**2)
    splits = [measured.split(bands, shift) for shift in positions]
    learned_from = splits[:_LEARNED_FROM]
    law = fit_power_law(learned_from, variance, bands)
    relief = law.spectrum(bands.shape)
    base = bands.variances(relief) / variance
    built = built_share(learned_from, base)
    judgeable = [energies(split, variance, base) for split in splits]
    levels = [
        _Level.of(level, variance, base, built, [own[level] for own in judgeable[:_LEARNED_FROM]])
        for level in range(bands.levels)
    ]
    waves = _Waves.of(bands, relief, measured.error)

    def lay(shift: Shift, split: list[Any], pairs: list[Any]) -> _Laid:
        smooth = join(split[: len(split) - _FINE_LEVELS])
        by_waves = np.fft.irfft2(np.fft.rfft2(smooth) * waves.share, s=smooth.shape)
        coarsest = _Coarsest(split[0], waves.coarsest, built, math.sqrt(built))
        judged = [_judge(split[-1 - level], pairs[level], levels[level])
                  for level in reversed(range(bands.levels))]  # fmt: skip
        return _Laid(shift, by_waves, waves.spread, coarsest, judged)

    laid = [lay(*position) for position in zip(positions, splits, judgeable, strict=True)]
    return Posterior(measured, law, laid)


@dataclass(frozen=True, eq=False)
class _Waves:
    """
    Of the smooth part: per wave the share that is relief, and how far that may be off.

    `coarsest` is the variance of each wave of the error of what is smoother than all levels.
    """

    share: FloatArray
    spread: FloatArray
    coarsest: FloatArray

    @classmethod
    def of(cls, bands: Bands, relief: FloatArray, error: FloatArray) -> _Waves:
        """Compute both from the spectra of relief and error."""
        signal = bands.smooth_spectrum(relief, _FINE_LEVELS)
        noise = np.maximum(bands.smooth_spectrum(error, _FINE_LEVELS), LEAST_ERROR_M**2)
        share = (signal / (signal + noise))[:, : signal.shape[1] // 2 + 1]
        coarsest = bands.smooth_spectrum(error, bands.levels)
        return cls(share, np.sqrt(share * noise[:, : share.shape[1]]), coarsest)


@dataclass(frozen=True, eq=False)
class _Level:
    """Of one level: error and share of relief of the law in each band, and how it is judged."""

    error: list[float]
    share: list[float]
    built: float
    is_fine: bool
    prior: LevelPrior

    @classmethod
    def of(
        cls,
        level: int,
        variance: FloatArray,
        base: FloatArray,
        built: float,
        positions: Sequence[list[Any]],
    ) -> _Level:
        """Take a level, from 0, out of the tables of all bands; learn from some positions."""
        own, near = (
            np.concatenate([pair[i].ravel() for pairs in positions for pair in pairs])
            for i in (0, 1)
        )
        prior = level_prior(own, near, float(base[level].mean()), built)
        share = base[level] / (1 + base[level])
        # floats of Python leave coefficients of single precision what they are
        error = np.sqrt(variance[level])
        return cls(error.tolist(), share.tolist(), built, level < _FINE_LEVELS, prior)


def _judge(level: tuple[SingleArray, ...], pairs: Any, known: _Level) -> tuple[_Band, ...]:
    """Judge the coefficients of one level by their energies."""
    found = []
    for band, (own, near), error, share in zip(level, pairs, known.error, known.share, strict=True):
        expected = known.prior.expected(own, near)
        beyond_law = np.maximum(expected - share, 0.0) / (1 - share)
        # on built ground the law is not asked what a coefficient may be
        belief = known.built * expected + (1 - known.built) * beyond_law
        least = belief / (1 + belief)
        if known.is_fine:  # relief of the law is in its coefficients, not in waves
            least = share + (1 - share) * least
        found.append(_Band(band, error, belief**2, least, error * np.sqrt(least)))
    return tuple(found)
