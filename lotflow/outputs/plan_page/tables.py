"""The tables of a plan page; a row may belong to something that is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.findings import standing_alone
from lotflow.layers import RESULT_LAYERS, Column
from lotflow.outputs.plan_page.entries import (
    best_options,
    case_entries,
    crossing_entries,
    inlet_peaks,
    lines_of_result,
    lines_today,
    outlet_entries,
    outlet_nodes,
    pond_entries,
    section,
    with_bounds,
)
from lotflow.outputs.plan_page.features import OPEN_KEYS, open_value

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import pandas as pd

    Entries = Callable[[Mapping[str, Any], str], Sequence[Mapping[str, Any]]]


@dataclass(frozen=True)
class Heading:
    """One column of a table: a column of a result layer, whose name is the key of the entries."""

    column: Column
    #: Whether the value belongs to the chosen storm.
    per_storm: bool = False
    #: Whether it is text that has a line of its own below the row.
    is_remark: bool = False


def _headings(
    layer: str, *names: str, per_storm: bool = False, remarks: tuple[str, ...] = ()
) -> tuple[Heading, ...]:
    """Columns of a layer as those of a table, remarks last."""
    columns = [(name, False) for name in names] + [(name, True) for name in remarks]
    return tuple(
        Heading(RESULT_LAYERS[layer].column(name), per_storm, is_remark)
        for name, is_remark in columns
    )


@dataclass(frozen=True)
class PageTable:
    """
    One table.

    Parameters
    ----------
    title
        Above it.
    layer
        Layer whose rows are drawn, matched by `named_by`; empty for none.
    named_by
        Key by which entries are told apart and found on the map.
    headings
        The columns.
    entries
        Gives the entries of its section.
    note
        Below the title; empty for none.
    """

    title: str
    layer: str
    named_by: str
    headings: tuple[Heading, ...]
    entries: Entries = section
    note: str = ""


_LINES: Final = (
    *_headings("drain_lines", "name", "diameter_m", "slope_m_per_m", "capacity_m3s",
               "required_size", "rarest_storm_size"),
    *_headings("line_storms", "flow_m3s", per_storm=True),
)  # fmt: skip
_LINES_NOTE: Final = (
    "Needed: the smallest size on sale for the storm that lines are sized for; beside it that for "
    "the rarest. Flow is that of the chosen storm."
)

TABLES: Final[dict[str, PageTable]] = {
    "low_spots": PageTable(
        "Low spots", "low_spots", "id",
        _headings("low_spots", "id", "depth_m", "area_m2", "volume_m3", "contributing_area_m2",
                  "probability", remarks=("artefact", "not_closed")),
        with_bounds,
    ),
    "inlets": PageTable(
        "Inlets", "inlets", "name",
        (
            *_headings("inlets", "name", "catchment_m2", "roof_connected_m2"),
            *_headings("runoff", "flow_m3s", per_storm=True),
            *_headings("inlets", remarks=("not_closed",)),
        ),
        with_bounds,
        note="A range where the error of the data leaves a number open: 9 of 10 likely surfaces, "
        "and the measured one, lie in it. Ranges of several inlets count the same water: do not "
        "add them.",
    ),
    "outlet_options": PageTable(
        "Where gravity can lead it", "outlet_options", "subject",
        _headings("outlet_options", "subject", "kind", "run_m", "left_m", "verdict"),
        best_options,
        "The best place each, in a small pipe, 4 in unless given. Whether water may be let out "
        "there is not judged.",
    ),
    "ponds": PageTable(
        "Where water stands after the storm", "low_spots", "low_spot",
        (
            *_headings("ponds", "low_spot"),
            *_headings("ponds", "depth_m", "volume_m3", "soaks_away_h", "freeboard_m", "building",
                       "opening", remarks=("not_closed",), per_storm=True),
        ),
        pond_entries,
        "With every inlet open.",
    ),
    "pond_cases": PageTable(
        "If inlets are blocked, or take no more", "", "case",
        (
            *_headings("pond_cases", "case"),
            *_headings("pond_cases", "low_spot", "depth_m", "rise_m", "freeboard_m", "building",
                       "opening", remarks=("touches", "spills_to", "not_closed"), per_storm=True),
        ),
        case_entries,
        "Of the water that rises in each case, that which matters most.",
    ),
    "facades": PageTable(
        "Ground at the walls", "facades", "name",
        _headings("facades", "name", "slope", "slope_limit", "verdict"),
    ),
    "openings": PageTable(
        "Openings of buildings", "openings", "name",
        _headings("openings", "name", "kind", "above_ground_m", "freeboard_m",
                  remarks=("not_closed",)),
        with_bounds,
    ),
    "lines": PageTable("Drain lines", "drain_lines", "name", _LINES, lines_of_result, _LINES_NOTE),
    "lines_today": PageTable(
        "Drain lines as they are today", "drain_lines", "name", _LINES, lines_today, _LINES_NOTE
    ),
    "outlets": PageTable(
        "Outlets", "outlets", "name",
        (
            *_headings("nodes", "name", "detail", "invert_m"),
            *_headings("outlet_storms", "flow_m3s", per_storm=True),
        ),
        outlet_entries,
    ),
    "lot_line_crossings": PageTable(
        "Water over the lot line", "lot_line_crossings", "id",
        _headings("lot_line_crossings", "id", "direction", "area_m2", "elevation_m"),
        crossing_entries,
        "Places at which it comes onto the lot, and at which it leaves.",
    ),
    "quantities": PageTable(
        "Quantities", "", "item",
        _headings("quantities", "item", "quantity", "unit", "detail", "price", "cost"),
    ),
    "findings": PageTable(
        "Findings", "", "subject",
        _headings("findings", "severity", "subject", "message", "part_of"),
    ),
}  # fmt: skip

#: Tables whose entries are all rows of their own, whatever they are called.
_ROW_BY_ROW: Final = ("quantities", "findings")


def page_tables(
    summary: Mapping[str, Any], layers: Mapping[str, pd.DataFrame]
) -> list[dict[str, Any]]:
    """
    Give the tables of a page.

    Parameters
    ----------
    summary
        As `summary_content` gives it.
    layers
        Layers of the result; "nodes" is used, and may be missing.

    Returns
    -------
    tables
        Those that have rows. A cell is a value, or for a storm's value a mapping from return
        period to value.
    """
    found = []
    content = {**summary, "outlets": outlet_nodes(layers.get("nodes"))}
    for key, table in TABLES.items():
        rows = _rows(key, table, content)
        if rows:
            filled = [n for n in range(len(table.headings)) if any(_is_told(r, n) for r in rows)]
            headings = [table.headings[n] for n in filled]
            found.append({
                "key": key, "title": table.title, "note": table.note, "layer": table.layer,
                "columns": [_shown_as(heading) for heading in headings],
                "rows": [row | {"cells": [row["cells"][n] for n in filled]} for row in rows],
            })  # fmt: skip
    return found


def _shown_as(heading: Heading) -> list[str]:
    """Label of a column, and the quantity that tells the page how to show its values."""
    return [heading.column.label, "remark" if heading.is_remark else heading.column.shown_as]


def _is_told(row: Mapping[str, Any], column: int) -> bool:
    """Tell whether a cell of a row says something, in any storm."""
    cell = row["cells"][column]
    values = cell.values() if isinstance(cell, dict) else (cell,)
    return any(value not in (None, "") for value in values)


def _rows(key: str, table: PageTable, content: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of one table, entries of the same name as one row."""
    by_name: dict[Any, list[Mapping[str, Any]]] = {}
    for position, entry in enumerate(table.entries(content, key)):
        # findings of one subject are several rows; lines have one entry per storm
        name = position if key in _ROW_BY_ROW else _identity(entry, table.named_by)
        by_name.setdefault(name, []).append(entry)
    return [
        {
            "name": entries[0].get(table.named_by),
            "place": next((place for entry in entries if (place := _place(entry))), None),
            "cells": [_cell(heading, entries, content) for heading in table.headings],
        }
        for entries in by_name.values()
    ]


