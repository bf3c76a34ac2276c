"""Outlet first: where gravity can lead the water of low spots and inlets."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.drains.pipes import minimum_fall
from lotflow.findings import Finding
from lotflow.layers.drawn import in_case
from lotflow.terrain.level_error import SPREAD_95
from lotflow.terrain.lower_places import (
    ALLOWED_END,
    BEYOND_THE_LOT,
    GROUND_PLACES,
    LowerPlace,
    beyond_places,
    edge_places,
    front_places,
    open_ground,
    sampled,
)
from lotflow.terrain.outlet_search import (
    LeadFrom,
    OutletOption,
    PipeRule,
    SearchGround,
    lawful_first,
    outlet_options,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from lotflow.criteria import Criteria
    from lotflow.grid import BoolArray, Grid
    from lotflow.layers.drawn import Case, Drawn
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.surface import Surface

#: Outlets that no line can run to by gravity, or that must not be used.
_NO_PLACE: Final = ("sanitary sewer", "not found", "pump")
#: Outlets below the ground: their level is not that of the ground.
_BURIED: Final = ("public inlet", "storm sewer", "dry well")
#: Constraints that a trench goes round.
_OBSTACLES: Final = ("neighbour building", "septic", "well")
#: So much of a way beyond the lot line is told [m].
_TOLD_OFF_LOT_M: Final = 1.0
#: Room kept round a constraint that is drawn as a point [m].
_ROUND_POINT_M: Final = 1.0


def search_ground(surface: Surface, site: Drawn, error: LevelError) -> SearchGround:
    """Give the ground a pipe is led through: round buildings, neighbours, wells, septic."""
    constraints = site.constraints
    kept = constraints[constraints["kind"].isin(_OBSTACLES)].geometry
    room = _ROUND_POINT_M / surface.ground.metres_per_unit
    drawn = [shape if shape.area > 0 else shape.buffer(room) for shape in kept]
    obstacles = [*site.buildings.geometry, *drawn]
    return SearchGround(surface, site.lot.geometry.union_all(), obstacles, error)


def outlets_by_gravity(
    site: Drawn, case: Case, ground: SearchGround, low_spots: LowSpots, lot: BoolArray,
    placed: Sequence[SetInlet], criteria: Criteria, tell: Callable[[str], None],
) -> tuple[list[list[OutletOption]], list[Finding]]:  # fmt: skip
    """
    Look for lower places that gravity can reach from each low spot on the lot and each inlet.

    Parameters
    ----------
    site, case
        What is drawn, and the state of the drains.
    ground
        From `search_ground`.
    low_spots, lot
        Of the ground without inlets; cells of the lot.
    placed
        The inlets.
    criteria
        Give cover, size of the pipe and how far is looked.
    tell
        Called with what an outlet is being looked for.

    Returns
    -------
    options
        Of each low spot and inlet, best first.
    findings
        Where no outlet is found, where only off the lot, and where the levels cannot tell.
    """
    size, grid = criteria.outlet_size_m, ground.surface.ground
    fall = minimum_fall("pipe", size)
    rule = PipeRule(criteria.cover_m, size, fall.least)
    places = lower_places(site, case, ground, low_spots, criteria.outlet_reach_m)
    starts = [*_low_spots(low_spots, lot, grid), *_inlets(placed, grid)]
    own, spot_of_place = (_spots_at(low_spots, grid, at) for at in (starts, places))
    options = []
    for start, spot in zip(starts, own, strict=True):
        tell(f"outlet for {start.name}")
        # ground within the water of the same low spot lies under its overflow: no outlet
        elsewhere = [
            place
            for place, there in zip(places, spot_of_place, strict=True)
            if not (spot and there == spot and place.kind in GROUND_PLACES)
        ]
        options.append(outlet_options(start, elsewhere, rule, ground))
    # of a low spot with inlets in it these are spoken of
    spoken = {
        spot for start, spot in zip(starts, own, strict=True) if start.kind == "inlet" and spot
    }
    source = f"lotflow's rule: cover by [criteria] cover_m; least fall: {fall.source}"
    searched = _searched(site, criteria)
    findings = [
        finding
        for start, spot, of_start in zip(starts, own, options, strict=True)
        if start.kind == "inlet" or spot not in spoken
        for finding in _judged(start, of_start, rule, source, searched)
    ]
    return options, findings


def lower_places(
    site: Drawn, case: Case, ground: SearchGround, low_spots: LowSpots, reach_m: float
) -> list[LowerPlace]:
    """
    Find places that water might be led to: lot edge, streets, water, drawn outlets.

    Parameters
    ----------
    site, case
        What is drawn, and the state of the drains.
    ground
        From `search_ground`.
    low_spots
        Of the ground without inlets: places in them lie at their overflow.
    reach_m
        How far beyond the lot is looked where no street is drawn [m].
    """
    return _as_full(_places(site, case, ground, reach_m), low_spots, ground.surface.ground)


def _as_full(places: Sequence[LowerPlace], spots: LowSpots, grid: Grid) -> list[LowerPlace]:
    """Put places that lie in a low spot at its overflow: water stands there up to that."""
    spill = np.append(-np.inf, spots.spill)
    return [
        replace(place, level=max(place.level, float(spill[spot])))
        if place.kind in (*GROUND_PLACES, ALLOWED_END) else place
        for place, spot in zip(places, _spots_at(spots, grid, places), strict=True)
    ]  # fmt: skip


def _spots_at(
    spots: LowSpots, grid: Grid, at: Sequence[LeadFrom] | Sequence[LowerPlace]
) -> list[int]:
    """Number of the low spot at each place; 0 for none."""
    points = np.array([(one.x, one.y) for one in at]).reshape(-1, 2)
    number = sampled(spots.number.astype(float), grid, points)
    return [int(one) for one in np.nan_to_num(number)]


def _low_spots(spots: LowSpots, lot: BoolArray, grid: Grid) -> list[LeadFrom]:
    """Low spots on the lot that are believed."""
    found = []
    for position in np.flatnonzero(spots.cells_in(lot)):
        if not spots.artefact[position]:
            x, y = grid.xy(*divmod(int(spots.bed_cell[position]), grid.shape[1]))
            name, level = f"low spot {position + 1}", float(spots.bed[position])
            found.append(LeadFrom("low spot", name, float(x), float(y), level))
    return found


def _inlets(placed: Sequence[SetInlet], grid: Grid) -> list[LeadFrom]:
    """Inlets, at their rims."""
    found = []
    for inlet in placed:
        ground = grid.values.ravel()[inlet.cells]
        lowest = int(inlet.cells[np.argmin(ground)])
        x, y = grid.xy(*divmod(lowest, grid.shape[1]))
        if inlet.drawn.geometry.geom_type == "Point":  # the pipe starts where it was drawn
            x, y = inlet.drawn.geometry.x, inlet.drawn.geometry.y
        surveyed = bool(np.isfinite(inlet.drawn.rim))
        level = float(ground.min()) if inlet.level is None else inlet.level
        level = inlet.drawn.rim if surveyed else level
        found.append(LeadFrom("inlet", inlet.drawn.name, float(x), float(y), level, surveyed))
    return found


def _places(site: Drawn, case: Case, ground: SearchGround, reach_m: float) -> list[LowerPlace]:
    """Lower places: lot edge, streets, water and drawn outlets."""
    surface = ground.surface
    found = edge_places(surface, ground.lot)
    streets = site.constraints[site.constraints["kind"] == "street"]
    for kind, frame in (("street", streets), ("water", site.water)):
        for number, (name, shape) in enumerate(zip(frame["name"], frame.geometry, strict=True), 1):
            found += front_places(kind, name or f"{kind} {number}", shape, surface, ground.lot)
    ends = site.allowed_ends
    for number, (name, shape) in enumerate(zip(ends["name"], ends.geometry, strict=True), 1):
        place = name or f"{ALLOWED_END} {number}"
        found += front_places(ALLOWED_END, place, shape, surface, ground.lot)
    if streets.empty:
        found += beyond_places(surface, ground.lot, reach_m)
    return found + _drawn_outlets(site, case, surface)


def _drawn_outlets(site: Drawn, case: Case, surface: Surface) -> list[LowerPlace]:
    """Outlets as drawn, at their inverts or their lines', else at the ground they end on."""
    frame = in_case(site.outlets, case)
    level = open_ground(surface)
    lines = in_case(site.drain_lines, case)
    ends = lines.groupby("to_node")["invert_down_m"].min().to_dict()
    found = []
    for name, kind, invert, water, point in zip(
        frame["name"], frame["kind"], frame["invert_m"], frame["water_level_m"], frame.geometry,
        strict=True,
    ):  # fmt: skip
        # the lip of an emitter is no line's end
        end = np.nan if kind == "pop-up emitter" else ends.get(name, np.nan)
        known = invert if np.isfinite(invert) else end
        surveyed = bool(np.isfinite(known))
        if kind in _NO_PLACE or (kind in _BURIED and not surveyed):
            continue
        ground = sampled(level, surface.ground, np.array([[point.x, point.y]]))[0]
        # water that stands there leaves no more fall than down to it
        here = float(np.fmax(known if surveyed else ground, water))
        if np.isfinite(here):
            found.append(LowerPlace(kind or "outlet", name, point.x, point.y, here, surveyed))
    return found


