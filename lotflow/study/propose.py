"""From a job to a proposed one: inlets with lines, judged by the same water, in a folder to run."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow import __version__
from lotflow.advice.harm import BOTH, Harm, Kind, broken, harms
from lotflow.advice.result import Result
from lotflow.drains.gravity_outlets import lower_places, search_ground
from lotflow.drains.house import own_buildings
from lotflow.drains.judged import design_storm
from lotflow.drains.pipes import minimum_fall
from lotflow.drains.standing_water import ground_infiltration
from lotflow.errors import Fault, InputError
from lotflow.inputs.job import moved_job_text, read_job, with_realisations
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes
from lotflow.inputs.site import empty_layers
from lotflow.inputs.sources import naming_files
from lotflow.layers.drawn import in_case
from lotflow.outputs.job_folder import JobFile, write_job_folder
from lotflow.outputs.proposal import PROPOSAL_FILE, SITE_FILE, NewRow, with_rows
from lotflow.outputs.summary import json_text
from lotflow.ponding.ponds import site_thresholds
from lotflow.proposing.inlets import (
    MATERIAL,
    NO_END,
    Digging,
    InletOption,
    NotOffered,
    kept_out,
    line_to_end,
)
from lotflow.proposing.places import (
    Judge,
    Yard,
    best_places,
    candidates,
    sureness,
    worsened_off_lot,
)
from lotflow.runoff.storms import peaks_reaching
from lotflow.study.chapter import say_nothing
from lotflow.study.job_chapters import case_storms, site_cover
from lotflow.study.lot_water import CaseWater, error_model, study_lot
from lotflow.study.main_job import run_study
from lotflow.study.start import start_job
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.confidence import drawn_by_seed, random_stream
from lotflow.terrain.lower_places import LowerPlace, open_ground
from lotflow.terrain.outlet_search import LeadFrom, OutletOption, PipeRule, outlet_options
from lotflow.terrain.surface import open_levels

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.grid import FloatArray
    from lotflow.inputs.job import Job
    from lotflow.runoff.storms import StormStudy
    from lotflow.study.chapter import Tell
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.outlet_search import SearchGround
    from lotflow.units import UnitSystem, VerticalUnit

#: Without a rainfall every low spot is full, as a screening tells of it: so much runs off [m].
_FULL_M: Final = 10.0
#: Candidates that are asked on surfaces that may be true, besides those chosen.
_ASKED: Final = 5
#: Kinds of harm that a proposal may not bring where there was none.
_NEVER_NEW: Final = (Kind.LEAVES, Kind.SIDEWALK)
#: Layers to which rows are added.
_ADDED: Final = ("inlets", "drain_lines", "outlets")
_LEVEL: Final = "elevation data"


@dataclass(frozen=True)
class Proposed:
    """
    What was proposed.

    Parameters
    ----------
    content
        Of `proposal.json`.
    text
        What is told of it.
    """

    content: dict[str, Any]
    text: str


def propose(
    job_path: Path, folder: Path, *, inlets: int = 3, surfaces: int = 12, tell: Tell = say_nothing
) -> Proposed:
    """
    Propose inlets with lines for a job, and write a whole job folder with them.

    Parameters
    ----------
    job_path
        Folder of the job, or its job file.
    folder
        To be made, or empty of the files of a job.
    inlets
        Most inlets that are proposed.
    surfaces
        Surfaces that may be true, on which each place is asked; 0 for none.
    tell
        Called with the name of each step.

    Raises
    ------
    InputError
        If an input is wrong, or rows cannot be added to the layers where they are.
    OutputError
        If the folder holds a job already, or cannot be written.
    """
    job = read_job(job_path)
    _require_one_file(job)
    moved = moved_job_text(job_path, folder.resolve(), SITE_FILE)
    tell("reading the ground")
    lot = study_lot(job)
    with naming_files(lot.site.sources):
        ground = _Ground.of(lot)
        tell("choosing places")
        options, refused = _inlet_options(ground, inlets, tell)
        tell("asking how sure they are")
        options = _asked(ground, options, surfaces, tell)
        tell("judging by a whole run")
        today = run_study(with_realisations(job, 0))
        before = _broken(today)
        options, left_out, after = _judged(job_path, lot, options, before)
        refused += left_out
        rows = _rows(lot, options)
        site = _site_file(lot, rows)
    content = _content(ground, options, refused, (before, after), surfaces)
    files = [
        JobFile("job.toml", moved.encode()), site,
        JobFile(PROPOSAL_FILE, json_text(content).encode()),
    ]  # fmt: skip
    write_job_folder(folder, files)
    return Proposed(content, proposal_text(content))


def propose_screening(  # noqa: PLR0913 - what is known of a lot, each by its name
    elevation: Path, lot: Path, folder: Path, *, layers: Mapping[str, Path] | None = None,
    vertical_unit: VerticalUnit | None = None, units: UnitSystem | None = None, inlets: int = 3,
    surfaces: int = 12, tell: Tell = say_nothing,
) -> Proposed:  # fmt: skip
    """
    Propose for a lot of which there is no job yet: one is made, as by `start_job`.

    Parameters
    ----------
    elevation, lot, layers, vertical_unit, units
        As for `start_job`.
    folder, inlets, surfaces, tell
        As for `propose`.

    Raises
    ------
    InputError
        If an input cannot be used.
    OutputError
        If the folder holds a job already, or cannot be written.
    """
    with tempfile.TemporaryDirectory(prefix="lotflow-") as made:
        job = Path(made).resolve() / (folder.resolve().name or "job")
        start_job(job, elevation, lot, vertical_unit=vertical_unit, units=units, layers=layers)
        return propose(job, folder, inlets=inlets, surfaces=surfaces, tell=tell)


def _judged(
    job_path: Path, lot: LotWater, options: list[InletOption], before: list[Harm]
) -> tuple[list[InletOption], list[NotOffered], list[Harm]]:
    """
    Judge options by whole runs: together they bring no new harm, and each mends some.

    Returns
    -------
    options, refused, after
        What is offered, what is not, and what is broken with what is offered.
    """

    def keys(rows: Sequence[Harm]) -> set[str]:
        return {row.key for row in rows}

    def run(some: Sequence[InletOption]) -> list[Harm]:
        return _run_with(job_path, _site_file(lot, _rows(lot, some))) if some else before

    refused: list[NotOffered] = []
    after = run(options)
    worse = [row for row in after if row.kind in _NEVER_NEW and row.key not in keys(before)]
    if worse:
        return [], [_by_whole_run(one, worse[0]) for one in options], before
    # the last ones mend least: whichever can be left out is
    for one in reversed(options):
        fewer = [other for other in options if other is not one]
        without = run(fewer)
        if keys(without) <= keys(after):
            refused.append(_for_nothing(one))
            options, after = fewer, without
    return options, refused, after


def _require_one_file(job: Job) -> None:
    """Demand that rows can be added where the layers are."""
    own = [name for name in _ADDED if name in job.layers.own()]
    if own:
        raise InputError(
            Fault(f"the layer {own[0]} has a file of its own, to which no row can be added",
                  "Draw inlets, drain lines and outlets in the one GeoPackage of [layers] file",
                  column=f"layers.{own[0]}")
        )  # fmt: skip
    file = job.layers.file
    if file is not None and file.suffix.casefold() != ".gpkg":
        raise InputError(
            Fault("rows are added to a GeoPackage, and [layers] file is none",
                  "Save the layers as one GeoPackage", str(file), column="layers.file")
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Ground:
    """What all steps of a proposal share."""

    lot: LotWater
    yard: Yard
    storms: StormStudy | None
    search: SearchGround
    ends: list[LowerPlace]
    digging: Digging

    @classmethod
    def of(cls, lot: LotWater) -> _Ground:
        """Lay out a lot."""
        grid, surface = lot.window.surface.ground, lot.window.surface
        cover = site_cover(lot).ground
        storms = case_storms(lot, CaseWater(lot.case, lot.roofs, lot.inlets), cover)
        search = search_ground(surface, lot.site, lot.level_error)
        setbacks = lot.job.setbacks.limits
        doubted = np.append(False, [bool(why) for why in lot.low_spots.artefact])
        own = own_buildings(lot.site)
        house = np.zeros(grid.shape, dtype=bool)
        for shape in own.geometry:
            house |= polygon_cells(shape, grid)
        outline = lot.site.lot.geometry.union_all()
        doors = site_thresholds(surface, lot.site.buildings, lot.site.openings, outline)
        yard = Yard(
            surface=surface,
            drains=lot.inlets.routing.drains,
            runoff=surface.rain_weight * _FULL_M
            if storms is None
            else storms.runoff_depth(design_storm(storms.storms, lot.job.criteria)),
            lot=lot.window.lot,
            house=house,
            paved=cover.paved,
            rate=ground_infiltration(cover, lot.job.job.soil_group, lot.job.job.soak_test_m_s),
            believed=~doubted[lot.low_spots.number],
            openings=[one for one in doors if one.is_opening],
            kept_out=kept_out(lot.site, grid, setbacks),
            rule=lot.job.terrain.direction,
        )
        ends = lower_places(
            lot.site, lot.case, search, lot.low_spots, lot.job.criteria.outlet_reach_m
        )
        digging = Digging(
            lot.site, grid, np.nan_to_num(open_ground(surface), nan=0.0) + np.where(
                np.isnan(open_ground(surface)), surface.elevation, 0.0),
            cover.paved, setbacks, lot.job.criteria, lot.job.units,
        )  # fmt: skip
        named = [place for place in ends if place.kind not in NO_END]
        return cls(lot, yard, storms, search, named, digging)

    def place(self, cell: int) -> tuple[float, float, float]:
        """Coordinates of a cell, and its ground."""
        grid = self.yard.surface.ground
        x, y = grid.xy(*divmod(cell, grid.shape[1]))
        return float(x), float(y), float(grid.values.ravel()[cell])

    def outlets(self, cell: int) -> list[OutletOption]:
        """Ways by gravity from a cell to named ends, best first."""
        criteria = self.lot.job.criteria
        size = criteria.outlet_size_m
        rule = PipeRule(criteria.cover_m, size, minimum_fall("pipe", size).least)
        x, y, level = self.place(cell)
        return outlet_options(LeadFrom("inlet", "", x, y, level), self.ends, rule, self.search)

    def flow(self, cell: int) -> float:
        """Peak of the design storm that reaches a cell [m^3/s]; NaN without rain."""
        if self.storms is None:
            return float("nan")
        storm = design_storm(self.storms.storms, self.lot.job.criteria)
        routing, at = self.lot.inlets.routing, {"": np.array([cell])}
        return float(peaks_reaching(self.storms, routing, at, storm)[""])


def _inlet_options(
    ground: _Ground, number: int, tell: Tell
) -> tuple[list[InletOption], list[NotOffered]]:
    """Choose places with an end that a line reaches; a place whose line fails is left out."""
    refused: list[NotOffered] = []
    reached: dict[int, list[OutletOption]] = {}
    judge = Judge(ground.yard)
    for cell in candidates(ground.yard):
        if ends := [one for one in ground.outlets(cell) if one.verdict != "not reachable"]:
            reached[cell] = ends
        else:
            refused.append(_no_end(ground, cell))
    lines: dict[int, tuple[OutletOption, Any, float]] = {}
    while True:
        chosen = best_places(judge, list(reached), number)
        for cell in chosen:
            if cell in lines:
                continue
            tell("choosing places", f"line {len(lines) + 1}")
            found = _line(ground, cell, reached[cell])
            if isinstance(found, NotOffered):
                refused.append(found)
                del reached[cell]
                break
            lines[cell] = found
        else:
            break
    options: list[InletOption] = []
    for position, cell in enumerate(chosen):
        x, y, level = ground.place(cell)
        end, line, flow = lines[cell]
        options.append(
            InletOption(
                f"Proposed inlet {position + 1}", cell, x, y, level,
                int(ground.lot.low_spots.number.ravel()[cell]), end, line, flow,
                judge.harm(chosen[:position]), judge.harm(chosen[: position + 1]),
            )
        )  # fmt: skip
    yard = ground.yard
    if options and (
        worse := worsened_off_lot(yard.water(), yard.water(chosen), (yard, yard))
    ):  # pragma: no cover - inlets that lead to named ends only take water
        kind, volume = next(iter(worse.items()))
        refused += [_worse(one, kind, volume) for one in options]
        options = []
    return options, refused


def _line(
    ground: _Ground, cell: int, ends: Sequence[OutletOption]
) -> tuple[OutletOption, Any, float] | NotOffered:
    """Line to the first of the ends that one reaches; why none does."""
    flow = ground.flow(cell)
    why: tuple[str, float | None, float | None, str] = ("", None, None, "")
    for end in ends:
        found = line_to_end(ground.digging, cell, end.place, flow)
        if not isinstance(found, tuple):
            return end, found, flow
        why = found
    x, y, _ = ground.place(cell)
    rule, measured, limit, unit = why
    return NotOffered(
        _words(ground, cell), x, y, "inlet with line", rule, measured, limit, unit,
        f"lotflow's rule, to {ends[-1].place.name}",
    )  # fmt: skip


def _words(ground: _Ground, cell: int) -> str:
    """Name a place."""
    spot = int(ground.lot.low_spots.number.ravel()[cell])
    return f"low spot {spot}" if spot else "on the way of water"


def _no_end(ground: _Ground, cell: int) -> NotOffered:
    """Say that no named end is reached from a place."""
    x, y, _ = ground.place(cell)
    found = ground.outlets(cell)
    best = max((one.left_m for one in found), default=None)
    rule = (
        "no named end is drawn: an outlet, a street, open water"
        if not ground.ends
        else "gravity reaches no named end with the least fall"
    )
    return NotOffered(
        _words(ground, cell), x, y, "inlet with line", rule, best, 0.0, "m",
        "lotflow's rule: no inlet without an end; outlet first",
    )  # fmt: skip


def _worse(option: InletOption, kind: str, volume: float) -> NotOffered:
    """Say that a neighbour would have more water."""
    return NotOffered(
        option.name, option.x, option.y, "inlet with line",
        f"more water beyond the lot: {kind}", volume, 0.0, "m^3",
        "Sierra County CA section 12.08.560: no more in quantity or concentration than before",
    )  # fmt: skip


def _by_whole_run(option: InletOption, row: Harm) -> NotOffered:
    """Say that the whole run shows harm that was not there before."""
    return NotOffered(
        option.name, option.x, option.y, "inlet with line", f"new harm: {row.key}",
        row.measured, row.limit, "", row.source,
    )  # fmt: skip


def _for_nothing(option: InletOption) -> NotOffered:
    """Say that no limit of the whole run is kept that was broken before."""
    return NotOffered(
        option.name, option.x, option.y, "inlet with line",
        "in a whole run no limit of harm is kept that is broken without it", 0.0, 1.0, "limits",
        "lotflow's rule: docs/answer.md, harm",
    )  # fmt: skip


def _asked(
    ground: _Ground, options: Sequence[InletOption], number: int, tell: Tell
) -> list[InletOption]:
    """Ask of each place how sure it is, on surfaces that may be true."""
    lot, yard = ground.lot, ground.yard
    error = error_model(lot.job)
    if not (options and number) or error.is_none:
        return list(options)
    measured = open_levels(lot.window.elevation.grid)
    seed = lot.job.confidence.seed
    drawn = (
        lot.levelled.surfaces
        if lot.levelled is not None and lot.levelled.surfaces is not None
        else drawn_by_seed(replace(yard.surface, ground=lot.window.elevation.grid), error, seed)
    )
    yards = [
        _on(yard, drawn.draw(position, random_stream(seed, position + 1)) - measured)
        for position in range(1 if drawn.are_one else number)
    ]
    chosen = [one.cell for one in options]
    judge = Judge(yard)
    others = [cell for cell in candidates(yard) if cell not in chosen]
    others = sorted(others, key=lambda cell: judge.gain([cell]), reverse=True)[:_ASKED]
    found = sureness(
        yards, chosen, others, lot.low_spots.number,
        lambda part: tell("asking how sure they are", part),
    )  # fmt: skip
    return [replace(one, sure=sure) for one, sure in zip(options, found, strict=True)]


def _on(yard: Yard, off: FloatArray) -> Yard:
    """The lot on another surface: ground and what is dug lie higher or lower, roofs stay."""
    surface = yard.surface
    level = np.where(surface.roof, surface.elevation, surface.elevation + off)
    return replace(yard, surface=replace(surface, elevation=level))


def _rows(lot: LotWater, options: Sequence[InletOption]) -> list[NewRow]:
    """Rows of the site by which options are drawn."""
    offset = lot.job.level_offset_m if lot.job.is_drawn_by_benchmark else 0.0
    taken = {str(name).casefold() for layer in ("inlets", "drain_lines", "outlets")
             for name in getattr(lot.site, layer)["name"].dropna()}  # fmt: skip
    fixed = {"status": "proposed", "origin": "lotflow"}
    outlets = in_case(lot.site.outlets, lot.case)
    rows: list[NewRow] = []
    made: dict[tuple[float, float], str] = {}
    from shapely import Point  # noqa: PLC0415 - of proposals only

    for option in options:
        place, line = option.end.place, option.line
        at = (place.x, place.y)
        drawn = outlets[[point.x == place.x and point.y == place.y for point in outlets.geometry]]
        end = str(drawn["name"].iloc[0]) if len(drawn) else made.get(at, "")
        name = _free(option.name, taken)
        rows.append(NewRow("inlets", fixed | {"name": name, "kind": "catch basin"},
                           Point(option.x, option.y)))  # fmt: skip
        if not end:
            end = made[at] = _free("Proposed curb outlet 1" if place.kind == "street"
                                   else "Proposed outlet 1", taken)  # fmt: skip
            kind = "curb" if place.kind == "street" else "daylight"
            rows.append(NewRow("outlets", fixed | {
                "name": end, "kind": kind, "invert": line.invert_down - offset,
                "diameter": line.size.inside_diameter_m}, Point(*at)))  # fmt: skip
        rows.append(NewRow("drain_lines", fixed | {
            "name": _free(option.name.replace("inlet", "line"), taken), "from_node": name,
            "to_node": end, "size": line.size.size_m, "material": MATERIAL,
            "invert_up": line.invert_up - offset, "invert_down": line.invert_down - offset,
            "evidence": "assumed"}, line.shape))  # fmt: skip
    return rows


def _free(name: str, taken: set[str]) -> str:
    """Give a name that no row has, by its number; it is taken then."""
    stem, _, number = name.rpartition(" ")
    count = int(number)
    while f"{stem} {count}".casefold() in taken:
        count += 1
    taken.add(f"{stem} {count}".casefold())
    return f"{stem} {count}"


def _site_file(lot: LotWater, rows: Sequence[NewRow]) -> JobFile:
    """Site with rows added."""
    file, units = lot.job.layers.file, lot.job.units
    drawn = None
    if file is not None:
        path = local_file(file, "file of the site layers")
        drawn = read_bytes(path, DEFAULT_LIMITS.vector_bytes, "file of the site layers")
    empty = empty_layers(lot.source.crs, units)
    if drawn is None and not rows:
        rows = ()
    return with_rows(
        drawn, rows, empty=empty, crs=lot.source.crs, units=units,
        vertical_unit=lot.source.vertical_unit,
    )  # fmt: skip


def _run_with(job_path: Path, site: JobFile) -> list[Harm]:
    """Run the job with another site; what is broken then."""
    with tempfile.TemporaryDirectory(prefix="lotflow-") as made:
        folder = Path(made).resolve()
        (folder / "job.toml").write_text(moved_job_text(job_path, folder, SITE_FILE))
        (folder / site.name).write_bytes(site.content)
        return _broken(run_study(with_realisations(read_job(folder), 0)))


def _broken(study: Any) -> list[Harm]:
    """Limits that are broken in the main state, with inlets open."""
    content = {"balance": study.balance, "accuracy": study.accuracy}
    result = Result(study.layers, study.findings, content, study.lot.job.units)
    return [row for row in broken(harms(result))
            if row.state in (BOTH, result.state) and row.inlets in ("any", "open")]  # fmt: skip


def _content(
    ground: _Ground, options: Sequence[InletOption], refused: Sequence[NotOffered],
    rows: tuple[list[Harm], list[Harm]], surfaces: int,
) -> dict[str, Any]:  # fmt: skip
    """Content of `proposal.json`."""
    lot = ground.lot
    before, after = ({row.key for row in some} for some in rows)
    return {
        "lotflow": __version__,
        "seed": lot.job.confidence.seed,
        "surfaces": surfaces,
        "rain": lot.rainfall is not None,
        "outcome": "options" if options else "nothing can be offered",
        "options": [_told(one) for one in options],
        "harm": {
            "mended": sorted(before - after), "left": sorted(before & after),
            "new": sorted(after - before),
        },
        "not_offered": [
            {"place": one.place, "x": _round(one.x), "y": _round(one.y), "remedy": one.remedy,
             "rule": one.rule, "measured": _round(one.measured), "limit": _round(one.limit),
             "unit": one.unit, "source": one.source}
            for one in refused
        ],
        "shots": _shots(ground, options),
    }  # fmt: skip


def _told(option: InletOption) -> dict[str, Any]:
    """One option, in SI."""
    end, line, sure = option.end, option.line, option.sure
    return {
        "name": option.name, "x": _round(option.x), "y": _round(option.y),
        "low_spot": option.low_spot or None,
        "verdict": None if sure is None else sure.verdict,
        "same_low_spot_share": None if sure is None else sure.same,
        "worth_kept": None if sure is None else sure.kept,
        "end": {"name": end.place.name, "kind": end.place.kind, "verdict": end.verdict,
                "left_m": _round(end.left_m), "deviation_m": _round(end.deviation_m),
                "ask": end.place.kind in ("street", "water", "curb", "public inlet",
                                          "storm sewer")},
        "line": {"length_m": _round(line.length_m), "size": line.size.label,
                 "material": MATERIAL, "fall": _round(line.fall),
                 "invert_up_m": _round(line.invert_up), "invert_down_m": _round(line.invert_down),
                 "deepest_m": _round(line.deepest_m), "bends": line.bends,
                 "shallow_m": _round(line.shallow_m),
                 "flow_m3s": _round(option.flow), "capacity_m3s": _round(line.capacity)},
        "before": {key: _round(value) for key, value in option.before._asdict().items()},
        "after": {key: _round(value) for key, value in option.after._asdict().items()},
    }  # fmt: skip


def _shots(ground: _Ground, options: Sequence[InletOption]) -> list[dict[str, Any]]:
    """Levels that decide: at the place, at the edge of its low spot, at the end."""
    lot, found = ground.lot, []
    columns = lot.low_spots.number.shape[1]
    for one in options:
        unsure = one.sure is None or one.sure.verdict != "here"
        if unsure:
            found.append((one.name, "lowest ground at the inlet", one.x, one.y))
            if one.low_spot:
                cell = int(lot.low_spots.spill_cell[one.low_spot - 1])
                x, y = ground.yard.surface.ground.xy(*divmod(cell, columns))
                found.append((one.name, "edge over which the low spot runs over", x, y))
        if one.end.verdict != "reachable":
            place = one.end.place
            found.append((one.name, f"level of the end: {place.name}", place.x, place.y))
    return [
        {"option": name, "what": what, "x": _round(float(x)), "y": _round(float(y))}
        for name, what, x, y in found
    ]


def _round(value: float | None) -> float | None:
    """Three decimals; None for what is no number."""
    return None if value is None or not np.isfinite(value) else round(float(value), 5)


def proposal_text(content: dict[str, Any]) -> str:
    """
    Tell a proposal in a few lines.

    Parameters
    ----------
    content
        Of `proposal.json`.
    """
    lines = []
    if not content["options"]:
        lines.append("Nothing can be offered.")
    for one in content["options"]:
        end, line = one["end"], one["line"]
        sure = one["verdict"] or "not asked"
        lines.append(
            f"{one['name']} at {one['x']:.1f}, {one['y']:.1f} ({sure}): {line['size']} "
            f"{line['material']}, {line['length_m']:.1f} m at {100 * line['fall']:.1f} %, "
            f"to {end['name']} ({end['verdict']}{', ask for the permit' if end['ask'] else ''})"
        )
    told = content["harm"]
    for title, keys in (("Mended", told["mended"]), ("Left", told["left"]), ("New", told["new"])):
        if keys:
            lines.append(f"{title}: {'; '.join(keys)}")
    for one in content["not_offered"]:
        measured = "" if one["measured"] is None else f" ({one['measured']:.2f} {one['unit']})"
        lines.append(f"Not offered, {one['place']}: {one['remedy']}: {one['rule']}{measured}")
    lines += [
        f"Level first, {one['option']}: {one['what']} at {one['x']:.1f}, {one['y']:.1f}"
        for one in content["shots"]
    ]
    return "\n".join(lines)
