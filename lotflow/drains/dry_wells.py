"""
Dry wells, soakaways and infiltration trenches: storage, emptying, and which storm governs.

A pit is filled by the storm and emptied by the soil at once, so that the worst storm is not the
most intense one: storage is sought over all durations of the rainfall.

References
----------
Building Research Establishment (1991), Digest 365, Soakaway design (as quoted by planning
calculations). Toronto and Region Conservation Authority, Low Impact Development guide.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lotflow.drains.domain import Floats, as_given, between, not_negative, positive
from lotflow.errors import ParameterError

#: Voids of stone fill [-]. Source: ordinance of a Pennsylvania municipality; the Toronto-region
#: guide takes 0.35, Digest 365 0.30 for granular fill (from memory).
STONE_VOIDS: Final = 0.40


@dataclass(frozen=True)
class StorageNeed:
    """
    What a pit must hold, over all durations of a rainfall.

    Parameters
    ----------
    durations
        Storm durations tried [s].
    inflow, storage
        Water that comes in, and what of it is still there, at the end of each [m^3].
    """

    durations: NDArray[np.float64]
    inflow: NDArray[np.float64]
    storage: NDArray[np.float64]

    @property
    def volume(self) -> float:
        """Greatest storage [m^3]."""
        return float(self.storage.max())

    @property
    def critical_duration(self) -> float:
        """Duration of the storm that needs it [s]."""
        return float(self.durations[np.argmax(self.storage)])

    @property
    def governed_by_longest(self) -> bool:
        """Whether storage still grows at the longest duration tried: the need may be greater."""
        return bool(self.volume > 0 and np.argmax(self.storage) == self.durations.size - 1)


def storage_need(
    depth: Callable[[NDArray[np.float64]], ArrayLike],
    durations: ArrayLike,
    effective_area: float,
    infiltration_rate: float,
    infiltration_area: float,
) -> StorageNeed:
    """
    Storage over all durations: what runs in less what soaks away meanwhile.

    V(D) = C A P(D) - f A_f D. With the base as infiltration area it is the modified rational
    method, with the side area to half depth and no base it is Digest 365.

    Parameters
    ----------
    depth
        Rain depth [m] for an array of durations [s], of one return period.
    durations
        Durations to try [s]; greater than 0, rising.
    effective_area
        Runoff coefficient times area that drains in [m^2]; 0 or more.
    infiltration_rate
        Design rate of the soil [m/s]; 0 or more.
    infiltration_area
        Area through which water leaves [m^2]; 0 or more.

    Returns
    -------
    need
        Storage per duration, the greatest of them, and the storm that needs it.

    Raises
    ------
    ParameterError
        If durations do not rise, or a number is negative.

    References
    ----------
    Digest 365 (1991): I - O = S.

    Examples
    --------
    A roof of 93 m^2 in a storm whose depth grows with the square root of time, 40 mm in an hour:

    >>> hours = np.array([0.25, 0.5, 1, 2, 6, 12, 24])
    >>> need = storage_need(
    ...     lambda t: 0.040 * np.sqrt(t / 3600), hours * 3600, 88.0, 1e-5, 15.0
    ... )
    >>> need.volume, need.critical_duration / 3600, need.governed_by_longest
    (5.71, 12.0, False)
    """
    durations = np.asarray(durations, dtype=np.float64)
    positive(duration=durations, number_of_durations=float(durations.size))
    if durations.ndim != 1 or np.any(np.diff(durations) <= 0):
        raise ParameterError("durations of storms must rise, each longer than the one before.")
    not_negative(
        effective_area=effective_area,
        infiltration_rate=infiltration_rate,
        infiltration_area=infiltration_area,
    )
    inflow = effective_area * np.asarray(depth(durations), dtype=np.float64)
    not_negative(inflow=inflow)
    soaked = infiltration_rate * infiltration_area * durations
    return StorageNeed(durations, inflow, np.maximum(inflow - soaked, 0.0))


def excavated_volume(storage: Floats, *, voids: Floats = STONE_VOIDS) -> Floats:
    """
    Volume of stone that holds a volume of water.

    Parameters
    ----------
    storage
        Water [m^3]; 0 or more.
    voids
        Share of the fill that holds water [-]; greater than 0, 1 for an empty chamber.

    Returns
    -------
    volume
        To be dug and filled [m^3].

    Raises
    ------
    ParameterError
        If a storage is negative or the voids not between 0 and 1.

    Examples
    --------
    >>> excavated_volume(140.0)
    350.0
    """
    not_negative(storage=storage)
    positive(voids=voids)
    between(0.0, 1.0, voids=voids)
    return as_given(np.divide(storage, voids))


def emptying_time(storage: Floats, infiltration_rate: Floats, infiltration_area: Floats) -> Floats:
    """
    Time in which a volume soaks away through a constant area.

    Parameters
    ----------
    storage
        Water [m^3]; 0 or more. Half of it for the half-emptying time of Digest 365.
    infiltration_rate
        Design rate of the soil [m/s]; 0 or more.
    infiltration_area
        Area through which water leaves [m^2]; greater than 0.

    Returns
    -------
    time
        Infinite in a soil that takes nothing [s].

    Raises
    ------
    ParameterError
        If a storage or rate is negative or an area not greater than 0.

    Examples
    --------
    Half of 22.79 m^3 through 22.4 m^2, in hours:

    >>> emptying_time(0.5 * 22.79, 8.5e-6, 22.4) / 3600
    16.6
    """
    not_negative(storage=storage, infiltration_rate=infiltration_rate)
    positive(infiltration_area=infiltration_area)
    storage = np.asarray(storage, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = storage / (np.asarray(infiltration_rate) * infiltration_area)
    return as_given(np.where(storage > 0, time, 0.0))


def greatest_depth(
    infiltration_rate: Floats, time: Floats, *, voids: Floats = STONE_VOIDS
) -> Floats:
    """
    Depth of stone that empties through its base within a time.

    Parameters
    ----------
    infiltration_rate
        Design rate of the soil [m/s]; 0 or more.
    time
        Within which it must be empty [s]; 0 or more.
    voids
        Share of the stone that holds water [-].

    Returns
    -------
    depth
        f t / n [m].

    Raises
    ------
    ParameterError
        If a rate or time is negative or the voids not between 0 and 1.

    Examples
    --------
    0.3 in/h, 72 h, in feet:

    >>> greatest_depth(0.3 * 0.0254 / 3600, 72 * 3600.0) / 0.3048
    4.5
    """
    not_negative(time=time, infiltration_rate=infiltration_rate)
    return excavated_volume(np.multiply(infiltration_rate, time), voids=voids)
