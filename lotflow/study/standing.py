"""How long full low spots stand where only the soil drains them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from lotflow.drains.discharge_findings import StandingPlace, standing_findings
from lotflow.drains.standing_water import SoakAway, soak_away
from lotflow.study.chapter import Chapter
from lotflow.study.cover import ground_infiltration

if TYPE_CHECKING:
    from lotflow.grid import FloatArray
    from lotflow.runoff.ground_cover import GroundCover
    from lotflow.study.lot_water import LotWater


def standing_chapter(lot: LotWater, cover: GroundCover) -> Chapter:
    """
    Find how long each low spot takes to soak away, and which of those on the lot take too long.

    Parameters
    ----------
    lot
        Ground, low spots and soil.
    cover
        Of every cell.
    """
    places = _places(lot, ground_infiltration(lot.job.job, cover))
    hours = np.array([place.hours for place in places], dtype=float)
    on_lot = np.bincount(
        lot.low_spots.number[lot.window.lot], minlength=len(lot.low_spots) + 1
    )[1:]  # fmt: skip
    drained = _drained(lot)
    judged = [
        place
        for number, place in enumerate(places, 1)
        if on_lot[number - 1] and number not in drained and not lot.low_spots.artefact[number - 1]
    ]
    return Chapter(
        columns={"low_spots": {"soak_away_h": np.where(np.isfinite(hours), hours, np.nan)}},
        findings=standing_findings(judged),
    )


def _places(lot: LotWater, rate: FloatArray) -> list[StandingPlace]:
    """All low spots, and how each soaks away."""
    spots, grid = lot.low_spots, lot.window.surface.ground
    walls = lot.site.buildings.geometry.union_all()
    places = []
    for position, cell in enumerate(spots.bed_cell):
        x, y = (float(value) for value in grid.xy(*divmod(int(cell), grid.shape[1])))
        away = shapely.Point(x, y).distance(walls) * grid.metres_per_unit
        wet = (spots.number == position + 1) & (spots.water > 0)
        places.append(
            StandingPlace(
                f"low spot {position + 1}", x, y,
                building_m=float(away) if len(lot.site.buildings) else float("nan"),
                # one under a roof holds no water
                soak=soak_away(spots.water[wet], rate[wet]) if wet.any() else SoakAway(0.0, 0.0),
            )
        )  # fmt: skip
    return places


def _drained(lot: LotWater) -> set[int]:
    """Numbers of the low spots in which an inlet stands."""
    number = lot.low_spots.number.ravel()
    return {int(n) for inlet in lot.inlets.placed for n in np.unique(number[inlet.cells]) if n}
