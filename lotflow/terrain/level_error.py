"""
The vertical error of elevation data: how far a level, and the difference of two, can be trusted.

Neighbours share most of the error, so that differences over a short distance are better known
than levels.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np

from lotflow.errors import ParameterError
from lotflow.grid import FloatArray

#: Standard deviations to either side that hold 95 % of a normal distribution.
SPREAD_95: Final = 1.96


#: What a level is known by: the elevation data; or it was given, from the benchmark that the ground
#: was levelled from, or in the raster's datum.
Datum = Literal["ground", "benchmark", "raster"]

#: Layer, name and column of a level.
LevelOf = tuple[str, str, str]

#: Easting and northing of two places.
Ends = tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class GivenLevels:
    """
    What the levels that were given are measured from.

    Parameters
    ----------
    drawn_by_benchmark
        Whether levels in the drawing are from the benchmark that the ground was levelled from.
    from_benchmark, in_raster
        Levels taken on site, from that benchmark and in the raster's datum.
    """

    drawn_by_benchmark: bool = False
    from_benchmark: frozenset[LevelOf] = frozenset()
    in_raster: frozenset[LevelOf] = frozenset()

    def datum(self, *of: LevelOf) -> Datum:
        """Tell what a given level is measured from, by the levels it may be."""
        if not self.from_benchmark.isdisjoint(of):
            return "benchmark"
        if not self.in_raster.isdisjoint(of):
            return "raster"
        return "benchmark" if self.drawn_by_benchmark else "raster"


@dataclass(frozen=True)
class LevelError:
    """
    Vertical error of elevation data: a correlated part, and a part that differs cell by cell.

    Two places close together share the correlated part, so that their difference is better
    known than either level.

    Parameters
    ----------
    rmse_m
        Standard deviation of a level [m].
    correlation_m
        Distance at which the correlated part has lost all but 1/e of its likeness [m].
    white_share
        Share of the variance that is not correlated [-].
    given
        What levels that were given are measured from, with which the ground is compared.
    """

    rmse_m: float
    correlation_m: float
    white_share: float
    given: GivenLevels = field(default=GivenLevels(), kw_only=True)

    @property
    def of_benchmark_m(self) -> float:
        """Standard deviation of how the benchmark lies to the raster's datum [m]."""
        return 0.0

    def beside(self, datum: Datum, x: float, y: float) -> float:
        """Standard deviation of how ground at a place lies to a level that was given [m]."""
        return self.from_benchmark(x, y) if datum == "benchmark" else self.at(x, y)

    def at(self, x: float, y: float) -> float:  # noqa: ARG002 - the same everywhere
        """Standard deviation of a level at a place [m]."""
        return self.rmse_m

    def from_benchmark(self, x: float, y: float) -> float:
        """Standard deviation of how ground lies to a benchmark from which it was levelled [m]."""
        return self.at(x, y)

    def of_difference(self, distance_m: Any, ends: Ends | None = None) -> FloatArray:  # noqa: ARG002
        """
        Standard deviation of the difference of two levels.

        Parameters
        ----------
        distance_m
            Between the two places [m]; a number or an array.
        ends
            The two places, where there is one pair: levels taken near them make it better known.

        Returns
        -------
        deviation
            The square root of two times the RMSE for places far apart, less for near ones [m].

        References
        ----------
        Variance of a difference under an exponential correlation, 2 s^2 (1 - r): Journel and
        Huijbregts (1978), Mining Geostatistics, from memory. The exponential form is lotflow's
        choice.

        Examples
        --------
        >>> LevelError(0.10, 10.0, 0.1).of_difference(np.array([1000.0, 3.05])).round(3)
        array([0.141, 0.082])
        """
        distance = np.asarray(distance_m, dtype=np.float64)
        likeness = (1.0 - self.white_share) * np.exp(-distance / self.correlation_m)
        return np.asarray(self.rmse_m * np.sqrt(2.0 * (1.0 - likeness)), dtype=np.float64)


def deviation_between(
    error: LevelError, distance_m: float, first: Datum, second: Datum, ends: Ends
) -> float:
    """
    Standard deviation of the difference of two levels, of which some were given.

    Levels that were given count as exact beside elevation data. Where ground was levelled from
    the benchmark of a given level, how the benchmark lies to the elevation data counts for nothing.

    Parameters
    ----------
    distance_m
        Between the two places [m].
    first, second
        What each level is known by.
    ends
        The two places.

    Returns
    -------
    deviation
        0 where both were given from the same [m].

    Examples
    --------
    >>> error = LevelError(0.10, 10.0, 0.1)
    >>> deviation_between(error, 30.0, "raster", "ground", ((0.0, 0.0), (30.0, 0.0)))
    0.1
    """
    if first == second:
        return float(error.of_difference(distance_m, ends)) if first == "ground" else 0.0
    if first == "ground":
        return error.beside(second, *ends[0])
    if second == "ground":
        return error.beside(first, *ends[1])
    return error.of_benchmark_m


