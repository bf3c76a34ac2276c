"""
Which figures of a result are compared, and how sure each is.

A figure belongs to a place, a storm and a case; all values are SI. A new figure to compare is one
`Measure` here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from lotflow.advice.same_places import Places, place_names
from lotflow.findings import RANKS, STATED
from lotflow.units import SHOWN, to_si

if TYPE_CHECKING:
    from lotflow.inputs.results import StoredResult

#: Half the 95 % interval of a normal error, in standard deviations.
HALF_95: Final = 1.96
HARM: Final = "harm"
COST: Final = "quantities and cost"
DRAWN: Final = "drawn or given"
DATA: Final = "data and assumptions"
_HOUSE, _WALL, _GROUND, _ROOF, STANDS, AWAY, DRAINS = list(RANKS)[:7]
#: Topics in the order in which differences are listed: by what they can do to people and house.
TOPICS: Final = (HARM, *(rank for rank in RANKS if rank != DATA), COST, DATA, DRAWN)


class Measure(NamedTuple):
    """One figure that is compared: where it stands, what it is called, and how sure it is."""

    table: str
    column: str
    says: str
    quantity: str
    topic: str
    #: "interval" of the columns `low` and `high`; "level" by the error of the data, "volume" by
    #: that times the area; "exact" where only what was given decides; else nobody knows.
    doubt: Literal["interval", "level", "volume", "exact", ""] = ""
    low: str = ""
    high: str = ""
    #: What it is where the other result has the place and the case, and no row; NaN for nothing.
    missing: float = math.nan


MEASURES: Final = (
    Measure(
        "openings",
        "freeboard_m",
        "sill above the full low spot",
        "depth",
        _HOUSE,
        "interval",
        "freeboard_low_m",
        "freeboard_high_m",
    ),
    Measure("openings", "above_ground_m", "sill above the ground", "depth", _HOUSE, "level"),
    Measure("wall_water", "freeboard_m", "freeboard", "depth", _WALL, "level"),
    Measure("wall_water", "depth_m", "depth of water at it", "depth", _WALL, "level", missing=0.0),
    Measure(
        "facades",
        "slope",
        "fall away from the wall",
        "percent",
        _GROUND,
        "interval",
        "slope_low",
        "slope_high",
    ),
    Measure("ponds", "depth_m", "depth of standing water", "depth", STANDS, "level", missing=0.0),
    Measure("ponds", "volume_m3", "standing water", "volume", STANDS, "volume", missing=0.0),
    Measure("ponds", "level_m", "level of the water", "elevation", STANDS, "level"),
    Measure(
        "low_spots",
        "depth_m",
        "depth when full",
        "depth",
        STANDS,
        "interval",
        "depth_m_p05",
        "depth_m_p95",
    ),
    Measure(
        "low_spots",
        "volume_m3",
        "volume when full",
        "volume",
        STANDS,
        "interval",
        "volume_m3_p05",
        "volume_m3_p95",
    ),
    Measure(
        "low_spots",
        "spill_elevation_m",
        "level at which it overflows",
        "elevation",
        STANDS,
        "level",
    ),
    Measure("to low spots", "flow_m3s", "peak flow to it", "flow", STANDS),
    Measure("lot_line_crossings", "area_m2", "area that drains over it", "area", AWAY),
    Measure("balance", "on_m2", "area whose water comes on", "area", AWAY),
    Measure("balance", "off_m2", "area whose water leaves", "area", AWAY),
    Measure("balance", "captured_m2", "area that inlets take", "area", AWAY),
    Measure(
        "inlets",
        "catchment_m2",
        "catchment",
        "area",
        DRAINS,
        "interval",
        "catchment_m2_p05",
        "catchment_m2_p95",
    ),
    Measure(
        "inlets", "rim_elevation_m", "level at which it takes water", "elevation", DRAINS, "level"
    ),
    Measure("inlets", "roof_connected_m2", "roofs led to it", "area", DRAINS, "exact"),
    Measure(
        "to inlets",
        "flow_m3s",
        "peak flow to it",
        "flow",
        DRAINS,
        "interval",
        "flow_m3s_p05",
        "flow_m3s_p95",
    ),
    Measure("downspouts", "area_m2", "roof it drains", "area", _ROOF, "exact"),
    Measure("downspouts", "flow_m3s", "peak flow of it", "flow", _ROOF, "exact"),
    Measure("inlet_bypass", "passed_m3s", "passes it by", "flow", DRAINS, missing=0.0),
    Measure("inlet_bypass", "taken_m3s", "taken in", "flow", DRAINS),
    Measure(
        "lines",
        "flow_m3s",
        "peak flow in it",
        "flow",
        DRAINS,
        "interval",
        "flow_m3s_p05",
        "flow_m3s_p95",
    ),
    Measure(
        "drain_lines", "capacity_m3s", "can carry", "flow", DRAINS, "interval", "_low", "_high"
    ),
    Measure("drain_lines", "required_size", "size it needs", "text", DRAINS),
    Measure("nodes", "below_rim_m", "water in the drain below the rim", "depth", DRAINS, "level"),
    Measure("outlet_storms", "flow_m3s", "peak flow out of it", "flow", DRAINS),
    Measure("outlet_storms", "gutter_spread_m", "spread in the gutter", "length", DRAINS),
    Measure("outlet_storms", "storage_needed_m3", "storage it needs", "volume", DRAINS),
    Measure("outlet_storms", "empties_h", "hours until it is empty", "hours", DRAINS),
    Measure("quantities", "quantity", "quantity", "number", COST, "exact", missing=0.0),
    Measure("quantities", "cost", "cost", "money", COST, "exact", missing=0.0),
    # what was drawn
    Measure("lot", "area_m2", "area of the lot", "area", DRAWN, "exact"),
    Measure("openings", "sill_m", "sill", "elevation", DRAWN, "exact"),
    Measure("inlets", "kind", "kind of inlet", "text", DRAWN, "exact"),
    Measure("nodes", "detail", "kind", "text", DRAWN, "exact"),
    Measure("nodes", "invert_m", "invert", "elevation", DRAWN, "exact"),
    Measure("drain_lines", "diameter_m", "inside diameter", "diameter", DRAWN, "exact"),
    Measure("drain_lines", "material", "material", "text", DRAWN, "exact"),
    Measure("drain_lines", "status", "status", "text", DRAWN, "exact"),
    Measure("drain_lines", "from_node", "comes from", "text", DRAWN, "exact"),
    Measure("drain_lines", "to_node", "leads to", "text", DRAWN, "exact"),
    Measure("drain_lines", "length_m", "length", "length", DRAWN, "exact"),
    Measure("drain_lines", "invert_up_m", "upper invert", "elevation", DRAWN, "exact"),
    Measure("drain_lines", "invert_down_m", "lower invert", "elevation", DRAWN, "exact"),
)
#: Least difference that counts, of what `units.SHOWN` does not tell.
_LEAST: Final = {"percent": 0.001, "hours": 1.0, "number": 0.01, "money": 0.01}
#: Unit of the figures, by quantity.
UNITS: Final = {
    "depth": "m", "elevation": "m", "length": "m", "diameter": "m", "area": "m2",
    "volume": "m3", "flow": "m3/s", "percent": "m/m", "hours": "h",
}  # fmt: skip
KEYS: Final = ["place", "return_period_yr", "scenario"]


def figures(result: StoredResult, places: Places, *, earlier: bool) -> dict[str, pd.DataFrame]:
    """
    Give the tables of a result with the columns `KEYS`.

    Parameters
    ----------
    result
        What it holds.
    places
        Of both results.
    earlier
        Whether it is the earlier one, whose names are put into those of the later.
    """

    def now(name: str) -> str:
        return places.now(name) if earlier else name

    tables = result.tables
    told = {
        name: _keyed(tables[name], map(now, tables[name]["name"]))
        for name in ("openings", "facades", "inlets")
    }
    for name, kind in (("low_spots", "low spot"), ("lot_line_crossings", "crossing")):
        told[name] = _keyed(tables[name], map(now, place_names(kind, tables[name])))
    runoff = tables["runoff"][tables["runoff"]["method"] == "rational"]
    for name, kind in (
        ("to low spots", "low spot"), ("to inlets", "inlet"), ("downspouts", "downspout"),
    ):  # fmt: skip
        of_kind = runoff[runoff["kind"] == kind]
        told[name] = _keyed(of_kind, map(now, of_kind["subject"]))
    for name, water in (
        ("ponds", _ponds(tables["ponds"])), ("wall_water", _wall_water(tables["wall_water"])),
    ):  # fmt: skip
        told[name] = _keyed(
            water, map(now, water["name"]), [_case(one, now) for one in water["case"]]
        )
    cases = tables["pond_cases"]
    told["pond_cases"] = _keyed(
        cases, [""] * len(cases), [_case(one, now) for one in cases["case"]]
    )
    told |= _drain_figures(result, now)
    lot = pd.DataFrame(
        [{**result.balance, "area_m2": float(result.layers["lot"]["area_m2"].sum())}]
    )
    told["balance"] = told["lot"] = _keyed(lot, ["the lot"])
    told["quantities"] = _quantities(tables["quantities"])
    return told


def _keyed(frame: pd.DataFrame, names: Iterable[str], scenario: Any = "") -> pd.DataFrame:
    """Add the columns by which the rows of two results are matched."""
    storm = frame["return_period_yr"].to_numpy() if "return_period_yr" in frame else math.nan
    return frame.reset_index(drop=True).assign(
        place=list(names), scenario=scenario, return_period_yr=storm
    )


def _ponds(table: pd.DataFrame) -> pd.DataFrame:
    """Give what stands in each low spot as a whole: several pools of it are one."""
    table = table.sort_values("depth_m", ascending=False, kind="stable")
    table = table.assign(name=[f"low spot {number:.0f}" for number in table["low_spot"]])
    keys = ["name", "return_period_yr", "case"]
    whole = table.groupby(keys, sort=False)[["volume_m3", "area_m2"]].sum().reset_index()
    ponds = whole.merge(table.drop_duplicates(keys)[[*keys, "depth_m", "level_m"]], on=keys)
    ponds["level_m"] = ponds["level_m"].where(ponds["volume_m3"] > 0)
    return ponds


def _wall_water(table: pd.DataFrame) -> pd.DataFrame:
    """Give the deepest water at each wall and opening."""
    table = table.sort_values("depth_m", ascending=False, kind="stable")
    return table.drop_duplicates(["name", "return_period_yr", "case"])


def _drain_figures(result: StoredResult, now: Callable[[str], str]) -> dict[str, pd.DataFrame]:
    """Give the tables of drains: of the state the result is for, and of today beside it."""
    frames = {name: result.tables[name] for name in ("lines", "inlet_bypass", "outlet_storms")}
    for name in ("drain_lines", "nodes"):
        if name in result.layers:
            frames[name] = pd.DataFrame(result.layers[name].drop(columns="geometry"))
    told = {}
    for name, frame in frames.items():
        main = "proposed" if (frame["case"] == "proposed").any() else "today"
        state = np.where(frame["case"] == main, "", "as it is today")
        told[name] = _keyed(frame, map(now, frame["name"]), state)
    if "drain_lines" in told:
        lines = _with_bounds(told["drain_lines"], result.accuracy.get("rmse_m"))
        for column in ("from_node", "to_node"):
            lines[column] = [now(one) for one in lines[column]]
        told["drain_lines"] = lines
    return told


def _quantities(items: pd.DataFrame) -> pd.DataFrame:
    """Give the quantities by item and unit, and what all cost together where prices are known."""
    names = [
        f"{item} ({unit})" if unit else item
        for item, unit in zip(items["item"], items["unit"], strict=True)
    ]
    told = _keyed(items, names)
    if not items["cost"].notna().any():
        return told
    return pd.concat([_keyed(pd.DataFrame([{"cost": items["cost"].sum()}]), ["all items"]), told])


def _case(case: str, now: Callable[[str], str]) -> str:
    """Say which inlets work."""
    if case.startswith("blocked:"):
        name = case.removeprefix("blocked:")
        return "all inlets blocked" if name == "all" else f"{now(name)} blocked"
    return {"open": "every inlet open", "limited": "inlets take what they can"}.get(case, case)


def _with_bounds(lines: pd.DataFrame, error: float | None) -> pd.DataFrame:
    """Add bounds of the capacity: by its fall, as sure as the levels it rests on."""
    stated = lines["invert_up_basis"].isin(STATED) & lines["invert_down_basis"].isin(STATED)
    doubt = np.where(stated, 0.0, HALF_95 * (math.nan if error is None else error))
    # Manning: the discharge goes with the root of the slope
    fall = lines["fall_m"].where(lines["fall_m"] > 0)
    for name, sign in (("_low", -1.0), ("_high", 1.0)):
        share = np.sqrt(np.maximum(0.0, (fall + sign * doubt) / fall))
        lines[name] = lines["capacity_m3s"] * share
    return lines


def least_difference(quantity: str) -> float:
    """
    Give the least difference that counts: one in the last place that reports show [SI].

    Parameters
    ----------
    quantity
        Key of `units.SHOWN`, or another of `Measure`.

    Examples
    --------
    >>> least_difference("depth"), least_difference("area")
    (0.01, 1.0)
    """
    if quantity in _LEAST:
        return _LEAST[quantity]
    unit, decimals = SHOWN[quantity]["metric"]
    return to_si(10.0**-decimals, unit)
