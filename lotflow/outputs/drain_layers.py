"""The result layers about drains, from what their systems do."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from lotflow.drains.levels import least_fall
from lotflow.drains.storm_findings import capacities_as_found
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.result_layers import layer_frame
from lotflow.units import from_si

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import geopandas as gpd

    from lotflow.drains.as_built import BuiltRow
    from lotflow.drains.channel_drains import ChannelResult
    from lotflow.drains.checked import CheckedCase
    from lotflow.drains.receivers import ReceiverStorm

Row = dict[str, Any]


def drain_layers(cases: Sequence[CheckedCase], crs: Any) -> dict[str, pd.DataFrame]:
    """Give the layers about drains."""
    return {
        "drain_lines": _layer("drain_lines", cases, _line_rows, crs),
        "line_storms": _table("line_storms", cases, _line_storm_rows),
        "outlet_storms": _table("outlet_storms", cases, outlet_storm_rows),
        "inlet_bypass": _table("inlet_bypass", cases, inlet_bypass_rows),
        "nodes": _layer("nodes", cases, _node_rows, crs),
        "line_profiles": _layer("line_profiles", cases, _profile_rows, crs),
    }


def _table(
    name: str, cases: Sequence[CheckedCase], rows_of: Callable[[CheckedCase], list[Row]]
) -> pd.DataFrame:
    """Give a table of the rows of all cases."""
    columns = [column.name for column in RESULT_LAYERS[name].columns]
    return pd.DataFrame([row for case in cases for row in rows_of(case)], columns=columns)


def _layer(
    name: str,
    cases: Sequence[CheckedCase],
    rows_of: Callable[[CheckedCase], list[tuple[Any, Row]]],
    crs: Any,
) -> gpd.GeoDataFrame:
    """Give a layer from pairs of shape and row."""
    pairs = [pair for case in cases for pair in rows_of(case)]
    columns: dict[str, Any] = {}
    for column in RESULT_LAYERS[name].columns:
        values = [row.get(column.name) for _, row in pairs]
        number = column.kind == "number"
        columns[column.name] = np.array(values, dtype=float) if number else values
    return layer_frame(name, columns, [shape for shape, _ in pairs], crs)


def _finite(value: float) -> float:
    """Infinite is no number of a table."""
    return float(value) if np.isfinite(value) else np.nan


def _line_rows(case: CheckedCase) -> list[tuple[Any, Row]]:
    """Rows of the layer "drain_lines"."""
    state, network = case.state, case.state.system.network
    as_found = capacities_as_found(state)
    failures = Counter(f.subject for f in case.findings if f.severity == "fail")
    rows = []
    for i, line in enumerate(state.lines):
        profile = state.profile(i)
        row: Row = {
            "scenario": case.case, "name": line.name, "status": case.status[line.name],
            "from_node": line.start, "to_node": line.end, "outlet": network.outlet(i).name,
            "material": line.pipe.material, "roughness": line.pipe.roughness,
            "diameter_m": line.pipe.narrowest_m, "length_m": line.length_m,
            "invert_up_m": state.inverts.up_m[i], "invert_down_m": state.inverts.down_m[i],
            "invert_up_basis": state.inverts.up_basis[i],
            "invert_down_basis": state.inverts.down_basis[i],
            "fall_m": state.inverts.up_m[i] - state.inverts.down_m[i],
            "slope_m_per_m": state.hydraulics.slope[i],
            "minimum_slope_m_per_m": least_fall(line, network.nodes[line.end].detail).least,
            "least_cover_m": _extreme(np.min, profile.cover_m),
            "deepest_trench_m": _extreme(np.max, profile.trench_depth_m),
            "capacity_m3s": state.hydraulics.capacity_m3s[i],
            "capacity_as_found_m3s": as_found[i],
            "full_velocity_m_s": state.hydraulics.full_velocity_m_s[i],
            **case.needed(i),
            "failures": failures[line.name],
        }  # fmt: skip
        if case.sized is not None:
            row["required_invert_up_m"] = case.sized.state.inverts.up_m[i]
            row["required_invert_down_m"] = case.sized.state.inverts.down_m[i]
        rows.append((line.path, row))
    return rows


def _extreme(which: Any, values: Any) -> float:
    known = values[np.isfinite(values)]
    return float(which(known)) if known.size else np.nan


def _line_storm_rows(case: CheckedCase) -> list[Row]:
    """Rows of the table "line_storms"."""
    state, done = case.state, case.state.hydraulics
    return [
        {
            "scenario": case.case, "name": line.name, "return_period_yr": float(period),
            "flow_m3s": state.flows.flow_m3s[i, k], "time_min": state.flows.time_s[i, k] / 60.0,
            "runoff_area_m2": state.flows.ca_m2[i, k], "capacity_m3s": done.capacity_m3s[i],
            "flow_ratio": _finite(done.flow_ratio[i, k]), "depth_m": done.depth_m[i, k],
            "velocity_m_s": done.velocity_m_s[i, k], "surcharged": bool(done.surcharged[i, k]),
            "required_diameter_m": _finite(done.required_diameter_m[i, k]),
            "taken_flow_m3s": _state_flow(case, i, k),
            "water_up_m": min(done.level_up_m[i, k], state.highest_m[line.start]),
            "water_down_m": min(
                done.level_down_m[i, k], state.highest_m[line.start],
                state.highest_m.get(line.end, np.inf),
            ),
        }
        for i, line in enumerate(state.lines)
        for k, period in enumerate(state.system.storms)
    ]  # fmt: skip


def _state_flow(case: CheckedCase, line: int, storm: int) -> float:
    """Tell what a line carries when inlets take no more than they can."""
    flow = case.intakes.line_flow_m3s
    return float(flow[line, storm]) if flow.size else math.nan


def outlet_storm_rows(case: CheckedCase) -> list[Row]:
    """Rows of the table "outlet_storms"."""
    return [
        {
            "scenario": case.case, "name": one.receiver.name, "kind": one.receiver.kind or None,
            "return_period_yr": one.return_period_yr, "flow_m3s": one.flow_m3s,
            "water_level_m": one.receiver.water_level_m,
            "gutter_flow_m3s": one.gutter_flow_m3s, "gutter_spread_m": one.spread_m,
            "gutter_depth_m": one.curb_depth_m, "gutter_slope": one.receiver.gutter_slope,
            "gutter_slope_basis": _slope_basis(one),
            "storage_needed_m3": one.needed_m3, "storage_m3": one.receiver.storage_m3,
            "rain_h": from_si(one.rain_s, "h"), "empties_h": from_si(_finite(one.empties_s), "h"),
        }
        for one in case.received
    ]  # fmt: skip


def inlet_bypass_rows(case: CheckedCase) -> list[Row]:
    """Rows of the table "inlet_bypass"."""
    return [
        {
            "scenario": case.case, "name": one.name, "return_period_yr": one.return_period_yr,
            "own_m3s": one.own_m3s, "from_inlets_m3s": one.from_inlets_m3s,
            "backs_up_m3s": one.backs_up_m3s,
            "arriving_m3s": one.arriving_m3s, "depth_m": one.way.depth_m,
            "grate_m3s": one.grate_m3s, "grate_basis": one.grate_basis,
            "line_m3s": one.line_m3s, "taken_m3s": one.taken_m3s, "least_m3s": one.least_m3s,
            "stands_m3s": one.stands_m3s, "passed_m3s": one.passed_m3s,
            "own_m3": one.own_m3, "from_inlets_m3": one.from_inlets_m3,
            "backs_up_m3": one.backs_up_m3, "taken_m3": one.taken_m3,
            "stands_m3": one.stands_m3, "passed_m3": one.passed_m3,
            "limited_by": one.limited_by or None,
            "not_counted": ", ".join(one.not_counted) or None, "runs_to": one.way.told,
        }
        for one in case.intakes.rows
    ]  # fmt: skip


def _slope_basis(one: ReceiverStorm) -> str | None:
    if np.isnan(one.receiver.gutter_slope):
        return None
    return "given" if one.receiver.slope_is_given else "elevation data"


def line_entries(case: CheckedCase) -> list[Row]:
    """Entries of the summary's list "lines": one per line and storm; without rain one per line."""
    state, entries = case.state, []
    as_found = capacities_as_found(state)
    for i, line in enumerate(state.lines):
        fixed = {
            "name": line.name, "case": case.case, "capacity_m3s": state.hydraulics.capacity_m3s[i],
            "capacity_as_found_m3s": as_found[i], "slope_m_per_m": state.hydraulics.slope[i],
            "fall_m": state.inverts.up_m[i] - state.inverts.down_m[i],
            "length_m": line.length_m, "diameter_m": line.pipe.narrowest_m,
            **case.needed(i),
        }  # fmt: skip
        storms = [row for row in _line_storm_rows(case) if row["name"] == line.name]
        kept = ("return_period_yr", "flow_m3s", "required_diameter_m", "surcharged")
        entries += [fixed | {key: row[key] for key in kept} for row in storms] or [
            fixed | dict.fromkeys(kept)
        ]
    return entries


