"""The layers of a map, each drawn by one function, from the ground up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from matplotlib.collections import LineCollection, PathCollection, PolyCollection
from numpy.typing import NDArray

from lotflow.outputs.map_ground import depth_pixels, ground_pixels
from lotflow.outputs.map_symbols import (
    arrowheads,
    crossing_triangles,
    lines_of,
    outline,
    smoothed,
)

if TYPE_CHECKING:
    from geopandas import GeoDataFrame
    from matplotlib.axes import Axes

    from lotflow.grid import Grid
    from lotflow.outputs.map_view import Bounds

INK: Final = "#22252b"
LOT: Final = "#b3123f"
FLOW: Final = "#0b6e8f"
RUN_ON: Final = "#e8871e"
RUN_OFF: Final = "#ffffff"
BUILDING: Final = "#d9d7d2"
BUILDING_EDGE: Final = "#7d7a74"
#: Fills of catchments, far from each other and from the blue of water for any eye (Okabe and
#: Ito's palette without its blues, and an olive).
CATCHMENTS: Final = ("#e69f00", "#cc79a7", "#009e73", "#d55e00", "#8a7a00", "#7a4fa3")
#: Widths of flow paths [points] at these contributing areas [m^2], straight between on a
#: logarithmic scale.
FLOW_AREAS: Final = (50.0, 500.0, 5000.0)
FLOW_WIDTHS: Final = (0.8, 2.2, 4.2)


@dataclass(frozen=True, eq=False)
class MapField:
    """
    The field of a sheet that shows the ground.

    Parameters
    ----------
    axes
        What is drawn on, in coordinates of the ground.
    bounds
        West, south, east, north [unit of the CRS].
    units_per_inch
        Units of the CRS to an inch of paper.
    """

    axes: Axes
    bounds: Bounds
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


def flow_width(area: Any) -> NDArray[np.float64]:
    """
    Give the width of a flow path's line [points].

    Parameters
    ----------
    area
        Contributing area [m^2].

    Examples
    --------
    >>> flow_width([10.0, 500.0, 1e6]).tolist()
    [0.8, 2.2, 4.2]
    """
    logarithm = np.log(np.maximum(np.asarray(area, dtype=float), 1.0))
    return np.asarray(np.interp(logarithm, np.log(FLOW_AREAS), FLOW_WIDTHS))


def crossing_length(area: Any) -> NDArray[np.float64]:
    """
    Give the length of a crossing's triangle [inch].

    Parameters
    ----------
    area
        Contributing area of the water that crosses [m^2].
    """
    return 0.035 * np.maximum(flow_width(area), 1.8)


def cells_shown(grid: Grid, bounds: Bounds) -> tuple[slice, slice, Bounds]:
    """
    Find the rows and columns within a field and a cell beyond, and the bounds of those.

    Parameters
    ----------
    grid
        The cells.
    bounds
        West, south, east, north of the field [unit of the CRS].
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


def draw_ground(field: MapField, ground: Grid, depth: Grid, deepest: float) -> None:
    """
    Draw the shaded ground, and low spots by depth.

    Parameters
    ----------
    field
        Where.
    ground, depth
        Elevation and depth of low spots [m].
    deepest
        Depth of the darkest colour [m].
    """
    rows, columns, extent = cells_shown(ground, field.bounds)
    edges = (extent[0], extent[2], extent[1], extent[3])
    shaded = ground_pixels(ground)[rows, columns]
    field.axes.imshow(shaded, extent=edges, interpolation="bilinear", zorder=1)
    water = depth_pixels(depth.values[rows, columns], deepest)
    field.axes.imshow(water, extent=edges, interpolation="nearest", zorder=3)


def draw_catchments(field: MapField, catchments: GeoDataFrame) -> None:
    """Tint the catchment of each inlet, and draw its edge."""
    for number, polygon in enumerate(catchments.geometry):
        colour = CATCHMENTS[number % len(CATCHMENTS)]
        path = [outline(polygon)]
        field.axes.add_collection(
            PathCollection(path, facecolors=colour, edgecolors="none", alpha=0.20, zorder=2)
        )
        field.axes.add_collection(
            PathCollection(path, facecolors="none", edgecolors=colour, linewidths=1.5, zorder=5)
        )


def draw_buildings(field: MapField, buildings: GeoDataFrame) -> None:
    """Draw footprints."""
    field.axes.add_collection(
        PathCollection(
            [outline(polygon) for polygon in buildings.geometry],
            facecolors=BUILDING, edgecolors=BUILDING_EDGE, linewidths=0.7, zorder=4,
        )
    )  # fmt: skip


