"""
What is done to the surface before any pipe: roof water led off, ground raised, swales, gardens.

Every change is written as rows of the layers that a user draws in, is set on the ground by the same
functions as a run sets drawn ones, and is judged by the water of the whole chain: alone, and on top
of the changes before it, in the order of practice.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd
import shapely

from lotflow.advice.harm import LIMITS, Kind
from lotflow.drains.house import facades_of, own_buildings
from lotflow.drains.judged import design_storm
from lotflow.layers.drawn import DrawnRow, downspout_names, in_case
from lotflow.proposing.inlets import NotOffered
from lotflow.proposing.lines import LineRule, Trenching, cheapest_way
from lotflow.proposing.places import (
    OFF_LOT_M3,
    OFF_LOT_SHARE,
    SAME_PLACE_M,
    harm_of,
    leaving,
    settled,
    summed_around,
)
from lotflow.tables import read_table
from lotflow.tables.runoff import Cover
from lotflow.terrain.cells import polygon_cells, touched_cells
from lotflow.terrain.discharge_path import VERGE_M, WALL_DISTANCE_M
from lotflow.terrain.downspouts import case_roofs
from lotflow.terrain.earthworks import (
    MOST_AT_WALL_M,
    RING_FALL,
    RING_M,
    RegradeEdit,
    drawn_earthworks,
    laid_earthworks,
)
from lotflow.terrain.surface import open_levels
from lotflow.terrain.swale_ways import LEAST_FALL, LINE_M, swale_ways

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.proposing.inlets import LotGround
    from lotflow.proposing.places import Yard
    from lotflow.terrain.earthworks import LaidEarthworks
    from lotflow.terrain.house_ring import Facade
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.ponding import StandingWater
    from lotflow.terrain.surface import Surface

Remedy = Literal["gutter", "downspout", "regrade", "relevel", "fill", "swale", "rain garden"]
#: What is tried first: roof water, ground at the walls, low ground, then a way for what comes.
#: Palo Alto CA and US DOE Building America, surface before pipes.
ORDER: Final[tuple[Remedy, ...]] = (
    "gutter", "downspout", "regrade", "relevel", "fill", "swale", "rain garden",
)  # fmt: skip
#: Water is let out at least so far within the lot line [m]: 5 ft, Lakeside Park KY, Lee's Summit
#: MO.
LET_OUT_M: Final = 1.524
#: and no farther from its downspout [m]: lotflow's choice, a pipe on or under the lawn.
FARTHEST_M: Final = 9.0
#: An elbow lets water out this far above the ground [m], and a pipe falls so much at least.
_ELBOW_M: Final = 0.10
_PIPE_FALL: Final = 0.01
#: Roof that one downspout drains [m^2]: 1,000 ft2 for a leader of 3 by 4 in, common practice.
ROOF_PER_LEADER_M2: Final = 93.0
#: Water that comes so near to a wall has reached it [m]: 4 ft, the backfill.
AT_WALL_M: Final = 1.22
#: Ground and paving stay so far below a sill [m]: 6 in, Fort Collins CO; of a pad 4 in.
BELOW_SILL_M: Final = 0.1524
BELOW_PAD_M: Final = 0.1016
#: Less soil than this is raking [m].
_LEAST_RISE_M: Final = 0.03
#: Share of a regrade that must come to fall as asked, to be worth it: lotflow's choice.
_LEAST_MET: Final = 0.25
#: Fall of paving away from a wall: 2 %, US DOE Building America, International Residential Code
#: R401.3.
_PAVING_FALL: Final = 0.02
#: Low ground is filled to this depth at most [m]: 1 ft, Palo Alto CA.
MOST_FILL_M: Final = 0.3048
#: A swale is so deep [m]: 6, 9 and 12 in; its bed cuts no deeper than 18 in.
SWALE_DEPTHS_M: Final = (0.1524, 0.2286, 0.3048)
_DEEPEST_SWALE_M: Final = 0.45
#: Water so shallow is not led off by a swale [m].
_STANDS_M: Final = 0.03
#: Rain garden: water in it, setback, sizes (Washington State University, Rain Garden Handbook;
#: University of Wisconsin Extension), and rate it needs: 0.5 in/h halved (Virginia Conservation
#: Assistance Program).
_GARDEN_DEPTH_M: Final = 0.15
_GARDEN_WALL_M: Final = 3.048
_GARDEN_M2: Final = (9.3, 27.9)
_GARDEN_SLOPE: Final = 0.10
_GARDEN_H: Final = 24.0
#: Constraints that no earth is moved in, whatever the job's setbacks say.
_NO_EARTH: Final = (
    "septic", "well", "neighbour building", "tree", "street", "sidewalk", "keep out",
)  # fmt: skip
#: Room kept of those drawn as points or lines [m]: lotflow's choice, as for inlets.
_ROOM_M: Final[Mapping[str, float]] = {"tree": 3.0, "septic": 3.0, "well": 3.0}
#: Ponds that are looked at, the largest first.
_MOST_PONDS: Final = 8


@dataclass(frozen=True, eq=False)
class Change:
    """
    One remedy on the surface.

    Parameters
    ----------
    kind, name, place
        What it is, how its first row is called, and where, in words.
    x, y
        Where, in the coordinates of the elevation data.
    rows
        By which it is drawn.
    length_m
        Of a pipe or swale [m].
    facts
        What else is told of it, in SI.
    """

    kind: Remedy
    name: str
    place: str
    x: float
    y: float
    rows: tuple[DrawnRow, ...]
    length_m: float = math.nan
    facts: Mapping[str, Any] = field(default_factory=dict)

    @property
    def is_dug(self) -> bool:
        """Whether it changes the ground."""
        return any(row.table.startswith("earthwork") for row in self.rows)


class SurfaceHarm(NamedTuple):
    """
    What water does on a lot, worst first; a row decides before all after it.

    Parameters
    ----------
    openings_m, wall_m, near_m2
        As in `lotflow.proposing.places.Harm`.
    fall_m2
        What the ground before own walls lacks of the fall that is asked for: length of each wall
        times the height it lacks [m^2].
    roof_m2
        Roof of which the water is let out at a wall, or comes back to one [m^2].
    paved_m2, lawn_m2, stands_m3
        As there.
    run_on_m3
        Water that runs within 4 ft of own walls from elsewhere [m^3].
    """

    openings_m: float
    wall_m: float
    near_m2: float
    fall_m2: float
    roof_m2: float
    paved_m2: float
    lawn_m2: float
    stands_m3: float
    run_on_m3: float

    def less(self, after: SurfaceHarm) -> tuple[int, ...]:
        """What is mended, row by row, in whole steps; nothing below a step decides."""
        return tuple(
            round((before - then) / max(step, _STEP_SHARE * before))
            for before, then, step in zip(self, after, STEPS, strict=True)
        )


#: Smallest change of each row that decides, and that share of what there was: lotflow's choice.
STEPS: Final = SurfaceHarm(0.01, 1.0, 1.0, 0.05, 1.0, 1.0, 1.0, 0.1, 1.0)
_STEP_SHARE: Final = 0.05
_NO_GAIN: Final = (0,) * len(STEPS)


@dataclass(frozen=True, eq=False)
class SurfaceLot:
    """
    A lot of which the surface may be changed.

    Parameters
    ----------
    ground
        As it is drawn: yard, low spots, storms, rules.
    site
        What is drawn; a dataclass with layers.
    measured
        The ground without any earthwork [m].
    works
        Earthworks of the main case that are drawn already.
    error
        Of the levels of the ground.
    soak_rate
        Of a soak test [m/s]; None without.
    """

    ground: LotGround
    site: Any
    measured: Grid
    works: LaidEarthworks
    error: LevelError
    soak_rate: float | None = None
    _known: dict[Any, Any] = field(default_factory=dict)

    @property
    def yard(self) -> Yard:
        """The lot as it is drawn."""
        return self.ground.yard

    @property
    def grid(self) -> Grid:
        """The cells."""
        return self.yard.surface.ground

    @property
    def unit(self) -> float:
        """Metres of a unit of the CRS."""
        return self.grid.metres_per_unit

    @cached_property
    def lot(self) -> Any:
        """The lot's outline."""
        return self.site.lot.geometry.union_all()

    @cached_property
    def buildings(self) -> Any:
        """All buildings as one geometry."""
        return self.site.buildings.geometry.union_all()

    @cached_property
    def own(self) -> Any:
        """Rows of the lot's own buildings."""
        return own_buildings(self.site)

    @cached_property
    def measured_levels(self) -> FloatArray:
        """Measured ground, complete [m]."""
        return open_levels(self.measured)

    @cached_property
    def clear(self) -> Any:
        """What no earth is moved in, as one geometry."""
        rows = self.site.constraints
        kept = [
            shape.buffer(_ROOM_M.get(kind, 0.0) / self.unit) if shape.area == 0 else shape
            for kind, shape in zip(rows["kind"], rows.geometry, strict=True)
            if kind in _NO_EARTH
        ]
        return shapely.union_all([shape for shape in kept if shape.area > 0])

    @cached_property
    def paving(self) -> Any:
        """What is drawn as paved, as one geometry."""
        paved = {row.cover for row in read_table("covers", Cover) if row.paved} - {"roof"}
        covers = self.site.covers
        return covers[covers["cover"].isin(paved)].geometry.union_all()

    @cached_property
    def street(self) -> BoolArray:
        """Cells from which water that leaves the lot reaches a drawn street within a verge."""
        rows = self.site.constraints
        streets = rows[rows["kind"] == "street"].geometry
        around = [shape.buffer(VERGE_M / self.unit) for shape in streets]
        return polygon_cells(shapely.union_all(around), self.grid)

    @cached_property
    def roof_m2(self) -> dict[Any, float]:
        """Footprint of each own building by its row [m^2]."""
        return {
            index: float(shape.area) * self.unit**2
            for index, shape in zip(self.own.index, self.own.geometry, strict=True)
        }

    def cell(self, x: float, y: float) -> int:
        """Flat index of the cell at a place within the grid."""
        row, column = self.grid.row_column(x, y)
        return int(row) * self.grid.shape[1] + int(column)

    def laid(self, changes: Sequence[Change] = ()) -> Laid:
        """Set changes on the ground; what was set once is remembered."""
        key = tuple(sorted(id(one) for one in changes))
        if key not in self._known:
            # the changes are kept, so that nothing else gets their id
            self._known[key] = _laid(self, tuple(changes)), tuple(changes)
        laid: Laid = self._known[key][0]
        return laid


