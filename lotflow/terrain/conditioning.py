"""
Levels taken on site brought into the ground: into every surface that may be true, and the one used.

Every draw is corrected by what the levels are off from it (Matheron's rule). What a level tells of
the ground beside it follows from the error of the elevation data that neighbours share, not from
the draws: so a draw stays what it is however many are made. The error of each cell alone is no
part of it, since draws have most of it taken off. Kriging the raster itself would keep that error,
and make low spots worse than no level at all (docs/methods.md).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
import shapely

from lotflow.terrain.cells import line_cells
from lotflow.terrain.level_error import LevelError
from lotflow.terrain.shots import CREST_KINDS, offset_weights, precision

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid, SingleArray
    from lotflow.terrain.level_error import Ends, ErrorModel
    from lotflow.terrain.shots import Shots
    from lotflow.terrain.surface import Surface

    CellArray = NDArray[np.int64]

#: A level tells nothing farther away than so many lengths over which the error is shared.
REACH: Final = 4.0
#: A detour round walls counts so many times: ground beyond them is other ground. One round a
#: building counts once: a house stands on one ground, and along the staircase of cells that its
#: wall is every way is a little longer.
_DETOUR: Final = 20.0
#: Ground is as steep as over this distance, for what a place not quite known is worth [m].
_SLOPE_OVER_M: Final = 1.5
#: Ground counts as no steeper [-]: what is, is a wall.
_STEEPEST: Final = 0.5
#: Deviation of a line half-way between two levels 10 m apart [m]: measured on invented swales.
BRIDGE_M: Final = 0.015
#: No level is known better than this, so that covariances can be inverted: to 0.1 mm [m^2].
LEAST_VARIANCE_M2: Final = 1e-8
#: A line is taken for levels this far apart, and every other cell at least [m].
_APART_M: Final = 2.0
#: Parts of a line that lie low; all others are crests.
_BEDS: Final = frozenset({"", "bed", "flow line"})
#: Those of them that lie between lips.
_SWALES: Final = frozenset({"", "bed"})
#: A bed's sides rise by one in this, from half a bottom of this width on [m].
_SIDE: Final = 4.0
_HALF_BOTTOM_M: Final = 0.3
#: How well the lips of a bed of stated depth are known [m].
LIP_M: Final = 0.03


class Drawn(Protocol):
    """Surfaces that may be true, drawn by number: `LikelySurfaces`, and those conditioned."""

    @property
    def are_one(self) -> bool:
        """Whether there is no error, so that all are the measured surface."""
        ...

    def in_turn(self, number: int) -> list[int]:
        """Give draws in the order that keeps several threads busy."""
        ...

    def draw(self, number: int, random: np.random.Generator) -> FloatArray:
        """Draw one surface [m]."""
        ...


# ------------------------------------------------------------------ places on the grid


@dataclass(frozen=True, eq=False)
class Places:
    """
    Places at which the ground is read between the centres of up to four cells.

    Parameters
    ----------
    x, y
        In units of the CRS.
    cells, weights
        Shape (places, 4); weights of a place without open ground are 0.
    """

    x: FloatArray
    y: FloatArray
    cells: CellArray
    weights: FloatArray

    @property
    def are_open(self) -> BoolArray:
        """Whether there is open ground at each place."""
        return np.asarray(self.weights.sum(axis=1) > 0)

    @property
    def nearest(self) -> CellArray:
        """Cell that counts most for each place."""
        return np.asarray(self.cells[np.arange(len(self.x)), self.weights.argmax(axis=1)])

    def read(self, ground: FloatArray) -> FloatArray:
        """Level of a ground at the places; the ground in its shape or flat [m]."""
        return np.asarray((ground.ravel()[self.cells] * self.weights).sum(axis=1))

    def taken(self, which: Sequence[int]) -> Places:
        """Give some of them."""
        some = list(which)
        return Places(self.x[some], self.y[some], self.cells[some], self.weights[some])


def places_on(x: FloatArray, y: FloatArray, surface: Surface) -> Places:
    """
    Find the open cells round places, none across a wall or building.

    Where none of the four round a place is open, the nearest open one within two cells stands for
    them.

    Parameters
    ----------
    x, y
        In units of the CRS.
    surface
        Gives cells without ground, walls and buildings.
    """
    grid = surface.ground
    closed = surface.roof | surface.wall | surface.missing | grid.missing
    row, column = (part - 0.5 for part in grid.fractional(x, y))
    top, left = np.floor(row).astype(int), np.floor(column).astype(int)
    down, right = row - top, column - left
    rows = np.stack([top, top, top + 1, top + 1], axis=1)
    columns = np.stack([left, left + 1, left, left + 1], axis=1)
    weights = np.stack(
        [(1 - down) * (1 - right), (1 - down) * right, down * (1 - right), down * right], axis=1
    )
    weights *= _seen(x, y, rows, columns, grid, closed, surface.barriers)
    cells = np.clip(rows, 0, grid.shape[0] - 1) * grid.shape[1]
    cells = (cells + np.clip(columns, 0, grid.shape[1] - 1)).astype(np.int64)
    for i in np.flatnonzero(weights.max(axis=1) < 1e-9):
        near = np.arange(-2, 3)
        r, c = (
            part.ravel()
            for part in np.meshgrid(near + round(row[i]), near + round(column[i]), indexing="ij")
        )
        seen = _seen(x[[i]], y[[i]], r[None], c[None], grid, closed, surface.barriers)[0]
        away = np.hypot(r - row[i], c - column[i])
        weights[i] = 0.0
        if (seen & (away <= 2)).any():
            best = int(np.argmin(np.where(seen, away, np.inf)))
            cells[i, 0], weights[i, 0] = r[best] * grid.shape[1] + c[best], 1.0
    total = weights.sum(axis=1, keepdims=True)
    return Places(x, y, cells, np.divide(weights, total, out=weights, where=total > 0))


def _seen(
    x: FloatArray,
    y: FloatArray,
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    grid: Grid,
    closed: BoolArray,
    barriers: Sequence[Any],
) -> BoolArray:
    """Whether cells round places are open, with no wall or building between."""
    inside = grid.contains(rows, columns)
    flat = np.where(inside, rows * grid.shape[1] + columns, 0)
    seen = np.asarray(inside & ~closed.ravel()[flat])
    if not len(barriers):
        return seen
    cx, cy = grid.xy(rows, columns)
    from_ = np.stack([np.broadcast_to(x[:, None], cx.shape), np.broadcast_to(y[:, None], cy.shape)])
    ways = np.stack([from_, np.stack([cx, cy])])  # (ends, coordinates, places, cells)
    lines = shapely.linestrings(np.moveaxis(ways, (0, 1), (-2, -1)))
    # a place on the outline itself is not behind it
    shrunk = shapely.union_all([shapely.boundary(b) if b.area else b for b in barriers])
    shapely.prepare(shrunk)
    return np.asarray(seen & ~shapely.crosses(shrunk, lines))


# ------------------------------------------------------------------ what a level tells of others


def taper(away_m: FloatArray | SingleArray, reach_m: float) -> FloatArray:
    """
    Fall from 1 at no distance to 0 from a reach on, so that a covariance stays one.

    References
    ----------
    Gaspari, Cohn (1999), Construction of correlation functions in two and three dimensions,
    Quarterly Journal of the Royal Meteorological Society 125, equation 4.10: from memory.

    Examples
    --------
    >>> taper(np.array([0.0, 10.0, 20.0, 40.0]), 40.0).round(4)
    array([1.    , 0.6849, 0.2083, 0.    ])
    """
    r = np.minimum(np.abs(away_m) / (reach_m / 2), 2.0)
    near = 1 - 5 / 3 * r**2 + 5 / 8 * r**3 + r**4 / 2 - r**5 / 4
    with np.errstate(divide="ignore"):
        far = 4 - 5 * r + 5 / 3 * r**2 + 5 / 8 * r**3 - r**4 / 2 + r**5 / 12 - 2 / (3 * r)
    return np.where(r < 1, near, np.maximum(far, 0.0))


def shared_covariance(error: ErrorModel, away_m: FloatArray | SingleArray) -> FloatArray:
    """Covariance of the part of the error that neighbours share, tapered [m^2]."""
    shared = error.rmse_m**2 * (1 - error.white_share) * error.likeness(away_m)
    return np.asarray(shared * taper(away_m, REACH * error.correlation_m))


@dataclass(frozen=True, eq=False)
class Distances:
    """
    How far cells are from places, and places from one another, round walls and buildings [m].

    Parameters
    ----------
    cells
        Flat indices of those within reach of a place.
    of_cells, between
        Shapes (cells, places) and (places, places); without bounds where there is no way.
    """

    cells: CellArray
    of_cells: SingleArray
    between: FloatArray


def distances(places: Places, surface: Surface, reach_m: float) -> Distances:
    """
    Measure how far ground is from places, round buildings; a detour round walls counts 20 times.

    Parameters
    ----------
    places
        On open ground.
    surface
        Gives walls and buildings.
    reach_m
        Farther ground is left out [m].

    References
    ----------
    Ways round barriers: Dijkstra (1959), over eight neighbours; what is longer than over open
    ground is the detour. To count it twenty times is lotflow's choice, so that ground behind a
    short wall keeps its level as well.
    """
    grid = surface.ground
    cell, (rows, columns) = grid.cell_m, grid.shape
    row, column = (part - 0.5 for part in grid.fractional(places.x, places.y))
    wide = math.ceil(reach_m / cell) + 1
    top, bottom = max(math.floor(row.min()) - wide, 0), min(math.ceil(row.max()) + wide + 1, rows)
    left = max(math.floor(column.min()) - wide, 0)
    right = min(math.ceil(column.max()) + wide + 1, columns)
    r, c = np.mgrid[top:bottom, left:right].astype(np.float32)
    away = np.empty((r.size, len(row)), dtype=np.float32)
    for i in range(len(row)):
        away[:, i] = (cell * np.hypot(r - row[i], c - column[i])).ravel()
    between = cell * np.hypot(row[:, None] - row, column[:, None] - column)
    walls = surface.wall[top:bottom, left:right]
    both = walls | surface.roof[top:bottom, left:right]
    source = places.nearest
    source = (source // columns - top) * (right - left) + source % columns - left
    straight = away.copy() if both.any() else away
    for blocked, counts in ((both, 1.0), (walls, _DETOUR - 1.0)):
        if not blocked.any():
            continue
        for i, detour in enumerate(_detours(blocked, source, cell, reach_m, straight)):
            away[:, i] += counts * detour
            between[i] += counts * detour[source]
    between = np.maximum(between, between.T)
    near = np.flatnonzero((away < reach_m).any(axis=1))
    full = (near // (right - left) + top) * columns + near % (right - left) + left
    return Distances(full.astype(np.int64), away[near], between)


def _detours(
    blocked: BoolArray, source: CellArray, cell_m: float, reach_m: float, away: SingleArray
) -> list[SingleArray]:
    """By how much the way from each source to every cell is longer than over open ground [m]."""
    from scipy.sparse import coo_matrix  # noqa: PLC0415 - only where there are shots
    from scipy.sparse.csgraph import dijkstra  # noqa: PLC0415

    rows, columns = blocked.shape
    index, closed = np.arange(rows * columns).reshape(rows, columns), blocked.ravel()
    ends: list[tuple[Any, Any, float]] = []
    for down, across in ((0, 1), (1, 0), (1, 1), (1, -1)):
        a = index[: rows - down, max(-across, 0) : columns - max(across, 0)].ravel()
        b = index[down:, max(across, 0) : columns + min(across, 0)].ravel()
        free = ~(closed[a] | closed[b])
        ends.append((a[free], b[free], cell_m * math.hypot(down, across)))
    one, two = (np.concatenate([end[k] for end in ends]) for k in (0, 1))
    length = np.concatenate([np.full(len(end[0]), end[2]) for end in ends])
    graph = coo_matrix((length, (one, two)), shape=(rows * columns,) * 2).tocsr()
    walls = np.flatnonzero(closed)
    nothing = np.where(closed, np.float32(np.inf), np.float32(0.0))
    found = []
    for i, start in enumerate(source.tolist()):
        if away[walls, i].min() > reach_m:
            found.append(nothing)
            continue
        way = dijkstra(graph, directed=False, indices=start, limit=1.1 * reach_m)
        r, c = np.divmod(np.arange(rows * columns), columns)
        r, c = np.abs(r - start // columns), np.abs(c - start % columns)
        free = cell_m * (np.maximum(r, c) + (math.sqrt(2) - 1) * np.minimum(r, c))
        found.append(np.maximum(way - free, 0.0).astype(np.float32))
    return found


def slopes(surface: Surface, places: Places) -> FloatArray:
    """Slope of the ground at places, over a metre and a half, at most one in two [-]."""
    from scipy.ndimage import gaussian_filter  # noqa: PLC0415 - only where there are shots

    from lotflow.terrain.realisations.realisation import open_ground  # noqa: PLC0415

    grid = surface.ground
    ground = open_ground(surface).reshape(grid.shape)
    smooth = gaussian_filter(ground, _SLOPE_OVER_M / grid.cell_m)
    steep = np.hypot(*np.gradient(smooth, grid.cell_m))
    return np.minimum(places.read(steep), _STEEPEST)


def reading_variance(shots: Shots, places: Places, surface: Surface) -> FloatArray:
    """Variance of what each level tells of the ground, its place being a little unsure [m^2]."""
    unsure = slopes(surface, places) * shots.placed_within_m
    return np.asarray(shots.deviation_m**2 + unsure**2)


# ------------------------------------------------------------------ lines


@dataclass(frozen=True, eq=False)
class _Course:
    """Cells, and what each takes of the levels along a line."""

    cells: CellArray
    share: FloatArray


@dataclass(frozen=True, eq=False)
class Strip:
    """
    A part of a line, levelled: ground that is known along a course, not at points alone.

    Parameters
    ----------
    name, part
        Of the line.
    places
        As which it is taken for levels.
    share
        What each of them takes of the levels read, shape (places, shots).
    bridge
        Covariance of what is not known between the levels read [m^2].
    which
        Positions of its shots, along it.
    course
        Cells that the line runs through.
    lips
        Those of its lips, where its depth is stated.
    depth_m
        Of a bed below its lips [m]; NaN where it is not stated.
    is_ground
        Whether it tells of the ground beside it; the top of a curb does not.
    """

    name: str
    part: str
    places: Places
    share: FloatArray
    bridge: FloatArray
    which: tuple[int, ...]
    course: _Course
    lips: tuple[_Course, ...]
    depth_m: float
    is_ground: bool


def strips_of(shots: Shots, surface: Surface) -> list[Strip]:
    """
    Lay the lines of some levels on the ground; parts with fewer than two levels are none.

    Parameters
    ----------
    shots
        Those that are believed.
    surface
        Ground, walls and buildings.
    """
    parts: dict[tuple[str, str], list[int]] = {}
    for i, (line, part) in enumerate(zip(shots.line, shots.line_part, strict=True)):
        if line:
            parts.setdefault((line, part), []).append(i)
    found = []
    for (line, part), members in parts.items():
        ordered = sorted(members, key=lambda i: (shots.line_rank[i], i))
        ends = np.column_stack([shots.x[ordered], shots.y[ordered]])
        apart = np.hypot(*np.diff(ends, axis=0).T) if len(ends) > 1 else np.zeros(0)
        ordered = [ordered[0], *(i for i, d in zip(ordered[1:], apart, strict=True) if d > 0)]
        if len(ordered) > 1:
            found.append(_strip(line, part, ordered, shots, surface))
    return _crests_beside_beds(found, surface)


def _strip(line: str, part: str, ordered: list[int], shots: Shots, surface: Surface) -> Strip:
    """Lay one part of a line on the ground."""
    grid = surface.ground
    unit = grid.metres_per_unit
    way = shapely.LineString(np.column_stack([shots.x[ordered], shots.y[ordered]]))
    knots = np.append(0.0, np.cumsum(np.hypot(*np.diff(shapely.get_coordinates(way), axis=0).T)))
    knots *= unit
    spacing = max(2 * grid.cell_m, _APART_M)
    at = np.unique(np.concatenate([knots, np.arange(0.0, knots[-1], spacing)]))
    # a level read right beside one between is that one
    crowded = np.abs(at[:, None] - knots).min(axis=1)
    at = at[(crowded == 0) | (crowded > spacing / 4)]
    points = shapely.get_coordinates(shapely.line_interpolate_point(way, at / unit))
    share = np.array([np.interp(at, knots, unit_) for unit_ in np.eye(len(knots))]).T
    bridge = np.zeros((at.size, at.size))
    for a, b in itertools.pairwise(knots):
        inside = np.flatnonzero((at >= a) & (at <= b))
        s = at[inside] - a
        own = np.minimum.outer(s, s) - np.outer(s, s) / (b - a)
        bridge[np.ix_(inside, inside)] += BRIDGE_M**2 * 4 / 10 * own
    depths = shots.line_depth_m[ordered]
    depth = float(np.nanmean(depths)) if np.isfinite(depths).any() else math.nan
    # of a gutter nobody says on which side its curb stands
    lips = _lips(way, at, depth, surface) if part in _SWALES and depth > 0 else ()
    return Strip(
        line, part, places_on(points[:, 0].copy(), points[:, 1].copy(), surface), share, bridge,
        tuple(ordered), _course(way, way, at, surface), lips, depth,
        is_ground=not any(shots.surface_kind[i] in CREST_KINDS for i in ordered)
        and part not in CREST_KINDS,
    )  # fmt: skip


def _course(drawn: Any, way: Any, at: FloatArray, surface: Surface) -> _Course:
    """Open cells of a line, with the share of each in the levels along the way it goes by."""
    grid = surface.ground
    cells = np.unique(line_cells(drawn, grid))
    cells = cells[~(surface.roof | surface.wall | surface.missing).ravel()[cells]]
    x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
    along = shapely.line_locate_point(way, shapely.points(x, y)) * grid.metres_per_unit
    share = np.array([np.interp(along, at, unit) for unit in np.eye(len(at))]).T
    return _Course(cells.astype(np.int64), share.reshape(len(cells), len(at)))


def _lips(way: Any, at: FloatArray, depth_m: float, surface: Surface) -> tuple[_Course, ...]:
    """
    Courses of the lips of a bed: on its lower side, on both where the ground is level across.

    On the upper side of a slope the ground itself closes the bed, and a lip as high as the lower
    one would keep water out.
    """
    grid = surface.ground
    out_m = max(2 * grid.cell_m, _HALF_BOTTOM_M + _SIDE * depth_m)
    courses, levels = [], []
    for side in (1, -1):
        beside = shapely.offset_curve(way, side * out_m / grid.metres_per_unit)
        course = _course(beside, way, at, surface) if not beside.is_empty else None
        courses.append(course)
        known = course is not None and course.cells.size
        levels.append(float(np.median(surface.ground.values.ravel()[course.cells]))
                      if course is not None and known else math.nan)  # fmt: skip
    across = levels[0] - levels[1]
    if math.isnan(across):
        return tuple(course for course in courses if course is not None and course.cells.size)
    level_across = abs(across) < depth_m / 4
    return tuple(
        course
        for course, side in zip(courses, (1, -1), strict=True)
        if course is not None and (level_across or side * across < 0)
    )


def _crests_beside_beds(strips: list[Strip], surface: Surface) -> list[Strip]:
    """Move a crest off the cells of its own bed, by one cell to its side: both cannot be shown."""
    grid, moved = surface.ground, []
    for strip in strips:
        beds = [s for s in strips if s.name == strip.name and s.part in _BEDS and s is not strip]
        taken = np.concatenate([s.course.cells for s in beds]) if beds else np.zeros(0, np.int64)
        if strip.part in _BEDS or not np.isin(strip.course.cells, taken).any():
            moved.append(strip)
            continue
        way = shapely.LineString(np.column_stack([strip.places.x, strip.places.y]))
        bed = shapely.LineString(np.column_stack([beds[0].places.x, beds[0].places.y]))
        cell, middle = float(grid.transform.a), shapely.centroid(way)
        sides = [shapely.offset_curve(way, side * 1.5 * cell) for side in (1, -1)]
        apart = [shapely.distance(side, bed) if not side.is_empty else -1.0 for side in sides]
        if apart[0] == apart[1]:
            apart = [shapely.distance(side, middle) for side in sides]
        at = np.append(0.0, np.cumsum(np.hypot(np.diff(strip.places.x), np.diff(strip.places.y))))
        beside = _course(sides[int(np.argmax(apart))], way, at * grid.metres_per_unit, surface)
        free = ~np.isin(beside.cells, taken)
        moved.append(replace(strip, course=_Course(beside.cells[free], beside.share[free])))
    return moved


# ------------------------------------------------------------------ the update


@dataclass(frozen=True, eq=False)
class _Set:
    """Cells that are set to a part of the levels along a line."""

    cells: CellArray
    share: FloatArray
    first: int
    last: int
    own: FloatArray
    above_m: float  # NaN for the line itself; its lips lie so far above it at least


@dataclass(frozen=True, eq=False)
class Conditioning:
    """
    What levels do to a ground.

    Parameters
    ----------
    places, level_m, own
        Where the ground is known, to which level [m], and which part of it is above a benchmark
        whose offset is not known.
    root
        Of the covariance of these levels: what it makes of normal numbers is their error [m].
    telling
        Positions of those that tell of the ground beside them.
    cells, across, gain
        Cells within reach, in order; the covariance of each with what tells of it [m^2]; and what
        each takes of what the levels are off by.
    offset, offset_variance
        What each difference counts for in the offset of the benchmark, and how well that is then
        known [m^2]; 0 without one.
    sets
        Cells that lines set.
    shared
        Covariance of the shared error at what tells of the ground [m^2].
    """

    places: Places
    level_m: FloatArray
    own: FloatArray
    root: FloatArray
    telling: NDArray[np.intp]
    cells: CellArray
    across: SingleArray
    gain: SingleArray
    offset: FloatArray
    sets: tuple[_Set, ...]
    offset_variance: float = 0.0
    shared: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))

    def of_better_ground(self, share: float) -> Conditioning:
        """
        Give what the levels do to ground that is known better than by the error of the data.

        Parameters
        ----------
        share
            Standard deviation of that ground, as a share of the stated one.
        """
        if not self.telling.size:
            return self
        own = self.own[self.telling]
        read = (self.root @ self.root.T)[np.ix_(self.telling, self.telling)]
        read += LEAST_VARIANCE_M2 * np.eye(self.telling.size)
        total, across = share**2 * self.shared + read, share**2 * self.across
        offset = offset_weights(total, own)
        return replace(
            self, across=across, gain=(across @ precision(total, own)).astype(np.float32),
            offset=offset, offset_variance=float(offset @ total @ offset),
            shared=share**2 * self.shared,
        )  # fmt: skip

    @property
    def numbers(self) -> int:
        """How many normal numbers an update takes: an error of each level, one of each lip."""
        return len(self.level_m) + len(self.sets)

    def offset_in(self, ground: FloatArray) -> float:
        """What levels of the benchmark lie above a ground that is not yet updated [m]."""
        off = self.level_m - self.places.read(np.asarray(ground, dtype=np.float64))
        return float(self.offset @ off[self.telling])

    def of(self, ground: FloatArray, normal: FloatArray | None = None) -> FloatArray:
        """
        Bring the levels into a ground.

        Parameters
        ----------
        ground
            In its shape [m]; not changed.
        normal
            Normal numbers, as many as `numbers`, for a draw; none for the levels as read.
        """
        made = np.array(ground, dtype=np.float64).ravel()
        level, lifts = self.level_m, np.zeros(len(self.sets))
        if normal is not None:
            level = level + self.root @ normal[: len(level)]
            lifts = LIP_M * normal[len(level) :]
        off = (level - self.places.read(made))[self.telling]
        offset = float(self.offset @ off)
        made[self.cells] += self.gain @ off.astype(np.float32)
        for one, lift in zip(self.sets, lifts, strict=True):
            told = one.share @ (level[one.first : one.last] - offset * one.own)
            if math.isnan(one.above_m):
                made[one.cells] = told
            else:
                made[one.cells] = np.maximum(made[one.cells], told + one.above_m + lift)
        return made.reshape(ground.shape)


def conditioning(
    shots: Shots, surface: Surface, error: ErrorModel, *, beside: BoolArray | None = None
) -> Conditioning | None:
    """
    Prepare to bring levels into grounds; None where no level tells anything.

    Parameters
    ----------
    shots
        Those that are believed.
    surface
        Ground as measured, walls and buildings.
    error
        Of the elevation data.
    beside
        Which of them tell of the ground beside them, where not all do: a line dug since the survey
        does not.

    References
    ----------
    Conditioning by kriging of the difference: Matheron's rule, Chiles and Delfiner (2012),
    Geostatistics, section 7.3, from memory.
    """
    strips = strips_of(shots, surface)
    if beside is not None:
        strips = [
            replace(strip, is_ground=strip.is_ground and bool(beside[list(strip.which)].all()))
            for strip in strips
        ]
    in_strips = {i for strip in strips for i in strip.which}
    alone = [i for i in range(len(shots)) if i not in in_strips and shots.is_ground[i]]
    points = places_on(shots.x[alone], shots.y[alone], surface)
    alone = [i for i, is_open in zip(alone, points.are_open, strict=True) if is_open]
    points = places_on(shots.x[alone], shots.y[alone], surface)
    parts = [points, *(strip.places for strip in strips)]
    places = Places(*(np.concatenate([getattr(one, name) for one in parts])
                      for name in ("x", "y", "cells", "weights")))  # fmt: skip
    if not len(places.x):
        return None
    noise, level, own = _noise(shots, alone, points, strips, surface)
    tells = np.concatenate(
        [np.ones(len(alone), dtype=bool), *(np.full(len(s.places.x), s.is_ground) for s in strips)]
    )
    telling = np.flatnonzero(tells & places.are_open)
    if not telling.size:
        if own.any() or not strips:
            return None
        nothing = np.zeros((0, 0), dtype=np.float32)
        return Conditioning(
            places, level, own, _root(noise), telling, np.zeros(0, dtype=np.int64), nothing,
            nothing, np.zeros(0), tuple(_sets(strips, len(alone), own)),
        )  # fmt: skip
    reach = distances(places.taken(telling.tolist()), surface, REACH * error.correlation_m)
    shared = _definite(shared_covariance(error, reach.between))
    total = shared + noise[np.ix_(telling, telling)] + LEAST_VARIANCE_M2 * np.eye(telling.size)
    across = shared_covariance(error, reach.of_cells)
    gain = (across @ precision(total, own[telling])).astype(np.float32)
    offset = offset_weights(total, own[telling])
    return Conditioning(
        places, level, own, _root(noise), telling, reach.cells, across.astype(np.float32), gain,
        offset, tuple(_sets(strips, len(alone), own)), float(offset @ total @ offset), shared,
    )  # fmt: skip


def _noise(
    shots: Shots, alone: list[int], points: Places, strips: list[Strip], surface: Surface
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Covariance of the levels' own errors, the levels, and their part of an unknown offset."""
    from scipy.linalg import block_diag  # noqa: PLC0415 - only where there are shots

    blocks = [np.diag(reading_variance(shots.taken(alone), points, surface))]
    level, own = [shots.level_m[alone]], [shots.own_datum[alone].astype(float)]
    for strip in strips:
        which = list(strip.which)
        some = shots.taken(which)
        read = reading_variance(some, places_on(some.x, some.y, surface), surface)
        blocks.append(strip.share @ np.diag(read) @ strip.share.T + strip.bridge)
        level.append(strip.share @ shots.level_m[which])
        own.append(strip.share @ shots.own_datum[which].astype(float))
    return block_diag(*blocks), np.concatenate(level), np.concatenate(own)


