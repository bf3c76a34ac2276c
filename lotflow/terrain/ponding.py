"""
Where the runoff of a storm comes to stand, what of it inlets take, and what leaves.

Every depression of a routed surface keeps what reaches it until it is full; what is more runs on
from its lowest way out, along the same directions as all other water, into the next depression
or drain. Within a depression that is not full, water fills the pits nested in it one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.errors import EngineError, Fault, InputError, ParameterError
from lotflow.terrain.cells import greatest_of_parts
from lotflow.terrain.drainage import LEVEL_STEP, depression_hierarchy
from lotflow.terrain.kernels import connected_parts
from lotflow.terrain.low_spots import bed_cells, cell_sums, numbered_depressions
from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray
    from lotflow.terrain.drainage import Hierarchy
    from lotflow.terrain.routing import Routing

#: Where water leaves what is known, in the order of their nodes.
WAYS_OUT: Final = ("water", "gap", "edge")


@dataclass(frozen=True, eq=False)
class PondNetwork:
    """
    Depressions and drains of a routed surface, and where each depression overflows to.

    Both are nodes: inlets from 1, then culverts, then the three ways out, then depressions.

    Parameters
    ----------
    routing
        With one set of drains.
    hierarchy
        How pits are nested within the depressions.
    depression
        Shape of the grid: number of the depression on each cell, from 1; 0 where there is none.
    capacity
        What each depression holds, depth times cells [m].
    bed_cell
        Of each depression: the flat index of its lowest cell.
    first, entry
        Shape of the grid: the node that each cell's water meets first, and the flat index of the
        cell where it meets it; its own for the cell of a node.
    exit_cell
        Of each depression: the flat index of its cell from which it overflows.
    below, landing
        Of each node that passes water on: the next node, and the cell at which it is met.
    order
        Those nodes, upstream first.
    """

    routing: Routing
    hierarchy: Hierarchy
    depression: IntArray
    capacity: FloatArray
    bed_cell: NDArray[np.int64]
    first: IntArray
    entry: NDArray[np.int64]
    exit_cell: NDArray[np.int64]
    below: NDArray[np.int64]
    landing: NDArray[np.int64]
    order: tuple[int, ...]

    @property
    def inlets(self) -> int:
        """Number of inlets, blocked ones included."""
        return self.routing.drains.number

    @property
    def drains(self) -> int:
        """Number of nodes that are no depression."""
        return self.inlets + len(self.routing.drains.culverts) + len(WAYS_OUT)


def pond_network(routing: Routing) -> PondNetwork:
    """
    Find the depressions of a routed surface and how they overflow into one another.

    Parameters
    ----------
    routing
        With one set of drains; all storms run on the same network.

    Raises
    ------
    InputError
        If the water of a culvert runs back into it.

    References
    ----------
    Barnes, Callaghan, Wickert (2020), Computing water flow through complex landscapes, part 2,
    Earth Surface Dynamics 8.
    """
    field = routing.field
    depression = numbered_depressions(routing.depth, 0.0)
    count = int(depression.max(initial=0))
    drains = routing.drains.number + len(routing.drains.culverts) + len(WAYS_OUT)
    node = np.where(depression > 0, depression + drains, _drain_nodes(routing)).astype(np.int32)
    first = field.labels(node)
    own = np.arange(1, node.size + 1, dtype=np.int32).reshape(node.shape)
    entry = field.labels(np.where(node > 0, own, 0)).astype(np.int64) - 1
    if (entry < 0).any():
        raise EngineError("water of a routed surface ends where there is no drain.")
    exit_cell = _exit_cells(field.order, depression.ravel(), count)
    start = np.full(drains + count + 1, -1, dtype=np.int64)
    start[drains + 1 :] = receivers(field).ravel()[exit_cell]
    for position, culvert in enumerate(routing.drains.culverts, routing.drains.number + 1):
        start[position] = culvert.down_cell
    below = np.where(start >= 0, first.ravel()[start], 0).astype(np.int64)
    landing = np.where(start >= 0, entry.ravel()[start], -1)
    hierarchy = routing.hierarchy or depression_hierarchy(routing.elevation, field.drain)
    return PondNetwork(
        routing=routing, hierarchy=hierarchy, depression=depression,
        capacity=cell_sums(depression, routing.depth, count),
        bed_cell=bed_cells(routing.elevation, depression, count), first=first, entry=entry,
        exit_cell=exit_cell, below=below, landing=landing,
        order=_order(routing, below, exit_cell, drains),
    )  # fmt: skip


def _drain_nodes(routing: Routing) -> IntArray:
    """Node of each drain: a culvert before an inlet, an inlet before a way out."""
    surface, drains = routing.surface, routing.drains
    ways = drains.number + len(drains.culverts)
    node = np.where(surface.edge, ways + 3, 0)
    node[surface.missing] = ways + 2
    node[surface.water] = ways + 1
    node = np.where(drains.inlet > 0, drains.inlet, node).astype(np.int32)
    for position, culvert in enumerate(drains.culverts, drains.number + 1):
        node.ravel()[culvert.up_cell] = position
    return node


def _exit_cells(
    order: NDArray[np.int64], depression: NDArray[np.int32], count: int
) -> NDArray[np.int64]:
    """
    Cell of each depression that stands first in the order of flow.

    No cell of the depression lies below it on the way out, and a depression further down stands
    before it: overflow can never come back.
    """
    cells = order[depression[order] > 0]
    exit_cell = np.full(count, -1, dtype=np.int64)
    exit_cell[depression[cells[::-1]] - 1] = cells[::-1]
    return exit_cell


def _order(
    routing: Routing, below: NDArray[np.int64], exit_cell: NDArray[np.int64], drains: int
) -> tuple[int, ...]:
    """Nodes that pass water on, upstream first."""
    order = routing.field.order
    rank = np.empty(order.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    depressions = (np.argsort(-rank[exit_cell], kind="stable") + drains + 1).tolist()
    culverts = routing.drains.culverts
    if not culverts:
        return tuple(depressions)
    first_culvert = routing.drains.number + 1
    passing = [*range(first_culvert, first_culvert + len(culverts)), *depressions]
    graph: TopologicalSorter[int] = TopologicalSorter(dict.fromkeys(passing, ()))
    for node in passing:
        if below[node] > drains or first_culvert <= below[node] < first_culvert + len(culverts):
            graph.add(int(below[node]), node)
    try:
        return tuple(graph.static_order())
    except CycleError as reason:
        names = " -> ".join(
            culverts[node - first_culvert].name for node in reason.args[1] if node <= drains
        )
        raise InputError(
            Fault(
                f"the water of these culverts runs back into them: {names}",
                "Draw each culvert downstream, its last point at the lower end",
                layer="culverts",
            )
        ) from reason


#: A depression that lacks less than this share of its volume is full.
_FULL: Final = 1.0 - 1e-12
#: Share of the runoff that rounding may lose.
_ROUNDING: Final = 1e-9
#: The engine drops what is less than this in a pit, and overfills one that is this near to full:
#: for each cell of the depression half a step of its levels, depth times cells [m].
_ENGINE_STEP: Final = 1e-6


@dataclass(frozen=True, eq=False)
class StandingWater:
    """
    Where the runoff of one storm is once it has run; volumes are depth times cells [m].

    Parameters
    ----------
    depth
        Shape of the grid: depth of standing water [m].
    kept, overflow
        Of each depression: what stands in it, and what ran over.
    direct, passed_on
        Of each inlet: what reached it over open ground, and what came out of full depressions
        and culverts.
    left
        Through each of the `WAYS_OUT`.
    """

    network: PondNetwork
    runoff: float
    depth: FloatArray
    kept: FloatArray
    overflow: FloatArray
    direct: FloatArray
    passed_on: FloatArray
    left: FloatArray

    @property
    def taken(self) -> FloatArray:
        """What each inlet took."""
        return self.direct + self.passed_on

    @property
    def residual(self) -> float:
        """What ran off minus what stands, was taken and left; 0 but for rounding."""
        gone = float(self.taken.sum() + self.left.sum())
        return self.runoff - float(self.depth.sum()) - gone


def standing_water(network: PondNetwork, runoff: FloatArray) -> StandingWater:
    """
    Let the runoff of a storm run, stand and run over.

    No infiltration is counted while it runs. Culverts carry whatever reaches them.

    Parameters
    ----------
    network
        Depressions and drains.
    runoff
        Shape of the grid: runoff of each cell, where it enters the flow [m]; 0 or more.

    Returns
    -------
    water
        No drop is lost: what ran off stands, was taken by an inlet, or left.

    Raises
    ------
    ParameterError
        If a runoff is negative or missing, or the shape is another one.
    EngineError
        If water was lost; it never should be.

    References
    ----------
    Barnes, Callaghan, Wickert (2021), Computing water flow through complex landscapes, part 3:
    fill-spill-merge, Earth Surface Dynamics 9, for the pits nested in a depression.

    Examples
    --------
    A trench with pits of 3, 1 and 6 behind sills of 5 and 9, nested in a depression of 27:

    >>> from lotflow.terrain.known_surfaces import trench_with_pits
    >>> from lotflow.terrain.ponding import WAYS_OUT, pond_network
    >>> from lotflow.terrain.routing import no_drains, route
    >>> from lotflow.terrain.surface import prepare_surface
    >>> surface = prepare_surface(trench_with_pits())
    >>> network = pond_network(route(surface, no_drains(surface)))
    >>> runoff = np.zeros((5, 9))
    >>> runoff[2, 2] = 12.0
    >>> standing_water(network, runoff).depth[2].round(3)
    array([0.   , 0.   , 5.667, 2.667, 3.667, 0.   , 0.   , 0.   , 0.   ])
    >>> runoff[2, 2] = 30.0
    >>> water = standing_water(network, runoff)
    >>> float(water.depth.sum()), dict(zip(WAYS_OUT, water.left.tolist()))
    (27.0, {'water': 0.0, 'gap': 0.0, 'edge': 3.0})
    """
    runoff = np.asarray(runoff, dtype=np.float64)
    if runoff.shape != network.first.shape or not (runoff >= 0).all():
        raise ParameterError("runoff needs one value of 0 or more for every cell.")
    nodes = network.below.size
    own = _summed(network.first, runoff, nodes)
    total, over = _passed_down(network, own)
    inlets, drains = network.inlets, network.drains
    kept = (total - over)[drains + 1 :]
    water = StandingWater(
        network=network, runoff=float(runoff.sum()), depth=_depths(network, runoff, kept, over),
        kept=kept, overflow=over[drains + 1 :], direct=own[1 : inlets + 1],
        passed_on=(total - own)[1 : inlets + 1], left=total[drains - 2 : drains + 1],
    )  # fmt: skip
    if abs(water.residual) > _ROUNDING * max(water.runoff, 1.0):
        raise EngineError(
            f"{water.residual:g} of {water.runoff:g} cell metres of runoff were lost in filling "
            "depressions."
        )
    return water


def _summed(index: NDArray[Any], runoff: FloatArray, size: int) -> FloatArray:
    """Sum runoff by index."""
    total = np.bincount(index.ravel(), weights=runoff.ravel(), minlength=size)
    return total.astype(np.float64, copy=False)


def _passed_down(network: PondNetwork, own: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give what reaches each node, and what each passes on."""
    total = own.tolist()
    over = [0.0] * len(total)
    capacity = [0.0] * (network.drains + 1) + network.capacity.tolist()
    below = network.below.tolist()
    for node in network.order:
        if total[node] > capacity[node]:
            over[node] = total[node] - capacity[node]
            total[below[node]] += over[node]
    return np.array(total), np.array(over)


