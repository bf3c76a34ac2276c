"""A published result as the advice reads it: rows of its layers, its findings, its states."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

from shapely.geometry import LineString
from shapely.ops import substring

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.findings import Finding
    from lotflow.units import UnitSystem

#: One row of a layer: values in SI, None where there is none.
Row = dict[str, Any]

#: Distance from a wall within which its ground is judged: 10 ft (IRC R401.3).
WALL_REACH_M: Final = 3.048
#: How far a grate may stand beside a low spot and still be told to drain it [m], as `snap_m` of
#: `lotflow.criteria`.
_BESIDE_M: Final = 0.75
#: A point lies on a flow path that is no farther than so many cells: paths run between centres.
_CELLS: Final = 1.5
#: Cases of the pond layers.
BLOCKED: Final = "blocked:all"
_LIMITED: Final = "limited"


@dataclass(frozen=True)
class Result:
    """
    What a study found, as it is published.

    Parameters
    ----------
    layers
        Layers of the result by name, with the columns of docs/layers.md.
    findings
        With their messages, in reading order.
    content
        Of `summary.json`: `balance`, `confidence` and `accuracy` are read where they are there.
    units
        Of the report; None for both.
    """

    layers: Mapping[str, pd.DataFrame]
    findings: Sequence[Finding]
    content: Mapping[str, Any] = field(default_factory=dict)
    units: UnitSystem | None = None

    @cached_property
    def _read(self) -> dict[str, list[Row]]:
        """Rows of the layers that were asked for."""
        return {}

    def rows(self, layer: str, **values: Any) -> list[Row]:
        """Rows of a layer whose columns have the given values; none where it is not there."""
        if layer not in self._read:
            frame = self.layers.get(layer)
            self._read[layer] = [] if frame is None else _records(frame)
        return [
            row
            for row in self._read[layer]
            if all(row.get(column) == value for column, value in values.items())
        ]

    def row(self, layer: str, **values: Any) -> Row | None:
        """First row of a layer with the given values."""
        found = self.rows(layer, **values)
        return found[0] if found else None

    @cached_property
    def per_metre(self) -> float:
        """Units of the coordinates in a metre, by the lot, which has its area in both."""
        for lot in self.rows("lot"):
            if lot.get("area_m2") and lot.get("geometry") is not None:
                return math.sqrt(lot["geometry"].area / float(lot["area_m2"]))
        return 1.0

    @cached_property
    def state(self) -> str:
        """State that ponds and inlets are told of: "proposed" where anything is proposed."""
        drawn = {row.get("case") for row in self.rows("nodes")}
        return "proposed" if "proposed" in drawn else "today"

    @cached_property
    def open_case(self) -> str:
        """Case with no inlet blocked; they take no more than they can, where that was computed."""
        cases = {row.get("case") for row in self.rows("pond_cases")}
        return _LIMITED if _LIMITED in cases else "open"

    def not_counted(self, inlets: Collection[str]) -> list[str]:
        """Old lines below some inlets that levels with none blocked count as taking nothing."""
        if self.open_case != _LIMITED:
            return []
        rows = self.rows("inlet_bypass", case=self.state)
        told = [row["not_counted"] for row in rows if row["name"] in inlets]
        return list(dict.fromkeys(", ".join(filter(None, told)).split(", "))) if any(told) else []

    @cached_property
    def storms(self) -> list[float]:
        """Return periods, most frequent first [yr]."""
        years = {row.get("return_period_yr") for row in self.rows("pond_cases")}
        return sorted(float(year) for year in years if year is not None)

    @cached_property
    def design_storm_yr(self) -> float | None:
        """Storm that drains must pass [yr]."""
        for row in self.rows("drain_lines"):
            if row.get("design_storm_yr"):
                return float(row["design_storm_yr"])
        return self.storms[len(self.storms) // 2] if self.storms else None

    @cached_property
    def rmse_m(self) -> float:
        """Vertical accuracy of the elevation data [m]."""
        return float((self.content.get("accuracy") or {}).get("rmse_m") or 0.0)

    @cached_property
    def cell(self) -> float:
        """Side of a cell of the elevation data, in units of the coordinates."""
        return float((self.content.get("accuracy") or {}).get("cell_m") or 1.0) * self.per_metre

    @cached_property
    def run_on(self) -> list[tuple[Row, LineString | None]]:
        """Each crossing at which water comes onto the lot, and the way it takes from there."""
        paths = [row["geometry"] for row in self.rows("flow_paths")]
        return [
            (row, way_from(row["geometry"], paths, _CELLS * self.cell))
            for row in self.rows("lot_line_crossings", direction="on")
        ]

    def inlets_of(self, low_spot: Row) -> list[str]:
        """Names of the inlets that drain a low spot."""
        return [name for name in str(low_spot.get("inlets") or "").split(", ") if name]

    def drained_today(self, low_spot: Row) -> bool:
        """Whether an inlet that is there today stands in a low spot."""
        return any(
            self.drains(low_spot, node["geometry"])
            for node in self.rows("nodes", case="today", kind="inlet")
        )

    def drains(self, low_spot: Row, place: Any) -> bool:
        """Whether a grate at a place stands in a low spot."""
        return bool(low_spot["geometry"].distance(place) <= _BESIDE_M * self.per_metre)


def way_from(point: Any, paths: Sequence[LineString], reach: float) -> LineString | None:
    """
    Follow flow paths downhill from a point.

    Parameters
    ----------
    point
        Where it starts.
    paths
        Drawn downhill, from confluence to confluence.
    reach
        How far from the point a path may lie, in units of the coordinates.

    Returns
    -------
    way
        None where no path runs there.
    """
    distance, first = min(
        ((path.distance(point), i) for i, path in enumerate(paths)), default=(math.inf, -1)
    )
    if distance > reach:
        return None
    below = {_corner(path.coords[0]): path for path in paths}
    line = substring(paths[first], paths[first].project(point), paths[first].length)
    corners = list(line.coords)
    passed = set()
    while (end := _corner(corners[-1])) in below and end not in passed:
        passed.add(end)
        corners += list(below[end].coords)[1:]
    return LineString(corners) if len(corners) > 1 else None


def _corner(point: Sequence[float]) -> tuple[float, float]:
    return round(point[0], 3), round(point[1], 3)


def _records(frame: pd.DataFrame) -> list[Row]:
    """Rows of a frame, None for what is missing."""
    rows = frame.to_dict("records")
    found = [{str(column): _plain(value) for column, value in row.items()} for row in rows]
    for row in found:
        if "scenario" in row:  # the column's name where a reserved word may not stand
            row.setdefault("case", row["scenario"])
    return found


def _plain(value: Any) -> Any:
    """None for NaN."""
    return None if isinstance(value, float) and math.isnan(value) else value
