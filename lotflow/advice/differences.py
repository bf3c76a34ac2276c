"""
What differs between two results of one lot: tables in, one table out.

Places are matched first (`same_places`), then every figure of a place by its storm and case. A
difference smaller than what reports show is none. Whether one is beyond the uncertainty is told
by the intervals that the results carry; a figure without one is held against the error of the
elevation data, and one that rests on neither is as given.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from lotflow.advice.same_places import SAME_M, Place, Places, same_places
from lotflow.errors import Fault, InputError
from lotflow.findings import RANKS, SEVERITIES, STATED, label, rank_of
from lotflow.units import SHOWN, UnitSystem, shown, to_si

if TYPE_CHECKING:
    from lotflow.inputs.results import StoredResult

#: Half the 95 % interval of a normal error, in standard deviations.
_HALF_95: Final = 1.96
HARM: Final = "harm"
COST: Final = "quantities and cost"
DRAWN: Final = "drawn or given"
_DATA: Final = "data and assumptions"
_HOUSE, _WALL, _GROUND, _ROOF, _STANDS, _AWAY, _DRAINS = list(RANKS)[:7]
#: Topics in the order in which differences are listed: by what they can do to people and house.
TOPICS: Final = (HARM, *(rank for rank in RANKS if rank != _DATA), COST, _DATA, DRAWN)

Change = Literal["new", "gone", "moved", "renamed", "changed"]
#: Columns of the table.
COLUMNS: Final = (
    "topic", "change", "kind", "place", "place_before", "what", "scenario", "return_period_yr",
    "before", "after", "difference", "unit", "beyond", "basis", "before_text", "after_text",
    "difference_text", "note", "x_before", "y_before", "x_after", "y_after", "group", "leads",
)  # fmt: skip


class _Measure(NamedTuple):
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


_MEASURES: Final = (
    _Measure("openings", "freeboard_m", "sill above the full low spot", "depth", _HOUSE,
             "interval", "freeboard_low_m", "freeboard_high_m"),
    _Measure("openings", "above_ground_m", "sill above the ground", "depth", _HOUSE, "level"),
    _Measure("wall_water", "freeboard_m", "freeboard", "depth", _WALL, "level"),
    _Measure("wall_water", "depth_m", "depth of water at it", "depth", _WALL, "level",
             missing=0.0),
    _Measure("facades", "slope", "fall away from the wall", "percent", _GROUND,
             "interval", "slope_low", "slope_high"),
    _Measure("ponds", "depth_m", "depth of standing water", "depth", _STANDS, "level",
             missing=0.0),
    _Measure("ponds", "volume_m3", "standing water", "volume", _STANDS, "volume", missing=0.0),
    _Measure("ponds", "level_m", "level of the water", "elevation", _STANDS, "level"),
    _Measure("low_spots", "depth_m", "depth when full", "depth", _STANDS,
             "interval", "depth_m_p05", "depth_m_p95"),
    _Measure("low_spots", "volume_m3", "volume when full", "volume", _STANDS,
             "interval", "volume_m3_p05", "volume_m3_p95"),
    _Measure("low_spots", "spill_elevation_m", "level at which it overflows", "elevation",
             _STANDS, "level"),
    _Measure("to low spots", "flow_m3s", "peak flow to it", "flow", _STANDS),
    _Measure("lot_line_crossings", "area_m2", "area that drains over it", "area", _AWAY),
    _Measure("balance", "on_m2", "area whose water comes on", "area", _AWAY),
    _Measure("balance", "off_m2", "area whose water leaves", "area", _AWAY),
    _Measure("balance", "captured_m2", "area that inlets take", "area", _AWAY),
    _Measure("inlets", "catchment_m2", "catchment", "area", _DRAINS,
             "interval", "catchment_m2_p05", "catchment_m2_p95"),
    _Measure("inlets", "rim_elevation_m", "level at which it takes water", "elevation", _DRAINS,
             "level"),
    _Measure("inlets", "roof_connected_m2", "roofs led to it", "area", _DRAINS, "exact"),
    _Measure("to inlets", "flow_m3s", "peak flow to it", "flow", _DRAINS,
             "interval", "flow_m3s_p05", "flow_m3s_p95"),
    _Measure("downspouts", "area_m2", "roof it drains", "area", _ROOF, "exact"),
    _Measure("downspouts", "flow_m3s", "peak flow of it", "flow", _ROOF, "exact"),
    _Measure("inlet_bypass", "passed_m3s", "passes it by", "flow", _DRAINS, missing=0.0),
    _Measure("inlet_bypass", "taken_m3s", "taken in", "flow", _DRAINS),
    _Measure("lines", "flow_m3s", "peak flow in it", "flow", _DRAINS,
             "interval", "flow_m3s_p05", "flow_m3s_p95"),
    _Measure("drain_lines", "capacity_m3s", "can carry", "flow", _DRAINS,
             "interval", "_low", "_high"),
    _Measure("drain_lines", "required_size", "size it needs", "text", _DRAINS),
    _Measure("nodes", "below_rim_m", "water in the drain below the rim", "depth", _DRAINS,
             "level"),
    _Measure("outlet_storms", "flow_m3s", "peak flow out of it", "flow", _DRAINS),
    _Measure("outlet_storms", "gutter_spread_m", "spread in the gutter", "length", _DRAINS),
    _Measure("outlet_storms", "storage_needed_m3", "storage it needs", "volume", _DRAINS),
    _Measure("outlet_storms", "empties_h", "hours until it is empty", "hours", _DRAINS),
    _Measure("quantities", "quantity", "quantity", "number", COST, "exact", missing=0.0),
    _Measure("quantities", "cost", "cost", "money", COST, "exact", missing=0.0),
    # what was drawn
    _Measure("lot", "area_m2", "area of the lot", "area", DRAWN, "exact"),
    _Measure("openings", "sill_m", "sill", "elevation", DRAWN, "exact"),
    _Measure("inlets", "kind", "kind of inlet", "text", DRAWN, "exact"),
    _Measure("nodes", "detail", "kind", "text", DRAWN, "exact"),
    _Measure("nodes", "invert_m", "invert", "elevation", DRAWN, "exact"),
    _Measure("drain_lines", "diameter_m", "inside diameter", "diameter", DRAWN, "exact"),
    _Measure("drain_lines", "material", "material", "text", DRAWN, "exact"),
    _Measure("drain_lines", "status", "status", "text", DRAWN, "exact"),
    _Measure("drain_lines", "from_node", "comes from", "text", DRAWN, "exact"),
    _Measure("drain_lines", "to_node", "leads to", "text", DRAWN, "exact"),
    _Measure("drain_lines", "length_m", "length", "length", DRAWN, "exact"),
    _Measure("drain_lines", "invert_up_m", "upper invert", "elevation", DRAWN, "exact"),
    _Measure("drain_lines", "invert_down_m", "lower invert", "elevation", DRAWN, "exact"),
)
#: Least difference that counts, of what `units.SHOWN` does not tell.
_LEAST: Final = {"percent": 0.001, "hours": 1.0, "number": 0.01, "money": 0.01}
#: Unit of the figures, by quantity.
_UNITS: Final = {
    "depth": "m", "elevation": "m", "length": "m", "diameter": "m", "area": "m2",
    "volume": "m3", "flow": "m3/s", "percent": "m/m", "hours": "h",
}  # fmt: skip
#: Quantity of what findings measure, by their unit, and the greatest depth in metres.
_QUANTITIES: Final = {"m": "depth", "m2": "area", "m3": "volume", "m3/s": "flow"}
_DEEPEST_M: Final = 3.0
_KEYS: Final = ["place", "return_period_yr", "scenario"]
#: Places that are drawn: that one is new or gone is told with what was drawn.
_DRAWN_KINDS: Final = ("inlet", "line", "node", "opening", "building", "downspout")
#: Options that differ with the same data, and hashes that say less than what was drawn.
_SAY_NOTHING: Final = ("job.name", "job.units", "elevation.file", "layers.", "rainfall.file")


@dataclass(frozen=True, eq=False)
class Differences:
    """
    What differs between two results.

    Parameters
    ----------
    before, after
        The results.
    places
        Places of both.
    table
        One row per difference, with `COLUMNS`, ordered by what matters: `group` tells which rows
        belong together, `leads` which of a group stands for it. Values are SI.
    """

    before: StoredResult
    after: StoredResult
    places: Places
    table: pd.DataFrame

    @property
    def units(self) -> UnitSystem:
        """Units of the reports."""
        return self.after.units


def differences(before: StoredResult, after: StoredResult) -> Differences:
    """
    Compare two results.

    Parameters
    ----------
    before, after
        Of one lot, in one CRS.

    Raises
    ------
    InputError
        If they are of different lots, or in different CRSs.
    """
    metres = _metres_of_one_lot(before, after)
    places = same_places(before.layers, after.layers, metres=metres)
    error = max((one.accuracy.get("rmse_m", math.nan) for one in (before, after)))
    told = (_figures(before, places, earlier=True), _figures(after, places, earlier=False))
    rows = [
        *_harms(before, after, places),
        *_places_drawn(places, after.units),
        *_downspouts(*told),
        *_findings(before, after, places),
        *_options(before, after),
    ]
    for measure in _MEASURES:
        rows += _measured(measure, *told, error, after.units)
    return Differences(before, after, places, _ordered(rows, places))


def today_and_proposed(result: StoredResult) -> tuple[StoredResult, StoredResult]:
    """
    Split a result into the drains as they are today and as they are proposed.

    Standing water and catchments are those of the proposed drains in both: a result holds no
    others. What differs is what lines, outlets and inlets do, what is found, and what it takes.

    Parameters
    ----------
    result
        Of a job with drains of both kinds.

    Raises
    ------
    InputError
        If it shows only one state of the drains.
    """
    lines = result.layers.get("drain_lines")
    states = set() if lines is None else set(lines["case"])
    if not {"today", "proposed"} <= states:
        rule = "the result shows no drains both as they are today and as proposed"
        raise InputError(
            Fault(rule, "Name a second result to compare it with", file=result.label)
        )
    return _state(result, "today"), _state(result, "proposed")


def _state(result: StoredResult, case: str) -> StoredResult:
    """Keep what a result tells of one state of the drains."""

    def of_case(frame: Any) -> Any:
        return frame[frame["case"] == case].assign(case="proposed").reset_index(drop=True)

    layers = dict(result.layers)
    named: dict[str, set[str]] = {"today": set(), "proposed": set()}
    for name in ("drain_lines", "nodes"):
        if name in layers:
            for state, names in named.items():
                names |= set(layers[name].loc[layers[name]["case"] == state, "name"])
            layers[name] = of_case(layers[name])
    tables = dict(result.tables)
    for name in ("lines", "inlet_bypass", "outlet_storms"):
        tables[name] = of_case(tables[name])
    found = tables["findings"]
    elsewhere = named["today" if case == "proposed" else "proposed"] - named[case]
    # what water does over the ground is told of the proposed drains alone: no difference
    of_drains = pd.Series([_is_of_drains(rule) for rule in found["rule"]], found.index, dtype=bool)
    keep = ~(found["subject"].isin(list(elsewhere)) & of_drains & ~found["today"])
    keep &= (case == "today") | ~found["today"]
    tables["findings"] = found[keep].assign(today=False).reset_index(drop=True)
    if case == "today":
        tables["quantities"] = tables["quantities"].iloc[:0]
        if "inlets" in layers:  # those of the proposed drains; today's are nodes
            ours = layers["inlets"]["name"].isin(list(named["today"]))
            gone = set(layers["inlets"].loc[~ours, "name"])
            layers["inlets"] = layers["inlets"][ours].reset_index(drop=True)
            for name, column in (("inlets", "name"), ("runoff", "subject")):
                kept = ~tables[name][column].isin(list(gone))
                tables[name] = tables[name][kept].reset_index(drop=True)
    return replace(result, label=case, tables=tables, layers=layers)


def _is_of_drains(rule: str) -> bool:
    """Tell whether a rule judges lines, inlets and outlets, not the water on the ground."""
    topic = rank_of(rule)
    return topic != _DATA and TOPICS.index(topic) >= TOPICS.index(_DRAINS)


def _metres_of_one_lot(before: StoredResult, after: StoredResult) -> float:
    """Give the length of a unit of the CRS; raise where the lots are not one."""
    lots = [one.layers["lot"] for one in (before, after)]
    if lots[0].crs != lots[1].crs:
        names = [one.crs.name if one.crs is not None else "none" for one in lots]
        rule = f"the results are in different CRSs: {names[0]} and {names[1]}"
        remedy = "Run both jobs on elevation data in one CRS"
        raise InputError(Fault(rule, remedy, file=after.label, layer="lot"))
    shapes = [one.geometry.union_all() for one in lots]
    shared = shapes[0].intersection(shapes[1]).area / shapes[0].union(shapes[1]).area
    if shared < 0.5:  # one lot drawn twice shares most of its ground
        rule = f"it is of another lot than {before.label}: of both {shared:.0%} is common ground"
        remedy = "Name two results of one lot"
        raise InputError(Fault(rule, remedy, file=after.label, layer="lot"))
    axes = lots[0].crs.axis_info
    return float(axes[0].unit_conversion_factor) if axes else 1.0


def _figures(result: StoredResult, places: Places, *, earlier: bool) -> dict[str, pd.DataFrame]:
    """Give the tables with `place`, `return_period_yr` and `scenario`, in the later one's names."""

    def now(name: str) -> str:
        return places.now(name) if earlier else name

    def keyed(frame: pd.DataFrame, name: Any, scenario: Any = "") -> pd.DataFrame:
        frame = frame.reset_index(drop=True)
        storm = frame["return_period_yr"] if "return_period_yr" in frame else math.nan
        return frame.assign(place=[now(one) for one in name], scenario=scenario,
                            return_period_yr=storm)  # fmt: skip

    def spot(frame: pd.DataFrame, column: str) -> list[str]:
        return [f"low spot {number:.0f}" for number in frame[column]]

    def of_drains(frame: pd.DataFrame) -> pd.DataFrame:
        if not len(frame):
            return keyed(frame, frame["name"])
        main = "proposed" if (frame["case"] == "proposed").any() else "today"
        told = np.where(frame["case"] == main, "", "as it is today").tolist()
        return keyed(frame, frame["name"], told)

    tables, layers = result.tables, result.layers
    runoff = tables["runoff"]
    told = {
        name: keyed(tables[name], tables[name]["name"])
        for name in ("openings", "facades", "inlets")
    }
    told["low_spots"] = keyed(tables["low_spots"], spot(tables["low_spots"], "id"))
    ways = tables["lot_line_crossings"]
    told["lot_line_crossings"] = keyed(
        ways, [f"crossing {n:.0f}, {way} the lot"
               for n, way in zip(ways["id"], ways["direction"], strict=True)]
    )  # fmt: skip
    for name, kind in (("to low spots", "low spot"), ("to inlets", "inlet"),
                       ("downspouts", "downspout")):  # fmt: skip
        of_kind = runoff[runoff["kind"] == kind]
        rational = of_kind[of_kind["method"] == "rational"]
        told[name] = keyed(rational, rational["subject"])
    ponds = tables["ponds"].sort_values("depth_m", ascending=False, kind="stable")
    ponds = ponds.assign(place=spot(ponds, "low_spot"))
    keys = ["place", "return_period_yr", "case"]
    whole = ponds.groupby(keys, sort=False)[["volume_m3", "area_m2"]].sum().reset_index()
    deepest = ponds.drop_duplicates(keys)[[*keys, "depth_m", "level_m"]]
    ponds = whole.merge(deepest, on=keys)
    dry = ponds["volume_m3"] <= 0
    ponds.loc[dry, "level_m"] = math.nan
    told["ponds"] = keyed(ponds, ponds["place"], [_case(one, now) for one in ponds["case"]])
    walls = tables["wall_water"]
    walls = walls.sort_values("depth_m", ascending=False, kind="stable")
    walls = walls.drop_duplicates(["name", "return_period_yr", "case"])
    told["wall_water"] = keyed(walls, walls["name"], [_case(one, now) for one in walls["case"]])
    for name in ("lines", "inlet_bypass", "outlet_storms"):
        told[name] = of_drains(tables[name])
    for name in ("drain_lines", "nodes"):
        if name in layers:
            told[name] = of_drains(pd.DataFrame(layers[name].drop(columns="geometry")))
    if "drain_lines" in told:
        told["drain_lines"] = _with_bounds(told["drain_lines"], result.accuracy.get("rmse_m"))
        for column in ("from_node", "to_node"):
            told["drain_lines"][column] = [now(one) for one in told["drain_lines"][column]]
    lot = pd.DataFrame([{**result.balance, "area_m2": float(result.layers["lot"].area.sum())}])
    told["balance"] = told["lot"] = keyed(lot, ["the lot"])
    items = tables["quantities"]
    told["quantities"] = keyed(
        items, [f"{item} ({unit})" if unit else item
                for item, unit in zip(items["item"], items["unit"], strict=True)]
    )  # fmt: skip
    return told


