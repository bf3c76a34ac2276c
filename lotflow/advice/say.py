"""How a sentence says a number, and what a sentence is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from lotflow.units import METRES_PER_FOOT, SHOWN, UnitSystem, after_number, from_si, shown

#: Writes the message of a finding: called with `Say`, the finding, and its facts by name.
Sentence = Callable[..., str]


@dataclass(frozen=True)
class Say:
    """
    Says an SI value with its unit; called as `say(value, quantity)`.

    What is too small for the figures that are said is "under 0.1 in", never "0.0 in".

    Parameters
    ----------
    units
        Of the report; None for metric units with US ones in brackets, where it is not known who
        reads.
    is_levelled
        Whether levels taken on site went into the ground: it is no longer the measured surface.

    Examples
    --------
    >>> Say("us")(0.1016, "diameter"), Say()(0.3048, "depth")
    ('4.0 in', '0.30 m (12.0 in)')
    >>> Say("us")(0.0005, "depth"), Say("metric")(0.0, "length")
    ('under 0.1 in', '0 m')
    """

    units: UnitSystem | None = None
    is_levelled: bool = False

    @property
    def surface(self) -> str:
        """
        Name the one ground that figures are read off.

        Examples
        --------
        >>> Say().surface, Say(is_levelled=True).surface
        ('the measured surface', 'the surface by data and levels')
        """
        return "the surface by data and levels" if self.is_levelled else "the measured surface"

    def __call__(self, value: float, quantity: str) -> str:
        """Say a value; `quantity` is a key of `units.SHOWN`."""
        return self.either(_said(value, quantity, "metric"), _said(value, quantity, "us"))

    def either(self, metric: str, us: str, *, both: str = "") -> str:
        """Choose a wording; without units `both`, or the metric one with the US one in brackets."""
        return {"metric": metric, "us": us, None: both or f"{metric} ({us})"}[self.units]

    def speed(self, value: float, decimals: int = 1) -> str:
        """Say a velocity [m/s]; in feet one figure less is said."""
        return self.either(
            f"{value:.{decimals}f} m/s", f"{value / METRES_PER_FOOT:.{decimals - 1}f} ft/s"
        )

    def far(self, value: float) -> str:
        """
        Say a distance between towns [m].

        Examples
        --------
        >>> Say("us").far(804_672.0), Say("metric").far(804_672.0)
        ('500 mi', '805 km')
        """
        feet_of_a_mile = 5280
        return self.either(
            f"{value / 1000:,.0f} km", f"{from_si(value, 'ft') / feet_of_a_mile:,.0f} mi"
        )

    def rough(self, value: float, quantity: str) -> str:
        """
        Say a bound, of which two digits are enough.

        Examples
        --------
        >>> Say("us").rough(10.0 / 3.6e6, "rain"), Say("metric").rough(10.0 / 3.6e6, "rain")
        ('0.39 in/h', '10 mm/h')
        """
        metric, us = (
            f"{float(f'{from_si(value, unit):.2g}'):g}{after_number(unit)}"
            for unit in (SHOWN[quantity]["metric"][0], SHOWN[quantity]["us"][0])
        )
        return self.either(metric, us)


def _said(value: float, quantity: str, system: UnitSystem) -> str:
    """Show a value, but no figure of noughts."""
    unit, decimals = SHOWN[quantity][system]
    least = 10.0**-decimals
    if not abs(from_si(value, unit)) < least / 2:  # what is no number is shown as a dash
        return shown(value, quantity, system)
    least_said = f"{least:.{decimals}f}{after_number(unit)}"
    return f"under {least_said}" if value else f"0{after_number(unit)}"


def hours(value: float) -> str:
    """
    Say a time in whole hours, the same of a figure and of its tenths, which findings carry.

    Examples
    --------
    >>> hours(528.5), hours(528.46), hours(36.0)
    ('529 h', '529 h', '36 h')
    """
    return f"{math.floor(round(value, 1) + 0.5):d} h"


def storm(return_period_yr: float | None) -> str:
    """
    Name a storm; None for rain of a stated intensity.

    Examples
    --------
    >>> storm(10.0), storm(None)
    ('10-year storm', 'stated rain')
    """
    return "stated rain" if return_period_yr is None else f"{return_period_yr:g}-year storm"
