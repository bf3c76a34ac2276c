"""Round the house: fall of the ground, openings, downspouts, where outlets send their water."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.drains.discharge_findings import (
    OutletDischarge,
    outlet_discharge_findings,
    setback_findings,
)
from lotflow.drains.house_findings import (
    SurfaceDischarge,
    downspout_findings,
    facade_findings,
    opening_findings,
)
from lotflow.drains.pipes import minimum_fall
from lotflow.findings import with_earlier
from lotflow.outputs.ground_layers import facades_layer, openings_layer
from lotflow.study.cases import in_case
from lotflow.study.chapter import Chapter
from lotflow.study.outlets import level_error
from lotflow.study.roofs import unknown_ways
from lotflow.study.setbacks import setback_distances
from lotflow.terrain.discharge_path import discharge_path, reaches_street, runs_back_to
from lotflow.terrain.freeboard import DrawnOpening, OpeningLevels, opening_levels
from lotflow.terrain.house_ring import RING_M, Facade, RingGround, RingLimits, house_facades
from lotflow.terrain.level_error import SPREAD_95

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.findings import Finding
    from lotflow.runoff.covers import GroundCover
    from lotflow.study.lot_water import CaseWater, LotWater
    from lotflow.terrain.discharge_path import DischargePath

#: Outlets whose water runs on over the ground.
SURFACE_OUTLETS: Final = ("daylight", "pop-up emitter", "swale")
#: Share of a footprint on the lot from which the building is one of the lot.
_OWN_SHARE: Final = 0.5


def house_chapter(lot: LotWater, cases: Sequence[CaseWater], cover: GroundCover) -> Chapter:
    """
    Judge the ground round the lot's buildings, their openings, and water let out on the ground.

    Parameters
    ----------
    lot
        Ground, low spots and site.
    cases
        What takes water in each state of the drain system; the main one last. What is found of
        an earlier one only says so.
    cover
        Of every cell.
    """
    facades, openings = facades_of(lot, cover), openings_of(lot)
    let_out = _case_findings(lot, cases[-1])
    for earlier in cases[:-1]:
        let_out = with_earlier(let_out, _case_findings(lot, earlier))
    findings = [*facade_findings(facades), *opening_findings(openings), *let_out]
    crs = lot.window.surface.ground.crs
    return Chapter(
        layers={
            "facades": facades_layer(facades, crs),
            "openings": openings_layer(openings, crs),
        },
        findings=findings,
    )


def own_buildings(lot: LotWater) -> Any:
    """
    Rows of the buildings that stand on the lot, not beside it.

    Parameters
    ----------
    lot
        Gives site and lot.
    """
    frame = lot.site.buildings
    inside = frame.geometry.intersection(lot.site.lot.geometry.union_all()).area
    return frame[inside > _OWN_SHARE * frame.geometry.area]


def facades_of(lot: LotWater, cover: GroundCover) -> list[Facade]:
    """
    Take the fall of the ground before each facade of the lot's buildings.

    Parameters
    ----------
    lot
        Ground and site.
    cover
        Of every cell.
    """
    own = own_buildings(lot)
    ground = RingGround(
        surface=lot.window.surface,
        paved=cover.paved,
        lot=lot.site.lot.geometry.union_all(),
        others=shapely.GeometryCollection(),
        error=level_error(lot.job),
        limits=RingLimits(
            minimum_fall("ground within 10 ft of a building").least,
            minimum_fall("paving within 10 ft of a building").least,
        ),
    )
    found = []
    everything = lot.site.buildings.geometry
    reach = 2 * RING_M / ground.surface.ground.metres_per_unit
    for number, (index, row) in enumerate(own.iterrows(), 1):
        # of a whole street only those beside it stand in the way
        beside = everything.iloc[np.sort(everything.sindex.query(row.geometry.buffer(reach)))]
        others = beside.drop(index).union_all()
        name = str(row["name"] or f"building {number}")
        found += house_facades(name, row.geometry, replace(ground, others=others))
    return found


def openings_of(lot: LotWater) -> list[OpeningLevels]:
    """
    Take the levels round each drawn opening.

    Parameters
    ----------
    lot
        Ground, low spots and site.
    """
    frame = lot.site.openings
    drawn = [
        DrawnOpening(name or f"opening {number}", kind or "", point, float(sill))
        for number, (name, kind, point, sill) in enumerate(
            zip(frame["name"], frame["kind"], frame.geometry, frame["sill_m"], strict=True), 1
        )
    ]
    rmse = lot.job.elevation.rmse_m
    surface = lot.window.surface
    return [
        opening_levels(one, surface, lot.low_spots, rmse_m=rmse, not_closed=lot.spots_not_closed)
        for one in drawn
    ]


def _case_findings(lot: LotWater, case: CaseWater) -> list[Finding]:
    """What is wrong with water let out on the ground in one case, and what is too near."""
    setbacks = lot.job.setbacks
    return [
        *downspout_findings(_downspouts(lot, case)),
        *outlet_discharge_findings(_outlets(lot, case)),
        *setback_findings(
            setback_distances(lot.site, case.case, own_buildings(lot),
                              lot.window.surface.ground.metres_per_unit),
            setbacks.limits, setbacks.source,
        ),
    ]  # fmt: skip


def _path(lot: LotWater, case: CaseWater, point: Any) -> DischargePath | None:
    """Way of water let out at a point."""
    return discharge_path(
        case.inlets.routing, lot.low_spots, lot.window.lot, (float(point.x), float(point.y))
    )


def _inlet_name(case: CaseWater, path: DischargePath) -> str:
    return case.names[path.inlet - 1] if path.inlet else ""


def _downspouts(lot: LotWater, case: CaseWater) -> list[SurfaceDischarge]:
    """Downspouts of the lot's buildings that discharge on the ground."""
    own = own_buildings(lot).geometry
    walls = lot.site.buildings.geometry.union_all()
    unit = lot.window.surface.ground.metres_per_unit
    drawn = in_case(lot.site.downspouts, case.case)
    found = []
    unknown = unknown_ways(lot.site, case.case).index
    for downspout, index, point in zip(
        case.roofs.downspouts, drawn.index, drawn.geometry, strict=True
    ):
        # it will be led into what is not there yet: where it ends now nobody said
        assumed = index in unknown
        path = _path(lot, case, point)
        # buildings are numbered in the order of their rows
        ours = lot.site.buildings.index[downspout.building - 1] in own.index
        if downspout.node or path is None or not ours:
            continue
        found.append(
            SurfaceDischarge(
                downspout.name, float(point.x), float(point.y),
                wall_m=float(point.distance(walls)) * unit,
                low_spot=path.low_spot, inlet=_inlet_name(case, path), is_assumed=assumed,
            )
        )  # fmt: skip
    return found


