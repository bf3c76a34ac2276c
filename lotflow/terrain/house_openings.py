"""Openings of buildings: how far they stand above the ground and above water beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.level_error import SPREAD_95
from lotflow.terrain.lower_places import open_ground

if TYPE_CHECKING:
    from lotflow.grid import BoolArray
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.surface import Surface

#: Ground this close to an opening is beside it [m].
_BESIDE_M: Final = 1.5
#: A low spot this close to an opening can bring water to it [m]: the first 10 ft.
_WATER_M: Final = 3.048


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
        Highest ground beside it [m]; NaN where there is none.
    low_spot
        Number of the low spot beside it that overflows highest; None where there is none.
    spill
        Level at which that low spot overflows [m]; NaN where there is none.
    deviation_m
        Standard deviation of a level of the elevation data [m]; the sill was taken on site.
    not_closed
        Whether the basin of that low spot is not closed by the data: its level is at least this.
    """

    name: str
    kind: str
    point: Any
    sill: float
    ground: float
    low_spot: int | None
    spill: float
    deviation_m: float
    not_closed: bool = False

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
        """Half the 95 % interval of the sill above either level [m]."""
        return SPREAD_95 * self.deviation_m

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
        Low spots without inlets; artefacts do not count.
    rmse_m
        Vertical accuracy of the elevation data [m].
    not_closed
        Whether the basin of each low spot is not closed by the data; None where all are.
    """
    level = open_ground(surface)[_near(opening.point, surface, _BESIDE_M)]
    level = level[np.isfinite(level)]
    number, spill = _highest_water(opening.point, surface, spots)
    return OpeningLevels(
        opening.name, opening.kind, opening.point, opening.sill,
        ground=float(level.max()) if level.size else float("nan"),
        low_spot=number, spill=spill, deviation_m=rmse_m,
        not_closed=bool(number and not_closed is not None and not_closed[number - 1]),
    )  # fmt: skip


def _near(point: Any, surface: Surface, reach_m: float) -> BoolArray:
    """Cells whose centre lies within reach of a point."""
    grid = surface.ground
    row, column = np.mgrid[: grid.shape[0], : grid.shape[1]]
    x, y = grid.xy(row, column)
    return np.asarray(np.hypot(x - point.x, y - point.y) * grid.metres_per_unit <= reach_m)


def _highest_water(point: Any, surface: Surface, spots: LowSpots) -> tuple[int | None, float]:
    """Low spot beside a point that overflows highest, and its level."""
    near = np.unique(spots.number[_near(point, surface, _WATER_M)])
    real = [int(number) for number in near if number and not spots.artefact[number - 1]]
    if not real:
        return None, float("nan")
    highest = max(real, key=lambda number: spots.spill[number - 1])
    return highest, float(spots.spill[highest - 1])
