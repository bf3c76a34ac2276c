"""What runs into the low spots of a lot, through those above them too."""

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
    slowest_way,
    travel_bounds,
)
from lotflow.study.storm_parts import PartGround, part_ground
from lotflow.terrain.flow_paths import Courses, courses_to

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from lotflow.runoff.covers import GroundCover
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.low_spots import LowSpots

#: What adding up in another order may do to a travel time [-].
_ROUNDING: Final = 1e-9


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
    lot: LotWater, cover: GroundCover, timed: Timed, spots: Sequence[int]
) -> PartGround:
    """
    List the parts that run into low spots, as if nothing took any water on the way.

    Pavement directly beside a low spot counts as a part of its own; all else, with all that
    comes through fuller low spots above, as another that arrives with the slowest of it.

    Parameters
    ----------
    lot
        Gives the routing without inlets.
    cover
        Of every cell.
    timed
        Gives the time of concentration of a way.
    spots
        Positions of the low spots wanted.
    """
    found = lot.low_spots
    courses = courses_to(lot.natural, found.number)
    names = [f"low spot {position + 1}" for position in range(len(found))]
    catchments = catchment_parts(courses, len(found), cover, timed)
    basins = _Basins(
        courses, cover, timed, part_ground(courses, names, cover, lot.roofs, catchments)
    )
    above = _spots_above(courses, found)
    parts: list[list[int]] = []
    ways: list[PartWay | None] = []
    slowest = basins.slowest([(spot, {spot, *above[spot]}) for spot in spots])
    for spot, way in zip(spots, slowest, strict=True):
        paved = basins.own(spot, PART_KINDS[0])
        rest = basins.own(spot, PART_KINDS[1])
        for other in sorted(above[spot]):
            rest += basins.own(other)
        parts += [paved, rest]
        ways += [
            basins.ground.way[paved[0]] if paved else None,
            way,
        ]
    return _joined(basins.ground, [names[spot] for spot in spots], parts, ways)


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
