"""Entries of a summary as the tables of a plan page want them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from lotflow.outputs.drain_cases import blocked_text
from lotflow.outputs.plan_page.features import NOT_CLOSED, plain
from lotflow.outputs.plan_page.rows import outlets, sizes_told

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd


def section(content: Mapping[str, Any], key: str) -> Sequence[Mapping[str, Any]]:
    """Entries of a summary's section as they are."""
    entries: Sequence[Mapping[str, Any]] = content[key]
    return entries


def with_bounds(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """Entries of a summary's section, those that are not closed with a remark that says so."""
    return [{**entry, "not_closed": _bound(entry)} for entry in content[key]]


def _bound(entry: Mapping[str, Any]) -> str:
    """Remark on what is not closed by the data; empty where all is."""
    return NOT_CLOSED if entry.get("not_closed") else ""


def best_options(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Choose the best place that gravity might reach from each subject.

    Parameters
    ----------
    content
        As `summary_content` gives it.
    key
        Of the section.

    Examples
    --------
    >>> options = [{"rank": 1, "kind": "curb", "place": "Front"}, {"rank": 2, "kind": "street"}]
    >>> best_options({"outlet_options": options}, "outlet_options")[0]["kind"]
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

    Parameters
    ----------
    content
        As `summary_content` gives it.
    key
        Of the section.
    """
    deepest: dict[tuple[Any, Any], Mapping[str, Any]] = {}
    for entry in content[key]:
        if entry["case"] == "open" and entry["low_spot"] is not None:
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
    return {**kept, "soaks_away_h": "never" if (h := entry["soaks_away_h"]) is None else h}


def case_entries(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Give the worst pond of each case in which inlets are blocked, per storm.

    Parameters
    ----------
    content
        As `summary_content` gives it.
    key
        Of the section.
    """
    return [
        {**entry, "case": blocked_text(entry["case"]), "not_closed": _bound(entry)}
        for entry in content[key]
        if entry["case"] != "open"
    ]


def lines_of_result(content: Mapping[str, Any], _: str) -> list[dict[str, Any]]:
    """Drain lines of the system the result is for: the proposed one where there is one."""
    lines = [line | sizes_told(line) for line in content["lines"]]
    proposed = [line for line in lines if line.get("case") == "proposed"]
    return proposed or lines


def lines_today(content: Mapping[str, Any], _: str) -> list[dict[str, Any]]:
    """Drain lines as they are today, where another system is proposed."""
    lines = [line | sizes_told(line) for line in content["lines"]]
    return [line for line in lines if line not in lines_of_result(content, "lines")]


def crossing_entries(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Say which way water goes over the lot line.

    Parameters
    ----------
    content
        As `summary_content` gives it.
    key
        Of the section.

    Examples
    --------
    >>> crossing_entries({"lot_line_crossings": [{"direction": "on"}]}, "lot_line_crossings")
    [{'direction': 'onto the lot'}]
    """
    ways = {"on": "onto the lot", "off": "off the lot"}
    return [{**entry, "direction": ways[entry["direction"]]} for entry in content[key]]


def outlet_nodes(nodes: pd.DataFrame | None) -> list[dict[str, Any]]:
    """
    Give the outlets of the system the result is for.

    Parameters
    ----------
    nodes
        Layer of the result; None for none.
    """
    if nodes is None or nodes.empty:
        return []
    columns = ("case", "name", "detail", "invert_m")
    return [
        {column: plain(row[column]) for column in columns}
        for row in outlets(nodes).to_dict("records")
    ]


def outlet_entries(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """
    Give each outlet with what comes there in each storm.

    Parameters
    ----------
    content
        As `summary_content` gives it, with the list "outlets" of `outlet_nodes`.
    key
        Of that list.

    Examples
    --------
    >>> curb = {"case": "today", "name": "Curb", "invert_m": 30.0}
    >>> storm = {"case": "today", "name": "Curb", "return_period_yr": 2.0, "flow_m3s": 0.003}
    >>> outlet_entries({"outlets": [curb], "outlet_storms": [storm]}, "outlets")[0]["flow_m3s"]
    0.003
    >>> outlet_entries({"outlets": [curb]}, "outlets") == [curb]
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

    Parameters
    ----------
    content
        As `summary_content` gives it.

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
