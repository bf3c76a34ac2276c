"""Names and numbers on the map."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from matplotlib.patheffects import withStroke

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.map_labels import Label, place_labels
from lotflow.outputs.map_layers import (
    DOUBTFUL,
    FLOW_AREAS,
    INK,
    POND_EDGE,
    crossing_length,
    in_order,
    is_doubtful,
)
from lotflow.outputs.map_legend import one_line
from lotflow.outputs.map_paper import paper_ground
from lotflow.outputs.palette import PIPE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from lotflow.outputs.map_layers import MapField
    from lotflow.outputs.map_picture import MapContent

_AREA: Final = RESULT_LAYERS["lot_line_crossings"].column("area_m2")
#: Most labels of each kind: with more a map is no easier to read.
_MOST: Final = 30
_MOST_CROSSINGS: Final = 3
_LONGEST_NAME: Final = 24
#: Area on paper from which a low spot that is not in the table has its number on the map
#: [square inch].
_LEAST_AREA: Final = 0.01
#: Area on paper from which a number may lie on its low spot [square inch].
_ROOMY: Final = 0.055
#: Distance without a line between a label and what it names, as a share of its height.
_NEAR: Final = 0.95
#: Mean width of a letter as a share of the size of the text, and points to an inch.
_LETTER: Final = 0.62
_POINTS: Final = 72.0


@dataclass(frozen=True)
class Lettering:
    """
    A label of the map.

    Parameters
    ----------
    kind
        "low spot", "doubtful low spot", "inlet", "outlet" or "crossing".
    x, y
        What it names [unit of the CRS].
    text
        One line.
    middles
        Places on what it names where the label fits best [unit of the CRS].
    home
        Number of the low spot it names, 0 for all else.
    """

    kind: str
    x: float
    y: float
    text: str
    middles: tuple[tuple[float, float], ...] = ()
    home: int = 0


def _number_look(colour: str, dashes: str) -> dict[str, Any]:
    """Give the look of a number in a ring."""
    ring = {"boxstyle": "circle,pad=0.22", "facecolor": "white", "edgecolor": colour,
            "linewidth": 1.0, "linestyle": dashes}  # fmt: skip
    return {"color": colour, "fontweight": "bold", "bbox": ring}


#: Look of each kind: size [points], further settings of the text.
_LOOKS: Final[dict[str, tuple[float, dict[str, Any]]]] = {
    "low spot": (7.5, _number_look(POND_EDGE, "solid")),
    "doubtful low spot": (7.5, _number_look(DOUBTFUL, "dashed")),
    "inlet": (7.8, {"color": INK, "fontweight": "bold"}),
    "outlet": (7.2, {"color": PIPE, "fontweight": "bold"}),
    "crossing": (7.2, {"color": "#5d2b00", "fontstyle": "italic"}),
}  # fmt: skip


def _low_spots(content: MapContent, field: MapField, listed: Sequence[int]) -> Iterator[Lettering]:
    """Numbers of the low spots in the table, and of those large enough on the map."""
    unit = content.ground.metres_per_unit * field.units_per_inch
    spots = in_order(field.reaching(content.low_spots))
    spots = spots[spots["id"].isin(listed) | (spots["area_m2"] >= _LEAST_AREA * unit**2)]
    frame = shapely.box(*field.bounds)
    doubtful = is_doubtful(spots)
    for number, x, y, shape, doubt in zip(
        spots["id"], spots["x"], spots["y"], spots.geometry, doubtful, strict=True
    ):
        seen = shapely.intersection(shape, frame)
        if seen.is_empty:
            continue
        kind = "doubtful low spot" if doubt else "low spot"
        widest = _widest(seen)
        bed = (float(x), float(y)) if field.shows(x, y) else widest
        # a number as large as what it names would hide it: it stands beside
        on_it = (bed, widest) if seen.area > _ROOMY * field.units_per_inch**2 else ()
        yield Lettering(kind, *bed, f"{number:.0f}", on_it, int(number))


def _widest(shape: Any) -> tuple[float, float]:
    """Middle of the largest circle within a shape."""
    radius = shapely.maximum_inscribed_circle(shape)
    x, y = shapely.get_coordinates(radius)[0]
    return float(x), float(y)


def _inlets(content: MapContent, _: MapField, __: Sequence[int]) -> Iterator[Lettering]:
    for name, middle in zip(content.inlets["name"], content.inlets.centroid, strict=True):
        yield Lettering("inlet", middle.x, middle.y, one_line(name, _LONGEST_NAME))


def _outlets(content: MapContent, _: MapField, __: Sequence[int]) -> Iterator[Lettering]:
    for name, point in content.drains.outlets:
        yield Lettering("outlet", point.x, point.y, one_line(name, _LONGEST_NAME))


def _crossings(content: MapContent, _: MapField, __: Sequence[int]) -> Iterator[Lettering]:
    for direction in ("on", "off"):
        here = content.crossings[content.crossings["direction"] == direction]
        largest = here[here["area_m2"] >= FLOW_AREAS[0]].nlargest(_MOST_CROSSINGS, "area_m2")
        for area, point in zip(largest["area_m2"], largest.geometry, strict=True):
            text = _AREA.shown(area, content.units)
            yield Lettering("crossing", point.x, point.y, text)


def letterings(content: MapContent, field: MapField, listed: Sequence[int] = ()) -> list[Lettering]:
    """
    Choose the labels of a map, the important ones first.

    Parameters
    ----------
    content
        What the map shows.
    field
        Which part of it.
    listed
        Numbers of the low spots in the table: each must be found on the map.
    """
    chosen: list[Lettering] = []
    for rows, of_kind in (
        (content.low_spots, _low_spots),
        (content.inlets, _inlets),
        (content.drains.outlets, _outlets),
        (content.crossings, _crossings),
    ):
        if len(rows):
            labels = of_kind(content, field, listed)
            chosen += [label for label in labels if field.shows(label.x, label.y)][:_MOST]
    return chosen


def _label(lettering: Lettering, field: MapField) -> Label:
    """Size of a label, and its place on paper."""
    size = _LOOKS[lettering.kind][0] / _POINTS
    x, y = field.on_paper(lettering.x, lettering.y)
    if lettering.home:
        middles = tuple(field.on_paper(*middle) for middle in lettering.middles)
        return Label(x, y, 2.0 * size, 2.0 * size, middles, lettering.home)
    return Label(x, y, _LETTER * size * len(lettering.text) + 0.04, 1.3 * size)


def draw_labels(paper: Axes, field: MapField, content: MapContent, listed: Sequence[int]) -> None:
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
    listed
        Numbers of the low spots in the table.
    """
    chosen = letterings(content, field, listed)
    width, height = paper.get_xlim()[1], paper.get_ylim()[1]
    labels = [_label(lettering, field) for lettering in chosen]
    ground = paper_ground(
        field, (width, height), lot=content.lot, flow_paths=content.flow_paths,
        inlets=content.inlets, low_spots=content.low_spots, drain_lines=content.drains.lines,
    )  # fmt: skip
    symbols = _triangles(content, field)
    boxes = place_labels(labels, width, height, symbols=symbols, ground=ground)
    for lettering, label, box in zip(chosen, labels, boxes, strict=True):
        beside = label.home and ground.touches(box, label.home)
        _draw_label(paper, lettering, label, box, leader=not beside)


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


def _draw_label(
    paper: Axes, lettering: Lettering, label: Label, box: NDArray[np.float64], *, leader: bool
) -> None:
    """Write a label in its box, with a line to what it names where that is apart from it."""
    size, look = _LOOKS[lettering.kind]
    middle = (box[:2] + box[2:]) / 2.0
    place = np.array([label.x, label.y])
    apart = np.abs(place - middle) - (box[2:] - box[:2]) / 2.0
    if leader and apart.max() > (0.0 if label.home else _NEAR * label.height):
        # a label is a little smaller than its box: the line ends within
        inner = 0.3 * (box[2:] - box[:2]) * (0.3, 1.0)
        end = np.clip(place, box[:2] + inner, box[2:] - inner)
        paper.plot(
            [label.x, end[0]], [label.y, end[1]], color=INK, linewidth=0.7, zorder=1,
            path_effects=[withStroke(linewidth=2.0, foreground="white", alpha=0.8)],
        )  # fmt: skip
    paper.text(
        middle[0], middle[1], lettering.text, fontsize=size, ha="center", va="center_baseline",
        zorder=2,
        path_effects=[withStroke(linewidth=2.2, foreground="white")] if "bbox" not in look else [],
        **look,
    )  # fmt: skip
