"""What becomes of water on the ground: where outlets send it, how long it stands, what is near."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from lotflow.drains.judged import about_place
from lotflow.terrain.discharge_path import WALL_DISTANCE_M

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.standing_water import SoakAway
    from lotflow.findings import Finding, Severity

_OWN_RULE: Final = "lotflow's rule"
_NEIGHBOURS: Final = (
    "Keys v. Romley (California 1966), reasonable use; Moline IL and Sierra County CA section "
    "12.08.560: a pipe end is concentrated discharge. Local law decides"
)
_OTHERS_GROUND: Final = (
    "common practice, no published source: a drain on another's ground needs an easement or "
    "permission"
)
_SIDEWALKS: Final = "ordinances of Moses Lake WA, Redwood City CA, Silverton OR; local law decides"
_PONDS: Final = (
    "home builders' performance guidelines, as quoted: 24 h near the house, 48 h in swales"
)
#: Longest time water should stand [h]: within 10 ft of a building, and elsewhere.
_NEAR_HOUSE_H: Final = 24.0
_ELSEWHERE_H: Final = 48.0
#: Less water than this on paving is a film, lotflow's rule [m].
_LEFT_M: Final = 0.01
_NEAR_M: Final = 3.048


@dataclass(frozen=True)
class OutletDischarge:
    """
    An outlet on the ground, and where its water goes.

    Parameters
    ----------
    wall_m
        Least distance of the way from a building, where it was let out clear of it [m]; NaN
        otherwise.
    inlet
        Name of the inlet that takes the water; empty for none.
    low_spot
        Number of the first low spot it runs into; 0 for none.
    sidewalk
        Name of a sidewalk it runs over; empty for none.
    leaves_at
        Where it leaves the lot for ground that is no street; None where it does not.
    street_is_drawn
        Whether any street or sidewalk is drawn at all.
    to_low_spot_m, fall_to_low_spot_m
        Length of the way to that low spot, and how far the ground falls on it [m].
    doubt_m
        Half the 95 % interval of that fall [m].
    """

    name: str
    x: float
    y: float
    wall_m: float
    inlet: str
    low_spot: int
    sidewalk: str
    leaves_at: tuple[float, float] | None
    street_is_drawn: bool
    to_low_spot_m: float = math.nan
    fall_to_low_spot_m: float = math.nan
    doubt_m: float = math.nan


def outlet_discharge_findings(outlets: Sequence[OutletDischarge]) -> list[Finding]:
    """
    Say which outlets send their water back, over a sidewalk, or onto a neighbour.

    Parameters
    ----------
    outlets
        Those that discharge on the ground.
    """
    return [finding for one in outlets for finding in _of_outlet(one)]


def _of_outlet(one: OutletDischarge) -> list[Finding]:
    """What is wrong with where one outlet's water goes."""
    found = []
    if one.inlet:
        found.append(_about(one, "outlet-runs-to-inlet", {"inlet": one.inlet}))
    elif one.low_spot:
        found.append(_to_low_spot(one))
    if one.wall_m < WALL_DISTANCE_M:
        found.append(_about(one, "outlet-runs-to-building", {"wall_m": one.wall_m}))
    if one.sidewalk:
        facts = {"sidewalk": one.sidewalk}
        found.append(_about(one, "discharge-over-sidewalk", facts, source=_SIDEWALKS))
    elif one.leaves_at is not None:
        drawn = {"street_is_drawn": one.street_is_drawn}
        found.append(
            _about(one, "discharge-onto-neighbour", drawn, source=_NEIGHBOURS, at=one.leaves_at)
        )
    return found


def _to_low_spot(one: OutletDischarge) -> Finding:
    """Water that runs into a low spot, as far as the data can tell its way."""
    facts: dict[str, Any] = {"low_spot": one.low_spot, "way_m": None}
    severity: Severity = "warn"
    if one.to_low_spot_m > 0:
        facts["way_m"] = one.to_low_spot_m
        if abs(one.fall_to_low_spot_m) < one.doubt_m:
            severity = "note"
            facts |= {"fall_m": one.fall_to_low_spot_m, "doubt_m": one.doubt_m}
    return _about(one, "outlet-runs-to-low-spot", facts, severity)


def _about(
    one: OutletDischarge, rule: str, facts: dict[str, Any], severity: Severity = "warn", *,
    source: str = _OWN_RULE, at: tuple[float, float] | None = None,
) -> Finding:  # fmt: skip
    where = (one.x, one.y) if at is None else at
    return about_place(one.name, where, rule, severity, facts=facts, source=source)


