"""What ponds, blocked inlets and inlets of limited capacity have to say to the designer."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from lotflow.findings import Finding
from lotflow.study.blocked import ALL_BLOCKED, LIMITED, OPEN
from lotflow.study.pond_records import BEYOND
from lotflow.study.worst_ponds import worst_pond
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from lotflow.criteria import Criteria
    from lotflow.findings import Severity
    from lotflow.study.pond_cases import PondGround
    from lotflow.study.pond_records import CaseStorm, Pond

_OWN_RULE: Final = "lotflow's rule"
#: Levels that differ by less than this are the same to a reader [m].
_SAME_LEVEL_M: Final = 0.005


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
    levels
        Highest level of each low spot with every inlet open, by storm [m].
    criteria
        The limits.
    """

    ground: PondGround
    storms: Sequence[CaseStorm]
    periods: Sequence[float]
    levels: Mapping[int, Mapping[int, float]]
    criteria: Criteria

    def where(self, pond: Pond) -> tuple[float, float]:
        """
        Easting and northing of the deepest point of a pond.

        Parameters
        ----------
        pond
            The pond.
        """
        x, y = self.ground.grid.xy(*divmod(pond.bed_cell, self.ground.grid.shape[1]))
        return float(x), float(y)

    def storm_name(self, storm: CaseStorm) -> str:
        """
        Call a storm by its return period.

        Parameters
        ----------
        storm
            The storm.
        """
        return f"{self.periods[storm.storm]:g}-year storm"


def pond_findings(found: PondsFound) -> list[Finding]:
    """
    Say what stands on the lot with every inlet open, and what happens when inlets are blocked.

    Parameters
    ----------
    found
        All cases and storms.
    """
    judges = (_reached, _near_threshold, _too_long, _overflowing)
    findings = [finding for judge in judges for finding in _first_storm(found, judge)]
    return findings + _blocked(found) + _limited(found)


def _first_storm(
    found: PondsFound, judge: Callable[[PondsFound, CaseStorm, Pond], Finding | None]
) -> list[Finding]:
    """Judge ponds with every inlet open; of each low spot the most frequent storm counts."""
    first: dict[int, Finding] = {}
    for storm in found.storms:
        if storm.case != OPEN:
            continue
        for pond in storm.ponds:
            if not pond.on_lot or pond.low_spot in first:
                continue
            finding = judge(found, storm, pond)
            if finding is not None:
                first[pond.low_spot] = _doubted(finding, found.ground.artefact[pond.low_spot - 1])
    return list(first.values())


def _doubted(finding: Finding, doubt: str) -> Finding:
    """Say so where the low spot may be no standing water at all, and weigh the finding less."""
    if not doubt:
        return finding
    less: Severity = "warn" if finding.severity == "fail" else "note"
    return replace(finding, severity=less, message=f"{finding.message} But: {doubt}.")


def _reached(found: PondsFound, storm: CaseStorm, pond: Pond) -> Finding | None:
    """Water at a wall as high as it enters."""
    freeboard = pond.freeboard
    if freeboard is None or not freeboard.is_reached:
        return None
    given = freeboard.threshold.basis != "ground at the wall"
    severity: Severity = "fail" if given and freeboard.freeboard <= -found.ground.rmse else "warn"
    x, y = found.where(pond)
    return Finding(
        "pond-reaches-building", severity, f"low spot {pond.low_spot}",
        f"In the {found.storm_name(storm)} water stands {_at(pond)}"
        + (". It may enter there." if given
           else ". No threshold is given: measure it, and the ground at the wall."),
        measured=round(freeboard.freeboard, 3), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
    )  # fmt: skip


def _at(pond: Pond) -> str:
    """Where water stands against a building, and how high."""
    if pond.freeboard is None:
        return ""
    height, name = both_units(-pond.freeboard.freeboard, "depth"), pond.freeboard.threshold.name
    if pond.freeboard.threshold.basis == "ground at the wall":
        return f"at the wall of {name}, {height} above the lowest ground outside it"
    return f"at {name}, {height} above its {pond.freeboard.threshold.basis}"


def _near_threshold(found: PondsFound, storm: CaseStorm, pond: Pond) -> Finding | None:
    """Water at a wall, below the level at which it enters by less than the data can tell."""
    freeboard = pond.freeboard
    if freeboard is None or not pond.is_close(found.ground.rmse):
        return None
    x, y = found.where(pond)
    return Finding(
        "pond-near-threshold", "warn", f"low spot {pond.low_spot}",
        f"In the {found.storm_name(storm)} water stands at {freeboard.threshold.name}, only "
        f"{both_units(freeboard.freeboard, 'depth')} below its {freeboard.threshold.basis}: less "
        "than the elevation data can tell. Measure both levels.",
        measured=round(freeboard.freeboard, 3), limit=found.ground.rmse, unit="m",
        source="lotflow's rule: the stated vertical RMSE of the elevation data", x=x, y=y,
    )  # fmt: skip


