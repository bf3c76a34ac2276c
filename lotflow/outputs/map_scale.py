"""North arrow, scale bar and scale of a sheet, beside the map so that they hide nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from matplotlib.patches import Polygon, Rectangle

from lotflow.outputs.map_layers import INK
from lotflow.outputs.map_view import round_length
from lotflow.units import METRES_PER_FOOT, METRES_PER_INCH

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from lotflow.outputs.map_view import Scale
    from lotflow.units import UnitSystem

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

    Parameters
    ----------
    paper
        Axes in inches of paper.
    scale
        Of the map.
    units
        Of the bar.
    name_of_paper
        Paper on which the scale holds.
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
