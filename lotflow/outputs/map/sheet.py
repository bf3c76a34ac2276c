"""The sheet: map field, labels, side panel, title and foot, and how it becomes a picture."""

from __future__ import annotations

import io
import warnings
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from lotflow.outputs import palette
from lotflow.outputs.map import layers
from lotflow.outputs.map.content import MapField, Scale, cells_shown, needed_bounds, sheet_view
from lotflow.outputs.map.ground import DepthScale, depth_scale
from lotflow.outputs.map.labels import draw_labels
from lotflow.outputs.map.layers import draw_drains, draw_shots
from lotflow.outputs.map.legend import (
    Panel,
    draw_depth_scale,
    draw_inlet_table,
    draw_legend,
    draw_low_spot_table,
    draw_scale,
    one_line,
)
from lotflow.units import METRES_PER_INCH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from lotflow.outputs.map.content import MapContent
    from lotflow.units import UnitSystem


#: Name, width and height [inch] of the paper, across.
_PAPER: Final[dict[UnitSystem, tuple[str, float, float]]] = {
    "us": ("Letter", 11.0, 8.5),
    "metric": ("A4", 11.69, 8.27),
}
DOTS_PER_INCH: Final = 150
MARGIN: Final = 0.4
_TITLE_HEIGHT: Final = 0.62
_FOOT_HEIGHT: Final = 0.42
_PANEL_WIDTH: Final = 2.25
_SCALE_WIDTH: Final = 3.0
_GUTTER: Final = 0.2
#: Low spots that keep room beside the inlets of the legend, however many these are.
_LEAST_SPOTS: Final = 4
#: Rows for what stands round them: heading, names of columns, how many more.
_SPOT_HEAD: Final = 5

_CAUTION: Final = (
    "Screening from public elevation data; not a survey, not engineering design, not legal "
    "advice. Confirm levels, utilities and local rules. Buried pipes and curbs are not in the data."
)
#: Settings that a user's own matplotlib may have changed: the same content, the same bytes.
_STYLE: Final = {
    "font.family": ["DejaVu Sans"],
    "text.usetex": False,
    "text.parse_math": False,
    "svg.hashsalt": "",
    "agg.path.chunksize": 0,
    "path.simplify": True,
}


def draw_sheet(content: MapContent) -> bytes:
    """Draw a sheet."""
    with mpl.rc_context(drawing_style()), warnings.catch_warnings():
        # a character the font lacks is shown as a box; the layers and the summary have it
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        canvas: Any = FigureCanvasAgg(sheet_figure(content))
        canvas.draw()
        return _png(np.asarray(canvas.buffer_rgba()))


def _png(pixels: Any) -> bytes:
    """Pack pixels; without opacity and at this level in a third of the time of the default."""
    picture = io.BytesIO()
    opaque = Image.fromarray(np.ascontiguousarray(pixels[..., :3]))
    opaque.save(picture, "png", compress_level=4, dpi=(DOTS_PER_INCH, DOTS_PER_INCH))
    return picture.getvalue()


def sheet_figure(content: MapContent) -> Figure:
    """Put the parts of a sheet in their places."""
    paper, width, height = _PAPER[content.units]
    figure = Figure(figsize=(width, height), dpi=DOTS_PER_INCH, facecolor="white")
    field_width = width - 2 * MARGIN - _GUTTER - _PANEL_WIDTH
    field_height = height - 2 * MARGIN - _TITLE_HEIGHT - _FOOT_HEIGHT
    bottom = MARGIN + _FOOT_HEIGHT
    place = (MARGIN, bottom, field_width, field_height)
    field, scale = _map_field(figure, content, place)
    scale_of_depth = _depth_scale(field, content)
    _draw_layers(field, content, scale_of_depth.deepest_m)
    beside = (MARGIN + field_width + _GUTTER, bottom, _PANEL_WIDTH, field_height)
    shown = replace(content, low_spots=field.reaching(content.low_spots))
    panel = Panel(_paper_axes(figure, beside), _PANEL_WIDTH, field_height + 0.06)
    draw_legend(panel, shown, gaps=field.has_gaps(content.ground))
    listed = _draw_numbers(panel, shown, scale_of_depth)
    draw_labels(_paper_axes(figure, place), field, content, listed)
    _draw_title(figure, content)
    above = (width - MARGIN - _SCALE_WIDTH, bottom + field_height, _SCALE_WIDTH, _TITLE_HEIGHT)
    draw_scale(_paper_axes(figure, above), scale, content.units, paper)
    _draw_foot(figure, content)
    return figure


