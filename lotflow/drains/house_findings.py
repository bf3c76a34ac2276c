"""What is wrong round the house: ground too flat, openings too low, downspouts too near."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from lotflow.findings import Finding
from lotflow.terrain.discharge_path import WALL_DISTANCE_M
from lotflow.terrain.house_ring import RING_M
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.terrain.freeboard import OpeningLevels
    from lotflow.terrain.house_ring import Facade

_IRC: Final = (
    "International Residential Code (2006), R401.3: 6 in in the first 10 ft, 2 % on impervious "
    "surfaces"
)
_OWN_RULE: Final = "lotflow's rule"
_DOWNSPOUTS: Final = "US DOE Building America: downspouts end at least 5 ft from the foundation"


#: An opening is told to lie below its ground from this share of the 95 % interval on.
_LIKELY: Final = 0.75


def facade_findings(facades: Sequence[Facade]) -> list[Finding]:
    """
    Say which ground falls too little away from a wall, and where levels are to be taken.

    Only what the elevation data exclude is flagged; that ground is good enough is never said.

    Parameters
    ----------
    facades
        As judged.
    """
    found = [_too_flat(one) for one in facades if one.verdict == "too flat"]
    for building in dict.fromkeys(one.building for one in facades):
        unsure = [one for one in facades if one.building == building and _is_open(one)
                  and one.reach_m >= _LEVEL_REACH_M]  # fmt: skip
        if unsure:
            found.append(_unsure(building, unsure))
    return found


#: Before a wall with less room than this, such as a party wall, nobody takes levels [m].
_LEVEL_REACH_M: Final = 0.5


def _is_open(facade: Facade) -> bool:
    return facade.verdict in ("cannot tell", "too narrow to tell")


def _too_flat(facade: Facade) -> Finding:
    """Ground that falls too little, or towards the wall."""
    kind = "paving" if facade.is_paved else "soil"
    # where the data leave open which way it falls, only that it falls too little is sure
    is_sure = facade.slope_high < 0
    rule = "ground-falls-to-building" if is_sure else "ground-too-flat-at-building"
    sure = f"The {kind} falls towards the wall" if is_sure else (
        f"The {kind} does not fall away from the wall as it should"
    )  # fmt: skip
    return Finding(
        rule, "warn", facade.name,
        f"{sure}: by the data {_fall(facade.slope)} over {both_units(facade.run_m, 'length')} "
        f"where it is worst, within their accuracy between {_fall(facade.slope_low)} and "
        f"{_fall(facade.slope_high)}; a fall of {facade.slope_limit:.0%} away from it is the "
        "least. Level it on site, then regrade or take the water in.",
        measured=round(facade.slope, 4), limit=facade.slope_limit, unit="1", source=_IRC,
        x=facade.x, y=facade.y,
    )  # fmt: skip


def _fall(slope: float) -> str:
    """Name a fall by its side."""
    return f"{abs(slope):.1%} {'towards' if slope < 0 else 'away from'} it"


def _unsure(building: str, facades: list[Facade]) -> Finding:
    """Sides of a building of which the data tell nothing."""
    told = ""
    # one that has the room lacks ground in the data
    narrow = [one for one in facades if one.verdict != "cannot tell" and one.reach_m < RING_M]
    roomy = [one for one in facades if one not in narrow]
    if roomy:
        sides = ", ".join(_side(one) for one in roomy)
        told += (
            "The elevation data cannot tell whether the ground falls away enough here: "
            f"{sides}. Take levels at the wall and {both_units(RING_M, 'length')} out, or where "
            "the lot ends. "
        )
    if narrow:
        sides = ", ".join(f"{_side(one)} ({both_units(one.reach_m, 'length')})" for one in narrow)
        told += (
            "The lot line or another building stands too near for the data to show a fall "
            f"here: {sides}. Take levels at the wall and there, and lead the water along the wall."
        )
    return Finding("ground-at-building-unknown", "note", building, told.strip(), source=_IRC)


def _side(facade: Facade) -> str:
    """Name of a facade without that of its building."""
    return facade.name.removeprefix(f"{facade.building}, ")


def opening_findings(openings: Sequence[OpeningLevels]) -> list[Finding]:
    """
    Say which openings water can reach, by the ground and by the low spot beside them.

    Parameters
    ----------
    openings
        With the levels round them.
    """
    # a level that is not known compares as false
    found = [_below_spill(one) for one in openings if one.freeboard < one.doubt]
    found += [_not_told(one) for one in openings if one.not_closed and one.freeboard >= one.doubt]
    low = [one for one in openings if one.above_ground < -_LIKELY * one.ground_doubt]
    found += [_below_ground(one) for one in low]
    found += [_no_sill(one) for one in openings if math.isnan(one.sill)]
    unsure = [one for one in openings
              if abs(one.above_ground) < one.ground_doubt and one not in low]  # fmt: skip
    if unsure:
        listed = ", ".join(f"{one.name} ({_signed(one.above_ground)})" for one in unsure)
        found.append(
            Finding(
                "opening-height-unknown", "note", "openings",
                "The elevation data cannot tell whether these stand above the ground before them "
                f"(in brackets by how much, as the data have it): {listed}. Measure the step at "
                "each.",
                source=_OWN_RULE,
            )
        )  # fmt: skip
    return found


def _below_spill(one: OpeningLevels) -> Finding:
    """An opening that water in a low spot may reach."""
    sure = one.is_touched and one.freeboard + one.doubt < 0 and not one.artefact
    full = f"Low spot {one.low_spot} overflows at {_bound(one)}{_at(one.spill)}"
    if not one.is_touched:
        advice = "Full, it stands near this opening and not at it. Take both levels on site."
    elif sure:
        advice = "Water enters when it is full: keep its level down, or raise the sill."
    else:
        advice = (
            f"Within ±{both_units(one.doubt, 'depth')}, the accuracy of the data, water may "
            "enter when it is full: take both levels on site."
        )
    but = f" But: {one.artefact}." if one.artefact else ""
    return Finding(
        "opening-below-spill", "warn" if sure else "note", one.name,
        f"{full}; the sill stands {_above(one.freeboard)} that. {advice}{but}",
        measured=round(one.freeboard, 3), limit=0.0, unit="m", source=_OWN_RULE,
        x=float(one.point.x), y=float(one.point.y),
    )  # fmt: skip


def _bound(one: OpeningLevels) -> str:
    """What stands before a level that is only known not to be lower."""
    return "at least " if one.not_closed else ""


def _not_told(one: OpeningLevels) -> Finding:
    """An opening beside a low spot whose level the data do not show."""
    return Finding(
        "opening-beside-not-closed", "warn", one.name,
        f"The elevation data do not close low spot {one.low_spot} beside it: its water rises to "
        f"{_at(one.spill)} or higher. The sill stands at most {both_units(one.freeboard, 'depth')} "
        "above it; it cannot be told whether water reaches it. Give elevation data that reach "
        "farther.",
        measured=round(one.freeboard, 3), limit=0.0, unit="m", source=_OWN_RULE,
        x=float(one.point.x), y=float(one.point.y),
    )  # fmt: skip


def _below_ground(one: OpeningLevels) -> Finding:
    """An opening that lies below the ground beside it."""
    return Finding(
        "opening-below-ground", "warn", one.name,
        f"The ground before it lies at {_at(one.ground)}, give or take "
        f"{both_units(one.spread, 'depth')}; its sill stands "
        f"{_above(one.above_ground)} that, known to about "
        f"±{both_units(one.ground_doubt, 'depth')}. "
        + ("Lower the ground, or build a wall round it." if one.above_ground < -one.ground_doubt
           else "Measure the step; if it is so, lower the ground, or build a wall round it."),
        measured=round(one.above_ground, 3), limit=0.0, unit="m", source=_OWN_RULE,
        x=float(one.point.x), y=float(one.point.y),
    )  # fmt: skip


def _no_sill(one: OpeningLevels) -> Finding:
    """An opening of which nobody gave the level at which water enters."""
    water = (
        f" Low spot {one.low_spot} {'at' if one.is_touched else 'near'} it overflows at "
        f"{_at(one.spill)}: whether water enters cannot be told."
        if one.low_spot is not None
        else ""
    )
    return Finding(
        "opening-sill-unknown", "warn" if one.is_touched else "note", one.name,
        f"No sill is given.{water} Measure it.",
        source=_OWN_RULE, x=float(one.point.x), y=float(one.point.y),
    )  # fmt: skip


def _signed(height: float) -> str:
    return both_units(height, "depth")


def _at(level: float) -> str:
    return both_units(level, "elevation")


def _above(height: float) -> str:
    return f"{both_units(abs(height), 'depth')} {'above' if height >= 0 else 'below'}"


@dataclass(frozen=True)
class SurfaceDischarge:
    """
    A downspout that lets its water out on the ground.

    Parameters
    ----------
    name
        Of the downspout.
    x, y
        Where it ends.
    wall_m
        Distance to the nearest building [m].
    low_spot
        Number of the first low spot its water runs into; 0 for none.
    inlet
        Name of the inlet that takes it; empty for none.
    is_assumed
        Whether nobody gave where it leads, so that it is taken to end on the ground.
    """

    name: str
    x: float
    y: float
    wall_m: float
    low_spot: int
    inlet: str
    is_assumed: bool = False


def downspout_findings(downspouts: Sequence[SurfaceDischarge]) -> list[Finding]:
    """
    Say which downspouts end too near a wall, feed a low spot, or run onto an inlet's ground.

    Parameters
    ----------
    downspouts
        Those that discharge on the surface.
    """
    found = [_way_unknown(one) for one in downspouts if one.is_assumed]
    for one in downspouts:
        if one.is_assumed:
            continue
        if one.wall_m < WALL_DISTANCE_M:
            found.append(
                Finding(
                    "downspout-near-foundation", "warn", one.name,
                    f"It ends {both_units(one.wall_m, 'length')} from the wall. Lead its water at "
                    f"least {both_units(WALL_DISTANCE_M, 'length')} away, over ground that falls.",
                    measured=round(one.wall_m, 3), limit=WALL_DISTANCE_M, unit="m",
                    source=_DOWNSPOUTS, x=one.x, y=one.y,
                )
            )  # fmt: skip
        if one.low_spot:
            found.append(
                Finding(
                    "downspout-feeds-low-spot", "warn", one.name,
                    f"Its water runs into low spot {one.low_spot}. Lead it past, in a pipe of its "
                    "own or to another side.",
                    source=_OWN_RULE, x=one.x, y=one.y,
                )
            )  # fmt: skip
        elif one.inlet:
            found.append(
                Finding(
                    "downspout-onto-inlet-ground", "warn", one.name,
                    f"Its water runs over the ground to {one.inlet}, whose grate and line must "
                    "take it too. Lead it into the line, or elsewhere.",
                    source=_OWN_RULE, x=one.x, y=one.y,
                )
            )  # fmt: skip
    return found


def _way_unknown(one: SurfaceDischarge) -> Finding:
    """A downspout of which only is known where it is to lead."""
    goes = f"runs to {one.inlet}, and counts there" if one.inlet else (
        f"runs into low spot {one.low_spot}" if one.low_spot else "runs on over the ground"
    )  # fmt: skip
    return Finding(
        "downspout-way-unknown", "note", one.name,
        "Where it leads now is not given: its water is taken to come out on the ground at its "
        f"foot, and by the data {goes}. Look where it goes.",
        source=_OWN_RULE, x=one.x, y=one.y,
    )  # fmt: skip
