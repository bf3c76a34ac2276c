"""Trenches on a lot: where a line may run, to an end or into another line, and trees of them."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
import shapely.ops

from lotflow.drains.pipes import full_flow_capacity, minimum_fall, pipe_material, sizes_offered
from lotflow.proposing.lines import (
    CLEANOUT_ABOVE,
    GIVES_WAY,
    LEAST_LEG_M,
    WYE,
    Goal,
    LineRule,
    Trenching,
    best_line,
    graded,
    to_cells,
)
from lotflow.terrain.cells import cells_from, polygon_cells, polygon_numbers
from lotflow.terrain.discharge_path import VERGE_M

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Mapping, Sequence

    from lotflow.criteria import Criteria
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.layers.drawn import Drawn
    from lotflow.tables.drains import PipeSize
    from lotflow.terrain.lower_places import LowerPlace
    from lotflow.units import UnitSystem

#: What new lines are made of.
MATERIAL: Final = "pvc"
#: Constraints that neither inlet nor trench may lie in, whatever the job's setbacks say.
_NEVER_IN: Final = ("septic", "well", "neighbour building", "keep out")
#: An inlet stands in none of these either.
_NO_INLET_IN: Final = ("sidewalk", "street", "easement", "utility")
#: Room kept where the job states no setback [m]: of a tree for its roots, of what is drawn as a
#: point. Lotflow's choice, no published source; a root zone grows with the trunk.
_ROOM_M: Final[Mapping[str, float]] = {
    "tree": 3.0, "septic": 3.0, "well": 3.0, "utility": 0.5, "keep out": 1.0,
}  # fmt: skip
#: A trench keeps so far from buildings and from the lot line [m], and costs more within a metre of
#: a building.
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
#: and with this fall at most [-].
_COMES_OUT_FALL: Final = 0.05
#: Half width of the strip from the lot to an end beyond it in which a trench may lie [m].
_STRIP_M: Final = 2.0
#: Points that legs are tried between are so far from what stands in the way [m], and from one
#: another along it.
_CLEAR_M: Final = 0.35
_POINTS_M: Final = 4.0
#: Wyes are tried so far apart along a line [m], with a last leg of this length.
_WYES_M: Final = 1.0
_STUB_M: Final = 1.3
#: Up to so many lines every order of joining is tried.
_EVERY_ORDER: Final = 4
#: What a raster of cells hides of a distance [m].
_ROUNDING_M: Final = 0.1
#: Lines that join one this near to one another join at one place [m].
_SAME_JOINT_M: Final = 0.05
#: Rounds in which a line that others join is laid larger, at most.
_LARGER: Final = 3

#: Why there is no line: rule, measured, limit, unit.
Why = tuple[str, float | None, float | None, str]


@dataclass(frozen=True, eq=False)
class Line:
    """
    A line as it would be drawn, from an inlet to its end or to where it joins.

    Parameters
    ----------
    shape
        In the coordinates of the elevation data.
    inverts
        At each of its points [m].
    size
        Of its pipe.
    length_m, deepest_m
        Its length, and the greatest depth of its invert below the ground [m].
    bends
        Number of fittings.
    capacity
        Flowing full at its least fall [m^3/s].
    cost
        Relative to a metre of trench in lawn.
    shallow_m
        Length over which it has less than its cover, before the last 10 ft: a pipe that bears it is
        needed there [m].
    joins
        What it joins: the cell of the inlet whose line that is, or the name of a drawn node; None
        where it runs to its end.
    at_inlet
        Whether it joins in the basin of that inlet, not by a wye further down.
    """

    shape: Any
    inverts: FloatArray
    size: PipeSize
    length_m: float
    deepest_m: float
    bends: int
    capacity: float
    cost: float
    shallow_m: float = 0.0
    joins: Hashable = None
    at_inlet: bool = False

    @property
    def invert_up(self) -> float:
        """Invert at its upper end [m]."""
        return float(self.inverts[0])

    @property
    def invert_down(self) -> float:
        """Invert at its lower end [m]."""
        return float(self.inverts[-1])

    @property
    def fall(self) -> float:
        """Fall divided by length [-]."""
        return (self.invert_up - self.invert_down) / self.length_m

    def invert_at(self, along: float) -> float:
        """Invert at a distance along it, in units of its coordinates [m]."""
        return float(np.interp(along, _reached(self.shape), self.inverts))


def _reached(shape: Any) -> FloatArray:
    """Distance along a line of each of its points."""
    legs = np.hypot(*np.diff(shapely.get_coordinates(shape), axis=0).T)
    return np.concatenate([[0.0], np.cumsum(legs)])


@dataclass(frozen=True)
class DrawnNode:
    """
    A node of drains that are there, of which all is known and judged sound down to its outlet.

    Parameters
    ----------
    name
        Of the inlet, joint or clean-out.
    x, y
        Where.
    invert
        Of the pipe that leaves it [m].
    bore
        Inside diameter of that pipe [m].
    spare
        What its line and all below it can carry besides what they do [m^3/s].
    end
        Name of the outlet.
    """

    name: str
    x: float
    y: float
    invert: float
    bore: float
    spare: float
    end: str


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
        Give cover, least size, greatest depth, depth of footings.
    units
        Of the pipes on sale.
    lifted
        Position of a constraint that is taken as not there; None for none.
    kept_away
        Cells in which no line is proposed again; None for none.
    """

    site: Drawn
    grid: Grid
    ground: FloatArray
    paved: BoolArray
    setbacks: Mapping[str, float]
    criteria: Criteria
    units: UnitSystem
    lifted: int | None = None
    kept_away: BoolArray | None = None

    @cached_property
    def buildings(self) -> BoolArray:
        """Cells of buildings, those of neighbours too."""
        shapes = [*self.site.buildings.geometry]
        rows = self.site.constraints
        if len(rows):
            shapes += [*rows.geometry[rows["kind"] == "neighbour building"]]
        return np.asarray(polygon_numbers([one for one in shapes if one.area > 0], self.grid) > 0)

    @cached_property
    def deepest(self) -> FloatArray:
        """Depth above the line at 45 degrees from the footing of the nearest building [m]."""
        if not self.buildings.any():
            return np.full(self.grid.shape, np.inf)
        away = (cells_from(self.buildings) - 0.5) * self.grid.cell_m - _ROUNDING_M
        return np.asarray(self.criteria.footing_depth_m + np.maximum(away, 0.0))

    @cached_property
    def shut(self) -> BoolArray:
        """Cells in which no trench may lie but for walls: septic, wells, roots, keep-outs."""
        kinds = (*_NEVER_IN, "tree", *(("utility",) if "utility" in self.setbacks else ()))
        shapes = keep_clear(self.site, kinds, self.grid, self.setbacks, self.lifted)
        shut = polygon_numbers(shapes, self.grid) > 0
        return np.asarray(shut if self.kept_away is None else shut | self.kept_away)

    @cached_property
    def walls(self) -> float:
        """Direction of the walls of the largest building [degrees from a row of cells]."""
        shapes = [one for one in self.site.buildings.geometry if one.area > 0]
        if not shapes:
            return math.nan
        box = max(shapes, key=lambda one: one.area).minimum_rotated_rectangle
        first, second = _in_cells(self.grid, shapely.get_coordinates(box)[:2])
        return math.degrees(math.atan2(*(second - first))) % 90.0

    @cached_property
    def points(self) -> FloatArray:
        """Rows and columns of points beside buildings, keep-outs and paving, on the lot."""
        unit = self.grid.metres_per_unit
        kinds = (*_NEVER_IN, "tree")
        clear = keep_clear(self.site, kinds, self.grid, self.setbacks, self.lifted)
        half = self.grid.cell_m / 2
        rings = [shape.buffer((_CLEAR_M + half) / unit, join_style="mitre") for shape in clear]
        for away in (_WALL_M, _BESIDE_WALL_M):
            rings += [shape.buffer((away + _CLEAR_M + half) / unit, join_style="mitre")
                      for shape in self.site.buildings.geometry]  # fmt: skip
        lot = self.site.lot.geometry.union_all()
        rings += [lot.buffer(-(_WALL_M + _CLEAR_M + half) / unit, join_style="mitre")]
        lines = [part for ring in rings for part in shapely.get_parts(shapely.boundary(ring))]
        found = [shapely.get_coordinates(one.simplify(0.2 / unit)) for one in lines]
        found += [
            shapely.get_coordinates(shapely.line_interpolate_point(
                one, np.arange(0.5, math.floor(one.length * unit / _POINTS_M)) * _POINTS_M / unit))
            for one in lines
        ]  # fmt: skip
        at = np.vstack(found) if found else np.empty((0, 2))
        at = at[shapely.intersects_xy(lot.buffer(_STRIP_M / unit), at)] if len(at) else at
        row_column = _in_cells(self.grid, at)
        inside = (np.rint(row_column) >= 0).all(axis=1) & (
            np.rint(row_column) < self.grid.shape).all(axis=1)  # fmt: skip
        return np.unique(row_column[inside].round(2), axis=0)


