"""One layer of a site: read, checked against its schema, in SI and in the grid's CRS."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import shapely
from geopandas import GeoDataFrame

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.inputs.columns import (
    earlier_names,
    empty_column,
    match_columns,
    missing_columns,
    read_columns,
)
from lotflow.inputs.geometries import sound_shapes
from lotflow.inputs.sources import Place
from lotflow.layers import Layer
from lotflow.text import LONGEST_TEXT, clean_text
from lotflow.units import VerticalUnit

if TYPE_CHECKING:
    from pyproj import CRS

#: Rows that are named of a fault many rows have: a column in the wrong unit has it in all.
_ROWS_NAMED = 50


def check_site_layer(
    frame: GeoDataFrame, schema: Layer, place: Place, *, crs: CRS, vertical_unit: VerticalUnit
) -> tuple[GeoDataFrame, list[Finding]]:
    """
    Check a layer as it was read against its schema.

    The layer has every column of the schema by the name it has inside (missing ones empty), in SI,
    rows in the order of the file, counted from 0; shapes two-dimensional in `crs`. A lot has one
    row, whatever it was drawn with.

    Examples
    --------
    >>> from lotflow.layers import SITE_LAYERS
    >>> walls = GeoDataFrame({"height_ft": ["2"]}, crs="EPSG:32618",
    ...                      geometry=[shapely.LineString([(0, 0), (5, 0)])])
    >>> layer, findings = check_site_layer(walls, SITE_LAYERS["walls"], Place("a.gpkg", "walls"),
    ...                                    crs=walls.crs, vertical_unit="m")
    >>> layer["height_m"].tolist(), layer["name"].tolist()
    ([0.6096], [None])
    """
    frame = frame.reset_index(drop=True)
    matched = match_columns(
        [str(name) for name in frame.columns if name != frame.geometry.name], schema, place
    )
    faults = list(matched.faults)
    if len(frame):
        faults += missing_columns(matched.known, schema, place)
    columns, found = read_columns(frame, matched.known, schema, place, vertical_unit=vertical_unit)
    shapes, wrong, findings = sound_shapes(frame.geometry.to_numpy(), frame.crs, crs, schema, place)
    if faults := _in_reading_order([*faults, *found, *wrong]):
        raise InputError(faults)
    findings += _reading_findings(matched.ignored, frame.attrs.get("warnings", ()), place)
    if len(frame) and (names := earlier_names(matched.known, schema)):
        findings.append(_note("old-column-names", place, names=names))
    if encoding := frame.attrs.get("encoding"):
        findings.append(replace(_note("text-encoding", place, **encoding), severity="warn"))
    layer = GeoDataFrame(columns, geometry=shapes, crs=crs)
    if schema.name == "lot" and len(layer):
        return _one_lot(layer, findings, place)
    return layer, findings


def empty_site_layer(schema: Layer, crs: CRS) -> GeoDataFrame:
    """
    Build a site layer without rows, with the columns a read one has.

    Examples
    --------
    >>> from lotflow.layers import SITE_LAYERS
    >>> list(empty_site_layer(SITE_LAYERS["walls"], None).columns)
    ['name', 'height_m', 'geometry']
    """
    return _empty(schema, crs).copy()


@lru_cache(maxsize=64)
def _empty(schema: Layer, crs: CRS) -> GeoDataFrame:
    """Build it once: of eleven layers most are empty, and each costs as much as reading a row."""
    columns = {column.inside_name: empty_column(column, 0) for column in schema.columns}
    return GeoDataFrame(columns, geometry=[], crs=crs)


def _in_reading_order(faults: list[Fault]) -> list[Fault]:
    """Put faults of the whole layer first, then row by row; the last of very many says so."""
    kept: list[Fault] = []
    count = Counter((fault.rule, fault.column) for fault in faults)
    named: Counter[tuple[str, str | None]] = Counter()
    for fault in sorted(faults, key=lambda fault: fault.row or 0):
        kind = fault.rule, fault.column
        named[kind] += 1
        if named[kind] == _ROWS_NAMED < count[kind]:
            rule = f"{fault.rule}; so have {count[kind] - _ROWS_NAMED} rows after it"
            kept.append(replace(fault, rule=rule))
        elif named[kind] <= _ROWS_NAMED:
            kept.append(fault)
    return kept


def _reading_findings(
    ignored: tuple[str, ...], warnings: tuple[str, ...], place: Place
) -> list[Finding]:
    """Say which columns mean nothing here, and what the library warned of while it read."""
    name = Path(place.file).name
    findings = [_note("columns-ignored", place, columns=ignored)] if ignored else []
    for warning in warnings:
        # the path of the private copy says nothing, and is another in every run
        text = re.sub(r"\S*[/\\]copy\.\w+", name, warning)
        findings.append(_note("reader-warning", place, warning=text))
    return findings


def _note(rule: str, place: Place, **facts: Any) -> Finding:
    """Build a note about a layer."""
    facts = {"file": Path(place.file).name, **facts}
    return Finding(rule, "note", clean_text(place.layer[:LONGEST_TEXT]), facts=facts)


def _one_lot(
    lot: GeoDataFrame, findings: list[Finding], place: Place
) -> tuple[GeoDataFrame, list[Finding]]:
    """Unite the rows of a lot: however it was drawn, it is one piece of property."""
    _require_one_name(lot, place)
    whole = shapely.union_all(lot.geometry.to_numpy())
    parts = shapely.get_num_geometries(whole)
    if len(lot) > 1 or parts > 1:
        findings = [*findings, _note("lot-in-parts", place, rows=len(lot), parts=int(parts))]
    names = ", ".join(dict.fromkeys(name for name in lot["name"] if name))
    united = lot.iloc[[0]].copy()
    united["name"] = [names[:LONGEST_TEXT] or None]
    united.geometry = [whole]
    return united, findings


#: Rows of a layer of many lots that are named in a message.
_LOTS_NAMED = 8


def _require_one_name(lot: GeoDataFrame, place: Place) -> None:
    """Refuse several rows that nobody says are one lot: a layer of parcels is no lot."""
    names = ["" if name is None else str(name) for name in lot["name"]]
    if len(names) == 1 or (names[0] and len(set(names)) == 1):
        return
    told = [
        f"row {place.row_in_file(row)}" + (f" {name!r}" if name else "")
        for row, name in enumerate(names[:_LOTS_NAMED], 1)
    ]
    more = len(names) - len(told)
    rest = f" and {more:,} more" if more > 0 else ""
    raise InputError(
        place.fault(
            f"a lot is wanted and the layer has {len(names):,}: {', '.join(told)}{rest}",
            "Say which with --lot-name NAME (and --key COLUMN where another column than name tells "
            "them apart), or `only` in the job; all of them are for lotflow batch. Rows that are "
            "one lot bear one name",
        )
    )
