"""
How fast the ground takes water by published rates, and how long standing water takes to go.

References
----------
Minnesota Stormwater Manual, design infiltration rates. Building Research Establishment (1991),
Digest 365 (as quoted by planning calculations).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.domain import not_negative, positive
from lotflow.errors import ParameterError
from lotflow.tables import read_table
from lotflow.tables.drains import SoilInfiltration
from lotflow.units import to_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from lotflow.grid import FloatArray
    from lotflow.runoff.covers import GroundCover, SoilGroup

_GROUPS: Final = "ABCD"


def soil_infiltration(soil_group: str, *, compacted: bool = False) -> SoilInfiltration:
    """
    Design infiltration of a hydrologic soil group: the slowest of the soils it holds.

    Parameters
    ----------
    soil_group
        "A", "B", "C" or "D".
    compacted
        Whether building has compacted it: it is then counted one group lower.

    Returns
    -------
    soil
        Row of the table, with its source.

    Raises
    ------
    ParameterError
        If there is no such group.

    References
    ----------
    Minnesota Stormwater Manual.

    Examples
    --------
    >>> soil_infiltration("B").rate_in_h, soil_infiltration("B", compacted=True).rate_in_h
    (0.3, 0.2)
    """
    if len(soil_group) != 1 or soil_group not in _GROUPS:
        raise ParameterError(f"a hydrologic soil group is A, B, C or D, not {soil_group!r}.")
    place = min(_GROUPS.index(soil_group) + int(compacted), len(_GROUPS) - 1)
    rows = read_table("infiltration", SoilInfiltration)
    of_group = [row for row in rows if row.soil_group == _GROUPS[place]]
    return min(of_group, key=lambda row: row.rate_in_h)


@dataclass(frozen=True)
class SoakAway:
    """
    How a body of standing water soaks away.

    Parameters
    ----------
    time
        Until all that can soak away is gone [s]; infinite where nothing can.
    left
        Depth that stays on ground that takes nothing, until it evaporates [m].
    """

    time: float
    left: float


def soak_away(depth: ArrayLike, rate: ArrayLike) -> SoakAway:
    """
    Time in which a pond soaks away through its own bed, with no more rain and no outlet.

    The level falls by dh = dt (sum of the rates under water) / (cells under water): what stands
    on sealed cells runs to those that take it, as long as the pond reaches both. Below the
    lowest cell that takes water the rest stays.

    Parameters
    ----------
    depth
        Of each wet cell [m]; greater than 0.
    rate
        Infiltration of each of these cells [m/s]; 0 where the ground is sealed.

    Returns
    -------
    soak
        Time, and the depth that stays.

    Raises
    ------
    ParameterError
        If there is no wet cell, a depth is not greater than 0, or a rate is negative.

    Examples
    --------
    2 in on even loam of 0.3 in/h, and where half of it is paved, in hours:

    >>> inch, loam = 0.0254, 0.3 * 0.0254 / 3600
    >>> round(soak_away([2 * inch] * 2, loam).time / 3600, 2)
    6.67
    >>> round(soak_away([2 * inch] * 2, [loam, 0.0]).time / 3600, 2)
    13.33

    Of three steps, an inch apart, the lowest is paved: its last inch stays.

    >>> soak = soak_away([3 * inch, 2 * inch, inch], [0.0, loam, loam])
    >>> round(soak.left / inch, 3)
    1.0
    """
    depths, rates = np.broadcast_arrays(np.asarray(depth, float), np.asarray(rate, float))
    if depths.ndim != 1 or not depths.size:
        raise ParameterError("standing water needs the depth of each of its cells.")
    positive(depth=depths)
    not_negative(rate=rates)
    order = np.argsort(-depths, kind="stable")
    depths = depths[order]
    # while the level falls from one bed to the next, only the cells deeper than both are wet
    fall = depths - np.append(depths[1:], 0.0)
    wet, intake = np.arange(1, depths.size + 1), np.cumsum(rates[order])
    soaks = intake > 0
    if not soaks.any():
        return SoakAway(np.inf, float(depths[0]))
    time = float((fall[soaks] * wet[soaks] / intake[soaks]).sum())
    return SoakAway(time, float(fall[~soaks].sum()))


def infiltration_rates(
    kinds: Sequence[str], soil_group: str, *, measured: float | None = None
) -> NDArray[np.float64]:
    """
    Infiltration of covers, from the soil group or a soak test.

    Parameters
    ----------
    kinds
        Of each cover: "none", "soil" or "compacted soil", as the table of covers has it.
    measured
        Rate of a soak test on the lot [m/s]; it counts instead of the table, but on compacted
        soil no more than the table gives there.

    Returns
    -------
    rates
        One per cover [m/s]; 0 where nothing soaks in.

    Raises
    ------
    ParameterError
        If the soil group is unknown, or a measured rate negative.

    References
    ----------
    Minnesota Stormwater Manual, design infiltration rates.

    Examples
    --------
    >>> rates = infiltration_rates(["none", "soil", "compacted soil"], "C")
    >>> (rates / 0.0254 * 3600).round(2).tolist()
    [0.0, 0.2, 0.06]
    """
    table = {
        "none": 0.0,
        "soil": to_si(soil_infiltration(soil_group).rate_in_h, "in_h"),
        "compacted soil": to_si(soil_infiltration(soil_group, compacted=True).rate_in_h, "in_h"),
    }
    if measured is not None:
        not_negative(measured=measured)
        table["soil"] = measured
        table["compacted soil"] = min(measured, table["compacted soil"])
    return np.array([table[kind] for kind in kinds], dtype=np.float64)


def ground_infiltration(
    cover: GroundCover, soil_group: SoilGroup, measured: float | None
) -> FloatArray:
    """
    Infiltration of every cell by its cover.

    Parameters
    ----------
    cover
        Of every cell.
    soil_group, measured
        As for `infiltration_rates`.

    Returns
    -------
    rate
        Shape of the grid [m/s].
    """
    kinds = [str(kind) for kind in cover.values.infiltration]
    rates = infiltration_rates(kinds, soil_group, measured=measured)
    return np.asarray(rates[cover.number], dtype=np.float64)