def _in_cells(grid: Grid, at: FloatArray) -> FloatArray:
    """Rows and columns, in fractions of cells, of coordinates."""
    x, y = np.asarray(at, dtype=float).reshape(-1, 2).T
    return np.column_stack(grid.fractional(x, y)) - 0.5


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
    return polygon_numbers(keep_clear(site, kinds, grid, setbacks), grid) > 0


def keep_clear(
    site: Drawn, kinds: Sequence[str], grid: Grid, setbacks: Mapping[str, float],
    lifted: int | None = None,
) -> list[Any]:  # fmt: skip
    """
    Shapes of constraints with the room they are given.

    Parameters
    ----------
    site, kinds, grid
        What is drawn, of which kinds, in which units.
    setbacks
        Least distances by kind of constraint, of those that are stated [m].
    lifted
        Position of one that is left out.
    """
    unit, found = grid.metres_per_unit, []
    rows = site.constraints
    for position, (kind, shape) in enumerate(zip(rows["kind"], rows.geometry, strict=True)):
        if kind in kinds and position != lifted:
            bare = shape.area == 0
            room = setbacks.get(kind, _ROOM_M.get(kind, 0.0) if bare or kind == "tree" else 0.0)
            found.append(shape.buffer(room / unit) if room else shape)
    return [shape for shape in found if shape.area > 0]


