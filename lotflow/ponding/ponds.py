"""Ponds of every storm for one set of open inlets: which matter, how long, how near a building."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.drains.standing_water import soak_away
from lotflow.ponding.records import BEYOND, LOT, CaseStorm, Pond, Rise, Spill, is_same_spill
from lotflow.terrain.catchments import label_polygons
from lotflow.terrain.cells import cells_from, greatest_of_parts
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.freeboard import (
    Freeboard,
    Threshold,
    building_thresholds,
    freeboards,
    opening_thresholds,
)
from lotflow.terrain.ponding import WaterBodies, node_name, overflow_path, water_bodies
from lotflow.terrain.routing import receivers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from geopandas import GeoDataFrame
    from numpy.typing import NDArray

    from lotflow.criteria import Criteria
    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray
    from lotflow.scenarios import Scenario
    from lotflow.terrain.ponding import PondNetwork, StandingWater
    from lotflow.terrain.surface import Surface


#: Levels that differ by less than this are the same: what rounding may do to them [m].
SAME_LEVEL_M: Final = 1e-4
#: A building is one of the lot from this share of its footprint on it.
_OWN_SHARE: Final = 0.5
#: An opening drawn this close to a footprint is in its wall [m].
_IN_WALL_M: Final = 2.0


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
    not_closed
        Whether basin or catchment of each low spot is not closed by the data.
    thresholds
        Buildings and openings that water may enter.
    paved
        Cells that are paved.
    rate
        Infiltration of each cell [m/s].
    inlets
        Names of the inlets.
    least_depth
        Smallest greatest depth of a reported pond [m].
    rmse
        Vertical accuracy of the elevation data [m].
    inlet_rate
        What goes on draining through the inlets on each cell once the storm is over [m/s]; None
        where inlets that are open take all.
    """

    grid: Grid
    lot: BoolArray
    near: BoolArray
    low_spot: IntArray
    artefact: Sequence[str]
    not_closed: BoolArray
    thresholds: Sequence[Threshold]
    paved: BoolArray
    rate: FloatArray
    inlets: Sequence[str]
    least_depth: float
    rmse: float
    inlet_rate: FloatArray | None = None


def near_lot(lot: BoolArray, grid: Grid, criteria: Criteria) -> BoolArray:
    """Cells near enough to the lot for a pond on them to be reported."""
    return np.asarray(cells_from(lot) * grid.cell_m <= criteria.pond_reach_m)


def site_thresholds(
    surface: Surface, buildings: GeoDataFrame, openings: GeoDataFrame, lot: shapely.Geometry
) -> list[Threshold]:
    """
    List the buildings and openings of a site that water may enter.

    Parameters
    ----------
    surface
        On which they stand.
    buildings, openings
        Site layers, in the grid's CRS.
    lot
        Its outline: a building is one of the lot from half of its footprint on it.
    """
    names = [name or f"building {i}" for i, name in enumerate(_texts(buildings["name"]), 1)]
    shapes = buildings.geometry
    inside = shapes.intersection(lot).area
    own = (inside > _OWN_SHARE * shapes.area).tolist()
    levels = buildings["threshold_m"].astype(float).tolist()
    found = building_thresholds(surface, names, levels, own)
    row, column = surface.ground.row_column(openings.geometry.x, openings.geometry.y)
    known = np.flatnonzero(surface.ground.contains(row, column))
    labels = [
        name or f"{kind or 'opening'} {i}"
        for i, (name, kind) in enumerate(
            zip(_texts(openings["name"]), _texts(openings["kind"]), strict=True), 1
        )
    ]
    inside = _buildings_of(openings.geometry, shapes, names, surface.ground)
    return found + opening_thresholds(
        surface,
        [labels[i] for i in known],
        (np.asarray(row) * surface.ground.shape[1] + np.asarray(column))[known].tolist(),
        openings["sill_m"].astype(float).to_numpy()[known].tolist(),
        [inside[i] for i in known],
    )


