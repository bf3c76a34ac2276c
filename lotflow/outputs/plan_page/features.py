"""What a plan page draws: layers with their colours, and what is told of each row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd
import shapely

from lotflow.outputs import palette

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.grid import Grid

Mark = Literal["", "square", "circle", "on", "off"]


@dataclass(frozen=True)
class Told:
    """
    One line of what is told of a row.

    Parameters
    ----------
    label
        Shown before the value.
    column
        Of the layer.
    quantity
        As in `units.SHOWN`, or "text", "whole", "share", "slope", "yr".
    """

    label: str
    column: str
    quantity: str = "text"


@dataclass(frozen=True)
class DrawnLayer:
    """
    How a layer is drawn.

    Parameters
    ----------
    title
        In the list of layers.
    fill, stroke, width, dashes, opacity
        Colours, line width [pixels], dashes, opacity of the fill; empty for none.
    mark
        Symbol of points.
    heading
        Column that names a row; empty for the title alone.
    label
        Whether that name is written on the map.
    told
        Lines of the tooltip.
    shown
        Whether it is drawn at first.
    where
        Column and value: only such rows are drawn.
    """

    title: str
    fill: str = ""
    stroke: str = ""
    width: float = 1.5
    dashes: str = ""
    opacity: float = 0.25
    mark: Mark = ""
    heading: str = ""
    label: bool = False
    told: tuple[Told, ...] = ()
    shown: bool = True
    where: tuple[str, str] | None = None


#: What is there today and is to be replaced is drawn with dashes.
_TODAY_DASHES: Final = "3 6"

#: From the ground up: later layers are drawn over earlier ones.
DRAWN: Final[dict[str, DrawnLayer]] = {
    "contours": DrawnLayer(
        "Contours", stroke=palette.CONTOUR, width=0.8, heading="label", shown=False
    ),
    "catchments": DrawnLayer(
        "Catchments of the inlets", fill=palette.CATCHMENTS[0], stroke=palette.CATCHMENTS[0],
        opacity=0.14, heading="name", told=(Told("Area", "area_m2", "area"),),
    ),
    "buildings": DrawnLayer(
        "Buildings", fill=palette.BUILDING, stroke=palette.BUILDING_EDGE, width=1,
        opacity=0.9, heading="name",
    ),
    "low_spots": DrawnLayer(
        "Low spots", stroke=palette.WATER_EDGE, fill="#2f6fb3", opacity=0.05, width=1,
        heading="id", label=True,
        told=(
            Told("Depth", "depth_m", "depth"),
            Told("Area", "area_m2", "area"),
            Told("Volume", "volume_m3", "volume"),
            Told("Overflows at", "spill_elevation_m", "elevation"),
            Told("Drains to it", "contributing_area_m2", "area"),
            Told("Stands in realisations", "probability", "share"),
            Told("May be none", "artefact"),
        ),
    ),
    "ponds": DrawnLayer(
        "Ponds of the storm", fill="#1a3f86", stroke=palette.WATER_EDGE, opacity=0.55, width=1,
        told=(
            Told("Water level", "level_m", "elevation"),
            Told("Depth", "depth_m", "depth"),
            Told("Volume", "volume_m3", "volume"),
            Told("Gone after", "hours_to_empty", "hours"),
        ),
        where=("case", "open"),
    ),
    "flow_paths": DrawnLayer(
        "Flow paths", stroke=palette.FLOW, width=2,
        told=(
            Told("Drains to its end", "area_m2", "area"),
            Told("Length", "length_m", "length"),
            Told("Slope", "slope", "slope"),
            Told("Over filled ground", "ponded_share", "share"),
        ),
    ),
    "lot": DrawnLayer("Lot", stroke=palette.LOT, width=2.5, dashes="10 5"),
    "lot_line_crossings": DrawnLayer(
        "Water over the lot line", fill=palette.RUN_ON, stroke=palette.INK, mark="on",
        told=(
            Told("Way", "direction"),
            Told("From", "area_m2", "area"),
            Told("Ground", "elevation_m", "elevation"),
        ),
    ),
    "drain_lines": DrawnLayer(
        "Drain lines", stroke=palette.PIPE, width=3, heading="name",
        told=(
            Told("System", "case"),
            Told("Diameter", "diameter_m", "diameter"),
            Told("Fall", "fall_m", "elevation"),
            Told("Slope", "slope_m_per_m", "slope"),
            Told("Can carry", "capacity_m3s", "flow"),
            Told("Least cover", "least_cover_m", "elevation"),
            Told("Needed", "required_size"),
        ),
    ),
    "nodes": DrawnLayer(
        "Ends and joints of lines", fill="#ffffff", stroke=palette.PIPE, mark="circle",
        heading="name", told=(Told("Kind", "kind"), Told("System", "case")), shown=False,
    ),
    "inlets": DrawnLayer(
        "Inlets", fill=palette.INK, stroke="#ffffff", mark="square", heading="name", label=True,
        told=(
            Told("Kind", "kind"),
            Told("Catchment", "catchment_m2", "area"),
            Told("Roofs led to it", "roof_connected_m2", "area"),
            Told("Ground", "ground_elevation_m", "elevation"),
            Told("Left standing", "residual_depth_m", "depth"),
        ),
    ),
}  # fmt: skip


def drawn_layers(layers: Mapping[str, pd.DataFrame], ground: Grid) -> list[dict[str, Any]]:
    """
    Give what a page draws.

    Parameters
    ----------
    layers
        Layers of the result; those without rows are left out.
    ground
        Coordinates are given from its lower left corner.

    Returns
    -------
    layers
        From the ground up, each with its style and features.
    """
    found = []
    for name, drawn in DRAWN.items():
        frame = layers.get(name)
        if frame is None or frame.empty:
            continue
        if drawn.where is not None:
            frame = frame[frame[drawn.where[0]] == drawn.where[1]]
        features = _features(frame, drawn, ground)
        if features:
            found.append({"key": name, **_style(drawn), "features": features})
    return found


def _style(drawn: DrawnLayer) -> dict[str, Any]:
    """Style of a layer as the page reads it."""
    keys = ("title", "fill", "stroke", "width", "dashes", "opacity", "mark", "label", "shown")
    return {key: getattr(drawn, key) for key in keys}


def _features(frame: Any, drawn: DrawnLayer, ground: Grid) -> list[dict[str, Any]]:
    """Rows with their coordinates and what is told of them."""
    west, south, _, _ = ground.bounds
    decimals = max(0, int(np.ceil(-np.log10(0.02 / ground.metres_per_unit))))
    told = [line for line in drawn.told if line.column in frame.columns]
    rows = []
    for number, (_, row) in enumerate(frame.iterrows()):
        shape = row.geometry
        if shape is None or shape.is_empty:
            continue
        feature: dict[str, Any] = {
            "row": number,
            "shape": _shape(shape, (west, south), decimals),
            "told": [[line.label, value, line.quantity] for line in told
                     if (value := plain(row[line.column])) not in (None, "", 0)],
        }  # fmt: skip
        if drawn.heading:
            feature["name"] = plain(row[drawn.heading])
        if "return_period_yr" in frame.columns:
            feature["storm"] = plain(row["return_period_yr"])
        if drawn.mark == "on":
            feature["mark"] = row["direction"]
        if "kind" in frame.columns and row["kind"] == "index":
            feature["bold"] = True
        if "case" in frame.columns and row["case"] == "today":
            feature["dashes"] = _TODAY_DASHES
        rows.append(feature)
    return rows


def plain(value: Any) -> Any:
    """
    Bring a cell of a table into what JSON has.

    Parameters
    ----------
    value
        A number, text, truth value, or none of them.

    Examples
    --------
    >>> plain(np.float64("nan")), plain(np.int64(3)), plain(0.123456789)
    (None, 3, 0.123457)
    """
    if value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value)):
        return None
    if isinstance(value, np.generic):
        value = value.item()
    return round(value, 6) if isinstance(value, float) else value


def _shape(shape: Any, corner: tuple[float, float], decimals: int) -> dict[str, Any]:
    """Coordinates of a geometry from the corner, as lists of [north, east]."""
    kind = shape.geom_type.removeprefix("Multi")
    if kind == "Polygon":
        parts = [
            [_coordinates(ring, corner, decimals) for ring in (part.exterior, *part.interiors)]
            for part in shapely.get_parts(shape)
        ]
        return {"kind": "polygon", "parts": parts}
    if kind in ("LineString", "LinearRing"):
        parts = [_coordinates(part, corner, decimals) for part in shapely.get_parts(shape)]
        return {"kind": "line", "parts": parts}
    points = [_coordinates(part, corner, decimals)[0] for part in shapely.get_parts(shape)]
    return {"kind": "point", "parts": points}


def _coordinates(
    part: Any, corner: tuple[float, float], decimals: int
) -> Sequence[Sequence[float]]:
    """Coordinates of one part, north first as the map wants them."""
    xy = shapely.get_coordinates(part) - corner
    result: Sequence[Sequence[float]] = xy[:, ::-1].round(decimals).tolist()
    return result