def _case(case: str, now: Any) -> str:
    """Say which inlets work."""
    if case.startswith("blocked:"):
        name = case.removeprefix("blocked:")
        return "all inlets blocked" if name == "all" else f"{now(name)} blocked"
    return {"open": "every inlet open", "limited": "inlets take what they can"}.get(case, case)


def _with_bounds(lines: pd.DataFrame, error: float | None) -> pd.DataFrame:
    """Add bounds of the capacity: by its fall, as sure as the levels it rests on."""
    stated = lines["invert_up_basis"].isin(STATED) & lines["invert_down_basis"].isin(STATED)
    doubt = np.where(stated, 0.0, _HALF_95 * (math.nan if error is None else error))
    # Manning: the discharge goes with the root of the slope
    fall = lines["fall_m"].where(lines["fall_m"] > 0)
    for name, sign in (("_low", -1.0), ("_high", 1.0)):
        share = np.sqrt(np.maximum(0.0, (fall + sign * doubt) / fall))
        lines[name] = lines["capacity_m3s"] * share
    return lines


def _measured(
    measure: _Measure,
    before: Mapping[str, pd.DataFrame],
    after: Mapping[str, pd.DataFrame],
    error: float,
    units: UnitSystem,
) -> Iterator[dict[str, Any]]:
    """Compare one figure of all places."""
    sides = [_side(measure, one.get(measure.table)) for one in (before, after)]
    if not any(map(len, sides)):
        return
    both = sides[0].merge(sides[1], on=_KEYS, how="outer", suffixes=("_b", "_a"), indicator=True)
    cases = [set(zip(s["return_period_yr"].fillna(-1), s["scenario"], strict=True)) for s in sides]
    known = [set(one["place"]) for one in sides]
    for row in both.to_dict("records"):
        alone = {"left_only": 1, "right_only": 0}.get(row["_merge"])
        was, now = row["value_b"], row["value_a"]
        change: Change = "changed"
        if alone is not None:
            storm = row["return_period_yr"]
            key = (-1 if math.isnan(storm) else storm, row["scenario"])
            if row["place"] not in known[alone] and measure.topic != COST:
                change = "gone" if alone else "new"
                if measure.topic == DRAWN and measure.quantity == "text":
                    continue
            elif key not in cases[alone] and measure.topic != COST:
                continue  # a storm or case of one result only
            elif alone:
                now = measure.missing
            else:
                was = measure.missing
        if not _differs(measure, was, now, alone is not None and change != "changed"):
            continue
        beyond, basis = _beyond(measure, row, was, now, error)
        yield _row(
            topic=measure.topic, change=change, kind=measure.table, place=row["place"],
            what=measure.says, scenario=_scenario(row["return_period_yr"], row["scenario"]),
            return_period_yr=row["return_period_yr"], before=was, after=now,
            unit=_UNITS.get(measure.quantity, ""), beyond=None if change != "changed" else beyond,
            basis=basis, before_text=_shown(was, measure.quantity, units),
            after_text=_shown(now, measure.quantity, units),
            difference_text=_shown_difference(was, now, measure.quantity, units),
            group=f"{row['place']}|{_group(measure, change)}",
            first=(change == "changed", row["scenario"] not in ("", "every inlet open"),
                   -(row["return_period_yr"] or 0)),
        )  # fmt: skip


