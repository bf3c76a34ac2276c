"""Inlets with a line to a named end: what can be built of the places that leave the least harm."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.advice.harm import Harm as HarmRow
from lotflow.advice.harm import Kind
from lotflow.drains.gravity_outlets import lower_places, search_ground
from lotflow.drains.house import own_buildings
from lotflow.drains.inlets import grate_depth, grate_perimeter
from lotflow.drains.judged import design_storm
from lotflow.drains.pipes import minimum_fall
from lotflow.errors import Fault, InputError
from lotflow.layers.drawn import in_case
from lotflow.ponding.ponds import site_thresholds
from lotflow.proposing.again import AWAY_M, kept_away
from lotflow.proposing.places import (
    Judge,
    Yard,
    best_places,
    candidates,
    sureness,
    worsened_off_lot,
)
from lotflow.proposing.trenches import Digging, Line, carried, joined, kept_out, line_to_end, pieces
from lotflow.runoff.storms import peaks_reaching
from lotflow.terrain.cells import polygon_numbers
from lotflow.terrain.lower_places import GROUND_PLACES, open_ground
from lotflow.terrain.outlet_search import LeadFrom, PipeRule, outlet_options

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence

    from lotflow.criteria import Criteria
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.layers.drawn import Case, Drawn
    from lotflow.layers.proposals import Rejected
    from lotflow.proposing.places import Harm, Sure
    from lotflow.proposing.trenches import DrawnNode, Piece, Why
    from lotflow.runoff.covers import GroundCover
    from lotflow.runoff.storms import StormStudy
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.lower_places import LowerPlace
    from lotflow.terrain.outlet_search import OutletOption, SearchGround
    from lotflow.terrain.routing import Routing
    from lotflow.units import UnitSystem

#: Ends that are nobody's but the neighbour's, or that no plan may count on: a dry well needs a soak
#: test and room, a pump is told by name.
NO_END: Final = (*GROUND_PLACES, "dry well")
#: Without a rainfall every low spot is full, as a screening tells of it: so much runs off [m].
_FULL_M: Final = 10.0
#: Square grates on sale by unit system, [in] and [mm]; common practice, no published source. Each
#: with the open share of its area and the width of its openings, which may be walked on.
GRATES: Final[Mapping[UnitSystem, tuple[float, ...]]] = {
    "us": (9.0, 12.0, 18.0, 24.0), "metric": (250.0, 300.0, 400.0, 500.0, 600.0),
}  # fmt: skip
OPEN_SHARE: Final = 0.35
OPENING_M: Final = 0.010
#: Water can stand over an inlet at least so deep before it runs on [m]: lotflow's choice.
_SAG_M: Final = 0.02
#: Candidates that are asked on surfaces that may be true, besides those chosen.
_ASKED: Final = 5


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


@dataclass(frozen=True)
class Grate:
    """
    A grate for the water that comes.

    Parameters
    ----------
    side_m
        Length and width of its square [m].
    depth_m
        Water that stands over it in the design storm, part of it clogged [m]; NaN without rain.
    limit_m
        How deep it may stand [m].
    """

    side_m: float
    depth_m: float
    limit_m: float

    @property
    def is_enough(self) -> bool:
        """Whether it takes what comes under no deeper water."""
        return not self.depth_m > self.limit_m


def grate_for(flow: float, criteria: Criteria, units: UnitSystem) -> Grate:
    """
    Choose the smallest square grate that takes a flow; the largest where none does.

    Parameters
    ----------
    flow
        Design flow [m^3/s]; NaN where it is not known.
    criteria
        Give the clogged share and how deep water may stand.
    units
        Of the grates on sale.
    """
    unit = 0.0254 if units == "us" else 0.001
    for side in GRATES[units]:
        edge, opening = float(grate_perimeter(side * unit, side * unit)), (side * unit) ** 2
        depth = float(
            grate_depth(flow, edge, opening * OPEN_SHARE, clogged_share=criteria.clogged_share)
        ) if flow >= 0 else float("nan")  # fmt: skip
        grate = Grate(side * unit, depth, criteria.grate_water_m)
        if grate.is_enough:
            break
    return grate


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
        How gravity reaches the named end at which its water comes out; None where that is an
        outlet of drains that are there.
    line
        The line.
    flow
        Peak that reaches it in the design storm [m^3/s]; NaN where no rain is given.
    carried
        Peak at the lower end of its line, with what joins it [m^3/s].
    grate
        For what comes.
    pieces
        Its line in stretches, each of which is drawn as a row.
    before, after
        Harm without it and with it, the inlets chosen before it in place.
    is_drawn
        Whether the inlet is a row of the user's, to which only a line is added.
    sure
        How sure the place is; None where it was not asked.
    """

    name: str
    cell: int
    x: float
    y: float
    level: float
    low_spot: int
    end: OutletOption | None
    line: Line
    flow: float
    carried: float
    grate: Grate
    pieces: Sequence[Piece]
    before: Harm
    after: Harm
    is_drawn: bool = False
    sure: Sure | None = None


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
    drawn
        Nodes of drains that are there, which lines may join.
    pinned
        Name, by the cell, of the user's proposed inlets from which no line leads yet.
    permitted
        Names of outlets that may be used without asking.
    """

    yard: Yard
    low_spots: LowSpots
    routing: Routing
    storms: StormStudy | None
    search: SearchGround
    ends: Sequence[LowerPlace]
    digging: Digging
    drawn: Sequence[DrawnNode] = ()
    pinned: dict[int, str] = field(default_factory=dict)
    permitted: frozenset[str] = frozenset()

    @cached_property
    def judge(self) -> Judge:
        """Harm of sets of inlets on it; it remembers what was asked."""
        return Judge(self.yard)

    @cached_property
    def laid(self) -> dict[Hashable, Line | Why]:
        """Lines to ends, and why there are none, as far as they were asked for."""
        return {}

    @cached_property
    def ways(self) -> dict[int, list[OutletOption]]:
        """Ways by gravity from cells, as far as they were asked for."""
        return {}

    @cached_property
    def candidates(self) -> list[int]:
        """Cells that an inlet may be worth."""
        return candidates(self.yard)

    @property
    def has_low_spot(self) -> bool:
        """Whether any low spot on the lot is believed."""
        spots = self.low_spots
        lot = self.yard.lot & ~self.yard.surface.roof
        return not all(spots.artefact[one] for one in np.flatnonzero(spots.cells_in(lot)))

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

    def flows(self, cells: Iterable[int]) -> dict[int, float]:
        """Peaks of the design storm at inlets in some cells, all in place [m^3/s]; NaN dry."""
        cells = list(cells)
        if self.storms is None:
            return dict.fromkeys(cells, float("nan"))
        storm, routing = (
            design_storm(self.storms.storms, self.digging.criteria),
            self.yard.routing(cells),
        )
        at = {str(cell): np.array([cell]) for cell in cells}
        peaks = peaks_reaching(self.storms, routing, at, storm)
        return {cell: peaks[str(cell)] for cell in cells}


def laid_out(  # noqa: PLR0913 - what a study knows of a lot, each by its name
    site: Drawn, case: Case, *, lot: BoolArray, routing: Routing, low_spots: LowSpots,
    cover: GroundCover, rate: FloatArray, storms: StormStudy | None, error: LevelError,
    rules: Rules, drawn: Sequence[DrawnNode] = (),
    rejected: tuple[Rejected, ...] = (),
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
    drawn
        Nodes of drains that are there, which lines may join.
    rejected
        What stays away.
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
        kept_out=kept_out(site, grid, rules.setbacks) | kept_away(rejected, "inlets", grid),
        rule=rules.direction, wanted=_wanted(site, grid),
    )  # fmt: skip
    search = search_ground(surface, site, error)
    ends = lower_places(site, case, search, low_spots, criteria.outlet_reach_m)
    known = open_ground(surface)
    level = np.where(np.isnan(known), surface.elevation, known)
    digging = Digging(
        site, grid, level, cover.paved, rules.setbacks, criteria, rules.units,
        kept_away=kept_away(rejected, "drain_lines", grid),
    )  # fmt: skip
    outlets = site.outlets
    refused = {*outlets["name"][outlets["allowed"] == "no"]}
    away = [shapely.Point(one.at[0]) for one in rejected if one.table == "outlets"]
    named = [
        place for place in ends
        if place.kind not in NO_END and place.name not in refused and all(
            one.distance(shapely.Point(place.x, place.y)) * grid.metres_per_unit > AWAY_M
            for one in away)
    ]  # fmt: skip
    return LotGround(
        yard, low_spots, routing, storms, search, named, digging, drawn,
        _pinned(site, case, grid), frozenset(outlets["name"][outlets["allowed"] == "yes"]),
    )  # fmt: skip


def _wanted(site: Drawn, grid: Grid) -> BoolArray | None:
    """Cells that are to be dry first: areas, and the metre round points; None for none."""
    if site.wanted.empty:
        return None
    unit = grid.metres_per_unit
    shapes = [one if one.area > 0 else one.buffer(max(1.0, grid.cell_m) / unit)
              for one in site.wanted.geometry]  # fmt: skip
    return polygon_numbers(shapes, grid) > 0


#: Two inlets nearer than this are one [m].
_ONE_INLET_M: Final = 0.5


def _pinned(site: Drawn, case: Case, grid: Grid) -> dict[int, str]:
    """Proposed inlets of the drawing from which no line leads, by their cell."""
    inlets, lines = in_case(site.inlets, case), in_case(site.drain_lines, case)
    inlets = inlets[inlets["status"] == "proposed"]
    unit = grid.metres_per_unit
    found: dict[int, str] = {}
    at: list[tuple[str, Any]] = []
    never = {str(name or kind): shape for name, kind, shape in zip(
        site.constraints["name"], site.constraints["kind"], site.constraints.geometry, strict=True)
        if kind in ("keep out", "septic", "well")}  # fmt: skip
    for name, shape in zip(inlets["name"], inlets.geometry, strict=True):
        starts = [shapely.Point(one.coords[0]) for one in shapely.get_parts([*lines.geometry])]
        if (lines["from_node"] == name).any() or any(
            start.distance(shape) * unit < _ONE_INLET_M for start in starts
        ):
            continue
        for other, there in at:
            if there.distance(shape) * unit < _ONE_INLET_M:
                raise InputError(
                    Fault(f"the inlets {other} and {name} exclude each other: they stand at one "
                          "place", "Delete one of them, or move it", layer="inlets",
                          column="name", value=name)
                )  # fmt: skip
        for other, kept in never.items():
            if kept.area > 0 and kept.intersects(shape):
                raise InputError(
                    Fault(f"the inlet {name} stands in {other}, where none may be",
                          f"Move it, or lift {other}", layer="inlets", column="name", value=name)
                )  # fmt: skip
        at.append((name, shape))
        place = shape.representative_point()
        row, column = grid.row_column(place.x, place.y)
        if grid.contains(row, column):
            found[int(row * grid.shape[1] + column)] = str(name)
    return found


def inlet_options(
    ground: LotGround, number: int, tell: Callable[[str], None], without: Collection[int] = ()
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
    without
        Cells that are no candidates any more.

    Returns
    -------
    options, refused
        What may be offered, the first ones mending the most, and what is not, with the rule.
    """
    options, refused = _chosen(ground, number, tell, without)
    if options or not ground.pinned:
        return options, refused
    pinned, failed = laid_together(ground, [*ground.pinned], tell)
    while failed:
        refused += failed.values()
        pinned, failed = laid_together(
            ground, [one for one in ground.pinned if one not in failed], tell
        )
    return pinned, refused


