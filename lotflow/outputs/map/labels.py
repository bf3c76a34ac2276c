"""Names and numbers on the map, where they cover neither each other nor what else is drawn."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from affine import Affine
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray
from rasterio.features import rasterize

from lotflow.grid import FloatArray, IntArray
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.map.layers import FLOW_AREAS, crossing_length, in_order, is_doubtful
from lotflow.outputs.map.legend import one_line
from lotflow.outputs.palette import DOUBTFUL, INK, PIPE, WATER_EDGE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from geopandas import GeoDataFrame
    from matplotlib.axes import Axes

    from lotflow.outputs.map.content import MapContent, MapField


_AREA: Final = RESULT_LAYERS["lot_line_crossings"].column("area_m2")
_LINES: Final = RESULT_LAYERS["drain_lines"]
#: Shortest line on paper that bears its size, fall and levels [inch].
_LEAST_PIPE: Final = 0.5
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
    """A label of the map."""

    #: "low spot", "doubtful low spot", "inlet", "outlet", "pipe" or "crossing".
    kind: str
    #: What it names [unit of the CRS].
    x: float
    y: float
    text: str
    #: Places on what it names where the label fits best [unit of the CRS].
    middles: tuple[tuple[float, float], ...] = ()
    #: Number of the low spot it names, 0 for all else.
    home: int = 0


def _number_look(colour: str, dashes: str) -> dict[str, Any]:
    """Give the look of a number in a ring."""
    ring = {"boxstyle": "circle,pad=0.22", "facecolor": "white", "edgecolor": colour,
            "linewidth": 1.0, "linestyle": dashes}  # fmt: skip
    return {"color": colour, "fontweight": "bold", "bbox": ring}


#: Look of each kind: size [points], further settings of the text.
_LOOKS: Final[dict[str, tuple[float, dict[str, Any]]]] = {
    "low spot": (7.5, _number_look(WATER_EDGE, "solid")),
    "doubtful low spot": (7.5, _number_look(DOUBTFUL, "dashed")),
    "inlet": (7.8, {"color": INK, "fontweight": "bold"}),
    "outlet": (7.2, {"color": PIPE, "fontweight": "bold"}),
    "pipe": (7.0, {"color": PIPE, "linespacing": 1.1}),
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


def _pipes(content: MapContent, field: MapField, _: Sequence[int]) -> Iterator[Lettering]:
    """Bore, fall and inverts of lines to be laid, in the middle of the longest leg of each."""
    frame = shapely.box(*field.bounds)
    for line, bore, fall, up, down in content.drains.to_be_laid:
        if line.length < _LEAST_PIPE * field.units_per_inch:
            continue
        legs = [
            shapely.intersection(shapely.LineString(leg), frame)
            for leg in pairwise(shapely.get_coordinates(line))
        ]
        leg = max(legs, key=lambda one: float(one.length))
        if not leg.length:
            continue
        at = shapely.line_interpolate_point(leg, 0.5, normalized=True)
        known = [
            _LINES.column(name).shown(None if np.isnan(value) else float(value), content.units)
            for name, value in (("diameter_m", bore), ("slope_m_per_m", fall),
                                ("invert_up_m", up), ("invert_down_m", down))
        ]  # fmt: skip
        text = f"{known[0]}, {known[1]}\ninv. {known[2].split(' ')[0]} to {known[3]}"
        yield Lettering("pipe", float(at.x), float(at.y), text)


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

    `listed`: numbers of the low spots in the table: each must be found on the map.
    """
    chosen: list[Lettering] = []
    for rows, of_kind in (
        (content.low_spots, _low_spots),
        (content.inlets, _inlets),
        (content.drains.outlets, _outlets),
        (content.drains.to_be_laid, _pipes),
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
    lines = lettering.text.split("\n")
    wide = _LETTER * size * max(map(len, lines))
    return Label(x, y, wide + 0.04, (0.1 + 1.2 * len(lines)) * size)


def draw_labels(paper: Axes, field: MapField, content: MapContent, listed: Sequence[int]) -> None:
    """
    Letter the map: numbers of low spots, names of inlets, what crosses the lot line.

    `paper`: axes in inches over the field; `listed`: numbers of the low spots in the table.
    """
    chosen = letterings(content, field, listed)
    width, height = paper.get_xlim()[1], paper.get_ylim()[1]
    labels = [_label(lettering, field) for lettering in chosen]
    ground = _paper_ground(
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
    # pipes lie side by side: which one a label is of only a line tells
    near = 0.0 if label.home or lettering.kind == "pipe" else _NEAR * label.height
    if leader and apart.max() > near:
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


Boxes = NDArray[np.float64]

#: Directions tried, the first preferred (to the right, slightly up), and distances as shares of
#: the label's height.
_ANGLES: Final = np.radians([20, 160, 340, 200, 60, 120, 300, 240, 0, 180, 90, 270])
_DISTANCES: Final = (0.35, 0.9, 1.8, 3.2, 5.0)
#: What each distance costs.
_AWAY: Final = (0.0, 0.4, 1.5, 4.0, 8.0)
#: What covering something costs beside lying at a distance: another label, ground that belongs
#: to something else, a symbol, and a line of full weight.
_COVERING: Final = 100.0
_ON_OTHERS_GROUND: Final = 60.0
_ON_SYMBOL: Final = 30.0
_ON_LINE: Final = 40.0
_LEADER_COVERING: Final = 40.0
#: What it costs a label that names a piece of ground to lie off it.
_OFF_OWN_GROUND: Final = 2.0
_FURTHER: Final = 0.01


@dataclass(frozen=True)
class Label:
    """A label to be placed."""

    #: What it names, on paper.
    x: float
    y: float
    #: Its size, in the same unit.
    width: float
    height: float
    #: Places at which its middle may lie on what it names, the best first.
    middles: tuple[tuple[float, float], ...] = ()
    #: Number of the ground it names, see `PaperGround`; 0 where it names a point.
    home: int = 0


@dataclass(frozen=True, eq=False)
class PaperGround:
    """What is drawn where, on small squares of paper."""

    #: Side of a square, in the unit of the labels.
    step: float
    #: Weight of the lines on each square, 0 to 1; row 0 is the lowest.
    lines: FloatArray
    #: Number of the ground each square belongs to; 0 where it belongs to none.
    owner: IntArray

    def touches(self, box: NDArray[np.float64], number: int) -> bool:
        """Tell whether a box lies on a piece of ground, or beside it."""
        return bool((self.owner[self._squares(box)] == number).any())

    def _squares(self, box: NDArray[np.float64]) -> tuple[slice, slice]:
        """Squares a box lies on."""
        first = np.maximum((box[:2] / self.step).astype(int), 0)
        last = np.maximum(np.ceil(box[2:] / self.step).astype(int), first + 1)
        return np.s_[first[1] : last[1], first[0] : last[0]]

    def cost(self, box: NDArray[np.float64], home: int) -> float:
        """
        Say what it costs a label to lie in a box.

        Parameters
        ----------
        home
            Number of the ground it names.
        """
        here = self._squares(box)
        owner, lines = self.owner[here], self.lines[here]
        if not owner.size:
            return 0.0
        own = (owner == home) & (owner > 0)
        cost = _ON_LINE * float(lines.mean())
        cost += _ON_OTHERS_GROUND * float(((owner > 0) & ~own).mean())
        return cost + (_OFF_OWN_GROUND * float((~own).mean()) if home else 0.0)


def _candidates(label: Label) -> tuple[Boxes, FloatArray]:
    """Boxes a label may take, shape (n, 4): west, south, east, north; what each costs."""
    half = np.array([label.width, label.height]) / 2.0
    away = np.column_stack((np.cos(_ANGLES), np.sin(_ANGLES)))
    around = np.concatenate([away * (half + distance * label.height) for distance in _DISTANCES])
    centres = np.concatenate(
        [np.array(label.middles).reshape(-1, 2), around + np.array([label.x, label.y])]
    )
    away_cost = np.concatenate([np.zeros(len(label.middles)), np.repeat(_AWAY, len(_ANGLES))])
    cost = away_cost + _FURTHER * np.arange(len(centres))
    return np.hstack((centres - half, centres + half)), cost


def _covered(boxes: Boxes, others: Boxes) -> NDArray[np.float64]:
    """Share of each box that others cover, those counted together."""
    if len(others) == 0:
        return np.zeros(len(boxes))
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    common = np.clip(high - low, 0.0, None).prod(axis=2).sum(axis=1)
    return np.asarray(common / (boxes[:, 2:] - boxes[:, :2]).prod(axis=1))


def _leader_covers(label: Label, boxes: Boxes, others: Boxes) -> FloatArray:
    """Share of the line from what a label names to each box that others cover."""
    place = np.array([label.x, label.y])
    nearest = np.clip(place, boxes[:, :2], boxes[:, 2:])
    share = np.linspace(0.1, 1.0, 8)[:, None]
    points = (place + share * (nearest - place)[:, None, :])[:, :, None, :]
    inside = ((points > others[:, :2]) & (points < others[:, 2:])).all(axis=-1)
    return np.asarray(inside.any(axis=-1).mean(axis=-1), dtype=np.float64)


def place_labels(
    labels: Sequence[Label],
    width: float,
    height: float,
    *,
    taken: Sequence[Sequence[float]] = (),
    symbols: Sequence[Sequence[float]] = (),
    ground: PaperGround | None = None,
) -> Boxes:
    """
    Place labels one after another, each where it covers least.

    `taken`: boxes that must stay free: west, south, east, north; `symbols`: boxes that had
    better stay free, beside what the labels name.

    Returns boxes of shape (n, 4), in the order of the labels.

    Examples
    --------
    Two labels of one place go to two sides of it:

    >>> place_labels([Label(5, 5, 2, 1), Label(5, 5, 2, 1)], 10, 10).round(1).tolist()
    [[5.4, 4.5, 7.4, 5.5], [2.6, 4.5, 4.6, 5.5]]
    """
    named = [(label.x, label.y, label.x, label.y) for label in labels]
    reach = 0.3 * min((label.height for label in labels), default=0.0)
    avoided = np.array(named).reshape(-1, 4) + np.array([-reach, -reach, reach, reach])
    avoided = np.concatenate([avoided, np.array(symbols, dtype=float).reshape(-1, 4)])
    placed: list[NDArray[np.float64]] = [np.asarray(box, dtype=float) for box in taken]
    for number, label in enumerate(labels):
        boxes, cost = _candidates(label)
        boxes = _within(boxes, width, height)
        others = np.delete(avoided, number, axis=0)
        before = np.array(placed).reshape(-1, 4)
        covered = _covered(boxes, before)
        # the least bit of it is worse than any distance
        cost += _COVERING * (covered + (covered > 1e-9))
        cost += _LEADER_COVERING * _leader_covers(label, boxes, before)
        cost += _ON_SYMBOL * _covered(boxes, others)
        if ground is not None:
            cost += [ground.cost(box, label.home) for box in boxes]
        placed.append(boxes[int(np.argmin(cost))])
    return np.array(placed[len(taken) :]).reshape(-1, 4)


def _within(boxes: Boxes, width: float, height: float) -> Boxes:
    """Shift boxes into the map field."""
    low = np.clip(-boxes[:, :2], 0.0, None)
    high = np.clip(boxes[:, 2:] - np.array([width, height]), 0.0, None)
    return np.asarray(boxes + np.tile(low - high, 2))


#: Side of a square of paper [inch]: the width of the lot line.
_STEP: Final = 0.05
#: What a label had better not cover: the lot line first of all.
_LOT_LINE: Final = 1.0
_INLET: Final = 0.8
_DRAIN_LINE: Final = 0.5
_FLOW_PATH: Final = 0.4


def _paper_ground(
    field: MapField,
    size: tuple[float, float],
    *,
    lot: GeoDataFrame,
    flow_paths: GeoDataFrame,
    inlets: GeoDataFrame,
    low_spots: GeoDataFrame,
    drain_lines: Sequence[Any],
) -> PaperGround:
    """
    Find which squares of the paper bear lines, and which low spot each belongs to.

    `size`: its width and height [inch]; `drain_lines`: drain lines that are drawn.
    """
    columns, rows = (max(int(np.ceil(side / _STEP)), 1) for side in size)
    side = _STEP * field.units_per_inch
    west, south = field.bounds[:2]
    transform = Affine(side, 0.0, west, 0.0, -side, south + rows * side)

    def burnt(shapes: Iterable[tuple[Any, float]], dtype: str) -> Any:
        drawn = [(shape, value) for shape, value in shapes if not shape.is_empty]
        if not drawn:
            return np.zeros((rows, columns), dtype)
        return rasterize(drawn, out_shape=(rows, columns), transform=transform, all_touched=True,
                         dtype=dtype)[::-1]  # fmt: skip

    paths = ((line, _FLOW_PATH) for line in field.reaching(flow_paths).geometry)
    drains = ((shape, _INLET) for shape in field.reaching(inlets).geometry)
    pipes = ((line, _DRAIN_LINE) for line in drain_lines)
    edges = ((line, _LOT_LINE) for line in lot.geometry.boundary)
    # the smaller one lies on top, where one is within another
    spots = field.reaching(low_spots)
    spots = spots.iloc[np.argsort(-spots.geometry.area.to_numpy(), kind="stable")]
    owners = zip(spots.geometry, spots["id"], strict=True)
    return PaperGround(
        _STEP,
        np.asarray(burnt((*paths, *pipes, *drains, *edges), "float64")),
        np.asarray(burnt(owners, "int32")),
    )
