"""The bends that a drain line needs, from the way it is drawn."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Bends that are sold for buried pipe [degrees]: common practice, no published source.
BENDS_DEG: Final = (90.0, 45.0, 22.5, 11.25)
_STEP_DEG: Final = 11.25


def turns(path: Any) -> list[float]:
    """
    Angles by which a line turns at its inner points.

    Parameters
    ----------
    path
        One line.

    Returns
    -------
    angles
        0 straight on, 180 back [degrees].

    Examples
    --------
    >>> [round(turn) for turn in turns(shapely.LineString([(0, 0), (5, 0), (5, 5), (9, 9)]))]
    [90, 45]
    """
    points = shapely.get_coordinates(shapely.remove_repeated_points(path))
    steps = np.diff(points, axis=0)
    return [turn_between(first, second) for first, second in itertools.pairwise(steps)]


def turn_between(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """
    Angle between two directions.

    Parameters
    ----------
    first, second
        Directions of any length.

    Returns
    -------
    angle
        0 to 180 [degrees].
    """
    cross = float(first[0] * second[1] - first[1] * second[0])
    return float(np.degrees(np.arctan2(abs(cross), float(first @ second))))


def bends(angle: float) -> list[float]:
    """
    Bends that make up a turn, to the nearest that are sold.

    Parameters
    ----------
    angle
        Of the turn, 0 to 180 [degrees]; half of the smallest bend is left to the joints.

    Returns
    -------
    bends
        The largest first [degrees].

    Examples
    --------
    >>> bends(90.0), bends(70.0), bends(38.0), bends(4.0)
    ([90.0], [45.0, 22.5], [22.5, 11.25], [])
    """
    left = round(angle / _STEP_DEG)
    found = []
    for bend in BENDS_DEG:
        steps = round(bend / _STEP_DEG)
        found += [bend] * (left // steps)
        left %= steps
    return found