def _depths(
    network: PondNetwork, runoff: FloatArray, kept: FloatArray, over: FloatArray
) -> FloatArray:
    """Depth of standing water: full depressions, and pits within those that are not full."""
    full = kept >= network.capacity * _FULL
    depth = np.where(np.append(False, full)[network.depression], network.routing.depth, 0.0)
    filling = np.append(False, ~full & (kept > 0))[network.depression]
    if not filling.any():
        return depth
    poured = _summed(network.entry, runoff, runoff.size)
    passing = np.flatnonzero(over > 0)
    np.add.at(poured, network.landing[passing], over[passing])
    poured = np.where(filling.ravel(), poured, 0.0).reshape(runoff.shape)
    depth = np.where(filling, network.hierarchy.ponding(poured), depth)
    # nothing may be lost or found, not even what the engine drops or overfills: what it dropped
    # is put where it would end, what it found is taken from all that stands in the depression
    stands = cell_sums(network.depression, depth, kept.size)
    lacking = np.where(full, 0.0, kept - stands)
    cells = np.bincount(network.depression.ravel(), minlength=kept.size + 1)[1:]
    small = np.abs(lacking) <= _ENGINE_STEP * cells
    dropped, found = small & (lacking > 0), small & (lacking < 0)
    np.add.at(depth.ravel(), network.bed_cell[dropped], lacking[dropped])
    if found.any():
        share = np.ones(kept.size + 1)
        share[1:][found] = kept[found] / stands[found]
        depth = depth * share[network.depression]
    return depth


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
    >>> from lotflow.terrain.ponding import pond_network
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

    From the last cell at the level at which it overflows; `cells` are flat indices, and `end` is
    the node at their end: a drain, or one of the depressions asked for.
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