def _outlets(lot: LotWater, case: CaseWater) -> list[OutletDischarge]:
    """Outlets that discharge on the ground, with the way of their water."""
    frame = in_case(lot.site.outlets, case.case)
    frame = frame[frame["kind"].isin(SURFACE_OUTLETS)]
    walls = own_buildings(lot).geometry.union_all()
    unit = lot.window.surface.ground.metres_per_unit
    drawn = lot.site.constraints
    walks = drawn[drawn["kind"] == "sidewalk"]
    error = level_error(lot.job)
    public = list(drawn[drawn["kind"].isin(("sidewalk", "street"))].geometry)
    found = []
    for name, point in zip(frame["name"], frame.geometry, strict=True):
        path = _path(lot, case, point)
        if path is None:
            continue
        to_street = reaches_street(path, public, unit)
        found.append(
            OutletDischarge(
                name, float(point.x), float(point.y),
                wall_m=runs_back_to(path, walls, unit),
                inlet=_inlet_name(case, path), low_spot=path.low_spot,
                sidewalk=_crossed(path, walks),
                leaves_at=None if to_street else path.leaves_at,
                street_is_drawn=bool(public),
                to_low_spot_m=path.to_low_spot_m, fall_to_low_spot_m=path.fall_to_low_spot_m,
                doubt_m=SPREAD_95 * float(error.of_difference(path.to_low_spot_m)),
            )
        )  # fmt: skip
    return found


def _crossed(path: DischargePath, walks: Any) -> str:
    """Name of the first sidewalk that water runs over; empty for none."""
    if path.line is not None:
        for name, shape in zip(walks["name"], walks.geometry, strict=True):
            if path.line.crosses(shape):
                return str(name or "a sidewalk")
    return ""
