"""The layers of a map, each drawn by one function, from the ground up."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from matplotlib.collections import LineCollection, PathCollection, PolyCollection
from matplotlib.path import Path
from numpy.typing import NDArray

from lotflow.outputs.map.content import cells_shown
from lotflow.outputs.map.ground import (
    Points,
    depth_pixels,
    drawn_course,
    ground_pixels,
    share_pixels,
)
from lotflow.outputs.palette import (
    BUILDING,
    BUILDING_EDGE,
    CATCHMENTS,
    DOUBTFUL,
    EARTH,
    FLOW,
    INK,
    LOT,
    NO_FAULT,
    OPEN_WATER,
    PIPE,
    RUN_OFF,
    RUN_ON,
    SWALE,
    VEIL,
    WATER_EDGE,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from geopandas import GeoDataFrame

    from lotflow.grid import Grid
    from lotflow.outputs.map.content import MapDrains, MapField


#: Flow whose course is uncertain: the ground fills before water runs on.
FLOW_UNCERTAIN: Final = "#4f97b0"
UNCERTAIN_DASHES: Final = (0, (2.6, 1.7))
OPEN_WATER_EDGE: Final = "#4d7488"
DOUBTFUL_DASHES: Final = (0, (2.0, 1.5))
#: Where there is no elevation.
NO_GROUND: Final = "#eeece6"
#: Opacity of a catchment where it is certain.
_TINT: Final = 0.24
#: Widths of flow paths [points] at these contributing areas [m^2], straight between on a
#: logarithmic scale.
FLOW_AREAS: Final = (50.0, 500.0, 5000.0)
_FLOW_WIDTHS: Final = (0.8, 2.2, 4.2)
#: Share on filled ground from which the whole of a reach is drawn as uncertain.
_MOSTLY_PONDED: Final = 0.5
#: Opacity of the veil over a low spot that exists in no realisation.
_VEIL: Final = 0.85


def flow_width(area: Any) -> NDArray[np.float64]:
    """
    Give the width of a flow path's line [points].

    `area`: contributing area [m^2].

    Examples
    --------
    >>> flow_width([10.0, 500.0, 1e6]).tolist()
    [0.8, 2.2, 4.2]
    """
    logarithm = np.log(np.maximum(np.asarray(area, dtype=float), 1.0))
    return np.asarray(np.interp(logarithm, np.log(FLOW_AREAS), _FLOW_WIDTHS))


def crossing_length(area: Any) -> NDArray[np.float64]:
    """
    Give the size of a crossing's mark [inch].

    `area`: contributing area of the water that crosses [m^2].
    """
    return 0.035 * np.maximum(flow_width(area), 1.8)


def draw_ground(field: MapField, ground: Grid, depth: Grid, deepest: float) -> None:
    """
    Draw the shaded ground, and low spots by depth.

    `ground`, `depth`: elevation and depth of low spots [m]; `deepest`: depth of the darkest
    colour [m].
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

    `shares`: how likely each cell drains to an inlet [-], by its name; without them a tint is
    even.
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
            facecolors=OPEN_WATER, edgecolors=OPEN_WATER_EDGE, linewidths=0.9, zorder=1.5,
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


#: Colour and width of earthworks by their kind [points].
EARTHWORKS: Final[dict[str, tuple[str, float]]] = {
    "swale": (SWALE, 3.6), "berm": (EARTH, 3.2), "regrade": (EARTH, 1.0), "fill": (EARTH, 1.0),
    "rain garden": (NO_FAULT, 1.0),
}  # fmt: skip


def draw_earthworks(field: MapField, earthworks: GeoDataFrame) -> None:
    """Draw swales and berms as bands, raised ground and rain gardens as tinted areas."""
    for kind, shape in zip(earthworks["kind"], earthworks.geometry, strict=True):
        colour, width = EARTHWORKS[kind]
        if shape.geom_type.endswith("Polygon"):
            drawn: Any = PathCollection(
                [outline(shape)], facecolors=colour, edgecolors=colour, linewidths=width,
                alpha=0.35, zorder=4.5,
            )  # fmt: skip
        else:
            lines, _ = _lines_of(np.array([shape]))
            drawn = LineCollection(lines, colors=colour, linewidths=width, alpha=0.75,
                                   capstyle="butt", zorder=6.5)  # fmt: skip
        field.axes.add_collection(drawn)


