"""
What mends what, in the order of practice: clean and repair, roof water, grading, swale or berm,
inlet and solid pipe, subsurface drain, soak away, and a pump last.

The order is that of the guidance for homes (US DOE Building America; Palo Alto CA asks for surface
drainage before area drains and pipes; England's Building Regulations H3 rank where to discharge).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Final

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
        Key of its sentence in `lotflow.advice.answer_words`.
    subjects
        What is worked on.
    facts
        Other things its sentence says.
    """

    step: Step
    what: str
    subjects: tuple[str, ...] = ()
    facts: dict[str, str] = field(default_factory=dict, hash=False)


#: Share of a source from which it is worth a measure of its own: lotflow's choice, no published
#: source.
_WORTH: Final = 0.2


def in_order(remedies: Iterable[Remedy]) -> tuple[Remedy, ...]:
    """Put remedies in the order of practice; those of one step keep theirs."""
    return tuple(sorted(dict.fromkeys(remedies), key=lambda one: one.step))


def of_low_spot(
    low_spot: Row, causes: Sequence[Cause], inlets: Sequence[str], *, at_house: bool, is_paved: bool
) -> tuple[Remedy, ...]:
    """
    Give what helps where water stands: off with the roof water and the run-on, then the ground.

    Parameters
    ----------
    low_spot
        Its row.
    causes
        Of its water.
    inlets
        That drain it.
    at_house
        Whether it stands at a building.
    is_paved
        Whether most of it is paved.
    """
    found = [_roofs_off(causes), _run_on_off(causes)]
    if low_spot.get("artefact"):
        found.append(Remedy(Step.CLEAN, "find-culvert"))
    if at_house:
        found.append(Remedy(Step.GRADE, "relevel" if is_paved else "raise"))
    elif not inlets:
        found.append(Remedy(Step.GRADE, "fill"))
    if inlets:
        found.append(Remedy(Step.INLET, "second-way", tuple(inlets)))
    elif at_house:
        found.append(Remedy(Step.INLET, "basin"))
    return in_order(one for one in found if one is not None)


def of_walls(
    walls: Sequence[Row], causes: Sequence[Cause], downspouts: Sequence[str]
) -> tuple[Remedy, ...]:
    """
    Give what helps where the ground falls to a wall.

    Parameters
    ----------
    walls
        Rows of their facades.
    causes
        Of the water there.
    downspouts
        That end there.
    """
    found = [_run_on_off(causes)]
    if downspouts:
        found.append(Remedy(Step.ROOF, "lead-away", tuple(downspouts)))
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
    found = [_roofs_off(causes), Remedy(Step.GRADE, "raise-terrace", tuple(inlets))]
    if soaks:
        found.append(Remedy(Step.SOAK, "pit-test", tuple(soaks)))
    if is_under_water:
        found.append(Remedy(Step.PUMP, "flap"))
    found.append(Remedy(Step.PUMP, "pump"))
    return in_order(one for one in found if one is not None)


def _roofs_off(causes: Sequence[Cause]) -> Remedy | None:
    """Roof water led elsewhere, where it is much of what comes."""
    roofs = tuple(
        cause.subject for cause in causes if cause.source is Source.ROOF and cause.share >= 0.05
    )
    share = share_of(causes, Source.ROOF)
    if share < _WORTH or not roofs:
        return None
    return Remedy(Step.ROOF, "roof-elsewhere", roofs, {"share": f"{share:.0%}"})


def _run_on_off(causes: Sequence[Cause]) -> Remedy | None:
    """Water from neighbours turned aside on the lot's own ground."""
    across = tuple(
        cause.subject for cause in causes if cause.source is Source.NEIGHBOUR and cause.share >= 0.1
    )
    share = share_of(causes, Source.NEIGHBOUR)
    if share < _WORTH or not across:
        return None
    return Remedy(Step.SWALE, "swale", across, {"share": f"{share:.0%}"})


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
        elif item.startswith(("pipe", "catch basin", "area drain", "channel drain", "outlet")):
            if "end cap" not in item:
                count = f"{row['quantity']:g}"
                told.append(f"{count} {item}" if unit == "each" else f"{count} × {unit} {item}")
    told += [f"{length:.0f} {unit} of trench" for unit, length in trench.items()]
    return told
