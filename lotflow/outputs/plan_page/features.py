"""What a plan page draws: the rows of its layers with their coordinates and looks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs import palette
from lotflow.outputs.plan_page.drawn import DRAWN, DrawnLayer
from lotflow.outputs.smooth_lines import drawn_course
from lotflow.units import open_range

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.grid import Grid
    from lotflow.layers import Column

#: Numbers that are told as a range where the error of the data leaves them open.
OPEN_KEYS: Final = ("catchment_m2", "flow_m3s")
#: What is there today and is to be replaced is drawn with dashes.
_TODAY_DASHES: Final = "3 6"
#: What may be no standing water, likewise.
_DOUBTFUL_DASHES: Final = "3 3"


#: What is said of a row of which less is known than given.
NOT_CLOSED: Final = (
    "the elevation data end before its basin or catchment: depth, area and volume are at least, "
    "heights above the water at most as given"
)


_NOT_CLOSED_LABEL: Final = RESULT_LAYERS["low_spots"].column("not_closed").label


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
    for key, drawn in DRAWN.items():
        frame = layers.get(drawn.source or key)
        if frame is None or frame.empty:
            continue
        frame = frame if drawn.rows is None else drawn.rows(frame)
        columns = [RESULT_LAYERS[drawn.source or key].column(name) for name in drawn.told]
        features = _features(frame, drawn, columns, ground)
        if features:
            found.append({"key": key, **_style(drawn, frame), "features": features})
    return found


def _style(drawn: DrawnLayer, frame: pd.DataFrame) -> dict[str, Any]:
    """Style of a layer as the page reads it; a key of the verdicts that occur."""
    names = ("title", "fill", "stroke", "width", "dashes", "opacity", "mark", "label", "shown")
    style = {name: getattr(drawn, name) for name in names}
    style["veil"] = palette.VEIL
    if drawn.verdicts is not None:
        there = set(frame[drawn.verdicts.column])
        style["verdicts"] = [
            [value, *look] for value, look in drawn.verdicts.looks.items() if value in there
        ]
    return style


def _features(
    frame: Any, drawn: DrawnLayer, columns: Sequence[Column], ground: Grid
) -> list[dict[str, Any]]:
    """Rows with their coordinates, their looks and what is told of them."""
    west, south, _, _ = ground.bounds
    decimals = max(0, int(np.ceil(-np.log10(0.02 / ground.metres_per_unit))))
    rows = []
    shapes = frame.geometry.tolist()
    for number, (row, shape) in enumerate(zip(frame.to_dict("records"), shapes, strict=True)):
        if shape is None or shape.is_empty:
            continue
        if drawn.by_cells:
            course = drawn_course(shapely.get_coordinates(shape), ground.transform.a, rounds=1)
            shape = shapely.LineString(course)  # noqa: PLW2901 - the same way, for the eye
        feature: dict[str, Any] = {
            "row": number,
            "shape": _shape(shape, (west, south), decimals),
            "told": [[column.label, value, column.shown_as] for column in columns
                     if (value := _value(row, column.name)) not in (None, "", 0)],
        }  # fmt: skip
        if plain(row.get("not_closed")):
            feature["told"].insert(0, [_NOT_CLOSED_LABEL, NOT_CLOSED, "text"])
        if drawn.heading:
            feature["name"] = plain(row[drawn.heading])
        rows.append(feature | _storm(row) | _look(row, drawn, number))
    return rows


def _value(row: Mapping[str, Any], column: str) -> Any:
    """What is told of a row; of a catchment its range where the data leave it open."""
    value = plain(row[column])
    return open_value(row, column, value) if column in OPEN_KEYS else value


def _storm(row: Mapping[str, Any]) -> dict[str, Any]:
    """The storm a row belongs to, or the most frequent one it belongs to."""
    keys = (("storm", "return_period_yr"), ("leastStorm", "least_return_period_yr"))
    return {key: plain(row[column]) for key, column in keys if column in row}


def _look(row: Mapping[str, Any], drawn: DrawnLayer, number: int) -> dict[str, Any]:
    """What of a row's look is not that of its layer."""
    look: dict[str, Any] = {}
    if drawn.mark == "on":
        look["mark"] = row["direction"]
    if drawn.bold is not None and row[drawn.bold[0]] == drawn.bold[1]:
        look["bold"] = True
    if drawn.hues:
        look["colour"] = drawn.hues[number % len(drawn.hues)]
    if row.get("case") == "today":
        look["dashes"] = _TODAY_DASHES
    if plain(row.get("artefact")):
        look["colour"], look["dashes"] = palette.DOUBTFUL, _DOUBTFUL_DASHES
    if drawn.verdicts is not None and row[drawn.verdicts.column] in drawn.verdicts.looks:
        look["colour"], look["dashes"] = drawn.verdicts.looks[row[drawn.verdicts.column]]
    certain = plain(row.get("probability"))
    if certain is not None and certain < 1.0:
        look["fade"] = round(1.0 - certain, 2)
    return look


def plain(value: Any) -> Any:
    """
    Bring a cell of a table into what JSON has, to its last digit: the page rounds to what it shows.

    Parameters
    ----------
    value
        A number, text, truth value, or none of them.

    Examples
    --------
    >>> plain(np.float64("nan")), plain(np.int64(3)), plain(np.float64(0.25))
    (None, 3, 0.25)
    """
    if value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return value.item() if isinstance(value, np.generic) else value


def _shape(shape: Any, corner: tuple[float, float], decimals: int) -> dict[str, Any]:
    """Coordinates of a geometry from the corner, as lists of [north, east]."""
    kind = shape.geom_type.removeprefix("Multi")
    parts: list[Any]
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


def open_value(entry: Mapping[str, Any], key: str, value: Any) -> Any:
    """
    Give a value, or the two ends of its range where the data leave it open.

    Parameters
    ----------
    entry
        With its bounds, if there are any.
    key
        Of the value.
    value
        On the measured surface.

    Examples
    --------
    >>> inlet = {"catchment_m2_p05": 12.0, "catchment_m2_p95": 1631.0}
    >>> open_value(inlet, "catchment_m2", 400.0), open_value({}, "catchment_m2", 400.0)
    ([12.0, 1631.0], 400.0)
    """
    between = open_range(value, entry.get(f"{key}_p05"), entry.get(f"{key}_p95"))
    return value if between is None else list(between)