#: On the field sheet text is this much larger: its least size on the map becomes 9 points.
ENLARGED: Final = 1.25


def field_sheet_figure(
    content: MapContent, size: tuple[float, float], listed: Sequence[int] = ()
) -> Figure:
    """
    Put the map, its scale and its signs into a figure for the field sheet.

    It is to be drawn larger by `ENLARGED`, and its scale holds then.

    `size`: width and height on paper [inch]; `listed`: numbers of the low spots that must be found
    on the map.
    """
    paper, _, _ = _PAPER[content.units]
    width, height = (side / ENLARGED for side in size)
    figure = Figure(figsize=(width, height), dpi=72, facecolor="none")
    field_width = width - _GUTTER - _SIGNS_WIDTH
    place = (0.02, 0.02, field_width, height - _SCALE_HEIGHT - 0.04)
    # one even tint for each catchment: shares are lost in a grey print; sizes and falls of lines
    # stand on the plan of the stakes, where there is room for them
    shown = replace(content, shares={}, drains=replace(content.drains, to_be_laid=()))
    field, scale = _map_field(figure, shown, place, enlarged=ENLARGED)
    depths = _depth_scale(field, shown)
    _draw_layers(field, shown, depths.deepest_m)
    panel_place = (field_width + _GUTTER, 0.0, _SIGNS_WIDTH, height)
    panel = Panel(_paper_axes(figure, panel_place), _SIGNS_WIDTH, height)
    near = replace(shown, low_spots=field.reaching(shown.low_spots))
    draw_legend(panel, near, gaps=field.has_gaps(shown.ground))
    if len(near.low_spots) and panel.y > _DEPTHS_HEIGHT:
        draw_depth_scale(panel, depths, near)
    draw_labels(_paper_axes(figure, place), field, shown, listed)
    above = (field_width - _SCALE_WIDTH, place[1] + place[3], _SCALE_WIDTH, _SCALE_HEIGHT)
    larger = replace(scale, denominator=scale.denominator * ENLARGED)
    draw_scale(_paper_axes(figure, above), larger, content.units, paper)
    return figure


#: Width of the signs, and height of the scale bar above the map, before they are enlarged [inch].
_SIGNS_WIDTH: Final = 2.1
_SCALE_HEIGHT: Final = 0.56
#: Room that the scale of depths takes below the signs [inch].
_DEPTHS_HEIGHT: Final = 0.6


def drawing_style() -> dict[Any, Any]:
    """Settings of the library with which the same content gives the same drawing."""
    settings: dict[Any, Any] = {
        key: value for key, value in mpl.rcParamsDefault.items() if not key.startswith("backend")
    }
    return settings | _STYLE


def _place(figure: Figure, inches: tuple[float, float, float, float]) -> Axes:
    """Make axes at a place given in inches: left, bottom, width, height."""
    width, height = figure.get_size_inches()
    left, bottom, wide, high = inches
    return figure.add_axes((left / width, bottom / height, wide / width, high / height))


def _paper_axes(figure: Figure, inches: tuple[float, float, float, float]) -> Axes:
    """Make axes without a frame whose coordinates are inches of paper."""
    axes = _place(figure, inches)
    axes.set_axis_off()
    axes.set(xlim=(0.0, inches[2]), ylim=(0.0, inches[3]), autoscale_on=False)
    return axes