@dataclass(frozen=True, eq=False)
class Laid:
    """
    A lot with some changes.

    Parameters
    ----------
    lot, changes
        The lot, and what is changed.
    site
        With the rows of the changes.
    yard
        On the measured ground.
    works
        All earthworks.
    cells
        Flat indices of further inlets.
    """

    lot: SurfaceLot
    changes: tuple[Change, ...]
    site: Any
    yard: Yard
    works: LaidEarthworks
    cells: tuple[int, ...] = ()

    def on(self, off: FloatArray, cells: Sequence[int] = ()) -> Laid:
        """
        Give the same on another surface, dug as it is found there.

        Parameters
        ----------
        off
            How much higher that surface lies [m].
        cells
            Marks of further inlets, each set at the lowest ground near it.
        """
        level = self.works(self.lot.measured_levels + off)
        yard = replace(self.yard, surface=_dug(self.lot, self.yard, level))
        return replace(self, yard=yard, cells=tuple(settled(yard, cell) for cell in cells))

    @cached_property
    def water(self) -> StandingWater:
        """Of the design storm."""
        return self.yard.water(self.cells)

    @cached_property
    def at_wall(self) -> BoolArray:
        """Ground within 4 ft of own walls."""
        yard = self.yard
        reach = max(AT_WALL_M, 1.01 * yard.cell_m)
        return np.asarray(~yard.surface.roof & (yard.away_m <= reach))

    @cached_property
    def comes_to_wall(self) -> BoolArray:
        """Cells of which the water runs within 4 ft of own walls."""
        field_ = self.water.network.routing.field
        return np.asarray(field_.labels(self.at_wall.astype(np.int32)) > 0)

    @cached_property
    def let_out_at_walls(self) -> NDArray[np.int64]:
        """Cells of downspouts that end within 5 ft of a wall."""
        lot = self.lot
        drawn = in_case(self.site.downspouts, "proposed").geometry
        near = drawn[drawn.distance(lot.buildings) * lot.unit < WALL_DISTANCE_M]
        cells = [lot.cell(foot.x, foot.y) for foot in near]
        return np.asarray(self.yard.surface.eave_cell.ravel()[cells], dtype=np.int64)

    @cached_property
    def facades(self) -> list[Facade]:
        """Ground before the walls of the lot's buildings."""
        return facades_of(self.site, self.yard.surface, paved=self.yard.paved, error=self.lot.error)

    def harm(self, facades: Sequence[Facade] | None = None) -> SurfaceHarm:
        """What its water does; `facades` where the ground before the walls is known."""
        yard, cell_m2 = self.yard, self.lot.grid.cell_m2
        base = harm_of(yard, self.water)
        surface, comes = yard.surface, self.comes_to_wall.ravel()
        roof = np.flatnonzero(yard.house.ravel() & ~surface.piped.ravel())
        share = surface.share.ravel()[roof]
        landing = surface.landing.ravel()[roof]
        back = comes[landing] | np.isin(landing, self.let_out_at_walls)
        run_on = self.comes_to_wall & ~self.at_wall & ~surface.roof
        return SurfaceHarm(
            base.openings_m, base.wall_m, base.near_m2,
            _lacking_fall(self.facades if facades is None else facades),
            float(share[back].sum()) * cell_m2,
            base.paved_m2, base.lawn_m2, base.stands_m3,
            float(yard.runoff[run_on].sum()) * cell_m2,
        )  # fmt: skip


