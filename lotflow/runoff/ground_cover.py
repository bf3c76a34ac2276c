"""What covers each cell, and the runoff coefficient that follows from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.runoff.composites import composite_by_label
from lotflow.runoff.covers import SoilGroup, cover_values
from lotflow.terrain.cells import polygon_cells

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray


@dataclass(frozen=True)
class DrawnCover:
    """
    A cover polygon as the user drew it.

    Parameters
    ----------
    key
        Key of the cover table.
    geometry
        Polygon in the grid's CRS.
    coefficient
        Runoff coefficient instead of the table's; NaN where not given.
    """

    key: str
    geometry: Any
    coefficient: float = np.nan


@dataclass(frozen=True, eq=False)
class GroundCover:
    """
    The cover of every cell.

    Parameters
    ----------
    keys
        Covers that occur; the first is that of ground without a polygon.
    number
        Shape of the grid: index into `keys`.
    coefficient
        Shape of the grid: runoff coefficient without frequency factor.
    drawn
        Cells that have a cover polygon, a roof or open water.
    overlapping
        Cells on which cover polygons of different kinds overlap; the later row counts.
    """

    keys: tuple[str, ...]
    number: IntArray
    coefficient: FloatArray
    drawn: BoolArray
    overlapping: BoolArray


def ground_cover(
    grid: Grid,
    drawn: Sequence[DrawnCover],
    *,
    roof: BoolArray,
    water: BoolArray,
    ground: str,
    soil_group: SoilGroup,
    slope: float,
) -> GroundCover:
    """
    Find the cover of every cell and its runoff coefficient.

    A roof counts as roof and open water as water whatever is drawn over them.

    Parameters
    ----------
    grid
        Gives the cells.
    drawn
        Cover polygons; where they overlap the later one counts.
    roof, water
        Cells of roofs and of open water.
    ground
        Cover of ground without a polygon.
    soil_group
        Hydrologic soil group.
    slope
        Typical slope of the ground.
    """
    keys = tuple(dict.fromkeys([ground, "roof", "water", *(cover.key for cover in drawn)]))
    table = cover_values(keys, soil_group, slope).runoff_coefficient
    number = np.zeros(grid.shape, dtype=np.int32)
    own = np.full(grid.shape, np.nan)
    has_polygon = np.zeros(grid.shape, dtype=bool)
    overlapping = np.zeros(grid.shape, dtype=bool)
    for cover in drawn:
        inside = polygon_cells(cover.geometry, grid)
        index = keys.index(cover.key)
        overlapping |= inside & has_polygon & (number != index)
        number[inside] = index
        own[inside] = cover.coefficient
        has_polygon |= inside
    for cells, key in ((water, "water"), (roof, "roof")):
        number[cells] = keys.index(key)
        own[cells] = np.nan
    return GroundCover(
        keys=keys,
        number=number,
        coefficient=np.where(np.isnan(own), table[number], own),
        drawn=has_polygon | roof | water,
        overlapping=overlapping & ~roof & ~water,
    )


def catchment_coefficients(
    coefficient: FloatArray, label: IntArray, known: BoolArray, inlets: int
) -> FloatArray:
    """
    Composite runoff coefficient of each inlet's catchment.

    Parameters
    ----------
    coefficient
        Of each cell.
    label
        Number of the inlet that each cell drains to, from 1.
    known
        Cells that count.
    inlets
        Number of inlets.
    """
    return composite_by_label(coefficient[known], 1.0, label[known] - 1, inlets)