def _buildings_of(openings: Any, buildings: Any, names: Sequence[str], grid: Grid) -> list[str]:
    """Name the building in whose wall each opening is; empty where none is that near."""
    reach = _IN_WALL_M / grid.metres_per_unit
    found = [""] * len(openings)
    tree = shapely.STRtree(buildings.to_numpy())
    for opening, building in tree.query_nearest(
        openings.to_numpy(), max_distance=reach, all_matches=False
    ).T.tolist():
        found[opening] = names[building]
    return found


def _texts(column: Any) -> list[str]:
    """Texts of a column, empty where there is none."""
    return [str(value) for value in column.astype(object).fillna("")]


def case_storm(
    ground: PondGround,
    scenario: Scenario,
    storm: int,
    water: StandingWater,
    opened: tuple[CaseStorm, StandingWater] | None = None,
    spills: Spills | None = None,
) -> CaseStorm:
    """
    Report the ponds of a storm, and what of them every open inlet would have kept lower.

    A pond that is the same as with every inlet open is the same record: with hundreds of inlets
    nearly all are, in nearly all scenarios. `opened` is what is reported, and where its water is,
    with every inlet open, None where this is that scenario; `spills` are of the network of the
    water, where several storms ran on it.
    """
    unit, count = ground.grid.cell_m2, len(ground.inlets)
    direct, passed_on = np.zeros(count), np.zeros(count)
    direct[: water.direct.size] = water.direct * unit
    passed_on[: water.passed_on.size] = water.passed_on * unit
    bodies = _bodies(ground, water)
    same = {} if opened is None else _same_ponds(bodies, *opened)
    ponds = _ponds(spills or Spills(ground, water.network), bodies, same)
    return CaseStorm(
        scenario=scenario,
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
        ponds=tuple(ponds.values()),
        rises=() if opened is None else _rises(ground, bodies, opened[1], ponds),
    )


@dataclass(frozen=True, eq=False)
class _Bodies:
    """All bodies of water of a storm, however shallow, and what each touches."""

    cell_m2: float
    water: StandingWater
    bodies: WaterBodies
    level: FloatArray
    walls: dict[int, tuple[Freeboard, ...]]
    low_spot: IntArray
    near: NDArray[Any]
    inside: NDArray[Any]
    paved: NDArray[Any]
    not_closed: NDArray[np.bool_]

    def area_m2(self, position: int) -> float:
        """Area of the water's surface [m^2]."""
        return int(self.bodies.cells[position]) * self.cell_m2

    def facts(self, position: int) -> dict[str, Any]:
        """Fields that a pond and a rise share."""
        bodies, unit = self.bodies, self.cell_m2
        cells = int(bodies.cells[position])
        return {
            "low_spot": int(self.low_spot[position]),
            "level": float(bodies.level[position]),
            "depth": float(bodies.depth[position]),
            "area_m2": self.area_m2(position),
            "volume_m3": float(bodies.volume[position]) * unit,
            "on_lot": bool(self.inside[position]),
            "walls": self.walls.get(position + 1, ()),
            "paved_m2": int(self.paved[position]) * unit,
            "off_lot_m2": (cells - int(self.inside[position])) * unit,
            "not_closed": bool(self.not_closed[position]),
        }


def _bodies(ground: PondGround, water: StandingWater) -> _Bodies:
    """Tell the bodies of water apart, and what each touches."""
    bodies = water_bodies(water, 0.0)
    level = water.network.routing.elevation + water.depth
    near, inside, paved = (
        np.bincount(bodies.number[mask], minlength=len(bodies) + 1)[1:]
        for mask in (ground.near, ground.lot, ground.paved)
    )
    low_spot = greatest_of_parts(ground.low_spot, bodies.number, len(bodies)).astype(int)
    return _Bodies(
        cell_m2=ground.grid.cell_m2,
        water=water,
        bodies=bodies,
        level=level,
        walls=freeboards(bodies.number, level, water.depth, ground.thresholds),
        low_spot=low_spot,
        near=near,
        inside=inside,
        paved=paved,
        not_closed=np.append(False, ground.not_closed)[low_spot],
    )


