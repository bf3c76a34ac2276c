"""
Surfaces that may be the true one, given the measured one and the error of its survey.

The measured surface holds its error already: adding error to it once more gives surfaces that
are too rough and intervals that are too sure of themselves. What is drawn here is the surface
*given* the measurement, under two views of what ground is like, since no data tell which view
holds for a lot:

- `Posterior` learns from the whole window how much structure there is, and is right on natural
  ground and smooth lawns. Long waves are judged wave by wave (their error is shared by
  neighbours), short ones by wavelets; structure that stands out of the error keeps its height.
- `LocalRelief` looks at each place alone: every wavelet coefficient is judged by its own
  neighbours, and what exceeds the error there is relief. That keeps a single bowl or pad on
  smooth ground, where the first view would take it for error; on ground that is smooth all over
  it leaves too much error in.

Draws take them in turn, so that an interval is as wide as not knowing makes it.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, replace
from functools import cached_property, partial
from threading import Lock
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.level_error import LEAST_ERROR_M, random_field
from lotflow.terrain.realisations.relief_prior import (
    PowerLaw,
    built_share,
    energies,
    fit_power_law,
    level_prior,
)
from lotflow.terrain.realisations.wavelet_bands import Bands, flat, join, measured_surface

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from lotflow.grid import FloatArray, SingleArray
    from lotflow.terrain.level_error import ErrorModel
    from lotflow.terrain.realisations.relief_prior import LevelPrior
    from lotflow.terrain.realisations.wavelet_bands import MeasuredSurface, Shift

#: Halvings of the surface at most, where the whole window is learned from.
_LEARNED_HALVINGS: Final = 5
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

    By the power law of the measured surface's relief; `error` is the standard deviation of each
    coefficient of the bands, flat [m], and `laid` holds the bands in several positions.
    """

    measured: MeasuredSurface
    law: PowerLaw
    bands: Bands
    error: SingleArray
    laid: Sequence[_Laid]

    def draw(self, number: int, random: np.random.Generator) -> FloatArray:
        """
        Draw one surface.

        The number of the draw, from 0, decides which position of the bands is taken.
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

    Its error is not 0; the positions are those of `MeasuredSurface.positions`.

    References
    ----------
    Coifman, Donoho (1995), Translation-invariant de-noising, Lecture Notes in Statistics 103;
    Wiener (1949), Extrapolation, Interpolation and Smoothing of Stationary Time Series. Both
    from memory; putting them together is lotflow's own.
    """
    bands = measured.bands(_LEARNED_HALVINGS)
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


#: Halvings at most; what is coarser is taken as measured, with its error.
_LOCAL_HALVINGS: Final = 4
#: Coefficients on a side of the neighbourhood that speaks for one.
_NEIGHBOURS: Final = 3
#: A coefficient speaks for itself by what its square exceeds this many error variances.
_SPEAKS_ABOVE: Final = 2.0


