"""Where roof water comes down: which roof cells each downspout drains, and what sheds at eaves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray
    from lotflow.terrain.surface import Surface


@dataclass(frozen=True)
class Downspout:
    """
    A downspout on the grid.

    Parameters
    ----------
    name
        Shown in results.
    building
        Number of the building it drains, as on the surface, from 1.
    cell
        Flat index of the cell it stands on.
    node
        Inlet or node of the drains it is led into; empty where it runs onto the ground.
    area_m2
        Roof area it drains, seen from above [m^2]; NaN where not given.
    leader_m
        Inside diameter of its pipe [m]; NaN where not given.
    """

    name: str
    building: int
    cell: int
    node: str = ""
    area_m2: float = np.nan
    leader_m: float = np.nan


@dataclass(frozen=True, eq=False)
class RoofWater:
    """
    Roofs with their downspouts.

    Parameters
    ----------
    surface
        With the landing of each roof cell's rain.
    downspouts
        In the order of their numbers.
    served
        Shape of the grid: number of the downspout that drains each roof cell, from 1; 0 on
        ground and where the roof sheds at its eaves.
    """

    surface: Surface
    downspouts: tuple[Downspout, ...]
    served: IntArray

    @property
    def cells(self) -> FloatArray:
        """Roof cells that each downspout drains."""
        count = np.bincount(self.served.ravel(), minlength=len(self.downspouts) + 1)
        return count[1:].astype(np.float64)

    def connected_cells(self, names: Sequence[str]) -> FloatArray:
        """
        Roof cells led into each node of the drains.

        Parameters
        ----------
        names
            Of the nodes.
        """
        by_node = dict.fromkeys(names, 0.0)
        for downspout, cells in zip(self.downspouts, self.cells, strict=True):
            if downspout.node in by_node:
                by_node[downspout.node] += float(cells)
        return np.array(list(by_node.values()), dtype=np.float64)


def roof_water(surface: Surface, downspouts: Sequence[Downspout]) -> RoofWater:
    """
    Lead each roof's water to its downspouts; what they leave over sheds at the eaves.

    A downspout drains its given area; those of a building without one share the rest evenly.
    Areas that add up to more than the footprint are lessened in proportion, so that no rain is
    counted twice. Which cells are a downspout's follows from their distance: its part of the
    roof grows round it, at the same pace as those of its neighbours, until it is large enough.

    Parameters
    ----------
    surface
        Gives roofs and their eaves.
    downspouts
        Of its buildings.

    Returns
    -------
    roofs
        Areas are whole cells: each downspout's is met to within one cell.
    """
    served = np.zeros(surface.ground.shape, dtype=np.int32)
    numbers = np.array([downspout.building for downspout in downspouts], dtype=np.int64)
    for building in np.unique(numbers).tolist():
        own = np.flatnonzero(numbers == building)
        cells = np.flatnonzero(surface.building == building)
        area = np.array([downspouts[i].area_m2 for i in own.tolist()]) / surface.ground.cell_m2
        places = np.array([downspouts[i].cell for i in own.tolist()], dtype=np.int64)
        nearest = _grown_parts(places, cells, _quotas(area, cells.size), served.shape[1])
        served.ravel()[cells] = np.append(own + 1, 0)[nearest]
    return RoofWater(_landed(surface, downspouts, served), tuple(downspouts), served)


def _quotas(area: FloatArray, cells: int) -> NDArray[np.int64]:
    """Cells of each downspout of a building, from areas in cells; NaN takes of what is left."""
    wanted = np.nan_to_num(area)
    if wanted.sum() > cells:
        wanted *= cells / wanted.sum()
    without = np.isnan(area)
    if without.any():
        wanted[without] = (cells - wanted.sum()) / without.sum()
    # rounding the running sum keeps the whole
    return np.diff(np.rint(np.cumsum(wanted)), prepend=0.0).astype(np.int64)


def _grown_parts(
    places: NDArray[np.int64], cells: NDArray[np.int64], quotas: NDArray[np.int64], columns: int
) -> NDArray[np.int64]:
    """Position of the downspout of each cell, -1 for none: the nearest pairs come first."""
    away = np.hypot(
        places[:, None] // columns - cells // columns, places[:, None] % columns - cells % columns
    )
    part = np.full(cells.size, -1, dtype=np.int64)
    left = quotas.tolist()
    for pair in np.argsort(away, axis=None, kind="stable").tolist():
        downspout, cell = divmod(pair, cells.size)
        if left[downspout] and part[cell] < 0:
            part[cell] = downspout
            left[downspout] -= 1
    return part


def _landed(surface: Surface, downspouts: Sequence[Downspout], served: IntArray) -> Surface:
    """Put the landing of every roof cell's rain into the surface."""
    ground = surface.eave_cell.ravel()
    # a downspout drawn on its roof runs onto the nearest ground
    place = [0, *(int(ground[downspout.cell]) for downspout in downspouts)]
    is_piped: BoolArray = np.array([False, *(bool(d.node) for d in downspouts)])
    landing = np.where(served > 0, np.array(place, dtype=np.int32)[served], surface.eave_cell)
    return replace(surface, landing=landing.astype(np.int32), piped=is_piped[served])
