"""Options that several commands share, each spelled and explained once."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from lotflow.units import TO_SI

if TYPE_CHECKING:
    from collections.abc import Callable

FILE = click.Path(path_type=Path)

output = click.option(
    "-o", "--output", type=FILE, required=True, metavar="DIR", help="Folder of the result."
)
overwrite = click.option(
    "--overwrite",
    is_flag=True,
    help="Replace a result of another lot or command too. One of the same lot is replaced without "
    "it; what you have changed in it is kept by another name.",
)
vertical_unit = click.option(
    "--vertical-unit",
    type=click.Choice(["m", "ft", "us-ft"]),
    help="Unit of the elevations; only needed where the file does not say.",
)
_of_many = (
    click.option("--lot-name", metavar="NAME",
                 help="Of a LOT layer of many lots the one to take."),
    click.option("--key", metavar="COLUMN",
                 help="Column in which it has that name.  [default: name]"),
)  # fmt: skip
units = click.option(
    "--units",
    type=click.Choice(["us", "metric"]),
    help="Units of all that is told and drawn.  [default: us where the lot lies in the US, or its "
    "data are in feet; else metric]",
)
strict = click.option(
    "--strict", is_flag=True, help="Exit with 3 if a check failed, for use in scripts."
)
json_output = click.option(
    "--json", "as_json", is_flag=True, help="Print the summary as JSON instead of the table."
)
no_pack = click.option(
    "--no-pack",
    is_flag=True,
    help="Leave out the files to carry away: page, field sheet, waypoints, tables of places.",
)
realisations = click.option(
    "--realisations",
    type=click.IntRange(0, 10_000),
    metavar="NUMBER",
    help="Surfaces within the elevation error that are tried, to tell how sure low spots and "
    "catchments are; 0 is off.  [default: as in the job, else 100]",
)
verbosity = (
    click.option("-q", "--quiet", is_flag=True, help="Print nothing but errors."),
    click.option("-v", "--verbose", is_flag=True, help="Say what is being done, on stderr."),
)


def with_verbosity(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add `-q` and `-v` to a command."""
    for option in verbosity:
        command = option(command)
    return command


def one_lot(command: Callable[..., Any]) -> Callable[..., Any]:
    """Let a command take one lot of a layer of many."""
    for option in reversed(_of_many):
        command = option(command)
    return command


# What is read of one text is read by callbacks: the types of click are generic from 8.2 on only.


def intensity(_: click.Context, __: click.Parameter, value: str | None) -> tuple[float, str] | None:
    """Read a rainfall intensity with its unit, such as 4in/h or 100mm/h: number and unit."""
    if value is None:
        return None
    match = re.fullmatch(r"\s*([0-9.]+(?:[eE][+-]?\d+)?)\s*(in/h|mm/h|)\s*", value)
    if match:
        try:
            number = float(match[1])
        except ValueError:
            number = 0.0
        unit = match[2].replace("/", "_")
        if number > 0 and number * TO_SI.get(unit, TO_SI["mm_h"]) <= TO_SI["mm_h"] * 1000:
            return number, unit
    raise click.BadParameter(
        f"{value!r} is no rainfall intensity above 0 and up to 1000 mm/h; write 4in/h or "
        "100mm/h (a bare number is in/h with --units us, mm/h with --units metric)"
    )
