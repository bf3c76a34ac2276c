"""Inlets with a line to a named end: what can be built of the places that leave the least harm."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.advice.harm import Harm as HarmRow
from lotflow.advice.harm import Kind
from lotflow.drains.gravity_outlets import lower_places, search_ground
from lotflow.drains.house import own_buildings
from lotflow.drains.judged import design_storm
from lotflow.drains.pipes import (
    full_flow_capacity,
    minimum_fall,
    pipe_material,
    sizes_offered,
)
from lotflow.ponding.ponds import site_thresholds
from lotflow.proposing.lines import (
    LineRule,
    Trenching,
    cheapest_way,
    even_grade,
    straightened,
)
from lotflow.proposing.places import (
    Judge,
    Yard,
    best_places,
    candidates,
    sureness,
    worsened_off_lot,
)
from lotflow.runoff.storms import peaks_reaching
from lotflow.terrain.cells import polygon_cells, polygon_numbers
from lotflow.terrain.discharge_path import VERGE_M
from lotflow.terrain.lower_places import GROUND_PLACES, open_ground
from lotflow.terrain.outlet_search import LeadFrom, PipeRule, outlet_options

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from lotflow.criteria import Criteria
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.layers.drawn import Case, Drawn
    from lotflow.proposing.places import Harm, Sure
    from lotflow.runoff.covers import GroundCover
    from lotflow.runoff.storms import StormStudy
    from lotflow.tables.drains import PipeSize
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.lower_places import LowerPlace
    from lotflow.terrain.outlet_search import OutletOption, SearchGround
    from lotflow.terrain.routing import Routing
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
#: and with this fall at most [-].
_COMES_OUT_FALL: Final = 0.05
#: Without a rainfall every low spot is full, as a screening tells of it: so much runs off [m].
_FULL_M: Final = 10.0
#: Candidates that are asked on surfaces that may be true, besides those chosen.
_ASKED: Final = 5
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
    return polygon_numbers(_keep_clear(site, kinds, grid, setbacks), grid) > 0


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
    allowed = polygon_numbers([lot, strip], grid) > 0
    cost = np.where(allowed, 1.0, np.inf)
    walls = [shape.buffer(_BESIDE_WALL_M / unit) for shape in site.buildings.geometry]
    cost[polygon_numbers(walls, grid) > 0] *= _WALL_COST
    cost[paved] *= _PAVED_COST
    kinds = (*_NEVER_IN, "tree", *(("utility",) if "utility" in setbacks else ()))
    shut = [shape.buffer(_WALL_M / unit) for shape in site.buildings.geometry]
    shut += _keep_clear(site, kinds, grid, setbacks)
    cost[polygon_numbers(shut, grid) > 0] = np.inf
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
    # data beside a gutter or ditch are rough: there a pipe may lie as it must to come out
    comes_out = to_end <= _COMES_OUT_M
    lip = end.level + _COMES_OUT_FALL * (to_end + grid.cell_m)
    cost[row, column] = min(float(cost[row, column]), 1.0)
    start = divmod(cell, grid.shape[1])
    # the basin itself may stand nearer to a wall than its trench
    near = _away(start, grid.shape) <= max(1.0 / grid.cell_m, 1.0)
    cost[near & ~polygon_cells(shapely.union_all([*digging.site.buildings.geometry]), grid)] = 1.0
    level = np.where(comes_out, np.maximum(digging.ground, lip), digging.ground)
    roughness = pipe_material(MATERIAL).n_design
    why: tuple[str, float | None, float | None, str] = (
        "no pipe on sale carries the design flow at the fall there is", flow, None, "m^3/s"
    )  # fmt: skip
    for size in sizes_offered(MATERIAL, digging.units):
        if size.size_m < digging.criteria.outlet_size_m - 1e-3:
            continue
        inside = size.inside_diameter_m
        whole = digging.criteria.cover_m + inside
        bare = np.where(comes_out, 0.0, inside)
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


@dataclass(frozen=True)
class Rules:
    """
    What a job says of how drains are laid.

    Parameters
    ----------
    criteria
        Cover, least size, depth of trenches.
    units
        Of the pipes on sale.
    setbacks
        Least distances by kind of constraint, of those that are stated [m].
    direction
        Rule of the direction of flow.
    """

    criteria: Criteria
    units: UnitSystem
    setbacks: Mapping[str, float]
    direction: str = "ltd"


@dataclass(frozen=True, eq=False)
class LotGround:
    """
    What all steps of a proposal share.

    Parameters
    ----------
    yard
        The lot on its measured surface, with what is harm.
    low_spots
        Of the ground without inlets.
    routing
        With the inlets that are drawn.
    storms
        Design storms; None where no rain is given.
    search
        What ways to lower places lead through.
    ends
        Named ends that water may be led to.
    digging
        What lines are laid through.
    """

    yard: Yard
    low_spots: LowSpots
    routing: Routing
    storms: StormStudy | None
    search: SearchGround
    ends: Sequence[LowerPlace]
    digging: Digging

    @cached_property
    def judge(self) -> Judge:
        """Harm of sets of inlets on it; it remembers what was asked."""
        return Judge(self.yard)

    @cached_property
    def candidates(self) -> list[int]:
        """Cells that an inlet may be worth."""
        return candidates(self.yard)

    def place(self, cell: int) -> tuple[float, float, float]:
        """Coordinates of a cell, and its ground."""
        grid = self.yard.surface.ground
        x, y = grid.xy(*divmod(cell, grid.shape[1]))
        return float(x), float(y), float(grid.values.ravel()[cell])

    def spot(self, cell: int) -> int:
        """Number of the low spot on a cell; 0 for none."""
        return int(self.low_spots.number.ravel()[cell])

    def outlets(self, cell: int) -> list[OutletOption]:
        """Ways by gravity from a cell to named ends, best first."""
        criteria = self.digging.criteria
        size = criteria.outlet_size_m
        rule = PipeRule(criteria.cover_m, size, minimum_fall("pipe", size).least)
        x, y, level = self.place(cell)
        return outlet_options(LeadFrom("inlet", "", x, y, level), self.ends, rule, self.search)

    def flow(self, cell: int) -> float:
        """Peak of the design storm that reaches a cell [m^3/s]; NaN without rain."""
        if self.storms is None:
            return float("nan")
        storm = design_storm(self.storms.storms, self.digging.criteria)
        return float(peaks_reaching(self.storms, self.routing, {"": np.array([cell])}, storm)[""])


def laid_out(  # noqa: PLR0913 - what a study knows of a lot, each by its name
    site: Drawn, case: Case, *, lot: BoolArray, routing: Routing, low_spots: LowSpots,
    cover: GroundCover, rate: FloatArray, storms: StormStudy | None, error: LevelError,
    rules: Rules,
) -> LotGround:  # fmt: skip
    """
    Lay out a lot for what is to be proposed.

    Parameters
    ----------
    site, case
        What is drawn, and the state of drains and ground that is added to.
    lot
        Cells of the lot.
    routing
        With the inlets of the case.
    low_spots
        Of the ground without inlets.
    cover, rate
        Cover of every cell, and its infiltration [m/s].
    storms
        Design storms; without them every low spot is full.
    error
        Of the levels of the ground.
    rules
        Of the job.
    """
    surface = routing.surface
    grid, criteria = surface.ground, rules.criteria
    doubted = np.array([False, *(bool(why) for why in low_spots.artefact)], dtype=bool)
    outline = site.lot.geometry.union_all()
    doors = site_thresholds(surface, site.buildings, site.openings, outline)
    runoff = (
        surface.rain_weight * _FULL_M
        if storms is None
        else storms.runoff_depth(design_storm(storms.storms, criteria))
    )
    yard = Yard(
        surface=surface, drains=routing.drains, runoff=runoff, lot=lot,
        house=polygon_numbers(own_buildings(site).geometry, grid) > 0, paved=cover.paved, rate=rate,
        believed=~doubted[low_spots.number], openings=[one for one in doors if one.is_opening],
        kept_out=kept_out(site, grid, rules.setbacks), rule=rules.direction,
    )  # fmt: skip
    search = search_ground(surface, site, error)
    ends = lower_places(site, case, search, low_spots, criteria.outlet_reach_m)
    known = open_ground(surface)
    level = np.where(np.isnan(known), surface.elevation, known)
    digging = Digging(site, grid, level, cover.paved, rules.setbacks, criteria, rules.units)
    named = [place for place in ends if place.kind not in NO_END]
    return LotGround(yard, low_spots, routing, storms, search, named, digging)


def inlet_options(
    ground: LotGround, number: int, tell: Callable[[str], None]
) -> tuple[list[InletOption], list[NotOffered]]:
    """
    Choose places with an end that a line reaches; a place whose line fails is left out.

    Parameters
    ----------
    ground
        Of the lot.
    number
        Most inlets.
    tell
        Called with what is being done.

    Returns
    -------
    options, refused
        What may be offered, the first ones mending the most, and what is not, with the rule.
    """
    judge, cells = ground.judge, ground.candidates
    if cells and not best_places(judge, cells, 1):
        return [], [_no_need(ground, cells[0])]
    reached, refused = _with_ends(ground, cells)
    lines: dict[int, tuple[OutletOption, Any, float]] = {}
    while True:
        chosen = best_places(judge, list(reached), number)
        for cell in chosen:
            if cell in lines:
                continue
            tell(f"line {len(lines) + 1}")
            found = _line(ground, cell, reached[cell])
            if isinstance(found, NotOffered):
                refused.append(found)
                del reached[cell]
                break
            lines[cell] = found
        else:
            break
    if reached and not chosen:
        refused.append(_no_need(ground, next(iter(reached))))
    options: list[InletOption] = []
    for position, cell in enumerate(chosen):
        x, y, level = ground.place(cell)
        end, line, flow = lines[cell]
        options.append(
            InletOption(
                f"Proposed inlet {position + 1}", cell, x, y, level,
                ground.spot(cell), end, line, flow,
                judge.harm(chosen[:position]), judge.harm(chosen[: position + 1]),
            )
        )  # fmt: skip
    yard = ground.yard
    if options and (worse := worsened_off_lot(yard.water(), yard.water(chosen), (yard, yard))):
        kind, volume = next(iter(worse.items()))
        refused += [_worse(one, kind, volume) for one in options]
        options = []
    return options, refused


def _with_ends(
    ground: LotGround, cells: Sequence[int]
) -> tuple[dict[int, list[OutletOption]], list[NotOffered]]:
    """Ends of each place that has any which gravity may reach; why others have none."""
    reached, refused = {}, []
    for cell in cells:
        ways = ground.outlets(cell)
        if ends := [one for one in ways if one.verdict != "not reachable"]:
            reached[cell] = ends
        else:
            refused.append(_no_end(ground, cell, ways))
    return reached, refused


def _line(
    ground: LotGround, cell: int, ends: Sequence[OutletOption]
) -> tuple[OutletOption, Any, float] | NotOffered:
    """Line to the first of the ends that one reaches; why none does."""
    flow = ground.flow(cell)
    why: tuple[str, float | None, float | None, str] = ("", None, None, "")
    for end in ends:
        found = line_to_end(ground.digging, cell, end.place, flow)
        if not isinstance(found, tuple):
            return end, found, flow
        why = found
    x, y, _ = ground.place(cell)
    rule, measured, limit, unit = why
    return NotOffered(
        _words(ground, cell), x, y, "inlet with line", rule, measured, limit, unit,
        f"lotflow's rule, to {ends[-1].place.name}",
    )  # fmt: skip


def _words(ground: LotGround, cell: int) -> str:
    """Name a place."""
    spot = ground.spot(cell)
    return f"low spot {spot}" if spot else "on the way of water"


def _no_end(ground: LotGround, cell: int, ways: Sequence[OutletOption]) -> NotOffered:
    """Say that no named end is reached from a place."""
    x, y, _ = ground.place(cell)
    best = max((one.left_m for one in ways), default=None)
    rule = (
        "no named end is drawn: an outlet, a street, open water"
        if not ground.ends
        else "gravity reaches no named end with the least fall"
    )
    return NotOffered(
        _words(ground, cell), x, y, "inlet with line", rule, best, 0.0, "m",
        "lotflow's rule: no inlet without an end; outlet first",
    )  # fmt: skip


def _no_need(ground: LotGround, cell: int) -> NotOffered:
    """Say that no inlet keeps a limit that is broken without one."""
    x, y, _ = ground.place(cell)
    return NotOffered(
        "anywhere on the lot", x, y, "inlet with line",
        "no place keeps a limit of harm that is broken without an inlet: roof water and the fall "
        "of the ground come first", None, None, "", "lotflow's rule: surface before pipes",
    )  # fmt: skip


def _worse(option: InletOption, kind: str, volume: float) -> NotOffered:
    """Say that a neighbour would have more water."""
    return NotOffered(
        option.name, option.x, option.y, "inlet with line",
        f"more water beyond the lot: {kind}", volume, 0.0, "m^3",
        "Sierra County CA section 12.08.560: no more in quantity or concentration than before",
    )  # fmt: skip


def asked(
    ground: LotGround, options: Sequence[InletOption], off: Iterable[FloatArray],
    tell: Callable[[str], None],
) -> list[InletOption]:  # fmt: skip
    """
    Ask of each place how sure it is, on surfaces that may be true.

    Parameters
    ----------
    ground
        Of the lot.
    options
        From `inlet_options`.
    off
        How much higher each of these surfaces lies than the measured one, shape of the grid [m].
    tell
        Called with how far it is.
    """
    yards = [_on(ground.yard, higher) for higher in off] if options else []
    if not yards:
        return list(options)
    chosen = [one.cell for one in options]
    others = [cell for cell in ground.candidates if cell not in chosen]
    others = sorted(others, key=lambda cell: ground.judge.gain([cell]), reverse=True)[:_ASKED]
    found = sureness(yards, chosen, others, ground.low_spots.number, tell)
    return [replace(one, sure=sure) for one, sure in zip(options, found, strict=True)]


def _on(yard: Yard, off: FloatArray) -> Yard:
    """The lot on another surface: ground and what is dug lie higher or lower, roofs stay."""
    surface = yard.surface
    level = np.where(surface.roof, surface.elevation, surface.elevation + off)
    return replace(yard, surface=replace(surface, elevation=level))


#: Kinds of harm that a proposal may not bring where there was none.
_NEVER_NEW: Final = (Kind.LEAVES, Kind.SIDEWALK)


def judged(
    options: Sequence[InletOption], before: Sequence[HarmRow],
    run: Callable[[Sequence[InletOption]], list[HarmRow]],
) -> tuple[list[InletOption], list[NotOffered], list[HarmRow]]:  # fmt: skip
    """
    Judge options by whole runs: together they bring no new harm, and each mends some.

    Parameters
    ----------
    options
        Those that mend the most first.
    before
        Limits that are broken without them.
    run
        Gives those that are broken with some.

    Returns
    -------
    options, refused, after
        What is offered, what is not, and what is broken with what is offered.
    """

    def keys(rows: Sequence[HarmRow]) -> set[str]:
        return {row.key for row in rows}

    if not options:
        return [], [], list(before)
    offered, refused, after = list(options), [], run(options)
    worse = [row for row in after if row.kind in _NEVER_NEW and row.key not in keys(before)]
    if worse:
        return [], [_by_whole_run(one, worse[0]) for one in options], list(before)
    # the last ones mend least: whichever can be left out is
    for one in reversed(options):
        fewer = [other for other in offered if other is not one]
        without = run(fewer) if fewer else list(before)
        if keys(without) <= keys(after):
            refused.append(_for_nothing(one))
            offered, after = fewer, without
    return offered, refused, after


def _by_whole_run(option: InletOption, row: HarmRow) -> NotOffered:
    """Say that the whole run shows harm that was not there before."""
    return NotOffered(
        option.name, option.x, option.y, "inlet with line", f"new harm: {row.key}",
        row.measured, row.limit, "", row.source,
    )  # fmt: skip


def _for_nothing(option: InletOption) -> NotOffered:
    """Say that no limit of the whole run is kept that was broken before."""
    return NotOffered(
        option.name, option.x, option.y, "inlet with line",
        "in a whole run no limit of harm is kept that is broken without it", 0.0, 1.0, "limits",
        "lotflow's rule: docs/answer.md, harm",
    )  # fmt: skip