def _chosen(
    ground: LotGround, number: int, tell: Callable[[str], None], without: Collection[int]
) -> tuple[list[InletOption], list[NotOffered]]:
    """Choose places for further inlets, and lay their lines with those of the pinned ones."""
    judge, cells = ground.judge, [one for one in ground.candidates if one not in without]
    if not ground.has_low_spot:  # which is told of the whole lot
        return [], []
    # on a slope a grate may take nothing: only what stands over it is counted on
    sags = [one for one in cells if ground.routing.depth.ravel()[one] >= _SAG_M]
    if not best_places(judge, sags, 1):
        best = best_places(judge, cells, 1)
        if without:
            return [], []
        return [], [_on_slope(ground, best[0]) if best else _no_need(ground)]
    cells = sags
    reached, refused = _with_ends(ground, cells)
    lost: set[int] = set()
    while True:
        chosen = best_places(judge, list(reached), number)
        drawn = [one for one in ground.pinned if one not in lost]
        options, failed = laid_together(ground, [*drawn, *chosen] if chosen else [], tell)
        if not failed:
            break
        refused += failed.values()
        lost |= {*failed}
        for cell in failed:
            reached.pop(cell, None)
    if reached and not chosen and not without:
        refused.append(_no_need(ground))
    yard = ground.yard
    if options and (worse := worsened_off_lot(yard.water(), yard.water(chosen), (yard, yard))):
        kind, volume = next(iter(worse.items()))
        refused += [_worse(one, kind, volume) for one in options]
        options = []
    return options, refused


