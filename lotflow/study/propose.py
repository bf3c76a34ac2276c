"""From a job to a proposed one: the surface first, then inlets with lines, in a folder to run."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from lotflow import __version__
from lotflow.advice.harm import BOTH, Harm, broken, harms
from lotflow.advice.result import Result
from lotflow.drains.standing_water import ground_infiltration
from lotflow.errors import Fault, InputError
from lotflow.inputs.job import moved_job_text, read_job, with_realisations
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes
from lotflow.inputs.prices import read_prices
from lotflow.inputs.proposals import PROPOSAL_FILE, digest, read_earlier
from lotflow.inputs.site import empty_layers
from lotflow.inputs.sources import naming_files
from lotflow.layers.drawn import DrawnRow
from lotflow.outputs.job_folder import JobFile, write_job_folder
from lotflow.outputs.proposal import (
    SITE_FILE,
    listed_rows,
    proposal_content,
    proposal_text,
    proposed_rows,
    with_rows,
    without_rows,
)
from lotflow.outputs.proposal_page import PROPOSAL_PAGE, ProposalView, proposal_page
from lotflow.outputs.summary import json_text
from lotflow.outputs.surface_proposal import (
    ranking_content,
    surface_content,
    surface_shots,
    surface_text,
)
from lotflow.proposing.again import Settled, settled
from lotflow.proposing.inlets import LotGround, Rules, asked, laid_out, offered
from lotflow.proposing.ranking import Trial, ranked
from lotflow.proposing.sound import sound_nodes
from lotflow.proposing.surface import SurfaceLot, drawn_rows
from lotflow.proposing.surface_trials import (
    basins_on_paving,
    compared_harm,
    costs,
    nothing_stands,
    pump_last,
    quantities,
    surface_step,
)
from lotflow.study.chapter import say_nothing
from lotflow.study.job_chapters import case_storms, site_cover
from lotflow.study.lot_water import case_water, error_model, study_lot
from lotflow.study.main_job import run_study, study_of
from lotflow.study.start import start_job
from lotflow.terrain.confidence import surfaces_off

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.inputs.job import Job
    from lotflow.layers.proposals import Rejected
    from lotflow.proposing.inlets import InletOption
    from lotflow.proposing.trenches import DrawnNode
    from lotflow.study.chapter import Tell
    from lotflow.study.lot_water import LotWater
    from lotflow.study.main_job import Study
    from lotflow.units import UnitSystem, VerticalUnit

#: Layers to which rows are added.
_ADDED: Final = ("inlets", "drain_lines", "outlets", "downspouts", "earthworks")


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
    Propose changes of the surface, inlets and lines, and write a whole job folder with them.

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
    earlier = read_earlier(job_path)
    moved = _moved_job(job_path, folder.resolve())
    tell("reading the ground")
    lot = study_lot(job)
    if earlier is None:
        return _proposed(job_path, lot, moved, folder, inlets, surfaces, tell)
    again = settled(lot.site, earlier, lot.ground.metres_per_unit)
    with tempfile.TemporaryDirectory(prefix="lotflow-") as made:
        if again.free or again.theirs:
            base = Path(made).resolve().joinpath("job")
            _write_base(job_path, lot, again, base)
            job_path, lot = base, study_lot(read_job(base))
        return _proposed(job_path, lot, moved, folder, inlets, surfaces, tell, again.rejected)


def _proposed(
    job_path: Path, lot: LotWater, moved: JobFile, folder: Path, inlets: int, surfaces: int,
    tell: Tell, rejected: tuple[Rejected, ...] = (),
) -> Proposed:  # fmt: skip
    """Propose for a drawing without free rows of an earlier proposal."""
    with naming_files(lot.site.sources), tempfile.TemporaryDirectory(prefix="lotflow-") as made:
        ground = _ground(lot)
        tell("the surface first")
        off = list(surfaces_off(
            lot.ground, error_model(lot.job), lot.job.confidence.seed, surfaces,
            None if lot.levelled is None else lot.levelled.surfaces, lot.window.elevation.apart,
        ))  # fmt: skip
        bare = study_of(replace(lot, job=with_realisations(lot.job, 0)))
        surface = surface_step(
            surface_lot(lot, ground), bare, off,
            lambda changes: study_of(_redrawn(job_path, lot, drawn_rows(changes))), _broken,
            partial(tell, "the surface first"),
        )  # fmt: skip
        drawn = lot
        if surface.changes:
            folder_of = Path(made).resolve()
            rows = drawn_rows(surface.changes)
            _write_job(job_path, folder_of, _with_rows(lot, rows))
            drawn = study_lot(read_job(folder_of))
        joinable = sound_nodes(_result(surface.study), drawn.site, drawn.case)
        ground = _ground(drawn, rejected, joinable)
        tell("choosing places")
        options, refused, after = offered(
            ground, inlets, _broken(surface.study), partial(_run_with, job_path, drawn),
            partial(tell, "choosing places"),
        )  # fmt: skip
        tell("asking how sure they are")
        options = asked(ground, options, off, partial(tell, "asking how sure they are"))
        trials = [Trial(one.name, (one,)) for one in surface.changes]
        trials += [Trial(one.name, cells=(one.cell,)) for one in options if not one.is_drawn]
        ranking = ranked(surface.lot, trials, off, partial(tell, "asking how sure they are"))
        added = _added_rows(drawn, options)
        site = _with_rows(drawn, added)
    limit = lot.job.criteria.low_spot_limit_m(surface.lot.error.rmse_m)
    refused = [*surface.refused, *refused]
    refused += [*nothing_stands(surface.lot, limit), *basins_on_paving(surface.lot)]
    refused += pump_last(refused)
    head = {"lotflow": __version__, "seed": lot.job.confidence.seed, "surfaces": surfaces}
    before = _broken(bare)
    content: dict[str, Any] = head | proposal_content(
        ground, options, refused, (before, after), listed_rows(added, _offset(lot)), rejected
    )
    unit = lot.window.surface.ground.metres_per_unit
    mended, left, new = compared_harm(before, after, unit)
    content["harm"] = {
        "mended": sorted({row.key for row in mended}), "left": sorted({row.key for row in left}),
        "new": sorted({row.key for row in new}),
    }  # fmt: skip
    listed = quantities(surface, lot.job.units)
    content["surface"] = surface_content(
        surface.options, surface.study.layers, surface.needs, listed
    )
    paid = lot.job.prices
    prices = {} if paid is None else read_prices(paid.file).prices
    content["ranking"] = ranking_content(ranking, costs(listed, prices))
    content["shots"] = [*surface_shots(ranking, surface.changes), *content["shots"]]
    is_any = bool(surface.changes or options)
    content["outcome"] = "options" if is_any else "nothing can be offered"
    content["sha256"] = digest(content)
    tell("drawing the page")
    page = proposal_page(content, _view(job_path, lot, site if is_any else None))
    write_job_folder(folder, [
        moved, site, JobFile(PROPOSAL_FILE, json_text(content).encode()),
        JobFile(PROPOSAL_PAGE, page.encode()),
    ])  # fmt: skip
    return Proposed(content, f"{surface_text(content)}\n{proposal_text(content)}".strip())


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
        job = Path(made).resolve().joinpath(folder.resolve().name or "job")
        start_job(job, elevation, lot, vertical_unit=vertical_unit, units=units, layers=layers)
        return propose(job, folder, inlets=inlets, surfaces=surfaces, tell=tell)


def _require_one_file(job: Job) -> None:
    """Demand that rows can be added where the layers are."""
    own = [name for name in _ADDED if name in job.layers.own()]
    if own:
        raise InputError(
            Fault(f"the layer {own[0]} has a file of its own, to which no row can be added",
                  "Draw inlets, drain lines, outlets, downspouts and earthworks in the one "
                  "GeoPackage of [layers] file",
                  column=f"layers.{own[0]}")
        )  # fmt: skip
    file = job.layers.file
    if file is not None and file.suffix.casefold() != ".gpkg":
        raise InputError(
            Fault("rows are added to a GeoPackage, and [layers] file is none",
                  "Save the layers as one GeoPackage", str(file), column="layers.file")
        )  # fmt: skip


def _write_base(job_path: Path, lot: LotWater, rows: Settled, folder: Path) -> None:
    """Write the job without the free rows of an earlier proposal."""
    file = lot.job.layers.file
    if file is None:
        raise InputError(
            Fault("the job has a proposal beside it and no layers that it could have added rows to",
                  "Delete proposal.json", column="layers.file")
        )  # fmt: skip
    drawn = read_bytes(
        local_file(file, "file of the site layers"), DEFAULT_LIMITS.vector_bytes,
        "file of the site layers",
    )  # fmt: skip
    _write_job(job_path, folder, JobFile(SITE_FILE, without_rows(drawn, rows.free, rows.theirs)))


def _ground(
    lot: LotWater, rejected: tuple[Rejected, ...] = (), drawn: Sequence[DrawnNode] = ()
) -> LotGround:
    """Lay out the lot, as its main case is."""
    general, cover = lot.job.job, site_cover(lot).ground
    rules = Rules(
        lot.job.criteria, lot.job.units, lot.job.setbacks.limits, lot.job.terrain.direction
    )
    return laid_out(
        lot.site, lot.case, lot=lot.window.lot, routing=lot.inlets.routing,
        low_spots=lot.low_spots, cover=cover,
        rate=ground_infiltration(cover, general.soil_group, general.soak_test_m_s),
        storms=case_storms(lot, case_water(lot, lot.case), cover),
        error=lot.level_error, rules=rules,
        drawn=drawn, rejected=rejected,
    )  # fmt: skip


def surface_lot(lot: LotWater, ground: LotGround) -> SurfaceLot:
    """Lay out the lot for changes of its surface."""
    return SurfaceLot(
        ground, lot.site, lot.ground, lot.window.works, lot.level_error, lot.job.job.soak_test_m_s
    )


def _moved_job(job_path: Path, folder: Path) -> JobFile:
    """Job file for another folder, with the site in that folder."""
    return JobFile("job.toml", moved_job_text(job_path, folder, SITE_FILE).encode())


def _offset(lot: LotWater) -> float:
    """What levels in the drawing lack of the elevations [m]."""
    return lot.job.level_offset_m if lot.job.is_drawn_by_benchmark else 0.0


def _added_rows(lot: LotWater, options: Sequence[InletOption]) -> list[DrawnRow]:
    """Rows by which some options are drawn."""
    return proposed_rows(lot.site, lot.case, options, _offset(lot))


def _with_rows(lot: LotWater, rows: Sequence[DrawnRow]) -> JobFile:
    """Site with some rows added."""
    job, drawn = lot.job, None
    if job.layers.file is not None:
        path = local_file(job.layers.file, "file of the site layers")
        drawn = read_bytes(path, DEFAULT_LIMITS.vector_bytes, "file of the site layers")
    return with_rows(
        drawn, rows, empty=empty_layers(lot.source.crs, job.units), crs=lot.source.crs,
        units=job.units, vertical_unit=lot.source.vertical_unit,
    )  # fmt: skip


def _write_job(job_path: Path, folder: Path, site: JobFile) -> None:
    """Write a job with another site."""
    write_job_folder(folder, [_moved_job(job_path, folder), site])


def _redrawn(job_path: Path, lot: LotWater, rows: Sequence[DrawnRow]) -> LotWater:
    """Read a job again with some rows drawn, for a run without realisations."""
    with tempfile.TemporaryDirectory(prefix="lotflow-") as made:
        folder = Path(made).resolve()
        _write_job(job_path, folder, _with_rows(lot, rows))
        return study_lot(with_realisations(read_job(folder), 0))


def _run_with(job_path: Path, lot: LotWater, options: Sequence[InletOption]) -> list[Harm]:
    """Run the job with some options drawn; what is broken then."""
    with tempfile.TemporaryDirectory(prefix="lotflow-") as made:
        folder = Path(made).resolve()
        _write_job(job_path, folder, _with_rows(lot, _added_rows(lot, options)))
        return _broken(run_study(with_realisations(read_job(folder), 0)))


def _view(job_path: Path, lot: LotWater, site: JobFile | None) -> ProposalView:
    """What the page of a proposal shows: the job run as it is proposed, where anything is."""
    general, unit = lot.job.job, lot.ground.metres_per_unit
    if site is None:
        return ProposalView(general.name or "Lot", lot.job.units, unit, lot.site)
    with tempfile.TemporaryDirectory(prefix="lotflow-") as made:
        folder = Path(made).resolve()
        write_job_folder(folder, [_moved_job(job_path, folder), site])
        study = run_study(with_realisations(read_job(folder), 0))
    return ProposalView(
        general.name or "Lot", lot.job.units, unit, study.lot.site, study.layers["quantities"],
        [one.as_dict() for one in study.findings],
    )  # fmt: skip


def _result(study: Study) -> Result:
    """What a study found, as advice reads it."""
    content = {"balance": study.balance, "accuracy": study.accuracy}
    return Result(study.layers, study.findings, content, study.lot.job.units)


def _broken(study: Study) -> list[Harm]:
    """Limits that are broken in the main state, with inlets open."""
    result = _result(study)
    return [row for row in broken(harms(result))
            if row.state in (BOTH, result.state) and row.inlets in ("any", "open")]  # fmt: skip
