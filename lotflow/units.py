"""
The only conversion factors, and numbers as a reader of the report wants to see them.

Everything inside lotflow is SI; this module is used where values enter and leave.

References
----------
International foot 0.3048 m and US survey foot 1200/3937 m: Federal Register 85 FR 62698
(5 October 2020). Litre, gallon (231 cubic inches) and acre (43 560 square feet): NIST
Handbook 44, appendix C.
"""

from __future__ import annotations

import math
from typing import Final, Literal

METRES_PER_FOOT: Final = 0.3048
METRES_PER_US_SURVEY_FOOT: Final = 1200.0 / 3937.0
METRES_PER_INCH: Final = 0.0254
SQUARE_METRES_PER_SQUARE_FOOT: Final = METRES_PER_FOOT**2
SQUARE_METRES_PER_ACRE: Final = 43_560.0 * SQUARE_METRES_PER_SQUARE_FOOT
CUBIC_METRES_PER_CUBIC_FOOT: Final = METRES_PER_FOOT**3
CUBIC_METRES_PER_GALLON: Final = 231.0 * METRES_PER_INCH**3
MILLIMETRES_PER_INCH: Final = 25.4

#: Factor to SI per column suffix. Lengths to metres, areas to square metres, volumes to cubic
#: metres, flows to cubic metres per second, rain to metres per second.
TO_SI: Final[dict[str, float]] = {
    "m": 1.0,
    "ft": METRES_PER_FOOT,
    "us-ft": METRES_PER_US_SURVEY_FOOT,
    "in": METRES_PER_INCH,
    "mm": 1e-3,
    "m2": 1.0,
    "ft2": SQUARE_METRES_PER_SQUARE_FOOT,
    "acre": SQUARE_METRES_PER_ACRE,
    "ha": 1e4,
    "m3": 1.0,
    "ft3": CUBIC_METRES_PER_CUBIC_FOOT,
    "yd3": 27.0 * CUBIC_METRES_PER_CUBIC_FOOT,
    "gal": CUBIC_METRES_PER_GALLON,
    "m3s": 1.0,
    "l_s": 1e-3,
    "lpm": 1e-3 / 60.0,
    "gpm": CUBIC_METRES_PER_GALLON / 60.0,
    "cfs": CUBIC_METRES_PER_CUBIC_FOOT,
    "mm_h": 1e-3 / 3600.0,
    "in_h": METRES_PER_INCH / 3600.0,
    "s": 1.0,
    "min": 60.0,
    "h": 3600.0,
    "yr": 365.25 * 86_400.0,
    "m_s": 1.0,
    "ft_s": METRES_PER_FOOT,
    "1": 1.0,
    "%": 0.01,
}

VerticalUnit = Literal["m", "ft", "us-ft"]
UnitSystem = Literal["us", "metric"]

#: What files call the units of elevation, in lower case, and what we call them.
VERTICAL_UNIT_NAMES: Final[dict[str, VerticalUnit]] = {
    "m": "m",
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "ft": "ft",
    "foot": "ft",
    "feet": "ft",
    "international foot": "ft",
    "us survey foot": "us-ft",
    "us survey feet": "us-ft",
    "us-ft": "us-ft",
    "us_survey_foot": "us-ft",
    "ftus": "us-ft",
    "foot_us": "us-ft",
}