def _node_rows(case: CheckedCase) -> list[tuple[Any, Row]]:
    """Rows of the layer "nodes"."""
    state, network = case.state, case.state.system.network
    falls = {fall.node: fall for fall in case.falls}
    facts = {inlet.name: inlet for inlet in case.inlets}
    channels = {channel.name: channel for channel in case.channels}
    rows = []
    for name, node in network.nodes.items():
        level = state.system.nodes[name]
        row: Row = {
            "scenario": case.case, "name": name, "kind": node.kind, "detail": node.detail or None,
            "ground_m": level.ground_m, "rim_m": level.rim_m, "invert_m": level.invert_m,
            "level_m": level.rim_m,
            "level_source": "given" if level.measured
            else "unknown" if np.isnan(level.rim_m) else "from ground",
            "design_storm_yr": case.design_storm_yr,
            "grate_depth_m": case.grate_depth_m.get(name, np.nan),
        }  # fmt: skip
        if node.kind == "outlet":
            best = state.outlet_level(name)
            row["level_m"], row["level_source"] = best.level_m, best.source
        if name in falls:
            fall = falls[name]
            row["available_fall_m"], row["available_fall_doubt_m"] = (
                fall.available_m, fall.interval_m,
            )  # fmt: skip
            row["required_fall_m"] = fall.depth_m + fall.required_m
        if name in facts:
            row["inflow_m3s"] = facts[name].flow_m3s
        leaving = network.leaving.get(name)
        if leaving and case.design is not None:
            row["water_m"] = state.node_water_m(name)[case.design]
            row["below_rim_m"] = level.rim_m - row["water_m"]
        if name in channels:
            row |= _channel_row(channels[name])
        rows.append((shapely.Point(node.xy), row))
    return rows


