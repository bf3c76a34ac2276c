"""The grids of a result: the ground, its low spots, where its water runs and who takes it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from lotflow.grid import Grid
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.routing import Routing


@dataclass(frozen=True, eq=False)
class Raster:
    """
    A grid of the result.

    Parameters
    ----------
    grid
        The values and where they are.
    description
        What they are.
    unit
        Their unit.
    """

    grid: Grid
    description: str
    unit: str


def low_spot_depth(ground: Grid, spots: LowSpots) -> Grid:
    """Depth of low spots below their spill level [m]; NaN beside them."""
    return ground.with_values(np.where(spots.number > 0, spots.water, np.nan))


def ground_rasters(ground: Grid, routing: Routing, spots: LowSpots) -> dict[str, Raster]:
    """
    Give the rasters of the ground and its water by the name of their file.

    Parameters
    ----------
    ground
        Elevations [m].
    routing
        With the inlets of the main case.
    spots
        Where water can stand without inlets.
    """
    area = np.where(routing.surface.missing, np.nan, routing.total * ground.cell_m2)
    return {
        "ground.tif": Raster(ground, "ground elevation", "m"),
        "low_spot_depth.tif": Raster(
            low_spot_depth(ground, spots), "depth of low spots below their spill level", "m"
        ),
        "contributing_area.tif": Raster(ground.with_values(area), "contributing area", "m2"),
        "flow_direction.tif": Raster(
            ground.with_values(routing.field.direction),
            "1 to 8 for W NW N NE E SE S SW, 0 takes water", "code",
        ),
        "inlet.tif": Raster(
            ground.with_values(routing.label.astype(np.int32)),
            "number of the inlet that takes the water, 0 for none", "code",
        ),
    }  # fmt: skip
