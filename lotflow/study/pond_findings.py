"""What ponds, blocked inlets and inlets of limited capacity have to say to the designer."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.findings import ALL_INLETS, Finding
from lotflow.scenarios import ALL_BLOCKED, LIMITED, OPEN, Scenario
from lotflow.study.pond_records import BEYOND, at_walls, reaches, touched
from lotflow.study.worst_ponds import SEEN_M, worst_rise
from lotflow.terrain.level_error import SPREAD_95
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from lotflow.criteria import Criteria
    from lotflow.findings import Severity
    from lotflow.study.pond_cases import PondGround
    from lotflow.study.pond_records import CaseStorm, Pond, Rise
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
        """
        Easting and northing of the deepest point of a pond.

        Parameters
        ----------
        pond
            The pond.
        """
        return self.place(pond.bed_cell)

    def place(self, cell: int) -> tuple[float, float]:
        """
        Easting and northing of a cell.

        Parameters
        ----------
        cell
            Its flat index.
        """
        x, y = self.ground.grid.xy(*divmod(cell, self.ground.grid.shape[1]))
        return float(x), float(y)

    def storm_name(self, storm: CaseStorm) -> str:
        """
        Call a storm by its return period.

        Parameters
        ----------
        storm
            The storm.
        """
        name = f"{self.periods[storm.storm]:g}-year storm"
        # commas: the name stands before what the water does
        return f"{name}, inlets taking no more than they can," if storm.case == LIMITED else name


def pond_findings(found: PondsFound) -> list[Finding]:
    """
    Say what stands on the lot with every inlet open, and what happens when inlets are blocked.

    Parameters
    ----------
    found
        All cases and storms.
    """
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
    usual = LIMITED if any(storm.case == LIMITED for storm in found.storms) else OPEN
    for storm in found.storms:
        if storm.case != usual:
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
    if not doubt:
        return finding
    less: Severity = "warn" if finding.severity == "fail" else "note"
    return replace(finding, severity=less, message=f"{finding.message} But: {doubt}.")


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
        f"In the {found.storm_name(storm)} water stands {_at(wall)}. It may enter there.",
        measured=round(wall.freeboard, 3), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
        **_water(pond),
    )  # fmt: skip


def _water(water: Pond | Rise) -> dict[str, Any]:
    """Fields of a finding about a body of water."""
    return {
        "area_m2": round(water.area_m2, 3),
        "volume_m3": round(water.volume_m3, 4),
        "touches": touched(water),
    }


def _at(wall: Freeboard) -> str:
    """How deep water stands at a wall or opening, and how high against what is given there."""
    text = f"{both_units(wall.depth, 'depth')} deep at "
    text += _name(wall) if wall.threshold.is_opening else f"the wall of {_name(wall)}"
    if not wall.threshold.is_given:
        return text
    if abs(wall.freeboard) < SEEN_M:
        return f"{text}, at its {wall.threshold.basis}"
    margin = both_units(abs(wall.freeboard), "depth")
    side = "above" if wall.freeboard <= 0 else "below"
    return f"{text}, {margin} {side} its {wall.threshold.basis}"


def _name(wall: Freeboard) -> str:
    return wall.threshold.name


def _bound(water: Pond | Rise) -> str:
    """What stands before a depth that is only known not to be less."""
    return "at least " if water.not_closed else ""


def _not_told(found: PondsFound, storm: CaseStorm, pond: Pond, wall: Freeboard) -> Finding:
    """Water near a sill or threshold of which it is not known how high it stands."""
    x, y = found.place(wall.cell)
    return Finding(
        "pond-not-closed", "warn", f"low spot {pond.low_spot}",
        f"In the {found.storm_name(storm)} water stands at least "
        f"{both_units(pond.depth, 'depth')} deep near {_name(wall)}, at most "
        f"{both_units(wall.freeboard, 'depth')} below its {wall.threshold.basis}. The elevation "
        "data end before its basin or catchment does: it cannot be told whether it reaches it. "
        "Give elevation data that reach farther.",
        measured=round(wall.freeboard, 3), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
        **_water(pond),
    )  # fmt: skip


def _near_threshold(found: PondsFound, storm: CaseStorm, pond: Pond, wall: Freeboard) -> Finding:
    """Water at a wall, below the level at which it enters by less than the data can tell."""
    x, y = found.place(wall.cell)
    return Finding(
        "pond-near-threshold", "warn", f"low spot {pond.low_spot}",
        f"In the {found.storm_name(storm)} water stands at {wall.threshold.name}, only "
        f"{both_units(wall.freeboard, 'depth')} below its {wall.threshold.basis}: less "
        "than the elevation data can tell. Measure both levels.",
        measured=round(wall.freeboard, 3), limit=found.ground.rmse, unit="m",
        source="lotflow's rule: the stated vertical RMSE of the elevation data", x=x, y=y,
        **_water(pond),
    )  # fmt: skip


def _no_level(found: PondsFound, storm: CaseStorm, pond: Pond, wall: Freeboard) -> Finding:
    """Water at a wall or opening of which no sill or threshold is given."""
    x, y = found.place(wall.cell)
    ask = (
        "Its sill is not given: measure it."
        if wall.threshold.is_opening
        else "No threshold is given, and no opening is drawn there: what door, window or vent is "
        "in this wall, and how high is its sill?"
    )
    severity: Severity = "warn" if wall.depth >= found.ground.rmse else "note"
    return Finding(
        "pond-at-wall", severity, f"low spot {pond.low_spot}",
        f"In the {found.storm_name(storm)} water stands {_at(wall)}. {ask}",
        measured=round(wall.depth, 3), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
        **_water(pond),
    )  # fmt: skip


def _too_long(found: PondsFound, storm: CaseStorm, pond: Pond) -> Iterable[tuple[str, Finding]]:
    """Water that soaks away too slowly, or never."""
    criteria, hours = found.criteria, pond.soak.time / 3600.0
    near = bool(pond.walls)
    name = "standing_near_house_h" if near else "standing_h"
    limit = getattr(criteria, name)
    stays = pond.soak.left >= criteria.pond_depth_m
    if not stays and hours <= limit:
        return
    if stays:
        text = (
            f"{both_units(pond.soak.left, 'depth')} of it lie on sealed ground and stay until "
            "they dry"
        )
    else:
        away = (
            "drain through the inlets in it and soak into the ground"
            if pond.through_inlets else "soak into the ground"
        )  # fmt: skip
        text = f"it takes {hours:.0f} h to {away}"
    x, y = found.where(pond)
    # one within the error of the data fails nothing
    sure = pond.depth >= SPREAD_95 * found.ground.rmse
    late = not stays and hours > criteria.standing_longest_h
    name = "standing_longest_h" if late else name
    yield "", Finding(
        "pond-stands-too-long", "fail" if late and sure else "warn", f"low spot {pond.low_spot}",
        f"After the {found.storm_name(storm)} water stands {_bound(pond)}"
        f"{both_units(pond.depth, 'depth')} deep; "
        f"{text}. {getattr(criteria, name):g} h is the limit "
        f"{'anywhere' if late else 'near a building' if near else 'on a lot'}. Give it a way out.",
        measured=round(hours, 1) if math.isfinite(hours) else None,
        limit=getattr(criteria, name), unit="h", source=criteria.sources()[name], x=x, y=y,
    )  # fmt: skip


def _overflowing(found: PondsFound, storm: CaseStorm, pond: Pond) -> Iterable[tuple[str, Finding]]:
    """Water that runs over out of a pond and off the lot."""
    if pond.spill is None or pond.spill.onto != BEYOND:
        return
    x, y = found.place(pond.spill.cell)
    yield "", Finding(
        "pond-overflows-the-lot", "note", f"low spot {pond.low_spot}",
        f"In the {found.storm_name(storm)} it is full and {both_units(pond.overflow_m3, 'volume')} "
        f"run over towards {pond.spill.to}, across ground beyond the lot. Lead it where it may go.",
        measured=round(pond.overflow_m3, 3), limit=0.0, unit="m3", source=_OWN_RULE,
        x=x, y=y,
    )  # fmt: skip


def _blocked(found: PondsFound) -> list[Finding]:
    """What happens in the largest storm when an inlet is blocked."""
    last = len(found.periods) - 1
    return [
        _blocked_inlet(found, storm)
        for storm in found.storms
        if storm.storm == last and storm.case not in (OPEN, LIMITED)
    ]


def _blocked_inlet(found: PondsFound, storm: CaseStorm) -> Finding:
    """Which water rises how high and how far, what it reaches, and where it runs over."""
    all_of_them = storm.case == ALL_BLOCKED
    subject = ALL_INLETS if all_of_them else Scenario(storm.case).inlet
    start = "With all inlets blocked, in the " if all_of_them else (
        "With it blocked and the others taking all that comes to them, in the "
    )  # fmt: skip
    start += found.storm_name(storm)
    worst = worst_rise(found.ground, storm)
    if worst is None:
        near = np.unique(found.ground.low_spot[found.ground.near])
        unknown = [str(spot) for spot in near if spot and found.ground.not_closed[spot - 1]]
        if unknown:
            return Finding(
                "inlet-blocked", "warn", subject,
                f"{start} no pond rises as far as the elevation data go, but they do not close "
                f"low spot {', '.join(unknown)}: it cannot be told how high water rises there.",
                source=_OWN_RULE,
            )  # fmt: skip
        cell = found.ground.grid.cell_m
        return Finding(
            "inlet-blocked", "note", subject,
            f"{start} no water stands higher than with every inlet open: it runs on over the "
            f"surface. A hollow smaller than cells of {both_units(cell, 'length')}, or shallower "
            "than the error of the data, may not show.",
            measured=0.0, limit=0.0, unit="m", source=_OWN_RULE, area_m2=0.0, volume_m3=0.0,
        )  # fmt: skip
    x, y = found.place(worst.cell)
    harm = _harm(found, worst)
    return Finding(
        "inlet-blocked", "warn" if harm else "note", subject,
        f"{start} {_risen(worst)}{_reaches_what(worst)}{_runs_over(worst.pond)}."
        f"{_others(storm, worst)}{_sooner(found, storm)}{_higher_yet(found, storm, worst)}"
        f"{_asked(worst, found.ground.rmse)}",
        measured=round(worst.rise, 4), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
        **_water(worst),
    )  # fmt: skip


def _sooner(found: PondsFound, storm: CaseStorm) -> str:
    """The most frequent storm in which the same blocked inlet lets water reach a sill."""
    for one in found.storms:
        if one.case != storm.case or one.storm >= storm.storm:
            continue
        # what stands there with nothing blocked too is no matter of this inlet
        rises = [rise for rise in one.rises if rise.rise >= SEEN_M]
        walls = [wall for rise in rises for wall in rise.walls if wall.is_reached]
        if walls:
            return (
                f" Already in the {found.periods[one.storm]:g}-year storm it stands "
                f"{_at(walls[0])}."
            )
    return ""


def _higher_yet(found: PondsFound, storm: CaseStorm, worst: Rise) -> str:
    """Where water stands higher still with nothing blocked, since inlets take too little."""
    if storm.case == ALL_BLOCKED:
        roofs = " Roof water led into drains is taken to run off in them."
        return roofs if found.connected_m3[storm.storm] > _TELLING_M3 else ""
    place = shapely.Point(found.place(worst.cell))
    same = [
        pond
        for one in found.storms if one.case == LIMITED and one.storm == storm.storm
        for pond in one.ponds if pond.low_spot == worst.low_spot and pond.outline.covers(place)
    ]  # fmt: skip
    highest = max(same, key=lambda pond: pond.level, default=None)
    if highest is None or highest.level < worst.level + SEEN_M:
        return ""
    more = both_units(highest.level - worst.level, "depth")
    return (
        f" But the others do not take all of it: even with none blocked water stands {more} "
        "higher there."
    )


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


def _risen(rise: Rise) -> str:
    """How much water rises, where, and how much then stands."""
    where = f" in low spot {rise.low_spot}" if rise.low_spot else ""
    if not rise.is_near:
        where += ", not near the lot"
    if rise.rise < SEEN_M:
        return f"water rises by less than {both_units(SEEN_M, 'depth')}{where}"
    return (
        f"water rises {_bound(rise)}{both_units(rise.rise, 'depth')}{where}, to "
        f"{_bound(rise)}{both_units(rise.depth, 'depth')} deep over "
        f"{both_units(rise.area_m2, 'area')}, "
        f"{both_units(rise.volume_m3, 'volume')}"
    )


def _reaches_what(rise: Rise) -> str:
    """Walls and openings at which it stands; else how much is left to what is near."""
    openings = [one for one in at_walls(rise.walls, openings=True) if one.threshold.is_given]
    given = [one for one in at_walls(rise.walls) if one.threshold.is_given]
    walls = [one for one in at_walls(rise.walls) if _is_unknown(one, rise.walls)]
    own = [one for one in walls if one.threshold.is_own]
    told = [*openings, *given, *own]
    text = "".join(f"; it stands {_at(one)}" for one in told)
    if others := [_name(one) for one in walls if one not in own]:
        text += f"; it {'also ' if told else ''}stands at {', '.join(others)}"
    if not text:
        near = next((one for one in rise.walls if one.threshold.is_given), None)
        if near is not None and near.freeboard > 0:
            text = (
                f"; {'at most ' if rise.not_closed else ''}"
                f"{both_units(near.freeboard, 'depth')} are left to the "
                f"{near.threshold.basis} of {near.threshold.name}"
            )
    return text


def _runs_over(pond: Pond | None) -> str:
    """Where it runs over to."""
    if pond is None or pond.spill is None:
        return ""
    beyond = ", across ground beyond the lot" if pond.spill.onto == BEYOND else ""
    # from one pit of a low spot into the next it does not leave the low spot
    own = pond.spill.to == f"low spot {pond.low_spot}"
    to = "within the same low spot" if own else f"to {pond.spill.to}"
    return f"; {both_units(pond.overflow_m3, 'volume')} run over {to}{beyond}"


def _others(storm: CaseStorm, worst: Rise) -> str:
    """What rises elsewhere."""
    rest = [one for one in storm.rises if one is not worst and one.rise >= SEEN_M]
    if not rest:
        return ""
    area = both_units(sum(one.raised_m2 for one in rest), "area")
    return f" Water rises in {len(rest)} other place{'s' * (len(rest) > 1)} too, over {area}."


def _asked(rise: Rise, rmse: float) -> str:
    """What must be measured before it can be told whether water enters."""
    walls = at_walls(rise.walls) + at_walls(rise.walls, openings=True)
    unknown = [
        one
        for one in walls
        if one.threshold.is_own
        and not one.threshold.is_given
        and (one.threshold.is_opening or _is_unknown(one, rise.walls))
    ]
    text = ""
    if any(abs(one.freeboard) < rmse for one in walls):
        doubt = both_units(SPREAD_95 * rmse, "depth")
        text += f" The data tell levels to ±{doubt}: measure sill and ground."
    if unknown:
        names = ", ".join(_name(one) for one in unknown)
        text += f" No sill or threshold is given there, of {names}: measure it."
    return text if rise.rise >= SEEN_M else ""


def _limited(found: PondsFound) -> list[Finding]:
    """Inlets to which water comes faster than they take it, each in its most frequent storm."""
    first: dict[int, Finding] = {}
    for storm in found.storms:
        if storm.case != LIMITED:
            continue
        for position, volume in enumerate((storm.refused_m3 + storm.gone_on_m3).tolist()):
            reaching = volume + float(storm.taken_m3[position])
            if volume <= max(_TELLING_SHARE * reaching, _TELLING_M3) or position in first:
                continue
            first[position] = Finding(
                "inlet-passed", "warn", found.ground.inlets[position],
                f"In the {found.periods[storm.storm]:g}-year storm "
                f"{both_units(volume, 'volume')} of the "
                f"{both_units(reaching, 'volume')} that reach it are not taken: they stand above "
                "it or run on.",
                measured=round(volume, 3), limit=0.0, unit="m3", source=_OWN_RULE,
            )  # fmt: skip
    return list(first.values())