Form = Literal["exponential", "gaussian"]

#: Where the default numbers come from.
RMSE_SOURCE: Final = (
    "vertical accuracy of USGS lidar of quality level 2, 0.10 m RMSE on open ground: USGS Lidar "
    "Base Specification, table 4, from memory"
)
CORRELATION_SOURCE: Final = (
    "lotflow's assumption: data sheets give no correlation of the error; nine tenths of its "
    "variance is shared by neighbours and fades over 10 m"
)


#: Errors smaller than this are none [m].
LEAST_ERROR_M: Final = 1e-5


@dataclass(frozen=True)
class ErrorModel:
    """
    Error of a surface: a part shared by neighbours, and a part of its own on each cell.

    Parameters
    ----------
    rmse_m
        Standard deviation [m]; 0 or more.
    correlation_m
        Distance at which the shared part has lost all but 1/e of its likeness [m].
    white_share
        Share of the variance that belongs to each cell alone; 0 to 1.
    form
        How likeness fades with distance r over the length L: exp(-r/L) or exp(-(r/L)^2).

    Raises
    ------
    ParameterError
        If a number is outside its range.

    References
    ----------
    Both forms: Chiles and Delfiner (2012), Geostatistics, 2nd edition, section 2.5, from memory.

    Examples
    --------
    >>> error = ErrorModel(0.10, 10.0, 0.19)
    >>> error.semivariance(np.array([0.0, 10.0, 1000.0])).round(5)
    array([0.     , 0.00702, 0.01   ])
    """

    rmse_m: float
    correlation_m: float
    white_share: float
    form: Form = "exponential"

    def __post_init__(self) -> None:
        if not (np.isfinite(self.rmse_m) and self.rmse_m >= 0):
            raise ParameterError(f"an RMSE of {self.rmse_m} m is none: it is 0 or more.")
        if not (np.isfinite(self.correlation_m) and self.correlation_m > 0):
            raise ParameterError(f"a correlation length is above 0, not {self.correlation_m} m.")
        if not 0 <= self.white_share <= 1:
            raise ParameterError(f"a share is from 0 to 1, not {self.white_share}.")

    @property
    def is_none(self) -> bool:
        """Whether the surface counts as exact."""
        return self.rmse_m < LEAST_ERROR_M

    def likeness(self, distance_m: Any) -> FloatArray:
        """
        Correlation of the shared part at a distance.

        Parameters
        ----------
        distance_m
            A number or an array [m].
        """
        ratio = np.asarray(distance_m, dtype=np.float64) / self.correlation_m
        return np.asarray(np.exp(-ratio if self.form == "exponential" else -(ratio**2)))

    def semivariance(self, distance_m: Any) -> FloatArray:
        """Half the variance of the difference of the errors of two places [m^2]."""
        shared = (1 - self.white_share) * (1 - self.likeness(distance_m))
        own = np.where(np.asarray(distance_m) > 0, self.white_share, 0.0)
        return np.asarray(self.rmse_m**2 * (own + shared))

    def spectrum(self, shape: tuple[int, int], cell_m: float) -> FloatArray:
        """
        Variance of each wave of an error field that repeats at the sides of a grid.

        In the order of a fast Fourier transform; its mean is the variance of the field [m^2].

        References
        ----------
        Circulant embedding: Dietrich and Newsam (1997), Fast and exact simulation of stationary
        Gaussian processes, SIAM Journal on Scientific Computing 18. Negative waves, which arise
        where the correlation is not short beside the grid, are left out and the rest scaled.
        """
        reach = cell_m * np.hypot(*np.ix_(*(np.arange(size // 2 + 1) for size in shape)))
        likeness = mirrored(self.likeness(reach), shape)
        shared = mirrored(np.maximum(np.fft.rfft2(likeness).real, 0.0), shape)
        shared /= shared.mean()
        return np.asarray(self.rmse_m**2 * ((1 - self.white_share) * shared + self.white_share))


def mirrored(values: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """
    Complete what is the same for a wave, or a distance, and its mirror images.

    Given for 0 to at least half the cells on each axis; the result has the shape of the grid, in
    the order of a fast Fourier transform.

    Examples
    --------
    >>> mirrored(np.array([[0.0, 1.0, 2.0]]), (1, 4))
    array([[0., 1., 2., 1.]])
    """
    rows, columns = (np.minimum(np.arange(size), size - np.arange(size)) for size in shape)
    return np.asarray(values[np.ix_(rows, columns)])


def random_field(spectrum: FloatArray, random: np.random.Generator) -> FloatArray:
    """
    Draw a field whose waves have given variances.

    The variances are those of `ErrorModel.spectrum` [m^2]; the mean is 0.
    """
    waves = np.fft.fft2(random.standard_normal(spectrum.shape))
    return np.asarray(np.fft.ifft2(waves * np.sqrt(spectrum)).real)