def _group(measure: _Measure, change: Change) -> str:
    """Name what a row belongs to of its place: all that was drawn of it is one group."""
    if change != "changed":
        return "is there"
    return DRAWN if measure.topic == DRAWN else measure.says


def _side(measure: _Measure, table: pd.DataFrame | None) -> pd.DataFrame:
    """Take what a figure needs of one result."""
    names = [*_KEYS, "value", "low", "high", "area"]
    if table is None or measure.column not in table:
        return pd.DataFrame(columns=names).astype({"return_period_yr": float})
    nothing = pd.Series(math.nan, table.index)
    side = table[_KEYS].assign(
        value=table[measure.column],
        low=table[measure.low] if measure.low else nothing,
        high=table[measure.high] if measure.high else nothing,
        area=table["area_m2"] if "area_m2" in table else nothing,
    )
    return side.astype({"return_period_yr": float}).drop_duplicates(_KEYS)


def _differs(measure: _Measure, was: Any, now: Any, alone: bool) -> bool:
    """Tell whether two values differ by more than what reports show."""
    if measure.quantity == "text":
        return bool(_word(was) != _word(now))
    if measure.quantity == "money" and (_is_none(was) or _is_none(now)):
        return False  # without prices there is no cost
    if alone:
        return not (_is_none(was) and _is_none(now))
    if _is_none(was) or _is_none(now):
        return not (_is_none(was) and _is_none(now)) and measure.column != "freeboard_m"
    return abs(now - was) >= _least(measure.quantity) * (1 - 1e-9)


