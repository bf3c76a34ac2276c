"""Openings of buildings: how far they stand above the ground and above water beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.artefacts import DAMMED
from lotflow.terrain.freeboard import AT_OPENING_M, HOUSE_REACH_M
from lotflow.terrain.level_error import SPREAD_95
from lotflow.terrain.lower_places import open_ground
from lotflow.terrain.neighbourhoods import cells_from

if TYPE_CHECKING:
    from lotflow.grid import BoolArray, FloatArray
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.surface import Surface

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
    name, kind, point, sill
        As drawn.
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
        Standard deviation of a level of the elevation data [m]; the sill was taken on site.
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
        return SPREAD_95 * self.deviation_m

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
    opening
        As drawn.
    surface
        The ground.
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
            if number and spots.artefact[number - 1] in ("", DAMMED)
        ]
        if real:
            highest = max(real, key=lambda number: spots.spill[number - 1])
            return highest, float(spots.spill[highest - 1]), touches
    return None, float("nan"), False


def _doubt_of(number: int | None, spots: LowSpots) -> str:
    """Why a low spot may be no standing water."""
    return spots.artefact[number - 1] if number else ""
