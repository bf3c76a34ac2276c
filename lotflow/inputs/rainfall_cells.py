"""Cells of rainfall tables: units, durations, return periods, figures and their rounding."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

import numpy as np

from lotflow.grid import FloatArray
from lotflow.units import TO_SI

_LENGTHS: Final = {
    "mm": "mm",
    "millimeter": "mm",
    "millimeters": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "in": "in",
    "inch": "in",
    "inches": "in",
}
_QUANTITIES: Final = {
    "depth": False,
    "depths": False,
    "intensity": True,
    "intensities": True,
}
_PERIOD: Final = re.compile(
    r"'?(?:1/)?(\d{1,9}(?:\.\d{1,9})?)\s*-?\s*(?:yr|yrs|year|years|a)?", re.ASCII
)
_DURATION: Final = re.compile(r"(\d{1,9}(?:\.\d{1,9})?)[\s-]*([a-z]+)\s*:?", re.ASCII)
_NUMBER: Final = re.compile(r"\d{1,15}(\.\d{1,15})?|\.\d{1,15}", re.ASCII)
_SECONDS: Final = {
    **dict.fromkeys(("min", "mins", "minute", "minutes"), TO_SI["min"]),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), TO_SI["h"]),
    **dict.fromkeys(("d", "day", "days"), 24 * TO_SI["h"]),
}


@dataclass(frozen=True)
class Line:
    """A line of the file: its number from 1, and its cells without padding."""

    number: int
    cells: list[str]

    @property
    def text(self) -> str:
        """The first cell."""
        return self.cells[0] if self.cells else ""


@dataclass(frozen=True)
class Unit:
    """Unit of the figures: as printed in messages, its factor to SI, and whether per hour."""

    name: str
    to_si: float
    is_rate: bool


def stated_unit(text: str) -> Unit | None:
    """
    Find the unit that a title or a header cell states.

    Parameters
    ----------
    text
        "depth_mm", "(inches/hour)", "intensity [mm/h]".

    Returns
    -------
    unit
        None if no unit is stated, it is unknown, or it contradicts the quantity stated.

    Examples
    --------
    >>> stated_unit("intensity_in_h"), stated_unit("depth [mm/h]"), stated_unit("Storm")
    (Unit(name='in/h', to_si=7.0556e-06, is_rate=True), None, None)
    """
    words = [word for word in re.split(r"[^a-z]+", text.lower()) if word]
    stated = [_QUANTITIES[word] for word in words if word in _QUANTITIES]
    units = [word for word in words if word not in _QUANTITIES]
    units = [word for word in units if word not in ("rain", "rainfall", "precipitation", "per")]
    is_rate = len(units) == 2 and units[1] in ("h", "hr", "hour")
    if not units or units[0] not in _LENGTHS or len(units) != 1 + is_rate:
        return None
    if any(quantity != is_rate for quantity in stated):
        return None
    key = _LENGTHS[units[0]]
    return Unit(f"{key}/h", TO_SI[f"{key}_h"], True) if is_rate else Unit(key, TO_SI[key], False)


def return_period_years(cell: str) -> float | None:
    """
    Read a return period, or an annual exceedance probability written as a fraction.

    Parameters
    ----------
    cell
        "10", "10 yr", "1/10", "'1/10".

    Returns
    -------
    return_period
        [yr]; None if it is neither.

    Examples
    --------
    >>> [return_period_years(cell) for cell in ("10", "2-yr", "'1/100", "ten")]
    [10.0, 2.0, 100.0, None]
    """
    match = _PERIOD.fullmatch(cell.lower())
    return float(match[1]) if match and float(match[1]) > 0 else None


def duration_seconds(cell: str) -> float | None:
    """
    Read a duration.

    Parameters
    ----------
    cell
        "5-min:", "24 h", "2-day".

    Returns
    -------
    duration
        [s]; None if it is not one.

    Examples
    --------
    >>> [duration_seconds(cell) for cell in ("5-min:", "24 h", "2-day", "5")]
    [300.0, 86400.0, 172800.0, None]
    """
    match = _DURATION.fullmatch(cell.lower())
    if not match or match[2] not in _SECONDS or float(match[1]) == 0:
        return None
    return float(match[1]) * _SECONDS[match[2]]


def figure(cell: str) -> float | None:
    """
    Read a figure: digits with or without a decimal point.

    Parameters
    ----------
    cell
        "0.321".

    Returns
    -------
    figure
        None if it is anything else; rain is never negative.

    Examples
    --------
    >>> [figure(cell) for cell in ("0.321", "2", "-1", "nan", "0.3 in")]
    [0.321, 2.0, None, None, None]
    """
    return float(cell) if _NUMBER.fullmatch(cell) else None


def rounding(texts: list[list[str]]) -> FloatArray:
    """
    Half a unit of the last place to which each figure was rounded.

    Figures of one power of ten are rounded alike, so the most decimals seen among them count;
    a spreadsheet that drops trailing zeros does not change that.

    Parameters
    ----------
    texts
        Figures as printed, rows of equal length.

    Returns
    -------
    half_unit
        Same shape as `texts`.

    Examples
    --------
    >>> rounding([["0.321", "2"], ["2.47", "10.5"]]).tolist()
    [[0.0005, 0.005], [0.005, 0.05]]
    """
    decimals: dict[int, int] = {}
    magnitudes = [[_magnitude(float(cell)) for cell in row] for row in texts]
    for row, powers in zip(texts, magnitudes, strict=True):
        for cell, power in zip(row, powers, strict=True):
            places = len(cell.partition(".")[2])
            decimals[power] = max(decimals.get(power, 0), places)
    return np.array([[0.5 * 10.0 ** -decimals[power] for power in row] for row in magnitudes])


def _magnitude(value: float) -> int:
    """Power of ten of a figure; figures below 1 are counted together."""
    return max(math.floor(math.log10(value)), -1) if value > 0 else -1