def _same_ponds(all_of_them: _Bodies, usual: CaseStorm, opened: StandingWater) -> dict[int, Pond]:
    """Ponds with every inlet open that have the cells and depths of a body, by its position."""
    bodies, water = all_of_them.bodies, all_of_them.water
    changed = (water.depth != opened.depth) | (
        water.network.routing.elevation != opened.network.routing.elevation
    )
    is_changed = np.zeros(len(bodies) + 1, dtype=bool)
    is_changed[bodies.number[changed]] = True
    cells = dict(zip(bodies.bed_cell.tolist(), range(len(bodies)), strict=True))
    found = {}
    for pond in usual.ponds:
        position = cells.get(pond.bed_cell)
        # as many cells, all wet there too and joined: the same cells
        if (
            position is not None
            and not is_changed[position + 1]
            and pond.area_m2 == (all_of_them.area_m2(position))
        ):
            found[position] = pond
    return found


def _ponds(spills: Spills, all_of_them: _Bodies, same: dict[int, Pond]) -> dict[int, Pond]:
    """Ponds that are reported, by position: in low spots on the lot or near it."""
    bodies, ground = all_of_them.bodies, spills.ground
    deep = bodies.depth >= ground.least_depth - LEVEL_STEP
    chosen = np.flatnonzero(deep & (all_of_them.near > 0) & (all_of_them.low_spot > 0))
    shown = np.zeros(len(bodies) + 1, dtype=np.int32)
    new = np.array([i for i in chosen.tolist() if i not in same], dtype=np.int64)
    shown[new + 1] = new + 1
    number = shown[bodies.number]
    outlines = dict(zip(*label_polygons(number, ground.grid), strict=True)) if new.size else {}
    cells = _cells_of(number)
    return {
        i: _as_before(spills, all_of_them, i, same[i]) if i in same
        else _pond(spills, all_of_them, i, cells[i + 1], outlines[i + 1])
        for i in chosen.tolist()
    }  # fmt: skip


def _cells_of(number: IntArray) -> dict[int, NDArray[np.int64]]:
    """Flat indices of the cells of each number: to look through all cells for each takes long."""
    wet = np.flatnonzero(number)
    wet = wet[np.argsort(number.ravel()[wet], kind="stable")]
    found, first = np.unique(number.ravel()[wet], return_index=True)
    return dict(zip(found.tolist(), np.split(wet, first[1:]), strict=True)) if found.size else {}


def _spilt(spills: Spills, all_of_them: _Bodies, position: int, on_lot: bool) -> dict[str, Any]:
    """How much of a body of water runs over, and where."""
    overflow = float(all_of_them.bodies.overflow[position])
    depression = int(all_of_them.bodies.depression[position])
    return {
        "overflow_m3": overflow * spills.ground.grid.cell_m2,
        "spill": spills.of(depression, on_lot) if overflow > 0 else None,
    }


def _as_before(spills: Spills, all_of_them: _Bodies, position: int, usual: Pond) -> Pond:
    """The record of the same pond with every inlet open, unless it runs over otherwise."""
    now = _spilt(spills, all_of_them, position, usual.on_lot)
    is_same = now["overflow_m3"] == usual.overflow_m3 and is_same_spill(now["spill"], usual.spill)
    return usual if is_same else replace(usual, **now)


