"""
What was drawn and noted of a site, held against the ground and against what sites are like.

One door for every level: whatever is an elevation has its row in `LEVEL_RULES`. A level, a lot or
a unit that is hardly possible is asked about, with its likely cause; one that is not possible is
refused.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely

from lotflow.errors import Fault
from lotflow.findings import Finding
from lotflow.inputs.surface_checks import STEP_LIMIT_M
from lotflow.units import METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT, both_units

if TYPE_CHECKING:
    from lotflow.grid import BoolArray, FloatArray, Grid, IntArray
    from lotflow.inputs.job import Job
    from lotflow.inputs.site import Site
    from lotflow.units import VerticalUnit

Range = tuple[float, float]

_PRACTICE: Final = "common practice, no published source"
#: Ground this close to a point or an outline is its ground [m].
_BESIDE_M: Final = 1.5
#: Lots below this are hardly any [m^2].
_SMALL_LOT_M2: Final = 40.0
#: A lot line that leaves this share of a building, and this depth of it [m], on either side.
_CUT_SHARE: Final = 0.1
_CUT_DEPTH_M: Final = 1.0
#: A lot of which a building fills this share may be its outline.
_HOUSE_SHARE: Final = 0.9
#: A building off the lot that the lot surrounds on this share of its sides may be the lot's own:
#: three sides of a notch are 0.75, two of a neighbour's corner 0.5.
_SURROUNDED: Final = 0.65
#: Directions in which its surroundings are looked at, and how far [m].
_DIRECTIONS: Final = 72
_SIDE_REACH_M: Final = 100.0
#: A slit of the lot that is narrower than this is no outline that anybody means [m].
_SLIT_M: Final = 0.3
#: Elevations with a worse error than this say nothing of a lot [m]: the least quality of the USGS
#: Lidar Base Specification, level 3, has 0.20 m.
_WORST_RMSE_M: Final = 0.5
#: A stated intensity of design lies within this range [mm/h].
_INTENSITY_MM_H: Final = (10.0, 500.0)
#: A lot's relief, as a share of its breadth, above which its elevations may be in feet: towns
#: hardly let lots steeper than 25 % be built on.
_STEEP_LOT: Final = 0.25
#: Footprints that stand this far above the ground beside them may be in feet: six storeys [m].
_TALL_HOUSE_M: Final = 20.0
#: A benchmark this far outside the relief of the window is none of it [m].
_BENCHMARK_REACH_M: Final = 15.0


@dataclass(frozen=True)
class LevelRule:
    """How far a level may stand above (or, below 0, beneath) the ground beside it."""

    #: Where it stands, the column by its name inside.
    layer: str
    column: str
    #: As a message calls it.
    what: str
    #: Beyond this range the other unit is tried [m].
    usual: Range
    #: Beyond this range it is refused [m].
    possible: Range
    #: Where on its shape its ground is: a point, an end of a line, or an outline.
    at: Literal["point", "start", "end", "outline"] = "point"


#: Every column that holds an elevation; ranges are common practice, no published source.
LEVEL_RULES: Final = (
    LevelRule("buildings", "threshold_m", "threshold", (-1.5, 1.5), (-4.0, 5.0), "outline"),
    LevelRule("inlets", "rim_m", "rim", (-0.3, 0.5), (-1.0, 2.0)),
    LevelRule("drain_lines", "invert_up_m", "upper invert", (-3.0, 0.3), (-10.0, 1.0), "start"),
    LevelRule("drain_lines", "invert_down_m", "lower invert", (-3.0, 0.3), (-10.0, 1.0), "end"),
    LevelRule("outlets", "invert_m", "invert", (-3.0, 0.5), (-10.0, 2.0)),
    LevelRule("outlets", "water_level_m", "water level", (-5.0, 1.0), (-15.0, 3.0)),
    LevelRule("openings", "sill_m", "sill", (-1.5, 1.5), (-4.0, 5.0)),
    LevelRule("shots", "level_m", "level", (-3.0, 1.5), (-10.0, 5.0)),
    LevelRule("earthworks", "level_up_m", "upper level", (-1.0, 1.0), (-3.0, 3.0), "start"),
    LevelRule("earthworks", "level_down_m", "lower level", (-1.5, 1.0), (-3.0, 3.0), "end"),
)


#: What would explain a level that is off, and what to do: the remedy of a fault, the end of the
#: sentence of a finding.
OTHER_UNIT: Final = {
    "benchmark": "It fits with the benchmark in the other unit, a factor of 3.28: state its unit",
    "noted in feet": "It fits if it was noted in feet and stated as metres, a factor of 3.28: "
    "correct it",
    "noted in metres": "It fits if it was noted in metres and stated as feet, a factor of 3.28, or "
    "if the raster is in feet and said to be in metres: correct the one that is wrong",
}


#: What to do with a level that fits as it was written, of a shot and in the drawing.
_IN_RASTER: Final = (
    "It fits as a level in the raster's datum: say datum = raster",
    'It fits as a level in the raster\'s datum: say drawn = "raster" in [levels]',
)


_OWN_BENCHMARK: Final = (
    "Are the notes from a benchmark of their own? Give the level it has in them as benchmark in "
    "[levels]"
)


@dataclass(frozen=True)
class Datum:
    """What site levels lack of elevations in the raster's datum."""

    #: Added to every level.
    offset_m: float = 0.0
    #: What would be added if the benchmark were in the other unit; NaN without one.
    other_unit_m: float = math.nan
    #: Of the benchmark in the raster's datum; NaN without one.
    elevation_m: float = math.nan
    #: Whether levels in the drawing are from it too, not only shots that say so.
    of_drawing: bool = True


