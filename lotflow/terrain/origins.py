"""
Where the water of a place comes from, counted cell by cell.

The lot's own yard, its roofs by downspout or eaves, and the neighbours by the stretch of the lot
line over which their water first comes on. Each cell is counted once; what hollows keep is not
left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import shapely

from lotflow.terrain.catchments import line_flows, stretches

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, IntArray
    from lotflow.terrain.catchments import Crossing
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.roofs import RoofWater
    from lotflow.terrain.routing import Routing

Source = Literal["own yard", "roof", "eaves without a gutter", "neighbour"]

#: Kinds of cells by their number: beyond each of these so many downspouts, buildings, crossings.
_OWN: Final = 0
_DOWNSPOUT: Final = 1_000_000
_BUILDING: Final = 2_000_000
_CROSSING: Final = 3_000_000
#: Of a neighbour's cell whose water is not seen to come over the lot line.
_UNKNOWN: Final = _CROSSING


class Origin(NamedTuple):
    """
    A part of the water of a place.

    `name` is that of a downspout or building, or "crossing 3" as the layer of crossings numbers
    them; `cells` the cells' worth of rain; `cell` where a neighbour's water comes on, -1 without;
    `is_led_in` whether a drain leads it there, not the ground.
    """

    subject: str
    source: Source
    name: str
    cells: float
    cell: int = -1
    is_led_in: bool = False


@dataclass(frozen=True, eq=False)
class Ground:
    """
    What cells are, for the counting.

    Parameters
    ----------
    roofs
        Of the case, with the landing of each roof cell's rain.
    lot
        Cells of the lot.
    line
        The lot line in the grid's CRS.
    stretch_m
        Length of the stretches that crossings were summed up over [m].
    crossings
        As the layer tells them, in the order of their numbers.
    buildings
        Names, in the order of their numbers on the surface.
    """

    roofs: RoofWater
    lot: BoolArray
    line: Any
    stretch_m: float
    crossings: Sequence[Crossing]
    buildings: Sequence[str]


def origins(
    ground: Ground, routing: Routing, subjects: Sequence[str], target: IntArray
) -> list[Origin]:
    """
    Count where the water of some places comes from.

    Parameters
    ----------
    ground
        What cells are.
    routing
        Directions, with or without drains.
    subjects
        Names of the places.
    target
        Number of the place, from 1, on its cells; 0 elsewhere. Water that passes several is the
        first one's alone.

    Returns
    -------
    origins
        In the order of the subjects, each with its parts, the largest first.
    """
    surface = ground.roofs.surface
    landing = surface.landing.ravel()
    first = np.asarray(routing.field.labels(target)).ravel()[landing]
    # the rain of a cell of the place itself is the place's
    first = np.where(target.ravel() > 0, target.ravel(), first)
    first = np.where(surface.piped.ravel() | surface.missing.ravel(), 0, first)
    return _counted(ground, subjects, first, _kinds(ground, routing))


def of_labels(
    ground: Ground, routing: Routing, subjects: Sequence[str], label: IntArray
) -> list[Origin]:
    """
    Count where the water of inlets comes from, over the ground and led in from roofs.

    `label` is the number of the inlet that takes the rain of each cell, 0 for none.
    """
    found = _counted(ground, subjects, label.ravel(), _kinds(ground, routing))
    names = set(subjects)
    for downspout, cells in zip(ground.roofs.downspouts, ground.roofs.cells, strict=True):
        if downspout.node in names and cells:
            found.append(
                Origin(downspout.node, "roof", downspout.name, float(cells), is_led_in=True)
            )
    return found


def _kinds(ground: Ground, routing: Routing) -> NDArray[np.int64]:
    """What each cell is, by number; of neighbours the crossing by which their water comes on."""
    surface, lot = ground.roofs.surface, ground.lot.ravel()
    landing, building = surface.landing.ravel(), surface.building.ravel()
    served = ground.roofs.served.ravel()
    entry = _entries(ground, routing)[landing]
    # water that a neighbour's roof lets fall on the lot crosses no stretch of the line
    kinds = np.where(lot[landing], _UNKNOWN, _CROSSING + entry)
    own_roof = np.where(served > 0, _DOWNSPOUT + served, _BUILDING + building)
    return np.asarray(np.where(lot, np.where(building > 0, own_roof, _OWN), kinds), dtype=np.int64)


def _entries(ground: Ground, routing: Routing) -> NDArray[np.int64]:
    """Number of the crossing by which the water of each cell first comes onto the lot."""
    grid = routing.surface.ground
    cells, _ = line_flows(routing, ground.lot)
    number = np.zeros(grid.shape, dtype=np.int32)
    if cells.size:
        x, y = grid.xy(cells // grid.shape[1], cells % grid.shape[1])
        stretch = stretches(
            ground.line, shapely.points(x, y), ground.stretch_m / grid.metres_per_unit
        )
        told = {one.stretch: n for n, one in enumerate(ground.crossings, 1) if one.inward}
        others = len(ground.crossings) + 1
        number.ravel()[cells] = [told.get(int(one), others) for one in stretch]
    return np.asarray(routing.field.labels(number)).ravel().astype(np.int64)


def _counted(
    ground: Ground, subjects: Sequence[str], label: NDArray[Any], kinds: NDArray[np.int64]
) -> list[Origin]:
    """Sum up cells of the same place and kind."""
    share = ground.roofs.surface.share.ravel()
    here = np.flatnonzero(label > 0)
    pairs = np.stack([label[here].astype(np.int64), kinds[here]])
    found, position = np.unique(pairs, axis=1, return_inverse=True)
    cells = np.bincount(position.ravel(), weights=share[here], minlength=found.shape[1])
    parts = [
        _origin(ground, subjects[int(number) - 1], int(kind), float(count))
        for (number, kind), count in zip(found.T, cells, strict=True)
        if count > 0
    ]
    order = {name: place for place, name in enumerate(subjects)}
    return sorted(parts, key=lambda one: (order[one.subject], -one.cells, one.source, one.name))


def _origin(ground: Ground, subject: str, kind: int, cells: float) -> Origin:
    """Name a kind of cells."""
    if kind == _OWN:
        return Origin(subject, "own yard", "", cells)
    if kind < _BUILDING:
        downspout = ground.roofs.downspouts[kind - _DOWNSPOUT - 1]
        return Origin(subject, "roof", downspout.name, cells)
    if kind < _CROSSING:
        name = f"roof of {ground.buildings[kind - _BUILDING - 1]}"
        return Origin(subject, "eaves without a gutter", name, cells)
    number = kind - _CROSSING
    if not 1 <= number <= len(ground.crossings):
        return Origin(subject, "neighbour", "other places" if number else "", cells)
    return Origin(
        subject, "neighbour", f"crossing {number}", cells, ground.crossings[number - 1].cell
    )


def lot_origins(
    ground: Ground, routing: Routing, inlets: Sequence[str], spots: LowSpots
) -> list[Origin]:
    """
    Count the water of "the lot", of its inlets, and of its low spots that no inlet drains.

    Of the lot itself each neighbour's cell counts where its water first comes on.
    """
    found = origins(ground, routing, ["the lot"], ground.lot.astype(np.int32))
    found += of_labels(ground, routing, inlets, routing.label)
    drained = set(np.unique(spots.number[routing.drains.inlet > 0]).tolist())
    on_lot = np.flatnonzero(spots.cells_in(ground.lot) > 0) + 1
    for number in on_lot.tolist():
        if number not in drained:
            here = (spots.number == number).astype(np.int32)
            found += origins(ground, routing, [f"low spot {number}"], here)
    return found
