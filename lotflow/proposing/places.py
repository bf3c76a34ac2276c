"""
Where inlets should go: candidates, and the few of them that leave the least harm.

Harm is a table in the order of `lotflow.advice.harm`, worst places first, and is compared row by
row, never added up: what a place mends at an opening counts before all that it mends on the lawn.
Each set of inlets is judged by the water of the whole chain: filled, routed, stood and run over.
"""

from __future__ import annotations

import heapq
import itertools
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np

from lotflow.advice.harm import LIMITS, Kind
from lotflow.terrain.cells import cells_from, lowest_around
from lotflow.terrain.freeboard import HOUSE_REACH_M
from lotflow.terrain.ponding import overflow_path, pond_network, standing_water
from lotflow.terrain.routing import Drains, receivers, route

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray
    from lotflow.terrain.freeboard import Threshold
    from lotflow.terrain.ponding import StandingWater
    from lotflow.terrain.routing import Routing
    from lotflow.terrain.surface import Surface

#: Water this shallow is not told of [m]; with it the limits of the table of harm.
_WET_M: Final = 0.01
_NEAR_H: Final = LIMITS[Kind.STANDS_NEAR].value or 0.0
_STANDS_H: Final = LIMITS[Kind.STANDS].value or 0.0
_FREEBOARD_M: Final = LIMITS[Kind.FREEBOARD].value or 0.0
#: Less deep a dip is no low spot whose overflow is followed [m].
_SPOT_M: Final = 0.05
#: A wall wets the cells this near to it, in cells.
_BESIDE_CELLS: Final = 1.01
#: An inlet stands at least so far from a wall [m]: room for the basin and its trench. Common
#: practice, no published source.
WALL_ROOM_M: Final = 0.5
#: More water than this beyond the lot, and by more than this share, is more: lotflow's choice.
OFF_LOT_M3: Final = 0.1
OFF_LOT_SHARE: Final = 0.05
#: Candidates are so far apart [m]; those on the ways of water twice as far.
APART_M: Final = 2.0
#: An inlet is set at the lowest place so near to its mark [m].
SETTLE_M: Final = 1.0


class Harm(NamedTuple):
    """
    What water does on a lot, worst first; each row in steps below which nothing is decided.

    Parameters
    ----------
    openings_m
        What openings lack of 1 ft above the water beside them, together [m].
    wall_m
        Length of own walls at which water stands [m].
    near_m2
        Ground within 10 ft of the house on which it stands longer than 24 h [m^2].
    wanted_m2
        Ground that is to be dry first on which it stands [m^2].
    paved_m2
        Paving on which it stays [m^2].
    lawn_m2
        Other ground of the lot on which it stands longer than 48 h [m^2].
    spills_m3
        What runs over out of low spots of the lot onto ground beyond it [m^3].
    stands_m3
        Water that stands on the lot [m^3].
    run_on_m3
        Water that runs into the 10 ft round the house from elsewhere [m^3].
    """

    openings_m: float
    wall_m: float
    near_m2: float
    wanted_m2: float
    paved_m2: float
    lawn_m2: float
    spills_m3: float
    stands_m3: float
    run_on_m3: float

    def less(self, after: Harm) -> Gain:
        """What is mended, row by row, in whole steps of each row; rows may be made worse."""
        return tuple(
            round((before - then) / step)
            for before, then, step in zip(self, after, _STEPS, strict=True)
        )


#: Whole steps mended, row by row: compared from the first row on.
Gain = tuple[int, ...]
#: Smallest change of each row that decides: lotflow's choice, no published source.
_STEPS: Final = Harm(0.01, 1.0, 1.0, 0.25, 1.0, 1.0, 0.5, 0.1, 1.0)
NO_GAIN: Final[Gain] = (0,) * len(_STEPS)

#: Rows that name a limit; what only stands or runs by breaks none, and asks for no inlet.
_OF_LIMITS: Final = 7