def _lacking_fall(facades: Sequence[Facade]) -> float:
    """Length of each wall times the height that its ground lacks [m^2]."""
    return float(
        sum(
            one.length_m * max(one.slope_limit * one.run_m - one.fall_m, 0.0)
            for one in facades
            if math.isfinite(one.fall_m)
        )
    )


def drawn_rows(changes: Sequence[Change]) -> list[DrawnRow]:
    """Rows of a site by which changes are drawn."""
    return [row for one in changes for row in one.rows]


def with_rows(site: Any, rows: Sequence[DrawnRow]) -> Any:
    """
    Give a site with rows added, in memory, as reading the written ones would.

    Parameters
    ----------
    site
        A dataclass with the layers.
    rows
        To be added.
    """
    frames: dict[str, Any] = {}
    for row in rows:
        layer = "earthworks" if row.table.startswith("earthwork") else row.table
        frame = frames.get(layer, getattr(site, layer))
        values = {_column(frame, name): value for name, value in row.values.items()}
        added = {name: values.get(name) for name in frame.columns} | {"geometry": row.shape}
        new = frame.iloc[:0].reindex([len(frame)])
        for name, value in added.items():
            if value is not None or new[name].dtype == object:
                new[name] = pd.Series([value], index=new.index, dtype=new[name].dtype)
        frames[layer] = pd.concat([frame, new.set_crs(frame.crs, allow_override=True)])
    return replace(site, **frames)


def _column(frame: Any, name: str) -> str:
    """Name of a column in SI."""
    names: list[str] = list(frame.columns)
    return next(one for one in names if one == name or one.startswith(f"{name}_"))


def _laid(lot: SurfaceLot, changes: tuple[Change, ...]) -> Laid:
    """Set changes on the measured ground."""
    if not changes:
        return Laid(lot, (), lot.site, lot.yard, lot.works)
    site = with_rows(lot.site, drawn_rows(changes))
    yard, works = lot.yard, lot.works
    if any(one.is_dug for one in changes):
        drawn = drawn_earthworks(site, "proposed", lot.unit)
        works = laid_earthworks(drawn, site, lot.measured)
        yard = replace(yard, surface=_dug(lot, yard, works(lot.measured_levels)))
    if any(row.table == "downspouts" for one in changes for row in one.rows):
        surface = yard.surface
        bare = replace(
            surface, landing=surface.eave_cell, piped=np.zeros_like(surface.piped),
            share=np.ones_like(surface.share),
        )  # fmt: skip
        roofs = case_roofs(site, bare, "proposed")
        storms, criteria = lot.ground.storms, lot.ground.digging.criteria
        if storms is None:
            full_m = lot.yard.runoff.sum() / lot.yard.surface.rain_weight.sum()
            runoff = roofs.surface.rain_weight * full_m
        else:
            led = replace(storms, roofs=roofs)
            runoff = led.runoff_depth(design_storm(storms.storms, criteria))
        yard = replace(yard, surface=roofs.surface, runoff=runoff)
    return Laid(lot, changes, site, yard, works)


def _dug(lot: SurfaceLot, yard: Yard, level: FloatArray) -> Surface:
    """What water runs on where the ground has another level [m]; roofs stay, walls go with it."""
    surface = yard.surface
    was = lot.works(lot.measured_levels)
    elevation = lot.yard.surface.elevation + np.where(surface.roof, 0.0, level - was)
    ground = surface.ground.with_values(np.where(surface.ground.missing, np.nan, level))
    return replace(surface, elevation=elevation, ground=ground)


def off_lot(before: Laid, after: Laid) -> tuple[str, float] | None:
    """
    Tell whether a neighbour gets more water, or water at a new place.

    Water that reaches a drawn street within a verge is no neighbour's. What is more is told by how
    much would leave were all low spots full, and by what low ground can no longer hold.

    Parameters
    ----------
    before, after
        With the same storm.

    Returns
    -------
    worse
        What it does, and how much more [m^3]; None where nothing is worse.
    """
    lot = before.lot
    yard, cell_m2, street = lot.yard, lot.grid.cell_m2, lot.street
    outside = ~yard.lot & ~street
    stood = [float(one.water.depth[outside].sum()) * cell_m2 for one in (before, after)]
    if (more := stood[1] - (1 + OFF_LOT_SHARE) * stood[0]) > OFF_LOT_M3:
        return "stands", more
    left = [leaving(one.water, one.yard) * cell_m2 for one in (before, after)]
    past = [np.where(street, 0.0, one) for one in left]
    reach = max(round(SAME_PLACE_M / yard.cell_m), 1)
    was, now = summed_around(past[0], 2 * reach), summed_around(past[1], reach)
    at_one = np.where(past[1] > 0, now - (1 + OFF_LOT_SHARE) * was, 0.0)
    if (more := float(at_one.max(initial=0.0))) > OFF_LOT_M3:
        return "leaves at one place", more
    # what low ground held, and now runs to a neighbour
    routing = after.water.network.routing
    exits = np.where(left[1] > 0, np.where(street, 1, 2), 0).astype(np.int32)
    to_neighbour = (routing.field.labels(exits) == 2) & yard.lot
    lost = np.maximum(before.water.depth - np.maximum(routing.depth, 0.0), 0.0)
    held = float(lost[to_neighbour & ~yard.surface.roof].sum()) * cell_m2
    more = float(past[1].sum()) + held - (1 + OFF_LOT_SHARE) * float(past[0].sum())
    return ("leaves", more) if more > OFF_LOT_M3 else None


@dataclass(frozen=True, eq=False)
class Target:
    """
    One place where something may be done.

    Parameters
    ----------
    kind, place, x, y
        What, and where.
    variants
        Ways to do it; none where it cannot be done.
    why
        Then why it cannot, or what stands against it: rule, measured, limit, unit, source.
    """

    kind: Remedy
    place: str
    x: float
    y: float
    variants: list[Change]
    why: Why


#: Rule, measured, limit, unit and source.
Why = tuple[str, float | None, float | None, str, str]
_NO_WHY: Final[Why] = ("", None, None, "", "")
_OWN_RULE: Final = "lotflow's rule"


# --- roof water -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Landing:
    """Where a downspout may be let out: place, length of its pipe and of that under paving [m]."""

    x: float
    y: float
    length_m: float
    paved_m: float


