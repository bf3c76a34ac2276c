"""`lotflow demo`: the sample job, written and run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import Voice, after_writing, compute

if TYPE_CHECKING:
    from pathlib import Path


@click.command(short_help="Write the sample job and run it.")
@click.argument("folder", type=options.FILE, metavar="DIR")
@click.option("--overwrite", is_flag=True,
              help="Replace a sample job that is there unchanged, and its result.")  # fmt: skip
@options.with_verbosity
def demo(folder: Path, **given: Any) -> int:
    """Write the sample job, an invented lot, to DIR and run it into DIR/result."""
    from lotflow.inputs.job import read_job  # noqa: PLC0415 - slow to import
    from lotflow.study.start import write_sample  # noqa: PLC0415 - slow to import

    write_sample(folder, overwrite=given["overwrite"])
    with after_writing("the sample job is written, its result is not"):
        return compute(
            lambda: read_job(folder),
            folder / "result",
            overwrite=given["overwrite"],
            use_covers=True,
            pack=True,
            strict=False,
            voice=Voice(quiet=given["quiet"], verbose=given["verbose"]),
        )
