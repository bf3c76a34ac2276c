"""
What mends what, in the order of practice.

Clean and repair, roof water, grading, swale or berm, inlet and solid pipe, subsurface drain, soak
away, and a pump last. The order is that of the guidance for homes: US DOE Building America; Palo
Alto CA asks for surface drainage before area drains and pipes; England's Building Regulations H3
rank where to discharge.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Final

from shapely.geometry import LineString

from lotflow.advice.causes import Cause, Source, share_of
from lotflow.advice.result import Result, Row
from lotflow.advice.verdicts import Run, Verdict


class Step(IntEnum):
    """Kinds of remedies in the order in which they are tried."""

    CLEAN = 1
    ROOF = 2
    GRADE = 3
    SWALE = 4
    INLET = 5
    SUBSURFACE = 6
    SOAK = 7
    PUMP = 8


@dataclass(frozen=True)
class Remedy:
    """
    One thing to do.

    Parameters
    ----------
    step
        Its place in the order of practice.
    what
        Key of its sentence in `lotflow.advice.remedy_words`.
    subjects
        What is worked on.
    facts
        Other things its sentence says.
    length_m
        Its length, where it has one [m].
    """

    step: Step
    what: str
    subjects: tuple[str, ...] = ()
    facts: dict[str, str] = field(default_factory=dict, hash=False)
    length_m: float | None = None


#: Share of a source from which it is worth a measure of its own: lotflow's choice, no published
#: source.
_WORTH: Final = 0.2
#: Least fall of a grass swale (Willard OH); others ask for 0.5 to 2 %.
_SWALE_FALL: Final = 0.01


#: Items of the table of quantities that a reader asks for first.
_WORTH_NAMING: Final = ("pipe", "catch basin", "area drain", "channel drain", "outlet")


def in_order(remedies: Iterable[Remedy]) -> tuple[Remedy, ...]:
    """Put remedies in the order of practice; those of one step keep theirs."""
    return tuple(sorted(dict.fromkeys(remedies), key=lambda one: one.step))


def of_low_spot(
    result: Result, low_spot: Row, causes: Sequence[Cause], *, at_house: bool, is_paved: bool
) -> tuple[Remedy, ...]:
    """
    Give what helps where water stands: off with the roof water and the run-on, then the ground.

    Parameters
    ----------
    result
        As published.
    low_spot
        Its row.
    causes
        Of its water.
    at_house
        Whether it stands at a building.
    is_paved
        Whether most of it is paved.
    """
    inlets = tuple(result.inlets_of(low_spot))
    found = [*_roofs_off(causes), _run_on_off(result, causes, low_spot["spill_elevation_m"])]
    if low_spot.get("artefact"):
        found.append(Remedy(Step.CLEAN, "find-culvert"))
    if at_house:
        found.append(Remedy(Step.GRADE, "relevel" if is_paved else "raise"))
    elif not inlets:
        found.append(Remedy(Step.GRADE, "fill"))
    if inlets:
        as_it_is = "as they are" if len(inlets) > 1 else "as it is"
        how = "as drawn" if result.state == "proposed" else as_it_is
        found.append(Remedy(Step.INLET, "second-way", inlets, {"how": how}))
    elif at_house:
        found.append(Remedy(Step.INLET, "basin"))
    return in_order(one for one in found if one is not None)


def of_walls(
    result: Result, walls: Sequence[Row], causes: Sequence[Cause], downspouts: Sequence[str]
) -> tuple[Remedy, ...]:
    """
    Give what helps where the ground falls to a wall.

    Parameters
    ----------
    result
        As published.
    walls
        Rows of their facades.
    causes
        Of the water there.
    downspouts
        That end there.
    """
    found = [_run_on_off(result, causes, None)]
    if downspouts:
        found.append(Remedy(Step.ROOF, "lead-away", tuple(downspouts)))
    eaves = tuple(one.subject for one in causes if one.source is Source.EAVES)
    if eaves:
        found.append(Remedy(Step.ROOF, "gutter", eaves))
    for surface, what in (("soil", "regrade"), ("paving", "relevel-walls")):
        names = tuple(wall["name"] for wall in walls if wall.get("surface") == surface)
        if names:
            found.append(Remedy(Step.GRADE, what, names))
    return in_order(one for one in found if one is not None)


def of_run(run: Run) -> tuple[Remedy, ...]:
    """Give what is done with a run of old pipe."""
    key = {
        Verdict.LOOK: "find", Verdict.ABANDON: "abandon", Verdict.RELAY: "relay",
        Verdict.REPAIR: "repair", Verdict.CLEAN: "clean", Verdict.KEEP: "keep",
    }[run.verdict]  # fmt: skip
    facts = {"replaced": "yes"} if run.is_replaced else {}
    return (Remedy(Step.CLEAN, key, run.places or run.lines, facts),)


def without_outlet(
    inlets: Sequence[str], causes: Sequence[Cause], *, is_under_water: bool, soaks: Sequence[str]
) -> tuple[Remedy, ...]:
    """
    Give what is left where gravity finds no way out.

    Parameters
    ----------
    inlets
        That have none.
    causes
        Of their water.
    is_under_water
        Whether the outlet drawn stands under water.
    soaks
        Dry wells that they drain to.
    """
    found = [*_roofs_off(causes), Remedy(Step.GRADE, "raise-terrace", tuple(inlets))]
    if soaks:
        found.append(Remedy(Step.SOAK, "pit-test", tuple(soaks)))
    if is_under_water:
        found.append(Remedy(Step.PUMP, "flap"))
    found.append(Remedy(Step.PUMP, "pump"))
    return in_order(found)


def _roofs_off(causes: Sequence[Cause]) -> list[Remedy]:
    """Roof water led elsewhere, where it is much of what comes."""
    found = []
    for source, what in ((Source.ROOF, "roof-elsewhere"), (Source.EAVES, "gutter")):
        names = tuple(one.subject for one in causes if one.source is source and one.share >= 0.05)
        share = share_of(causes, source)
        if names and share >= _WORTH:
            found.append(Remedy(Step.ROOF, what, names, {"share": f"{share * 100:.0f} %"}))
    return found


def _run_on_off(result: Result, causes: Sequence[Cause], above_m: float | None) -> Remedy | None:
    """
    Water from neighbours turned past on the lot's own ground, where a swale finds fall.

    It needs a place at which water leaves the lot already, lower by 1 % of the way; and of a low
    spot it must come on above the level at which that runs over.
    """
    across: list[tuple[str, float, str, float]] = []
    for row, _ in result.run_on:
        at = row["geometry"].x, row["geometry"].y
        share = sum(one.share for one in causes if (one.x, one.y) == at)
        if share < _WORTH / 2 or (above_m is not None and row["elevation_m"] <= above_m):
            continue
        end = _lower_end(result, row)
        if end is not None:
            way_m = end["geometry"].distance(row["geometry"]) / result.per_metre
            across.append((f"crossing {row['id']}", share, f"crossing {end['id']}", way_m))
    share = sum(one[1] for one in across)
    if share < _WORTH:
        return None
    _, _, to, way_m = max(across, key=lambda one: one[1])
    facts = {"share": f"{share * 100:.0f} %", "to": to}
    return Remedy(Step.SWALE, "swale", tuple(one[0] for one in across), facts, way_m)


def _lower_end(result: Result, start: Row) -> Row | None:
    """
    Place at which water leaves the lot already that a swale from a crossing can fall to.

    One with no building on the straight way before others, of these the one where most leaves.
    """
    found = []
    for row in result.rows("lot_line_crossings", direction="off"):
        way = LineString([start["geometry"], row["geometry"]])
        fall_m = start["elevation_m"] - row["elevation_m"]
        if way.length > 0 and fall_m >= _SWALE_FALL * way.length / result.per_metre:
            is_clear = not any(way.intersects(r["geometry"]) for r in result.rows("buildings"))
            found.append((not is_clear, -row["area_m2"], row["id"], row))
    return min(found)[3] if found else None


def earth_to_fill(walls: Sequence[Row]) -> tuple[float, float, float]:
    """
    Estimate the earthwork that makes ground fall away from walls.

    Parameters
    ----------
    walls
        Rows of their facades.

    Returns
    -------
    volume_m3, area_m2, length_m
        A wedge against each wall: as high there as the fall is short of its limit over the reach,
        nothing at its foot.

    Examples
    --------
    >>> wall = {"length_m": 10.0, "reach_m": 3.0, "slope": -0.05, "slope_limit": 0.05}
    >>> earth_to_fill([wall])
    (4.5, 30.0, 10.0)
    """
    volume = area = length = 0.0
    for wall in walls:
        reach, along = wall["reach_m"] or 0.0, wall["length_m"] or 0.0
        rise = max(wall["slope_limit"] - (wall["slope"] or 0.0), 0.0) * reach
        volume += rise * reach / 2 * along
        area += reach * along
        length += along
    return volume, area, length


def drains_to_order(result: Result) -> list[str]:
    """Give what the proposed drains take, in the words of the table of quantities."""
    told: list[str] = []
    trench: dict[str, float] = {}
    for row in result.rows("quantities"):
        item, unit = str(row["item"]), str(row["unit"])
        if item.startswith("trench"):
            trench[unit] = trench.get(unit, 0.0) + float(row["quantity"])
        elif item.startswith(_WORTH_NAMING) and "end cap" not in item:
            count = f"{row['quantity']:g}"
            size = unit.removesuffix(" length").removesuffix(" section")
            told.append(f"{count} × {item}" if unit == "each" else f"{count} × {size} of {item}")
    told += [f"{length:.0f} {unit} of trench" for unit, length in trench.items()]
    return told
