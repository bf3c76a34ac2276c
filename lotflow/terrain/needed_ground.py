"""
How much ground is needed: all whose water is of interest, and what closes its basins.

Everywhere `least` is the ground kept in any case, in units of the CRS, `margins` are looked at
round it [m], and `look` is what was found on that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np
import shapely

from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.closure import (
    Interest,
    Unfinished,
    coarse_water,
    ground_of_interest,
    held_behind_ring,
    unfinished_at_ring,
)
from lotflow.terrain.low_spots import inflow_cells
from lotflow.terrain.lower_places import sampled

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from lotflow.criteria import Criteria
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.layers.drawn import Drawn
    from lotflow.terrain.drainage import FlowField
    from lotflow.terrain.routing import Routing

#: Ground kept round lot and inlets [m], and round what else is drawn.
FIRST_MARGIN_M: Final = 30.0
_DRAWN_MARGIN_M: Final = 3.0
#: Water that has fallen this much on its way out is not held back by what lies beyond [m].
_FALLEN_M: Final = 2.0
#: Ground looked at round these, at most [m]: with cells of 1 m just within the next limit.
MARGIN_LIMIT_M: Final = 960.0
#: Not more is looked at [cells]: it takes some seconds.
CELLS_LIMIT: Final = 4_000_000
#: So much is looked at in any case, if it is no farther away than this [cells, m]: it costs a
#: tenth of a second.
CHEAP_CELLS: Final = 160_000
_CHEAP_MARGIN_M: Final = 240.0
#: So much is looked at on a coarse view, if it is within the limit of margins [cells].
_FAR_CELLS: Final = 1_000_000
#: Cells kept beyond the ground of interest, for the steps to where water leaves it.
_RIM_CELLS: Final = 3

#: West, south, east and north edge, in units of the CRS.
Bounds = tuple[float, float, float, float]
#: By side [m].
Margins = dict[str, float]
_SIDES: Final = ("west", "south", "east", "north")


class Extent(Protocol):
    """What is asked of elevation data before they are read."""

    @property
    def bounds(self) -> Bounds:
        """Where there are any."""

    @property
    def cell(self) -> float:
        """Side of a cell, in units of the CRS."""

    @property
    def metres_per_unit(self) -> float:
        """Of the CRS."""


@dataclass(frozen=True, eq=False)
class Look:
    """
    Ground that was looked at.

    Parameters
    ----------
    natural
        Routing without inlets.
    lot
        Cells of the lot.
    interest, open_ends
        What of its water is of interest, and where it is unfinished at the edge.
    """

    natural: Routing
    lot: BoolArray
    interest: Interest
    open_ends: Unfinished

    @property
    def grid(self) -> Grid:
        """The ground."""
        return self.natural.surface.ground


def kept_bounds(site: Drawn, unit: float, margin_m: float | None) -> Bounds:
    """
    Ground kept in any case: round the lot, its inlets and all that is drawn for it.

    `unit` is metres of a unit of the CRS, `margin_m` what somebody asked for.
    """
    lot = site.lot.geometry.union_all()
    margin = (FIRST_MARGIN_M if margin_m is None else margin_m) / unit
    around = shapely.total_bounds(np.array([lot, *site.inlets.geometry], dtype=object))
    layers = (
        site.drain_lines, site.outlets, site.openings, site.downspouts, site.earthworks, site.shots,
        site.observations,
    )  # fmt: skip
    drawn = [shape for layer in layers for shape in layer.geometry]
    boxes = [around + margin * np.array([-1, -1, 1, 1])]
    if drawn:
        rim = _DRAWN_MARGIN_M / unit
        drawn_box = shapely.total_bounds(np.array(drawn, dtype=object))
        boxes.append(drawn_box + rim * np.array([-1, -1, 1, 1]))
    west, south = np.min(boxes, axis=0)[:2].tolist()
    east, north = np.max(boxes, axis=0)[2:].tolist()
    return west, south, east, north


def look_at(
    natural: Routing, lot: BoolArray, outline: shapely.Geometry,
    inlets: Sequence[NDArray[np.int64]], criteria: Criteria,
) -> Look:  # fmt: skip
    """
    Find what of some ground's water is of interest, and where it is unfinished.

    Parameters
    ----------
    natural
        Routing without inlets.
    lot, outline
        Cells of the lot, and its outline.
    inlets
        Cells at which inlets may take water, of each state of the drains.
    criteria
        Give how far and how deep ponds count.
    """
    core, grid = lot.copy(), natural.surface.ground
    for cells in inlets:
        core.ravel()[cells] = True
    # a pond is near with its nearest corner, a cell counts with its middle
    reach = (criteria.pond_reach_m + grid.cell_m) / grid.metres_per_unit
    near = polygon_cells(outline.buffer(reach), grid)
    interest = ground_of_interest(natural, core, near, criteria.pond_depth_m)
    return Look(natural, lot, interest, unfinished_at_ring(natural, interest, _FALLEN_M))


def widened(bounds: Bounds, margins: Margins, unit: float) -> Bounds:
    """Give bounds with a margin on each side [m]; `unit` is metres of a unit of the CRS."""
    west, south, east, north = bounds
    return (
        west - margins["west"] / unit,
        south - margins["south"] / unit,
        east + margins["east"] / unit,
        north + margins["north"] / unit,
    )


def first_look(least: Bounds, extent: Extent) -> Margins:
    """Give the margins of what is looked at in any case: as much as costs next to nothing."""
    margin = _CHEAP_MARGIN_M
    while margin > FIRST_MARGIN_M:
        margins = dict.fromkeys(_SIDES, margin)
        if _cells(widened(least, margins, extent.metres_per_unit), extent) <= CHEAP_CELLS:
            return margins
        margin /= 2
    return dict.fromkeys(_SIDES, FIRST_MARGIN_M)


def far_look(least: Bounds, extent: Extent) -> Bounds:
    """Give the ground that may be looked at on a coarse view."""
    margin = MARGIN_LIMIT_M
    while True:
        bounds = widened(least, dict.fromkeys(_SIDES, margin), extent.metres_per_unit)
        if _cells(bounds, extent) <= _FAR_CELLS or margin <= FIRST_MARGIN_M:
            return bounds
        margin *= 0.9


def coarse_look(ground: Grid, water: Sequence[shapely.Geometry]) -> tuple[Grid, FloatArray]:
    """Blocks of a coarse view of some ground, and the level of the water on each [m]."""
    step = max(int(np.ceil(np.sqrt(ground.values.size / CHEAP_CELLS))), 1)
    return coarse_water(ground, step, water)


def grown(
    margins: Margins, least: Bounds, cut: set[str], more_data: Mapping[str, bool], extent: Extent
) -> Margins:
    """Give twice the margin where water is unfinished and there are more data, within limits."""
    sides = {side for side in cut if more_data[side]}
    for factor in (2.0, 1.5, 1.2):
        wider = {
            side: min(factor * margin, MARGIN_LIMIT_M) if side in sides else margin
            for side, margin in margins.items()
        }
        if _cells(widened(least, wider, extent.metres_per_unit), extent) <= CELLS_LIMIT:
            return wider
    return margins


def cut_sides(look: Look) -> set[str]:
    """Sides beyond which water of interest may come from or be held back."""
    coming = look.interest.upstream & inflow_cells(look.natural.surface, look.natural.field.filled)
    row, column = np.nonzero(coming)
    ring_row, ring_column = np.divmod(look.open_ends.ring, coming.shape[1])
    return _sides_at(np.append(row, ring_row), np.append(column, ring_column), coming.shape)


def held_sides(look: Look, blocks: Grid, level: FloatArray) -> set[str]:
    """
    Sides where water that seemed to leave downhill stands, farther on, as high as here.

    `blocks` and `level` are those of a coarse view, and the level of the water on each [m].
    """
    ends, grid = look.open_ends, look.grid
    x, y = grid.xy(ends.leaving // grid.shape[1], ends.leaving % grid.shape[1])
    stands = sampled(level, blocks, np.column_stack([x, y])) >= ends.brim
    return _sides_at(*np.divmod(ends.leaving[stands], grid.shape[1]), grid.shape)


def _sides_at(
    row: NDArray[np.int64], column: NDArray[np.int64], shape: tuple[int, int]
) -> set[str]:
    """Sides of a window at which cells lie, within a step."""
    rows, columns = shape
    at_side = {
        "west": (column <= 1).any(),
        "south": (row >= rows - 2).any(),
        "east": (column >= columns - 2).any(),
        "north": (row <= 1).any(),
    }
    return {side for side, reached in at_side.items() if reached}


def _cells(bounds: Bounds, extent: Extent) -> float:
    """Cells of an area, as far as there are data."""
    west, south = np.maximum(bounds[:2], extent.bounds[:2])
    east, north = np.minimum(bounds[2:], extent.bounds[2:])
    return float(max(east - west, 0.0) * max(north - south, 0.0) / extent.cell**2)


@dataclass(frozen=True)
class Part:
    """Rows and columns of the ground looked at, each from and to."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def place(self) -> tuple[slice, slice]:
        """The part in an array of all."""
        return slice(self.top, self.bottom), slice(self.left, self.right)

    def bounds_on(self, grid: Grid) -> Bounds:
        """Its area; `grid` is all that was looked at."""
        west, north, cell = grid.transform.c, grid.transform.f, grid.transform.a
        return (west + self.left * cell, north - self.bottom * cell,
                west + self.right * cell, north - self.top * cell)  # fmt: skip

    def joined(self, other: Part) -> Part:
        """Smallest part that holds both."""
        return Part(
            min(self.top, other.top), max(self.bottom, other.bottom),
            min(self.left, other.left), max(self.right, other.right),
        )  # fmt: skip

    def widened(self, shape: tuple[int, int]) -> Part:
        """Give a quarter more on every side."""
        down = max((self.bottom - self.top) // 4, _RIM_CELLS)
        across = max((self.right - self.left) // 4, _RIM_CELLS)
        return Part(
            max(self.top - down, 0), min(self.bottom + down, shape[0]),
            max(self.left - across, 0), min(self.right + across, shape[1]),
        )  # fmt: skip


def needed_part(look: Look, least: Bounds) -> Part:
    """Smallest part that holds what is kept in any case, and all water of interest."""
    grid = look.grid
    rows, columns = grid.shape
    west, north, cell = grid.transform.c, grid.transform.f, grid.transform.a
    # an edge on a cell's border stays there, whatever the rounding
    top, bottom = (north - least[3]) / cell + 1e-6, (north - least[1]) / cell - 1e-6
    left, right = (least[0] - west) / cell + 1e-6, (least[2] - west) / cell - 1e-6
    row, column = np.nonzero(look.interest.upstream | look.interest.level)
    return Part(
        max(min(int(np.floor(top)), int(row.min()) - _RIM_CELLS), 0),
        min(max(int(np.ceil(bottom)), int(row.max()) + 1 + _RIM_CELLS), rows),
        max(min(int(np.floor(left)), int(column.min()) - _RIM_CELLS), 0),
        min(max(int(np.ceil(right)), int(column.max()) + 1 + _RIM_CELLS), columns),
    )


def runs_alike(look: Look, part: Part, here: FlowField) -> bool:
    """
    Tell whether all water of interest stands and runs in a part as on all ground looked at.

    `here` is the water of the part alone.
    """
    there, place = look.natural.field, part.place
    upstream, level = look.interest.upstream[place], look.interest.level[place]
    if here.filled.shape != upstream.shape:
        return False
    stands = (here.filled == there.filled[place]) | ~(upstream | level)
    runs = (here.direction == there.direction[place]) | ~upstream
    return bool(stands.all() and runs.all())


def brought_in(look: Look, part: Part) -> BoolArray:
    """Cells of a part, not of interest, to which water comes from the ground round it."""
    inner = np.zeros(look.interest.flow.shape, dtype=bool)
    inner[part.top + 1 : part.bottom - 1, part.left + 1 : part.right - 1] = True
    below = look.natural.receivers()[~inner]
    entered = np.zeros(inner.size, dtype=bool)
    entered[below] = True
    return entered.reshape(inner.shape) & inner


def held_round(look: Look, part: Part, here: FlowField) -> BoolArray:
    """Cells whose water stands higher on all ground looked at than on a part of it alone."""
    held = no_cells(look.grid)
    held[part.place] = look.natural.field.filled[part.place] > here.filled
    return held


def no_cells(grid: Grid) -> BoolArray:
    """None of the cells of a grid."""
    return np.zeros(grid.shape, dtype=bool)


def united_marks(looks: Sequence[Look], limit_m: float) -> tuple[BoolArray, BoolArray]:
    """Mark on the same ground, as it is in each case, what `_unfinished_marks` does in any."""
    entering, held = zip(*(_unfinished_marks(look, limit_m) for look in looks), strict=True)
    return np.logical_or.reduce(entering), np.logical_or.reduce(held)


def _unfinished_marks(look: Look, limit_m: float) -> tuple[BoolArray, BoolArray]:
    """
    Mark where water comes from basins that the edge of the data cuts, and where it is held.

    Only what rises behind that edge by no more than the data can tell, `limit_m`, counts: water
    that leaves downhill is finished, and of what lies beyond nothing is known.
    """
    entering, held = np.zeros((2, *look.interest.flow.shape), dtype=bool)
    if look.open_ends.ring.size:
        ends = unfinished_at_ring(look.natural, look.interest, limit_m)
        entering.ravel()[ends.entry[ends.from_above]] = True
        held.ravel()[ends.entry[~ends.from_above]] = True
        held |= held_behind_ring(look.natural, limit_m) & look.lot
    return entering, held