def _landings(laid: Laid, foot: Any, number: int = 4) -> list[_Landing] | Why:
    """
    Find places to let roof water out from which it does not come back, the nearest first.

    What decides is the way of the water from there, not the length of the pipe.
    """
    lot, yard, unit = laid.lot, laid.yard, laid.lot.unit
    angle, away = np.meshgrid(
        np.arange(0.0, 2 * math.pi, math.pi / 16), np.arange(LET_OUT_M + 0.1, FARTHEST_M, 0.5)
    )
    x = foot.x + (away * np.cos(angle)).ravel() / unit
    y = foot.y + (away * np.sin(angle)).ravel() / unit
    away = away.ravel()
    inside = lot.grid.contains(*lot.grid.row_column(x, y))
    x, y, away = x[inside], y[inside], away[inside]
    row, column = (np.asarray(part) for part in lot.grid.row_column(x, y))
    cell = row * lot.grid.shape[1] + column
    free = yard.lot & ~yard.surface.roof & ~yard.paved & ~yard.kept_out & ~yard.surface.outside
    free &= polygon_cells(lot.lot.buffer(-LET_OUT_M / unit), lot.grid)
    free &= ~polygon_cells(lot.buildings.buffer(WALL_DISTANCE_M / unit), lot.grid)
    may = free.ravel()[cell]
    lines = shapely.linestrings(
        np.stack(
            [
                np.column_stack([np.full(x.size, foot.x), x]),
                np.column_stack([np.full(y.size, foot.y), y]),
            ],
            axis=-1,
        )
    )
    under = shapely.length(shapely.intersection(lines, lot.buildings)) * unit
    may &= under <= 0.3  # a foot drawn a hand's breadth inside its wall
    if not may.any():
        return (
            "no own ground to let it out on, 5 ft off walls and lot line, off paving",
            None,
            None,
            "",
            "US DOE Building America; Lakeside Park KY, 5 ft",
        )
    level = yard.surface.elevation.ravel()
    at_foot = level[yard.surface.eave_cell.ravel()[lot.cell(foot.x, foot.y)]]
    rise = level[cell] - (at_foot + _ELBOW_M - _PIPE_FALL * away)
    lower = may & (rise <= 0)
    if not lower.any():
        return (
            "all own ground within 30 ft lies too high for a pipe that falls",
            float(rise[may].min()),
            0.0,
            "m",
            _OWN_RULE,
        )
    back = laid.comes_to_wall.ravel()[cell] | (laid.water.depth.ravel()[cell] > _STANDS_M)
    good = lower & ~back
    if not good.any():
        return (
            "its water stands, or comes back to a wall, from this share of the places where "
            "it may be let out",
            float(back[lower].mean()),
            0.0,
            "1",
            "lotflow's rule: the way of the water counts, not the length of the pipe",
        )
    paved = shapely.length(shapely.intersection(lines, lot.paving)) * unit
    found: list[_Landing] = []
    for i in np.argsort(away + 3.0 * paved + np.where(good, 0.0, np.inf), kind="stable").tolist():
        if not good[i] or len(found) == number:
            break
        if all(math.hypot(x[i] - one.x, y[i] - one.y) * unit > 1.0 for one in found):
            found.append(_Landing(float(x[i]), float(y[i]), float(away[i]), float(paved[i])))
    return found


def _downspouts(laid: Laid) -> Iterator[Target]:
    """Downspouts of own buildings whose water is let out at a wall, or comes back to one."""
    lot = laid.lot
    drawn = in_case(laid.site.downspouts, "proposed")
    surface, comes = laid.yard.surface, laid.comes_to_wall.ravel()
    own = lot.own.geometry.union_all()
    names = downspout_names(drawn)
    for name, (_, row) in zip(
        names, drawn.rename(columns={"name": "name_"}).iterrows(), strict=True
    ):
        foot = row.geometry
        leads = str(row["leads_to"] or "surface")
        if leads.casefold() != "surface" or foot.distance(own) * lot.unit > _OWN_REACH_M:
            continue
        if row["origin"] == "lotflow":
            continue
        start = surface.eave_cell.ravel()[lot.cell(foot.x, foot.y)]
        if not comes[start] and foot.distance(own) * lot.unit >= WALL_DISTANCE_M:
            continue
        found = _landings(laid, foot)
        if isinstance(found, tuple):
            yield Target("downspout", name, foot.x, foot.y, [], found)
            continue
        variants = [
            Change(
                "downspout", f"{name}, led off", name, foot.x, foot.y,
                (DrawnRow("downspouts", _LED | {"name": f"{name}, led off", "replaces": name},
                          shapely.Point(one.x, one.y)),),
                one.length_m, {"under_paving_m": one.paved_m},
            )
            for one in found
        ]  # fmt: skip
        yield Target("downspout", name, foot.x, foot.y, variants, _NO_WHY)


#: A downspout belongs to a building this near [m].
_OWN_REACH_M: Final = 3.0
_LED: Final = {"leads_to": "surface", "status": "proposed", "origin": "lotflow"}


def _gutters(laid: Laid) -> Iterator[Target]:
    """Roofs of own buildings that shed at their eaves all round."""
    lot = laid.lot
    drawn = in_case(laid.site.downspouts, "proposed")
    for number, (index, row) in enumerate(lot.own.iterrows(), 1):
        shape, name = row.geometry, str(row["name"] or f"building {number}")
        if len(drawn) and (drawn.geometry.distance(shape) * lot.unit <= _OWN_REACH_M).any():
            continue
        if (drawn["building"] == row["name"]).any() and row["name"]:
            continue
        place, middle = f"roof of {name}", shape.centroid
        why: Why
        if not row["name"]:
            why = ("the building has no name by which a downspout could belong to it", None, None,
                   "", _OWN_RULE)  # fmt: skip
            yield Target("gutter", place, middle.x, middle.y, [], why)
            continue
        corners = shapely.get_coordinates(shape.simplify(0.3 / lot.unit))[:-1]
        ways: list[tuple[_Landing, Any]] = []
        why = _NO_WHY
        for corner in corners:
            found = _landings(laid, shapely.Point(corner), 1)
            if isinstance(found, tuple):
                why = found
            else:
                ways.append((found[0], corner))
        ways.sort(key=lambda way: way[0].length_m + 3.0 * way[0].paved_m)
        needed = max(math.ceil(lot.roof_m2[index] / ROOF_PER_LEADER_M2), 1)
        if len(ways) < needed:
            if ways:
                why = (
                    "corners from which water can be led off, and those needed",
                    float(len(ways)),
                    float(needed),
                    "corners",
                    "1,000 ft2 of roof per leader",
                )
            yield Target("gutter", place, middle.x, middle.y, [], why)
            continue
        variants = []
        for chosen in itertools.islice(itertools.combinations(ways, needed), 3):
            rows = tuple(
                DrawnRow(
                    "downspouts",
                    _LED | {"name": f"{name} gutter {i}", "building": row["name"]},
                    shapely.Point(one.x, one.y),
                )
                for i, (one, _) in enumerate(chosen, 1)
            )
            length = sum(one.length_m for one, _ in chosen)
            gutter = float(shape.length) * lot.unit
            variants.append(
                Change("gutter", f"{name} gutter 1", place, chosen[0][0].x, chosen[0][0].y, rows,
                       length, {"gutter_m": gutter, "downspouts": needed})
            )  # fmt: skip
        yield Target("gutter", place, middle.x, middle.y, variants, _NO_WHY)


# --- ground at walls ------------------------------------------------------------------------------


