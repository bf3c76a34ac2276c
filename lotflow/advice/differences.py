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
from typing import TYPE_CHECKING, Any, Final, Literal, cast

import pandas as pd

from lotflow.advice.compared_figures import (
    AWAY,
    COST,
    DATA,
    DRAINS,
    DRAWN,
    HALF_95,
    HARM,
    KEYS,
    MEASURES,
    STANDS,
    TOPICS,
    UNITS,
    Measure,
    figures,
    least_difference,
)
from lotflow.advice.same_places import SAME_M, Place, Places, same_places
from lotflow.advice.settled import what_levels_settled
from lotflow.errors import Fault, InputError
from lotflow.findings import SEVERITIES, label, rank_of
from lotflow.units import SHOWN, UnitSystem, shown, shown_open

if TYPE_CHECKING:
    from lotflow.inputs.results import StoredResult

Change = Literal["new", "gone", "moved", "renamed", "changed"]
#: Columns of the table.
COLUMNS: Final = (
    "topic", "change", "kind", "place", "place_before", "what", "scenario", "return_period_yr",
    "before", "after", "difference", "unit", "beyond", "basis", "before_text", "after_text",
    "difference_text", "note", "x_before", "y_before", "x_after", "y_after", "group", "leads",
)  # fmt: skip
#: Quantity of what findings measure, by their unit, and the greatest depth in metres.
_QUANTITIES: Final = {"m": "depth", "m2": "area", "m3": "volume", "m3/s": "flow"}
_DEEPEST_M: Final = 3.0
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
    settled
        What levels that only the later result has settled (`advice.settled`).
    """

    before: StoredResult
    after: StoredResult
    places: Places
    table: pd.DataFrame
    settled: pd.DataFrame

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
    _require_one_lot(before, after)
    places = same_places(before.layers, after.layers, metres=after.metres_per_unit)
    errors = [one.accuracy["rmse_m"] for one in (before, after) if "rmse_m" in one.accuracy]
    error = max(errors, default=math.nan)
    told = (figures(before, places, earlier=True), figures(after, places, earlier=False))
    rows = [
        *_harms(before, after, places),
        *_places_drawn(places, after.units),
        *_downspouts(*told),
        *_findings(before, after, places),
        *_options(before, after),
    ]
    for measure in MEASURES:
        rows += _measured(measure, *told, places, error, after.units)
    return Differences(
        before, after, places, _ordered(rows, places), what_levels_settled(before, after, places)
    )


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
        raise InputError(Fault(rule, "Name a second result to compare it with", file=result.label))
    return _state(result, "today"), _state(result, "proposed")


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """
    Give the rows of a table, each by its columns.

    Parameters
    ----------
    table
        Any.
    """
    return cast("list[dict[str, Any]]", table.to_dict("records"))


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
            layers.pop("catchments", None)
            for name, column in (("inlets", "name"), ("runoff", "subject")):
                kept = ~tables[name][column].isin(list(gone))
                tables[name] = tables[name][kept].reset_index(drop=True)
    return replace(result, label=case, tables=tables, layers=layers)


def _is_of_drains(rule: str) -> bool:
    """Tell whether a rule judges lines, inlets and outlets, not the water on the ground."""
    topic = rank_of(rule)
    return topic != DATA and TOPICS.index(topic) >= TOPICS.index(DRAINS)


def _require_one_lot(before: StoredResult, after: StoredResult) -> None:
    """Raise where the lots are not one."""
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


def _measured(
    measure: Measure,
    before: Mapping[str, pd.DataFrame],
    after: Mapping[str, pd.DataFrame],
    places: Places,
    error: float,
    units: UnitSystem,
) -> Iterator[dict[str, Any]]:
    """Compare one figure of all places."""
    sides = [_side(measure, one.get(measure.table)) for one in (before, after)]
    if not any(map(len, sides)):
        return
    both = sides[0].merge(sides[1], on=KEYS, how="outer", suffixes=("_b", "_a"), indicator=True)
    cases = [_cases(measure.table, one) for one in (before, after)]
    known = [_known(side, places, later) for later, side in enumerate(sides)]
    for row in records(both):
        alone = {"left_only": 1, "right_only": 0}.get(row["_merge"])
        was, now = row["value_b"], row["value_a"]
        change: Change = "changed"
        if alone is not None:
            if row["place"] not in known[alone] and measure.topic != COST:
                change = "gone" if alone else "new"
                if measure.topic == DRAWN and measure.quantity == "text":
                    continue
            elif _key(row) not in cases[alone] and measure.topic != COST:
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
            unit=UNITS.get(measure.quantity, ""), beyond=None if change != "changed" else beyond,
            basis=basis, before_text=_told(measure, row, "b", was, units),
            after_text=_told(measure, row, "a", now, units),
            difference_text=_shown_difference(was, now, measure.quantity, units),
            group=f"{row['place']}|{_group(measure, change)}",
            first=(change == "changed", row["scenario"] not in ("", "every inlet open"),
                   0.0 if math.isnan(row["return_period_yr"]) else -row["return_period_yr"]),
        )  # fmt: skip


def _key(row: Mapping[str, Any]) -> tuple[float, str]:
    """Give storm and case of a row."""
    storm = row["return_period_yr"]
    return (-1.0 if math.isnan(storm) else storm), row["scenario"]


def _cases(table: str, told: Mapping[str, pd.DataFrame]) -> set[tuple[float, str]]:
    """Give the storms and cases of one result: also those in which no water stands."""
    name = "pond_cases" if table in ("ponds", "wall_water") and len(told["pond_cases"]) else table
    return {_key(row) for row in records(told[name])} if name in told else set()


def _known(side: pd.DataFrame, places: Places, later: int) -> set[str]:
    """Name the places that are there in one result, whether it has this figure of them or not."""
    there = {
        place.name for place in places.found if (place.after if later else place.before) is not None
    }
    return there | set(side["place"])


def _told(
    measure: Measure, row: Mapping[str, Any], side: str, value: Any, units: UnitSystem
) -> str:
    """Show a figure, or its range where the data leave it open, as reports do."""
    if not measure.low.endswith("_p05") or _is_none(value):
        return _shown(value, measure.quantity, units)
    return shown_open(value, row[f"low_{side}"], row[f"high_{side}"], measure.quantity, units)


def _group(measure: Measure, change: Change) -> str:
    """Name what a row belongs to of its place: all that was drawn of it is one group."""
    if change != "changed":
        return "is there"
    return DRAWN if measure.topic == DRAWN else measure.says


def _side(measure: Measure, table: pd.DataFrame | None) -> pd.DataFrame:
    """Take what a figure needs of one result."""
    names = [*KEYS, "value", "low", "high", "area"]
    if table is None or measure.column not in table:
        return pd.DataFrame(columns=names).astype({"return_period_yr": float})
    nothing = pd.Series(math.nan, table.index)
    side = table[KEYS].assign(
        value=table[measure.column],
        low=table[measure.low] if measure.low else nothing,
        high=table[measure.high] if measure.high else nothing,
        area=table.get("area_m2", nothing),
    )
    return side.astype({"return_period_yr": float}).drop_duplicates(KEYS)


def _differs(measure: Measure, was: Any, now: Any, alone: bool) -> bool:
    """Tell whether two values differ by more than what reports show."""
    if measure.quantity == "text":
        return bool(_word(was) != _word(now))
    if measure.quantity == "money" and (_is_none(was) or _is_none(now)):
        return False  # without prices there is no cost
    if alone:
        return not (_is_none(was) and _is_none(now))
    if _is_none(was) or _is_none(now):
        return not (_is_none(was) and _is_none(now)) and measure.column != "freeboard_m"
    return bool(abs(now - was) >= least_difference(measure.quantity) * (1 - 1e-9))


def _beyond(
    measure: Measure, row: Mapping[str, Any], was: Any, now: Any, error: float
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
    doubt = HALF_95 * error
    if measure.quantity == "volume":
        areas = [row[f"area_{side}"] for side in "ba" if not _is_none(row[f"area_{side}"])]
        if not areas:
            return None, "not known"
        doubt *= max(areas)
    return bool(abs(now - was) > doubt), "error of the elevation data"


def _harms(before: StoredResult, after: StoredResult, places: Places) -> Iterator[dict[str, Any]]:
    """
    Compare the items of the answer by what they are about and where.

    An item is changed where its verdict or grade is: its sentences carry figures, which are
    compared by themselves.
    """
    tables = [one.tables.get("answer", pd.DataFrame()) for one in (before, after)]
    items: list[dict[tuple[str, str], dict[str, Any]]] = [{}, {}]
    for side, (table, held) in enumerate(zip(tables, items, strict=True)):
        for row in records(table):
            place = row["place"] if side else places.now(row["place"])
            held.setdefault((row["theme"], place), row)
    for harm, place in dict.fromkeys([*items[1], *items[0]]):
        was, now = (held.get((harm, place)) for held in items)
        change: Change = "new" if was is None else "gone" if now is None else "changed"
        texts = ["; ".join(filter(None, (one["verdict"], one["remedy"], one["grade"])))
                 if one else "" for one in (was, now)]  # fmt: skip
        if was and now and was["grade"] == now["grade"] and (
            _renamed(was["verdict"], places) == now["verdict"]
        ):  # fmt: skip
            continue
        row = now or was or {}
        yield _row(
            topic=HARM, change=change, kind="harm", place=place, what=harm,
            before_text=texts[0] or "-", after_text=texts[1] or "-", note=row["evidence"],
            group=f"{place}|{harm}|harm", first=(0,), weight=row["rank"],
            at=[(one["x"], one["y"]) if one else None for one in (was, now)],
        )  # fmt: skip


def _renamed(text: str | None, places: Places) -> str | None:
    """A text of the earlier result with the names that places have now."""
    for place in places.found if text else ():
        if place.was_named and place.was_named != place.name:
            text = str(text).replace(place.was_named, place.name)
    return text


def _places_drawn(places: Places, units: UnitSystem) -> Iterator[dict[str, Any]]:
    """Tell which places are new, gone, moved or renamed."""
    for place in places.found:
        change = _change_of(place)
        if change is None:
            continue
        topic = DRAWN
        if place.kind in ("low spot", "crossing"):
            topic = STANDS if place.kind == "low spot" else AWAY
        moved = shown(place.apart_m, "length", units)
        way = "drawn elsewhere, up to" if place.kind in ("line", "building") else "moved"
        yield _row(
            topic=topic, change=change, kind=place.kind, place=place.name,
            what=way if change == "moved" else change if change == "renamed"
            else f"{place.sort or place.kind}, {change}",
            before_text=place.was_named or "-",
            after_text="-" if place.after is None else place.name,
            difference=place.apart_m if change == "moved" else math.nan,
            difference_text=moved if change == "moved" else "",
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
        for row in records(table):
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
            topic=DATA if sinks else rank_of(rule), change=change, kind="finding",
            place=subject, what=rule.replace("-", " "),
            scenario="as it is today" if today else "",
            before=was["measured"] if was else math.nan, after=now["measured"] if now else math.nan,
            unit=row["unit"], basis="weighed by the check",
            before_text=_says(was, after.units) if was else "-",
            after_text=_says(now, after.units) if now else "-", note=row["message"],
            group=f"finding|{row['head']}|{today}",
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
    least = least_difference(_QUANTITIES.get(was["unit"], "number"))
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
        name = key.removesuffix(" sha256")
        if name != key:
            name, was, now = f"{name} data", "a file", "another file"
        yield _row(
            topic=DRAWN, change="changed", kind="option", place=name, what="given",
            before_text=was or "-", after_text=now or "-", beyond=True, basis="as given",
            group=f"option|{name}", first=(0,),
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
    return pd.DataFrame(told, columns=list(COLUMNS)).astype({"beyond": object, "leads": bool})


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