def trench_cost(digging: Digging, end: LowerPlace | None) -> FloatArray:
    """
    Cost of a metre of trench in each cell, infinite where none may be dug.

    Never under a building, in a septic field, at a well, in roots or a keep-out; beyond the lot
    only in the strip that leads to the named end.

    Parameters
    ----------
    digging
        Ground and rules.
    end
        Where the line is to end; None where it joins another on the lot.
    """
    grid, site = digging.grid, digging.site
    unit = grid.metres_per_unit
    lot = site.lot.geometry.union_all()
    may = [lot.buffer(-_WALL_M / unit)]
    if end is not None:
        at = shapely.Point(end.x, end.y)
        way = shapely.shortest_line(lot, at) if lot.distance(at) > 0 else at
        may.append(way.buffer(_STRIP_M / unit))
    allowed = polygon_numbers([one for one in may if one.area > 0], grid) > 0
    cost = np.where(allowed, 1.0, np.inf)
    walls = [shape.buffer(_BESIDE_WALL_M / unit) for shape in site.buildings.geometry]
    cost[polygon_numbers(walls, grid) > 0] *= _WALL_COST
    cost[digging.paved] *= _PAVED_COST
    beside = [shape.buffer(_WALL_M / unit) for shape in site.buildings.geometry]
    cost[polygon_numbers(beside, grid) > 0] = np.inf
    cost[digging.shut] = np.inf
    return cost