def _regrades(laid: Laid) -> Iterator[Target]:
    """Ground before walls that does not fall away as asked."""
    lot, unit = laid.lot, laid.lot.unit
    keep_off = shapely.union_all([lot.buildings, lot.clear])
    for wall in laid.facades:
        if not math.isfinite(wall.fall_m) or wall.slope >= wall.slope_limit:
            continue
        kind: Remedy = "relevel" if wall.is_paved else "regrade"
        if wall.verdict != "too flat":
            why: Why = ("level first: the data cannot tell whether its ground lacks fall",
                        wall.slope, wall.slope_limit, "1", _OWN_RULE)  # fmt: skip
            yield Target(kind, wall.name, wall.x, wall.y, [], why)
            continue
        (x0, y0), (x1, y1) = wall.line.coords
        east, north = (part * RING_M / unit for part in wall.outward)
        strip = shapely.Polygon(
            [(x0, y0), (x1, y1), (x1 + east, y1 + north), (x0 + east, y0 + north)]
        )
        ground = strip.intersection(lot.lot).difference(keep_off.buffer(1e-6))
        paving = lot.paving
        ground = ground.intersection(paving) if wall.is_paved else ground.difference(paving)
        most, ground, why = _below_sills(laid, ground, wall)
        part = _at_wall(ground, wall.line, unit)
        if part is None or most < _LEAST_RISE_M:
            if why == _NO_WHY:
                why = ("no own ground before this wall that earth may be put on", None, None, "",
                       _OWN_RULE)  # fmt: skip
            yield Target(kind, wall.name, wall.x, wall.y, [], why)
            continue
        name = f"Proposed {kind}"
        fall = _PAVING_FALL if wall.is_paved else RING_FALL
        values = {"name": name, "kind": "regrade", "status": "proposed", "origin": "lotflow",
                  "depth": _in_steps(most), "fall_pct": 100.0 * fall}  # fmt: skip
        row = DrawnRow("earthwork_areas", values, part)
        change = Change(kind, name, wall.name, wall.x, wall.y, (row,),
                        facts={"most_m": most, "slope": wall.slope})  # fmt: skip
        yield Target(kind, wall.name, wall.x, wall.y, [change], why)


def _at_wall(ground: Any, wall: Any, unit: float) -> Any:
    """Largest part of some ground that touches a wall; None where none is worth it."""
    parts = [
        part for part in shapely.get_parts(ground)
        if part.geom_type == "Polygon" and part.area * unit**2 >= _LEAST_AREA_M2
        and part.distance(wall) * unit <= 0.3
    ]  # fmt: skip
    return max(parts, key=lambda part: part.area, default=None)


#: Less ground than this is not worth a machine [m^2].
_LEAST_AREA_M2: Final = 1.5
#: Ground beside an opening that stands too low is left as it is, so far to either side [m].
_BESIDE_OPENING_M: Final = 1.0


def _in_steps(depth: float) -> float:
    """A depth in whole hundredths of a foot: written in feet or metres, it is read as it was."""
    return round(math.floor(depth / 0.003048 + 1e-9) * 0.003048, 6)


def _below_sills(laid: Laid, ground: Any, wall: Facade) -> tuple[float, Any, Why]:
    """How high ground may be raised at a wall, ground without what is too near a low opening."""
    lot, unit = laid.lot, laid.lot.unit
    level = laid.yard.surface.elevation
    most, why, left = MOST_AT_WALL_M, _NO_WHY, ground
    rows = laid.site.openings
    for name, kind, sill, point in zip(
        rows["name"], rows["kind"], rows["sill_m"], rows.geometry, strict=True
    ):
        beside = point.buffer(_BESIDE_OPENING_M / unit)
        if not math.isfinite(sill) or not beside.intersects(ground):
            continue
        if point.distance(wall.line) * unit > _BESIDE_OPENING_M and kind != "AC pad":
            continue
        at = touched_cells([point.buffer(lot.grid.cell_m / unit)], lot.grid)
        at &= ~laid.yard.surface.roof
        if not at.any():
            continue
        keeps = BELOW_PAD_M if kind == "AC pad" else BELOW_SILL_M
        room = float(sill - keeps - level[at].max())
        if room < _LEAST_RISE_M:
            left = left.difference(beside)
            why = (f"ground stays below the sill of {name or kind}", room, _LEAST_RISE_M, "m",
                   "Fort Collins CO: 6 in below a sill; International Residential Code R404.1.6: "
                   "4 in")  # fmt: skip
        else:
            most = min(most, room)
    return most, left, why


# --- low ground -----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Pond:
    """
    Low ground of the lot on which water stands after the storm.

    Parameters
    ----------
    place
        Its name.
    cells
        That it covers when full.
    spill
        Level at which it runs over [m].
    bed
        Flat index of its lowest cell.
    stands_m3
        Water in it on the lot [m^3].
    above_m
        How much higher the low spot that it lies in fills, with its inlets blocked [m].
    """

    place: str
    cells: BoolArray
    spill: float
    bed: int
    stands_m3: float
    above_m: float


def _ponds(laid: Laid) -> list[_Pond]:
    """Low spots of the lot, deep enough for the data to show, with water in them, most first."""
    lot, yard, water = laid.lot, laid.yard, laid.water
    routing, number = water.network.routing, water.network.depression
    spots = lot.ground.low_spots
    counts = yard.lot & yard.believed & ~yard.surface.roof & (spots.number > 0)
    depth = np.where(counts, water.depth, 0.0)
    volume = np.bincount(number.ravel(), depth.ravel()) * lot.grid.cell_m2
    volume[0] = 0.0
    found = []
    for one in np.argsort(-volume, kind="stable")[:_MOST_PONDS].tolist():
        if volume[one] < _LEAST_POND_M3:
            break
        cells = (number == one) & ~yard.surface.roof
        bed = int(np.argmin(np.where(cells & counts, routing.elevation, np.inf)))
        spot = int(spots.number.ravel()[bed])
        spill = float(routing.field.filled.ravel()[bed])
        above = max(float(spots.spill[spot - 1]) - spill, 0.0)
        found.append(_Pond(f"low spot {spot}", cells, spill, bed, float(volume[one]), above))
    return found


#: Less water is a puddle that nobody comes for [m^3].
_LEAST_POND_M3: Final = 0.05
#: A hollow within a hollow is told from it by so much [m].
_WITHIN_M: Final = 0.02


def _fills(laid: Laid) -> Iterator[Target]:
    """Low ground filled to where it runs over."""
    lot, yard, unit = laid.lot, laid.yard, laid.lot.unit
    for pond in _ponds(laid):
        x, y, level = lot.ground.place(pond.bed)
        level = float(yard.surface.elevation.ravel()[pond.bed])
        why = _no_fill(laid, pond, level)
        shape = _outline(pond.cells & yard.lot, lot.grid).intersection(lot.lot)
        shape = shape.difference(shapely.union_all([lot.buildings, lot.clear]))
        part = max(shapely.get_parts(shape), key=lambda one: one.area, default=None)
        if why == _NO_WHY and (part is None or part.area * unit**2 < _LEAST_AREA_M2):
            rule = "roots, buildings or what is kept clear of take its ground"
            why = rule, None, None, "", _OWN_RULE
        if why != _NO_WHY:
            yield Target("fill", pond.place, x, y, [], why)
            continue
        paved = float((pond.cells & yard.paved & yard.lot).sum()) * lot.grid.cell_m2
        name = "Proposed fill"
        values = {"name": name, "kind": "fill", "status": "proposed", "origin": "lotflow"}
        change = Change(
            "fill", name, pond.place, x, y, (DrawnRow("earthwork_areas", values, part),),
            facts={"deep_m": pond.spill - level, "paved_m2": paved},
        )  # fmt: skip
        yield Target("fill", pond.place, x, y, [change], _NO_WHY)


