"""What a command that computes says when it is done."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from pathlib import Path

    from lotflow.inputs.job import Job

FAILED_CHECK = 3


def compute(
    job: Job,
    folder: Path,
    *,
    overwrite: bool,
    use_covers: bool,
    as_json: bool,
    quiet: bool,
    strict: bool,
    verbose: bool,
) -> int:
    """
    Run a study, write its result and print the table.

    Parameters
    ----------
    job
        What to compute.
    folder
        Where the result goes.
    overwrite, use_covers, as_json, quiet, strict, verbose
        As the options of that name.

    Returns
    -------
    code
        Exit code.
    """
    # the libraries take most of the time of a small lot: loaded only when really needed
    from lotflow.outputs.summary import json_text  # noqa: PLC0415
    from lotflow.study import check_folder, run_study, write_study  # noqa: PLC0415

    check_folder(folder, overwrite=overwrite)
    if verbose:
        click.echo(f"lotflow: computing {job.job.name or 'the lot'}", err=True)
    study = run_study(job, use_covers=use_covers)
    written = write_study(study, folder, overwrite=overwrite, use_covers=use_covers)
    if as_json:
        click.echo(json_text(written.content), nl=False)
    elif not quiet:
        click.echo(written.text)
        click.echo(f"Written to {folder}")
    if verbose:
        click.echo(f"lotflow: wrote {len(written.content['files'])} files", err=True)
    failed = any(finding.severity == "fail" for finding in study.findings)
    return FAILED_CHECK if strict and failed else 0


def require_no_realisations(number: int) -> None:
    """
    Refuse what this version cannot do.

    Parameters
    ----------
    number
        Realisations asked for.
    """
    if number:
        raise click.BadParameter(
            "this version computes no realisations yet; use 0", param_hint="--realisations"
        )
