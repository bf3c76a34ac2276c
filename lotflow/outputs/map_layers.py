"""The layers of a map, each drawn by one function, from the ground up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from matplotlib.collections import LineCollection, PathCollection, PolyCollection
from numpy.typing import NDArray

from lotflow.outputs import palette
from lotflow.outputs.map_ground import depth_pixels, ground_pixels, share_pixels
from lotflow.outputs.map_symbols import (
    arrowheads,
    crossing_triangles,
    lines_of,
    outline,
    stretches,
)
from lotflow.outputs.smooth_lines import drawn_course

if TYPE_CHECKING:
    from collections.abc import Mapping

    from geopandas import GeoDataFrame
    from matplotlib.axes import Axes

    from lotflow.grid import Grid
    from lotflow.outputs.map_view import Bounds
    from lotflow.outputs.smooth_lines import Points

INK: Final = "#22252b"
LOT: Final = "#b3123f"
FLOW: Final = "#0b6e8f"
#: Flow whose course is uncertain: the ground fills before water runs on.
FLOW_UNCERTAIN: Final = "#4f97b0"
UNCERTAIN_DASHES: Final = (0, (2.6, 1.7))
WATER: Final = palette.OPEN_WATER
WATER_EDGE: Final = "#4d7488"
POND_EDGE: Final = "#172062"
#: Low spots that may be no standing water.
DOUBTFUL: Final = palette.DOUBTFUL
DOUBTFUL_DASHES: Final = (0, (2.0, 1.5))
RUN_ON: Final = "#e8871e"
RUN_OFF: Final = "#ffffff"
#: Where there is no elevation.
NO_GROUND: Final = "#eeece6"
BUILDING: Final = "#d9d7d2"
BUILDING_EDGE: Final = "#7d7a74"
#: Opacity of a catchment where it is certain.
_TINT: Final = 0.24
#: Fills of catchments, far from each other and from the blue of water for any eye (Okabe and
#: Ito's palette without its blues, and an olive).
CATCHMENTS: Final = ("#e69f00", "#cc79a7", "#009e73", "#d55e00", "#8a7a00", "#7a4fa3")
#: Widths of flow paths [points] at these contributing areas [m^2], straight between on a
#: logarithmic scale.
FLOW_AREAS: Final = (50.0, 500.0, 5000.0)
FLOW_WIDTHS: Final = (0.8, 2.2, 4.2)
#: Share on filled ground from which the whole of a reach is drawn as uncertain.
_MOSTLY_PONDED: Final = 0.5
#: Opacity of the veil over a low spot that exists in no realisation.
_VEIL: Final = 0.85


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

    def has_gaps(self, ground: Grid) -> bool:
        """Tell whether part of the field has no elevation."""
        rows, columns, (west, south, east, north) = cells_shown(ground, self.bounds)
        beyond = (west > self.bounds[0]) | (south > self.bounds[1])
        beyond |= (east < self.bounds[2]) | (north < self.bounds[3])
        return bool(beyond or np.isnan(ground.values[rows, columns]).any())


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


def draw_catchments(field: MapField, catchments: GeoDataFrame, shares: Mapping[str, Grid]) -> None:
    """
    Tint the catchment of each inlet, fading where it is less certain, and draw its edge.

    Parameters
    ----------
    field
        Where.
    catchments
        Layer of the result.
    shares
        How likely each cell drains to an inlet [-], by its name; without them a tint is even.
    """
    pairs = zip(catchments["name"], catchments.geometry, strict=True)
    for number, (name, polygon) in enumerate(pairs):
        colour = CATCHMENTS[number % len(CATCHMENTS)]
        path = [outline(polygon)]
        if name in shares:
            rows, columns, extent = cells_shown(shares[name], field.bounds)
            edges = (extent[0], extent[2], extent[1], extent[3])
            tint = share_pixels(shares[name].values[rows, columns], colour, _TINT)
            field.axes.imshow(tint, extent=edges, interpolation="bilinear", zorder=2)
        else:
            field.axes.add_collection(
                PathCollection(path, facecolors=colour, edgecolors="none", alpha=_TINT, zorder=2)
            )
        field.axes.add_collection(
            PathCollection(path, facecolors="none", edgecolors=colour, linewidths=1.5, zorder=5)
        )


def draw_water(field: MapField, water: GeoDataFrame) -> None:
    """Draw open water."""
    field.axes.add_collection(
        PathCollection(
            [outline(polygon) for polygon in water.geometry],
            facecolors=WATER, edgecolors=WATER_EDGE, linewidths=0.9, zorder=1.5,
        )
    )  # fmt: skip


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
    """Draw the edges of low spots, dashed where one may be no standing water; veil unsure ones."""
    doubt = 1.0 - low_spots["probability"].astype(float).fillna(1.0).to_numpy()
    for share, polygon in zip(doubt, low_spots.geometry, strict=True):
        if share > 0:
            veil = PathCollection([outline(polygon)], facecolors=palette.VEIL, edgecolors="none",
                                  alpha=_VEIL * min(share, 1.0), zorder=3.5)  # fmt: skip
            field.axes.add_collection(veil)
    doubtful = is_doubtful(low_spots)
    for rows, colour, dashes in (
        (~doubtful, POND_EDGE, "solid"), (doubtful, DOUBTFUL, DOUBTFUL_DASHES)
    ):  # fmt: skip
        field.axes.add_collection(
            PathCollection(
                [outline(polygon) for polygon in low_spots.geometry[rows]],
                facecolors="none", edgecolors=colour, linewidths=0.65, linestyles=[dashes],
                zorder=6,
            )
        )  # fmt: skip


def is_mostly_ponded(flow_paths: GeoDataFrame) -> Any:
    """
    Tell which flow paths run over broad filled ground for most of their length.

    Parameters
    ----------
    flow_paths
        Layer of the result.
    """
    return flow_paths["ponded_share"].astype(float).fillna(0.0) >= _MOSTLY_PONDED


def draw_flow_paths(
    field: MapField, flow_paths: GeoDataFrame, ponds: GeoDataFrame, cell: float
) -> None:
    """
    Draw where water runs, wider with more ground behind it, with arrowheads downstream.

    Over ground that fills before water runs on, its course is uncertain: there the line is
    light and dashed.

    Parameters
    ----------
    field
        Where.
    flow_paths, ponds
        Layers of the result: flow paths and low spots.
    cell
        Side of a cell [unit of the CRS].
    """
    lines, rows = lines_of(flow_paths.geometry.to_numpy())
    lines = [drawn_course(line, cell) for line in lines]
    widths = flow_width(flow_paths["area_m2"].to_numpy()[rows])
    everywhere = is_mostly_ponded(flow_paths).to_numpy()[rows]
    over = shapely.union_all(ponds.geometry.to_numpy())
    shapely.prepare(over)
    certain: list[tuple[Points, float]] = []
    uncertain: list[tuple[Points, float]] = []
    for line, width, unsure in zip(lines, widths, everywhere, strict=True):
        for stretch, filled in stretches(line, over):
            (uncertain if filled or unsure else certain).append((stretch, float(width)))
    _draw_lines(field, certain, FLOW, "solid", casing=1.4)
    _draw_lines(field, uncertain, FLOW_UNCERTAIN, UNCERTAIN_DASHES, casing=0.0)
    heads = arrowheads(lines, 0.085 * field.units_per_inch, 0.40 * field.units_per_inch)
    field.axes.add_collection(
        PolyCollection(heads, facecolors=FLOW, edgecolors="white", linewidths=0.6, zorder=8)
    )


def _draw_lines(
    field: MapField, lines: list[tuple[Points, float]], colour: str, dashes: Any, *, casing: float
) -> None:
    """Draw lines of given widths, on a light band where there is one."""
    if not lines:
        return
    courses, widths = zip(*lines, strict=True)
    bands = [("white", casing, 0.75, "solid")] if casing else []
    for band, wider, opacity, style in (*bands, (colour, 0.0, 0.95, dashes)):
        field.axes.add_collection(
            LineCollection(
                courses, linewidths=np.asarray(widths) + wider, colors=band, alpha=opacity,
                linestyles=[style], capstyle="round" if style == "solid" else "butt", zorder=7,
            )
        )  # fmt: skip


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
