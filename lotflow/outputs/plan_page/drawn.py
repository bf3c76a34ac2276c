"""What a plan page draws: the layers, their looks and rows, and what is told of a row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd
import shapely

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs import palette
from lotflow.outputs.map.ground import drawn_course
from lotflow.outputs.sections import earthwork_cuts, line_cuts
from lotflow.scenarios import OPEN, Scenario, main_state
from lotflow.units import open_range

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from lotflow.grid import Grid
    from lotflow.layers import Column


def _open_case(frame: pd.DataFrame) -> pd.DataFrame:
    """Rows of the case in which every inlet works."""
    return frame[frame["scenario"] == OPEN]


def blocked_ponds(ponds: pd.DataFrame) -> pd.DataFrame:
    """
    Choose per storm and low spot the deepest water that blocked inlets leave.

    Their `scenario` says in words which inlets are blocked; where several cases are as
    bad, the first of them: one inlet rather than all.
    """
    return _worst_blocked(ponds, ["return_period_yr", "low_spot"], "depth_m")


def blocked_overflow(paths: pd.DataFrame) -> pd.DataFrame:
    """Choose per low spot the way of the most water that runs over where inlets are blocked."""
    return _worst_blocked(paths, ["low_spot"], "overflow_m3")


def _worst_blocked(frame: pd.DataFrame, by: list[str], measure: str) -> pd.DataFrame:
    """Rows of cases with blocked inlets: of each group the one of the greatest measure."""
    scenarios = [Scenario(case) for case in frame["scenario"].fillna("").astype(str)]
    blocked = frame[[scenario.is_blocked for scenario in scenarios]]
    # a millimetre: what rounding makes of a level does not make one case the worst
    height = blocked[measure].round(3).fillna(-np.inf)
    order = np.argsort(-height.to_numpy(), kind="stable")
    worst = blocked.iloc[order].drop_duplicates(by).sort_index()
    return worst.assign(scenario=worst["scenario"].map(lambda case: Scenario(case).words))


def outlets(nodes: pd.DataFrame) -> pd.DataFrame:
    """Outlets of the system the result is for."""
    return nodes[(nodes["kind"] == "outlet") & (nodes["scenario"] == main_state(nodes["scenario"]))]


def sizes_told(line: Mapping[str, Any]) -> dict[str, str | None]:
    """
    Name the size a line needs in the design storm, and that in a rarer one, each with its storm.

    `line`: has the columns of the layer "drain_lines" about sizes, as far as they are known.

    Examples
    --------
    >>> sizes_told({"required_size": "4 in", "design_storm_yr": 10.0,
    ...             "rarest_storm_size": "6 in", "rarest_storm_yr": 100.0})
    {'required_size': '4 in (10 yr)', 'rarest_storm_size': '6 in (100 yr)'}
    """
    pairs = ((line.get("required_size"), line.get("design_storm_yr")),
             (line.get("rarest_storm_size"), line.get("rarest_storm_yr")))  # fmt: skip
    told = [f"{size} ({storm:g} yr)" if size and storm else size for size, storm in pairs]
    rarest = None if pairs[0][1] == pairs[1][1] else told[1]
    return {"required_size": told[0], "rarest_storm_size": rarest}


def _sized_lines(lines: pd.DataFrame) -> pd.DataFrame:
    """Drain lines with the sizes they need, each named with its storm."""
    known = lines.drop(columns="geometry").astype(object)
    rows: Any = known.where(known.notna(), None).to_dict("records")
    told: Any = [sizes_told(row) for row in rows]
    return lines.assign(**{key: [one[key] for one in told] for key in sizes_told({})})


def joints(nodes: pd.DataFrame) -> pd.DataFrame:
    """All nodes but those that are drawn as inlets or outlets."""
    return nodes.drop(outlets(nodes).index)


Mark = Literal["", "square", "circle", "diamond", "cross", "on", "off"]


@dataclass(frozen=True)
class Verdicts:
    """Looks of rows by what a check found."""

    #: That says it.
    column: str
    #: Colour and dashes by its value, in the order of the key.
    looks: Mapping[str, tuple[str, str]]


@dataclass(frozen=True)
class _DrawnLayer:
    """How a layer is drawn."""

    #: In the list of layers.
    title: str
    #: Colours, line width [pixels], dashes, opacity of the fill; empty for none.
    fill: str = ""
    stroke: str = ""
    width: float = 1.5
    dashes: str = ""
    opacity: float = 0.25
    #: Symbol of points.
    mark: Mark = ""
    #: Column that names a row; empty for the title alone.
    heading: str = ""
    #: Whether that name is written on the map.
    label: bool = False
    #: Columns that the tooltip tells.
    told: tuple[str, ...] = ()
    #: Whether it is drawn at first.
    shown: bool = True
    #: Layer of the result it shows; empty where that is its own key.
    source: str = ""
    #: Chooses the rows that are drawn; None for all.
    rows: Callable[[pd.DataFrame], pd.DataFrame] | None = None
    #: Looks by what a check found.
    verdicts: Verdicts | None = None
    #: Column and value of rows that are drawn twice as wide.
    bold: tuple[str, object] | None = None
    #: Colours of the rows in turn, instead of `fill` and `stroke`.
    hues: tuple[str, ...] = ()
    #: Whether its lines run from cell to cell, and are drawn without those steps.
    by_cells: bool = False


_POND: Final = (
    "level_m", "depth_m", "area_m2", "volume_m3", "soaks_away_h", "wall_depth_m", "touches",
    "freeboard_m", "building", "opening", "overflow_m3", "spills_to", "artefact",
)  # fmt: skip
_OVERFLOW: Final = ("least_return_period_yr", "overflow_m3", "spills_to", "spills_onto")

#: From the ground up: later layers are drawn over earlier ones.
DRAWN: Final[dict[str, _DrawnLayer]] = {
    "contours": _DrawnLayer(
        "Contours", stroke=palette.CONTOUR, width=0.8, heading="label", shown=False,
        bold=("kind", "index"),
    ),
    "catchments": _DrawnLayer(
        "Catchments of the inlets", fill=palette.CATCHMENTS[0], stroke=palette.CATCHMENTS[0],
        opacity=0.14, heading="name", told=("area_m2",),
        hues=palette.CATCHMENTS,
    ),
    "buildings": _DrawnLayer(
        "Buildings", fill=palette.BUILDING, stroke=palette.BUILDING_EDGE, width=1,
        opacity=0.9, heading="name",
    ),
    "low_spots": _DrawnLayer(
        "Low spots", stroke=palette.WATER_EDGE, fill=palette.DEPTHS[3][1], opacity=0.05, width=1,
        heading="id", label=True,
        told=(
            "depth_m", "area_m2", "volume_m3", "spill_elevation_m", "level_from",
            "contributing_area_m2", "probability", "artefact",
        ),
    ),
    "ponds_blocked": _DrawnLayer(
        "Ponds with inlets blocked", fill=palette.BLOCKED, stroke=palette.BLOCKED, opacity=0.35,
        width=1, dashes="5 3", heading="low_spot", told=("scenario", *_POND), shown=False,
        source="ponds", rows=blocked_ponds,
    ),
    "ponds": _DrawnLayer(
        "Ponds of the storm", fill=palette.DEPTHS[4][1], stroke=palette.WATER_EDGE, opacity=0.55,
        width=1, heading="low_spot", told=_POND, rows=_open_case,
    ),
    "flow_paths": _DrawnLayer(
        "Flow paths", stroke=palette.FLOW, width=2, by_cells=True,
        told=("area_m2", "length_m", "slope", "ponded_share", "holds_share"),
    ),
    "flow_paths_today": _DrawnLayer(
        "Flow paths of today", stroke=palette.FLOW, width=1.5, dashes="5 4", by_cells=True,
        told=("area_m2", "length_m", "slope", "ponded_share"), shown=False,
    ),
    "overflow_blocked": _DrawnLayer(
        "Overflow with inlets blocked", stroke=palette.BLOCKED, width=3, dashes="1 7",
        heading="low_spot", told=("scenario", *_OVERFLOW), shown=False, source="overflow_paths",
        rows=blocked_overflow,
    ),
    "overflow_paths": _DrawnLayer(
        "Overflow of ponds", stroke=palette.WATER_EDGE, width=3, dashes="1 7",
        heading="low_spot", told=_OVERFLOW, rows=_open_case,
    ),
    "lot": _DrawnLayer("Lot", stroke=palette.LOT, width=2.5, dashes=palette.LOT_DASHES),
    "lot_line_crossings": _DrawnLayer(
        "Water over the lot line", fill=palette.RUN_ON, stroke=palette.INK, mark="on",
        heading="id", label=True,
        told=("direction", "area_m2", "elevation_m"),
    ),
    "earthwork_areas": _DrawnLayer(
        "Raised ground and rain gardens", fill=palette.EARTH, stroke=palette.EARTH, opacity=0.3,
        heading="name", label=True,
        told=("kind", "status", "verdict", "share_met", "holds_m3", "empties_h", "crosses",
              "cut_m3", "fill_m3", "deepest_m"),
        verdicts=Verdicts("kind", {
            "regrade": (palette.EARTH, palette.UNSURE_DASHES),
            "fill": (palette.EARTH, ""),
            "rain garden": (palette.NO_FAULT, ""),
        }),
    ),
    "swale_ways": _DrawnLayer(
        "Ways for swales round buildings", stroke=palette.SWALE, width=2.5, dashes="6 4",
        heading="wall", told=("length_m", "fall_m", "cut_m"),
    ),
    "earthwork_lines": _DrawnLayer(
        "Swales and berms", stroke=palette.SWALE, width=5, heading="name", label=True,
        told=("kind", "status", "verdict", "length_m", "width_m", "side_slope", "depth_m", "fall",
              "level_up_m", "level_down_m", "capacity_m3s", "flow_m3s", "freeboard_m",
              "standing_m", "leads_to", "goes_to", "crosses", "cut_m3", "fill_m3", "deepest_m"),
        verdicts=Verdicts("kind", {
            "swale": (palette.SWALE, ""), "berm": (palette.EARTH, ""),
        }),
    ),
    "facades": _DrawnLayer(
        "Ground at the walls", stroke=palette.NOT_TOLD, width=4, heading="name",
        told=("verdict", "slope", "slope_limit", "level_from", "surface"),
        verdicts=Verdicts("verdict", {
            "too flat": (palette.FAULT, ""),
            "cannot tell": (palette.UNSURE, palette.UNSURE_DASHES),
            "no fault seen": (palette.NO_FAULT, palette.SHORT_DASHES),
            "too narrow to tell": (palette.NOT_TOLD, palette.DOTS),
        }),
    ),
    "outlet_options": _DrawnLayer(
        "Ways for gravity to lower places", stroke=palette.NOT_TOLD, width=1.5,
        heading="subject", shown=False, bold=("rank", 1),
        told=("kind", "place", "verdict", "run_m", "fall_m", "left_m", "deepest_m"),
        verdicts=Verdicts("verdict", {
            "reachable": (palette.NO_FAULT, ""),
            "cannot tell": (palette.UNSURE, palette.UNSURE_DASHES),
            "not reachable": (palette.FAULT, palette.SHORT_DASHES),
        }),
    ),
    "drain_lines": _DrawnLayer(
        "Drain lines", stroke=palette.PIPE, width=3, heading="name",
        told=(
            "scenario", "diameter_m", "fall_m", "slope_m_per_m", "capacity_m3s", "least_cover_m",
            "required_size", "rarest_storm_size", "level_up_from", "level_down_from",
        ),
        rows=_sized_lines,
    ),
    "nodes": _DrawnLayer(
        "Ends and joints of lines", fill="#ffffff", stroke=palette.PIPE, mark="circle",
        heading="name", told=("kind", "scenario"), shown=False,
        rows=joints,
    ),
    "outlets": _DrawnLayer(
        "Outlets", fill=palette.PIPE, stroke="#ffffff", mark="circle", heading="name", label=True,
        told=("detail", "invert_m", "level_from"), source="nodes",
        rows=outlets,
    ),
    "openings": _DrawnLayer(
        "Openings of buildings", fill="#ffffff", stroke=palette.FAULT, mark="diamond",
        heading="name",
        told=("kind", "sill_m", "level_from", "above_ground_m", "ground_spread_m", "freeboard_m"),
    ),
    "shots": _DrawnLayer(
        "Levels measured on site", fill=palette.INK, stroke="#ffffff", mark="cross",
        heading="name",
        told=(
            "subject", "surface_kind", "level_m", "datum", "deviation_m", "ground_m",
            "difference_m", "stands_on", "counts",
        ),
    ),
    "observations": _DrawnLayer(
        "Water as it was seen", fill=palette.RUN_ON, stroke=palette.INK, mark="circle",
        heading="name",
        told=("seen_on", "depth_m", "stood_h", "note", "rain_mm", "predicted_m", "predicted_h",
              "verdict"),
    ),
    "inlets": _DrawnLayer(
        "Inlets", fill=palette.INK, stroke="#ffffff", mark="square", heading="name", label=True,
        told=(
            "kind", "catchment_m2", "roof_connected_m2", "ground_elevation_m",
            "rim_elevation_m", "level_from", "residual_depth_m",
        ),
    ),
    "stakes": _DrawnLayer(
        "Stakes to set out", fill=palette.INK, stroke="#ffffff", mark="cross", heading="id",
        label=True, shown=False,
        told=("subject", "part", "distance_m", "ground_m", "level_of", "level_m", "cut_m",
              "corner_a", "tie_a_m", "corner_b", "tie_b_m", "side"),
    ),
    "levels_to_take": _DrawnLayer(
        "Levels to take first", fill="#ffffff", stroke=palette.UNSURE, mark="circle",
        heading="rank", label=True, told=("place", "question", "subject", "settles", "level_m"),
        shown=False,
    ),
}  # fmt: skip


#: What a plan writes on a drain line.
_WRITTEN: Final = ("diameter_m", "slope_m_per_m", "invert_up_m", "invert_down_m")
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

    `layers`: layers of the result; those without rows are left out; `ground`: coordinates are
    given from its lower left corner.

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
        if key == "drain_lines":
            _add_levels(features, frame, layers)
        elif key == "earthwork_lines":
            _add_cuts(features, layers)
        if features:
            found.append({"key": key, **_style(drawn, frame), "features": features})
    return found


def _add_levels(
    features: Sequence[dict[str, Any]], lines: Any, layers: Mapping[str, pd.DataFrame]
) -> None:
    """Give drain lines what a plan writes on them, and the ground and pipe along them."""
    rows, cuts = lines.to_dict("records"), line_cuts(layers)
    for feature in features:
        row = rows[feature["row"]]
        feature["case"] = plain(row["scenario"])
        feature["pipe"] = [plain(row[key]) for key in _WRITTEN]
        if (cut := cuts.get((row["scenario"], row["name"]))) is not None:
            feature["course"] = cut.plain()


def _add_cuts(features: Sequence[dict[str, Any]], layers: Mapping[str, pd.DataFrame]) -> None:
    """Give swales and berms the ground along them, as it is and as it is dug."""
    cuts = earthwork_cuts(layers)
    for feature in features:
        if (cut := cuts.get(feature["name"])) is not None:
            feature["course"] = cut.plain()
            feature["met"] = [[round(at, 3), name, plain(level)] for at, name, level in cut.met]


def _style(drawn: _DrawnLayer, frame: pd.DataFrame) -> dict[str, Any]:
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
    frame: Any, drawn: _DrawnLayer, columns: Sequence[Column], ground: Grid
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


def _look(row: Mapping[str, Any], drawn: _DrawnLayer, number: int) -> dict[str, Any]:
    """What of a row's look is not that of its layer."""
    look: dict[str, Any] = {}
    if drawn.mark == "on":
        look["mark"], look["turn"] = row["direction"], plain(row["bearing_deg"])
    if drawn.bold is not None and row[drawn.bold[0]] == drawn.bold[1]:
        look["bold"] = True
    if drawn.hues:
        look["colour"] = drawn.hues[number % len(drawn.hues)]
    if row.get("scenario") == "today":
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

    `value`: A number, text, truth value, or none of them.

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

    `entry`: with its bounds, if there are any.

    Examples
    --------
    >>> inlet = {"catchment_m2_p05": 12.0, "catchment_m2_p95": 1631.0}
    >>> open_value(inlet, "catchment_m2", 400.0), open_value({}, "catchment_m2", 400.0)
    ([12.0, 1631.0], 400.0)
    """
    between = open_range(value, entry.get(f"{key}_p05"), entry.get(f"{key}_p95"))
    return value if between is None else list(between)
