"""Surfaces with answers known by hand, for examples, tests and benchmarks."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from affine import Affine

from lotflow.grid import Grid

if TYPE_CHECKING:
    from lotflow.grid import FloatArray


def _grid(values: FloatArray, cell_m: float) -> Grid:
    """Lay values on a grid whose lower left corner is the origin."""
    return Grid(values, Affine(cell_m, 0.0, 0.0, 0.0, -cell_m, values.shape[0] * cell_m), None)


def _centres(size: int, cell_m: float) -> tuple[FloatArray, FloatArray]:
    """Easting and northing of cell centres [m]."""
    along = (np.arange(size) + 0.5) * cell_m
    x, y = np.meshgrid(along, along[::-1])
    return x, y


def tilted_plane(
    size: int = 60, *, cell_m: float = 1.0, slope: float = 0.02, off_west: float = 0.0
) -> Grid:
    """
    Plane that falls to the west, turned towards the south by an angle.

    Parameters
    ----------
    cell_m
        Side of a cell [m].
    slope
        Fall divided by length.
    off_west
        Angle of the descent from west towards south [degrees].

    Examples
    --------
    >>> plane = tilted_plane(4)
    >>> plane.values[0].round(2)
    array([10.01, 10.03, 10.05, 10.07])
    """
    x, y = _centres(size, cell_m)
    angle = math.radians(off_west)
    return _grid(10.0 + slope * (math.cos(angle) * x + math.sin(angle) * y), cell_m)


def cone(size: int = 301, *, cell_m: float = 1.0, slope: float = 0.02) -> Grid:
    """
    Cone that falls outward from the middle.

    Parameters
    ----------
    size, cell_m, slope
        As for `tilted_plane`.

    Examples
    --------
    >>> peak = cone(5)
    >>> int(peak.values.argmax()) == 12
    True
    """
    x, y = _centres(size, cell_m)
    middle = size * cell_m / 2
    return _grid(50.0 - slope * np.hypot(x - middle, y - middle), cell_m)


def spherical_bowl(
    *, depth_m: float = 0.5, radius_m: float = 10.0, cell_m: float = 0.25, rise: float = 0.01
) -> Grid:
    """
    Spherical cap sunk into ground that rises gently away from its rim.

    Its volume is pi h (3 a^2 + h^2) / 6 with rim radius a and depth h; ground outside rises by
    `rise` up to a crest and falls again, so that the bowl spills at its rim's level plus nothing:
    a notch one cell wide at rim level leads to the southern edge.

    Parameters
    ----------
    depth_m
        Depth below the rim [m].
    radius_m
        Radius of the rim [m].
    cell_m
        Side of a cell [m].
    rise
        Slope of the ground outside the rim.

    References
    ----------
    Bronshtein, Semendyayev, Handbook of Mathematics, 3.3: volume of a spherical cap.

    Examples
    --------
    >>> bowl = spherical_bowl()
    >>> round(float(np.min(bowl.values)), 2)
    19.5
    """
    half = radius_m + 12 * cell_m
    size = round(2 * half / cell_m) | 1
    x, y = _centres(size, cell_m)
    middle = size * cell_m / 2
    away = np.hypot(x - middle, y - middle)
    sphere = (radius_m**2 + depth_m**2) / (2 * depth_m)
    cap = np.sqrt(np.maximum(sphere**2 - away**2, 0.0)) - (sphere - depth_m)
    values = np.where(away < radius_m, 20.0 - cap, 20.0 + rise * (away - radius_m))
    notch = (np.abs(x - middle) < cell_m / 2) & (y < middle) & (away >= radius_m)
    values[notch] = 20.0
    return _grid(values, cell_m)


def spherical_cap_volume(depth_m: float, radius_m: float) -> float:
    """
    Volume of the bowl of `spherical_bowl` [m^3].

    Parameters
    ----------
    depth_m, radius_m
        Depth below the rim and radius of the rim [m].

    Examples
    --------
    >>> round(spherical_cap_volume(0.5, 10.0), 2)
    78.61
    """
    return math.pi * depth_m * (3 * radius_m**2 + depth_m**2) / 6


def valley(size: int = 61, *, cell_m: float = 1.0, side: float = 0.10, fall: float = 0.02) -> Grid:
    """
    V-shaped valley that falls to the south, its bottom on the middle column.

    Parameters
    ----------
    size
        Rows and columns; odd.
    cell_m
        Side of a cell [m].
    side, fall
        Slope of the sides and of the bottom.

    Examples
    --------
    >>> valley(3).values.round(2)
    array([[10.15, 10.05, 10.15],
           [10.13, 10.03, 10.13],
           [10.11, 10.01, 10.11]])
    """
    x, y = _centres(size, cell_m)
    return _grid(10.0 + side * np.abs(x - size * cell_m / 2) + fall * y, cell_m)


def trench_with_pits() -> Grid:
    """
    Trench one cell wide with three pits: 2 and 4 behind a sill of 5, and 3 behind one of 9.

    Walls are 10, everything outside is 0; the cell is 1 m. Small enough to fill by hand.

    Examples
    --------
    >>> trench_with_pits().values[2].astype(int)
    array([ 0, 10,  2,  5,  4,  9,  3, 10,  0])
    """
    values = np.zeros((5, 9))
    values[1:-1, 1:-1] = 10.0
    values[2] = [0, 10, 2, 5, 4, 9, 3, 10, 0]
    return _grid(values, 1.0)