def line_to_end(digging: Digging, cell: int, end: LowerPlace, flow: float) -> Line | Why:
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
    at = _in_cells(grid, np.array([end.x, end.y]))[0]
    row, column = (int(value) for value in np.rint(at))
    if not grid.contains(row, column):
        return "the end lies beyond the ground that was read", None, None, ""
    cost = trench_cost(digging, end)
    to_end = _away((row, column), grid.shape) * grid.cell_m
    # data beside a gutter or ditch are rough: there a pipe may lie as it must to come out
    comes_out = to_end <= _COMES_OUT_M
    lip = end.level + _COMES_OUT_FALL * (to_end + grid.cell_m)
    cost[row, column] = min(float(cost[row, column]), 1.0)
    level = np.where(comes_out, np.maximum(digging.ground, lip), digging.ground)
    goal = Goal(np.clip(at, 0, np.array(grid.shape) - 1), end.level)
    found: Line | Why = "", None, None, ""
    for size, rule in _sizes(digging):
        inside = size.inside_diameter_m
        whole, bare = digging.criteria.cover_m + inside, np.where(comes_out, 0.0, inside)
        for rigid_m in (RIGID_END_M, SHALLOW_END_M):
            least = np.where(to_end <= rigid_m, bare, whole)
            ground = _trenching(digging, cell, level, cost, least)
            found = _laid(digging, ground, cell, [goal], size, rule)
            if isinstance(found, Line):
                break
        if not isinstance(found, Line):
            return found
        if not flow > found.capacity:
            return found
    return "no pipe on sale carries the design flow at the fall there is", flow, None, "m^3/s"


def _sizes(digging: Digging) -> list[tuple[PipeSize, LineRule]]:
    """Pipes on sale that may be laid, the smallest first, with what a line of each must keep."""
    least, most = digging.criteria.outlet_size_m, digging.criteria.trench_depth_m
    return [
        (size, LineRule(minimum_fall("pipe", size.size_m).least, most,
                        per_m=0.15 * size.size_m / max(least, 0.05)))
        for size in sizes_offered(MATERIAL, digging.units)
        if size.size_m >= least - 1e-3
    ]  # fmt: skip


def _trenching(
    digging: Digging, cell: int, level: FloatArray, cost: FloatArray, least: FloatArray
) -> Trenching:
    """Ground for a line from an inlet, whose basin may stand nearer to a wall than its trench."""
    grid = digging.grid
    near = _away(divmod(cell, grid.shape[1]), grid.shape) <= max(1.0 / grid.cell_m, 1.0)
    own = polygon_cells(shapely.union_all([*digging.site.buildings.geometry]), grid)
    cost = np.where(near & ~own & ~digging.shut, np.minimum(cost, _WALL_COST), cost)
    points = digging.points
    row, column = np.rint(points).astype(int).T if len(points) else (np.empty(0, int),) * 2
    points = points[np.isfinite(cost[row, column])]
    return Trenching(
        level, cost, least, grid.cell_m, digging.deepest, digging.paved, digging.walls, points
    )


def _away(cell: tuple[int, int], shape: tuple[int, int]) -> FloatArray:
    """Distance of each cell from one, in cells."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    return np.asarray(np.hypot(rows - cell[0], columns - cell[1]))


def _laid(
    digging: Digging, ground: Trenching, cell: int, goals: Sequence[Goal], size: PipeSize,
    rule: LineRule,
) -> Line | Why:  # fmt: skip
    """Lay a line to the best of some goals, or tell why there is none."""
    grid, unit = digging.grid, digging.grid.metres_per_unit
    highest = float((ground.level - ground.least_depth).ravel()[cell])
    found = best_line(ground, cell, highest, goals, rule)
    if found is None and to_cells(ground, cell, highest, goals, rule) is not None:
        return "no way of straight legs falls to the end", None, None, ""
    if found is None:
        return (
            "on no way does a pipe fall to the end with its cover, no deeper than the limit",
            highest - min(goal.level for goal in goals), rule.deepest_m, "m",
        )  # fmt: skip
    way, goal = found
    inverts = graded(ground, way.points, (highest, goal.level), rule)
    if inverts is None:
        return "no grades keep cover and depth all along", None, rule.deepest_m, "m"
    x, y = grid.xy(way.points[:, 0], way.points[:, 1])
    shape = shapely.LineString(np.column_stack([x, y]))
    falls = -np.diff(inverts) / (np.diff(_reached(shape)) * unit)
    roughness = pipe_material(MATERIAL).n_design
    capacity = float(full_flow_capacity(size.inside_diameter_m, float(falls.min()), roughness))
    along, depth = _depths(ground, way.points, inverts)
    whole = digging.criteria.cover_m + size.inside_diameter_m
    short = (depth < whole - 1e-3) & (along[-1] - along > RIGID_END_M)
    length = float(shape.length) * unit
    joins, at_inlet = goal.key if isinstance(goal.key, tuple) else (None, False)
    return Line(
        shape, inverts, size, length, float(depth.max()), way.bends, capacity,
        way.cost + goal.cost, float(short.mean()) * length, joins, at_inlet,
    )  # fmt: skip


def _depths(
    ground: Trenching, points: FloatArray, inverts: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Depth of a line below the ground, and the distance along it [m]."""
    legs = np.hypot(*np.diff(points, axis=0).T)
    reached = np.concatenate([[0.0], np.cumsum(legs)])
    along = np.linspace(0.0, reached[-1], int(4 * reached[-1]) + 2)
    at = [np.rint(np.interp(along, reached, points[:, axis])).astype(int) for axis in (0, 1)]
    pipe = np.interp(along, reached, inverts)
    return along * ground.cell_m, ground.level[at[0], at[1]] - pipe


