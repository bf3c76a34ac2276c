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
        """Cells' worth of roof that each downspout drains."""
        share = np.bincount(
            self.served.ravel(),
            weights=self.surface.share.ravel(),
            minlength=len(self.downspouts) + 1,
        )
        return share[1:].astype(np.float64)

    def connected_cells(self, names: Sequence[str]) -> FloatArray:
        """Roof cells led into each node of the drains."""
        by_node = dict.fromkeys(names, 0.0)
        for downspout, cells in zip(self.downspouts, self.cells, strict=True):
            if downspout.node in by_node:
                by_node[downspout.node] += float(cells)
        return np.array(list(by_node.values()), dtype=np.float64)


def roof_water(
    surface: Surface, downspouts: Sequence[Downspout], footprints: Sequence[float] | None = None
) -> RoofWater:
    """
    Lead each roof's water to its downspouts; what they leave over sheds at the eaves.

    A downspout drains its given area; those of a building without one share the rest of the
    footprint evenly. Which cells are a downspout's follows from their distance: its part of the
    roof grows round it, at the same pace as those of its neighbours, until it is large enough.
    Each of its cells then stands for as much rain as makes up its area. What a roof has more or
    less than its cells, the ground beside it has less or more, as under eaves that overhang: no
    rain is counted twice and none is lost.

    Parameters
    ----------
    surface
        Gives roofs and their eaves.
    footprints
        True area of each building, in cells' worth; by default that of its cells.

    Returns
    -------
    roofs
        Each downspout has its area exactly, but one whose building has fewer cells than
        downspouts may have none.
    """
    served = np.zeros(surface.ground.shape, dtype=np.int32)
    share = surface.share.copy()
    numbers = np.array([downspout.building for downspout in downspouts], dtype=np.int64)
    for building in np.unique(numbers).tolist():
        own = np.flatnonzero(numbers == building)
        cells = np.flatnonzero(surface.building == building)
        if not cells.size:
            continue
        given = np.array([downspouts[i].area_m2 for i in own.tolist()]) / surface.ground.cell_m2
        whole = float(cells.size if footprints is None else footprints[building - 1])
        area = _areas(given, whole)
        quotas = _quotas(area, cells.size)
        places = np.array([downspouts[i].cell for i in own.tolist()], dtype=np.int64)
        nearest = _grown_parts(places, cells, quotas[:-1], served.shape[1])
        served.ravel()[cells] = np.append(own + 1, 0)[nearest]
        each = np.divide(area, quotas, out=np.zeros(area.size), where=quotas > 0)
        share.ravel()[cells] = each[nearest]
        _make_up(share, surface, cells, float(share.ravel()[cells].sum()) - cells.size)
    landed = _landed(replace(surface, share=share), downspouts, served)
    return RoofWater(landed, tuple(downspouts), served)


def _areas(given: FloatArray, whole: float) -> FloatArray:
    """Roof area of each downspout of a building, and last of its eaves; NaN shares the rest."""
    without = np.isnan(given)
    rest = max(whole - float(np.nansum(given)), 0.0)
    if without.any():
        return np.append(np.where(without, rest / without.sum(), given), 0.0)
    return np.append(given, rest)


def _quotas(area: FloatArray, cells: int) -> NDArray[np.int64]:
    """Cells for each area of a building in proportion, one at least for each downspout."""
    if not area.sum() > 0:
        return np.append(np.zeros(area.size - 1, dtype=np.int64), cells)
    # rounding the running sum keeps the whole
    ends = np.rint(np.cumsum(area) * (cells / area.sum()))
    quotas = np.diff(ends, prepend=0.0).astype(np.int64)
    for position in np.flatnonzero((quotas[:-1] == 0) & (area[:-1] > 0)).tolist():
        if quotas.max() > 1:
            quotas[quotas.argmax()] -= 1
            quotas[position] = 1
    return np.asarray(quotas, dtype=np.int64)


def _make_up(share: FloatArray, surface: Surface, cells: NDArray[np.int64], excess: float) -> None:
    """Take what a roof has more than its cells off the nearest ground beside it, in place."""
    if abs(excess) < 1e-9:
        return
    from scipy.ndimage import binary_dilation  # noqa: PLC0415 - only where roofs have downspouts

    row, column = cells // share.shape[1], cells % share.shape[1]
    open_ground = ~surface.roof & ~surface.missing
    for reach in range(1, max(share.shape)):
        box = (
            slice(max(int(row.min()) - reach, 0), int(row.max()) + reach + 1),
            slice(max(int(column.min()) - reach, 0), int(column.max()) + reach + 1),
        )
        roof = np.zeros(share[box].shape, dtype=bool)
        roof[row - box[0].start, column - box[1].start] = True
        beside = (
            binary_dilation(roof, np.ones((3, 3), dtype=bool), iterations=reach) & open_ground[box]
        )
        there = float(share[box][beside].sum())
        # half of it stays at least, so that no rain gets lost between two houses
        if there >= 2 * abs(excess):
            share[box][beside] *= 1.0 - excess / there
            return


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