def _channel_row(channel: ChannelResult) -> Row:
    return {
        "channel_depth_m": channel.depth_m, "channel_freeboard_m": channel.freeboard_m,
        "longest_run_m": channel.longest_run_m, "depth_one_end_m": channel.one_end_m,
        "depth_both_ends_m": channel.both_ends_m, "depth_middle_m": channel.middle_m,
    }  # fmt: skip


def _profile_rows(case: CheckedCase) -> list[tuple[Any, Row]]:
    """Rows of the layer "line_profiles"."""
    rows = []
    for i, line in enumerate(case.state.lines):
        profile = case.state.profile(i)
        points = shapely.points(profile.ground.x, profile.ground.y)
        for k, point in enumerate(points):
            row = {
                "scenario": case.case, "name": line.name, "distance_m": profile.distance_m[k],
                "ground_m": profile.ground_m[k], "invert_m": profile.invert_m[k],
                "crown_m": profile.crown_m[k], "cover_m": profile.cover_m[k],
                "trench_depth_m": profile.trench_depth_m[k],
            }  # fmt: skip
            rows.append((point, row))
    return rows


def as_built_table(rows: Sequence[BuiltRow]) -> pd.DataFrame:
    """
    Give the table of the finished work against the proposal.

    Parameters
    ----------
    rows
        As judged.
    """
    names = [column.name for column in RESULT_LAYERS["as_built"].columns]
    return pd.DataFrame([asdict(row) for row in rows])[names]
