"""Which units a report is in where nobody has said it: those of the country of the lot."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from lotflow.tables.places import in_united_states

if TYPE_CHECKING:
    from pyproj import CRS

    from lotflow.units import UnitSystem, VerticalUnit

#: How the EPSG dataset begins the area of use of what is used in that country only.
_OF_THE_US: Final = "United States (USA)"


@dataclass(frozen=True)
class UnitChoice:
    """
    Units of a report, and why these.

    Parameters
    ----------
    units
        "us" or "metric".
    because
        What decided it, as a sentence without its point.
    """

    units: UnitSystem
    because: str


def unit_choice(
    stated: UnitSystem | None,
    crs: CRS,
    vertical_unit: VerticalUnit,
    place: tuple[float, float] | None,
) -> UnitChoice:
    """
    Choose the units of a report: what is stated, else US ones for a lot in the US, else metric.

    Parameters
    ----------
    stated
        In the job or as an option; None where nobody has.
    crs
        Of the elevation files.
    vertical_unit
        Of the elevation files.
    place
        Latitude and longitude of the lot [degrees]; None where it has none.

    Returns
    -------
    choice
        Data in feet, and a CRS made for the US alone, go before the place of the lot: they tell
        in which units the people think who have made them.

    Examples
    --------
    >>> from pyproj import CRS
    >>> unit_choice(None, CRS.from_epsg(28992), "m", (52.01, 4.36))
    UnitChoice(units='metric', because='the lot lies outside the US')
    >>> unit_choice(None, CRS.from_epsg(6593), "us-ft", None).because
    'the elevation data are in feet'
    """
    if stated is not None:
        return UnitChoice(stated, "the job states them")
    if vertical_unit != "m" or _map_in_feet(crs):
        return UnitChoice("us", "the elevation data are in feet")
    if crs.area_of_use is not None and crs.area_of_use.name.startswith(_OF_THE_US):
        return UnitChoice("us", f"{crs.name} is used in the US alone")
    if place is None:
        return UnitChoice("metric", "where the lot lies is not known")
    if in_united_states(*place):
        return UnitChoice("us", "the lot lies in the US")
    return UnitChoice("metric", "the lot lies outside the US")


def _map_in_feet(crs: CRS) -> bool:
    """Tell whether easting and northing are in feet; a vertical part does not count."""
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if not flat.is_projected:
        return False
    return not math.isclose(flat.axis_info[0].unit_conversion_factor, 1.0)
