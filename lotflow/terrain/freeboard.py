"""How far standing water stays below what it must not enter: door sills, walls, openings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from lotflow.terrain.neighbourhoods import boxes_of_parts, cells_from

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray
    from lotflow.terrain.surface import Surface
    from lotflow.terrain.water_bodies import WaterBodies

#: Ground round a building in which standing water is of concern to it: 10 ft [m].
HOUSE_REACH_M: Final = 3.048

Basis = Literal["threshold", "ground at the wall", "sill"]


@dataclass(frozen=True, eq=False)
class Threshold:
    """
    A level at which water enters.

    Parameters
    ----------
    name
        Of the building or opening.
    basis
        What the level is: a door's threshold or an opening's sill as given, or for want of one
        the lowest ground outside the walls.
    level
        Elevation [m].
    wall
        Flat indices of the ground cells beside it, over which water enters.
    near
        Flat indices of the ground cells within `HOUSE_REACH_M`, those beside it included.
    """

    name: str
    basis: Basis
    level: float
    wall: NDArray[np.int64]
    near: NDArray[np.int64]


@dataclass(frozen=True)
class Freeboard:
    """
    What of a body of water comes closest to entering a building.

    Parameters
    ----------
    threshold
        The level concerned.
    freeboard
        That level less the level of the water; negative above it [m].
    at_wall
        Whether the water stands at the wall or opening.
    """

    threshold: Threshold
    freeboard: float
    at_wall: bool

    @property
    def is_reached(self) -> bool:
        """Whether water stands at the wall as high as the level at which it enters."""
        return self.at_wall and self.freeboard <= 0


def building_thresholds(
    surface: Surface, names: Sequence[str], levels: Sequence[float]
) -> list[Threshold]:
    """
    Find the level at which water enters each building, and the ground round it.

    Parameters
    ----------
    surface
        Numbers the buildings.
    names, levels
        Of the buildings, in the order of their numbers; a level is NaN where none is given [m].

    Returns
    -------
    thresholds
        One for each building that has ground beside it.
    """
    reach = max(int(np.ceil(HOUSE_REACH_M / surface.ground.cell_m)), 1)
    found = []
    for position, place in enumerate(boxes_of_parts(surface.building)):
        if place is None:
            continue
        window = _widened(place, reach, surface.ground.shape)
        footprint = surface.building[window] == position + 1
        given = float(levels[position])
        threshold = _round(surface, window, footprint, names[position], given)
        if threshold.wall.size:
            found.append(threshold)
    return found


def _widened(place: tuple[slice, ...], reach: int, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Widen a window by some cells within the grid."""
    rows, columns = place
    return (
        slice(max(rows.start - reach, 0), min(rows.stop + reach, shape[0])),
        slice(max(columns.start - reach, 0), min(columns.stop + reach, shape[1])),
    )


def _round(
    surface: Surface, window: tuple[slice, slice], core: BoolArray, name: str, given: float
) -> Threshold:
    """Ground beside and near a footprint, and the level at which water enters."""
    away = cells_from(core)
    ground = ~(surface.roof | surface.missing)[window]
    rows, columns = np.mgrid[window]
    cell = rows * surface.ground.shape[1] + columns
    beside = ground & (away < 1.5)  # the eight neighbours
    near = ground & (away * surface.ground.cell_m <= HOUSE_REACH_M) | beside
    level = given
    if np.isnan(given) and beside.any():
        level = float(surface.ground.values[window][beside].min())
    return Threshold(
        name=name,
        basis="ground at the wall" if np.isnan(given) else "threshold",
        level=level,
        wall=cell[beside],
        near=cell[near],
    )


def opening_thresholds(
    surface: Surface, names: Sequence[str], cells: Sequence[int], sills: Sequence[float]
) -> list[Threshold]:
    """
    Give the openings through which water enters a building.

    Parameters
    ----------
    surface
        Tells ground from roof.
    names
        Of the openings.
    cells
        Flat index of the cell in which each was drawn; under a roof its eaves count.
    sills
        Levels at which water enters; openings without one (NaN) are left out [m].
    """
    rows, columns = surface.ground.shape
    dry = (surface.roof | surface.missing).ravel()
    found = []
    for name, cell, sill in zip(names, cells, sills, strict=True):
        if np.isnan(sill):
            continue
        row, column = divmod(int(surface.eave_cell.ravel()[cell]), columns)
        r, c = np.mgrid[max(row - 1, 0) : min(row + 2, rows),
                        max(column - 1, 0) : min(column + 2, columns)]  # fmt: skip
        around = (r * columns + c).ravel()
        around = around[~dry[around]]
        found.append(Threshold(name, "sill", float(sill), around, around))
    return found


def freeboards(bodies: WaterBodies, thresholds: Sequence[Threshold]) -> dict[int, Freeboard]:
    """
    Find for each body of water what it comes closest to entering.

    Only buildings within `HOUSE_REACH_M` of the water count; one at whose wall it stands comes
    before all others.

    Parameters
    ----------
    bodies
        Bodies of standing water.
    thresholds
        Levels at which water enters.

    Returns
    -------
    freeboards
        By number of the body; a body far from all buildings has none.
    """
    number = bodies.number.ravel()
    found: dict[int, Freeboard] = {}
    for threshold in thresholds:
        at_wall = set(np.unique(number[threshold.wall]).tolist())
        for body in np.unique(number[threshold.near]).tolist():
            if not body:
                continue
            margin = threshold.level - float(bodies.level[body - 1])
            new = Freeboard(threshold, margin, body in at_wall)
            old = found.get(body)
            if old is None or _urgency(new) < _urgency(old):
                found[body] = new
    return found


def _urgency(freeboard: Freeboard) -> tuple[bool, float, bool]:
    """Order: at the wall first, then the least freeboard, given levels before assumed ones."""
    assumed = freeboard.threshold.basis == "ground at the wall"
    return (not freeboard.at_wall, freeboard.freeboard, assumed)
