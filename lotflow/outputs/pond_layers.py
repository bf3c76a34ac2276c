"""
Ponds of all sets of open inlets as layers, tables and entries of the summary.

Everywhere `ground` gives the cells and what ponds are judged by, `found` are all sets of open
inlets and storms as `ponding.runs` has them, and `periods` return periods of the storms [yr].
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.result_layers import layer_frame
from lotflow.ponding.records import at_walls, left_by_way, reaches, touched, worst_pond, worst_rise
from lotflow.scenarios import OPEN
from lotflow.terrain.drainage import LEVEL_STEP

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd

    from lotflow.grid import FloatArray, Grid
    from lotflow.ponding.observations import Observed
    from lotflow.ponding.ponds import PondGround
    from lotflow.ponding.records import CaseStorm, Pond, Rise
    from lotflow.terrain.low_spots import LowSpots

Row = dict[str, Any]

#: Volumes that differ by less are the same: a millionth of a litre [m^3].
_SAME_M3: Final = 1e-9
#: So many rows of ponds of all cases and storms are listed: a summary of some megabytes.
LISTED_PONDS: Final = 10_000
_INTAKE: Final = (
    "direct_m3", "overflow_m3", "from_inlets_m3", "backs_up_m3", "refused_m3", "passed_m3",
    "taken_m3",
)  # fmt: skip


def rows_of_all(found: Sequence[CaseStorm]) -> int:
    """Count the rows that every pond in every case and storm would take, the dry ones too."""
    return len(found) * len({pond.low_spot for storm in found for pond in storm.ponds})


def listed_ponds(found: Sequence[CaseStorm]) -> list[CaseStorm]:
    """
    Leave out ponds that are the same as with every inlet open, where all would be too many to read.

    Up to `LISTED_PONDS` rows all ponds are kept; above, with one inlet blocked, only those that
    differ.
    """
    if rows_of_all(found) <= LISTED_PONDS:
        return list(found)
    usual = {id(pond) for storm in found if storm.scenario == OPEN for pond in storm.ponds}
    return [
        replace(storm, ponds=tuple(pond for pond in storm.ponds if id(pond) not in usual))
        if storm.scenario.inlet else storm
        for storm in found
    ]  # fmt: skip


def ponds_layer(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float]
) -> gpd.GeoDataFrame:
    """Give the ponds as polygons."""
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
        "scenario": str(storm.scenario),
        "low_spot": pond.low_spot,
        "x": x,
        "y": y,
        **_water_columns(pond),
        "overflow_x": spill_x,
        "overflow_y": spill_y,
        "soaks_away_h": hours if np.isfinite(hours) else np.nan,
        "stays_m": pond.soak.left,
        "artefact": ground.artefact[pond.low_spot - 1],
        **_spill_columns(pond),
    }


def _water_columns(water: Pond | Rise | None) -> Row:
    """How much water stands, on and against what, and what it comes closest to entering."""
    wall = water.walls[0] if water and water.walls else None
    buildings = at_walls(water.walls) if water else []
    given = wall is not None and wall.threshold.is_given
    return {
        "level_m": water.level if water else np.nan,
        "depth_m": water.depth if water else np.nan,
        "area_m2": water.area_m2 if water else np.nan,
        "volume_m3": water.volume_m3 if water else np.nan,
        "paved_m2": water.paved_m2 if water else np.nan,
        "off_lot_m2": water.off_lot_m2 if water else np.nan,
        "touches": touched(water) if water else "",
        "wall_depth_m": max((one.depth for one in buildings), default=0.0) if water else np.nan,
        "building": wall.threshold.building if wall else "",
        "opening": wall.threshold.name if wall and wall.threshold.is_opening else "",
        "threshold_basis": wall.threshold.basis if wall else "",
        "threshold_m": wall.threshold.level if wall and given else np.nan,
        "freeboard_m": wall.freeboard if wall and given else np.nan,
        "reaches_building": _reaches(water),
        "not_closed": bool(water and water.not_closed),
    }


def wall_water_table(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float]
) -> pd.DataFrame:
    """Give every wall and opening that a pond touches, and openings and given levels near it."""
    rows = []
    pond_id = 0
    for storm in found:
        for pond in storm.ponds:
            pond_id += 1  # as the layer of ponds counts
            for wall in pond.walls:
                if not (wall.at_wall or wall.threshold.is_given or wall.threshold.is_opening):
                    continue  # of a wall that is only near, with no level given, nothing is known
                x, y = _place(ground, wall.cell)
                rows.append({
                    "return_period_yr": periods[storm.storm], "scenario": str(storm.scenario),
                    "pond": pond_id, "low_spot": pond.low_spot, "name": wall.threshold.name,
                    "kind": "opening" if wall.threshold.is_opening else "building",
                    "is_own": wall.threshold.is_own, "at_wall": wall.at_wall,
                    "depth_m": wall.depth, "level_m": wall.level, "x": x, "y": y,
                    "threshold_basis": wall.threshold.basis, "threshold_m": wall.threshold.level,
                    "freeboard_m": wall.freeboard,
                    # of water that may stand higher it is not said that it stays away
                    "is_reached": True if wall.is_reached else None if pond.not_closed else False,
                    "not_closed": pond.not_closed,
                })  # fmt: skip
    return _table("wall_water", rows)


def _spill_columns(pond: Pond | None) -> Row:
    """Where a pond runs over."""
    spill = pond.spill if pond else None
    return {
        "overflow_m3": pond.overflow_m3 if pond else np.nan,
        "spills_to": spill.to if spill else "",
        "spills_onto": spill.onto if spill else "",
    }


def _reaches(water: Pond | Rise | None) -> bool | None:
    """Whether water reaches a building; None where the data do not show how high it stands."""
    reached = bool(water and reaches(water.walls))
    return None if water is not None and water.not_closed and not reached else reached


def pond_entries(
    ground: PondGround, layer: pd.DataFrame, found: Sequence[CaseStorm],
    listed: Sequence[CaseStorm], periods: Sequence[float], low_spots: LowSpots,
) -> list[Row]:  # fmt: skip
    """
    List every pond in every case and storm for the summary, dry ones with a depth of 0.

    `layer` comes from `ponds_layer`, `listed` from `listed_ponds`: where ponds are left out, so
    are the low spots that are dry as usual.
    """
    names = {column.name: column.key for column in RESULT_LAYERS["ponds"].columns}
    wet = [
        dict(zip(names.values(), row, strict=True))
        for row in layer[list(names)].itertuples(index=False)
    ]
    spots = {int(row["low_spot"]) for row in wet}
    entries: list[Row] = []
    usual: dict[int, set[int]] = {}
    rows = iter(wet)
    is_short = rows_of_all(found) > LISTED_PONDS
    for storm, kept in zip(found, listed, strict=True):
        period = periods[storm.storm]
        # as the layer has them
        entries += [next(rows) for _ in kept.ponds]
        present = {pond.low_spot for pond in storm.ponds}
        if storm.scenario == OPEN:
            usual[storm.storm] = present
        asked = usual[storm.storm] if is_short and storm.scenario.inlet else spots
        entries += [
            _dry(ground, str(storm.scenario), period, spot, low_spots)
            for spot in sorted(asked - present)
        ]
    return entries


def _dry(
    ground: PondGround, case: str, period: float, spot: int, low_spots: LowSpots
) -> Row:  # fmt: skip
    """Entry of a low spot in which no water stands."""
    x, y = _place(ground, int(low_spots.bed_cell[spot - 1]))
    nothing = dict.fromkeys(("depth_m", "area_m2", "volume_m3", "overflow_m3", "stays_m",
                             "soaks_away_h", "paved_m2", "off_lot_m2", "wall_depth_m"),
                            0.0)  # fmt: skip
    return {
        "id": None, "return_period_yr": period, "case": case, "low_spot": spot, "x": x, "y": y,
        "level_m": float(low_spots.bed[spot - 1]), **nothing,
        "reaches_building": None if ground.not_closed[spot - 1] else False,
        "not_closed": bool(ground.not_closed[spot - 1]), "artefact": ground.artefact[spot - 1],
    }  # fmt: skip


def overflow_paths_layer(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float]
) -> gpd.GeoDataFrame:
    """Give the ways of overflowing ponds, one per case and pond, for the largest storm."""
    rows: dict[tuple[str, int, int], Row] = {}
    ways: dict[tuple[str, int, int], Any] = {}
    for storm in found:
        for pond in storm.ponds:
            if pond.spill is None or pond.spill.way.size < 2:
                continue
            key = (str(storm.scenario), pond.low_spot, pond.spill.cell)
            least = rows[key]["least_return_period_yr"] if key in rows else periods[storm.storm]
            rows[key] = {
                "scenario": str(storm.scenario), "low_spot": pond.low_spot,
                "least_return_period_yr": least, **_spill_columns(pond),
            }  # fmt: skip
            row, column = np.divmod(pond.spill.way, ground.grid.shape[1])
            ways[key] = shapely.LineString(np.column_stack(ground.grid.xy(row, column)))
    columns = _columns(list(rows.values())) | {"id": list(range(1, len(rows) + 1))}
    return layer_frame("overflow_paths", columns, list(ways.values()), ground.grid.crs)


def pond_cases_table(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float],
    connected_m3: Sequence[float],
) -> pd.DataFrame:  # fmt: skip
    """
    Give the balance of each case and storm, what rises in it, and the water that matters most.

    `connected_m3` is the roof water led into drains, per storm.
    """
    rows = []
    for storm in found:
        left = left_by_way(storm)
        rows.append({
            "return_period_yr": periods[storm.storm], "scenario": str(storm.scenario),
            "runoff_m3": storm.runoff_m3 + connected_m3[storm.storm] - storm.surfaced_m3,
            "ponded_m3": storm.ponded_m3, "taken_m3": storm.carried_m3,
            "connected_m3": connected_m3[storm.storm] - storm.surfaced_m3,
            "to_water_m3": left["water"], "to_gap_m3": left["gap"],
            "over_edge_m3": left["edge"], "residual_m3": storm.residual_m3,
            "raised_m2": float(sum(one.raised_m2 for one in storm.rises)),
            "raised_m3": float(sum(one.raised_m3 for one in storm.rises)),
            **_worst_columns(ground, storm),
        })  # fmt: skip
    return _table("pond_cases", rows)


def _worst_columns(ground: PondGround, storm: CaseStorm) -> Row:
    """Water that matters most: of what stands, or of what rises."""
    doubts = ground.artefact, ground.rmse
    rise = None if storm.scenario == OPEN else worst_rise(storm, *doubts)
    pond = worst_pond(storm, *doubts) if storm.scenario == OPEN else rise.pond if rise else None
    water = rise or pond
    cell = rise.cell if rise else pond.bed_cell if pond else None
    x, y = (np.nan, np.nan) if cell is None else _place(ground, cell)
    return {
        "low_spot": (water.low_spot or None) if water else None, "x": x, "y": y,
        "rise_m": rise.rise if rise else 0.0, **_spill_columns(pond), **_water_columns(water),
    }  # fmt: skip


def inlet_intake_table(
    ground: PondGround, found: Sequence[CaseStorm], periods: Sequence[float]
) -> pd.DataFrame:
    """
    Give what each inlet takes with all open, and of the other cases what is different there.

    Nearly every inlet takes the same whichever other one is blocked: to say so of each would take
    the square of their number.
    """
    rows: list[Row] = []
    opened: dict[int, FloatArray] = {}
    for storm in found:
        volumes = np.column_stack(
            [
                storm.direct_m3,
                storm.passed_on_m3,
                storm.from_inlets_m3,
                storm.backs_up_m3,
                storm.refused_m3,
                storm.gone_on_m3,
                storm.taken_m3,
            ]
        )
        usual = opened.setdefault(storm.storm, np.full_like(volumes, np.inf))
        differs = (np.abs(volumes - usual) > _SAME_M3).any(axis=1)
        if storm.scenario == OPEN:
            opened[storm.storm] = volumes
        rows += [
            {"return_period_yr": periods[storm.storm], "scenario": str(storm.scenario),
             "inlet": ground.inlets[i], **dict(zip(_INTAKE, volumes[i].tolist(), strict=True))}
            for i in np.flatnonzero(differs).tolist()
        ]  # fmt: skip
    return _table("inlet_intake", rows)


def observations_layer(
    seen: Sequence[Observed], periods: Mapping[float, tuple[float, int]], crs: Any
) -> gpd.GeoDataFrame:
    """
    Give observations as points, with what is predicted there.

    `periods` has the return period of a day's rain by its depth, and whether it lies outside the
    rainfall.
    """
    rows = [_observation_row(one, periods) for one in seen]
    shapes = [shapely.Point(one.x, one.y) for one in seen]
    return layer_frame("observations", _columns(rows), shapes, crs)


def _observation_row(one: Observed, periods: Mapping[float, tuple[float, int]]) -> Row:
    """Columns of an observation."""
    period, side = periods.get(one.rain.depth_m, (np.nan, 0))
    stands = one.predicted.stands_h.high
    return {
        "name": one.name, "x": one.x, "y": one.y, "is_area": one.is_area,
        "seen_on": one.date or None, "depth_m": one.depth, "stood_h": one.hours,
        "note": one.note or None, "low_spot": one.low_spot or None,
        "matched": one.match.value, "away_m": one.away_m, "rain_basis": one.rain.basis.value,
        "rain_mm": one.rain.depth_m * 1e3, "rain_date": one.rain.date or None,
        "return_period_yr": np.nan if side else period,
        "predicted_m": one.predicted.opened.high,
        "predicted_least_m": one.predicted.opened.low,
        "predicted_blocked_m": one.predicted.blocked.high,
        "predicted_h": stands if 0 < stands < np.inf else np.nan,
        "error_m": one.predicted.error_m, "inlets": ", ".join(one.inlets),
        "verdict": one.verdict.value,
    }  # fmt: skip


def observation_entries(layer: pd.DataFrame) -> list[Row]:
    """List observations for the summary."""
    entries: list[Row] = [
        {str(key): None if pd.isna(value) else value for key, value in row.items()}
        for row in layer.drop(columns="geometry").to_dict("records")
    ]
    for one in entries:  # a whole number beside an empty cell has become a float
        one["low_spot"] = None if one["low_spot"] is None else int(one["low_spot"])
    return entries


def standing_depth(grid: Grid, depth: FloatArray) -> Grid:
    """Give the depth of standing water [m] as a grid; dry cells have none."""
    return grid.with_values(np.where(depth > LEVEL_STEP / 2, depth, np.nan))


def _table(layer: str, rows: Sequence[Row]) -> pd.DataFrame:
    """Put rows into the declared columns."""
    return pd.DataFrame(rows, columns=[column.name for column in RESULT_LAYERS[layer].columns])
