"""
Where the edge of a low spot is lowest on the lot's own ground.

A low spot may run over at a neighbour's. What the owner can cut through is the edge on his own
ground: the lowest place on the way out of the hollow that stays on it. A cut there leads somewhere
only if the ground behind it lies lower.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.terrain.loops.neighbours import COLUMN_STEP, ROW_STEP
from lotflow.terrain.low_spots import Artefact
from lotflow.terrain.lower_places import open_ground

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.routing import Routing

#: No cell.
NONE: Final = -1
#: The ground behind an edge is followed so far along the way of its water [m]: twice as far as a
#: garden is deep; lotflow's choice.
BEHIND_M: Final = 60.0


def own_edges(
    spots: LowSpots, natural: Routing, lot: BoolArray
) -> tuple[NDArray[np.int64], FloatArray]:
    """
    Find the lowest place on the way out of each low spot over the lot's own open ground.

    Parameters
    ----------
    spots
        The low spots.
    natural
        Routing of today; no way leads under roofs or where data are missing.
    lot
        Cells of the lot.

    Returns
    -------
    cells
        Of each low spot, flat: the highest cell of the way that rises least, from its lowest cell
        on the lot to ground of the lot whose water today runs away from it. -1 where no part of it
        is on the lot's open ground, or no such way is.
    behind
        Lowest level to which water falls within 60 m behind it, no hollow left to fill [m]; NaN
        where there is no such place.
    """
    ground, receiver = open_ground(natural.surface), natural.receivers().ravel()
    filled = natural.field.filled.ravel()
    farthest = BEHIND_M / natural.surface.ground.cell_m
    level = np.where(lot, ground, np.nan).ravel()
    found = np.full(len(spots), NONE, dtype=np.int64)
    behind = np.full(len(spots), np.nan)
    for position in range(len(spots)):
        own = (spots.number.ravel() == position + 1) & np.isfinite(level)
        if own.any() and spots.artefact[position] != Artefact.IN_BUILDING:
            start = int(np.flatnonzero(own)[np.argmin(level[own])])
            inside = spots.number.ravel() == position + 1
            edge, out = _edge(start, level, ground.shape, inside, receiver)
            if edge != NONE:
                found[position] = edge
                behind[position] = _falls_to(out, filled, receiver, ground.shape[1], farthest)
    return found, behind


def _falls_to(
    start: int, filled: FloatArray, receiver: NDArray[np.int64], columns: int, farthest: float
) -> float:
    """Level of water that runs on from a cell, so many cells away by its way [m]."""
    cell, gone = start, 0.0
    while gone < farthest and int(receiver[cell]) != cell:
        below = int(receiver[cell])
        down, across = below // columns - cell // columns, below % columns - cell % columns
        cell, gone = below, gone + float(np.hypot(down, across))
    return float(filled[cell])


def _edge(
    start: int, level: FloatArray, shape: tuple[int, ...], inside: BoolArray,
    receiver: NDArray[np.int64],
) -> tuple[int, int]:  # fmt: skip
    """Highest and last cell of the way that rises least out of a hollow, over known cells."""
    came = {start: NONE}
    heap = [(float(level[start]), start)]
    back: dict[int, bool] = {}
    while heap:
        highest, cell = heapq.heappop(heap)
        if not inside[cell] and not _runs_back(cell, inside, receiver, back):
            way = []
            while cell != NONE:
                way.append(cell)
                cell = came[cell]
            return max(reversed(way), key=lambda one: float(level[one])), way[0]
        row, column = divmod(cell, shape[1])
        for down, across in zip(ROW_STEP[1:].tolist(), COLUMN_STEP[1:].tolist(), strict=True):
            r, c = row + down, column + across
            other = r * shape[1] + c
            if not (0 <= r < shape[0] and 0 <= c < shape[1]) or other in came:
                continue
            if np.isfinite(level[other]):
                came[other] = cell
                heapq.heappush(heap, (max(highest, float(level[other])), other))
    return NONE, NONE


def _runs_back(
    cell: int, inside: BoolArray, receiver: NDArray[np.int64], known: dict[int, bool]
) -> bool:
    """Whether water of a cell runs into the hollow; what is known is kept."""
    way = []
    while cell not in known:
        way.append(cell)
        below = int(receiver[cell])
        if inside[cell] or below == cell:
            known[cell] = bool(inside[cell])
            break
        cell = below
    for one in way:
        known[one] = known[cell]
    return known[cell]
