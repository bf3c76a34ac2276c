"""
The finished work, by levels taken of it, against what was proposed.

A fall is judged by itself: 0.2 ft, which a level may be off, are 2 % over 10 ft. So a line may lie
a little high or low, but never too flat.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.drains.earthworks import FALL_SOURCE, LEAST_FALL
from lotflow.findings import Finding
from lotflow.tables import read_table
from lotflow.tables.drains import MinimumFall
from lotflow.terrain.level_error import SPREAD_95

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.criteria import Criteria
    from lotflow.layers.drawn import Drawn

#: Layer, name and column of a level, with the positions of the shots that were taken of it.
BuiltLevel = tuple[str, str, str, tuple[int, ...]]

_PARTS: Final = {
    ("drain_lines", "invert_up_m"): "upper end", ("drain_lines", "invert_down_m"): "lower end",
    ("inlets", "rim_m"): "rim", ("outlets", "invert_m"): "invert",
}  # fmt: skip
_HAIR: Final = 1e-6
#: Facts of the finding of a fall, and of a level.
_FACTS: Final = {
    True: ("measured_slope", "expected_slope", "least_slope", "verdict", "shots"),
    False: ("off_m", "tolerance_m", "part", "verdict"),
}


@dataclass(frozen=True)
class BuiltRow:
    """
    One level or one fall of the finished work; NaN for what it has not.

    Parameters
    ----------
    name, part
        What it is of: "fall", or what was levelled.
    expected_m, measured_m, off_m, tolerance_m
        Of a level [m].
    expected_slope, measured_slope, least_slope
        Of a fall [-].
    doubt_m
        Half the 95 % interval of the level, or of the fall from end to end [m].
    verdict
        "as proposed", "holds", "too flat", "runs back", "off" or "cannot tell".
    shots
        Names of the levels it rests on.
    source
        Of tolerance or least fall.
    """

    name: str
    part: str
    verdict: str
    shots: str
    source: str
    doubt_m: float
    expected_m: float = math.nan
    measured_m: float = math.nan
    off_m: float = math.nan
    tolerance_m: float = math.nan
    expected_slope: float = math.nan
    measured_slope: float = math.nan
    least_slope: float = math.nan


def fall_verdict(measured: float, expected: float, least: float, doubt: float) -> str:
    """
    Judge a fall that was built.

    Parameters
    ----------
    measured, expected, least
        As built, as proposed (NaN where nothing was) and the least that is allowed [-].
    doubt
        Half the 95 % interval of the first [-].

    Examples
    --------
    >>> [fall_verdict(one, 0.02, 0.01, 0.001) for one in (-0.002, 0.0, 0.007, 0.0095, 0.012, 0.02)]
    ['runs back', 'too flat', 'too flat', 'cannot tell', 'holds', 'as proposed']
    """
    if measured + doubt < 0:
        return "runs back"
    if measured < least - _HAIR:
        return "too flat" if measured + doubt < least else "cannot tell"
    return "holds" if measured + doubt < expected - _HAIR else "as proposed"


def level_verdict(off_m: float, tolerance_m: float, doubt_m: float) -> str:
    """
    Judge a level that was built.

    Examples
    --------
    >>> [level_verdict(one, 0.061, 0.01) for one in (0.05, -0.065, 0.08)]
    ['as proposed', 'cannot tell', 'off']
    """
    if abs(off_m) <= tolerance_m + _HAIR:
        return "as proposed"
    return "off" if abs(off_m) > tolerance_m + doubt_m else "cannot tell"


def as_built(
    site: Drawn, built: Sequence[BuiltLevel], layers: Mapping[str, pd.DataFrame],
    criteria: Criteria, *, metres_per_unit: float, datum_deviation_m: float = 0.0,
) -> list[BuiltRow]:  # fmt: skip
    """
    Hold levels of the finished work against the proposal.

    Parameters
    ----------
    site
        Its shots; of its earthworks swales that are proposed or as built.
    built
        Which shots are of which level that was only proposed.
    layers
        `drain_lines` and `nodes` of the result: levels and falls as proposed.
    criteria
        How far a level may be off.
    metres_per_unit
        Of coordinates.
    datum_deviation_m
        How well the datum of the shots is known in that of the proposal, a standard deviation; no
        fall hangs on it [m].

    Returns
    -------
    rows
        Falls first.
    """
    shots = site.shots
    measured = {
        (layer, name, column): (
            float(shots["level_m"].iloc[list(rows)].mean()),
            float(shots["deviation_m"].iloc[list(rows)].max()),
            ", ".join(shots["name"].iloc[list(rows)]),
        )
        for layer, name, column, rows in built
    }
    lines, nodes = (_proposed(layers.get(name)) for name in ("drain_lines", "nodes"))
    falls = [
        *_line_falls(measured, lines),
        *_swale_falls(site, metres_per_unit),
    ]
    levels = []
    for (layer, name, column), (level, deviation, names) in measured.items():
        of = lines if layer == "drain_lines" else nodes
        row = of.get(name)
        expected = math.nan if row is None else _number(row, column)
        if math.isnan(expected):
            continue
        doubt = SPREAD_95 * math.hypot(deviation, datum_deviation_m)
        off, tolerance = level - expected, criteria.as_built_m
        levels.append(BuiltRow(
            name, _PARTS[layer, column], level_verdict(off, tolerance, doubt), names,
            criteria.sources()["as_built_m"], doubt, expected_m=expected, measured_m=level,
            off_m=off, tolerance_m=tolerance,
        ))  # fmt: skip
    return falls + levels


def _proposed(frame: pd.DataFrame | None) -> dict[str, Mapping[Any, Any]]:
    """Rows of the proposed case by name."""
    if frame is None:
        return {}
    column = "case" if "case" in frame else "scenario"
    return {str(row["name"]): row for row in frame[frame[column] == "proposed"].to_dict("records")}


def _number(row: Mapping[Any, Any], column: str) -> float:
    """A level of a row; of an outlet without an own one the best that is known."""
    value = row.get(column)
    if value is None or math.isnan(value):
        value = row.get("level_m") if column == "invert_m" else None
    return math.nan if value is None else float(value)


def _line_falls(
    measured: Mapping[tuple[str, str, str], tuple[float, float, str]],
    lines: Mapping[str, Mapping[Any, Any]],
) -> Iterator[BuiltRow]:
    """Falls of lines whose two ends were levelled."""
    for name, line in lines.items():
        up = measured.get(("drain_lines", name, "invert_up_m"))
        down = measured.get(("drain_lines", name, "invert_down_m"))
        down = down or measured.get(("outlets", str(line["to_node"]), "invert_m"))
        if up is None or down is None:
            continue
        length, least = float(line["length_m"]), float(line["minimum_slope_m_per_m"])
        doubt = SPREAD_95 * math.hypot(up[1], down[1])
        slope, expected = (up[0] - down[0]) / length, float(line["slope_m_per_m"])
        yield BuiltRow(
            name, "fall", fall_verdict(slope, expected, least, doubt / length),
            f"{up[2]}, {down[2]}", _source(least), doubt, expected_slope=expected,
            measured_slope=slope, least_slope=least,
        )  # fmt: skip


def _source(least: float) -> str:
    """Where the least fall of a line comes from."""
    return next(
        (row.source for row in read_table("minimum_fall", MinimumFall)
         if row.kind.startswith("pipe") and math.isclose(row.least, least, rel_tol=1e-3)), "",
    )  # fmt: skip


def _swale_falls(site: Drawn, metres_per_unit: float) -> Iterator[BuiltRow]:
    """Of swales whose beds were levelled the least fall between two levels, downstream."""
    works, shots = site.earthworks, site.shots
    drawn = works[(works["kind"] == "swale")
                  & works["status"].fillna("proposed").isin(("proposed", "as built"))]  # fmt: skip
    for row in drawn.to_dict("records"):
        bed = shots[(shots["line"] == row["name"]) & shots["line_part"].fillna("bed").eq("bed")
                    & shots["counts"].ne("no")]  # fmt: skip
        if len(bed) < 2:
            continue
        along = np.array([row["geometry"].project(point) for point in bed.geometry])
        order = np.argsort(along)
        apart = np.diff(along[order]) * metres_per_unit
        level = bed["level_m"].to_numpy(float)[order]
        deviation = bed["deviation_m"].to_numpy(float)[order]
        kept = np.flatnonzero(apart > 0)
        if not kept.size:
            continue
        slopes = -np.diff(level)[kept] / apart[kept]
        i = int(kept[np.argmin(slopes)])
        doubt = SPREAD_95 * math.hypot(deviation[i], deviation[i + 1])
        least = LEAST_FALL[row["lining"] or "grass"]
        fall = row["fall_pct"]
        expected = math.nan if fall is None or math.isnan(fall) else fall / 100
        slope = float(slopes.min())
        names = bed["name"].to_numpy()[order]
        yield BuiltRow(
            str(row["name"]), "fall", fall_verdict(slope, expected, least, doubt / apart[i]),
            f"{names[i]}, {names[i + 1]}", FALL_SOURCE, doubt, expected_slope=expected,
            measured_slope=slope, least_slope=least,
        )  # fmt: skip


def as_built_findings(rows: Sequence[BuiltRow]) -> list[Finding]:
    """
    Say what of the finished work does not hold, or cannot be told.

    Parameters
    ----------
    rows
        As judged.
    """
    found = []
    for row in rows:
        if row.verdict in ("as proposed", "holds"):
            continue
        is_fall = row.part == "fall"
        sure = row.verdict in ("too flat", "runs back")
        measured, limit = (
            (row.measured_slope, row.least_slope) if is_fall else (row.off_m, row.tolerance_m)
        )
        told = {key: value for key, value in asdict(row).items() if key in _FACTS[is_fall]}
        found.append(Finding(
            "as-built-fall" if is_fall else "as-built-level", "fail" if sure else "warn", row.name,
            measured=round(measured, 4), limit=round(limit, 4), unit="1" if is_fall else "m",
            source=row.source, facts=told,
        ))  # fmt: skip
    return found