def _least(quantity: str) -> float:
    """Give the least difference that counts: one in the last place that reports show [SI]."""
    if quantity in _LEAST:
        return _LEAST[quantity]
    unit, decimals = SHOWN[quantity]["metric"]
    return to_si(10.0**-decimals, unit)


def _beyond(
    measure: _Measure, row: Mapping[str, Any], was: Any, now: Any, error: float
) -> tuple[bool | None, str]:
    """Tell whether a difference is beyond what the data leave open, and by what that is told."""
    if measure.doubt == "exact" or measure.quantity == "text":
        return (True if measure.doubt == "exact" else None), "as given"
    if _is_none(was) or _is_none(now):
        return None, "not known"
    if measure.doubt == "interval":
        bounds = [(row[f"low_{side}"], row[f"high_{side}"], other)
                  for side, other in (("b", now), ("a", was))]  # fmt: skip
        told = [(low, high, other) for low, high, other in bounds
                if not (_is_none(low) or _is_none(high))]  # fmt: skip
        if told:
            apart = all(not low <= other <= high for low, high, other in told)
            return apart, "interval of the results"
    if math.isnan(error) or measure.quantity not in ("depth", "elevation", "volume"):
        return None, "not known"
    doubt = _HALF_95 * error
    if measure.quantity == "volume":
        areas = [row[f"area_{side}"] for side in "ba" if not _is_none(row[f"area_{side}"])]
        if not areas:
            return None, "not known"
        doubt *= max(areas)
    return bool(abs(now - was) > doubt), "error of the elevation data"


