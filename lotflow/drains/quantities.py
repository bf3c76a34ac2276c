"""What a drain system needs: pipe, fittings, inlets, trench, surface; and what that costs."""

from __future__ import annotations

import itertools
import math
from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.drains.domain import not_negative, positive
from lotflow.findings import Finding
from lotflow.units import UnitSystem, from_si, sign, to_si

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray

#: Bends that are sold for buried pipe [degrees]: common practice, no published source.
BENDS_DEG: Final = (90.0, 45.0, 22.5, 11.25)
#: Branch of a wye [degrees]: common practice, no published source.
WYE_DEG: Final = 45.0
#: Points of a drawn line so near one another are one corner, lotflow's rule [m].
ONE_CORNER_M: Final = 0.5


def turns(path: Any, together: float = 0.0) -> list[float]:
    """
    Angles by which a line turns at its corners.

    Parameters
    ----------
    together
        Inner points no farther apart that turn to the same side are one corner, drawn round
        [units of the CRS].

    Returns
    -------
    angles
        0 straight on, 180 back [degrees].

    Examples
    --------
    >>> [round(turn) for turn in turns(shapely.LineString([(0, 0), (5, 0), (5, 5), (9, 9)]))]
    [90, 45]
    >>> arc = shapely.LineString([(0, 0), (5, 0), (5.3, 0.1), (5.4, 0.4), (5.4, 5)])
    >>> [round(turn) for turn in turns(arc, together=0.5)]
    [90]
    """
    points = shapely.get_coordinates(shapely.remove_repeated_points(path))
    steps = np.diff(points, axis=0)
    length = np.hypot(*steps.T)
    side = np.sign(steps[:-1, 0] * steps[1:, 1] - steps[:-1, 1] * steps[1:, 0])
    corners: list[tuple[int, int]] = []  # the steps before and behind each
    for i in range(len(steps) - 1):
        if corners and length[i] <= together and side[i] == side[i - 1]:
            corners[-1] = (corners[-1][0], i + 1)
        else:
            corners.append((i, i + 1))
    return [turn_between(steps[first], steps[last]) for first, last in corners]


