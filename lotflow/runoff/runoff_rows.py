"""Rows of the layer "runoff": flow and volume of every subject, storm and method."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.runoff.composites import composite
from lotflow.runoff.concentration import PathRules
from lotflow.runoff.curve_number import TIME_RANGE_S, graphical_peak
from lotflow.runoff.rational import storage_volume
from lotflow.runoff.travel import faa_time, kirpich_time
from lotflow.units import from_si

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.runoff.catchment_parts import PartWay
    from lotflow.runoff.curve_number import StormType
    from lotflow.runoff.rational import Storage
    from lotflow.runoff.storms import StormStudy

Row = dict[str, Any]

_MILLIMETRES: Final = 1000.0
#: A smaller share of a roof's water over the gutter is not worth a note [-].
_LEAST_OVERFLOW: Final = 0.005


def storm_rows(
    study: StormStudy,
    kinds: Sequence[str],
    storm_type: StormType | None = None,
    releases: Mapping[str, float] = MappingProxyType({}),
) -> list[Row]:
    """
    Give the rows of all nodes of a study, node by node and storm by storm.

    Each storm has a row "rational", and one "nrcs" where its rain reaches 24 hours.

    Parameters
    ----------
    study
        Storms with their parts.
    kinds
        What each node is: "inlet", "node", "downspout" or "low spot".
    storm_type
        NRCS distribution of the region, for the graphical peak; None for none.
    releases
        What may leave each node, by its name, for the storage it asks for; only where known
        [m^3/s].
    """
    rows = []
    for node, kind in enumerate(kinds):
        always = {"subject": study.node_names[node], "kind": kind, **_way_columns(study, node)}
        for storm, design in enumerate(study.designs):
            always["return_period_yr"] = design.return_period_yr
            stored = _storage(study, node, storm, releases.get(study.node_names[node]))
            rows.append({**always, **_rational(study, node, storm), **stored})
            if design.by_curve_number:
                rows.append({**always, **nrcs_row(study, node, storm, storm_type)})
    return rows


def node_area(study: StormStudy, node: int) -> float:
    """Area of all parts that reach a node while no gutter overflows [m^2]."""
    return float(study.parts.area_m2[study.ground.node == node].sum())


def mean_coefficient(study: StormStudy, node: int) -> float:
    """Composite C without frequency factor; NaN where nothing reaches the node [-]."""
    cells = study.ground.fixed[study.ground.node == node].sum(axis=0)
    return composite(study.cover.values.runoff_coefficient, cells)


def _way_columns(study: StormStudy, node: int) -> Row:
    """Length of the slowest way, and its time by formulas to compare."""
    way = study.ground.longest_way(node)
    if way is None or not way.length_m:
        return {}
    kirpich, faa = compared_times(way, mean_coefficient(study, node))
    return {
        "longest_way_m": way.length_m,
        "kirpich_min": from_si(kirpich, "min"),
        "faa_min": from_si(faa, "min"),
    }


def compared_times(way: PartWay, coefficient: float) -> tuple[float, float]:
    """
    Time of a way by Kirpich and by the Federal Aviation Administration [s].

    `coefficient` is the composite runoff coefficient of the catchment [-]; a way of no length has
    no such time.
    """
    slope = way.slope(PathRules().least_slope)
    return (
        float(kirpich_time(way.length_m, slope)),
        float(faa_time(coefficient, way.length_m, slope)),
    )


def _rational(study: StormStudy, node: int, storm: int) -> Row:
    """Peak by the rational method."""
    peaks, design = study.peaks, study.designs[storm]
    own = study.ground.node == node
    cells = float(study.part_cells[own, :, storm].sum())
    area = cells * study.surface.ground.cell_m2
    total = float(peaks.total_ca_m2[node, storm])
    return {
        "method": "rational",
        "area_m2": area,
        "runoff_coefficient": total / area if area else np.nan,
        "time_of_concentration_min": from_si(peaks.time_of_concentration_s[node, storm], "min"),
        "intensity_mm_h": from_si(peaks.intensity_m_s[node, storm], "mm_h"),
        "flow_m3s": float(peaks.flow_m3s[node, storm]),
        # by curve number where the rain is long enough for it
        "volume_m3": np.nan if design.by_curve_number else float(study.volumes_m3[node, storm]),
        "ca_m2": float(peaks.ca_m2[node, storm]),
        "total_ca_m2": total,
        "note": "; ".join(_rational_notes(study, node, storm)),
    }


def held_back(study: StormStudy, node: int, storm: int, release_m3s: float) -> Storage:
    """
    Find what a storm leaves waiting at a node while no more than the release leaves [m^3/s].

    The arrays of the storage have shape (1, 1).
    """
    ca = study.peaks.total_ca_m2[node, storm]
    return storage_volume([ca], [release_m3s], study.rainfall, [study.storms[storm]])


def _storage(study: StormStudy, node: int, storm: int, release: float | None) -> Row:
    """Volume held back by a known release."""
    if release is None:
        return {}
    storage = held_back(study, node, storm, release)
    volume = float(storage.volume_m3[0, 0])
    return {
        "release_m3s": release,
        "storage_m3": volume,
        "storage_rain_min": from_si(storage.duration_s[0, 0], "min") if volume else np.nan,
    }


def _rational_notes(study: StormStudy, node: int, storm: int) -> list[str]:
    """What decides a peak."""
    notes = []
    peaks = study.peaks
    if peaks.ca_m2[node, storm] < peaks.total_ca_m2[node, storm] * (1 - 1e-9):
        notes.append("the early part alone governs: all of it in longer rain peaks lower")
    own = study.ground.node == node
    before = float(study.ground.fixed[own].sum())
    after = float(study.part_cells[own, :, storm].sum())
    if before and abs(after - before) > _LEAST_OVERFLOW * before:
        share = f"{abs(after - before) / before:.0%}"
        notes.append(
            f"{share} less: it runs over gutters whose leaders are full" if after < before
            else f"{share} more roof, from gutters that run over"
        )  # fmt: skip
    return notes


def nrcs_row(study: StormStudy, node: int, storm: int, storm_type: StormType | None) -> Row:
    """
    Give volume, depth and peaks by curve number, as columns of the layer "runoff".

    Of storms whose rain reaches 24 hours; `storm_type` is the NRCS distribution of the region, for
    the graphical peak, None for none.
    """
    cells = study.volume_cells[study.ground.node == node, :, storm]
    area = float(cells.sum()) * study.surface.ground.cell_m2
    volume = float(study.volumes_m3[node, storm])
    hydrograph = study.hydrograph_at(node, storm) if area else None
    way = study.ground.longest_way(node)
    row: Row = {
        "method": "nrcs",
        "area_m2": area,
        "runoff_coefficient": np.nan,
        "time_of_concentration_min": from_si(_time(study, way), "min") if area else np.nan,
        "intensity_mm_h": np.nan,
        "flow_m3s": 0.0 if hydrograph is None else hydrograph.peak_m3s,
        "volume_m3": volume,
        "curve_number": composite(study.cover.values.curve_number, cells.sum(axis=0)),
        "runoff_depth_mm": volume / area * _MILLIMETRES if area else np.nan,
        "note": "",
    }
    if storm_type is not None and area:
        row |= _graphical(row, study.designs[storm].storm.total_m, storm_type)
    return row


def _time(study: StormStudy, way: PartWay | None) -> float:
    """Time of concentration of all that reaches a node [s]."""
    own = study.times_s.min() if way is None else way.time.time_s
    return float(max(own, study.rainfall.duration_range_s[0]))


def _graphical(row: Row, rain_m: float, storm_type: StormType) -> Row:
    """Peak by the graphical method, and what of it is uncertain."""
    time = row["time_of_concentration_min"] * 60.0
    if time > TIME_RANGE_S[1]:
        return {"note": "no graphical peak: it is published up to 10 h"}
    peak = graphical_peak(row["area_m2"], row["curve_number"], rain_m, time, storm_type)
    limits = (
        (peak.time_raised, "time raised to 0.1 h"),
        (peak.ratio_clamped, "Ia/P held within 0.1 to 0.5"),
        (peak.below_curve_number_limit, "published from a curve number of 40 on"),
    )
    met = [text for is_met, text in limits if bool(is_met)]
    return {
        "graphical_peak_m3s": float(peak.flow_m3s),
        "note": f"graphical peak: {', '.join(met)}" if met else "",
    }