def is_doubtful(low_spots: GeoDataFrame) -> Any:
    """
    Tell which low spots may be no standing water at all.

    Parameters
    ----------
    low_spots
        Layer of the result.
    """
    return low_spots["artefact"].fillna("").astype(str) != ""


def in_order(low_spots: GeoDataFrame) -> GeoDataFrame:
    """
    Put low spots in the order in which a reader wants them: on the lot and certain ones first.

    Parameters
    ----------
    low_spots
        Layer of the result; within each group its order stays.
    """
    rank = is_doubtful(low_spots).astype(int) + 2 * (low_spots["on_lot_m2"] == 0).astype(int)
    return low_spots.iloc[np.argsort(rank.to_numpy(), kind="stable")]


def draw_low_spots(field: MapField, low_spots: GeoDataFrame) -> None:
    """Draw the edges of low spots; dashed where one may be no standing water."""
    doubtful = is_doubtful(low_spots)
    for rows, dashes in ((~doubtful, "solid"), (doubtful, (0, (2.0, 1.5)))):
        field.axes.add_collection(
            PathCollection(
                [outline(polygon) for polygon in low_spots.geometry[rows]],
                facecolors="none", edgecolors="#172062", linewidths=0.65, linestyles=[dashes],
                zorder=6,
            )
        )  # fmt: skip


def draw_flow_paths(field: MapField, flow_paths: GeoDataFrame) -> None:
    """Draw where water runs, wider with more ground behind it, with arrowheads downstream."""
    lines, rows = lines_of(flow_paths.geometry.to_numpy())
    lines = [smoothed(line) for line in lines]
    widths = flow_width(flow_paths["area_m2"].to_numpy()[rows])
    for colour, wider, opacity in (("white", 1.4, 0.75), (FLOW, 0.0, 0.95)):
        field.axes.add_collection(
            LineCollection(
                lines, linewidths=widths + wider, colors=colour, alpha=opacity,
                capstyle="round", zorder=7,
            )
        )  # fmt: skip
    heads = arrowheads(lines, 0.085 * field.units_per_inch, 0.40 * field.units_per_inch)
    field.axes.add_collection(
        PolyCollection(heads, facecolors=FLOW, edgecolors="white", linewidths=0.6, zorder=8)
    )


def draw_lot(field: MapField, lot: GeoDataFrame) -> None:
    """Draw the lot line, on a light band so that it shows on any ground."""
    paths = [outline(polygon) for polygon in lot.geometry]
    for colour, width, dashes in (("white", 3.6, "solid"), (LOT, 2.0, (0, (9, 2.2, 1.6, 2.2)))):
        field.axes.add_collection(
            PathCollection(
                paths, facecolors="none", edgecolors=colour, linewidths=width,
                linestyles=[dashes], zorder=9,
            )
        )  # fmt: skip


def draw_crossings(field: MapField, crossings: GeoDataFrame, lot: GeoDataFrame) -> None:
    """Draw where water comes onto the lot and leaves it, larger with more ground behind it."""
    inward = crossings["direction"].to_numpy() == "on"
    triangles = crossing_triangles(
        shapely.get_coordinates(crossings.geometry.to_numpy()),
        inward,
        crossing_length(crossings["area_m2"].to_numpy()) * field.units_per_inch,
        lot.geometry.union_all(),
    )
    field.axes.add_collection(
        PolyCollection(
            triangles, facecolors=np.where(inward, RUN_ON, RUN_OFF), edgecolors=INK,
            linewidths=0.8, zorder=10,
        )
    )  # fmt: skip


def draw_inlets(field: MapField, inlets: GeoDataFrame) -> None:
    """Draw inlets: the length of a channel drain, a square for all that is smaller than one."""
    inch = field.units_per_inch
    long = inlets.geometry.length > np.where(inlets.geometry.area > 0, 0.6 * inch, 0.15 * inch)
    shapes = inlets.geometry[long]
    lines, _ = lines_of(np.array([s.boundary if s.area else s for s in shapes], dtype=object))
    for colour, wider in (("white", 1.8), (INK, 0.0)):
        field.axes.add_collection(
            LineCollection(lines, colors=colour, linewidths=2.4 + wider, zorder=11)
        )
    middle = inlets.geometry[~long].centroid
    field.axes.plot(
        middle.x, middle.y, "s", markersize=6.5, markerfacecolor=INK, markeredgecolor="white",
        markeredgewidth=1.2, zorder=12,
    )  # fmt: skip
