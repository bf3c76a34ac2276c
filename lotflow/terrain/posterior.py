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
    from lotflow.terrain.error_model import ErrorModel
    from lotflow.terrain.relief_prior import Each, LevelPrior

#: Levels judged by wavelets alone; coarser ones wave by wave, on a grid of every fourth cell.
_FINE_LEVELS: Final = 2
#: Number of ways in which the bands are laid over the surface; draws take them in turn.
_SHIFTS: Final = 4
#: Positions from which is learned what relief is likely.
_LEARNED_FROM: Final = 3
#: Cells added at the sides, over which the surface is led back into its other side.
_LEAST_MARGIN: Final = 16


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

    @classmethod
    def of(cls, measured: FloatArray, error: float, sure: FloatArray, least: FloatArray) -> _Band:
        """Keep what draws need, in single precision: a micrometre in a relief of ten metres."""
        spread = error * np.sqrt(least)
        single = [np.asarray(part, np.float32) for part in (measured, sure, least, spread)]
        return cls(single[0], error, *single[1:])


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

    shift: tuple[int, int]
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
        residual = np.roll(_residual(laid, random), (-laid.shift[0], -laid.shift[1]), axis=(0, 1))
        rows, columns = self.ground.shape
        return self.trend + residual[:rows, :columns]


def _residual(laid: _Laid, random: np.random.Generator) -> FloatArray:
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
    return join(drawn)


def posterior(
    ground: FloatArray,
    error: ErrorModel,
    cell_m: float,
    random: np.random.Generator,
    *,
    each: Each = map,
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
    each
        How a function is called for each of some values.

    References
    ----------
    Coifman, Donoho (1995), Translation-invariant de-noising, Lecture Notes in Statistics 103;
    Wiener (1949), Extrapolation, Interpolation and Smoothing of Stationary Time Series. Both
    from memory; putting them together is lotflow's own.
    """
    trend = _plane(ground)
    if error.is_none:
        return Posterior(ground, trend, None, ())
    periodic = led_round(ground - trend)
    bands = Bands(periodic.shape, _levels(periodic.shape))
    spectrum = error.spectrum(bands.shape, cell_m)
    variance = np.maximum(bands.variances(spectrum), LEAST_ERROR_M**2)
    shifts = [(int(a), int(b)) for a, b in random.integers(0, 2**bands.levels, (_SHIFTS, 2))]
    splits = list(each(lambda shift: bands.split(np.roll(periodic, shift, axis=(0, 1))), shifts))
    learned_from = splits[:_LEARNED_FROM]
    law = fit_power_law(learned_from, variance, bands, each=each)
    relief = law.spectrum(bands.shape)
    base = bands.variances(relief) / variance
    built = built_share(learned_from, base)
    levels = range(bands.levels)
    judgeable = list(
        each(lambda split: [energies(split, variance, base, level) for level in levels], splits)
    )

    def learn(level: int) -> LevelPrior:
        positions = [own[level] for own in judgeable[:_LEARNED_FROM]]
        return _learned(positions, base[level], built)

    priors = list(each(learn, levels))
    waves = _Waves.of(bands, relief, spectrum)

    def lay(position: int) -> _Laid:
        split, pairs = splits[position], judgeable[position]
        bands_of = [
            _judge(split[-1 - level], pairs[level], _Level.of(level, variance, base, built),
                   priors[level])
            for level in reversed(levels)
        ]  # fmt: skip
        smooth = join(split[: len(split) - _FINE_LEVELS])
        by_waves = np.fft.irfft2(np.fft.rfft2(smooth) * waves.share, s=smooth.shape)
        coarsest = _Coarsest(split[0], waves.coarsest, built, math.sqrt(built))
        return _Laid(shifts[position], by_waves, waves.spread, coarsest, bands_of)

    return Posterior(ground, trend, law, list(each(lay, range(_SHIFTS))))


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


def _learned(positions: Sequence[list[Any]], base: FloatArray, built: float) -> LevelPrior:
    """Learn a level's prior from its energies in some positions of the bands."""
    pairs = [pair for level in positions for pair in level]
    own, near = (np.concatenate([pair[i].ravel() for pair in pairs]) for i in (0, 1))
    return level_prior(own, near, float(base.mean()), built)


@dataclass(frozen=True, eq=False)
class _Level:
    """Of one level: error and share of relief of the law in each band, and how it is judged."""

    error: FloatArray
    share: FloatArray
    built: float
    is_fine: bool

    @classmethod
    def of(cls, level: int, variance: FloatArray, base: FloatArray, built: float) -> _Level:
        """Take a level, from 0, out of the tables of all bands."""
        share = base[level] / (1 + base[level])
        return cls(np.sqrt(variance[level]), share, built, level < _FINE_LEVELS)


def _judge(
    level: tuple[FloatArray, ...], pairs: Any, known: _Level, prior: LevelPrior
) -> tuple[_Band, ...]:
    """Judge the coefficients of one level by their energies."""
    found = []
    for band, (own, near), error, share in zip(level, pairs, known.error, known.share, strict=True):
        expected = prior.expected(own, near)
        beyond_law = np.maximum(expected - share, 0.0) / (1 - share)
        # on built ground the law is not asked what a coefficient may be
        belief = known.built * expected + (1 - known.built) * beyond_law
        least = belief / (1 + belief)
        if known.is_fine:  # relief of the law is in its coefficients, not in waves
            least = share + (1 - share) * least
        found.append(_Band.of(band, float(error), belief**2, least))
    return tuple(found)


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
