"""Round the house: fall of the ground, openings, and where water let out on the ground goes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.drains.discharge_findings import OutletDischarge
from lotflow.drains.house_findings import SurfaceDischarge
from lotflow.drains.pipes import minimum_fall
from lotflow.layers.drawn import in_case
from lotflow.terrain.discharge_path import (
    DischargePath,
    leaves_where_allowed,
    reaches_street,
    runs_back_to,
)
from lotflow.terrain.downspouts import unknown_ways
from lotflow.terrain.freeboard import (
    DrawnOpening,
    OpeningLevels,
    nearest_ground,
    opening_levels,
)
from lotflow.terrain.house_ring import RING_M, Facade, RingGround, RingLimits, house_facades
from lotflow.terrain.level_error import SPREAD_95

if TYPE_CHECKING:
    from lotflow.grid import BoolArray
    from lotflow.layers.drawn import Case, Drawn
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.roofs import RoofWater
    from lotflow.terrain.surface import Surface

#: Way of water let out at easting and northing; None off the data.
PathOf = Callable[[tuple[float, float]], DischargePath | None]

#: Outlets whose water runs on over the ground.
_SURFACE_OUTLETS: Final = ("daylight", "pop-up emitter", "swale")
#: Share of a footprint on the lot from which the building is one of the lot.
_OWN_SHARE: Final = 0.5


def own_buildings(site: Drawn) -> Any:
    """Rows of the buildings that stand on the lot, not beside it."""
    frame = site.buildings
    inside = frame.geometry.intersection(site.lot.geometry.union_all()).area
    return frame[inside > _OWN_SHARE * frame.geometry.area]


def facades_of(
    site: Drawn, surface: Surface, *, paved: BoolArray, error: LevelError
) -> list[Facade]:
    """
    Take the fall of the ground before each facade of the lot's buildings.

    Parameters
    ----------
    site
        Gives lot and buildings.
    surface
        The ground.
    paved
        Cells of paving, for which a smaller fall is enough.
    error
        Of the ground's levels.
    """
    own = own_buildings(site)
    ground = RingGround(
        surface=surface,
        paved=paved,
        lot=site.lot.geometry.union_all(),
        others=shapely.GeometryCollection(),
        error=error,
        limits=RingLimits(
            minimum_fall("ground within 10 ft of a building").least,
            minimum_fall("paving within 10 ft of a building").least,
        ),
    )
    found = []
    everything = site.buildings.geometry
    reach = 2 * RING_M / surface.ground.metres_per_unit
    for number, (index, row) in enumerate(own.iterrows(), 1):
        # of a whole street only those beside it stand in the way
        beside = everything.iloc[np.sort(everything.sindex.query(row.geometry.buffer(reach)))]
        others = beside.drop(index).union_all()
        name = str(row["name"] or f"building {number}")
        found += house_facades(name, row.geometry, replace(ground, others=others))
    return found


def openings_of(
    site: Drawn, surface: Surface, low_spots: LowSpots, *, error: LevelError, not_closed: BoolArray,
) -> list[OpeningLevels]:  # fmt: skip
    """
    Take the levels round each drawn opening.

    Parameters
    ----------
    site
        Gives the openings.
    surface, low_spots
        The ground and the water that may stand on it.
    error
        Of the ground's levels.
    not_closed
        Whether water in each low spot may rise higher than the data show.
    """
    frame = site.openings
    drawn = [
        DrawnOpening(name or f"opening {number}", kind or "", point, float(sill))
        for number, (name, kind, point, sill) in enumerate(
            zip(frame["name"], frame["kind"], frame.geometry, frame["sill_m"], strict=True), 1
        )
    ]
    return [
        _with_deviations(
            one, surface, low_spots,
            partial(error.beside, error.given.datum(("openings", one.name, "sill_m"))), not_closed,
        )
        for one in drawn
    ]  # fmt: skip


def _with_deviations(
    opening: DrawnOpening, surface: Surface, low_spots: LowSpots,
    deviation_at: Callable[[float, float], float], not_closed: BoolArray,
) -> OpeningLevels:  # fmt: skip
    """Levels round an opening, with how well ground and overflow are known against its sill."""
    grid = surface.ground
    x, y = nearest_ground(opening.point, surface)
    found = opening_levels(
        opening, surface, low_spots, rmse_m=deviation_at(x, y), not_closed=not_closed
    )
    if found.low_spot is None:
        return found
    over = np.divmod(int(low_spots.spill_cell[found.low_spot - 1]), grid.shape[1])
    return replace(found, spill_deviation_m=deviation_at(*map(float, grid.xy(*over))))


def downspouts_on_ground(
    site: Drawn, case: Case, roofs: RoofWater, path_of: PathOf, names: Sequence[str]
) -> list[SurfaceDischarge]:
    """
    Find the downspouts of the lot's buildings that discharge on the ground.

    Parameters
    ----------
    site
        Gives downspouts and buildings.
    case
        State of the drain system.
    roofs
        With the downspouts of the case.
    path_of
        Over the ground with the inlets of the case.
    names
        Of these inlets.
    """
    own = own_buildings(site).geometry
    walls = site.buildings.geometry.union_all()
    unit = roofs.surface.ground.metres_per_unit
    drawn = in_case(site.downspouts, case)
    found = []
    unknown = unknown_ways(site, case).index
    for downspout, index, point in zip(roofs.downspouts, drawn.index, drawn.geometry, strict=True):
        # it will be led into what is not there yet: where it ends now nobody said
        assumed = index in unknown
        path = path_of((float(point.x), float(point.y)))
        # buildings are numbered in the order of their rows
        ours = site.buildings.index[downspout.building - 1] in own.index
        if downspout.node or path is None or not ours:
            continue
        found.append(
            SurfaceDischarge(
                downspout.name, float(point.x), float(point.y),
                wall_m=float(point.distance(walls)) * unit,
                low_spot=path.low_spot, inlet=_inlet_name(names, path), is_assumed=assumed,
            )
        )  # fmt: skip
    return found


def outlets_on_ground(
    site: Drawn, case: Case, path_of: PathOf, names: Sequence[str], error: LevelError,
    metres_per_unit: float,
) -> list[OutletDischarge]:  # fmt: skip
    """
    Find the outlets that discharge on the ground, with the way of their water.

    Parameters
    ----------
    site
        Gives outlets, buildings and what is public.
    case
        State of the drain system.
    path_of, names
        As for `downspouts_on_ground`.
    error
        Of the ground's levels.
    metres_per_unit
        Of the site's CRS.
    """
    frame = in_case(site.outlets, case)
    frame = frame[frame["kind"].isin(_SURFACE_OUTLETS)]
    walls = own_buildings(site).geometry.union_all()
    drawn = site.constraints
    walks = drawn[drawn["kind"] == "sidewalk"]
    public = list(drawn[drawn["kind"].isin(("sidewalk", "street"))].geometry)
    found = []
    for name, point in zip(frame["name"], frame.geometry, strict=True):
        path = path_of((float(point.x), float(point.y)))
        if path is None:
            continue
        may = reaches_street(path, public, metres_per_unit) or leaves_where_allowed(
            path, list(site.allowed_ends.geometry), metres_per_unit
        )
        found.append(
            OutletDischarge(
                name, float(point.x), float(point.y),
                wall_m=runs_back_to(path, walls, metres_per_unit),
                inlet=_inlet_name(names, path), low_spot=path.low_spot,
                sidewalk=_crossed(path, walks),
                leaves_at=None if may else path.leaves_at,
                street_is_drawn=bool(public),
                to_low_spot_m=path.to_low_spot_m, fall_to_low_spot_m=path.fall_to_low_spot_m,
                doubt_m=SPREAD_95 * float(error.of_difference(path.to_low_spot_m)),
            )
        )  # fmt: skip
    return found


def _inlet_name(names: Sequence[str], path: DischargePath) -> str:
    return names[path.inlet - 1] if path.inlet else ""


def _crossed(path: DischargePath, walks: Any) -> str:
    """Name of the first sidewalk that water runs over; empty for none."""
    if path.line is not None:
        for name, shape in zip(walks["name"], walks.geometry, strict=True):
            if path.line.crosses(shape):
                return str(name or "a sidewalk")
    return ""