def line_into(
    digging: Digging, cell: int, others: Mapping[int, Line], drawn: Sequence[DrawnNode], flow: float
) -> Line | None:
    """
    Lay a line from an inlet into one that is laid: by a wye, or into its basin.

    Parameters
    ----------
    digging
        Ground and rules.
    cell
        Flat index of the inlet's cell.
    others
        Lines that are laid, by the cell of their inlet.
    drawn
        Nodes of drains that are there which may be joined.
    flow
        Design flow [m^3/s].
    """
    cost: FloatArray | None = None
    for size, rule in _sizes(digging):
        inside = size.inside_diameter_m
        goals = [
            goal
            for other, line in others.items()
            if line.size.inside_diameter_m >= inside - 1e-3
            for goal in _joints(digging, other, line, inside, rule)
        ]
        goals += [
            Goal(_in_cells(digging.grid, np.array([node.x, node.y]))[0],
                 node.invert + node.bore - inside, key=(node.name, True))
            for node in drawn
            if node.bore >= inside - 1e-3 and not flow > node.spare
        ]  # fmt: skip
        if not goals:
            return None
        if cost is None:
            cost = trench_cost(digging, None)
        least = np.full(digging.grid.shape, digging.criteria.cover_m + inside)
        ground = _trenching(digging, cell, digging.ground, cost, least)
        found = _laid(digging, ground, cell, goals, size, rule)
        if not isinstance(found, Line):
            return None
        if not flow > found.capacity:
            return found
    return None


def _joints(digging: Digging, other: int, line: Line, inside: float, rule: LineRule) -> list[Goal]:
    """Goals on a line: its basin, and wyes along it, with crowns matched or higher."""
    grid, unit = digging.grid, digging.grid.metres_per_unit
    higher = line.size.inside_diameter_m - inside
    at = shapely.get_coordinates(line.shape)
    found = [Goal(_in_cells(grid, at[0])[0], line.invert_up + higher, key=(other, True))]
    lot = digging.site.lot.geometry.union_all()
    reached, least = _reached(line.shape), LEAST_LEG_M / unit
    for start, end, first, second in zip(reached[:-1], reached[1:], at[:-1], at[1:], strict=True):
        if end - start < 2 * least:
            continue
        down = (second - first) / (end - start)
        number = max(int((end - start - 2 * least) * unit / _WYES_M), 1)
        for along in np.linspace(start + least, end - least, number + 1):
            joint = first + down * (along - start)
            if not shapely.intersects_xy(lot, *joint):
                continue
            for side in (-WYE, WYE):
                turn = math.radians(side)
                back = np.array([down[0] * math.cos(turn) - down[1] * math.sin(turn),
                                 down[0] * math.sin(turn) + down[1] * math.cos(turn)])  # fmt: skip
                before = _in_cells(grid, joint - back * _STUB_M / unit)
                if (np.rint(before) < 0).any() or (np.rint(before) >= grid.shape).any():
                    continue
                found.append(
                    Goal(_in_cells(grid, joint)[0], line.invert_at(along) + higher, before,
                         rule.per_bend, (other, False))
                )  # fmt: skip
    return found


