"""From drawn geometry to the cells it covers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, Grid, IntArray

    FallAt = Callable[[int, int], "NDArray[np.float64] | None"]

#: Share of a cell by which its far sides are pulled in, so that a line drawn on the border of
#: two cells belongs to one of them, as a point does.
_HALF_OPEN: Final = 1e-9


def _box(geometry: Any, grid: Grid) -> tuple[slice, slice]:
    """Rows and columns round a geometry, clipped to the grid."""
    west, south, east, north = geometry.bounds
    first_row, first_column = grid.row_column(west, north)
    last_row, last_column = grid.row_column(east, south)
    rows, columns = grid.shape
    return (
        slice(max(first_row, 0), min(last_row, rows - 1) + 1),
        slice(max(first_column, 0), min(last_column, columns - 1) + 1),
    )


def polygon_cells(geometry: Any, grid: Grid) -> BoolArray:
    """
    Cells whose centre lies in a polygon.

    Parameters
    ----------
    geometry
        Polygon or multipolygon in the grid's CRS; may reach beyond the grid.
    grid
        Gives the cells.

    Returns
    -------
    inside
        Shape of the grid.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.zeros((3, 4)), Affine(1.0, 0.0, 0.0, 0.0, -1.0, 3.0), None)
    >>> polygon_cells(shapely.box(0.4, 0.4, 2.4, 1.6), grid).astype(int)
    array([[0, 0, 0, 0],
           [1, 1, 0, 0],
           [1, 1, 0, 0]])
    """
    inside = np.zeros(grid.shape, dtype=bool)
    if geometry is None or geometry.is_empty:
        return inside
    rows, columns = _box(geometry, grid)
    if rows.start >= rows.stop or columns.start >= columns.stop:
        return inside
    x, y = grid.xy(*np.mgrid[rows, columns])
    shapely.prepare(geometry)
    inside[rows, columns] = shapely.contains_xy(geometry, x, y)
    return inside


def polygon_numbers(geometries: Iterable[Any], grid: Grid) -> IntArray:
    """
    Number cells by the polygon that holds their centre; later polygons win.

    Parameters
    ----------
    geometries
        Polygons in the grid's CRS.
    grid
        Gives the cells.

    Returns
    -------
    number
        1 for the first polygon, and so on; 0 where there is none.
    """
    number = np.zeros(grid.shape, dtype=np.int32)
    for position, geometry in enumerate(geometries, start=1):
        number[polygon_cells(geometry, grid)] = position
    return number


def line_cells(geometry: Any, grid: Grid) -> NDArray[np.int64]:
    """
    Cells that a line passes through, as flat indices in rising order.

    Parameters
    ----------
    geometry
        Line or multiline in the grid's CRS; may reach beyond the grid.
    grid
        Gives the cells.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.zeros((3, 4)), Affine(1.0, 0.0, 0.0, 0.0, -1.0, 3.0), None)
    >>> line_cells(shapely.LineString([(0.5, 2.0), (2.5, 2.0)]), grid)
    array([4, 5, 6])
    """
    rows, columns = _box(geometry, grid)
    if rows.start >= rows.stop or columns.start >= columns.stop:
        return np.empty(0, dtype=np.int64)
    row, column = (part.ravel() for part in np.mgrid[rows, columns])
    x, y = grid.xy(row, column)
    side = float(grid.transform.a)
    half, inset = side / 2, side * _HALF_OPEN
    boxes = shapely.box(x - half, y - half + inset, x + half - inset, y + half)
    shapely.prepare(geometry)
    touched = shapely.intersects(geometry, boxes)
    cells: NDArray[np.int64] = (row * grid.shape[1] + column)[touched]
    return cells


def _share_covered(end: Any, inner: Any, box: Any) -> float:
    """Length of a line in its end cell, as a share of what it would have if it went on."""
    outward = (end - inner) / np.hypot(*(end - inner))
    reach = 2 * (box.bounds[2] - box.bounds[0])
    whole = shapely.LineString([end - outward * reach, end + outward * reach])
    covered = shapely.LineString([end - outward * reach, end])
    return float(covered.intersection(box).length / whole.intersection(box).length)


def _passes_by(end: Any, inner: Any, centre: Any, fall: Any, at_start: bool) -> bool:
    """
    Tell whether water that runs over a cell's centre misses the line beyond its end.

    Where it meets the very end, the start of the line misses it and the other end takes it.
    """
    outward = (end - inner) / np.hypot(*(end - inner))
    across = np.array([-fall[1], fall[0]])
    if abs(across @ outward) < 1e-9:  # the line runs down the fall and has no width
        return bool((centre - end) @ outward > 0)
    # sides of the flow line through the end of the line
    beyond = float((centre - end) @ across) * np.sign(across @ outward)
    return bool(beyond > (-1e-9 if at_start else 1e-9))


def channel_cells(line: Any, grid: Grid, fall: FallAt | None = None) -> NDArray[np.int64]:
    """
    Cells of a channel drain: those it passes through, less those beside its ends.

    By touch alone a channel of 6 m on cells of 1 m is 16 % too wide. A cell at an end counts
    where water over its centre runs into the line; where the fall is not known, if the line
    covers half of it.

    Parameters
    ----------
    line
        One line in the grid's CRS.
    grid
        Gives the cells.
    fall
        Gives the direction of the fall at a cell as (east, north), or None where it is level.

    Returns
    -------
    cells
        Flat indices in rising order; at least one where the line lies on the grid.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.zeros((2, 5)), Affine(1.0, 0.0, 0.0, 0.0, -1.0, 2.0), None)
    >>> channel_cells(shapely.LineString([(0.7, 1.5), (3.7, 1.5)]), grid)
    array([1, 2, 3])
    """
    cells = line_cells(line, grid)
    if cells.size < 2:
        return cells
    points = shapely.get_coordinates(line)
    ends = ((points[0], points[1], True), (points[-1], points[-2], False))
    dropped = [_beside_end(*end, cells, grid, fall) for end in ends]
    kept: NDArray[np.int64] = np.setdiff1d(cells, np.concatenate(dropped))
    return kept if kept.size else cells[:1]


def _beside_end(
    end: Any, inner: Any, at_start: bool, cells: NDArray[np.int64], grid: Grid, fall: FallAt | None
) -> NDArray[np.int64]:
    """Cells at one end of a channel drain whose water passes it by."""
    columns, side = grid.shape[1], float(grid.transform.a)
    row, column = grid.row_column(*end)
    if not grid.contains(row, column):
        return np.empty(0, dtype=np.int64)
    direction = None if fall is None else fall(row, column)
    if direction is None:
        x, y = grid.xy(row, column)
        box = shapely.box(x - side / 2, y - side / 2, x + side / 2, y + side / 2)
        covered = _share_covered(end, inner, box)
        # of two ends that each cover exactly half a cell one counts
        passed = covered < 0.5 or (covered == 0.5 and at_start)
        return np.array([row * columns + column] if passed else [], dtype=np.int64)
    x, y = grid.xy(cells // columns, cells % columns)
    near = cells[np.hypot(x - end[0], y - end[1]) <= 2 * side]
    centres = np.column_stack(grid.xy(near // columns, near % columns))
    passes = [_passes_by(end, inner, centre, direction, at_start) for centre in centres]
    return np.asarray(near[np.array(passes, dtype=bool)], dtype=np.int64)


def geometry_cells(geometry: Any, grid: Grid, fall: FallAt | None = None) -> NDArray[np.int64]:
    """
    Cells in which an inlet takes water, by its geometry; empty where it lies off the grid.

    Parameters
    ----------
    geometry
        A point gives its cell, a line its channel cells, a polygon the cells whose centres it
        holds or else the one in which it lies.
    grid
        Gives the cells.
    fall
        As for `channel_cells`.
    """
    columns = grid.shape[1]
    if geometry.geom_type in ("LineString", "LinearRing"):
        return channel_cells(geometry, grid, fall)
    if geometry.geom_type == "MultiLineString":
        return np.unique(
            np.concatenate([channel_cells(part, grid, fall) for part in geometry.geoms])
        )
    if geometry.geom_type in ("Polygon", "MultiPolygon"):
        cells = np.flatnonzero(polygon_cells(geometry, grid))
        if cells.size:
            return cells.astype(np.int64)
        geometry = geometry.representative_point()
    points = shapely.get_coordinates(geometry)
    row, column = grid.row_column(points[:, 0], points[:, 1])
    inside = grid.contains(row, column)
    return np.unique((row * columns + column)[inside]).astype(np.int64)
