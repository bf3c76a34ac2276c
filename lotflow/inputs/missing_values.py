"""Which stored numbers are elevations, and which only look like one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from lotflow.findings import Finding
from lotflow.grid import BoolArray, FloatArray

#: Numbers that software writes for "no value" (common practice, no published source).
_SENTINELS: Final = (
    -9999.0, -99999.0, -999999.0, -32768.0, -32767.0, -999.0, -9998.0,
    9999.0, 99999.0, 999999.0, 32767.0, 65535.0, 0.0,
)  # fmt: skip

#: Beyond this no number is an elevation in any unit; float32's largest is 3.4e38.
_HUGE: Final = 1e30

#: Land lies between the Dead Sea, -430 m, and Mount Everest, 8849 m.
LOWEST_M: Final = -500.0
HIGHEST_M: Final = 9000.0

#: A number of `_SENTINELS` that could be an elevation is one unless it stands this far [m] from
#: every other: no ground on a lot steps by 30 m.
_ALONE_M: Final = 30.0


@dataclass(frozen=True)
class Scale:
    """From stored numbers to metres: (stored * scale + offset) * metres."""

    #: As the file declares them.
    scale: float
    offset: float
    #: Length of its vertical unit [m].
    metres: float

    def elevation(self, stored: FloatArray) -> FloatArray:
        """Bring stored numbers to metres."""
        return (stored * self.scale + self.offset) * self.metres


def elevations(
    stored: FloatArray, scale: Scale, name: str
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """
    Bring stored numbers to elevations, and find those that mean "no value" undeclared.

    A number counts as missing where it is not finite or huge, or where it is one that software
    writes for "no value" and lies outside the range of land or 30 m from every elevation.

    What the file declares to be no value is NaN in `stored` already. Given are elevations [m], NaN
    where missing, and one finding per number that was taken for missing.

    Examples
    --------
    >>> stored = np.array([[12.1, 12.2, -9999.0], [np.nan, 0.0, 3.4e38]])
    >>> elevation, findings = elevations(stored, Scale(1.0, 0.0, 1.0), "dem.tif")
    >>> elevation.tolist()
    [[12.1, 12.2, nan], [nan, 0.0, nan]]
    >>> [finding.measured for finding in findings]
    [1.0, 1.0]
    """
    undeclared: dict[str, BoolArray] = {}
    with np.errstate(invalid="ignore", over="ignore"):
        huge = np.abs(stored) >= _HUGE
        values = scale.elevation(np.where(huge, np.nan, stored))
    if huge.any():
        undeclared[f"{stored[huge][0]:g}"] = huge
    for sentinel in _SENTINELS:
        here = stored == sentinel
        if here.any() and _is_no_elevation(values, here):
            undeclared[f"{sentinel:g}"] = here
            values[here] = np.nan
    return values, tuple(_finding(name, text, int(here.sum())) for text, here in undeclared.items())


def _is_no_elevation(values: FloatArray, here: BoolArray) -> bool:
    """Tell a number that cannot be an elevation among these."""
    height = values[here][0]
    if not LOWEST_M <= height <= HIGHEST_M:
        return True
    others = values[~here & ~outside_land(values) & ~np.isnan(values)]
    return bool(others.size) and bool(np.abs(others - height).min() > _ALONE_M)


def outside_land(elevation: FloatArray) -> BoolArray:
    """
    Mark numbers that are no elevation of land, in whatever datum.

    Examples
    --------
    >>> outside_land(np.array([8849.0, -431.0, 16434.8, np.nan])).tolist()
    [False, False, True, False]
    """
    return (elevation < LOWEST_M) | (elevation > HIGHEST_M)


def _finding(name: str, text: str, count: int) -> Finding:
    """Say that a number was taken for missing though the file does not declare it."""
    return Finding(
        "undeclared-nodata",
        "warn",
        name,
        facts={"cells": count, "number": text},
        measured=float(count),
        limit=0.0,
        unit="cells",
        source="common practice, no published source",
    )