@dataclass(frozen=True)
class StandingPlace:
    """
    A full low spot that only the ground drains.

    Parameters
    ----------
    building_m
        Distance to the nearest building [m]; NaN without one.
    """

    name: str
    x: float
    y: float
    building_m: float
    soak: SoakAway

    @property
    def dries_only(self) -> bool:
        """Whether water stays on ground that takes nothing."""
        return self.soak.left > _LEFT_M

    @property
    def hours(self) -> float:
        """Time until it is gone [h]; infinite where some of it only dries."""
        return math.inf if self.dries_only else self.soak.time / 3600


def standing_findings(places: Sequence[StandingPlace]) -> list[Finding]:
    """
    Say where water stands too long once a low spot is full.

    Parameters
    ----------
    places
        Low spots that no inlet drains.
    """
    found = []
    for place in places:
        near = place.building_m <= _NEAR_M
        limit = _NEAR_HOUSE_H if near else _ELSEWHERE_H
        if place.hours <= limit:
            continue
        found.append(
            about_place(
                place.name, (place.x, place.y), "water-stands-too-long", "warn",
                facts={
                    "hours": None if place.dries_only else place.hours,
                    "left_m": place.soak.left, "most_h": limit, "near_building": near,
                },
                measured=None if place.dries_only else round(place.hours, 1), limit=limit,
                unit="h", source=_PONDS,
            )
        )  # fmt: skip
    return found


@dataclass(frozen=True)
class OffLot:
    """
    A part of the drains that lies off the lot, on ground that is neither street nor water.

    Parameters
    ----------
    off_m
        Length of a line or channel there, and of a point the distance from the lot [m].
    on_sidewalk, in_easement
        Whether all of it lies on a drawn sidewalk, or in a drawn easement.
    street_is_drawn
        Whether any street is drawn.
    x, y
        Where it is farthest from the lot.
    """

    what: Literal["inlet", "outlet", "line"]
    name: str
    off_m: float
    is_length: bool
    on_sidewalk: bool
    in_easement: bool
    street_is_drawn: bool
    x: float
    y: float


def off_lot_findings(parts: Sequence[OffLot], limit_m: float, source: str) -> list[Finding]:
    """
    Say which inlets, outlets and lines lie on ground that may be a neighbour's.

    Parameters
    ----------
    parts
        What lies off the lot.
    limit_m
        As far as a drawing may be off [m]; what is less is not said.
    source
        Where that limit comes from.
    """
    return [_off_lot(one, limit_m, source) for one in parts if one.off_m > limit_m]


def _off_lot(one: OffLot, limit_m: float, source: str) -> Finding:
    """Ask whose ground it is."""
    on = "easement" if one.in_easement else "sidewalk" if one.on_sidewalk else "ground"
    return about_place(
        one.name, (one.x, one.y), f"{one.what}-off-lot", "note" if one.in_easement else "warn",
        facts={
            "off_m": one.off_m, "is_length": one.is_length, "on": on,
            "street_is_drawn": one.street_is_drawn,
        },
        measured=round(one.off_m, 3), limit=limit_m, unit="m",
        source=f"{_OTHERS_GROUND}; limit: {source}",
    )  # fmt: skip


@dataclass(frozen=True)
class Distance:
    """
    How near something of the drains is to what it must keep from.

    Parameters
    ----------
    subject
        Name of the outlet or line.
    kind
        What it must keep from: "lot line", "septic", ...
    name
        Name of that thing; may be empty.
    distance_m
        Between them [m].
    x, y
        Where the subject is nearest.
    """

    subject: str
    kind: str
    name: str
    distance_m: float
    x: float
    y: float


def setback_findings(
    distances: Sequence[Distance], setbacks: Mapping[str, float], source: str
) -> list[Finding]:
    """
    Say what lies nearer than the job's own table allows.

    Parameters
    ----------
    setbacks
        Least distance by kind, as the job states it [m]; what is not stated is not judged.
    source
        Where the job says they come from.
    """
    return [
        about_place(
            one.subject, (one.x, one.y), "setback", "fail",
            facts={
                "kind": one.kind, "name": one.name, "distance_m": one.distance_m,
                "least_m": setbacks[one.kind],
            },
            measured=round(one.distance_m, 3), limit=setbacks[one.kind], unit="m", source=source,
        )
        for one in distances
        if one.kind in setbacks and one.distance_m < setbacks[one.kind]
    ]  # fmt: skip
