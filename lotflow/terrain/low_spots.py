"""
Where water can stand: whole depressions, their spill points, and those nested in them.

Some are artefacts of the elevation data: why each is doubted, and what is left of its depth.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from lotflow.terrain.cells import greatest_of_parts, highest_around
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.kernels import connected_parts, nearest_marked, priority_flood
from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray
    from lotflow.terrain.drainage import Depression, Hierarchy
    from lotflow.terrain.routing import Routing
    from lotflow.terrain.surface import Surface


class Artefact(StrEnum):
    """Why a low spot of the elevation data may be no standing water, as results publish it."""

    IN_BUILDING = "inside a building: an artefact of the elevation data"
    ENCLOSED = "enclosed by buildings: the way out is not in the data"
    AT_GAP = "at a gap in the elevation data: it may drain there"
    RAIN_GARDEN = "a rain garden: dug to hold water"
    DAMMED = "deep, or held by a bank with lower ground close behind: look for a culvert or drain"


#: A rain garden may stand so much fuller than it was dug [m]: the ground at its rim is rough.
_GARDEN_HAIR_M: Final = 0.03


@dataclass(frozen=True, eq=False)
class LowSpots:
    """
    Low spots, deepest first; every array has one entry per low spot.

    Parameters
    ----------
    number
        Shape of the grid: number of the low spot on each cell, from 1; 0 where there is none.
    water
        Shape of the grid: depth of the water on each cell when all are full [m].
    bed_cell, spill_cell
        Flat indices of the deepest cell and of the cell over which it overflows.
    bed, spill
        Their elevations [m].
    cells
        Number of cells below the spill level.
    volume
        Depth times cells [m]; times the area of a cell it is a volume.
    contributing
        Cells' worth of rain that reaches it, through low spots above included.
    artefact
        Why it may be no standing water; empty where nothing speaks against it.
    """

    number: IntArray
    water: FloatArray
    bed_cell: NDArray[np.int64]
    spill_cell: NDArray[np.int64]
    bed: FloatArray
    spill: FloatArray
    cells: NDArray[np.int64]
    volume: FloatArray
    contributing: FloatArray
    artefact: list[Artefact | Literal[""]] = field(default_factory=list)

    @property
    def depth(self) -> FloatArray:
        """Greatest depth [m]."""
        return self.spill - self.bed

    def within(self, where: BoolArray) -> NDArray[np.int64]:
        """Positions of the low spots of which any cell lies within some cells."""
        return np.flatnonzero(self.cells_in(where))

    def __len__(self) -> int:
        """Number of low spots."""
        return self.bed_cell.size

    def cells_in(self, cells: BoolArray) -> NDArray[np.int64]:
        """
        Count the cells of each low spot that lie in an area.

        Parameters
        ----------
        cells
            Of the area.
        """
        return np.bincount(self.number[cells], minlength=len(self) + 1)[1:]

    def deepest_in(self, cells: BoolArray) -> FloatArray:
        """
        Give the greatest depth of each low spot in an area; 0 where none of it lies there [m].

        Parameters
        ----------
        cells
            Of the area.
        """
        deepest = np.zeros(len(self) + 1)
        np.maximum.at(deepest, self.number[cells], self.water[cells])
        return deepest[1:]


def numbered_depressions(depth: FloatArray, limit: float) -> IntArray:
    """
    Number the depressions of a surface, deepest first.

    Those whose greatest depth [m] reaches the limit, from 1; 0 where there is none.

    Examples
    --------
    >>> numbered_depressions(np.array([[0.1, 0.2, 0.0, 0.3], [0.0, 0.0, 0.0, 0.0]]), 0.15)
    array([[2, 2, 0, 1],
           [0, 0, 0, 0]], dtype=int32)
    """
    component, count = connected_parts(depth > 0)
    if not count:
        return np.zeros(depth.shape, dtype=np.int32)
    deepest = greatest_of_parts(depth, component, count)
    # a depth of exactly the limit must count although it went through binary fractions
    kept = np.flatnonzero(deepest >= limit - LEVEL_STEP)
    kept = kept[np.argsort(-deepest[kept], kind="stable")]
    new = np.zeros(count + 1, dtype=np.int32)
    new[kept + 1] = np.arange(1, kept.size + 1)
    return np.asarray(new[component], dtype=np.int32)


def bed_cells(elevation: FloatArray, number: IntArray, count: int) -> NDArray[np.int64]:
    """
    Lowest cell of each low spot; of equal ones the first by row then column.

    Flat indices, by the number of the low spot on each cell, from 1 to `count`.
    """
    cells = np.flatnonzero(number)
    order = np.lexsort((cells, elevation.ravel()[cells], number.ravel()[cells]))
    sorted_cells = cells[order]
    first = np.searchsorted(number.ravel()[sorted_cells], np.arange(1, count + 1))
    return np.asarray(sorted_cells[first], dtype=np.int64)


def spill_cell(routing: Routing, bed_cell: int, receiver: NDArray[np.int64]) -> int:
    """
    Last cell on the way down from a low spot that is still at its spill level.

    Parameters
    ----------
    bed_cell
        Flat index of its deepest cell.
    receiver
        From `routing.receivers`.
    """
    filled = routing.field.filled.ravel()
    cell = bed_cell
    while True:
        below = int(receiver[cell])
        if below == cell or filled[below] < filled[bed_cell]:
            return cell
        cell = below


def _contributing(
    routing: Routing, number: IntArray, spill: NDArray[np.int64], receiver: NDArray[np.int64]
) -> FloatArray:
    """Cells' worth of rain that reaches each low spot, through those above it included."""
    first = routing.field.labels(number)
    own = np.bincount(first.ravel(), weights=routing.weight.ravel(), minlength=spill.size + 1)
    level = routing.field.filled.ravel()[spill]
    below = first.ravel()[receiver[spill]]
    total = own[1:].copy()
    for position in np.argsort(-level, kind="stable"):  # upstream first
        into = below[position]
        if into and into != position + 1:
            total[into - 1] += total[position]
    return np.asarray(total, dtype=np.float64)


