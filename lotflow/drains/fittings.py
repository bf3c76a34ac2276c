"""The bends that a drain line needs, from the way it is drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Bends that are sold for buried pipe [degrees]: common practice, no published source.
BENDS_DEG: Final = (90.0, 45.0, 22.5, 11.25)
#: Branch of a wye [degrees]: common practice, no published source.
WYE_DEG: Final = 45.0
#: Points of a drawn line so near one another are one corner, lotflow's rule [m].
ONE_CORNER_M: Final = 0.5


def turns(path: Any, together: float = 0.0) -> list[float]:
    """
    Angles by which a line turns at its corners.

    Parameters
    ----------
    path
        One line.
    together
        Inner points no farther apart that turn to the same side are one corner, drawn round
        [units of the CRS].

    Returns
    -------
    angles
        0 straight on, 180 back [degrees].

    Examples
    --------
    >>> [round(turn) for turn in turns(shapely.LineString([(0, 0), (5, 0), (5, 5), (9, 9)]))]
    [90, 45]
    >>> arc = shapely.LineString([(0, 0), (5, 0), (5.3, 0.1), (5.4, 0.4), (5.4, 5)])
    >>> [round(turn) for turn in turns(arc, together=0.5)]
    [90]
    """
    points = shapely.get_coordinates(shapely.remove_repeated_points(path))
    steps = np.diff(points, axis=0)
    length = np.hypot(*steps.T)
    side = np.sign(steps[:-1, 0] * steps[1:, 1] - steps[:-1, 1] * steps[1:, 0])
    corners: list[tuple[int, int]] = []  # the steps before and behind each
    for i in range(len(steps) - 1):
        if corners and length[i] <= together and side[i] == side[i - 1]:
            corners[-1] = (corners[-1][0], i + 1)
        else:
            corners.append((i, i + 1))
    return [turn_between(steps[first], steps[last]) for first, last in corners]


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
    Bends at one corner: the nearest that is sold; where it is sharper than that, 90 and another.

    Parameters
    ----------
    angle
        Of the turn, 0 to 180 [degrees]; half of the smallest bend is left to the joints, and what
        the nearest bend turns more or less is given to the line when it is laid.

    Returns
    -------
    bends
        One, none for as good as straight on, two beyond a square corner [degrees].

    Examples
    --------
    >>> bends(90.0), bends(78.0), bends(38.0), bends(4.0), bends(140.0)
    ([90.0], [90.0], [45.0], [], [90.0, 45.0])
    """
    square = BENDS_DEG[0]
    if angle > square + BENDS_DEG[-1] / 2:
        return [square, *bends(angle - square)]
    nearest = min((*BENDS_DEG, 0.0), key=lambda bend: abs(bend - angle))
    return [nearest] if nearest else []
