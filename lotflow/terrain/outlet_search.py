"""
Outlet first: which lower places gravity can reach from a low spot or an inlet, and by what way.

A trench takes the shortest way round buildings and what else must stay. Whether water may be let
out at a place is not judged: that is for local rules and neighbours.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely

from lotflow.terrain.level_error import SPREAD_95, deviation_between
from lotflow.terrain.lower_places import BEYOND_THE_LOT, LowerPlace, open_ground, sampled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.surface import Surface

#: Obstacles in the way with more corners than this in all are not gone round: the search would
#: be slow.
_CORNERS_LIMIT = 400
#: Obstacles beside those in the way count within this many clearances.
_BESIDE = 10.0


class Obstacles:
    """Polygons that a trench goes round, indexed once for many ways."""

    def __init__(self, shapes: Sequence[Any]) -> None:
        self.shapes = np.asarray(shapes, dtype=object)
        self._tree = shapely.STRtree(self.shapes)

    def holding(self, points: NDArray[Any]) -> set[int]:
        """Positions of those that hold one of some points."""
        return set(self._tree.query(points, predicate="within")[1].tolist())

    def met_by(self, line: Any, left_out: set[int]) -> set[int]:
        """Positions of those that a line meets, if it runs through the inside of any."""
        met = [i for i in self._tree.query(line, "intersects").tolist() if i not in left_out]
        if not met:
            return set()
        # together: between two houses with a common wall there is no way
        blocked = shapely.union_all(self.shapes[met])
        return set(met) if _crosses(blocked, np.array([line]))[0] else set()

    def beside(self, some: set[int], distance: float) -> set[int]:
        """Positions of those near some of them: their corners open and close ways too."""
        near = self._tree.query(self.shapes[sorted(some)], "dwithin", distance)[1]
        return set(near.tolist())


def way_round(
    start: tuple[float, float],
    end: tuple[float, float],
    obstacles: Obstacles,
    *,
    clearance: float,
) -> Any:
    """
    Shortest line between two places that crosses no obstacle.

    It turns only at the corners of obstacles, a clearance away from them. Start and end may lie
    closer: a low spot at a wall must be got out of. Obstacles are taken up one after the other as
    they turn out to be in the way, with those close beside them, so that many houses elsewhere cost
    nothing. Of 813 ways round up to four boxes 17 were longer than over the corners of all, by at
    most 4 %.

    An obstacle that holds the start or the end is left out; None where there is no way.

    References
    ----------
    Dijkstra (1959), A note on two problems in connexion with graphs, Numerische Mathematik 1,
    on the visibility graph of the corners.

    Examples
    --------
    >>> house = shapely.box(4, -3, 6, 3)
    >>> way = way_round((0, 0), (10, 0), Obstacles([house]), clearance=1.0)
    >>> [(round(x), round(y)) for x, y in way.coords], round(way.length, 2)
    ([(0, 0), (3, -4), (7, -4), (10, 0)], 14.0)
    """
    way = shapely.LineString([start, end])
    left_out = obstacles.holding(shapely.points([start, end]))
    taken: set[int] = set()
    while met := obstacles.met_by(way, left_out):
        if met <= taken:  # by rounding, where it passes a corner
            return way
        taken |= met | obstacles.beside(met, _BESIDE * clearance) - left_out
        way = _round(start, end, obstacles.shapes[sorted(taken)], clearance)
        if way is None:
            return None
    return way


def _round(
    start: tuple[float, float], end: tuple[float, float], kept: NDArray[Any], clearance: float
) -> Any:
    """Shortest line round all of some obstacles; None where there is none."""
    blocked = shapely.union_all(kept)
    shapely.prepare(blocked)
    corners = _corners(kept, blocked, clearance)
    if corners.shape[0] > _CORNERS_LIMIT:
        return None
    nodes = np.vstack([np.asarray([start, end], dtype=np.float64), corners])
    order = _shortest(nodes, _visible_lengths(nodes, blocked))
    return shapely.LineString(nodes[order]) if order else None


def _crosses(blocked: Any, lines: NDArray[Any]) -> NDArray[np.bool_]:
    """Tell which lines run through the inside of the obstacles; touching is allowed."""
    return np.asarray(shapely.intersects(blocked, lines) & ~shapely.touches(blocked, lines))


def _corners(obstacles: NDArray[Any], blocked: Any, clearance: float) -> NDArray[np.float64]:
    """Corners of the obstacles, a clearance away, that lie in none of them."""
    # the hull, since a shortest way never turns in a recess; mitred, so that corners stay few
    hulls = [shapely.convex_hull(one).simplify(clearance / 4) for one in obstacles]
    around = [shapely.buffer(hull, clearance, join_style="mitre") for hull in hulls]
    points = np.unique(np.vstack([shapely.get_coordinates(one) for one in around]), axis=0)
    return np.asarray(points[~shapely.contains_xy(blocked, points)])


def _visible_lengths(nodes: NDArray[np.float64], blocked: Any) -> NDArray[np.float64]:
    """Distance between every two nodes that see one another; infinite otherwise."""
    count = len(nodes)
    first, second = np.triu_indices(count, k=1)
    lines = shapely.linestrings(np.stack([nodes[first], nodes[second]], axis=1))
    free = ~_crosses(blocked, lines)
    length = np.full((count, count), np.inf)
    length[first[free], second[free]] = shapely.length(lines[free])
    return np.asarray(np.minimum(length, length.T), dtype=np.float64)


def _shortest(nodes: NDArray[np.float64], length: NDArray[np.float64]) -> list[int]:
    """Nodes on the shortest way from node 0 to node 1; empty where there is none."""
    best = np.full(len(nodes), np.inf)
    before = np.full(len(nodes), -1)
    best[0] = 0.0
    queue = [(0.0, 0)]
    while queue:
        so_far, node = heapq.heappop(queue)
        if node == 1:
            break
        if so_far > best[node]:
            continue
        nearer = np.flatnonzero(so_far + length[node] < best)
        best[nearer] = so_far + length[node][nearer]
        before[nearer] = node
        for other in nearer:
            heapq.heappush(queue, (float(best[other]), int(other)))
    if not np.isfinite(best[1]):
        return []
    order = [1]
    while order[-1]:
        order.append(int(before[order[-1]]))
    return order[::-1]


Verdict = Literal["reachable", "cannot tell", "not reachable"]

#: Options that are kept of each low spot and inlet.
KEPT: Final = 3
#: Places of one kind and name of which the way is looked for, nearest in fall first.
_TRIED: Final = 4
#: Places in their order, the more lawful first; drawn outlets come before all of them.
_KINDS: Final = {"street": 1, "water": 1, "lot edge": 2, BEYOND_THE_LOT: 3}
#: Distance a trench keeps from the corners of what it goes round [m].
_CLEARANCE_M: Final = 1.0


@dataclass(frozen=True)
class LeadFrom:
    """
    A low spot or inlet that asks for an outlet.

    Parameters
    ----------
    kind
        "low spot" or "inlet".
    level
        Ground of its deepest point, or rim [m].
    surveyed
        Whether that level was taken on site.
    """

    kind: str
    name: str
    x: float
    y: float
    level: float
    surveyed: bool = False


@dataclass(frozen=True)
class PipeRule:
    """
    The pipe by which a way is judged.

    Parameters
    ----------
    cover_m
        Least ground over its top [m].
    diameter_m
        Its diameter [m].
    least_fall
        Least fall divided by length [-].
    """

    cover_m: float
    diameter_m: float
    least_fall: float

    @property
    def depth_m(self) -> float:
        """Depth of the invert below the ground at its upper end [m]."""
        return self.cover_m + self.diameter_m


@dataclass(frozen=True, eq=False)
class OutletOption:
    """
    One way to lead water to a lower place by a pipe.

    Parameters
    ----------
    way
        Line of the trench in the grid's CRS.
    run_m
        Its length [m].
    surface_fall_m
        From ground or rim to the place [m].
    fall_m
        From the highest invert the cover allows to the place [m].
    left_m
        What is left of it after the least fall over the run [m].
    deviation_m
        Standard deviation of these falls [m].
    deepest_m
        Greatest depth of the invert below the ground with an even fall [m]; NaN without a fall,
        and where it was not asked for.
    off_lot_m
        Length of the way beyond the lot [m].
    """

    start: LeadFrom
    place: LowerPlace
    way: Any
    run_m: float
    surface_fall_m: float
    fall_m: float
    left_m: float
    deviation_m: float
    deepest_m: float = float("nan")
    off_lot_m: float = float("nan")

    @property
    def left_low_m(self) -> float:
        """Lower end of the 95 % interval of what is left [m]."""
        return self.left_m - SPREAD_95 * self.deviation_m

    @property
    def left_high_m(self) -> float:
        """Upper end of the 95 % interval of what is left [m]."""
        return self.left_m + SPREAD_95 * self.deviation_m

    @property
    def verdict(self) -> Verdict:
        """Whether gravity can reach the place, as far as the levels can tell."""
        if self.left_low_m >= 0:
            return "reachable"
        return "not reachable" if self.left_high_m < 0 else "cannot tell"


@dataclass(frozen=True, eq=False)
class SearchGround:
    """
    What a way leads through.

    Parameters
    ----------
    lot
        The lot in the grid's CRS.
    obstacles
        Polygons that a trench goes round.
    """

    surface: Surface
    lot: Any
    obstacles: Sequence[Any]
    error: LevelError

    @cached_property
    def open_ground(self) -> FloatArray:
        """Ground without what is spanned under roofs, NaN there [m]."""
        return open_ground(self.surface)

    @cached_property
    def around(self) -> Obstacles:
        """The obstacles, indexed."""
        return Obstacles(self.obstacles)


def outlet_options(
    start: LeadFrom, places: Sequence[LowerPlace], rule: PipeRule, ground: SearchGround
) -> list[OutletOption]:
    """
    Best ways to lead water from a low spot or inlet to lower places.

    Of every named place one option is looked for. Those that the levels show to be reachable
    come first, drawn outlets before streets and water, these before the lot edge, ground beyond
    the lot last, the shorter before the longer; then the others by the fall that is left.

    Parameters
    ----------
    start
        Low spot or inlet.
    places
        Where water might be led to.
    ground
        What the way leads through.

    Returns
    -------
    options
        At most `KEPT`.
    """
    hoped = _at_best(start, places, rule, ground)
    groups: dict[tuple[str, str], list[int]] = {}
    for position, place in enumerate(places):
        groups.setdefault((place.kind, place.name), []).append(position)
    # most hopeful first: where the straight way could not beat what is found, none is looked for
    promising = [sorted(_promising(group, hoped), key=hoped.rank) for group in groups.values()]
    best: list[OutletOption] = []
    for group in sorted(promising, key=lambda group: hoped.rank(group[0])):
        if len(best) == KEPT and hoped.rank(group[0]) > _rank(best[-1]):
            break
        found: OutletOption | None = None
        for position in group:
            if found is not None and hoped.rank(position) > _rank(found):
                break
            option = _option(start, places[position], rule, ground)
            if option is not None and (found is None or _rank(option) < _rank(found)):
                found = option
        if found is not None:
            best = sorted([*best, found], key=_rank)[:KEPT]
    return [_described(option, ground) for option in best]


@dataclass(frozen=True, eq=False)
class _AtBest:
    """What straight ways to places would give: no way round anything gives more."""

    places: Sequence[LowerPlace]
    run_m: FloatArray
    left_m: FloatArray
    reachable: NDArray[np.bool_]

    def rank(self, position: int) -> tuple[bool, int, float]:
        """As `_rank` of the option, or before it."""
        place = self.places[position]
        return _ranked(
            bool(self.reachable[position]), place.kind, float(self.run_m[position]),
            float(self.left_m[position]),
        )  # fmt: skip


def _at_best(
    start: LeadFrom, places: Sequence[LowerPlace], rule: PipeRule, ground: SearchGround
) -> _AtBest:
    """Judge the straight ways to all places at once."""
    at = np.array([(place.x, place.y, place.level) for place in places]).reshape(-1, 3)
    run = np.hypot(at[:, 0] - start.x, at[:, 1] - start.y) * ground.surface.ground.metres_per_unit
    left = start.level - rule.depth_m - at[:, 2] - rule.least_fall * run
    deviation = [
        _deviation_m(start, place, float(far), ground.error)
        for far, place in zip(run, places, strict=True)
    ]
    return _AtBest(places, run, left, left - SPREAD_95 * np.array(deviation) >= 0)


def _promising(group: list[int], hoped: _AtBest) -> list[int]:
    """Places with the most fall left over the straight way, and the nearest ones."""
    most = sorted(group, key=lambda position: -hoped.left_m[position])
    nearest = sorted(group, key=lambda position: hoped.run_m[position])
    return list(dict.fromkeys(most[:_TRIED] + nearest[:_TRIED]))


def _rank(option: OutletOption) -> tuple[bool, int, float]:
    """Put options in order."""
    reachable = option.verdict == "reachable"
    return _ranked(reachable, option.place.kind, option.run_m, option.left_m)


def lawful_first(option: OutletOption) -> tuple[int, float]:
    """Put options in the order of what may be used, then of the fall that is left."""
    return _KINDS.get(option.place.kind, 0), -option.left_m


def _ranked(reachable: bool, kind: str, run_m: float, left_m: float) -> tuple[bool, int, float]:
    """Reachable ones by kind and length, then the others by the fall that is left."""
    if not reachable:
        return True, 0, -left_m
    return False, _KINDS.get(kind, 0), run_m


def _option(
    start: LeadFrom, place: LowerPlace, rule: PipeRule, ground: SearchGround
) -> OutletOption | None:
    """One way; None where obstacles leave none."""
    unit = ground.surface.ground.metres_per_unit
    way = way_round(
        (start.x, start.y), (place.x, place.y), ground.around, clearance=_CLEARANCE_M / unit
    )
    if way is None:
        return None
    run = float(way.length) * unit
    invert = start.level - rule.depth_m
    straight = float(np.hypot(place.x - start.x, place.y - start.y)) * unit
    return OutletOption(
        start=start,
        place=place,
        way=way,
        run_m=run,
        surface_fall_m=start.level - place.level,
        fall_m=invert - place.level,
        left_m=invert - place.level - rule.least_fall * run,
        deviation_m=_deviation_m(start, place, straight, ground.error),
    )


def _deviation_m(start: LeadFrom, place: LowerPlace, far_m: float, error: LevelError) -> float:
    """Standard deviation of the fall from one to the other [m]."""
    given = error.given.datum
    rim, invert = ("inlets", start.name, "rim_m"), ("outlets", place.name, "invert_m")
    return deviation_between(
        error, far_m, given(rim) if start.surveyed else "ground",
        given(invert) if place.surveyed else "ground", ((start.x, start.y), (place.x, place.y)),
    )  # fmt: skip


def _described(option: OutletOption, ground: SearchGround) -> OutletOption:
    """Add how deep and how far beyond the lot the trench goes."""
    invert = option.place.level + option.fall_m
    return replace(
        option,
        deepest_m=_deepest(option.way, invert, option.place.level, ground),
        off_lot_m=float(option.way.difference(ground.lot).length)
        * ground.surface.ground.metres_per_unit,
    )


def _deepest(way: Any, invert_up: float, invert_down: float, ground: SearchGround) -> float:
    """Greatest depth of an evenly falling pipe below the ground along its way [m]."""
    if invert_up < invert_down:
        return float("nan")
    grid = ground.surface.ground
    share = np.linspace(0.0, 1.0, 2 + int(way.length / grid.transform.a))
    points = shapely.get_coordinates(shapely.line_interpolate_point(way, share, normalized=True))
    depth = sampled(ground.open_ground, grid, points)
    depth = depth - (invert_up + share * (invert_down - invert_up))
    return float(np.nanmax(depth)) if np.isfinite(depth).any() else float("nan")
