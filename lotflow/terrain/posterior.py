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
from lotflow.terrain.wavelet_bands import Bands, flat, join

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

    Of all coefficients of the bands, flat, `details` are those measured, `sure` and `least` say
    what of them is relief. With belief b that it is structure, beyond what ground of the law
    allows, a coefficient is as measured in a share b^2 of the draws (`sure`), and in the others
    b / (1 + b) of it counts as such (`least`): b on the whole. So what is well believed is there
    or not, as a whole, and what is hardly believed is always small.
    """

    shift: Shift
    smooth: FloatArray
    smooth_spread: FloatArray
    coarsest: _Coarsest
    details: SingleArray
    sure: SingleArray
    least: SingleArray


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
    bands
        Into which it is split.
    error
        Standard deviation of each coefficient of the bands, flat [m].
    laid
        The bands in several positions.
    """

    measured: MeasuredSurface
    law: PowerLaw
    bands: Bands
    error: SingleArray
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
        return self.measured.complete(self._residual(laid, random), laid.shift)

    def _residual(self, laid: _Laid, random: np.random.Generator) -> SingleArray:
        """
        Draw the surface without its trend, in the position of the bands.

        Whether something is structure or error is decided once for a place and all its bands,
        by one random number: a doubtful bowl is there as a whole in some draws, and not in
        others.
        """
        bands = self.bands
        doubt = bands.over_all(random.random(bands.coarsest, dtype=np.float32))
        noise = random.standard_normal(laid.smooth.shape)
        waves = np.fft.irfft2(np.fft.rfft2(noise) * laid.smooth_spread, s=noise.shape)
        of_smooth = Bands(noise.shape, bands.levels - _FINE_LEVELS)
        smooth, *details = of_smooth.split((laid.smooth + waves).astype(np.float32))
        coarsest = laid.coarsest
        # an error that reaches farther than the coarsest cells lifts neighbours together
        off = coarsest.spread * random_field(coarsest.error, random)
        smooth += coarsest.share * (coarsest.measured - smooth) + off
        share = np.where(laid.sure > doubt, np.float32(1.0), laid.least)
        spread = np.sqrt(share)
        spread *= self.error
        drawn = random.standard_normal(share.size, dtype=np.float32)
        drawn *= spread
        drawn += np.multiply(share, laid.details, out=spread)
        # relief of the law has been drawn in waves
        by_waves = flat(details)
        drawn[: by_waves.size] += (1 - share[: by_waves.size]) * by_waves
        return np.asarray(join([smooth, *bands.details(drawn)]))


def posterior(measured: MeasuredSurface, positions: Sequence[Shift]) -> Posterior:
    """
    Find which surfaces may be true.

    Parameters
    ----------
    measured
        The measured surface; its error is not 0.
    positions
        In which the bands are laid, from `MeasuredSurface.positions`.

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
        _Level.of(level, base, built, [own[level] for own in judgeable[:_LEARNED_FROM]])
        for level in range(bands.levels)
    ]
    waves = _Waves.of(bands, relief, measured.error)

    def lay(shift: Shift, split: list[Any], pairs: list[Any]) -> _Laid:
        smooth = join(split[: len(split) - _FINE_LEVELS])
        by_waves = np.fft.irfft2(np.fft.rfft2(smooth) * waves.share, s=smooth.shape)
        coarsest = _Coarsest(split[0], waves.coarsest, built, math.sqrt(built))
        share = [_shares(own, level) for own, level in zip(pairs, levels, strict=True)]
        sure, least = (flat([level[i] for level in reversed(share)]) for i in (0, 1))
        details = flat(split[1:])
        return _Laid(shift, by_waves, waves.spread, coarsest, details, sure, least)

    laid = [lay(*position) for position in zip(positions, splits, judgeable, strict=True)]
    error = bands.of_each(np.sqrt(variance)).astype(np.float32)
    return Posterior(measured, law, bands, error, laid)


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
    """Of one level: share of relief of the law in each band, and how coefficients are judged."""

    share: list[float]
    built: float
    is_fine: bool
    prior: LevelPrior

    @classmethod
    def of(
        cls, level: int, base: FloatArray, built: float, positions: Sequence[list[Any]]
    ) -> _Level:
        """Take a level, from 0, out of the tables of all bands; learn from some positions."""
        own, near = (
            np.concatenate([pair[i].ravel() for pairs in positions for pair in pairs])
            for i in (0, 1)
        )
        prior = level_prior(own, near, float(base[level].mean()), built)
        # floats of Python leave coefficients of single precision what they are
        share = (base[level] / (1 + base[level])).tolist()
        return cls(share, built, level < _FINE_LEVELS, prior)


def _shares(pairs: Any, known: _Level) -> tuple[list[SingleArray], list[SingleArray]]:
    """Find `sure` and `least`, see `_Laid`, of the bands of one level by their energies."""
    sure, least = [], []
    for (own, near), share in zip(pairs, known.share, strict=True):
        expected = known.prior.expected(own, near)
        beyond_law = np.maximum(expected - share, 0.0) / (1 - share)
        # on built ground the law is not asked what a coefficient may be
        belief = known.built * expected + (1 - known.built) * beyond_law
        rest = belief / (1 + belief)
        if known.is_fine:  # relief of the law is in its coefficients, not in waves
            rest = share + (1 - share) * rest
        sure.append(belief**2)
        least.append(rest)
    return sure, least