@dataclass(frozen=True, eq=False)
class Tree:
    """
    Lines of some inlets, laid together.

    Parameters
    ----------
    lines
        By the cell of their inlet.
    cost
        Of all of them.
    orders
        How many orders of joining were compared.
    """

    lines: Mapping[int, Line]
    cost: float
    orders: int

    def way_down(self, cell: int) -> list[int]:
        """Inlets whose lines the water of one runs through, its own first."""
        way = [cell]
        while isinstance(other := self.lines[way[-1]].joins, int):
            way.append(other)
        return way


def carried(lines: Mapping[int, Line], flows: Mapping[int, float]) -> dict[int, float]:
    """
    Design flow at the lower end of each line: its own and those of lines that join it.

    Parameters
    ----------
    lines
        By the cell of their inlet.
    flows
        Of each inlet [m^3/s].
    """
    found = dict.fromkeys(lines, 0.0)
    for cell in lines:
        for other in Tree(lines, 0.0, 0).way_down(cell):
            found[other] += flows[cell]
    return found


def joined(
    digging: Digging, ends: Mapping[int, LowerPlace], alone: Mapping[int, Line],
    flows: Mapping[int, float], drawn: Sequence[DrawnNode] = (),
) -> Tree | None:  # fmt: skip
    """
    Join the lines of some inlets where that is cheaper, by the best order of laying them.

    Each is laid to its own end or into one that is laid, whichever costs less. Of up to four all
    orders are tried; of more the nearest to its end is laid first.

    Parameters
    ----------
    digging
        Ground and rules.
    ends
        Named end of each inlet; none for those that only reach drains that are there.
    alone
        Line of each by itself.
    flows
        Design flow of each [m^3/s].
    drawn
        Nodes of drains that are there which may be joined.

    Returns
    -------
    tree
        None where not all of them can be laid without crossing one another.
    """
    joining = _Joining(digging, ends, alone, flows, drawn, {})
    order = sorted(flows, key=lambda cell: alone[cell].cost if cell in alone else math.inf)
    orders = [tuple(order)]
    if len(order) <= _EVERY_ORDER:
        orders = list(itertools.permutations(order))
    found = [lines for one in orders if (lines := joining.in_order(one)) is not None]
    if not found:
        return None
    best = min(found, key=lambda lines: round(sum(line.cost for line in lines.values()), 6))
    return Tree(best, sum(line.cost for line in best.values()), len(orders))


def _cross(line: Line, other: Line, digging: Digging) -> bool:
    """Tell whether two lines cross before they end."""
    short = digging.grid.cell_m / 4 / digging.grid.metres_per_unit
    before = shapely.ops.substring(line.shape, 0.0, max(line.shape.length - short, short))
    return bool(before.crosses(other.shape))


@dataclass(frozen=True, eq=False)
class _Joining:
    """What is known while orders of joining are tried; lines that were laid are remembered."""

    digging: Digging
    ends: Mapping[int, LowerPlace]
    alone: Mapping[int, Line]
    flows: Mapping[int, float]
    drawn: Sequence[DrawnNode]
    known: dict[Hashable, Line | None]

    def in_order(self, order: Sequence[int]) -> dict[int, Line] | None:
        """Lay lines in one order; those that others join are laid larger where they must be."""
        need = dict(self.flows)
        for _ in range(_LARGER):
            lines: dict[int, Line] = {}
            left = {node.name: node.spare for node in self.drawn}
            for cell in order:
                # two trenches do not cross
                choices = [
                    one
                    for one in (self.to_end(cell, need[cell]), self.into(cell, need, lines, left))
                    if one is not None
                    and not any(_cross(one, line, self.digging) for line in lines.values())
                ]
                if not choices:
                    return None
                lines[cell] = min(choices, key=lambda line: line.cost)
                if isinstance(name := lines[cell].joins, str):
                    left[name] -= self.flows[cell]
            flow = carried(lines, self.flows)
            if not any(flow[cell] > line.capacity for cell, line in lines.items()):
                return lines
            need = {cell: max(flow[cell], need[cell]) for cell in order}
        return None

    def to_end(self, cell: int, flow: float) -> Line | None:
        """Line to its own end that carries a flow."""
        if cell not in self.alone:
            return None
        key = cell, round(flow, 6)
        if key not in self.known:
            line: Line | Why = self.alone[cell]
            if flow > self.alone[cell].capacity:
                line = line_to_end(self.digging, cell, self.ends[cell], flow)
            self.known[key] = line if isinstance(line, Line) else None
        return self.known[key]

    def into(
        self, cell: int, need: Mapping[int, float], lines: Mapping[int, Line],
        left: Mapping[str, float],
    ) -> Line | None:  # fmt: skip
        """Line into one that is laid, or into drains that are there."""
        laid = tuple(sorted((other, id(line)) for other, line in lines.items()))
        key = cell, round(need[cell], 6), laid, tuple(sorted(left.items()))
        if key not in self.known:
            nodes = [replace(node, spare=left[node.name]) for node in self.drawn]
            self.known[key] = line_into(self.digging, cell, lines, nodes, need[cell])
        return self.known[key]