def _too_long(found: PondsFound, storm: CaseStorm, pond: Pond) -> Finding | None:
    """Water that soaks away too slowly, or never."""
    criteria, hours = found.criteria, pond.soak.time / 3600.0
    near = pond.freeboard is not None
    name = "standing_near_house_h" if near else "standing_h"
    limit = getattr(criteria, name)
    stays = pond.soak.left >= criteria.pond_depth_m
    if not stays and hours <= limit:
        return None
    if stays:
        text = (
            f"{both_units(pond.soak.left, 'depth')} of it lie on sealed ground and stay until "
            "they dry"
        )
    else:
        text = f"it takes {hours:.0f} h to soak into the ground"
    x, y = found.where(pond)
    late = not stays and hours > criteria.standing_longest_h
    name = "standing_longest_h" if late else name
    return Finding(
        "pond-stands-too-long", "fail" if late else "warn", f"low spot {pond.low_spot}",
        f"After the {found.storm_name(storm)} water stands {both_units(pond.depth, 'depth')} deep; "
        f"{text}. {getattr(criteria, name):g} h is the limit "
        f"{'anywhere' if late else 'near a building' if near else 'on a lot'}. Give it a way out.",
        measured=round(hours, 1) if math.isfinite(hours) else None,
        limit=getattr(criteria, name), unit="h", source=criteria.sources()[name], x=x, y=y,
    )  # fmt: skip


def _overflowing(found: PondsFound, storm: CaseStorm, pond: Pond) -> Finding | None:
    """Water that runs over out of a pond and off the lot."""
    if pond.spill is None or pond.spill.onto != BEYOND:
        return None
    x, y = found.ground.grid.xy(*divmod(pond.spill.cell, found.ground.grid.shape[1]))
    return Finding(
        "pond-overflows-the-lot", "note", f"low spot {pond.low_spot}",
        f"In the {found.storm_name(storm)} it is full and {both_units(pond.overflow_m3, 'volume')} "
        f"run over towards {pond.spill.to}, across ground beyond the lot. Lead it where it may go.",
        measured=round(pond.overflow_m3, 3), limit=0.0, unit="m3", source=_OWN_RULE,
        x=float(x), y=float(y),
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
    """Which pond rises how high, what it reaches, and where it runs over."""
    all_of_them = storm.case == ALL_BLOCKED
    subject = "all inlets" if all_of_them else storm.case.removeprefix("blocked:")
    start = f"With {'all inlets' if all_of_them else 'it'} blocked, in the "
    start += found.storm_name(storm)
    worst = worst_pond(found.ground, storm, found.levels[storm.storm])
    if worst is None or worst[1] < _SAME_LEVEL_M:
        return Finding(
            "inlet-blocked", "note", subject,
            f"{start} no pond on the lot or near it rises: the water runs on over the surface.",
            source=_OWN_RULE,
        )  # fmt: skip
    pond, rise = worst
    text = (
        f"{start} water rises {both_units(rise, 'depth')} in low spot {pond.low_spot}, to "
        f"{both_units(pond.depth, 'depth')} deep"
    )
    beyond = pond.spill is not None and pond.spill.onto == BEYOND
    if pond.reaches_building:
        text += f"; it stands {_at(pond)}"
    elif pond.freeboard is not None:
        text += (
            f"; {both_units(pond.freeboard.freeboard, 'depth')} are left to the "
            f"{pond.freeboard.threshold.basis} of {pond.freeboard.threshold.name}"
        )
    if pond.spill is not None:
        text += (
            f"; {both_units(pond.overflow_m3, 'volume')} run over to {pond.spill.to}"
            f"{', across ground beyond the lot' if beyond else ''}"
        )
    harm = pond.reaches_building or pond.is_close(found.ground.rmse) or beyond
    x, y = found.where(pond)
    return Finding(
        "inlet-blocked", "warn" if harm else "note", subject,
        f"{text}.", measured=round(rise, 3), limit=0.0, unit="m", source=_OWN_RULE, x=x, y=y,
    )  # fmt: skip


def _limited(found: PondsFound) -> list[Finding]:
    """Inlets to which water comes faster than they take it, each in its most frequent storm."""
    first: dict[int, Finding] = {}
    for storm in found.storms:
        if storm.case != LIMITED:
            continue
        for position, volume in enumerate((storm.refused_m3 + storm.gone_on_m3).tolist()):
            if volume <= 0 or position in first:
                continue
            reaching = volume + float(storm.taken_m3[position])
            first[position] = Finding(
                "inlet-passed", "warn", found.ground.inlets[position],
                f"In the {found.storm_name(storm)} {both_units(volume, 'volume')} of the "
                f"{both_units(reaching, 'volume')} that reach it come faster than it or its line "
                "takes them: they stand above it or run on.",
                measured=round(volume, 3), limit=0.0, unit="m3", source=_OWN_RULE,
            )  # fmt: skip
    return list(first.values())