def mends(gain: Gain) -> bool:
    """
    Tell whether something of which there is a limit is mended, and nothing before it made worse.

    Examples
    --------
    >>> mends((0, 0, 3, 0, 0, 0, 0, 0, -4)), mends((0, 0, 0, 0, 0, 0, 0, 9, 9)), mends((-1, 9))
    (True, False, False)
    """
    return gain[:_OF_LIMITS] > NO_GAIN[:_OF_LIMITS]


PlaceVerdict = Literal["here", "in this low spot", "level first"]


@dataclass(frozen=True, eq=False)
class Yard:
    """
    A lot on one surface, and what of its water is harm.

    Parameters
    ----------
    surface
        With buildings, walls and earthworks.
    drains
        Inlets that are drawn already, and culverts: these stay.
    runoff
        Runoff of every cell, where it enters the flow [m].
    lot, house
        Cells of the lot, and of the buildings that stand on it.
    paved
        Paved cells.
    rate
        Infiltration of each cell [m/s].
    believed
        Cells on which standing water counts: those of artefacts of the data do not.
    openings
        Of the lot's buildings, with their sills.
    kept_out
        Cells on which no inlet may be put.
    rule
        Direction of flow.
    wanted
        Cells that are to be dry first; None for none.
    """

    surface: Surface
    drains: Drains
    runoff: FloatArray
    lot: BoolArray
    house: BoolArray
    paved: BoolArray
    rate: FloatArray
    believed: BoolArray
    openings: Sequence[Threshold]
    kept_out: BoolArray
    rule: str = "ltd"
    wanted: BoolArray | None = None

    @property
    def cell_m(self) -> float:
        """Side of a cell [m]."""
        return self.surface.ground.cell_m

    @cached_property
    def away_m(self) -> FloatArray:
        """Distance of each cell from the house [m]."""
        return _away_from(self.house, self.cell_m)

    @cached_property
    def ring(self) -> BoolArray:
        """Ground of the lot within 10 ft of the house."""
        return self.lot & ~self.surface.roof & (self.away_m <= HOUSE_REACH_M)

    @cached_property
    def usable(self) -> BoolArray:
        """Cells in which an inlet may be put: on open ground of the lot, off the walls."""
        roofs = _away_from(self.surface.roof, self.cell_m)
        room = max(WALL_ROOM_M, _BESIDE_CELLS * self.cell_m / 2)
        return np.asarray(
            self.lot & self.believed & ~self.kept_out & ~self.surface.roof
            & ~self.surface.outside & (roofs >= room) & (self.drains.inlet == 0)
        )  # fmt: skip

    def routing(self, cells: Iterable[int] = ()) -> Routing:
        """Follow the water with further inlets in some cells."""
        added = [cell for cell in cells if not self.drains.inlet.ravel()[cell]]
        inlet = self.drains.inlet.copy()
        first = self.drains.number + 1
        inlet.ravel()[added] = np.arange(first, first + len(added))
        drains = Drains(
            inlet, self.drains.level, self.drains.culverts, self.drains.number + len(added)
        )
        return route(self.surface, drains, rule=self.rule, by_kernel=True)

    def water(self, cells: Iterable[int] = ()) -> StandingWater:
        """Let the storm run with further inlets that take all that comes."""
        return standing_water(pond_network(self.routing(cells)), self.runoff)


def _away_from(marked: BoolArray, cell_m: float) -> FloatArray:
    """Distance of each cell from the nearest of some [m]; infinite where there is none."""
    return cells_from(marked) * cell_m if marked.any() else np.full(marked.shape, np.inf)