def _pond(
    spills: Spills, all_of_them: _Bodies, position: int, cells: NDArray[np.int64], outline: Any
) -> Pond:
    """One body of water with what is said of it."""
    bodies, ground = all_of_them.bodies, spills.ground
    facts = all_of_them.facts(position)
    rate, inlets = ground.rate.ravel()[cells], ground.inlet_rate
    through = np.zeros(cells.size) if inlets is None else inlets.ravel()[cells]
    return Pond(
        bed_cell=int(bodies.bed_cell[position]),
        outline=outline,
        soak=soak_away(all_of_them.water.depth.ravel()[cells], rate + through),
        through_inlets=bool(through.any()),
        **_spilt(spills, all_of_them, position, facts["on_lot"]),
        **facts,
    )


def rise_of_levels(water: StandingWater, opened: StandingWater) -> FloatArray:
    """
    Take how much higher water stands on each cell than in the same storm with every inlet open [m].

    By level of the water less that of the water, rim or ground that was there; 0 where that is
    less than `SAME_LEVEL_M`.
    """
    bed = water.network.routing.elevation
    # an open inlet counts as dry at its rim, which may stand above or below its ground
    usual = np.maximum(opened.network.routing.elevation + opened.depth, bed)
    higher = np.where(water.depth > LEVEL_STEP / 2, bed + water.depth - usual, 0.0)
    return np.asarray(np.where(higher > SAME_LEVEL_M, higher, 0.0))


def _rises(
    ground: PondGround, all_of_them: _Bodies, opened: StandingWater, ponds: dict[int, Pond]
) -> tuple[Rise, ...]:
    """Compare cell by cell, then report body by body."""
    number, unit = all_of_them.bodies.number, ground.grid.cell_m2
    rise = rise_of_levels(all_of_them.water, opened)
    raised = np.flatnonzero(rise > 0)
    body, height = number.ravel()[raised], rise.ravel()[raised]
    highest_first = np.argsort(-height, kind="stable")
    which, first = np.unique(body[highest_first], return_index=True)
    cells = np.bincount(body, minlength=len(all_of_them.bodies) + 1)
    more = np.bincount(body, weights=height, minlength=len(all_of_them.bodies) + 1)
    return tuple(
        Rise(
            rise=float(rise.ravel()[cell]),
            cell=int(cell),
            raised_m2=int(cells[one]) * unit,
            raised_m3=float(more[one]) * unit,
            is_near=bool(all_of_them.near[one - 1]),
            pond=ponds.get(one - 1),
            **all_of_them.facts(one - 1),
        )
        for one, cell in zip(which.tolist(), raised[highest_first[first]].tolist(), strict=True)
    )


class Spills:
    """Ways of the overflow of depressions, across those too shallow to be low spots."""

    def __init__(self, ground: PondGround, network: PondNetwork) -> None:
        self.ground, self.network = ground, network
        self._followed: dict[tuple[int, bool], Spill] = {}

    @cached_property
    def _low_spot(self) -> IntArray:
        """Number of a low spot in each depression, from 1; 0 where there is none."""
        found = np.zeros(self.network.capacity.size + 1, dtype=np.int32)
        known = self.ground.low_spot > 0
        np.maximum.at(found, self.network.depression[known], self.ground.low_spot[known])
        return found[1:]

    @cached_property
    def _receiver(self) -> NDArray[np.int64]:
        """Cell that each cell drains to."""
        return receivers(self.network.routing.field).ravel()

    def of(self, depression: int, on_lot: bool) -> Spill:
        """Where the overflow of a depression goes, from 1, seen from the lot or from beyond it."""
        if (depression, on_lot) not in self._followed:
            self._followed[depression, on_lot] = self._follow(depression, on_lot)
        return self._followed[depression, on_lot]

    def _follow(self, depression: int, on_lot: bool) -> Spill:
        path = overflow_path(self.network, self._receiver, depression, self._low_spot > 0)
        inside = self.ground.lot.ravel()[path.cells[1:]]
        return Spill(
            cell=path.spill_cell,
            way=path.cells,
            to=node_name(self.network, path.end, self.ground.inlets, self._low_spot),
            onto=LOT if (inside.all() if on_lot else inside.any()) else BEYOND,
        )