def turn_between(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """
    Angle between two directions.

    Returns
    -------
    angle
        0 to 180 [degrees].
    """
    cross = float(first[0] * second[1] - first[1] * second[0])
    return float(np.degrees(np.arctan2(abs(cross), float(first @ second))))


def bends(angle: float) -> list[float]:
    """
    Bends at one corner: the nearest that is sold; where it is sharper than that, 90 and another.

    Parameters
    ----------
    angle
        Of the turn, 0 to 180 [degrees]; half of the smallest bend is left to the joints, and what
        the nearest bend turns more or less is given to the line when it is laid.

    Returns
    -------
    bends
        One, none for as good as straight on, two beyond a square corner [degrees].

    Examples
    --------
    >>> bends(90.0), bends(78.0), bends(38.0), bends(4.0), bends(140.0)
    ([90.0], [90.0], [45.0], [], [90.0, 45.0])
    """
    square = BENDS_DEG[0]
    if angle > square + BENDS_DEG[-1] / 2:
        return [square, *bends(angle - square)]
    nearest = min((*BENDS_DEG, 0.0), key=lambda bend: abs(bend - angle))
    return [nearest] if nearest else []


@dataclass(frozen=True)
class TrenchRule:
    """
    How a trench is dug; all defaults are common practice, no published source.

    Parameters
    ----------
    side_m
        Room on either side of the pipe [m]: 4 in, so 12 in for a 4 in pipe.
    bedding_m
        Depth of the bedding under it [m]: 4 in.
    swell
        Loose volume of spoil over its volume in the ground [-]; from memory.
    """

    side_m: float = 0.1016
    bedding_m: float = 0.1016
    swell: float = 1.25


@dataclass(frozen=True, eq=False)
class Trench:
    """
    A trench along a line.

    Parameters
    ----------
    length_m
        Length dug in each class of depth [m].
    width_m
        Its width [m].
    excavation_m3, bedding_m3
        Volumes in the ground [m^3].
    spoil_m3
        Loose volume that is not put back: what pipe and bedding take up [m^3].
    """

    length_m: FloatArray
    width_m: float
    excavation_m3: float
    bedding_m3: float
    spoil_m3: float


def dig_trench(
    distance_m: FloatArray,
    pipe_depth_m: FloatArray,
    diameter_m: float,
    classes_m: Sequence[float],
    rule: TrenchRule | None = None,
) -> Trench:
    """
    Dig a trench for a pipe in its ground.

    Parameters
    ----------
    distance_m
        Stations along the line [m], rising.
    pipe_depth_m
        Ground above the invert at each [m]; NaN counts as the mean of the others.
    diameter_m
        Of the pipe [m].
    classes_m
        Depths at which a class ends [m], rising; deeper trenches are one more class.

    Returns
    -------
    trench
        Lengths by class have one entry more than `classes_m`.

    Raises
    ------
    ParameterError
        If the diameter is not greater than 0, or no depth is known.

    Examples
    --------
    100 ft of 4 in pipe, 20 in deep to the invert: 12 in wide, 24 in deep, in cubic yards:

    >>> inch, yard = 0.0254, 0.9144
    >>> trench = dig_trench(np.array([0.0, 1200 * inch]), np.full(2, 20 * inch), 4 * inch, (1.0,))
    >>> round(trench.width_m / inch, 3), round(trench.excavation_m3 / yard**3, 1)
    (12.0, 7.4)
    """
    rule = rule or TrenchRule()
    known = np.isfinite(pipe_depth_m)
    positive(diameter=diameter_m, stations_with_depth=float(known.sum()))
    not_negative(distance=distance_m)
    depth = np.where(known, pipe_depth_m, np.mean(pipe_depth_m[known])) + rule.bedding_m
    depth = np.maximum(depth, 0.0)
    step = np.diff(distance_m)
    middle = 0.5 * (depth[:-1] + depth[1:])
    # a depth at the end of a class belongs to it, whatever binary fractions make of it
    of_class = np.digitize(middle - 1e-9, np.asarray(classes_m, dtype=float), right=True)
    width = diameter_m + 2.0 * rule.side_m
    length = float(step.sum())
    bedding = width * rule.bedding_m * length
    pipe = 0.25 * np.pi * diameter_m**2 * length
    return Trench(
        length_m=np.bincount(of_class, weights=step, minlength=len(classes_m) + 1).astype(float),
        width_m=width,
        excavation_m3=float((middle * step).sum()) * width,
        bedding_m3=bedding,
        spoil_m3=rule.swell * (bedding + pipe),
    )


def lengths_by_cover(path: Any, covers: Sequence[tuple[str, Any]], ground: str) -> dict[str, float]:
    """
    Length of a line over each cover.

    Parameters
    ----------
    covers
        Cover and polygon; where they overlap the later one counts.
    ground
        Cover of ground without a polygon.

    Returns
    -------
    lengths
        By cover, in units of the coordinates; covers that are not crossed are left out.

    Examples
    --------
    >>> import shapely
    >>> line = shapely.LineString([(0, 0), (10, 0)])
    >>> lengths_by_cover(line, [("concrete", shapely.box(2, -1, 5, 1))], "lawn")
    {'concrete': 3.0, 'lawn': 7.0}
    """
    lengths: dict[str, float] = {}
    left = path
    for cover, polygon in reversed(covers):
        lengths[cover] = lengths.get(cover, 0.0) + float(left.intersection(polygon).length)
        left = left.difference(polygon)
    lengths[ground] = lengths.get(ground, 0.0) + float(left.length)
    return {cover: length for cover, length in lengths.items() if length > 0}


#: Covers that are sawn before they are taken up.
_SAWN: Final = ("asphalt", "concrete")
_BENDS: Final = "corners of the lines as drawn, each the nearest bend sold; sharper than 90: two"
#: Length of a section of a channel drain [m]: common practice, no published source.
_CHANNEL_SECTION_M: Final = 1.0


@dataclass(frozen=True)
class OrderUnits:
    """
    How things are ordered in a unit system.

    Parameters
    ----------
    stock
        Length of a pipe as it is sold [length]: common practice, no published source.
    depths
        Depths at which a class of trench ends [length]; the last but one is where a trench must
        be shored (29 CFR 1926.652(a): 5 ft).
    """

    length: str
    area: str
    volume: str
    stock: float
    depths: tuple[float, ...]

    @property
    def depths_m(self) -> list[float]:
        """The same depths [m]."""
        return [to_si(depth, self.length) for depth in self.depths]


ORDER_UNITS: Final[dict[UnitSystem, OrderUnits]] = {
    "us": OrderUnits("ft", "ft2", "yd3", 10.0, (2.0, 3.0, 4.0, 5.0)),
    "metric": OrderUnits("m", "m2", "m3", 3.0, (0.6, 0.9, 1.2, 1.5)),
}


@dataclass(frozen=True)
class Quantity:
    """
    One line of an order.

    Parameters
    ----------
    item
        Name, as a price list calls it.
    price
        Of one unit; None where none is given.
    """

    item: str
    detail: str
    quantity: float
    unit: str
    price: float | None = None

    @property
    def cost(self) -> float | None:
        """Quantity times price; None without a price."""
        return None if self.price is None else self.quantity * self.price


@dataclass(frozen=True, eq=False)
class OrderedLine:
    """
    A drain line that is to be laid.

    Parameters
    ----------
    pipe
        Material and nominal size: "pvc 4 in".
    diameter_m
        Of the pipe [m].
    turns_deg
        Angles by which it turns, at its points and at nodes without a basin [degrees].
    distance_m, depth_m
        Stations along it and ground above the invert there [m].
    over_m
        Length over each cover [m].
    """

    name: str
    pipe: str
    diameter_m: float
    turns_deg: Sequence[float]
    distance_m: FloatArray
    depth_m: FloatArray
    over_m: Mapping[str, float]

    @property
    def length_m(self) -> float:
        """Length [m]."""
        return float(self.distance_m[-1])

    @property
    def depth_is_known(self) -> bool:
        """Whether the depth is known anywhere."""
        return bool(np.isfinite(self.depth_m).any())


@dataclass(frozen=True)
class OrderedParts:
    """
    What is ordered beside lines.

    Parameters
    ----------
    pieces
        Names of inlets, outlets and junctions, one entry per piece.
    channels_m
        Length of each channel drain by its name in the order [m].
    """

    pieces: Sequence[str]
    channels_m: Sequence[tuple[str, float]]


def quantities(
    lines: Sequence[OrderedLine], parts: OrderedParts, system: UnitSystem
) -> list[Quantity]:
    """
    List what a system needs.

    Nothing is added for waste, and a trench that two lines share is counted twice.

    Returns
    -------
    quantities
        Without prices.
    """
    units = ORDER_UNITS[system]
    dug = [
        (line, dig_trench(line.distance_m, line.depth_m, line.diameter_m, units.depths_m))
        for line in lines
        if line.depth_is_known
    ]
    return [
        *_pipes(lines, units), *_fittings(lines), *_channels(parts, units),
        *(Quantity(item, "as drawn", float(count), "each")
          for item, count in sorted(Counter(parts.pieces).items())),
        *_trenches([trench for _, trench in dug], units),
        *_surfaces(dug, units),
    ]  # fmt: skip


def _in(value: float, unit: str, decimals: int = 1) -> float:
    return round(from_si(value, unit), decimals)


def _pipes(lines: Sequence[OrderedLine], units: OrderUnits) -> list[Quantity]:
    """Pipe by material and size, in stock lengths."""
    length: dict[str, float] = defaultdict(float)
    for line in lines:
        length[line.pipe] += line.length_m
    unit = f"{units.stock:g} {units.length} length"
    return [
        Quantity(
            f"pipe {pipe}", f"{_in(total, units.length):g} {units.length} along the lines",
            # a hair less: lengths that are whole in one unit are rounded in another
            float(math.ceil(from_si(total, units.length) / units.stock - 1e-6)), unit,
        )
        for pipe, total in sorted(length.items())
    ]  # fmt: skip


def _fittings(lines: Sequence[OrderedLine]) -> list[Quantity]:
    """Bends by angle, material and size."""
    count = Counter(
        (line.pipe, bend) for line in lines for turn in line.turns_deg for bend in bends(turn)
    )
    return [
        Quantity(f"bend {bend:g} deg {pipe}", _BENDS, float(number), "each")
        for (pipe, bend), number in sorted(count.items())
    ]


def _channels(parts: OrderedParts, units: OrderUnits) -> list[Quantity]:
    """Channel drains in sections, their ends, and what leads down to the pipe."""
    sections: dict[str, int] = defaultdict(int)
    for name, length in parts.channels_m:
        sections[name] += math.ceil(length / _CHANNEL_SECTION_M - 1e-6)
    found = []
    for name, number in sorted(sections.items()):
        runs = sum(1 for other, _ in parts.channels_m if other == name)
        metres, inches = _CHANNEL_SECTION_M, from_si(_CHANNEL_SECTION_M, "in")
        unit = f"{metres:g} m section" if units.length == "m" else f"{inches:.0f} in section"
        found.append(Quantity(f"{name} section", "with grate", float(number), unit))
        found.append(Quantity(f"{name} end cap", "two for each run", 2.0 * runs, "each"))
        # its pipe lies under it, deeper than the channel is
        found.append(Quantity(
            f"{name} bottom outlet", "one for each run, with a riser down to its pipe",
            float(runs), "each",
        ))  # fmt: skip
    return found


@dataclass(frozen=True)
class MovedGround:
    """
    Ground that an earthwork moves.

    Parameters
    ----------
    kind
        Of the earthwork.
    lining
        Of a swale; empty where ground is seeded.
    cut_m3, fill_m3, area_m2
        Dug out, filled in, and changed.
    """

    kind: str
    lining: str
    cut_m3: float
    fill_m3: float
    area_m2: float


def earthwork_quantities(moved: Sequence[MovedGround], system: UnitSystem) -> list[Quantity]:
    """
    List what earthworks need.

    Parameters
    ----------
    moved
        What each moves.
    system
        "us" or "metric".

    Examples
    --------
    >>> for one in earthwork_quantities([MovedGround("swale", "", 4.0, 0.0, 40.0)], "metric"):
    ...     print(one.item, one.quantity, one.unit)
    earthwork cut 4.0 m³
    ground to seed 40.0 m²
    """
    units = ORDER_UNITS[system]
    area: dict[str, float] = defaultdict(float)
    for one in moved:
        area[f"swale lining {one.lining}" if one.lining else "ground to seed"] += one.area_m2
    kinds = ", ".join(dict.fromkeys(one.kind for one in moved))
    volumes = (
        ("earthwork cut", "in the ground", sum(one.cut_m3 for one in moved)),
        ("earthwork fill", "as it lies", sum(one.fill_m3 for one in moved)),
    )
    return [
        *(Quantity(item, f"{detail}: {kinds}", _in(volume, units.volume, 2), sign(units.volume))
          for item, detail, volume in volumes if volume > 0),
        *(Quantity(item, "changed ground, seen from above", _in(total, units.area),
                   sign(units.area)) for item, total in sorted(area.items()) if total > 0),
    ]  # fmt: skip


def _trenches(trenches: Sequence[Trench], units: OrderUnits) -> list[Quantity]:
    """Trench by class of depth, and volumes."""
    if not trenches:
        return []
    length = np.sum([trench.length_m for trench in trenches], axis=0)
    names = _class_names(units)
    found = [
        Quantity(f"trench {name} deep", "depth with bedding", _in(total, units.length),
                 units.length)
        for name, total in zip(names, length, strict=True) if total > 0
    ]  # fmt: skip
    volumes = (
        ("excavation", "in the ground", sum(trench.excavation_m3 for trench in trenches)),
        ("bedding", "under the pipe", sum(trench.bedding_m3 for trench in trenches)),
        ("spoil", "loose, what pipe and bedding take up", sum(t.spoil_m3 for t in trenches)),
    )
    return found + [
        Quantity(item, detail, _in(volume, units.volume, 2), sign(units.volume))
        for item, detail, volume in volumes
    ]


def _class_names(units: OrderUnits) -> list[str]:
    """Names of the classes of depth: "up to 2 ft", "2-3 ft", ..., "over 5 ft"."""
    ends = units.depths
    between = [f"{low:g}-{high:g} {units.length}" for low, high in itertools.pairwise(ends)]
    return [f"up to {ends[0]:g} {units.length}", *between, f"over {ends[-1]:g} {units.length}"]


def _surfaces(dug: Sequence[tuple[OrderedLine, Trench]], units: OrderUnits) -> list[Quantity]:
    """Surface to take up and put back by cover, and what is sawn."""
    area: dict[str, float] = defaultdict(float)
    sawn: dict[str, float] = defaultdict(float)
    for line, trench in dug:
        for cover, length in line.over_m.items():
            area[cover] += length * trench.width_m
            sawn[cover] += 2.0 * length
    found = [
        Quantity(f"surface {cover}", "width of the trench, to take up and put back",
                 _in(total, units.area), sign(units.area))
        for cover, total in sorted(area.items())
    ]  # fmt: skip
    return found + [
        Quantity(f"saw cut {cover}", "both sides of the trench", _in(sawn[cover], units.length),
                 units.length)
        for cover in _SAWN if sawn.get(cover, 0.0) > 0
    ]  # fmt: skip


def priced(
    listed: Sequence[Quantity], prices: Mapping[str, float], file: str
) -> tuple[list[Quantity], list[Finding]]:
    """
    Put the prices of a price list to quantities.

    Parameters
    ----------
    prices
        Price of one unit by item; capitals and outer spaces are of no account.
    file
        Name of the price list.

    Returns
    -------
    priced, findings
        What has no price, and which price has no item.

    Examples
    --------
    >>> order, notes = priced([Quantity("spoil", "", 2.0, "m³")], {"Spoil": 10.0}, "prices.csv")
    >>> order[0].cost, notes
    (20.0, [])
    """
    known = {item.strip().casefold(): price for item, price in prices.items()}
    order = [replace(one, price=known.get(one.item.casefold())) for one in listed]
    ordered = {one.item.casefold() for one in listed}
    missing = [one.item for one in order if one.price is None]
    unused = [item for item in prices if item.strip().casefold() not in ordered]
    found = [("item-without-price", missing), ("price-without-item", unused)]
    return order, [
        Finding(rule, "note", file, source="the job's price list", facts={"items": tuple(items)})
        for rule, items in found
        if items
    ]
