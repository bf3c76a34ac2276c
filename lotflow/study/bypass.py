"""The ways of water past the inlets of a case, over the surface without inlets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.drains.inlet_bypass import WayPast
from lotflow.terrain.discharge_path import discharge_path

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.drains.inlet_checks import InletFacts
    from lotflow.study.drain_inputs import CaseRun
    from lotflow.study.lot_water import LotWater


def ways_past(lot: LotWater, run: CaseRun, inlets: Sequence[InletFacts]) -> list[WayPast]:
    """
    Follow the water that each inlet does not take.

    It runs on from the inlet's lowest cell as if the inlet were not there; the first cell of
    another inlet's catchment decides. Before it goes on it stands as deep as the low spot holds,
    and anywhere as deep as the criteria allow over a grate.

    Parameters
    ----------
    lot
        Ground and site.
    run
        The case.
    inlets
        Those whose way is sought.
    """
    number = {inlet.drawn.name: k for k, inlet in enumerate(run.inlets.placed, start=1)}
    least = lot.job.criteria.grate_water_m
    return [
        _way_past(lot, run, number[inlet.name], least)
        if inlet.name in number
        else WayPast(least)
        for inlet in inlets
    ]  # fmt: skip


def _way_past(lot: LotWater, run: CaseRun, number: int, least: float) -> WayPast:
    """Way past one inlet, by its number."""
    inlet, grid = run.inlets.placed[number - 1], lot.window.surface.ground
    ground = grid.values.ravel()[inlet.cells]
    lowest = int(inlet.cells[np.argmin(ground)])
    level = float(ground.min()) if inlet.level is None else inlet.level
    depth = max(_held_above(lot, lowest, level), least)
    x, y = grid.xy(*divmod(lowest, grid.shape[1]))
    path = discharge_path(lot.natural, lot.low_spots, lot.window.lot, (float(x), float(y)))
    if path is None:
        return WayPast(depth)
    label = run.inlets.routing.label.ravel()[path.cells]
    others = label[(label > 0) & (label != number)]
    if others.size:
        return WayPast(depth, runs_to=run.inlets.placed[int(others[0]) - 1].drawn.name)
    return WayPast(depth, leaves_at=path.leaves_at)


def _held_above(lot: LotWater, cell: int, level: float) -> float:
    """Height of the overflow of the low spot on a cell above a level; 0 where there is none."""
    spot = int(lot.low_spots.number.ravel()[cell])
    if not spot or lot.low_spots.artefact[spot - 1]:
        return 0.0
    return max(float(lot.low_spots.spill[spot - 1]) - level, 0.0)
