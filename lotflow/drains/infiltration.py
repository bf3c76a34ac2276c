"""
How fast a soil takes water by published rates, and what of a pit counts for it.

References
----------
Minnesota Stormwater Manual, design infiltration rates. Building Research Establishment (1991),
Digest 365 (as quoted by planning calculations).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lotflow.drains.domain import Floats, as_given, positive
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
