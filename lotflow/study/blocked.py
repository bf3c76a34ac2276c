"""The same ground with other sets of inlets open."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.scenarios import ALL_BLOCKED, OPEN, Scenario
from lotflow.terrain.inlet_places import inlet_numbers
from lotflow.terrain.routing import Drains, Routing, route

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.inlet_places import SetInlet


def drain_cases(lot: LotWater) -> Iterator[tuple[Scenario, Routing]]:
    """
    Give the routing with every inlet open, with each blocked in turn, and with all blocked.

    Parameters
    ----------
    lot
        Ground and inlets.

    Yields
    ------
    case, routing
        One at a time: each may fill much memory.
    """
    yield OPEN, lot.inlets.routing
    if not lot.inlets.placed:
        return
    for position, name in enumerate(lot.names):
        yield Scenario.one_blocked(name), blocked_routing(lot, {position})
    yield ALL_BLOCKED, lot.natural


def blocked_routing(
    lot: LotWater, blocked: Collection[int], placed: Sequence[SetInlet] | None = None
) -> Routing:
    """
    Route the water with some inlets blocked: their cells are ground like any other.

    Parameters
    ----------
    lot
        Ground and inlets.
    blocked
        Positions of the blocked inlets, from 0.
    placed
        Inlets of another case of the drains; None for those of the lot.

    Returns
    -------
    routing
        Inlets keep their numbers; that of a blocked one does not occur. An inlet hidden by a
        blocked one in the same cell takes its place.
    """
    placed = lot.inlets.placed if placed is None else placed
    working = [position for position in range(len(placed)) if position not in blocked]
    shape = lot.window.surface.ground.shape
    number, _ = inlet_numbers([placed[position] for position in working], shape)
    own_number = np.array([0, *(position + 1 for position in working)], dtype=np.int32)
    levels = {position + 1: placed[position].level for position in working}
    drains = Drains(
        inlet=own_number[number],
        level={number: level for number, level in levels.items() if level is not None},
        culverts=lot.window.culverts,
        number=len(placed),
    )
    return route(lot.window.surface, drains, rule=lot.job.terrain.direction)
