"""
How fast a soil takes water: published rates, a soak test in a hole, a trial pit.

References
----------
Minnesota Stormwater Manual, design infiltration rates. Building Research Establishment (1991),
Digest 365 (as quoted by planning calculations). Virginia Conservation Assistance Program (2018),
falling head test.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from lotflow.drains.domain import Floats, as_given, not_negative, positive
from lotflow.errors import ParameterError
from lotflow.tables import read_table
from lotflow.tables.drains import SoilInfiltration

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


def soak_test_rate(
    drops: Sequence[float], intervals: Sequence[float], *, divisor: float = 1.0
) -> float:
    """
    Rate from a soak test in a hole: the lowest reading, which never exceeds the mean.

    Parameters
    ----------
    drops
        Fall of the water between readings [m]; 0 or more. The hole was soaked before and is
        filled up again after each.
    intervals
        Time between the same readings [s]; greater than 0.
    divisor
        2 where failure would do harm [-]; at least 1.

    Returns
    -------
    rate
        Design rate [m/s].

    Raises
    ------
    ParameterError
        If there are no readings, their numbers differ, or one lies outside what is stated.

    References
    ----------
    Virginia Conservation Assistance Program (2018): the lowest steady rate or the mean,
    whichever is smaller.

    Examples
    --------
    Hourly readings of 2, 1 1/4 and 1 in, halved, in inches per hour:

    >>> inch = 0.0254
    >>> soak_test_rate([2 * inch, 1.25 * inch, inch], [3600.0] * 3, divisor=2.0) / inch * 3600
    0.5
    """
    if not drops or len(drops) != len(intervals):
        raise ParameterError(
            f"a soak test needs a time for every reading: {len(drops)} readings, "
            f"{len(intervals)} times."
        )
    not_negative(drop=np.asarray(drops), divisor_less_one=divisor - 1.0)
    positive(interval=np.asarray(intervals))
    return float(np.min(np.divide(drops, intervals)) / divisor)


def trial_pit_rate(length: Floats, width: Floats, depth: Floats, time: Floats) -> Floats:
    """
    Rate from a trial pit: three quarters full to one quarter full, through sides and base.

    Parameters
    ----------
    length, width
        Of the pit [m]; greater than 0.
    depth
        Of the water when full [m]; greater than 0.
    time
        From 75 to 25 % of the depth, the slowest of three fillings [s]; greater than 0.

    Returns
    -------
    rate
        Volume between the two depths over inner area to half depth and time [m/s].

    Raises
    ------
    ParameterError
        If a number is not greater than 0.

    References
    ----------
    Digest 365 (1991), as quoted.

    Examples
    --------
    >>> f"{trial_pit_rate(1.0, 0.75, 1.0, 56 * 60.0):.2e}"
    '4.46e-05'
    """
    positive(length=length, width=width, depth=depth, time=time)
    base = np.multiply(length, width)
    area = base + side_area_to_half_depth(length, width, depth)
    return as_given(0.5 * base * depth / (area * time))


def side_area_to_half_depth(length: Floats, width: Floats, depth: Floats) -> Floats:
    """
    Area of the sides of a pit up to half its depth, through which Digest 365 empties it.

    The base is left out: it clogs.

    Parameters
    ----------
    length, width, depth
        Of the pit below the pipe that feeds it [m]; greater than 0.

    Returns
    -------
    area
        One value per pit [m^2].

    Raises
    ------
    ParameterError
        If a number is not greater than 0.

    References
    ----------
    Digest 365 (1991), as quoted.

    Examples
    --------
    >>> side_area_to_half_depth(23.0, 5.0, 0.8)
    22.4
    """
    positive(length=length, width=width, depth=depth)
    return as_given(2.0 * np.add(length, width) * (0.5 * np.asarray(depth)))


def time_to_soak_away(depth: Floats, rate: Floats) -> Floats:
    """
    Time for which a pond stands on a lawn that has no other outlet.

    Parameters
    ----------
    depth
        Depth of the pond [m]; 0 or more.
    rate
        Infiltration of the ground [m/s]; 0 or more.

    Returns
    -------
    time
        Infinite on ground that takes nothing [s].

    Raises
    ------
    ParameterError
        If a number is negative.

    Examples
    --------
    2 in on clay (0.06 in/h) and on loam (0.3 in/h), in hours:

    >>> (time_to_soak_away(2.0, np.array([0.06, 0.3]))).round(1)
    array([33.3,  6.7])
    """
    not_negative(depth=depth, rate=rate)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = np.divide(depth, rate)
    return as_given(np.where(np.asarray(depth) > 0, time, 0.0))
