"""How long full low spots stand where only the soil drains them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from lotflow.drains.discharge_findings import StandingPlace
from lotflow.drains.standing_water import SoakAway, soak_away

if TYPE_CHECKING:
    from collections.abc import Sequence

    from geopandas import GeoSeries

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.low_spots import LowSpots


def standing_places(
    spots: LowSpots, grid: Grid, rate: FloatArray, buildings: GeoSeries
) -> list[StandingPlace]:
    """
    Find how each low spot soaks away, full to its spill level.

    Parameters
    ----------
    spots
        All of them.
    grid
        The cells.
    rate
        Infiltration of each cell [m/s].
    buildings
        Footprints, in the grid's CRS.
    """
    x, y = grid.xy(*np.divmod(spots.bed_cell, grid.shape[1]))
    beds, walls = shapely.points(x, y), shapely.STRtree(buildings.to_numpy())
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


def judged_places(
    places: Sequence[StandingPlace], spots: LowSpots, lot: BoolArray, placed: Sequence[SetInlet]
) -> list[StandingPlace]:
    """
    Choose the low spots on the lot that are believed, and in which no inlet stands.

    Parameters
    ----------
    places
        From `standing_places`.
    spots
        The low spots.
    lot
        Cells of the lot.
    placed
        The inlets.
    """
    on_lot, number = spots.cells_in(lot), spots.number.ravel()
    drained = {int(n) for inlet in placed for n in np.unique(number[inlet.cells])}
    return [
        place
        for n, place in enumerate(places, 1)
        if on_lot[n - 1] and n not in drained and not spots.artefact[n - 1]
    ]


def hours_to_soak(places: Sequence[StandingPlace]) -> FloatArray:
    """Hours until each low spot has soaked away; NaN where some of it never does."""
    hours = np.array([place.hours for place in places], dtype=float)
    return np.where(np.isfinite(hours), hours, np.nan)
