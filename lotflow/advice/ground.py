"""What is said of the ground: gaps and edges of the data, low spots, and inlets on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _elevation_gap(_: Say, __: Finding, *, share: float) -> str:
    return (
        f"{share:.1%} of the lot has no elevation. Water that reaches such a gap is lost from "
        "sight there: measure the ground on site."
    )


def _cut_by_edge(say: Say, _: Finding, *, lot: bool, beyond_m: Mapping[str, float]) -> str:
    *most, last = (f"{say(reach, 'distance')} {side}" for side, reach in beyond_m.items())
    data = (
        "from beyond the elevation data that was read, which ends "
        f"{', '.join(most)} and {last} of the lot"
    )
    if lot:
        return (
            f"Water may come onto the lot {data}: the area that drains onto it is at least what is "
            "given."
        )
    return f"Water may reach this inlet {data}: its catchment is at least what is given."


def _not_closed(_: Say, __: Finding, *, lot: bool) -> str:
    if lot:
        return (
            "The elevation data that were read end where the ground is about as low as on the lot: "
            "water that is held back beyond may stand on it where no low spot is given. Give "
            "elevation data that reach farther."
        )
    return (
        "The elevation data that were read end before this basin closes: water may rise higher "
        "here than is given, and reach more. Give elevation data that reach farther."
    )


def _closed_basin(
    say: Say, _: Finding, *, holds_lot: bool, basins: int, depth_m: float, area_m2: float,
    rain_m: float,
) -> str:  # fmt: skip
    """Tell of basins that no storm fills; of several the deepest."""
    others = "" if basins == 1 else f" the deepest of {basins},"
    size = f"{say(depth_m, 'length')} deep over {say(area_m2, 'area')}"
    rain = f"It takes {say(rain_m, 'length')} of rain over all that drains to it to fill it"
    if holds_lot:
        return (
            f"By the elevation data the lot lies on the side of a closed basin,{others} {size}. "
            f"{rain}: no storm does. Its bottom is taken to take the water. A lake, a culvert, or "
            "soil that drains: which, and how high the water there stands, is not known. Ask for "
            "its highest level."
        )
    return (
        f"The elevation data hold a closed basin beyond the lot,{others} {size}. {rain}: no storm "
        "does. Its bottom is taken to take the water that reaches it."
    )


def _low_spot(say: Say, _: Finding, *, depth_m: float, not_closed: bool, doubt: str) -> str:
    deep = f"{'at least ' if not_closed else ''}{say(depth_m, 'depth')} deep"
    then = f", but: {doubt}." if doubt else ". Look at it on site after rain."
    return f"Water can stand {deep} here{then}"


def _inlet_moved(say: Say, _: Finding, *, moved_m: float) -> str:
    return (
        f"Its catchment is that of the ground {say(moved_m, 'length')} from where it is drawn, "
        "where the water runs. Mark that place on site."
    )


def _grate_above_flow(say: Say, _: Finding, *, above_m: float) -> str:
    return (
        f"Its rim stands {say(above_m, 'depth')} above the ground, higher than water rises there: "
        "water passes it by. The catchment given is what would reach a grate at ground level."
    )


def _grate_not_at_low_point(say: Say, _: Finding, *, depth_m: float) -> str:
    return (
        f"Water stays {say(depth_m, 'depth')} deep beside it although it works: the grate is not "
        "the lowest point."
    )


def _inlets_share_a_cell(_: Say, __: Finding, *, other: str) -> str:
    return (
        f"It lies in the same cell of the elevation data as {other}, which is given all the water. "
        "Take the two as one inlet, or use finer data."
    )


def _inlet_better_place(
    say: Say, _: Finding, *, taken_m2: float, there_m2: float, away_m: float, off_lot: bool
) -> str:
    return (
        f"By {say.surface} alone it takes {say(taken_m2, 'area')} where it is drawn, and "
        f"{say(there_m2, 'area')} at the place marked, {say(away_m, 'length')} away: so near "
        "together the data cannot tell the two apart. Look which way the ground falls on site"
        + (
            ". That place lies beyond the lot line: draw no inlet there; look for a place on the "
            "lot that this water passes."
            if off_lot
            else ", and draw the inlet there if it is to take this."
        )
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "elevation-gap": _elevation_gap,
    "cut-by-edge": _cut_by_edge,
    "closed-basin": _closed_basin,
    "not-closed": _not_closed,
    "low-spot": _low_spot,
    "inlet-moved": _inlet_moved,
    "grate-above-flow": _grate_above_flow,
    "grate-not-at-low-point": _grate_not_at_low_point,
    "inlets-share-a-cell": _inlets_share_a_cell,
    "inlet-better-place": _inlet_better_place,
}
