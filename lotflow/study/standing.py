"""How long full low spots stand where only the soil drains them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from lotflow.drains.discharge_findings import StandingPlace, standing_findings
from lotflow.drains.standing_water import SoakAway, ground_infiltration, soak_away
from lotflow.study.chapter import Chapter

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
    places = _places(
        lot, ground_infiltration(cover, lot.job.job.soil_group, lot.job.job.soak_test_m_s)
    )
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
    x, y = grid.xy(*np.divmod(spots.bed_cell, grid.shape[1]))
    beds, walls = shapely.points(x, y), shapely.STRtree(lot.site.buildings.geometry.to_numpy())
    away = np.full(len(spots), np.nan)
    if len(walls):
        away = walls.query_nearest(beds, return_distance=True, all_matches=False)[1]
    # cells of each low spot at once: to look through all cells for each would take long
    wet = np.flatnonzero((spots.number > 0) & (spots.water > 0))
    wet = wet[np.argsort(spots.number.ravel()[wet], kind="stable")]
    ends = np.searchsorted(spots.number.ravel()[wet], np.arange(1, len(spots) + 2))
    water, soaks = spots.water.ravel(), rate.ravel()
    places = []
    for position in range(len(spots)):
        cells = wet[ends[position] : ends[position + 1]]
        places.append(
            StandingPlace(
                f"low spot {position + 1}", float(x[position]), float(y[position]),
                building_m=float(away[position]) * grid.metres_per_unit,
                # one under a roof holds no water
                soak=soak_away(water[cells], soaks[cells]) if cells.size else SoakAway(0.0, 0.0),
            )
        )  # fmt: skip
    return places


def _drained(lot: LotWater) -> set[int]:
    """Numbers of the low spots in which an inlet stands."""
    number = lot.low_spots.number.ravel()
    return {int(n) for inlet in lot.inlets.placed for n in np.unique(number[inlet.cells]) if n}
