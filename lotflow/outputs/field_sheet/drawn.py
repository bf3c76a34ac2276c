"""Drawings of the sheet in lines and letters: a line cut open, and a plan of the stakes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from reportlab.lib.colors import Color, HexColor
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import Flowable

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs import palette
from lotflow.outputs.field_sheet.typesetting import BOLD, REGULAR
from lotflow.outputs.map.content import round_scale
from lotflow.outputs.map.labels import Label, place_labels
from lotflow.units import METRES_PER_FOOT, METRES_PER_INCH, UnitSystem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    import pandas as pd

    from lotflow.grid import FloatArray
    from lotflow.outputs.field_sheet.content import Row
    from lotflow.outputs.field_sheet.typesetting import Lettering
    from lotflow.outputs.sections import Cut

#: West, south, east, north on paper [point].
Box = tuple[float, float, float, float]
_DRAINS: Final = RESULT_LAYERS["drain_lines"]
_SIZE: Final = 9.0
_POINTS_PER_METRE: Final = 72.0 / METRES_PER_INCH
_INK: Final = HexColor(palette.INK)
_RULE: Final = HexColor("#c9c5bc")
_EARTH: Final = HexColor("#e3dfd6")
_WATER: Final = HexColor("#b5c9d8")
_STANDS: Final = HexColor("#5b7f9d")
#: How many times heights are drawn larger than lengths.
_HEIGHTENED: Final = (20.0, 10.0, 5.0, 2.0, 1.0)
#: Room of a section: greatest height of its field, and what stands round it [point].
_FIELD: Final = 125.0
_LEFT, _RIGHT, _BELOW = 40.0, 8.0, 26.0
#: Above the field: what is said of it, the numbers of the stakes, and what is dug over.
_ABOVE, _MET_ABOVE = 29.0, 40.0
#: Height of the plan of the stakes, at most [point].
_PLAN: Final = 430.0
#: Width of a letter as a share of its size, for the room of labels.
_LETTER: Final = 0.65


def _unit(units: UnitSystem) -> tuple[float, str]:
    """Metres of the unit of lengths, and its sign."""
    return (METRES_PER_FOOT, "ft") if units == "us" else (1.0, "m")


def round_step(span: float, most: int) -> float:
    """
    Find a step of 1, 2 or 5 times a power of ten of which at most so many fit into a span.

    Examples
    --------
    >>> round_step(0.62, 4), round_step(14.0, 7), round_step(0.0, 4) > 0
    (0.2, 2.0, True)
    """
    rough = max(span, 1e-6) / most
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= rough * 0.999)


def _ticks(low: float, high: float, step: float) -> list[float]:
    """Multiples of a step from one number to another."""
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [number * step for number in range(first, last + 1)]


class SectionDrawing(Flowable):
    """
    A swale or berm cut open along its line, with axes and at a scale that holds.

    `cut`: what is drawn; `marks`: distance from its upper end [m] and number of each stake;
    `lettering`: takes all text; `width`: on paper [point].
    """

    def __init__(
        self, cut: Cut, marks: Sequence[tuple[float, str]], lettering: Lettering, width: float,
        units: UnitSystem,
    ) -> None:  # fmt: skip
        super().__init__()
        self._cut, self._marks, self._lettering = cut, marks, lettering
        self._metres, self._sign = _unit(units)
        room = width - _LEFT - _RIGHT
        length = float(cut.distance[-1])
        scale = round_scale(length / (room / _POINTS_PER_METRE), units)
        self._along = _POINTS_PER_METRE / scale.denominator
        span = max(float(np.ptp(cut.levels)), 0.05)
        # the field has a step of levels above and below what is drawn
        times = next(
            (n for n in _HEIGHTENED if 1.35 * span * n * self._along <= _FIELD), _HEIGHTENED[-1]
        )
        self._up = times * self._along
        step = round_step(span / self._metres, 4)
        low, high = float(cut.levels.min()) / self._metres, float(cut.levels.max()) / self._metres
        self._levels = _ticks(
            math.floor(low / step - 0.2) * step, math.ceil(high / step + 0.2) * step, step
        )
        self._decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        larger = f"{times:g} times larger" if times > 1 else "alike"
        self._said = f"Along {scale.text}, heights {larger}; levels in {self._sign}."
        self.width = width
        above = _MET_ABOVE if cut.met else _ABOVE
        self.height = above + self._y(self._levels[-1] * self._metres) + 2.0

    def wrap(self, *_: float) -> tuple[float, float]:
        """Tell how large it is."""
        return self.width, self.height

    def _x(self, distance_m: Any) -> Any:
        return _LEFT + distance_m * self._along

    def _y(self, level_m: Any) -> Any:
        return _BELOW + (level_m - self._levels[0] * self._metres) * self._up

    def draw(self) -> None:
        """Draw it onto the page."""
        cut, canvas = self._cut, self.canv
        right, top = self._x(cut.distance[-1]), self._y(self._levels[-1] * self._metres)
        self._axes(right)
        bed = list(zip(self._x(cut.distance), self._y(cut.dug), strict=True))
        _polygon(canvas, [(_LEFT, _BELOW), *bed, (right, _BELOW)], _EARTH)
        for level, colour in ((cut.water, _WATER), (cut.stands, _STANDS)):
            for first, last in _stretches(level > cut.dug):
                part = slice(first, last)
                over = zip(self._x(cut.distance[part]), self._y(level[part]), strict=True)
                _polygon(canvas, [*over, *reversed(bed[part])], colour)
        ground = list(zip(self._x(cut.distance), self._y(cut.ground), strict=True))
        _line(canvas, ground, 0.9, (4, 2.5))
        _line(canvas, bed, 1.8)
        _line(canvas, [(_LEFT, top), (_LEFT, _BELOW), (right, _BELOW)], 0.7)
        self._stakes(top)
        self._met(top)
        _write(canvas, 0.0, self.height - 10.0, self._said, self._lettering)
        _write(canvas, self.width, self.height - 10.0, self._key(), self._lettering, anchor="end")

    def _key(self) -> str:
        """What the lines and areas are."""
        cut = self._cut
        what = "top" if float(np.nanmean(cut.dug - cut.ground)) > 0 else "bed"
        storm = "; light: design storm" if np.isfinite(cut.water).any() else ""
        stays = "; dark: stays" if np.isfinite(cut.stands).any() else ""
        return f"Thick: {what}; dashed: ground today{storm}{stays}"

    def _axes(self, right: float) -> None:
        """Draw the levels and the distances."""
        canvas = self.canv
        for level in self._levels:
            y = self._y(level * self._metres)
            _line(canvas, [(_LEFT, y), (right, y)], 0.4, colour=_RULE)
            text = f"{level:.{self._decimals}f}"
            _write(canvas, _LEFT - 4, y - 3, text, self._lettering, anchor="end")
        length = float(self._cut.distance[-1]) / self._metres
        for distance in _ticks(0.0, length, round_step(length, 8)):
            x = self._x(distance * self._metres)
            _line(canvas, [(x, _BELOW), (x, _BELOW - 4)], 0.6)
            _write(canvas, x, _BELOW - 13, f"{distance:g}", self._lettering, anchor="middle")
        _write(canvas, _LEFT, 2, f"{self._sign} from its upper end", self._lettering)

    def _stakes(self, top: float) -> None:
        """Mark the stakes above the field, each over its place."""
        cut, last = self._cut, -math.inf
        for distance, number in self._marks:
            x = self._x(distance)
            ground = self._y(float(np.interp(distance, cut.distance, cut.ground)))
            _line(self.canv, [(x, top + 2), (x, ground)], 0.5, (1, 2))
            half = stringWidth(number, BOLD, _SIZE) / 2
            if x - half > last + 2:
                _write(self.canv, x, top + 6, number, self._lettering, font=BOLD, anchor="middle")
                last = x + half

    def _met(self, top: float) -> None:
        """Draw pipes and cables that it is dug over, where they are known at their level."""
        canvas, cut = self.canv, self._cut
        for distance, name, level in cut.met:
            x = self._x(distance)
            known = math.isfinite(level)
            y = self._y(level) if known else _BELOW
            _line(canvas, [(x, self._y(float(np.interp(distance, cut.distance, cut.ground)))),
                           (x, y)], 1.2, (1.5, 1.5))  # fmt: skip
            if known:
                canvas.setLineWidth(1.0)
                canvas.setFillColor(HexColor("#ffffff"))
                canvas.circle(float(x), float(y) - 2.5, 2.5, stroke=1, fill=1)
            told = f"top {level / self._metres:.2f}" if known else "depth not known"
            is_right = x > (_LEFT + self._x(cut.distance[-1])) / 2
            _write(
                canvas, x + (-5 if is_right else 5), top + 17, f"{name}, {told}", self._lettering,
                anchor="end" if is_right else "start",
            )  # fmt: skip


class StakePlan(Flowable):
    """
    A plan of the stakes with the corners they are taped from, at a scale that holds.

    `staked`: rows of the stakes; `letters`: of the corners by their names; `layers`: of the
    result; `lettering`: takes all text; `width`: on paper [point].
    """

    def __init__(
        self, staked: Sequence[Row], letters: Mapping[str, str],
        layers: Mapping[str, pd.DataFrame], lettering: Lettering, width: float, units: UnitSystem,
    ) -> None:  # fmt: skip
        super().__init__()
        self._staked, self._letters, self._layers = staked, letters, layers
        self._lettering, self.width, self._units = lettering, width, units
        self._corners = _corners(staked, letters)
        places = [*((one["x"], one["y"]) for one in staked), *self._corners.values()]
        low, high = np.min(places, axis=0), np.max(places, axis=0)
        wide, tall = (high - low) * _metres_per_unit(staked)
        room = width - 60.0, _PLAN - 50.0
        least = max(wide / room[0], tall / room[1], 1e-3) * _POINTS_PER_METRE
        self._scale = round_scale(least, units)
        self._per_unit = _metres_per_unit(staked) * _POINTS_PER_METRE / self._scale.denominator
        self.height = min(_PLAN, float(high[1] - low[1]) * self._per_unit + 50.0)
        middle = (low + high) / 2
        self._west = float(middle[0]) - width / 2 / self._per_unit
        self._south = float(middle[1]) - self.height / 2 / self._per_unit

    def wrap(self, *_: float) -> tuple[float, float]:
        """Tell how large it is."""
        return self.width, self.height

    def _at(self, xy: FloatArray) -> FloatArray:
        return np.asarray((xy - (self._west, self._south)) * self._per_unit)

    def draw(self) -> None:
        """Draw it onto the page."""
        canvas = self.canv
        canvas.saveState()
        frame = canvas.beginPath()
        frame.rect(0, 0, self.width, self.height)
        canvas.clipPath(frame, stroke=0, fill=0)
        for shape in self._shapes("buildings"):
            for part in shapely.get_parts(shape):
                ring = self._at(shapely.get_coordinates(part.exterior))
                _polygon(canvas, ring, HexColor(palette.BUILDING), edge=True)
        for name, look in _DRAWN.items():
            for shape in self._shapes(name):
                for part in _lines_of(shape):
                    _line(canvas, self._at(shapely.get_coordinates(part)), *look)
        self._labels(list(self._pipes()))
        canvas.restoreState()
        said = f"{self._scale.text}; north is up"
        _backed(canvas, self.width - 6, 6, said, self._lettering)
        canvas.setStrokeColor(_RULE)
        canvas.setLineWidth(0.5)
        canvas.setDash()
        canvas.rect(0, 0, self.width, self.height, stroke=1, fill=0)

    def _shapes(self, layer: str) -> Iterator[Any]:
        """Shapes of a layer; of what is drawn of drains and earthworks those to be built."""
        frame = self._layers.get(layer)
        if frame is not None:
            if "status" in frame:
                frame = frame[frame["status"].eq("proposed")]
            yield from frame.geometry

    def _pipes(self) -> Iterator[Box]:
        """Write bore and fall along lines to be laid, where they are long enough; give the room."""
        frame = self._layers.get("drain_lines")
        rows = [] if frame is None else frame[frame["status"].eq("proposed")].to_dict("records")
        for row in rows:
            bore, fall = (
                _DRAINS.column(name).shown(None if np.isnan(row[name]) else row[name], self._units)
                for name in ("diameter_m", "slope_m_per_m")
            )
            text = f"{bore}, {fall}"
            half = stringWidth(text, REGULAR, _SIZE) / 2
            xy = self._at(shapely.get_coordinates(row["geometry"]))
            steps = np.diff(xy, axis=0)
            lengths = np.hypot(*steps.T)
            longest = int(lengths.argmax())
            if lengths[longest] < 2 * half + 8:
                continue
            # read from below or from the right
            way = steps[longest] / lengths[longest]
            way = way if way[0] > 1e-9 or (abs(way[0]) <= 1e-9 and way[1] > 0) else -way
            middle = (xy[longest] + xy[longest + 1]) / 2
            self.canv.saveState()
            self.canv.translate(float(middle[0]), float(middle[1]))
            self.canv.rotate(math.degrees(math.atan2(way[1], way[0])))
            _backed(self.canv, 0.0, 3.0, text, self._lettering, anchor="middle")
            self.canv.restoreState()
            above = np.array([-way[1], way[0]]) * (3.0 + _SIZE / 2)
            for along in np.arange(-half, half + 1, _SIZE / 2):
                x, y = middle + above + along * way
                yield (x - _SIZE / 2, y - _SIZE / 2, x + _SIZE / 2, y + _SIZE / 2)

    def _labels(self, written: Sequence[Box]) -> None:
        """Mark and name corners and stakes; names keep off each other and what is written."""
        canvas = self.canv
        corners = {self._letters[name]: at for name, at in self._corners.items()}
        stakes = {str(one["id"]): (one["x"], one["y"]) for one in self._staked}
        # a place that has several stakes is marked once, with all their numbers
        by_place: dict[tuple[float, float], list[str]] = {}
        for number, (x, y) in stakes.items():
            by_place.setdefault((round(x, 1), round(y, 1)), []).append(number)
        named = [(letter, at, BOLD) for letter, at in corners.items()]
        named += [(", ".join(some), stakes[some[0]], REGULAR) for some in by_place.values()]
        places = self._at(np.array([at for _, at, _ in named]))
        labels = [
            Label(float(x), float(y), _LETTER * _SIZE * len(text) + (6 if font == BOLD else 1),
                  1.15 * _SIZE + (3 if font == BOLD else 0))
            for (text, _, font), (x, y) in zip(named, places, strict=True)
        ]  # fmt: skip
        boxes = place_labels(labels, self.width, self.height, taken=written)
        for (text, _, font), (x, y), box in zip(named, places, boxes, strict=True):
            if font == BOLD:
                _polygon(canvas, [(x - 3, y), (x, y + 3), (x + 3, y), (x, y - 3)], _INK)
            else:
                _line(canvas, [(x - 3, y - 3), (x + 3, y + 3)], 1.0)
                _line(canvas, [(x - 3, y + 3), (x + 3, y - 3)], 1.0)
            middle = (box[:2] + box[2:]) / 2
            if np.hypot(*(middle - (x, y))) > 2.2 * _SIZE:
                _line(canvas, [(x, y), tuple(middle)], 0.4)
            if font == BOLD:
                canvas.setFillColor(HexColor("#ffffff"))
                canvas.setStrokeColor(_INK)
                canvas.setLineWidth(0.8)
                canvas.circle(float(middle[0]), float(middle[1]), 7.0, stroke=1, fill=1)
                _write(canvas, middle[0], middle[1] - 3.2, text, self._lettering, font=BOLD,
                       anchor="middle")  # fmt: skip
            else:
                _backed(canvas, middle[0], middle[1] - 3.2, text, self._lettering, anchor="middle")


#: Lines of the plan: width and dashes.
_DRAWN: Final[dict[str, tuple[float, tuple[float, ...]]]] = {
    "lot": (0.8, (6, 3)), "drain_lines": (1.0, ()), "earthwork_lines": (2.2, (5, 2)),
    "earthwork_areas": (0.8, (2, 2)),
}  # fmt: skip


def _lines_of(shape: Any) -> Iterator[Any]:
    """Parts of a line, or of the outline of an area."""
    return iter(shapely.get_parts(shape.boundary if shape.area else shape))


def _corners(staked: Sequence[Row], letters: Mapping[str, str]) -> dict[str, tuple[float, float]]:
    """Places of the corners that are taped from, by name."""
    found = {}
    for one in staked:
        for key in ("corner_a", "corner_b"):
            if one[key] in letters:
                found[one[key]] = (one[f"{key}_x"], one[f"{key}_y"])
    return found


def _metres_per_unit(staked: Sequence[Row]) -> float:
    """Metres of a unit of the coordinates, from a stake and its distance from a corner."""
    one = next(one for one in staked if one["corner_a"] is not None)
    apart = math.hypot(one["x"] - one["corner_a_x"], one["y"] - one["corner_a_y"])
    return float(one["tie_a_m"]) / apart


def _stretches(there: Any) -> list[tuple[int, int]]:
    """First place and end of each row of two or more that are true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(int)))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(first, last) for first, last in pairs if last - first > 1]


