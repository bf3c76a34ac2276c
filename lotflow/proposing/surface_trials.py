"""The surface before pipes: changes chosen by the ground, then held against whole runs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.advice.harm import Kind
from lotflow.drains.quantities import (
    ORDER_UNITS,
    MovedGround,
    Quantity,
    earthwork_quantities,
    priced,
)
from lotflow.proposing.inlets import NotOffered
from lotflow.proposing.ranking import shares_alone
from lotflow.proposing.surface import rebuilt, surface_options
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.earthworks import RING_M
from lotflow.units import from_si, sign

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from lotflow.advice.harm import Harm
    from lotflow.grid import FloatArray
    from lotflow.proposing.surface import Change, SurfaceLot, SurfaceOption
    from lotflow.units import UnitSystem

#: What a run must not find of anything proposed.
NEVER: Final = (
    "swale-without-fall", "swale-too-flat", "swale-ends-blind", "swale-too-small",
    "swale-over-sidewalk", "swale-runs-to-building", "rain-garden-near-building",
    "rain-garden-slow", "fill-above-sill", "berm-without-swale", "earthwork-off-lot",
    "downspout-near-foundation",
)  # fmt: skip


_HARMS_AS_OFTEN: Final = (
    "level first: share of surfaces that may be true on which it makes something worse, and share "
    "on which it helps"
)
_OWN: Final = "lotflow's rule: levels first"


@dataclass(frozen=True, eq=False)
class SurfaceStep:
    """
    What is proposed for the surface.

    Parameters
    ----------
    lot
        On which the changes were judged.
    options, refused
        What is offered, and what is not.
    study
        A whole run with what is offered.
    """

    lot: SurfaceLot
    options: list[SurfaceOption]
    refused: list[NotOffered]
    study: Any

    @property
    def changes(self) -> list[Change]:
        """What is offered, as it is drawn."""
        return [one.change for one in self.options]

    @property
    def needs(self) -> dict[str, list[str]]:
        """What the run asks or warns of each row, by its name."""
        names = {str(row.values["name"]) for one in self.changes for row in one.rows}
        found: dict[str, list[str]] = {name: [] for name in names}
        for one in self.study.findings:
            if one.subject in names:
                found[one.subject].append(one.rule)
        return found


def surface_step(
    lot: SurfaceLot, before: Any, off: Sequence[FloatArray],
    run: Callable[[Sequence[Change]], Any], broken: Callable[[Any], list[Harm]],
    tell: Callable[[str], None],
) -> SurfaceStep:  # fmt: skip
    """
    Choose changes of the surface, and leave out what a whole run finds wrong with them.

    Parameters
    ----------
    lot
        As it is drawn.
    before
        A whole run without any.
    off
        How much higher surfaces that may be true lie than the measured one [m].
    run
        A whole run with some.
    broken
        Gives the limits that a run shows broken.
    tell
        Called with what is being looked at.
    """
    options, refused = surface_options(lot, tell)
    shares = shares_alone(lot, [one.change for one in options], off)
    kept = []
    for one, (helps, harms) in zip(options, shares, strict=True):
        if harms > 0 and harms >= helps:
            refused.append(_refused(one.change, _HARMS_AS_OFTEN, harms, helps, "1", _OWN))
        else:
            kept.append(one)
    if len(kept) < len(options):
        options, idle = rebuilt(lot, kept)
        refused += idle
    known = broken(before)
    study = before
    while options:
        study = run([one.change for one in options])
        wrong = _found_wrong(options, study)
        if not wrong and (new := _new(study, known, broken, lot.unit)):
            wrong = _to_blame(options, known, new, run, broken, lot.unit)
        if not wrong:
            break
        options, idle = rebuilt(lot, [one for one in options if one not in wrong])
        refused += [*wrong.values(), *idle]
        study = before
    return SurfaceStep(lot, options, refused, study)


def _new(
    study: Any, known: Sequence[Harm], broken: Callable[[Any], list[Harm]], unit: float
) -> list[Harm]:
    """Limits that are broken in a run and were not before."""
    return compared_harm(known, broken(study), unit)[2]


def compared_harm(
    before: Sequence[Harm], after: Sequence[Harm], unit: float
) -> tuple[list[Harm], list[Harm], list[Harm]]:
    """
    Tell which broken limits are mended, left and new.

    Low spots are numbered anew where the ground is changed: theirs are matched by place.

    Parameters
    ----------
    before, after
        Limits that are broken.
    unit
        Metres of a unit of the CRS.

    Returns
    -------
    mended, left, new
        The first as they were, the others as they are now.
    """

    def same(one: Harm, other: Harm) -> bool:
        if one.kind is not other.kind:
            return False
        is_water = one.low_spot or one.kind is Kind.LEAVES
        is_opening = one.kind in (Kind.ENTERS, Kind.FREEBOARD)
        places = one.x, one.y, other.x, other.y
        if is_opening or not is_water or None in places:
            return one.subject == other.subject
        x, y, there_x, there_y = (float(place or 0.0) for place in places)
        return math.hypot(x - there_x, y - there_y) * unit <= _SAME_WATER_M

    left = [one for one in after if any(same(one, other) for other in before)]
    return (
        [one for one in before if not any(same(one, other) for other in after)],
        left,
        [one for one in after if one not in left],
    )


#: Water of one kind of harm so near to where it was is the same [m].
_SAME_WATER_M: Final = 4.0


def _found_wrong(options: Sequence[SurfaceOption], study: Any) -> dict[SurfaceOption, NotOffered]:
    """Options of which a run finds what it must not."""
    wrong = {}
    for one in options:
        names = {str(row.values["name"]) for row in one.change.rows}
        for finding in study.findings:
            if finding.rule in NEVER and finding.subject in names:
                wrong[one] = _refused(
                    one.change,
                    f"a run finds: {finding.rule}",
                    finding.measured,
                    finding.limit,
                    finding.unit,
                    finding.source,
                )
    return wrong


def _to_blame(
    options: Sequence[SurfaceOption], known: Sequence[Harm], new: Sequence[Harm],
    run: Callable[[Sequence[Change]], Any], broken: Callable[[Any], list[Harm]], unit: float,
) -> dict[SurfaceOption, NotOffered]:  # fmt: skip
    """The last option without which some new harm is not there; all where none is found."""
    for one in reversed(options):
        fewer = [other.change for other in options if other is not one]
        study = run(fewer) if fewer else None
        without = [] if study is None else _new(study, known, broken, unit)
        if gone := compared_harm(new, without, unit)[0]:
            row = gone[0]
            why = (f"new harm: {row.key}", row.measured, row.limit, "", row.source)
            return {one: _refused(one.change, *why)}
    row = new[0]
    why = (f"new harm: {row.key}", row.measured, row.limit, "", row.source)
    return {one: _refused(one.change, *why) for one in options}


def _refused(
    change: Change, rule: str, measured: float | None, limit: float | None, unit: str, source: str
) -> NotOffered:
    return NotOffered(change.place, change.x, change.y, change.kind, rule, measured, limit, unit,
                      source)  # fmt: skip


def quantities(step: SurfaceStep, units: UnitSystem) -> dict[str, list[Quantity]]:
    """
    List what each change takes: earth as a run measures it, gutters, and pipes of downspouts.

    Parameters
    ----------
    step
        With the run that tells its quantities.
    units
        "us" or "metric".
    """
    dug: dict[str, Any] = {}
    for layer in ("earthwork_lines", "earthwork_areas"):
        if layer in step.study.layers:
            dug |= {str(row["name"]): row for row in step.study.layers[layer].to_dict("records")}
    unit = ORDER_UNITS[units].length
    found = {}
    for change in step.changes:
        moved = [
            MovedGround(str(row["kind"]), "", *(float(row[key]) for key in _MOVED))
            for one in change.rows if (row := dug.get(str(one.values["name"]))) is not None
        ]  # fmt: skip
        listed = earthwork_quantities(moved, units) if moved else []
        if gutter := change.facts.get("gutter_m"):
            listed.append(Quantity("gutter", "", round(from_si(gutter, unit), 1), sign(unit)))
            listed.append(Quantity("downspout", "", float(change.facts["downspouts"]), "pieces"))
        if any(row.table == "downspouts" for row in change.rows):
            length = round(from_si(change.length_m, unit), 1)
            listed.append(Quantity("downspout extension", "", length, sign(unit)))
        found[change.name] = listed
    return found


def costs(
    listed: Mapping[str, Sequence[Quantity]], prices: Mapping[str, float]
) -> dict[str, float | None]:
    """
    Cost of each change of the surface by the user's prices; None where an item has no price.

    Parameters
    ----------
    listed
        From `quantities`.
    prices
        By the item; without any there are no costs.
    """
    if not prices:
        return {}
    found: dict[str, float | None] = {}
    for name, wanted in listed.items():
        parts = [one.cost for one in priced(wanted, prices, "")[0]]
        found[name] = None if None in parts else sum(cost or 0.0 for cost in parts)
    return found


_MOVED: Final = ("cut_m3", "fill_m3", "area_m2")


def nothing_stands(lot: SurfaceLot, limit_m: float) -> list[NotOffered]:
    """
    Say that no water stands on a lot that the data can show.

    Parameters
    ----------
    lot
        As it is drawn.
    limit_m
        Depth from which a low spot counts [m].
    """
    yard = lot.yard
    if (yard.lot & yard.believed & (lot.ground.low_spots.number > 0)).any():
        return []
    place = lot.lot.centroid
    return [
        NotOffered(
            "anywhere on the lot", place.x, place.y, "inlet with line",
            "nothing stands here: no low ground of the lot is as deep as the data can show",
            0.0, limit_m, "m", _OWN,
        )
    ]  # fmt: skip


def basins_on_paving(lot: SurfaceLot) -> list[NotOffered]:
    """
    Name, for paving at a wall of which the data cannot tell that it falls away, what a basin has.

    By the data no water stands there; once levels show that it does, the head to an end decides.

    Parameters
    ----------
    lot
        As it is drawn.
    """
    laid, yard, found = lot.laid(), lot.yard, []
    for wall in laid.facades:
        if not wall.is_paved or not wall.slope < wall.slope_limit:
            continue
        strip = wall.line.buffer(RING_M / lot.unit, cap_style="flat")
        cells = polygon_cells(strip, lot.grid) & yard.paved & yard.usable
        if not cells.any() or (cells & (lot.ground.low_spots.number > 0)).any():
            continue  # where water stands, it was asked as a place for an inlet
        cell = int(np.argmin(np.where(cells, yard.surface.elevation, np.inf)))
        x, y, _ = lot.ground.place(cell)
        ways = lot.ground.outlets(cell)
        best = max(ways, key=lambda way: way.left_m, default=None)
        end = "no named end is drawn" if best is None else f"the head to {best.place.name} is told"
        found.append(
            NotOffered(
                wall.name, x, y, "basin on the paving with a line",
                f"level first: by the data no water stands on it; where levels show that it does, "
                f"relevel it, or set a basin at its lowest place: {end}",
                None if best is None else best.left_m, 0.0, "m", _OWN,
            )
        )  # fmt: skip
    return found


def pump_last(refused: Sequence[NotOffered]) -> list[NotOffered]:
    """
    Name a pump, last of all, for each low spot that gravity leads to no named end.

    Parameters
    ----------
    refused
        What is not offered; of an inlet without an end `measured` is the head that is left, less
        than nothing.
    """
    short: dict[str, NotOffered] = {}
    for one in refused:
        left = one.measured
        if one.remedy != "inlet with line" or one.unit != "m" or left is None or left >= 0:
            continue
        if one.place not in short or left > (short[one.place].measured or 0.0):
            short[one.place] = one
    return [
        NotOffered(
            one.place, one.x, one.y, "pump in a basin",
            "the last of all remedies: it lifts the water by what gravity lacks, takes power, an "
            "alarm and an overflow, and an end that may take its water: ask whose it is",
            -(one.measured or 0.0), 0.0, "m",
            "common practice, no published source; never a pump in the small print",
        )
        for one in short.values()
    ]  # fmt: skip
