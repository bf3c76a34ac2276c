"""`lotflow fetch`: elevation data from where they lie into a local file."""

from __future__ import annotations

import importlib.util
import re
import sys
from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import after_writing, progress
from lotflow.errors import EngineError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from lotflow.fetching.http_door import Budget
    from lotflow.study.fetch import Done, Order, Planned

#: Looking, fetching, writing.
_STEPS = 3
_DEFAULT_MB, _DEFAULT_S = 256, 300


def _bounds(
    _: click.Context, __: click.Parameter, value: str | None
) -> tuple[float, float, float, float] | None:
    """Read west, south, east and north in degrees."""
    if value is None:
        return None
    try:
        west, south, east, north = map(float, value.split(","))
    except ValueError:
        west = south = east = north = 0.0
    if -180 <= west < east <= 180 and -90 < south < north < 90:
        return west, south, east, north
    raise click.BadParameter(
        f"{value!r} is not WEST,SOUTH,EAST,NORTH in degrees, as -77.051,38.801,-77.050,38.802"
    )


def _proxy(_: click.Context, __: click.Parameter, value: str | None) -> tuple[str, int] | None:
    """Read host and port of a proxy."""
    if value is None:
        return None
    match = re.fullmatch(r"(?:http://)?([A-Za-z0-9.-]+):([0-9]{1,5})/?", value)
    if match and int(match[2]) <= 65_535:
        return match[1], int(match[2])
    raise click.BadParameter(
        f"{value!r} is not HOST:PORT; a proxy that wants a password is not supported"
    )


@click.command(short_help="Fetch elevation data of a lot into a local file.")
@click.option("--stac", multiple=True, metavar="ITEM",
              help="STAC Item that describes an elevation tile: a file or an https address; may be "
                   "given several times.")  # fmt: skip
@click.option("--url", "urls", multiple=True, metavar="URL",
              help="https address of a GeoTIFF; may be given several times.")  # fmt: skip
@click.option("--lot", type=options.FILE, help="Boundary of the lot.")
@click.option("--bbox", callback=_bounds, metavar="W,S,E,N",
              help="Bounds in degrees of longitude and latitude, instead of a lot.")  # fmt: skip
@click.option("-o", "--output", type=options.FILE, required=True, metavar="FILE",
              help="GeoTIFF to write; FILE.source.json beside it says where it is "
                   "from.")  # fmt: skip
@click.option("--margin", type=click.FloatRange(min=0, max=5000), default=250.0,
              show_default=True, metavar="METRES",
              help="Ground fetched round the lot or bounds [m].")  # fmt: skip
@click.option("--host", "hosts", multiple=True, metavar="NAME",
              help="Host that may be asked; may be given several times. Without it you are asked "
                   "on a terminal.")  # fmt: skip
@click.option("--dry-run", is_flag=True,
              help="Ask only for what the files say of themselves, and tell what would be "
                   "fetched.")  # fmt: skip
@options.vertical_unit
@click.option("--asset", default="", metavar="NAME", help="Which file of an Item is meant.")
@click.option("--whole", is_flag=True,
              help="Fetch whole files, and hold them against the SHA-256 that their Item "
                   "states.")  # fmt: skip
@click.option("--max-mb", type=click.FloatRange(min=0, min_open=True, max=100_000),
              default=_DEFAULT_MB, show_default=True, help="Most megabytes to fetch.")  # fmt: skip
@click.option("--max-seconds", type=click.FloatRange(min=0, min_open=True, max=86_400),
              default=_DEFAULT_S, show_default=True, help="Most seconds it may take.")  # fmt: skip
@click.option("--proxy", callback=_proxy, metavar="HOST:PORT",
              help="Proxy to go through; those of the environment are never used.")  # fmt: skip
@click.option("--overwrite", is_flag=True,
              help="Replace a file that was fetched before and is unchanged.")  # fmt: skip
