"""Where the water of every cell ends: inlets, culverts, open water, the edge of the data."""

from __future__ import annotations

from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from typing import TYPE_CHECKING

import numpy as np
import shapely

from lotflow.errors import Fault, InputError
from lotflow.terrain.drainage import (
    FlowField,
    Hierarchy,
    depression_hierarchy,
    filled_by_flood,
    flow_field,
    level_steps,
)
from lotflow.terrain.loops.neighbours import COLUMN_STEP, ROW_STEP

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from geopandas import GeoDataFrame
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray
    from lotflow.terrain.surface import Surface


@dataclass(frozen=True)
class Culvert:
    """
    A pipe that takes water at one cell and lets it out at another.

    Parameters
    ----------
    up_cell, down_cell
        Flat indices of the cells of its ends.
    """

    name: str
    up_cell: int
    down_cell: int


@dataclass(frozen=True, eq=False)
class Drains:
    """
    What takes water within the window.

    Parameters
    ----------
    inlet
        Number of the inlet on each cell, from 1; 0 where there is none.
    level
        Elevation at which an inlet takes water, by its number [m]; the ground where not given.
    culverts
        Pipes under roads and drives.
    number
        Number of inlets; the last ones may have lost all their cells to others.
    """

    inlet: IntArray
    level: Mapping[int, float]
    culverts: Sequence[Culvert] = ()
    number: int = 0


@dataclass(frozen=True, eq=False)
class Routing:
    """
    Every cell's way, for one surface with one set of drains.

    Parameters
    ----------
    surface, drains
        What it was computed for.
    elevation
        The surface with rims [m].
    weight
        Cells' worth of rain entering at each cell, with the outflow of culverts.
    total
        Cells' worth of rain passing through each cell.
    label
        Number of the inlet that each cell's water reaches; 0 where it leaves, ends in open
        water, or meets missing data. A roof cell has the label of the cell its rain lands on, 0
        where that is led into a drain.
    hierarchy
        The depression hierarchy, where the surface was filled by it.
    """

    surface: Surface
    drains: Drains
    elevation: FloatArray
    field: FlowField
    weight: FloatArray
    total: FloatArray
    label: IntArray
    hierarchy: Hierarchy | None = None

    @property
    def depth(self) -> FloatArray:
        """Depth of the filled ground below its spill level [m]."""
        return self.field.filled - self.elevation

    def receivers(self) -> NDArray[np.int64]:
        """Flat index of the cell each cell drains to; its own at drains."""
        return receivers(self.field)


def receivers(field: FlowField) -> NDArray[np.int64]:
    """Flat index of the cell that each cell drains to; its own at drains."""
    columns = field.direction.shape[1]
    own = np.arange(field.direction.size).reshape(field.direction.shape)
    step = ROW_STEP * columns + COLUMN_STEP
    return np.asarray(own + step[field.direction], dtype=np.int64)


def no_drains(surface: Surface) -> Drains:
    """Give the drains of a lot without inlets."""
    return Drains(np.zeros(surface.ground.shape, dtype=np.int32), {})


def _routed_elevation(surface: Surface, drains: Drains) -> FloatArray:
    """Give the surface with each inlet at the level at which it takes water."""
    elevation = surface.elevation.copy()
    for number, level in drains.level.items():
        elevation[drains.inlet == number] = level
    return level_steps(elevation)


def drain_mask(surface: Surface, drains: Drains) -> BoolArray:
    """
    Cells that swallow water.

    The outer ring, missing data and water; inlets and upstream ends of culverts.
    """
    mask = surface.outside | (drains.inlet > 0)
    for culvert in drains.culverts:
        mask.ravel()[culvert.up_cell] = True
    return mask


def _culvert_order(
    culverts: Sequence[Culvert], reaches: Mapping[int, int], inlets: int
) -> list[int]:
    """Sort culverts upstream first; a cycle is an error, since its water never ends."""
    graph: TopologicalSorter[int] = TopologicalSorter()
    for position in range(len(culverts)):
        graph.add(position)
        into = reaches[position] - inlets - 1
        if into >= 0:
            graph.add(into, position)
    try:
        return list(graph.static_order())
    except CycleError as reason:
        names = " -> ".join(culverts[int(position)].name for position in reason.args[1])
        raise InputError(
            Fault(
                f"the water of these culverts runs back into them: {names}",
                "Draw each culvert downstream, its last point at the lower end",
                layer="culverts",
            )
        ) from reason


