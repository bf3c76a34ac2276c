"""Places that water might be led to: low stretches of the lot line, streets, open water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.terrain.cells import polygon_cells

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray, Grid
    from lotflow.terrain.surface import Surface

_NAMES: Final = (
    "east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east",
)  # fmt: skip


def compass_name(east: float, north: float) -> str:
    """
    Name of the direction, of the eight, that is nearest; north is that of the grid.

    Examples
    --------
    >>> compass_name(0.0, -2.0), compass_name(1.0, 0.9)
    ('south', 'north-east')
    """
    return _NAMES[int(_side(np.float64(east), np.float64(north)))]


def _side(east: Any, north: Any) -> NDArray[np.intp]:
    """Number in `_NAMES` of the direction that is nearest."""
    return np.asarray(np.rint(np.arctan2(north, east) / (np.pi / 4)) % 8, dtype=np.intp)


#: Length of the stretches of a line of which the lowest place is taken [m].
STRETCH_M: Final = 5.0
#: A street or water is a place to lead water to along this much more than its nearest part [m].
_FRONTAGE_M: Final = 2.0
#: Kind of lower ground that lies off the lot, on no drawn street or water.
BEYOND_THE_LOT: Final = "beyond the lot"
#: Stretch of the lot line at which water may be let out.
ALLOWED_END: Final = "allowed end"
#: Kinds of places whose level is that of the ground, of which nobody said that water leaves there.
GROUND_PLACES: Final = ("lot edge", BEYOND_THE_LOT)
#: Width of the bands of ground beyond the lot of which the lowest place is taken [m].
_BAND_M: Final = 2.0
#: Cells of open water this near tell its level at a place [m].
_WATER_REACH_M: Final = 5.0
#: A street farther from the lot than this is not at it [m].
_REACH_M: Final = 30.0


@dataclass(frozen=True)
class LowerPlace:
    """
    A place that water might be led to.

    Parameters
    ----------
    kind
        "lot edge", "beyond the lot", "street", "water", or the kind of a drawn outlet.
    name
        Its name; of the lot edge and of ground beyond it the side.
    level
        Level at which a pipe would end there [m].
    surveyed
        Whether that level was taken on site.
    """

    kind: str
    name: str
    x: float
    y: float
    level: float
    surveyed: bool = False


def open_ground(surface: Surface) -> FloatArray:
    """
    Ground as surveyed, without what is spanned under roofs.

    Parameters
    ----------
    surface
        Gives ground, roofs and missing data.

    Returns
    -------
    level
        Shape of the grid, NaN under roofs and where data are missing [m].
    """
    return np.asarray(np.where(surface.roof | surface.missing, np.nan, surface.ground.values))


def sampled(values: FloatArray, grid: Grid, points: NDArray[np.float64]) -> FloatArray:
    """
    Values of the cells in which points lie.

    Parameters
    ----------
    points
        Shape (n, 2), coordinates.

    Returns
    -------
    values
        Shape (n,), NaN off the grid.
    """
    row, column = grid.row_column(points[:, 0], points[:, 1])
    inside = grid.contains(row, column)
    found = np.full(len(points), np.nan)
    found[inside] = values[row[inside], column[inside]]
    return found


def edge_places(surface: Surface, lot: Any) -> list[LowerPlace]:
    """
    Lowest places of the lot line: of each stretch that lies lower than those beside it.

    Parameters
    ----------
    lot
        The lot in the grid's CRS.
    """
    grid = surface.ground
    ground = open_ground(surface)
    centre = shapely.get_coordinates(lot.centroid)[0]
    found = []
    for ring in _rings(lot):
        lowest = list(_lowest_of_stretches(ring, ground, grid))
        levels = np.array([level for _, level in lowest])
        if not len(levels):
            continue
        dip = (levels <= np.roll(levels, 1)) & (levels <= np.roll(levels, -1))
        for is_dip, (point, level) in zip(dip, lowest, strict=True):
            if is_dip and np.isfinite(level):
                side = compass_name(*(point - centre))
                found.append(
                    LowerPlace("lot edge", f"{side} side", float(point[0]), float(point[1]), level)
                )
    return found


def beyond_places(surface: Surface, lot: Any, reach_m: float) -> list[LowerPlace]:
    """
    Lowest open ground beyond the lot line, on each side at each distance up to a reach.

    Where no street is drawn the gutter may lie there; so may a neighbour's garden.

    Parameters
    ----------
    lot
        The lot in the grid's CRS.
    reach_m
        Greatest distance from the lot [m]; 0 finds nothing.
    """
    grid = surface.ground
    unit, reach = grid.metres_per_unit, reach_m / grid.metres_per_unit
    ground = open_ground(surface)
    shapely.prepare(lot)
    west, south, east, north = lot.buffer(reach).bounds
    rows, columns = np.nonzero(np.isfinite(ground))
    x, y = grid.xy(rows, columns)
    near = (x >= west) & (x <= east) & (y >= south) & (y <= north)
    points = shapely.points(x[near], y[near])
    away = shapely.distance(points, lot)
    beyond = (away > 0) & (away <= reach)
    points, away = points[beyond], away[beyond] * unit
    level = ground[rows[near][beyond], columns[near][beyond]]
    middle = shapely.get_coordinates(lot.centroid)[0]
    at = shapely.get_coordinates(points)
    band = np.floor(away / max(_BAND_M, grid.cell_m)).astype(int)
    side = _side(*(at - middle).T)
    rising = np.argsort(level, kind="stable")
    # of each side and band the first one is the lowest
    _, first = np.unique(np.column_stack([side, band])[rising], axis=0, return_index=True)
    lowest = sorted((_NAMES[side[n]], int(band[n]), n) for n in rising[first].tolist())
    return [
        LowerPlace(
            BEYOND_THE_LOT, f"{name} side", float(at[n][0]), float(at[n][1]), float(level[n])
        )
        for name, _, n in lowest
    ]


def front_places(
    kind: str, name: str, geometry: Any, surface: Surface, lot: Any
) -> list[LowerPlace]:
    """
    Lowest places along the side of a street, or of water, that faces the lot.

    Of each stretch the lowest of its own cells within one cell of the edge: that is the gutter,
    not the top of the curb. Of open water the middle level of its own cells near by: those at the
    edge lie between water and bank in the elevation data.

    Parameters
    ----------
    kind, name
        What it is and how it is called.
    geometry
        Polygon or line in the grid's CRS.
    lot
        The lot in the grid's CRS.
    """
    grid = surface.ground
    reach = _REACH_M / grid.metres_per_unit
    if geometry.distance(lot) > reach:
        return []
    lowest = _lowest_around(_own_ground(geometry, surface))
    faces = _facing(geometry, lot, reach, _FRONTAGE_M / grid.metres_per_unit)
    water_at = _water_level(geometry, surface) if kind == "water" else None
    return [
        LowerPlace(
            kind,
            name,
            float(point[0]),
            float(point[1]),
            level if water_at is None else water_at(point, level),
        )
        for line in faces
        for point, level in _lowest_of_stretches(line, lowest, grid)
        if np.isfinite(level)
    ]


def _own_ground(geometry: Any, surface: Surface) -> FloatArray:
    """Open ground of the cells of a polygon; of a line, or a polygon without cells, all of it."""
    ground = open_ground(surface)
    if not geometry.geom_type.endswith("Polygon"):
        return ground
    own = np.where(polygon_cells(geometry, surface.ground), ground, np.nan)
    return np.asarray(own if np.isfinite(own).any() else ground)


def _water_level(geometry: Any, surface: Surface) -> Callable[[NDArray[np.float64], float], float]:
    """Tell the middle level of the water's own cells near a point; another where there are none."""
    grid = surface.ground
    row, column = np.nonzero(polygon_cells(geometry, grid) & ~surface.missing)
    x, y = grid.xy(row, column)
    values, reach = grid.values[row, column], _WATER_REACH_M / grid.metres_per_unit

    def level_at(point: NDArray[np.float64], otherwise: float) -> float:
        near = np.hypot(x - point[0], y - point[1]) <= reach
        return float(np.median(values[near])) if near.any() else otherwise

    return level_at


