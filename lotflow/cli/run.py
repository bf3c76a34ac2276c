"""`lotflow run`: a job with everything that is known of the site."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import Voice, compute

if TYPE_CHECKING:
    from pathlib import Path

    from lotflow.inputs.job import Job


@click.command(short_help="Compute a job.")
@click.argument("job", type=options.FILE)
@click.option("-o", "--output", type=options.FILE, metavar="DIR",
              help="Folder of the result.  [default: result, in the job's folder]")  # fmt: skip
@click.option("--explain", metavar="NAME", default="",
              help="Print how the runoff of an inlet or node was computed, line by line, in the "
                   "place of the table.")  # fmt: skip
@options.no_pack
@options.realisations
@options.overwrite
@options.strict
@options.json_output
@options.with_verbosity
def run(job: Path, output: Path | None, **given: Any) -> int:
    """Compute JOB, a folder with a `job.toml`, or that file."""
    if given["explain"] and given["as_json"]:
        raise click.UsageError("--explain and --json both say what is printed: give one of them")
    folder = job if os.path.isdir(job) else job.parent  # noqa: PTH112 - never raises
    return compute(
        lambda: _read(job, given["realisations"]),
        output or folder / "result",
        overwrite=given["overwrite"],
        use_covers=True,
        pack=not given["no_pack"],
        strict=given["strict"],
        voice=Voice(given["as_json"], given["quiet"], given["verbose"], given["explain"]),
    )


def _read(job: Path, realisations: int | None) -> Job:
    """Read the job."""
    from lotflow.inputs.job import read_job, with_realisations  # noqa: PLC0415 - slow to import

    return with_realisations(read_job(job), realisations)
