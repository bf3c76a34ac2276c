"""The tables of a plan page, and their entries; a row may belong to something that is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice.answer_words import artefact, not_gone
from lotflow.advice.first_levels import question_words
from lotflow.findings import standing_alone
from lotflow.layers import RESULT_LAYERS, Column
from lotflow.outputs.plan_page.answers import evidence_reasons, finding_key, told_findings
from lotflow.outputs.plan_page.drawn import (
    NOT_CLOSED,
    OPEN_KEYS,
    open_value,
    outlets,
    plain,
    sizes_told,
)
from lotflow.scenarios import OPEN, Scenario

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import pandas as pd

    Entries = Callable[[Mapping[str, Any], str], Sequence[Mapping[str, Any]]]


def section(content: Mapping[str, Any], key: str) -> Sequence[Mapping[str, Any]]:
    """Entries of a summary's section as they are."""
    entries: Sequence[Mapping[str, Any]] = content[key]
    return entries


def _with_bounds(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """Entries of a summary's section, those that are not closed with a remark that says so."""
    return [{**entry, "not_closed": _bound(entry)} for entry in content[key]]


def _first_levels(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """Levels to take first, with what each settles as a question."""
    return [{**entry, "question": question_words(entry)} for entry in content[key]]


def _is_on_lot(entry: Mapping[str, Any]) -> bool:
    """Whether a low spot reaches onto the lot; taken to, where nothing is known of that."""
    return entry.get("on_lot_m2") is None or entry["on_lot_m2"] > 0


def _spots_on_lot(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Give the low spots on the lot that may hold water.

    Examples
    --------
    >>> spots = [{"id": 1, "on_lot_m2": 0.0, "artefact": ""},
    ...          {"id": 2, "on_lot_m2": 4.0, "artefact": "inside a building"},
    ...          {"id": 3, "on_lot_m2": 4.0, "artefact": ""}]
    >>> [one["id"] for one in _spots_on_lot({"low_spots": spots}, "low_spots")]
    [3]
    >>> [one["id"] for one in _spots_beyond({"low_spots": spots}, "")]
    [1]
    >>> [(one["id"], one["remover"]) for one in _likely_none({"low_spots": spots}, "")]
    [(2, 'under buildings: footprints (--buildings) remove them')]
    """
    return [one for one in _with_bounds(content, key) if _is_on_lot(one) and not one["artefact"]]


def _spots_beyond(content: Mapping[str, Any], _: str) -> list[dict[str, Any]]:
    """Low spots that lie wholly beyond the lot."""
    return [
        one
        for one in _with_bounds(content, "low_spots")
        if not _is_on_lot(one) and not one["artefact"]
    ]


def _likely_none(content: Mapping[str, Any], _: str) -> list[dict[str, Any]]:
    """Low spots that are likely none, those on the lot first, each with what would remove it."""
    has_buildings = bool(content.get("has_buildings"))
    rows = [
        one | {"remover": artefact(str(one["artefact"]), has_buildings=has_buildings)}
        for one in _with_bounds(content, "low_spots")
        if one["artefact"]
    ]
    return sorted(rows, key=lambda one: not _is_on_lot(one))


def _other_findings(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """Findings that are under no item of the answer, with the reason where one is given."""
    told, reasons = told_findings(content), evidence_reasons(content)
    return [
        {**one, "reason": reasons.get(finding_key(one), "")}
        for one in content[key]
        if finding_key(one) not in told
    ]


def _bound(entry: Mapping[str, Any]) -> str:
    """Remark on what is not closed by the data; empty where all is."""
    return NOT_CLOSED if entry.get("not_closed") else ""


def _best_options(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Choose the best place that gravity might reach from each subject.

    Examples
    --------
    >>> options = [{"rank": 1, "kind": "curb", "place": "Front"}, {"rank": 2, "kind": "street"}]
    >>> _best_options({"outlet_options": options}, "outlet_options")[0]["kind"]
    'curb, Front'
    """
    return [
        {**entry, "kind": ", ".join(str(part) for part in (entry["kind"], entry["place"]) if part)}
        for entry in content[key]
        if entry["rank"] == 1
    ]


def pond_entries(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Give the water in each low spot after each storm, every inlet open.

    Of several ponds in one low spot the deepest counts.
    """
    deepest: dict[tuple[Any, Any], Mapping[str, Any]] = {}
    for entry in content[key]:
        if entry["case"] == OPEN and entry["low_spot"] is not None:
            where = (entry["low_spot"], entry["return_period_yr"])
            known = deepest.get(where)
            if known is None or entry["depth_m"] > known["depth_m"]:
                deepest[where] = entry
    return [_pond(deepest[where]) for where in sorted(deepest)]


def _pond(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Say in words what no number says: that there is no water, or that it stays."""
    kept = {key: value for key, value in entry.items() if key != "case"}
    kept["not_closed"] = _bound(entry)
    if not entry["depth_m"]:
        nothing = dict.fromkeys(("volume_m3", "soaks_away_h", "freeboard_m", "building", "opening"))
        return {**kept, **nothing, "depth_m": "dry"}
    hours = entry["soaks_away_h"]
    return {**kept, "soaks_away_h": not_gone(hours, entry.get("stays_m")) or hours}


def _case_entries(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """Give the worst pond of each case in which inlets are blocked, per storm."""
    return [
        {**entry, "case": Scenario(entry["case"]).words, "not_closed": _bound(entry)}
        for entry in content[key]
        if entry["case"] != OPEN
    ]


def _lines_of_result(content: Mapping[str, Any], _: str) -> list[dict[str, Any]]:
    """Drain lines of the system the result is for: the proposed one where there is one."""
    lines = [line | sizes_told(line) for line in content["lines"]]
    proposed = [line for line in lines if line.get("case") == "proposed"]
    return proposed or lines


def lines_today(content: Mapping[str, Any], _: str) -> list[dict[str, Any]]:
    """Drain lines as they are today, where another system is proposed."""
    lines = [line | sizes_told(line) for line in content["lines"]]
    return [line for line in lines if line not in _lines_of_result(content, "lines")]


def _crossing_entries(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Say which way water goes over the lot line.

    Examples
    --------
    >>> _crossing_entries({"lot_line_crossings": [{"direction": "on"}]}, "lot_line_crossings")
    [{'direction': 'onto the lot'}]
    """
    ways = {"on": "onto the lot", "off": "off the lot"}
    return [{**entry, "direction": ways[entry["direction"]]} for entry in content[key]]


def _outlet_nodes(nodes: pd.DataFrame | None) -> list[dict[str, Any]]:
    """Give the outlets of the system the result is for."""
    if nodes is None or nodes.empty:
        return []
    columns = {"case": "scenario", "name": "name", "detail": "detail", "invert_m": "invert_m"}
    return [
        {key: plain(row[column]) for key, column in columns.items()}
        for row in outlets(nodes).to_dict("records")
    ]


def _outlet_entries(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Give each outlet with what comes there in each storm.

    `content`: as `summary_content` gives it, with the list "outlets" of `_outlet_nodes`.

    Examples
    --------
    >>> curb = {"case": "today", "name": "Curb", "invert_m": 30.0}
    >>> storm = {"case": "today", "name": "Curb", "return_period_yr": 2.0, "flow_m3s": 0.003}
    >>> _outlet_entries({"outlets": [curb], "outlet_storms": [storm]}, "outlets")[0]["flow_m3s"]
    0.003
    >>> _outlet_entries({"outlets": [curb]}, "outlets") == [curb]
    True
    """
    entries = []
    for outlet in content[key]:
        storms = [
            {name: storm[name] for name in ("return_period_yr", "flow_m3s")}
            for storm in content.get("outlet_storms", ())
            if (storm["case"], storm["name"]) == (outlet["case"], outlet["name"])
        ]
        entries += [{**outlet, **storm} for storm in storms] or [dict(outlet)]
    return entries


def inlet_peaks(content: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """
    Give the rational peaks of the inlets; a downspout or low spot may be called as one is.

    Examples
    --------
    >>> rows = [{"subject": "A", "kind": kind, "method": "rational", "flow_m3s": flow}
    ...         for kind, flow in (("inlet", 0.003), ("downspout", 0.001))]
    >>> [row["flow_m3s"] for row in inlet_peaks({"runoff": rows})]
    [0.003]
    """
    return [
        row for row in content["runoff"] if (row["kind"], row["method"]) == ("inlet", "rational")
    ]


@dataclass(frozen=True)
class _Heading:
    """One column of a table: a column of a result layer, whose name is the key of the entries."""

    column: Column
    #: Whether the value belongs to the chosen storm.
    per_storm: bool = False
    #: Whether it is text that has a line of its own below the row.
    is_remark: bool = False


def _headings(
    layer: str, *names: str, per_storm: bool = False, remarks: tuple[str, ...] = ()
) -> tuple[_Heading, ...]:
    """Columns of a layer as those of a table, remarks last."""
    columns = [(name, False) for name in names] + [(name, True) for name in remarks]
    return tuple(
        _Heading(RESULT_LAYERS[layer].column(name), per_storm, is_remark)
        for name, is_remark in columns
    )


@dataclass(frozen=True)
class _PageTable:
    """One table."""

    title: str
    #: Layer whose rows are drawn, matched by `named_by`; empty for none.
    layer: str
    #: Key by which entries are told apart and found on the map.
    named_by: str
    headings: tuple[_Heading, ...]
    #: Gives the entries of its section.
    entries: Entries = section
    note: str = ""
    #: Key of the entries whose values, each told once, are the note.
    noted_by: str = ""
    #: Whether it is wanted on site, and so is printed.
    for_site: bool = False


_LINES: Final = (
    *_headings("drain_lines", "name", "diameter_m", "slope_m_per_m", "capacity_m3s",
               "required_size", "rarest_storm_size"),
    *_headings("line_storms", "flow_m3s", per_storm=True),
)  # fmt: skip
_LINES_NOTE: Final = (
    "Needed: the smallest size on sale for the storm that lines are sized for; beside it that for "
    "the rarest. Flow is that of the chosen storm."
)

_SPOT: Final = (
    "id", "depth_m", "area_m2", "volume_m3", "contributing_area_m2", "probability",
    "level_from",
)  # fmt: skip
#: Why a failure or warning is under no item of the answer.
_REASON: Final = _Heading(Column("reason", "Why it is no item.", label="No item"), False, True)

TABLES: Final[dict[str, _PageTable]] = {
    "low_spots": _PageTable(
        "Low spots on the lot", "low_spots", "id",
        _headings("low_spots", *_SPOT, remarks=("not_closed",)),
        _spots_on_lot,
        for_site=True,
    ),
    "inlets": _PageTable(
        "Inlets", "inlets", "name",
        (
            *_headings("inlets", "name", "catchment_m2", "roof_connected_m2"),
            *_headings("runoff", "flow_m3s", per_storm=True),
            *_headings("inlets", "level_from", remarks=("not_closed",)),
        ),
        _with_bounds,
        for_site=True,
        note="A range where the error of the data leaves a number open: 9 of 10 likely surfaces, "
        "and the measured one, lie in it. Ranges of several inlets count the same water: do not "
        "add them.",
    ),
    "outlet_options": _PageTable(
        "Where gravity can lead it", "outlet_options", "subject",
        _headings("outlet_options", "subject", "kind", "run_m", "left_m", "verdict", "level_from"),
        _best_options,
        "The best place each, in a small pipe. Whether water may be let out there is not judged.",
    ),
    "ponds": _PageTable(
        "Where water stands after the storm", "low_spots", "low_spot",
        (
            *_headings("ponds", "low_spot"),
            *_headings("ponds", "depth_m", "volume_m3", "soaks_away_h", "freeboard_m", "building",
                       "opening", remarks=("not_closed",), per_storm=True),
        ),
        pond_entries,
        "With every inlet open.",
    ),
    "pond_cases": _PageTable(
        "If inlets are blocked, or take no more", "", "case",
        (
            *_headings("pond_cases", "scenario"),
            *_headings("pond_cases", "low_spot", "depth_m", "rise_m", "freeboard_m", "building",
                       "opening", remarks=("touches", "spills_to", "not_closed"), per_storm=True),
        ),
        _case_entries,
        "Of the water that rises in each case, that which matters most.",
    ),
    "facades": _PageTable(
        "Ground at the walls", "facades", "name",
        _headings("facades", "name", "slope", "slope_limit", "verdict", "level_from"),
        for_site=True,
    ),
    "openings": _PageTable(
        "Openings of buildings", "openings", "name",
        _headings("openings", "name", "kind", "above_ground_m", "freeboard_m", "level_from",
                  remarks=("not_closed",)),
        _with_bounds,
        for_site=True,
    ),
    "earthwork_lines": _PageTable(
        "Swales and berms", "earthwork_lines", "name",
        _headings("earthwork_lines", "name", "kind", "status", "depth_m", "fall", "capacity_m3s",
                  "flow_m3s", "freeboard_m", "goes_to", "crosses", "cut_m3", "fill_m3",
                  "verdict"),
        for_site=True,
    ),
    "earthwork_areas": _PageTable(
        "Raised ground and rain gardens", "earthwork_areas", "name",
        _headings("earthwork_areas", "name", "kind", "status", "share_met", "holds_m3",
                  "empties_h", "crosses", "cut_m3", "fill_m3", "verdict"),
        for_site=True,
    ),
    "stakes": _PageTable(
        "Stakes to set out", "stakes", "id",
        _headings("stakes", "id", "subject", "part", "level_m", "cut_m"),
        note="A stake on the map tells the distances to tape from two corners of the house; the "
        "field sheet lists them all.",
    ),
    "levels_to_take": _PageTable(
        "Levels to take first", "levels_to_take", "rank",
        _headings("levels_to_take", "rank", "place", "away_m", "level_m", "settles",
                  "together_with", remarks=("question",)),
        _first_levels,
        "In the order of what they settle. Two that belong together tell little alone.",
        for_site=True,
    ),
    "lines": _PageTable(
        "Drain lines", "drain_lines", "name", _LINES, _lines_of_result, _LINES_NOTE, for_site=True
    ),
    "lines_today": _PageTable(
        "Drain lines as they are today", "drain_lines", "name", _LINES, lines_today, _LINES_NOTE
    ),
    "outlets": _PageTable(
        "Outlets", "outlets", "name",
        (
            *_headings("nodes", "name", "detail", "invert_m"),
            *_headings("outlet_storms", "flow_m3s", per_storm=True),
        ),
        _outlet_entries,
        for_site=True,
    ),
    "lot_line_crossings": _PageTable(
        "Water over the lot line", "lot_line_crossings", "id",
        _headings("lot_line_crossings", "id", "direction", "area_m2", "elevation_m"),
        _crossing_entries,
        "Places at which it comes onto the lot, and at which it leaves.",
        for_site=True,
    ),
    "quantities": _PageTable(
        "Quantities", "", "item",
        _headings("quantities", "item", "quantity", "unit", "detail", "price", "cost"),
    ),
    "findings": _PageTable(
        "Other findings", "", "subject",
        (*_headings("findings", "severity", "subject", "message", "part_of"), _REASON),
        _other_findings,
        "Those under no item of the answer.",
    ),
    "low_spots_beyond": _PageTable(
        "Low spots beyond the lot", "low_spots", "id",
        _headings("low_spots", *_SPOT, remarks=("not_closed",)),
        _spots_beyond,
    ),
    "low_spots_none": _PageTable(
        "Low spots that are likely none", "low_spots", "id",
        _headings("low_spots", "id", "depth_m", "area_m2", remarks=("artefact",)),
        _likely_none,
        noted_by="remover",
    ),
}  # fmt: skip

#: Tables whose entries are all rows of their own, whatever they are called.
_ROW_BY_ROW: Final = ("quantities", "findings")


def page_tables(
    summary: Mapping[str, Any], layers: Mapping[str, pd.DataFrame]
) -> list[dict[str, Any]]:
    """
    Give the tables of a page.

    `layers`: layers of the result; "nodes" is used, and may be missing.

    Returns those that have rows. A cell is a value, or for a storm's value a mapping from
    return period to value.
    """
    found = []
    buildings = layers.get("buildings")
    content = {
        **summary,
        "outlets": _outlet_nodes(layers.get("nodes")),
        "has_buildings": buildings is not None and len(buildings) > 0,
    }
    for key, table in TABLES.items():
        rows = _rows(key, table, content)
        if rows:
            filled = [n for n in range(len(table.headings)) if any(_is_told(r, n) for r in rows)]
            headings = [table.headings[n] for n in filled]
            found.append({
                "key": key, "title": table.title, "note": _note(key, table, content),
                "layer": table.layer,
                "forSite": table.for_site,
                "columns": [_shown_as(heading) for heading in headings],
                "rows": [row | {"cells": [row["cells"][n] for n in filled]} for row in rows],
            })  # fmt: skip
    return found


def _note(key: str, table: _PageTable, content: Mapping[str, Any]) -> str:
    """What is said below the title of a table."""
    if not table.noted_by:
        return table.note
    said = dict.fromkeys(str(one[table.noted_by]) for one in table.entries(content, key))
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}."


def with_none_said(tables: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """
    Say that no low spot lies on the lot, where the table of them is left out for want of rows.

    Examples
    --------
    >>> with_none_said([])[0]["note"]
    'None on your lot.'
    """
    if any(table["key"] == "low_spots" for table in tables):
        return tables
    spots = TABLES["low_spots"]
    none = {
        "key": "low_spots", "title": spots.title, "note": "None on your lot.",
        "layer": spots.layer, "forSite": spots.for_site, "columns": [], "rows": [],
    }  # fmt: skip
    return [none, *tables]


def _shown_as(heading: _Heading) -> list[str]:
    """Label of a column, and the quantity that tells the page how to show its values."""
    return [heading.column.label, "remark" if heading.is_remark else heading.column.shown_as]


def _is_told(row: Mapping[str, Any], column: int) -> bool:
    """Tell whether a cell of a row says something, in any storm."""
    cell = row["cells"][column]
    values = cell.values() if isinstance(cell, dict) else (cell,)
    return any(value not in (None, "") for value in values)


def _rows(key: str, table: _PageTable, content: Mapping[str, Any]) -> list[dict[str, Any]]:
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
    heading: _Heading, entries: Sequence[Mapping[str, Any]], content: Mapping[str, Any]
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


def _told(heading: _Heading, entry: Mapping[str, Any]) -> Any:
    """A value; of a catchment or flow the two ends of its range where the data leave it open."""
    key = heading.column.key
    if key == "message":
        return standing_alone(entry["message"], today=entry["today"])
    value = entry.get(key)
    return open_value(entry, key, value) if key in OPEN_KEYS else value


def _storm(entry: Mapping[str, Any]) -> str:
    """Return period as a key; of a stated intensity an empty one."""
    period = entry["return_period_yr"]
    return "" if period is None else f"{period:g}"
