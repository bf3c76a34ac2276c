"""`lotflow start`: a job folder to draw and write in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import after_writing

if TYPE_CHECKING:
    from pathlib import Path


@click.command(short_help="Make a job folder with empty layers to draw in.")
@click.argument("folder", type=options.FILE, metavar="DIR")
@click.option("--elevation", type=options.FILE, required=True, help="Elevation raster.")
@click.option("--lot", type=options.FILE, required=True, help="Boundary of the lot.")
@options.vertical_unit
@options.units
@options.with_verbosity
def start(folder: Path, **given: Any) -> int:
    """Make DIR with a commented `job.toml` and a `site.gpkg` of empty layers to draw in."""
    from lotflow.study.start import start_job  # noqa: PLC0415 - slow to import

    names = start_job(
        folder,
        given["elevation"],
        given["lot"],
        vertical_unit=given["vertical_unit"],
        units=given["units"],
    )
    with after_writing("the job folder is made"):
        if not given["quiet"]:
            click.echo(f"Made {', '.join(names)} in {folder}.")
            click.echo("Draw in site.gpkg with any GIS viewer, then: lotflow check, lotflow run.")
    return 0
