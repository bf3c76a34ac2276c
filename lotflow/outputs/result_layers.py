"""From what was computed to the layers of a result: rows, columns and geometry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.styles import layer_rules, sld_text
from lotflow.terrain.catchments import label_polygons, simplified_outlines
from lotflow.units import from_si

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from lotflow.findings import Finding
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.catchments import CatchmentCells
    from lotflow.terrain.contours import Contour
    from lotflow.terrain.flow_paths import FlowPath
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.lot_line import Crossing
    from lotflow.terrain.low_spots import InnerLowSpot, LowSpots
    from lotflow.terrain.routing import Routing
    from lotflow.units import UnitSystem


def layer_frame(
    layer: str, columns: Mapping[str, Any], geometry: Any, crs: Any
) -> gpd.GeoDataFrame:
    """
    Put the columns of a layer in the declared order; a column that is not given is empty.

    Parameters
    ----------
    layer
        Name of a result layer.
    columns
        Values by column, one per row.
    geometry
        One per row.
    crs
        Of the geometry.

    Raises
    ------
    TypeError
        If the layer has no such column; that is a fault of lotflow.
    """
    names = [column.name for column in RESULT_LAYERS[layer].columns]
    unknown = set(columns) - set(names)
    if unknown:
        raise TypeError(f"layer {layer} has no column {sorted(unknown)}")
    shapes = np.asarray(geometry, dtype=object)
    data = {name: columns.get(name, [None] * len(shapes)) for name in names}
    return gpd.GeoDataFrame(data, geometry=shapes, crs=crs)


def _centres(grid: Grid, cells: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Easting and northing of cells given by flat index."""
    x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
    return np.asarray(x, dtype=float), np.asarray(y, dtype=float)


def lot_layer(lot: gpd.GeoDataFrame, metres_per_unit: float) -> gpd.GeoDataFrame:
    """
    Give the lot with its area.

    Parameters
    ----------
    lot
        As read, in the grid's CRS.
    metres_per_unit
        Of that CRS.
    """
    area = lot.geometry.area * metres_per_unit**2
    return layer_frame("lot", {"name": lot["name"], "area_m2": area}, lot.geometry, lot.crs)


@dataclass(frozen=True, eq=False)
class LowSpotFacts:
    """
    What is known of low spots beside their shape; one entry per low spot.

    Parameters
    ----------
    on_lot
        Cells on the lot.
    cut
        Whether the catchment is cut by the edge of the data.
    inlets
        Names of the inlets in each, joined by commas.
    """

    on_lot: NDArray[np.int64]
    cut: BoolArray
    inlets: Sequence[str]


def low_spots_layer(
    spots: LowSpots,
    grid: Grid,
    facts: LowSpotFacts,
    inner: Sequence[InnerLowSpot],
    buildings: gpd.GeoDataFrame,
) -> gpd.GeoDataFrame:
    """
    Give the low spots as polygons, deepest first.

    Parameters
    ----------
    spots, grid
        The low spots and their cells.
    facts
        What is known of them beside.
    inner
        Low spots nested in them.
    buildings
        Footprints in the grid's CRS.
    """
    labels, polygons = label_polygons(spots.number, grid)
    # a low spot under a roof may be covered by another one, and then has no cells of its own
    shape = dict(zip(labels, polygons, strict=True))
    x, y = _centres(grid, spots.bed_cell)
    spill_x, spill_y = _centres(grid, spots.spill_cell)
    geometry = [shape.get(i + 1, shapely.Point(x[i], y[i]).buffer(grid.transform.a / 2, 1))
                for i in range(len(spots))]  # fmt: skip
    nested = np.bincount([spot.low_spot for spot in inner], minlength=len(spots) + 1)[1:]
    area = spots.contributing * grid.cell_m2
    volume = spots.volume * grid.cell_m2
    columns = {
        "id": np.arange(1, len(spots) + 1),
        "x": x,
        "y": y,
        "depth_m": spots.depth,
        "area_m2": spots.cells * grid.cell_m2,
        "volume_m3": volume,
        "bed_elevation_m": spots.bed,
        "spill_elevation_m": spots.spill,
        "spill_x": spill_x,
        "spill_y": spill_y,
        "contributing_area_m2": area,
        "runoff_to_fill_mm": np.divide(
            volume * 1000, area, out=np.full(len(spots), np.nan), where=area > 0
        ),
        "on_lot_m2": facts.on_lot * grid.cell_m2,
        "building_distance_m": _distances(geometry, buildings, grid),
        "inner_low_spots": nested,
        "inlets": list(facts.inlets),
        "artefact": spots.artefact,
        "cut_by_edge": facts.cut,
        "probability": np.full(len(spots), np.nan),
    }
    return layer_frame("low_spots", columns, geometry, grid.crs)


