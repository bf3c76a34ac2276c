"""How far the difference of two levels out of the same elevation data can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from lotflow.grid import FloatArray

#: Standard deviations to either side that hold 95 % of a normal distribution.
SPREAD_95: Final = 1.96


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
    """

    rmse_m: float
    correlation_m: float
    white_share: float

    def of_difference(self, distance_m: Any) -> FloatArray:
        """
        Standard deviation of the difference of two levels.

        Parameters
        ----------
        distance_m
            Between the two places [m]; a number or an array.

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
    error: LevelError, distance_m: float, *, first_surveyed: bool, second_surveyed: bool
) -> float:
    """
    Standard deviation of the difference of two levels, of which some were taken on site.

    Levels taken on site count as exact beside elevation data.

    Parameters
    ----------
    error
        Of the elevation data.
    distance_m
        Between the two places [m].
    first_surveyed, second_surveyed
        Whether each level was taken on site.

    Returns
    -------
    deviation
        0 where both were taken on site [m].

    Examples
    --------
    >>> error = LevelError(0.10, 10.0, 0.1)
    >>> deviation_between(error, 30.0, first_surveyed=True, second_surveyed=False)
    0.1
    """
    surveyed = int(first_surveyed) + int(second_surveyed)
    if surveyed == 2:
        return 0.0
    return error.rmse_m if surveyed else float(error.of_difference(distance_m))
