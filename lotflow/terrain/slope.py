"""How steep the ground is, over a distance at which survey noise no longer counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, Grid
    from lotflow.terrain.surface import Surface

#: Cells around a place over which the direction of its fall is found.
_REACH = 4
#: Ground flatter than this has no direction of fall.
_LEAST_SLOPE = 0.002


def typical_slope(ground: Grid, where: BoolArray, *, reach_m: float = 6.0) -> float:
    """
    Median slope of the ground, from height differences across twice half the reach.

    Parameters
    ----------
    ground
        Elevation [m].
    where
        Cells that count.
    reach_m
        Distance over which the fall is taken [m].

    Returns
    -------
    slope
        Fall divided by length; 0 where there are no such distances.

    Examples
    --------
    >>> from lotflow.terrain.known_surfaces import tilted_plane
    >>> plane = tilted_plane(30, slope=0.04)
    >>> round(typical_slope(plane, np.ones(plane.shape, dtype=bool)), 4)
    0.04
    """
    half = max(round(reach_m / ground.cell_m / 2), 1)
    z = ground.values
    rows, columns = z.shape
    if min(rows, columns) <= 2 * half:
        return 0.0
    run = 2 * half * ground.cell_m
    east = (z[half:-half, 2 * half :] - z[half:-half, : -2 * half]) / run
    north = (z[: -2 * half, half:-half] - z[2 * half :, half:-half]) / run
    slope = np.hypot(east, north)[where[half:-half, half:-half]]
    slope = slope[np.isfinite(slope)]
    return float(np.median(slope)) if slope.size else 0.0


def local_fall(surface: Surface, row: int, column: int) -> NDArray[np.float64] | None:
    """
    Direction in which the open ground round a cell falls, by the plane that fits it best.

    Parameters
    ----------
    surface
        Gives ground; roofs and walls are left out.
    row, column
        The cell.

    Returns
    -------
    direction
        East and north part, of length 1; None where the ground is as good as level.
    """
    rows = slice(max(row - _REACH, 0), row + _REACH + 1)
    columns = slice(max(column - _REACH, 0), column + _REACH + 1)
    z = surface.ground.values[rows, columns]
    open_ground = np.isfinite(z) & ~surface.roof[rows, columns] & ~surface.wall[rows, columns]
    if open_ground.sum() < 2 * _REACH:
        return None
    r, c = np.nonzero(open_ground)
    plane = np.column_stack([c, -r, np.ones(r.size)]) * surface.ground.cell_m
    east, north, _ = np.linalg.lstsq(plane, z[open_ground], rcond=None)[0]
    steep = float(np.hypot(east, north))
    return None if steep < _LEAST_SLOPE else np.array([-east, -north]) / steep