def is_doubtful(low_spots: GeoDataFrame) -> Any:
    """Tell which low spots may be no standing water at all."""
    return low_spots["artefact"].fillna("").astype(str) != ""


def in_order(low_spots: GeoDataFrame) -> GeoDataFrame:
    """
    Put low spots in the order in which a reader wants them: on the lot and certain ones first.

    `low_spots`: layer of the result; within each group its order stays.
    """
    rank = is_doubtful(low_spots).astype(int) + 2 * (low_spots["on_lot_m2"] == 0).astype(int)
    return low_spots.iloc[np.argsort(rank.to_numpy(), kind="stable")]


def draw_low_spots(field: MapField, low_spots: GeoDataFrame) -> None:
    """Draw the edges of low spots, dashed where one may be no standing water; veil unsure ones."""
    doubt = 1.0 - low_spots["probability"].astype(float).fillna(1.0).to_numpy()
    for share, polygon in zip(doubt, low_spots.geometry, strict=True):
        if share > 0:
            veil = PathCollection([outline(polygon)], facecolors=VEIL, edgecolors="none",
                                  alpha=_VEIL * min(share, 1.0), zorder=3.5)  # fmt: skip
            field.axes.add_collection(veil)
    doubtful = is_doubtful(low_spots)
    for rows, colour, dashes in (
        (~doubtful, WATER_EDGE, "solid"), (doubtful, DOUBTFUL, DOUBTFUL_DASHES)
    ):  # fmt: skip
        field.axes.add_collection(
            PathCollection(
                [outline(polygon) for polygon in low_spots.geometry[rows]],
                facecolors="none", edgecolors=colour, linewidths=0.65, linestyles=[dashes],
                zorder=6,
            )
        )  # fmt: skip


def is_mostly_ponded(flow_paths: GeoDataFrame) -> Any:
    """Tell which flow paths run over broad filled ground for most of their length."""
    return flow_paths["ponded_share"].astype(float).fillna(0.0) >= _MOSTLY_PONDED


def draw_flow_paths(
    field: MapField, flow_paths: GeoDataFrame, ponds: GeoDataFrame, cell: float
) -> None:
    """
    Draw where water runs, wider with more ground behind it, with arrowheads downstream.

    Over ground that fills before water runs on, its course is uncertain: there the line is
    light and dashed.

    `flow_paths`, `ponds`: layers of the result: flow paths and low spots; `cell`: side of a
    cell [unit of the CRS].
    """
    lines, rows = _lines_of(flow_paths.geometry.to_numpy())
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
    for colour, width, dashes in (
        ("white", 3.6, "solid"),
        (LOT, 2.0, (0, (9, 2.2, 1.6, 2.2))),
    ):
        field.axes.add_collection(
            PathCollection(
                paths, facecolors="none", edgecolors=colour, linewidths=width,
                linestyles=[dashes], zorder=9,
            )
        )  # fmt: skip


def draw_crossings(field: MapField, crossings: GeoDataFrame, lot: GeoDataFrame) -> None:
    """Draw where water comes onto the lot and leaves it, larger with more ground behind it."""
    inward = crossings["direction"].to_numpy() == "on"
    marks = crossing_marks(
        shapely.get_coordinates(crossings.geometry.to_numpy()),
        np.radians(crossings["bearing_deg"].to_numpy(dtype=float)),
        crossing_length(crossings["area_m2"].to_numpy()) * field.units_per_inch,
        lot.geometry.union_all(),
    )
    field.axes.add_collection(
        PolyCollection(
            marks, facecolors=np.where(inward, RUN_ON, RUN_OFF), edgecolors=INK,
            linewidths=0.8, zorder=10,
        )
    )  # fmt: skip