def _map_field(
    figure: Figure,
    content: MapContent,
    inches: tuple[float, float, float, float],
    *,
    enlarged: float = 1.0,
) -> tuple[MapField, Scale]:
    """Make the field of the map, with the ground it shows."""
    catchments = tuple(content.catchments.total_bounds) if len(content.catchments) else None
    needed = needed_bounds(tuple(content.lot.total_bounds), catchments, content.ground.bounds)
    paper = (inches[2] * METRES_PER_INCH * enlarged, inches[3] * METRES_PER_INCH * enlarged)
    bounds, scale = sheet_view(needed, content.ground, paper, content.units)
    axes = _place(figure, inches)
    axes.set(facecolor=layers.NO_GROUND, xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set(color=palette.INK, linewidth=0.8)
    axes.set(autoscale_on=False, aspect="auto")
    return MapField(axes, bounds, (bounds[2] - bounds[0]) / inches[2]), scale


def _depth_scale(field: MapField, content: MapContent) -> DepthScale:
    """Scale of depths for what the field shows."""
    rows, columns, _ = cells_shown(content.depth, field.bounds)
    depth = content.depth.values[rows, columns]
    if not len(content.low_spots):
        return depth_scale(depth, content.units)
    near = field.reaching(content.low_spots)
    certain = near["depth_m"][~layers.is_doubtful(near)]
    limit = float(certain.max()) if len(certain) else np.inf
    return depth_scale(depth, content.units, certain_m=limit)


def _draw_layers(field: MapField, content: MapContent, deepest: float) -> None:
    """Draw all layers that have something in them."""
    layers.draw_ground(field, content.ground, content.depth, deepest)
    for draw, frame in (
        (layers.draw_water, content.water),
        (partial(layers.draw_catchments, shares=content.shares), content.catchments),
        (layers.draw_buildings, content.buildings),
        (layers.draw_low_spots, content.low_spots),
        (layers.draw_lot, content.lot),
        (layers.draw_inlets, content.inlets),
    ):
        near = frame if frame is content.catchments else field.reaching(frame)
        if len(near):
            draw(field, near)
    for works in content.earthworks:
        if len(near := field.reaching(works)):
            layers.draw_earthworks(field, near)
    if content.observations is not None and len(content.observations):
        layers.draw_observations(field, content.observations)
    paths = field.reaching(content.flow_paths)
    if len(paths):
        ponds = field.reaching(content.low_spots)
        layers.draw_flow_paths(field, paths, ponds, content.ground.transform.a)
    draw_drains(field, content.drains)
    draw_shots(field, content.shots)
    if len(content.crossings):
        layers.draw_crossings(field, content.crossings, content.lot)
    west, south, east, north = field.bounds
    field.axes.set(xlim=(west, east), ylim=(south, north), aspect="auto")


def _draw_numbers(panel: Panel, content: MapContent, depths: DepthScale) -> Sequence[int]:
    """Fill the side panel below the signs; give the numbers of the low spots in its table."""
    spots = len(content.low_spots)
    if spots:
        draw_depth_scale(panel, depths, content)
    if len(content.inlets):
        draw_inlet_table(panel, content, min(spots, _LEAST_SPOTS) + _SPOT_HEAD if spots else 0)
    return draw_low_spot_table(panel, content) if spots else ()


def _write(figure: Figure, x: float, y: float, text: str, **style: Any) -> None:
    """Write on the sheet, at inches from its lower left corner."""
    width, height = figure.get_size_inches()
    figure.text(x / width, y / height, text, va="top", **({"color": palette.INK} | style))


def _draw_title(figure: Figure, content: MapContent) -> None:
    """Write the name of the lot, and what the map is."""
    top = figure.get_size_inches()[1] - MARGIN
    what = "Where water stands, where it runs"
    what += ", what each inlet takes" if len(content.inlets) else ""
    what += ", where the drains lead it" if content.drains.lines else ""
    _write(figure, MARGIN, top, one_line(content.title, 48), fontsize=16, fontweight="bold")
    _write(figure, MARGIN, top - 0.33, what, fontsize=9)


def _draw_foot(figure: Figure, content: MapContent) -> None:
    """Write what the map was made from, and the caution."""
    top = MARGIN + _FOOT_HEIGHT
    style: dict[str, Any] = {"color": "#55585f", "fontsize": 6.8}
    _write(figure, MARGIN, top - 0.10, one_line(content.note, 170), **style)
    _write(figure, MARGIN, top - 0.25, _CAUTION, **style)
