"""Drains that are there which further lines may join: judged sound, with room, to a lawful end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.layers.drawn import in_case
from lotflow.proposing.trenches import DrawnNode

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.advice.result import Result
    from lotflow.layers.drawn import Case, Drawn

#: Outlets that lines end at by gravity, and that may take more.
_ENDS: Final = ("curb", "daylight", "swale", "public inlet", "storm sewer")
#: What is found of most lines that end at a curb, and of places that no one can be sure of.
_NO_FAULT: Final = ("cover-too-small", "inlet-blocked")
#: Sources of a level that somebody gave.
_GIVEN: Final = ("given", "below rim")


def sound_nodes(result: Result, site: Drawn, case: Case) -> list[DrawnNode]:
    """
    Find nodes of drawn lines that further lines may join.

    Of such a line, and of all below it, both levels are given, size and flow of the design storm
    are known, no check fails or warns, and there is room in the pipe; it ends at an outlet of which
    nothing is found and at which water is not forbidden.

    Parameters
    ----------
    result
        Of the job as it is drawn.
    site, case
        What is drawn, and the state of the drains.
    """
    lines = result.rows("drain_lines", scenario=case)
    storms = {
        row["name"]: row
        for row in result.rows("line_storms", scenario=case)
        if row["return_period_yr"] == result.design_storm_yr
    }
    doubted = {
        one.subject for one in result.findings
        if one.severity != "note" and one.rule not in _NO_FAULT
    }  # fmt: skip
    outlets = in_case(site.outlets, case).set_index("name")
    after = {row["from_node"]: row for row in lines}
    drawn = in_case(site.drain_lines, case).set_index("name").geometry
    found: list[DrawnNode] = []
    for row in lines:
        way = [row]
        while len(way) <= len(lines) and way[-1]["to_node"] in after:
            way.append(after[way[-1]["to_node"]])
        spare = min(_spare(one, storms.get(one["name"]), doubted) for one in way)
        end = way[-1]["to_node"]
        known = row["from_node"] and row["name"] in drawn.index and len(way) <= len(lines)
        if known and spare > 0 and _may_take(outlets, end, doubted):
            x, y = drawn[row["name"]].coords[0]
            found.append(
                DrawnNode(str(row["from_node"]), float(x), float(y), float(row["invert_up_m"]),
                          float(row["diameter_m"]), spare, str(end))
            )  # fmt: skip
    return found


def _spare(line: Any, storm: Any, doubted: set[str]) -> float:
    """What a line can carry besides what it does [m^3/s]; less than 0 where it is not sound."""
    levels = (line.get("invert_up_basis"), line.get("invert_down_basis"))
    if line["name"] in doubted or storm is None or any(one not in _GIVEN for one in levels):
        return -1.0
    capacity, flow = storm.get("capacity_m3s"), storm.get("flow_m3s")
    if capacity is None or flow is None or line.get("diameter_m") is None:
        return -1.0
    return float(capacity) - float(flow)


def _may_take(outlets: pd.DataFrame, end: str, doubted: set[str]) -> bool:
    """Whether an outlet is one of which nothing is found, and water may be led there."""
    if end not in outlets.index or end in doubted:
        return False
    kind, allowed = (outlets[column].get(end) for column in ("kind", "allowed"))
    return str(kind) in _ENDS and str(allowed) != "no"
