"""Records of what stands after a storm: ponds, where they run over, the balance of a case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.terrain.pond_network import WAYS_OUT

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lotflow.drains.standing_water import SoakAway
    from lotflow.grid import FloatArray
    from lotflow.terrain.freeboard import Freeboard

LOT: Final = "lot"
BEYOND: Final = "beyond the lot"


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
    outline
        Its cells as a polygon.
    soak
        How it soaks away.
    freeboard
        What it comes closest to entering; None far from buildings.
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
    outline: Any
    soak: SoakAway
    freeboard: Freeboard | None
    spill: Spill | None

    @property
    def reaches_building(self) -> bool:
        """Whether it stands at a wall as high as water enters."""
        return self.freeboard is not None and self.freeboard.is_reached

    def is_close(self, accuracy: float) -> bool:
        """
        Tell whether it stands at a wall, below what it must not reach by less than can be told.

        Parameters
        ----------
        accuracy
            Of the elevation data [m].
        """
        near = self.freeboard
        return near is not None and near.at_wall and 0 < near.freeboard < accuracy


@dataclass(frozen=True, eq=False)
class CaseStorm:
    """
    Where the water of one storm is, for one set of open inlets.

    Parameters
    ----------
    case
        Name of the case.
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
    surfaced_m3
        Roof water led into drains that came up out of them again.
    """

    case: str
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
    surfaced_m3: float = 0.0

    @property
    def taken_m3(self) -> FloatArray:
        """What each inlet took [m^3]."""
        comes = self.direct_m3 + self.passed_on_m3 + self.from_inlets_m3 + self.backs_up_m3
        return comes - self.refused_m3 - self.gone_on_m3

    @property
    def residual_m3(self) -> float:
        """Runoff less what stands, was taken and left; 0 but for rounding [m^3]."""
        gone = float(self.taken_m3.sum() + self.left_m3.sum())
        return self.runoff_m3 - self.ponded_m3 - gone


def left_by_way(storm: CaseStorm) -> dict[str, float]:
    """
    Name what left the window.

    Parameters
    ----------
    storm
        Gives the volumes.

    Returns
    -------
    left
        By way out [m^3].
    """
    return dict(zip(WAYS_OUT, storm.left_m3.tolist(), strict=True))
