"""The job file that a new job starts with: every setting with its meaning, most as comments."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Final

from lotflow.criteria import Criteria
from lotflow.errors import ParameterError
from lotflow.units import UnitSystem, VerticalUnit

_TEMPLATE: Final = """\
# A lotflow job. Lines that start with # are settings at their defaults: remove the # to change.

[job]
name = {name}
units = {units}  # of reports: "us" or "metric"
# ground = "lawn"  # cover of ground without a cover polygon
# soil_group = "C"  # hydrologic soil group A, B, C or D
# soak_test_in_h = 0.2  # or soak_test_mm_h; or readings: soak_test_drops_in, soak_test_minutes
# coefficient = 0.35  # one runoff coefficient for all ground, instead of covers
# {intensity}  # one rainfall intensity, instead of a rainfall table

[elevation]
file = {elevation}  # or a list of neighbouring tiles
{vertical_unit}  # "m", "ft" or "us-ft"; only needed where the file does not say
# rmse_m = 0.10  # vertical accuracy (USGS lidar quality level 2)
# correlation_m = 10  # range of the correlated part of the error
# white_share = 0.1  # share of the error's variance that is not correlated
# margin_m = 100  # ground read round the lot at first

# [levels]  # where levels on site were taken from a benchmark of their own
# benchmark = 100.00  # its level in the site notes
# elevation_m = 31.42  # its elevation in the raster's datum
# unit = {level_unit}  # of the benchmark

[layers]
file = "site.gpkg"  # every layer by its name
lot = {lot}  # a layer may have a file of its own, or {{ file = "a.gpkg", layer = "b" }}

# [rainfall]
# file = "rainfall.csv"
# storms = [2, 10, 100]  # return periods in years
# uplift = 1.0  # factor for a changed climate
# storm_type = "II"  # NRCS rain distribution I, IA, II or III: for the graphical peak too

# [setbacks]  # least distances of outlets and drain lines by the local rules; none is assumed
# source = "town code, section ..."
# lot_line_{length_unit} = {lot_line}
# foundation_{length_unit} = {foundation}

# [prices]
# file = "prices.csv"  # your price list, with the columns item and price

# [criteria]
{criteria}

# [terrain]
# direction = "ltd"  # "ltd", "steepest" or "richdem-d8"

# [confidence]
# realisations = 100  # 0 is off; or, instead, precision = 0.05: shares good to 5 in 100
# seed = 0
"""


def job_template(
    name: str,
    elevation_file: str,
    lot_file: str,
    vertical_unit: VerticalUnit | None,
    units: UnitSystem,
) -> str:
    """
    Write the job file of a new job.

    Parameters
    ----------
    name
        Of the job.
    elevation_file, lot_file
        Paths, relative to the job's folder or absolute.
    vertical_unit
        Unit of the elevations; None where the raster says it.
    units
        Unit system of reports and of the columns to draw.

    Returns
    -------
    text
        TOML that `read_job` accepts, with every other setting as a comment.

    Raises
    ------
    ParameterError
        If a path cannot be written as text.

    Examples
    --------
    >>> text = job_template("Yard", "dem.tif", "lot.geojson", None, "us")
    >>> print(*text.splitlines()[2:4], sep="; ")
    [job]; name = "Yard"
    """
    stated = vertical_unit is not None
    return _TEMPLATE.format(
        name=_quoted(name),
        units=_quoted(units),
        elevation=_quoted(elevation_file),
        lot=_quoted(lot_file),
        vertical_unit=("" if stated else "# ") + f"vertical_unit = {_quoted(vertical_unit or 'm')}",
        intensity="intensity_in_h = 1.0" if units == "us" else "intensity_mm_h = 25.0",
        level_unit=_quoted("ft" if units == "us" else "m"),
        length_unit="ft" if units == "us" else "m",
        lot_line="5.0" if units == "us" else "1.5",
        foundation="10.0" if units == "us" else "3.0",
        criteria="\n".join(_criteria_lines()),
    )


def _criteria_lines() -> list[str]:
    """Write each criterion with its default, meaning and the source of the default."""
    return [
        f"# {item.name} = {'0.05' if item.default is None else f'{item.default:g}'}"
        f"  # {item.metadata['meaning']}"
        for item in fields(Criteria)
    ]


def _quoted(text: str) -> str:
    """Write a TOML basic string; JSON's differ from it only in the delete character."""
    try:
        text.encode()
    except UnicodeEncodeError:
        raise ParameterError(f"{text!r} cannot be written into a job file.") from None
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
