"""How long full low spots stand where only the soil drains them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from lotflow.drains.discharge_findings import StandingPlace, soaking_time, standing_findings
from lotflow.runoff.covers import cover_values
from lotflow.study.chapter import Chapter
from lotflow.terrain.cells import polygon_cells

if TYPE_CHECKING:
    from lotflow.study.lot_water import LotWater


def standing_chapter(lot: LotWater) -> Chapter:
    """
    Find how long each low spot takes to soak away, and which of those on the lot take too long.

    Parameters
    ----------
    lot
        Ground, low spots, covers and soil.
    """
    places = _places(lot)
    soil = lot.job.job.soil_group
    hours = np.array([soaking_time(place, soil) / 3600 for place in places], dtype=float)
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
        columns={"low_spots": {"soak_away_h": np.where(np.isinf(hours), np.nan, hours)}},
        findings=standing_findings(judged, soil),
    )


def _places(lot: LotWater) -> list[StandingPlace]:
    """All low spots, with what covers their deepest places."""
    spots, surface = lot.low_spots, lot.window.surface
    grid = surface.ground
    cover = np.full(grid.shape, lot.job.job.ground, dtype=object)
    for key, shape in zip(lot.site.covers["cover"], lot.site.covers.geometry, strict=True):
        cover[polygon_cells(shape, grid)] = key
    cover[surface.roof] = "roof"
    of_bed = [str(key) for key in cover.ravel()[spots.bed_cell]]
    kinds = list(dict.fromkeys(of_bed)) or [lot.job.job.ground]
    taken_in = dict(zip(kinds, cover_values(kinds).infiltration, strict=True))
    walls = lot.site.buildings.geometry.union_all()
    places = []
    for position, cell in enumerate(spots.bed_cell):
        x, y = (float(value) for value in grid.xy(*divmod(int(cell), grid.shape[1])))
        away = shapely.Point(x, y).distance(walls) * grid.metres_per_unit
        places.append(
            StandingPlace(
                f"low spot {position + 1}", x, y, float(spots.depth[position]),
                building_m=float(away) if len(lot.site.buildings) else float("nan"),
                cover=of_bed[position], infiltration=str(taken_in[of_bed[position]]),
            )
        )  # fmt: skip
    return places


def _drained(lot: LotWater) -> set[int]:
    """Numbers of the low spots in which an inlet stands."""
    number = lot.low_spots.number.ravel()
    return {int(n) for inlet in lot.inlets.placed for n in np.unique(number[inlet.cells]) if n}
