"""Ponds of all cases as layers, tables and entries of the summary."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.result_layers import layer_frame
from lotflow.study.pond_records import left_by_way
from lotflow.study.worst_ponds import worst_pond

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd

    from lotflow.study.pond_cases import PondGround
    from lotflow.study.pond_records import CaseStorm, Pond

Row = dict[str, Any]


def ponds_layer(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float]
) -> gpd.GeoDataFrame:
    """
    Give the ponds as polygons.

    Parameters
    ----------
    ground
        Gives the cells.
    found
        All cases and storms.
    periods
        Return periods of the storms [yr].
    """
    rows: list[Row] = []
    shapes: list[Any] = []
    for storm in found:
        for pond in storm.ponds:
            rows.append(_pond_row(ground, storm, pond, periods) | {"id": len(rows) + 1})
            shapes.append(pond.outline)
    return layer_frame("ponds", _columns(rows), shapes, ground.grid.crs)


def _columns(rows: Sequence[Row]) -> dict[str, list[Any]]:
    """Turn rows into columns."""
    return {name: [row[name] for row in rows] for name in rows[0]} if rows else {}


def _place(ground: PondGround, cell: int) -> tuple[float, float]:
    x, y = ground.grid.xy(*divmod(cell, ground.grid.shape[1]))
    return float(x), float(y)


def _pond_row(
    ground: PondGround, storm: CaseStorm, pond: Pond, periods: Sequence[float]
) -> Row:  # fmt: skip
    """Columns of a pond."""
    x, y = _place(ground, pond.bed_cell)
    spill_x, spill_y = _place(ground, pond.spill.cell) if pond.spill else (np.nan, np.nan)
    hours = pond.soak.time / 3600.0
    return {
        "return_period_yr": periods[storm.storm],
        "case": storm.case,
        "low_spot": pond.low_spot,
        "x": x,
        "y": y,
        "level_m": pond.level,
        "depth_m": pond.depth,
        "area_m2": pond.area_m2,
        "volume_m3": pond.volume_m3,
        "overflow_x": spill_x,
        "overflow_y": spill_y,
        "soaks_away_h": hours if np.isfinite(hours) else np.nan,
        "stays_m": pond.soak.left,
        "artefact": ground.artefact[pond.low_spot - 1],
        **_spill_columns(pond),
        **_entry_columns(pond),
    }


def _spill_columns(pond: Pond | None) -> Row:
    """Where a pond runs over."""
    spill = pond.spill if pond else None
    return {
        "overflow_m3": pond.overflow_m3 if pond else np.nan,
        "spills_to": spill.to if spill else "",
        "spills_onto": spill.onto if spill else "",
    }


def _entry_columns(pond: Pond | None) -> Row:
    """What a pond comes closest to entering."""
    freeboard = pond.freeboard if pond else None
    return {
        "building": freeboard.threshold.name if freeboard else "",
        "threshold_basis": freeboard.threshold.basis if freeboard else "",
        "threshold_m": freeboard.threshold.level if freeboard else np.nan,
        "freeboard_m": freeboard.freeboard if freeboard else np.nan,
        "reaches_building": bool(pond and pond.reaches_building),
    }


def pond_entries(
    ground: PondGround, layer: pd.DataFrame, found: Sequence[CaseStorm],
    periods: Sequence[float], beds: Mapping[int, tuple[int, float]],
) -> list[Row]:  # fmt: skip
    """
    List every pond in every case and storm for the summary, dry ones with a depth of 0.

    Parameters
    ----------
    ground
        Gives the cells.
    layer
        From `ponds_layer`.
    found
        All cases and storms.
    periods
        Return periods of the storms [yr].
    beds
        Deepest cell of each low spot and its elevation, by number [m].
    """
    names = [column.name for column in RESULT_LAYERS["ponds"].columns]
    wet = [dict(zip(names, row, strict=True)) for row in layer[names].itertuples(index=False)]
    present = {(row["case"], row["return_period_yr"], row["low_spot"]) for row in wet}
    spots = sorted({int(row["low_spot"]) for row in wet})
    entries = []
    for storm in found:
        period = periods[storm.storm]
        entries += [
            row for row in wet if (row["case"], row["return_period_yr"]) == (storm.case, period)
        ]
        entries += [
            _dry(ground, storm.case, period, spot, beds[spot])
            for spot in spots if (storm.case, period, spot) not in present
        ]  # fmt: skip
    return entries


def _dry(
    ground: PondGround, case: str, period: float, spot: int, bed: tuple[int, float]
) -> Row:  # fmt: skip
    """Entry of a low spot in which no water stands."""
    x, y = _place(ground, bed[0])
    nothing = dict.fromkeys(("depth_m", "area_m2", "volume_m3", "overflow_m3", "stays_m",
                             "soaks_away_h"), 0.0)  # fmt: skip
    return {
        "id": None, "return_period_yr": period, "case": case, "low_spot": spot, "x": x, "y": y,
        "level_m": bed[1], **nothing, "reaches_building": False,
        "artefact": ground.artefact[spot - 1],
    }  # fmt: skip


def overflow_paths_layer(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float]
) -> gpd.GeoDataFrame:
    """
    Give the ways of overflowing ponds, one per case and pond, for the largest storm.

    Parameters
    ----------
    ground
        Gives the cells.
    found
        All cases and storms.
    periods
        Return periods of the storms, rising [yr].
    """
    rows: dict[tuple[str, int, int], Row] = {}
    ways: dict[tuple[str, int, int], Any] = {}
    for storm in found:
        for pond in storm.ponds:
            if pond.spill is None or pond.spill.way.size < 2:
                continue
            key = (storm.case, pond.low_spot, pond.spill.cell)
            least = rows[key]["least_return_period_yr"] if key in rows else periods[storm.storm]
            rows[key] = {
                "case": storm.case, "low_spot": pond.low_spot,
                "least_return_period_yr": least, **_spill_columns(pond),
            }  # fmt: skip
            row, column = np.divmod(pond.spill.way, ground.grid.shape[1])
            ways[key] = shapely.LineString(np.column_stack(ground.grid.xy(row, column)))
    columns = _columns(list(rows.values())) | {"id": list(range(1, len(rows) + 1))}
    return layer_frame("overflow_paths", columns, list(ways.values()), ground.grid.crs)


def pond_cases_table(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float],
    connected_m3: Sequence[float], levels: Mapping[int, Mapping[int, float]],
) -> pd.DataFrame:  # fmt: skip
    """
    Give the balance and the worst pond of each case and storm.

    Parameters
    ----------
    ground
        Gives the cells.
    found
        All cases and storms.
    periods
        Return periods of the storms [yr].
    connected_m3
        Roof water led into drains, per storm [m^3].
    levels
        From `worst_ponds.open_levels`.
    """
    rows = []
    for storm in found:
        left = left_by_way(storm)
        worst = worst_pond(ground, storm, levels[storm.storm])
        pond, rise = worst or (None, np.nan)
        x, y = _place(ground, pond.bed_cell) if pond else (np.nan, np.nan)
        rows.append({
            "return_period_yr": periods[storm.storm], "case": storm.case,
            "runoff_m3": storm.runoff_m3 + connected_m3[storm.storm] - storm.surfaced_m3,
            "ponded_m3": storm.ponded_m3, "taken_m3": float(storm.taken_m3.sum()),
            "connected_m3": connected_m3[storm.storm] - storm.surfaced_m3,
            "to_water_m3": left["water"], "to_gap_m3": left["gap"],
            "over_edge_m3": left["edge"], "residual_m3": storm.residual_m3,
            "low_spot": pond.low_spot if pond else None, "x": x, "y": y,
            "level_m": pond.level if pond else np.nan,
            "depth_m": pond.depth if pond else np.nan, "rise_m": rise,
            **_spill_columns(pond), **_entry_columns(pond),
        })  # fmt: skip
    return _table("pond_cases", rows)


def inlet_intake_table(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float]
) -> pd.DataFrame:
    """
    Give what each inlet takes.

    Parameters
    ----------
    ground
        Names the inlets.
    found
        All cases and storms.
    periods
        Return periods of the storms [yr].
    """
    rows = [
        {
            "return_period_yr": periods[storm.storm], "case": storm.case, "inlet": name,
            "direct_m3": storm.direct_m3[i], "overflow_m3": storm.passed_on_m3[i],
            "from_inlets_m3": storm.from_inlets_m3[i], "backs_up_m3": storm.backs_up_m3[i],
            "refused_m3": storm.refused_m3[i], "passed_m3": storm.gone_on_m3[i],
            "taken_m3": storm.taken_m3[i],
        }
        for storm in found for i, name in enumerate(ground.inlets)
    ]  # fmt: skip
    return _table("inlet_intake", rows)


def _table(layer: str, rows: Sequence[Row]) -> pd.DataFrame:
    """Put rows into the declared columns."""
    return pd.DataFrame(rows, columns=[column.name for column in RESULT_LAYERS[layer].columns])
