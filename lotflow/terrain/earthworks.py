"""
Earthworks as edits of the ground: swales, berms, regraded and filled ground, rain gardens.

What is drawn is laid on the cells once (`laid_earthworks`); each edit is then a pure function of
the ground's levels, so that the measured ground and every surface that may be true are dug alike.
Levels and lengths are in metres; along a line everything is counted from its upper end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.errors import Fault, InputError
from lotflow.layers import EARTHWORK_LINES
from lotflow.layers.drawn import earthworks_in
from lotflow.terrain.cells import cells_from, line_cells, lowest_around, polygon_cells
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.kernels import flooded_levels, nearest_marked
from lotflow.terrain.surface import open_levels
from lotflow.text import did_you_mean
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray
    from lotflow.layers.drawn import Case, Drawn

#: Width of a swale's bed where none is given [m]: a mower's or a spade's work, common practice, no
#: published source.
BED_WIDTH_M: Final = 0.30
#: Width of a berm's top where none is given [m]: common practice, no published source.
TOP_WIDTH_M: Final = 0.60
#: Run to rise of sides where none is given: Fort Collins CO, swales 4:1, practice 3:1.
SIDE: Final = 3.0
#: Ground beside a wall that is to fall away, and by how much: 5 % over 10 ft, International
#: Residential Code 2006, R401.3.
RING_M: Final = 3.048
RING_FALL: Final = 0.05
#: Most that ground is raised at a wall [m]: 6 in; more would bury siding. Code asks that the
#: foundation stands so far out of the ground: International Residential Code, R404.1.6 (from
#: memory).
MOST_AT_WALL_M: Final = 0.1524
#: Fall from the crown of a fill: 1 %, a soil conservation brochure ("Drainage around your home").
CROWN_FALL: Final = 0.01
#: Levels along a line, and across it, are taken at this distance [m].
_STATION_M: Final = 0.25
_ACROSS_M: Final = 0.05
#: A surface that may be true may make a swale so much deeper than the measured one [m].
_DEEPER_M: Final = 1.0
#: Ground that misses its target by less has it [m].
_MET_M: Final = 0.01
#: A fall given and the fall of two levels differ by no more than this, and this share of it.
_FALL_ROUNDING: Final = 0.001
_FALL_SHARE: Final = 0.05
#: What is dug first: ground beside walls; swales last, so that nothing dams them.
_ORDER: Final = ("regrade", "fill", "berm", "rain garden", "swale")
#: What `leads_to` holds where a swale runs out on falling ground.
SURFACE: Final = "surface"


@dataclass(frozen=True, eq=False)
class Earthwork:
    """
    One row of the layer, in SI.

    Parameters
    ----------
    name, kind, status
        As drawn; "proposed" where no status is given.
    row
        In the layer, from 1.
    geometry
        In the grid's CRS.
    depth_m, height_m, width_m, side, fall, level_up_m, level_down_m, soil_rate_m_s
        As the layer has them; NaN where not given, but for width and side.
    lining, leads_to
        As drawn; "grass" and "" where not given.
    """

    name: str
    kind: str
    status: str
    row: int
    geometry: Any
    depth_m: float
    height_m: float
    width_m: float
    side: float
    fall: float
    level_up_m: float
    level_down_m: float
    lining: str
    leads_to: str
    soil_rate_m_s: float

    @property
    def is_line(self) -> bool:
        """Whether it is drawn along a line."""
        return self.kind in EARTHWORK_LINES

    @property
    def is_straight(self) -> bool:
        """Whether the levels of both its ends are given."""
        return not (np.isnan(self.level_up_m) or np.isnan(self.level_down_m))

    @property
    def paved_with(self) -> str:
        """What a swale is lined with; empty where the ground is seeded again."""
        is_seeded = self.kind != "swale" or self.lining in ("grass", "bare soil")
        return "" if is_seeded else self.lining

    @property
    def is_cut_today(self) -> bool:
        """Whether the ground of today has it and the elevation data do not."""
        return self.status == "as built"


def drawn_earthworks(site: Drawn, case: Case | None, metres_per_unit: float) -> list[Earthwork]:
    """
    Read the earthworks of a case, in the order in which they are dug.

    Parameters
    ----------
    site
        Gives earthworks, buildings, and what a swale may lead to.
    case
        Those that are cut into its ground; None for those that exist already.
    metres_per_unit
        Of the CRS.

    Raises
    ------
    InputError
        With everything that cannot be dug as it is drawn.
    """
    frame = site.earthworks
    frame = frame[frame["status"].eq("existing")] if case is None else earthworks_in(frame, case)
    works = [_earthwork(int(index) + 1, row) for index, row in frame.iterrows()]
    faults = [fault for work in works for fault in _faults(work, site, metres_per_unit)]
    if faults:
        raise InputError(faults)
    return sorted(works, key=lambda work: (not work.is_cut_today, _ORDER.index(work.kind)))


def _earthwork(number: int, row: Any) -> Earthwork:
    """Give a row its defaults."""
    width = BED_WIDTH_M if row["kind"] == "swale" else TOP_WIDTH_M
    return Earthwork(
        name=str(row["name"]),
        kind=str(row["kind"]),
        status=str(row["status"] or "proposed"),
        row=number,
        geometry=row["geometry"],
        depth_m=float(row["depth_m"]),
        height_m=float(row["height_m"]),
        width_m=_or(row["width_m"], width),
        side=_or(row["side_slope"], SIDE),
        fall=float(row["fall_pct"]) / 100.0,
        level_up_m=float(row["level_up_m"]),
        level_down_m=float(row["level_down_m"]),
        lining=str(row["lining"] or "grass"),
        leads_to=str(row["leads_to"] or ""),
        soil_rate_m_s=float(row["soil_rate_m_s"]),
    )


def _or(value: Any, default: float) -> float:
    return default if np.isnan(float(value)) else float(value)


def _faults(work: Earthwork, site: Drawn, unit: float) -> list[Fault]:
    """What of a row cannot be dug as it is drawn."""
    found = [*_shape_faults(work, site, unit), *_end_faults(work, site)]
    if not found:
        found = _level_faults(work, unit)
    return found


def _fault(
    work: Earthwork, rule: str, remedy: str, column: str = "", value: object = None
) -> Fault:
    """Build a fault about a row."""
    return Fault(
        rule, remedy, layer="earthworks", row=work.row, column=column or "name",
        value=value if column else work.name,
    )  # fmt: skip


def _shape_faults(work: Earthwork, site: Drawn, unit: float) -> list[Fault]:
    """Kinds drawn as what they are not, and works where a building stands."""
    is_line = work.geometry.geom_type == "LineString"
    if is_line != work.is_line:
        drawn = "a line" if work.is_line else "an area"
        return [_fault(work, f"a {work.kind} is drawn as {drawn}", f"Draw it as {drawn}", "kind",
                       work.kind)]  # fmt: skip
    buildings = site.buildings
    crossed = [
        str(name or f"building {position}")
        for position, (name, shape) in enumerate(
            zip(buildings["name"], buildings.geometry, strict=True), start=1
        )
        if _runs_into(work, shape, unit)
    ]
    if crossed:
        rule = f"this {work.kind} lies under {', '.join(crossed)}"
        return [_fault(work, rule, "Draw it clear of the building")]
    if work.kind == "regrade":
        walls = buildings.geometry.union_all()
        if walls.is_empty or work.geometry.distance(walls) * unit >= RING_M:
            near = both_units(RING_M, "distance")
            rule = f"a regrade lies beside a building; no wall is within {near}"
            return [_fault(work, rule, "Draw it from the wall out, or draw the building")]
    return []


def _runs_into(work: Earthwork, building: Any, unit: float) -> bool:
    """Whether a line, or a rain garden, takes ground of a building; hairs do not count."""
    if work.kind in ("regrade", "fill"):
        return False  # what of it lies under a building is left out
    met = work.geometry.intersection(building)
    size = met.length * unit if work.is_line else np.sqrt(met.area) * unit
    return bool(size > 0.05)


def _end_faults(work: Earthwork, site: Drawn) -> list[Fault]:
    """A lower end that leads to something nobody has drawn, or to itself."""
    if not work.leads_to or work.leads_to.casefold() == SURFACE:
        return []
    works = site.earthworks
    takers = works[works["kind"].isin(("swale", "rain garden")) & (works["name"] != work.name)]
    names = [SURFACE, *site.inlets["name"], *site.outlets["name"], *takers["name"]]
    if work.leads_to in names:
        return []
    rule = f"no inlet, outlet, swale or rain garden is called {work.leads_to!r}"
    return [_fault(work, rule, did_you_mean(work.leads_to, names), "leads_to", work.leads_to)]


def _level_faults(work: Earthwork, unit: float) -> list[Fault]:
    """Depths, levels and falls that are missing or contradict one another."""
    up, down, fall = work.level_up_m, work.level_down_m, work.fall
    no_up, no_down, no_fall, no_depth = np.isnan((up, down, fall, work.depth_m)).tolist()
    straight = not (no_up or no_down)
    if work.kind == "rain garden" and no_depth:
        told = "a rain garden needs its depth", "Give the depth to which water is to stand", "depth"
    elif work.kind == "berm" and np.isnan(work.height_m) and not straight:
        told = ("a berm needs its height, or the levels of its top at both ends",
                "Give one of them", "height")  # fmt: skip
    elif work.kind == "swale" and not straight and no_depth and (no_fall or (no_up and no_down)):
        told = ("a swale needs its depth, the levels of its bed at both ends, or one level and its "
                "fall", "Give one of them", "depth")  # fmt: skip
    elif work.kind == "swale" and straight:
        return _straight_faults(work, up - down, float(work.geometry.length) * unit)
    else:
        return []
    return [_fault(work, *told)]


def _straight_faults(work: Earthwork, drop: float, run: float) -> list[Fault]:
    """A bed whose levels rise, or do not give the fall that is stated."""
    if drop < 0:
        rule = f"the bed rises by {both_units(-drop, 'elevation')}: a swale is drawn downstream"
        remedy = "Turn the line round, or swap the levels"
        return [_fault(work, rule, remedy, "level_down", round(work.level_down_m, 3))]
    off = abs(drop / run - work.fall)
    if off > _FALL_ROUNDING + _FALL_SHARE * work.fall:
        rule = f"the levels of its ends give a fall of {100 * drop / run:.2g} %"
        remedy = "Leave fall_pct empty, or correct it"
        return [_fault(work, rule, remedy, "fall_pct", round(100 * work.fall, 6))]
    return []


@dataclass(frozen=True, eq=False)
class _Sampler:
    """Levels at places between cells, by the four cells round each."""

    index: NDArray[np.int64]
    weight: FloatArray

    @staticmethod
    def at(x: FloatArray, y: FloatArray, grid: Grid) -> _Sampler:
        """Set it up for places in the grid's CRS; beyond the grid its edge counts."""
        rows, columns = grid.shape
        row, column = (part - 0.5 for part in grid.fractional(x, y))
        top = np.clip(np.floor(row).astype(np.int64), 0, rows - 2)
        left = np.clip(np.floor(column).astype(np.int64), 0, columns - 2)
        down, right = np.clip(row - top, 0, 1), np.clip(column - left, 0, 1)
        corner = top * columns + left
        index = np.stack([corner, corner + 1, corner + columns, corner + columns + 1], axis=-1)
        weight = np.stack(
            [(1 - down) * (1 - right), (1 - down) * right, down * (1 - right), down * right],
            axis=-1,
        )
        return _Sampler(index, weight)

    def __call__(self, ground: FloatArray) -> FloatArray:
        """Levels of a ground, one per place."""
        return np.asarray((ground.ravel()[self.index] * self.weight).sum(axis=-1))


