"""Inlets with a line to a named end: what can be built of the places that leave the least harm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.drains.pipes import (
    full_flow_capacity,
    minimum_fall,
    pipe_material,
    sizes_offered,
)
from lotflow.proposing.lines import (
    LineRule,
    Trenching,
    cheapest_way,
    even_grade,
    straightened,
)
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.discharge_path import VERGE_M
from lotflow.terrain.lower_places import GROUND_PLACES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.criteria import Criteria
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.layers.drawn import Drawn
    from lotflow.proposing.places import Harm, Sure
    from lotflow.tables.drains import PipeSize
    from lotflow.terrain.lower_places import LowerPlace
    from lotflow.terrain.outlet_search import OutletOption
    from lotflow.units import UnitSystem

#: Ends that are nobody's but the neighbour's, or that no plan may count on: a dry well needs a soak
#: test and room, a pump is told by name.
NO_END: Final = (*GROUND_PLACES, "dry well")
#: What new lines are made of.
MATERIAL: Final = "pvc"
#: Constraints that neither inlet nor trench may lie in, whatever the job's setbacks say.
_NEVER_IN: Final = ("septic", "well", "neighbour building")
#: An inlet stands in none of these either.
_NO_INLET_IN: Final = ("sidewalk", "street", "easement", "utility")
#: Room kept where the job states no setback [m]: of a tree for its roots, of what is drawn as a
#: point. Lotflow's choice, no published source; a root zone grows with the trunk.
_ROOM_M: Final[Mapping[str, float]] = {"tree": 3.0, "septic": 3.0, "well": 3.0, "utility": 0.5}
#: A trench keeps so far from buildings [m], and costs more within a metre of them.
_WALL_M: Final = 0.3
_BESIDE_WALL_M: Final = 1.0
#: Metres of trench in lawn that a metre costs: through paving, and beside a wall.
_PAVED_COST: Final = 3.0
_WALL_COST: Final = 1.6
#: Over the last 10 ft at an end at the surface no cover is asked for, as in checks of lines: NRCS
#: underground outlet, conservation practice 620. Where no line reaches the end so, one is laid that
#: has little cover over a longer stretch, and is told to be so: lotflow's choice [m].
RIGID_END_M: Final = 3.048
SHALLOW_END_M: Final = 6.0
#: At its very end a pipe comes out of the ground over this length [m].
_COMES_OUT_M: Final = 1.5
#: Half width of the strip from the lot to an end beyond it in which a trench may lie [m].
_STRIP_M: Final = 2.0


@dataclass(frozen=True)
class NotOffered:
    """
    What was considered and is not offered.

    Parameters
    ----------
    place
        Where, in words.
    x, y
        Where, in the coordinates of the elevation data.
    remedy
        What it would have been.
    rule
        What it breaks.
    measured, limit
        In SI; None where it is no number.
    unit, source
        Of both, and who says so.
    """

    place: str
    x: float
    y: float
    remedy: str
    rule: str
    measured: float | None
    limit: float | None
    unit: str
    source: str


@dataclass(frozen=True, eq=False)
class Line:
    """
    A line as it would be drawn.

    Parameters
    ----------
    shape
        From the inlet to the end, in the coordinates of the elevation data.
    invert_up, invert_down
        At its ends [m].
    size
        Of its pipe.
    length_m, deepest_m
        Its length, and the greatest depth of its invert below the ground [m].
    bends
        Number of fittings.
    capacity
        Flowing full [m^3/s].
    shallow_m
        Length over which it has less than its cover, before the last 10 ft: a pipe that bears it is
        needed there [m].
    """

    shape: Any
    invert_up: float
    invert_down: float
    size: PipeSize
    length_m: float
    deepest_m: float
    bends: int
    capacity: float
    shallow_m: float = 0.0

    @property
    def fall(self) -> float:
        """Fall divided by length [-]."""
        return (self.invert_up - self.invert_down) / self.length_m


@dataclass(frozen=True, eq=False)
class InletOption:
    """
    One inlet with its line, as it is offered.

    Parameters
    ----------
    name
        Of the inlet.
    cell, x, y, level
        Where it stands, and the ground there [m].
    low_spot
        Number of the low spot it stands in; 0 for none.
    end
        How gravity reaches the named end.
    line
        The line.
    flow
        Peak that reaches it in the design storm [m^3/s]; NaN where no rain is given.
    before, after
        Harm without it and with it, the inlets chosen before it in place.
    sure
        How sure the place is; None where it was not asked.
    """

    name: str
    cell: int
    x: float
    y: float
    level: float
    low_spot: int
    end: OutletOption
    line: Line
    flow: float
    before: Harm
    after: Harm
    sure: Sure | None = None


def kept_out(site: Drawn, grid: Grid, setbacks: Mapping[str, float]) -> BoolArray:
    """
    Cells on which no inlet may be put: constraints, with the job's setbacks.

    Parameters
    ----------
    site
        What is drawn.
    grid
        The cells.
    setbacks
        Least distances by kind of constraint, of those that are stated [m].
    """
    kinds = (*_NEVER_IN, *_NO_INLET_IN, "tree")
    return _cells_of(_keep_clear(site, kinds, grid, setbacks), grid)


def _keep_clear(
    site: Drawn, kinds: Sequence[str], grid: Grid, setbacks: Mapping[str, float]
) -> list[Any]:
    """Shapes of constraints with the room they are given."""
    unit, found = grid.metres_per_unit, []
    rows = site.constraints
    for kind, shape in zip(rows["kind"], rows.geometry, strict=True):
        if kind in kinds:
            is_point = shape.area == 0
            room = setbacks.get(kind, _ROOM_M.get(kind, 0.0) if is_point or kind == "tree" else 0.0)
            found.append(shape.buffer(room / unit) if room else shape)
    return [shape for shape in found if shape.area > 0]


def _cells_of(shapes: Sequence[Any], grid: Grid) -> BoolArray:
    """Cells that lie in some shapes."""
    found = np.zeros(grid.shape, dtype=bool)
    for shape in shapes:
        found |= polygon_cells(shape, grid)
    return found


def trench_cost(
    site: Drawn, grid: Grid, end: LowerPlace, paved: BoolArray, setbacks: Mapping[str, float]
) -> FloatArray:
    """
    Cost of a metre of trench in each cell, infinite where none may be dug.

    Never under a building, in a septic field, at a well, in roots; beyond the lot only in the strip
    that leads to the named end.

    Parameters
    ----------
    site
        What is drawn.
    grid
        The cells.
    end
        Where the line is to end.
    paved
        Paved cells.
    setbacks
        Least distances by kind of constraint, of those that are stated [m].
    """
    unit = grid.metres_per_unit
    lot = site.lot.geometry.union_all()
    strip = shapely.shortest_line(lot, shapely.Point(end.x, end.y)).buffer(_STRIP_M / unit)
    allowed = _cells_of([lot, strip], grid)
    cost = np.where(allowed, 1.0, np.inf)
    walls = [shape.buffer(_BESIDE_WALL_M / unit) for shape in site.buildings.geometry]
    cost[_cells_of(walls, grid)] *= _WALL_COST
    cost[paved] *= _PAVED_COST
    setback_kinds = [kind for kind in ("utility",) if kind in setbacks]
    kinds = (*_NEVER_IN, "tree", *setback_kinds)
    shut = [shape.buffer(_WALL_M / unit) for shape in site.buildings.geometry]
    cost[_cells_of([*shut, *_keep_clear(site, kinds, grid, setbacks)], grid)] = np.inf
    return cost


@dataclass(frozen=True, eq=False)
class Digging:
    """
    What lines are laid through, and by which rules.

    Parameters
    ----------
    site
        What is drawn.
    grid
        The cells, with the ground [m].
    ground
        Open ground, complete [m].
    paved
        Paved cells.
    setbacks
        Least distances by kind of constraint [m].
    criteria
        Give cover, least size, greatest depth.
    units
        Of the pipes on sale.
    """

    site: Drawn
    grid: Grid
    ground: FloatArray
    paved: BoolArray
    setbacks: Mapping[str, float]
    criteria: Criteria
    units: UnitSystem


def line_to_end(
    digging: Digging, cell: int, end: LowerPlace, flow: float
) -> Line | tuple[str, float | None, float | None, str]:
    """
    Lay a line from an inlet to a named end, in the smallest pipe that carries its flow.

    Parameters
    ----------
    digging
        Ground and rules.
    cell
        Flat index of the inlet's cell.
    end
        Where it is to end.
    flow
        Design flow [m^3/s]; NaN where it is not known.

    Returns
    -------
    line
        Or why there is none: rule, measured, limit and unit.
    """
    grid, unit = digging.grid, digging.grid.metres_per_unit
    lot = digging.site.lot.geometry.union_all()
    away = float(lot.distance(shapely.Point(end.x, end.y))) * unit
    if away > VERGE_M:
        return "the end lies farther beyond the lot than a verge is wide", away, VERGE_M, "m"
    row, column = (int(value) for value in grid.row_column(end.x, end.y))
    if not grid.contains(row, column):
        return "the end lies beyond the ground that was read", None, None, ""
    cost = trench_cost(digging.site, grid, end, digging.paved, digging.setbacks)
    to_end = _away((row, column), grid.shape) * grid.cell_m
    at_end = to_end <= grid.cell_m
    cost[row, column] = min(float(cost[row, column]), 1.0)
    start = divmod(cell, grid.shape[1])
    # the basin itself may stand nearer to a wall than its trench
    near = _away(start, grid.shape) <= max(1.0 / grid.cell_m, 1.0)
    cost[near & ~polygon_cells(shapely.union_all([*digging.site.buildings.geometry]), grid)] = 1.0
    level = np.where(at_end, np.maximum(digging.ground, end.level), digging.ground)
    roughness = pipe_material(MATERIAL).n_design
    why: tuple[str, float | None, float | None, str] = (
        "no pipe on sale carries the design flow at the fall there is", flow, None, "m^3/s"
    )  # fmt: skip
    for size in sizes_offered(MATERIAL, digging.units):
        if size.size_m < digging.criteria.outlet_size_m - 1e-3:
            continue
        inside = size.inside_diameter_m
        whole = digging.criteria.cover_m + inside
        bare = inside * np.minimum(to_end / _COMES_OUT_M, 1.0)
        rule = LineRule(minimum_fall("pipe", size.size_m).least, digging.criteria.trench_depth_m)
        for rigid_m in (RIGID_END_M, SHALLOW_END_M):
            least = np.where(to_end <= rigid_m, bare, whole)
            ground = Trenching(level, cost, least, grid.cell_m)
            found = _graded(ground, cell, (row, column), end.level, rule)
            if not isinstance(found, tuple):
                break
        if isinstance(found, tuple):
            return found
        points, inverts = found["points"], found["inverts"]
        x, y = grid.xy(points[:, 0], points[:, 1])
        at = np.column_stack([x, y])
        at[-1] = end.x, end.y
        shape = shapely.LineString(at)
        length = float(shape.length) * unit
        fall = (inverts[0] - inverts[1]) / length
        capacity = float(full_flow_capacity(inside, fall, roughness))
        if not flow > capacity:
            along, depth = _depths(ground, points, inverts)
            short = (depth < whole - 1e-3) & (along[-1] - along > RIGID_END_M)
            return Line(
                shape, inverts[0], inverts[1], size, length, float(depth.max()), found["bends"],
                capacity, float(short.mean()) * length,
            )  # fmt: skip
    return why


def _away(cell: tuple[int, int], shape: tuple[int, int]) -> FloatArray:
    """Distance of each cell from one, in cells."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    return np.asarray(np.hypot(rows - cell[0], columns - cell[1]))


