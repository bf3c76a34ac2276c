"""What relief is likely before the error is known: a power law for all ground, and structure on it.

Waves of natural ground grow with their length by a power law; that is the base. Where a pad, a
curb or a bowl stands, wavelet coefficients are larger than it allows. How often, and by how
much, is learned from the surface itself, level by level. All variances of relief are counted in
units of the error's variance in the same band.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.level_error import mirrored

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray, SingleArray
    from lotflow.terrain.realisations.wavelet_bands import Bands

#: Exponents of the power law that are tried; natural ground has 2 to 4 (from memory).
_EXPONENTS: Final = np.linspace(1.5, 5.5, 17)
#: The law is no law: no level counts for more than so many coefficients.
_LEVEL_WEIGHT: Final = 1000.0
#: Median of the square of a standard normal number.
_MEDIAN_OF_SQUARE: Final = 0.4549
#: Variances of structure go up by this factor from class to class.
_CLASS_FACTOR: Final = 4.0
_CLASSES: Final = 10
#: Share of structure that is assumed before a level has been looked at, halved per class.
_STRUCTURE_SHARE: Final = 0.5
#: How far the surroundings speak for a coefficient: they are not of one variance with it.
_SURROUNDINGS_WEIGHT: Final = 0.25
_KIN_WEIGHT: Final = 4.0
#: A coefficient speaks for itself by what its square exceeds: on built ground so many variances
#: of the error (two standard deviations), on other ground so many of error and base (three).
_SPEAKS_ON_BUILT: Final = 4.0
_SPEAKS_ON_NATURAL: Final = 9.0
#: Kurtosis of coefficients from which ground begins to count as built, and wholly does: ground
#: of a power law has 3 in every level, found from a sample below 3.8; pads and curbs 5 to 17.
_BUILT_FROM: Final = 3.8
_BUILT_WHOLLY: Final = 4.8
#: Variance of the base, in units of the error's, below which it begins to be lost.
_LOST_BELOW: Final = 0.3
#: Coefficients from which a level learns, and the steps it learns in.
_SAMPLE: Final = 3000
_LEARNING_STEPS: Final = 15
#: Classes of energy per doubling in the tables of gains, and the doublings they span.
_PER_DOUBLING: Final = 4
_LOWEST_DOUBLING: Final = -8
_HIGHEST_DOUBLING: Final = 28


@dataclass(frozen=True)
class PowerLaw:
    """
    Variance of the waves of ground: amplitude times frequency to the power of -exponent.

    The amplitude is of waves one cell long [m^2]; the exponent tells how fast longer waves grow.
    """

    amplitude: float
    exponent: float

    def spectrum(self, shape: tuple[int, int]) -> FloatArray:
        """Variance of each wave of a grid; the mean level is free."""
        return mirrored(self.amplitude * _waves(shape) ** -self.exponent, shape)


def _waves(shape: tuple[int, int]) -> FloatArray:
    """Frequencies of 0 to half the cells of each axis [1/cell]; the mean is a very long wave."""
    waves = np.hypot(*np.ix_(*(np.arange(size // 2 + 1) / size for size in shape)))
    waves[0, 0] = 0.01 / max(shape)
    return np.asarray(waves)


def fit_power_law(splits: Sequence[list[Any]], error: FloatArray, bands: Bands) -> PowerLaw:
    """
    Find the power law under which the typical coefficients of a surface are most likely.

    By the medians of the bands, so that structure does not count. The coefficients are those of
    `Bands.split`, shifted in several ways; `error` is its variance in each band [m^2].
    """
    energy = np.mean([_typical_energy(split, error) for split in splits], axis=0)
    weight = np.array([3 * split.size for split in (part[0] for part in reversed(splits[0][1:]))])
    weight = np.minimum(weight, _LEVEL_WEIGHT)
    doublings = np.log2(_waves(bands.shape))  # of all exponents' powers, which take long

    def likeliest(exponent: float) -> tuple[float, PowerLaw]:
        unit = bands.variances(np.exp2(-exponent * doublings))
        # amplitudes from a thousandth of the error to a million times as much, at some level
        ratio = (unit / error).mean(axis=1)
        amplitude = np.geomspace(1e-3 / ratio.max(), 1e6 / ratio.min(), 160)
        total = 1 + amplitude[:, None] * ratio
        likelihood = -0.5 * (weight * (np.log(total) + energy / total)).sum(axis=1)
        best = int(likelihood.argmax())
        return float(likelihood[best]), PowerLaw(float(amplitude[best]), float(exponent))

    return max(map(likeliest, _EXPONENTS), key=lambda pair: pair[0])[1]


def _typical_energy(split: list[Any], error: FloatArray) -> FloatArray:
    """Median square of the coefficients over its value for error alone, fine to coarse."""
    return np.array(
        [
            np.mean([np.median(band**2) / variance for band, variance in zip(*pair, strict=True)])
            for pair in zip(reversed(split[1:]), error, strict=True)
        ]
    ) / _MEDIAN_OF_SQUARE  # fmt: skip


def built_share(splits: Sequence[list[Any]], base: FloatArray) -> float:
    """
    Tell how far ground is built: 0 where it follows a power law, 1 where structure rules.

    By the kurtosis of the level that has most of it; the base is its variance in each band in units
    of the error's. Where it is lost in the error at every level the law tells nothing, and the
    ground counts as built too.
    """
    kurtosis = np.mean([[_kurtosis(level) for level in split[1:]] for split in splits], axis=0)
    stands_out = (kurtosis.max() - _BUILT_FROM) / (_BUILT_WHOLLY - _BUILT_FROM)
    is_lost = 1 - base.max() / _LOST_BELOW
    return float(np.clip(max(stands_out, is_lost), 0.0, 1.0))


def _kurtosis(level: tuple[SingleArray, ...]) -> float:
    """Kurtosis of the coefficients of a level, each band by itself; 3 where all are 0."""
    energy = [band**2 for band in level]
    # each in units of its mean: squares of micrometres squared are lost in single precision
    relative = [own / own.mean() for own in energy if own.any()]
    return float(np.mean([np.vdot(own, own) / own.size for own in relative] or [3.0]))


def energies(split: list[Any], error: FloatArray, base: FloatArray) -> list[Any]:
    """
    Square of each coefficient, and of its surroundings, in units of the error.

    Per level, from the finest, three pairs of arrays: own, and mean over the eight neighbours in
    the band and the coefficients of the next coarser and the next finer level at the same place.
    `error` is its variance in each band [m^2], `base` the variance of the base in units of it.
    """
    from scipy.ndimage import uniform_filter  # noqa: PLC0415 - only where realisations are run

    # floats of Python leave coefficients of single precision what they are
    own = [
        [band**2 / variance for band, variance in zip(level, variances, strict=True)]
        for level, variances in zip(reversed(split[1:]), error.tolist(), strict=True)
    ]
    typical = (1 + base).tolist()
    found = []
    for level, bands in enumerate(own):
        pairs = []
        for orientation, energy in enumerate(bands):
            total = uniform_filter(energy, 3, mode="wrap") * 9 - energy
            weight = 8.0
            for other in (level - 1, level + 1):
                if 0 <= other < len(own):
                    # typical energies of the two levels made alike
                    alike = typical[level][orientation] / typical[other][orientation]
                    there = _brought_to(own[other][orientation], energy.shape)
                    total += _KIN_WEIGHT * alike * there
                    weight += _KIN_WEIGHT
            pairs.append((energy, np.maximum(total / weight, 0.0)))
        found.append(pairs)
    return found


def _brought_to(energy: SingleArray, shape: tuple[int, int]) -> SingleArray:
    """Bring the energies of the next finer or coarser level to the places of a level."""
    if energy.shape[0] > shape[0]:
        upper, lower = energy[::2], energy[1::2]
        return np.asarray((upper[:, ::2] + upper[:, 1::2] + lower[:, ::2] + lower[:, 1::2]) / 4)
    return np.repeat(np.repeat(energy, 2, axis=0), 2, axis=1)


@dataclass(frozen=True, eq=False)
class LevelPrior:
    """
    What is likely for the coefficients of one level, and what follows from their energy.

    A coefficient speaks for itself by what its energy exceeds `speaks_above` by; `gain` is the
    expected share of it that is relief, by classes of the energy of its surroundings and of its
    own.
    """

    speaks_above: float
    gain: SingleArray

    def expected(self, own: SingleArray, near: SingleArray) -> SingleArray:
        """Expected share of each coefficient that is relief."""
        excess = np.maximum(own - self.speaks_above, 0.0)
        by_itself = excess / (1 + excess)
        place = _energy_class(near) * len(self.gain) + _energy_class(own)
        return np.asarray(np.maximum(self.gain.ravel()[place.astype(np.intp)], by_itself))


def _energy_class(energy: SingleArray) -> SingleArray:
    """Class of an energy in the tables, a whole number."""
    known = np.clip(energy, 2.0**_LOWEST_DOUBLING, 2.0**_HIGHEST_DOUBLING)
    # natural logarithms take half the time of binary ones
    steps = np.log(known) * (_PER_DOUBLING / math.log(2))
    return np.asarray(np.rint(steps - _LOWEST_DOUBLING * _PER_DOUBLING))


def level_prior(own: SingleArray, near: SingleArray, base: float, built: float) -> LevelPrior:
    """
    Learn how much structure a level holds, and tabulate what follows for its coefficients.

    A coefficient is a sum of relief and error, both normal; the variance of its relief is that
    of the base, or of one of several classes of structure. The weights of the classes are those
    under which the level's energies are most likely, held back by what is assumed before.

    Energies are flat, from `energies`; the base is its variance in units of the error's.

    References
    ----------
    Portilla, Strela, Wainwright, Simoncelli (2003), Image denoising using scale mixtures of
    Gaussians in the wavelet domain, IEEE Transactions on Image Processing 12(11). Dempster,
    Laird, Rubin (1977), Maximum likelihood from incomplete data via the EM algorithm, Journal of
    the Royal Statistical Society B 39. Both from memory.
    """
    step = max(own.size // _SAMPLE, 1)
    own, near = own[::step], near[::step]
    structure = max(base, 0.05) * _CLASS_FACTOR ** np.arange(1, _CLASSES)
    variance = np.concatenate([[base], structure]).astype(np.float32)
    assumed = np.concatenate([[1.0], _STRUCTURE_SHARE * 0.5 ** np.arange(_CLASSES - 1)])
    assumed = (assumed / assumed.sum()).astype(np.float32)
    belief = max(20.0, 0.05 * own.size)
    likelihood = _likelihood(own, near, variance)
    weight = assumed
    for _ in range(_LEARNING_STEPS):
        belongs = weight * (likelihood @ (1 / (weight @ likelihood)))
        weight = (belongs + belief * assumed) / (own.size + belief)
    doublings = np.arange((_HIGHEST_DOUBLING - _LOWEST_DOUBLING) * _PER_DOUBLING + 1)
    classes = np.exp2((doublings / _PER_DOUBLING + _LOWEST_DOUBLING).astype(np.float32))
    own, near = (part.ravel() for part in np.meshgrid(classes, classes))
    likelihood = _likelihood(own, near, variance)
    gain = (weight * variance / (1 + variance)) @ likelihood / (weight @ likelihood)
    speaks_above = built * _SPEAKS_ON_BUILT + (1 - built) * _SPEAKS_ON_NATURAL * (1 + base)
    return LevelPrior(speaks_above, gain.reshape(classes.size, classes.size))


def _likelihood(own: SingleArray, near: SingleArray, variance: SingleArray) -> SingleArray:
    """Likelihood of energies, flat, under each class of variance, the first axis; largest 1."""
    neighbours = _SURROUNDINGS_WEIGHT * (8 + 2 * _KIN_WEIGHT)
    energy = neighbours * near + own
    log = energy * (-0.5 / (1 + variance))[:, None]
    log -= (0.5 * (neighbours + 1) * np.log1p(variance))[:, None]
    return np.asarray(np.exp(log - log.max(axis=0)))