def harm_of(yard: Yard, water: StandingWater) -> Harm:
    """
    Hold the water of one storm against the limits of the table of harm.

    Parameters
    ----------
    yard
        Lot and ground.
    water
        From `Yard.water`.
    """
    cell, area = yard.cell_m, yard.surface.ground.cell_m2
    counts = yard.believed & yard.lot & ~yard.surface.roof
    depth = np.where(counts, water.depth, 0.0)
    wet = depth >= _WET_M
    away, ring = yard.away_m, yard.ring
    hours = np.divide(
        depth, 3600.0 * yard.rate, out=np.where(wet, np.inf, 0.0), where=wet & (yard.rate > 0)
    )
    field = water.network.routing.field
    meets = field.labels(ring.astype(np.int32)) > 0
    return Harm(
        openings_m=_lacking(yard, water),
        wall_m=float((wet & ring & (away <= _BESIDE_CELLS * cell)).sum()) * cell,
        near_m2=float((ring & (hours > _NEAR_H)).sum()) * area,
        wanted_m2=0.0 if yard.wanted is None else float((yard.wanted & wet).sum()) * area,
        paved_m2=float((yard.paved & wet).sum()) * area,
        lawn_m2=float((~ring & ~yard.paved & (hours > _STANDS_H)).sum()) * area,
        spills_m3=_spilled(yard, water) * area,
        stands_m3=float(depth.sum()) * area,
        run_on_m3=float(yard.runoff[meets & ~ring].sum()) * area,
    )


def _lacking(yard: Yard, water: StandingWater) -> float:
    """What openings lack of 1 ft above the water that touches them, together [m]."""
    level = (water.network.routing.elevation + water.depth).ravel()
    depth = np.where(yard.believed, water.depth, 0.0).ravel()
    lacking = 0.0
    for opening in yard.openings:
        wet = opening.wall[depth[opening.wall] >= _WET_M]
        if opening.is_given and wet.size:
            lacking += max(_FREEBOARD_M - (opening.level - float(level[wet].max())), 0.0)
    return lacking


def _spilled(yard: Yard, water: StandingWater) -> float:
    """Water that runs over out of low spots of the lot and leaves it [depth x cells]."""
    network = water.network
    field, lot = network.routing.field, yard.lot.ravel()
    deepest = np.zeros(network.capacity.size + 1)
    np.maximum.at(deepest, network.depression.ravel(), network.routing.depth.ravel())
    is_spot = deepest[1:] >= _SPOT_M
    own = lot[network.bed_cell] & yard.believed.ravel()[network.bed_cell] & is_spot
    full = np.flatnonzero(own & (water.overflow * yard.surface.ground.cell_m2 > OFF_LOT_M3))
    receiver, found = receivers(field).ravel(), 0.0
    for one in full.tolist():
        path = overflow_path(network, receiver, one + 1, is_spot)
        if not lot[path.cells[1:]].all():
            found += float(water.overflow[one])
    return found