@dataclass(frozen=True, eq=False)
class Section:
    """
    A line earthwork in its ground, station by station.

    Parameters
    ----------
    station
        Distance from the upper end [m].
    ground, level
        Level of the ground before, and of the bed or top [m].
    area
        Of the section between them [m^2].
    bank
        Depth of the bed below the lower of its two banks [m]; a berm has none.
    full
        Stations at which a swale is as deep as asked: where it runs out it is not.
    """

    station: FloatArray
    ground: FloatArray
    level: FloatArray
    area: FloatArray
    bank: FloatArray
    full: BoolArray

    @property
    def volume_m3(self) -> float:
        """Cut or filled, by average end area."""
        return average_end_area(self.area, self.station)


def average_end_area(area: FloatArray, station: FloatArray) -> float:
    """
    Volume between sections: the mean of each two areas times the distance between them [m^3].

    Parameters
    ----------
    area
        Of the sections [m^2].
    station
        Where they are, along the line [m].

    References
    ----------
    Ghilani and Wolf, Elementary Surveying, 13th ed., equation 26.1.

    Examples
    --------
    >>> average_end_area(np.array([10.0, 20.0]), np.array([0.0, 30.0]))
    450.0
    """
    return float((0.5 * (area[1:] + area[:-1]) * np.diff(station)).sum())