def datum_of(job: Job) -> Datum:
    """Tell in which datum the site levels of a job are."""
    if job.levels is None or job.levels.benchmark is None or job.levels.elevation_m is None:
        return Datum()
    # the benchmark in metres, as it was taken, and as it would be in the other unit
    taken = job.levels.elevation_m - job.level_offset_m
    is_feet = not math.isclose(taken, job.levels.benchmark)
    other = taken / METRES_PER_FOOT if is_feet else taken * METRES_PER_FOOT
    return Datum(job.level_offset_m, job.levels.elevation_m - other, job.levels.elevation_m,
                 job.is_drawn_by_benchmark)  # fmt: skip


def level_faults(site: Site, grid: Grid, datum: Datum) -> tuple[list[Finding], list[Fault]]:
    """
    Hold every level of a site against the ground beside it.

    Parameters
    ----------
    site
        With its levels in the raster's datum.
    grid
        Elevations [m].
    datum
        By which they were raised to it.

    Returns
    -------
    findings
        Levels that fit their ground only in the other unit, though they are possible in this.
    faults
        Levels that are not possible, with what would explain them.
    """
    findings: list[Finding] = []
    faults = _benchmark_faults(grid, datum)
    by_benchmark = datum
    for rule in LEVEL_RULES:
        for row, name, level, ground, place in _levels(site, rule, grid):
            shot = site.shots.iloc[row - 1] if rule.layer == "shots" else None
            if shot is not None and shot["counts"] == "no":
                continue
            is_own = by_benchmark.of_drawing if shot is None else shot["datum"] == "benchmark"
            datum = by_benchmark if is_own else Datum()
            away = _away(level, ground)
            if rule.usual[0] <= away <= rule.usual[1]:
                continue
            cause = _other_unit(level, ground, rule.usual, datum)
            possible = rule.possible[0] <= away <= rule.possible[1]
            if possible and not cause:
                continue
            near = ground[1] if away > 0 else ground[0]
            if not possible:
                said = (
                    f"the {rule.what} of {name} lies {both_units(abs(away), 'length')} "
                    f"{'above' if away > 0 else 'below'} its ground at "
                    f"{both_units(near, 'elevation')}"
                )
                check = "Check the level and its datum, and the benchmark in [levels]"
                remedy = OTHER_UNIT.get(cause, check)
                # a benchmark in the other unit explains all levels, so it is asked about first
                as_written = _away(level - datum.offset_m, ground)
                if cause != "benchmark" and rule.usual[0] <= as_written <= rule.usual[1]:
                    remedy = _IN_RASTER[shot is None]
                elif shot is not None and shot["is_noted"] and shot["datum"] == "raster":
                    remedy = _OWN_BENCHMARK
                faults.append(Fault(said, remedy, layer=rule.layer, row=row, column=rule.column,
                                    value=round(level - datum.offset_m, 3)))  # fmt: skip
                continue
            limit = rule.usual[1] if away > 0 else rule.usual[0]
            findings.append(
                Finding(
                    "level-unit-doubted", "warn", name,
                    facts={"what": rule.what, "away_m": away, "ground_m": near, "cause": cause},
                    measured=round(away, 3), limit=limit, unit="m", source=_PRACTICE,
                    x=place[0], y=place[1],
                )
            )  # fmt: skip
    return findings, faults


