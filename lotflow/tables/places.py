"""Where on Earth a lot lies, as far as units of reports hang on it: in the United States or not."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import shapely

from lotflow.tables import read_table

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry


@dataclass(frozen=True)
class Part:
    """One part of the outline of the United States: corners as longitude and latitude [degrees]."""

    part: int
    outline: str
    source: str


@cache
def _united_states() -> BaseGeometry:
    """All parts, with Alaska, Hawaii and the territories that use US customary units."""
    rings = [
        np.array(row.outline.split(), dtype=np.float64).reshape(-1, 2)
        for row in read_table("united_states", Part)
    ]
    outline: BaseGeometry = shapely.union_all([shapely.Polygon(ring) for ring in rings])
    shapely.prepare(outline)
    return outline


def in_united_states(latitude: float, longitude: float) -> bool:
    """
    Tell whether a place lies in the United States or their territories, by a coarse outline.

    Parameters
    ----------
    latitude, longitude
        WGS 84 [degrees].

    Returns
    -------
    inside
        Right but within 5 km of a land border; the sea counts up to some 30 km from the coast.

    References
    ----------
    Natural Earth 4.1.0, 1:10 million, countries; public domain. `.ci/united_states.py` makes the
    table.

    Examples
    --------
    Alexandria in Virginia, and Delft:

    >>> in_united_states(38.80, -77.05), in_united_states(52.01, 4.36)
    (True, False)
    """
    return bool(shapely.covers(_united_states(), shapely.Point(longitude, latitude)))