@dataclass(frozen=True, eq=False)
class LineEdit:
    """
    A swale or berm on the cells of a grid.

    Parameters
    ----------
    work
        As drawn.
    station
        Distances from the upper end at which levels are taken [m].
    sample, across
        Give the ground there, and along lines across it (stations, offsets).
    offset
        Of the places across [m].
    cells, along, away
        Cells near the line: where along it, and how far from it [m].
    touched
        Of them those that the line passes through.
    """

    work: Earthwork
    station: FloatArray
    sample: _Sampler
    across: _Sampler
    offset: FloatArray
    cells: NDArray[np.int64]
    along: FloatArray
    away: FloatArray
    touched: BoolArray

    def levels(self, ground: FloatArray) -> FloatArray:
        """Level of the bed or top at each station, for levels of the ground [m]."""
        return line_levels(self.work, self.station, self.sample(ground))

    def __call__(self, ground: FloatArray) -> FloatArray:
        """Dig it into a ground, or raise it on it [m]."""
        work, result = self.work, ground.copy()
        level = np.interp(self.along, self.station, self.levels(ground))
        beside = np.maximum(self.away - work.width_m / 2, 0.0) / work.side
        beside[self.touched] = 0.0  # or the grid would dam a swale, and leak through a berm
        old = ground.ravel()[self.cells]
        if work.kind == "swale":
            result.ravel()[self.cells] = np.minimum(old, level + beside)
        else:
            result.ravel()[self.cells] = np.maximum(old, level - beside)
        return result

    def section(self, ground: FloatArray) -> Section:
        """Cut it open, station by station, in the ground before it was dug [m]."""
        work, level = self.work, self.levels(ground)
        before, profile = self.sample(ground), self.across(ground)
        beside = np.maximum(np.abs(self.offset) - work.width_m / 2, 0.0) / work.side
        if work.kind == "berm":
            area = _between(profile, level[:, None] - beside, self.offset, -1.0)
            none = np.zeros(level.size)
            return Section(self.station, before, level, area, none, none > 0)
        side = level[:, None] + beside
        area = _between(profile, side, self.offset, 1.0)
        bank = np.minimum(
            _bank(profile[:, self.offset >= 0], side[:, self.offset >= 0]),
            _bank(profile[:, self.offset <= 0][:, ::-1], side[:, self.offset <= 0][:, ::-1]),
        )
        full = before - level >= np.nan_to_num(work.depth_m) - _MET_M
        return Section(self.station, before, level, area, np.maximum(bank - level, 0.0), full)


