"""
Catchments cut into the parts that arrive at different times, each with its longest way.

A catchment has at most two parts. "paved": roofs and pavement from which the water runs to the
inlet over nothing but pavement; it may peak alone, in a short storm. "unpaved": all the rest, which
counts together from the time at which the last of it arrives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.runoff.concentration import PathProfile, PathRules, PathTime
from lotflow.runoff.travel import shallow_flow_velocity
from lotflow.terrain.flow_paths import is_unbroken, path_distance_m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray
    from lotflow.runoff.covers import GroundCover
    from lotflow.terrain.flow_paths import Courses

PART_KINDS: Final = ("paved", "unpaved")

Timed = Callable[[PathProfile], PathTime]


@dataclass(frozen=True, eq=False)
class PartWay:
    """
    The way whose travel time is that of a part.

    Parameters
    ----------
    start
        Flat index of its first cell.
    profile
        Of the way; None where the part lies at the inlet itself and has no length.
    """

    start: int
    profile: PathProfile | None
    time: PathTime

    @property
    def length_m(self) -> float:
        """Length [m]."""
        return 0.0 if self.profile is None else float(self.profile.distance_m[-1])

    @property
    def fall_m(self) -> float:
        """Fall [m]."""
        if self.profile is None:
            return 0.0
        return float(self.profile.elevation_m[0] - self.profile.elevation_m[-1])

    def slope(self, least: float) -> float:
        """Fall divided by length, not below the least slope a formula is given [m/m]."""
        return max(self.fall_m / self.length_m, least) if self.length_m else least


@dataclass(frozen=True, eq=False)
class CatchmentParts:
    """
    Parts of the catchments of targets: "paved" and "unpaved" of the first, the second, ...

    Parameters
    ----------
    cells
        Shape (2 n, kinds of ground): cells of each kind in each part, roofs included.
    ways
        Of each part; None where it has no cells.
    part
        Shape of the grid: part to which the rain of each cell belongs; -1 for none.
    """

    cells: FloatArray
    ways: tuple[PartWay | None, ...]
    part: NDArray[np.int64]

    def longest_way(self, target: int) -> PartWay | None:
        """
        Way of the whole catchment: the slower of its two.

        Parameters
        ----------
        target
            Position of the target, from 0.
        """
        ways = [way for way in self.ways[2 * target : 2 * target + 2] if way is not None]
        return max(ways, key=lambda way: way.time.travel_s, default=None)


def catchment_parts(
    courses: Courses, count: int, cover: GroundCover, timed: Timed
) -> CatchmentParts:
    """
    Cut the catchments of inlets into parts.

    The way of a part is the slowest of two: that of the greatest length, and that of the
    greatest travel time as shallow flow, cell by cell.

    Parameters
    ----------
    timed
        Gives the time of concentration of a way.
    """
    surface = courses.routing.surface
    part = landing_parts(courses, cover, surface.landing)
    part[surface.piped] = -1
    cells = _cells_by_kind(part, cover, 2 * count, surface.share)
    starts = _farthest_starts(courses, cover, part, 2 * count)
    ways = tuple(
        slowest_way(courses, cover, timed, candidates, number // 2 + 1) if cells[number].any()
        else None
        for number, candidates in enumerate(starts)
    )  # fmt: skip
    return CatchmentParts(cells, ways, part)


def landing_parts(courses: Courses, cover: GroundCover, landing: IntArray) -> NDArray[np.int64]:
    """
    Tell to which part the rain of each cell belongs.

    Parameters
    ----------
    landing
        Shape of the grid: flat index of the cell on which the rain of each cell lands.

    Returns
    -------
    part
        Shape of the grid: twice the position of the target, 1 more where unpaved; -1 where the
        rain reaches no target or the cell is missing.
    """
    surface = courses.routing.surface
    label = courses.label.ravel()[landing]
    direct = is_unbroken(courses, cover.paved).ravel()[landing] & cover.paved
    part = 2 * (label.astype(np.int64) - 1) + ~direct
    part[(label == 0) | surface.missing] = -1
    return part


def _cells_by_kind(
    part: NDArray[np.int64], cover: GroundCover, parts: int, share: FloatArray
) -> FloatArray:
    """
    Count the cells of each kind of ground in each part.

    `part` is -1 where a cell belongs to none, `share` the cells' worth of rain it stands for; the
    result has the shape (parts, kinds of ground).
    """
    kinds = len(cover.keys)
    inside = part >= 0
    place = part[inside] * kinds + cover.number[inside]
    cells = np.bincount(place, weights=share[inside], minlength=parts * kinds)
    return cells.reshape(parts, kinds).astype(np.float64)


def _farthest_starts(
    courses: Courses, cover: GroundCover, part: NDArray[np.int64], parts: int
) -> list[list[int]]:
    """Cells from which the way of each part may be the slowest."""
    inside = part >= 0
    landing = courses.routing.surface.landing[inside]
    member = part[inside]
    found: list[list[int]] = [[] for _ in range(parts)]
    for values in (courses.length_m(), _shallow_times(courses, cover)):
        value = values.ravel()[landing]
        most = np.full(parts, -np.inf)
        np.maximum.at(most, member, value)
        # of equally far cells the first by row then column
        first = np.full(parts, values.size, dtype=np.int64)
        is_most = value == most[member]
        np.minimum.at(first, member[is_most], landing[is_most])
        for number in np.flatnonzero(first < values.size).tolist():
            found[number].append(int(first[number]))
    return [list(dict.fromkeys(starts)) for starts in found]


def _shallow_times(courses: Courses, cover: GroundCover) -> FloatArray:
    """Travel time of shallow flow from each cell to its target, step by step [s]."""
    filled = courses.routing.field.filled
    step = courses.step_m()
    fall = filled - filled.ravel()[courses.receiver].reshape(filled.shape)
    slope = np.maximum(fall / step, PathRules().least_slope)
    velocity = shallow_flow_velocity(slope, cover.paved)
    return courses.sums(step / velocity)


def slowest_way(
    courses: Courses, cover: GroundCover, timed: Timed, starts: Sequence[int], target: int
) -> PartWay:
    """
    Time the ways from several cells to a target, and keep the slowest.

    Parameters
    ----------
    timed
        Gives the time of concentration of a way.
    starts
        Flat indices of one or more cells whose water reaches the target.
    """
    ways = [_part_way(courses, cover, timed, start, target) for start in starts]
    return max(ways, key=lambda way: way.time.travel_s)


def _part_way(
    courses: Courses, cover: GroundCover, timed: Timed, start: int, target: int
) -> PartWay:
    """Time the way from one cell."""
    cells = courses.way(start, target)
    if cells.size < 2:
        minimum = PathRules().minimum_s
        return PartWay(start, None, PathTime((), 0.0, minimum, minimum_governs=True))
    profile = _way_profile(courses, cover, cells)
    return PartWay(start, profile, timed(profile))


def travel_bounds(
    courses: Courses, cover: GroundCover, timed: Timed, start: int, targets: Sequence[int]
) -> dict[int, float]:
    """
    Bound the travel times from one cell to several targets on its way, timing only the longest.

    The ways to all of them begin with the same sheet flow: in a longer way it takes as long or
    longer, since rain gets weaker. Behind it the shallow flow to each is timed as by itself.

    Parameters
    ----------
    timed
        Gives the time of concentration of a way.
    start
        Flat index of the cell.

    Returns
    -------
    most
        By number: not less than the travel time [s], but for rounding. Targets that are not on the
        way, or are reached as sheet flow, are left out.
    """
    rules = PathRules()
    cells = courses.way(start, -1)  # to where the water ends
    number, first = np.unique(courses.target.ravel()[cells], return_index=True)
    asked = np.isin(number, targets)
    number, first = number[asked], first[asked]
    if not first.size or first.max() < 1:
        return {}
    profile = _way_profile(courses, cover, cells[: first.max() + 1])
    distance, level = profile.distance_m, profile.elevation_m
    end = rules.sheet_length_m
    behind = distance[first] > end
    if not behind.any():
        return {}
    changes = distance[1:-1][np.diff(profile.paved.astype(int)) != 0]
    cuts = np.append(end, changes[changes > end])
    paved = profile.paved[np.searchsorted(distance, cuts, side="right") - 1]
    at_cuts = np.interp(cuts, distance, level)

    def shallow_s(length: FloatArray, fall: FloatArray, on_pavement: BoolArray) -> FloatArray:
        slope = np.maximum(fall / length, rules.least_slope)
        return np.asarray(length / shallow_flow_velocity(slope, on_pavement))

    stretches = shallow_s(np.diff(cuts), -np.diff(at_cuts), paved[:-1])
    at_cut = timed(profile).segments[0].time_s + np.append(0.0, np.cumsum(stretches))
    last = np.searchsorted(cuts, distance[first[behind]], side="left") - 1
    rest = shallow_s(
        distance[first[behind]] - cuts[last], at_cuts[last] - level[first[behind]], paved[last]
    )
    return dict(zip(number[behind].tolist(), (at_cut[last] + rest).tolist(), strict=True))


def _way_profile(courses: Courses, cover: GroundCover, cells: NDArray[np.int64]) -> PathProfile:
    """Profile of a way over the filled ground; a culvert on it counts as pavement."""
    ground = courses.routing.surface.ground
    in_culvert = courses.through[cells[:-1]] != courses.receiver[cells[:-1]]
    return PathProfile(
        distance_m=path_distance_m(cells, ground.shape[1], ground.cell_m),
        elevation_m=courses.routing.field.filled.ravel()[cells],
        roughness=cover.roughness.ravel()[cells[:-1]],
        paved=cover.paved.ravel()[cells[:-1]] | in_culvert,
    )
