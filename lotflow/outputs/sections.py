"""Lines cut open: ground along a line, with the pipe below or what is dug, for page and sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely

from lotflow.scenarios import main_state

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.grid import FloatArray

_PIPE: Final = ("distance_m", "ground_m", "invert_m", "crown_m")
_DUG: Final = ("distance_m", "ground_m", "level_m", "water_m", "stands_m")
#: Most stations of a swale that are drawn: more are no finer on paper.
_MOST: Final = 160


@dataclass(frozen=True, eq=False)
class Cut:
    """
    A line cut open; levels are NaN where there is none, all in metres.

    Parameters
    ----------
    name
        Of the line.
    distance, ground
        From its upper end, and the ground there: of an earthwork before it is dug.
    invert, crown
        Of a pipe.
    dug, water, stands
        Of an earthwork: the ground when it is done, the water of the design storm, and water that
        stays.
    met
        What an earthwork is dug over: distance, name, and level of its crown, NaN where that is
        not known.
    """

    name: str
    distance: FloatArray
    ground: FloatArray
    invert: FloatArray
    crown: FloatArray
    dug: FloatArray
    water: FloatArray
    stands: FloatArray
    met: tuple[tuple[float, str, float], ...] = ()

    @property
    def levels(self) -> FloatArray:
        """All levels that are drawn."""
        lines = (self.ground, self.invert, self.crown, self.dug, self.water, self.stands)
        told = np.concatenate([*lines, [level for _, _, level in self.met]])
        return np.asarray(told[np.isfinite(told)])

    def plain(self) -> list[list[float | None]]:
        """Give the points as rows of numbers to the millimetre, for a page."""
        lines = [self.distance, self.ground, self.invert, self.crown]
        if np.isfinite(self.dug).any():
            lines += [self.dug, self.water, self.stands]
        return [
            [round(float(one), 3) if np.isfinite(one) else None for one in row]
            for row in np.column_stack(lines)
        ]


def line_cuts(layers: Mapping[str, pd.DataFrame]) -> dict[tuple[str, str], Cut]:
    """
    Cut drain lines open.

    `layers`: of the result; "line_profiles" may be missing. By state of the drains and name.
    """
    profiles = layers.get("line_profiles")
    if profiles is None:
        return {}
    return {
        (str(case), str(name)): _cut(name, rows, _PIPE)
        for (case, name), rows in profiles.groupby(["scenario", "name"], sort=False)
    }


def earthwork_cuts(layers: Mapping[str, pd.DataFrame]) -> dict[str, Cut]:
    """
    Cut swales and berms open.

    `layers`: of the result; "earthwork_profiles" may be missing. By name.
    """
    profiles = layers.get("earthwork_profiles")
    if profiles is None:
        return {}
    found = {}
    for name, rows in profiles.groupby("name", sort=False):
        kept = sorted({*range(0, len(rows), -(-len(rows) // _MOST)), len(rows) - 1})
        cut = _cut(name, rows.iloc[kept], _DUG)
        met = [
            (float(row["distance_m"]), str(row["crosses"]),
             _crown_at(layers, row["crosses"], row["geometry"]))
            for row in rows[rows["crosses"].notna()].to_dict("records")
        ]  # fmt: skip
        found[str(name)] = replace(cut, met=tuple(met))
    return found


def _cut(name: Any, rows: pd.DataFrame, columns: Sequence[str]) -> Cut:
    """Take the levels along one line."""

    def known(column: str) -> FloatArray:
        if column not in columns:
            return np.full(len(rows), np.nan)
        return np.asarray(rows[column].astype(float))

    lines: list[Any] = [known(column) for column in (*_PIPE, *_DUG[2:])]
    return Cut(str(name), *lines)


def _crown_at(layers: Mapping[str, pd.DataFrame], name: str, place: Any) -> float:
    """Level of the top of a pipe where it is crossed [m]; NaN of what is none, or not known."""
    profiles = layers.get("line_profiles")
    if profiles is None or profiles.empty:
        return float("nan")
    rows = profiles[profiles["name"].eq(name)]
    rows = rows[rows["scenario"].eq(main_state(profiles["scenario"]))]
    if rows.empty:
        return float("nan")
    return float(rows["crown_m"].iloc[int(shapely.distance(rows.geometry, place).argmin())])