def _between(profile: FloatArray, side: FloatArray, offset: FloatArray, sign: float) -> FloatArray:
    """Area between a ground and the sides of a section, out to where each side first meets it."""
    height = np.maximum(sign * (profile - side), 0.0)
    middle = int(np.argmin(np.abs(offset)))
    # beyond the first place where a side meets the ground nothing is dug
    right = np.cumprod(height[:, middle:] > 0, axis=1)
    left = np.cumprod(height[:, middle::-1] > 0, axis=1)[:, ::-1]
    kept = height * np.concatenate([left[:, :-1], right], axis=1)
    return np.asarray(np.trapezoid(kept, offset, axis=1))


def _bank(profile: FloatArray, side: FloatArray) -> FloatArray:
    """Level at which a side first meets the ground, going out."""
    met = side >= profile
    first = np.where(met.any(axis=1), met.argmax(axis=1), profile.shape[1] - 1)
    at = np.arange(len(side)), first
    return np.asarray(np.minimum(side[at], profile[at]))


def runs_out(work: Earthwork) -> bool:
    """Whether a swale runs out on falling ground, by its depth and not by a level."""
    return work.leads_to.casefold() == SURFACE and np.isnan(work.level_down_m)


def line_levels(work: Earthwork, station: FloatArray, ground: FloatArray) -> FloatArray:
    """
    Level of a swale's bed, or a berm's top, along its line.

    Between two levels, or from one with a fall, it is straight. Else a bed lies everywhere at
    least its depth below the ground and falls at least as asked (without a fall, it never rises),
    as high as that allows; where it runs out on the ground, its end lies no deeper than the ground
    there, which may take the depth of its lower part. A berm follows the ground.

    Parameters
    ----------
    work
        A swale or berm.
    station
        Distances from the upper end [m].
    ground
        Levels there [m].

    Examples
    --------
    >>> import shapely
    >>> nan = float("nan")
    >>> swale = Earthwork("S", "swale", "proposed", 1, shapely.LineString([(0, 0), (20, 0)]),
    ...                   0.2, nan, 0.3, 3.0, 0.01, nan, nan, "grass", "CB1", nan)
    >>> line_levels(swale, np.array([0.0, 10.0, 20.0]), np.array([5.0, 5.0, 4.0]))
    array([4.8, 4.7, 3.8])
    """
    up, down, fall, length = work.level_up_m, work.level_down_m, work.fall, station[-1]
    if work.kind == "berm":
        if np.isnan(up) or np.isnan(down):
            return ground + work.height_m
        return np.asarray(up + (down - up) * station / length)
    if not np.isnan(down):
        first = down + fall * length if not np.isnan(fall) else ground[0] - work.depth_m
        first = up if not np.isnan(up) else max(first, down)
        return np.asarray(first + (down - first) * station / length)
    if not np.isnan(up) and np.isnan(work.depth_m):
        return np.asarray(up - fall * station)
    highest = ground - work.depth_m
    if not np.isnan(up):
        highest[0] = up
    fallen = np.nan_to_num(fall) * station
    bed = np.minimum.accumulate(highest + fallen) - fallen
    if runs_out(work):
        bed = np.maximum(bed, ground[-1] + fallen[-1] - fallen)
    return np.asarray(bed)


