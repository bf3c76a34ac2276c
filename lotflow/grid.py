"""A raster never travels as a bare array: values, transform and CRS stay together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from lotflow.errors import ParameterError

if TYPE_CHECKING:
    from pyproj import CRS

FloatArray = NDArray[np.float64]
SingleArray = NDArray[np.float32]
IntArray = NDArray[np.int32]
BoolArray = NDArray[np.bool_]

#: Places are told apart to this part of a cell: a tenth of a millimetre for cells of half a metre.
#: A power of two, so that rows and columns stay exact.
CELL_PARTS: Final = 4096


@dataclass(frozen=True, eq=False)
class Grid:
    """
    Square cells on a north-up grid.

    Parameters
    ----------
    values
        Shape (rows, columns); row 0 is the northernmost. Missing values are NaN where the
        type has NaN. Elevations are in metres.
    transform
        From (column, row) to (easting, northing) of the CRS; north-up, not rotated.
    crs
        Projected coordinate reference system; its unit may be feet.
    metres_per_unit
        Length of one unit of the CRS in metres.

    Raises
    ------
    ParameterError
        If the grid is not two-dimensional, is rotated, or its cells are not square.

    Examples
    --------
    >>> grid = Grid(np.zeros((2, 3)), Affine(2.0, 0.0, 100.0, 0.0, -2.0, 50.0), None)
    >>> grid.cell_m, grid.bounds
    (2.0, (100.0, 46.0, 106.0, 50.0))
    >>> grid.xy(0, 0), grid.row_column(103.9, 49.0)
    ((101.0, 49.0), (0, 1))
    """

    values: NDArray[Any]
    transform: Affine
    crs: CRS | None
    metres_per_unit: float = 1.0

    def __post_init__(self) -> None:
        t = self.transform
        if self.values.ndim != 2:
            raise ParameterError(f"a grid has two dimensions, not {self.values.ndim}.")
        if t.b != 0 or t.d != 0 or t.a <= 0 or t.e >= 0:
            raise ParameterError("a grid is north-up and not rotated.")
        # a hundredth of a percent: the rounding of degrees-to-metres cell sizes, no more
        if abs(t.a + t.e) > 1e-4 * t.a:
            raise ParameterError(f"cells must be square, not {t.a:g} by {-t.e:g}.")

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, columns = self.values.shape
        return rows, columns

    @property
    def cell_m(self) -> float:
        """Side of a cell [m]."""
        return float(self.transform.a) * self.metres_per_unit

    @property
    def cell_m2(self) -> float:
        """Area of a cell [m^2]."""
        return self.cell_m**2

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north in units of the CRS."""
        rows, columns = self.shape
        t = self.transform
        return (t.c, t.f + rows * t.e, t.c + columns * t.a, t.f)

    @property
    def missing(self) -> BoolArray:
        """Where there is no value."""
        return np.asarray(np.isnan(self.values))

    def with_values(self, values: NDArray[Any]) -> Grid:
        """
        Put other values on the same cells.

        Parameters
        ----------
        values
            Same shape as this grid.
        """
        if values.shape != self.values.shape:
            raise ParameterError(f"{values.shape} values do not fit a grid of {self.shape}.")
        return replace(self, values=values)

    def xy(self, row: Any, column: Any) -> tuple[Any, Any]:
        """
        Easting and northing of cell centres, for one cell or for arrays of cells.

        Parameters
        ----------
        row, column
            Cell indices, numbers or arrays.
        """
        t = self.transform
        return t.c + (column + 0.5) * t.a, t.f + (row + 0.5) * t.e

    def fractional(self, x: Any, y: Any) -> tuple[FloatArray, FloatArray]:
        """
        Row and column of points with their fractions, counted from the north-western corner.

        Rounded to a small part of a cell, so that a border is a border at any cell size.

        Parameters
        ----------
        x, y
            Easting and northing, numbers or arrays.
        """
        t = self.transform
        row = np.rint((np.asarray(y) - t.f) / t.e * CELL_PARTS) / CELL_PARTS
        return row, np.rint((np.asarray(x) - t.c) / t.a * CELL_PARTS) / CELL_PARTS

    def row_column(self, x: Any, y: Any) -> tuple[Any, Any]:
        """
        Cells in which points lie; may be outside the grid (see `contains`).

        A point on a border lies in the cell east or south of it.

        Parameters
        ----------
        x, y
            Easting and northing, numbers or arrays.
        """
        row, column = (np.floor(part).astype(int) for part in self.fractional(x, y))
        return (int(row), int(column)) if row.ndim == 0 else (row, column)

    def contains(self, row: Any, column: Any) -> Any:
        """
        Tell whether cells lie on the grid.

        Parameters
        ----------
        row, column
            Cell indices, numbers or arrays.
        """
        rows, columns = self.shape
        return (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
