"""
Capacity of a nominally level gutter or channel by the European standard's formula: a cross-check.

`channel_drains` solves the flow itself; the standard's result lies 10 to 20 % below flow without
friction before its own factor of 0.9. All of its figures here are from memory.

References
----------
EN 12056-3:2000, Gravity drainage systems inside buildings: Roof drainage, layout and
calculation (from memory).
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from lotflow.drains.domain import Floats, as_given, not_negative, positive
from lotflow.errors import ParameterError
from lotflow.tables import read_table
from lotflow.tables.drains import GutterLengthFactor, GutterShape

#: The standard's margin on the nominal capacity of a gutter laid level (from memory).
LEVEL_FACTOR: Final = 0.9
_EXPONENT: Final = 1.25
_LITRES_PER_CUBIC_METRE: Final = 1000.0
_SQUARE_MM_PER_SQUARE_M: Final = 1e6


def level_gutter_capacity(
    area: Floats,
    shape: Literal["half-round", "rectangular", "box"],
    *,
    length_ratio: Floats = 0.0,
) -> Floats:
    """
    Flow a nominally level gutter with an outlet at one end is designed for.

    Q = 0.9 k A^1.25 F_L, in l/s and mm^2, without the factors for depth and side slopes.

    Parameters
    ----------
    area
        Cross-section of the water at design depth, without freeboard [m^2]; greater than 0.
    shape
        "half-round" or "rectangular" eaves gutter, or "box": valley, parapet, channel.
    length_ratio
        Length to the outlet divided by design depth [-]; long gutters carry less. Up to 50
        there is no reduction; more than 500 is not covered.

    Returns
    -------
    capacity
        One value per gutter [m^3/s].

    Raises
    ------
    ParameterError
        If an area is not greater than 0, the shape unknown, or a gutter too long.

    References
    ----------
    EN 12056-3:2000 (from memory); the UK's Approved Document H, table 2, has 0.78 l/s for the
    half-round gutter of 100 mm.

    Examples
    --------
    >>> level_gutter_capacity(np.pi * 0.100**2 / 8, "half-round") * 1000
    0.778
    """
    positive(area=area)
    coefficients = {row.shape: row.coefficient for row in read_table("gutter_shapes", GutterShape)}
    if shape not in coefficients:
        raise ParameterError(f"{shape!r} is not a gutter shape; known: {', '.join(coefficients)}.")
    nominal = coefficients[shape] * np.power(np.multiply(area, _SQUARE_MM_PER_SQUARE_M), _EXPONENT)
    litres = LEVEL_FACTOR * nominal * level_gutter_length_factor(length_ratio)
    return as_given(litres / _LITRES_PER_CUBIC_METRE)


def level_gutter_length_factor(length_ratio: Floats) -> Floats:
    """
    Share of its capacity that is left to a long level gutter.

    Parameters
    ----------
    length_ratio
        Length to the outlet divided by design depth [-]; 0 to 500.

    Returns
    -------
    factor
        Linear between the tabulated ratios [-].

    Raises
    ------
    ParameterError
        If a ratio is negative or more than 500, where the table ends.

    References
    ----------
    EN 12056-3:2000, for falls of 0 to 3 mm/m (from memory).

    Examples
    --------
    >>> level_gutter_length_factor(np.array([20.0, 125.0, 450.0]))
    array([1.  , 0.9 , 0.63])
    """
    rows = read_table("gutter_length_factors", GutterLengthFactor)
    ratios = [row.length_ratio for row in rows]
    not_negative(length_ratio=length_ratio)
    if np.any(np.greater(length_ratio, ratios[-1])):
        raise ParameterError(
            f"length ratio must not exceed {ratios[-1]:g}, where the standard's table ends, "
            f"not {np.max(length_ratio):g}. Take an outlet more, or the water profile."
        )
    return as_given(np.interp(length_ratio, ratios, [row.factor for row in rows]))
