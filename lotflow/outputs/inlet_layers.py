"""Inlets and their catchments as layers of a result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.outputs.result_layers import cell_centres, layer_frame
from lotflow.terrain.catchments import label_polygons, simplified_outlines, weighed

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd

    from lotflow.grid import BoolArray, FloatArray
    from lotflow.terrain.catchments import CatchmentCells
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.routing import Routing


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
    not_closed
        Whether the catchment, or the low spot it stands in, is not closed by the data.
    before_move
        Cells of the catchment where each was drawn.
    residual
        Depth that stays standing beside it [m].
    """

    kind: Sequence[str | None]
    cells: CatchmentCells
    not_closed: Sequence[bool]
    before_move: FloatArray
    residual: FloatArray


def inlets_layer(
    placed: Sequence[SetInlet], routing: Routing, facts: InletFacts
) -> gpd.GeoDataFrame:
    """
    Give the inlets where they were drawn, and what they take where they were set.

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
    set_x, set_y = cell_centres(grid, first)
    # the pipe is where it was drawn, whichever cell gives the catchment
    geometry = [inlet.drawn.geometry for inlet in placed]
    x, y = _places(geometry)
    area = facts.cells.total * grid.cell_m2
    ground = [float(grid.values.ravel()[inlet.cells].min()) for inlet in placed]
    columns = {
        "name": [inlet.drawn.name for inlet in placed],
        "kind": list(facts.kind),
        "x": x,
        "y": y,
        "set_x": set_x,
        "set_y": set_y,
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
        "not_closed": list(facts.not_closed),
        "residual_depth_m": facts.residual,
        "runoff_coefficient": np.full(len(placed), np.nan),
        "flow_m3s": np.full(len(placed), np.nan),
        "flow_per_10mm_h_m3s": np.full(len(placed), np.nan),
    }
    return layer_frame("inlets", columns, geometry, grid.crs)


def _places(shapes: Sequence[Any]) -> tuple[FloatArray, FloatArray]:
    """Easting and northing of points, of the middle of lines, of the inside of polygons."""
    points = [
        shape.interpolate(0.5, normalized=True) if shape.geom_type == "LineString"
        else shape if shape.geom_type == "Point"
        else shape.representative_point()
        for shape in shapes
    ]  # fmt: skip
    return (
        np.array([point.x for point in points], dtype=float),
        np.array([point.y for point in points], dtype=float),
    )


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
    cells = weighed(routing, ~routing.surface.missing)
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
