"""What is wrong round the house: ground too flat, openings too low, downspouts too near."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.drains.judged import about_place
from lotflow.terrain.discharge_path import WALL_DISTANCE_M
from lotflow.terrain.house_ring import RING_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.findings import Finding, Severity
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
    # where the data leave open which way it falls, only that it falls too little is sure
    is_sure = facade.slope_high < 0
    rule = "ground-falls-to-building" if is_sure else "ground-too-flat-at-building"
    # what the fall was taken over may be a bank behind the paving
    ends = facade.is_paved and facade.paved_m < facade.foot_m + facade.run_m
    return about_place(
        facade.name, (facade.x, facade.y), rule, "warn",
        facts={
            "paved": facade.is_paved, "slope": facade.slope, "run_m": facade.run_m,
            "slope_low": facade.slope_low, "slope_high": facade.slope_high,
            "least": facade.slope_limit, "paved_m": facade.paved_m if ends else None,
        },
        measured=round(facade.slope, 4), limit=facade.slope_limit, unit="1", source=_IRC,
    )  # fmt: skip


def _unsure(building: str, facades: list[Facade]) -> Finding:
    """Sides of a building of which the data tell nothing."""
    # one that has the room lacks ground in the data
    narrow = [one for one in facades if one.verdict != "cannot tell" and one.reach_m < RING_M]
    facts = {
        "sides": tuple(_side(one) for one in facades if one not in narrow),
        "narrow": tuple((_side(one), one.reach_m) for one in narrow),
        "levels_at_m": RING_M,
    }
    return about_place(
        building, None, "ground-at-building-unknown", "note", facts=facts, source=_IRC
    )


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
        found.append(
            about_place(
                "openings", None, "opening-height-unknown", "note",
                facts={"openings": tuple((one.name, one.above_ground) for one in unsure)},
                source=_OWN_RULE,
            )
        )  # fmt: skip
    return found


def _about(
    one: OpeningLevels, rule: str, severity: Severity, facts: dict[str, Any],
    measured: float | None = None,
) -> Finding:  # fmt: skip
    """Make a finding about an opening; a height is held against none."""
    limits: dict[str, Any] = (
        {} if measured is None else {"measured": round(measured, 3), "limit": 0.0, "unit": "m"}
    )
    at = (float(one.point.x), float(one.point.y))
    return about_place(one.name, at, rule, severity, facts=facts, source=_OWN_RULE, **limits)


def _below_spill(one: OpeningLevels) -> Finding:
    """An opening that water in a low spot may reach."""
    sure = one.is_touched and one.freeboard + one.doubt < 0 and not one.artefact
    facts = {
        "low_spot": one.low_spot, "spill_m": one.spill, "is_least": one.not_closed,
        "freeboard_m": one.freeboard, "doubt_m": one.doubt, "touched": one.is_touched,
        "sure": sure, "artefact": one.artefact,
    }  # fmt: skip
    severity: Severity = "warn" if sure else "note"
    return _about(one, "opening-below-spill", severity, facts, one.freeboard)


def _not_told(one: OpeningLevels) -> Finding:
    """An opening beside a low spot whose level the data do not show."""
    facts = {"low_spot": one.low_spot, "spill_m": one.spill, "freeboard_m": one.freeboard}
    return _about(one, "opening-beside-not-closed", "warn", facts, one.freeboard)


def _below_ground(one: OpeningLevels) -> Finding:
    """An opening that lies below the ground beside it."""
    facts = {
        "ground_m": one.ground, "spread_m": one.spread, "above_m": one.above_ground,
        "doubt_m": one.ground_doubt,
    }  # fmt: skip
    return _about(one, "opening-below-ground", "warn", facts, one.above_ground)


def _no_sill(one: OpeningLevels) -> Finding:
    """An opening of which nobody gave the level at which water enters."""
    spill = None if one.low_spot is None else one.spill
    facts = {"low_spot": one.low_spot, "spill_m": spill, "touched": one.is_touched}
    severity: Severity = "warn" if one.is_touched else "note"
    return _about(one, "opening-sill-unknown", severity, facts)


@dataclass(frozen=True)
class SurfaceDischarge:
    """
    A downspout that lets its water out on the ground.

    Parameters
    ----------
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
        at = one.x, one.y
        if one.wall_m < WALL_DISTANCE_M:
            found.append(
                about_place(
                    one.name, at, "downspout-near-foundation", "warn",
                    facts={"wall_m": one.wall_m, "least_m": WALL_DISTANCE_M},
                    measured=round(one.wall_m, 3), limit=WALL_DISTANCE_M, unit="m",
                    source=_DOWNSPOUTS,
                )
            )  # fmt: skip
        if one.low_spot:
            found.append(
                about_place(
                    one.name, at, "downspout-feeds-low-spot", "warn",
                    facts={"low_spot": one.low_spot}, source=_OWN_RULE,
                )
            )  # fmt: skip
        elif one.inlet:
            found.append(
                about_place(
                    one.name, at, "downspout-onto-inlet-ground", "warn",
                    facts={"inlet": one.inlet}, source=_OWN_RULE,
                )
            )  # fmt: skip
    return found


def _way_unknown(one: SurfaceDischarge) -> Finding:
    """A downspout of which only is known where it is to lead."""
    return about_place(
        one.name,
        (one.x, one.y),
        "downspout-way-unknown",
        "note",
        facts={"inlet": one.inlet, "low_spot": one.low_spot},
        source=_OWN_RULE,
    )
