"""The job file: every setting of a study, checked as strictly as it can be."""

from __future__ import annotations

import os
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, get_type_hints

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    PlainSerializer,
    ValidationError,
    create_model,
)

from lotflow.criteria import Criteria
from lotflow.errors import InputError
from lotflow.inputs.job_faults import faults_of
from lotflow.inputs.job_tables import (
    Confidence,
    Elevation,
    General,
    LayerEntry,
    Layers,
    Levels,
    Prices,
    Rain,
    Setbacks,
    Table,
    Terrain,
)
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes
from lotflow.inputs.toml_text import parse_toml
from lotflow.text import LONGEST_TEXT, clean_text
from lotflow.units import to_si

__all__ = [
    "JOB_FILE",
    "Confidence",
    "Elevation",
    "General",
    "Job",
    "LayerEntry",
    "Layers",
    "Levels",
    "Prices",
    "Rain",
    "Setbacks",
    "Terrain",
    "read_job",
]

#: Name of the job file in its folder.
JOB_FILE: Final = "job.toml"


def _criteria_table() -> type[Table]:
    """Derive the model of `[criteria]`, so that a new criterion is declared in one place only."""
    hints = get_type_hints(Criteria)
    keys: dict[str, Any] = {}
    for item in fields(Criteria):
        low, high = item.metadata["low"], item.metadata["high"]
        keys[item.name] = (hints[item.name], Field(default=item.default, ge=low, le=high))
    return create_model("CriteriaTable", __base__=Table, **keys)


if TYPE_CHECKING:
    CriteriaField = Criteria
else:
    CriteriaField = Annotated[
        _criteria_table(),
        BeforeValidator(lambda value: asdict(value) if isinstance(value, Criteria) else value),
        AfterValidator(lambda table: Criteria(**table.model_dump())),
        PlainSerializer(asdict),
    ]


class Job(Table):
    """
    All settings of a study.

    Examples
    --------
    >>> from lotflow.inputs.job_tables import LayerEntry
    >>> job = Job(elevation=Elevation(file=(Path("dem.tif"),)),
    ...           layers=Layers(lot=LayerEntry(file=Path("lot.geojson"))))
    >>> job.job.units, job.criteria.snap_m, job.layers.own()["lot"].path.name
    ('us', 0.75, 'lot.geojson')
    """

    job: General = General()
    elevation: Elevation
    levels: Levels | None = None
    layers: Layers
    rainfall: Rain | None = None
    setbacks: Setbacks = Setbacks()
    prices: Prices | None = None
    criteria: CriteriaField = Field(default_factory=Criteria)
    terrain: Terrain = Terrain()
    confidence: Confidence = Confidence()

    @property
    def intensity_m_s(self) -> float | None:
        """Stated rainfall intensity [m/s]; None where none is stated."""
        if self.job.intensity_mm_h is not None:
            return to_si(self.job.intensity_mm_h, "mm_h")
        return None if self.job.intensity_in_h is None else to_si(self.job.intensity_in_h, "in_h")

    @property
    def level_offset_m(self) -> float:
        """What site levels [m] lack of elevations in the raster's datum; 0 without a benchmark."""
        if self.levels is None:
            return 0.0
        unit = self.levels.unit or ("ft" if self.job.units == "us" else "m")
        return self.levels.elevation_m - to_si(self.levels.benchmark, unit)

    def files(self) -> list[Path]:
        """Every file that the job names, but the job file itself."""
        single = (self.layers.file, self.rainfall and self.rainfall.file,
                  self.prices and self.prices.file)  # fmt: skip
        own = (source.path for source in self.layers.own().values())
        return [*self.elevation.file, *own, *(file for file in single if file)]

    def describe(self) -> dict[str, Any]:
        """All settings as plain values for the provenance; files by name, without folders."""
        return self.model_dump(mode="json", exclude_none=True)


def read_job(path: Path) -> Job:
    """
    Read a job file.

    Parameters
    ----------
    path
        The job's folder, or the file itself.

    Returns
    -------
    job
        Relative paths start at the job file's folder; without a name of its own the job is
        called as that folder.

    Raises
    ------
    InputError
        If there is no such file, or anything in it is wrong: all faults at once, each with key
        and line.
    """
    named = path / JOB_FILE if os.path.isdir(path) else path  # noqa: PTH112 - never raises
    file = local_file(named, "job file")
    data = read_bytes(file, DEFAULT_LIMITS.job_bytes, "job file")
    toml = parse_toml(data, str(file))
    try:
        job = Job.model_validate(toml.values, context={"folder": file.parent})
    except ValidationError as error:
        raise InputError(faults_of(error, Job, toml, str(file))) from None
    return job if job.job.name else _named(job, file.resolve().parent.name)


def _named(job: Job, name: str) -> Job:
    """Give a job the name of its folder."""
    name = clean_text(name, longest=10 * LONGEST_TEXT)[:LONGEST_TEXT] or "job"
    return job.model_copy(update={"job": job.job.model_copy(update={"name": name})})
