"""What drains where: to each inlet, onto the lot, over its line, and the balance of these."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.terrain.flow_paths import courses_to
from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from geopandas import GeoDataFrame
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray
    from lotflow.terrain.routing import Routing


@dataclass(frozen=True, eq=False)
class CatchmentCells:
    """
    Cells per inlet; every array has one entry per inlet, in their order.

    Parameters
    ----------
    total
        Ground and roofs that drain to it.
    roof
        Those that are roofs, whose water lands at their eaves.
    cut_by_edge
        Whether water may come from beyond what is known.
    """

    total: FloatArray
    on_lot: FloatArray
    roof: FloatArray
    cut_by_edge: BoolArray


def catchment_cells(routing: Routing, lot: BoolArray, inflow: BoolArray) -> CatchmentCells:
    """
    Count the cells of each inlet's catchment.

    Parameters
    ----------
    routing
        With inlets.
    inflow
        Cells to which water may come from beyond what is known, see `low_spots.inflow_cells`.
    """
    known = ~routing.surface.missing

    def count(where: BoolArray) -> FloatArray:
        return weighed(routing, where)[1:]

    return CatchmentCells(
        total=count(known),
        on_lot=count(known & lot),
        roof=count(known & routing.surface.roof),
        cut_by_edge=count(inflow) > 0,
    )


def weighed(routing: Routing, where: BoolArray) -> FloatArray:
    """
    Cells' worth of rain that reaches each inlet, first what reaches none.

    Parameters
    ----------
    routing
        With inlets.
    where
        Cells whose rain counts.
    """
    return np.bincount(
        routing.label[where],
        weights=routing.surface.share[where],
        minlength=routing.drains.number + 1,
    ).astype(np.float64)


def label_polygons(label: IntArray, grid: Grid) -> tuple[list[int], list[Any]]:
    """
    Outline each label's cells exactly.

    Parameters
    ----------
    label
        Shape of the grid; 0 is left out.

    Returns
    -------
    labels, polygons
        One polygon or multipolygon per label, in rising order.
    """
    from rasterio.features import shapes  # noqa: PLC0415 - slow to import

    parts: dict[int, list[Any]] = {}
    for geometry, value in shapes(label.astype(np.int32), mask=label > 0, transform=grid.transform):
        rings = [np.asarray(ring) for ring in geometry["coordinates"]]
        parts.setdefault(int(value), []).append(shapely.Polygon(rings[0], rings[1:]))
    labels = sorted(parts)
    return labels, [
        parts[value][0] if len(parts[value]) == 1 else shapely.union_all(parts[value])
        for value in labels
    ]


def simplified_outlines(polygons: list[Any], tolerance: float) -> list[Any]:
    """
    Simplify outlines so that neighbours still share their borders.

    Parameters
    ----------
    polygons
        A set of exact cell outlines that do not overlap.
    tolerance
        Largest shift of a border, in units of the CRS.

    Returns
    -------
    outlines
        Same order; one that would vanish is kept as it was.
    """
    if not polygons:
        return []
    clean = shapely.coverage_clean(polygons)
    simple = shapely.coverage_simplify(clean, tolerance)
    return [
        smooth if not smooth.is_empty and smooth.is_valid else exact
        for smooth, exact in zip(simple, polygons, strict=True)
    ]


@dataclass(frozen=True)
class LotBalance:
    """
    Rain on and through the lot, in cells' worth; the two sides agree exactly.

    Every cell's rain counts once, however often it crosses the lot line: where it first comes
    onto the lot, and where it ends or leaves for good.

    Parameters
    ----------
    on
        Falls outside and comes first over the lot line, from roofs outside whose water lands
        inside too.
    culverts_in
        Falls outside and comes first out of a culvert within the lot.
    lot
        Falls on the lot.
    off
        Leaves for good over the lot line, from roofs inside whose water lands outside too.
    captured
        Taken by inlets within the lot.
    culverts_out
        Leaves for good into a culvert within the lot.
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


