"""The inlets of a study: set, moved, given their rims, and what each takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.terrain.inlet_places import (
    DrawnInlet,
    SetInlet,
    drains_of,
    place_inlets,
    residual_depth,
    set_rims,
    snap_inlets,
)
from lotflow.terrain.routing import Routing, route

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray
    from lotflow.inputs.job import Job


def drawn_inlets(frame: Any) -> list[DrawnInlet]:
    """
    Take inlets over from their layer.

    Parameters
    ----------
    frame
        Rows of the site layer `inlets` that take water, in the grid's CRS.
    """
    return [
        DrawnInlet(str(row.name_), row.geometry, float(row.rim_m), float(row.rim_above_ground_m))
        for row in frame.rename(columns={"name": "name_"}).itertuples()
    ]


@dataclass(frozen=True, eq=False)
class InletStudy:
    """
    Inlets as they were set, and the routing with them.

    Parameters
    ----------
    placed
        Inlets on their cells.
    routing
        With inlets.
    before_move
        Cells of the catchment where each was drawn.
    residual
        Depth that stays standing beside each [m].
    hidden
        Inlets that lost their cells to another one, each with that one.
    """

    placed: list[SetInlet]
    routing: Routing
    before_move: FloatArray
    residual: FloatArray
    hidden: list[tuple[str, str]]


def _counts(routing: Routing) -> FloatArray:
    """Cells of each inlet's catchment."""
    known = ~routing.surface.missing
    counted = np.bincount(routing.label[known], minlength=routing.drains.number + 1)
    return counted[1:].astype(np.float64)


def moved_inlets(placed: list[SetInlet], natural: Routing, job: Job) -> list[SetInlet]:
    """
    Move inlets to where the water runs.

    Parameters
    ----------
    placed
        Where they were drawn.
    natural
        Routing without inlets.
    job
        Gives accuracy and criteria.
    """
    return snap_inlets(
        placed,
        natural,
        radius_cells=job.criteria.snap_cells,
        pond_depth=job.criteria.low_spot_limit_m(job.elevation.rmse_m),
    )


def study_inlets(drawn: Sequence[DrawnInlet], natural: Routing, job: Job) -> InletStudy:
    """
    Set inlets where the water runs, and route the water to them.

    Parameters
    ----------
    drawn
        As drawn.
    natural
        Routing without inlets.
    job
        Gives accuracy, criteria and direction rule.
    """
    if not drawn:
        nothing = np.zeros(0)
        return InletStudy([], natural, nothing, nothing, [])
    surface, culverts = natural.surface, natural.drains.culverts
    rmse, rule = job.elevation.rmse_m, job.terrain.direction
    as_drawn = place_inlets(drawn, surface)
    drains, _ = drains_of(as_drawn, surface, culverts)
    before = _counts(route(surface, drains, rule=rule, by_kernel=True))
    snapped = _unless_worse(as_drawn, moved_inlets(as_drawn, natural, job), before, natural, rule)
    placed = set_rims(snapped, natural, rmse=rmse)
    drains, hidden = drains_of(placed, surface, culverts)
    routing = route(surface, drains, rule=rule)
    residual = np.array([residual_depth(inlet, routing) for inlet in placed])
    return InletStudy(placed, routing, before, residual, hidden)


def _unless_worse(
    as_drawn: list[SetInlet],
    snapped: list[SetInlet],
    before: FloatArray,
    natural: Routing,
    rule: str,
) -> list[SetInlet]:
    """Leave an inlet where it was drawn if moving it would make it take less."""
    if not any(inlet.moved_m for inlet in snapped):
        return snapped
    drains, _ = drains_of(snapped, natural.surface, natural.drains.culverts)
    after = _counts(route(natural.surface, drains, rule=rule, by_kernel=True))
    return [
        drawn if less else moved
        for drawn, moved, less in zip(as_drawn, snapped, after < before, strict=True)
    ]