def _graded(
    ground: Trenching, cell: int, end: tuple[int, int], level: float, rule: LineRule
) -> dict[str, Any] | tuple[str, float | None, float | None, str]:
    """Points, inverts and bends of a line at one grade, or why there is none."""
    goal = np.full(ground.level.shape, np.inf)
    goal[end] = level
    highest = float((ground.level - ground.least_depth).ravel()[cell])
    way = cheapest_way(ground, cell, highest, goal, rule)
    if way is None:
        return (
            "on no way does a pipe fall to the end with its cover, no deeper than the limit",
            highest - level, rule.deepest_m, "m",
        )  # fmt: skip
    line = straightened(ground, way, level, rule)
    if line is None:
        return "no way of straight legs falls to the end", None, None, ""
    inverts = even_grade(ground, line.points, (highest, level), rule)
    if inverts is None:
        return "no one grade keeps cover and depth all along", None, rule.deepest_m, "m"
    return {"points": line.points, "inverts": inverts, "bends": line.bends}


def _depths(
    ground: Trenching, points: FloatArray, inverts: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Depth of a line at one grade below the ground, and the distance along it [m]."""
    legs = np.hypot(*np.diff(points, axis=0).T)
    reached = np.concatenate([[0.0], np.cumsum(legs)])
    along = np.linspace(0.0, reached[-1], int(4 * reached[-1]) + 2)
    at = [np.rint(np.interp(along, reached, points[:, axis])).astype(int) for axis in (0, 1)]
    pipe = np.interp(along, [0.0, reached[-1]], inverts)
    return along * ground.cell_m, ground.level[at[0], at[1]] - pipe