def line_flows(routing: Routing, lot: BoolArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cells whose water crosses the lot line inward, and outward."""
    receiver = receivers(routing.field).ravel()
    inside = lot.ravel()
    crossing = inside != inside[receiver]
    return np.flatnonzero(crossing & ~inside), np.flatnonzero(crossing & inside)


def lot_area(lot: GeoDataFrame, metres_per_unit: float) -> float:
    """Area of a lot, whose parts count once where they overlap [m^2]."""
    return float(lot.geometry.union_all().area) * metres_per_unit**2


def lot_balance(routing: Routing, lot: BoolArray) -> LotBalance:
    """
    Account for every cell's worth of rain on the lot, each once.

    Parameters
    ----------
    routing
        With or without inlets.
    """
    surface, inside = routing.surface, lot.ravel()
    share = np.where(surface.missing, 0.0, surface.share).ravel()
    falls, landing = ~surface.piped.ravel(), surface.landing.ravel()
    first = _first_contact(routing, inside)
    comes = falls & ~inside
    last = _last_place(routing, inside, first > 0)[landing]
    ours = falls & (inside | (first[landing] > 0))

    def sum_of(where: BoolArray) -> float:
        return float(share[where].sum())

    return LotBalance(
        on=sum_of(comes & (first[landing] == _OVER_LINE)),
        culverts_in=sum_of(comes & (first[landing] == _BY_CULVERT)),
        lot=sum_of(inside),
        # what drips from a roof of the lot beyond it may never come back
        off=sum_of(ours & ((last == _OVER_LINE) | (last == 0))),
        captured=sum_of(ours & (last == _CAPTURED)),
        culverts_out=sum_of(ours & (last == _BY_CULVERT)),
        unseen=sum_of(ours & (last == _UNSEEN)),
        connected_roofs=sum_of(inside & ~falls),
    )


#: How water comes onto the lot or leaves it for good, or ends on it.
_OVER_LINE, _BY_CULVERT, _CAPTURED, _UNSEEN = 1, 2, 3, 4


def _first_contact(routing: Routing, inside: BoolArray) -> NDArray[np.int32]:
    """How the water of each cell first comes onto the lot, through culverts too; 0 if never."""
    target = np.where(inside, _OVER_LINE, 0).astype(np.int32)
    for culvert in routing.drains.culverts:
        if inside[culvert.down_cell] and not inside[culvert.up_cell]:
            target[culvert.up_cell] = _BY_CULVERT
    shape = routing.surface.ground.shape
    return np.asarray(courses_to(routing, target.reshape(shape)).label.ravel())


def _last_place(routing: Routing, inside: BoolArray, returns: BoolArray) -> NDArray[np.int32]:
    """How the water of each cell that comes onto the lot leaves it for good, or ends on it."""
    receiver = receivers(routing.field).ravel()
    target = np.where(inside & ~inside[receiver] & ~returns[receiver], _OVER_LINE, 0)
    target[inside & routing.field.drain.ravel()] = _UNSEEN
    target[inside & (routing.drains.inlet.ravel() > 0)] = _CAPTURED
    for culvert in routing.drains.culverts:
        if inside[culvert.up_cell]:
            gone = not inside[culvert.down_cell] and not returns[culvert.down_cell]
            target[culvert.up_cell] = _BY_CULVERT if gone else 0
    shape = routing.surface.ground.shape
    return np.asarray(courses_to(routing, target.reshape(shape)).label.ravel())


#: Over so many cells the direction of a crossing is taken: one step knows eight directions.
_BEARING_CELLS: Final = 4


@dataclass(frozen=True)
class Crossing:
    """
    Water that crosses a stretch of the lot line.

    The same water may cross several: crossings do not add up to the balance.

    Parameters
    ----------
    inward
        Whether it comes onto the lot.
    cell
        Flat index of the cell through which most of it comes.
    area
        Cells' worth of rain.
    bearing
        Where the water of that cell runs over the next cells, clockwise from the grid's north
        [degrees].
    stretch
        Number of the stretch along the lot line.
    """

    inward: bool
    cell: int
    area: float
    bearing: float = 0.0
    stretch: int = 0


def _bearing(routing: Routing, cell: int) -> float:
    """Give where the water of a cell runs, over some cells, clockwise from north [degrees]."""
    columns, receiver = routing.surface.ground.shape[1], receivers(routing.field).ravel()
    end = cell
    for _ in range(_BEARING_CELLS):
        end = int(receiver[end])
    south, east = end // columns - cell // columns, end % columns - cell % columns
    return math.degrees(math.atan2(east, -south)) % 360.0


def stretches(boundary: Any, points: Any, length: float) -> NDArray[np.int64]:
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
    boundary
        The lot line in the grid's CRS.
    stretch_m
        Length of a stretch [m].
    """
    grid = routing.surface.ground
    total = routing.total.ravel()
    found = []
    for inward, cells in zip((True, False), line_flows(routing, lot), strict=True):
        if not cells.size:
            continue
        x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
        stretch = stretches(boundary, shapely.points(x, y), stretch_m / grid.metres_per_unit)
        for number in np.unique(stretch):
            here = cells[stretch == number]
            most = int(here[np.argmax(total[here])])
            area = float(total[here].sum())
            found.append(Crossing(inward, most, area, _bearing(routing, most), int(number)))
    return sorted(found, key=lambda crossing: (-crossing.area, crossing.cell))