def _distances(geometry: list[Any], buildings: gpd.GeoDataFrame, grid: Grid) -> FloatArray:
    """Distance to the nearest building [m]; NaN where there is none."""
    if not len(buildings) or not geometry:
        return np.full(len(geometry), np.nan)
    tree = shapely.STRtree(buildings.geometry.to_numpy())
    _, away = tree.query_nearest(np.asarray(geometry), return_distance=True, all_matches=False)
    return np.asarray(away * grid.metres_per_unit, dtype=float)


def inner_low_spots_layer(inner: Sequence[InnerLowSpot], grid: Grid) -> gpd.GeoDataFrame:
    """
    Give nested low spots as points.

    Parameters
    ----------
    inner, grid
        The nested low spots and their cells.
    """
    x, y = _centres(grid, np.array([spot.bed_cell for spot in inner], dtype=np.int64))
    columns = {
        "id": np.arange(1, len(inner) + 1),
        "low_spot": np.array([spot.low_spot for spot in inner], dtype=int),
        "x": x,
        "y": y,
        "depth_m": np.array([spot.sill - spot.bed for spot in inner], dtype=float),
        "volume_m3": np.array([spot.volume * grid.cell_m2 for spot in inner], dtype=float),
        "bed_elevation_m": np.array([spot.bed for spot in inner], dtype=float),
        "sill_elevation_m": np.array([spot.sill for spot in inner], dtype=float),
    }
    return layer_frame("inner_low_spots", columns, shapely.points(x, y), grid.crs)


def spill_points_layer(spots: LowSpots, grid: Grid) -> gpd.GeoDataFrame:
    """
    Give the points over which low spots overflow.

    Parameters
    ----------
    spots, grid
        The low spots and their cells.
    """
    columns = {"id": np.arange(1, len(spots) + 1), "spill_elevation_m": spots.spill}
    points = shapely.points(*_centres(grid, spots.spill_cell))
    return layer_frame("spill_points", columns, points, grid.crs)


def flow_paths_layer(paths: Sequence[FlowPath], routing: Routing) -> gpd.GeoDataFrame:
    """
    Give flow paths as lines drawn downhill.

    Parameters
    ----------
    paths, routing
        The reaches and what they were traced on.
    """
    grid = routing.surface.ground
    filled = routing.field.filled.ravel()
    lines = [shapely.LineString(np.column_stack(_centres(grid, path.cells))) for path in paths]
    length = shapely.length(np.asarray(lines, dtype=object)) * grid.metres_per_unit
    fall = np.array([filled[path.cells[0]] - filled[path.cells[-1]] for path in paths])
    columns = {
        "id": np.arange(1, len(paths) + 1),
        "area_m2": np.array([path.area * grid.cell_m2 for path in paths], dtype=float),
        "length_m": np.asarray(length, dtype=float),
        "fall_m": fall.astype(float),
        "slope": np.divide(fall, length, out=np.zeros(len(paths)), where=length > 0),
        "order": np.array([path.order for path in paths], dtype=int),
        "ponded_share": np.array([path.ponded_share for path in paths], dtype=float),
    }
    return layer_frame("flow_paths", columns, lines, grid.crs)


def crossings_layer(crossings: Sequence[Crossing], grid: Grid) -> gpd.GeoDataFrame:
    """
    Give the stretches of the lot line over which water comes and goes.

    Parameters
    ----------
    crossings, grid
        The crossings and their cells.
    """
    cells = np.array([crossing.cell for crossing in crossings], dtype=np.int64)
    columns = {
        "id": np.arange(1, len(crossings) + 1),
        "direction": ["on" if crossing.inward else "off" for crossing in crossings],
        "area_m2": np.array([crossing.area * grid.cell_m2 for crossing in crossings], dtype=float),
        "elevation_m": grid.values.ravel()[cells],
    }
    return layer_frame(
        "lot_line_crossings", columns, shapely.points(*_centres(grid, cells)), grid.crs
    )


@dataclass(frozen=True, eq=False)
class InletFacts:
    """
    What is known of inlets beside their place; one entry per inlet.

    Parameters
    ----------
    kind
        Kind of inlet, or None.
    cells
        Catchments.
    before_move
        Cells of the catchment where each was drawn.
    residual
        Depth that stays standing beside it [m].
    """

    kind: Sequence[str | None]
    cells: CatchmentCells
    before_move: FloatArray
    residual: FloatArray


