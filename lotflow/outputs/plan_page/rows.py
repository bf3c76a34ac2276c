"""Which rows of a result's layers a plan page shows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.outputs.drain_cases import blocked_text, main_case

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd


def open_case(frame: pd.DataFrame) -> pd.DataFrame:
    """Rows of the case in which every inlet works."""
    return frame[frame["case"] == "open"]


def blocked_ponds(ponds: pd.DataFrame) -> pd.DataFrame:
    """
    Choose per storm and low spot the deepest water that blocked inlets leave.

    Parameters
    ----------
    ponds
        Layer of the result.

    Returns
    -------
    worst
        Their `case` says in words which inlets are blocked; where several cases are as
        bad, the first of them: one inlet rather than all.
    """
    return _worst_blocked(ponds, ["return_period_yr", "low_spot"], "depth_m")


def blocked_overflow(paths: pd.DataFrame) -> pd.DataFrame:
    """
    Choose per low spot the way of the most water that runs over where inlets are blocked.

    Parameters
    ----------
    paths
        Layer of the result.

    Returns
    -------
    worst
        As `blocked_ponds`.
    """
    return _worst_blocked(paths, ["low_spot"], "overflow_m3")


def _worst_blocked(frame: pd.DataFrame, by: list[str], measure: str) -> pd.DataFrame:
    """Rows of cases with blocked inlets: of each group the one of the greatest measure."""
    cases = frame["case"].fillna("").astype(str)
    blocked = frame[cases.str.startswith("blocked:")]
    # a millimetre: what rounding makes of a level does not make one case the worst
    height = blocked[measure].round(3).fillna(-np.inf)
    order = np.argsort(-height.to_numpy(), kind="stable")
    worst = blocked.iloc[order].drop_duplicates(by).sort_index()
    return worst.assign(case=worst["case"].map(blocked_text))


def outlets(nodes: pd.DataFrame) -> pd.DataFrame:
    """Outlets of the system the result is for."""
    return nodes[(nodes["kind"] == "outlet") & (nodes["case"] == main_case(nodes))]


def sizes_told(line: Mapping[str, Any]) -> dict[str, str | None]:
    """
    Name the size a line needs in the design storm, and that in a rarer one, each with its storm.

    Parameters
    ----------
    line
        Has the columns of the layer "drain_lines" about sizes, as far as they are known.

    Examples
    --------
    >>> sizes_told({"required_size": "4 in", "design_storm_yr": 10.0,
    ...             "rarest_storm_size": "6 in", "rarest_storm_yr": 100.0})
    {'required_size': '4 in (10 yr)', 'rarest_storm_size': '6 in (100 yr)'}
    """
    pairs = ((line.get("required_size"), line.get("design_storm_yr")),
             (line.get("rarest_storm_size"), line.get("rarest_storm_yr")))  # fmt: skip
    told = [f"{size} ({storm:g} yr)" if size and storm else size for size, storm in pairs]
    rarest = None if pairs[0][1] == pairs[1][1] else told[1]
    return {"required_size": told[0], "rarest_storm_size": rarest}


def sized_lines(lines: pd.DataFrame) -> pd.DataFrame:
    """Drain lines with the sizes they need, each named with its storm."""
    known = lines.drop(columns="geometry").astype(object)
    rows: Any = known.where(known.notna(), None).to_dict("records")
    told: Any = [sizes_told(row) for row in rows]
    return lines.assign(**{key: [one[key] for one in told] for key in sizes_told({})})


def joints(nodes: pd.DataFrame) -> pd.DataFrame:
    """All nodes but those that are drawn as inlets or outlets."""
    return nodes.drop(outlets(nodes).index)