def _sets(strips: list[Strip], first: int, own: FloatArray) -> list[_Set]:
    """Cells that lines set, crests after beds."""
    found = []
    for strip in strips:
        last = first + len(strip.places.x)
        course = strip.course
        found.append(_Set(course.cells, course.share, first, last, own[first:last], math.nan))
        found += [
            _Set(lip.cells, lip.share, first, last, own[first:last], strip.depth_m)
            for lip in strip.lips
        ]
        first = last
    return found


def _definite(covariance: FloatArray) -> FloatArray:
    """Nearest covariance: ways round walls are no distances on a plane."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    if values.min() >= 0:
        return covariance
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _root(covariance: FloatArray) -> FloatArray:
    """Matrix whose product with its transpose is a covariance."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


@dataclass(frozen=True, eq=False)
class LevelledError(LevelError):
    """
    Error of ground on which levels were taken: smaller near them.

    Parameters
    ----------
    grid
        Of the ground.
    conditioning
        What the levels do to it.
    """

    grid: Grid
    conditioning: Conditioning

    @property
    def of_benchmark_m(self) -> float:
        """Standard deviation of how the benchmark lies to the raster's datum [m]."""
        return math.sqrt(self.conditioning.offset_variance)

    def at(self, x: float, y: float) -> float:
        """Standard deviation of a level at a place [m]."""
        return math.sqrt(self._shared(0.0, (x, y), (x, y)) + self._alone((x, y)))

    def from_benchmark(self, x: float, y: float) -> float:
        """
        Standard deviation of how ground lies to the benchmark it was levelled from [m].

        Where the benchmark lies to the elevation data counts for nothing in it.

        References
        ----------
        Ordinary kriging, whose mean is the unknown offset: Chiles and Delfiner (2012),
        Geostatistics, section 3.4, from memory.
        """
        made = self.conditioning
        cell = self._cell((x, y))
        found = int(np.searchsorted(made.cells, cell))
        is_near = found < len(made.cells) and made.cells[found] == cell
        with_offset = float(made.across[found] @ made.offset) if is_near else 0.0
        variance = self._shared(0.0, (x, y), (x, y)) + made.offset_variance - 2 * with_offset
        return math.sqrt(max(variance, 0.0) + self._alone((x, y)))

    def of_difference(self, distance_m: Any, ends: Ends | None = None) -> FloatArray:
        """
        Standard deviation of the difference of two levels.

        Parameters
        ----------
        distance_m
            Between the two places [m]; a number or an array.
        ends
            The two places; without them it is that of the elevation data.

        References
        ----------
        Covariance of kriging errors: Chiles and Delfiner (2012), Geostatistics, section 3.4, from
        memory.
        """
        if ends is None:
            return super().of_difference(distance_m)
        one, two = ends
        shared = sum(self._shared(0.0, end, end) for end in ends)
        shared -= 2 * self._shared(float(distance_m), one, two)
        alone = sum(self._alone(end) for end in ends)
        return np.asarray(math.sqrt(max(shared, 0.0) + alone))

    def _cell(self, place: tuple[float, float]) -> int:
        """Flat index of the cell of a place; -1 off the grid."""
        row, column = self.grid.row_column(*place)
        return row * self.grid.shape[1] + column if self.grid.contains(row, column) else -1

    def _shared(
        self, distance_m: float, one: tuple[float, float], two: tuple[float, float]
    ) -> float:
        """What is left of the covariance of the shared error at two places [m^2]."""
        made = self.conditioning
        before = (1 - self.white_share) * math.exp(-distance_m / self.correlation_m)
        at = []
        for place in (one, two):
            cell = self._cell(place)
            found = int(np.searchsorted(made.cells, cell))
            if found == len(made.cells) or made.cells[found] != cell:
                return self.rmse_m**2 * before
            at.append(found)
        left = self.rmse_m**2 * before - float(made.gain[at[0]] @ made.across[at[1]])
        return max(left, 0.0) if one == two else left

    def _alone(self, place: tuple[float, float]) -> float:
        """Variance of the error of a cell alone: none is left where its own level was read."""
        is_read = bool(np.isin(self._cell(place), self.conditioning.places.nearest))
        return 0.0 if is_read else self.rmse_m**2 * self.white_share


@dataclass(frozen=True, eq=False)
class ConditionedSurfaces:
    """Surfaces that may be true, given the levels as well."""

    surfaces: Drawn
    conditioning: Conditioning

    @property
    def are_one(self) -> bool:
        """Whether there is no error: then all are the measured surface, with its lines."""
        return self.surfaces.are_one

    def in_turn(self, number: int) -> list[int]:
        """Give draws in the order that keeps several threads busy."""
        return self.surfaces.in_turn(number)

    def draw(self, number: int, random: np.random.Generator) -> FloatArray:
        """
        Draw one surface [m].

        The errors of the levels are drawn after the surface from the same random numbers, so that
        the surface is the one it would be without levels.
        """
        drawn = self.surfaces.draw(number, random)
        if self.are_one:
            return self.conditioning.of(drawn)
        return self.conditioning.of(drawn, random.standard_normal(self.conditioning.numbers))
