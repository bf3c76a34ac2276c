"""Low spots, inlets and what runs over the ground as layers: what is known of each, beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs import result_layers as layers
from lotflow.outputs.ground_layers import (
    InletFacts,
    LowSpotFacts,
    catchment_layers,
    inlets_layer,
    inner_low_spots_layer,
    low_spots_layer,
    spill_points_layer,
)
from lotflow.terrain.catchments import lot_line_crossings
from lotflow.terrain.contours import Contour, contour_interval, contours
from lotflow.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Sequence

    import shapely
    from geopandas import GeoDataFrame

    from lotflow.grid import BoolArray, Grid
    from lotflow.terrain.catchments import CatchmentCells, Crossing
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.inlets import InletStudy
    from lotflow.terrain.low_spots import InnerLowSpot, LowSpots
    from lotflow.terrain.origins import Origin
    from lotflow.terrain.routing import Routing
    from lotflow.units import UnitSystem

#: Length of the stretches of the lot line over which crossing water is summed up [m].
STRETCH_M: Final = 5.0
#: Crossings smaller than this are only counted in the balance [m^2].
_LEAST_CROSSING_M2: Final = 5.0
#: Shorter scraps of contours tell nothing of a lot [m].
_SHORTEST_CONTOUR_M: Final = 5.0


def low_spot_layers(
    spots: LowSpots, inner: Sequence[InnerLowSpot], grid: Grid, facts: LowSpotFacts,
    buildings: GeoDataFrame,
) -> dict[str, GeoDataFrame]:  # fmt: skip
    """Give the low spots, those nested in them, and where they run over."""
    return {
        "low_spots": low_spots_layer(spots, grid, facts, inner, buildings),
        "inner_low_spots": inner_low_spots_layer(inner, grid),
        "spill_points": spill_points_layer(spots, grid),
    }


def inlet_layers(
    inlets: InletStudy, cells: CatchmentCells, kinds: Sequence[str | None], spots: LowSpots,
    not_closed: BoolArray,
) -> dict[str, GeoDataFrame]:  # fmt: skip
    """
    Give the inlets and their catchments.

    `kinds` is the kind of each inlet, or None; `not_closed` whether the data leave the basin of
    each low spot open.
    """
    facts = InletFacts(
        kind=kinds,
        cells=cells,
        not_closed=_inlets_not_closed(inlets.placed, cells, spots, not_closed),
        before_move=inlets.before_move,
        residual=inlets.residual,
    )
    names = [inlet.drawn.name for inlet in inlets.placed]
    outlines, exact = catchment_layers(inlets.routing, names, cells.cut_by_edge)
    return {
        "inlets": inlets_layer(inlets.placed, inlets.routing, facts),
        "catchments": outlines,
        "catchment_cells": exact,
    }


def told_crossings(routing: Routing, lot: BoolArray, outline: shapely.Geometry) -> list[Crossing]:
    """Find where water crosses the lot line, what is less than 5 m^2 left out."""
    crossings = lot_line_crossings(routing, lot, outline.boundary, STRETCH_M)
    cell_m2 = routing.surface.ground.cell_m2
    return [one for one in crossings if one.area * cell_m2 >= _LEAST_CROSSING_M2]


def water_parts_table(found: Sequence[Origin], grid: Grid) -> pd.DataFrame:
    """Give where the water of places comes from."""
    names = [column.name for column in RESULT_LAYERS["water_parts"].columns]
    rows = []
    for one in found:
        x, y = (np.nan, np.nan) if one.cell < 0 else grid.xy(*divmod(one.cell, grid.shape[1]))
        rows.append((
            one.subject, one.source, one.name, one.cells * grid.cell_m2, one.is_led_in,
            float(x), float(y),
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def contours_layer(grid: Grid, units: UnitSystem, rmse_m: float) -> GeoDataFrame:
    """Give contours, even in the units of the report; without any relief there are none."""
    known = grid.values[~grid.missing]
    relief = float(np.ptp(known)) if known.size else 0.0
    lines: Sequence[Contour] = []
    if relief > 0:
        unit = METRES_PER_FOOT if units == "us" else 1.0
        interval = contour_interval(relief, rmse_m, unit)
        lines = contours(grid, interval, shortest_m=_SHORTEST_CONTOUR_M)
    return layers.contours_layer(lines, grid, units)


def _inlets_not_closed(
    placed: Sequence[SetInlet], cells: CatchmentCells, spots: LowSpots, not_closed: BoolArray
) -> list[bool]:
    """Tell of each inlet whether its catchment or the low spot it stands in is not closed."""
    is_open = np.append(False, not_closed)
    return [
        bool(cut or is_open[spots.number.ravel()[inlet.cells]].any())
        for inlet, cut in zip(placed, cells.cut_by_edge, strict=True)
    ]


def inlets_in(spots: LowSpots, placed: Sequence[SetInlet]) -> list[str]:
    """Names of the inlets that stand in each low spot."""
    inside: list[list[str]] = [[] for _ in range(len(spots) + 1)]
    for inlet in placed:
        for number in np.unique(spots.number.ravel()[inlet.cells]):
            inside[number].append(inlet.drawn.name)
    return [", ".join(names) for names in inside[1:]]
