"""
What of a window's water is settled within it: no edge of what was read may drain a basin unsaid.

A routed window lets water leave over its outer ring. That is right where it leaves downhill, and
wrong where the ring cuts a closed basin, below the lot or above it. To tell, the ring is made a
wall, but where it lies so far below the ground of interest that no water behind it would rise
that high: what then runs from the wall to the ground of interest is unfinished.

A closed basin that no storm fills is settled too: it never runs over, and its bottom takes what
comes. Filled to its rim, it would put a lot on its side under water that is never there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain.cells import greatest_of_parts, polygon_cells
from lotflow.terrain.drainage import LEVEL_STEP, flow_field
from lotflow.terrain.kernels import connected_parts, nearest_marked, priority_flood
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.routing import Routing, no_drains, route, upstream_of
from lotflow.terrain.surface import SunkBasin

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.surface import Surface

#: Level of the wall, above all land [m].
_WALL_M: Final = 1e6


@dataclass(frozen=True, eq=False)
class Interest:
    """
    Ground whose water must be settled within a window.

    Parameters
    ----------
    flow
        Cells of which all that drains to them counts: lot, inlets, and the depressions that
        reach onto the ground of interest.
    level
        Cells on which the level of standing water counts, those of `flow` included.
    upstream
        All that drains to `flow`, and the depressions this water passes.
    """

    flow: BoolArray
    level: BoolArray
    upstream: BoolArray


def ground_of_interest(
    natural: Routing, core: BoolArray, near: BoolArray, least_depth: float
) -> Interest:
    """
    Find the ground whose water must be settled.

    Parameters
    ----------
    natural
        Routing without inlets.
    core
        Cells of the lot and its inlets.
    near
        Cells near enough for water that stands there to be reported.
    least_depth
        Shallower depressions are not reported [m].
    """
    part, count = connected_parts(natural.depth > 0)
    deep = np.append(False, greatest_of_parts(natural.depth, part, count) >= least_depth)
    flow = core | _whole(part, count, (core | near) & deep[part])
    culverts = natural.drains.culverts
    while True:
        upstream = upstream_of(natural, flow)
        leading = [
            pipe.up_cell for pipe in culverts
            if upstream.ravel()[pipe.down_cell] and not flow.ravel()[pipe.up_cell]
        ]  # fmt: skip
        if not leading:
            break
        flow.ravel()[leading] = True
    return Interest(flow, flow | near, upstream | _whole(part, count, upstream))


def _whole(part: NDArray[np.int32], count: int, some: BoolArray) -> BoolArray:
    """Complete the parts of which some cells are marked."""
    touched = np.bincount(part[some], minlength=count + 1) > 0
    touched[0] = False
    return np.asarray(touched[part])


@dataclass(frozen=True, eq=False)
class Unfinished:
    """
    Ring cells whose water, held back beyond them, would come to the ground of interest.

    Parameters
    ----------
    ring
        Flat indices of these cells.
    entry
        For each: the flat index of the cell of interest that its water meets.
    from_above
        For each: whether the ring lies above the water of that cell: water comes from it.
        Otherwise the ring lies below, or level, and water may be held back by what lies beyond.
    leaving, brim
        Ring cells taken for lying too deep for that, and the level to which water would have to
        rise there to come to the ground of interest after all [m].
    """

    ring: NDArray[np.int64]
    entry: NDArray[np.int64]
    from_above: BoolArray
    leaving: NDArray[np.int64]
    brim: FloatArray


def unfinished_at_ring(natural: Routing, interest: Interest, rise: float) -> Unfinished:
    """
    Find where what lies beyond the ring may change the water of the ground of interest.

    Parameters
    ----------
    natural
        Routing without inlets, the ring open.
    interest
        From `ground_of_interest`.
    rise
        How high water behind the ring is taken to rise above it at most [m]: where the ring lies
        deeper below the ground of interest, water leaves downhill.
    """
    surface, filled = natural.surface, natural.field.filled
    gone = _takes_water(natural)
    # the water of interest stands at its level already
    level = np.pad(np.where(interest.level, filled, natural.elevation), 1, constant_values=_WALL_M)
    drain = np.pad(interest.level | gone, 1, constant_values=True)
    climb = priority_flood(level, drain)
    inner = (slice(1, -1), slice(1, -1))
    edge = surface.edge
    leaves = edge & ~interest.level & (climb[inner] - natural.elevation >= rise)
    drain[inner] |= leaves
    walled = priority_flood(level, drain)
    number = np.arange(1, edge.size + 1, dtype=np.int32).reshape(edge.shape)
    # a wall need not be higher than all else for its directions, and its levels must be near
    walled = np.minimum(walled, walled[inner].max() + 1.0)
    met = flow_field(walled, drain).labels(np.pad(np.where(interest.level, number, 0), 1))[inner]
    ring = np.flatnonzero(edge & (met > 0) & ~gone & ~surface.roof & ~surface.wall)
    entry = met.ravel()[ring].astype(np.int64) - 1
    above = natural.elevation.ravel()[ring] > filled.ravel()[entry] + LEVEL_STEP / 2
    leaving = np.flatnonzero(leaves & ~gone)
    return Unfinished(ring, entry, above, leaving, climb[inner].ravel()[leaving])


def held_behind_ring(natural: Routing, rise: float) -> BoolArray:
    """
    Find the cells on which water stands higher if that beyond the ring stands above the ring.

    Parameters
    ----------
    natural
        Routing without inlets, the ring open.
    rise
        How high it stands above each cell of the ring [m].
    """
    surface = natural.surface
    gone = _takes_water(natural)
    raised = np.where(surface.edge & ~gone, rise, 0.0)
    level = priority_flood(natural.elevation + raised, surface.edge | gone)
    return level > natural.field.filled + LEVEL_STEP / 2


def _takes_water(natural: Routing) -> BoolArray:
    """Cells in which water is gone, whatever stands round them."""
    gone = natural.surface.missing | natural.surface.water
    for pipe in natural.drains.culverts:
        gone.ravel()[pipe.up_cell] = True
    return np.asarray(gone)


def coarse_water(ground: Grid, step: int, water: Sequence[Any]) -> tuple[Grid, FloatArray]:
    """
    Level of standing water on a coarser view of the ground, never lower than on the ground itself.

    Each block of cells is as high as its highest cell: any way over the blocks is a way over the
    ground that rises no higher.

    Parameters
    ----------
    ground
        Elevation [m], NaN where missing.
    step
        Cells along the side of a block.
    water
        Polygons of open water, which takes all flow.

    Returns
    -------
    blocks, level
        Their highest ground, and the level of the water on them, both NaN where more than half
        of a block is missing, which takes all flow too [m].
    """
    rows, columns = (np.arange(0, size, step) for size in ground.shape)
    # row by row, then column by column: no copy of the ground is made
    highest = np.fmax.reduceat(np.fmax.reduceat(ground.values, rows, axis=0), columns, axis=1)
    known = np.add.reduceat(np.isfinite(ground.values), rows, axis=0, dtype=np.int32)
    gone = np.add.reduceat(known, columns, axis=1) < 0.5 * step**2
    # blocks at the last rows and columns may hang over
    gone[-1], gone[:, -1] = ~np.isfinite(highest[-1]), ~np.isfinite(highest[:, -1])
    highest[gone] = np.nan
    unit = ground.transform.a * step
    transform = Affine(unit, 0.0, ground.transform.c, 0.0, -unit, ground.transform.f)
    blocks = Grid(highest, transform, ground.crs, ground.metres_per_unit)
    drain = gone.copy()
    for polygon in water:
        drain |= polygon_cells(polygon, blocks)
    drain[[0, -1]] = True
    drain[:, [0, -1]] = True
    surface = highest.ravel()[nearest_marked(~gone)]
    level = priority_flood(surface, drain)
    return blocks, np.where(gone, np.nan, level)


def spills_unseen(natural: Routing, spots: LowSpots) -> BoolArray:
    """
    Tell which low spots overflow at the outer ring or into missing data.

    How high water really rises in them is not known: at least as high as found.

    Parameters
    ----------
    natural
        What the low spots were found on.
    spots
        The low spots.
    """
    surface = natural.surface
    unseen = ((surface.edge & ~surface.water) | surface.missing).ravel()
    below = natural.receivers().ravel()[spots.spill_cell]
    level = natural.field.filled.ravel()[below] >= spots.spill - LEVEL_STEP / 2
    # missing data have the level of the nearest known cell: over their brim water is lost
    lost = surface.missing.ravel()[below]
    return np.asarray(unseen[spots.spill_cell] | (unseen[below] & level) | lost)


#: A basin is taken for sunk from this depth on [m]: no hollow of a garden is so deep. lotflow's
#: choice, no published source.
SUNK_DEPTH_M: Final = 3.0
#: Rain that no storm brings [m]: the largest 100-year rains of a day in the United States are about
#: 0.4 m (NOAA Atlas 14, Gulf coast, from memory). Lotflow's choice.
NO_STORM_M: Final = 0.5


def with_sunk_basins(surface: Surface, lot: BoolArray) -> Surface:
    """
    Let the bottoms of closed basins that no storm fills take the water that reaches them.

    Parameters
    ----------
    surface
        What water runs on.
    lot
        Cells of the lot. A basin of which so much rain would reach the lot stays as it is.

    Returns
    -------
    surface
        With their deepest cells as water. A basin nested in one is found once that is drained.
    """
    found: list[SunkBasin] = []
    known = surface.elevation[~surface.roof & ~surface.missing]
    if not known.size or np.ptp(known) < SUNK_DEPTH_M:
        return surface
    while True:
        depth = priority_flood(surface.elevation, surface.outside) - surface.elevation
        if not (depth[~surface.roof] >= SUNK_DEPTH_M).any():
            break
        sunk = _sunk(surface, lot)
        if not sunk:
            break
        found += sunk
        water = surface.water.copy()
        water.ravel()[[basin.bed_cell for basin in sunk]] = True
        surface = replace(surface, water=water)
    return replace(surface, sunk=tuple(found)) if found else surface


def _sunk(surface: Surface, lot: BoolArray) -> list[SunkBasin]:
    """Find the basins that are not filled, and stay below the lot, in a rain no storm brings."""
    natural = route(surface, no_drains(surface), by_kernel=True)
    spots = find_low_spots(natural, SUNK_DEPTH_M)
    found = []
    for position in range(len(spots)):
        rain = float(spots.volume[position] / max(spots.contributing[position], 1.0))
        inside = spots.number == position + 1
        if rain < NO_STORM_M or surface.roof.ravel()[spots.bed_cell[position]]:
            continue
        level = _filled_to(
            natural.elevation[inside], NO_STORM_M * float(spots.contributing[position])
        )
        if natural.elevation[inside & lot].min(initial=np.inf) <= level:
            continue
        bed = int(spots.bed_cell[position])
        x, y = surface.ground.xy(*divmod(bed, surface.ground.shape[1]))
        found.append(SunkBasin(
            bed, float(x), float(y), float(spots.depth[position]),
            float(spots.cells[position] * surface.ground.cell_m2), rain,
            bool((inside & lot).any()),
        ))  # fmt: skip
    return found


def _filled_to(ground: FloatArray, volume: float) -> float:
    """
    Level to which a volume fills a basin, in depth times cells [m].

    Examples
    --------
    >>> _filled_to(np.array([1.0, 0.0, 2.0]), 2.0)
    1.5
    """
    level = np.sort(ground)
    below = np.arange(level.size) * level - np.append(0.0, np.cumsum(level)[:-1])
    cells = int(np.searchsorted(below, volume, side="right"))
    return float((volume + level[:cells].sum()) / cells)