def cell_sums(number: IntArray, values: FloatArray, count: int) -> FloatArray:
    """
    Sum values over the cells of each low spot.

    By the number of the low spot on each cell, from 1 to `count`.
    """
    return np.asarray(
        np.bincount(number.ravel(), weights=values.ravel(), minlength=count + 1)[1:], dtype=float
    )


def find_low_spots(routing: Routing, limit: float) -> LowSpots:
    """
    Find the whole depressions of a routed surface.

    The surface has no inlets: where water stands when nothing takes it. Those whose greatest depth
    reaches the limit [m] count, deepest first, without artefact flags.
    """
    number = numbered_depressions(routing.depth, limit)
    count = int(number.max(initial=0))
    elevation = routing.elevation
    bed = bed_cells(elevation, number, count)
    receiver = receivers(routing.field).ravel()
    spill = np.array([spill_cell(routing, int(cell), receiver) for cell in bed], dtype=np.int64)
    return LowSpots(
        number=number,
        water=np.where(number > 0, routing.depth, 0.0),
        bed_cell=bed,
        spill_cell=spill,
        bed=elevation.ravel()[bed],
        spill=routing.field.filled.ravel()[bed],
        cells=np.bincount(number.ravel(), minlength=count + 1)[1:],
        volume=cell_sums(number, routing.depth, count),
        contributing=_contributing(routing, number, spill, receiver),
        artefact=[""] * count,
    )


def joined(first: LowSpots, second: LowSpots) -> LowSpots:
    """
    Put two lists of low spots into one, the second after the first.

    Parameters
    ----------
    first, second
        Where they overlap on the grid, the first keeps the cell.
    """
    shifted = np.where(second.number > 0, second.number + len(first), 0)
    return LowSpots(
        number=np.where(first.number > 0, first.number, shifted).astype(np.int32),
        water=np.where(first.number > 0, first.water, second.water),
        bed_cell=np.concatenate([first.bed_cell, second.bed_cell]),
        spill_cell=np.concatenate([first.spill_cell, second.spill_cell]),
        bed=np.concatenate([first.bed, second.bed]),
        spill=np.concatenate([first.spill, second.spill]),
        cells=np.concatenate([first.cells, second.cells]),
        volume=np.concatenate([first.volume, second.volume]),
        contributing=np.concatenate([first.contributing, second.contributing]),
        artefact=first.artefact + second.artefact,
    )


@dataclass(frozen=True)
class InnerLowSpot:
    """
    A low spot nested in a larger one.

    Parameters
    ----------
    low_spot
        Number of the low spot it lies in.
    bed_cell
        Flat index of its deepest cell.
    bed, sill
        Elevation of its deepest cell and of the sill at which it joins its neighbour [m].
    volume
        Below the sill, depth times cells [m].
    """

    low_spot: int
    bed_cell: int
    bed: float
    sill: float
    volume: float


def inner_low_spots(hierarchy: Hierarchy, spots: LowSpots, limit: float) -> list[InnerLowSpot]:
    """
    Find the low spots nested in others.

    A depression is said to hold two where both parts are at least `limit` deep below the sill
    between them.

    Parameters
    ----------
    hierarchy
        Of the same surface as the low spots.
    spots
        The low spots.
    limit
        Smallest depth below the sill [m].
    """
    depressions = hierarchy.depressions(limit)
    number = spots.number.ravel()
    found = []
    for node in depressions.values():
        if len(node.children) != 2 or not number[node.pit_cell]:
            continue
        parts = [depressions.get(child) for child in node.children]
        deep = [part for part in parts if part is not None and _depth(part) >= limit - LEVEL_STEP]
        if len(deep) == 2:
            found += [_inner(part, int(number[part.pit_cell])) for part in deep]
    # a low spot that was judged by the ground alone may overflow below the sill
    found = [
        inner for inner in found
        if inner.low_spot and inner.sill <= spots.spill[inner.low_spot - 1] + LEVEL_STEP
    ]  # fmt: skip
    return sorted(found, key=lambda inner: (inner.low_spot, inner.bed, inner.bed_cell))


