"""What comes onto the lot, what leaves it, and the balance between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray
    from lotflow.terrain.routing import Routing


@dataclass(frozen=True)
class LotBalance:
    """
    Rain on and through the lot, in cells' worth; the two sides agree exactly.

    Parameters
    ----------
    on
        Comes over the lot line, from roofs outside whose water lands inside too.
    culverts_in
        Comes out of culverts within the lot.
    lot
        Falls on the lot.
    off
        Leaves over the lot line, from roofs inside whose water lands outside too.
    captured
        Taken by inlets within the lot.
    culverts_out
        Taken by culverts within the lot.
    unseen
        Ends in open water, missing data or the edge of the data within the lot.
    connected_roofs
        Falls on roofs within the lot whose downspouts lead it into a drain.
    """

    on: float
    culverts_in: float
    lot: float
    off: float
    captured: float
    culverts_out: float
    unseen: float
    connected_roofs: float = 0.0

    @property
    def residual(self) -> float:
        """What comes minus what goes; 0 unless the program is wrong."""
        comes = self.on + self.culverts_in + self.lot
        goes = self.off + self.captured + self.culverts_out + self.unseen
        return comes - (goes + self.connected_roofs)


def _line_flows(routing: Routing, lot: BoolArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cells whose water crosses the lot line inward, and outward."""
    receiver = receivers(routing.field).ravel()
    inside = lot.ravel()
    crossing = inside != inside[receiver]
    return np.flatnonzero(crossing & ~inside), np.flatnonzero(crossing & inside)


def _roof_drip(routing: Routing, lot: BoolArray) -> tuple[float, float]:
    """Roof cells outside whose water lands inside, and the reverse."""
    surface = routing.surface
    inside = lot.ravel()
    lands_inside = inside[surface.landing.ravel()]
    roof = (surface.roof & ~surface.piped).ravel()
    return (
        float((roof & ~inside & lands_inside).sum()),
        float((roof & inside & ~lands_inside).sum()),
    )


def lot_balance(routing: Routing, lot: BoolArray) -> LotBalance:
    """
    Account for every cell's worth of rain on the lot.

    Parameters
    ----------
    routing
        With or without inlets.
    lot
        Cells of the lot.
    """
    total, surface = routing.total.ravel(), routing.surface
    inward, outward = _line_flows(routing, lot)
    drip_in, drip_out = _roof_drip(routing, lot)
    inlet = routing.drains.inlet > 0
    culvert = np.zeros(lot.shape, dtype=bool)
    culvert.ravel()[[pipe.up_cell for pipe in routing.drains.culverts]] = True
    sink = routing.field.drain
    let_out = routing.weight - surface.rain_weight
    return LotBalance(
        on=float(total[inward].sum()) + drip_in,
        culverts_in=float(let_out[lot].sum()),
        lot=float((lot & ~surface.missing).sum()),
        off=float(total[outward].sum()) + drip_out,
        captured=float(routing.total[lot & inlet].sum()),
        culverts_out=float(routing.total[lot & culvert & ~inlet].sum()),
        unseen=float(routing.total[lot & sink & ~inlet & ~culvert].sum()),
        connected_roofs=float((lot & surface.piped).sum()),
    )


@dataclass(frozen=True)
class Crossing:
    """
    Water that crosses a stretch of the lot line.

    Parameters
    ----------
    inward
        Whether it comes onto the lot.
    cell
        Flat index of the cell through which most of it comes.
    area
        Cells' worth of rain.
    """

    inward: bool
    cell: int
    area: float


def _stretches(boundary: Any, points: Any, length: float) -> NDArray[np.int64]:
    """Number of the stretch of the lot line, of all its rings in turn, nearest to each point."""
    rings = shapely.get_parts(boundary)
    away = shapely.distance(rings[:, None], points[None, :])
    nearest = away.argmin(axis=0)
    start = np.concatenate([[0.0], np.cumsum(np.ceil(shapely.length(rings) / length) * length)])
    along = shapely.line_locate_point(rings[nearest], points)
    return np.asarray(np.floor((start[nearest] + along) / length), dtype=np.int64)


def lot_line_crossings(
    routing: Routing, lot: BoolArray, boundary: Any, stretch_m: float
) -> list[Crossing]:
    """
    Sum up what crosses each stretch of the lot line, largest first.

    Parameters
    ----------
    routing
        Gives directions and what passes through each cell.
    lot
        Cells of the lot.
    boundary
        The lot line in the grid's CRS.
    stretch_m
        Length of a stretch [m].
    """
    grid = routing.surface.ground
    total = routing.total.ravel()
    found = []
    for inward, cells in zip((True, False), _line_flows(routing, lot), strict=True):
        if not cells.size:
            continue
        x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
        stretch = _stretches(boundary, shapely.points(x, y), stretch_m / grid.metres_per_unit)
        for number in np.unique(stretch):
            here = cells[stretch == number]
            found.append(
                Crossing(inward, int(here[np.argmax(total[here])]), float(total[here].sum()))
            )
    return sorted(found, key=lambda crossing: (-crossing.area, crossing.cell))
