"""Low spots that may be no standing water: why each is doubted, and what is left of its depth."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.kernels import nearest_marked, priority_flood
from lotflow.terrain.low_spots import (
    LowSpots,
    bed_cells,
    cell_sums,
    find_low_spots,
    joined,
    numbered_depressions,
)
from lotflow.terrain.neighbourhoods import highest_around
from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import FloatArray
    from lotflow.terrain.routing import Routing
    from lotflow.terrain.surface import Surface

IN_BUILDING: Final = "inside a building: an artefact of the elevation data"
ENCLOSED: Final = "enclosed by buildings: the way out is not in the data"
AT_GAP: Final = "at a gap in the elevation data: it may drain there"
DAMMED: Final = (
    "deep, or held by a bank with lower ground close behind: look for a culvert or drain"
)

#: How far below the spill point lower ground makes a bank suspicious [m].
_BEHIND_BANK_M: Final = 30.0


def judged_low_spots(natural: Routing, limit: float, *, dam_depth: float) -> LowSpots:
    """
    Find the low spots of a surface and say of each what speaks against it.

    Parameters
    ----------
    natural
        Routing without inlets.
    limit
        Smallest greatest depth that counts [m].
    dam_depth
        See `flag_artefacts`.

    Returns
    -------
    low_spots
        Deepest first; those under roofs after all others.
    """
    spots = find_low_spots(natural, limit)
    spots = replace(spots, artefact=flag_artefacts(natural, spots, dam_depth=dam_depth))
    if not natural.surface.roof.any():
        return spots
    ground, filled = bare_ground(natural.surface)
    spots = on_bare_ground(spots, ground, filled, limit)
    return joined(spots, low_spots_under_roofs(natural.surface, ground, filled, limit))


def _ground_soon_falls_below(
    routing: Routing, spots: LowSpots, position: int, receiver: NDArray[np.int64]
) -> bool:
    """Tell whether, just behind the spill point, the ground lies below the bed."""
    elevation = routing.elevation.ravel()
    columns = routing.elevation.shape[1]
    cell_m = routing.surface.ground.cell_m
    start = int(spots.spill_cell[position])
    cell = start
    for _ in range(int(_BEHIND_BANK_M / cell_m)):
        cell = int(receiver[cell])
        if elevation[cell] < spots.bed[position]:
            away = np.hypot(cell // columns - start // columns, cell % columns - start % columns)
            return bool(away * cell_m <= _BEHIND_BANK_M)
    return False


def flag_artefacts(routing: Routing, spots: LowSpots, *, dam_depth: float) -> list[str]:
    """
    Say of each low spot why it may be no standing water.

    Parameters
    ----------
    routing
        What the low spots were found on.
    spots
        The low spots.
    dam_depth
        Depth from which a bank is suspected to hide a culvert where lower ground lies close
        behind it; from twice that depth it is suspected anyway [m].

    Returns
    -------
    artefact
        One text per low spot, empty where nothing speaks against it.
    """
    surface = routing.surface
    near_gap = highest_around(surface.missing)
    at_gap = np.bincount(spots.number[near_gap], minlength=len(spots) + 1)[1:] > 0
    receiver = receivers(routing.field).ravel()
    roof = surface.roof.ravel()
    flags = []
    for position in range(len(spots)):
        if roof[spots.spill_cell[position]]:
            flags.append(ENCLOSED)
        elif at_gap[position]:
            flags.append(AT_GAP)
        elif spots.depth[position] >= dam_depth and (
            spots.depth[position] >= 2 * dam_depth
            or _ground_soon_falls_below(routing, spots, position, receiver)
        ):
            flags.append(DAMMED)
        else:
            flags.append("")
    return flags


def bare_ground(surface: Surface) -> tuple[FloatArray, FloatArray]:
    """
    Give the ground as if no building stood on it, and that ground filled.

    Parameters
    ----------
    surface
        Gives ground and what lies outside.

    Returns
    -------
    ground, filled
        Ground, missing cells at the level of the nearest known one, and its filled surface [m].
    """
    ground = surface.ground.values
    ground = ground.ravel()[nearest_marked(~np.isnan(ground))]
    return ground, priority_flood(ground, surface.outside)


def on_bare_ground(
    spots: LowSpots, ground: FloatArray, filled: FloatArray, limit: float
) -> LowSpots:
    """
    Judge low spots that buildings enclose by the ground alone.

    On the surface water runs on, such a place fills up to the eaves, because a building is
    raised so that water goes round it. That says nothing of how deep water stands: it is as
    deep as on the same ground without the buildings, and no low spot where that is too little.

    Parameters
    ----------
    spots
        With their artefact flags.
    ground, filled
        From `bare_ground` [m].
    limit
        Smallest greatest depth that counts [m].

    Returns
    -------
    low_spots
        Deepest first; where an enclosed one overflows is not known, its spill point is its bed.
    """
    enclosed = np.array([flag == ENCLOSED for flag in spots.artefact], dtype=bool)
    if not enclosed.any():
        return spots
    count = len(spots)
    depth = np.where(np.append(False, enclosed)[spots.number], filled - ground, 0.0)
    number = np.where(depth > 0, spots.number, 0)
    deepest = _deepest_cells(depth, number, count)
    # those without any water keep their bed, to be dropped with all that are too shallow
    bed_cell = np.where(enclosed & (deepest >= 0), deepest, spots.bed_cell)
    bed = np.where(enclosed, ground.ravel()[bed_cell], spots.bed)
    spill = np.where(enclosed, filled.ravel()[bed_cell], spots.spill)
    judged = replace(
        spots,
        number=np.where(np.append(False, enclosed)[spots.number], number, spots.number),
        water=np.where(np.append(False, enclosed)[spots.number], depth, spots.water),
        bed_cell=bed_cell,
        spill_cell=np.where(enclosed, bed_cell, spots.spill_cell),
        bed=bed,
        spill=spill,
        cells=np.where(enclosed, np.bincount(number.ravel(), minlength=count + 1)[1:], spots.cells),
        volume=np.where(enclosed, cell_sums(number, depth, count), spots.volume),
    )
    kept = np.flatnonzero(judged.depth >= limit - LEVEL_STEP)
    return _chosen(judged, kept[np.argsort(-judged.depth[kept], kind="stable")])


def _deepest_cells(depth: FloatArray, number: NDArray[np.int32], count: int) -> NDArray[np.int64]:
    """Cell of greatest depth of each low spot, -1 where it has none."""
    present = np.unique(number[number > 0])
    deepest = np.full(count, -1, dtype=np.int64)
    renumbered = np.searchsorted(present, number) + 1
    renumbered[number == 0] = 0
    deepest[present - 1] = bed_cells(-depth, renumbered.astype(np.int32), present.size)
    return deepest


def _chosen(spots: LowSpots, kept: NDArray[np.int64]) -> LowSpots:
    """Keep some low spots, numbered anew in the order given."""
    new = np.zeros(len(spots) + 1, dtype=np.int32)
    new[kept + 1] = np.arange(1, kept.size + 1)
    number = new[spots.number]
    return LowSpots(
        number=number,
        water=np.where(number > 0, spots.water, 0.0),
        bed_cell=spots.bed_cell[kept],
        spill_cell=spots.spill_cell[kept],
        bed=spots.bed[kept],
        spill=spots.spill[kept],
        cells=spots.cells[kept],
        volume=spots.volume[kept],
        contributing=spots.contributing[kept],
        artefact=[spots.artefact[position] for position in kept],
    )


def low_spots_under_roofs(
    surface: Surface, ground: FloatArray, filled: FloatArray, limit: float
) -> LowSpots:
    """
    Depressions of the raw elevation data that lie under a roof: deepest point or larger part.

    Water does not stand there; they are listed so that nobody wonders at the raster. Of those
    that reach out from under the roof only the part under it counts.

    Parameters
    ----------
    surface
        Gives footprints.
    ground, filled
        From `bare_ground` [m].
    limit
        Smallest greatest depth that counts [m].
    """
    number = numbered_depressions(filled - ground, limit)
    bed = bed_cells(ground, number, int(number.max(initial=0)))
    cells = np.bincount(number.ravel(), minlength=bed.size + 1)[1:]
    under = cell_sums(number, surface.roof.astype(float), bed.size)
    inside = surface.roof.ravel()[bed] | (under > cells / 2)
    keep = np.flatnonzero(inside) + 1
    new = np.zeros(bed.size + 1, dtype=np.int32)
    new[keep] = np.arange(1, keep.size + 1)
    # what of it lies in the open, as in a court, is no part of the artefact
    number = np.where(surface.roof, new[number], 0)
    bed = bed_cells(ground, number, keep.size)
    return LowSpots(
        number=number,
        water=np.zeros(ground.shape),
        bed_cell=bed,
        spill_cell=bed,
        bed=ground.ravel()[bed],
        spill=filled.ravel()[bed],
        cells=np.bincount(number.ravel(), minlength=bed.size + 1)[1:],
        volume=cell_sums(number, filled - ground, bed.size),
        contributing=np.zeros(bed.size),
        artefact=[IN_BUILDING] * bed.size,
    )
