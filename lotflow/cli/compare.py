"""`lotflow compare`: what differs between two results, or between today and proposed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import after_writing, say_kept

if TYPE_CHECKING:
    from pathlib import Path


@click.command(short_help="Tell what differs between two results of one lot.")
@click.argument("before", type=options.FILE, metavar="BEFORE")
@click.argument("after", type=options.FILE, metavar="[AFTER]", required=False)
@options.output
@click.option("--overwrite", is_flag=True,
              help="Replace a comparison of another lot too; a run's result never is.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True,
              help="Print the content of compare.json instead of the text.")  # fmt: skip
@options.with_verbosity
def compare(before: Path, after: Path | None, output: Path, **given: Any) -> int:
    """
    Compare two results of one lot: BEFORE and AFTER.

    Each is the folder of a result, or of a job with a result in it. With BEFORE alone its drains
    as they are today are compared with those proposed. DIR gets compare.html, compare.csv and
    compare.json.
    """
    from lotflow.outputs.comparison import comparison_content  # noqa: PLC0415 - slow to import
    from lotflow.outputs.result_set import IN_PLACE  # noqa: PLC0415
    from lotflow.outputs.summary import json_text  # noqa: PLC0415
    from lotflow.study.comparison import check_comparison_folder  # noqa: PLC0415
    from lotflow.study.comparison import compare as compared  # noqa: PLC0415

    check_comparison_folder(output, overwrite=given["overwrite"])
    comparison = compared(before, after)
    if given["verbose"]:
        click.echo(f"lotflow: {len(comparison.table)} differences", err=True)
    kept: dict[str, str] = {}
    comparison.write(output, overwrite=given["overwrite"], tell_kept=kept.update)
    with after_writing(IN_PLACE):
        say_kept(output, kept)
        if given["as_json"]:
            click.echo(json_text(comparison_content(comparison.found)), nl=False)
        elif not given["quiet"]:
            click.echo(comparison.text)
            click.echo(f"Written to {output}")
    return 0