@dataclass(frozen=True, eq=False)
class Piece:
    """
    A stretch of a line that is drawn as one row.

    Parameters
    ----------
    cell
        Of the inlet whose line it is part of.
    shape
        In the coordinates of the elevation data.
    start, end
        Nodes: ("inlet", cell), ("joint", number), ("clean-out", number), ("drawn", name) or
        ("end", cell).
    invert_up, invert_down
        At its ends [m].
    size
        Of its pipe.
    flow
        Design flow [m^3/s].
    """

    cell: int
    shape: Any
    start: tuple[str, Any]
    end: tuple[str, Any]
    invert_up: float
    invert_down: float
    size: PipeSize
    flow: float


def pieces(tree: Tree, flows: Mapping[int, float], digging: Digging) -> list[Piece]:
    """
    Cut lines where others join, where the grade breaks and where a clean-out is needed.

    A clean-out stands at a turn above 45 degrees, and where a rod would have to reach farther than
    `access_spacing_m`. Sizes go from the leaves down: each stretch has the smallest pipe that
    carries what comes to it at its fall, none smaller than what runs into it; crowns run on in one
    line.

    Parameters
    ----------
    tree
        From `joined`.
    flows
        Design flow of each inlet [m^3/s].
    digging
        Gives the pipes on sale, and how far a rod reaches.
    """
    unit = digging.grid.metres_per_unit
    total = carried(tree.lines, flows)
    numbers = itertools.count()
    arrivals = {cell: _arriving(tree, cell, numbers, unit) for cell in tree.lines}
    joints = {other: node for at in arrivals.values() for node, others in at.values()
              for other in others}  # fmt: skip
    least = min(line.size.inside_diameter_m for line in tree.lines.values())
    bore: dict[int, float] = {}
    found: list[Piece] = []
    # those that others join come after them
    order = sorted(tree.lines, key=lambda one: -len(tree.way_down(one)))
    for cell in order:
        line, arriving = tree.lines[cell], arrivals[cell]
        last: tuple[str, Any] = ("end", cell)
        if isinstance(line.joins, str):
            last = ("drawn", line.joins)
        elif line.joins is not None:
            last = joints[cell]
        nodes = {at: node for at, (node, _) in arriving.items() if at > 0}
        nodes |= {at: ("clean-out", next(numbers)) for at in _turns_and_breaks(line, unit)}
        cuts = [(0.0, ("inlet", cell)), *sorted(nodes.items()), (float(line.shape.length), last)]
        flow, inside = flows[cell], least
        for (start, first), (end, second) in itertools.pairwise(cuts):
            if start in arriving:
                flow += sum(total[other] for other in arriving[start][1])
                inside = max(inside, *(bore[other] for other in arriving[start][1]))
            fall = (line.invert_at(start) - line.invert_at(end)) / ((end - start) * unit)
            size = _sized(digging, line.size, inside, flow, fall)
            inside = size.inside_diameter_m
            higher = line.size.inside_diameter_m - inside
            # an end at the surface lies where the outlet does
            lower = 0.0 if second[0] == "end" else higher
            found.append(
                Piece(cell, shapely.ops.substring(line.shape, start, end), first, second,
                      line.invert_at(start) + higher, line.invert_at(end) + lower, size, flow)
            )  # fmt: skip
        bore[cell] = inside
    return _with_cleanouts(found, digging, numbers)