@dataclass(frozen=True, eq=False)
class RegradeEdit:
    """
    Ground raised so that it falls away from a wall, on the cells of a grid.

    Parameters
    ----------
    work
        As drawn.
    cells
        That may be raised.
    foot, wall
        Of each the cell at which the raised ground ends, and the one at the wall.
    rise
        Of each above its foot [m].
    """

    work: Earthwork
    cells: NDArray[np.int64]
    foot: NDArray[np.int64]
    wall: NDArray[np.int64]
    rise: FloatArray

    def _target(self, ground: FloatArray) -> FloatArray:
        return np.asarray(ground.ravel()[self.foot] + self.rise)

    def __call__(self, ground: FloatArray) -> FloatArray:
        """Raise a ground [m]; it is never cut."""
        result, z = ground.copy(), ground.ravel()
        most = _or(self.work.depth_m, MOST_AT_WALL_M)
        target = np.minimum(self._target(ground), z[self.wall] + most)
        result.ravel()[self.cells] = np.maximum(z[self.cells], target)
        return result

    def share_met(self, before: FloatArray, after: FloatArray) -> float:
        """Share of its cells that fall as asked once it is done."""
        met = after.ravel()[self.cells] >= self._target(before) - _MET_M
        return float(met.mean()) if met.size else 0.0


