"""The inlets of a lot: set, moved, given their rims, and what each takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.catchments import weighed
from lotflow.terrain.inlet_places import (
    BetterPlace,
    DrawnInlet,
    SetInlet,
    best_cell,
    drains_of,
    place_inlets,
    residual_depth,
    set_at,
    set_rims,
    snap_inlets,
    snap_radius_m,
)
from lotflow.terrain.routing import Routing, route

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.criteria import Criteria
    from lotflow.grid import FloatArray

#: A better place is looked for this far from where an inlet was drawn [m], ...
_OFFER_REACH_M: Final = 3.0
#: ... and offered where it takes so many times as much, and so much more at least [m^2].
_OFFER_RATIO: Final = 2.0
_OFFER_LEAST_M2: Final = 10.0
#: The nearest place with this share of the most that runs within reach is the one offered.
_OFFER_ENOUGH: Final = 0.8


def drawn_inlets(frame: Any) -> list[DrawnInlet]:
    """Take inlets over from rows of the site layer `inlets`, in the grid's CRS."""
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
    offers
        Places near by where an inlet would take far more, which was not done.
    """

    placed: list[SetInlet]
    routing: Routing
    before_move: FloatArray
    residual: FloatArray
    hidden: list[tuple[str, str]]
    offers: list[BetterPlace]


def _counts(routing: Routing) -> FloatArray:
    """Cells of each inlet's catchment."""
    return weighed(routing, ~routing.surface.missing)[1:]


def set_inlets(
    drawn: Sequence[DrawnInlet], natural: Routing, criteria: Criteria, *, rmse_m: float, rule: str
) -> tuple[list[SetInlet], FloatArray]:
    """
    Set inlets where the water runs, no farther from where they were drawn than criteria allow.

    Returns them on their cells with their rims, and the cells of the catchment of each where it
    was drawn.
    """
    as_drawn = place_inlets(drawn, natural.surface)
    before = _taken(as_drawn, natural, rule)
    snapped = _moved(as_drawn, natural, criteria, rmse_m)
    if any(inlet.moved_m for inlet in snapped):
        # an inlet stays where it was drawn if moving it would make it take less
        less = _taken(snapped, natural, rule) < before
        snapped = [
            own if worse else moved
            for own, moved, worse in zip(as_drawn, snapped, less, strict=True)
        ]
    return set_rims(snapped, natural, rmse=rmse_m), before


def _taken(placed: Sequence[SetInlet], natural: Routing, rule: str) -> FloatArray:
    """Cells of the catchments of inlets, rims apart."""
    drains, _ = drains_of(placed, natural.surface, natural.drains.culverts)
    return _counts(route(natural.surface, drains, rule=rule, by_kernel=True))


def _moved(
    placed: list[SetInlet], natural: Routing, criteria: Criteria, rmse_m: float
) -> list[SetInlet]:
    """Move inlets to where the water runs."""
    return snap_inlets(
        placed,
        natural,
        radius_m=snap_radius_m(criteria.snap_m, natural.surface.ground.cell_m),
        pond_depth=criteria.low_spot_limit_m(rmse_m),
    )


def cells_of_interest(
    drawn: Sequence[DrawnInlet], natural: Routing, criteria: Criteria, *, rmse_m: float
) -> NDArray[np.int64]:
    """
    Cells at which inlets may take water: where drawn, where moved, and better places near by.

    An inlet stays where it was drawn where moving it would not help, so that both count.

    Parameters
    ----------
    drawn
        As drawn.
    natural
        Routing without inlets.
    criteria
        Give how far inlets may be moved.
    rmse_m
        Vertical accuracy of the elevation data [m].

    Returns
    -------
    cells
        Flat indices.
    """
    placed = place_inlets(drawn, natural.surface)
    cells = [inlet.cells for inlet in (*placed, *_moved(placed, natural, criteria, rmse_m))]
    limit = criteria.low_spot_limit_m(rmse_m)
    offered = [_better_cell(one, natural, limit) for one in placed if _may_move(one, criteria)]
    return np.concatenate([*cells, np.array(offered, dtype=np.int64)])


def _may_move(inlet: SetInlet, criteria: Criteria) -> bool:
    """Tell whether another place is looked for."""
    return inlet.drawn.geometry.geom_type == "Point" and criteria.snap_m > 0


def _better_cell(own: SetInlet, natural: Routing, pond_depth: float) -> int:
    """Cell near an inlet, where it was drawn, that promises far more water."""
    return int(best_cell(own, natural, _OFFER_REACH_M, pond_depth, enough=_OFFER_ENOUGH))


def study_inlets(
    drawn: Sequence[DrawnInlet], natural: Routing, criteria: Criteria, *, rmse_m: float, rule: str
) -> InletStudy:
    """
    Set inlets where the water runs, and route the water to them.

    Parameters
    ----------
    drawn
        As drawn.
    natural
        Routing without inlets.
    criteria
        Give how far inlets may be moved, and from which depth on a low spot is one.
    rmse_m
        Vertical accuracy of the elevation data [m].
    rule
        Rule by which flow directions are chosen.
    """
    if not drawn:
        nothing = np.zeros(0)
        return InletStudy([], natural, nothing, nothing, [], [])
    placed, before = set_inlets(drawn, natural, criteria, rmse_m=rmse_m, rule=rule)
    drains, hidden = drains_of(placed, natural.surface, natural.drains.culverts)
    routing = route(natural.surface, drains, rule=rule)
    residual = np.array([residual_depth(inlet, routing) for inlet in placed])
    offers = (
        []
        if criteria.snap_m <= 0
        else _better_places(
            placed, natural, _counts(routing), criteria.low_spot_limit_m(rmse_m), rule
        )
    )
    return InletStudy(placed, routing, before, residual, hidden, offers)


def _better_places(
    placed: Sequence[SetInlet], natural: Routing, taken: FloatArray, pond_depth: float, rule: str
) -> list[BetterPlace]:
    """Places within reach of a few steps where an inlet would take far more than it does."""
    grid = natural.surface.ground
    found = []
    for position, inlet in enumerate(placed):
        if inlet.drawn.geometry.geom_type != "Point":
            continue
        (own,) = place_inlets([inlet.drawn], natural.surface)
        cell = _better_cell(own, natural, pond_depth)
        far_more = max(_OFFER_RATIO * taken[position],
                       taken[position] + _OFFER_LEAST_M2 / grid.cell_m2)  # fmt: skip
        # on a slope an inlet cannot take more than what runs through its cell
        in_pond = natural.depth.ravel()[cell] > 0
        if cell == inlet.cells[0] or not (in_pond or natural.total.ravel()[cell] >= far_more):
            continue
        there = set_at(own, cell, grid)
        others = [*placed[:position], there, *placed[position + 1 :]]
        area = float(_taken(others, natural, rule)[position])
        if area >= far_more:
            found.append(
                BetterPlace(inlet.drawn.name, cell, there.moved_m, float(taken[position]), area)
            )
    return found