@options.with_verbosity
def fetch(output: Path, **given: Any) -> int:
    """
    Fetch the elevation data of a lot into FILE, a local GeoTIFF.

    The only command that uses a network; all others work on the file. It asks only hosts that
    you confirm, over https, and only for the blocks of the tiles that the lot needs. Where tiles
    overlap the first named counts. A fetch that was stopped goes on when it is run again.
    """
    if bool(given["lot"]) == bool(given["bbox"]):
        raise click.UsageError("Give the lot with --lot, or its bounds with --bbox.")
    if not given["stac"] and not given["urls"]:
        raise click.UsageError("Name what to fetch with --stac or --url.")
    if importlib.util.find_spec("urllib3") is None:
        raise EngineError("fetching needs urllib3. Install it: pip install 'lotflow[fetch]'")
    from lotflow.fetching.http_door import Budget  # noqa: PLC0415 - slow to import
    from lotflow.study import fetch as study  # noqa: PLC0415

    if given["verbose"]:
        count = len(given["stac"]) + len(given["urls"])
        click.echo(f"lotflow: fetching {'1 file' if count == 1 else f'{count} files'}", err=True)
    budget = Budget(given["max_seconds"], int(given["max_mb"] * 1e6))
    confirm = _confirmer(given["hosts"])
    order = _order(given)
    kept = "nothing was written; what has come is kept, and the same command goes on from it"
    with after_writing(kept), progress(_STEPS, quiet=given["quiet"]) as tell:
        if given["dry_run"]:
            planned = study.plan(order, confirm, budget, tell=tell)
        else:
            done = study.fetch(
                order, output, confirm, budget, overwrite=given["overwrite"], tell=tell
            )
    if given["dry_run"]:
        click.echo(_planned_text(planned, budget))
        return 0
    with after_writing(f"{output} is written"):
        if not given["quiet"]:
            click.echo(_done_text(done, output, given["vertical_unit"]))
    return 0


def _order(given: dict[str, Any]) -> Order:
    """Make what is to be fetched of the options."""
    from lotflow.inputs.area import degrees_area, lot_area  # noqa: PLC0415 - slow to import
    from lotflow.study import fetch as study  # noqa: PLC0415

    lot, margin = given["lot"], given["margin"]
    area = lot_area(lot, margin) if lot else degrees_area(given["bbox"], margin)
    return study.Order(
        given["stac"], given["urls"], area, given["vertical_unit"], given["asset"], given["whole"],
        given["proxy"],
    )  # fmt: skip


def _confirmer(hosts: tuple[str, ...]) -> Callable[[str], bool]:
    """Make what tells whether a host may be asked; each is asked about once."""
    known = {host.lower().rstrip(".").removesuffix(":443"): True for host in hosts}

    def confirm(host: str) -> bool:
        if host not in known:
            known[host] = _is_terminal() and click.confirm(
                f"Connect to {host}?", default=False, err=True
            )
        return known[host]

    return confirm


def _is_terminal() -> bool:
    """Tell whether somebody can be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _planned_text(planned: Planned, budget: Budget) -> str:
    """Say what a fetch would take."""
    lines = []
    for url, octets, requests, why in planned.rows:
        size = f"{octets / 1e6:.1f} MB" if octets or not why else "unknown size"
        how = f"the whole file, since {why}" if why else f"{requests} more requests"
        lines.append(f"{url}\n  {size}, {how}")
    whole = sum(octets for _, octets, *_ in planned.rows)
    lines.append(
        f"{len(planned.rows)} files, {whole / 1e6:.1f} MB to fetch; {budget.requests_taken} "
        f"requests and {budget.octets_taken / 1e6:.2f} MB were taken to find out. Nothing was "
        "written."
    )
    return "\n".join(lines)


def _done_text(done: Done, output: Path, declared: str | None) -> str:
    """Say what was fetched."""
    extract = done.extract
    rows, columns = extract.values.shape
    lines = [f"{output}: {columns} x {rows} cells, {extract.crs.name}"]
    lines += [f"  {tile.url}" for tile in done.fetched.tiles]
    lines.append(f"  {done.octets / 1e6:.2f} MB in {done.requests} requests")
    if extract.resampled:
        lines.append(f"  Resampled bilinearly to the first, in metres: {extract.resampled}.")
    if extract.beyond:
        lines.append(
            f"  The files end before the area does, on the {', '.join(extract.beyond)}. Name the "
            "neighbouring tiles too if the lot needs them."
        )
    if extract.covered < 1:
        lines.append(f"  {1 - extract.covered:.1%} of the cells have no elevation.")
    lines += [f"{one.severity}: {one.message}" for one in done.findings]
    if not extract.unit and not declared:
        lines.append(
            "The file does not say in which unit its elevations are: give --vertical-unit to the "
            "next command."
        )
    return "\n".join(lines)
