"""The commands: what each takes, and which function of the library it calls."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any, Literal

import click

from lotflow.cli import options
from lotflow.cli.reference import layers_markdown
from lotflow.cli.report import FAILED_CHECK, Voice, after_writing, compute

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from lotflow.inputs.job import Job


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


@click.command(short_help="Explain the layers and columns of site and result.")
def layers() -> int:
    """Explain the layers and columns of a site and of a result."""
    click.echo(layers_markdown(), nl=False)
    return 0


@click.command(short_help="Reduce level notes taken on site.")
@click.argument("notes", type=options.FILE)
@click.option("--unit", type=click.Choice(["m", "ft"]),
              help="Of the readings, where the names of the columns do not say it.")  # fmt: skip
@options.json_output
@options.with_verbosity
def levels(notes: Path, unit: Literal["m", "ft"] | None, **given: Any) -> int:
    """
    Reduce NOTES, the rod readings of a crew, to levels by height of collimation.

    NOTES is a CSV with the columns point, backsight, intermediate, foresight, level and what else
    is noted; the level of the first point is that of the benchmark. Notes that do not close are
    refused.
    """
    from lotflow.inputs.level_notes import read_level_notes  # noqa: PLC0415 - slow to import
    from lotflow.outputs.level_book import level_book_rows, level_book_text  # noqa: PLC0415
    from lotflow.outputs.summary import json_text  # noqa: PLC0415

    reduced = read_level_notes(notes, unit)
    if given["as_json"]:
        click.echo(json_text(level_book_rows(reduced)), nl=False)
    elif not given["quiet"]:
        click.echo(level_book_text(reduced))
    return 0


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
        lambda: _read_job(job, given["realisations"]),
        output or folder / "result",
        overwrite=given["overwrite"],
        use_covers=True,
        pack=not given["no_pack"],
        strict=given["strict"],
        voice=Voice(given["as_json"], given["quiet"], given["verbose"], given["explain"]),
    )


def _read_job(job: Path, realisations: int | None) -> Job:
    """Read the job."""
    from lotflow.inputs.job import read_job, with_realisations  # noqa: PLC0415 - slow to import

    return with_realisations(read_job(job), realisations)


_LAYERS = {
    "inlets": "Proposed or existing inlets, with names.",
    "buildings": "Building footprints.",
    "water": "Open water, which always takes flow.",
    "walls": "Walls, curbs and berms not in the raster.",
    "streets": "Streets beside the lot, where water may be led. Without them lower ground is "
    "looked for up to 10 m beyond the lot line.",
}


def _known_layers(command: Callable[..., Any]) -> Callable[..., Any]:
    """Let a command take what is known of a site, each layer from a file of its own."""
    for name, meaning in reversed(_LAYERS.items()):
        command = click.option(f"--{name}", type=options.FILE, help=meaning)(command)
    return command


@click.command(short_help="Find low spots, run-on and inlet catchments of a lot.")
@click.argument("elevation", type=options.FILE)
@click.argument("lot", type=options.FILE)
@options.output
@click.option("--tile", "tiles", type=options.FILE, multiple=True,
              help="Neighbouring elevation tile; may be given several times.")  # fmt: skip
@options.one_lot
@_known_layers
@options.vertical_unit
@click.option("--margin", type=click.FloatRange(min=0, min_open=True, max=5000), metavar="METRES",
              help="Ground read round the lot at first [m]; it grows as far as catchments "
                   "reach.")  # fmt: skip
@click.option("--coefficient", type=click.FloatRange(0, 1),
              help="Runoff coefficient of all ground; without it areas only.")  # fmt: skip
@click.option("--intensity", callback=options.intensity, metavar="RATE",
              help="Rainfall intensity, as 4in/h or 100mm/h; needs --coefficient.")  # fmt: skip
@options.units
@options.no_pack
@options.realisations
@options.overwrite
@options.strict
@options.json_output
@options.with_verbosity
def screen(elevation: Path, lot: Path, output: Path, **given: Any) -> int:
    """
    Screen a lot from ELEVATION, a GeoTIFF or ASCII grid, and LOT, its boundary.

    A LOT file with several layers: its layer "lot" is taken. The result folder holds GeoPackage
    layers, rasters, a map picture and a summary. All lots of a layer of parcels: lotflow batch.
    """
    if given["key"] and not given["lot_name"]:
        raise click.UsageError("--key names the column of --lot-name: give both.")
    if given["intensity"] and given["coefficient"] is None:
        raise click.UsageError("--intensity needs --coefficient: flow is C times i times area.")
    if given["intensity"] and not given["intensity"][1] and given["units"] is None:
        raise click.UsageError("--intensity without a unit: write 4in/h or 100mm/h.")
    return compute(
        lambda: _screening(elevation, lot, given),
        output,
        overwrite=given["overwrite"],
        use_covers=False,
        pack=not given["no_pack"],
        strict=given["strict"],
        voice=Voice(given["as_json"], given["quiet"], given["verbose"]),
    )


def _screening(elevation: Path, lot: Path, given: dict[str, Any]) -> Job:
    """Make the job that the options describe."""
    from lotflow.inputs.job import screening_job, with_realisations  # noqa: PLC0415 - slow

    rate, unit = given["intensity"] or (None, "")
    job = screening_job(
        (elevation, *given["tiles"]),
        {"lot": lot, **{name: given[name] for name in _LAYERS if given[name]}},
        vertical_unit=given["vertical_unit"],
        margin_m=given["margin"],
        coefficient=given["coefficient"],
        intensity=rate,
        intensity_unit=unit or ("in_h" if given["units"] == "us" else "mm_h"),
        units=given["units"],
        lot_name=given["lot_name"],
        lot_key=given["key"],
    )
    return with_realisations(job, given["realisations"])


@click.command(short_help="Make a job folder with layers to draw in.")
@click.argument("folder", type=options.FILE, metavar="DIR")
@click.option("--elevation", type=options.FILE, required=True, help="Elevation raster.")
@click.option("--lot", type=options.FILE, required=True, help="Boundary of the lot.")
@options.one_lot
@_known_layers
@options.vertical_unit
@options.units
@options.with_verbosity
def start(folder: Path, **given: Any) -> int:
    """
    Make DIR with a commented `job.toml` and a `site.gpkg` of layers to draw in.

    What is known already (inlets, buildings, water, walls, streets) is copied into them.
    """
    if given["key"] and not given["lot_name"]:
        raise click.UsageError("--key names the column of --lot-name: give both.")
    from lotflow.study.start import start_job  # noqa: PLC0415 - slow to import

    made = start_job(
        folder,
        given["elevation"],
        given["lot"],
        vertical_unit=given["vertical_unit"],
        units=given["units"],
        layers={name: given[name] for name in _LAYERS if given[name]},
        lot_name=given["lot_name"],
        lot_key=given["key"],
    )
    with after_writing("the job folder is made"):
        for finding in made.findings:
            click.echo(f"{finding.severity}: {finding.subject}: {finding.message}", err=True)
        if not given["quiet"]:
            click.echo(f"Made {', '.join(made.files)} in {folder}.")
            if made.copied:
                rows = ", ".join(f"{name} ({count})" for name, count in made.copied.items())
                click.echo(f"Copied into site.gpkg: {rows}.")
            click.echo("Draw in site.gpkg with any GIS viewer, then: lotflow check, lotflow run.")
    return 0


@click.command(short_help="Propose changes of the surface, inlets and lines, as a job.")
@click.argument("job", type=options.FILE, metavar="JOB|ELEVATION")
@click.argument("lot", type=options.FILE, required=False)
@options.output
@click.option("--most", type=click.IntRange(1, 6), default=3, show_default=True,
              help="Inlets that are proposed at most.")  # fmt: skip
@click.option("--surfaces", type=click.IntRange(0, 200), default=12, show_default=True,
              help="Surfaces that may be true, on which each place is asked.")  # fmt: skip
@_known_layers
@options.vertical_unit
@options.units
@options.json_output
@options.with_verbosity
def propose(job: Path, lot: Path | None, output: Path, **given: Any) -> int:
    """
    Propose for JOB, or for ELEVATION and LOT, what to do to the surface, then inlets with lines.

    DIR becomes a job folder: the layers of the job with rows added, whose origin is lotflow, and
    `proposal.json`, which tells what was not offered and why. Look at it, change it, run it. That
    nothing can be offered is a result too.
    """
    from lotflow.cli.report import progress  # noqa: PLC0415 - loads a library
    from lotflow.outputs.summary import json_text  # noqa: PLC0415 - slow to import
    from lotflow.study.propose import propose as proposed  # noqa: PLC0415 - slow to import
    from lotflow.study.propose import propose_screening  # noqa: PLC0415 - as above

    layers = {name: given[name] for name in _LAYERS if given[name]}
    if lot is None and (layers or given["vertical_unit"] or given["units"]):
        raise click.UsageError("layers and units of a JOB are its own: give them there.")
    asked = {"inlets": given["most"], "surfaces": given["surfaces"]}
    with progress(6, quiet=given["quiet"]) as tell:
        if lot is None:
            made = proposed(job, output, **asked, tell=tell)
        else:
            made = propose_screening(
                job, lot, output, layers=layers, vertical_unit=given["vertical_unit"],
                units=given["units"], **asked, tell=tell,
            )  # fmt: skip
    with after_writing("the proposed job is written"):
        if given["as_json"]:
            click.echo(json_text(made.content), nl=False)
        elif not given["quiet"]:
            click.echo(made.text)
            click.echo(f"Written to {output}. Look at it, change it, then: lotflow run {output}")
    return 0