def draw_inlets(field: MapField, inlets: GeoDataFrame) -> None:
    """Draw inlets: the length of a channel drain, a square for all that is smaller than one."""
    inch = field.units_per_inch
    long = inlets.geometry.length > np.where(inlets.geometry.area > 0, 0.6 * inch, 0.15 * inch)
    shapes = inlets.geometry[long]
    lines, _ = _lines_of(np.array([s.boundary if s.area else s for s in shapes], dtype=object))
    for colour, wider in (("white", 1.8), (INK, 0.0)):
        field.axes.add_collection(
            LineCollection(lines, colors=colour, linewidths=2.4 + wider, zorder=11)
        )
    middle = inlets.geometry[~long].centroid
    field.axes.plot(
        middle.x, middle.y, "s", markersize=6.5, markerfacecolor=INK, markeredgecolor="white",
        markeredgewidth=1.2, zorder=12,
    )  # fmt: skip


#: Where water was looked for on site.
OBSERVED: Final[dict[str, Any]] = {
    "marker": "o", "markersize": 5.0, "markerfacecolor": "none", "markeredgecolor": RUN_ON,
    "markeredgewidth": 1.8, "linestyle": "",
}  # fmt: skip


def draw_observations(field: MapField, observations: GeoDataFrame) -> None:
    """Draw where water was looked for on site: a ring, so that what lies below is seen."""
    field.axes.plot(observations.geometry.x, observations.geometry.y, **OBSERVED, zorder=11)


#: Marks that point east, their middle at the origin: of flow paths, and of water that crosses the
#: lot line. That one is long and notched: of a triangle with three like sides no eye tells the tip.
_ARROWHEAD: Final = np.array([(0.5, 0.0), (-0.5, 0.42), (-0.28, 0.0), (-0.5, -0.42)])
CROSSING: Final = np.array([(0.6, 0.0), (-0.7, 0.5), (-0.4, 0.0), (-0.7, -0.5)])


def outline(polygon: Any) -> Path:
    """
    Make one path of a polygon with its parts and holes.

    `polygon`: polygon or multipolygon, not empty.

    Examples
    --------
    >>> len(outline(shapely.box(0, 0, 1, 1)).vertices)
    5
    """
    rings = [
        ring
        for part in shapely.get_parts(shapely.normalize(polygon))
        for ring in (part.exterior, *part.interiors)
    ]
    # normalised rings run clockwise outside and anticlockwise inside, as filling asks for
    return Path.make_compound_path(*(Path(shapely.get_coordinates(r), closed=True) for r in rings))


def _lines_of(geometries: Any) -> tuple[list[Points], NDArray[np.int64]]:
    """
    Split lines into their parts.

    `geometries`: array of lines, of one part or several.

    Returns lines: coordinates, shape (n, 2), of each part; rows: number of the geometry each
    part comes from.
    """
    parts, rows = shapely.get_parts(geometries, return_index=True)
    return [shapely.get_coordinates(part) for part in parts], rows


def stretches(line: Points, area: Any) -> list[tuple[Points, bool]]:
    """
    Divide a line into stretches within an area and outside, in its own direction.

    `area`: polygon or multipolygon; a piece is within if its middle is.

    Returns coordinates of each, and whether it is within.

    Examples
    --------
    >>> line = np.array([(0.0, 0.0), (2.0, 0.0), (4.0, 0.0)])
    >>> parts = stretches(line, shapely.box(2, -1, 9, 1))
    >>> [(part[:, 0].tolist(), within) for part, within in parts]
    [([0.0, 2.0], False), ([2.0, 4.0], True)]
    """
    middle = (line[:-1] + line[1:]) / 2.0
    within = shapely.contains_xy(area, middle[:, 0], middle[:, 1])
    ends = np.concatenate([[0], np.flatnonzero(np.diff(within)) + 1, [len(within)]])
    return [(line[start : end + 1], bool(within[start])) for start, end in pairwise(ends.tolist())]


def arrowheads(lines: Sequence[Points], length: float, least: float) -> list[Points]:
    """
    Make arrowheads that show which way lines run, on those long enough to bear one.

    `least`: length of the shortest line with one.
    """
    heads = []
    for line in lines:
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        if along[-1] < least:
            continue
        place = 0.55 * along[-1]
        tail, middle, tip = (
            np.array([np.interp(at, along, line[:, k]) for k in (0, 1)])
            for at in (place - length, place, place + length)
        )
        heads.append(middle + length * _turned(_ARROWHEAD, tip - tail))
    return heads


