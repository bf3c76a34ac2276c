"""Depressions and drains of a routed surface, and where each depression overflows to."""

from __future__ import annotations

from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.errors import EngineError, Fault, InputError
from lotflow.terrain.drainage import depression_hierarchy
from lotflow.terrain.low_spots import bed_cells, cell_sums, numbered_depressions
from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import FloatArray, IntArray
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