def _no_fill(laid: Laid, pond: _Pond, bed: float) -> Why:
    """Why low ground cannot be filled to its spill."""
    lot, yard = laid.lot, laid.yard
    if pond.above_m > _WITHIN_M:
        return (f"it lies within {pond.place}, which fills higher once its inlets are blocked",
                pond.above_m, 0.0, "m", "lotflow's rule: fill there sheds nothing")  # fmt: skip
    if (deep := pond.spill - bed) > MOST_FILL_M:
        return "low ground is filled 1 ft at most", deep, MOST_FILL_M, "m", "Palo Alto CA"
    beyond = float((pond.cells & ~yard.lot).sum()) * lot.grid.cell_m2
    if beyond > _BEYOND_SHARE * float(pond.cells.sum()) * lot.grid.cell_m2:
        return "part of it lies on another's ground", beyond, 0.0, "m^2", _OWN_RULE
    rows = laid.site.openings
    for name, kind, sill, point in zip(
        rows["name"], rows["kind"], rows["sill_m"], rows.geometry, strict=True
    ):
        near = touched_cells([point.buffer(_BESIDE_OPENING_M / lot.unit)], lot.grid)
        keeps = BELOW_PAD_M if kind == "AC pad" else BELOW_SILL_M
        if math.isfinite(sill) and (near & pond.cells).any() and sill - pond.spill < keeps:
            return (f"filled to where it runs over it comes too near the sill of {name or kind}",
                    float(sill - pond.spill), keeps, "m",
                    "Fort Collins CO: 6 in below a sill")  # fmt: skip
    return _NO_WHY


#: Share of low ground that may lie beyond the lot where its own part is filled.
_BEYOND_SHARE: Final = 0.1


def _outline(cells: BoolArray, grid: Grid) -> Any:
    """Outline of some cells, with their steps cut off, in the grid's CRS."""
    x, y = grid.xy(*np.nonzero(cells))
    half = 0.5 * grid.cell_m / grid.metres_per_unit
    steps = shapely.union_all(shapely.box(x - half, y - half, x + half, y + half))
    # no cell is lost: it is widened by what cutting off takes at most
    return steps.buffer(half).simplify(half)


# --- swales ---------------------------------------------------------------------------------------


def _swales(laid: Laid) -> Iterator[Target]:
    """Swales round a house, and out of low ground in the lawn."""
    lot, yard, unit = laid.lot, laid.yard, laid.lot.unit
    kept = yard.paved | yard.surface.water | yard.kept_out
    kept |= touched_cells(laid.site.constraints.geometry, lot.grid)
    receiver = laid.water.network.routing.receivers().ravel()
    starts = [replace(wall, line=part) for wall in laid.facades for part in _parts_of(wall.line)]
    ways: dict[str, list[Any]] = {}
    for way in swale_ways(
        starts,
        yard.surface,
        receiver,
        lot=lot.lot,
        buildings=lot.buildings,
        kept_clear=kept,
        # whether it may be wrong is asked on surfaces that may be true
        hollows=(lot.ground.low_spots.number > 0) & yard.lot,
        rmse_m=0.0,
    ):
        ways.setdefault(way.wall, []).append(way.line)
    for wall in laid.facades:
        if wall.verdict != "too flat" or not wall.slope < 0:
            continue
        lines = [one for way in ways.get(wall.name, []) if (one := _on_lot(laid, way)) is not None]
        variants = [one for line in lines for one in _swale_variants(laid, wall.name, line)]
        why: Why = (
            "no lower end: no way round the house falls by 1 % on own ground, off walls, paving "
            "and lot line, to where this water runs today", None, LEAST_FALL, "1",
            "Willard OH; International Residential Code R401.3",
        )  # fmt: skip
        yield Target("swale", wall.name, wall.x, wall.y, variants, why)
    free = yard.lot & ~kept & ~yard.surface.roof & ~yard.surface.outside
    free &= polygon_cells(lot.lot.buffer(-LINE_M / unit), lot.grid)
    free &= ~polygon_cells(lot.buildings.buffer(WALL_DISTANCE_M / unit), lot.grid)
    for pond in _ponds(laid):
        x, y = lot.ground.place(pond.bed)[:2]
        line, why = _lead_out(laid, pond, free)
        variants = [] if line is None else _swale_variants(laid, pond.place, line)
        yield Target("swale", pond.place, x, y, variants, why)


def _on_lot(laid: Laid, line: Any) -> Any:
    """A way without its end beside the lot line, where its banks would be another's; or None."""
    lot = laid.lot
    at = shapely.get_coordinates(line)
    off = shapely.distance(shapely.points(at), lot.lot.boundary) * lot.unit >= LINE_M
    number = int(np.flatnonzero(off).max(initial=-1)) + 1
    return shapely.LineString(at[:number]) if number >= _LEAST_POINTS else None


#: Cells of the shortest swale.
_LEAST_POINTS: Final = 3


def _parts_of(wall: Any) -> Iterator[Any]:
    """A wall, and its two ends: a swale begins before the middle of each."""
    yield wall
    for start, end in ((0.0, 0.2), (0.8, 1.0)):
        yield shapely.LineString([wall.interpolate(at, normalized=True) for at in (start, end)])


def _swale_variants(laid: Laid, place: str, line: Any) -> list[Change]:
    """A swale along a way of cells, in several depths; its corners are cut as a spade does."""
    lot = laid.lot
    smooth = line.simplify(0.75 * lot.grid.cell_m / lot.unit)
    walls = lot.buildings.buffer((WALL_DISTANCE_M - 0.1) / lot.unit)
    inside = lot.lot.buffer(-0.5 / lot.unit)
    if smooth.intersects(walls) or smooth.intersects(lot.paving) or not inside.contains(smooth):
        smooth = line
    x, y = shapely.get_coordinates(smooth)[0]
    name, found = "Proposed swale", []
    for depth, fall in itertools.product(SWALE_DEPTHS_M, (_PAVING_FALL, LEAST_FALL)):
        values = {"name": name, "kind": "swale", "status": "proposed", "origin": "lotflow",
                  "depth": depth, "fall_pct": 100.0 * fall, "lining": "grass",
                  "leads_to": "surface"}  # fmt: skip
        found.append(
            Change("swale", name, place, float(x), float(y),
                   (DrawnRow("earthwork_lines", values, smooth),),
                   float(smooth.length) * lot.unit, {"depth_m": depth, "fall": fall})
        )  # fmt: skip
    return found


