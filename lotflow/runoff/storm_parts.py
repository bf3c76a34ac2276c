"""What runs into inlets, low spots and downspouts: parts of catchments, and roofs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.runoff.catchment_parts import (
    PART_KINDS,
    PartWay,
    Timed,
    catchment_parts,
    landing_parts,
    slowest_way,
    travel_bounds,
)
from lotflow.runoff.concentration import MINIMUM_TIME_S
from lotflow.runoff.limits import within
from lotflow.terrain.flow_paths import Courses, courses_to

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from numpy.typing import ArrayLike, NDArray

    from lotflow.grid import FloatArray
    from lotflow.runoff.catchment_parts import CatchmentParts
    from lotflow.runoff.covers import GroundCover
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.roofs import RoofWater
    from lotflow.terrain.routing import Routing

ROOF: Final = "roof"
#: What adding up in another order may do to a travel time [-].
_ROUNDING: Final = 1e-9
#: Wyly and Eaton's terminal flow Q = 27.8 r^(5/3) d^(8/3) in gpm and inches, brought to SI.
_LEADER_FACTOR: Final = 27.8 * (231.0 * 0.0254**3 / 60.0) / 0.0254 ** (8.0 / 3.0)


@dataclass(frozen=True, eq=False)
class PartGround:
    """
    Ground of every part that enters the drains.

    Parameters
    ----------
    names
        Of the nodes: inlets in their order, then what else downspouts lead into.
    node
        Shape (parts,): position in `names`.
    kind
        Of each part: "paved", "unpaved" or "roof".
    way
        Way that times each part; None where it arrives at once, such as a roof.
    fixed
        Shape (parts, kinds of ground): cells while no gutter overflows.
    moved
        Shape (downspouts, parts, kinds of ground): cells that change part when the gutter of a
        downspout overflows as a whole.
    """

    names: tuple[str, ...]
    node: NDArray[np.int64]
    kind: tuple[str, ...]
    way: tuple[PartWay | None, ...]
    fixed: FloatArray
    moved: FloatArray

    @property
    def time_s(self) -> FloatArray:
        """Shape (parts,): time of concentration [s]."""
        times = [MINIMUM_TIME_S if way is None else way.time.time_s for way in self.way]
        return np.array(times, dtype=np.float64)

    def longest_way(self, node: int) -> PartWay | None:
        """Slowest way to a node, by position; None where nothing but roofs reaches it."""
        parts = np.flatnonzero(self.node == node).tolist()
        ways = [way for part in parts if (way := self.way[part]) is not None]
        return max(ways, key=lambda way: way.time.travel_s, default=None)

    def cells(self, overflow: FloatArray) -> FloatArray:
        """
        Cells of each kind of ground in each part, shape (parts, kinds of ground, storms).

        `overflow` has the shape (downspouts, storms): share of its roof's water that falls at the
        eaves [-].
        """
        change = np.einsum("dpk,ds->pks", self.moved, overflow)
        return np.asarray(np.maximum(self.fixed[:, :, None] + change, 0.0))


def leader_capacity(diameter: ArrayLike, *, filling: float = 7.0 / 24.0) -> FloatArray:
    """
    Flow of a vertical leader (downspout pipe) whose wall is covered by a falling film of water.

    Q = 27.8 r^(5/3) d^(8/3), gallons per minute and inches, r the share of the section taken
    by water: at 7/24 the air core stays open.

    Parameters
    ----------
    diameter
        Inside diameter of each leader [m]; greater than 0.
    filling
        Share of the section that is water [-].

    Returns
    -------
    capacity
        One value per leader [m^3/s].

    Raises
    ------
    ParameterError
        If a diameter is not greater than 0 or the filling not between 0 and 1.

    References
    ----------
    Wyly, R. S. and Eaton, H. N. (1961), Capacities of Stacks in Sanitary Drainage Systems,
    National Bureau of Standards Monograph 31 (formula from memory). National Standard Plumbing
    Code (2006), table 13.6.1, has 144 gpm for 4 in.

    Examples
    --------
    >>> float(leader_capacity(4 * 0.0254) / 6.309e-5)
    143.8
    """
    inside = within("diameter", diameter, 0.0, above=True)
    within("filling", filling, 0.0, 1.0)
    return np.asarray(_LEADER_FACTOR * filling ** (5.0 / 3.0) * np.power(inside, 8.0 / 3.0))


def overflow_intensity(roofs: RoofWater, coefficient: float) -> FloatArray:
    """
    Rain from which the leader of each downspout overflows.

    Parameters
    ----------
    roofs
        With their downspouts.
    coefficient
        Runoff coefficient of roofs [-].

    Returns
    -------
    intensity
        Shape (downspouts,); infinite where the leader's diameter is not given [m/s].
    """
    diameter = np.array([downspout.leader_m for downspout in roofs.downspouts])
    shed = coefficient * roofs.cells * roofs.surface.ground.cell_m2
    limit = np.full(len(roofs.downspouts), np.inf)
    known = (diameter > 0) & (shed > 0)
    limit[known] = leader_capacity(diameter[known]) / shed[known]
    return limit


def part_ground(
    courses: Courses,
    names: Sequence[str],
    cover: GroundCover,
    roofs: RoofWater,
    catchments: CatchmentParts,
) -> PartGround:
    """
    List the parts that enter the drains, those without any ground left out.

    A part of a catchment that is not directly connected pavement counts from the time at which
    the last of the whole catchment arrives. Roofs led into drains arrive after the minimum time.

    Parameters
    ----------
    courses
        To the inlets.
    names
        Of the inlets.
    cover
        Of every cell.
    roofs
        With their downspouts.
    catchments
        From `catchment_parts` for the same courses.
    """
    nodes = [*names, *dict.fromkeys(d.node for d in roofs.downspouts if d.node not in ("", *names))]
    fixed, moved = _cells(courses, nodes, cover, roofs, catchments)
    count, split = len(names), len(PART_KINDS)
    way = [_governing_way(catchments, part) for part in range(split * count)]
    way += [None] * len(nodes)
    node = np.concatenate([np.repeat(np.arange(count), split), np.arange(len(nodes))])
    kind = [*PART_KINDS * count, *[ROOF] * len(nodes)]
    kept = np.flatnonzero(fixed.any(axis=1) | moved.any(axis=(0, 2)))
    return PartGround(
        tuple(nodes), node[kept], tuple(kind[i] for i in kept),
        tuple(way[i] for i in kept), fixed[kept], moved[:, kept],
    )  # fmt: skip


def downspout_ground(roofs: RoofWater, cover: GroundCover) -> PartGround:
    """Give the roof of each downspout as a part of its own."""
    count, kinds = len(roofs.downspouts), len(cover.keys)
    served = roofs.served > 0
    place = (roofs.served[served] - 1) * kinds + cover.number[served]
    share = roofs.surface.share[served]
    fixed = np.bincount(place, weights=share, minlength=count * kinds).astype(np.float64)
    fixed = fixed.reshape(count, kinds)
    return PartGround(
        tuple(downspout.name for downspout in roofs.downspouts),
        np.arange(count), (ROOF,) * count, (None,) * count,
        fixed, -np.eye(count)[:, :, None] * fixed,
    )  # fmt: skip


def _governing_way(catchments: CatchmentParts, part: int) -> PartWay | None:
    """Way that times a part: its own where paved, that of the whole catchment where not."""
    target, is_unpaved = divmod(part, len(PART_KINDS))
    return catchments.longest_way(target) if is_unpaved else catchments.ways[part]


def _cells(
    courses: Courses,
    nodes: Sequence[str],
    cover: GroundCover,
    roofs: RoofWater,
    catchments: CatchmentParts,
) -> tuple[FloatArray, FloatArray]:
    """Cells of all parts without overflow, and what the overflow of each downspout moves."""
    surface, kinds = roofs.surface, len(cover.keys)
    ground = catchments.cells.shape[0]
    downspouts = len(roofs.downspouts)
    at_eaves = landing_parts(courses, cover, surface.eave_cell)
    node_part = [
        ground + list(nodes).index(downspout.node) if downspout.node else -1
        for downspout in roofs.downspouts
    ]
    served = roofs.served > 0
    number = roofs.served[served] - 1
    led = np.array(node_part, dtype=np.int64)[number]
    before = np.where(led >= 0, led, catchments.part[served])
    shape = (downspouts, ground + len(nodes), kinds)

    def counted(part: NDArray[np.int64]) -> FloatArray:
        known = part >= 0
        place = np.ravel_multi_index(
            (number[known], part[known], cover.number[served][known]), shape
        )
        share = surface.share[served][known]
        cells = np.bincount(place, weights=share, minlength=int(np.prod(shape)))
        return cells.reshape(shape).astype(np.float64)

    come_down = counted(before)
    fixed = np.zeros(shape[1:])
    fixed[:ground] = catchments.cells
    fixed[ground:] = come_down[:, ground:].sum(axis=0)
    return fixed, counted(at_eaves[served]) - come_down


@dataclass(frozen=True, eq=False)
class _Basins:
    """Parts of all low spots of the window, each down to the first low spot on its way."""

    courses: Courses
    cover: GroundCover
    timed: Timed
    ground: PartGround

    @cached_property
    def _parts(self) -> list[list[int]]:
        """Parts of each node."""
        parts: list[list[int]] = [[] for _ in self.ground.names]
        for part, node in enumerate(self.ground.node.tolist()):
            parts[node].append(part)
        return parts

    def own(self, spot: int, kind: str | None = None) -> list[int]:
        """Parts that run straight into a low spot."""
        return [part for part in self._parts[spot] if kind in (None, self.ground.kind[part])]

    def starts(self, spots: Iterable[int]) -> set[int]:
        """Cells from which the ways of the parts of low spots begin."""
        ways = (self.ground.way[part] for spot in spots for part in self.own(spot))
        return {way.start for way in ways if way is not None}

    def slowest(self, wanted: Sequence[tuple[int, Collection[int]]]) -> list[PartWay | None]:
        """
        Slowest way to each of some low spots from the parts of several.

        Down a long slope all low spots overflow into one another, and most ways are much the same:
        no way is timed that cannot be the slowest.
        """
        asked = [(spot + 1, sorted(self.starts(others))) for spot, others in wanted]
        targets: dict[int, list[int]] = {}
        for target, starts in asked:
            for start in starts:
                targets.setdefault(start, []).append(target)
        most = {
            start: travel_bounds(self.courses, self.cover, self.timed, start, of_start)
            for start, of_start in targets.items()
            if len(of_start) > 1
        }
        return [self._slowest(target, starts, most) for target, starts in asked]

    def _slowest(
        self, target: int, starts: Sequence[int], most: dict[int, dict[int, float]]
    ) -> PartWay | None:
        """Slowest way to a target, the ways that may take longest timed first."""
        bound = {start: most.get(start, {}).get(target, np.inf) for start in starts}
        timed: list[PartWay] = []
        longest = 0.0
        for start in sorted(starts, key=lambda start: -bound[start]):
            if bound[start] < longest * (1.0 - _ROUNDING):
                break
            timed.append(slowest_way(self.courses, self.cover, self.timed, [start], target))
            longest = max(longest, timed[-1].time.travel_s)
        # of equally slow ones the first cell, whatever the order of timing
        timed.sort(key=lambda way: way.start)
        return max(timed, key=lambda way: way.time.travel_s, default=None)


def low_spot_ground(
    natural: Routing, low_spots: LowSpots, roofs: RoofWater, cover: GroundCover, timed: Timed,
    spots: Sequence[int],
) -> PartGround:  # fmt: skip
    """
    List the parts that run into low spots, as if nothing took any water on the way.

    Pavement directly beside a low spot counts as a part of its own; all else, with all that
    comes through fuller low spots above, as another that arrives with the slowest of it.

    Parameters
    ----------
    natural
        The ground without inlets.
    low_spots
        All of them.
    roofs
        With their downspouts.
    cover
        Of every cell.
    timed
        Gives the time of concentration of a way.
    spots
        Positions of the low spots wanted.
    """
    courses = courses_to(natural, low_spots.number)
    names = [f"low spot {position + 1}" for position in range(len(low_spots))]
    catchments = catchment_parts(courses, len(low_spots), cover, timed)
    ground = part_ground(courses, names, cover, roofs, catchments)
    basins = _Basins(courses, cover, timed, ground)
    above = _spots_above(courses, low_spots)
    parts: list[list[int]] = []
    ways: list[PartWay | None] = []
    slowest = basins.slowest([(spot, {spot, *above[spot]}) for spot in spots])
    for spot, way in zip(spots, slowest, strict=True):
        paved = basins.own(spot, PART_KINDS[0])
        rest = basins.own(spot, PART_KINDS[1])
        for other in sorted(above[spot]):
            rest += basins.own(other)
        parts += [paved, rest]
        ways += [ground.way[paved[0]] if paved else None, way]
    return _joined(ground, [names[spot] for spot in spots], parts, ways)


def _joined(
    ground: PartGround, names: Sequence[str], parts: list[list[int]], ways: list[PartWay | None]
) -> PartGround:
    """Join parts of the first kind into new ones, two of each node."""
    fixed = np.zeros((len(parts), ground.fixed.shape[1]))
    moved = np.zeros((ground.moved.shape[0], len(parts), ground.moved.shape[2]))
    for new, old in enumerate(parts):
        fixed[new], moved[:, new] = ground.fixed[old].sum(axis=0), ground.moved[:, old].sum(axis=1)
    kept = np.flatnonzero([bool(old) for old in parts])
    return PartGround(
        tuple(names),
        np.repeat(np.arange(len(names)), len(PART_KINDS))[kept],
        tuple(PART_KINDS[new % len(PART_KINDS)] for new in kept),
        tuple(ways[new] for new in kept),
        fixed[kept],
        moved[:, kept],
    )


def _spots_above(courses: Courses, spots: LowSpots) -> list[set[int]]:
    """Low spots whose overflow reaches each one."""
    below = courses.label.ravel()[courses.through[spots.spill_cell]]
    above: list[set[int]] = [set() for _ in range(len(spots))]
    for spot in np.argsort(-spots.spill, kind="stable").tolist():  # upstream first
        into = int(below[spot]) - 1
        if into not in (-1, spot):
            above[into] |= above[spot] | {spot}
    return above
