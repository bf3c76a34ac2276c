"""
What may be built, by what the result shows: on the lot, off the walls, below the sills.

What cannot be shown is no remedy; the answer asks for it instead.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from shapely.geometry import LineString, Point
from shapely.ops import nearest_points, substring, unary_union

from lotflow.advice.result import WALL_REACH_M, Result, Row, way_from

#: Ground and paving stay so far below a sill, and are raised at a wall by no more: 6 in (Fort
#: Collins CO, certification of lot grading, 2017, for the sill; for the raise lotflow's choice).
CLEAR_M: Final = 0.1524
#: Downspouts end so far from the foundation: 5 ft (US DOE Building America).
AWAY_M: Final = 1.524
#: Least fall of a grass swale (Willard OH); others ask for 0.5 to 2 %.
SWALE_FALL: Final = 0.01
#: An opening stands in a wall that is no farther [m]: half a cell of common data.
_IN_WALL_M: Final = 0.5
#: Kind of opening that is none: what stands on it is not to be buried.
PAD: Final = "AC pad"
#: Share of a strip that must lie on the lot: lines drawn by hand never quite agree.
_NEARLY_ALL: Final = 0.98
#: A swale stays so far within the lot line [m], 3 ft: common practice, no published source.
_LINE_M: Final = 0.9144
#: Cells that a flow path may lie beside the place it is held against.
_CELLS: Final = 1.5
#: Cells from the middle of one to its corner.
_OWN_CELL: Final = 0.71


@dataclass(frozen=True)
class Way:
    """
    The way that water takes today over the lot, to where it leaves it.

    Parameters
    ----------
    line
        On the lot.
    end
        Row of the crossing at which it leaves.
    length_m
        Of the way.
    """

    line: LineString
    end: Row
    length_m: float


def lot_of(result: Result) -> Any | None:
    """Outline of the lot; None where it is not drawn."""
    outlines = [row["geometry"] for row in result.rows("lot") if row.get("geometry") is not None]
    return unary_union(outlines) if outlines else None


#: Share of a footprint on the lot from which a building is the owner's, as `lotflow.drains.house`.
_OWN_SHARE: Final = 0.5


def others_buildings(result: Result) -> frozenset[str]:
    """Names of the buildings beside the lot; none where its line is not drawn."""
    lot = lot_of(result)
    if lot is None:
        return frozenset()
    return frozenset(
        str(row["name"])
        for row in result.rows("buildings")
        if row["geometry"].intersection(lot).area <= _OWN_SHARE * row["geometry"].area
    )


def strip_of(result: Result, wall: Row, reach_m: float) -> Any:
    """Ground before a wall, as far out as is asked for, and not round its corners."""
    around = wall["geometry"].buffer(reach_m * result.per_metre, cap_style="flat")
    built = [row["geometry"] for row in result.rows("buildings")]
    outside = around.difference(unary_union(built)) if built else around
    parts = list(getattr(outside, "geoms", [outside]))
    # a thin building is no wider than the reach: what lies behind it is not before the wall
    wide = 0.5 * (wall["length_m"] or 0.0) * result.per_metre
    near = [
        part
        for part in parts
        if part.distance(wall["geometry"]) < 1e-6 * result.per_metre
        and part.boundary.intersection(wall["geometry"].buffer(1e-6 * result.per_metre)).length
        > wide
    ]
    return unary_union(near)


def is_on_lot(result: Result, area: Any) -> bool:
    """Whether an area lies on the lot; without a lot line it cannot be shown."""
    lot = lot_of(result)
    if lot is None or not area.area:
        return False
    return bool(area.intersection(lot).area >= _NEARLY_ALL * area.area)


def openings_of(result: Result, wall: Row) -> list[Row]:
    """Openings in a wall of which the sill is known."""
    return [
        row
        for row in result.rows("openings")
        if row.get("sill_m") is not None
        and row["geometry"].distance(wall["geometry"]) <= _IN_WALL_M * result.per_metre
    ]


def raise_m(wall: Row) -> float:
    """How much the ground at a wall is short of its least fall, by its reach [m]."""
    return max(float(wall["slope_limit"]) - (wall["slope"] or 0.0), 0.0) * (wall["reach_m"] or 0.0)


def why_not_raised(result: Result, wall: Row) -> str:
    """
    Tell why the ground at a wall may not be raised to fall away.

    Returns
    -------
    reason
        "lot line", "sill", "pad" or "height"; "" where it may be raised.
    """
    if not is_on_lot(result, strip_of(result, wall, wall["reach_m"] or 0.0)):
        return "lot line"
    rise = raise_m(wall)
    for opening in openings_of(result, wall):
        ground = opening.get("ground_m")
        if opening.get("kind") == PAD:
            if ground is None or ground + rise > opening["sill_m"]:
                return "pad"
        elif ground is None or ground + rise > opening["sill_m"] - CLEAR_M:
            return "sill"
    return "height" if rise > CLEAR_M else ""


def lowest_sill(openings: Iterable[Row]) -> Row | None:
    """Opening with the lowest sill."""
    known = [row for row in openings if row.get("sill_m") is not None]
    return min(known, key=lambda row: float(row["sill_m"]), default=None)


def can_be_filled(low_spot: Row, openings: Iterable[Row]) -> bool:
    """Whether a low spot filled to where it runs over stays 6 in below every sill."""
    sill = lowest_sill(openings)
    return sill is None or low_spot["spill_elevation_m"] <= sill["sill_m"] - CLEAR_M


def has_room_away(result: Result, x: float | None, y: float | None) -> bool:
    """
    Whether the lot has ground 5 ft from all walls before a downspout, and water leaves it there.

    The way of the water from there is followed: it may not come back within 5 ft of any wall, nor
    end before it is 10 ft off all of them or off the lot.
    """
    lot = lot_of(result)
    if lot is None or x is None or y is None:
        return False
    metre = result.per_metre
    built = unary_union([row["geometry"] for row in result.rows("buildings")])
    walls, foot = built.buffer(AWAY_M * metre), Point(x, y)
    free = foot.buffer(1.2 * AWAY_M * metre).intersection(lot).difference(walls)
    if free.area <= 0.1 * metre**2:
        return False
    paths = [row["geometry"] for row in result.rows("flow_paths")]
    # of its own cell: the next may drain another way
    way = way_from(nearest_points(free, foot)[0], paths, _OWN_CELL * result.cell)
    if way is None or way.intersects(walls):
        return False
    end = Point(way.coords[-1])
    return bool(end.distance(built) >= WALL_REACH_M * metre or not lot.contains(end))


def has_ground_before(result: Result, x: float | None, y: float | None) -> bool:
    """
    Whether the lot has any ground within 10 ft of a downspout, outside all buildings.

    Slivers that footprints and lot lines leave between them are none. Without a lot line nothing
    shows that it has none.
    """
    lot = lot_of(result)
    if lot is None or x is None or y is None:
        return True
    metre = result.per_metre
    built = unary_union([row["geometry"] for row in result.rows("buildings")])
    near = Point(x, y).buffer(WALL_REACH_M * metre).intersection(lot)
    return bool(near.difference(built.buffer(_IN_WALL_M * metre)).area > 0.1 * metre**2)


def way_off(result: Result, way: LineString | None) -> Way | None:
    """
    Follow the way of water over the lot to where it leaves it.

    Parameters
    ----------
    result
        As published.
    way
        Downhill from where the water comes on, or from a wall.

    Returns
    -------
    way
        None where it does not leave, leaves only to come on again elsewhere, stands in a low spot
        before, or is off the lot on its way.
    """
    lot = lot_of(result)
    if way is None or lot is None:
        return None
    near = _CELLS * result.cell
    met = sorted(
        (way.project(row["geometry"]), row["direction"], row["id"])
        for row in result.rows("lot_line_crossings")
        if way.distance(row["geometry"]) <= near
    )
    met = [one for one in met if one[0] > near]
    leaves = next((at for at, one in enumerate(met) if one[1] == "off"), None)
    if leaves is None or any(one[1] == "on" for one in met[leaves:]):
        return None
    end = result.row("lot_line_crossings", id=met[leaves][2])
    line = substring(way, 0.0, met[leaves][0])
    if end is None or line.difference(lot.buffer(near)).length > near:
        return None
    for spot in result.rows("low_spots"):
        if (spot.get("on_lot_m2") or 0.0) > 0 and line.intersects(spot["geometry"]):
            return None
    return Way(line, end, line.length / result.per_metre)


def swale_along(result: Result, start: Row) -> Way | None:
    """
    Find a swale for water that comes onto the lot, along the way it takes today.

    Parameters
    ----------
    result
        As published.
    start
        Row of the crossing at which it comes on.

    Returns
    -------
    way
        None where it falls by less than 1 % anywhere, or comes nearer to a building or to the lot
        line than a swale may.
    """
    found = next((way for row, way in result.run_on if row["id"] == start["id"]), None)
    way = way_off(result, found)
    if way is None:
        return None
    fall_m = start["elevation_m"] - way.end["elevation_m"]
    has_fall = fall_m >= SWALE_FALL * way.length_m > 0 and falls_enough(result, way)
    return way if has_fall and keeps_clear(result, way) else None


def falls_enough(result: Result, way: Way) -> bool:
    """Whether all flow paths along a way fall by 1 % or more."""
    beside = way.line.buffer(0.01 * result.per_metre)
    return all(
        (row.get("slope") or 0.0) >= SWALE_FALL
        for row in result.rows("flow_paths")
        if row["geometry"].intersection(beside).length > result.cell
    )


def keeps_clear(result: Result, way: Way) -> bool:
    """Whether a way keeps 5 ft from all buildings and, but for its ends, 3 ft within the lot."""
    lot, metre = lot_of(result), result.per_metre
    if lot is None:
        return False
    built = [row["geometry"] for row in result.rows("buildings")]
    if any(way.line.distance(one) < AWAY_M * metre for one in built):
        return False
    # at its ends it comes over the line
    end = 2 * _LINE_M * metre + _CELLS * result.cell
    if way.line.length <= 2 * end:
        return False
    inner = substring(way.line, end, way.line.length - end)
    return bool(lot.buffer(-_LINE_M * metre).covers(inner))


def spills_on_lot(result: Result, low_spot: Row) -> bool:
    """Whether a low spot runs over on the lot, and not into a building."""
    lot = lot_of(result)
    if lot is None or low_spot.get("spill_x") is None:
        return False
    spill = Point(low_spot["spill_x"], low_spot["spill_y"])
    built = [row["geometry"] for row in result.rows("buildings")]
    return bool(lot.contains(spill)) and not any(one.intersects(spill) for one in built)


def on_lot(result: Result, x: float | None, y: float | None) -> bool:
    """Whether a place lies on the lot; where no lot is drawn nothing lies off it."""
    lot = lot_of(result)
    return lot is None or x is None or y is None or bool(lot.covers(Point(x, y)))
