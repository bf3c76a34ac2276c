"""
Ring round the house: how the ground falls in the first 10 ft from each facade.

Public elevation data can show that ground is too flat. They cannot show that it is good enough:
a step, a settled strip or a bed of a foot or two is not in them.
"""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely

from lotflow.terrain.level_error import SPREAD_95
from lotflow.terrain.lower_places import compass_name, open_ground, sampled

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.surface import Surface

Verdict = Literal["too flat", "cannot tell", "no fault seen", "too narrow to tell"]

#: Distance over which the ground is to fall away [m]: 10 ft.
RING_M: Final = 3.048
#: Shorter stretches of a footprint are corners and bays, no facades [m].
_LEAST_FACADE_M: Final = 1.5
#: Bends smaller than this do not end a facade [m].
_STRAIGHT_M: Final = 0.1
#: A facade is looked at in parts no longer than this [m]; the worst one counts.
_PART_M: Final = 3.0
#: Distances from a wall that differ by less are one to a tape [m]: as well as a point is placed.
_AS_FAR_M: Final = 0.3
#: With less room than this no fall can be taken [m].
_LEAST_REACH_M: Final = 1.0


@dataclass(frozen=True)
class RingLimits:
    """Least slopes away from a wall [-]: over soil and over paving."""

    soil: float
    paving: float


