"""The bodies of water that stand after a storm: level, depth, volume, and where they overflow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.kernels import connected_parts
from lotflow.terrain.low_spots import bed_cells, cell_sums
from lotflow.terrain.neighbourhoods import greatest_of_parts
from lotflow.terrain.pond_network import WAYS_OUT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray
    from lotflow.terrain.pond_network import PondNetwork
    from lotflow.terrain.ponding import StandingWater

_WAY_OUT_NAMES: Final = {
    "water": "open water",
    "gap": "a gap in the elevation data",
    "edge": "the edge of the elevation data",
}


@dataclass(frozen=True, eq=False)
class WaterBodies:
    """
    Bodies of standing water, deepest first; every array has one entry per body.

    Parameters
    ----------
    number
        Shape of the grid: number of the body on each cell, from 1; 0 where it is dry.
    bed_cell
        Flat index of the lowest cell.
    depth, level
        Greatest depth, and elevation of its surface [m].
    cells
        Number of cells under water.
    volume
        Depth times cells [m].
    depression
        Number of the depression it stands in, from 1.
    overflow
        What runs over out of that depression, depth times cells [m]; 0 unless it is full.
    """

    number: IntArray
    bed_cell: NDArray[np.int64]
    depth: FloatArray
    level: FloatArray
    cells: NDArray[np.int64]
    volume: FloatArray
    depression: NDArray[np.int64]
    overflow: FloatArray

    def __len__(self) -> int:
        """Number of bodies."""
        return self.bed_cell.size


def water_bodies(water: StandingWater, least_depth: float) -> WaterBodies:
    """
    Tell the bodies of standing water apart.

    Two of them may stand in one depression, each in its own pit, until they rise above the sill
    between them.

    Parameters
    ----------
    water
        After one storm.
    least_depth
        Smallest greatest depth that counts [m].

    Examples
    --------
    >>> from lotflow.terrain.known_surfaces import trench_with_pits
    >>> from lotflow.terrain.pond_network import pond_network
    >>> from lotflow.terrain.ponding import standing_water
    >>> from lotflow.terrain.routing import no_drains, route
    >>> from lotflow.terrain.surface import prepare_surface
    >>> surface = prepare_surface(trench_with_pits())
    >>> runoff = np.zeros((5, 9))
    >>> runoff[2, 2] = 3.5
    >>> water = standing_water(pond_network(route(surface, no_drains(surface))), runoff)
    >>> bodies = water_bodies(water, 0.01)
    >>> bodies.level.tolist(), bodies.volume.tolist()
    ([5.0, 4.5], [3.0, 0.5])
    """
    depth, network = water.depth, water.network
    part, count = connected_parts(depth > LEVEL_STEP / 2)
    deepest = greatest_of_parts(depth, part, count)
    kept = np.flatnonzero(deepest >= least_depth - LEVEL_STEP)
    kept = kept[np.argsort(-deepest[kept], kind="stable")]
    new = np.zeros(count + 1, dtype=np.int32)
    new[kept + 1] = np.arange(1, kept.size + 1)
    number = np.asarray(new[part], dtype=np.int32)
    bed = bed_cells(network.routing.elevation, number, kept.size)
    depression = network.depression.ravel()[bed].astype(np.int64)
    return WaterBodies(
        number=number,
        bed_cell=bed,
        depth=depth.ravel()[bed],
        level=(network.routing.elevation + depth).ravel()[bed],
        cells=np.bincount(number.ravel(), minlength=kept.size + 1)[1:],
        volume=cell_sums(number, depth, kept.size),
        depression=depression,
        overflow=water.overflow[depression - 1],
    )


@dataclass(frozen=True, eq=False)
class OverflowPath:
    """
    Way of the water that runs over out of a depression.

    Parameters
    ----------
    spill_cell
        Flat index of the last cell at the level at which it overflows.
    cells
        Flat indices of the cells of the way, from the spill cell to its end.
    end
        Node at its end: a drain, or one of the depressions asked for.
    """

    spill_cell: int
    cells: NDArray[np.int64]
    end: int


def overflow_path(
    network: PondNetwork, receiver: NDArray[np.int64], depression: int, stops: BoolArray
) -> OverflowPath:
    """
    Follow the overflow of a depression to a drain, or to another depression that matters.

    Parameters
    ----------
    network
        Depressions and drains.
    receiver
        Flat index of the cell that each cell drains to, from `routing.receivers`.
    depression
        Number of the depression, from 1.
    stops
        One entry per depression: whether the way ends where it meets that one. Others, too
        shallow to matter, are crossed.
    """
    filled, number = network.routing.field.filled.ravel(), network.depression.ravel()
    cell = spill = int(network.exit_cell[depression - 1])
    level = filled[cell]
    way = [cell]
    while receiver[cell] != cell:
        cell = int(receiver[cell])
        way.append(cell)
        if filled[cell] == level and number[cell] == 0:
            spill = cell
        if number[cell] and number[cell] != depression and stops[number[cell] - 1]:
            break
    cells = np.array(way[way.index(spill) :], dtype=np.int64)
    return OverflowPath(spill, cells, int(network.first.ravel()[cell]))


def node_name(network: PondNetwork, node: int, inlets: Sequence[str], low_spot: IntArray) -> str:
    """
    Name a node for the reader.

    Parameters
    ----------
    network
        Depressions and drains.
    node
        Number of the node.
    inlets
        Names of the inlets, in the order of their numbers.
    low_spot
        One entry per depression: number of a low spot in it.
    """
    culverts = network.routing.drains.culverts
    if node <= network.inlets:
        return inlets[node - 1]
    if node <= network.inlets + len(culverts):
        return culverts[node - network.inlets - 1].name
    if node <= network.drains:
        return _WAY_OUT_NAMES[WAYS_OUT[node - network.drains - 1]]
    return f"low spot {int(low_spot[node - network.drains - 1])}"