def _lead_out(laid: Laid, pond: _Pond, free: BoolArray) -> tuple[Any, Why]:
    """Way for a swale from the bed of a pond to own ground from which its water runs on."""
    lot, routing = laid.lot, laid.water.network.routing
    level = laid.yard.surface.elevation
    source = "Willard OH, Elwood IL: 1 % in grass; a swale ends where its water runs on"
    inside = np.where(pond.cells & free, level, np.inf)
    if not np.isfinite(inside).any():
        return None, ("no ground of it may be dug: paving, walls, lot line", None, None, "", source)
    start = int(np.argmin(inside))
    bed = float(level.ravel()[start])
    comes_back = routing.field.labels(pond.cells.astype(np.int32)) > 0
    ends = free & ~comes_back & ~laid.comes_to_wall & (laid.water.network.depression == 0)
    ends &= lot.ground.low_spots.number == 0
    lowest = float(np.min(level, where=ends, initial=np.inf))
    if not lowest < bed:
        short = bed - lowest if np.isfinite(lowest) else None
        return None, (
            "no lower end: all own ground from which water runs on lies higher than its bed",
            short,
            0.0,
            "m",
            source,
        )
    goal = np.where(ends, level - 0.02, np.inf)
    trench = Trenching(level, np.where(free, 1.0, np.inf), np.zeros(level.shape), lot.grid.cell_m)
    rule = LineRule(LEAST_FALL, _DEEPEST_SWALE_M, per_m=0.0, per_depth=2.0, per_bend=0.0)
    way = cheapest_way(trench, start, bed, goal, rule)
    if way is None or len(way.points) < _LEAST_POINTS:
        return None, (
            "no lower end: on no way over own ground does its bed fall by 1 %, cut 18 in "
            "deep at most, off walls, paving and lot line",
            bed - lowest,
            None,
            "m",
            source,
        )
    x, y = lot.grid.xy(way.points[:, 0].astype(int), way.points[:, 1].astype(int))
    return shapely.LineString(np.column_stack([x, y])), _NO_WHY


# --- rain gardens ---------------------------------------------------------------------------------


def _gardens(laid: Laid) -> Iterator[Target]:
    """Rain gardens for downspouts whose water still comes to a wall or stands."""
    lot, yard, unit = laid.lot, laid.yard, laid.lot.unit
    drawn = in_case(laid.site.downspouts, "proposed")
    left = laid.harm()
    if not len(drawn) or not (left.roof_m2 or left.stands_m3 > _LEAST_POND_M3):
        return
    source = "University of Wisconsin Extension; Washington State University, Rain Garden Handbook"
    own = lot.own.geometry.union_all()
    comes, eave = laid.comes_to_wall.ravel(), yard.surface.eave_cell.ravel()
    water = laid.water.depth.ravel()
    for name, (_, row) in zip(downspout_names(drawn), drawn.iterrows(), strict=True):
        foot = row.geometry
        start = eave[lot.cell(foot.x, foot.y)]
        if str(row["leads_to"] or "surface").casefold() != "surface" or row["origin"] == "lotflow":
            continue
        if foot.distance(own) * unit > _OWN_REACH_M or not (comes[start] or water[start] > 0):
            continue
        if lot.soak_rate is None:
            why: Why = (
                "no soak test tells how fast its soil takes water",
                None,
                _GARDEN_H,
                "h",
                source,
            )
            yield Target("rain garden", name, foot.x, foot.y, [], why)
            continue
        depth = min(_GARDEN_DEPTH_M, lot.soak_rate * _GARDEN_H * 3600.0)
        if depth < 0.5 * _GARDEN_DEPTH_M:
            hours = 0.5 * _GARDEN_DEPTH_M / lot.soak_rate / 3600.0 if lot.soak_rate else math.inf
            why = "even 3 in of water take too long to soak away", hours, _GARDEN_H, "h", source
            yield Target("rain garden", name, foot.x, foot.y, [], why)
            continue
        roof = float(row["roof_area_m2"])
        if not math.isfinite(roof):
            roof = max(lot.roof_m2.values(), default=0.0) / max(len(drawn), 1)
        area = float(np.clip(0.3 * roof, *_GARDEN_M2))  # a third of the roof, as in the handbook
        yield _garden(laid, name, foot, (area, depth))