@dataclass(frozen=True, eq=False)
class Facade:
    """
    A straight stretch of a footprint, and the ground before it.

    Parameters
    ----------
    name, building
        How it and its building are called.
    line
        The wall in the grid's CRS.
    x, y
        Foot of the wall where the ground falls least.
    length_m
        Of the wall [m].
    reach_m
        Distance over which the fall was taken [m].
    is_paved
        Whether most of the ground before it is paved.
    fall_m
        Fall away from the wall over `run_m` [m]; NaN where there is no room or ground.
    run_m
        Distance between the two levels [m].
    deviation_m
        Standard deviation of the fall [m].
    slope_limit
        Least slope [-].
    foot_m
        Distance of the upper level from the wall [m].
    paved_m
        How far from the wall, without a gap, the ground there is paved [m]; endless where all is.
    """

    name: str
    building: str
    line: Any
    x: float
    y: float
    length_m: float
    reach_m: float
    is_paved: bool
    fall_m: float
    run_m: float
    deviation_m: float
    slope_limit: float
    foot_m: float = 0.0
    paved_m: float = np.inf

    @property
    def outward(self) -> tuple[float, float]:
        """Way away from the wall, of length 1: east and north."""
        (x0, y0), (x1, y1) = self.line.coords
        length = float(np.hypot(x1 - x0, y1 - y0))
        return (y1 - y0) / length, (x0 - x1) / length

    @property
    def level_places(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """
        Where the fall is between: east, north and distance from the wall [m], upper and lower.

        NaN where there is no fall.
        """
        if not np.isfinite(self.fall_m):
            return (np.nan, np.nan, np.nan), (np.nan, np.nan, np.nan)
        unit, (east, north) = self.length_m / self.line.length, self.outward
        out_m = self.foot_m + self.run_m
        # a mean of cell centres: a tape is laid out for the 10 ft that are meant
        told = self.reach_m if abs(self.reach_m - out_m) < _AS_FAR_M else out_m
        foot, out = (
            (self.x + east * away / unit, self.y + north * away / unit, away_told)
            for away, away_told in ((self.foot_m, self.foot_m), (out_m, told))
        )
        return foot, out

    @property
    def slope(self) -> float:
        """Fall divided by distance [-]."""
        return self.fall_m / self.run_m

    @property
    def slope_low(self) -> float:
        """Lower end of the 95 % interval of the slope [-]."""
        return (self.fall_m - SPREAD_95 * self.deviation_m) / self.run_m

    @property
    def slope_high(self) -> float:
        """Upper end of the 95 % interval of the slope [-]."""
        return (self.fall_m + SPREAD_95 * self.deviation_m) / self.run_m

    @property
    def verdict(self) -> Verdict:
        """What the levels can tell; that the ground is good enough is never said."""
        if not np.isfinite(self.fall_m):
            return "too narrow to tell"
        if self.slope_high < self.slope_limit:
            return "too flat"
        return "no fault seen" if self.slope_low >= self.slope_limit else "cannot tell"


@dataclass(frozen=True, eq=False)
class RingGround:
    """
    What is known of the ground round a house.

    Parameters
    ----------
    paved
        Cells that are paved.
    lot
        The lot in the grid's CRS: beyond it the ground is not the owner's.
    others
        Other buildings in the grid's CRS, as one geometry.
    """

    surface: Surface
    paved: BoolArray
    lot: Any
    others: Any
    error: LevelError
    limits: RingLimits


def house_facades(building: str, footprint: Any, ground: RingGround) -> list[Facade]:
    """
    Take the fall of the ground before each facade of a building.

    The wall's foot is the first cell centre clear of the footprint. The lower level is the
    lowest within 10 ft, where that lies below the foot and at least a metre out, as a swale does;
    otherwise that 10 ft out. Where the ground beyond rises, a dip within the error of the data is
    no swale. Where another building or the lot line is nearer, it ends there.

    Parameters
    ----------
    footprint
        In the grid's CRS.

    Returns
    -------
    facades
        Anticlockwise round the building.

    References
    ----------
    International Residential Code (2006), R401.3: 6 in within the first 10 ft, 2 % on
    impervious surfaces; where lot lines or other barriers prohibit it, drains or swales.
    """
    unit = ground.surface.ground.metres_per_unit
    found = [
        _facade(building, ends, ground)
        for part in shapely.get_parts(footprint)
        for ends in _straight_stretches(part, unit)
    ]
    return _numbered(found)


def ring_cells(
    facades: Sequence[Facade], footprints: Any, grid: Grid, within: BoolArray
) -> IntArray:
    """
    Number the cells within 10 ft before each facade, from 1 in their order; 0 elsewhere.

    `footprints` is all buildings as one geometry, `within` the cells that count: those of the lot.
    A cell before two facades is the first one's; what lies round a corner, or behind a thin
    building, is before none.
    """
    number = np.zeros(grid.shape, dtype=np.int32)
    reach = RING_M / grid.metres_per_unit
    for position, facade in enumerate(facades, start=1):
        around = facade.line.buffer(reach, cap_style="flat").difference(footprints)
        wide = 0.5 * facade.line.length
        touching = facade.line.buffer(1e-6 * reach)
        before = [
            part for part in shapely.get_parts(around)
            if part.boundary.intersection(touching).length > wide
        ]  # fmt: skip
        if not before:
            continue
        strip = shapely.union_all(before)
        west, south, east, north = strip.bounds
        top, left = grid.row_column(west, north)
        bottom, right = grid.row_column(east, south)
        rows = np.arange(max(top, 0), min(bottom, grid.shape[0] - 1) + 1)
        columns = np.arange(max(left, 0), min(right, grid.shape[1] - 1) + 1)
        if not rows.size or not columns.size:
            continue
        here = np.ix_(rows, columns)
        x, y = grid.xy(rows[:, None] + 0 * columns, columns + 0 * rows[:, None])
        inside = shapely.contains_xy(strip, x, y) & (number[here] == 0) & within[here]
        number[here] = np.where(inside, position, number[here])
    return number


def _straight_stretches(polygon: Any, unit: float) -> Iterator[NDArray[np.float64]]:
    """Ends of each straight stretch, with the outside on the right hand."""
    outline = shapely.orient_polygons(polygon).exterior
    points = shapely.get_coordinates(shapely.simplify(outline, _STRAIGHT_M / unit))
    for start, end in itertools.pairwise(points):
        if np.hypot(*(end - start)) * unit >= _LEAST_FACADE_M:
            yield np.array([start, end])


def _numbered(facades: list[Facade]) -> list[Facade]:
    """Tell facades of the same side apart."""
    often = Counter(facade.name for facade in facades)
    seen: Counter[str] = Counter()
    named = []
    for facade in facades:
        seen[facade.name] += 1
        number = f" {seen[facade.name]}" if often[facade.name] > 1 else ""
        named.append(replace(facade, name=facade.name + number))
    return named


def _facade(building: str, ends: NDArray[np.float64], ground: RingGround) -> Facade:
    """Take the fall before one facade, at the part of it where it is least."""
    unit = ground.surface.ground.metres_per_unit
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    outward = np.array([along[1], -along[0]])
    length = float(np.hypot(*(ends[1] - ends[0]))) * unit
    parts = max(int(np.ceil(length / _PART_M)), 1)
    centres = ends[0] + np.outer((np.arange(parts) + 0.5) / parts, ends[1] - ends[0])
    profiles = [_part_profile(centre, along, outward, length / parts, ground) for centre in centres]
    falls = [_fall(profile, ground) for profile in profiles]
    slopes = [fall / run if np.isfinite(fall) else np.inf for fall, run in falls]
    worst = int(np.argmin(slopes))
    profile, (fall, run) = profiles[worst], falls[worst]
    return Facade(
        name=f"{building}, {compass_name(*outward)} side",
        building=building,
        line=shapely.LineString(ends),
        x=float(centres[worst][0]),
        y=float(centres[worst][1]),
        length_m=length,
        reach_m=profile.reach_m,
        is_paved=profile.is_paved,
        fall_m=fall,
        run_m=run,
        deviation_m=_deviation(profile, run, ground),
        slope_limit=ground.limits.paving if profile.is_paved else ground.limits.soil,
        foot_m=float(profile.distance[np.isfinite(profile.distance)][:1].sum()),
        paved_m=profile.paved_m,
    )


@dataclass(frozen=True, eq=False)
class _Profile:
    """Mean ground before one part of a facade, by distance from the wall."""

    distance: FloatArray
    level: FloatArray
    reach_m: float
    is_paved: bool
    paved_m: float
    centre: NDArray[np.float64]
    outward: NDArray[np.float64]


def _part_profile(
    centre: NDArray[np.float64],
    along: NDArray[np.float64],
    outward: NDArray[np.float64],
    width_m: float,
    ground: RingGround,
) -> _Profile:
    """Average the ground over the width of a part, in steps of a cell away from the wall."""
    grid = ground.surface.ground
    unit, cell = grid.metres_per_unit, grid.cell_m
    reach = _free_reach(centre, outward, ground)
    # half a cell's diagonal: the first centre that is surely clear of the footprint
    distance = np.append(np.arange(0.71 * cell, RING_M, cell), RING_M)
    distance = distance[distance <= reach + 1e-9]
    across = (np.arange(max(round(width_m / cell), 1)) + 0.5) / max(round(width_m / cell), 1) - 0.5
    points = (
        centre
        + (distance[:, None, None] / unit) * outward
        + (across[None, :, None] * width_m / unit) * along
    )
    flat = points.reshape(-1, 2)
    level = sampled(open_ground(ground.surface), grid, flat)
    paved = sampled(ground.paved.astype(np.float64), grid, flat)
    # the level is that of the cell's centre, not of the point
    centres = np.column_stack(grid.xy(*grid.row_column(flat[:, 0], flat[:, 1])))
    away = (centres - centre) @ outward * unit
    shape = points.shape[:2]
    steps = distance
    distance, mean = _means(away.reshape(shape), level.reshape(shape))
    is_paved = bool(np.nansum(paved) > 0.5 * max(np.isfinite(paved).sum(), 1))
    # the cells that the wall runs through are the building's, paved or not
    bare = np.nan_to_num(paved).reshape(shape).mean(axis=1) <= 0.5
    ends = np.flatnonzero(bare & (steps > cell))
    # the first step that is not paved begins half a cell before its centre
    paved_m = max(float(steps[ends[0]]) - cell / 2, 0.0) if ends.size else np.inf
    return _Profile(distance, mean, reach, is_paved, paved_m, centre, outward)


def _deviation(profile: _Profile, run_m: float, ground: RingGround) -> float:
    """Deviation of the fall from the wall's foot over a run [m]."""
    unit = ground.surface.ground.metres_per_unit
    known = profile.distance[np.isfinite(profile.level)]
    foot = float(known[0]) if known.size else 0.0
    one, two = (profile.centre + far / unit * profile.outward for far in (foot, foot + run_m))
    ends = ((float(one[0]), float(one[1])), (float(two[0]), float(two[1])))
    return float(ground.error.of_difference(run_m, ends))


def _means(away: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean distance and level of each row of points, of those whose level is known."""
    known = np.isfinite(level)
    count = known.sum(axis=1)
    nothing = np.full(len(level), np.nan)
    mean = [
        np.divide(
            np.where(known, values, 0.0).sum(axis=1), count, out=nothing.copy(), where=count > 0
        )
        for values in (away, level)
    ]
    return mean[0], mean[1]


def _free_reach(
    centre: NDArray[np.float64], outward: NDArray[np.float64], ground: RingGround
) -> float:
    """Distance to the next building or the lot line, 10 ft at most [m]."""
    unit = ground.surface.ground.metres_per_unit
    # a hair off the wall, which itself may stand on the lot line
    ray = shapely.LineString([centre + outward * 1e-3 / unit, centre + outward * RING_M / unit])
    start = shapely.Point(centre)
    barriers = shapely.union_all([ground.others, ground.lot.boundary])
    met = ray.intersection(barriers)
    return RING_M if met.is_empty else min(RING_M, float(start.distance(met)) * unit)


def _fall(profile: _Profile, ground: RingGround) -> tuple[float, float]:
    """Fall from the foot of the wall, and the distance over which it is taken."""
    known = np.isfinite(profile.level)
    distance, level = profile.distance[known], profile.level[known]
    out = np.flatnonzero(distance - distance[:1] >= _LEAST_REACH_M)
    if profile.reach_m < _LEAST_REACH_M or not out.size:
        return float("nan"), max(profile.reach_m, ground.surface.ground.cell_m)
    lowest = int(out[np.argmin(level[out])])
    last = int(out[-1])
    dip, rise = level[0] - level[lowest], level[last] - level[0]
    to_dip, to_last = (
        _deviation(profile, float(distance[at] - distance[0]), ground) for at in (lowest, last)
    )
    # before ground that rises, a dip no deeper than its deviation is no swale that the data show
    end = lowest if dip > (to_dip if rise > to_last else 0.0) else last
    return float(level[0] - level[end]), float(distance[end] - distance[0])
