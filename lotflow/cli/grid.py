"""`lotflow grid`: lidar returns of the ground into a raster."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import after_writing, progress
from lotflow.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

    from pyproj import CRS

    from lotflow.study.grid import Made

#: Reading, joining, leaving out, writing.
_STEPS = 4


@click.command(short_help="Make a raster of the ground returns of lidar points.")
@click.argument("points", type=options.FILE, nargs=-1, required=True)
@click.option("-o", "--output", type=options.FILE, required=True, metavar="FILE",
              help="GeoTIFF to write; FILE.source.json beside it says how it was "
                   "made.")  # fmt: skip
@click.option("--lot", type=options.FILE, help="Boundary of the lot; without it all is taken.")
@click.option("--margin", type=click.FloatRange(min=0, max=5000), default=250.0,
              show_default=True, metavar="METRES", help="Ground round the lot [m].")  # fmt: skip
@click.option("--cell", type=click.FloatRange(0.1, 5), default=0.5, show_default=True,
              metavar="METRES", help="Side of a cell [m].")  # fmt: skip
@click.option("--reach", type=click.FloatRange(0.5, 100), default=10.0, show_default=True,
              metavar="METRES",
              help="Cells farther from every ground return have no elevation [m].")  # fmt: skip
@click.option("--crs", metavar="EPSG:CODE",
              help="Coordinate reference system of the points, where they do not say.")  # fmt: skip
@options.vertical_unit
@click.option("--overwrite", is_flag=True,
              help="Replace a file that lotflow made before and is unchanged.")  # fmt: skip
@options.with_verbosity
def grid(points: tuple[Path, ...], output: Path, **given: Any) -> int:
    """
    Make a bare-earth raster of POINTS, classified lidar returns in LAS or LAZ files.

    The returns of the ground (class 2) are joined by triangles. Two more bands say how well each
    cell is known: its distance to the nearest return, and the returns in it.
    """
    from lotflow.inputs.area import lot_area  # noqa: PLC0415 - slow to import
    from lotflow.study.grid import grid as make  # noqa: PLC0415

    if given["verbose"]:
        names = ", ".join(path.name for path in points)
        click.echo(f"lotflow: gridding the ground returns of {names}", err=True)
    with progress(_STEPS, quiet=given["quiet"]) as tell:
        made = make(
            points,
            output,
            area=lot_area(given["lot"], given["margin"]) if given["lot"] else None,
            cell_m=given["cell"],
            reach_m=given["reach"],
            crs=_crs(given["crs"]),
            vertical_unit=given["vertical_unit"],
            overwrite=given["overwrite"],
            tell=tell,
        )
    with after_writing(f"{output} is written"):
        if not given["quiet"]:
            click.echo(_text(made, output))
    return 0


def _crs(text: str | None) -> CRS | None:
    """Read a code; no other text of a CRS is taken, it might name a file."""
    if text is None:
        return None
    from pyproj import CRS  # noqa: PLC0415 - slow to import
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    code = text.upper().removeprefix("EPSG:")
    try:
        return CRS.from_epsg(int(code))
    except (ValueError, CRSError):
        raise InputError(f"{text!r} is no code of a CRS", "Write --crs EPSG:26918") from None


def _text(made: Made, output: Path) -> str:
    """Say what was made."""
    rows, columns = made.shape
    lines = [f"{output}: {columns} x {rows} cells of {made.gridded.cell_m:g} m, {made.crs}"]
    lines += [
        f"  {one.file}: {one.ground_points:,} ground returns of {one.points:,} points"
        for one in made.gridded.files
    ]
    if made.missing:
        lines.append(
            f"  {made.missing:.1%} of the cells have no elevation: farther than "
            f"{made.gridded.reach_m:g} m from every ground return, or outside of all."
        )
    lines += [f"{one.severity}: {one.message}" for one in made.findings]
    return "\n".join(lines)
