"""Ponds of every storm for one set of open inlets: which matter, how long, how near a building."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.drains.standing_water import soak_away
from lotflow.study.pond_records import BEYOND, LOT, CaseStorm, Pond, Spill
from lotflow.terrain.catchments import label_polygons
from lotflow.terrain.freeboard import (
    Freeboard,
    Threshold,
    building_thresholds,
    freeboards,
    opening_thresholds,
)
from lotflow.terrain.neighbourhoods import cells_from, greatest_of_parts
from lotflow.terrain.water_bodies import WaterBodies, node_name, overflow_path, water_bodies

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.pond_network import PondNetwork
    from lotflow.terrain.ponding import StandingWater


@dataclass(frozen=True, eq=False)
class PondGround:
    """
    What ponds are judged by, the same in all cases.

    Parameters
    ----------
    grid
        The cells.
    lot, near
        Cells of the lot, and those near enough to it for a pond to be reported.
    low_spot
        Number of the low spot on each cell.
    artefact
        Of each low spot.
    thresholds
        Levels at which water enters buildings.
    rate
        Infiltration of each cell [m/s].
    inlets
        Names of the inlets.
    least_depth
        Smallest greatest depth of a reported pond [m].
    rmse
        Vertical accuracy of the elevation data [m].
    """

    grid: Grid
    lot: BoolArray
    near: BoolArray
    low_spot: IntArray
    artefact: Sequence[str]
    thresholds: Sequence[Threshold]
    rate: FloatArray
    inlets: Sequence[str]
    least_depth: float
    rmse: float


def pond_ground(lot: LotWater, rate: FloatArray) -> PondGround:
    """
    Gather what ponds are judged by.

    Parameters
    ----------
    lot
        Ground, low spots, buildings and openings.
    rate
        Infiltration of each cell [m/s].
    """
    grid, criteria = lot.window.surface.ground, lot.job.criteria
    away = cells_from(lot.window.lot) * grid.cell_m
    return PondGround(
        grid=grid,
        lot=lot.window.lot,
        near=away <= criteria.pond_reach_m,
        low_spot=lot.low_spots.number,
        artefact=lot.low_spots.artefact,
        thresholds=_thresholds(lot),
        rate=rate,
        inlets=lot.names,
        least_depth=criteria.pond_depth_m,
        rmse=lot.job.elevation.rmse_m,
    )


def _thresholds(lot: LotWater) -> list[Threshold]:
    """Levels at which water enters the buildings and openings of a site."""
    surface, buildings, openings = lot.window.surface, lot.site.buildings, lot.site.openings
    names = [name or f"building {i}" for i, name in enumerate(_texts(buildings["name"]), 1)]
    found = building_thresholds(surface, names, buildings["threshold_m"].astype(float).tolist())
    row, column = surface.ground.row_column(openings.geometry.x, openings.geometry.y)
    inside = np.flatnonzero(surface.ground.contains(row, column))
    labels = [
        name or f"{kind or 'opening'} {i}"
        for i, (name, kind) in enumerate(
            zip(_texts(openings["name"]), _texts(openings["kind"]), strict=True), 1
        )
    ]
    return found + opening_thresholds(
        surface,
        [labels[i] for i in inside],
        (np.asarray(row) * surface.ground.shape[1] + np.asarray(column))[inside].tolist(),
        openings["sill_m"].astype(float).to_numpy()[inside].tolist(),
    )


def _texts(column: Any) -> list[str]:
    """Texts of a column, empty where there is none."""
    return [str(value) for value in column.astype(object).fillna("")]


def case_storm(ground: PondGround, case: str, storm: int, water: StandingWater) -> CaseStorm:
    """
    Report the ponds of a storm.

    Parameters
    ----------
    ground
        What they are judged by.
    case, storm
        Name of the case, position of the storm.
    water
        Where its water is.
    """
    unit, count = ground.grid.cell_m2, len(ground.inlets)
    direct, passed_on = np.zeros(count), np.zeros(count)
    direct[: water.direct.size] = water.direct * unit
    passed_on[: water.passed_on.size] = water.passed_on * unit
    return CaseStorm(
        case=case,
        storm=storm,
        runoff_m3=water.runoff * unit,
        ponded_m3=float(water.depth.sum()) * unit,
        left_m3=water.left * unit,
        direct_m3=direct,
        passed_on_m3=passed_on,
        from_inlets_m3=np.zeros(count),
        backs_up_m3=np.zeros(count),
        refused_m3=np.zeros(count),
        gone_on_m3=np.zeros(count),
        ponds=_ponds(ground, water),
    )


def _ponds(ground: PondGround, water: StandingWater) -> tuple[Pond, ...]:
    """Ponds in low spots on the lot or near it."""
    bodies = water_bodies(water, ground.least_depth)
    low_spot = greatest_of_parts(ground.low_spot, bodies.number, len(bodies)).astype(int)
    near, on_lot = (
        np.bincount(bodies.number[mask], minlength=len(bodies) + 1)[1:] > 0
        for mask in (ground.near, ground.lot)
    )
    chosen = np.flatnonzero(near & (low_spot > 0))
    shown = np.zeros(len(bodies) + 1, dtype=np.int32)
    shown[chosen + 1] = chosen + 1
    outlines = dict(zip(*label_polygons(shown[bodies.number], ground.grid), strict=True))
    entering = freeboards(bodies, ground.thresholds)
    return tuple(
        _pond(ground, water, bodies, i, (int(low_spot[i]), bool(on_lot[i]), outlines[i + 1],
                                         entering.get(i + 1)))
        for i in chosen.tolist()
    )  # fmt: skip


def _pond(
    ground: PondGround,
    water: StandingWater,
    bodies: WaterBodies,
    position: int,
    facts: tuple[int, bool, Any, Freeboard | None],
) -> Pond:
    """One body of water with what is said of it."""
    low_spot, on_lot, outline, freeboard = facts
    wet = bodies.number == position + 1
    unit = ground.grid.cell_m2
    overflow = float(bodies.overflow[position])
    return Pond(
        low_spot=low_spot,
        bed_cell=int(bodies.bed_cell[position]),
        level=float(bodies.level[position]),
        depth=float(bodies.depth[position]),
        area_m2=int(bodies.cells[position]) * unit,
        volume_m3=float(bodies.volume[position]) * unit,
        overflow_m3=overflow * unit,
        on_lot=on_lot,
        outline=outline,
        soak=soak_away(water.depth[wet], ground.rate[wet]),
        freeboard=freeboard,
        spill=_spill(ground, water.network, int(bodies.depression[position]), on_lot)
        if overflow > 0 else None,
    )  # fmt: skip


def _spill(ground: PondGround, network: PondNetwork, depression: int, on_lot: bool) -> Spill:
    """Follow the overflow of a depression, across others that are too shallow to be low spots."""
    stops = np.zeros(network.capacity.size + 1, dtype=bool)
    np.logical_or.at(stops, network.depression.ravel(), ground.low_spot.ravel() > 0)
    path = overflow_path(network, depression, stops[1:])
    inside = ground.lot.ravel()[path.cells[1:]]
    onto = LOT if (inside.all() if on_lot else inside.any()) else BEYOND
    return Spill(
        cell=path.spill_cell,
        way=path.cells,
        to=node_name(network, path.end, ground.inlets, ground.low_spot),
        onto=onto,
    )