def _depth(node: Depression) -> float:
    return node.out_elevation - node.pit_elevation


def _inner(node: Depression, low_spot: int) -> InnerLowSpot:
    return InnerLowSpot(
        low_spot, node.pit_cell, node.pit_elevation, node.out_elevation, node.volume
    )


def inflow_cells(surface: Surface, filled: FloatArray) -> BoolArray:
    """
    Cells to which water may come from beyond what is known.

    Those are the cells beside missing data, and those beside the outer ring where the ring is
    higher than the water level of the cell.

    Parameters
    ----------
    surface
        Gives ring and missing data.
    filled
        Filled surface [m].
    """
    beyond = np.where(surface.edge, surface.elevation, -np.inf)
    beyond[surface.missing] = np.inf
    beyond[surface.water & ~surface.edge] = -np.inf
    return np.asarray((highest_around(beyond) > filled) & ~surface.edge & ~surface.missing)


def cut_by_edge(routing: Routing, spots: LowSpots, inflow: BoolArray) -> BoolArray:
    """
    Tell which low spots may receive water from beyond what is known, or reach the outer ring.

    Parameters
    ----------
    routing
        What the low spots were found on.
    spots
        The low spots.
    inflow
        From `inflow_cells`.
    """
    first = routing.field.labels(spots.number)
    count = len(spots)
    cut = np.bincount(first[inflow], minlength=count + 1)[1:] > 0
    receiver = receivers(routing.field).ravel()
    below = first.ravel()[receiver[spots.spill_cell]]
    for position in np.argsort(-spots.spill, kind="stable"):  # upstream first
        if cut[position] and below[position]:
            cut[below[position] - 1] = True
    return np.asarray(cut)


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


def counterparts(spots: LowSpots, others: LowSpots) -> NDArray[np.int64]:
    """
    Tell low spots by the numbers of those that are at the same places on other ground.

    Parameters
    ----------
    spots, others
        On the same cells.

    Returns
    -------
    number
        By the number of a spot, from 0 on, that of the one which shares most cells with it; 0 where
        none does.
    """
    shared = np.zeros((len(spots) + 1, len(others) + 1), dtype=np.int64)
    np.add.at(shared, (spots.number.ravel(), others.number.ravel()), 1)
    shared[0], shared[:, 0] = 0, 0
    return np.asarray(shared.argmax(axis=1))


def in_rain_gardens(spots: LowSpots, beds: Sequence[tuple[NDArray[np.int64], float]]) -> LowSpots:
    """
    Say of low spots that they are rain gardens: dug to hold water, and no deeper than that.

    Parameters
    ----------
    spots
        Of the ground with the gardens dug into it.
    beds
        Of each garden its cells, and how deep water may stand in it [m].
    """
    flags = list(spots.artefact)
    for cells, depth in beds:
        for position in np.flatnonzero(np.isin(spots.bed_cell, cells)).tolist():
            if not flags[position] and spots.depth[position] <= depth + _GARDEN_HAIR_M:
                flags[position] = Artefact.RAIN_GARDEN
    return replace(spots, artefact=flags)


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


def flag_artefacts(
    routing: Routing, spots: LowSpots, *, dam_depth: float
) -> list[Artefact | Literal[""]]:
    """
    Say of each low spot why it may be no standing water.

    Empty where nothing speaks against it. From `dam_depth` on [m] a bank is suspected to hide a
    culvert where lower ground lies close behind it; from twice that depth it is suspected anyway.
    """
    surface = routing.surface
    near_gap = highest_around(surface.missing)
    at_gap = np.bincount(spots.number[near_gap], minlength=len(spots) + 1)[1:] > 0
    receiver = receivers(routing.field).ravel()
    roof = surface.roof.ravel()
    flags: list[Artefact | Literal[""]] = []
    for position in range(len(spots)):
        if roof[spots.spill_cell[position]]:
            flags.append(Artefact.ENCLOSED)
        elif at_gap[position]:
            flags.append(Artefact.AT_GAP)
        elif spots.depth[position] >= dam_depth and (
            spots.depth[position] >= 2 * dam_depth
            or _ground_soon_falls_below(routing, spots, position, receiver)
        ):
            flags.append(Artefact.DAMMED)
        else:
            flags.append("")
    return flags


def bare_ground(surface: Surface) -> tuple[FloatArray, FloatArray]:
    """
    Give the ground as if no building stood on it, and that ground filled.

    Missing cells are at the level of the nearest known one [m].
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

    Ground and fill are those of `bare_ground`; the greatest depth must reach the limit [m]. Where
    an enclosed low spot overflows is not known: its spill point is its bed.
    """
    enclosed = np.array([flag == Artefact.ENCLOSED for flag in spots.artefact], dtype=bool)
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

    Ground and fill are those of `bare_ground`; the greatest depth must reach the limit [m].
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
        artefact=[Artefact.IN_BUILDING] * bed.size,
    )