class Judge:
    """Harm of sets of inlets on one yard; what was asked once is remembered."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self._known: dict[tuple[int, ...], Harm] = {}

    @property
    def runs(self) -> int:
        """Number of times the water was let run."""
        return len(self._known)

    def harm(self, cells: Iterable[int] = ()) -> Harm:
        """Harm with inlets in some cells, besides those that are drawn."""
        key = tuple(sorted(set(cells)))
        if key not in self._known:
            self._known[key] = harm_of(self.yard, self.yard.water(key))
        return self._known[key]

    def gain(self, cells: Iterable[int]) -> Gain:
        """What inlets in some cells mend."""
        return self.harm().less(self.harm(cells))


def candidates(yard: Yard, number: int = 14) -> list[int]:
    """
    Find cells that an inlet may be worth: beds of standing water, and ways to the house.

    Half of them are the lowest cells of what stands after the storm, by its volume, three times
    that near the house; the others those in which most water enters the ground round the house or
    the lot, and those with most water on the ways there.

    Parameters
    ----------
    yard
        Lot and ground.
    number
        At most so many.

    Returns
    -------
    cells
        Flat indices, the more promising first of each kind.
    """
    water = yard.water()
    routing = water.network.routing
    ring = yard.ring
    free = yard.usable.ravel()
    depth = np.where(yard.believed & ~yard.surface.roof, water.depth, 0.0)
    apart = APART_M / yard.cell_m
    columns = yard.lot.shape[1]

    weight = np.where(ring, 3.0, 1.0) * depth * yard.lot
    pond = water.network.depression.ravel()
    worth = np.bincount(pond, weight.ravel(), minlength=int(pond.max(initial=0)) + 1)
    worth[0] = 0.0
    level = routing.elevation
    is_bed = (level <= lowest_around(level, max(round(apart / 2), 1))).ravel()
    beds = np.flatnonzero(free & is_bed & (depth.ravel() >= _WET_M))
    # where the bed itself may not be used (at a wall), the lowest cell of the pond that may
    for one in np.flatnonzero(worth > 0):
        inside = np.flatnonzero(free & (pond == one))
        if inside.size and not (pond[beds] == one).any():
            beds = np.append(beds, inside[np.argmin(level.ravel()[inside])])
    standing = _spread(beds, worth[pond[beds]] * (1.0 + depth.ravel()[beds]), columns, apart)

    flow = routing.field.accumulated(yard.runoff).ravel()
    receiver = routing.receivers().ravel()
    enters = _entered(ring, receiver, ~yard.house) & free
    comes_on = _entered(yard.lot, receiver, ~yard.surface.roof) & free
    entering = np.flatnonzero(enters | comes_on)
    share = np.where(enters[entering], 1.0, 0.3)
    entries = _spread(entering, flow[entering] * share, columns, 2 * apart)
    goal = ring | (yard.lot & (depth >= _WET_M))
    leads = (routing.field.labels(goal.astype(np.int32)) > 0) & ~goal
    way = np.flatnonzero(leads.ravel() & free)
    ways = _spread(way, flow[way], columns, 2 * apart)

    first = [*standing[: number // 2 + 1], *entries[: max(2, number // 4)], *ways, *standing]
    return _spread(np.array(first, dtype=np.int64), -np.arange(len(first)), columns, apart)[:number]


def _entered(area: BoolArray, receiver: NDArray[np.int64], came_from: BoolArray) -> BoolArray:
    """Cells of an area into which water runs from outside of it."""
    inside = area.ravel()
    from_outside = np.flatnonzero(~inside & came_from.ravel() & inside[receiver])
    found = np.zeros(inside.size, dtype=bool)
    found[receiver[from_outside]] = True
    return found


def _spread(
    cells: NDArray[np.int64], worth: FloatArray | NDArray[np.int64], columns: int, apart: float
) -> list[int]:
    """Best first, none nearer than so many cells to a better one."""
    kept: list[tuple[int, int]] = []
    for position in np.argsort(-np.asarray(worth, dtype=float), kind="stable"):
        row, column = divmod(int(cells[position]), columns)
        if all((row - r) ** 2 + (column - c) ** 2 >= apart**2 for r, c in kept):
            kept.append((row, column))
    return [row * columns + column for row, column in kept]


def best_places(judge: Judge, cells: Sequence[int], number: int, *, passes: int = 1) -> list[int]:
    """
    Choose the few places that leave the least harm, by lazy greedy choice with exchange.

    Parameters
    ----------
    judge
        Of the measured surface.
    cells
        Candidates.
    number
        At most so many are chosen; fewer where no further one mends anything.
    passes
        How often every chosen place is tried against every other candidate.

    Returns
    -------
    chosen
        In the order in which they were chosen: the first ones mend the most.

    References
    ----------
    Minoux (1978), Accelerated greedy algorithms for maximizing submodular set functions,
    Optimization Techniques, from memory. What a place mends is only nearly submodular (a pond may
    need two inlets), hence the exchange.
    """
    chosen = _lazily(judge, cells, number)
    for _ in range(passes):
        for position, other in itertools.product(range(len(chosen)), cells):
            if other in chosen:
                continue
            changed = [*chosen[:position], other, *chosen[position + 1 :]]
            if judge.gain(changed) > judge.gain(chosen):
                chosen = changed
    return chosen


def _lazily(judge: Judge, cells: Sequence[int], number: int) -> list[int]:
    """Choose one after the other; a gain of an earlier round is asked again when it leads."""
    chosen: list[int] = []
    queue: list[tuple[tuple[float, ...], int, int]] = [
        ((-np.inf,) * len(_STEPS), position, -1) for position in range(len(cells))
    ]
    heapq.heapify(queue)
    while len(chosen) < number and queue:
        bound, position, asked = heapq.heappop(queue)
        if asked == len(chosen):
            if not mends(tuple(-round(steps) for steps in bound)):  # and so does no other
                break
            chosen.append(cells[position])
            continue
        gain = judge.harm(chosen).less(judge.harm([*chosen, cells[position]]))
        heapq.heappush(queue, (tuple(-steps for steps in gain), position, len(chosen)))
    return chosen


def settled(yard: Yard, cell: int) -> int:
    """
    Set an inlet as on site: at the lowest open ground within reach of its mark.

    Parameters
    ----------
    yard
        On its own surface.
    cell
        Flat index of the mark.
    """
    rows, columns = yard.lot.shape
    row, column = divmod(cell, columns)
    reach = max(int(SETTLE_M / yard.cell_m), 0)
    top, left = max(row - reach, 0), max(column - reach, 0)
    part = (slice(top, min(row + reach + 1, rows)), slice(left, min(column + reach + 1, columns)))
    level = np.where(yard.usable[part], yard.surface.elevation[part], np.inf)
    if not np.isfinite(level).any():
        return cell
    at, beside = np.unravel_index(int(np.argmin(level)), level.shape)
    return int((top + at) * columns + left + beside)


@dataclass(frozen=True)
class Sure:
    """
    How sure one place is, by surfaces that may be true.

    Parameters
    ----------
    surfaces
        On how many there was harm that some place mends.
    drawn
        How many were looked at.
    same
        Share of those in which the best place lies in the same low spot, or within 2 m.
    kept
        Mean share of what the best place mends that this place mends, in the row that decides.
    """

    surfaces: int
    drawn: int
    same: float
    kept: float

    @property
    def verdict(self) -> PlaceVerdict:
        """Whether to build here, somewhere in this low spot, or to take levels first."""
        # by the study of surfaces that may be true: the place itself is mostly not known
        if self.surfaces < self.drawn / 2 or self.same < _SAME:
            return "level first"
        return "here" if self.kept >= _KEPT else "in this low spot"


_SAME: Final = 2.0 / 3.0
_KEPT: Final = 0.8


def sureness(
    yards: Sequence[Yard], chosen: Sequence[int], cells: Sequence[int], spot: NDArray[np.int32],
    tell: Callable[[str], None] = lambda _: None,
) -> list[Sure]:  # fmt: skip
    """
    Ask of each chosen place whether it stays the best on surfaces that may be true.

    Parameters
    ----------
    yards
        The lot on each of these surfaces.
    chosen
        Places on the measured one; each is asked with the others in place.
    cells
        Candidates.
    spot
        Shape of the grid: number of the low spot on each cell, 0 for none.
    tell
        Called with how far it is.
    """
    columns = spot.shape[1]
    found: list[list[tuple[bool, float]]] = [[] for _ in chosen]
    for number, yard in enumerate(yards, 1):
        tell(f"surface {number} of {len(yards)}")
        judge = Judge(yard)
        at = {cell: settled(yard, cell) for cell in {*chosen, *cells}}
        for position, place in enumerate(chosen):
            others = [at[one] for one in chosen if one != place]
            without = judge.harm(others)
            gains = {
                cell: without.less(judge.harm([*others, at[cell]]))
                for cell in dict.fromkeys([place, *cells])
                if cell == place or cell not in chosen
            }
            best = max(gains, key=lambda cell: gains[cell])
            if not mends(gains[best]):
                continue
            near = _distance(place, best, columns) * yard.cell_m <= APART_M
            here = spot.ravel()[place]
            same = near or bool(here and here == spot.ravel()[best])
            found[position].append((same, _share(gains[place], gains[best])))
    return [_sure(of_place, len(yards)) for of_place in found]


def _distance(first: int, second: int, columns: int) -> float:
    """Distance of two cells, in cells."""
    (r, c), (s, d) = divmod(first, columns), divmod(second, columns)
    return float(np.hypot(r - s, c - d))


def _share(gain: Gain, best: Gain) -> float:
    """Share of the best gain, in the first row in which that mends something."""
    row = next(position for position, steps in enumerate(best) if steps)
    if gain[:row] < best[:row]:  # makes an earlier row worse
        return 0.0
    return min(max(gain[row] / best[row], 0.0), 1.0)


def _sure(of_place: Sequence[tuple[bool, float]], drawn: int) -> Sure:
    """Put together what the surfaces say of one place."""
    if not of_place:
        return Sure(0, drawn, 0.0, 0.0)
    same, kept = (float(np.mean(column)) for column in zip(*of_place, strict=True))
    return Sure(len(of_place), drawn, round(same, 3), round(kept, 3))


#: Water that leaves this near to where it left before leaves at the same place [m].
SAME_PLACE_M: Final = 2.0


def worsened_off_lot(
    before: StandingWater, after: StandingWater, yards: tuple[Yard, Yard]
) -> dict[str, float]:
    """
    Tell where more water stands or leaves beyond the lot than before.

    Parameters
    ----------
    before, after
        Of the same storm.
    yards
        Before and after.

    Returns
    -------
    worse
        Water that is more, by what it does [m^3]: "stands" beyond the lot, "leaves" it in all, or
        "leaves at one place", over ground whose low spots are full; what is not more is left out.
    """
    lot, area = yards[0].lot, yards[0].surface.ground.cell_m2
    outside = [float(water.depth[~lot].sum()) * area for water in (before, after)]
    gone = [float(water.left.sum()) * area + stands
            for water, stands in zip((before, after), outside, strict=True)]  # fmt: skip
    reach = max(round(SAME_PLACE_M / yards[0].cell_m), 1)
    left = [leaving(water, yard) * area for water, yard in zip((before, after), yards, strict=True)]
    was, now = summed_around(left[0], 2 * reach), summed_around(left[1], reach)
    more = np.where(left[1] > 0, now - (1.0 + OFF_LOT_SHARE) * was, 0.0)
    found = {
        "stands": outside[1] - (1.0 + OFF_LOT_SHARE) * outside[0],
        "leaves": gone[1] - (1.0 + OFF_LOT_SHARE) * gone[0],
        "leaves at one place": float(more.max(initial=0.0)),
    }
    return {kind: round(volume, 3) for kind, volume in found.items() if volume > OFF_LOT_M3}


def leaving(water: StandingWater, yard: Yard) -> FloatArray:
    """Runoff that leaves the lot in each of its cells, were all low spots full [depth x cells]."""
    routing = water.network.routing
    inside = yard.lot.ravel()
    leaves = inside & ~inside[routing.receivers().ravel()]
    flow = routing.field.accumulated(yard.runoff)
    return np.where(leaves.reshape(flow.shape), flow, 0.0)


def summed_around(values: FloatArray, reach: int) -> FloatArray:
    """Sum of the cells within a square round each cell."""
    from scipy.ndimage import uniform_filter  # noqa: PLC0415 - slow to import

    width = 2 * reach + 1
    return np.asarray(uniform_filter(values, width, mode="constant") * width**2)