@dataclass(frozen=True, eq=False)
class FillEdit:
    """
    Low ground filled to where it spills, with a crown, on the cells of a grid.

    Parameters
    ----------
    work
        As drawn.
    place
        Window round it.
    inside
        Its own cells of the window: the others are the rim over which they spill.
    most
        Greatest thickness on each cell of the window [m].
    cell_m
        Side of a cell [m].
    """

    work: Earthwork
    place: tuple[slice, slice]
    inside: BoolArray
    most: FloatArray
    cell_m: float

    def __call__(self, ground: FloatArray) -> FloatArray:
        """Fill a ground [m]."""
        result, here = ground.copy(), ground[self.place]
        base = here.min()
        steps = np.rint((here - base) / LEVEL_STEP).astype(np.int32)
        spill = flooded_levels(steps, ~self.inside)
        low = spill > steps
        crown = np.where(low, (cells_from(~low) - 0.5) * self.cell_m, 0.0)
        fall = _or(self.work.fall, CROWN_FALL)
        full = np.where(low, spill * LEVEL_STEP + base + fall * crown, here)
        result[self.place] = np.maximum(here, np.minimum(full, here + self.most))
        return result


@dataclass(frozen=True, eq=False)
class BasinEdit:
    """
    A rain garden on the cells of a grid: a level bed below the lowest ground at its edge.

    Parameters
    ----------
    work
        As drawn.
    cells, rim
        Of its ground, and round it.
    below
        Of each cell how deep its sides let it be dug [m].
    """

    work: Earthwork
    cells: NDArray[np.int64]
    rim: NDArray[np.int64]
    below: FloatArray

    def rim_level(self, ground: FloatArray) -> float:
        """Level of the lowest ground at its edge, over which it spills [m]."""
        return float(ground.ravel()[self.rim].min())

    def __call__(self, ground: FloatArray) -> FloatArray:
        """Dig it into a ground [m]."""
        result = ground.copy()
        bed = self.rim_level(ground) - np.minimum(self.below, self.work.depth_m)
        result.ravel()[self.cells] = np.minimum(ground.ravel()[self.cells], bed)
        return result


Edit = LineEdit | RegradeEdit | FillEdit | BasinEdit


@dataclass(frozen=True, eq=False)
class LaidEarthworks:
    """
    Earthworks on the cells of a grid, in the order in which they are dug.

    Parameters
    ----------
    edits
        One per earthwork.
    """

    edits: tuple[Edit, ...] = ()

    def __call__(self, ground: FloatArray) -> FloatArray:
        """
        Dig all of them into a ground.

        Parameters
        ----------
        ground
            Levels of the grid's cells, finite everywhere [m]; not changed.
        """
        for edit in self.edits:
            ground = edit(ground)
        return ground

    @property
    def beds(self) -> list[tuple[NDArray[np.int64], float]]:
        """Of each rain garden its cells, and how deep water may stand in it [m]."""
        return [
            (edit.cells, edit.work.depth_m) for edit in self.edits if isinstance(edit, BasinEdit)
        ]

    def steps(self, ground: FloatArray) -> list[tuple[Edit, FloatArray, FloatArray]]:
        """
        Give each edit with the ground before and after it.

        Parameters
        ----------
        ground
            As for a call [m].
        """
        found = []
        for edit in self.edits:
            after = edit(ground)
            found.append((edit, ground, after))
            ground = after
        return found