def _garden(laid: Laid, name: str, foot: Any, size: tuple[float, float]) -> Target:
    """A round rain garden for one downspout, as near as it may lie."""
    lot, yard, unit = laid.lot, laid.yard, laid.lot.unit
    area, depth = size
    radius = math.sqrt(area / math.pi)
    room = lot.lot.buffer(-(LET_OUT_M + radius) / unit)
    room = room.difference(lot.buildings.buffer((_GARDEN_WALL_M + radius) / unit))
    room = room.difference(shapely.union_all([lot.paving, lot.clear]).buffer(radius / unit))
    cells = np.flatnonzero(polygon_cells(room, lot.grid) & (laid.water.depth < 0.01))
    source = "University of Wisconsin Extension: 10 ft from the house, slope below 10 %"
    level = yard.surface.elevation.ravel()
    at_foot = level[yard.surface.eave_cell.ravel()[lot.cell(foot.x, foot.y)]]
    x, y = lot.grid.xy(cells // lot.grid.shape[1], cells % lot.grid.shape[1])
    away = np.hypot(x - foot.x, y - foot.y) * unit
    fits = (away <= 15.0) & (level[cells] <= at_foot + _ELBOW_M - _PIPE_FALL * away)
    variants: list[Change] = []
    for i in np.argsort(np.where(fits, away, np.inf), kind="stable")[:40].tolist():
        if not fits[i] or len(variants) == 3:
            break
        disc = shapely.Point(x[i], y[i]).buffer(radius / unit)
        under = polygon_cells(disc, lot.grid)
        tilt = float(np.ptp(yard.surface.elevation[under])) / (2 * radius) if under.any() else 1.0
        way = shapely.LineString([foot, (x[i], y[i])])
        if tilt > _GARDEN_SLOPE or way.intersection(lot.buildings).length * unit > 0.3:
            continue
        title = f"{name}, led off"
        rows = (
            DrawnRow("earthwork_areas", {
                "name": "Proposed rain garden", "kind": "rain garden", "status": "proposed",
                "origin": "lotflow", "depth": _in_steps(depth), "soil_rate": lot.soak_rate}, disc),
            DrawnRow("downspouts", _LED | {"name": title, "replaces": name},
                     shapely.Point(x[i], y[i])),
        )  # fmt: skip
        variants.append(
            Change("rain garden", str(rows[0].values["name"]), name, float(x[i]), float(y[i]),
                   rows, float(away[i]), {"area_m2": area, "depth_m": depth})
        )  # fmt: skip
    why: Why = (
        "no own ground of its size lies low enough, 10 ft off buildings, 5 ft off the lot "
        "line, off paving, roots and standing water",
        None,
        area,
        "m^2",
        source,
    )
    return Target("rain garden", name, foot.x, foot.y, variants, why)


# --- the choice -----------------------------------------------------------------------------------

_FINDERS: Final[Mapping[Remedy, Callable[[Laid], Iterator[Target]]]] = {
    "gutter": _gutters, "downspout": _downspouts, "regrade": _regrades, "fill": _fills,
    "swale": _swales, "rain garden": _gardens,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class SurfaceOption:
    """
    A remedy that is offered.

    Parameters
    ----------
    change
        What is done.
    before, alone
        Harm without any change, and with this one alone.
    on_top_of, after
        Harm with the changes before it, and with it as well.
    """

    change: Change
    before: SurfaceHarm
    alone: SurfaceHarm
    on_top_of: SurfaceHarm
    after: SurfaceHarm


def surface_options(
    lot: SurfaceLot, tell: Callable[[str], None] = lambda _: None
) -> tuple[list[SurfaceOption], list[NotOffered]]:
    """
    Choose changes of the surface, in the order of practice, each on top of those before it.

    Parameters
    ----------
    lot
        As it is drawn.
    tell
        Called with what is being looked at.

    Returns
    -------
    options, refused
        Those that mend something and give no neighbour more water; the others with their rule.
    """
    chosen: list[SurfaceOption] = []
    refused: list[NotOffered] = []
    for finder in _FINDERS.values():
        changes = [one.change for one in chosen]
        for target in finder(lot.laid(changes)):
            tell(f"{target.kind}: {target.place}")
            found = _judged(lot, [one.change for one in chosen], target)
            if isinstance(found, SurfaceOption):
                chosen.append(found)
            else:
                refused.append(found)
    return chosen, refused


def _judged(
    lot: SurfaceLot, chosen: Sequence[Change], target: Target
) -> SurfaceOption | NotOffered:
    """Take the best way to do something at one place; say why none is offered."""
    nothing, base = lot.laid(), lot.laid(chosen)
    harm = base.harm()
    best: tuple[tuple[int, ...], Change, SurfaceHarm] | None = None
    why = target.why
    for change in target.variants:
        after = lot.laid([*chosen, change])
        if (worse := off_lot(nothing, after)) is not None:
            why = (f"more water beyond the lot: {worse[0]}", worse[1], OFF_LOT_M3, "m^3",
                   LIMITS[Kind.LEAVES].source)  # fmt: skip
            continue
        if (met := _met(after, change)) < _LEAST_MET:
            why = (
                "the ground 10 ft out lies too high: share of the strip that can come to fall",
                met,
                _LEAST_MET,
                "1",
                "International Residential Code R401.3; at most 6 in of soil at a wall",
            )
            continue
        then = after.harm(None if change.is_dug else base.facades)
        gain = harm.less(then)
        if best is None or gain > best[0]:
            best = gain, change, then
    if best is None or not _is_worth(best[0]):
        if best is not None:
            why = _mends_nothing(best[0], harm, best[2])
        return NotOffered(target.place, target.x, target.y, target.kind, *why)
    _, change, then = best
    change = _numbered(change, lot, chosen)
    alone = lot.laid([change]).harm()
    return SurfaceOption(change, nothing.harm(), alone, harm, then)


def rebuilt(
    lot: SurfaceLot, options: Sequence[SurfaceOption]
) -> tuple[list[SurfaceOption], list[NotOffered]]:
    """
    Judge options anew, on top of those before, once others among them are left out.

    Parameters
    ----------
    lot
        As it is drawn.
    options
        Those that are left, in their order.

    Returns
    -------
    options, refused
        With their harm as it is then; those that now mend nothing are left out too.
    """
    kept: list[SurfaceOption] = []
    refused: list[NotOffered] = []
    for one in options:
        change, before = one.change, lot.laid([other.change for other in kept]).harm()
        after = lot.laid([*(other.change for other in kept), change]).harm()
        gain = before.less(after)
        if _is_worth(gain):
            kept.append(replace(one, on_top_of=before, after=after))
        else:
            why = _mends_nothing(gain, before, after)
            refused.append(NotOffered(change.place, change.x, change.y, change.kind, *why))
    return kept, refused


def _numbered(change: Change, lot: SurfaceLot, chosen: Sequence[Change]) -> Change:
    """Give an earthwork the first number that is free."""
    if not change.is_dug:
        return change
    taken = {str(name).casefold() for name in lot.site.earthworks["name"].dropna()}
    taken |= {one.name.casefold() for one in chosen}
    name = next(
        name for name in (f"{change.name} {number}" for number in itertools.count(1))
        if name.casefold() not in taken
    )  # fmt: skip
    rows = tuple(
        replace(row, values={**row.values, "name": name})
        if row.table.startswith("earthwork") else row
        for row in change.rows
    )  # fmt: skip
    return replace(change, name=name, rows=rows)


def _is_worth(gain: Sequence[int]) -> bool:
    """Whether a change mends something, and makes nothing worse at openings and walls."""
    at_house = gain[: SurfaceHarm._fields.index("paved_m2")]
    return min(at_house) >= 0 and tuple(gain) > _NO_GAIN


def _met(after: Laid, change: Change) -> float:
    """Share of a regrade that falls as asked once it is done; 1 of all else."""
    names = {row.values["name"] for row in change.rows}
    for edit, before, then in after.works.steps(after.lot.measured_levels):
        if isinstance(edit, RegradeEdit) and edit.work.name in names:
            return edit.share_met(before, then)
    return 1.0


def _mends_nothing(gain: Sequence[int], before: SurfaceHarm, after: SurfaceHarm) -> Why:
    """Say that a change mends nothing, or which row it makes worse first."""
    row = next((i for i, steps in enumerate(gain) if steps < 0), None)
    if row is None:
        return "it mends nothing that can be told", None, None, "", _OWN_RULE
    name, unit = SurfaceHarm._fields[row].rsplit("_", 1)
    return (f"it makes worse: {name.replace('_', ' ')}", after[row], before[row],
            {"m": "m", "m2": "m^2", "m3": "m^3"}[unit], _OWN_RULE)  # fmt: skip


def levels_of(change: Change) -> list[tuple[str, float, float]]:
    """
    Name the levels that decide whether a change works, with their places.

    Parameters
    ----------
    change
        As it is drawn.
    """
    found = [] if change.kind in ("gutter", "swale") else [(_FIRST_LEVEL[change.kind], change.x,
                                                             change.y)]  # fmt: skip
    for row in change.rows:
        at = shapely.get_coordinates(row.shape).tolist()
        if row.table == "downspouts":
            found.append(("ground where the water is let out", at[0][0], at[0][1]))
        elif row.table == "earthwork_lines":
            found.append(("upper end of the swale", at[0][0], at[0][1]))
            found.append(("lower end of the swale", at[-1][0], at[-1][1]))
    return found


_FIRST_LEVEL: Final[Mapping[Remedy, str]] = {
    "downspout": "ground at the downspout", "regrade": "ground at the wall and 10 ft out",
    "relevel": "paving at the wall and at its edge", "fill": "lowest ground, and its edge",
    "rain garden": "ground of the rain garden, and its edge",
}  # fmt: skip