def _rings(geometry: Any) -> list[Any]:
    """Single lines of a boundary."""
    return [part for part in shapely.get_parts(shapely.boundary(geometry)) if part.length > 0]


def _facing(geometry: Any, lot: Any, reach: float, frontage: float) -> list[Any]:
    """Parts of a geometry, or of its boundary, that lie before the lot and not behind itself."""
    edge = geometry.boundary if geometry.geom_type.endswith("Polygon") else geometry
    near = edge.intersection(lot.buffer(min(edge.distance(lot) + frontage, reach)))
    return [part for part in shapely.get_parts(near) if part.geom_type == "LineString"]


def _lowest_of_stretches(
    line: Any, level: FloatArray, grid: Grid
) -> Iterator[tuple[NDArray[np.float64], float]]:
    """Lowest place of each stretch of a line, with its level; NaN where there is none."""
    step = grid.cell_m / grid.metres_per_unit
    along = np.arange(0.0, line.length, step)
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, along))
    values = sampled(level, grid, points)
    stretch = np.floor(along * grid.metres_per_unit / STRETCH_M).astype(int)
    for number in range(int(stretch.max(initial=-1)) + 1):
        here = np.flatnonzero(stretch == number)
        known = here[np.isfinite(values[here])]
        if known.size:
            best = known[np.argmin(values[known])]
            yield points[best], float(values[best])
        else:
            yield points[here[0]], np.nan


def _lowest_around(level: FloatArray) -> FloatArray:
    """Lowest known level of each cell and its eight neighbours; NaN where none is known."""
    padded = np.pad(np.where(np.isnan(level), np.inf, level), 1, constant_values=np.inf)
    rows, columns = level.shape
    shifted = [
        padded[row : row + rows, column : column + columns]
        for row in range(3)
        for column in range(3)
    ]
    lowest = np.min(shifted, axis=0)
    return np.asarray(np.where(np.isinf(lowest), np.nan, lowest))