def before_swales(ring: IntArray, works: LaidEarthworks, walls: Any, grid: Grid) -> IntArray:
    """
    Take what lies in or behind a swale, seen from the wall, out of a ring round buildings.

    The swale leads that water past the wall.

    Parameters
    ----------
    ring
        Shape of the grid: number of the wall each cell belongs to; 0 elsewhere.
    works
        What is dug.
    walls
        The buildings as one geometry.
    grid
        The ground.
    """
    # the bed, and every cell that the line touches
    swales = [
        edit.work.geometry.buffer((edit.work.width_m / 2 + grid.cell_m) / grid.metres_per_unit)
        for edit in works.edits
        if edit.work.kind == "swale"
    ]
    if not swales:
        return ring
    cells = np.flatnonzero(ring)
    centre = shapely.points(*grid.xy(cells // grid.shape[1], cells % grid.shape[1]))
    way = shapely.shortest_line(centre, walls)
    behind = shapely.intersects(shapely.union_all(swales), way)
    left = ring.copy()
    left.ravel()[cells[behind]] = 0
    return left


def laid_earthworks(works: Sequence[Earthwork], site: Drawn, grid: Grid) -> LaidEarthworks:
    """
    Lay earthworks on the cells of a grid.

    Ground under buildings, and the roots of trees that are drawn with their outline, are left
    as they are.

    Parameters
    ----------
    works
        From `drawn_earthworks`.
    site
        Gives buildings and trees.
    grid
        Measured ground [m]; decides how far from a swale its sides may reach, nothing else.

    Raises
    ------
    InputError
        If a rain garden has no cell: it holds nothing that could be told.
    """
    if not works:
        return LaidEarthworks()
    ground = open_levels(grid)
    walls = site.buildings.geometry.union_all()
    free = ~polygon_cells(walls, grid) & ~grid.missing
    trees = site.constraints[site.constraints["kind"] == "tree"].geometry
    roots = polygon_cells(trees.union_all(), grid)
    edits: list[Edit] = []
    for work in works:
        edit = _laid(work, grid, ground, walls, free, roots)
        if isinstance(edit, BasinEdit) and not edit.cells.size:
            rule = "no cell of the elevation data lies in this rain garden"
            remedy = "Draw it larger, or where there is elevation; finer data show smaller ones"
            raise InputError(_fault(work, rule, remedy))
        ground = edit(ground)
        edits.append(edit)
    return LaidEarthworks(tuple(edits))


def edited(grid: Grid, works: LaidEarthworks) -> Grid:
    """
    Dig earthworks into a measured ground.

    Parameters
    ----------
    grid
        The ground [m]; missing cells stay missing.
    works
        Laid on it.
    """
    if not works.edits:
        return grid
    return grid.with_values(np.where(grid.missing, np.nan, works(open_levels(grid))))


def _laid(
    work: Earthwork, grid: Grid, ground: FloatArray, walls: Any, free: BoolArray, roots: BoolArray
) -> Edit:
    """Lay one earthwork on the cells."""
    if work.is_line:
        return _laid_line(work, grid, ground, free)
    inside = polygon_cells(work.geometry, grid) & free
    if work.kind == "regrade":
        return _laid_regrade(work, grid, inside & ~roots, walls, free)
    if work.kind == "fill":
        beside = _near_walls(grid, walls, inside) if inside.any() else inside
        return _laid_fill(work, grid, inside, beside, roots)
    cells = np.flatnonzero(inside)
    rim = ~lowest_around(~inside) & ~inside & free
    if not rim.any():
        rim = inside
    x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
    to_edge = shapely.distance(shapely.points(x, y), work.geometry.boundary) * grid.metres_per_unit
    return BasinEdit(work, cells, np.flatnonzero(rim), to_edge / work.side)


def _laid_line(work: Earthwork, grid: Grid, ground: FloatArray, free: BoolArray) -> LineEdit:
    """Lay a swale or berm on the cells; distances are measured on the line as drawn."""
    unit, line = grid.metres_per_unit, work.geometry
    length = line.length * unit
    station = np.linspace(0.0, length, max(int(np.ceil(length / _STATION_M)), 1) + 1)
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, station / unit))
    sample = _Sampler.at(points[:, 0], points[:, 1], grid)
    before = sample(ground)
    levels = line_levels(work, station, before)
    high = float(np.abs(before - levels).max()) + _DEEPER_M
    reach = work.width_m / 2 + work.side * high
    # directions over a short stretch on either side: square to the line, also at a bend
    ahead, behind = (np.clip(station + step, 0.0, length) for step in (_STATION_M, -_STATION_M))
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(line, at / unit))
        for at in (behind, ahead)
    ]
    way = ends[1] - ends[0]
    way /= np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    number = int(np.ceil(reach / _ACROSS_M))
    offset = np.linspace(-reach, reach, 2 * number + 1)
    x = points[:, :1] - way[:, 1:] * offset / unit
    y = points[:, 1:] + way[:, :1] * offset / unit
    touched = np.zeros(grid.shape, dtype=bool)
    touched.ravel()[line_cells(line, grid)] = True
    near = (polygon_cells(line.buffer((reach + grid.cell_m) / unit), grid) | touched) & free
    cells = np.flatnonzero(near)
    centre = shapely.points(*grid.xy(cells // grid.shape[1], cells % grid.shape[1]))
    return LineEdit(
        work, station, sample, _Sampler.at(x, y, grid), offset, cells,
        shapely.line_locate_point(line, centre) * unit, shapely.distance(line, centre) * unit,
        touched.ravel()[cells],
    )  # fmt: skip


def _from_walls(grid: Grid, walls: Any, where: BoolArray) -> FloatArray:
    """Distance of some cells from the nearest wall; infinite elsewhere [m]."""
    cells = np.flatnonzero(where)
    away = np.full(grid.shape, np.inf)
    if not walls.is_empty:
        centre = shapely.points(*grid.xy(cells // grid.shape[1], cells % grid.shape[1]))
        away.ravel()[cells] = shapely.distance(walls, centre) * grid.metres_per_unit
    return away


def _near_walls(grid: Grid, walls: Any, where: BoolArray) -> BoolArray:
    """Cells at a wall: within a cell of it."""
    return np.asarray(_from_walls(grid, walls, where) <= grid.cell_m)


def _laid_regrade(
    work: Earthwork, grid: Grid, inside: BoolArray, walls: Any, free: BoolArray
) -> RegradeEdit:
    """Lay a regrade on the cells within 10 ft of a wall."""
    around = walls.buffer((RING_M + 3 * grid.cell_m) / grid.metres_per_unit)
    away = _from_walls(grid, walls, polygon_cells(around, grid) & free)
    ring = inside & (away <= RING_M)
    beyond = np.isfinite(away) & (away > RING_M)
    cells = np.flatnonzero(ring)
    foot = nearest_marked(beyond).ravel()[cells].astype(np.int64)
    wall = nearest_marked(away <= grid.cell_m).ravel()[cells].astype(np.int64)
    far = away.ravel()
    rise = _or(work.fall, RING_FALL) * np.maximum(far[foot] - far[cells], 0.0)
    return RegradeEdit(work, cells, foot, wall, rise)


def _laid_fill(
    work: Earthwork, grid: Grid, inside: BoolArray, at_wall: BoolArray, roots: BoolArray
) -> FillEdit:
    """Lay a fill on the cells, with a rim of one cell round it over which it spills."""
    rows, columns = np.nonzero(inside)
    shape = grid.shape
    if rows.size:
        place = (slice(max(rows.min() - 2, 0), min(rows.max() + 3, shape[0])),
                 slice(max(columns.min() - 2, 0), min(columns.max() + 3, shape[1])))  # fmt: skip
    else:
        place = slice(0, min(5, shape[0])), slice(0, min(5, shape[1]))
    most = np.where(at_wall[place], MOST_AT_WALL_M, np.inf)
    most = np.where(roots[place], 0.0, np.minimum(most, _or(work.depth_m, np.inf)))
    return FillEdit(work, place, inside[place], most, grid.cell_m)
