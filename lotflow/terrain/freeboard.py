"""
Where standing water touches walls and openings of buildings, and how far below their sills.

How far openings stand above the ground and the water beside them is told from the same data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from lotflow.terrain.cells import boxes_of_parts, cells_from
from lotflow.terrain.level_error import SPREAD_95
from lotflow.terrain.low_spots import Artefact
from lotflow.terrain.lower_places import open_ground

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.surface import Surface

#: Ground round a building in which standing water is of concern to it: 10 ft [m].
HOUSE_REACH_M: Final = 3.048
#: Water this close to the middle of an opening, along the wall or out, stands at it: half a wide
#: door; the eight neighbours of its cell count on any grid [m].
AT_OPENING_M: Final = 0.75

Basis = Literal["threshold", "sill", ""]


@dataclass(frozen=True, eq=False)
class Threshold:
    """
    What water may enter: a building along its walls, or one opening of it.

    Parameters
    ----------
    name
        Of the building or opening.
    basis
        What the level is: a building's threshold or an opening's sill as given, empty where none
        is. Ground at the wall never stands in for it.
    level
        Elevation at which water enters [m]; NaN where it is not given.
    wall
        Flat indices of the ground cells beside it, over which water enters.
    near
        Flat indices of the ground cells within `HOUSE_REACH_M`, those beside it included.
    is_opening
        Whether it is an opening.
    is_own
        Whether it belongs to a building of the lot.
    building
        Name of the building: its own, or that in which the opening is; empty where none is near.
    """

    name: str
    basis: Basis
    level: float
    wall: NDArray[np.int64]
    near: NDArray[np.int64]
    is_opening: bool = False
    is_own: bool = True
    building: str = ""

    @property
    def is_given(self) -> bool:
        """Whether the level is known."""
        return bool(self.basis)


@dataclass(frozen=True)
class Freeboard:
    """
    A body of water at, or near, one wall or opening.

    Parameters
    ----------
    level
        Highest level of the water over the cells that touch it, or, of water that touches none,
        over those within reach [m].
    depth
        Greatest depth of the water over the cells that touch it [m]; 0 where none does.
    cell
        Flat index of the cell where it is so deep, or so high.
    """

    threshold: Threshold
    level: float
    depth: float
    cell: int

    @property
    def at_wall(self) -> bool:
        """Whether the water touches the wall or opening."""
        return self.depth > 0

    @property
    def freeboard(self) -> float:
        """Level at which water enters less that of the water; NaN where the first is not given."""
        return self.threshold.level - self.level

    @property
    def is_reached(self) -> bool:
        """Whether water stands at the wall as high as a level at which it is known to enter."""
        return self.at_wall and self.freeboard <= 0

    def is_close(self, accuracy: float) -> bool:
        """
        Tell whether it touches, below what it must not reach by less than can be told.

        Parameters
        ----------
        accuracy
            Of the elevation data [m].
        """
        return self.at_wall and 0 < self.freeboard < accuracy


def building_thresholds(
    surface: Surface,
    names: Sequence[str],
    levels: Sequence[float],
    own: Sequence[bool] | None = None,
) -> list[Threshold]:
    """
    Find the ground round each building.

    Parameters
    ----------
    names, levels
        Of the buildings, in the order of their numbers; a level is NaN where none is given [m].
    own
        Which of them stand on the lot; None for all.

    Returns
    -------
    thresholds
        One for each building that has ground beside it.
    """
    reach = max(int(np.ceil(HOUSE_REACH_M / surface.ground.cell_m)), 1)
    found = []
    for position, place in enumerate(boxes_of_parts(surface.building)):
        if place is None:
            continue
        window = _widened(place, reach, surface.ground.shape)
        wall, near = _round(surface, window, surface.building[window] == position + 1)
        if wall.size:
            level = float(levels[position])
            basis: Basis = "" if np.isnan(level) else "threshold"
            is_own = own is None or bool(own[position])
            name = names[position]
            found.append(Threshold(name, basis, level, wall, near, is_own=is_own, building=name))
    return found


def _widened(place: tuple[slice, ...], reach: int, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Widen a window by some cells within the grid."""
    rows, columns = place
    return (
        slice(max(rows.start - reach, 0), min(rows.stop + reach, shape[0])),
        slice(max(columns.start - reach, 0), min(columns.stop + reach, shape[1])),
    )