def _away(level: float, ground: Range) -> float:
    """How far a level lies above the ground beside it, or below it; 0 within it [m]."""
    return max(level - ground[1], 0.0) + min(level - ground[0], 0.0)


def _other_unit(level: float, ground: Range, usual: Range, datum: Datum) -> str:
    """Tell which other unit, of `OTHER_UNIT`, would bring a level to its ground; empty for none."""

    def fits(other: float) -> bool:
        return usual[0] <= _away(other, ground) <= usual[1]

    own = level - datum.offset_m
    if fits(own + datum.other_unit_m):
        return "benchmark"
    if fits(own * METRES_PER_FOOT + datum.offset_m):
        return "noted in feet"
    if fits(own / METRES_PER_FOOT + datum.offset_m):
        return "noted in metres"
    return ""


def _benchmark_faults(grid: Grid, datum: Datum) -> list[Fault]:
    """Refuse a benchmark that stands far from all ground."""
    known = grid.values[~grid.missing]
    if not known.size or math.isnan(datum.elevation_m):
        return []
    ground = (float(known.min()), float(known.max()))
    reach = (-_BENCHMARK_REACH_M, _BENCHMARK_REACH_M)
    away = _away(datum.elevation_m, ground)
    if reach[0] <= away <= reach[1]:
        return []
    cause = _other_unit(datum.elevation_m, ground, reach, Datum())
    rule = (
        f"the benchmark lies {both_units(abs(away), 'length')} {'above' if away > 0 else 'below'} "
        "all ground that was read"
    )
    remedy = OTHER_UNIT.get(cause, "elevation_m is its elevation in the raster's datum: check it")
    return [Fault(rule, remedy, column="levels.elevation_m", value=datum.elevation_m)]


def _levels(
    site: Site, rule: LevelRule, grid: Grid
) -> Iterator[tuple[int, str, float, Range, tuple[float, float]]]:
    """Give row, name, level, ground and place of each level that is given."""
    frame = getattr(site, rule.layer)
    levels = frame[rule.column].astype(float).tolist()
    for row, (shape, name, level) in enumerate(
        zip(frame.geometry, frame["name"], levels, strict=True), 1
    ):
        if math.isnan(level):
            continue
        x, y = _ring(shape, rule.at, grid.metres_per_unit)
        rows, columns = grid.row_column(x, y)
        inside = grid.contains(rows, columns)
        near = grid.values[rows[inside], columns[inside]]
        near = near[~np.isnan(near)]
        if near.size:
            place = (float(x.mean()), float(y.mean()))
            called = str(name) if name else f"row {row} of the {rule.layer}"
            yield row, called, level, (float(near.min()), float(near.max())), place


def _ring(shape: Any, at: str, unit: float) -> tuple[FloatArray, FloatArray]:
    """Places at which the ground of a shape is looked up."""
    reach = _BESIDE_M / unit
    if at in ("start", "end"):
        shape = shapely.Point(shape.coords[0 if at == "start" else -1])
    elif at == "point":
        shape = shape.representative_point() if shape.geom_type == "Polygon" else shape
    around = shapely.buffer(shape, reach)
    places = [shapely.get_coordinates(shapely.segmentize(around.boundary, reach))]
    if at != "outline":
        places.append(shapely.get_coordinates(shape))
    x, y = np.concatenate(places).T
    return x, y


def lot_findings(site: Site, unit: float) -> list[Finding]:
    """
    Ask about a lot that hardly is one: tiny, the house itself, round it, or with a line through it.

    Parameters
    ----------
    unit
        Length of one unit of it [m].
    """
    lot = site.lot.geometry.union_all()
    area = float(lot.area) * unit**2
    found = []
    if area < _SMALL_LOT_M2:
        found.append(
            Finding(
                "lot-very-small", "warn", "lot", facts={"area_m2": area},
                measured=round(area, 2), limit=_SMALL_LOT_M2, unit="m2", source=_PRACTICE,
            )
        )  # fmt: skip
    return [
        *found,
        *_filled(lot, site, unit),
        *_holes(lot, site, unit),
        *_left_out(lot, site, unit),
        *_cut_buildings(lot, site, unit),
    ]