def _harms(
    before: StoredResult, after: StoredResult, places: Places
) -> Iterator[dict[str, Any]]:
    """Compare the items of the answer, where the results have one, by harm and place."""
    tables = [one.tables.get("answer", pd.DataFrame()) for one in (before, after)]
    items: list[dict[tuple[str, str], dict[str, Any]]] = [{}, {}]
    for side, (table, held) in enumerate(zip(tables, items, strict=True)):
        for row in table.to_dict("records"):
            place = row["place"] if side else places.now(row["place"])
            held.setdefault((row["harm"], place), row)
    for harm, place in dict.fromkeys([*items[1], *items[0]]):
        was, now = (held.get((harm, place)) for held in items)
        change: Change = "new" if was is None else "gone" if now is None else "changed"
        texts = ["; ".join(filter(None, (one["verdict"], one["remedy"], one["grade"])))
                 if one else "" for one in (was, now)]  # fmt: skip
        if texts[0] == texts[1] and change == "changed":
            continue
        row = now or was or {}
        yield _row(
            topic=HARM, change=change, kind="harm", place=place, what=harm,
            before_text=texts[0] or "-", after_text=texts[1] or "-", note=row["evidence"],
            group=f"{place}|{harm}|harm", first=(0,), weight=row["rank"],
            at=[(one["x"], one["y"]) if one else None for one in (was, now)],
        )  # fmt: skip


