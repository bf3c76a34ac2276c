"""From what was computed to the layers of a result: rows, columns and geometry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lotflow.layers import CORE_LAYERS, RESULT_LAYERS
from lotflow.outputs.styles import layer_rules, sld_text
from lotflow.outputs.viewer_styles import viewer_style_text
from lotflow.terrain.flow_paths import path_length
from lotflow.units import from_si

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from lotflow.findings import Finding
    from lotflow.grid import FloatArray, Grid
    from lotflow.terrain.catchments import Crossing
    from lotflow.terrain.contours import Contour
    from lotflow.terrain.flow_paths import FlowPath
    from lotflow.terrain.routing import Routing
    from lotflow.units import UnitSystem


#: Of every style: the same result has the same bytes.
_STYLED_ON: Final = "1970-01-01T00:00:00.000Z"
#: The viewer's own table has no room for more.
_LONGEST_STYLE_NAME: Final = 30


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


def cell_centres(grid: Grid, cells: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Give easting and northing of cells, given by flat indices of shape (n,)."""
    x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
    return np.asarray(x, dtype=float), np.asarray(y, dtype=float)


def lot_layer(lot: gpd.GeoDataFrame, metres_per_unit: float, name: str) -> gpd.GeoDataFrame:
    """Give the lot with its area, called as the job is."""
    area = lot.geometry.area * metres_per_unit**2
    return layer_frame(
        "lot", {"name": [name or None] * len(lot), "area_m2": area}, lot.geometry, lot.crs
    )


def flow_paths_layer(
    paths: Sequence[FlowPath], routing: Routing, *, today: bool = False
) -> gpd.GeoDataFrame:
    """
    Give flow paths as lines drawn downhill.

    `paths`, `routing`: the reaches and what they were traced on; `today`: whether they are those
    of the drains and the ground as they are, beside those of the proposal.
    """
    grid = routing.surface.ground
    filled = routing.field.filled.ravel()
    lines = [shapely.LineString(np.column_stack(cell_centres(grid, path.cells))) for path in paths]
    length = np.array([path_length(path, grid) for path in paths])
    fall = np.array([filled[path.cells[0]] - filled[path.cells[-1]] for path in paths])
    columns = {
        "id": np.arange(1, len(paths) + 1),
        "area_m2": np.array([path.area * grid.cell_m2 for path in paths], dtype=float),
        "length_m": length.astype(float),
        "fall_m": fall.astype(float),
        "slope": np.divide(fall, length, out=np.zeros(len(paths)), where=length > 0),
        "rank": np.array([path.order for path in paths], dtype=int),
        "ponded_share": np.array([path.ponded_share for path in paths], dtype=float),
    }
    return layer_frame("flow_paths_today" if today else "flow_paths", columns, lines, grid.crs)


def crossings_layer(crossings: Sequence[Crossing], grid: Grid) -> gpd.GeoDataFrame:
    """Give the stretches of the lot line over which water comes and goes."""
    cells = np.array([crossing.cell for crossing in crossings], dtype=np.int64)
    columns = {
        "id": np.arange(1, len(crossings) + 1),
        "direction": ["on" if crossing.inward else "off" for crossing in crossings],
        "area_m2": np.array([crossing.area * grid.cell_m2 for crossing in crossings], dtype=float),
        "elevation_m": grid.values.ravel()[cells],
        "bearing_deg": np.array([crossing.bearing for crossing in crossings], dtype=float),
    }
    return layer_frame(
        "lot_line_crossings", columns, shapely.points(*cell_centres(grid, cells)), grid.crs
    )


def contours_layer(lines: Sequence[Contour], grid: Grid, units: UnitSystem) -> gpd.GeoDataFrame:
    """
    Give contours as lines.

    `lines`, `grid`: the contours and the grid they were traced on; `units`: "us" or "metric",
    of the labels.
    """
    unit = "ft" if units == "us" else "m"
    columns = {
        "elevation_m": np.array([line.level for line in lines], dtype=float),
        "label": [f"{from_si(line.level, unit):g} {unit}" for line in lines],
        "kind": ["index" if line.index else "ordinary" for line in lines],
    }
    shapes = [shapely.LineString(line.xy) for line in lines]
    return layer_frame("contours", columns, shapes, grid.crs)


def layers_to_write(layers: Mapping[str, pd.DataFrame], units: UnitSystem) -> dict[str, Any]:
    """
    Give the layers of a file: one geometry each, none without rows but the core, with their looks.

    Parameters
    ----------
    layers
        Layers of a study, whose inlets have the geometry they were drawn with.
    units
        "us" or "metric", of titles and labels.
    """
    told = {**layers, **_inlets_by_geometry(layers["inlets"])}
    kept = {name: frame for name, frame in told.items() if name in CORE_LAYERS or len(frame)}
    return kept | {"layer_styles": _styles_table(list(kept), units)}


def _inlets_by_geometry(inlets: gpd.GeoDataFrame) -> dict[str, gpd.GeoDataFrame]:
    """Divide inlets into points, and the lines and areas that some of them were drawn as."""
    points = shapely.points(inlets["x"].astype(float), inlets["y"].astype(float))
    told = {"inlets": inlets.set_geometry(gpd.GeoSeries(points, inlets.index, crs=inlets.crs))}
    for name, family in (("inlet_lines", "LineString"), ("inlet_areas", "Polygon")):
        drawn = inlets[inlets.geometry.geom_type.str.endswith(family)]
        columns = {one.name: drawn[one.name].tolist() for one in RESULT_LAYERS[name].columns}
        told[name] = layer_frame(name, columns, drawn.geometry, inlets.crs)
    return told


def _styles_table(names: Sequence[str], units: UnitSystem) -> pd.DataFrame:
    """Give the styles of these layers as a table that viewers read."""
    styles = [
        {
            "f_table_catalog": "",
            "f_table_schema": "",
            "f_table_name": name,
            "f_geometry_column": "geom",
            "styleName": RESULT_LAYERS[name].title[:_LONGEST_STYLE_NAME],
            "styleQML": viewer_style_text(
                rules, RESULT_LAYERS[name].geometries[0], RESULT_LAYERS[name].titles
            ),
            "styleSLD": sld_text(name, rules),
            "useAsDefault": True,
            "description": RESULT_LAYERS[name].meaning,
            "owner": "lotflow",
            "ui": None,
            "update_time": _STYLED_ON,
        }
        for name, rules in layer_rules(units).items()
        if name in names
    ]
    return pd.DataFrame(styles)


def buildings_layer(buildings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give the footprints as they were read."""
    return layer_frame("buildings", {"name": buildings["name"]}, buildings.geometry, buildings.crs)


def water_layer(water: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give open water as it was read."""
    return layer_frame("water", {"name": water["name"]}, water.geometry, water.crs)


def findings_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """
    Give findings as a table.

    Parameters
    ----------
    findings
        In the order in which they are listed.
    """
    columns = RESULT_LAYERS["findings"].columns
    rows = [finding.as_dict() for finding in findings]
    return pd.DataFrame({one.name: [row[one.key] for row in rows] for one in columns})


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