#: How a report shows each kind of quantity: (unit, decimals) per system. Depths of water, openings
#: and steps are read in inches; levels and the falls between them ("elevation") in feet.
SHOWN: Final[dict[str, dict[UnitSystem, tuple[str, int]]]] = {
    "depth": {"us": ("in", 1), "metric": ("m", 2)},
    "water_depth": {"us": ("in", 1), "metric": ("m", 2)},
    "length": {"us": ("ft", 1), "metric": ("m", 1)},
    "distance": {"us": ("ft", 0), "metric": ("m", 0)},
    "elevation": {"us": ("ft", 2), "metric": ("m", 2)},
    "taped": {"us": ("ft", 2), "metric": ("m", 2)},
    "diameter": {"us": ("in", 1), "metric": ("mm", 0)},
    "area": {"us": ("ft2", 0), "metric": ("m2", 0)},
    "volume": {"us": ("ft3", 1), "metric": ("m3", 2)},
    "flow": {"us": ("gpm", 1), "metric": ("l_s", 2)},
    "rain": {"us": ("in_h", 2), "metric": ("mm_h", 1)},
    "rain_depth": {"us": ("in", 2), "metric": ("mm", 0)},
    "velocity": {"us": ("ft_s", 1), "metric": ("m_s", 1)},
    "slope": {"us": ("%", 2), "metric": ("%", 2)},
    "ground_slope": {"us": ("%", 1), "metric": ("%", 1)},
    "share": {"us": ("%", 0), "metric": ("%", 0)},
    "ratio": {"us": ("1", 2), "metric": ("1", 2)},
    "roughness": {"us": ("1", 3), "metric": ("1", 3)},
    "curve_number": {"us": ("1", 0), "metric": ("1", 0)},
    "rain_time": {"us": ("min", 0), "metric": ("min", 0)},
    "duration": {"us": ("h", 0), "metric": ("h", 0)},
    "return_period": {"us": ("yr", 0), "metric": ("yr", 0)},
}

#: Unit in which layers and summary carry each quantity: SI, but for rain and long times.
CARRIED: Final[dict[str, str]] = {
    **dict.fromkeys((
        "depth", "water_depth", "length", "distance", "elevation", "taped", "diameter"), "m"),
    **dict.fromkeys((
        "slope", "ground_slope", "share", "ratio", "roughness", "curve_number"), "1"),
    "area": "m2", "volume": "m3", "flow": "m3s", "velocity": "m_s", "rain": "mm_h",
    "rain_depth": "mm", "rain_time": "min", "duration": "h", "return_period": "yr",
}  # fmt: skip

#: Units as they are printed where the key is not what a reader expects.
SIGNS: Final[dict[str, str]] = {
    "m2": "m²",
    "ft2": "ft²",
    "m3": "m³",
    "ft3": "ft³",
    "yd3": "yd³",
    "m3s": "m³/s",
    "l_s": "l/s",
    "mm_h": "mm/h",
    "in_h": "in/h",
    "m_s": "m/s",
    "ft_s": "ft/s",
    "1": "",
}


def to_si(value: float, unit: str) -> float:
    """
    Bring a value to SI.

    Parameters
    ----------
    value
        Number in `unit`.
    unit
        Key of `TO_SI`.

    Returns
    -------
    value
        In metres, square or cubic metres, cubic metres per second, metres per second, seconds.

    Examples
    --------
    >>> round(to_si(4.0, "in"), 4)
    0.1016
    >>> round(to_si(1.0, "cfs") / to_si(1.0, "gpm"), 3)
    448.831
    """
    return value * TO_SI[unit]


def from_si(value: float, unit: str) -> float:
    """
    Bring an SI value to `unit`, the inverse of `to_si`.

    Examples
    --------
    >>> round(from_si(0.3048, "ft"), 6)
    1.0
    """
    return value / TO_SI[unit]


#: Bounds that are apart by this factor leave a number open: lotflow's choice, no published source.
OPEN: Final = 2.0


def shown(value: float | None, quantity: str, system: UnitSystem) -> str:
    """
    Show an SI value with its unit as a report does.

    Parameters
    ----------
    value
        In SI; None and NaN are shown as a dash.
    quantity
        Key of `SHOWN`.
    system
        "us" or "metric".

    Examples
    --------
    >>> shown(0.1524, "depth", "us"), shown(0.1524, "depth", "metric"), shown(None, "depth", "us")
    ('6.0 in', '0.15 m', '-')
    >>> shown(0.0208, "slope", "us"), shown(0.35, "ratio", "us"), shown(-0.2, "area", "metric")
    ('2.08%', '0.35', '0 m²')
    """
    if value is None or math.isnan(value):
        return "-"
    unit, decimals = SHOWN[quantity][system]
    return f"{from_si(value, unit):z,.{decimals}f}{after_number(unit)}"


