"""From the layer of shots to numbers: what the statistics of the ground read, and what is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from lotflow.layers import GROUND_KINDS
from lotflow.terrain.shots import Shots

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from lotflow.grid import BoolArray, FloatArray
    from lotflow.terrain.surface import Surface


def shots_on(frame: GeoDataFrame, surface: Surface) -> Shots:
    """
    Take shots over from rows of the site layer `shots`.

    Parameters
    ----------
    frame
        In the grid's CRS, levels in the raster's datum as far as it is known, nothing missing that
        can be assumed. One of the ground that lies just inside the outline of a building is taken
        to the nearest cell outside: it was read at the wall.
    surface
        Tells roofs from ground.
    """
    x, y = (np.asarray(one, dtype=float) for one in (frame.geometry.x, frame.geometry.y))
    x, y = _beside_roofs(x, y, frame["surface_kind"].isin(GROUND_KINDS).to_numpy(), surface)
    texts = {
        key: tuple(frame[key].fillna("").astype(str))
        for key in ("name", "line", "line_part", "counts", "surface_kind")
    }
    return Shots(
        names=texts["name"], x=x, y=y,
        **{key: np.asarray(frame[key], dtype=float)
           for key in ("level_m", "deviation_m", "placed_within_m", "line_rank", "line_depth_m")},
        own_datum=np.asarray(frame["datum"] == "benchmark", dtype=bool),
        line=texts["line"], line_part=texts["line_part"],
        usage=texts["counts"], surface_kind=texts["surface_kind"],
    )  # fmt: skip


def _beside_roofs(
    x: FloatArray, y: FloatArray, is_ground: BoolArray, surface: Surface
) -> tuple[FloatArray, FloatArray]:
    """Move shots of the ground off roofs, to the middle of the nearest cell without one."""
    grid, x, y = surface.ground, x.copy(), y.copy()
    rows, columns = grid.row_column(x, y)
    for one in np.flatnonzero(is_ground & grid.contains(rows, columns)):
        row, column = int(rows[one]), int(columns[one])
        reach = 1
        while surface.roof[row, column] and reach < max(grid.shape):
            part = (slice(max(row - reach, 0), row + reach + 1),
                    slice(max(column - reach, 0), column + reach + 1))  # fmt: skip
            free = np.argwhere(~surface.roof[part] & ~grid.missing[part])
            near_x, near_y = grid.xy(free[:, 0] + part[0].start, free[:, 1] + part[1].start)
            away = np.hypot(near_x - x[one], near_y - y[one])
            # a cell in a corner of the square may be farther than one beyond its side
            if away.size and away.min() <= (reach + 0.5) * grid.transform.a:
                x[one], y[one] = near_x[away.argmin()], near_y[away.argmin()]
                break
            reach += 1
    return x, y


def raster_level(frame: GeoDataFrame, surface: Surface) -> FloatArray:
    """
    Elevation of the data at each shot of the ground, by its cell [m]; NaN for other shots.

    Parameters
    ----------
    frame, surface
        As for `shots_on`.
    """
    shots, grid = shots_on(frame, surface), surface.ground
    rows, columns = grid.row_column(shots.x, shots.y)
    known = grid.contains(rows, columns) & frame["surface_kind"].isin(GROUND_KINDS).to_numpy()
    level = np.full(len(frame), np.nan)
    level[known] = grid.values[rows[known], columns[known]]
    return level


def drawn_there(frame: GeoDataFrame, covers: GeoDataFrame, buildings: GeoDataFrame) -> list[Any]:
    """
    Say what is drawn where each shot stands: a building by its name, else the cover of the ground.

    Parameters
    ----------
    frame, covers, buildings
        Layers of the site.

    Returns
    -------
    there
        None where nothing is drawn.
    """
    there: list[Any] = [None] * len(frame)
    points = frame.geometry.to_numpy()
    numbered = [name or f"building {i}" for i, name in enumerate(buildings["name"], 1)]
    # of covers the later row counts, and a building before them all
    for shapes, called in ((covers, list(covers["cover"])), (buildings, numbered)):
        for shape, name in zip(shapes.geometry, called, strict=True):
            for one in np.flatnonzero(shapely.covers(shape, points)):
                there[one] = name
    return there
