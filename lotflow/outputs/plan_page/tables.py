"""The tables of a plan page; a row may belong to something that is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


@dataclass(frozen=True)
class Heading:
    """
    One column of a table.

    Parameters
    ----------
    label
        Shown above it.
    key
        Key of the entries; of a storm's value the key in `runoff` or `lines`.
    quantity
        As in `units.SHOWN`, or "text", "whole", "share", "slope".
    per_storm
        Whether the value belongs to the chosen storm.
    """

    label: str
    key: str
    quantity: str = "text"
    per_storm: bool = False


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
    """

    title: str
    layer: str
    named_by: str
    headings: tuple[Heading, ...]


TABLES: Final[dict[str, PageTable]] = {
    "low_spots": PageTable(
        "Low spots", "low_spots", "id",
        (
            Heading("No.", "id", "whole"),
            Heading("Depth", "depth_m", "depth"),
            Heading("Area", "area_m2", "area"),
            Heading("Volume", "volume_m3", "volume"),
            Heading("Drains to it", "contributing_area_m2", "area"),
            Heading("Stands in", "probability", "share"),
            Heading("Note", "artefact"),
        ),
    ),
    "inlets": PageTable(
        "Inlets", "inlets", "name",
        (
            Heading("Name", "name"),
            Heading("Catchment", "catchment_m2", "area"),
            Heading("Roofs", "roof_connected_m2", "area"),
            Heading("Flow", "flow_m3s", "flow", per_storm=True),
        ),
    ),
    "lines": PageTable(
        "Drain lines", "drain_lines", "name",
        (
            Heading("Name", "name"),
            Heading("System", "case"),
            Heading("Diameter", "diameter_m", "diameter"),
            Heading("Slope", "slope_m_per_m", "slope"),
            Heading("Can carry", "capacity_m3s", "flow"),
            Heading("Flow", "flow_m3s", "flow", per_storm=True),
            Heading("Needed", "required_diameter_m", "diameter", per_storm=True),
        ),
    ),
    "findings": PageTable(
        "Findings", "", "subject",
        (
            Heading("Weight", "severity"),
            Heading("Subject", "subject"),
            Heading("Finding", "message"),
        ),
    ),
}  # fmt: skip


def page_tables(content: Mapping[str, Any]) -> list[dict[str, Any]]:
    """
    Give the tables of a page.

    Parameters
    ----------
    content
        As `summary_content` gives it.

    Returns
    -------
    tables
        Those that have rows. A cell is a value, or for a storm's value a mapping from return
        period to value.
    """
    found = []
    for section, table in TABLES.items():
        rows = _rows(section, table, content)
        if rows:
            columns = [[heading.label, heading.quantity] for heading in table.headings]
            found.append(
                {"key": section, "title": table.title, "layer": table.layer, "columns": columns,
                 "rows": rows}
            )  # fmt: skip
    return found


def _rows(section: str, table: PageTable, content: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of one table, entries of the same name as one row."""
    by_name: dict[Any, list[Mapping[str, Any]]] = {}
    for position, entry in enumerate(content[section]):
        # findings of one subject are several rows; lines have one entry per storm
        name = position if section == "findings" else _identity(entry, table.named_by)
        by_name.setdefault(name, []).append(entry)
    return [
        {
            "name": entries[0].get(table.named_by),
            "place": _place(entries[0]),
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
        return entries[0].get(heading.key)
    if "return_period_yr" in entries[0]:
        return {_storm(entry): entry.get(heading.key) for entry in entries}
    name = entries[0].get("name")
    return {
        _storm(row): row.get(heading.key)
        for row in content["runoff"]
        if row["subject"] == name and row["method"] == "rational"
    }


def _storm(entry: Mapping[str, Any]) -> str:
    """Return period as a key; of a stated intensity an empty one."""
    period = entry["return_period_yr"]
    return "" if period is None else f"{period:g}"