def _places_drawn(places: Places, units: UnitSystem) -> Iterator[dict[str, Any]]:
    """Tell which places are new, gone, moved or renamed."""
    for place in places.found:
        change = _change_of(place)
        if change is None:
            continue
        topic = DRAWN
        if place.kind in ("low spot", "crossing"):
            topic = _STANDS if place.kind == "low spot" else _AWAY
        moved = shown(place.apart_m, "length", units)
        way = "its way is another by up to" if place.kind in ("line", "building") else "moved by"
        yield _row(
            topic=topic, change=change, kind=place.kind, place=place.name,
            what=f"{way} {moved}" if change == "moved" else change if change == "renamed"
            else f"{place.kind}, {change}",
            before_text=place.was_named or "-",
            after_text="-" if place.after is None else place.name,
            difference=place.apart_m if change == "moved" else math.nan,
            unit="m" if change == "moved" else "", beyond=True if topic == DRAWN else None,
            basis="as drawn" if topic == DRAWN else "not known",
            group=f"{place.name}|is there" if change in ("new", "gone")
            else f"{place.name}|{DRAWN}", first=(-1,),
        )  # fmt: skip


def _change_of(place: Place) -> Change | None:
    """Tell what has become of a place; None where it is as it was."""
    if place.before is None or place.after is None:
        return "new" if place.before is None else "gone"
    numbered = place.kind in ("low spot", "crossing")
    if place.apart_m > SAME_M and not numbered:
        return "moved"
    return "renamed" if place.was_named != place.name and not numbered else None


