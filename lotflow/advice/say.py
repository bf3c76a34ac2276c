"""How a sentence says a number, and what a sentence is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from lotflow.units import METRES_PER_FOOT, UnitSystem, both_units, shown

#: Writes the message of a finding: called with `Say`, the finding, and its facts by name.
Sentence = Callable[..., str]


@dataclass(frozen=True)
class Say:
    """
    Says an SI value with its unit; called as `say(value, quantity)`.

    Parameters
    ----------
    units
        Of the report; None for metric units with US ones in brackets, where it is not known who
        reads.

    Examples
    --------
    >>> Say("us")(0.1016, "diameter"), Say()(0.3048, "depth")
    ('4.0 in', '0.30 m (12.0 in)')
    """

    units: UnitSystem | None = None

    def __call__(self, value: float, quantity: str) -> str:
        """Say a value; `quantity` is a key of `units.SHOWN`."""
        if self.units is None:
            return both_units(value, quantity)
        return shown(value, quantity, self.units)

    def speed(self, value: float, decimals: int = 1) -> str:
        """Say a velocity [m/s]; in feet one figure less is said."""
        metric, us = (
            f"{value:.{decimals}f} m/s", f"{value / METRES_PER_FOOT:.{decimals - 1}f} ft/s",
        )  # fmt: skip
        both = f"{metric} ({us})"
        return {"metric": metric, "us": us}.get(self.units or "", both)


def storm(return_period_yr: float | None) -> str:
    """
    Name a storm; None for rain of a stated intensity.

    Examples
    --------
    >>> storm(10.0), storm(None)
    ('10-year storm', 'stated rain')
    """
    return "stated rain" if return_period_yr is None else f"{return_period_yr:g}-year storm"