def open_range(
    value: float | None, low: float | None, high: float | None
) -> tuple[float, float] | None:
    """
    Give the range that is told in the place of a number which the data leave open.

    Parameters
    ----------
    value
        On the measured surface; None and NaN where there is none.
    low, high
        Its bounds; None and NaN where there are none.

    Returns
    -------
    range
        From the least to the greatest of the three; None where that is no factor of `OPEN`.

    Examples
    --------
    >>> open_range(400.0, 12.0, 1631.0), open_range(400.0, 380.0, 470.0)
    ((12.0, 1631.0), None)
    >>> open_range(400.0, 30.0, 40.0), open_range(400.0, None, None)
    ((30.0, 400.0), None)
    """
    told = [math.nan if one is None else one for one in (value, low, high)]
    if math.isnan(sum(told)):
        return None
    least, most = min(told), max(told)
    return (least, most) if most > 0 and most >= OPEN * least else None


def shown_open(
    value: float | None, low: float | None, high: float | None, quantity: str, system: UnitSystem
) -> str:
    """
    Show an SI value, or its range where the data leave it open.

    Parameters
    ----------
    value, low, high
        As for `open_range`.
    quantity, system
        As for `shown`.

    Examples
    --------
    >>> shown_open(400.0, 12.0, 1631.0, "area", "metric")
    '12 to 1,631 m²'
    >>> shown_open(400.0, 380.0, 470.0, "area", "metric")
    '400 m²'
    """
    between = open_range(value, low, high)
    if between is None:
        return shown(value, quantity, system)
    least, most = (shown(one, quantity, system) for one in between)
    if least == most:  # both too small for the figures shown
        return most
    return f"{least.rsplit(' ', 1)[0]} to {most}"


def both_units(value: float, quantity: str) -> str:
    """
    Show an SI value in metric units and, in brackets, in US ones.

    Findings and faults say their numbers so: they are read with either kind of report, and
    some are found before it is known which.

    Parameters
    ----------
    value
        In SI.
    quantity
        Key of `SHOWN`.

    Examples
    --------
    >>> both_units(0.3048, "depth"), both_units(240.0, "distance")
    ('0.30 m (12.0 in)', '240 m (787 ft)')
    """
    return f"{shown(value, quantity, 'metric')} ({shown(value, quantity, 'us')})"


#: More figures than a report shows that a table for spreadsheets has: it is worked on with.
_MORE_FIGURES: Final = 2


def in_spreadsheet(value: float | None, quantity: str, system: UnitSystem) -> float | None:
    """
    Bring an SI value to the unit of the report, as a number for a spreadsheet.

    Parameters
    ----------
    value
        In SI; None where there is none.
    quantity
        Key of `SHOWN`; the unit is that which `SHOWN` names.

    Examples
    --------
    >>> in_spreadsheet(0.1524, "depth", "us"), in_spreadsheet(0.001, "flow", "metric")
    (6.0, 1.0)
    """
    if value is None:
        return None
    unit, decimals = SHOWN[quantity][system]
    return round(from_si(value, unit), decimals + _MORE_FIGURES) + 0.0


def sign(unit: str) -> str:
    """
    Give a unit as it is printed.

    Examples
    --------
    >>> sign("ft2"), sign("gpm")
    ('ft²', 'gpm')
    """
    return SIGNS.get(unit, unit)


def after_number(unit: str) -> str:
    """
    Give a unit as it follows a number: with the space between, where there is one.

    Examples
    --------
    >>> after_number("ft2"), after_number("%"), after_number("1")
    (' ft²', '%', '')
    """
    printed = sign(unit)
    return printed if printed in ("%", "") else f" {printed}"
