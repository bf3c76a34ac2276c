"""Directions by the names of the compass."""

from __future__ import annotations

from typing import Final

import numpy as np

_NAMES: Final = (
    "east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east",
)  # fmt: skip


def compass_name(east: float, north: float) -> str:
    """
    Name of the direction, of the eight, that is nearest; north is that of the grid.

    Parameters
    ----------
    east, north
        Parts of the direction, of any length.

    Examples
    --------
    >>> compass_name(0.0, -2.0), compass_name(1.0, 0.9)
    ('south', 'north-east')
    """
    return _NAMES[round(np.arctan2(north, east) / (np.pi / 4)) % 8]