def _through_culverts(
    label: IntArray, weight: FloatArray, culverts: Sequence[Culvert], inlets: int
) -> tuple[NDArray[np.int32], FloatArray]:
    """
    Lead water on through culverts.

    Returns the inlet that each drain's water reaches in the end, and the weights with what
    culverts let out.
    """
    reached = np.arange(inlets + len(culverts) + 1, dtype=np.int32)
    if not culverts:
        return reached, weight
    down = [int(label.ravel()[culvert.down_cell]) for culvert in culverts]
    order = _culvert_order(culverts, dict(enumerate(down)), inlets)
    taken = np.bincount(label.ravel(), weights=weight.ravel(), minlength=reached.size)
    weight = weight.copy()
    for position in order:
        flow = taken[inlets + 1 + position]
        weight.ravel()[culverts[position].down_cell] += flow
        taken[down[position]] += flow
    for position in reversed(order):
        reached[inlets + 1 + position] = reached[down[position]]
    return reached, weight


def route(
    surface: Surface, drains: Drains, *, rule: str = "ltd", by_kernel: bool = False
) -> Routing:
    """
    Fill the surface round its drains, and follow every cell's water to its end.

    Inlets are drains inside the surface while it is filled: cutting the flow at an inlet after
    filling gives wrong catchments wherever the inlet lies in a closed low spot.

    Parameters
    ----------
    drains
        Inlets and culverts.
    rule
        Direction rule, see `drainage.flow_field`.
    by_kernel
        Fill by the compiled flood instead of richdem: the same surface to the last bit, for
        trial runs whose result is thrown away.

    Raises
    ------
    InputError
        If the water of a culvert runs back into it.
    """
    elevation = _routed_elevation(surface, drains)
    mask = drain_mask(surface, drains)
    hierarchy = None if by_kernel else depression_hierarchy(elevation, mask)
    filled = filled_by_flood(elevation, mask) if hierarchy is None else hierarchy.filled()
    field = flow_field(filled, mask, rule=rule)
    number = drains.inlet.copy()
    for position, culvert in enumerate(drains.culverts):
        number.ravel()[culvert.up_cell] = drains.number + 1 + position
    raw_label = field.labels(number)
    reached, weight = _through_culverts(
        raw_label, surface.rain_weight, drains.culverts, drains.number
    )
    label = np.where(surface.piped, 0, reached[raw_label].ravel()[surface.landing])
    return Routing(
        surface=surface,
        drains=drains,
        elevation=elevation,
        field=field,
        weight=weight,
        total=field.accumulated(weight),
        label=label,
        hierarchy=hierarchy,
    )


def upstream_of(routing: Routing, target: BoolArray) -> BoolArray:
    """Cells whose water passes through a set of cells, the set included."""
    reached = routing.field.labels(target.astype(np.int32))
    surface = routing.surface
    return (np.asarray(reached > 0).ravel()[surface.landing] & ~surface.piped) | target


def drawn_culverts(layer: GeoDataFrame, grid: Grid) -> tuple[Culvert, ...]:
    """
    Culverts whose two ends lie on the grid; one that ends beyond it takes no part.

    Parameters
    ----------
    layer
        As drawn, in the CRS of the grid.
    grid
        The cells.
    """
    found = []
    for position, (name, line) in enumerate(
        zip(layer["name"], layer.geometry, strict=True), start=1
    ):
        ends = shapely.get_coordinates(line)[[0, -1]]
        row, column = grid.row_column(ends[:, 0], ends[:, 1])
        if not grid.contains(row, column).all():
            continue
        up, down = (int(cell) for cell in row * grid.shape[1] + column)
        if up != down:
            found.append(Culvert(str(name) if name else f"culvert {position}", up, down))
    return tuple(found)
