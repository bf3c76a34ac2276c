"""Names and numbers on the map, and the north arrow."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.patches import Polygon
from matplotlib.patheffects import withStroke

from lotflow.outputs.map_labels import Label, place_labels
from lotflow.outputs.map_layers import FLOW_AREAS, INK, crossing_length, in_order
from lotflow.outputs.map_legend import one_line
from lotflow.units import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from lotflow.outputs.map_layers import MapField
    from lotflow.outputs.map_picture import MapContent

#: Most labels of each kind: with more a map is no easier to read.
_MOST: Final = 30
_MOST_CROSSINGS: Final = 3
_LONGEST_NAME: Final = 24
#: Area on paper from which a low spot has its number on the map [square inch].
_LEAST_AREA: Final = 0.01
#: Mean width of a letter as a share of the size of the text, and points to an inch.
_LETTER: Final = 0.62
_POINTS: Final = 72.0
_NORTH_BOX: Final = 0.55
_SCALE_BAR_BOX: Final = (0.0, 0.0, 2.2, 0.55)


@dataclass(frozen=True)
class Lettering:
    """
    A label of the map.

    Parameters
    ----------
    kind
        "low spot", "inlet" or "crossing".
    x, y
        What it names [unit of the CRS].
    text
        One line.
    """

    kind: str
    x: float
    y: float
    text: str


#: Look of each kind: size [points], further settings of the text.
_LOOKS: Final[dict[str, tuple[float, dict[str, Any]]]] = {
    "low spot": (7.5, {
        "color": "#172062", "fontweight": "bold",
        "bbox": {"boxstyle": "circle,pad=0.22", "facecolor": "white", "edgecolor": "#172062",
                 "linewidth": 1.0},
    }),
    "inlet": (7.8, {"color": INK, "fontweight": "bold"}),
    "crossing": (7.2, {"color": "#5d2b00", "fontstyle": "italic"}),
}  # fmt: skip


def _low_spots(content: MapContent, field: MapField) -> Iterator[Lettering]:
    unit = content.ground.metres_per_unit * field.units_per_inch
    spots = in_order(content.low_spots)
    spots = spots[spots["area_m2"] >= _LEAST_AREA * unit**2]
    for number, x, y in zip(spots["id"], spots["x"], spots["y"], strict=True):
        yield Lettering("low spot", x, y, f"{number:.0f}")


def _inlets(content: MapContent, _: MapField) -> Iterator[Lettering]:
    for name, middle in zip(content.inlets["name"], content.inlets.centroid, strict=True):
        yield Lettering("inlet", middle.x, middle.y, one_line(name, _LONGEST_NAME))


def _crossings(content: MapContent, _: MapField) -> Iterator[Lettering]:
    for direction in ("on", "off"):
        here = content.crossings[content.crossings["direction"] == direction]
        largest = here[here["area_m2"] >= FLOW_AREAS[0]].nlargest(_MOST_CROSSINGS, "area_m2")
        for area, point in zip(largest["area_m2"], largest.geometry, strict=True):
            text = shown(area, "area", content.units)
            yield Lettering("crossing", point.x, point.y, text)


def letterings(content: MapContent, field: MapField) -> list[Lettering]:
    """
    Choose the labels of a map, the important ones first.

    Parameters
    ----------
    content
        What the map shows.
    field
        Which part of it.
    """
    chosen: list[Lettering] = []
    for frame, of_kind in (
        (content.low_spots, _low_spots),
        (content.inlets, _inlets),
        (content.crossings, _crossings),
    ):
        if len(frame):
            within = [label for label in of_kind(content, field) if field.shows(label.x, label.y)]
            chosen += within[:_MOST]
    return chosen


def _label(lettering: Lettering, field: MapField) -> Label:
    """Size of a label, and its place on paper."""
    size = _LOOKS[lettering.kind][0] / _POINTS
    x, y = field.on_paper(lettering.x, lettering.y)
    if lettering.kind == "low spot":
        return Label(x, y, 2.0 * size, 2.0 * size, centred=True)
    return Label(x, y, _LETTER * size * len(lettering.text) + 0.04, 1.3 * size)


def draw_labels(paper: Axes, field: MapField, content: MapContent) -> None:
    """
    Letter the map: numbers of low spots, names of inlets, what crosses the lot line.

    Parameters
    ----------
    paper
        Axes in inches over the field.
    field
        The field of the map.
    content
        What it shows.
    """
    chosen = letterings(content, field)
    width, height = paper.get_xlim()[1], paper.get_ylim()[1]
    north = (width - _NORTH_BOX, height - 1.4 * _NORTH_BOX, width, height)
    labels = [_label(lettering, field) for lettering in chosen]
    boxes = place_labels(
        labels, width, height, taken=(north, _SCALE_BAR_BOX), symbols=_triangles(content, field)
    )
    for lettering, label, box in zip(chosen, labels, boxes, strict=True):
        _draw_label(paper, lettering, label, box)


def _triangles(content: MapContent, field: MapField) -> list[tuple[float, float, float, float]]:
    """Boxes of the triangles on the lot line [inch]."""
    boxes: list[tuple[float, float, float, float]] = []
    if not len(content.crossings):
        return boxes
    lengths = crossing_length(content.crossings["area_m2"])
    for point, length in zip(content.crossings.geometry, lengths, strict=True):
        x, y = field.on_paper(point.x, point.y)
        half = 0.5 * float(length)
        boxes.append((x - half, y - half, x + half, y + half))
    return boxes


def _draw_label(paper: Axes, lettering: Lettering, label: Label, box: NDArray[np.float64]) -> None:
    """Write a label in its box, with a line to what it names where that is apart from it."""
    size, look = _LOOKS[lettering.kind]
    middle = (box[:2] + box[2:]) / 2.0
    nearest = np.clip((label.x, label.y), box[:2], box[2:])
    if np.hypot(*(nearest - (label.x, label.y))) > 0.6 * label.height:
        paper.plot(
            [label.x, nearest[0]], [label.y, nearest[1]], color=INK, linewidth=0.7, zorder=1,
            path_effects=[withStroke(linewidth=2.0, foreground="white", alpha=0.8)],
        )  # fmt: skip
    paper.text(
        middle[0], middle[1], lettering.text, fontsize=size, ha="center", va="center_baseline",
        zorder=2,
        path_effects=[withStroke(linewidth=2.2, foreground="white")] if "bbox" not in look else [],
        **look,
    )  # fmt: skip


def draw_north(paper: Axes) -> None:
    """
    Draw a north arrow in the upper right corner: grids are north-up.

    Parameters
    ----------
    paper
        Axes in inches over the field.
    """
    x, y = paper.get_xlim()[1] - 0.32, paper.get_ylim()[1] - 0.62
    for side, colour in ((-1.0, "white"), (1.0, INK)):
        half = [(x, y), (x + 0.11 * side, y - 0.07), (x, y + 0.30)]
        paper.add_patch(Polygon(half, facecolor=colour, edgecolor=INK, linewidth=0.9, zorder=3))
    paper.text(
        x, y + 0.42, "N", fontsize=11, fontweight="bold", ha="center", va="center", color=INK,
        path_effects=[withStroke(linewidth=2.5, foreground="white")], zorder=3,
    )  # fmt: skip
