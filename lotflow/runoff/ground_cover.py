"""What covers each cell, and what the runoff methods need to know of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.runoff.covers import CoverValues, SoilGroup, cover_values, with_given_values
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
    coefficient, curve_number
        Instead of the table's; NaN where not given [-].
    """

    key: str
    geometry: Any
    coefficient: float = np.nan
    curve_number: float = np.nan

    @property
    def kind(self) -> tuple[str, float | None, float | None]:
        """What makes it another kind of ground than a polygon beside it."""
        given = (self.coefficient, self.curve_number)
        c, cn = (None if np.isnan(value) else value for value in given)
        return self.key, c, cn


@dataclass(frozen=True, eq=False)
class GroundCover:
    """
    The cover of every cell.

    Parameters
    ----------
    keys
        Cover of each kind of ground that occurs: of one cover there is a kind for each
        coefficient and curve number given by hand. The first is that of ground without a polygon.
    values
        What the methods need of each kind, with the rows of the tables.
    given
        Whether coefficient or curve number of a kind were given by hand.
    number
        Shape of the grid: index into `keys`.
    drawn
        Cells that have a cover polygon, a roof or open water.
    """

    keys: tuple[str, ...]
    values: CoverValues
    given: tuple[bool, ...]
    number: IntArray
    drawn: BoolArray

    @cached_property
    def coefficient(self) -> FloatArray:
        """Shape of the grid: runoff coefficient without frequency factor [-]."""
        return self.values.runoff_coefficient[self.number]

    @cached_property
    def curve_number(self) -> FloatArray:
        """Shape of the grid: curve number [-]."""
        return self.values.curve_number[self.number]

    @cached_property
    def roughness(self) -> FloatArray:
        """Shape of the grid: Manning n of sheet flow [s/m^(1/3)]."""
        return self.values.roughness[self.number]

    @cached_property
    def paved(self) -> BoolArray:
        """Shape of the grid: whether shallow flow is on pavement."""
        return self.values.paved[self.number]

    def with_coefficient(self, coefficient: float) -> GroundCover:
        """
        Give all ground one stated runoff coefficient.

        Parameters
        ----------
        coefficient
            0 to 1 [-].
        """
        stated = np.full(len(self.keys), coefficient)
        values = replace(self.values, runoff_coefficient=stated)
        return replace(self, values=values, given=(True,) * len(self.keys))


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
    Find the cover of every cell.

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
    always = [(ground, None, None), ("roof", None, None), ("water", None, None)]
    kinds = list(dict.fromkeys([*always, *(cover.kind for cover in drawn)]))
    number = np.zeros(grid.shape, dtype=np.int32)
    has_polygon = np.zeros(grid.shape, dtype=bool)
    for cover in drawn:
        inside = polygon_cells(cover.geometry, grid)
        number[inside] = kinds.index(cover.kind)
        has_polygon |= inside
    for cells, key in ((water, "water"), (roof, "roof")):
        number[cells] = kinds.index((key, None, None))
    return GroundCover(
        keys=tuple(key for key, _, _ in kinds),
        values=_values(kinds, soil_group, slope),
        given=tuple(c is not None or cn is not None for _, c, cn in kinds),
        number=number,
        drawn=has_polygon | roof | water,
    )


def _values(
    kinds: Sequence[tuple[str, float | None, float | None]], soil_group: SoilGroup, slope: float
) -> CoverValues:
    """Look the kinds up, what is given by hand in the place of the tables' values."""
    table = cover_values([key for key, _, _ in kinds], soil_group, slope)
    return with_given_values(
        table,
        [np.nan if c is None else c for _, c, _ in kinds],
        [np.nan if cn is None else cn for _, _, cn in kinds],
    )
