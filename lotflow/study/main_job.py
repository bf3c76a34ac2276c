"""From a job to everything that is known about the lot's water: the order of the steps."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

from lotflow.advice.sentences import worded
from lotflow.findings import Finding, Ties, folded
from lotflow.inputs.sources import naming_files
from lotflow.outputs.level_marks import ground_marks, level_marks
from lotflow.outputs.result_layers import findings_table, runoff_table
from lotflow.runoff.stated_rain import (
    inlet_areas,
    one_coefficient,
    stated_columns,
    stated_rows,
)
from lotflow.study.chapter import RUNOFF, WHERE_TO, Chapter, say_nothing
from lotflow.study.ground import outlet_chapter, outlet_search, shots_chapter, terrain_chapter
from lotflow.study.lot_water import LotWater, study_lot
from lotflow.terrain.notes import balance_as_areas

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from lotflow.advice.answer import Answer
    from lotflow.inputs.job import Job
    from lotflow.outputs.grids import Raster
    from lotflow.study.chapter import Tell


@dataclass(frozen=True, eq=False)
class Study:
    """
    What is known about the lot's water.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.
    layers
        The layers of the result.
    findings
        In reading order.
    sections
        Lists of the summary that are no layers.
    rasters, texts
        Further files of the result, by name.
    hashes
        SHA-256 of the tables that were read, by their key in the job, as they were read.
    screening
        Whether it is the short way, without covers and drains.
    """

    lot: LotWater
    layers: dict[str, pd.DataFrame] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    sections: Mapping[str, Sequence[Mapping[str, Any]]] = field(default_factory=dict)
    rasters: Mapping[str, Raster] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    hashes: Mapping[str, str] = field(default_factory=dict)
    screening: bool = False

    @property
    def accuracy(self) -> dict[str, float]:
        """What is known of the elevation data [m]."""
        job, grid = self.lot.job, self.lot.window.surface.ground
        return {
            "rmse_m": job.elevation.rmse_m,
            "cell_m": grid.cell_m,
            "low_spot_limit_m": job.criteria.low_spot_limit_m(job.elevation.rmse_m),
        }

    @cached_property
    def balance(self) -> dict[str, float]:
        """Where the water of the lot goes [m^2]."""
        return balance_as_areas(self.lot.balance, self.lot.window.surface.ground.cell_m2)

    @cached_property
    def answer(self) -> Answer:
        """What is wrong, what to do, in which order, how sure."""
        from lotflow.advice.answer import MOST, MOST_OF_SCREENING, answer  # noqa: PLC0415

        return answer(
            self.layers, self.findings,
            {"balance": self.balance, "accuracy": self.accuracy,
             "confidence": self.sections.get("confidence")},
            self.lot.job.units, most=MOST_OF_SCREENING if self.screening else MOST,
        )  # fmt: skip


def run_study(job: Job, *, use_covers: bool = True, tell: Tell = say_nothing) -> Study:
    """
    Find where water stands on a lot, where it comes from and what each inlet takes.

    Parameters
    ----------
    job
        What to read and how to judge it.
    use_covers
        Whether runoff coefficients follow from covers and drains are checked; otherwise, for a
        screening, only a stated coefficient counts.
    tell
        Called with the name of each of three steps as it begins, and again with what is looked
        at of it.

    Raises
    ------
    InputError
        If an input is wrong; all faults of a file at once.
    """
    tell("reading the ground")
    return study_of(study_lot(job), use_covers=use_covers, tell=tell)


def study_of(lot: LotWater, *, use_covers: bool = True, tell: Tell = say_nothing) -> Study:
    """
    Judge a lot whose ground has been read, by the job it holds.

    Parameters
    ----------
    lot
        From `study_lot`.
    use_covers, tell
        As of `run_study`.
    """
    tell(WHERE_TO)
    with naming_files(lot.site.sources):
        ground, outlets = terrain_chapter(lot), outlet_search(lot, tell)
        chapters = [ground, shots_chapter(lot), outlet_chapter(lot, outlets)]
        tell(RUNOFF)
        if not use_covers:
            chapters.append(screening_runoff(lot))
            if len(lot.site.earthworks):
                from lotflow.study.job_chapters import (  # noqa: PLC0415
                    earthwork_chapter,
                    judged_earthworks,
                )

                chapters.append(earthwork_chapter(lot, judged_earthworks(lot)))
            if lot.job.confidence.realisations:
                from lotflow.drains.first_levels import LotQuestions  # noqa: PLC0415
                from lotflow.study.confidence import confidence_chapter  # noqa: PLC0415

                chapters.append(confidence_chapter(lot, asked=LotQuestions(outlets[0])))
        else:
            # a screening does not wait for what it does not use
            from lotflow.study.job_chapters import job_chapters  # noqa: PLC0415

            chapters.extend(job_chapters(lot, tell, outlets[0]))
    chapters.append(marks_chapter(lot, chapters))
    if use_covers:
        chapters.append(as_built_chapter(lot, chapters))
    return bind(lot, chapters, screening=not use_covers)


def marks_chapter(lot: LotWater, chapters: Sequence[Chapter]) -> Chapter:
    """Say of the levels in the layers of other chapters where they come from."""
    layers = {name: table for chapter in chapters for name, table in chapter.layers.items()}
    taken: list[tuple[float, float]] = []
    if lot.levelled is not None:
        shots, used = lot.levelled.shots, lot.levelled.used
        taken = list(zip(shots.x[used].tolist(), shots.y[used].tolist(), strict=True))
    marks = level_marks(layers, lot.site, lot.site.levelled)
    ground = ground_marks(layers, taken, lot.window.surface.ground.metres_per_unit)
    sections: dict[str, list[Mapping[str, Any]]] = {}
    if of_ends := marks.get("drain_lines"):
        told = {name: rows for chapter in chapters for name, rows in chapter.sections.items()}
        drawn = layers["drain_lines"]
        ends = [dict(zip(of_ends, row, strict=True)) for row in zip(*of_ends.values(), strict=True)]
        of_line = dict(zip(zip(drawn["name"], drawn["scenario"], strict=True), ends, strict=True))
        sections["lines"] = [
            {**one, **of_line.get((one["name"], one["case"]), {})} for one in told.get("lines", ())
        ]
    return Chapter(columns={**marks, **ground}, sections=sections)


def as_built_chapter(lot: LotWater, chapters: Sequence[Chapter]) -> Chapter:
    """Hold levels of the finished work against what other chapters propose."""
    from lotflow.drains.as_built import as_built, as_built_findings  # noqa: PLC0415
    from lotflow.outputs.drain_layers import as_built_table  # noqa: PLC0415

    site, levelled = lot.site, lot.levelled
    if not len(site.shots):
        return Chapter()
    layers = {name: table for chapter in chapters for name, table in chapter.layers.items()}
    tie = None if levelled is None else levelled.tie
    is_one = lot.job.is_drawn_by_benchmark or not lot.job.has_benchmark
    rows = as_built(
        site, site.as_built, layers, lot.job.criteria,
        metres_per_unit=lot.window.surface.ground.metres_per_unit,
        datum_deviation_m=0.0 if is_one else lot.job.elevation.rmse_m if tie is None
        else tie.deviation_m,
    )  # fmt: skip
    if not rows:
        return Chapter()
    return Chapter(layers={"as_built": as_built_table(rows)}, findings=as_built_findings(rows))


def screening_runoff(lot: LotWater) -> Chapter:
    """
    Compute the rational flow of each inlet for a stated coefficient and intensity.

    Without a coefficient there is none.
    """
    stated, intensity, names = lot.job.job.coefficient, lot.job.intensity_m_s, lot.names
    if stated is None:
        return Chapter(layers={"runoff": runoff_table([])})
    area = inlet_areas(lot.cells.total, lot.roofs, names)
    coefficient = one_coefficient(stated, area)
    return Chapter(
        layers={"runoff": runoff_table(stated_rows(names, coefficient, area, intensity))},
        columns={"inlets": stated_columns(lot.roofs, names, coefficient, area, intensity)},
    )


def bind(lot: LotWater, chapters: Sequence[Chapter], *, screening: bool = False) -> Study:
    """Put what the steps found, in their order, into one study."""
    layers = {name: table for chapter in chapters for name, table in chapter.layers.items()}
    for chapter in chapters:
        for name, columns in chapter.columns.items():
            layers[name] = layers[name].assign(**columns)
    ties = Ties(
        {key: way for chapter in chapters for key, way in chapter.below.items()},
        {key: run for chapter in chapters for key, run in chapter.old_run.items()},
        partial(_low_spot_of, lot, layers.get("openings")),
    )
    found = folded([f for chapter in chapters for f in chapter.findings], ties)
    findings = worded(found, lot.job.units)
    layers["findings"] = findings_table(findings)
    rain = getattr(lot.rainfall, "sha256", "")  # coefficients are read from no file
    hashes = {"rainfall": rain} if rain else {}
    for chapter in chapters:
        hashes |= chapter.hashes
    return Study(
        lot,
        layers,
        findings,
        {key: rows for chapter in chapters for key, rows in chapter.sections.items()},
        {name: raster for chapter in chapters for name, raster in chapter.rasters.items()},
        {name: text for chapter in chapters for name, text in chapter.texts.items()},
        hashes,
        screening,
    )


def _low_spot_of(lot: LotWater, openings: pd.DataFrame | None, finding: Finding) -> int:
    """Number of the low spot that a finding is about: by its name, an opening's, or its place."""
    name, _, number = finding.subject.rpartition(" ")
    if name == "low spot" and number.isdecimal():
        return int(number)
    if openings is not None and finding.rule.startswith("opening-"):
        beside = openings.loc[openings["name"] == finding.subject, "low_spot"].dropna()
        if len(beside):
            return int(beside.iloc[0])
    grid = lot.window.surface.ground
    if finding.x is None or finding.y is None:
        return 0
    row, column = grid.row_column(finding.x, finding.y)
    return int(lot.low_spots.number[row, column]) if grid.contains(row, column) else 0
