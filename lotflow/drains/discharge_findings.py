"""What becomes of water on the ground: where outlets send it, how long it stands, what is near."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

from lotflow.findings import Finding
from lotflow.terrain.discharge_path import WALL_DISTANCE_M
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.standing_water import SoakAway

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
    name
        Of the outlet.
    x, y
        Where it is.
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
        told = f"Its water runs over the ground to {one.inlet}, in a circle. Lead the line farther."
        found.append(_about(one, "outlet-runs-to-inlet", told))
    elif one.low_spot:
        found.append(_to_low_spot(one))
    if one.wall_m < WALL_DISTANCE_M:
        told = (
            f"Its water runs back to within {both_units(one.wall_m, 'length')} of a wall. Move "
            "the outlet, or grade a swale."
        )
        found.append(_about(one, "outlet-runs-to-building", told))
    if one.sidewalk:
        told = (
            f"Its water runs over {one.sidewalk}, where it freezes or makes slippery: "
            "towns may forbid it. Lead it under the walk."
        )
        found.append(_about(one, "discharge-over-sidewalk", told, _SIDEWALKS))
    elif one.leaves_at is not None:
        unless = "" if one.street_is_drawn else ", unless that is a street: none is drawn"
        told = (
            f"Its water leaves the lot as it comes out of the pipe, in one place{unless}. Let it "
            "out farther from the lot line, spread, and no more than ran there before."
        )
        found.append(_about(one, "discharge-onto-neighbour", told, _NEIGHBOURS, at=one.leaves_at))
    return found


def _to_low_spot(one: OutletDischarge) -> Finding:
    """Water that runs into a low spot, as far as the data can tell its way."""
    told, sure = f"Its water runs into low spot {one.low_spot}", True
    if one.to_low_spot_m > 0:
        sure = not abs(one.fall_to_low_spot_m) < one.doubt_m
        told += f", {both_units(one.to_low_spot_m, 'length')} on"
    if sure:
        return _about(one, "outlet-runs-to-low-spot", f"{told}. Lead it farther, or past it.")
    told = (
        f"By the elevation data {told[0].lower()}{told[1:]}, but the ground falls by only "
        f"{both_units(one.fall_to_low_spot_m, 'depth')} on that way, known to about "
        f"±{both_units(one.doubt_m, 'depth')}: look on site which way it runs."
    )
    return replace(_about(one, "outlet-runs-to-low-spot", told), severity="note")


def _about(
    one: OutletDischarge, rule: str, message: str, source: str = _OWN_RULE,
    *, at: tuple[float, float] | None = None,
) -> Finding:  # fmt: skip
    x, y = (one.x, one.y) if at is None else at
    return Finding(rule, "warn", one.name, message, source=source, x=x, y=y)


@dataclass(frozen=True)
class StandingPlace:
    """
    A full low spot that only the ground drains.

    Parameters
    ----------
    name
        Of the low spot.
    x, y
        Its deepest place.
    building_m
        Distance to the nearest building [m]; NaN without one.
    soak
        How it soaks away.
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
        told = f"Once full it takes {place.hours:.0f} h to soak into the ground."
        if place.dries_only:
            told = (
                f"{both_units(place.soak.left, 'depth')} stand on ground that takes no water, "
                "until they dry."
            )
        found.append(
            Finding(
                "water-stands-too-long", "warn", place.name,
                f"{told} {limit:.0f} h is the usual limit "
                f"{'near a building' if near else 'away from buildings'}. Give it a way out.",
                measured=None if place.dries_only else round(place.hours, 1), limit=limit,
                unit="h", source=_PONDS, x=place.x, y=place.y,
            )
        )  # fmt: skip
    return found


@dataclass(frozen=True)
class OffLot:
    """
    A part of the drains that lies off the lot, on ground that is neither street nor water.

    Parameters
    ----------
    what
        Kind of the part.
    name
        Its name.
    off_m
        Length of a line or channel there, and of a point the distance from the lot [m].
    is_length
        Which of the two.
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
    far = both_units(one.off_m, "length")
    told = f"{far} of it lie off the lot" if one.is_length else f"It lies {far} off the lot"
    if one.in_easement:
        told += ", in a drawn easement. Make sure that it allows this drain."
    elif one.on_sidewalk:
        told += ", on a sidewalk. Ask whose it is, and get permission."
    else:
        told += (
            ", on ground that is drawn neither as street nor as water. Whose is it? On a "
            "neighbour's it needs an easement or written permission; else keep to the lot, or "
            "lead it to a public place."
        )
        if not one.street_is_drawn:
            told += " No street is drawn: draw it if there is one."
    return Finding(
        f"{one.what}-off-lot", "note" if one.in_easement else "warn", one.name, told,
        measured=round(one.off_m, 3), limit=limit_m, unit="m",
        source=f"{_OTHERS_GROUND}; limit: {source}", x=one.x, y=one.y,
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
    distances
        Of outlets and lines.
    setbacks
        Least distance by kind, as the job states it [m]; what is not stated is not judged.
    source
        Where the job says they come from.
    """
    return [
        Finding(
            "setback", "fail", one.subject,
            f"It lies {both_units(one.distance_m, 'length')} from the {one.kind}"
            f"{f' ({one.name})' if one.name else ''}; the job asks for "
            f"{both_units(setbacks[one.kind], 'length')}. Move it.",
            measured=round(one.distance_m, 3), limit=setbacks[one.kind], unit="m",
            source=source, x=one.x, y=one.y,
        )
        for one in distances
        if one.kind in setbacks and one.distance_m < setbacks[one.kind]
    ]  # fmt: skip
