"""Beside the map: what the signs mean, the scale of depths, the numbers, north and scale bar."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.patches import Polygon, Rectangle

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.map.content import round_length
from lotflow.outputs.map.ground import DepthScale, depth_pixels
from lotflow.outputs.map.layers import (
    CROSSING,
    DOUBTFUL_DASHES,
    EARTHWORKS,
    FLOW_AREAS,
    FLOW_UNCERTAIN,
    NO_GROUND,
    OBSERVED,
    OPEN_WATER_EDGE,
    OUTLET,
    REPLACED_DASHES,
    REPLACED_WIDTH,
    SHOT,
    UNCERTAIN_DASHES,
    WIDTH,
    flow_width,
    in_order,
    is_doubtful,
    is_mostly_ponded,
)
from lotflow.outputs.palette import (
    BUILDING,
    BUILDING_EDGE,
    CATCHMENTS,
    DOUBTFUL,
    FLOW,
    INK,
    LOT,
    OPEN_WATER,
    PIPE,
    RUN_OFF,
    RUN_ON,
)
from lotflow.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from lotflow.outputs.map.content import MapContent, Scale
    from lotflow.units import UnitSystem


#: Sizes of text [points] and of the panel's columns [inch].
_TEXT: Final = 7.2
_HEADING: Final = 8.2
_SWATCH: Final = 0.34
_ROW: Final = 0.178
#: Rows of a table before it refers to the summary.
_MOST_ROWS: Final = 14
_LONGEST_NAME: Final = 22

#: Areas printed beside the widths of flow paths, near `FLOW_AREAS` and round in each system.
_ROUND_AREAS: Final[dict[UnitSystem, tuple[str, ...]]] = {
    "us": ("500 ft²", "5,000 ft²", "50,000 ft²"),
    "metric": ("50 m²", "500 m²", "5,000 m²"),
}
_SPOTS: Final = RESULT_LAYERS["low_spots"]


def one_line(text: object, longest: int) -> str:
    r"""
    Bring a text onto one line of limited length.

    Examples
    --------
    >>> one_line("Drain behind\n the garage", 40), one_line("abcdefgh", 5)
    ('Drain behind the garage', 'abcd…')
    """
    line = " ".join(str(text).split())
    return line if len(line) <= longest else line[: longest - 1].rstrip() + "…"


@dataclass
class Panel:
    """A column of a sheet that is filled from the top down."""

    #: What is drawn on, in inches of paper from the lower left corner.
    axes: Axes
    #: Of the column [inch].
    width: float
    #: Where the next row goes [inch].
    y: float

    def text(self, x: float, text: str, **style: Any) -> None:
        """Write in the current row."""
        usual: dict[str, Any] = {"fontsize": _TEXT, "color": INK, "va": "center"}
        self.axes.text(x, self.y, text, **(usual | style))

    def heading(self, text: str) -> None:
        """Begin a part."""
        self.y -= 0.06
        self.axes.plot([0, self.width], [self.y, self.y], color="#b9b5ac", linewidth=0.7)
        self.y -= 0.15
        self.text(0.0, text, fontsize=_HEADING, fontweight="bold")
        self.y -= 0.03 + _ROW


_Sign = Callable[[Panel], None]


def _line(width: float, colour: str, dashes: Any = "solid") -> _Sign:
    def draw(panel: Panel) -> None:
        ends = [0.0, _SWATCH], [panel.y, panel.y]
        panel.axes.plot(*ends, color=colour, linewidth=width, linestyle=dashes)

    return draw


def _box(face: str, edge: str, width: float = 0.8, dashes: Any = "solid") -> _Sign:
    def draw(panel: Panel) -> None:
        panel.axes.add_patch(
            Rectangle((0.0, panel.y - 0.055), _SWATCH, 0.11, facecolor=face, edgecolor=edge,
                      linewidth=width, linestyle=dashes)
        )  # fmt: skip

    return draw


def _crossing(face: str) -> _Sign:
    def draw(panel: Panel) -> None:
        shape = 0.12 * CROSSING + np.array([0.17, panel.y])
        panel.axes.add_patch(Polygon(shape, facecolor=face, edgecolor=INK, linewidth=0.8))

    return draw


def _inlet(panel: Panel) -> None:
    panel.axes.plot([0.5 * _SWATCH], [panel.y], "s", markersize=5.5, color=INK)


def _outlet(panel: Panel) -> None:
    panel.axes.plot([0.5 * _SWATCH], [panel.y], **(OUTLET | {"markersize": 5.5}))


def _shot(panel: Panel) -> None:
    panel.axes.plot([0.5 * _SWATCH], [panel.y], **SHOT)


def _observed(panel: Panel) -> None:
    panel.axes.plot([0.5 * _SWATCH], [panel.y], **OBSERVED)


def _ground_signs(content: MapContent, *, gaps: bool) -> Iterator[tuple[_Sign, str]]:
    """Signs of what stands on the ground, with their meaning."""
    yield _line(2.0, LOT, (0, (5, 1.3, 1, 1.3))), "lot line"
    if len(content.buildings):
        yield _box(BUILDING, BUILDING_EDGE), "building"
    if len(content.water):
        yield _box(OPEN_WATER, OPEN_WATER_EDGE), "open water"
    if gaps:
        yield _box(NO_GROUND, "#b9b5ac"), "no elevation data"
    if len(content.inlets):
        yield _inlet, "inlet"
    if content.shots:
        yield _shot, "level measured on site"
    if len(content.catchments):
        yield _box("#f3e2bd", CATCHMENTS[0], 1.5), "catchment of an inlet"
    if content.observations is not None and len(content.observations):
        yield _observed, "water seen on site, or none"


def _drain_signs(content: MapContent) -> Iterator[tuple[_Sign, str]]:
    """Signs of the drains, with their meaning."""
    if content.drains.lines:
        yield _line(WIDTH, PIPE), "drain line"
    if content.drains.replaced:
        yield _line(REPLACED_WIDTH, PIPE, REPLACED_DASHES), "drain line to be replaced"
    if content.drains.outlets:
        yield _outlet, "outlet of the drains"


def _earth_signs(content: MapContent) -> Iterator[tuple[_Sign, str]]:
    """Signs of what is dug or filled, with their meaning."""
    kinds = {kind for works in content.earthworks for kind in works["kind"]}
    for kind, (colour, width) in EARTHWORKS.items():
        if kind in kinds:
            is_line = kind in ("swale", "berm")
            yield _line(width, colour) if is_line else _box(colour, colour), kind


def _flow_signs(content: MapContent) -> Iterator[tuple[_Sign, str]]:
    """Signs of where water runs and stands, with their meaning."""
    if len(content.flow_paths):
        for area, text in zip(FLOW_AREAS, _ROUND_AREAS[content.units], strict=True):
            yield _line(float(flow_width(area)), FLOW), f"flow path of {text}"
        if len(content.low_spots) or is_mostly_ponded(content.flow_paths).any():
            dashed = _line(1.8, FLOW_UNCERTAIN, UNCERTAIN_DASHES)
            yield dashed, "course uncertain: ground fills first"
    directions = set(content.crossings["direction"]) if len(content.crossings) else set()
    if "on" in directions:
        yield _crossing(RUN_ON), "water comes onto the lot"
    if "off" in directions:
        yield _crossing(RUN_OFF), "water leaves the lot"
    if len(content.low_spots) and is_doubtful(content.low_spots).any():
        yield _box("none", DOUBTFUL, 0.8, DOUBTFUL_DASHES), "? may be no water: see summary"


def draw_legend(panel: Panel, content: MapContent, *, gaps: bool = False) -> None:
    """
    Explain the signs on the map; those that are not on it are left out.

    `gaps`: whether part of the field has no elevation.
    """
    panel.heading("Signs")
    signs = (
        *_ground_signs(content, gaps=gaps),
        *_drain_signs(content),
        *_earth_signs(content),
        *_flow_signs(content),
    )
    for sign, meaning in signs:
        sign(panel)
        panel.text(_SWATCH + 0.1, meaning)
        panel.y -= _ROW


def draw_depth_scale(panel: Panel, scale: DepthScale, content: MapContent) -> None:
    """
    Draw the colours of depths with their numbers.

    `scale`: of the colours on the map.
    """
    panel.heading(f"Depth of low spots when full [{scale.unit}]")
    if content.low_spots["probability"].notna().any():
        panel.text(0.0, "paler: less certain to be there", fontstyle="italic")
        panel.y -= _ROW
    colours = depth_pixels(np.linspace(0.001, 1.0, 128)[None, :], 1.0)
    left, right = 0.04, panel.width - 0.14
    panel.axes.imshow(
        colours, extent=(left, right, panel.y - 0.04, panel.y + 0.09), aspect="auto", zorder=1
    )
    panel.y -= 0.12
    last = scale.ticks[-1]
    for tick in scale.ticks:
        text = f"{tick:g}" + ("+" if tick == last and scale.exceeded else "")
        panel.text(left + (right - left) * tick / last, text, ha="center")
    panel.y -= _ROW


def _row(panel: Panel, columns: Sequence[float], row: Sequence[str], *, colour: str = INK) -> None:
    """Write a row; the first column to the left, the others to the right of their places."""
    for number, (x, text) in enumerate(zip(columns, row, strict=True)):
        panel.text(x, text, ha="right" if number else "left", color=colour)
    panel.y -= _ROW


def _more(panel: Panel, count: int, least: int) -> None:
    """Say how many rows are left out."""
    if count > least:
        panel.text(0.0, f"and {count - least} more in the summary", fontstyle="italic")
        panel.y -= _ROW


def _rows_that_fit(panel: Panel, *, reserved: int) -> int:
    """
    Count the rows of a table that have room in a panel.

    `reserved`: rows that must be left for what comes after.
    """
    return int(min(_MOST_ROWS, max((panel.y / _ROW) - reserved - 3, 1)))


def draw_low_spot_table(panel: Panel, content: MapContent) -> list[int]:
    """
    List low spots outside buildings with their numbers, the most important first.

    Returns numbers of the low spots that are in the table.
    """
    inside = content.low_spots["inside_building"].isin([True])
    spots = in_order(content.low_spots[~inside])
    count = _rows_that_fit(panel, reserved=1)
    columns = (0.04, 0.80, 1.53, panel.width)
    panel.heading("Low spots")
    panel.y += 0.06
    _row(panel, columns, ("", *map(str.lower, _SPOTS.labels("depth_m", "area_m2", "volume_m3"))))
    shown_rows = spots.head(count)
    doubtful, beyond = is_doubtful(shown_rows), False
    for spot, doubt in zip(shown_rows.to_dict("records"), doubtful, strict=True):
        if not spot["on_lot_m2"] and not beyond:
            panel.text(0.04, "beyond the lot", fontstyle="italic", color=DOUBTFUL)
            panel.y -= _ROW
            beyond = True
        row = _low_spot_row(spot, content.units, doubtful=doubt)
        _row(panel, columns, row, colour=DOUBTFUL if doubt else INK)
    _more(panel, len(content.low_spots), len(shown_rows))
    return [int(number) for number in shown_rows["id"]]


def _low_spot_row(
    spot: Mapping[str, Any], units: UnitSystem, *, doubtful: bool
) -> tuple[str, str, str, str]:
    """Cells of a row of the table."""
    return (
        f"{spot['id']:.0f}" + (" ?" if doubtful else ""),
        ("≥ " if spot.get("not_closed") in (True, 1) else "")
        + _SPOTS.shown(spot, "depth_m", units),
        _SPOTS.shown(spot, "area_m2", units),
        _SPOTS.shown(spot, "volume_m3", units),
    )


def draw_inlet_table(panel: Panel, content: MapContent, reserved: int) -> None:
    """
    List inlets with what drains to them over the surface.

    `reserved`: rows that must be left for what comes after.
    """
    colours = dict(
        zip(content.catchments["name"], CATCHMENTS * len(content.catchments), strict=False)
    )
    panel.heading("Catchments of inlets")
    if content.shares:
        panel.text(0.0, "paler: less certain to drain there", fontstyle="italic")
        panel.y -= _ROW
    room = max(panel.y - (reserved + 1) * _ROW, _ROW)
    look = next((one for one in _INLET_ROWS if one.fitting(room) >= len(content.inlets)),
                _INLET_ROWS[-1])  # fmt: skip
    top, rows = panel.y, max(int(room / look.row), 1)
    listed = content.inlets.head(look.fitting(room)).to_dict("records")
    width = panel.width / look.columns
    for number, inlet in enumerate(listed):
        left = (number // rows) * width
        panel.y = top - (number % rows) * look.row
        colour = colours.get(inlet["name"], "white")
        side = 0.56 * look.row
        panel.axes.add_patch(
            Rectangle((left + 0.02, panel.y - side / 2), side, side, facecolor=colour)
        )
        style = {"fontsize": look.text}
        area = RESULT_LAYERS["inlets"].shown_open(inlet, "catchment_m2", content.units)
        # a range takes room from the name
        longest = max(look.longest - max(len(area) - 10, 0), 4)
        panel.text(left + 0.06 + side, one_line(inlet["name"], longest), **style)
        open_end = any(inlet.get(key) in (True, 1) for key in ("cut_by_edge", "not_closed"))
        least = "≥ " if open_end else ""
        right = left + width - (0.06 if look.columns > 1 else 0.0)
        panel.text(right, least + area, ha="right", **style)
    panel.y = top - min(len(listed), rows) * look.row - (_ROW - look.row) / 2
    _more(panel, len(content.inlets), len(listed))


@dataclass(frozen=True)
class _Rows:
    """How close rows of a table are set: height [inch], size of text [points], columns of rows."""

    row: float
    text: float
    columns: int
    longest: int

    def fitting(self, room: float) -> int:
        """Rows that have room in this height [inch]; at least one."""
        return max(int(room / self.row), 1) * self.columns


#: From how one reads with ease to how most inlets have room.
_INLET_ROWS: Final = (
    _Rows(_ROW, _TEXT, 1, _LONGEST_NAME),
    _Rows(0.13, 6.0, 1, 26),
    _Rows(0.11, 5.2, 2, 13),
    _Rows(0.10, 4.4, 3, 9),
)


#: Longest scale bar, and its height [inch].
_LONGEST: Final = 2.0
_BAR: Final = 0.055
#: Where the bar and the text under it stand above the lower edge of the axes [inch].
_BAR_Y: Final = 0.34
_TEXT_Y: Final = 0.12
_ARROW: Final = 0.36


def draw_scale(paper: Axes, scale: Scale, units: UnitSystem, name_of_paper: str) -> None:
    """
    Draw a scale bar at the right, the scale in words under it and a north arrow left of it.

    `paper`: axes in inches of paper; `name_of_paper`: paper on which the scale holds.
    """
    right = paper.get_xlim()[1] - 0.14
    unit_m, sign = (METRES_PER_FOOT, "ft") if units == "us" else (1.0, "m")
    ground_per_inch = scale.denominator * METRES_PER_INCH / unit_m
    length = round_length(_LONGEST * ground_per_inch)
    inches = length / ground_per_inch
    left = right - inches
    for number in range(4):
        paper.add_patch(
            Rectangle(
                (left + inches * number / 4, _BAR_Y), inches / 4, _BAR, edgecolor=INK,
                facecolor=INK if number % 2 == 0 else "white", linewidth=0.7,
            )
        )  # fmt: skip
    for share, text in ((0.0, "0"), (0.5, f"{length / 2:g}"), (1.0, f"{length:g} {sign}")):
        paper.text(left + share * inches, _BAR_Y + 2.2 * _BAR, text, fontsize=7.2, color=INK,
                   ha="center", va="bottom")  # fmt: skip
    paper.text(right + 0.14, _TEXT_Y, f"{scale.text} on {name_of_paper}", fontsize=9, color=INK,
               ha="right", va="baseline")  # fmt: skip
    _draw_north(paper, left - 0.42, _TEXT_Y + 0.02)


def _draw_north(paper: Axes, x: float, y: float) -> None:
    """Draw a north arrow with its foot at a place: grids are north-up."""
    for side, colour in ((-1.0, "white"), (1.0, INK)):
        half = [(x, y + 0.07), (x + 0.11 * side, y), (x, y + _ARROW)]
        paper.add_patch(Polygon(half, facecolor=colour, edgecolor=INK, linewidth=0.9))
    paper.text(x, y + _ARROW + 0.09, "N", fontsize=10, fontweight="bold", color=INK, ha="center",
               va="center")  # fmt: skip
