"""How sure flow paths are: in how many realisations their water goes where it goes here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.findings import Finding
from lotflow.outputs.result_layers import cell_centres
from lotflow.terrain.confidence import FEWEST
from lotflow.terrain.flow_paths import path_length

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.flow_paths import FlowPath
    from lotflow.terrain.routing import Routing

#: Below this share of realisations a path does not hold.
_HOLDS: Final = 0.5
#: Shorter ones are not spoken of: the course of water over a few cells is anybody's guess [m].
_LEAST_LENGTH_M: Final = 5.0
_CHOICE: Final = "lotflow's choice, no published source"


def holding_shares(paths: Sequence[FlowPath], routing: Routing, draining: FloatArray) -> FloatArray:
    """
    Share of realisations in which the water on each path goes to the same inlet, or to none.

    Parameters
    ----------
    paths
        Flow paths.
    routing
        On which they were traced.
    draining
        Shape (inlets, rows, columns): share of realisations in which a cell drains to each inlet.

    Returns
    -------
    shares
        Mean over the cells of each path but its last, which belongs to what it runs into; NaN
        without inlets, where all water goes to none, which says nothing.
    """
    if not len(draining):
        return np.full(len(paths), np.nan)
    goes_to = routing.label.ravel()
    each = draining.reshape(len(draining), -1)
    to_none = 1.0 - each.sum(axis=0)
    shares = np.full(len(paths), np.nan)
    for position, path in enumerate(paths):
        cells = path.cells[:-1]
        inlet = goes_to[cells]
        same = np.where(inlet > 0, each[np.maximum(inlet, 1) - 1, cells], to_none[cells])
        shares[position] = same.mean()
    return shares


def path_findings(lot: LotWater, shares: FloatArray, realisations: int) -> list[Finding]:
    """
    Say of each inlet which of the paths that lead to it does not hold, the largest of them.

    A thin swale or curb about as deep as the error leaks in every realisation, and never in
    truth: no realisation can tell whether it is there.

    Parameters
    ----------
    lot
        Ground and inlets.
    shares
        From `holding_shares`.
    realisations
        How many were run; fewer than 20 say nothing.
    """
    if realisations < FEWEST:
        return []
    grid, label = lot.window.surface.ground, lot.inlets.routing.label.ravel()
    found = []
    for number, name in enumerate(lot.names, start=1):
        leading = [
            position
            for position, path in enumerate(lot.paths)
            if label[path.cells[0]] == number
            and shares[position] < _HOLDS
            and path_length(path, grid) >= _LEAST_LENGTH_M
        ]
        if not leading:
            continue
        largest = max(leading, key=lambda position: lot.paths[position].area)
        path, share = lot.paths[largest], float(shares[largest])
        x, y = cell_centres(grid, path.cells[:1])
        found.append(
            Finding(
                "path-hangs-on-detail", "note", name,
                measured=round(share, 3), limit=_HOLDS, unit="1", source=_CHOICE,
                x=float(x[0]), y=float(y[0]),
                facts={
                    "length_m": path_length(path, grid), "behind_m2": path.area * grid.cell_m2,
                    "there": round(share * realisations), "number": realisations,
                },
            )
        )  # fmt: skip
    return found
