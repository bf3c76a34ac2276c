"""The ground over a drain line, cell by cell, and how deep the pipe lies in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from lotflow.grid import FloatArray, Grid


@dataclass(frozen=True, eq=False)
class GroundProfile:
    """
    Ground over a line at stations no more than a cell apart.

    Parameters
    ----------
    distance_m
        Shape (stations,), along the line from its upper end [m]; the last is its length.
    x, y
        Easting and northing of the stations.
    ground_m
        Ground elevation [m]; NaN where the elevation data has none.
    """

    distance_m: FloatArray
    x: FloatArray
    y: FloatArray
    ground_m: FloatArray

    @property
    def length_m(self) -> float:
        """Length of the line [m]."""
        return float(self.distance_m[-1])


@dataclass(frozen=True, eq=False)
class LineProfile:
    """
    A pipe in its ground; arrays of shape (stations,).

    Parameters
    ----------
    ground
        The ground over it.
    invert_m
        Elevation of the inside bottom, straight between its ends [m].
    diameter_m
        Inside diameter [m]; walls are left out, a few millimetres.
    """

    ground: GroundProfile
    invert_m: FloatArray
    diameter_m: FloatArray

    @property
    def distance_m(self) -> FloatArray:
        """Distance along the line from its upper end [m]."""
        return self.ground.distance_m

    @property
    def ground_m(self) -> FloatArray:
        """Ground elevation [m]."""
        return self.ground.ground_m

    @property
    def crown_m(self) -> FloatArray:
        """Elevation of the inside top of the pipe [m]."""
        return self.invert_m + self.diameter_m

    @property
    def cover_m(self) -> FloatArray:
        """Ground above the crown [m]."""
        return self.ground.ground_m - self.crown_m

    @property
    def trench_depth_m(self) -> FloatArray:
        """Ground above the invert [m]."""
        return self.ground.ground_m - self.invert_m


def ground_profile(path: shapely.LineString, ground: Grid) -> GroundProfile:
    """
    Read the ground along a line.

    Parameters
    ----------
    path
        Drawn downstream, in the grid's CRS.
    ground
        Elevation [m].

    Returns
    -------
    profile
        Stations at both ends and at equal steps of no more than a cell between them.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.array([[5.0, 4.0, 3.0]]), Affine(1.0, 0.0, 0.0, 0.0, -1.0, 1.0), None)
    >>> profile = ground_profile(shapely.LineString([(0.5, 0.5), (2.5, 0.5)]), grid)
    >>> profile.distance_m, profile.ground_m
    (array([0., 1., 2.]), array([5., 4., 3.]))
    """
    side = float(ground.transform.a)
    steps = max(int(np.ceil(path.length / side - 1e-9)), 1)
    along = np.linspace(0.0, path.length, steps + 1)
    points = shapely.line_interpolate_point(path, along)
    x, y = shapely.get_x(points), shapely.get_y(points)
    return GroundProfile(
        along * ground.metres_per_unit, np.asarray(x), np.asarray(y), ground_at(x, y, ground)
    )  # fmt: skip


def ground_at(x: FloatArray, y: FloatArray, ground: Grid) -> FloatArray:
    """
    Elevation of the cells in which points lie.

    Parameters
    ----------
    x, y
        Easting and northing.
    ground
        Elevation [m].

    Returns
    -------
    elevation
        NaN off the grid and where it has no value [m].
    """
    row, column = ground.row_column(np.atleast_1d(x), np.atleast_1d(y))
    inside = ground.contains(row, column)
    elevation = np.full(row.shape, np.nan)
    elevation[inside] = ground.values[row[inside], column[inside]]
    return elevation


def laid_profile(
    ground: GroundProfile, invert_up_m: float, invert_down_m: float, diameter_m: float,
    diameter_down_m: float | None = None,
) -> LineProfile:  # fmt: skip
    """
    Lay a pipe straight between its inverts.

    Parameters
    ----------
    ground
        Over it.
    invert_up_m, invert_down_m
        At its upper and lower end [m].
    diameter_m, diameter_down_m
        Inside diameter, and that at its lower end where it is another; where between them it
        changes is not known, and it is taken to do so evenly [m].

    Examples
    --------
    >>> ground = GroundProfile(np.array([0.0, 10.0]), *np.zeros((2, 2)), np.array([9.0, 8.8]))
    >>> profile = laid_profile(ground, 8.5, 8.4, 0.1)
    >>> profile.cover_m.round(2), profile.trench_depth_m.round(2)
    (array([0.4, 0.3]), array([0.5, 0.4]))
    """
    along = ground.distance_m / ground.length_m
    invert = invert_up_m + (invert_down_m - invert_up_m) * along
    last = diameter_m if diameter_down_m is None else diameter_down_m
    return LineProfile(ground, invert, diameter_m + (last - diameter_m) * along)