def _searched(site: Drawn, criteria: Criteria) -> dict[str, Any]:
    """What was searched, and how far [m]."""
    drawn = bool((site.constraints["kind"] == "street").any())
    return {
        "street_drawn": drawn,
        "searched_beyond_m": 0.0 if drawn else criteria.outlet_reach_m,
    }


def _judged(
    start: LeadFrom, options: Sequence[OutletOption], rule: PipeRule, source: str,
    searched: dict[str, Any],
) -> list[Finding]:  # fmt: skip
    """Say where no outlet is found, where only off the lot, and where the levels cannot tell."""
    reachable = [one for one in options if one.verdict == "reachable"]
    best = max(reachable or options, key=lambda one: one.left_m, default=None)
    if best is not None and best.left_m >= 0:
        # where none is sure a drawn outlet is spoken of before what is only found near by
        best = min((one for one in options if one.left_m >= 0), key=lawful_first)
    if reachable:
        first = reachable[0]
        beyond = all(one.place.kind == BEYOND_THE_LOT for one in reachable)
        return [_only_beyond(start, first, source, searched)] if beyond else []
    pipe = {"cover_m": rule.cover_m, "least_fall": rule.least_fall}
    if best is None:
        return [
            Finding(
                "no-gravity-outlet", "warn", start.name, limit=0.0, unit="m", source=source,
                x=start.x, y=start.y, facts={**pipe, **searched},
            )
        ]  # fmt: skip
    doubt_m = SPREAD_95 * best.deviation_m
    place = {"place": best.place.name, "kind": best.place.kind, "doubt_m": doubt_m}
    if best.left_m < 0:
        return [
            Finding(
                "no-gravity-outlet", "warn", start.name,
                measured=round(best.left_m, 3), limit=0.0, unit="m", source=source,
                x=start.x, y=start.y,
                facts={
                    **pipe, **searched, **place, "lacks_m": -best.left_m, "run_m": best.run_m,
                    "within_doubt": best.left_high_m >= 0,
                    "ground_falls": best.surface_fall_m > 0,
                },
            )
        ]  # fmt: skip
    beyond_m = best.off_lot_m if best.off_lot_m >= _TOLD_OFF_LOT_M else 0.0
    return [
        Finding(
            "outlet-fall-uncertain", "note", start.name,
            measured=round(best.left_m, 3), limit=0.0, unit="m", source=source,
            x=start.x, y=start.y,
            facts={**pipe, **searched, **place, "left_m": best.left_m, "off_lot_m": beyond_m},
        )
    ]  # fmt: skip


def _only_beyond(
    start: LeadFrom, option: OutletOption, source: str, searched: dict[str, Any]
) -> Finding:
    """Gravity reaches lower ground, but none that is the owner's, a street or water."""
    return Finding(
        "outlet-only-beyond-lot", "warn", start.name,
        measured=round(option.off_lot_m, 3), limit=0.0, unit="m", source=source,
        x=start.x, y=start.y,
        facts={"place": option.place.name, "off_lot_m": option.off_lot_m, **searched},
    )  # fmt: skip
