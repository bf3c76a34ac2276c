"""What a drain system needs: pipe, fittings, inlets, trench, surface; and what that costs."""

from __future__ import annotations

import itertools
import math
from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.fittings import bends
from lotflow.drains.trench import Trench, dig_trench
from lotflow.findings import Finding
from lotflow.units import UnitSystem, from_si, sign, to_si

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.grid import FloatArray

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
    length, area, volume
        Units.
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
    detail
        How it was counted.
    quantity, unit
        How much.
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
    name
        Its name.
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

    Parameters
    ----------
    lines
        To be laid.
    parts
        To be set.
    system
        Units of the order.

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
        *_pipes(lines, units), *_fittings(lines), *_channels(parts),
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


def _channels(parts: OrderedParts) -> list[Quantity]:
    """Channel drains in sections, and their ends."""
    sections: dict[str, int] = defaultdict(int)
    for name, length in parts.channels_m:
        sections[name] += math.ceil(length / _CHANNEL_SECTION_M - 1e-6)
    found = []
    for name, number in sorted(sections.items()):
        runs = sum(1 for other, _ in parts.channels_m if other == name)
        unit = f"{_CHANNEL_SECTION_M:g} m section"
        found.append(Quantity(f"{name} section", "with grate", float(number), unit))
        found.append(Quantity(f"{name} end cap", "two for each run", 2.0 * runs, "each"))
    return found


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
    listed
        Quantities.
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