@dataclass(frozen=True, eq=False)
class _LaidLocally:
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

    `smooth_error` is the variance of each wave of the error of the smooth part [m^2], and `laid`
    holds the bands in several positions.
    """

    measured: MeasuredSurface
    bands: Bands
    smooth_error: FloatArray
    laid: Sequence[_LaidLocally]

    def draw(self, number: int, random: np.random.Generator) -> FloatArray:
        """
        Draw one surface.

        The number of the draw, from 0, decides which position of the bands is taken.
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

    Its error is not 0; the positions are those of `MeasuredSurface.positions`.

    References
    ----------
    Mihcak, Kozintsev, Ramchandran, Moulin (1999), Low-complexity image denoising based on
    statistical modeling of wavelet coefficients, IEEE Signal Processing Letters 6(12), from
    memory: variance of a coefficient from its neighbourhood. Drawing from it is lotflow's own.
    """
    bands = measured.bands(_LOCAL_HALVINGS)
    variance = bands.variances(measured.error)
    laid = [_lay_locally(measured.split(bands, shift), shift, variance) for shift in positions]
    return LocalRelief(measured, bands, bands.smooth_spectrum(measured.error, bands.levels), laid)


def _lay_locally(split: list[Any], shift: Shift, variance: FloatArray) -> _LaidLocally:
    """Judge the coefficients of one position of the bands."""
    judged = [
        [_judged(band, float(own)) for band, own in zip(level, noise, strict=True)]
        for level, noise in zip(split[1:], variance[::-1], strict=True)
    ]
    mean, spread = (flat([[part[which] for part in level] for level in judged]) for which in (0, 1))
    return _LaidLocally(shift, split[0], mean, spread)


def _judged(band: SingleArray, noise: float) -> tuple[SingleArray, SingleArray]:
    """Relief in the coefficients of a band, and how far it may be off."""
    from scipy.ndimage import uniform_filter  # noqa: PLC0415 - only where realisations are run

    width = min(_NEIGHBOURS, *band.shape)
    energy = band**2
    relief = np.maximum(uniform_filter(energy, width, mode="wrap") - noise, 0.0)
    relief = np.maximum(relief, energy - _SPEAKS_ABOVE * noise)
    share = relief / (relief + noise)
    return band * share, np.sqrt(share * noise)


class _FoundOnce:
    """A view that is found when it is first drawn from, once, whichever thread draws."""

    def __init__(self, find: Callable[[], Posterior | LocalRelief]) -> None:
        self._find = find
        self._one_at_a_time = Lock()  # a cached property no longer makes others wait

    @property
    def found(self) -> Posterior | LocalRelief:
        """The view; where finding it raised, the next to ask tries again."""
        with self._one_at_a_time:
            return self._view

    @cached_property
    def _view(self) -> Posterior | LocalRelief:
        return self._find()


@dataclass(frozen=True, eq=False)
class LikelySurfaces:
    """
    The surfaces that may be true.

    The views are by what the whole window is like, and by each place alone, each found when it is
    first drawn from; none where there is no error. Where some cells are less sure than others,
    `wide` holds the same views under the error of the least sure, and `weight` is how far each
    cell is towards it, 0 to 1.
    """

    ground: FloatArray
    views: tuple[_FoundOnce, _FoundOnce] | tuple[()]
    wide: tuple[_FoundOnce, _FoundOnce] | tuple[()] = ()
    weight: FloatArray | None = None

    @property
    def are_one(self) -> bool:
        """Whether there is no error, so that all are the measured surface."""
        return not self.views

    @staticmethod
    def in_turn(number: int) -> list[int]:
        """
        Give draws in the order that keeps several threads busy.

        The first of each view finds that view, which takes as long as several draws; so that the
        second thread can go on, draws by the view that is found sooner come next.

        Examples
        --------
        >>> LikelySurfaces.in_turn(6)
        [0, 1, 3, 5, 2, 4]
        """
        return [*range(min(number, 1)), *range(1, number, 2), *range(2, number, 2)]

    def draw(self, number: int, random: np.random.Generator) -> FloatArray:
        """
        Draw one surface.

        Even draws, counted from 0, are by the first view, odd ones by the second; the ground
        itself where there is no error [m].
        """
        if not self.views:
            return self.ground
        view, own = number % 2, number // 2
        if self.weight is None or not self.wide:
            return self.views[view].found.draw(own, random)
        # with the same random numbers, so that only what the wider error adds is added
        again = copy.deepcopy(random)
        near = self.views[view].found.draw(own, random)
        return near + self.weight * (self.wide[view].found.draw(own, again) - near)


def likely_surfaces(
    ground: FloatArray,
    error: ErrorModel,
    cell_m: float,
    random: np.random.Generator,
    apart: FloatArray | None = None,
) -> LikelySurfaces:
    """
    Find which surfaces may be true, under both views.

    The ground is as measured, without buildings and walls, complete [m]. The random numbers decide
    the positions in which wavelet bands are laid. `apart` is the standard deviation that is added
    to the error on each cell, as away from lidar returns [m]: what may be true is judged under the
    error without and under that with the most of it, and each cell stands between both by its own.

    References
    ----------
    Hoeting, Madigan, Raftery, Volinsky (1999), Bayesian model averaging: a tutorial, Statistical
    Science 14(4), from memory; equal weights are lotflow's choice.
    """
    if error.is_none:
        return LikelySurfaces(ground, ())
    measured = measured_surface(ground, error, cell_m)
    # chosen now, in this order, whichever view is asked for first
    learned_at = measured.positions(_LEARNED_HALVINGS, random)
    local_at = measured.positions(_LOCAL_HALVINGS, random)

    def views(under: MeasuredSurface) -> tuple[_FoundOnce, _FoundOnce]:
        return (
            _FoundOnce(partial(posterior, under, learned_at)),
            _FoundOnce(partial(local_relief, under, local_at)),
        )

    most = 0.0 if apart is None else float(apart.max())
    if apart is None or most < LEAST_ERROR_M:
        return LikelySurfaces(ground, views(measured))
    wide = measured_surface(ground, _widened(error, most), cell_m)
    return LikelySurfaces(ground, views(measured), views(wide), apart / most)


def _widened(error: ErrorModel, added_m: float) -> ErrorModel:
    """Add a standard deviation to the part of an error that neighbours share."""
    rmse = math.hypot(error.rmse_m, added_m)
    own = error.white_share * (error.rmse_m / rmse) ** 2
    return replace(error, rmse_m=rmse, white_share=own)
