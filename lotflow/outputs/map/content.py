"""What a map shows: layers of a result, and which part of the ground at which round scale."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.scenarios import main_state
from lotflow.units import METRES_PER_FOOT, METRES_PER_INCH, UnitSystem

if TYPE_CHECKING:
    from geopandas import GeoDataFrame
    from matplotlib.axes import Axes

    from lotflow.grid import Grid


Bounds = tuple[float, float, float, float]

#: Steps of a scale between two powers of ten: engineer's scales (feet to an inch) and metric
#: ones (1 : n), as rulers have them.
_STEPS: Final[dict[UnitSystem, tuple[float, ...]]] = {
    "us": (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0),
    "metric": (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.5),
}
#: Free ground shown round the lot, as a share of its larger side.
_SURROUNDINGS: Final = 0.15
#: How far what the catchments reach beyond the lot is shown, as a share of its larger side.
_FARTHEST: Final = 1.0


@dataclass(frozen=True)
class MapDrains:
    """Drains as a map shows them."""

    #: Lines of the system the result is for, drawn downstream.
    lines: tuple[Any, ...] = ()
    #: Lines that are there today and go when that system is built.
    replaced: tuple[Any, ...] = ()
    #: Names of the outlets of that system, and where they are.
    outlets: tuple[tuple[str, Any], ...] = ()
    #: Of lines to be laid: course, bore [m], fall [-], inverts at both ends [m].
    to_be_laid: tuple[tuple[Any, float, float, float, float], ...] = ()


def map_drains(layers: Mapping[str, Any]) -> MapDrains:
    """
    Choose what a map shows of the drains.

    Parameters
    ----------
    layers
        Layers of the result; `drain_lines` and `nodes` may be missing.
    """
    lines, nodes = layers.get("drain_lines"), layers.get("nodes")
    if lines is None or nodes is None or not len(lines):
        return MapDrains()
    main = main_state(nodes["scenario"])
    ours, gone = lines["scenario"] == main, lines["status"] == "replaced"
    outlets = nodes[(nodes["scenario"] == main) & (nodes["kind"] == "outlet")]
    new = lines[ours & lines["status"].eq("proposed")]
    facts = ("diameter_m", "slope_m_per_m", "invert_up_m", "invert_down_m")
    return MapDrains(
        tuple(lines.geometry[ours]),
        tuple(lines.geometry[gone & ~ours]),
        tuple(zip(outlets["name"].astype(str), outlets.geometry, strict=True)),
        tuple(zip(new.geometry, *(new[name] for name in facts), strict=True)),
    )


def map_shots(layers: Mapping[str, Any]) -> tuple[Any, ...]:
    """
    Choose the levels measured on site that a map marks: those that count.

    Parameters
    ----------
    layers
        Layers of the result; `shots` may be missing.
    """
    shots = layers.get("shots")
    return () if shots is None else tuple(shots.geometry[shots["counts"] == "yes"])


@dataclass(frozen=True, eq=False)
class MapContent:
    """
    What a map shows; all layers in the CRS of the ground, with the columns of the result.

    Parameters
    ----------
    ground
        Elevation [m]; NaN where there is none.
    depth
        Depth of low spots below their spill level [m], on the same cells; 0 or NaN elsewhere.
    lot, buildings, low_spots, flow_paths, crossings, inlets, catchments
        Layers of the result (`crossings` is `lot_line_crossings`); any but `lot` may be empty.
    water
        Open water; may be empty.
    drains
        Drain lines and outlets.
    title
        Name of the lot.
    note
        What the map was made from: file, cell size, vertical accuracy.
    units
        "us" or "metric"; also the paper, Letter or A4.
    earthworks
        Layer of the swales and berms, and of ground that is raised and rain gardens; none where
        nothing is dug.
    shares
        How likely each cell drains to an inlet [-], by its name, where that was found.
    shots
        Places of the levels measured on site that count.
    observations
        Where water was looked for on site; None where nothing is told of that.
    """

    ground: Grid
    depth: Grid
    lot: GeoDataFrame
    buildings: GeoDataFrame
    water: GeoDataFrame
    low_spots: GeoDataFrame
    flow_paths: GeoDataFrame
    crossings: GeoDataFrame
    inlets: GeoDataFrame
    catchments: GeoDataFrame
    drains: MapDrains
    title: str
    note: str
    units: UnitSystem
    shares: Mapping[str, Grid] = field(default_factory=dict)
    earthworks: tuple[GeoDataFrame, ...] = ()
    shots: tuple[Any, ...] = ()
    observations: GeoDataFrame | None = None


@dataclass(frozen=True, eq=False)
class MapField:
    """The field of a sheet that shows the ground."""

    #: What is drawn on, in coordinates of the ground.
    axes: Axes
    #: West, south, east, north [unit of the CRS].
    bounds: Bounds
    #: Units of the CRS to an inch of paper.
    units_per_inch: float

    def on_paper(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Place on paper [inch] of coordinates, from the lower left corner of the field."""
        return (
            (x - self.bounds[0]) / self.units_per_inch,
            (y - self.bounds[1]) / self.units_per_inch,
        )

    def shows(self, x: Any, y: Any) -> Any:
        """Tell whether coordinates lie in the field."""
        west, south, east, north = self.bounds
        return (west <= x) & (x <= east) & (south <= y) & (y <= north)

    def reaching(self, layer: GeoDataFrame) -> GeoDataFrame:
        """Rows of a layer whose bounds reach into the field."""
        if not len(layer):
            return layer
        west, south, east, north = shapely.bounds(layer.geometry.to_numpy()).T
        reach = (west <= self.bounds[2]) & (east >= self.bounds[0])
        return layer[reach & (south <= self.bounds[3]) & (north >= self.bounds[1])]

    def has_gaps(self, ground: Grid) -> bool:
        """Tell whether part of the field has no elevation."""
        rows, columns, (west, south, east, north) = cells_shown(ground, self.bounds)
        beyond = (west > self.bounds[0]) | (south > self.bounds[1])
        beyond |= (east < self.bounds[2]) | (north < self.bounds[3])
        return bool(beyond or np.isnan(ground.values[rows, columns]).any())


