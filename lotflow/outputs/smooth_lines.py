"""Lines that run from cell to cell, drawn without the steps of the cells; layers keep theirs."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

Points = NDArray[np.float64]


def smoothed(line: Points, rounds: int = 2) -> Points:
    """
    Cut the corners of a line that runs from cell to cell; its ends stay.

    Parameters
    ----------
    line
        Coordinates, shape (n, 2).
    rounds
        How often.

    References
    ----------
    Chaikin, G. M. (1974), An algorithm for high-speed curve generation, Computer Graphics and
    Image Processing 3(4).

    Examples
    --------
    >>> smoothed(np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 4.0)]), rounds=1).tolist()
    [[0.0, 0.0], [3.0, 0.0], [4.0, 1.0], [4.0, 4.0]]
    """
    for _ in range(rounds):
        early, late = 0.75 * line[:-1] + 0.25 * line[1:], 0.25 * line[:-1] + 0.75 * line[1:]
        cut = np.stack([early, late], axis=1).reshape(-1, 2)
        line = np.concatenate([line[:1], cut[1:-1], line[-1:]])
    return line


def drawn_course(line: Points, cell: float, *, rounds: int = 2) -> Points:
    """
    Give the course of a line from cell to cell as it is drawn: without the steps of the cells.

    It leaves the centres of the cells by less than a cell; its ends stay.

    Parameters
    ----------
    line
        Coordinates, shape (n, 2).
    cell
        Side of a cell, in the same unit.
    rounds
        How often corners are cut.

    Examples
    --------
    A slight slant across the cells becomes a straight line:

    >>> slant = np.array([(0, 0), (1, 0), (2, 0), (3, 1), (4, 1), (5, 1), (6, 2)], dtype=float)
    >>> drawn = drawn_course(slant, 1.0)
    >>> float(np.abs(drawn[:, 1] - drawn[:, 0] / 3.0).max()) < 1e-9
    True
    """
    bare = shapely.simplify(shapely.LineString(line), 0.75 * cell, preserve_topology=False)
    # short pieces keep the rounding of corners short too
    return smoothed(shapely.get_coordinates(shapely.segmentize(bare, 2.5 * cell)), rounds)
