"""Which levels are taken with the instrument, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.field_sheet.content import (
    FieldSheetContent,
    Row,
    proposed,
    rows_of,
    there_today,
)
from lotflow.outputs.field_sheet.priorities import to_be_levelled
from lotflow.units import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

#: Most rows of each kind, so that the list is walked to its end.
_MOST_SPOTS: Final = 6
_MOST_SIDES: Final = 6
_MOST_OPENINGS: Final = 10
_MOST_NODES: Final = 16
TIE_POINTS: Final = 3

#: Verdicts on the ground beside a building that a level can change.
UNDECIDED: Final = ("too flat", "cannot tell")


@dataclass(frozen=True)
class Shot:
    """
    A pair of levels to take at one place.

    Parameters
    ----------
    place
        Where.
    reason
        What it decides.
    lower, upper
        What each level is of, and what is known of it; empty for none.
    """

    place: str
    reason: str
    lower: str
    upper: str


def shots(content: FieldSheetContent) -> list[Shot]:
    """
    List the levels to take, in the order of the work.

    Parameters
    ----------
    content
        Of the sheet.
    """
    return [
        *_ties(),
        *_openings(content),
        *_low_spots(content),
        *_drains(content),
        *_new_ends(content),
        *_sides(content),
    ]


def _ties() -> Iterator[Shot]:
    """Benchmark, and what ties the levels to the elevation data."""
    stays = "stays where it is; close on it"
    yield Shot("Benchmark", stays, "start", "closing")
    for number in range(1, TIE_POINTS + 1):
        reason = "even road, drive or slab"
        yield Shot(f"Tie point {number}", reason, "by the data", "shot")


def _openings(content: FieldSheetContent) -> Iterator[Shot]:
    """Sills and the ground beside them."""
    openings = content.summary.get("openings", [])
    for one in openings[:_MOST_OPENINGS]:
        yield Shot(
            str(one["name"] or one["kind"] or "Opening"),
            _why_opening(one, content),
            _level("ground", one["ground_m"], content),
            _level("sill", one["sill_m"], content),
        )
    if not openings:
        yield Shot("Lowest door sill", "water enters there first", "ground", "sill")
        yield Shot("Lowest window well, vent", "likewise", "ground", "rim")


def _why_opening(one: Mapping[str, Any], content: FieldSheetContent) -> str:
    """Why an opening is levelled."""
    freeboard = one["freeboard_m"]
    if freeboard is None:
        return "height of the step"
    height = RESULT_LAYERS["openings"].column("freeboard_m").shown(abs(freeboard), content.units)
    side = "above" if freeboard >= 0 else "below"
    height = f"at most {height}" if one.get("not_closed") and freeboard >= 0 else height
    return f"{height} {side} the spill of low spot {one['low_spot']}"


def _low_spots(content: FieldSheetContent) -> Iterator[Shot]:
    """Deepest points and spill points."""
    rmse = content.summary["accuracy"].get("rmse_m")
    for spot in to_be_levelled(content.summary["low_spots"], rmse)[:_MOST_SPOTS]:
        depth = RESULT_LAYERS["low_spots"].shown(spot, "depth_m", content.units)
        depth = f"at least {depth}" if spot.get("not_closed") else depth
        yield Shot(
            f"Low spot {spot['id']}",
            f"is it {depth} deep?" + (f" {spot['artefact']}" if spot["artefact"] else ""),
            _level("deepest", spot["bed_elevation_m"], content),
            _level("spill", spot["spill_elevation_m"], content),
        )


def _drains(content: FieldSheetContent) -> Iterator[Shot]:
    """Rims and inverts of what is there."""
    kinds = {"inlet": "is the grate the low point?", "outlet": "fall of the whole line"}
    # bends and junctions under the lawn cannot be reached with a rod
    nodes = [row for row in rows_of(content.layers, "nodes")
             if row["case"] == "today" and row["kind"] in kinds]  # fmt: skip
    for node in nodes[:_MOST_NODES]:
        yield Shot(
            node["name"],
            kinds[node["kind"]],
            _level("invert", node["invert_m"], content),
            _level("rim" if node["kind"] == "inlet" else "ground", node["rim_m"], content),
        )
    if nodes:
        return
    for inlet in there_today(rows_of(content.site, "inlets"))[:_MOST_NODES]:
        yield Shot(inlet["name"], kinds["inlet"], "invert", _level("rim", inlet["rim_m"], content))


def _new_ends(content: FieldSheetContent) -> Iterator[Shot]:
    """Where proposed lines are to end: a curb is often not in the data."""
    for outlet in proposed(rows_of(content.site, "outlets"))[:_MOST_SPOTS]:
        invert = _level("invert", outlet["invert_m"], content)
        if outlet["kind"] == "curb":
            # its flow line is what a pipe must stay above; few rasters show it
            yield Shot(outlet["name"], f"data may miss the curb; {invert}", "gutter", "walk")
        else:
            yield Shot(outlet["name"], "is there fall to it?", invert, "ground")


def _sides(content: FieldSheetContent) -> Iterator[Shot]:
    """Sides of buildings of which the data cannot tell whether the ground falls away."""
    for side in undecided_sides(content.summary)[:_MOST_SIDES]:
        reach = RESULT_LAYERS["facades"].shown(side, "reach_m", content.units)
        reason = f"{side['verdict']}, by the data"
        yield Shot(side["name"], reason, f"at {reach}", "at wall")


def undecided_sides(summary: Mapping[str, Any]) -> list[Row]:
    """
    Give the sides of buildings to be levelled, those that fail by the data first.

    Parameters
    ----------
    summary
        As `summary_content` gives it.
    """
    sides = [side for side in summary.get("facades", []) if side["verdict"] in UNDECIDED]
    return sorted(sides, key=lambda side: UNDECIDED.index(side["verdict"]))


def _level(of: str, level_m: float | None, content: FieldSheetContent) -> str:
    """Name a level, with what the data has for it."""
    return of if level_m is None else f"{of} {shown(level_m, 'elevation', content.units)}"
