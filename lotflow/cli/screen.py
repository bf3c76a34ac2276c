"""`lotflow screen`: the quick case, from an elevation raster and a lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from lotflow.cli import options
from lotflow.cli.report import Voice, compute

if TYPE_CHECKING:
    from pathlib import Path

    from lotflow.inputs.job import Job

_LAYERS = ("inlets", "buildings", "water", "walls", "streets")


@click.command(short_help="Find low spots, run-on and inlet catchments of a lot.")
@click.argument("elevation", type=options.FILE)
@click.argument("lot", type=options.FILE)
@options.output
@click.option("--tile", "tiles", type=options.FILE, multiple=True,
              help="Neighbouring elevation tile; may be given several times.")  # fmt: skip
@click.option("--inlets", type=options.FILE, help="Proposed or existing inlets, with names.")
@click.option("--buildings", type=options.FILE, help="Building footprints.")
@click.option("--water", type=options.FILE, help="Open water, which always takes flow.")
@click.option("--walls", type=options.FILE, help="Walls, curbs and berms not in the raster.")
@click.option("--streets", type=options.FILE,
              help="Streets beside the lot, where water may be led. Without them lower ground is "
                   "looked for up to 10 m beyond the lot line.")  # fmt: skip
@options.vertical_unit
@click.option("--margin", type=click.FloatRange(min=0, min_open=True, max=5000), metavar="METRES",
              help="Ground read round the lot at first [m]; it grows as far as catchments "
                   "reach.")  # fmt: skip
@click.option("--coefficient", type=click.FloatRange(0, 1),
              help="Runoff coefficient of all ground; without it areas only.")  # fmt: skip
@click.option("--intensity", type=options.Intensity(), metavar="RATE",
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
    layers, rasters, a map picture and a summary.
    """
    if given["intensity"] and given["coefficient"] is None:
        raise click.UsageError("--intensity needs --coefficient: flow is C times i times area.")
    return compute(
        lambda: _job(elevation, lot, given),
        output,
        overwrite=given["overwrite"],
        use_covers=False,
        pack=not given["no_pack"],
        strict=given["strict"],
        voice=Voice(given["as_json"], given["quiet"], given["verbose"]),
    )


def _job(elevation: Path, lot: Path, given: dict[str, Any]) -> Job:
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
    )
    return with_realisations(job, given["realisations"])
