"""What ponds, blocked inlets and inlets of limited capacity have to say to the designer."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.drains.standing_water import infiltration_rates
from lotflow.findings import ALL_INLETS, Finding
from lotflow.ponding.records import (
    BEYOND,
    SEEN_M,
    AtWall,
    Risen,
    at_walls,
    reaches,
    touched,
    worst_rise,
)
from lotflow.scenarios import ALL_BLOCKED, LIMITED, OPEN
from lotflow.terrain.level_error import SPREAD_95

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from lotflow.criteria import Criteria
    from lotflow.findings import Severity
    from lotflow.ponding.ponds import PondGround
    from lotflow.ponding.records import CaseStorm, Pond, Rise
    from lotflow.terrain.freeboard import Freeboard

_OWN_RULE: Final = "lotflow's rule"
#: What an inlet refuses is told from this share of what reaches it on, and this much [-], [m^3].
_TELLING_SHARE: Final = 0.01
_TELLING_M3: Final = 0.01
#: A pond is one of the lot from this much of it on the lot on: a puddle of one small cell, or the
#: corner of a neighbour's pond, is none [m^2], [-].
_LEAST_ON_LOT_M2: Final = 1.0
_LEAST_ON_LOT_SHARE: Final = 0.1


@dataclass(frozen=True, eq=False)
class PondsFound:
    """
    All cases and storms, and what they are judged by.

    Parameters
    ----------
    ground
        Names, places and doubts.
    storms
        All cases and storms; the cases in their order, storms rising.
    periods
        Return periods of the storms [yr].
    criteria
        The limits.
    connected_m3
        Roof water of each storm that is led into drains [m^3].
    """

    ground: PondGround
    storms: Sequence[CaseStorm]
    periods: Sequence[float]
    criteria: Criteria
    connected_m3: Sequence[float]

    def where(self, pond: Pond) -> tuple[float, float]:
        """Easting and northing of the deepest point of a pond."""
        return self.place(pond.bed_cell)

    def place(self, cell: int) -> tuple[float, float]:
        """Easting and northing of a cell, by its flat index."""
        x, y = self.ground.grid.xy(*divmod(cell, self.ground.grid.shape[1]))
        return float(x), float(y)

    def storm(self, storm: CaseStorm) -> dict[str, Any]:
        """Facts that name a storm."""
        return {"period_yr": self.periods[storm.storm], "scenario": storm.scenario}


def pond_findings(found: PondsFound) -> list[Finding]:
    """Say what stands on the lot with every inlet open, and what happens when some are blocked."""
    judges = (_at_buildings, _too_long, _overflowing)
    findings = [finding for judge in judges for finding in _first_storm(found, judge)]
    return findings + _blocked(found) + _limited(found)


def _first_storm(
    found: PondsFound, judge: Callable[[PondsFound, CaseStorm, Pond], Iterable[tuple[str, Finding]]]
) -> list[Finding]:
    """
    Judge ponds with no inlet blocked; the most frequent storm counts.

    Where it is known what inlets take, ponds are those that stand when they take no more. Of each
    low spot and key that the judge gives: one low spot may hold several ponds, one pond may stand
    at several walls.
    """
    first: dict[tuple[int, str], Finding] = {}
    usual = LIMITED if any(storm.scenario == LIMITED for storm in found.storms) else OPEN
    for storm in found.storms:
        if storm.scenario != usual:
            continue
        for pond in storm.ponds:
            if not _is_of_lot(pond):
                continue
            for key, finding in judge(found, storm, pond):
                doubt = found.ground.artefact[pond.low_spot - 1]
                first.setdefault((pond.low_spot, key), _doubted(finding, doubt))
    return list(first.values())


def _is_of_lot(pond: Pond) -> bool:
    """Whether a pond is told as one of the lot: it reaches a sill of it, or enough lies on it."""
    if not pond.on_lot or reaches(pond.walls):
        return pond.on_lot
    inside = pond.area_m2 - pond.off_lot_m2
    return inside >= max(_LEAST_ON_LOT_M2, _LEAST_ON_LOT_SHARE * pond.area_m2) - 1e-9


def _doubted(finding: Finding, doubt: str) -> Finding:
    """Say so where the low spot may be no standing water at all, and weigh the finding less."""
    finding = replace(finding, facts={**finding.facts, "doubt": doubt})
    if not doubt:
        return finding
    less: Severity = "warn" if finding.severity == "fail" else "note"
    return replace(finding, severity=less)


def _at_buildings(found: PondsFound, storm: CaseStorm, pond: Pond) -> Iterable[tuple[str, Finding]]:
    """Water at openings and walls: above or just below a level that is given, or none is given."""
    for wall in pond.walls:
        name = wall.threshold.name
        if wall.is_reached:
            yield f"reached {name}", _reached(found, storm, pond, wall)
        elif wall.is_close(found.ground.rmse):
            yield f"close {name}", _near_threshold(found, storm, pond, wall)
        elif pond.not_closed and wall.threshold.is_given:
            yield f"not closed {name}", _not_told(found, storm, pond, wall)
    unknown = [one for one in at_walls(pond.walls) if _is_unknown(one, pond.walls)]
    for wall in [*unknown, *at_walls(pond.walls, openings=True)]:
        if not wall.threshold.is_given and wall.threshold.is_own:
            yield f"unknown {wall.threshold.name}", _no_level(found, storm, pond, wall)


def _is_unknown(wall: Freeboard, walls: Sequence[Freeboard]) -> bool:
    """Whether none knows how high water may stand at a wall: no threshold, no opening in it."""
    openings = [one for one in walls if one.threshold.is_opening and one.at_wall]
    return not wall.threshold.is_given and not (wall.threshold.is_own and openings)


def _reached(found: PondsFound, storm: CaseStorm, pond: Pond, wall: Freeboard) -> Finding:
    """Water at a wall as high as a level given for it."""
    severity: Severity = "fail" if wall.freeboard <= -found.ground.rmse else "warn"
    x, y = found.place(wall.cell)
    return Finding(
        "pond-reaches-building", severity, f"low spot {pond.low_spot}",
        measured=round(wall.freeboard, 3), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
        facts={**found.storm(storm), "wall": _at(wall)}, **_water(pond),
    )  # fmt: skip


def _water(water: Pond | Rise) -> dict[str, Any]:
    """Fields of a finding about a body of water."""
    return {
        "area_m2": round(water.area_m2, 3),
        "volume_m3": round(water.volume_m3, 4),
        "touches": touched(water),
    }


def _at(wall: Freeboard) -> AtWall:
    """How deep water stands at a wall or opening, and how high against what is given there."""
    threshold = wall.threshold
    freeboard = wall.freeboard if threshold.is_given else None
    if freeboard is not None and abs(freeboard) < SEEN_M:
        freeboard = 0.0
    return AtWall(threshold.name, threshold.is_opening, wall.depth, threshold.basis, freeboard)


def _not_told(found: PondsFound, storm: CaseStorm, pond: Pond, wall: Freeboard) -> Finding:
    """Water near a sill or threshold of which it is not known how high it stands."""
    x, y = found.place(wall.cell)
    return Finding(
        "pond-not-closed", "warn", f"low spot {pond.low_spot}",
        measured=round(wall.freeboard, 3), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
        facts={
            **found.storm(storm), "depth_m": pond.depth, "near": wall.threshold.name,
            "basis": wall.threshold.basis, "freeboard_m": wall.freeboard,
        },
        **_water(pond),
    )  # fmt: skip


def _near_threshold(found: PondsFound, storm: CaseStorm, pond: Pond, wall: Freeboard) -> Finding:
    """Water at a wall, below the level at which it enters by less than the data can tell."""
    x, y = found.place(wall.cell)
    return Finding(
        "pond-near-threshold", "warn", f"low spot {pond.low_spot}",
        measured=round(wall.freeboard, 3), limit=found.ground.rmse, unit="m",
        source="lotflow's rule: the stated vertical RMSE of the elevation data", x=x, y=y,
        facts={
            **found.storm(storm), "at": wall.threshold.name,
            "basis": wall.threshold.basis, "freeboard_m": wall.freeboard,
        },
        **_water(pond),
    )  # fmt: skip


def _no_level(found: PondsFound, storm: CaseStorm, pond: Pond, wall: Freeboard) -> Finding:
    """Water at a wall or opening of which no sill or threshold is given."""
    x, y = found.place(wall.cell)
    severity: Severity = "warn" if wall.depth >= found.ground.rmse else "note"
    return Finding(
        "pond-at-wall", severity, f"low spot {pond.low_spot}",
        measured=round(wall.depth, 3), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
        facts={**found.storm(storm), "wall": _at(wall)}, **_water(pond),
    )  # fmt: skip


def _too_long(found: PondsFound, storm: CaseStorm, pond: Pond) -> Iterable[tuple[str, Finding]]:
    """Water that soaks away too slowly, or never."""
    criteria, hours = found.criteria, pond.soak.time / 3600.0
    near = bool(pond.walls)
    name = "standing_near_house_h" if near else "standing_h"
    stays = pond.soak.left >= criteria.pond_depth_m
    if not stays and hours <= getattr(criteria, name):
        return
    x, y = found.where(pond)
    # one within the error of the data fails nothing
    sure = pond.depth >= SPREAD_95 * found.ground.rmse
    late = not stays and hours > criteria.standing_longest_h
    name = "standing_longest_h" if late else name
    limit = getattr(criteria, name)
    yield "", Finding(
        "pond-stands-too-long", "fail" if late and sure else "warn", f"low spot {pond.low_spot}",
        measured=round(hours, 1) if math.isfinite(hours) else None,
        limit=limit, unit="h", source=criteria.sources()[name], x=x, y=y,
        facts={
            **found.storm(storm), "depth_m": pond.depth, "at_least": pond.not_closed,
            "stays_m": pond.soak.left if stays else None, "hours": None if stays else hours,
            "through_inlets": pond.through_inlets, "limit_h": limit,
            "limit_holds": "anywhere" if late else "near a building" if near else "on a lot",
        },
    )  # fmt: skip


def _overflowing(found: PondsFound, storm: CaseStorm, pond: Pond) -> Iterable[tuple[str, Finding]]:
    """Water that runs over out of a pond and off the lot."""
    if pond.spill is None or pond.spill.onto != BEYOND:
        return
    x, y = found.place(pond.spill.cell)
    yield "", Finding(
        "pond-overflows-the-lot", "note", f"low spot {pond.low_spot}",
        measured=round(pond.overflow_m3, 3), limit=0.0, unit="m3", source=_OWN_RULE, x=x, y=y,
        facts={**found.storm(storm), "overflow_m3": pond.overflow_m3, "to": pond.spill.to},
    )  # fmt: skip


def _blocked(found: PondsFound) -> list[Finding]:
    """What happens in the largest storm when an inlet is blocked."""
    last = len(found.periods) - 1
    return [
        _blocked_inlet(found, storm)
        for storm in found.storms
        if storm.storm == last and storm.scenario not in (OPEN, LIMITED)
    ]


def _blocked_inlet(found: PondsFound, storm: CaseStorm) -> Finding:
    """Which water rises how high and how far, what it reaches, and where it runs over."""
    subject, facts = storm.scenario.inlet or ALL_INLETS, found.storm(storm)
    worst = worst_rise(storm, found.ground.artefact, found.ground.rmse)
    if worst is None:
        near = np.unique(found.ground.low_spot[found.ground.near])
        unclosed = [int(spot) for spot in near if spot and found.ground.not_closed[spot - 1]]
        if unclosed:
            return Finding(
                "inlet-blocked", "warn", subject, source=_OWN_RULE,
                facts=facts | {"unclosed": tuple(unclosed)},
            )  # fmt: skip
        return Finding(
            "inlet-blocked", "note", subject, measured=0.0, limit=0.0, unit="m", source=_OWN_RULE,
            area_m2=0.0, volume_m3=0.0, facts=facts | {"cell_m": found.ground.grid.cell_m},
        )  # fmt: skip
    x, y = found.place(worst.cell)
    return Finding(
        "inlet-blocked", "warn" if _harm(found, worst) else "note", subject,
        measured=round(worst.rise, 4), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
        facts=facts | {
            "rise": _risen(worst, found.ground.rmse), "elsewhere": _elsewhere(storm, worst),
            "sooner": _sooner(found, storm), "higher_yet_m": _higher_yet(found, storm, worst),
            "roofs_led_in": found.connected_m3[storm.storm] > _TELLING_M3,
        },
        **_water(worst),
    )  # fmt: skip


def _sooner(found: PondsFound, storm: CaseStorm) -> tuple[float, AtWall] | None:
    """The most frequent storm in which the same blocked inlet lets water reach a sill, and it."""
    for one in found.storms:
        if one.scenario != storm.scenario or one.storm >= storm.storm:
            continue
        # what stands there with nothing blocked too is no matter of this inlet
        rises = [rise for rise in one.rises if rise.rise >= SEEN_M]
        walls = [wall for rise in rises for wall in rise.walls if wall.is_reached]
        if walls:
            return found.periods[one.storm], _at(walls[0])
    return None


def _higher_yet(found: PondsFound, storm: CaseStorm, worst: Rise) -> float | None:
    """How much higher water stands with nothing blocked, since inlets take too little [m]."""
    if storm.scenario == ALL_BLOCKED:
        return None
    place = shapely.Point(found.place(worst.cell))
    same = [
        pond
        for one in found.storms if one.scenario == LIMITED and one.storm == storm.storm
        for pond in one.ponds if pond.low_spot == worst.low_spot and pond.outline.covers(place)
    ]  # fmt: skip
    highest = max(same, key=lambda pond: pond.level, default=None)
    if highest is None or highest.level < worst.level + SEEN_M:
        return None
    return highest.level - worst.level


def _harm(found: PondsFound, rise: Rise) -> bool:
    """Whether water that rises may harm: at a wall, or over the lot line."""
    if rise.rise < SEEN_M:
        return False
    close = any(wall.is_close(found.ground.rmse) for wall in rise.walls)
    unknown = any(
        _is_unknown(wall, rise.walls) and wall.depth >= found.ground.rmse
        for wall in at_walls(rise.walls)
    )
    beyond = rise.pond and rise.pond.spill and rise.pond.spill.onto == BEYOND
    untold = rise.not_closed and rise.walls
    return bool(reaches(rise.walls) or close or unknown or beyond or untold)


def _risen(rise: Rise, rmse: float) -> Risen:
    """How much water rises, what it stands at, where it runs over, and what must be measured."""
    openings = [one for one in at_walls(rise.walls, openings=True) if one.threshold.is_given]
    given = [one for one in at_walls(rise.walls) if one.threshold.is_given]
    walls = [one for one in at_walls(rise.walls) if _is_unknown(one, rise.walls)]
    own = [one for one in walls if one.threshold.is_own]
    others = tuple(one.threshold.name for one in walls if not one.threshold.is_own)
    stands_at = tuple(_at(one) for one in [*openings, *given, *own])
    near = next((one for one in rise.walls if one.threshold.is_given), None)
    is_left = near is not None and near.freeboard > 0 and not (stands_at or others)
    spill = rise.pond.spill if rise.pond else None
    seen = rise.rise >= SEEN_M
    touched_by = at_walls(rise.walls) + at_walls(rise.walls, openings=True)
    unsure = seen and any(abs(one.freeboard) < rmse for one in touched_by)
    return Risen(
        rise_m=rise.rise if seen else None,
        least_told_m=SEEN_M,
        low_spot=rise.low_spot,
        is_near=rise.is_near,
        at_least=rise.not_closed,
        depth_m=rise.depth,
        area_m2=rise.area_m2,
        volume_m3=rise.volume_m3,
        stands_at=stands_at,
        stands_at_neighbours=others,
        left_to=(near.freeboard, near.threshold.basis, near.threshold.name)
        if near is not None and is_left else None,
        overflow_m3=rise.pond.overflow_m3 if rise.pond and spill else None,
        # from one pit of a low spot into the next it does not leave the low spot
        overflows_to="" if spill is None or spill.to == f"low spot {rise.low_spot}" else spill.to,
        overflows_beyond_lot=spill is not None and spill.onto == BEYOND,
        level_doubt_m=SPREAD_95 * rmse if unsure else None,
        sills_unknown=_sills_unknown(touched_by, rise.walls) if seen else (),
    )  # fmt: skip


def _sills_unknown(touched_by: Sequence[Freeboard], walls: Sequence[Freeboard]) -> tuple[str, ...]:
    """What must be measured before it can be told whether water enters."""
    return tuple(
        one.threshold.name
        for one in touched_by
        if one.threshold.is_own
        and not one.threshold.is_given
        and (one.threshold.is_opening or _is_unknown(one, walls))
    )


def _elsewhere(storm: CaseStorm, worst: Rise) -> tuple[int, float]:
    """In how many other places water rises, and over what area [m^2]."""
    rest = [one for one in storm.rises if one is not worst and one.rise >= SEEN_M]
    return len(rest), float(sum(one.raised_m2 for one in rest))


def _limited(found: PondsFound) -> list[Finding]:
    """Inlets to which water comes faster than they take it, each in its most frequent storm."""
    first: dict[int, Finding] = {}
    for storm in found.storms:
        if storm.scenario != LIMITED:
            continue
        for position, volume in enumerate((storm.refused_m3 + storm.gone_on_m3).tolist()):
            reaching = volume + float(storm.taken_m3[position])
            if volume <= max(_TELLING_SHARE * reaching, _TELLING_M3) or position in first:
                continue
            first[position] = Finding(
                "inlet-passed", "warn", found.ground.inlets[position],
                measured=round(volume, 3), limit=0.0, unit="m3", source=_OWN_RULE,
                facts={
                    "period_yr": found.periods[storm.storm], "refused_m3": volume,
                    "reaching_m3": reaching,
                },
            )  # fmt: skip
    return list(first.values())


def soil_note(soil_group: str, soak_test_m_s: float | None) -> Finding:
    """Say by which infiltration the times are counted until ponds are gone."""
    measured = soak_test_m_s is not None
    rate = float(infiltration_rates(["soil"], soil_group, measured=soak_test_m_s)[0])
    return Finding(
        "infiltration-counted", "note", "lot", measured=round(rate * 3.6e6, 3), unit="mm/h",
        source="measured on site" if measured
        else "Minnesota Stormwater Manual, design infiltration rates",
        facts={"rate_m_s": rate, "soil_group": None if measured else soil_group},
    )  # fmt: skip
