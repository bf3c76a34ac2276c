"""Inlets that take no more than their line or grate carries: the rest stands or runs on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from lotflow.study.blocked import LIMITED
from lotflow.study.pond_cases import case_storm
from lotflow.terrain.ponding import standing_water

if TYPE_CHECKING:
    from lotflow.grid import FloatArray
    from lotflow.study.lot_water import LotWater
    from lotflow.study.pond_cases import PondGround
    from lotflow.study.pond_records import CaseStorm
    from lotflow.terrain.pond_network import PondNetwork
    from lotflow.terrain.ponding import StandingWater


def limited_storm(
    ground: PondGround,
    lot: LotWater,
    network: PondNetwork,
    opened: tuple[CaseStorm, StandingWater],
    excess_m3: FloatArray,
) -> CaseStorm:
    """
    Let what inlets of limited capacity cannot take stand above them, or run on.

    A balance of volumes: the storm runs as with every inlet open; then what each limited inlet
    could not take is poured out over it, on the ground as it is with those inlets blocked and
    the ponds of the storm standing. That all of it comes at once is the approximation.

    Parameters
    ----------
    ground
        What ponds are judged by.
    lot
        Places of the inlets.
    network
        With the limited inlets blocked.
    opened
        The same storm with every inlet open.
    excess_m3
        What each inlet cannot take [m^3]; no more than what reaches it counts.
    """
    before, water = opened
    refused = np.minimum(excess_m3, before.taken_m3)
    poured = water.depth.copy()
    for inlet, volume in zip(lot.inlets.placed, refused, strict=True):
        poured.ravel()[inlet.cells] += volume / ground.grid.cell_m2 / inlet.cells.size
    after = case_storm(ground, LIMITED, before.storm, standing_water(network, poured), water)
    return replace(
        after,
        runoff_m3=before.runoff_m3,
        left_m3=before.left_m3 + after.left_m3,
        direct_m3=before.direct_m3,
        passed_on_m3=before.passed_on_m3 + after.direct_m3 + after.passed_on_m3,
        refused_m3=refused,
    )