def _round(
    surface: Surface, window: tuple[slice, slice], core: BoolArray, beside_m: float = 0.0
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Ground cells beside and near the marked ones of a window."""
    away, cell_m = cells_from(core), surface.ground.cell_m
    ground = ~(surface.roof | surface.missing)[window]
    rows, columns = np.mgrid[window]
    cell = rows * surface.ground.shape[1] + columns
    # the eight neighbours, or more on a fine grid
    beside = ground & ((away < 1.5) | (away * cell_m <= beside_m))
    near = ground & (away * cell_m <= HOUSE_REACH_M) | beside
    return cell[beside], cell[near]


def opening_thresholds(
    surface: Surface,
    names: Sequence[str],
    cells: Sequence[int],
    sills: Sequence[float],
    buildings: Sequence[str] = (),
) -> list[Threshold]:
    """
    Give the openings through which water enters a building.

    Parameters
    ----------
    surface
        Tells ground from roof.
    cells
        Flat index of the cell in which each was drawn; under a roof its eaves count.
    sills
        Levels at which water enters; NaN where none is given [m].
    buildings
        Names of the buildings they are in, one each; none where not known.
    """
    shape = surface.ground.shape
    reach = max(int(np.ceil(HOUSE_REACH_M / surface.ground.cell_m)), 1)
    found = []
    inside = buildings or [""] * len(names)
    for name, cell, sill, building in zip(names, cells, sills, inside, strict=True):
        row, column = divmod(int(surface.eave_cell.ravel()[cell]), shape[1])
        window = _widened((slice(row, row + 1), slice(column, column + 1)), reach, shape)
        core = np.zeros(tuple(part.stop - part.start for part in window), dtype=bool)
        core[row - window[0].start, column - window[1].start] = True
        wall, near = _round(surface, window, core, AT_OPENING_M)
        basis: Basis = "" if np.isnan(sill) else "sill"
        found.append(
            Threshold(name, basis, float(sill), wall, near, is_opening=True, building=building)
        )
    return found


def freeboards(
    number: IntArray, level: FloatArray, depth: FloatArray, thresholds: Sequence[Threshold]
) -> dict[int, tuple[Freeboard, ...]]:
    """
    Find all that each body of water touches or comes near to, and how deep it stands there.

    Water is judged where it touches: by its greatest depth and level over the cells beside the
    wall or opening, never by ground elsewhere round the building.

    Parameters
    ----------
    number
        Shape of the grid: number of the body of water on each cell, from 1; 0 where it is dry.
    level, depth
        Shape of the grid: elevation of the water's surface, and its depth [m].

    Returns
    -------
    freeboards
        By number of the body, the most urgent first: what it touches before what is near, levels
        that are given before those that are not. A body far from all buildings is left out.
    """
    number, level, depth = number.ravel(), level.ravel(), depth.ravel()
    found: dict[int, list[Freeboard]] = {}
    for threshold in thresholds:
        beside = number[threshold.wall]
        touching = set(beside[beside > 0].tolist())
        around = number[threshold.near]
        for body in np.unique(around[around > 0]).tolist():
            if body in touching:
                cells = threshold.wall[beside == body]
                cell = int(cells[np.argmax(depth[cells])])
                deepest = float(depth[cell])
            else:
                cells = threshold.near[around == body]
                cell, deepest = int(cells[np.argmax(level[cells])]), 0.0
            highest = float(level[cells].max())
            found.setdefault(body, []).append(Freeboard(threshold, highest, deepest, cell))
    return {body: tuple(sorted(walls, key=_urgency)) for body, walls in found.items()}


def _urgency(wall: Freeboard) -> tuple[bool, bool, float, bool, float]:
    """Order: at the wall, level given, least freeboard, the lot's own, deepest."""
    margin = wall.freeboard if wall.threshold.is_given else 0.0
    given = wall.threshold.is_given
    return not wall.at_wall, not given, margin, not wall.threshold.is_own, -wall.depth


#: Ground from here to there before an opening counts as that beside it: not the cells at the wall,
#: which may hold a step, a sill or the wall itself [m].
_BESIDE_M: Final = (0.5, 1.5)
#: On a coarse grid the ground counts as far as this many cells.
_BESIDE_CELLS: Final = 1.5
#: Half the range between these is one standard deviation, if levels are spread normally.
_PERCENTILES: Final = (16, 84)


@dataclass(frozen=True)
class DrawnOpening:
    """
    An opening as the user drew it.

    Parameters
    ----------
    name, kind
        How it is called and what it is.
    point
        In the grid's CRS.
    sill
        Level at which water enters [m]; NaN where not given.
    """

    name: str
    kind: str
    point: Any
    sill: float


@dataclass(frozen=True)
class OpeningLevels:
    """
    An opening and the levels round it.

    Parameters
    ----------
    ground
        Median of the ground beside it [m]; NaN where there is none.
    spread
        Half the range of that ground between its percentiles 16 and 84 [m].
    low_spot
        Number of the low spot beside it that overflows highest, of those that reach it if there
        are; None where there is none.
    spill
        Level at which that low spot overflows [m]; NaN where there is none.
    is_touched
        Whether the full low spot stands at the opening, not only near it.
    deviation_m
        Standard deviation of a level of the ground beside it [m]; the sill was taken on site.
    spill_deviation_m
        The same where that low spot overflows; NaN for the same.
    not_closed
        Whether the basin of that low spot is not closed by the data: its level is at least this.
    artefact
        Why that low spot may be no standing water; empty if nothing speaks against it.
    """

    name: str
    kind: str
    point: Any
    sill: float
    ground: float
    spread: float
    low_spot: int | None
    spill: float
    is_touched: bool
    deviation_m: float
    not_closed: bool = False
    artefact: str = ""
    spill_deviation_m: float = math.nan

    @property
    def above_ground(self) -> float:
        """Sill above the ground beside it [m]."""
        return self.sill - self.ground

    @property
    def freeboard(self) -> float:
        """Sill above the level at which the low spot beside it overflows [m]."""
        return self.sill - self.spill

    @property
    def doubt(self) -> float:
        """Half the 95 % interval of the sill above the level of the low spot [m]."""
        known = math.isfinite(self.spill_deviation_m)
        return SPREAD_95 * (self.spill_deviation_m if known else self.deviation_m)

    @property
    def ground_doubt(self) -> float:
        """Half the 95 % interval of the sill above the ground, whose spread counts too [m]."""
        return SPREAD_95 * math.hypot(self.deviation_m, self.spread)

    @property
    def freeboard_low(self) -> float:
        """Lower end of the 95 % interval of the freeboard [m]."""
        return self.freeboard - self.doubt

    @property
    def freeboard_high(self) -> float:
        """Upper end of the 95 % interval of the freeboard [m]."""
        return self.freeboard + self.doubt


def opening_levels(
    opening: DrawnOpening,
    surface: Surface,
    spots: LowSpots,
    *,
    rmse_m: float,
    not_closed: BoolArray | None = None,
) -> OpeningLevels:
    """
    Compare an opening with the ground and the water level beside it.

    Parameters
    ----------
    spots
        Low spots without inlets; artefacts do not count, those that a culvert may drain do.
    rmse_m
        Vertical accuracy of the elevation data [m].
    not_closed
        Whether the basin of each low spot is not closed by the data; None where all are.
    """
    away = _distance(opening.point, surface)
    nearest, farthest = _BESIDE_M
    farthest = max(farthest, _BESIDE_CELLS * surface.ground.cell_m)
    level = open_ground(surface)[(away >= nearest) & (away <= farthest)]
    level = level[np.isfinite(level)]
    low, middle, high = (
        np.percentile(level, (_PERCENTILES[0], 50, _PERCENTILES[1])) if level.size else [np.nan] * 3
    )
    number, spill, touched = _highest_water(
        _distance_from_eave(opening.point, surface), surface.ground.cell_m, spots
    )
    return OpeningLevels(
        opening.name, opening.kind, opening.point, opening.sill,
        ground=float(middle), spread=float(high - low) / 2, low_spot=number, spill=spill,
        is_touched=touched, deviation_m=rmse_m,
        not_closed=bool(number and not_closed is not None and not_closed[number - 1]),
        artefact=_doubt_of(number, spots),
    )  # fmt: skip


def nearest_ground(point: Any, surface: Surface) -> tuple[float, float]:
    """Give the middle of the open cell nearest to a point; the point itself where none is near."""
    away = np.where(np.isfinite(open_ground(surface)), _distance(point, surface), np.inf)
    best = int(np.argmin(away))
    if away.ravel()[best] > max(_BESIDE_M[1], _BESIDE_CELLS * surface.ground.cell_m):
        return float(point.x), float(point.y)
    x, y = surface.ground.xy(*divmod(best, surface.ground.shape[1]))
    return float(x), float(y)


def _distance(point: Any, surface: Surface) -> FloatArray:
    """Distance of the centre of each cell from a point [m]."""
    grid = surface.ground
    row, column = np.mgrid[: grid.shape[0], : grid.shape[1]]
    x, y = grid.xy(row, column)
    return np.asarray(np.hypot(x - point.x, y - point.y) * grid.metres_per_unit)


def _distance_from_eave(point: Any, surface: Surface) -> FloatArray:
    """Distance of each cell from that of the opening, or from the ground before it [cells * m]."""
    grid = surface.ground
    row, column = grid.row_column(np.array([point.x]), np.array([point.y]))
    if not grid.contains(row, column)[0]:
        return np.full(grid.shape, np.inf)
    eave = int(surface.eave_cell[int(row[0]), int(column[0])])
    core = np.zeros(grid.shape, dtype=bool)
    core.ravel()[eave] = True
    return cells_from(core) * grid.cell_m


def _highest_water(
    away: FloatArray, cell_m: float, spots: LowSpots
) -> tuple[int | None, float, bool]:
    """Low spot that overflows highest, of those at the opening or else near it, and its level."""
    at_it = max(1.5 * cell_m, AT_OPENING_M)
    for reach, touches in ((at_it, True), (max(HOUSE_REACH_M, at_it), False)):
        real = [
            int(number)
            for number in np.unique(spots.number[away <= reach])
            if number and spots.artefact[number - 1] in ("", Artefact.DAMMED)
        ]
        if real:
            highest = max(real, key=lambda number: spots.spill[number - 1])
            return highest, float(spots.spill[highest - 1]), touches
    return None, float("nan"), False


def _doubt_of(number: int | None, spots: LowSpots) -> str:
    """Why a low spot may be no standing water."""
    return spots.artefact[number - 1] if number else ""
