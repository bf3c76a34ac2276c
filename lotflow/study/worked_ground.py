"""Sections of a worked sheet on the ground that reaches a node, and on how long its water takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.runoff.storms import sheet_flow_rain
from lotflow.study.runoff_rows import compared_times, mean_coefficient
from lotflow.units import both_units, from_si

if TYPE_CHECKING:
    from lotflow.runoff.catchment_parts import PartWay
    from lotflow.runoff.concentration import Segment
    from lotflow.runoff.storms import StormStudy


def ground_lines(storms: StormStudy, node: int, area: float) -> list[str]:
    """
    Covers with their values and sources.

    Parameters
    ----------
    storms
        Of the main case.
    node
        Its position.
    area
        That reaches it [m^2].
    """
    values, grid = storms.cover.values, storms.surface.ground
    cells = storms.ground.fixed[storms.ground.node == node].sum(axis=0)
    lines = []
    for kind in np.flatnonzero(cells).tolist():
        by_hand = " (given by hand)" if storms.cover.given[kind] else ""
        lines += [
            f"   {storms.cover.keys[kind]}: {both_units(cells[kind] * grid.cell_m2, 'area')}, "
            f"C = {values.runoff_coefficient[kind]:.2f}, CN = {values.curve_number[kind]:.0f}"
            f"{by_hand}",
            *([] if by_hand else [
                f"      C: {values.covers[kind].source}",
                f"      CN: {values.curve_numbers[kind].source}",
            ]),
        ]  # fmt: skip
    mean = mean_coefficient(storms, node)
    return [*lines, f"   together {both_units(area, 'area')}, composite C = sum of C A / A = "
                    f"{mean:.3f}"]  # fmt: skip


def part_lines(storms: StormStudy, node: int) -> list[str]:
    """
    Parts with the ways that time them.

    Parameters
    ----------
    storms
        Of the main case.
    node
        Its position.
    """
    lines = [f"   {_sheet_flow(storms)}"]
    for part in np.flatnonzero(storms.ground.node == node).tolist():
        area = both_units(float(storms.parts.area_m2[part]), "area")
        lines.append(f"   {storms.ground.kind[part]}: {area}, of which {_covers(storms, part)}")
        way = storms.ground.way[part]
        lines += _way(way)
        lines.append(f"      t = {minutes(float(storms.times_s[part]))}{_floor(storms, way)}")
    longest = storms.ground.longest_way(node)
    if longest is not None and longest.length_m:
        kirpich, faa = compared_times(longest, mean_coefficient(storms, node))
        lines.append(
            f"   to compare, for the slowest way: Kirpich {minutes(kirpich)}, FAA {minutes(faa)}"
        )
    return lines


def _sheet_flow(storms: StormStudy) -> str:
    """Say in which rain sheet flow is timed."""
    period, rain = sheet_flow_rain(storms.rainfall)
    if rain is None:
        return f"sheet flow by the kinematic wave in the {period:g}-year storm"
    return (
        f"sheet flow in the {period:g}-year rain of 24 hours, P2 = {both_units(rain, 'rain_depth')}"
    )


def _covers(storms: StormStudy, part: int) -> str:
    """Area of each cover of a part."""
    cells, cell_m2 = storms.ground.fixed[part], storms.surface.ground.cell_m2
    return ", ".join(
        f"{storms.cover.keys[kind]} {both_units(float(cells[kind]) * cell_m2, 'area')}"
        for kind in np.flatnonzero(cells).tolist()
    )


def _floor(storms: StormStudy, way: PartWay | None) -> str:
    """Say where a time of concentration was raised."""
    shortest = storms.rainfall.duration_range_s[0]
    travel = 0.0 if way is None else way.time.travel_s
    at_least = 300.0 if way is None or not way.time.minimum_governs else way.time.time_s
    if max(travel, at_least) < shortest:
        return ", the shortest of the rainfall"
    if way is None or way.time.minimum_governs:
        return ", the minimum (FHWA HEC-22, 3rd ed. 2009, section 7.2.2)"
    return ""


def _way(way: PartWay | None) -> list[str]:
    """Segments of the slowest way of a part."""
    if way is None:
        return ["      by gutters and downspouts"]
    if not way.time.segments:
        return ["      lies at the inlet itself"]
    lines = [f"      slowest way: {both_units(way.length_m, 'length')}, fall "
             f"{both_units(way.fall_m, 'depth')}"]  # fmt: skip
    lines += [f"      {_segment(segment)}" for segment in way.time.segments]
    return lines


def _segment(segment: Segment) -> str:
    """One stretch of a way."""
    raised = " (the least taken: flatter ground)" if segment.slope_raised else ""
    rough = "" if segment.roughness is None else f", n = {segment.roughness:.3f}"
    return (
        f"{segment.kind}: {both_units(segment.length_m, 'length')}, slope {segment.slope:.4f}"
        f"{raised}{rough}: {minutes(segment.time_s)} [{segment.source}]"
    )


def minutes(seconds: float) -> str:
    """
    Show a time.

    Parameters
    ----------
    seconds
        Of any length [s].

    Examples
    --------
    >>> minutes(390.0)
    '6.5 min'
    """
    return f"{from_si(seconds, 'min'):.1f} min"
