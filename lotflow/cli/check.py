"""`lotflow check`: read and judge every input of a job, write nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import FAILED_CHECK

if TYPE_CHECKING:
    from pathlib import Path


@click.command(short_help="Read and judge all inputs of a job.")
@click.argument("job", type=options.FILE)
@options.strict
@options.json_output
@options.with_verbosity
def check(job: Path, **given: Any) -> int:
    """Read and judge all inputs of JOB, a folder with a `job.toml`, or that file."""
    from lotflow.inputs.job import read_job  # noqa: PLC0415 - slow to import
    from lotflow.study.check import check_inputs  # noqa: PLC0415 - slow to import

    report = check_inputs(read_job(job))
    if given["as_json"]:
        click.echo(report.json(), nl=False)
    elif not given["quiet"]:
        click.echo(report.text())
    failed = any(finding.severity == "fail" for finding in report.findings)
    return FAILED_CHECK if given["strict"] and failed else 0