def _building_names(site: Site) -> list[str]:
    """Names of the buildings, numbered where they have none."""
    return [str(name or f"building {i}") for i, name in enumerate(site.buildings["name"], 1)]


def _holes(lot: Any, site: Site, unit: float) -> Iterator[Finding]:
    """Ask about holes of the lot, above all those in which a building stands."""
    # a hole that is drawn as part of the outline, through a slit, is one
    closed = lot.buffer(_SLIT_M / 2 / unit, join_style="mitre")
    closed = closed.buffer(-_SLIT_M / 2 / unit, join_style="mitre")
    own = [ring for part in shapely.get_parts(lot) for ring in part.interiors]
    rings = own or [ring for part in shapely.get_parts(closed) for ring in part.interiors]
    for hole in (shapely.Polygon(ring) for ring in rings):
        within = tuple(
            name
            for name, house in zip(_building_names(site), site.buildings.geometry, strict=True)
            if house.intersection(hole).area > house.area / 2
        )
        area, middle = float(hole.area) * unit**2, hole.representative_point()
        yield Finding(
            "lot-has-hole", "warn", "lot", facts={"area_m2": area, "buildings": within},
            measured=round(area, 2), limit=0.0, unit="m2", source="lotflow's rule",
            x=float(middle.x), y=float(middle.y),
        )  # fmt: skip


def _filled(lot: Any, site: Site, unit: float) -> Iterator[Finding]:
    """Ask about a lot that a building fills: its outline may be the building's."""
    for name, house in zip(_building_names(site), site.buildings.geometry, strict=True):
        share = float(house.intersection(lot).area / lot.area)
        if share >= _HOUSE_SHARE:
            middle = house.representative_point()
            yield Finding(
                "lot-is-building", "warn", "lot",
                facts={"building": name, "share": share, "lot_m2": float(lot.area) * unit**2},
                measured=round(share, 3), limit=_HOUSE_SHARE, unit="share", source=_PRACTICE,
                x=float(middle.x), y=float(middle.y),
            )  # fmt: skip


def _left_out(lot: Any, site: Site, unit: float) -> Iterator[Finding]:
    """Ask about buildings that stand in a notch of the lot."""
    angles = np.arange(_DIRECTIONS) * 2 * np.pi / _DIRECTIONS
    ways = np.column_stack([np.cos(angles), np.sin(angles)]) * _SIDE_REACH_M / unit
    # what stands in a hole is asked about with the hole
    whole = shapely.union_all([shapely.Polygon(part.exterior) for part in shapely.get_parts(lot)])
    for name, house in zip(_building_names(site), site.buildings.geometry, strict=True):
        if house.intersection(whole).area > house.area / 2:
            continue
        middle = np.array(house.representative_point().coords[0])
        rays = shapely.linestrings(np.stack([np.tile(middle, (_DIRECTIONS, 1)), middle + ways], 1))
        share = float(shapely.intersects(rays, whole).mean())
        if share >= _SURROUNDED:
            yield Finding(
                "lot-leaves-out-building", "warn", name, facts={"share": share},
                measured=round(share, 3), limit=_SURROUNDED, unit="share", source="lotflow's rule",
                x=float(middle[0]), y=float(middle[1]),
            )  # fmt: skip


def _cut_buildings(lot: Any, site: Site, unit: float) -> Iterator[Finding]:
    """Ask about buildings that the lot line cuts through by more than a line is off."""
    # a hole is asked about by itself
    whole = shapely.union_all([shapely.Polygon(part.exterior) for part in shapely.get_parts(lot)])
    for name, house in zip(_building_names(site), site.buildings.geometry, strict=True):
        inside, outside = house.intersection(whole), house.difference(whole)
        share = float(outside.area / house.area)
        if not _CUT_SHARE <= share <= 1 - _CUT_SHARE:
            continue
        depth = min(_depth(part, whole) for part in (inside, outside)) * unit
        if depth <= _CUT_DEPTH_M:
            continue
        middle = house.intersection(whole.boundary).representative_point()
        yield Finding(
            "lot-line-through-building", "warn", name, facts={"share": share, "depth_m": depth},
            measured=round(depth, 2), limit=_CUT_DEPTH_M, unit="m", source=_PRACTICE,
            x=float(middle.x), y=float(middle.y),
        )  # fmt: skip


