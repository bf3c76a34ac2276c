"""What stands after a storm: ponds, where they run over, what rises, and what matters most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from lotflow.findings import OPEN_GROUND
from lotflow.terrain.ponding import WAYS_OUT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.drains.standing_water import SoakAway
    from lotflow.grid import FloatArray
    from lotflow.scenarios import Scenario
    from lotflow.terrain.freeboard import Freeboard

LOT: Final = "lot"
BEYOND: Final = "beyond the lot"
#: Water that rises less than this is told only where nothing rises more [m].
SEEN_M: Final = 0.005


@dataclass(frozen=True, eq=False)
class Spill:
    """
    Where a full pond runs over.

    Parameters
    ----------
    cell
        Flat index of the cell over which it runs.
    way
        Flat indices of the cells of its way.
    to
        What it reaches first.
    onto
        `LOT` or `BEYOND`.
    """

    cell: int
    way: NDArray[np.int64]
    to: str
    onto: str


def is_same_spill(first: Spill | None, second: Spill | None) -> bool:
    """Tell whether water runs over at the same place, by the same way, to the same."""
    if first is None or second is None:
        return first is second
    alike = (first.cell, first.to, first.onto) == (second.cell, second.to, second.onto)
    return alike and np.array_equal(first.way, second.way)


@dataclass(frozen=True, eq=False)
class Pond:
    """
    A body of water that is reported.

    Parameters
    ----------
    low_spot
        Number of the low spot it stands in.
    bed_cell
        Flat index of its deepest cell.
    level, depth
        Elevation of its surface, greatest depth [m].
    area_m2, volume_m3, overflow_m3
        Under water, standing, and running over.
    on_lot
        Whether it stands on the lot, or only near it.
    not_closed
        Whether more water may come to it, or be held in it, than the data show: its depth is at
        least what is given.
    outline
        Its cells as a polygon.
    soak
        How it soaks away, and drains through the inlets in it.
    through_inlets
        Whether it drains through any.
    walls
        Walls and openings that it touches or comes near to, the most urgent first.
    paved_m2, off_lot_m2
        Of its area: over paving, and beyond the lot.
    spill
        Where it runs over; None while it is not full.
    """

    low_spot: int
    bed_cell: int
    level: float
    depth: float
    area_m2: float
    volume_m3: float
    overflow_m3: float
    on_lot: bool
    not_closed: bool
    outline: Any
    soak: SoakAway
    through_inlets: bool
    walls: tuple[Freeboard, ...]
    paved_m2: float
    off_lot_m2: float
    spill: Spill | None


@dataclass(frozen=True, eq=False)
class Rise:
    """
    A body of water that stands higher, or where it was dry, than with every inlet open.

    Parameters
    ----------
    rise
        Greatest over its cells: its level less that of the water, or of the ground, with every
        inlet open [m].
    cell
        Flat index of the cell where it rises so much.
    raised_m2, raised_m3
        Area over which it rises, and what stands there more.
    level, depth
        Elevation of its surface, greatest depth [m].
    area_m2, volume_m3
        Of all of it.
    low_spot
        Number of the low spot it stands in; 0 for none.
    not_closed
        Whether the data do not show all that may come to it or be held in it.
    is_near, on_lot
        Whether some of it stands near enough to the lot to be reported, and on it.
    walls
        Walls and openings that it touches or comes near to, the most urgent first.
    paved_m2, off_lot_m2
        Of its area: over paving, and beyond the lot.
    pond
        The same water where it is reported as a pond; None where it is too shallow or far off.
    """

    rise: float
    cell: int
    raised_m2: float
    raised_m3: float
    level: float
    depth: float
    area_m2: float
    volume_m3: float
    low_spot: int
    not_closed: bool
    is_near: bool
    on_lot: bool
    walls: tuple[Freeboard, ...]
    paved_m2: float
    off_lot_m2: float
    pond: Pond | None


@dataclass(frozen=True, eq=False)
class CaseStorm:
    """
    Where the water of one storm is, for one set of open inlets.

    Parameters
    ----------
    scenario
        Which inlets are open.
    storm
        Position of the storm, from 0.
    runoff_m3, ponded_m3
        All that ran over the surface, and what of it stands.
    left_m3
        Through each way out, see `pond_network.WAYS_OUT`.
    direct_m3, passed_on_m3
        Of each inlet: reached it over open ground, and out of ponds and culverts.
    from_inlets_m3, backs_up_m3
        Came to it from inlets that refused it, and up out of its own line.
    refused_m3, gone_on_m3
        What of all that it could not take: what stands above it, and what went on.
    ponds
        Those that are reported, deepest first.
    rises
        All water of the window that stands higher than with every inlet open, in no order; empty
        where the depths with and without are the same.
    surfaced_m3
        Roof water led into drains that came up out of them again.
    """

    scenario: Scenario
    storm: int
    runoff_m3: float
    ponded_m3: float
    left_m3: FloatArray
    direct_m3: FloatArray
    passed_on_m3: FloatArray
    from_inlets_m3: FloatArray
    backs_up_m3: FloatArray
    refused_m3: FloatArray
    gone_on_m3: FloatArray
    ponds: tuple[Pond, ...]
    rises: tuple[Rise, ...] = ()
    surfaced_m3: float = 0.0

    @property
    def taken_m3(self) -> FloatArray:
        """What each inlet took [m^3]."""
        comes = self.direct_m3 + self.passed_on_m3 + self.from_inlets_m3 + self.backs_up_m3
        return comes - self.refused_m3 - self.gone_on_m3

    @property
    def carried_m3(self) -> float:
        """What all inlets took, less what came up again at others [m^3]."""
        return float(self.taken_m3.sum() - self.backs_up_m3.sum()) + self.surfaced_m3

    @property
    def residual_m3(self) -> float:
        """Runoff less what stands, was taken and left; 0 but for rounding [m^3]."""
        return self.runoff_m3 - self.ponded_m3 - self.carried_m3 - float(self.left_m3.sum())


class AtWall(NamedTuple):
    """
    What is told of water at a wall or opening.

    Parameters
    ----------
    name, is_opening
        Of the opening, or of the building at whose wall it stands.
    depth_m
        Greatest depth of the water over the cells that touch it.
    basis
        What the level is at which it would enter, "sill" or "threshold"; empty where none is
        given.
    freeboard_m
        What is left to that level, less than 0 where water stands above it; 0 where they are too
        close to be told apart, None where none is given.
    """

    name: str
    is_opening: bool
    depth_m: float
    basis: str
    freeboard_m: float | None


class Risen(NamedTuple):
    """
    What is told of water that rises when inlets are blocked.

    Parameters
    ----------
    rise_m
        None where it rises less than is told.
    least_told_m
        Smallest rise that is told.
    low_spot, is_near
        Number of the low spot, 0 for none; whether some of it stands near the lot.
    at_least
        Whether the data do not show all that may come to it or be held in it.
    depth_m, area_m2, volume_m3
        Of all that then stands there.
    stands_at, stands_at_neighbours
        Openings and walls of the lot that it touches; names of other buildings that it touches.
    left_to
        How much is left to the level of what is near, what that level is, and of what; None where
        water touches something, or nothing is near.
    overflow_m3, overflows_to, overflows_beyond_lot
        What runs over, None for nothing; to what, empty for the same low spot; and whether across
        ground beyond the lot.
    level_doubt_m
        To what the data tell levels, where that decides whether water enters; else None.
    sills_unknown
        Names of what has no sill or threshold given and would need one.
    """

    rise_m: float | None
    least_told_m: float
    low_spot: int
    is_near: bool
    at_least: bool
    depth_m: float
    area_m2: float
    volume_m3: float
    stands_at: tuple[AtWall, ...]
    stands_at_neighbours: tuple[str, ...]
    left_to: tuple[float, str, str] | None
    overflow_m3: float | None
    overflows_to: str
    overflows_beyond_lot: bool
    level_doubt_m: float | None
    sills_unknown: tuple[str, ...]


def reaches(walls: Sequence[Freeboard]) -> bool:
    """Tell whether water stands somewhere as high as it is known to enter."""
    return any(wall.is_reached for wall in walls)


def at_walls(walls: Sequence[Freeboard], *, openings: bool = False) -> list[Freeboard]:
    """Choose the walls, or the openings, that water touches."""
    return [one for one in walls if one.at_wall and one.threshold.is_opening == openings]


def touched(water: Pond | Rise) -> str:
    """
    Name what a body of water stands on or against, joined by "; ".

    Buildings at whose wall it stands, openings, "paving", "ground beyond the lot".
    """
    names = [
        one.threshold.name for one in at_walls(water.walls) + at_walls(water.walls, openings=True)
    ]
    wet = (water.paved_m2 > 0, water.off_lot_m2 > 0)
    names += [name for name, is_wet in zip(OPEN_GROUND, wet, strict=True) if is_wet]
    return "; ".join(names)


def left_by_way(storm: CaseStorm) -> dict[str, float]:
    """What left the window, by way out [m^3]."""
    return dict(zip(WAYS_OUT, storm.left_m3.tolist(), strict=True))


def worst_pond(storm: CaseStorm, artefact: Sequence[str], rmse: float) -> Pond | None:
    """
    Find the pond that matters most of those that stand.

    Ponds on the lot come first, and low spots that are doubted last; then the one that reaches a
    building, or comes closer to it than the data can tell, then the deepest.

    Parameters
    ----------
    storm
        Of one set of open inlets.
    artefact
        Of each low spot: what speaks against it.
    rmse
        Vertical accuracy of the elevation data [m].
    """

    def weight(pond: Pond) -> tuple[bool, bool, int, float]:
        return _trusted(artefact, pond), pond.on_lot, _danger(rmse, pond), pond.depth

    return max(storm.ponds, key=weight, default=None)


def worst_rise(storm: CaseStorm, artefact: Sequence[str], rmse: float) -> Rise | None:
    """
    Find the water that matters most of what stands higher than with every inlet open.

    Water near the lot comes first, and what rises too little to be seen last; then in the order
    of `worst_pond`, and of the rest what rises most.

    Parameters
    ----------
    storm
        Of one set of open inlets.
    artefact
        Of each low spot: what speaks against it.
    rmse
        Vertical accuracy of the elevation data [m].
    """

    def weight(one: Rise) -> tuple[bool, bool, bool, bool, int, float]:
        return (
            one.rise >= SEEN_M, one.is_near, _trusted(artefact, one), one.on_lot,
            _danger(rmse, one), one.rise,
        )  # fmt: skip

    return max(storm.rises, key=weight, default=None)


def _trusted(artefact: Sequence[str], water: Pond | Rise) -> bool:
    """Whether nothing speaks against the low spot in which water stands."""
    return not (water.low_spot and artefact[water.low_spot - 1])


def _danger(rmse: float, water: Pond | Rise) -> int:
    """Whether water reaches a building, may do so, or stands at one of whose sills none knows."""
    close = any(wall.is_close(rmse) for wall in water.walls)
    unknown = any(not wall.threshold.is_given for wall in at_walls(water.walls))
    return 3 if reaches(water.walls) else 2 if close else int(unknown)
