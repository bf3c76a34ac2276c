"""One realisation of the true surface: where its water stands, and which inlet takes it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.terrain.drainage import LEVEL_STEP, check_relief
from lotflow.terrain.inlet_places import (
    inlet_numbers,
    open_cells_near,
    place_inlets,
    snap_inlets,
)
from lotflow.terrain.loops import ways as along
from lotflow.terrain.loops.directions import (
    RULES,
    Ways,
    find_choices,
    find_directions,
    find_ways,
    upstream_choices,
)
from lotflow.terrain.loops.flood import flood, neighbour_offsets
from lotflow.terrain.loops.inlets import drain_level_ground, lowest_places
from lotflow.terrain.surface import BUILDING_RAISE_M, open_levels

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.loops.neighbours import OrderArray
    from lotflow.terrain.routing import Culvert, Routing
    from lotflow.terrain.surface import Surface

#: Rain is summed up in whole parts of a cell's worth.
_RAIN_STEPS: Final = 256


@dataclass(frozen=True, eq=False)
class RealisationPlan:
    """
    What all realisations of one window have in common; every array over cells is flat.

    Parameters
    ----------
    surface
        Gives buildings, walls, water, missing data, landings.
    inlets
        As they were set in the main chain.
    candidates
        Cells on which each may stand, its own first; one cell for each that is not moved.
    culverts
        A culvert before those its water runs into.
    drain
        Cells that swallow water, inlets excepted.
    rain
        Rain that enters at each cell, in parts of a cell's worth.
    wall_cells, wall_height
        Of walls above the ground [m].
    pond_depth
        Depth from which an inlet is set at the lowest cell [steps].
    measured
        Ground that is drawn anew in every realisation, shape of the grid [m].
    edit
        What is dug into each, see `earthworks.LaidEarthworks`.
    """

    surface: Surface
    inlets: Sequence[SetInlet]
    candidates: Sequence[NDArray[np.int32]]
    culverts: Sequence[Culvert]
    drain: BoolArray
    rain: IntArray
    wall_cells: NDArray[np.int64]
    wall_height: FloatArray
    pond_depth: int
    rule: int
    measured: FloatArray
    edit: Callable[[FloatArray], FloatArray]

    @property
    def columns(self) -> int:
        """Of the grid."""
        return self.surface.ground.shape[1]


@dataclass(frozen=True, eq=False)
class Realisation:
    """
    What one realisation shows; every array over cells is flat.

    Parameters
    ----------
    ground, natural_level
        Levels of the ground, and of the surface filled without inlets [steps].
    base
        Steps of level 0 above elevation 0.
    inlet_cells
        On which each inlet stands.
    label
        Inlet that the water of each cell reaches; 0 where none.
    """

    ground: IntArray
    natural_level: IntArray
    base: int
    inlet_cells: Sequence[NDArray[np.int64]]
    label: IntArray


def as_it_is(ground: FloatArray) -> FloatArray:
    """Dig nothing."""
    return ground


def realisation_plan(
    natural: Routing,
    inlets: Sequence[SetInlet],
    *,
    snap_m: float,
    pond_depth_m: float,
    rule: str = "ltd",
    measured: FloatArray | None = None,
    edit: Callable[[FloatArray], FloatArray] = as_it_is,
) -> RealisationPlan:
    """
    Prepare what does not change from one realisation to the next.

    Parameters
    ----------
    natural
        Routing of the main chain without inlets.
    inlets
        As the main chain set them.
    snap_m
        Radius within which a point inlet is set at the low point near its mark, as for
        `inlet_places.snap_inlets` [m].
    pond_depth_m
        Depth from which the ground counts as a low spot [m].
    rule
        Direction rule of the main chain.
    measured
        Ground without what is dug [m]; by default that of the main chain.
    edit
        Digs into the open ground of a realisation what the main chain has dug.
    """
    surface, culverts = natural.surface, natural.drains.culverts
    drain = surface.outside.ravel().copy()
    for culvert in culverts:
        drain[culvert.up_cell] = True
    wall_cells = np.flatnonzero(surface.wall & ~surface.roof)
    above = surface.elevation - open_ground(surface)
    return RealisationPlan(
        surface=surface,
        inlets=inlets,
        candidates=[_choices(inlet, natural, snap_m, pond_depth_m) for inlet in inlets],
        culverts=_upstream_first(natural, culverts),
        drain=drain,
        rain=np.rint(surface.rain_weight.ravel() * _RAIN_STEPS).astype(np.int32),
        wall_cells=wall_cells,
        wall_height=above.ravel()[wall_cells],
        pond_depth=math.ceil(pond_depth_m / LEVEL_STEP),
        rule=RULES[rule],
        measured=open_ground(surface) if measured is None else measured,
        edit=edit,
    )


def open_ground(surface: Surface) -> FloatArray:
    """Give the ground without buildings and walls, missing cells at the nearest known level [m]."""
    return open_levels(surface.ground)


def _choices(
    inlet: SetInlet, natural: Routing, snap_m: float, pond_depth_m: float
) -> NDArray[np.int32]:
    """Cells on which an inlet may stand, its own first."""
    if inlet.drawn.geometry.geom_type != "Point" or not snap_m > 0:
        return inlet.cells.astype(np.int32)
    drawn = place_inlets([inlet.drawn], natural.surface)
    own = int(drawn[0].cells[0])
    moved = snap_inlets(drawn, natural, radius_m=snap_m, pond_depth=pond_depth_m)
    if moved[0].cells[0] != inlet.cells[0]:  # the main chain had a reason to leave it
        return inlet.cells.astype(np.int32)
    near = np.setdiff1d(open_cells_near(drawn[0], natural.surface, snap_m), [own])
    return np.concatenate([[own], near]).astype(np.int32)


def _upstream_first(natural: Routing, culverts: Sequence[Culvert]) -> list[Culvert]:
    """Put a culvert before those that its water runs into in the main chain."""
    number = np.zeros(natural.surface.ground.shape, dtype=np.int32)
    for position, culvert in enumerate(culverts, start=1):
        number.ravel()[culvert.up_cell] = position
    label = natural.field.labels(number).ravel()
    into = [int(label[culvert.down_cell]) for culvert in culverts]
    return sorted(culverts, key=lambda culvert: -_hops(culverts.index(culvert), into))


def _hops(position: int, into: Sequence[int]) -> int:
    """Number of culverts that the water of one runs through in turn."""
    hops = 0
    while into[position] and hops <= len(into):
        position = into[position] - 1
        hops += 1
    return hops


def realise(plan: RealisationPlan, elevation: FloatArray) -> Realisation:
    """
    Route the water of one surface: with inlets, and for the low spots without them.

    Of the open ground of this realisation [m]. Equal to the main chain on the same surface with
    inlets on the same cells.
    """
    surface = np.array(elevation, dtype=np.float64).ravel()
    along.raise_drawn(
        surface, plan.surface.building.ravel(), BUILDING_RAISE_M, plan.wall_cells, plan.wall_height
    )
    check_relief(surface)
    ground, base = along.levels_of(surface, LEVEL_STEP)
    ways = _ways(plan, ground, plan.drain)
    natural_level = ways.level.copy()
    cells = _inlet_cells(plan, ground, ways)
    number = _numbers(plan, cells)
    is_inlet = (number > 0) & ~plan.drain
    taking, is_simple = _at_rims(plan, ground, base, ways.level, cells, number)
    if is_simple:
        offset = neighbour_offsets(plan.columns)
        touched = drain_level_ground(taking, ways, plan.drain, is_inlet, offset)
        find_choices(ways, touched, plan.columns, plan.rule)
    else:
        ways = _ways(plan, taking, plan.drain | is_inlet)
    label = _labels(plan, *find_directions(ways, ways.choices, plan.columns, plan.rule), number)
    return Realisation(ground, natural_level, base, cells, label)


def _ways(plan: RealisationPlan, ground: IntArray, drain: BoolArray) -> Ways:
    """Fill a surface round its drains and find the ways its water may take."""
    return find_ways(flood(ground, drain, plan.columns), drain, plan.columns, plan.rule)


def _inlet_cells(plan: RealisationPlan, ground: IntArray, ways: Ways) -> list[NDArray[np.int64]]:
    """Set point inlets at the low point near their marks; others stay on their cells."""
    points = [i for i, inlet in enumerate(plan.inlets) if inlet.drawn.geometry.geom_type == "Point"]
    cells = [inlet.cells for inlet in plan.inlets]
    if not points:
        return cells
    groups = [plan.candidates[i] for i in points]
    first = np.cumsum([0, *(group.size for group in groups)]).astype(np.int32)
    depth = ways.level - ground
    by_rain = [group for group in groups if group.size > 1 and depth[group].max() < plan.pond_depth]
    rain = _natural_rain(plan, ways, np.concatenate(by_rain)) if by_rain else plan.rain
    chosen = lowest_places(ground, ways.level, rain, first, np.concatenate(groups), plan.pond_depth)
    for i, cell in zip(points, chosen, strict=True):
        cells[i] = np.array([cell], dtype=np.int64)
    return cells


def _natural_rain(plan: RealisationPlan, ways: Ways, cells: NDArray[np.int32]) -> IntArray:
    """Cells' worth of rain that pass through some cells where there is no inlet; flat."""
    # what culverts let out may come from anywhere
    choices = (
        ways.choices
        if plan.culverts
        else upstream_choices(ways.choices, cells, neighbour_offsets(plan.columns))
    )
    direction, order = find_directions(ways, choices, plan.columns, plan.rule)
    rain = plan.rain.copy()
    along.hand_down(rain, direction, order, plan.columns)
    if plan.culverts:
        ends = np.array([(c.up_cell, c.down_cell) for c in plan.culverts], dtype=np.int32)
        along.let_out(rain, direction, ends[:, 0].copy(), ends[:, 1].copy(), plan.columns)
    return rain


