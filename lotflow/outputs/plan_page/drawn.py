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
        As in `units.SHOWN`, or "text", "whole", "share", "slope", "hours".
    """

    label: str
    column: str
    quantity: str = "text"


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
        Lines of the tooltip.
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
    told: tuple[Told, ...] = ()
    shown: bool = True
    source: str = ""
    rows: Callable[[pd.DataFrame], pd.DataFrame] | None = None
    verdicts: Verdicts | None = None
    bold: tuple[str, object] | None = None
    hues: tuple[str, ...] = ()
    by_cells: bool = False


_POND: Final = (
    Told("Water level", "level_m", "elevation"),
    Told("Depth", "depth_m", "depth"),
    Told("Area", "area_m2", "area"),
    Told("Volume", "volume_m3", "volume"),
    Told("Gone after", "soaks_away_h", "hours"),
    Told("Deep at the wall", "wall_depth_m", "depth"),
    Told("Stands at or on", "touches"),
    Told("Below the building", "freeboard_m", "depth"),
    Told("Building", "building"),
    Told("Opening", "opening"),
    Told("Runs over", "overflow_m3", "volume"),
    Told("Into", "spills_to"),
    Told("May be none", "artefact"),
)
_OVERFLOW: Final = (
    Told("In a storm of [years]", "least_return_period_yr", "whole"),
    Told("Runs over", "overflow_m3", "volume"),
    Told("Into", "spills_to"),
    Told("Over", "spills_onto"),
)
_WHEN: Final = Told("When", "when")

#: From the ground up: later layers are drawn over earlier ones.
DRAWN: Final[dict[str, DrawnLayer]] = {
    "contours": DrawnLayer(
        "Contours", stroke=palette.CONTOUR, width=0.8, heading="label", shown=False,
        bold=("kind", "index"),
    ),
    "catchments": DrawnLayer(
        "Catchments of the inlets", fill=palette.CATCHMENTS[0], stroke=palette.CATCHMENTS[0],
        opacity=0.14, heading="name", told=(Told("Area", "area_m2", "area"),),
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
            Told("Depth", "depth_m", "depth"),
            Told("Area", "area_m2", "area"),
            Told("Volume", "volume_m3", "volume"),
            Told("Overflows at", "spill_elevation_m", "elevation"),
            Told("Drains to it", "contributing_area_m2", "area"),
            Told("Stands in realisations", "probability", "share"),
            Told("May be none", "artefact"),
        ),
    ),
    "ponds_blocked": DrawnLayer(
        "Ponds with inlets blocked", fill=palette.BLOCKED, stroke=palette.BLOCKED, opacity=0.35,
        width=1, dashes="5 3", heading="low_spot", told=(_WHEN, *_POND), shown=False,
        source="ponds", rows=blocked_ponds,
    ),
    "ponds": DrawnLayer(
        "Ponds of the storm", fill="#1a3f86", stroke=palette.WATER_EDGE, opacity=0.55, width=1,
        heading="low_spot", told=_POND, rows=open_case,
    ),
    "flow_paths": DrawnLayer(
        "Flow paths", stroke=palette.FLOW, width=2, by_cells=True,
        told=(
            Told("Drains to its end", "area_m2", "area"),
            Told("Length", "length_m", "length"),
            Told("Slope", "slope", "slope"),
            Told("Over filled ground", "ponded_share", "share"),
            Told("Holds in realisations", "holds_share", "share"),
        ),
    ),
    "overflow_blocked": DrawnLayer(
        "Overflow with inlets blocked", stroke=palette.BLOCKED, width=3, dashes="1 7",
        heading="low_spot", told=(_WHEN, *_OVERFLOW), shown=False, source="overflow_paths",
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
        told=(
            Told("Way", "direction"),
            Told("From", "area_m2", "area"),
            Told("Ground", "elevation_m", "elevation"),
        ),
    ),
    "facades": DrawnLayer(
        "Ground at the walls", stroke=palette.NOT_TOLD, width=4, heading="name",
        told=(
            Told("By the data", "verdict"),
            Told("Falls away", "slope", "slope"),
            Told("At least", "slope_limit", "slope"),
            Told("Ground", "surface"),
        ),
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
        told=(
            Told("To", "kind"),
            Told("Place", "place"),
            Told("By the data", "verdict"),
            Told("Run", "run_m", "length"),
            Told("Fall under cover", "fall_m", "elevation"),
            Told("Left of it", "left_m", "elevation"),
            Told("Deepest trench", "deepest_m", "elevation"),
        ),
        verdicts=Verdicts("verdict", {
            "reachable": (palette.NO_FAULT, ""),
            "cannot tell": (palette.UNSURE, "7 4"),
            "not reachable": (palette.FAULT, "2 5"),
        }),
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
            Told("Needed", "needed"),
            Told("In the rarest storm", "needed_in_rarest"),
        ),
        rows=sized_lines,
    ),
    "nodes": DrawnLayer(
        "Ends and joints of lines", fill="#ffffff", stroke=palette.PIPE, mark="circle",
        heading="name", told=(Told("Kind", "kind"), Told("System", "case")), shown=False,
        rows=joints,
    ),
    "outlets": DrawnLayer(
        "Outlets", fill=palette.PIPE, stroke="#ffffff", mark="circle", heading="name", label=True,
        told=(Told("Kind", "detail"), Told("Invert", "invert_m", "elevation")), source="nodes",
        rows=outlets,
    ),
    "openings": DrawnLayer(
        "Openings of buildings", fill="#ffffff", stroke=palette.FAULT, mark="diamond",
        heading="name",
        told=(
            Told("Kind", "kind"),
            Told("Sill", "sill_m", "elevation"),
            Told("Above the ground", "above_ground_m", "depth"),
            Told("Spread of that ground", "ground_spread_m", "depth"),
            Told("Above the low spot's overflow", "freeboard_m", "depth"),
        ),
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