def _identity(entry: Mapping[str, Any], named_by: str) -> tuple[Any, Any]:
    """What tells entries apart: their name, and the state of the system they belong to."""
    return entry.get(named_by), entry.get("case")


def _place(entry: Mapping[str, Any]) -> list[float] | None:
    """Where a row is, if it has a place of its own."""
    x, y = entry.get("x"), entry.get("y")
    return None if x is None or y is None else [x, y]


def _cell(
    heading: Heading, entries: Sequence[Mapping[str, Any]], content: Mapping[str, Any]
) -> Any:
    """One value, or one per storm."""
    if not heading.per_storm:
        return _told(heading, entries[0])
    if "return_period_yr" in entries[0]:
        return {_storm(entry): _told(heading, entry) for entry in entries}
    name = entries[0].get("name")
    return {
        _storm(row): _told(heading, row) for row in inlet_peaks(content) if row["subject"] == name
    }


def _told(heading: Heading, entry: Mapping[str, Any]) -> Any:
    """A value; of a catchment or flow the two ends of its range where the data leave it open."""
    key = heading.column.name
    if key == "message":
        return standing_alone(entry["message"], today=entry["today"])
    value = entry.get(key)
    return open_value(entry, key, value) if key in OPEN_KEYS else value


def _storm(entry: Mapping[str, Any]) -> str:
    """Return period as a key; of a stated intensity an empty one."""
    period = entry["return_period_yr"]
    return "" if period is None else f"{period:g}"