def _turned(shape: Points, towards: Points) -> Points:
    """Turn a shape that points east into a direction."""
    x, y = towards / max(float(np.hypot(*towards)), 1e-12)
    return np.asarray(shape @ np.array([[x, y], [-y, x]]))


def crossing_marks(points: Points, bearings: Points, lengths: Points, lot: Any) -> list[Points]:
    """
    Make marks on the lot line that point the way the water goes.

    `points`: where it crosses, shape (n, 2); each mark is set on the lot line beside it;
    `bearings`: where it runs, clockwise from north [radians].
    """
    boundary = shapely.boundary(lot)
    marks = []
    for point, bearing, length in zip(points, bearings, lengths, strict=True):
        along = shapely.line_locate_point(boundary, shapely.Point(point))
        on_line = shapely.get_coordinates(shapely.line_interpolate_point(boundary, along))[0]
        towards = np.array([np.sin(bearing), np.cos(bearing)])
        marks.append(on_line + length * _turned(CROSSING, towards))
    return marks


#: Width of a drain line, and of one that is to be replaced [points].
WIDTH: Final = 1.8
REPLACED_WIDTH: Final = 1.0
REPLACED_DASHES: Final = (0, (3.2, 2.2))
#: Mark of an outlet: a disc with a ring, so that it is neither an inlet nor a crossing.
OUTLET: Final[dict[str, Any]] = {
    "marker": "o", "markersize": 6.0, "markerfacecolor": "white", "markeredgecolor": PIPE,
    "markeredgewidth": 2.0, "linestyle": "none",
}  # fmt: skip
#: Length of an arrowhead and of the shortest line that bears one [inch].
_ARROW: Final = 0.085
_LEAST_WITH_ARROW: Final = 0.30


def draw_drains(field: MapField, drains: MapDrains) -> None:
    """
    Draw drain lines with the way they flow, lines to be replaced dashed, and outlets.

    They lie over the paths on the ground and under the lot line and the inlets.
    """
    _draw_pipes(field, drains.replaced, REPLACED_WIDTH, REPLACED_DASHES)
    lines = _draw_pipes(field, drains.lines, WIDTH, "solid")
    inch = field.units_per_inch
    heads = arrowheads(lines, _ARROW * inch, _LEAST_WITH_ARROW * inch)
    field.axes.add_collection(
        PolyCollection(heads, facecolors=PIPE, edgecolors="white", linewidths=0.6, zorder=8.4)
    )
    places = [point for _, point in drains.outlets if field.shows(point.x, point.y)]
    if places:
        x, y = shapely.get_coordinates(places).T
        field.axes.plot(x, y, zorder=12, **OUTLET)


#: Mark of a level measured on site.
SHOT: Final[dict[str, Any]] = {
    "marker": "+", "markersize": 5.0, "markeredgecolor": INK, "markeredgewidth": 1.0,
    "linestyle": "none",
}  # fmt: skip


def draw_shots(field: MapField, shots: Sequence[Any]) -> None:
    """Mark the places of levels measured on site, under all names."""
    if places := [point for point in shots if field.shows(point.x, point.y)]:
        x, y = shapely.get_coordinates(places).T
        field.axes.plot(x, y, zorder=11, **SHOT)


def _draw_pipes(field: MapField, shapes: tuple[Any, ...], width: float, dashes: Any) -> list[Any]:
    """Draw lines on a light band; give the coordinates of each."""
    lines, _ = _lines_of(np.array(shapes, dtype=object))
    for colour, wider, opacity, style in (
        ("white", 1.6, 0.8, "solid"),
        (PIPE, 0.0, 1.0, dashes),
    ):
        field.axes.add_collection(
            LineCollection(
                lines, colors=colour, linewidths=width + wider, alpha=opacity,
                linestyles=[style], zorder=8.2,
            )
        )  # fmt: skip
    return lines