def laid_together(
    ground: LotGround, chosen: Sequence[int], tell: Callable[[str], None] = lambda _: None
) -> tuple[list[InletOption], dict[int, NotOffered]]:  # fmt: skip
    """
    Lay the lines of some inlets, joined where that is cheaper.

    Parameters
    ----------
    ground
        Of the lot.
    chosen
        Cells of the inlets, in the order in which they were chosen.
    tell
        Called with what is being done.

    Returns
    -------
    options, failed
        One of each inlet; those of which no line reaches any end, for which there are none.
    """
    flows = ground.flows(chosen)
    reached, without_end = _with_ends(ground, chosen)
    missing = [one for one in chosen if one not in reached]
    if missing and not ground.drawn:
        return [], dict(zip(missing, without_end, strict=True))
    reached |= {one: [] for one in missing}
    alone: dict[int, tuple[OutletOption, Line]] = {}
    failed: dict[int, NotOffered] = {}
    for position, cell in enumerate(chosen, 1):
        tell(f"line {position} of {len(chosen)}")
        found = _line(ground, cell, reached[cell], flows[cell])
        if not isinstance(found, NotOffered):
            alone[cell] = found
        elif not ground.drawn:
            failed[cell] = found
    if failed or not chosen:
        return [], failed
    tell("joining lines")
    tree = joined(
        ground.digging, {cell: end.place for cell, (end, _) in alone.items()},
        {cell: line for cell, (_, line) in alone.items()}, flows, ground.drawn,
    )  # fmt: skip
    if tree is None:  # the last one gives way
        x, y, _ = ground.place(chosen[-1])
        return [], {chosen[-1]: NotOffered(
            _words(ground, chosen[-1]), x, y, "inlet with line",
            "its line would cross another, or finds no room beside it", None, None, "",
            "lotflow's rule: trenches do not cross",
        )}  # fmt: skip
    below = carried(tree.lines, flows)
    of_line = pieces(tree, flows, ground.digging)
    options: list[InletOption] = []
    new = [cell for cell in chosen if cell not in ground.pinned]
    taken = {str(name).casefold() for name in ground.digging.site.inlets["name"].dropna()}
    free = (name for number in itertools.count(1)
            if (name := f"Proposed inlet {number}").casefold() not in taken)  # fmt: skip
    names = ground.pinned | dict(zip(new, free, strict=False))
    for cell in chosen:
        position = new.index(cell) if cell in new else 0
        x, y, level = ground.place(cell)
        last = tree.way_down(cell)[-1]
        ends = None if isinstance(tree.lines[last].joins, str) else alone[last][0]
        same = [one for one in reached[cell] if ends is not None and one.place == ends.place]
        options.append(
            InletOption(
                names[cell], cell, x, y, level,
                ground.spot(cell),
                same[0] if same else ends, tree.lines[cell], flows[cell], below[cell],
                grate_for(flows[cell], ground.digging.criteria, ground.digging.units),
                [one for one in of_line if one.cell == cell],
                ground.judge.harm(new[:position]),
                ground.judge.harm(new[: position + (cell in new)]), cell in ground.pinned,
            )
        )  # fmt: skip
    return options, {}