def _line(
    canvas: Any, points: Any, width: float, dashes: Sequence[float] = (), *, colour: Any = _INK
) -> None:
    """Draw a line through points."""
    canvas.setStrokeColor(colour)
    canvas.setLineWidth(width)
    canvas.setDash(list(dashes))
    _trace(canvas, points, stroke=1, fill=0)
    canvas.setDash()


def _polygon(canvas: Any, points: Any, colour: Any, *, edge: bool = False) -> None:
    """Fill an outline."""
    canvas.setFillColor(colour)
    canvas.setStrokeColor(_INK)
    canvas.setLineWidth(0.7)
    _trace(canvas, points, stroke=int(edge), fill=1)


def _trace(canvas: Any, points: Any, *, stroke: int, fill: int) -> None:
    path = canvas.beginPath()
    step: Callable[[float, float], Any] = path.moveTo
    for x, y in points:
        step(float(x), float(y))
        step = path.lineTo
    canvas.drawPath(path, stroke=stroke, fill=fill)


def _write(
    canvas: Any, x: float, y: float, text: str, lettering: Lettering, *, font: str = REGULAR,
    anchor: str = "start",
) -> None:  # fmt: skip
    """Write a line from, to, or about a place."""
    canvas.setFont(font, _SIZE)
    canvas.setFillColor(_INK)
    plain = lettering.plain(text)
    write = {"start": canvas.drawString, "end": canvas.drawRightString,
             "middle": canvas.drawCentredString}[anchor]  # fmt: skip
    write(float(x), float(y), plain)


def _backed(
    canvas: Any, x: float, y: float, text: str, lettering: Lettering, *, anchor: str = "end"
) -> None:
    """Write on white, so that lines do not run through the letters."""
    wide = stringWidth(lettering.plain(text), REGULAR, _SIZE)
    left = x - wide if anchor == "end" else x - wide / 2
    canvas.setFillColor(Color(1, 1, 1, alpha=0.8))
    canvas.rect(left - 1, y - 2, wide + 2, _SIZE + 1, stroke=0, fill=1)
    canvas.setFillAlpha(1)
    _write(canvas, x, y, text, lettering, anchor=anchor)
