"""Outlet first: where gravity can lead the water of low spots and inlets."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.drains.pipe_tables import minimum_fall
from lotflow.findings import Finding
from lotflow.layers.drawn import in_case
from lotflow.outputs.ground_layers import outlet_options_layer
from lotflow.study.chapter import WHERE_TO, Chapter, say_nothing
from lotflow.terrain.level_error import SPREAD_95, LevelError
from lotflow.terrain.lower_places import (
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
    from collections.abc import Sequence

    from lotflow.inputs.job import Job
    from lotflow.study.chapter import Tell
    from lotflow.study.lot_water import LotWater

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


def level_error(job: Job) -> LevelError:
    """
    Vertical error of the job's elevation data.

    Parameters
    ----------
    job
        States it.
    """
    given = job.elevation
    return LevelError(given.rmse_m, given.correlation_m, given.white_share)


def outlet_chapter(lot: LotWater, tell: Tell = say_nothing) -> Chapter:
    """
    Look for lower places that gravity can reach from each low spot on the lot and each inlet.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.
    tell
        Called with what an outlet is being looked for.
    """
    size = lot.job.criteria.outlet_size_m
    fall = minimum_fall("pipe", size)
    rule = PipeRule(lot.job.criteria.cover_m, size, fall.least)
    ground = SearchGround(
        lot.window.surface,
        lot.site.lot.geometry.union_all(),
        _obstacles(lot),
        level_error(lot.job),
    )
    places = _as_full(_places(lot, ground), lot)
    starts = [*_low_spots(lot), *_inlets(lot)]
    own, spot_of_place = _spots_at(lot, starts), _spots_at(lot, places)
    options = []
    for start, spot in zip(starts, own, strict=True):
        tell(WHERE_TO, f"outlet for {start.name}")
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
    searched = _searched(lot)
    findings = [
        finding
        for start, spot, of_start in zip(starts, own, options, strict=True)
        if start.kind == "inlet" or spot not in spoken
        for finding in _judged(start, of_start, rule, source, searched)
    ]
    return Chapter(
        layers={"outlet_options": outlet_options_layer(options, lot.window.surface.ground.crs)},
        findings=findings,
    )


def _as_full(places: Sequence[LowerPlace], lot: LotWater) -> list[LowerPlace]:
    """Put places that lie in a low spot at its overflow: water stands there up to that."""
    spill = np.append(-np.inf, lot.low_spots.spill)
    return [
        replace(place, level=max(place.level, float(spill[spot])))
        if place.kind in GROUND_PLACES else place
        for place, spot in zip(places, _spots_at(lot, places), strict=True)
    ]  # fmt: skip


def _spots_at(lot: LotWater, at: Sequence[LeadFrom] | Sequence[LowerPlace]) -> list[int]:
    """Number of the low spot at each place; 0 for none."""
    points = np.array([(one.x, one.y) for one in at]).reshape(-1, 2)
    number = sampled(lot.low_spots.number.astype(float), lot.window.surface.ground, points)
    return [int(one) for one in np.nan_to_num(number)]


def _low_spots(lot: LotWater) -> list[LeadFrom]:
    """Low spots on the lot that are believed."""
    spots, grid = lot.low_spots, lot.window.surface.ground
    on_lot = np.bincount(spots.number[lot.window.lot], minlength=len(spots) + 1)[1:] > 0
    found = []
    for position in np.flatnonzero(on_lot):
        if not spots.artefact[position]:
            x, y = grid.xy(*divmod(int(spots.bed_cell[position]), grid.shape[1]))
            name, level = f"low spot {position + 1}", float(spots.bed[position])
            found.append(LeadFrom("low spot", name, float(x), float(y), level))
    return found


def _inlets(lot: LotWater) -> list[LeadFrom]:
    """Inlets, at their rims."""
    grid = lot.window.surface.ground
    found = []
    for inlet in lot.inlets.placed:
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


def _obstacles(lot: LotWater) -> list[Any]:
    """Polygons that a trench goes round."""
    constraints = lot.site.constraints
    kept = constraints[constraints["kind"].isin(_OBSTACLES)].geometry
    room = _ROUND_POINT_M / lot.window.surface.ground.metres_per_unit
    drawn = [shape if shape.area > 0 else shape.buffer(room) for shape in kept]
    return [*lot.site.buildings.geometry, *drawn]


def _places(lot: LotWater, ground: SearchGround) -> list[LowerPlace]:
    """Lower places: lot edge, streets, water and drawn outlets."""
    surface, site = lot.window.surface, lot.site
    found = edge_places(surface, ground.lot)
    streets = site.constraints[site.constraints["kind"] == "street"]
    for kind, frame in (("street", streets), ("water", site.water)):
        for number, (name, shape) in enumerate(zip(frame["name"], frame.geometry, strict=True), 1):
            found += front_places(kind, name or f"{kind} {number}", shape, surface, ground.lot)
    if streets.empty:
        found += beyond_places(surface, ground.lot, lot.job.criteria.outlet_reach_m)
    return found + _drawn_outlets(lot)


def _drawn_outlets(lot: LotWater) -> list[LowerPlace]:
    """Outlets as drawn, at their inverts or their lines', else at the ground they end on."""
    surface = lot.window.surface
    frame = in_case(lot.site.outlets, lot.case)
    level = open_ground(surface)
    lines = in_case(lot.site.drain_lines, lot.case)
    ends = lines.groupby("to")["invert_down_m"].min().to_dict()
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


def _searched(lot: LotWater) -> dict[str, Any]:
    """What was searched, and how far [m]."""
    drawn = bool((lot.site.constraints["kind"] == "street").any())
    return {
        "street_drawn": drawn,
        "searched_beyond_m": 0.0 if drawn else lot.job.criteria.outlet_reach_m,
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