def relaid(ground: LotGround, options: Sequence[InletOption]) -> list[InletOption]:
    """
    Lay the lines of some options by themselves, without those that are left out.

    Parameters
    ----------
    ground
        Of the lot.
    options
        From `inlet_options`.
    """
    return laid_together(ground, [one.cell for one in options])[0]


def _with_ends(
    ground: LotGround, cells: Sequence[int]
) -> tuple[dict[int, list[OutletOption]], list[NotOffered]]:
    """Ends of each place that has any which gravity may reach; why others have none."""
    reached, refused = {}, []
    for cell in cells:
        if cell not in ground.ways:
            ground.ways[cell] = ground.outlets(cell)
        ways = ground.ways[cell]
        if ends := [one for one in ways if one.verdict != "not reachable"]:
            reached[cell] = ends
        else:
            refused.append(_no_end(ground, cell, ways))
    return reached, refused


def _line(
    ground: LotGround, cell: int, ends: Sequence[OutletOption], flow: float
) -> tuple[OutletOption, Line] | NotOffered:
    """Cheapest line to the first ends, all of one kind, that one reaches; why none does."""
    why: Why = "", None, None, ""
    best: tuple[OutletOption, Line] | None = None
    for end in ends:
        if best is not None and _kind(end) != _kind(best[0]):
            break
        key = cell, end.place, round(flow, 6)
        if key not in ground.laid:
            ground.laid[key] = line_to_end(ground.digging, cell, end.place, flow)
        found = ground.laid[key]
        if not isinstance(found, Line):
            why = found
        elif best is None or found.cost < best[1].cost:
            best = end, found
    if best is not None:
        return best
    x, y, _ = ground.place(cell)
    rule, measured, limit, unit = why
    if names := _to_lift(ground, cell, ends, flow):
        rule, measured, limit, unit = f"keep-outs leave no way: lift {names[0]}", None, None, ""
    return NotOffered(
        _words(ground, cell), x, y, "inlet with line", rule, measured, limit, unit,
        f"lotflow's rule, to {ends[-1].place.name}" if ends else "lotflow's rule",
    )  # fmt: skip