def _depth(part: Any, whole: Any) -> float:
    """How far a part of a building reaches from the lot line, in units of the CRS."""
    return float(shapely.distance(shapely.points(shapely.get_coordinates(part)),
                                  whole.boundary).max())  # fmt: skip


def job_findings(job: Job) -> list[Finding]:
    """Ask about numbers of the job that are hardly meant so."""
    found = []
    if (rmse := job.elevation.rmse_m) > _WORST_RMSE_M:
        found.append(
            Finding(
                "error-very-large", "warn", "elevation", facts={"rmse_m": rmse},
                measured=rmse, limit=_WORST_RMSE_M, unit="m",
                source="USGS Lidar Base Specification: 0.20 m at worst",
            )
        )  # fmt: skip
    if job.intensity_m_s is not None:
        rain = job.intensity_m_s * 3.6e6
        low, high = _INTENSITY_MM_H
        if not low <= rain <= high:
            limit = low if rain < low else high
            found.append(
                Finding(
                    "rain-unit-doubted", "warn", "rainfall",
                    facts={"intensity_m_s": job.intensity_m_s, "usual_mm_h": _INTENSITY_MM_H},
                    measured=round(rain, 3), limit=limit, unit="mm/h", source=_PRACTICE,
                )
            )  # fmt: skip
    return found


def raster_unit_findings(
    grid: Grid, lot: BoolArray, building: IntArray, vertical_unit: VerticalUnit
) -> list[Finding]:
    """
    Ask whether a raster said to be in metres is in feet: its lot is steep, its houses are tall.

    Parameters
    ----------
    grid
        Elevations [m].
    building
        Number of the building on each cell, from 1; 0 where there is none.
    vertical_unit
        As which its elevations were taken.
    """
    if vertical_unit != "m":
        return []
    relief_m = house_m = None
    # measured, limit and unit of each sign
    signs: list[tuple[float, float, str]] = []
    known = ~grid.missing
    ground = grid.values[lot & known & (building == 0)]
    # roofs and trees left in the data are no relief
    bare = not any((np.abs(np.diff(grid.values, axis=axis)) > STEP_LIMIT_M).any()
                   for axis in (0, 1))  # fmt: skip
    if ground.size and bare:
        relief = float(np.ptp(np.percentile(ground, (5, 95))))
        grade = relief / math.sqrt(float(lot.sum()) * grid.cell_m2)
        if grade > _STEEP_LOT:
            relief_m = relief
            signs.append((round(grade, 3), _STEEP_LOT, "1"))
    tall = _house_height(grid.values, building, known)
    if tall > _TALL_HOUSE_M:
        house_m = tall
        signs.append((round(tall, 2), _TALL_HOUSE_M, "m"))
    feet = (METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT)
    in_feet = any(math.isclose(grid.metres_per_unit, one, rel_tol=1e-4) for one in feet)
    if in_feet:
        signs.append((grid.metres_per_unit, 1.0, "m"))
    if not signs:
        return []
    measured, limit, unit = signs[0]
    return [
        Finding(
            "vertical-unit-doubted", "warn", "elevation",
            facts={"relief_m": relief_m, "house_m": house_m, "map_in_feet": in_feet},
            measured=measured, limit=limit, unit=unit, source=_PRACTICE,
        )
    ]  # fmt: skip


def _house_height(values: FloatArray, building: IntArray, known: BoolArray) -> float:
    """Median height of the elevations in footprints above those beside them; 0 without any [m]."""
    heights = []
    for number in range(1, int(building.max(initial=0)) + 1):
        own = building == number
        row, column = np.nonzero(own)
        if not row.size:
            continue
        box = (slice(max(row.min() - 3, 0), row.max() + 4),
               slice(max(column.min() - 3, 0), column.max() + 4))  # fmt: skip
        inside = values[box][own[box] & known[box]]
        beside = values[box][(building[box] == 0) & known[box]]
        if inside.size and beside.size:
            heights.append(float(np.median(inside) - np.median(beside)))
    return float(np.median(heights)) if heights else 0.0