def _downspouts(
    before: Mapping[str, pd.DataFrame], after: Mapping[str, pd.DataFrame]
) -> Iterator[dict[str, Any]]:
    """Tell which downspouts are new or gone: results hold no shapes of them."""
    names = [dict.fromkeys(one["downspouts"]["place"]) for one in (before, after)]
    for change, ours, others in (("gone", *names), ("new", names[1], names[0])):
        for name in ours:
            if name not in others:
                yield _row(
                    topic=DRAWN, change=change, kind="downspout", place=name,
                    what=f"downspout, {change}", before_text="-" if change == "new" else name,
                    after_text="-" if change == "gone" else name, beyond=True, basis="as drawn",
                    group=f"{name}|is there", first=(-1,),
                )  # fmt: skip


def _findings(
    before: StoredResult, after: StoredResult, places: Places
) -> Iterator[dict[str, Any]]:
    """Tell which findings are gone, new or changed, by rule and subject."""
    tables = [one.tables["findings"] for one in (before, after)]
    has_today = all(table["today"].any() for table in tables)
    held: list[dict[tuple[str, str, bool], dict[str, Any]]] = [{}, {}]
    for side, table in enumerate(tables):
        for row in table.to_dict("records"):
            if row["today"] and not has_today:
                continue  # so of drains that the other result does not show beside its own
            named = row["subject"] if side else places.now(row["subject"])
            head = _head(row, places if side == 0 else None)
            held[side].setdefault((row["rule"], named, row["today"]), {**row, "head": head})
    for rule, subject, today in dict.fromkeys([*held[1], *held[0]]):
        was, now = (one.get((rule, subject, today)) for one in held)
        change: Change = "new" if was is None else "gone" if now is None else "changed"
        if was and now and was["severity"] == now["severity"] and _alike(was, now):
            continue
        row = now or was or {}
        worst = min(SEVERITIES.index(one["severity"]) for one in (was, now) if one)
        sinks = worst == SEVERITIES.index("note") and rule != "opening-below-spill"
        yield _row(
            topic=_DATA if sinks else rank_of(rule), change=change, kind="finding",
            place=subject, what=rule.replace("-", " "),
            scenario="as it is today" if today else "",
            before=was["measured"] if was else math.nan, after=now["measured"] if now else math.nan,
            unit=row["unit"], basis="weighed by the check",
            before_text=_says(was, after.units) if was else "-",
            after_text=_says(now, after.units) if now else "-", note=row["message"], group=f"finding|{row['head']}|{today}",
            first=(bool(row["part_of"]), worst), weight=worst,
            at=[(one["x"], one["y"]) if one else None for one in (was, now)],
        )  # fmt: skip


def _head(row: Mapping[str, Any], places: Places | None) -> str:
    """Name the finding of the same cause under which one is listed, in the later names."""
    rule, _, subject = (row["part_of"] or label(row["rule"], row["subject"])).partition(": ")
    return label(rule, subject if places is None else places.now(subject))