def _to_lift(ground: LotGround, cell: int, ends: Sequence[OutletOption], flow: float) -> list[str]:
    """Names of keep-outs without which a line reaches an end, the first one found."""
    rows = ground.digging.site.constraints
    for position, (name, kind) in enumerate(zip(rows["name"], rows["kind"], strict=True)):
        if kind == "keep out":
            lifted = replace(ground.digging, lifted=position)
            if any(isinstance(line_to_end(lifted, cell, end.place, flow), Line) for end in ends):
                return [str(name or f"row {position + 1} of the keep-outs")]
    return []


def _kind(end: OutletOption) -> tuple[str, str]:
    """Ends alike in this are alike but for what the line to them costs."""
    return end.verdict, end.place.kind


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


def _no_need(ground: LotGround) -> NotOffered:
    """Say that no inlet keeps a limit that is broken without one."""
    x, y, _ = ground.place(int(np.argmax(np.where(ground.yard.lot, ground.routing.depth, 0.0))))
    return NotOffered(
        "anywhere on the lot", x, y, "inlet with line",
        "no place keeps a limit of harm that is broken without an inlet: roof water and the fall "
        "of the ground come first", None, None, "", "lotflow's rule: surface before pipes",
    )  # fmt: skip


def _on_slope(ground: LotGround, cell: int) -> NotOffered:
    """Say that only a grate on a slope would help, past which water may run."""
    x, y, _ = ground.place(cell)
    return NotOffered(
        _words(ground, cell), x, y, "inlet with line",
        "it would lie on a slope, where a grate may take nothing of what runs past: a swale or a "
        "channel drain across the way", float(ground.routing.depth.ravel()[cell]), _SAG_M, "m",
        "FHWA HEC-22, 3rd edition (2009), section 4.4.4.1",
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
    chosen = [one.cell for one in options if not one.is_drawn]
    others = [cell for cell in ground.candidates if cell not in chosen]
    others = sorted(others, key=lambda cell: ground.judge.gain([cell]), reverse=True)[:_ASKED]
    found = sureness(yards, chosen, others, ground.low_spots.number, tell)
    of_cell = dict(zip(chosen, found, strict=True))
    return [replace(one, sure=of_cell.get(one.cell)) for one in options]


def _on(yard: Yard, off: FloatArray) -> Yard:
    """The lot on another surface: ground and what is dug lie higher or lower, roofs stay."""
    surface = yard.surface
    level = np.where(surface.roof, surface.elevation, surface.elevation + off)
    return replace(yard, surface=replace(surface, elevation=level))


#: An inlet stays that dries so much more of what is to be dry first [m^2].
_DRIER_M2: Final = 0.25
#: Rounds in which others are tried in the place of those that mend nothing in a whole run.
_ROUNDS: Final = 3


def offered(
    ground: LotGround, number: int, before: Sequence[HarmRow],
    run: Callable[[Sequence[InletOption]], list[HarmRow]], tell: Callable[[str], None],
) -> tuple[list[InletOption], list[NotOffered], list[HarmRow]]:  # fmt: skip
    """
    Choose inlets and judge them by whole runs; others are tried where some mend nothing there.

    Parameters
    ----------
    ground, number, tell
        As for `inlet_options`.
    before, run
        As for `judged`.

    Returns
    -------
    options, refused, after
        As of `judged`.
    """
    known: dict[tuple[int, ...], list[HarmRow]] = {}

    def run_once(options: Sequence[InletOption]) -> list[HarmRow]:
        key = tuple(sorted(one.cell for one in options))
        if key not in known:
            known[key] = run(options)
        return known[key]

    left_out: list[NotOffered] = []
    without: set[int] = set()
    for _ in range(_ROUNDS):
        options, refused = inlet_options(ground, number, tell, without)
        tell("judging by whole runs")
        kept, unfit, after = judged(options, before, run_once, partial(relaid, ground))
        left_out += [*refused, *unfit]
        cells = {one.cell for one in kept}
        dropped = {one.cell for one in options} - cells
        if not dropped or not kept:
            break
        without |= dropped
    return kept, list(dict.fromkeys(left_out)), after


#: Kinds of harm that a proposal may not bring where there was none.
_NEVER_NEW: Final = (Kind.LEAVES, Kind.SIDEWALK)


def judged(
    options: Sequence[InletOption], before: Sequence[HarmRow],
    run: Callable[[Sequence[InletOption]], list[HarmRow]],
    relaid: Callable[[Sequence[InletOption]], list[InletOption]],
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
    relaid
        Lays the lines of some by themselves.

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
        if one.is_drawn or one.before.wanted_m2 - one.after.wanted_m2 >= _DRIER_M2:
            continue
        fewer = relaid([other for other in offered if other.cell != one.cell])
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
        f"low spot {option.low_spot}" if option.low_spot else "shallow dip", option.x, option.y,
        "inlet with line",
        "in a whole run no limit of harm is kept that is broken without it", 0.0, 1.0, "limits",
        "lotflow's rule: docs/answer.md, harm",
    )  # fmt: skip
