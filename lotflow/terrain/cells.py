"""
Cells of the grid: which of them drawn geometry covers, and what lies round them.

What is covered is decided in columns and rows of the grid, rounded to a small part of a cell and
then exact: a border belongs to the cell east and south of it, at any cell size and far from the
origin. What lies round cells is told in plain numpy; scipy.ndimage gives the same, but takes
longer to import than all of it takes to run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.grid import CELL_PARTS
from lotflow.terrain.kernels import nearest_marked

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray

    Parts = NDArray[np.int64]
    FallAt = Callable[[int, int], "NDArray[np.float64] | None"]

#: What is drawn farther than this from the grid is cut off before it is rounded: 64 bits hold
#: the products of all lengths within [cells].
_FAR: Final = 100_000
#: Shares of a cell are compared to within this.
_HAIR: Final = 1e-6


def _near(geometry: Any, grid: Grid) -> Any:
    """Give a geometry without what lies too far from the grid to be counted in parts of cells."""
    west, south, east, north = grid.bounds
    far = _FAR * float(grid.transform.a)
    limits = (west - far, south - far, east + far, north + far)
    x_min, y_min, x_max, y_max = geometry.bounds
    if x_min >= limits[0] and y_min >= limits[1] and x_max <= limits[2] and y_max <= limits[3]:
        return geometry
    return shapely.intersection(geometry, shapely.box(*limits))


def _parts(points: Any, grid: Grid) -> tuple[Parts, Parts]:
    """Columns and rows of points, in parts of a cell."""
    row, column = grid.fractional(points[:, 0], points[:, 1])
    return (
        np.rint(column * CELL_PARTS).astype(np.int64),
        np.rint(row * CELL_PARTS).astype(np.int64),
    )


def _counted(first: Parts, last: Parts) -> tuple[Parts, Parts]:
    """All whole numbers from first to last of each pair, and the pair each belongs to."""
    many = np.maximum(last - first + 1, 0)
    pair = np.repeat(np.arange(many.size), many)
    number = np.arange(many.sum()) - np.repeat(np.cumsum(many) - many, many) + first[pair]
    return number, pair


def polygon_cells(geometry: Any, grid: Grid) -> BoolArray:
    """
    Cells whose centre lies in a polygon.

    Of polygons that share an edge through centres each centre belongs to exactly one: a west
    or north edge holds the centres on it, an east or south edge does not.

    Parameters
    ----------
    geometry
        Valid polygon or multipolygon in the grid's CRS; may reach beyond the grid.

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
    rows, columns = grid.shape
    if geometry is None or geometry.is_empty:
        return np.zeros(grid.shape, dtype=bool)
    # the line of centres of a row is crossed an odd number of times west of a cell inside
    crossed = np.zeros((rows, columns + 1), dtype=np.int64)
    half = CELL_PARTS // 2
    for polygon in shapely.get_parts(_near(geometry, grid)):
        if polygon.geom_type != "Polygon":
            continue
        for ring in (polygon.exterior, *polygon.interiors):
            u, v = _parts(shapely.get_coordinates(ring), grid)
            u, v = u - half, v - half
            upper = np.where(v[:-1] < v[1:], np.arange(v.size - 1), np.arange(1, v.size))
            lower = np.where(v[:-1] < v[1:], np.arange(1, v.size), np.arange(v.size - 1))
            # centres from the northern end on, to before the southern one
            first = np.clip(-(-v[upper] // CELL_PARTS), 0, rows)
            last = np.clip((v[lower] - 1) // CELL_PARTS, -1, rows - 1)
            row, edge = _counted(first, last)
            top, bottom = upper[edge], lower[edge]
            fall = v[bottom] - v[top]
            along = (row * CELL_PARTS - v[top]) * (u[bottom] - u[top])
            # rounded up: a centre on the edge lies to its east
            column = -((-u[top] * fall - along) // (fall * CELL_PARTS))
            np.add.at(crossed, (row, np.clip(column, 0, columns)), 1)
    return np.asarray(np.cumsum(crossed[:, :columns], axis=1) % 2 == 1)


def polygon_numbers(geometries: Iterable[Any], grid: Grid) -> IntArray:
    """
    Number cells by the polygon that holds their centre; later polygons win.

    1 for the first polygon, and so on; 0 where there is none.
    """
    number = np.zeros(grid.shape, dtype=np.int32)
    for position, geometry in enumerate(geometries, start=1):
        number[polygon_cells(geometry, grid)] = position
    return number


def line_cells(geometry: Any, grid: Grid) -> NDArray[np.int64]:
    """
    Cells that a line passes through, as flat indices in rising order.

    A line on a border runs through the cells east or south of it. One through a corner of
    cells runs through one of the two beside its way too, so that its cells always touch along
    a side: no water slips between two of them.

    The line or multiline may reach beyond the grid.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.zeros((3, 4)), Affine(1.0, 0.0, 0.0, 0.0, -1.0, 3.0), None)
    >>> line_cells(shapely.LineString([(0.5, 2.0), (2.5, 2.0)]), grid)
    array([4, 5, 6])
    >>> line_cells(shapely.LineString([(0.0, 3.0), (2.0, 1.0)]), grid)
    array([ 0,  1,  5,  6, 10])
    """
    rows, columns = grid.shape
    found = [np.empty(0, dtype=np.int64)]
    if geometry.is_empty:
        return found[0]
    for line in shapely.get_parts(_near(geometry, grid)):
        u, v = _parts(shapely.get_coordinates(line), grid)
        row, column = _passed(u, v)
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        found.append((row * columns + column)[inside])
    return np.unique(np.concatenate(found))


def touched_cells(shapes: Iterable[Any], grid: Grid) -> BoolArray:
    """
    Cells that points, lines or polygons in the grid's CRS lie in, or reach within half a cell.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.zeros((2, 4)), Affine(1.0, 0.0, 0.0, 0.0, -1.0, 2.0), None)
    >>> touched_cells([shapely.Point(1.0, 1.0), shapely.Point(3.4, 1.6)], grid).astype(int)
    array([[0, 0, 0, 1],
           [0, 1, 0, 0]])
    """
    reach, found = 0.5 * grid.cell_m / grid.metres_per_unit, np.zeros(grid.shape, dtype=bool)
    for shape in shapes:
        found |= polygon_cells(shape.buffer(reach), grid)
        # between the centres of four cells none of them is so near
        found.ravel()[line_cells(shape, grid)] = True
    return found


def _passed(u: Parts, v: Parts) -> tuple[Parts, Parts]:
    """
    Rows and columns a line passes through, in turn from their borders.

    The line is thought shifted by a hair to the east and by far less to the south. So it never
    runs on a border or through a corner, and nothing is left to decide.
    """
    du, dv = np.diff(u), np.diff(v)
    # corners of the line lie in the cell east and south of them
    row, column = [v // CELL_PARTS], [u // CELL_PARTS]
    border, part = _counted(
        np.minimum(u[:-1], u[1:]) // CELL_PARTS + 1, np.maximum(u[:-1], u[1:]) // CELL_PARTS
    )
    run = np.abs(du[part])
    from_here = np.abs(border * CELL_PARTS - u[:-1][part])
    met = v[:-1][part] * run + from_here * dv[part]
    # a line from north-west to south-east passes north-east of a corner
    south_east = (du[part] > 0) == (dv[part] > 0)
    crossed = np.where(
        south_east & (dv[part] != 0), (met - 1) // (run * CELL_PARTS), met // (run * CELL_PARTS)
    )
    row += [crossed, crossed]
    column += [border - 1, border]
    border, part = _counted(
        np.minimum(v[:-1], v[1:]) // CELL_PARTS + 1, np.maximum(v[:-1], v[1:]) // CELL_PARTS
    )
    run = np.abs(dv[part])
    from_here = np.abs(border * CELL_PARTS - v[:-1][part])
    crossed = (u[:-1][part] * run + from_here * du[part]) // (run * CELL_PARTS)
    row += [border - 1, border]
    column += [crossed, crossed]
    return np.concatenate(row), np.concatenate(column)


def _chord(at: Any, way: Any, cell: Any) -> tuple[float, float]:
    """Lengths of a straight line in a cell, back from a point of it and on; 0 where it misses."""
    back, on = -np.inf, np.inf
    for place, step, low in zip(at, way, cell, strict=True):
        if step == 0:
            if not low <= place <= low + 1:
                return 0.0, 0.0
            continue
        ends = sorted(((low - place) / step, (low + 1 - place) / step))
        back, on = max(back, ends[0]), min(on, ends[1])
    return (-back, on) if back <= 0 <= on else (0.0, 0.0)


def _share_covered(end: Any, outward: Any, cell: Any) -> float:
    """Length of a line in its end cell, as a share of what it would have if it went on."""
    covered, beyond = _chord(end, outward, cell)
    return covered / (covered + beyond) if covered + beyond > _HAIR else 0.0


def _passes_by(end: Any, outward: Any, centre: Any, fall: Any, at_start: bool) -> bool:
    """
    Tell whether water that runs over a cell's centre misses the line beyond its end.

    Where it meets the very end, the start of the line misses it and the other end takes it.
    """
    across = np.array([-fall[1], fall[0]])
    if abs(across @ outward) < 1e-9:  # the line runs down the fall and has no width
        return bool((centre - end) @ outward > 0)
    # sides of the flow line through the end of the line
    beyond = float((centre - end) @ across) * np.sign(across @ outward)
    return bool(beyond > (-_HAIR if at_start else _HAIR))


def channel_cells(line: Any, grid: Grid, fall: FallAt | None = None) -> NDArray[np.int64]:
    """
    Cells of a channel drain: those it passes through, less those beside its ends.

    By touch alone a channel of 6 m on cells of 1 m is 16 % too wide. A cell at an end counts
    where water over its centre runs into the line; where the fall is not known, if the line
    covers half of it.

    `fall` gives the direction of the fall at a cell as (east, north), or None where it is level.
    At least one cell is given where the line lies on the grid; flat indices in rising order.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.zeros((2, 5)), Affine(1.0, 0.0, 0.0, 0.0, -1.0, 2.0), None)
    >>> channel_cells(shapely.LineString([(0.7, 1.5), (3.7, 1.5)]), grid)
    array([1, 2, 3])
    """
    cells = line_cells(line, grid)
    row, column = grid.fractional(*shapely.get_coordinates(line).T)
    points = np.column_stack([column, row])
    points = points[np.append(True, (np.diff(points, axis=0) != 0).any(axis=1))]
    if cells.size < 2 or len(points) < 2 or (points[0] == points[-1]).all():
        return cells
    ends = ((points[0], points[1], True), (points[-1], points[-2], False))
    dropped = [_beside_end(*end, cells, grid, fall) for end in ends]
    kept: NDArray[np.int64] = np.setdiff1d(cells, np.concatenate(dropped))
    return kept if kept.size else cells[:1]


def _beside_end(
    end: Any, inner: Any, at_start: bool, cells: NDArray[np.int64], grid: Grid, fall: FallAt | None
) -> NDArray[np.int64]:
    """Cells at one end of a channel drain, as (column, row), whose water passes it by."""
    columns = grid.shape[1]
    column, row = (int(part) for part in np.floor(end))
    if not grid.contains(row, column):
        return cells[:0]
    outward = (end - inner) / np.hypot(*(end - inner))
    corners = np.column_stack([cells % columns, cells // columns])
    direction = None if fall is None else fall(row, column)
    if direction is None:
        touched = np.flatnonzero((np.abs(corners + 0.5 - end) <= 0.5).all(axis=1))
        share = np.array([_share_covered(end, outward, corners[i]) for i in touched])
        # of two ends that each cover exactly half a cell one counts
        passed = share < 0.5 + (_HAIR if at_start else -_HAIR)
        return np.asarray(cells[touched[passed]], dtype=np.int64)
    near = np.flatnonzero(np.hypot(*(corners + 0.5 - end).T) <= 2)
    south = np.array([direction[0], -direction[1]])
    passes = [_passes_by(end, outward, corners[i] + 0.5, south, at_start) for i in near]
    return np.asarray(cells[near[np.array(passes, dtype=bool)]], dtype=np.int64)


def geometry_cells(geometry: Any, grid: Grid, fall: FallAt | None = None) -> NDArray[np.int64]:
    """
    Cells in which an inlet takes water, by its geometry; empty where it lies off the grid.

    A point gives its cell, a line its channel cells, a polygon the cells whose centres it holds or
    else the one in which it lies; the fall is as for `channel_cells`.
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


def highest_around(values: NDArray[Any], reach: int = 1) -> NDArray[Any]:
    """
    Greatest value in the square round each cell; beyond the grid there is nothing.

    The square reaches so many cells from its middle to its sides; a mask grows.

    Examples
    --------
    >>> highest_around(np.array([[0, 0, 0, 5, 1, 1]]))
    array([[0, 0, 5, 5, 5, 1]])
    >>> highest_around(np.eye(3, dtype=bool))[0]
    array([ True,  True,  True])
    """
    return np.ascontiguousarray(_around(_around(values, reach, np.maximum).T, reach, np.maximum).T)


def lowest_around(values: NDArray[Any], reach: int = 1) -> NDArray[Any]:
    """
    Smallest value in the square round each cell; beyond the grid there is nothing.

    As `highest_around`; a mask shrinks.

    Examples
    --------
    >>> lowest_around(np.array([[True, True, True, False]]))
    array([[ True,  True, False, False]])
    """
    return np.ascontiguousarray(_around(_around(values, reach, np.minimum).T, reach, np.minimum).T)


def _around(values: NDArray[Any], reach: int, extreme: np.ufunc) -> NDArray[Any]:
    """Extreme of each cell and those some rows above and below it."""
    result = values.copy()
    for step in range(1, min(reach, len(values) - 1) + 1):
        extreme(result[step:], values[:-step], out=result[step:])
        extreme(result[:-step], values[step:], out=result[:-step])
    return result


def cells_from(marked: BoolArray) -> FloatArray:
    """
    Distance of each cell to the nearest marked one, centre to centre [cells].

    Parameters
    ----------
    marked
        Shape of the grid; infinite distances where no cell is.

    Examples
    --------
    >>> cells_from(np.array([[True, False, False], [False, False, False]])).round(2)
    array([[0.  , 1.  , 2.  ],
           [1.  , 1.41, 2.24]])
    """
    if not marked.any():
        return np.full(marked.shape, np.inf)
    there = np.divmod(nearest_marked(marked), marked.shape[1])
    here = np.indices(marked.shape)
    return np.asarray(np.sqrt((there[0] - here[0]) ** 2.0 + (there[1] - here[1]) ** 2.0))


def greatest_of_parts(values: NDArray[Any], part: IntArray, count: int) -> FloatArray:
    """
    Greatest value of each part.

    Parameters
    ----------
    part
        Number of the part on each cell, from 1 to `count`; 0 elsewhere.

    Examples
    --------
    >>> greatest_of_parts(np.array([3.0, 1.0, 2.0, 9.0]), np.array([1, 1, 2, 0]), 2)
    array([3., 2.])
    """
    greatest = np.full(count + 1, -np.inf)
    inside = np.flatnonzero(part)
    np.maximum.at(greatest, part.ravel()[inside], values.ravel()[inside].astype(np.float64))
    return greatest[1:]


def boxes_of_parts(part: IntArray) -> list[tuple[slice, slice] | None]:
    """
    Smallest window of rows and columns that holds each part.

    One per number of a part, from 1 to the greatest; None where no cell has it.

    Examples
    --------
    >>> boxes_of_parts(np.array([[0, 3, 3], [0, 1, 0]]))
    [(slice(1, 2, None), slice(1, 2, None)), None, (slice(0, 1, None), slice(1, 3, None))]
    """
    count = int(part.max(initial=0))
    place = np.nonzero(part)
    first = np.full((2, count + 1), max(part.shape, default=0))
    last = np.full((2, count + 1), -1)
    for axis in range(2):
        np.minimum.at(first[axis], part[place], place[axis])
        np.maximum.at(last[axis], part[place], place[axis])
    return [
        (slice(int(first[0, n]), int(last[0, n]) + 1), slice(int(first[1, n]), int(last[1, n]) + 1))
        if last[0, n] >= 0 else None
        for n in range(1, count + 1)
    ]  # fmt: skip
