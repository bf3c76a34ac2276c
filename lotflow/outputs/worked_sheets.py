"""Worked sheets: the runoff of a node line by line, so that a reviewer can retrace it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.advice.say import Say
from lotflow.errors import Fault, InputError
from lotflow.runoff.composites import frequency_factor
from lotflow.runoff.curve_number import CSM_PER_INCH, graphical_peak, retention
from lotflow.runoff.runoff_rows import (
    compared_times,
    held_back,
    mean_coefficient,
    node_area,
    nrcs_row,
)
from lotflow.runoff.storms import sheet_flow_rain
from lotflow.text import did_you_mean
from lotflow.units import from_si, to_si

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray
    from lotflow.runoff.catchment_parts import PartWay
    from lotflow.runoff.concentration import Segment
    from lotflow.runoff.covers import GroundCover
    from lotflow.runoff.curve_number import StormType
    from lotflow.runoff.storms import StormStudy
    from lotflow.units import UnitSystem

#: File of the sheets in a result.
SHEETS_FILE: Final = "runoff_sheets.txt"
#: Line below which the sheet of the next node begins.
SHEET_MARK: Final = "=" * 72


def worked_sheets(
    storms: StormStudy, releases: Mapping[str, float], *, lot_name: str, case: str,
    storm_type: StormType | None, units: UnitSystem,
) -> str:  # fmt: skip
    """
    Write the sheets of all inlets and of the nodes into which downspouts lead.

    Parameters
    ----------
    storms
        Of the main case.
    releases
        What the line that leaves an inlet carries, by its name; only where known [m^3/s].
    lot_name, case
        What the text is headed with: name of the lot, state of its drains.
    storm_type
        NRCS distribution of the region, for the graphical peak; None where it is not given.
    units
        Of the report.
    """
    head = [
        f"Runoff, worked: {lot_name}, drains: {case}",
        f"Rain: {storms.rainfall.source}",
        *([f"All rain times {storms.rainfall.uplift:g}"] if storms.rainfall.uplift > 1 else []),
        "",
    ]
    sheets = (
        worked_sheet(storms, node, releases.get(name), storm_type, units)
        for node, name in enumerate(storms.node_names)
    )
    return "\n".join(head) + "".join(f"{SHEET_MARK}\n{sheet}\n" for sheet in sheets)


def stated_sheets(
    names: Sequence[str], ground: FloatArray, cover: GroundCover, intensity: float | None, *,
    lot_name: str, case: str, units: UnitSystem,
) -> str:  # fmt: skip
    """
    Write the sheets of the inlets where no rainfall is given: for one intensity.

    Parameters
    ----------
    names
        Of the inlets.
    ground
        Area of each kind of cover that reaches each inlet, shape (inlets, kinds) [m^2].
    cover
        Gives the kinds.
    intensity
        The stated one; None for one of 10 mm/h [m/s].
    lot_name, case, units
        As for `worked_sheets`.
    """
    head = [
        f"Runoff, worked: {lot_name}, drains: {case}",
        "Rain: none is given. Give [rainfall] in job.toml for times, storms and volumes.",
        "",
    ]
    sheets = (
        "\n".join(_stated_lines(Say(units), name, area, cover, intensity)) + "\n"
        for name, area in zip(names, ground, strict=True)
    )
    return "\n".join(head) + "".join(f"{SHEET_MARK}\n{sheet}\n" for sheet in sheets)


def _stated_lines(
    say: Say, name: str, area: FloatArray, cover: GroundCover, intensity: float | None
) -> list[str]:
    """Lines of the sheet of one inlet for one intensity."""
    if not area.any():
        return [name, "", "Nothing reaches it."]
    ca = float(area @ cover.values.runoff_coefficient)
    rain = to_si(10.0, "mm_h") if intensity is None else intensity
    how = "none is stated" if intensity is None else "stated"
    return [
        name, "", "1. Ground that reaches it",
        *_ground_of(say, cover, area, ca / float(area.sum()), curve_numbers=False), "",
        "2. Flow by the rational method, Q = C i A", "   FHWA HEC-22, 3rd ed. 2009, equation 3-1",
        f"   i = {say(rain, 'rain')}, {how}: "
        f"C A = {say(ca, 'area')}, Q = {say(rain * ca, 'flow')}",
    ]  # fmt: skip


def worked_sheet(
    storms: StormStudy,
    node: int,
    release_m3s: float | None = None,
    storm_type: StormType | None = None,
    units: UnitSystem | None = None,
) -> str:
    """
    Write the sheet of one node, which begins with its name.

    `release_m3s` is what the line that leaves it carries, where that is known [m^3/s]; without
    `units` every number is metric, with US units in brackets.
    """
    say = Say(units)
    lines = [storms.node_names[node], ""]
    area = node_area(storms, node)
    if not area:
        return "\n".join([*lines, "Nothing reaches it.", ""])
    lines += ["1. Ground that reaches it", *_ground_lines(say, storms, node, area), ""]
    lines += ["2. Parts and times of concentration", *_part_lines(say, storms, node), ""]
    lines += ["3. Peak by the rational method, Q = max over t of i(t) x sum of C A of the parts "
              "that have arrived by t", "   FHWA HEC-22, 3rd ed. 2009, equation 3-1 and section "
              "7.2.2", *_rational_lines(say, storms, node), ""]  # fmt: skip
    lines += ["4. Volume of the whole storm", *_volume_lines(say, storms, node)]
    lines += ["", "5. Water held back beside it", *_storage_lines(say, storms, node, release_m3s)]
    lines += [
        "",
        "6. Peak by the graphical method",
        *_graphical_lines(say, storms, node, storm_type),
    ]
    return "\n".join(lines) + "\n"


def explained(sheets: str) -> dict[str, str]:
    r"""
    Take the sheets of a text apart again, by the name of the node.

    Examples
    --------
    >>> explained("head\n" + SHEET_MARK + "\nC1\n\nNothing reaches it.\n\n")
    {'C1': 'C1\n\nNothing reaches it.\n'}
    """
    _, *parts = sheets.split(f"{SHEET_MARK}\n")
    return {part.split("\n", 1)[0]: part.removesuffix("\n") for part in parts}


def sheet_of(texts: Mapping[str, str], name: str) -> str:
    """
    Find the sheet of one node among the texts of a study.

    Parameters
    ----------
    texts
        By file name.
    name
        Of the inlet or node.

    Raises
    ------
    InputError
        If there is no such sheet, with what may have been meant.

    Examples
    --------
    >>> sheet_of({}, "C1")
    Traceback (most recent call last):
    lotflow.errors.InputError: there are no worked sheets: no inlet is drawn. Draw layer inlets.
    """
    sheets = explained(texts.get(SHEETS_FILE, ""))
    if not sheets:
        raise InputError(
            Fault("there are no worked sheets: no inlet is drawn", "Draw layer inlets")
        )
    if name not in sheets:
        rule = f"there is no inlet or node {name!r} in the main case of the drains"
        raise InputError(Fault(rule, did_you_mean(name, list(sheets))))
    return sheets[name]


def _ground_lines(say: Say, storms: StormStudy, node: int, area: float) -> list[str]:
    """Covers with their values and sources; `area` is all that reaches the node [m^2]."""
    cells = storms.ground.fixed[storms.ground.node == node].sum(axis=0)
    areas = cells * storms.surface.ground.cell_m2
    return _ground_of(say, storms.cover, areas, mean_coefficient(storms, node), area)


def _ground_of(
    say: Say, cover: GroundCover, areas: FloatArray, mean: float, together: float | None = None, *,
    curve_numbers: bool = True,
) -> list[str]:  # fmt: skip
    """Covers with their values and sources, by the area of each [m^2], and their mean C."""
    values = cover.values
    lines = []
    for kind in np.flatnonzero(areas).tolist():
        by_hand = " (given by hand)" if cover.given[kind] else ""
        number = f", CN = {values.curve_number[kind]:.0f}" if curve_numbers else ""
        lines += [
            f"   {cover.keys[kind]}: {say(areas[kind], 'area')}, "
            f"C = {values.runoff_coefficient[kind]:.2f}{number}{by_hand}",
            *([] if by_hand else [f"      C: {values.covers[kind].source}"]),
            *([] if by_hand or not curve_numbers
              else [f"      CN: {values.curve_numbers[kind].source}"]),
        ]  # fmt: skip
    area = float(areas.sum()) if together is None else together
    return [*lines, f"   together {say(area, 'area')}, composite C = sum of C A / A = "
                    f"{mean:.3f}"]  # fmt: skip


def _part_lines(say: Say, storms: StormStudy, node: int) -> list[str]:
    """Parts with the ways that time them."""
    lines = [f"   {_sheet_flow(say, storms)}"]
    for part in np.flatnonzero(storms.ground.node == node).tolist():
        area = say(float(storms.parts.area_m2[part]), "area")
        lines.append(
            f"   {storms.ground.kind[part]}: {area}, of which {_covers(say, storms, part)}"
        )
        way = storms.ground.way[part]
        lines += _way(say, way)
        lines.append(f"      t = {_minutes(float(storms.times_s[part]))}{_floor(storms, way)}")
    longest = storms.ground.longest_way(node)
    if longest is not None and longest.length_m:
        kirpich, faa = compared_times(longest, mean_coefficient(storms, node))
        lines.append(
            f"   to compare, for the slowest way: Kirpich {_minutes(kirpich)}, FAA {_minutes(faa)}"
        )
    return lines


def _sheet_flow(say: Say, storms: StormStudy) -> str:
    """Say in which rain sheet flow is timed."""
    period, rain = sheet_flow_rain(storms.rainfall)
    if rain is None:
        return f"sheet flow by the kinematic wave in the {period:g}-year storm"
    return f"sheet flow in the {period:g}-year rain of 24 hours, P2 = {say(rain, 'rain_depth')}"


def _covers(say: Say, storms: StormStudy, part: int) -> str:
    """Area of each cover of a part."""
    cells, cell_m2 = storms.ground.fixed[part], storms.surface.ground.cell_m2
    return ", ".join(
        f"{storms.cover.keys[kind]} {say(float(cells[kind]) * cell_m2, 'area')}"
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


def _way(say: Say, way: PartWay | None) -> list[str]:
    """Segments of the slowest way of a part."""
    if way is None:
        return ["      by gutters and downspouts"]
    if not way.time.segments:
        return ["      lies at the inlet itself"]
    lines = [f"      slowest way: {say(way.length_m, 'length')}, fall "
             f"{say(way.fall_m, 'depth')}"]  # fmt: skip
    lines += [f"      {_segment(say, segment)}" for segment in way.time.segments]
    return lines


def _segment(say: Say, segment: Segment) -> str:
    """One stretch of a way."""
    raised = " (the least taken: flatter ground)" if segment.slope_raised else ""
    rough = "" if segment.roughness is None else f", n = {segment.roughness:.3f}"
    return (
        f"{segment.kind}: {say(segment.length_m, 'length')}, slope {segment.slope:.4f}"
        f"{raised}{rough}: {_minutes(segment.time_s)} [{segment.source}]"
    )


def _minutes(seconds: float) -> str:
    return f"{from_si(seconds, 'min'):.1f} min"


def _rational_lines(say: Say, storms: StormStudy, node: int) -> list[str]:
    """Candidates of the peak in each storm, and the one that governs."""
    lines = []
    own = np.flatnonzero(storms.ground.node == node)
    times = np.unique(storms.times_s[own])
    for storm, period in enumerate(storms.storms):
        factor = float(frequency_factor(period))
        lines.append(f"   {period:g} years, frequency factor {factor:.2f} (C at most 1)")
        lines += _overflow(say, storms, own, storm)
        governing = storms.peaks.time_of_concentration_s[node, storm]
        for time in times.tolist():
            arrived = own[storms.times_s[own] <= time]
            ca = float(storms.parts.ca_m2[arrived, storm].sum())
            rain = float(storms.rainfall.intensity(time, period))
            mark = "   <- governs" if time == governing else ""
            lines.append(
                f"      t = {_minutes(time)}: i = {say(rain, 'rain')}, C A = "
                f"{say(ca, 'area')}, Q = {say(rain * ca, 'flow')}{mark}"
            )
    return lines


def _overflow(say: Say, storms: StormStudy, parts: NDArray[np.int64], storm: int) -> list[str]:
    """Say how much roof changes its way because gutters run over."""
    change = storms.part_cells[parts, :, storm] - storms.ground.fixed[parts]
    moved = float(change.sum()) * storms.surface.ground.cell_m2
    if not change.any():
        return []
    word = "less" if moved < 0 else "more"
    return [
        "      gutters run over whose leaders are full (downspouts, National Bureau of Standards "
        f"Monograph 31): {say(abs(moved), 'area')} of roof {word} than above"
    ]


def _volume_lines(say: Say, storms: StormStudy, node: int) -> list[str]:
    """Volume and peak of the hydrograph in each storm."""
    by_number = storms.designs[0].by_curve_number
    lines = [
        "   Q = (P - 0.2 S)^2 / (P + 0.8 S), S = "
        f"{say.either('25400 / CN - 254 mm', '1000 / CN - 10 in')}, per cover; NRCS TR-55 (1986), "
        "equations 2-3 and 2-4"
        if by_number
        else "   runoff coefficient times the longest rain, which does not reach 24 hours"
    ]
    cells = storms.volume_cells[storms.ground.node == node].sum(axis=0)
    for storm, design in enumerate(storms.designs):
        hours = from_si(design.storm.step_s * design.storm.depths_m.size, "h")
        rain = say(design.storm.total_m, "rain_depth")
        lines.append(f"   {design.return_period_yr:g} years: P = {rain} in {hours:.3g} h")
        lines += [
            _depth(say, storms, kind, storm, float(cells[kind, storm]))
            for kind in np.flatnonzero(cells[:, storm]).tolist()
        ]
        lines.append(_storm_total(say, storms, node, storm))
    return lines


def _depth(say: Say, storms: StormStudy, kind: int, storm: int, cells: float) -> str:
    """Runoff of one cover in one storm."""
    depth = float(storms.depths_m[kind, storm])
    number = float(storms.cover.values.curve_number[kind])
    basis = (
        f"S = {say(float(retention(number)), 'rain_depth')}"
        if storms.designs[storm].by_curve_number
        else f"C = {storms.coefficients[kind, storm]:.2f}"
    )
    area = cells * storms.surface.ground.cell_m2
    return (
        f"      {storms.cover.keys[kind]}: {basis}, Q = {say(depth, 'rain_depth')} x "
        f"{say(area, 'area')} = {say(depth * area, 'volume')}"
    )


def _storm_total(say: Say, storms: StormStudy, node: int, storm: int) -> str:
    """Volume of a storm, and the peak of its hydrograph."""
    volume = say(float(storms.volumes_m3[node, storm]), "volume")
    hydrograph = storms.hydrograph_at(node, storm)
    if hydrograph is None:
        return f"      together {volume}"
    return (
        f"      together {volume}; peak {say(hydrograph.peak_m3s, 'flow')} after "
        f"{from_si(hydrograph.peak_time_s, 'h'):.2f} h, by the dimensionless unit hydrograph in a "
        "nested storm (NRCS NEH 630, chapter 16)"
    )


def _storage_lines(say: Say, storms: StormStudy, node: int, release: float | None) -> list[str]:
    """Storage of each storm while no more leaves than the line carries, where that is known."""
    if release is None:
        return ["   not computed: no line with known levels and size leaves it"]
    lines = [
        f"   its line takes {say(release, 'flow')} at most; V = max over D of C A "
        "P(D) - release x D (modified rational method with steady release, from memory)"
    ]
    for storm, period in enumerate(storms.storms):
        storage = held_back(storms, node, storm, release)
        volume, duration = float(storage.volume_m3[0, 0]), float(storage.duration_s[0, 0])
        if not volume:
            lines.append(f"   {period:g} years: none")
            continue
        ca = say(float(storms.peaks.total_ca_m2[node, storm]), "area")
        rain = say(float(storms.rainfall.depth(duration, period)), "rain_depth")
        longer = ", the longest of the rainfall: it may be more" if storage.at_longest[0, 0] else ""
        lines.append(
            f"   {period:g} years: D = {_minutes(duration)}{longer}, P = {rain}, C A = {ca}, "
            f"V = {say(volume, 'volume')}"
        )
    return lines


def _graphical_lines(
    say: Say, storms: StormStudy, node: int, storm_type: StormType | None
) -> list[str]:
    """Peak of each storm by the graphical method, or how to have it."""
    if storm_type is None:
        return ["   not computed: give the NRCS rain distribution of the region, storm_type of the "
                "job's table [rainfall]"]  # fmt: skip
    if not storms.designs[0].by_curve_number:
        return ["   not computed: the rainfall does not reach 24 hours"]
    lines = [
        f"   q = qu A Q, rain distribution {storm_type}, composite CN; S, Q as above; qu by FHWA "
        "HEC-22, 3rd ed. 2009, equation 3-18 and Table 3-7, or NRCS TR-55 (1986), exhibit 4"
    ]
    for storm, design in enumerate(storms.designs):
        row = nrcs_row(storms, node, storm, storm_type)
        period = f"   {design.return_period_yr:g} years:"
        if "graphical_peak_m3s" not in row:
            lines.append(f"{period} {row['note'] or 'nothing reaches it'}")
            continue
        number, time = row["curve_number"], to_si(row["time_of_concentration_min"], "min")
        rain = design.storm.total_m
        peak = graphical_peak(row["area_m2"], number, rain, time, storm_type)
        lines += [
            f"{period} A = {say(row['area_m2'], 'area')}, CN = {number:.1f}, "
            f"P = {say(rain, 'rain_depth')}, t = {_minutes(time)}, "
            f"Ia/P = 0.2 S / P = {float(peak.abstraction_ratio):.3f},",
            f"      qu = {_unit_peak(say, float(peak.unit_peak_per_s))}, "
            f"Q = {say(float(peak.runoff_depth_m), 'rain_depth')}, "
            f"q = {say(float(peak.flow_m3s), 'flow')}",
            *([f"      {row['note']}"] if row["note"] else []),
        ]
    return lines


def _unit_peak(say: Say, per_s: float) -> str:
    """Unit peak discharge of the graphical method [1/s]."""
    # in m^3/s per km^2 and mm: 10^6 m^2 times 10^-3 m
    return say.either(
        f"{per_s * 1e3:.3f} m³/s per km² and mm",
        f"{per_s / CSM_PER_INCH:.0f} cfs per square mile and inch",
    )
