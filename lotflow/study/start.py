"""Making job folders: an empty one to draw in, and the sample."""

from __future__ import annotations

import os
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Final

from lotflow.advice.sentences import worded
from lotflow.errors import InputError
from lotflow.inputs.elevation import inspect_elevation
from lotflow.inputs.job import job_template, screening_job
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes
from lotflow.inputs.site import drawn_layers, read_site
from lotflow.inputs.usual_units import unit_choice
from lotflow.outputs.job_folder import JobFile, layers_file, write_job_folder
from lotflow.outputs.positions import place_of
from lotflow.study.lot_water import lot_name as name_of
from lotflow.study.window import first_reach

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.findings import Finding
    from lotflow.units import UnitSystem, VerticalUnit

SAMPLE: Final = "alder_court"
_SAMPLE_FILES: Final = ("job.toml", "dem.tif", "site.gpkg", "rainfall.csv")


@dataclass(frozen=True)
class Started:
    """
    What was made of a new job.

    Parameters
    ----------
    files
        Names of the files made.
    copied
        Number of rows that were copied into each table to draw in, of those with any.
    findings
        What was ignored, repaired or is uncertain of what was read.
    """

    files: tuple[str, ...]
    copied: dict[str, int]
    findings: tuple[Finding, ...]


def start_job(
    folder: Path,
    elevation: Path,
    lot: Path,
    *,
    vertical_unit: VerticalUnit | None,
    units: UnitSystem | None,
    layers: Mapping[str, Path] | None = None,
    lot_name: str | None = None,
    lot_key: str | None = None,
) -> Started:
    """
    Make a job folder: a commented job file, and layers to draw in.

    Parameters
    ----------
    folder
        To be made, or empty of the two files.
    elevation, lot
        Files the job names; both are read to see that they fit.
    vertical_unit
        Unit of the elevations, where the file does not say; written into the job file.
    units
        Of reports, and of the columns to fill in; None for those of the lot's country.
    layers
        Files of what is known of the site already, by the name of the option of `screen`: their
        rows are copied into the layers to draw in, where they can be edited; of those that may
        cover a town what lies near the lot.
    lot_name, lot_key
        Of a layer of many lots the one to take, by its value in a column; `name` by default.

    Raises
    ------
    InputError
        If the elevation, the lot or one of the layers cannot be used.
    OutputError
        If a file of the job is there already, or cannot be written.
    """
    source = inspect_elevation((elevation,), vertical_unit=vertical_unit)
    given = screening_job(
        (elevation,), {"lot": lot, **(layers or {})}, lot_name=lot_name, lot_key=lot_key
    ).layers.own()
    site = read_site(
        given, crs=source.crs, vertical_unit=source.vertical_unit,
        reach=lambda drawn: first_reach(drawn, source, None),
    )  # fmt: skip
    place = place_of(site.lot)
    units = unit_choice(units, source.file_crs, source.vertical_unit, place).units
    text = job_template(
        name_of(site.lot) or folder.resolve().name,
        _from_folder(elevation, folder),
        _from_folder(lot, folder),
        vertical_unit,
        units,
        only=given["lot"].only,
    )
    tables = drawn_layers(site, source.crs, units, source.vertical_unit)
    # the lot has a file of its own
    drawn = {name: table for name, table in tables.items() if name != "lot"}
    made = [JobFile("job.toml", text.encode()), layers_file("site.gpkg", drawn, units)]
    write_job_folder(folder, made)
    copied = {name: len(table) for name, table in drawn.items() if len(table)}
    return Started(tuple(file.name for file in made), copied, worded(site.findings))


def _from_folder(path: Path, folder: Path) -> str:
    """Give a path as seen from the job folder."""
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()


def sample_folder() -> Path:
    """Where the sample job lies: in the package, or beside it in a checkout."""
    for base in (Path(str(files("lotflow"))), Path(str(files("lotflow"))).parent):
        folder = base.joinpath("data_samples", SAMPLE)
        if folder.is_dir():
            return folder
    raise InputError("the sample job is not installed", "Install lotflow again")


def write_sample(folder: Path, *, overwrite: bool) -> None:
    """
    Write the sample job.

    Parameters
    ----------
    folder
        To be made, or empty of its files.
    overwrite
        Whether an earlier sample there may be replaced: one that nobody has changed.
    """
    source = sample_folder()
    content = [
        JobFile(name, read_bytes(local_file(source.joinpath(name), "sample file"),
                                 DEFAULT_LIMITS.vector_bytes, "sample file"))
        for name in _SAMPLE_FILES
    ]  # fmt: skip
    write_job_folder(folder, content, overwrite=overwrite)
