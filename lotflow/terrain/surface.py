"""The surface water runs on: the ground with buildings and walls raised, how steep it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.cells import line_cells, polygon_cells, polygon_numbers
from lotflow.terrain.kernels import nearest_marked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray

#: How far a footprint is raised above the highest ground in it [m]: water goes round it.
BUILDING_RAISE_M: Final = 3.0


@dataclass(frozen=True)
class SunkBasin:
    """
    A closed basin of the elevation data that no storm fills.

    Parameters
    ----------
    bed_cell
        Flat index of its deepest cell.
    x, y
        Where that lies.
    depth_m, area_m2
        If it were full.
    rain_m
        Rain over all that drains to it that would fill it [m].
    holds_lot
        Whether ground of the lot lies below its rim.
    """

    bed_cell: int
    x: float
    y: float
    depth_m: float
    area_m2: float
    rain_m: float
    holds_lot: bool


@dataclass(frozen=True, eq=False)
class Surface:
    """
    Ground as water meets it, without inlets.

    Parameters
    ----------
    ground
        Elevation as surveyed, or as levels taken on site correct it [m]; NaN where there is none.
    elevation
        Shape of the ground, finite everywhere: buildings and walls raised, missing cells at the
        level of the nearest known one [m].
    building
        Number of the building on each cell, from 1; 0 where there is none.
    wall
        Cells of drawn walls.
    water
        Cells that always take flow: open water, and the bottoms of sunk basins.
    missing
        Cells without elevation that are not under a building.
    eave_cell
        Flat index of the ground cell nearest to each roof cell; its own index elsewhere.
    landing
        Flat index of the cell on which the rain of each cell enters the flow: by default the
        eaves of a roof cell, the cell of its downspout where it has one.
    piped
        Roof cells whose rain a downspout leads into a drain: none of it enters the flow.
    share
        Cells' worth of rain that each cell stands for: 1, but where a roof with downspouts is
        larger or smaller than its cells, and on the ground beside it, which makes up for that.
    barriers
        Footprints and the lines of walls as drawn, which nothing is set across.
    sunk
        Closed basins that no storm fills: what reaches their bottom stays there.
    """

    ground: Grid
    elevation: FloatArray
    building: IntArray
    wall: BoolArray
    water: BoolArray
    missing: BoolArray
    eave_cell: IntArray
    landing: IntArray
    piped: BoolArray
    share: FloatArray
    barriers: tuple[Any, ...] = ()
    sunk: tuple[SunkBasin, ...] = ()

    @property
    def open_water(self) -> BoolArray:
        """Cells of the open water that is drawn."""
        drawn = self.water.copy()
        drawn.ravel()[[basin.bed_cell for basin in self.sunk]] = False
        return drawn

    @property
    def bare(self) -> BoolArray:
        """Cells that are neither roofed nor open water."""
        return ~(self.roof | self.water)

    @property
    def edge(self) -> BoolArray:
        """Outer ring of the window."""
        ring = np.zeros(self.ground.shape, dtype=bool)
        ring[[0, -1], :] = True
        ring[:, [0, -1]] = True
        return ring

    @property
    def outside(self) -> BoolArray:
        """Cells at which water leaves what is known: ring, missing data, open water."""
        return self.edge | self.missing | self.water

    @property
    def roof(self) -> BoolArray:
        """Cells under a roof."""
        return self.building > 0

    @property
    def rain_weight(self) -> FloatArray:
        """
        Cells' worth of rain that enters the flow at each cell.

        Each known cell counts its share; that of a roof cell lands at its eaves or downspout, so
        that no square metre is lost and none runs over the raised block. What is piped counts
        nowhere.
        """
        falls = ~self.missing & ~self.piped
        weight = np.bincount(
            self.landing[falls], weights=self.share[falls], minlength=self.landing.size
        )
        return weight.reshape(self.ground.shape).astype(np.float64)


def _raise_buildings(elevation: FloatArray, building: IntArray) -> FloatArray:
    """Raise each footprint to one level above its highest ground."""
    number = int(building.max(initial=0))
    if not number:
        return elevation
    highest = np.full(number + 1, -np.inf)
    np.maximum.at(highest, building.ravel(), elevation.ravel())
    raised: FloatArray = np.where(building > 0, highest[building] + BUILDING_RAISE_M, elevation)
    return raised


def prepare_surface(
    ground: Grid,
    *,
    buildings: Sequence[Any] = (),
    walls: Sequence[tuple[Any, float]] = (),
    water: Sequence[Any] = (),
) -> Surface:
    """
    Make the surface on which water is routed.

    Parameters
    ----------
    ground
        Elevation [m], NaN where missing.
    buildings
        Footprints in the grid's CRS.
    walls
        Lines and their heights above the ground [m].
    water
        Polygons of open water.

    Returns
    -------
    surface
        The ground itself is not changed.
    """
    building = polygon_numbers(buildings, ground)
    missing = ground.missing
    elevation = open_levels(ground)
    elevation = _raise_buildings(elevation, building)
    wall = np.zeros(ground.shape, dtype=bool)
    top = elevation.copy()
    for line, height in walls:
        cells = line_cells(line, ground)
        wall.ravel()[cells] = True
        # where walls cross, the higher one counts
        top.ravel()[cells] = np.maximum(top.ravel()[cells], elevation.ravel()[cells] + height)
    wet = np.zeros(ground.shape, dtype=bool)
    for polygon in water:
        wet |= polygon_cells(polygon, ground)
    roof = building > 0
    nearest_ground = nearest_marked(~roof & ~missing)
    eave_cell = np.where(roof, nearest_ground, _own_cells(ground.shape))
    return Surface(
        ground=ground,
        elevation=top,
        building=building,
        wall=wall & ~roof,
        water=wet & ~roof,
        missing=missing & ~roof,
        eave_cell=eave_cell,
        landing=eave_cell,
        piped=np.zeros(ground.shape, dtype=bool),
        share=np.ones(ground.shape),
        barriers=(*buildings, *(line for line, _ in walls)),
    )


def open_levels(grid: Grid) -> FloatArray:
    """Levels of a ground, of missing cells that of the nearest known one [m]."""
    values = np.asarray(grid.values, dtype=np.float64)
    return values.ravel()[nearest_marked(~np.isnan(values))]


def _own_cells(shape: tuple[int, int]) -> IntArray:
    """Flat index of every cell."""
    return np.arange(shape[0] * shape[1], dtype=np.int32).reshape(shape)


#: Cells around a place over which the direction of its fall is found.
_REACH = 4
#: Ground flatter than this has no direction of fall.
_LEAST_SLOPE = 0.002


def typical_slope(ground: Grid, where: BoolArray, *, reach_m: float = 6.0) -> float:
    """
    Median slope of the ground, from height differences across twice half the reach.

    Parameters
    ----------
    ground
        Elevation [m].
    reach_m
        Distance over which the fall is taken [m].

    Returns
    -------
    slope
        Fall divided by length; 0 where there are no such distances.

    Examples
    --------
    >>> from lotflow.terrain.known_surfaces import tilted_plane
    >>> plane = tilted_plane(30, slope=0.04)
    >>> round(typical_slope(plane, np.ones(plane.shape, dtype=bool)), 4)
    0.04
    """
    half = max(round(reach_m / ground.cell_m / 2), 1)
    z = ground.values
    rows, columns = z.shape
    if min(rows, columns) <= 2 * half:
        return 0.0
    run = 2 * half * ground.cell_m
    east = (z[half:-half, 2 * half :] - z[half:-half, : -2 * half]) / run
    north = (z[: -2 * half, half:-half] - z[2 * half :, half:-half]) / run
    slope = np.hypot(east, north)[where[half:-half, half:-half]]
    slope = slope[np.isfinite(slope)]
    return float(np.median(slope)) if slope.size else 0.0


def local_fall(surface: Surface, row: int, column: int) -> NDArray[np.float64] | None:
    """
    Direction in which the open ground round a cell falls, by the plane that fits it best.

    East and north part, of length 1; None where the ground is as good as level. Roofs and walls are
    left out.
    """
    rows = slice(max(row - _REACH, 0), row + _REACH + 1)
    columns = slice(max(column - _REACH, 0), column + _REACH + 1)
    z = surface.ground.values[rows, columns]
    open_ground = np.isfinite(z) & ~surface.roof[rows, columns] & ~surface.wall[rows, columns]
    if open_ground.sum() < 2 * _REACH:
        return None
    r, c = np.nonzero(open_ground)
    plane = np.column_stack([c, -r, np.ones(r.size)]) * surface.ground.cell_m
    east, north, _ = np.linalg.lstsq(plane, z[open_ground], rcond=None)[0]
    steep = float(np.hypot(east, north))
    return None if steep < _LEAST_SLOPE else np.array([-east, -north]) / steep
