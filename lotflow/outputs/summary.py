"""
The result in one document: the content of `summary.json`, and one tidy table of it.

Keys carry their unit (`depth_m`), values are SI. Numbers are rounded to a fixed number of
decimals per unit, far below what the data can tell, so that the same result gives the same
bytes.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from typing import Any, Final

import numpy as np
import pandas as pd

from lotflow.layers import RESULT_LAYERS
from lotflow.layers.columns import UNIT_SUFFIX

SCHEMA_VERSION: Final = "1"

#: Keys that every entry of a list has, in this order; null where nothing was computed. Other
#: columns of the layer follow.
CONTRACT: Final[dict[str, tuple[str, ...]]] = {
    "answer": (
        "rank", "harm", "place", "x", "y", "causes", "verdict", "remedy", "mends", "takes",
        "grade", "evidence", "source", "findings", "theme", "check", "risk", "left", "grade_means",
        "steps", "is_levelled",
    ),
    "evidence_only": ("rule", "subject", "scenario", "reason"),
    "harm": (
        "place", "harm", "subject", "measured", "limit", "is_harm", "state", "inlets", "low_spot",
        "x", "y", "source",
    ),
    "low_spots": (
        "id", "x", "y", "depth_m", "area_m2", "volume_m3", "spill_elevation_m", "artefact",
        "probability", "not_closed",
    ),
    "inlets": (
        "name", "catchment_m2", "roof_connected_m2", "on_lot_m2", "off_lot_m2", "cut_by_edge",
        "not_closed", "runoff_coefficient", "catchment_m2_p05", "catchment_m2_p50",
        "catchment_m2_p95",
    ),
    "runoff": (
        "subject", "return_period_yr", "method", "area_m2", "runoff_coefficient",
        "time_of_concentration_min", "intensity_mm_h", "flow_m3s", "volume_m3",
    ),
    "lines": (
        "name", "return_period_yr", "flow_m3s", "capacity_m3s", "slope_m_per_m", "fall_m",
        "diameter_m", "required_diameter_m", "design_storm_yr", "required_size", "rarest_storm_yr",
        "rarest_storm_size", "level_up_from", "level_down_from",
    ),
    "findings": (
        "rule", "severity", "subject", "measured", "limit", "unit", "area_m2", "volume_m3",
        "touches", "message", "source", "part_of", "today",
    ),
    "ponds": (
        "return_period_yr", "case", "level_m", "depth_m", "volume_m3", "x", "y", "low_spot",
        "area_m2", "overflow_m3", "spills_to", "spills_onto", "soaks_away_h", "stays_m",
        "building", "opening", "freeboard_m", "reaches_building", "not_closed", "wall_depth_m",
        "touches", "artefact",
    ),
    "pond_cases": (
        "return_period_yr", "case", "runoff_m3", "ponded_m3", "taken_m3", "raised_m2",
        "raised_m3", "rise_m", "x", "y", "area_m2", "volume_m3", "touches",
    ),
    "wall_water": (
        "return_period_yr", "case", "pond", "name", "kind", "at_wall", "depth_m", "freeboard_m",
        "not_closed",
    ),
    "inlet_intake": ("return_period_yr", "case", "inlet", "taken_m3"),
    "confidence": (
        "realisations", "seed", "rmse_m", "correlation_m", "white_share", "precision",
    ),
    "lot_line_crossings": ("id", "x", "y", "direction", "area_m2", "elevation_m"),
    "outlet_options": ("subject", "rank", "kind", "place", "x", "y", "run_m", "left_m", "verdict"),
    "facades": ("name", "slope", "slope_limit", "verdict"),
    "openings": ("name", "sill_m", "above_ground_m", "freeboard_m", "not_closed"),
    "earthwork_lines": (
        "name", "kind", "status", "length_m", "depth_m", "fall", "capacity_m3s", "flow_m3s",
        "freeboard_m", "standing_m", "leads_to", "goes_to", "cut_m3", "fill_m3", "area_m2",
        "deepest_m", "verdict", "x", "y",
    ),
    "earthwork_areas": (
        "name", "kind", "status", "share_met", "holds_m3", "empties_h", "building_m", "cut_m3",
        "fill_m3", "area_m2", "deepest_m", "verdict", "x", "y",
    ),
    "levels_to_take": (
        "rank", "place", "x", "y", "level_m", "question", "subject", "open_share", "settles",
    ),
    "sheet_places": ("name", "x", "y", "surface_kind", "subject", "only_compared"),
    "stakes": (
        "id", "subject", "part", "distance_m", "ground_m", "level_of", "level_m", "cut_m",
        "corner_a", "tie_a_m", "corner_b", "tie_b_m", "side", "x", "y",
    ),
    "quantities": ("item", "quantity", "unit", "price", "cost"),
    "as_built": (
        "name", "part", "expected_m", "measured_m", "off_m", "tolerance_m", "expected_slope",
        "measured_slope", "least_slope", "doubt_m", "verdict", "shots", "source",
    ),
}  # fmt: skip

#: Decimals kept, by the unit a key ends with.
_DECIMALS: Final = {
    "m": 4,
    "m2": 4,
    "m3": 6,
    "m3s": 9,
    "mm": 3,
    "mm_h": 4,
    "min": 4,
    "h": 4,
    "s": 3,
    "yr": 4,
    "m_per_m": 6,
    "coordinate": 4,
}
_OTHER_DECIMALS: Final = 6
_AS_IT_IS: Final = frozenset((str, int, bool, type(None)))
_COORDINATE: Final = re.compile(r"(^|_)[xy]$")


def summary_content(
    layers: Mapping[str, pd.DataFrame],
    *,
    balance: Mapping[str, Any],
    provenance: Mapping[str, Any],
    accuracy: Mapping[str, float | None] | None = None,
    sections: Mapping[str, Iterable[Mapping[str, Any]]] | None = None,
    rounded: bool = True,
) -> dict[str, Any]:
    """
    Bring the tables of a result into one document.

    Parameters
    ----------
    layers
        Tables with the columns of the schema, by name; a layer that is missing counts as empty.
    balance
        Where the water goes; keys end with their unit.
    provenance
        Where the result comes from: hashes of the inputs, versions, options, seed. Kept as
        given, not rounded.
    accuracy
        `rmse_m` and `cell_m` of the elevation data, and what else is known of it.
    sections
        Entries of lists that are no layers, by the key of the list.
    rounded
        Whether numbers are rounded by their unit; without it they are those of the layers, for
        a reader who rounds them to what is shown.

    Returns
    -------
    content
        Everything but `state` and `files`, which are added when the result is put in place.
        Text, numbers, lists and dictionaries only; None where there is no value.

    Examples
    --------
    >>> lot = pd.DataFrame({"name": ["A"], "area_m2": [812.00004]})
    >>> content = summary_content({"lot": lot}, balance={"lot_m2": 812}, provenance={})
    >>> content["lot"], content["inlets"], content["balance"]
    ({'name': 'A', 'area_m2': 812.0}, [], {'lot_m2': 812})
    """
    entries = {
        name: [_entry(name, row, rounded=rounded) for row in _rows(name, layers.get(name))]
        for name in CONTRACT
        if name in RESULT_LAYERS
    }
    for name, rows in (sections or {}).items():
        entries[name] = [_entry(name, row, rounded=rounded) for row in rows]
    return {
        "schema_version": SCHEMA_VERSION,
        "lot": _lot(layers.get("lot"), rounded=rounded),
        **{name: [] for name in CONTRACT},
        **entries,
        "balance": _plain(balance, rounded=rounded),
        "accuracy": _plain(accuracy or {}, rounded=rounded),
        "provenance": _plain(provenance, rounded=False),
    }


def json_text(content: Mapping[str, Any]) -> str:
    """
    Write a document as JSON: the same content gives the same bytes.

    Raises
    ------
    ValueError
        If a number is not finite; JSON has no such number.

    Examples
    --------
    >>> print(json_text({"name": "Café", "depth_m": 0.1}), end="")
    {
     "name": "Café",
     "depth_m": 0.1
    }
    """
    return json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _lot(frame: pd.DataFrame | None, *, rounded: bool) -> dict[str, Any]:
    """Name and area of the lot, all its parts together."""
    if frame is None or frame.empty:
        return {"name": None, "area_m2": None}
    names = [str(name) for name in frame["name"].dropna().unique()]
    return {
        "name": ", ".join(names) or None,
        "area_m2": _plain(float(frame["area_m2"].sum()), "area_m2", rounded=rounded),
    }


def _rows(name: str, frame: pd.DataFrame | None) -> list[dict[str, Any]]:
    """Rows of a layer, for the entries of the list of that name."""
    if frame is None or frame.empty:
        return []
    values = {column.key: frame[column.name].tolist() for column in RESULT_LAYERS[name].columns}
    if name == "lot_line_crossings":
        points = frame.geometry
        values |= {"x": points.x.tolist(), "y": points.y.tolist()}
    whole = [c.key for c in RESULT_LAYERS[name].columns if c.kind == "whole"]
    for column in whole:  # a whole number beside an empty cell has become a float
        values[column] = [None if pd.isna(v) else int(v) for v in values[column]]
    return [dict(zip(values, row, strict=True)) for row in zip(*values.values(), strict=True)]


def _entry(section: str, given: Mapping[str, Any], *, rounded: bool) -> dict[str, Any]:
    """One entry of a list: the promised keys first, then the others."""
    keys = _keys(section)
    told = _plain({keys.get(name, name): value for name, value in given.items()}, rounded=rounded)
    entry: dict[str, Any] = {**dict.fromkeys(CONTRACT.get(section, ())), **told}
    return entry


@cache
def _keys(section: str) -> dict[str, str]:
    """Keys of the columns of a layer that have another name there."""
    layer = RESULT_LAYERS.get(section)
    return {} if layer is None else {c.name: c.key for c in layer.columns if c.key != c.name}


def _plain(value: Any, key: str = "", *, rounded: bool = True) -> Any:
    """Bring a value into what JSON has; no value, and no finite number, is None."""
    if type(value) in _AS_IT_IS:  # most values: a large lot has a million
        return value
    if isinstance(value, Mapping):
        return {str(name): _plain(part, str(name), rounded=rounded) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part, key, rounded=rounded) for part in value]
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, float):
        if rounded:  # adding zero turns -0.0 into 0.0
            value = round(value, _DECIMALS.get(unit_key(key), _OTHER_DECIMALS)) + 0.0
        return value if math.isfinite(value) else None
    if isinstance(value, str | int):
        return value
    raise TypeError(f"{key}: {type(value).__name__} has no place in a summary")


@cache
def unit_key(key: str) -> str:
    """
    Tell the unit a key ends with.

    `key`: key of a summary, or column of a result.

    Returns suffix as in the key, "coordinate" for eastings and northings, empty for neither.

    Examples
    --------
    >>> unit_key("flow_per_10mm_h_m3s"), unit_key("catchment_m2_p05"), unit_key("spill_x")
    ('m3s', 'm2', 'coordinate')
    """
    found = UNIT_SUFFIX.search(key)
    if found:
        return found[1]
    return "coordinate" if _COORDINATE.search(key) else ""


@cache
def _without_unit(key: str) -> str:
    """
    Take the unit out of a key.

    Examples
    --------
    >>> _without_unit("catchment_m2_p05"), _without_unit("slope_m_per_m"), _without_unit("name")
    ('catchment_p05', 'slope', 'name')
    """
    return UNIT_SUFFIX.sub("", key)


_PRINTED: Final = {"m3s": "m3/s", "mm_h": "mm/h", "m_per_m": "m/m", "coordinate": "CRS"}

#: What a spreadsheet takes for the start of a formula.
_RISKY: Final = ("=", "+", "-", "@", "\t")

#: What names an entry of a list in the table.
_NAMED_BY: Final[dict[str, tuple[str, ...]]] = {
    "low_spots": ("id",),
    "inlets": ("name",),
    "runoff": ("subject", "method", "return_period_yr"),
    "lines": ("name", "return_period_yr"),
    "lot_line_crossings": ("id",),
    "outlet_options": ("subject", "rank"),
    "facades": ("name",),
    "openings": ("name",),
    "earthwork_lines": ("name",),
    "earthwork_areas": ("name",),
    "levels_to_take": ("rank",),
    "stakes": ("id",),
    "quantities": ("item",),
    "as_built": ("name", "part"),
}


def summary_csv(content: Mapping[str, Any]) -> str:
    """
    Write a document as one tidy table: section, name, quantity, value, unit.

    Text that a spreadsheet would take for a formula is led by an apostrophe.

    Returns
    -------
    table
        CSV with a header; values are SI.

    References
    ----------
    OWASP, "CSV Injection": cells that start with =, +, -, @, tab or carriage return.

    Examples
    --------
    >>> print(summary_csv({"lot": {"name": "=1+1", "area_m2": 812.0}}), end="")
    section,name,quantity,value,unit
    lot,,name,'=1+1,
    lot,,area,812.0,m2
    """
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow(("section", "name", "quantity", "value", "unit"))
    for section, part in content.items():
        entries = [("", part)]
        if isinstance(part, list):
            entries = [(_name(section, n, entry), entry) for n, entry in enumerate(part, 1)]
        for name, entry in entries:
            writer.writerows(map(guarded, _csv_rows(section, name, entry)))
    return target.getvalue()


def _name(section: str, number: int, entry: Mapping[str, Any]) -> str:
    """What an entry of a list is called: by its names, else by its number."""
    parts = [entry[key] for key in _NAMED_BY.get(section, ()) if entry.get(key) is not None]
    shown = [f"{part:g} yr" if isinstance(part, float) else str(part) for part in parts]
    return " ".join(shown) or str(number)


def _csv_rows(section: str, name: str, entry: Any) -> Iterator[Sequence[Any]]:
    """One row per value of an entry."""
    for quantity, key, value in _values(entry):
        unit = unit_key(key)
        printed = _PRINTED.get(unit, unit)
        if section == "findings" and key in {"measured", "limit"}:
            printed = entry["unit"] or ""
        yield section, name, quantity, value, printed


def _values(part: Any, path: str = "", key: str = "") -> Iterator[tuple[str, str, Any]]:
    """Every single value with its path, in which names of parts are joined by dots, and key."""
    if isinstance(part, dict):
        inner: Iterable[tuple[str, Any]] = part.items()
    elif isinstance(part, list):
        inner = ((str(number), value) for number, value in enumerate(part, 1))
    else:
        yield _joined(path, _without_unit(key)), key, part
        return
    path = _joined(path, key)
    for name, value in inner:
        if isinstance(value, dict | list):
            yield from _values(value, path, name)
        else:
            yield _joined(path, _without_unit(name)), name, value


@cache
def _joined(path: str, key: str) -> str:
    """Names of a part and of what is in it; either may be empty."""
    return ".".join(filter(None, (path, key)))


def guarded(row: Sequence[Any]) -> list[Any]:
    """
    Keep a spreadsheet from taking text for a formula, and a reader from taking it for a row.

    Examples
    --------
    >>> guarded(["=1+1", -1.0])
    ["'=1+1", -1.0]
    """
    return [_harmless(cell) if isinstance(cell, str) else cell for cell in row]


@lru_cache(maxsize=10_000)
def _harmless(text: str) -> str:
    """A lone carriage return ends a row for many readers, quoted or not."""
    text = text.replace("\r", " ")
    return f"'{text}" if text.startswith(_RISKY) else text
