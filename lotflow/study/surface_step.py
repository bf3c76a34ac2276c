"""The surface before pipes: changes chosen by the ground, then held against whole runs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice.harm import Kind
from lotflow.drains.quantities import MovedGround, earthwork_quantities, priced
from lotflow.inputs.prices import read_prices
from lotflow.proposing.inlets import NotOffered
from lotflow.proposing.ranking import shares_alone
from lotflow.proposing.surface import SurfaceLot, surface_options

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from lotflow.advice.harm import Harm
    from lotflow.grid import FloatArray
    from lotflow.inputs.job import Job
    from lotflow.proposing.inlets import LotGround
    from lotflow.proposing.surface import Change, SurfaceOption
    from lotflow.study.lot_water import LotWater
    from lotflow.study.main_job import Study

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
    study: Study

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


def surface_lot(lot: LotWater, ground: LotGround) -> SurfaceLot:
    """
    Lay out a lot for changes of its surface.

    Parameters
    ----------
    lot, ground
        As it is drawn.
    """
    return SurfaceLot(
        ground, lot.site, lot.ground, lot.window.works, lot.level_error, lot.job.job.soak_test_m_s
    )


def surface_step(
    lot: SurfaceLot, before: Study, off: Sequence[FloatArray],
    run: Callable[[Sequence[Change]], Study], broken: Callable[[Study], list[Harm]],
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
    for one, (helps, harms) in zip(list(options), shares, strict=True):
        if harms > 0 and harms >= helps:
            options.remove(one)
            refused.append(_refused(one.change, _HARMS_AS_OFTEN, harms, helps, "1", _OWN))
    known = broken(before)
    study = before
    while options:
        study = run([one.change for one in options])
        wrong = _found_wrong(options, study)
        if not wrong and (new := _new(study, known, broken)):
            wrong = _to_blame(options, known, new, run, broken)
        if not wrong:
            break
        refused += wrong.values()
        options = [one for one in options if one not in wrong]
        study = before
    return SurfaceStep(lot, options, refused, study)


def _new(study: Study, known: Sequence[Harm], broken: Callable[[Study], list[Harm]]) -> list[Harm]:
    """Limits that are broken in a run and were not before."""
    return compared_harm(known, broken(study), _unit(study))[2]


def _unit(study: Study) -> float:
    return study.lot.window.surface.ground.metres_per_unit


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


def _found_wrong(options: Sequence[SurfaceOption], study: Study) -> dict[SurfaceOption, NotOffered]:
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
    run: Callable[[Sequence[Change]], Study], broken: Callable[[Study], list[Harm]],
) -> dict[SurfaceOption, NotOffered]:  # fmt: skip
    """The last option without which some new harm is not there; all where none is found."""
    for one in reversed(options):
        fewer = [other.change for other in options if other is not one]
        study = run(fewer) if fewer else None
        without = [] if study is None else _new(study, known, broken)
        unit = 1.0 if study is None else _unit(study)
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


def costs(step: SurfaceStep, lot: LotWater) -> dict[str, float | None]:
    """
    Cost of each change of the ground by the user's prices; None where an item has no price.

    Parameters
    ----------
    step
        With the run that tells its quantities.
    lot
        Gives prices and units; without prices there are no costs.
    """
    if lot.job.prices is None:
        return {}
    given = read_prices(lot.job.prices.file).prices
    dug: dict[str, Any] = {}
    for layer in ("earthwork_lines", "earthwork_areas"):
        if layer in step.study.layers:
            dug |= {str(row["name"]): row for row in step.study.layers[layer].to_dict("records")}
    found: dict[str, float | None] = {}
    for change in step.changes:
        moved = [
            MovedGround(str(row["kind"]), "", *(float(row[key]) for key in _MOVED))
            for one in change.rows if (row := dug.get(str(one.values["name"]))) is not None
        ]  # fmt: skip
        if len(moved) < len(change.rows):  # pipes of downspouts are on no list
            found[change.name] = None
            continue
        order, _ = priced(earthwork_quantities(moved, lot.job.units), given, "")
        parts = [one.cost for one in order]
        found[change.name] = None if None in parts else sum(cost or 0.0 for cost in parts)
    return found


_MOVED: Final = ("cut_m3", "fill_m3", "area_m2")


def nothing_stands(lot: SurfaceLot, job: Job) -> list[NotOffered]:
    """
    Say that no water stands on a lot that the data can show.

    Parameters
    ----------
    lot
        As it is drawn.
    job
        Gives the depth from which a low spot counts.
    """
    yard = lot.yard
    if (yard.lot & yard.believed & (lot.ground.low_spots.number > 0)).any():
        return []
    place, limit = lot.lot.centroid, job.criteria.low_spot_limit_m(lot.error.rmse_m)
    return [
        NotOffered(
            "anywhere on the lot", place.x, place.y, "inlet with line",
            "nothing stands here: no low ground of the lot is as deep as the data can show",
            0.0, limit, "m", _OWN,
        )
    ]  # fmt: skip


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