def _turns_and_breaks(line: Line, unit: float) -> list[float]:
    """Distances along a line at which it turns by more than 45 degrees, or its grade breaks."""
    reached, found = _reached(line.shape), []
    grades = np.diff(line.inverts) / (np.diff(reached) * unit)
    for position, turn in enumerate(turns_of(line)):
        if turn > CLEANOUT_ABOVE + GIVES_WAY or abs(grades[position + 1] - grades[position]) > 1e-4:
            found.append(float(reached[position + 1]))
    return found


def _with_cleanouts(some: Sequence[Piece], digging: Digging, numbers: Iterator[int]) -> list[Piece]:
    """Make joints clean-outs, and cut what is long, where a rod would have to reach too far."""
    unit, most = digging.grid.metres_per_unit, digging.criteria.access_spacing_m
    behind: dict[tuple[str, Any], float] = {}
    open_up: set[tuple[str, Any]] = set()
    found: list[Piece] = []
    for piece in some:  # upper ones come before those they run into
        length = float(piece.shape.length) * unit
        before = behind.get(piece.start, 0.0) if piece.start[0] == "joint" else 0.0
        if piece.start in open_up:
            before = 0.0
        elif before + length > most:
            open_up.add(piece.start)
            before = 0.0
        number = math.ceil(length / most)
        found += _cut(piece, number, numbers)
        reach = before + length if number == 1 else length / number
        behind[piece.end] = max(behind.get(piece.end, 0.0), reach)
    renamed = {node: ("clean-out", node[1]) for node in open_up if node[0] == "joint"}
    return [
        replace(one, start=renamed.get(one.start, one.start), end=renamed.get(one.end, one.end))
        for one in found
    ]  # fmt: skip


def _cut(piece: Piece, number: int, numbers: Iterator[int]) -> list[Piece]:
    """Cut a piece into so many of one length, with clean-outs between."""
    nodes = [piece.start, *(("clean-out", next(numbers)) for _ in range(number - 1)), piece.end]
    share = np.linspace(0.0, 1.0, number + 1)
    inverts = np.interp(share, [0.0, 1.0], [piece.invert_up, piece.invert_down])
    return [
        replace(piece, shape=shapely.ops.substring(piece.shape, *share[i : i + 2], normalized=True),
                start=nodes[i], end=nodes[i + 1], invert_up=float(inverts[i]),
                invert_down=float(inverts[i + 1]))
        for i in range(number)
    ]  # fmt: skip


def _arriving(
    tree: Tree, cell: int, numbers: Iterator[int], unit: float
) -> dict[float, tuple[tuple[str, Any], list[int]]]:
    """Node and lines that join a line, by the distance along it; 0 for its basin."""
    line, found = tree.lines[cell], dict[float, tuple[tuple[str, Any], list[int]]]()
    for other, lateral in tree.lines.items():
        if lateral.joins != cell:
            continue
        at = 0.0
        if not lateral.at_inlet:
            at = float(line.shape.project(shapely.Point(lateral.shape.coords[-1])))
            at = next((one for one in found if abs(one - at) * unit < _SAME_JOINT_M), at)
        if at not in found:
            found[at] = ("joint", next(numbers)) if at else ("inlet", cell), []
        found[at][1].append(other)
    return found


def _sized(digging: Digging, most: PipeSize, inside: float, flow: float, fall: float) -> PipeSize:
    """Smallest pipe that carries a flow at a fall, between what runs in and what is laid."""
    roughness = pipe_material(MATERIAL).n_design
    for size, rule in _sizes(digging):
        bore = size.inside_diameter_m
        if bore < inside - 1e-3 or fall < rule.least_fall - 1e-6:
            continue
        if bore >= most.inside_diameter_m:
            break
        if not flow > full_flow_capacity(bore, fall, roughness):
            return size
    return most


def turns_of(line: Line) -> list[float]:
    """
    Turn at each inner point of a line [degrees].

    Parameters
    ----------
    line
        As laid.
    """
    along = np.diff(shapely.get_coordinates(line.shape), axis=0)
    heading = np.degrees(np.arctan2(along[:, 1], along[:, 0]))
    return [float(turn) for turn in np.abs((np.diff(heading) + 180.0) % 360.0 - 180.0)]
