"""Where the water goes that an inlet of a case refuses: over the ground with that inlet blocked."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from lotflow.drains.intake import WayPast
from lotflow.study.blocked import blocked_routing
from lotflow.terrain.discharge_path import discharge_path
from lotflow.terrain.kernels import connected_parts

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from lotflow.drains.inlet_checks import InletFacts
    from lotflow.study.drain_inputs import CaseRun
    from lotflow.study.lot_water import LotWater


def ways_past(lot: LotWater, run: CaseRun, inlets: Sequence[InletFacts]) -> list[WayPast]:
    """
    Follow the water that each inlet refuses, over the ground with it blocked and the others open.

    It stands in the depression above the inlet until that is full; then it runs into the next
    inlet or away. Where the way leads through a ring of inlets, as between inlets in one low
    spot, all of the ring are taken as blocked for the last of them, the lowest: it holds what the
    whole low spot does.

    Parameters
    ----------
    lot
        Ground and site.
    run
        The case.
    inlets
        Those whose way is sought.
    """
    number = {inlet.drawn.name: k for k, inlet in enumerate(run.inlets.placed)}
    least = lot.job.criteria.grate_water_m
    known = [inlet for inlet in inlets if inlet.name in number]
    ways = {one.name: _way_past(lot, run, number[one.name], {number[one.name]}) for one in known}
    for ring in _rings({name: way.runs_to for name, way in ways.items()}):
        levels = {one.name: one.rim_m for one in known}
        last = min(ring, key=lambda name: (np.nan_to_num(levels[name], nan=np.inf), name))
        ways[last] = _way_past(lot, run, number[last], {number[name] for name in ring})
    return [
        replace(ways[one.name], depth_m=max(ways[one.name].depth_m, least))
        if one.name in ways
        else WayPast(least)
        for one in inlets
    ]


def _rings(runs_to: dict[str, str]) -> list[list[str]]:
    """Names that follow one another in a circle."""
    rings: list[list[str]] = []
    for first in runs_to:
        way = [first]
        while (following := runs_to.get(way[-1], "")) and following not in way:
            way.append(following)
        if following == first and not any(first in ring for ring in rings):
            rings.append(way)
    return rings


def _way_past(lot: LotWater, run: CaseRun, position: int, blocked: Collection[int]) -> WayPast:
    """Way past one inlet with some blocked, itself among them."""
    placed = run.inlets.placed
    inlet, grid = placed[position], lot.window.surface.ground
    routing = blocked_routing(lot, blocked, placed)
    ground = grid.values.ravel()[inlet.cells]
    lowest = int(inlet.cells[np.argmin(ground)])
    level = float(ground.min()) if inlet.level is None else inlet.level
    parts, _ = connected_parts(routing.depth > 0)
    here = np.unique(parts.ravel()[inlet.cells])
    pool = np.isin(parts, here[here > 0])
    deep = float(routing.depth.ravel()[inlet.cells].max(initial=0.0))
    stands = float(routing.field.filled.ravel()[lowest]) - level
    x, y = grid.xy(*divmod(lowest, grid.shape[1]))
    path = discharge_path(routing, lot.low_spots, lot.window.lot, (float(x), float(y)))
    onward = int(routing.label.ravel()[lowest])
    return WayPast(
        max(stands, 0.0),
        runs_to=placed[onward - 1].drawn.name if onward else "",
        leaves_at=None if onward or path is None else path.leaves_at,
        held_m3=float(routing.depth[pool].sum()) * grid.cell_m2,
        in_sag=deep >= lot.job.criteria.pond_depth_m,
    )
