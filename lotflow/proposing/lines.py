"""
A pipe from an inlet to a named end: the cheapest way along which it can fall all the way.

The least-cost path over a raster does not know how deep it has come: it runs over a rise that a
pipe cannot climb. Here a label is a cost and the highest invert that cover and least fall have left
so far; a label counts unless a cheaper one came to its cell as high. The line is then laid as a
trench is dug: few straight legs, turned by fittings, over points beside what stands in the way.
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping, Sequence

    from lotflow.grid import BoolArray, FloatArray

#: Inverts nearer to one another than this are one [m].
_SAME_M: Final = 0.005
#: Turns that fittings on sale make [degrees], and how far a pipe gives way in its joints. Common
#: practice, no published source.
FITTINGS: Final = (22.5, 45.0, 67.5, 90.0)
GIVES_WAY: Final = 4.0
#: No leg between two fittings is shorter [m]: common practice, no published source.
LEAST_LEG_M: Final = 1.0
#: A turn above this is made in a clean-out: International Plumbing Code 708.1.4, as quoted.
CLEANOUT_ABOVE: Final = 45.0
#: Lines join at this angle, by a wye. Common practice, no published source.
WYE: Final = 45.0
#: A drive is crossed square where a leg meets its edge within this of a right angle [degrees].
SQUARE: Final = 26.5
_STEPS: Final = tuple(
    (row, column) for row in (-1, 0, 1) for column in (-1, 0, 1) if (row, column) != (0, 0)
)
#: A leg is looked at so many times in the length of a cell.
_SAMPLES: Final = 4
#: Points of a way of which the legs are chosen; more of them where the first do not do.
_POINTS: Final = (36, 72)
#: How far the inner points of a line are moved until its turns are fittings [m].
_MOVED_M: Final = 1.5
#: How often all of them are moved at most.
_ROUNDS: Final = 4
#: A leg that runs neither along nor square to the walls costs so much more: where all else is
#: equal lines lie along walls.
_ASKEW: Final = 0.02
#: So much more a line may cost that has one turn less where that was hardly any.
_STRAIGHT: Final = 0.03
#: Points beside the way that legs are tried between, at most, and legs that are tried.
_LEGS_TRIED: Final = 6000


@dataclass(frozen=True)
class LineRule:
    """
    What a line must keep, and what it takes.

    Costs are relative: a metre of trench in lawn, as shallow as it may be, is about 1.

    Parameters
    ----------
    least_fall
        Fall divided by length [-].
    deepest_m
        Greatest depth of the invert below the ground [m].
    per_m, per_depth, per_bend
        Cost of a metre of pipe, of a metre of trench per metre of depth, of a fitting.
    per_aslant
        Cost of an edge of paving that is not crossed square.
    """

    least_fall: float
    deepest_m: float
    per_m: float = 0.15
    per_depth: float = 1.2
    per_bend: float = 0.6
    per_aslant: float = 2.0


@dataclass(frozen=True, eq=False)
class Trenching:
    """
    The ground that lines are laid in; arrays have the shape of the grid.

    Parameters
    ----------
    level
        Ground [m].
    cost
        Cost of a metre of trench for what covers the ground; infinite where none may be dug.
    least_depth
        Least depth of the invert below the ground [m]: cover and pipe; less where it comes out.
    cell_m
        Side of a cell [m].
    deepest
        Greatest depth of the invert where it is less than that of the rule, as beside footings
        [m]; None for nowhere.
    paved
        Cells of drives and other paving, whose edges are crossed square; None for none.
    walls
        Direction of the walls that lines lie along, in the angles of `_heading`; NaN for none.
    points
        Shape (n, 2): points beside what stands in the way, between which legs are tried.
    """

    level: FloatArray
    cost: FloatArray
    least_depth: FloatArray
    cell_m: float
    deepest: FloatArray | None = None
    paved: BoolArray | None = None
    walls: float = math.nan
    points: FloatArray = field(default_factory=lambda: np.empty((0, 2)))

    def limit(self, rule: LineRule) -> FloatArray:
        """Greatest depth of the invert in each cell [m]."""
        if self.deepest is None:
            return np.full(self.level.shape, rule.deepest_m)
        return np.minimum(self.deepest, rule.deepest_m)

    @cached_property
    def edges(self) -> FloatArray:
        """Direction square to the edge of paving, in the angles of `_heading`; NaN elsewhere."""
        from scipy.ndimage import gaussian_filter  # noqa: PLC0415 - slow to import

        if self.paved is None:
            return np.full(self.level.shape, np.nan)
        # over some cells, since the steps of a raster are no edge
        down, right = np.gradient(gaussian_filter(self.paved.astype(float), 2.0))
        square = np.degrees(np.arctan2(down, right))
        return np.asarray(np.where(np.hypot(down, right) > 1e-3, square, np.nan))


@dataclass(frozen=True, eq=False)
class Way:
    """
    A line as a row of points.

    Parameters
    ----------
    points
        Shape (n, 2): row and column, in fractions of cells.
    inverts
        At each point the highest invert possible [m].
    cost
        Of all of it, fittings included.
    """

    points: FloatArray
    inverts: FloatArray
    cost: float

    @property
    def turns(self) -> list[float]:
        """Turn at each inner point [degrees]."""
        return _turns(self.points)

    @property
    def bends(self) -> int:
        """Number of fittings."""
        return sum(turn > GIVES_WAY for turn in self.turns)


def cheapest_way(
    ground: Trenching, start: int, invert: float, goal: FloatArray, rule: LineRule
) -> Way | None:
    """
    Find the cheapest way of cells along which a line falls to a goal.

    Parameters
    ----------
    ground
        What it is laid in.
    start, invert
        Flat index of the cell it begins in, and its invert there at most [m].
    goal
        Shape of the grid: level which the invert may not lie below where the line ends [m];
        infinite where it may not end.
    rule
        What it must keep.

    Returns
    -------
    way
        Cell by cell, without fittings; None where there is none.

    References
    ----------
    Labels of two criteria: Hansen (1980), Bicriterion path problems, Lecture Notes in Economics
    and Mathematical Systems 177, from memory.

    Examples
    --------
    On level ground a line of 1 % reaches 6 m from its least depth of 0.4 m to a ditch 0.46 m deep:

    >>> flat = np.full((1, 9), 10.0)
    >>> ground = Trenching(flat, np.ones((1, 9)), np.full((1, 9), 0.4), 1.0)
    >>> goal = np.full((1, 9), np.inf)
    >>> goal[0, 6] = 9.54
    >>> way = cheapest_way(ground, 0, 9.6, goal, LineRule(0.01, 1.5))
    >>> way.inverts.round(2)
    array([9.6 , 9.59, 9.58, 9.57, 9.56, 9.55, 9.54])
    >>> goal[0, 6] = 9.55
    >>> cheapest_way(ground, 0, 9.6, goal, LineRule(0.01, 1.5)) is None
    True
    """
    rows, columns = ground.level.shape
    level, cost = ground.level.ravel().tolist(), ground.cost.ravel().tolist()
    highest = (ground.level - ground.least_depth).ravel().tolist()
    ends, limit = goal.ravel().tolist(), ground.limit(rule).ravel().tolist()
    steps = [(r, c, math.hypot(r, c) * ground.cell_m) for r, c in _STEPS]
    best = [-math.inf] * len(level)
    invert = min(invert, highest[start])
    if not (math.isfinite(cost[start]) and level[start] - invert <= limit[start]):
        return None
    labels: list[tuple[int, float, int]] = [(start, invert, -1)]
    heap = [(0.0, 0)]
    while heap:
        so_far, number = heapq.heappop(heap)
        cell, here, _ = labels[number]
        if here <= best[cell] + (_SAME_M if best[cell] > -math.inf else 0.0):
            continue
        best[cell] = here
        if here >= ends[cell] - 1e-9:
            return _traced(labels, number, columns, so_far)
        row, column = divmod(cell, columns)
        for down, right, step in steps:
            if not (0 <= row + down < rows and 0 <= column + right < columns):
                continue
            other = cell + down * columns + right
            if cost[other] == math.inf:
                continue
            there = min(here - rule.least_fall * step, highest[other])
            depth = level[other] - there
            if depth > limit[other] or there <= best[other] + _SAME_M:
                continue
            spent = step * (
                0.5 * (cost[cell] + cost[other]) + rule.per_m
                + rule.per_depth * 0.5 * (depth + level[cell] - here)
            )  # fmt: skip
            heapq.heappush(heap, (so_far + spent, len(labels)))
            labels.append((other, there, number))
    return None


def _traced(labels: list[tuple[int, float, int]], number: int, columns: int, cost: float) -> Way:
    """Go back from a label to the start."""
    cells, inverts = [], []
    while number >= 0:
        cell, invert, number = labels[number]
        cells.append(divmod(cell, columns))
        inverts.append(invert)
    points = np.array(cells[::-1], dtype=float)
    return Way(points, np.array(inverts[::-1]), cost)


def laid(ground: Trenching, points: FloatArray, invert: float, rule: LineRule) -> Way | None:
    """
    Lay a line of straight legs as high as it may lie; None where it cannot be.

    Parameters
    ----------
    ground
        What it is laid in.
    points
        Shape (n, 2): row and column.
    invert
        At its upper end, at most [m].
    rule
        What it must keep.
    """
    inverts, cost = [invert], 0.0
    for first, second in itertools.pairwise(points):
        leg = _leg(ground, first, second, inverts[-1], rule)
        if leg is None:
            return None
        cost += leg[0]
        inverts.append(leg[1])
    cost += _bends_cost(_turns(points), rule)
    return Way(np.asarray(points, dtype=float), np.array(inverts), cost)


def _leg(
    ground: Trenching, first: FloatArray, second: FloatArray, invert: float, rule: LineRule
) -> tuple[float, float] | None:
    """Cost of a straight leg from an invert, and the invert at its end; None where it cannot be."""
    down, right = float(second[0] - first[0]), float(second[1] - first[1])
    cells = math.hypot(down, right)
    count = max(math.ceil(_SAMPLES * cells), 1)
    share = np.linspace(0.0, 1.0, count + 1)
    row = np.rint(first[0] + share * down).astype(np.intp)
    column = np.rint(first[1] + share * right).astype(np.intp)
    cost = ground.cost[row, column]
    if not np.isfinite(cost).all():
        return None
    fallen = rule.least_fall * cells * ground.cell_m * share
    level = ground.level[row, column]
    may = level - ground.least_depth[row, column]
    may[0] = min(may[0], invert)
    inverts = np.minimum.accumulate(may + fallen) - fallen
    depth = level - inverts
    limit: FloatArray | float = rule.deepest_m
    if ground.deepest is not None:
        limit = np.minimum(ground.deepest[row, column], rule.deepest_m)
    if (depth > limit + 1e-9).any():
        return None
    each = cost + rule.per_m + rule.per_depth * depth
    step = cells * ground.cell_m / count
    spent = float((each[1:] + each[:-1]).sum() * 0.5 * step)
    heading = math.degrees(math.atan2(down, right))
    if not math.isnan(ground.walls) and _apart(heading, ground.walls, 90.0) > GIVES_WAY:
        spent *= 1.0 + _ASKEW
    if ground.paved is not None:
        paved = ground.paved[row, column]
        for at in np.flatnonzero(paved[1:] != paved[:-1]):
            square = ground.edges[row[at], column[at]]
            if _apart(heading, float(square), 180.0) > SQUARE:  # False where there is no edge
                spent += rule.per_aslant
    return spent, float(inverts[-1])


def _apart(first: float, second: float, turn: float) -> float:
    """Angle between two directions that are the same again after a turn [degrees]."""
    return abs((first - second + turn / 2) % turn - turn / 2)


def _turns(points: FloatArray) -> list[float]:
    """Turn at each inner point of a line [degrees]."""
    along = np.diff(np.asarray(points, dtype=float), axis=0)
    heading = np.degrees(np.arctan2(along[:, 0], along[:, 1]))
    return [float(turn) for turn in np.abs((np.diff(heading) + 180.0) % 360.0 - 180.0)]


@dataclass(frozen=True, eq=False)
class Goal:
    """
    Where a line may end.

    Parameters
    ----------
    point
        Row and column.
    level
        Level which the invert may not lie below there [m].
    approach
        Shape (n, 2): points of which the last leg comes from one, as to a wye; empty for any way.
    cost
        Of joining there.
    key
        What it is to the caller.
    """

    point: FloatArray
    level: float
    approach: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    cost: float = 0.0
    key: Hashable = None


def best_line(
    ground: Trenching, start: int, invert: float, goals: Sequence[Goal], rule: LineRule
) -> tuple[Way, Goal] | None:
    """
    Lay the cheapest line to one of some goals: straight legs, turned by fittings.

    Where a pipe can fall at all is told by the way of cells. Legs between points beside what
    stands in the way are mostly cheaper than those along that way; where there are none, those
    along it are drawn.

    Parameters
    ----------
    ground
        What it is laid in.
    start, invert
        As for `cheapest_way`.
    goals
        Where it may end.
    rule
        What it must keep.

    Returns
    -------
    line, goal
        None where no line falls to any of them.
    """
    found = to_cells(ground, start, invert, goals, rule)
    if found is None:
        return None
    way, goal = found
    invert = float(way.inverts[0])
    ways: list[tuple[Way, Goal]] = []
    drawn = straightened(ground, way, goal, rule)
    if drawn is not None:
        ways.append((drawn, goal))
    most = drawn.cost + goal.cost if drawn is not None else math.inf
    over = _over_points(ground, divmod(start, ground.level.shape[1]), invert, goals, rule, most)
    if over is not None:
        ways.append((_fitted(ground, over[0], invert, over[1], rule), over[1]))
    return min(ways, key=lambda one: _worth(one[0]) + one[1].cost) if ways else None


def to_cells(
    ground: Trenching, start: int, invert: float, goals: Sequence[Goal], rule: LineRule
) -> tuple[Way, Goal] | None:
    """
    Find the cheapest way of cells to one of some goals.

    Parameters
    ----------
    ground, start, invert, goals, rule
        As for `best_line`.
    """
    ends = np.full(ground.level.shape, np.inf)
    which: dict[tuple[int, int], Goal] = {}
    for goal in goals:
        for point in goal.approach if len(goal.approach) else [goal.point]:
            level = goal.level
            if len(goal.approach):
                level = _level_before(ground, point, goal, rule)
            row, column = (int(value) for value in np.rint(point))
            if level < ends[row, column]:
                ends[row, column] = level
                which[row, column] = goal
    way = cheapest_way(ground, start, invert, ends, rule)
    if way is None:
        return None
    row, column = way.points[-1].astype(int)
    return way, which[int(row), int(column)]


def _level_before(ground: Trenching, point: FloatArray, goal: Goal, rule: LineRule) -> float:
    """Least invert from which the last leg still comes in at its goal; infinite for none."""
    run = math.hypot(*(goal.point - point)) * ground.cell_m
    level = goal.level + rule.least_fall * run
    leg = _leg(ground, point, goal.point, level, rule)
    return level if leg is not None and leg[1] >= goal.level - 1e-6 else math.inf


def straightened(ground: Trenching, way: Way, goal: Goal, rule: LineRule) -> Way | None:
    """
    Draw a way of cells as few straight legs, and turn them by fittings where that can be.

    Parameters
    ----------
    ground
        What it is laid in.
    way
        From `cheapest_way`.
    goal
        Where it ends.
    rule
        What it must keep.

    Returns
    -------
    line
        Legs of 1 m at least and turns of 90 degrees at most; None where such legs do not fall as
        the way of cells does.
    """
    invert = float(way.inverts[0])
    for number in _POINTS:
        points = _thinned(way.points, number)
        if len(goal.approach):
            near = np.hypot(*(goal.approach - points[-1]).T)
            points[-1] = goal.approach[int(np.argmin(near))]
            points = np.vstack([points, goal.point])
        else:
            points[-1] = goal.point
        chosen = _legs(ground, points, invert, goal.level, rule, to_wye=len(goal.approach) > 0)
        if chosen is not None:
            return _fitted(ground, chosen, invert, goal, rule)
    return None


def _fitted(
    ground: Trenching, points: FloatArray, invert: float, goal: Goal, rule: LineRule
) -> Way:
    """Line over some points along which it is known to fall, its turns made by fittings."""
    line = laid(ground, _to_fittings(ground, points, invert, goal, rule), invert, rule)
    return Way(points, np.array([]), math.inf) if line is None else line


@dataclass(frozen=True, eq=False)
class _Net:
    """
    Points that legs are tried between: the start, those beside what stands in the way, the goals.

    Parameters
    ----------
    points
        Rows and columns; the start first.
    goals
        By the position of their point.
    only
        Of points from which one leg alone leads on, to a wye: where to.
    further
        Positions that any other point may lead to.
    run
        Distance between every two [m].
    """

    points: FloatArray
    goals: Mapping[int, Goal]
    only: Mapping[int, int]
    further: tuple[int, ...]
    run: FloatArray

    @classmethod
    def of(cls, ground: Trenching, start: tuple[int, int], goals: Sequence[Goal]) -> _Net:
        nodes: list[FloatArray] = [np.asarray(start, dtype=float), *ground.points]
        ends: dict[int, Goal] = {}
        only: dict[int, int] = {}
        for goal in goals:
            if not len(goal.approach):
                nodes += _crossings(ground, nodes[0], np.asarray(goal.point, dtype=float))
            before = range(len(nodes), len(nodes) + len(goal.approach))
            nodes += [*goal.approach, np.asarray(goal.point, dtype=float)]
            ends[len(nodes) - 1] = goal
            only |= dict.fromkeys(before, len(nodes) - 1)
        points = np.array(nodes)
        further = tuple(
            node for node in range(1, len(points))
            if node not in ends or not len(ends[node].approach)
        )  # fmt: skip
        run = np.hypot(*(points[:, None] - points[None, :]).transpose(2, 0, 1)) * ground.cell_m
        return cls(points, ends, only, further, run)

    def turn_cost(self, before: int, here: int, other: int, rule: LineRule) -> float:
        """Cost of the fitting between two legs; infinite for one that is none."""
        if before < 0:
            return 0.0
        turn = _turns(self.points[[before, here, other]])[0]
        return math.inf if turn > 90.0 + GIVES_WAY else _bends_cost([turn], rule)


def _over_points(
    ground: Trenching, start: tuple[int, int], invert: float, goals: Sequence[Goal],
    rule: LineRule, most: float,
) -> tuple[FloatArray, Goal] | None:  # fmt: skip
    """Cheapest legs between points beside the way: labels by their last leg, as on cells."""
    net = _Net.of(ground, start, goals)
    run, ends = net.run, list(net.goals)
    finite = ground.cost[np.isfinite(ground.cost)]
    least = float(finite.min()) + rule.per_m + rule.per_depth * float(ground.least_depth.min())
    rest = least * run[:, ends].min(axis=1)
    shortest = min(LEAST_LEG_M, float(run[0][ends].min())) - 1e-9
    best: dict[tuple[int, int], float] = {}
    heap: list[tuple[float, int, int, int, float, tuple[int, ...], float]] = [
        (float(rest[0]), 0, 0, -1, invert, (0,), 0.0)
    ]
    tried = 0
    while heap and tried < _LEGS_TRIED:
        total, _, me, before, here, way, cost = heapq.heappop(heap)
        if total >= most:
            break
        if here <= best.get((before, me), -math.inf) + _SAME_M:
            continue
        best[before, me] = here
        if me in net.goals:
            return net.points[list(way)], net.goals[me]
        for other in [net.only[me]] if me in net.only else net.further:
            if other in way or run[me, other] < shortest:
                continue
            spent = cost + net.turn_cost(before, me, other, rule)
            spent += net.goals[other].cost if other in net.goals else 0.0
            if spent + least * float(run[me, other]) + float(rest[other]) >= most:
                continue
            tried += 1
            leg = _leg(ground, net.points[me], net.points[other], here, rule)
            level = net.goals[other].level - 1e-9 if other in net.goals else -math.inf
            if leg is None or leg[1] < level:
                continue
            if leg[1] > best.get((me, other), -math.inf) + _SAME_M:
                spent += leg[0]
                heapq.heappush(heap, (spent + float(rest[other]), tried, other, me, leg[1],
                                      (*way, other), spent))  # fmt: skip
    return None


def _thinned(points: FloatArray, number: int) -> FloatArray:
    """So many points of a way at about the same distance, its ends among them."""
    number = min(len(points), number)
    kept = np.unique(np.linspace(0, len(points) - 1, number).round().astype(int))
    return np.asarray(points[kept])


def _legs(
    ground: Trenching, points: FloatArray, invert: float, level: float, rule: LineRule, *,
    to_wye: bool = False,
) -> FloatArray | None:  # fmt: skip
    """Choose the points between which straight legs cost the least; the last leg to a wye stays."""
    last = len(points) - 1
    if last < 1:
        return points
    # by the leg that ends at a point: its cost so far, its invert, the point before its start
    best: dict[tuple[int, int], tuple[float, float, int]] = {}
    least_cells = min(LEAST_LEG_M / ground.cell_m, math.hypot(*(points[-1] - points[0])))
    for first, second in itertools.combinations(range(last + 1), 2):
        run = points[second] - points[first]
        if math.hypot(*run) < least_cells - 1e-9 or (to_wye and second == last != first + 1):
            continue
        before = [(0.0, invert, -1)] if first == 0 else []
        before += _arrivals(best, points, first, second, rule)
        for so_far, here, earlier in sorted(before):
            if (first, second) in best and so_far >= best[first, second][0]:
                break
            leg = _leg(ground, points[first], points[second], here, rule)
            if leg is None or (second == last and leg[1] < level - 1e-9):
                continue
            known = best.get((first, second))
            if known is None or so_far + leg[0] < known[0]:
                best[first, second] = (so_far + leg[0], leg[1], earlier)
    ends = [(cost, first) for (first, second), (cost, _, _) in best.items() if second == last]
    if not ends:
        return None
    order, first = [last], min(ends)[1]
    while first >= 0:
        order.append(first)
        first = best[first, order[-2]][2]
    return np.asarray(points[order[::-1]])


def _arrivals(
    best: dict[tuple[int, int], tuple[float, float, int]],
    points: FloatArray, first: int, second: int, rule: LineRule,
) -> list[tuple[float, float, int]]:  # fmt: skip
    """Legs that end where one begins: cost with the bend into it, invert, where they begin."""
    found = []
    for earlier in range(first):
        if (earlier, first) not in best:
            continue
        cost, here, _ = best[earlier, first]
        turn = _turns(points[[earlier, first, second]])[0]
        if turn <= 90.0 + GIVES_WAY:
            found.append((cost + _bends_cost([turn], rule), here, earlier))
    return found


def _bends_cost(turns: Sequence[float], rule: LineRule) -> float:
    """Cost of the fittings of some turns; a right angle takes two, or a box."""
    return rule.per_bend * sum(
        1.0 if turn <= 45.0 + GIVES_WAY else 1.7 for turn in turns if turn > GIVES_WAY
    )


def _misfit(turns: Sequence[float]) -> float:
    """How far turns are from those of fittings, beyond what joints give [degrees]."""
    return sum(
        max(min(abs(turn - fitting) for fitting in (0.0, *FITTINGS)) - GIVES_WAY, 0.0)
        for turn in turns
    )


def _crossings(ground: Trenching, start: FloatArray, end: FloatArray) -> list[FloatArray]:
    """Points in which a line turns that leaves and arrives along, square or at 45 to the walls."""
    if math.isnan(ground.walls):
        return []
    angles = np.radians(ground.walls + np.array([0.0, 45.0, 90.0, 135.0]))
    found = []
    for first, second in itertools.permutations(
        np.column_stack([np.sin(angles), np.cos(angles)]), 2
    ):
        far = np.linalg.solve(np.column_stack([first, -second]), end - start)
        at = start + far[0] * first
        inside = (at >= 0).all() and (np.rint(at) < ground.level.shape).all()
        if inside and np.isfinite(ground.cost[tuple(np.rint(at).astype(int))]):
            found.append(at)
    return found


def _worth(line: Way) -> float:
    """Cost of a line, and what turns that are no fittings count as."""
    return line.cost + sum(1.0 + 0.3 * off for turn in line.turns if (off := _misfit([turn])) > 0)


def _to_fittings(
    ground: Trenching, points: FloatArray, invert: float, goal: Goal, rule: LineRule
) -> FloatArray:
    """Move inner points, one by one, until turns are those of fittings; cost counts too."""

    def worth(some: FloatArray) -> float:
        legs = np.hypot(*np.diff(some, axis=0).T) * ground.cell_m
        turns = _turns(some)
        too_sharp = max(turns, default=0.0) > 90.0 + GIVES_WAY
        if legs.min() < min(LEAST_LEG_M, shortest) - 1e-9 or too_sharp:
            return math.inf
        line = laid(ground, some, invert, rule)
        if line is None or line.inverts[-1] < goal.level - 1e-9:
            return math.inf
        return _worth(line)

    if len(points) < 3:
        return points
    shortest = float(np.hypot(*np.diff(points, axis=0).T).min()) * ground.cell_m
    now, best = points, worth(points)
    for _ in range(_ROUNDS):
        before = best
        now, best = _fewer(now, best, worth, to_wye=len(goal.approach) > 0)
        for inner in range(1, len(now) - 1):
            is_stub = len(goal.approach) > 0 and inner == len(now) - 2
            for place in _along(ground, now[-2:]) if is_stub else _near(ground, now[inner]):
                changed = now.copy()
                changed[inner] = place
                if (value := worth(changed)) < best - 1e-9:
                    now, best = changed, value
        if best > before - 1e-6:
            break
    return _fewer(now, best, worth, to_wye=len(goal.approach) > 0)[0]


def _fewer(
    points: FloatArray, best: float, worth: Callable[[FloatArray], float], *, to_wye: bool
) -> tuple[FloatArray, float]:
    """Leave out points that are worth nothing: what is hardly a turn is none."""
    for inner in range(len(points) - (3 if to_wye else 2), 0, -1):
        fewer, is_turn = np.delete(points, inner, axis=0), _turns(points)[inner - 1] > GIVES_WAY
        value = worth(fewer)
        if value <= best + (1e-9 if is_turn else _STRAIGHT * best):
            points, best = fewer, value
    return points, best


def _along(ground: Trenching, stub: FloatArray) -> list[FloatArray]:
    """Places from which the leg into a wye may come, at the angle that it has."""
    back = (stub[0] - stub[1]) / math.hypot(*(stub[0] - stub[1]))
    size = np.array(ground.level.shape) - 1
    far = np.arange(LEAST_LEG_M, LEAST_LEG_M + 4 * _MOVED_M, 0.25) / ground.cell_m
    places = [stub[1] + back * one for one in far]
    return [place for place in places if (place >= 0).all() and (place <= size).all()]


def _near(ground: Trenching, point: FloatArray) -> list[FloatArray]:
    """Places to which an inner point may be moved."""
    step = max(ground.cell_m / 2, 0.25) / ground.cell_m
    reach = _MOVED_M / ground.cell_m
    offsets = np.arange(-reach, reach + 1e-9, step)
    size = np.array(ground.level.shape) - 1
    places = [np.add(point, (down, right)) for down, right in itertools.product(offsets, offsets)]
    return [place for place in places if (place >= 0).all() and (place <= size).all()]


def graded(
    ground: Trenching, points: FloatArray, ends: tuple[float, float], rule: LineRule
) -> FloatArray | None:
    """
    Inverts at the points of a line that lies as shallow as its cover allows, in few grades.

    Parameters
    ----------
    ground
        What it is laid in.
    points
        Shape (n, 2): row and column.
    ends
        Invert at the upper end at most, and at the lower end [m].
    rule
        What it must keep.

    Returns
    -------
    inverts
        At all points [m]; at one grade where that can be, else with as few breaks at its bends as
        keep cover, depth and least fall; None where none do.
    """
    legs = np.hypot(*np.diff(points, axis=0).T)
    reached = np.concatenate([[0.0], np.cumsum(legs)])
    along = np.linspace(0.0, reached[-1], max(math.ceil(_SAMPLES * legs.sum()), 2) + 1)
    at = np.column_stack([np.interp(along, reached, points[:, axis]) for axis in (0, 1)])
    row, column = np.rint(at).astype(int).T
    level = ground.level[row, column]
    may, must = level - ground.least_depth[row, column], level - ground.limit(rule)[row, column]
    bounds = (along[:-1], may[:-1], must[:-1])
    fall = rule.least_fall * ground.cell_m
    inner = range(1, len(points) - 1)
    for breaks in range(len(points) - 1):
        tried = [
            found
            for some in itertools.combinations(inner, breaks)
            if (found := _profile(reached[[0, *some, -1]], bounds, ends, fall)) is not None
        ]
        if tried:
            knots, inverts = max(tried, key=lambda one: float(np.trapezoid(one[1], one[0])))
            return np.asarray(np.interp(reached, knots, inverts))
    return None


def _profile(
    knots: FloatArray, bounds: tuple[FloatArray, FloatArray, FloatArray],
    ends: tuple[float, float], fall: float,
) -> tuple[FloatArray, FloatArray] | None:  # fmt: skip
    """Highest inverts at some knots between which a line lies straight; None where none do."""
    along, may, must = bounds
    upper, lower = ends
    if len(knots) == 2:
        left = 1.0 - along / knots[-1]
        highest = min(upper, float((lower + (may - lower) / left).min()))
        least = max(float((lower + (must - lower) / left).max()), lower + fall * knots[-1])
        return (knots, np.array([highest, lower])) if highest >= least - 1e-9 else None
    from scipy.optimize import linprog  # noqa: PLC0415 - slow to import

    weights = np.array([np.interp(along, knots, unit) for unit in np.eye(len(knots))]).T
    falling = np.diff(np.eye(len(knots)), axis=0)  # each knot no higher than the least fall asks
    found = linprog(
        -weights.sum(axis=0),
        A_ub=np.vstack([weights, -weights, falling]),
        b_ub=np.concatenate([may, -must, -fall * np.diff(knots)]),
        bounds=[(None, upper), *[(None, None)] * (len(knots) - 2), (lower, lower)],
    )
    return (knots, np.asarray(found.x)) if found.success else None