def _alike(was: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    """Tell whether two findings of one rule and subject measure the same, as far as it is shown."""
    if was["unit"] != now["unit"] or _is_none(was["measured"]) != _is_none(now["measured"]):
        return False
    if _is_none(was["measured"]):
        return True
    least = _least(_QUANTITIES.get(was["unit"], "number"))
    return bool(abs(now["measured"] - was["measured"]) < least * (1 - 1e-9))


def _says(finding: Mapping[str, Any], units: UnitSystem) -> str:
    """Say how heavy a finding is, and what was measured."""
    measured, unit = finding["measured"], finding["unit"]
    if _is_none(measured):
        return str(finding["severity"])
    if unit in _QUANTITIES:
        # no depth is told of more than that: it is a level, or a length
        quantity = "elevation" if unit == "m" and abs(measured) > _DEEPEST_M else _QUANTITIES[unit]
        told = shown(measured, quantity, units)
    else:
        told = f"{measured:.3g}" + ("" if unit == "1" else f" {unit}")
    return f"{finding['severity']}, {told}"


def _options(before: StoredResult, after: StoredResult) -> Iterator[dict[str, Any]]:
    """Tell which options and data differ."""
    for key in dict.fromkeys([*before.options, *after.options]):
        was, now = (one.options.get(key, "") for one in (before, after))
        if was == now or key.startswith(_SAY_NOTHING):
            continue
        if key.endswith("sha256"):
            key, was, now = key.removesuffix(" sha256") + " data", "a file", "another file"
        yield _row(
            topic=DRAWN, change="changed", kind="option", place=key, what="given",
            before_text=was or "-", after_text=now or "-", beyond=True, basis="as given",
            group=f"option|{key}", first=(0,),
        )  # fmt: skip


def _row(*, at: Iterable[Any] = (), **told: Any) -> dict[str, Any]:
    """Make a row, with nothing in the columns that were not told."""
    row = {
        "scenario": "", "return_period_yr": math.nan, "before": math.nan, "after": math.nan,
        "unit": "", "beyond": None, "basis": "", "note": "", "weight": math.nan,
        "difference_text": "", **told,
    }  # fmt: skip
    for side in ("before", "after"):
        if isinstance(row[side], str):
            row[side] = math.nan
    row.setdefault("difference", row["after"] - row["before"])
    row["at"] = [one if one and not any(map(_is_none, one)) else None for one in at]
    return row


def _ordered(rows: list[dict[str, Any]], places: Places) -> pd.DataFrame:
    """Put rows in groups and groups in order; add where they are."""
    groups: dict[str, list[dict[str, Any]]] = {}
    named = places.by_name()
    for row in rows:
        groups.setdefault(row["group"], []).append(row)
    ordered = []
    for group in groups.values():
        group.sort(key=lambda row: (*row["first"], row["what"]))
        ordered.append((_weight(group[0]), group))
    ordered.sort(key=lambda one: (one[0], one[1][0]["place"], one[1][0]["what"]))
    told: list[dict[str, Any]] = []
    for number, (_, group) in enumerate(ordered, start=1):
        for row in group:
            place = named.get(row["place"])
            was, now = row["at"] or (None, None)
            was = was or (place.at_before if place else None) or (math.nan, math.nan)
            now = now or (place.at_after if place else None) or (math.nan, math.nan)
            told.append({
                **row, "place_before": place.was_named if place else row["place"],
                "x_before": was[0], "y_before": was[1], "x_after": now[0], "y_after": now[1],
                "group": number, "leads": row is group[0],
            })  # fmt: skip
    return pd.DataFrame(told, columns=list(COLUMNS)).astype({"beyond": object})


def _weight(row: Mapping[str, Any]) -> tuple[Any, ...]:
    """Say how early a row is told: by topic, then what is sure, then how much it is."""
    size = max((abs(v) for v in (row["before"], row["after"]) if not _is_none(v)), default=0.0)
    share = 0.0 if _is_none(row["difference"]) or not size else abs(row["difference"]) / size
    known = {True: 0, None: 1, False: 2}[row["beyond"]]
    weight = row["weight"] if not _is_none(row["weight"]) else len(SEVERITIES)
    return TOPICS.index(row["topic"]), weight, known, -share


def _scenario(storm: float, case: str) -> str:
    """Say storm and case."""
    told = "" if math.isnan(storm) else f"{storm:g}-year storm"
    return ", ".join(filter(None, (told, case)))


def _shown(value: Any, quantity: str, units: UnitSystem) -> str:
    """Show a value of a report."""
    if quantity == "text":
        return _word(value) or "-"
    if _is_none(value):
        return "-"
    if quantity in SHOWN:
        return shown(value, quantity, units)
    if quantity == "percent":
        return f"{100 * value:.1f} %"
    return f"{value:,.2f}" if quantity == "money" else f"{value:,.3g}"


def _shown_difference(was: Any, now: Any, quantity: str, units: UnitSystem) -> str:
    """Show a difference with its sign; empty where there is no number."""
    if quantity == "text" or _is_none(was) or _is_none(now):
        return ""
    return ("+" if now > was else "\u2212") + _shown(abs(now - was), quantity, units)


def _word(value: Any) -> str:
    """Give a text, empty where there is none."""
    return value if isinstance(value, str) else ""


def _is_none(value: Any) -> bool:
    """Tell whether there is no number."""
    return value is None or (isinstance(value, float) and math.isnan(value))
