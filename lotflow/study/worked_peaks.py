"""Sections of a worked sheet on the peaks and volumes of a node in each storm."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.runoff.composites import frequency_factor
from lotflow.runoff.curve_number import CSM_PER_INCH, graphical_peak, retention
from lotflow.study.runoff_rows import held_back, nrcs_row
from lotflow.study.worked_ground import minutes
from lotflow.units import both_units, from_si, to_si

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.runoff.curve_number import StormType
    from lotflow.runoff.storms import StormStudy


def rational_lines(storms: StormStudy, node: int) -> list[str]:
    """
    Candidates of the peak in each storm, and the one that governs.

    Parameters
    ----------
    storms
        Of the main case.
    node
        Its position.
    """
    lines = []
    own = np.flatnonzero(storms.ground.node == node)
    times = np.unique(storms.times_s[own])
    for storm, period in enumerate(storms.storms):
        factor = float(frequency_factor(period))
        lines.append(f"   {period:g} years, frequency factor {factor:.2f} (C at most 1)")
        lines += _overflow(storms, own, storm)
        governing = storms.peaks.time_of_concentration_s[node, storm]
        for time in times.tolist():
            arrived = own[storms.times_s[own] <= time]
            ca = float(storms.parts.ca_m2[arrived, storm].sum())
            rain = float(storms.rainfall.intensity(time, period))
            mark = "   <- governs" if time == governing else ""
            lines.append(
                f"      t = {minutes(time)}: i = {both_units(rain, 'rain')}, C A = "
                f"{both_units(ca, 'area')}, Q = {both_units(rain * ca, 'flow')}{mark}"
            )
    return lines


def _overflow(storms: StormStudy, parts: NDArray[np.int64], storm: int) -> list[str]:
    """Say how much roof changes its way because gutters run over."""
    change = storms.part_cells[parts, :, storm] - storms.ground.fixed[parts]
    moved = float(change.sum()) * storms.surface.ground.cell_m2
    if not change.any():
        return []
    word = "less" if moved < 0 else "more"
    return [
        "      gutters run over whose leaders are full (downspouts, National Bureau of Standards "
        f"Monograph 31): {both_units(abs(moved), 'area')} of roof {word} than above"
    ]


def volume_lines(storms: StormStudy, node: int) -> list[str]:
    """
    Volume and peak of the hydrograph in each storm.

    Parameters
    ----------
    storms
        Of the main case.
    node
        Its position.
    """
    by_number = storms.designs[0].by_curve_number
    lines = [
        "   Q = (P - 0.2 S)^2 / (P + 0.8 S), S = 1000 / CN - 10 in, per cover; NRCS TR-55 (1986), "
        "equations 2-3 and 2-4"
        if by_number
        else "   runoff coefficient times the longest rain, which does not reach 24 hours"
    ]
    cells = storms.volume_cells[storms.ground.node == node].sum(axis=0)
    for storm, design in enumerate(storms.designs):
        hours = from_si(design.storm.step_s * design.storm.depths_m.size, "h")
        rain = both_units(design.storm.total_m, "rain_depth")
        lines.append(f"   {design.return_period_yr:g} years: P = {rain} in {hours:.3g} h")
        lines += [
            _depth(storms, kind, storm, float(cells[kind, storm]))
            for kind in np.flatnonzero(cells[:, storm]).tolist()
        ]
        lines.append(_storm_total(storms, node, storm))
    return lines


def _depth(storms: StormStudy, kind: int, storm: int, cells: float) -> str:
    """Runoff of one cover in one storm."""
    depth = float(storms.depths_m[kind, storm])
    number = float(storms.cover.values.curve_number[kind])
    basis = (
        f"S = {both_units(float(retention(number)), 'rain_depth')}"
        if storms.designs[storm].by_curve_number
        else f"C = {storms.coefficients[kind, storm]:.2f}"
    )
    area = cells * storms.surface.ground.cell_m2
    return (
        f"      {storms.cover.keys[kind]}: {basis}, Q = {both_units(depth, 'rain_depth')} x "
        f"{both_units(area, 'area')} = {both_units(depth * area, 'volume')}"
    )


def _storm_total(storms: StormStudy, node: int, storm: int) -> str:
    """Volume of a storm, and the peak of its hydrograph."""
    volume = both_units(float(storms.volumes_m3[node, storm]), "volume")
    hydrograph = storms.hydrograph_at(node, storm)
    if hydrograph is None:
        return f"      together {volume}"
    return (
        f"      together {volume}; peak {both_units(hydrograph.peak_m3s, 'flow')} after "
        f"{from_si(hydrograph.peak_time_s, 'h'):.2f} h, by the dimensionless unit hydrograph in a "
        "nested storm (NRCS NEH 630, chapter 16)"
    )


def storage_lines(storms: StormStudy, node: int, release: float | None) -> list[str]:
    """
    Storage of each storm while no more leaves than the line carries.

    Parameters
    ----------
    storms
        Of the main case.
    node
        Its position.
    release
        What the line that leaves it carries; None where that is not known [m^3/s].
    """
    if release is None:
        return ["   not computed: no line with known levels and size leaves it"]
    lines = [
        f"   its line takes {both_units(release, 'flow')} at most; V = max over D of C A "
        "P(D) - release x D (modified rational method with steady release, from memory)"
    ]
    for storm, period in enumerate(storms.storms):
        storage = held_back(storms, node, storm, release)
        volume, duration = float(storage.volume_m3[0, 0]), float(storage.duration_s[0, 0])
        if not volume:
            lines.append(f"   {period:g} years: none")
            continue
        ca = both_units(float(storms.peaks.total_ca_m2[node, storm]), "area")
        rain = both_units(float(storms.rainfall.depth(duration, period)), "rain_depth")
        longer = ", the longest of the rainfall: it may be more" if storage.at_longest[0, 0] else ""
        lines.append(
            f"   {period:g} years: D = {minutes(duration)}{longer}, P = {rain}, C A = {ca}, "
            f"V = {both_units(volume, 'volume')}"
        )
    return lines


def graphical_lines(storms: StormStudy, node: int, storm_type: StormType | None) -> list[str]:
    """
    Peak of each storm by the graphical method, or how to have it.

    Parameters
    ----------
    storms
        Of the main case.
    node
        Its position.
    storm_type
        NRCS distribution of the region; None where it is not given.
    """
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
            f"{period} A = {both_units(row['area_m2'], 'area')}, CN = {number:.1f}, "
            f"P = {both_units(rain, 'rain_depth')}, t = {minutes(time)}, "
            f"Ia/P = 0.2 S / P = {float(peak.abstraction_ratio):.3f},",
            f"      qu = {float(peak.unit_peak_per_s) / CSM_PER_INCH:.0f} cfs per square mile and "
            f"inch, Q = {both_units(float(peak.runoff_depth_m), 'rain_depth')}, "
            f"q = {both_units(float(peak.flow_m3s), 'flow')}",
            *([f"      {row['note']}"] if row["note"] else []),
        ]
    return lines