def inlets_layer(
    placed: Sequence[SetInlet], routing: Routing, facts: InletFacts
) -> gpd.GeoDataFrame:
    """
    Give the inlets where they were set, and what they take.

    Parameters
    ----------
    placed
        Inlets on their cells.
    routing
        With inlets.
    facts
        What is known of them beside.
    """
    grid = routing.surface.ground
    first = np.array([inlet.cells[0] for inlet in placed], dtype=np.int64)
    x, y = _centres(grid, first)
    geometry = [
        shapely.Point(x[i], y[i]) if inlet.moved_m else inlet.drawn.geometry
        for i, inlet in enumerate(placed)
    ]
    area = facts.cells.total * grid.cell_m2
    ground = [float(grid.values.ravel()[inlet.cells].min()) for inlet in placed]
    columns = {
        "name": [inlet.drawn.name for inlet in placed],
        "kind": list(facts.kind),
        "x": x,
        "y": y,
        "moved_m": np.array([inlet.moved_m for inlet in placed], dtype=float),
        "ground_elevation_m": np.array(ground, dtype=float),
        "rim_elevation_m": np.array(
            [ground[i] if inlet.level is None else inlet.level for i, inlet in enumerate(placed)],
            dtype=float,
        ),
        "catchment_m2": area,
        "catchment_before_move_m2": facts.before_move * grid.cell_m2,
        "roof_connected_m2": np.zeros(len(placed)),
        "on_lot_m2": facts.cells.on_lot * grid.cell_m2,
        "off_lot_m2": (facts.cells.total - facts.cells.on_lot) * grid.cell_m2,
        "cut_by_edge": facts.cells.cut_by_edge,
        "residual_depth_m": facts.residual,
        "runoff_coefficient": np.full(len(placed), np.nan),
        "flow_m3s": np.full(len(placed), np.nan),
        "flow_per_10mm_h_m3s": np.full(len(placed), np.nan),
    }
    return layer_frame("inlets", columns, geometry, grid.crs)


def catchment_layers(
    routing: Routing, names: Sequence[str], cut: BoolArray
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """
    Give catchments with simplified outlines, and as exact cells.

    Parameters
    ----------
    routing
        With inlets.
    names
        Of the inlets.
    cut
        Whether each catchment is cut by the edge of the data.
    """
    grid = routing.surface.ground
    known = np.where(routing.surface.missing, 0, routing.label)
    labels, polygons = label_polygons(known, grid)
    cells = np.bincount(known.ravel(), minlength=len(names) + 1)
    columns = {
        "name": [names[label - 1] for label in labels],
        "area_m2": np.array([cells[label] * grid.cell_m2 for label in labels], dtype=float),
    }
    outlines = simplified_outlines(polygons, float(grid.transform.a))
    flags = np.array([bool(cut[label - 1]) for label in labels], dtype=bool)
    return (
        layer_frame("catchments", {**columns, "cut_by_edge": flags}, outlines, grid.crs),
        layer_frame("catchment_cells", columns, polygons, grid.crs),
    )


def contours_layer(lines: Sequence[Contour], grid: Grid, units: UnitSystem) -> gpd.GeoDataFrame:
    """
    Give contours as lines.

    Parameters
    ----------
    lines, grid
        The contours and the grid they were traced on.
    units
        "us" or "metric", of the labels.
    """
    unit = "ft" if units == "us" else "m"
    columns = {
        "elevation_m": np.array([line.level for line in lines], dtype=float),
        "label": [f"{from_si(line.level, unit):g} {unit}" for line in lines],
        "kind": ["index" if line.index else "ordinary" for line in lines],
    }
    shapes = [shapely.LineString(line.xy) for line in lines]
    return layer_frame("contours", columns, shapes, grid.crs)


def styles_table(units: UnitSystem) -> pd.DataFrame:
    """
    Give the styles of the layers as a table.

    Parameters
    ----------
    units
        "us" or "metric", of titles.
    """
    styles = [
        {
            "f_table_name": name,
            "f_geometry_column": "geom",
            "styleName": f"lotflow {name}",
            "styleSLD": sld_text(name, rules),
            "useAsDefault": True,
            "description": "Styled Layer Descriptor 1.0.0",
        }
        for name, rules in layer_rules(units).items()
    ]
    return pd.DataFrame(styles)


def buildings_layer(buildings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """
    Give the footprints as they were read.

    Parameters
    ----------
    buildings
        In the grid's CRS.
    """
    return layer_frame("buildings", {"name": buildings["name"]}, buildings.geometry, buildings.crs)


def findings_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """
    Give findings as a table.

    Parameters
    ----------
    findings
        In the order in which they are listed.
    """
    names = [column.name for column in RESULT_LAYERS["findings"].columns]
    return pd.DataFrame([finding.as_dict() for finding in findings], columns=names)


def runoff_table(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """
    Give runoff per subject and storm as a table.

    Parameters
    ----------
    rows
        With the columns of the layer "runoff".
    """
    names = [column.name for column in RESULT_LAYERS["runoff"].columns]
    return pd.DataFrame(rows, columns=names)
