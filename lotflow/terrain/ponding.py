"""
Where the runoff of a storm comes to stand, what of it inlets take, and what leaves.

Every depression of a routed surface keeps what reaches it until it is full; what is more runs on
from its lowest way out, along the same directions as all other water, into the next depression
or drain. Within a depression that is not full, water fills the pits nested in it one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.errors import EngineError, ParameterError
from lotflow.terrain.low_spots import cell_sums

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import FloatArray
    from lotflow.terrain.pond_network import PondNetwork

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
    network
        What it ran on.
    runoff
        All that ran.
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
    >>> from lotflow.terrain.pond_network import WAYS_OUT, pond_network
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
