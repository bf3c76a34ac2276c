"""What is said of standing water: at walls and openings, how long it stays, blocked inlets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from lotflow.advice.say import hours as whole_hours
from lotflow.scenarios import ALL_BLOCKED, LIMITED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding
    from lotflow.ponding.records import AtWall, Risen
    from lotflow.scenarios import Scenario


def _storm(period_yr: float, scenario: Scenario) -> str:
    name = f"{period_yr:g}-year storm"
    # commas: the name stands before what the water does
    return f"{name}, inlets taking no more than they can," if scenario == LIMITED else name


def _but(doubt: str) -> str:
    """What follows where the low spot may be no standing water at all."""
    return f" But: {doubt}." if doubt else ""


def _at_least(is_bound: bool) -> str:
    """What stands before a depth that is only known not to be less."""
    return "at least " if is_bound else ""


def _at(say: Say, wall: AtWall) -> str:
    """How deep water stands at a wall or opening, and how high against what is given there."""
    place = wall.name if wall.is_opening else f"the wall of {wall.name}"
    text = f"{say(wall.depth_m, 'depth')} deep at {place}"
    if wall.freeboard_m is None:
        return text
    if not wall.freeboard_m:
        return f"{text}, at its {wall.basis}"
    side = "above" if wall.freeboard_m < 0 else "below"
    return f"{text}, {say(abs(wall.freeboard_m), 'depth')} {side} its {wall.basis}"


def _reaches_building(
    say: Say, _: Finding, *, period_yr: float, scenario: Scenario, wall: AtWall, doubt: str
) -> str:
    return (
        f"In the {_storm(period_yr, scenario)} water stands {_at(say, wall)}. It may enter there."
        f"{_but(doubt)}"
    )


def _not_closed(
    say: Say, _: Finding, *, period_yr: float, scenario: Scenario, depth_m: float, near: str,
    basis: str, freeboard_m: float, doubt: str,
) -> str:  # fmt: skip
    return (
        f"In the {_storm(period_yr, scenario)} water stands at least {say(depth_m, 'depth')} deep "
        f"near {near}, at most {say(freeboard_m, 'depth')} below its {basis}. The elevation data "
        "end before its basin or catchment does: it cannot be told whether it reaches it. Give "
        f"elevation data that reach farther.{_but(doubt)}"
    )


def _near_threshold(
    say: Say, _: Finding, *, period_yr: float, scenario: Scenario, at: str, basis: str,
    freeboard_m: float, doubt: str,
) -> str:  # fmt: skip
    return (
        f"In the {_storm(period_yr, scenario)} water stands at {at}, only "
        f"{say(freeboard_m, 'depth')} below its {basis}: less than the elevation data can tell. "
        f"Measure both levels.{_but(doubt)}"
    )


def _at_wall(
    say: Say, _: Finding, *, period_yr: float, scenario: Scenario, wall: AtWall, doubt: str
) -> str:
    ask = (
        "Its sill is not given: measure it."
        if wall.is_opening
        else "No threshold is given, and no opening is drawn there: what door, window or vent is "
        "in this wall, and how high is its sill?"
    )
    storm = _storm(period_yr, scenario)
    return f"In the {storm} water stands {_at(say, wall)}. {ask}{_but(doubt)}"


def _stands_too_long(
    say: Say, _: Finding, *, period_yr: float, scenario: Scenario, depth_m: float, at_least: bool,
    stays_m: float | None, hours: float | None, through_inlets: bool, limit_h: float,
    limit_holds: Literal["anywhere", "near a building", "on a lot"], doubt: str,
) -> str:  # fmt: skip
    if stays_m is not None:
        long = f"{say(stays_m, 'depth')} of it lie on sealed ground and stay until they dry"
    else:
        way = "drain through the inlets in it and soak" if through_inlets else "soak"
        long = f"it takes {whole_hours(hours or 0.0)} to {way} into the ground"
    return (
        f"After the {_storm(period_yr, scenario)} water stands {_at_least(at_least)}"
        f"{say(depth_m, 'depth')} deep; {long}. {limit_h:g} h is the limit {limit_holds}. Give it "
        f"a way out.{_but(doubt)}"
    )


def _overflows_the_lot(
    say: Say, _: Finding, *, period_yr: float, scenario: Scenario, overflow_m3: float, to: str,
    doubt: str,
) -> str:  # fmt: skip
    return (
        f"In the {_storm(period_yr, scenario)} it is full and {say(overflow_m3, 'volume')} run "
        f"over towards {to}, across ground beyond the lot. Lead it where it may go.{_but(doubt)}"
    )


def _inlet_blocked(
    say: Say, _: Finding, *, period_yr: float, scenario: Scenario, rise: Risen | None = None,
    unclosed: Sequence[int] = (), cell_m: float | None = None,
    elsewhere: tuple[int, float] = (0, 0.0), sooner: tuple[float, AtWall] | None = None,
    higher_yet_m: float | None = None, roofs_led_in: bool = False,
) -> str:  # fmt: skip
    all_of_them = scenario == ALL_BLOCKED
    start = (
        "With all inlets blocked" if all_of_them
        else "With it blocked and the others taking all that comes to them"
    )  # fmt: skip
    start += f", in the {_storm(period_yr, scenario)}"
    if unclosed:
        return (
            f"{start} no pond is seen to rise, but the elevation data end before low spot "
            f"{', '.join(map(str, unclosed))} closes: how high water rises there cannot be told."
        )
    if rise is None:
        cell = "" if cell_m is None else say(cell_m, "length")
        return (
            f"{start} no water stands higher than with every inlet open: it runs on over the "
            f"surface. A hollow smaller than cells of {cell}, or shallower than the error of the "
            "data, may not show."
        )
    if higher_yet_m is not None and rise.depth_m is not None:
        # what stands with none blocked is the higher figure, and is told once
        where = f" in low spot {rise.low_spot}" if rise.low_spot else ""
        if where and not all_of_them:
            where = f" round it,{where},"  # of the whole low spot it is deeper elsewhere
        return (
            f"{start} it is no worse than with none blocked: the inlets do not take all that "
            f"comes, and water stands {_at_least(rise.at_least)}"
            f"{say(rise.depth_m + higher_yet_m, 'depth')} deep{where} as it is."
            f"{_to_measure(say, rise)}"
        )
    text = f"{start} {_risen(say, rise)}{_stands_at(say, rise)}{_runs_over(say, rise)}."
    places, area_m2 = elsewhere
    if places:
        text += f" Water rises in {places} other place{'s' * (places > 1)} too, over "
        text += f"{say(area_m2, 'area')}."
    if sooner is not None:
        text += f" Already in the {sooner[0]:g}-year storm it stands {_at(say, sooner[1])}."
    if all_of_them and roofs_led_in:
        text += " Roof water led into drains is taken to run off in them."
    return text + _to_measure(say, rise)


def _risen(say: Say, rise: Risen) -> str:
    """How much water rises, where, and how much then stands."""
    where = f" in low spot {rise.low_spot}" if rise.low_spot else ""
    if not rise.is_near:
        where += ", not near the lot"
    if rise.rise_m is None:
        return f"water rises by less than {say(rise.least_told_m, 'depth')}{where}"
    bound = _at_least(rise.at_least)
    return (
        f"water rises {bound}{say(rise.rise_m, 'depth')}{where}, to "
        f"{bound}{say(rise.depth_m, 'depth')} deep over {say(rise.area_m2, 'area')}, "
        f"{say(rise.volume_m3, 'volume')}"
    )


def _stands_at(say: Say, rise: Risen) -> str:
    """Walls and openings at which it stands; else how much is left to what is near."""
    text = "".join(f"; it stands {_at(say, one)}" for one in rise.stands_at)
    if rise.stands_at_neighbours:
        also = "also " if rise.stands_at else ""
        text += f"; it {also}stands at {', '.join(rise.stands_at_neighbours)}"
    if rise.left_to is not None:
        left_m, basis, name = rise.left_to
        most = "at most " if rise.at_least else ""
        text += f"; {most}{say(left_m, 'depth')} are left to the {basis} of {name}"
    return text


def _runs_over(say: Say, rise: Risen) -> str:
    if rise.overflow_m3 is None:
        return ""
    to = f"to {rise.overflows_to}" if rise.overflows_to else "within the same low spot"
    beyond = ", across ground beyond the lot" if rise.overflows_beyond_lot else ""
    return f"; {say(rise.overflow_m3, 'volume')} run over {to}{beyond}"


def _to_measure(say: Say, rise: Risen) -> str:
    """What must be measured before it can be told whether water enters."""
    text = ""
    if rise.level_doubt_m is not None:
        doubt = say(rise.level_doubt_m, "depth")
        text += f" The data tell levels to ±{doubt}: measure sill and ground."
    if rise.sills_unknown:
        names = ", ".join(rise.sills_unknown)
        text += f" No sill or threshold is given for {names}: measure it."
    return text


def _inlet_passed(
    say: Say, _: Finding, *, period_yr: float, refused_m3: float, reaching_m3: float
) -> str:
    return (
        f"In the {period_yr:g}-year storm it does not take {say(refused_m3, 'volume')} of the "
        f"{say(reaching_m3, 'volume')} that reach it: that water stands above it or runs on."
    )


def _ponds_listed(_: Say, __: Finding) -> str:
    return (
        "There are many ponds and many inlets. With one inlet blocked, only the ponds are listed "
        "that differ from those with every inlet open; the others are the same."
    )


def _infiltration_counted(say: Say, _: Finding, *, rate_m_s: float, soil_group: str | None) -> str:
    basis = "the soak test" if soil_group is None else f"hydrologic soil group {soil_group}"
    key = say.either("soak_test_mm_h", "soak_test_in_h")
    ask = f" Measure it on site: [job] {key}." if soil_group else ""
    return (
        f"Times until ponds are gone count on {say(rate_m_s, 'rain')} soaking into open ground, "
        f"by {basis}, once the storm is over, and none while it lasts.{ask}"
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "pond-reaches-building": _reaches_building,
    "pond-not-closed": _not_closed,
    "pond-near-threshold": _near_threshold,
    "pond-at-wall": _at_wall,
    "pond-stands-too-long": _stands_too_long,
    "pond-overflows-the-lot": _overflows_the_lot,
    "inlet-blocked": _inlet_blocked,
    "inlet-passed": _inlet_passed,
    "ponds-listed": _ponds_listed,
    "infiltration-counted": _infiltration_counted,
}
