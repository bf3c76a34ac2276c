"""The layers of a plan page: their looks, which rows they show, and what is told of a row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from lotflow.outputs import palette
from lotflow.outputs.plan_page.rows import (
    blocked_overflow,
    blocked_ponds,
    joints,
    open_case,
    outlets,
    sized_lines,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd

Mark = Literal["", "square", "circle", "diamond", "on", "off"]


@dataclass(frozen=True)
class Verdicts:
    """
    Looks of rows by what a check found.

    Parameters
    ----------
    column
        That says it.
    looks
        Colour and dashes by its value, in the order of the key.
    """

    column: str
    looks: Mapping[str, tuple[str, str]]


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
        Columns that the tooltip tells.
    shown
        Whether it is drawn at first.
    source
        Layer of the result it shows; empty where that is its own key.
    rows
        Chooses the rows that are drawn; None for all.
    verdicts
        Looks by what a check found.
    bold
        Column and value of rows that are drawn twice as wide.
    hues
        Colours of the rows in turn, instead of `fill` and `stroke`.
    by_cells
        Whether its lines run from cell to cell, and are drawn without those steps.
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
    told: tuple[str, ...] = ()
    shown: bool = True
    source: str = ""
    rows: Callable[[pd.DataFrame], pd.DataFrame] | None = None
    verdicts: Verdicts | None = None
    bold: tuple[str, object] | None = None
    hues: tuple[str, ...] = ()
    by_cells: bool = False


_POND: Final = (
    "level_m", "depth_m", "area_m2", "volume_m3", "soaks_away_h", "wall_depth_m", "touches",
    "freeboard_m", "building", "opening", "overflow_m3", "spills_to", "artefact",
)  # fmt: skip
_OVERFLOW: Final = ("least_return_period_yr", "overflow_m3", "spills_to", "spills_onto")

#: From the ground up: later layers are drawn over earlier ones.
DRAWN: Final[dict[str, DrawnLayer]] = {
    "contours": DrawnLayer(
        "Contours", stroke=palette.CONTOUR, width=0.8, heading="label", shown=False,
        bold=("kind", "index"),
    ),
    "catchments": DrawnLayer(
        "Catchments of the inlets", fill=palette.CATCHMENTS[0], stroke=palette.CATCHMENTS[0],
        opacity=0.14, heading="name", told=("area_m2",),
        hues=palette.CATCHMENTS,
    ),
    "buildings": DrawnLayer(
        "Buildings", fill=palette.BUILDING, stroke=palette.BUILDING_EDGE, width=1,
        opacity=0.9, heading="name",
    ),
    "low_spots": DrawnLayer(
        "Low spots", stroke=palette.WATER_EDGE, fill="#2f6fb3", opacity=0.05, width=1,
        heading="id", label=True,
        told=(
            "depth_m", "area_m2", "volume_m3", "spill_elevation_m", "contributing_area_m2",
            "probability", "artefact",
        ),
    ),
    "ponds_blocked": DrawnLayer(
        "Ponds with inlets blocked", fill=palette.BLOCKED, stroke=palette.BLOCKED, opacity=0.35,
        width=1, dashes="5 3", heading="low_spot", told=("case", *_POND), shown=False,
        source="ponds", rows=blocked_ponds,
    ),
    "ponds": DrawnLayer(
        "Ponds of the storm", fill="#1a3f86", stroke=palette.WATER_EDGE, opacity=0.55, width=1,
        heading="low_spot", told=_POND, rows=open_case,
    ),
    "flow_paths": DrawnLayer(
        "Flow paths", stroke=palette.FLOW, width=2, by_cells=True,
        told=("area_m2", "length_m", "slope", "ponded_share", "holds_share"),
    ),
    "overflow_blocked": DrawnLayer(
        "Overflow with inlets blocked", stroke=palette.BLOCKED, width=3, dashes="1 7",
        heading="low_spot", told=("case", *_OVERFLOW), shown=False, source="overflow_paths",
        rows=blocked_overflow,
    ),
    "overflow_paths": DrawnLayer(
        "Overflow of ponds", stroke=palette.WATER_EDGE, width=3, dashes="1 7",
        heading="low_spot", told=_OVERFLOW, rows=open_case,
    ),
    "lot": DrawnLayer("Lot", stroke=palette.LOT, width=2.5, dashes="10 5"),
    "lot_line_crossings": DrawnLayer(
        "Water over the lot line", fill=palette.RUN_ON, stroke=palette.INK, mark="on",
        heading="id",
        told=("direction", "area_m2", "elevation_m"),
    ),
    "facades": DrawnLayer(
        "Ground at the walls", stroke=palette.NOT_TOLD, width=4, heading="name",
        told=("verdict", "slope", "slope_limit", "surface"),
        verdicts=Verdicts("verdict", {
            "too flat": (palette.FAULT, ""),
            "cannot tell": (palette.UNSURE, "7 4"),
            "no fault seen": (palette.NO_FAULT, "2 5"),
            "too narrow to tell": (palette.NOT_TOLD, "1 6"),
        }),
    ),
    "outlet_options": DrawnLayer(
        "Ways for gravity to lower places", stroke=palette.NOT_TOLD, width=1.5,
        heading="subject", shown=False, bold=("rank", 1),
        told=("kind", "place", "verdict", "run_m", "fall_m", "left_m", "deepest_m"),
        verdicts=Verdicts("verdict", {
            "reachable": (palette.NO_FAULT, ""),
            "cannot tell": (palette.UNSURE, "7 4"),
            "not reachable": (palette.FAULT, "2 5"),
        }),
    ),
    "drain_lines": DrawnLayer(
        "Drain lines", stroke=palette.PIPE, width=3, heading="name",
        told=(
            "case", "diameter_m", "fall_m", "slope_m_per_m", "capacity_m3s", "least_cover_m",
            "required_size", "rarest_storm_size",
        ),
        rows=sized_lines,
    ),
    "nodes": DrawnLayer(
        "Ends and joints of lines", fill="#ffffff", stroke=palette.PIPE, mark="circle",
        heading="name", told=("kind", "case"), shown=False,
        rows=joints,
    ),
    "outlets": DrawnLayer(
        "Outlets", fill=palette.PIPE, stroke="#ffffff", mark="circle", heading="name", label=True,
        told=("detail", "invert_m"), source="nodes",
        rows=outlets,
    ),
    "openings": DrawnLayer(
        "Openings of buildings", fill="#ffffff", stroke=palette.FAULT, mark="diamond",
        heading="name",
        told=("kind", "sill_m", "above_ground_m", "ground_spread_m", "freeboard_m"),
    ),
    "inlets": DrawnLayer(
        "Inlets", fill=palette.INK, stroke="#ffffff", mark="square", heading="name", label=True,
        told=(
            "kind", "catchment_m2", "roof_connected_m2", "ground_elevation_m",
            "residual_depth_m",
        ),
    ),
}  # fmt: skip