def _numbers(plan: RealisationPlan, cells: Sequence[NDArray[np.int64]]) -> IntArray:
    """Number of the inlet on each cell, flat."""
    standing = [replace(inlet, cells=own) for inlet, own in zip(plan.inlets, cells, strict=True)]
    return inlet_numbers(standing, plan.surface.ground.shape)[0].ravel()


def _at_rims(
    plan: RealisationPlan,
    ground: IntArray,
    base: int,
    level: IntArray,
    cells: Sequence[NDArray[np.int64]],
    number: IntArray,
) -> tuple[IntArray, bool]:
    """
    Ground with the levels at which inlets take water, see `inlet_places.set_rims`.

    Also tells whether every such inlet has one cell, which then stands in its pond.
    """
    taking, is_simple = ground, True
    for i, inlet in enumerate(plan.inlets):
        if inlet.level is None and not inlet.idle_rim:
            continue
        lowest = int(ground[cells[i]].min())
        height = inlet.drawn.rim_above_ground / LEVEL_STEP
        if np.isnan(height):  # a level measured on site stays where it is
            height = inlet.drawn.rim / LEVEL_STEP - base - lowest
        rim = lowest + round(height)
        if height > 0 and level[cells[i]].max() >= rim:
            taking = ground.copy() if taking is ground else taking
            taking[cells[i][number[cells[i]] == i + 1]] = rim
            is_simple = is_simple and cells[i].size == 1
    return taking, is_simple


def _labels(
    plan: RealisationPlan, direction: NDArray[np.uint8], order: OrderArray, number: IntArray
) -> IntArray:
    """Inlet that each cell's water reaches, through culverts too."""
    inlets = len(plan.inlets)
    for position, culvert in enumerate(plan.culverts):
        number[culvert.up_cell] = inlets + 1 + position
    label = number.copy()
    along.hand_up(label, direction, order, plan.columns)
    if not plan.culverts:
        return label
    reached = np.arange(inlets + len(plan.culverts) + 1, dtype=np.int32)
    below = [int(label[culvert.down_cell]) for culvert in plan.culverts]
    for _ in below:  # at most so many culverts in a row
        for position, into in enumerate(below):
            reached[inlets + 1 + position] = reached[into]
    # in a rare realisation the water of a culvert may run back into it: it reaches no inlet
    reached[reached > inlets] = 0
    return np.asarray(reached[label], dtype=np.int32)