def cells_shown(grid: Grid, bounds: Bounds) -> tuple[slice, slice, Bounds]:
    """
    Find the rows and columns within a field and a cell beyond, and the bounds of those.

    `bounds`: west, south, east, north of the field [unit of the CRS].
    """
    rows, columns = grid.shape
    first_row, first_column = grid.row_column(bounds[0], bounds[3])[:2]
    last_row, last_column = grid.row_column(bounds[2], bounds[1])
    top, bottom = max(first_row - 1, 0), min(last_row + 2, rows)
    left, right = max(first_column - 1, 0), min(last_column + 2, columns)
    t = grid.transform
    return (
        slice(top, bottom),
        slice(left, right),
        (t.c + left * t.a, t.f + bottom * t.e, t.c + right * t.a, t.f + top * t.e),
    )


@dataclass(frozen=True)
class Scale:
    """A scale that stands on rulers."""

    #: Length on the ground divided by length on paper.
    denominator: float
    #: As it is printed.
    text: str


def round_scale(least_denominator: float, units: UnitSystem) -> Scale:
    """
    Find the largest scale of a ruler that is not larger than asked for.

    `least_denominator`: ground length divided by paper length that is needed at least;
    `units`: "us" for feet to an inch, "metric" for 1 : n.

    Examples
    --------
    >>> round_scale(207.0, "metric"), round_scale(207.0, "us").text
    (Scale(denominator=250.0, text='1 : 250'), '1 in = 20 ft')
    """
    unit = METRES_PER_FOOT / METRES_PER_INCH if units == "us" else 1.0
    least = least_denominator / unit * (1.0 - 1e-9)
    power = 10.0 ** math.floor(math.log10(least))
    steps = (step * power * ten for ten in (1.0, 10.0) for step in _STEPS[units])
    step = next(step for step in steps if step >= least)
    text = f"1 in = {step:,g} ft" if units == "us" else f"1 : {step:,g}"
    return Scale(step * unit, text)


def round_length(longest: float) -> float:
    """
    Find the length of a scale bar: 1, 2 or 5 times a power of ten.

    `longest`: length it may have at most; greater than 0.

    Examples
    --------
    >>> round_length(31.0), round_length(1.9)
    (20.0, 1.0)
    """
    power = 10.0 ** math.floor(math.log10(longest))
    return max(step * power for step in (0.5, 1.0, 2.0, 5.0) if step * power <= longest)


def needed_bounds(lot: Bounds, catchments: Bounds | None, ground: Bounds) -> Bounds:
    """
    Find the ground a map must show: the lot, its surroundings, and the catchments near it.

    `lot`, `catchments`, `ground`: west, south, east, north, in one unit.

    Examples
    --------
    >>> needed_bounds((40, 40, 60, 60), (0, 45, 50, 50), (10, 0, 100, 100))
    (20.0, 37.0, 63.0, 63.0)
    """
    size = max(lot[2] - lot[0], lot[3] - lot[1])
    needed = _grown(lot, _SURROUNDINGS * size)
    if catchments is not None:
        reach = _grown(lot, _FARTHEST * size)
        needed = _joined(needed, _clipped(catchments, reach))
    return _clipped(needed, ground)


def sheet_view(
    needed: Bounds, grid: Grid, paper_m: tuple[float, float], units: UnitSystem
) -> tuple[Bounds, Scale]:
    """
    Find what a map field shows, and its scale.

    The scale is the largest at which all that is needed fits; what is left of the field shows
    more of the ground, as far as there is any.

    `needed`: what must be shown [unit of the CRS]; `paper_m`: width and height of the map
    field on paper [m].

    Returns bounds: west, south, east, north of the map field [unit of the CRS]; scale: of the
    map when printed.
    """
    width = (needed[2] - needed[0]) * grid.metres_per_unit
    height = (needed[3] - needed[1]) * grid.metres_per_unit
    scale = round_scale(max(width / paper_m[0], height / paper_m[1]), units)
    shown = [side * scale.denominator / grid.metres_per_unit for side in paper_m]
    ground = grid.bounds
    west = _start((needed[0], needed[2]), (ground[0], ground[2]), shown[0])
    south = _start((needed[1], needed[3]), (ground[1], ground[3]), shown[1])
    return (west, south, west + shown[0], south + shown[1]), scale


def _start(needed: tuple[float, float], ground: tuple[float, float], length: float) -> float:
    """Find where a side of the map begins: about what is needed, within the ground if it fits."""
    start = (sum(needed) - length) / 2.0
    if length >= ground[1] - ground[0]:
        return (sum(ground) - length) / 2.0
    return min(max(start, ground[0]), ground[1] - length)


def _grown(bounds: Bounds, by: float) -> Bounds:
    return (bounds[0] - by, bounds[1] - by, bounds[2] + by, bounds[3] + by)


def _joined(a: Bounds, b: Bounds) -> Bounds:
    return (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))


def _clipped(a: Bounds, b: Bounds) -> Bounds:
    """Keep what lies within `b`, at least a point of it."""
    west, east = (min(max(x, b[0]), b[2]) for x in (a[0], a[2]))
    south, north = (min(max(y, b[1]), b[3]) for y in (a[1], a[3]))
    return (west, south, east, north)
