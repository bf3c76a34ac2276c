"""Drain lines and outlets on the map."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from matplotlib.collections import LineCollection, PolyCollection

from lotflow.outputs.map_symbols import arrowheads, lines_of
from lotflow.outputs.palette import PIPE

if TYPE_CHECKING:
    from lotflow.outputs.map_layers import MapField
    from lotflow.outputs.map_picture import MapDrains

#: Width of a drain line, and of one that is to be replaced [points].
WIDTH: Final = 1.8
REPLACED_WIDTH: Final = 1.0
REPLACED_DASHES: Final = (0, (3.2, 2.2))
#: Mark of an outlet: a disc with a ring, so that it is neither an inlet nor a crossing.
OUTLET: Final[dict[str, Any]] = {
    "marker": "o", "markersize": 6.0, "markerfacecolor": "white", "markeredgecolor": PIPE,
    "markeredgewidth": 2.0, "linestyle": "none",
}  # fmt: skip
#: Length of an arrowhead and of the shortest line that bears one [inch].
_ARROW: Final = 0.085
_LEAST_WITH_ARROW: Final = 0.30


def draw_drains(field: MapField, drains: MapDrains) -> None:
    """
    Draw drain lines with the way they flow, lines to be replaced dashed, and outlets.

    They lie over the paths on the ground and under the lot line and the inlets.

    Parameters
    ----------
    field
        Where.
    drains
        What is drawn.
    """
    _draw_lines(field, drains.replaced, REPLACED_WIDTH, REPLACED_DASHES)
    lines = _draw_lines(field, drains.lines, WIDTH, "solid")
    inch = field.units_per_inch
    heads = arrowheads(lines, _ARROW * inch, _LEAST_WITH_ARROW * inch)
    field.axes.add_collection(
        PolyCollection(heads, facecolors=PIPE, edgecolors="white", linewidths=0.6, zorder=8.4)
    )
    places = [point for _, point in drains.outlets if field.shows(point.x, point.y)]
    if places:
        x, y = shapely.get_coordinates(places).T
        field.axes.plot(x, y, zorder=12, **OUTLET)


def _draw_lines(field: MapField, shapes: tuple[Any, ...], width: float, dashes: Any) -> list[Any]:
    """Draw lines on a light band; give the coordinates of each."""
    lines, _ = lines_of(np.array(shapes, dtype=object))
    for colour, wider, opacity, style in (("white", 1.6, 0.8, "solid"), (PIPE, 0.0, 1.0, dashes)):
        field.axes.add_collection(
            LineCollection(
                lines, colors=colour, linewidths=width + wider, alpha=opacity,
                linestyles=[style], zorder=8.2,
            )
        )  # fmt: skip
    return lines
