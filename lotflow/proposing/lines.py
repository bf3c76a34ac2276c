"""
A pipe from an inlet to a named end: the cheapest way along which it can fall all the way.

The least-cost path over a raster does not know how deep it has come: it runs over a rise that a
pipe cannot climb. Here a label is a cost and the highest invert that cover and least fall have left
so far; a label counts unless a cheaper one came to its cell as high. The way of cells is then drawn
as a trench is dug: few straight legs, turned by fittings.
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray

#: Inverts nearer to one another than this are one [m].
_SAME_M: Final = 0.005
#: Turns that fittings on sale make [degrees], and how far a pipe gives way in its joints. Common
#: practice, no published source.
FITTINGS: Final = (22.5, 45.0, 90.0)
GIVES_WAY: Final = 4.0
#: No leg between two fittings is shorter [m]: lotflow's choice.
LEAST_LEG_M: Final = 1.0
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
    """

    least_fall: float
    deepest_m: float
    per_m: float = 0.15
    per_depth: float = 1.2
    per_bend: float = 0.6


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
    """

    level: FloatArray
    cost: FloatArray
    least_depth: FloatArray
    cell_m: float


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
    ends = goal.ravel().tolist()
    steps = [(r, c, math.hypot(r, c) * ground.cell_m) for r, c in _STEPS]
    best = [-math.inf] * len(level)
    invert = min(invert, highest[start])
    if not (math.isfinite(cost[start]) and level[start] - invert <= rule.deepest_m):
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
            if depth > rule.deepest_m or there <= best[other] + _SAME_M:
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
    cells = math.hypot(*(second - first))
    count = max(math.ceil(_SAMPLES * cells), 1)
    share = np.linspace(0.0, 1.0, count + 1)[:, None]
    at = np.rint(first + share * (second - first)).astype(int)
    row, column = at[:, 0], at[:, 1]
    cost = ground.cost[row, column]
    if not np.isfinite(cost).all():
        return None
    fallen = rule.least_fall * cells * ground.cell_m * share[:, 0]
    level = ground.level[row, column]
    may = level - ground.least_depth[row, column]
    may[0] = min(may[0], invert)
    inverts = np.minimum.accumulate(may + fallen) - fallen
    depth = level - inverts
    if (depth > rule.deepest_m + 1e-9).any():
        return None
    each = cost + rule.per_m + rule.per_depth * depth
    step = cells * ground.cell_m / count
    return float((each[1:] + each[:-1]).sum() * 0.5 * step), float(inverts[-1])


def _turns(points: FloatArray) -> list[float]:
    """Turn at each inner point of a line [degrees]."""
    along = np.diff(np.asarray(points, dtype=float), axis=0)
    heading = np.degrees(np.arctan2(along[:, 0], along[:, 1]))
    return [float(turn) for turn in np.abs((np.diff(heading) + 180.0) % 360.0 - 180.0)]


def straightened(ground: Trenching, way: Way, level: float, rule: LineRule) -> Way | None:
    """
    Draw a way of cells as few straight legs, and turn them by fittings where that can be.

    Parameters
    ----------
    ground
        What it is laid in.
    way
        From `cheapest_way`.
    level
        Level which the invert may not lie below at the end [m].
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
        chosen = _legs(ground, _thinned(way.points, number), invert, level, rule)
        if chosen is not None:
            break
    else:
        return None
    moved = _to_fittings(ground, chosen, invert, level, rule)
    return laid(ground, moved, invert, rule)


def _thinned(points: FloatArray, number: int) -> FloatArray:
    """So many points of a way at about the same distance, its ends among them."""
    number = min(len(points), number)
    kept = np.unique(np.linspace(0, len(points) - 1, number).round().astype(int))
    return np.asarray(points[kept])


def _legs(
    ground: Trenching, points: FloatArray, invert: float, level: float, rule: LineRule
) -> FloatArray | None:
    """Choose the points between which straight legs cost the least, bends counted."""
    last = len(points) - 1
    if last < 1:
        return points
    # by the leg that ends at a point: its cost so far, its invert, the point before its start
    best: dict[tuple[int, int], tuple[float, float, int]] = {}
    least_cells = min(LEAST_LEG_M / ground.cell_m, math.hypot(*(points[-1] - points[0])))
    for first, second in itertools.combinations(range(last + 1), 2):
        run = points[second] - points[first]
        if math.hypot(*run) < least_cells - 1e-9:
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


def _to_fittings(
    ground: Trenching, points: FloatArray, invert: float, level: float, rule: LineRule
) -> FloatArray:
    """Move inner points, one by one, until turns are those of fittings; cost counts too."""

    def worth(some: FloatArray) -> float:
        legs = np.hypot(*np.diff(some, axis=0).T) * ground.cell_m
        turns = _turns(some)
        if legs.min() < min(LEAST_LEG_M, shortest) - 1e-9 or max(turns) > 90.0 + GIVES_WAY:
            return math.inf
        line = laid(ground, some, invert, rule)
        if line is None or line.inverts[-1] < level - 1e-9:
            return math.inf
        return line.cost + 0.3 * _misfit(turns)

    if len(points) < 3:
        return points
    shortest = float(np.hypot(*np.diff(points, axis=0).T).min()) * ground.cell_m
    now, best = points, worth(points)
    for _ in range(_ROUNDS):
        before = best
        for inner in range(1, len(points) - 1):
            for place in _near(ground, points[inner]):
                changed = now.copy()
                changed[inner] = place
                if (value := worth(changed)) < best - 1e-9:
                    now, best = changed, value
        if best > before - 1e-6:
            break
    return now


def _near(ground: Trenching, point: FloatArray) -> list[FloatArray]:
    """Places to which an inner point may be moved."""
    step = max(ground.cell_m / 2, 0.25) / ground.cell_m
    reach = _MOVED_M / ground.cell_m
    offsets = np.arange(-reach, reach + 1e-9, step)
    size = np.array(ground.level.shape) - 1
    places = [np.add(point, (down, right)) for down, right in itertools.product(offsets, offsets)]
    return [place for place in places if (place >= 0).all() and (place <= size).all()]


def even_grade(
    ground: Trenching, points: FloatArray, ends: tuple[float, float], rule: LineRule
) -> tuple[float, float] | None:
    """
    Inverts between which a line lies at one grade, as shallow as its cover allows.

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
        At both ends [m]; None where no one grade keeps cover, depth and least fall all along.
    """
    upper, lower = ends
    legs = np.hypot(*np.diff(points, axis=0).T)
    count = max(math.ceil(_SAMPLES * legs.sum()), 2)
    reached = np.concatenate([[0.0], np.cumsum(legs)])
    along = np.linspace(0.0, reached[-1], count + 1)
    at = np.column_stack([np.interp(along, reached, points[:, axis]) for axis in (0, 1)])
    row, column = np.rint(at).astype(int).T
    left = 1.0 - along[:-1] / reached[-1]
    may = (ground.level - ground.least_depth)[row, column][:-1]
    must = ground.level[row, column][:-1] - rule.deepest_m
    highest = min(upper, float((lower + (may - lower) / left).min()))
    least = max(
        float((lower + (must - lower) / left).max()),
        lower + rule.least_fall * float(reached[-1]) * ground.cell_m,
    )
    return (highest, lower) if highest >= least - 1e-9 else None
