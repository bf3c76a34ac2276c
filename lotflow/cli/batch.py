"""`lotflow batch`: every lot of a layer of parcels, into one overview."""

from __future__ import annotations

import os
import re
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import FAILED_CHECK, after_writing, say_kept

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

#: Layers that a whole town has.
_LAYERS = {
    "buildings": "Building footprints.",
    "water": "Open water, which always takes flow.",
    "walls": "Walls, curbs and berms not in the raster.",
    "streets": "Streets, where water may be led.",
}


def _kept(_: click.Context, __: click.Parameter, value: str) -> tuple[bool, int]:
    """Read which lots' folders are kept: whether all are, and of how many of the worst."""
    if value in ("overview", "folders"):
        return value == "folders", 0
    if match := re.fullmatch(r"worst[ :=]?([1-9]\d{0,6})", value):
        return False, int(match[1])
    raise click.BadParameter(f"{value!r} is none of overview, folders and worst:N")


def _town_layers(command: Callable[..., Any]) -> Callable[..., Any]:
    """Let the command take what is known of a town."""
    for name, meaning in reversed(_LAYERS.items()):
        command = click.option(f"--{name}", type=options.FILE, help=meaning)(command)
    return command


@click.command(short_help="Screen every lot of a layer of parcels.")
@click.argument("parcels", type=options.FILE)
@click.option("--key", required=True, metavar="COLUMN",
              help="Column that tells the parcels apart.")  # fmt: skip
@click.option("--elevation", "elevation", type=options.FILE, multiple=True, required=True,
              help="Elevation raster; several times for neighbouring tiles.")  # fmt: skip
@click.option("-o", "--output", type=options.FILE, required=True, metavar="TOWN",
              help="Folder of the overview.")  # fmt: skip
@_town_layers
@options.vertical_unit
@options.units
@options.realisations
@click.option("--keep", callback=_kept, default="overview", show_default=True,
              metavar="overview|folders|worst:N",
              help="Which lots' result folders are kept, in TOWN/lots: none, all, or those of the "
                   "N lots with the worst concern.")  # fmt: skip
@options.no_pack
@click.option("--workers", type=click.IntRange(0, 256), metavar="NUMBER",
              help="Processes on this machine; 0 for this one alone, which needs no dask.  "
                   "[default: one per processor]")  # fmt: skip
@click.option("--scheduler", metavar="ADDRESS",
              help="Of a scheduler of dask, whose workers are used instead. They need the same "
                   "lotflow, one thread each, and the files under the same paths.")  # fmt: skip
@click.option("--deadline", type=click.FloatRange(min=1), default=600.0, show_default=True,
              metavar="SECONDS", help="Time after which a lot is set aside.")  # fmt: skip
@click.option("--retry-failed", is_flag=True,
              help="Study again the lots that could not be studied.")  # fmt: skip
@options.overwrite
@options.strict
@options.with_verbosity
def batch(parcels: Path, output: Path, **given: Any) -> int:
    """
    Screen every lot of PARCELS, a layer with one polygon per lot, into one overview.

    TOWN gets town.gpkg, town.html and, where pyarrow is installed, town.parquet, with one row per
    parcel, also for those that could not be studied. The same command again goes on where it
    stopped. Processes are handed their lots by dask: pip install 'lotflow[batch]'.
    """
    from lotflow.outputs.journal import town_text  # noqa: PLC0415 - not for help
    from lotflow.town.identity import finished  # noqa: PLC0415
    from lotflow.town.lots import TownJob  # noqa: PLC0415

    town = TownJob(
        elevation=tuple(map(str, given["elevation"])),
        layers={"lot": str(parcels), **{n: str(given[n]) for n in _LAYERS if given[n]}},
        key=given["key"], vertical_unit=given["vertical_unit"], units=given["units"],
        realisations=given["realisations"], pack=not given["no_pack"],
    )  # fmt: skip
    more = any(given["keep"]) or given["retry_failed"]
    told: Mapping[str, Any] | None = None if more else finished(town, output)
    kept: Mapping[str, str] = {}
    studied, left = 0, ""
    if told is None:
        from lotflow.outputs.result_set import IN_PLACE  # noqa: PLC0415 - slow to import
        from lotflow.town.batch import Keep, run_batch  # noqa: PLC0415
        from lotflow.town.engine import Crew  # noqa: PLC0415

        crew = Crew(
            _processors() if given["workers"] is None else given["workers"], given["scheduler"],
            given["deadline"],
        )  # fmt: skip
        with _progress(quiet=given["quiet"]) as watch:
            done = run_batch(
                town, output, keep=Keep(*given["keep"]), crew=crew, overwrite=given["overwrite"],
                retry=given["retry_failed"], watch=watch,
            )  # fmt: skip
        told, studied, kept, left = done.told, done.studied, done.kept, IN_PLACE
    with after_writing(left) if left else nullcontext():
        say_kept(output, kept)
        if not given["quiet"]:
            click.echo(town_text(told))
            click.echo(f"Written to {output}")
        if given["verbose"]:
            click.echo(f"lotflow: {studied:,} lots were studied now", err=True)
    return FAILED_CHECK if given["strict"] and told["failed"] else 0


def _processors() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def _progress(*, quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """Show on a terminal how many lots are done, how fast, and how long it will still take."""
    from tqdm import tqdm  # noqa: PLC0415 - only where something is computed

    with tqdm(unit="lot", disable=True if quiet else None, leave=False, dynamic_ncols=True) as bar:

        def watch(done: int, of: int) -> None:
            if bar.total != of:
                bar.reset(total=of)
                bar.initial = done  # the rate is that of the lots studied now
                bar.n = done
            else:
                bar.update(done - bar.n)
            bar.refresh()

        yield watch
