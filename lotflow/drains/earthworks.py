"""
Earthworks judged: what is cut and filled, what a swale carries, where its water goes.

Everything is measured on the ground on which the water of the case runs, with all its earthworks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely

from lotflow.drains.domain import not_negative
from lotflow.drains.judged import about_place
from lotflow.drains.quantities import MovedGround, earthwork_quantities
from lotflow.runoff.travel import manning_velocity
from lotflow.tables import read_table
from lotflow.tables.drains import ChannelRoughness
from lotflow.terrain.cells import cells_from, polygon_cells, touched_cells
from lotflow.terrain.discharge_path import WALL_DISTANCE_M, leaves_where_allowed, reaches_street
from lotflow.terrain.earthworks import (
    SURFACE,
    BasinEdit,
    LineEdit,
    RegradeEdit,
    laid_earthworks,
)
from lotflow.terrain.surface import open_levels

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

    from lotflow.drains.quantities import Quantity
    from lotflow.findings import Finding, LevelSource, Severity
    from lotflow.grid import FloatArray
    from lotflow.layers.drawn import Drawn
    from lotflow.terrain.discharge_path import DischargePath
    from lotflow.terrain.earthworks import Earthwork, Edit, Section
    from lotflow.terrain.surface import Surface
    from lotflow.units import UnitSystem

#: Fall is judged over stretches of this length [m]: 10 ft, a level's reach; lotflow's rule.
_STRETCH_M: Final = 3.048
#: Least fall of a swale: Elwood IL and Willard OH ask 1 % of grass, Willoughby OH .5 % of concrete.
LEAST_FALL: Final = {"grass": 0.01, "bare soil": 0.01, "stone": 0.01, "concrete": 0.005}
FALL_SOURCE: Final = "ordinances of Willard OH and Elwood IL (grass), Edmonton (paved); local ones"
#: And near a building.
_NEAR_M: Final = 3.048
_NEAR_FALL: Final = 0.02
_NEAR_SOURCE: Final = "International Residential Code 2006, R401.3"
#: Flatter than this nothing runs by itself: a grader works to no less; common practice.
_LEVEL: Final = 0.001
#: A fall that was asked for is reached to within this.
_HAIR: Final = 1e-4
#: Water that may stand in a bed [m].
_STANDING_M: Final = 0.02
#: Room left above the water of the design storm [m].
_FREEBOARD_M: Final = 0.05
_OWN: Final = "lotflow's rule"
_PRACTICE: Final = "common practice, no published source"
#: Part of a swale that must have its depth.
_FULL_SHARE: Final = 2.0 / 3.0
#: Part of a regrade that must fall as asked.
_MET_SHARE: Final = 0.9
#: A rain garden this near to a wall wets it, and one this slow is a pond.
_GARDEN_M: Final = 3.048
_GARDEN_SOURCE: Final = (
    "University of Wisconsin Extension, Sizing and siting the rain garden: 10 feet from the house"
)
_GARDEN_H: Final = 24.0
_GARDEN_TIME_SOURCE: Final = "Washington State University, Rain Garden Handbook: gone within 24 h"
#: Ground is to stay so far below a sill [m]: 4 in, International Residential Code R404.1.6 (from
#: memory).
_BELOW_SILL_M: Final = 0.1016
_SILL_SOURCE: Final = "International Residential Code, R404.1.6: 4 in (from memory)"
_BERMS: Final = "Lebanon and Westlake OH: a berm alone turns water onto others; local law decides"
_NEIGHBOURS: Final = (
    "Keys v. Romley (California 1966), reasonable use; Lebanon and Westlake OH; local law decides"
)
_SIDEWALKS: Final = "ordinance of Lancaster OH; local law decides"
#: As far as a drawing may be off [m].
_REACH_M: Final = 1.0
#: Ground this near to the levels of an existing swale shows it [m]: half of a shallow one.
_SHOWN_M: Final = 0.08
#: Ground changed by less is not spoken of [m].
_CHANGED_M: Final = 0.01
_OTHERS_GROUND: Final = (
    "common practice, no published source: work on another's ground needs permission"
)

Verdict = Literal["works", "to be settled", "does not work", "not judged"]


def lining_roughness(lining: str) -> ChannelRoughness:
    """
    Roughness of a swale by its lining.

    Examples
    --------
    >>> lining_roughness("grass").n_design
    0.035
    """
    rows = {row.surface: row for row in read_table("swale_roughness", ChannelRoughness)}
    return rows[lining]


def section_flow(
    depth_m: ArrayLike, slope: ArrayLike, *, width_m: float, side: float, roughness: float
) -> FloatArray:
    """
    Uniform flow in a trapezoid, by Manning's formula.

    Parameters
    ----------
    depth_m
        Of the water [m].
    slope
        Of the bed [-]; where it does not fall nothing flows.
    width_m
        Of the bed [m]; 0 for a triangle.
    side
        Run to rise of the sides; 0 for a rectangle.
    roughness
        Manning's n [s/m^(1/3)].

    Returns
    -------
    flow
        [m^3/s].

    References
    ----------
    Chow (1959), Open-Channel Hydraulics, equation 5-6 and table 2-1.

    Examples
    --------
    >>> float(section_flow(1.6, 0.0025, width_m=6.0, side=0.0, roughness=0.015).round(2))
    32.92
    """
    depth = np.asarray(depth_m, dtype=np.float64)
    not_negative(depth=depth)
    area = (width_m + side * depth) * depth
    wet = width_m + 2.0 * depth * math.hypot(1.0, side)
    radius = np.divide(area, wet, out=np.zeros_like(area), where=wet > 0)
    fall = np.maximum(np.asarray(slope, dtype=np.float64), 0.0)
    return np.asarray(area * manning_velocity(radius, fall, roughness))


def section_depth(
    flow_m3s: float, slope: ArrayLike, *, width_m: float, side: float, roughness: float
) -> FloatArray:
    """
    Depth at which a flow runs in a trapezoid; infinite where its bed does not fall [m].

    Parameters are those of `section_flow`.

    Examples
    --------
    >>> float(section_depth(32.91, 0.0025, width_m=6.0, side=0.0, roughness=0.015)[0].round(2))
    1.6
    """
    fall = np.atleast_1d(np.asarray(slope, dtype=np.float64))
    low, high = np.zeros(fall.shape), np.full(fall.shape, 10.0)
    for _ in range(50):  # 10 m halved so often is a hair
        middle = (low + high) / 2
        runs = section_flow(middle, fall, width_m=width_m, side=side, roughness=roughness)
        low, high = np.where(runs < flow_m3s, middle, low), np.where(runs < flow_m3s, high, middle)
    return np.asarray(np.where(fall > 0, high, np.inf if flow_m3s > 0 else 0.0))


def falls_along(station: FloatArray, level: FloatArray) -> FloatArray:
    """
    Fall of a bed over 10 ft round each station; near its ends over what there is [-].

    Examples
    --------
    >>> falls_along(np.array([0.0, 5.0, 10.0]), np.array([1.0, 0.9, 0.8])).round(3).tolist()
    [0.02, 0.02, 0.02]
    """
    above = np.maximum(station - _STRETCH_M / 2, station[0])
    below = np.minimum(station + _STRETCH_M / 2, station[-1])
    fall = np.interp(above, station, level) - np.interp(below, station, level)
    return np.asarray(fall / (below - above))


@dataclass(frozen=True, eq=False)
class JudgedEarthwork:
    """
    An earthwork as it is dug, or one that exists; what does not apply is NaN or empty.

    Parameters
    ----------
    work
        As drawn.
    cut_m3, fill_m3, area_m2
        Ground moved, and ground changed.
    length_m, deepest_m
        Of a line; greatest depth cut or height raised [m].
    bank_m
        Least depth of a swale's bed below its lower bank, where it has its depth [m].
    full_share
        Share of its length at which it has its depth [-].
    fall, fall_near
        Least fall of its bed over 10 ft, anywhere and within 10 ft of a building [-].
    capacity_m3s, capacity_low_m3s
        Bank-full, of its worst place, with the usual and the greatest roughness.
    flow_m3s
        That reaches it in the design storm.
    freeboard_m
        Bank above that water, at its worst place [m].
    standing_m
        Greatest depth of water that stays in its bed, or in a fill [m].
    misses_m
        Distance of its lower end from what it leads to [m].
    end
        Where the water goes from its lower end.
    leaves_at, sidewalk, back_to_wall_m
        Where that water leaves the lot, the sidewalk it runs over, and how near to a building it
        comes [m].
    met_share
        Share of a regrade that falls as asked [-].
    holds_m3, empties_h
        Water a rain garden holds, and how long it takes to soak away [h].
    wall_m
        Distance from the nearest building [m].
    at_wall_m, over_sill
        Most that ground is raised at a wall; openings with how far the ground stays below [m].
    unseen_m
        How far the ground stands off the levels of one that exists [m].
    misses_swale
        Whether a berm leads to no swale that is dug with it.
    section
        Of a line, station by station.
    water, stands
        Of a swale, station by station: level of the water of the design storm, and of water that
        stays; NaN where there is none, or it is not known [m].
    crosses
        Pipes and utilities that it is dug over, with the depth cut there [m].
    crossed_at
        Of a line: their names, with the distances from its upper end at which it is dug over
        them [m].
    off_m
        How far it reaches beyond the lot [m].
    x, y
        Its lower end, or its middle.
    """

    work: Earthwork
    cut_m3: float
    fill_m3: float
    area_m2: float
    deepest_m: float
    wall_m: float
    off_m: float
    x: float
    y: float
    length_m: float = math.nan
    bank_m: float = math.nan
    full_share: float = math.nan
    fall: float = math.nan
    fall_near: float = math.nan
    capacity_m3s: float = math.nan
    capacity_low_m3s: float = math.nan
    flow_m3s: float = math.nan
    freeboard_m: float = math.nan
    standing_m: float = math.nan
    misses_m: float = math.nan
    end: str = ""
    leaves_at: tuple[float, float] | None = None
    sidewalk: str = ""
    back_to_wall_m: float = math.nan
    met_share: float = math.nan
    holds_m3: float = math.nan
    empties_h: float = math.nan
    at_wall_m: float = 0.0
    over_sill: tuple[tuple[str, float], ...] = ()
    unseen_m: float = math.nan
    crosses: tuple[tuple[str, str, float], ...] = ()
    crossed_at: tuple[tuple[str, float], ...] = ()
    misses_swale: bool = False
    section: Section | None = None
    water: FloatArray | None = None
    stands: FloatArray | None = None

    @property
    def done(self) -> FloatArray | None:
        """
        Level of the bed or top at each station when it is done [m]; None without a section.

        Digging never raises the ground, heaping never lowers it, whatever the drawing says.
        """
        if self.section is None:
            return None
        which = np.maximum if self.work.kind == "berm" else np.minimum
        return np.asarray(which(self.section.level, self.section.ground))

    @property
    def verdict(self) -> Verdict:
        """Whether it does what it is for, as far as is known."""
        severities = {finding.severity for finding in earthwork_findings([self])}
        if self.work.status == "existing":
            return "not judged"
        if "fail" in severities:
            return "does not work"
        return "to be settled" if "warn" in severities else "works"


@dataclass(frozen=True, eq=False)
class Around:
    """
    What earthworks are held against.

    Parameters
    ----------
    site
        What is drawn.
    surface
        On which the water of the case runs.
    filled
        Level to which water stands with the inlets of the case [m].
    path_of
        Gives the way of water from a place.
    names
        Of the inlets.
    flows
        Design flow that reaches each swale, by name [m^3/s]; empty without rain.
    """

    site: Drawn
    surface: Surface
    filled: FloatArray
    path_of: Any
    names: Sequence[str]
    flows: Mapping[str, float]

    @property
    def unit(self) -> float:
        """Metres of a unit of the CRS."""
        return self.surface.ground.metres_per_unit


def judge_earthworks(
    steps: Sequence[tuple[Edit, FloatArray, FloatArray]],
    existing: Sequence[Earthwork],
    around: Around,
) -> list[JudgedEarthwork]:
    """
    Measure and judge earthworks.

    Parameters
    ----------
    steps
        Each edit with the ground before and after it, in turn.
    existing
        Those that the elevation data show: listed, not judged.
    around
        What they are held against.
    """
    swales = {edit.work.name for edit, _, _ in steps if edit.work.kind == "swale"}
    swales |= {work.name for work in existing if work.kind == "swale"}
    found = [_judged(edit, before, after, around) for edit, before, after in steps]
    found = [replace(one, misses_swale=one.work.leads_to not in swales) for one in found]
    for work in existing:
        x, y = _place(work)
        facts: dict[str, Any] = {"flow_m3s": around.flows.get(work.name, math.nan)}
        if work.is_line:
            facts |= {"length_m": float(work.geometry.length) * around.unit}
            facts |= {"unseen_m": _not_shown(work, around)}
        found.append(
            JudgedEarthwork(
                work, 0.0, 0.0, 0.0, math.nan, _from_walls(work, around), 0.0, x, y, **facts
            )
        )
    return sorted(found, key=lambda one: one.work.row)


def _not_shown(work: Earthwork, around: Around) -> float:
    """How far the ground stands off the levels of an existing swale or berm [m]; NaN without."""
    if not work.is_straight:
        return math.nan
    ground = open_levels(around.surface.ground)
    off = [
        np.median(np.abs(edit.sample(ground) - edit.levels(ground)))
        for edit in laid_earthworks((work,), around.site, around.surface.ground).edits
        if isinstance(edit, LineEdit)
    ]
    return float(off[0])


def _place(work: Earthwork) -> tuple[float, float]:
    """Lower end of a line, a point inside an area."""
    if work.is_line:
        x, y = shapely.get_coordinates(work.geometry)[-1]
        return float(x), float(y)
    point = work.geometry.representative_point()
    return float(point.x), float(point.y)


def _from_walls(work: Earthwork, around: Around) -> float:
    walls = around.site.buildings.geometry.union_all()
    return math.nan if walls.is_empty else float(work.geometry.distance(walls)) * around.unit


def _judged(edit: Edit, before: FloatArray, after: FloatArray, around: Around) -> JudgedEarthwork:
    """Measure one earthwork in the ground it was dug into."""
    work, grid = edit.work, around.surface.ground
    change = after - before
    changed = np.abs(change) > 1e-6
    cut = float(-change[change < 0].sum()) * grid.cell_m2 + 0.0  # and no -0.0
    fill = float(change[change > 0].sum()) * grid.cell_m2
    lot = around.site.lot.geometry.union_all()
    beyond = work.geometry.difference(lot)
    off = max((shapely.Point(p).distance(lot) for p in shapely.get_coordinates(beyond)), default=0)
    x, y = _place(work)
    facts: dict[str, Any] = {
        "wall_m": _from_walls(work, around),
        "off_m": off * around.unit,
        "at_wall_m": _at_walls(change, around),
        "over_sill": _over_sills(change, after, around),
        "crosses": _crossed(work, change, around),
    }
    if isinstance(edit, LineEdit):
        section = edit.section(before)
        moved = section.volume_m3
        cut, fill = (moved, 0.0) if work.kind == "swale" else (0.0, moved)
        facts |= {"length_m": float(section.station[-1]), "section": section}
        facts["crossed_at"] = _stations_of(work, [name for _, name, _ in facts["crosses"]], around)
        if work.kind == "swale":
            facts |= _of_swale(edit, section, around)
    elif isinstance(edit, RegradeEdit):
        facts["met_share"] = edit.share_met(before, after)
    elif isinstance(edit, BasinEdit):
        facts |= _of_garden(edit, before, after, grid.cell_m2)
    elif changed.any():
        stands = around.filled - around.surface.ground.values
        facts["standing_m"] = float(np.nanmax(np.where(changed, stands, 0.0)))
    deepest = float(np.abs(change).max(initial=0.0))
    area = float(changed.sum()) * grid.cell_m2
    return JudgedEarthwork(work, cut, fill, area, deepest, x=x, y=y, **facts)


def _of_swale(edit: LineEdit, section: Section, around: Around) -> dict[str, Any]:
    """What a swale carries, and where its water goes."""
    work, unit = edit.work, around.unit
    fall = falls_along(section.station, section.level)
    walls = around.site.buildings.geometry.union_all()
    near = np.zeros(fall.size, dtype=bool)
    line = work.geometry
    if not walls.is_empty:
        points = shapely.line_interpolate_point(line, section.station / unit)
        near = shapely.distance(points, walls) * unit <= _NEAR_M
    judged = section.full if section.full.any() else np.ones(fall.size, dtype=bool)
    rough = lining_roughness(work.lining)
    shape = {"width_m": work.width_m, "side": work.side}
    carries = [
        section_flow(section.bank, fall, roughness=n, **shape)[judged].min()
        for n in (rough.n_design, rough.n_high)
    ]
    flow = around.flows.get(work.name, math.nan)
    freeboard, water = math.nan, np.full(fall.size, np.nan)
    if not math.isnan(flow):
        deep = section_depth(flow, fall, roughness=rough.n_design, **shape)
        freeboard = float((section.bank - deep)[judged].min())
        runs = np.isfinite(deep) & (deep > 0) & (section.level < section.ground)
        water = np.where(runs, section.level + deep, np.nan)
    stands = (around.filled - around.surface.ground.values).ravel()[edit.cells[edit.touched]]
    return {
        "bank_m": float(section.bank[judged].min()),
        "full_share": float(section.full.mean()),
        "fall": float(fall.min()),
        "fall_near": float(fall[near].min()) if near.any() else math.nan,
        "capacity_m3s": float(carries[0]),
        "capacity_low_m3s": float(carries[1]),
        "flow_m3s": flow,
        "freeboard_m": freeboard,
        "standing_m": float(np.nanmax(stands, initial=0.0)),
        "water": water,
        "stands": _standing_along(line, section, around),
        **_end_of(work, around),
    }


def _standing_along(line: Any, section: Section, around: Around) -> FloatArray:
    """Level of the water that stays in a bed, by the cell of each station [m]; NaN where dry."""
    grid = around.surface.ground
    at = shapely.line_interpolate_point(line, section.station / around.unit)
    rows, columns = (
        np.clip(np.floor(place).astype(int), 0, most - 1)
        for place, most in zip(
            grid.fractional(shapely.get_x(at), shapely.get_y(at)), grid.shape, strict=True
        )
    )
    level = around.filled[rows, columns]
    return np.asarray(np.where(level - grid.values[rows, columns] > _CHANGED_M, level, np.nan))


def _end_of(work: Earthwork, around: Around) -> dict[str, Any]:
    """Where the water of a swale goes from its lower end."""
    x, y = _place(work)
    facts: dict[str, Any] = {"misses_m": _missed(work, around)}
    path: DischargePath | None = around.path_of((x, y))
    if path is None:
        return facts
    walks = around.site.constraints
    walks = walks[walks["kind"] == "sidewalk"]
    walls = around.site.buildings.geometry.union_all()
    ways = [work.geometry] if path.line is None else [work.geometry, path.line]
    facts["sidewalk"] = next(
        (
            str(name or "a sidewalk")
            for name, shape in zip(walks["name"], walks.geometry, strict=True)
            if any(way.crosses(shape) for way in ways)
        ),
        "",
    )
    if path.line is not None and not walls.is_empty:
        facts["back_to_wall_m"] = float(path.line.distance(walls)) * around.unit
    if path.inlet:
        facts["end"] = around.names[path.inlet - 1]
    elif path.low_spot:
        facts["end"] = f"low spot {path.low_spot}"
    else:
        facts["end"] = "on the lot" if path.leaves_at is None else "off the lot"
    drawn = around.site.constraints
    public = list(drawn[drawn["kind"].isin(("sidewalk", "street"))].geometry)
    allowed = list(around.site.allowed_ends.geometry)
    if not (
        reaches_street(path, public, around.unit)
        or leaves_where_allowed(path, allowed, around.unit)
    ):
        facts["leaves_at"] = path.leaves_at
    return facts


def _missed(work: Earthwork, around: Around) -> float:
    """Distance of a lower end from what it is said to lead to [m]; NaN where that is no thing."""
    if not work.leads_to or work.leads_to.casefold() == SURFACE:
        return math.nan
    site = around.site
    end = shapely.Point(_place(work))
    shapes = [
        shape
        for layer in (site.inlets, site.outlets, site.earthworks)
        for name, shape in zip(layer["name"], layer.geometry, strict=True)
        if name == work.leads_to
    ]
    return min((float(end.distance(shape)) for shape in shapes), default=math.nan) * around.unit


def _of_garden(
    edit: BasinEdit, before: FloatArray, after: FloatArray, cell_m2: float
) -> dict[str, Any]:
    """Water that a rain garden holds below its rim, and how long that takes to soak away."""
    depth = np.maximum(edit.rim_level(before) - after.ravel()[edit.cells], 0.0)
    rate = edit.work.soil_rate_m_s
    time = edit.work.depth_m / rate / 3600.0 if rate > 0 else math.nan if rate != 0 else math.inf
    return {"holds_m3": float(depth.sum()) * cell_m2, "empties_h": time}


def _at_walls(change: FloatArray, around: Around) -> float:
    """Most that ground beside a wall is raised [m]."""
    near = (cells_from(around.surface.roof) <= 1.5) & ~around.surface.roof
    return float(np.max(change, where=near, initial=0.0))


def _over_sills(
    change: FloatArray, after: FloatArray, around: Around
) -> tuple[tuple[str, float], ...]:
    """Openings and door sills at which ground is raised, with how far it stays below them [m]."""
    site, grid = around.site, around.surface.ground
    reach = 1.5 * grid.cell_m / around.unit
    sills = [
        *zip(site.openings["name"], site.openings["sill_m"], site.openings.geometry, strict=True),
        *zip(site.buildings["name"], site.buildings["threshold_m"], site.buildings.geometry,
             strict=True),
    ]  # fmt: skip
    found = []
    for name, sill, shape in sills:
        if np.isnan(sill):
            continue
        beside = polygon_cells(shape.buffer(reach), grid) & ~around.surface.roof
        raised = beside & (change > _CHANGED_M)
        if raised.any():
            found.append((str(name or "opening"), float(sill - after[raised].max())))
    return tuple(found)


def _dug_over(around: Around) -> list[tuple[str, str, Any]]:
    """Drain lines and utilities that ground may be dug over: what each is, its name and shape."""
    site = around.site
    utilities = site.constraints[site.constraints["kind"] == "utility"]
    lines = site.drain_lines[~site.drain_lines["status"].isin(("abandoned", "replaced"))]
    return [
        (what, str(name or "a utility"), shape)
        for what, frame in (("pipe", lines), ("utility", utilities))
        for name, shape in zip(frame["name"], frame.geometry, strict=True)
    ]


def _crossed(
    work: Earthwork, change: FloatArray, around: Around
) -> tuple[tuple[str, str, float], ...]:
    """Drain lines and utilities under ground that is cut, with the depth cut there [m]."""
    found = []
    for what, name, shape in _dug_over(around):
        met = work.geometry.intersection(shape)
        # all along what they share: an area is cut the least where a pipe enters it
        depth = float(-change[touched_cells([met], around.surface.ground)].min(initial=0.0))
        if depth > _CHANGED_M:
            found.append((what, name, depth))
    return tuple(found)


def _stations_of(
    work: Earthwork, names: Sequence[str], around: Around
) -> tuple[tuple[str, float], ...]:
    """Distances along a line at which it meets what it is dug over, once each time [m]."""
    found = []
    for _, name, shape in _dug_over(around):
        if name in names:
            met = shapely.get_parts(work.geometry.intersection(shape))
            along = shapely.line_locate_point(work.geometry, shapely.centroid(met)) * around.unit
            found += [(name, float(one)) for one in along]
    return tuple(sorted(found, key=lambda one: one[1]))


def ordered_earthworks(works: Sequence[JudgedEarthwork], units: UnitSystem) -> list[Quantity]:
    """
    List what the proposed earthworks need.

    Parameters
    ----------
    works
        From `judge_earthworks`.
    units
        "us" or "metric".
    """
    return earthwork_quantities(
        [
            MovedGround(
                one.work.kind, one.work.paved_with, one.cut_m3, one.fill_m3, one.area_m2
            )
            for one in works
            if one.work.status == "proposed"
        ],
        units,
    )  # fmt: skip


def earthwork_findings(works: Sequence[JudgedEarthwork]) -> list[Finding]:
    """
    Say what is wrong with earthworks.

    Parameters
    ----------
    works
        From `judge_earthworks`; those that exist already are not judged.
    """
    found: list[Finding] = []
    for one in works:
        if one.work.status == "existing":
            if one.unseen_m > _SHOWN_M:
                facts = {"off_m": one.unseen_m}
                gap: _Gap = one.unseen_m, _SHOWN_M, "m"
                found.append(_about(one, "earthwork-not-in-data", "warn", facts, gap))
            continue
        if one.work.kind == "swale":
            found += [*_fall_findings(one), *_end_findings(one), *_flow_findings(one)]
        elif one.work.kind == "rain garden":
            found += _garden_findings(one)
        found += [*_kind_findings(one), *_place_findings(one)]
    return found


#: Measured, limit and their unit.
_Gap = tuple[float | None, float | None, str]
_NOTHING: Final[_Gap] = (None, None, "")


def _about(
    one: JudgedEarthwork, rule: str, severity: Severity, facts: dict[str, Any],
    gap: _Gap = _NOTHING, *, source: str = _OWN, rests_on: Sequence[LevelSource] = (),
    at: tuple[float, float] | None = None,
) -> Finding:  # fmt: skip
    """Make a finding; one that rests on the elevation data is a warning at most."""
    measured, limit, unit = gap
    return about_place(
        one.work.name, at or (one.x, one.y), rule, severity, facts=facts, rests_on=rests_on,
        measured=measured, limit=limit, unit=unit, source=source,
    )  # fmt: skip


def _bed(one: JudgedEarthwork) -> tuple[LevelSource, ...]:
    """Where the levels of a bed come from."""
    return ("given",) if one.work.is_straight else ("from ground",)


def _fall_findings(one: JudgedEarthwork) -> list[Finding]:
    """A bed that is level or too flat, or loses its depth to run out."""
    least, found = LEAST_FALL[one.work.lining], []
    if one.fall < least - _HAIR:
        is_level = one.fall < _LEVEL
        rule = "swale-without-fall" if is_level else "swale-too-flat"
        facts = {"fall": one.fall, "least": least}
        found.append(
            _about(one, rule, "fail" if is_level else "warn", facts, (one.fall, least, "1"),
                   source=FALL_SOURCE, rests_on=_bed(one))
        )  # fmt: skip
    elif one.fall_near < _NEAR_FALL - _HAIR:
        facts = {"fall": one.fall_near, "least": _NEAR_FALL}
        gap = one.fall_near, _NEAR_FALL, "1"
        found.append(_about(one, "swale-flat-at-house", "warn", facts, gap, source=_NEAR_SOURCE))
    if not math.isnan(one.work.depth_m) and one.full_share < _FULL_SHARE:
        facts = {"depth_m": one.work.depth_m, "share": one.full_share}
        gap = one.full_share, _FULL_SHARE, "1"
        found.append(_about(one, "swale-loses-depth", "warn", facts, gap))
    return found


def _end_findings(one: JudgedEarthwork) -> list[Finding]:
    """A lower end that nobody has told, is blind, or sends its water where it must not go."""
    found = []
    if not one.work.leads_to:
        found.append(_about(one, "swale-end-not-told", "warn", {"goes_to": one.end}))
    if one.standing_m > _STANDING_M:
        gap = one.standing_m, _STANDING_M, "m"
        facts: dict[str, Any] = {"stands_m": one.standing_m}
        rests = (*_bed(one), "from ground")
        found.append(_about(one, "swale-ends-blind", "fail", facts, gap, rests_on=rests))
    if one.misses_m > _REACH_M:
        facts = {"leads_to": one.work.leads_to, "misses_m": one.misses_m}
        gap = one.misses_m, _REACH_M, "m"
        found.append(_about(one, "swale-misses-its-end", "warn", facts, gap))
    if one.sidewalk:
        facts = {"sidewalk": one.sidewalk}
        found.append(_about(one, "swale-over-sidewalk", "warn", facts, source=_SIDEWALKS))
    elif one.leaves_at is not None:
        found.append(
            _about(one, "swale-onto-neighbour", "warn", {}, source=_NEIGHBOURS, at=one.leaves_at)
        )
    if one.back_to_wall_m < WALL_DISTANCE_M < one.wall_m:
        gap = one.back_to_wall_m, WALL_DISTANCE_M, "m"
        facts = {"wall_m": one.back_to_wall_m}
        found.append(_about(one, "swale-runs-to-building", "warn", facts, gap))
    return found


def _flow_findings(one: JudgedEarthwork) -> list[Finding]:
    """A swale that is too small for its water."""
    flow, carries, low = one.flow_m3s, one.capacity_m3s, one.capacity_low_m3s
    if math.isnan(flow) or flow <= 0:
        return []
    source = f"Manning's formula; {lining_roughness(one.work.lining).source}"
    facts = {"flow_m3s": flow, "capacity_m3s": carries}
    if flow > carries:
        gap: _Gap = flow, carries, "m3/s"
        rests = (*_bed(one), "from ground")
        return [_about(one, "swale-too-small", "fail", facts, gap, source=source, rests_on=rests)]
    if flow > low:
        facts["capacity_m3s"], gap = low, (flow, low, "m3/s")
        return [_about(one, "swale-capacity-within-doubt", "warn", facts, gap, source=source)]
    if one.freeboard_m < _FREEBOARD_M:
        facts = {"freeboard_m": one.freeboard_m, "least_m": _FREEBOARD_M}
        gap = one.freeboard_m, _FREEBOARD_M, "m"
        return [_about(one, "swale-freeboard", "note", facts, gap, source=_PRACTICE)]
    return []


def _garden_findings(one: JudgedEarthwork) -> list[Finding]:
    """A rain garden at a wall, and one whose soil is slow or not known."""
    found = []
    if one.wall_m < _GARDEN_M:
        facts: dict[str, Any] = {"wall_m": one.wall_m, "least_m": _GARDEN_M}
        gap: _Gap = one.wall_m, _GARDEN_M, "m"
        found.append(
            _about(one, "rain-garden-near-building", "fail", facts, gap, source=_GARDEN_SOURCE)
        )
    source = _GARDEN_TIME_SOURCE
    if math.isnan(one.empties_h):
        facts = {"most_h": _GARDEN_H, "depth_m": one.work.depth_m}
        found.append(_about(one, "rain-garden-soil-unknown", "warn", facts, source=source))
    elif one.empties_h > _GARDEN_H:
        hours = None if math.isinf(one.empties_h) else one.empties_h
        facts, gap = {"hours": hours, "most_h": _GARDEN_H}, (hours, _GARDEN_H, "h")
        found.append(_about(one, "rain-garden-slow", "fail", facts, gap, source=source))
    return found


def _kind_findings(one: JudgedEarthwork) -> list[Finding]:
    """A berm without a swale, a regrade or fill that does not reach what it is for."""
    kind, found = one.work.kind, []
    if kind == "berm" and one.misses_swale:
        facts = {"height_m": one.deepest_m}
        found.append(_about(one, "berm-without-swale", "fail", facts, source=_BERMS))
    if kind == "regrade" and one.met_share < _MET_SHARE:
        facts = {"share": one.met_share, "raised_m": one.deepest_m}
        gap: _Gap = one.met_share, _MET_SHARE, "1"
        found.append(_about(one, "regrade-not-met", "warn", facts, gap))
    if kind == "fill" and one.standing_m > _STANDING_M:
        facts, gap = {"stands_m": one.standing_m}, (one.standing_m, _STANDING_M, "m")
        found.append(_about(one, "fill-holds-water", "warn", facts, gap))
    return found


def _place_findings(one: JudgedEarthwork) -> list[Finding]:
    """Ground that is raised at walls and sills, pipes dug over, ground of others."""
    found = []
    for opening, below in one.over_sill:
        if below >= _BELOW_SILL_M:
            continue
        facts: dict[str, Any] = {"opening": opening, "below_m": below, "least_m": _BELOW_SILL_M}
        gap: _Gap = below, _BELOW_SILL_M, "m"
        rests: tuple[LevelSource, ...] = ("given", "from ground")
        found.append(
            _about(one, "fill-above-sill", "fail", facts, gap, source=_SILL_SOURCE, rests_on=rests)
        )
    if one.at_wall_m > _CHANGED_M and not one.over_sill:
        facts, gap = {"raised_m": one.at_wall_m}, (one.at_wall_m, None, "m")
        found.append(_about(one, "fill-at-wall", "note", facts, gap, source=_SILL_SOURCE))
    for what, name, depth in one.crosses:
        facts, gap = {"what": what, "name": name, "depth_m": depth}, (depth, None, "m")
        found.append(_about(one, "earthwork-over-pipe", "warn", facts, gap, source=_PRACTICE))
    if one.off_m > _REACH_M:
        facts, gap = {"off_m": one.off_m}, (one.off_m, _REACH_M, "m")
        found.append(_about(one, "earthwork-off-lot", "warn", facts, gap, source=_OTHERS_GROUND))
    return found
