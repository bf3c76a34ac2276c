"""
Where the water of a place comes from, in shares that add up to one.

By areas that drain there: ground by the outline of catchments, cut by the lot and its buildings;
neighbours by the place at which their water crosses the lot line; roofs by downspout where it is
known which. Where a drain refuses water the volumes of the design storm decide.

Where a study counted it cell by cell (`water_parts`), what it counted takes the place of outlines
and ways; published results without that layer are read as before.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

from shapely.geometry import LineString, Point
from shapely.ops import substring, unary_union

from lotflow.advice.buildable import strip_of
from lotflow.advice.result import WALL_REACH_M, Result, Row, way_from


class Source(StrEnum):
    """What kind of thing water comes from."""

    ROOF = "roof"
    EAVES = "eaves without a gutter"
    OWN = "own yard"
    NEIGHBOUR = "neighbour"
    DRAIN = "drain"
    INLET = "overflow of another inlet"


@dataclass(frozen=True)
class Cause:
    """
    A share of the water of a place.

    Parameters
    ----------
    source
        What kind of thing it comes from.
    subject
        Downspout, building, crossing of the lot line, line or inlet; "" where it has no name.
    share
        Of the water there; all causes of a place add up to one.
    amount, is_volume
        Area that drains there [m^2], or volume in the design storm [m^3].
    x, y
        Where it comes from, in the coordinates of the result.
    held_m2
        Of the area what hollows above hold back in the design storm [m^2].
    """

    source: Source
    subject: str
    share: float
    amount: float = 0.0
    is_volume: bool = False
    x: float | None = None
    y: float | None = None
    held_m2: float = 0.0


#: A part of the water before its share is known: source, subject, amount, and its place.
Part = tuple[Source, str, float, float | None, float | None]

#: Parts of one source beyond so many are told as one, by this name.
_NAMED: Final = 3
_OTHERS: Final = "other places"
#: A hollow that holds so much of its volume may run over: it is not counted to keep its water.
_NEARLY_FULL: Final = 0.99
#: Two outlines are held against each other no closer than this many cells apart.
_CELLS: Final = 1.5


def shares(parts: Iterable[Part], *, is_volume: bool = False) -> tuple[Cause, ...]:
    """
    Turn parts of the water of a place into shares that add up to one, the largest first.

    Parameters
    ----------
    parts
        Of one unit; what has the same name is added, what is nothing left out. Beyond three, the
        smaller parts of a source are told as one.
    is_volume
        Whether amounts are volumes [m^3], not areas [m^2].

    Examples
    --------
    >>> roof, own = (Source.ROOF, "DS1", 60.0, None, None), (Source.OWN, "", 121.0, None, None)
    >>> found = shares([roof, own])
    >>> [(cause.source.value, cause.share) for cause in found]
    [('own yard', 0.67), ('roof', 0.33)]
    """
    added: dict[tuple[Source, str], tuple[float, float | None, float | None]] = {}
    for source, subject, amount, x, y in parts:
        if amount > 0:
            before = added.get((source, subject), (0.0, x, y))
            added[source, subject] = (before[0] + amount, before[1], before[2])
    named = sorted(added.items(), key=lambda item: (-item[1][0], item[0]))
    told: list[Part] = []
    rest: dict[Source, float] = {}
    for (source, subject), (amount, x, y) in named:
        named_so_far = sum(one[0] is source for one in told)
        if subject != _OTHERS and named_so_far < _NAMED:
            told.append((source, subject, amount, x, y))
        else:
            rest[source] = rest.get(source, 0.0) + amount
    told += [(source, _OTHERS, amount, None, None) for source, amount in rest.items()]
    told.sort(key=lambda one: -one[2])
    hundredths = _in_hundredths([one[2] for one in told])
    return tuple(
        Cause(source, subject, share / 100, amount, is_volume, x, y)
        for (source, subject, amount, x, y), share in zip(told, hundredths, strict=True)
        if share
    )


def _in_hundredths(amounts: Sequence[float]) -> list[int]:
    """Round shares so that they still add up: the largest remainders take what is left."""
    total = sum(amounts)
    if not total:
        return []
    exact = [100 * amount / total for amount in amounts]
    whole = [math.floor(one) for one in exact]
    by_remainder = sorted(range(len(exact)), key=lambda i: whole[i] - exact[i])
    for i in by_remainder[: 100 - sum(whole)]:
        whole[i] += 1
    return whole


def share_of(causes: Iterable[Cause], source: Source) -> float:
    """Share of a source in the water of a place."""
    return sum(cause.share for cause in causes if cause.source is source)


def of_inlets(result: Result, names: Sequence[str]) -> tuple[Cause, ...]:
    """
    Give the causes of the water that inlets are to take: their ground, the roofs led into them.

    Parameters
    ----------
    result
        As published.
    names
        Inlets whose water is told as one.
    """
    counted = _counted(result, names)
    ground = [part for name in names for part in _ground(result, name)]
    return _as_told(result, shares(counted or [*ground, *_connected(result, names)]))


def of_low_spot(
    result: Result,
    low_spot: Row,
    downspouts: Sequence[str] = (),
    downspouts_today: Sequence[str] = (),
) -> tuple[Cause, ...]:
    """
    Give the causes of the water of a low spot.

    Parameters
    ----------
    result
        As published.
    low_spot
        Its row.
    downspouts
        Names of those that run into it; what they bring is part of its catchment.
    downspouts_today
        Names of those that run into it only until the proposed is built, and are no part of it.

    Notes
    -----
    Of its inlets, else of the ground that drains to it. Where inlets refuse water in the design
    storm, what comes up out of their drains and what other inlets let pass counts by volume; the
    roofs led into drains are in what comes up.
    """
    names = result.inlets_of(low_spot)
    counted = _counted(result, [f"low spot {low_spot['id']}"])
    if counted:
        return _as_told(result, shares([*counted, *_roofs(result, downspouts_today)]))
    if not names:
        fed = _roofs(result, downspouts)
        parts = [*_of_ground(result, low_spot, fed), *fed, *_roofs(result, downspouts_today)]
        return _as_told(result, shares(parts))
    ground = {name: _named_by(downspouts, _ground(result, name)) for name in names}
    refused = _refused(result, names)
    if not refused or not any(ground.values()):
        parts = [part for some in ground.values() for part in some]
        return _as_told(result, shares([*parts, *_roofs(result, downspouts_today)]))
    held = held_back(result)
    own: list[Part] = []
    for row in refused:
        # what a hollow above keeps does not arrive, and has no share of what does
        arrives = [
            (source, name, max(area - held.get(name, 0.0), 0.0), x, y)
            for source, name, area, x, y in ground[row["name"]]
        ]
        own += _scaled(arrives, row["own_m3"] or 0.0)
    return shares([*own, *_from_drains(result, refused, names)], is_volume=True)


def held_back(result: Result) -> dict[str, float]:
    """
    Area whose water hollows above a crossing of the lot line keep in the design storm [m^2].

    A hollow without an inlet that does not run over passes nothing on. Of several above one
    crossing the one with most ground counts: the others may lie above it.
    """
    found: dict[str, float] = {}
    paths = [row["geometry"] for row in result.rows("flow_paths")]
    for spot in result.rows("low_spots"):
        area = spot.get("contributing_area_m2") or 0.0
        if not area or result.inlets_of(spot) or spot.get("spill_x") is None:
            continue
        ponds = result.rows(
            "ponds", case=result.open_case, low_spot=spot["id"],
            return_period_yr=result.design_storm_yr,
        )  # fmt: skip
        full = _NEARLY_FULL * (spot.get("volume_m3") or 0.0)
        if not ponds or any(
            (pond.get("overflow_m3") or 0.0) > 0 or (pond.get("volume_m3") or 0.0) >= full
            for pond in ponds
        ):
            continue
        way = way_from(Point(spot["spill_x"], spot["spill_y"]), paths, 2 * _CELLS * result.cell)
        for row, _ in result.run_on:
            if row["area_m2"] < area:
                continue  # the hollow does not lie above it
            at = row["geometry"]
            near = spot["geometry"].distance(at) <= _CELLS * result.cell
            if near or (way is not None and way.distance(at) <= _CELLS * result.cell):
                name = f"crossing {row['id']}"
                found[name] = max(found.get(name, 0.0), area)
    return found


def _as_told(result: Result, found: Sequence[Cause]) -> tuple[Cause, ...]:
    """
    Causes by area with what is held back of each, and shares of what is not.

    What hollows above keep in the design storm does not come, and has no share of what does. Where
    cells were not counted, areas of crossings are those of the layer.
    """
    held = held_back(result)
    areas: dict[str, float] = {}
    if not result.rows("water_parts"):
        areas = {f"crossing {row['id']}": row["area_m2"] for row, _ in result.run_on}
    told = [
        replace(one, amount=amount, held_m2=min(held.get(one.subject, 0.0), amount))
        for one in found
        for amount in [areas.get(one.subject, one.amount)]
    ]
    if not any(one.held_m2 for one in told):
        return tuple(told)
    arriving = _in_hundredths([one.amount - one.held_m2 for one in told])
    shared = [replace(one, share=share / 100) for one, share in zip(told, arriving, strict=True)]
    # the largest first; what all of is held back is told as well, last
    return tuple(sorted(shared, key=lambda one: -one.share))


def _roofs(result: Result, names: Sequence[str]) -> list[Part]:
    """Roofs of downspouts."""
    areas = _downspout_areas(result)
    return [(Source.ROOF, name, areas.get(name, 0.0), None, None) for name in names]


def _named_by(downspouts: Sequence[str], ground: Sequence[Part]) -> list[Part]:
    """Roofs in a catchment by the downspouts that bring them there."""
    if not downspouts:
        return list(ground)
    name = " and ".join(downspouts)
    return [
        (source, name if source is Source.ROOF else subject, amount, x, y)
        for source, subject, amount, x, y in ground
    ]


def _of_ground(result: Result, low_spot: Row, fed: Sequence[Part]) -> list[Part]:
    """Ground that drains to a low spot without inlets, less the roofs that are told apart."""
    total = low_spot.get("contributing_area_m2") or low_spot.get("area_m2") or 0.0
    if (low_spot.get("on_lot_m2") or 0.0) <= 0:
        return [(Source.NEIGHBOUR, "", total, None, None)]
    total = max(total - sum(part[2] for part in fed), 0.0)
    across = [
        part
        for part, way in _run_on(result)
        if way is not None and way.intersects(low_spot["geometry"])
    ]
    across = _once(result, across)
    beyond = _scaled(across, min(sum(part[2] for part in across), total))
    own = total - sum(part[2] for part in beyond)
    return [*beyond, (Source.OWN, "", own, None, None)]


def of_walls(
    result: Result, walls: Sequence[Row], downspouts: Sequence[str] = ()
) -> tuple[Cause, ...]:
    """
    Give the causes of the water at walls.

    Parameters
    ----------
    result
        As published.
    walls
        Rows of the facades.
    downspouts
        Names of those that end there.

    Notes
    -----
    What comes over the ground is taken from the flow paths that run within 10 ft of the walls,
    each crossing of the lot line followed down them; of the lot's own ground at least the strip of
    10 ft.
    """
    counted = _counted(result, [wall["name"] for wall in walls])
    if counted:
        named = {part[1] for part in counted}
        missing = [name for name in downspouts if name not in named]
        return _as_told(result, shares([*counted, *_roofs(result, missing)]))
    zone = unary_union([strip_of(result, wall, WALL_REACH_M) for wall in walls])
    names = {wall["name"] for wall in walls}
    across = _once(result, [part for part, way in _run_on(result) if walls_of(result, way) & names])
    beyond = sum(part[2] for part in across)
    strip = sum((wall["length_m"] or 0.0) * (wall["reach_m"] or 0.0) for wall in walls)
    past = [row["area_m2"] for row in result.rows("flow_paths") if _starts_in(row, zone)]
    own = max(strip, max(past, default=0.0) - beyond)
    roofs = [*_roofs(result, downspouts), *_eaves(result, walls)]
    return _as_told(result, shares([*across, (Source.OWN, "", own, None, None), *roofs]))


def walls_of(result: Result, way: LineString | None) -> set[str]:
    """
    Name the walls that water runs to on its way, one of a building; none it stays 10 ft off.

    Of a building the wall it comes nearest to; of walls as near, within half a cell, the one it
    reaches first, and at a corner the one over whose ground it comes. So the same water is never
    that of two sides.
    """
    if way is None:
        return set()
    reach = WALL_REACH_M * result.per_metre
    by_building: dict[str, list[tuple[float, float, float, str]]] = {}
    for row in result.rows("facades"):
        distance = way.distance(row["geometry"])
        if distance > reach:
            continue
        passed = way.intersection(row["geometry"].buffer(reach))
        parts = getattr(passed, "geoms", [passed])
        first = min((way.project(Point(part.coords[0])) for part in parts), default=0.0)
        before = strip_of(result, row, WALL_REACH_M).distance(way.interpolate(first))
        by_building.setdefault(row["building"], []).append((distance, first, before, row["name"]))
    found = set()
    for near in by_building.values():
        least = min(one[0] for one in near) + 0.5 * result.cell
        as_near = [one for one in near if one[0] <= least]
        first = min(one[1] for one in as_near) + result.cell
        as_soon = [one for one in as_near if one[1] <= first]
        found.add(min((before, name) for _, _, before, name in as_soon)[1])
    return found


def entries(result: Result, *, again: bool = False) -> list[Row]:
    """
    Give the places where water comes onto the lot, those with most ground first.

    Without those whose water comes on again at another, unless they are asked for (`again`): the
    last of them holds it all. `first_m2` is the ground whose water has not been on the lot before;
    all of it where no cells were counted.
    """
    first = {part[1]: part[2] for part in _counted(result, ["the lot"])}
    kept = {part[1] for part in _once(result, [part for part, _ in _run_on(result)])}
    rows = [
        {**row, "first_m2": first.get(name, 0.0 if first else row["area_m2"])}
        for row, name in ((row, f"crossing {row['id']}") for row, _ in result.run_on)
        if again or name in kept
    ]
    return sorted(rows, key=lambda row: -float(row["area_m2"]))


def _starts_in(path: Row, zone: Any) -> bool:
    """Whether a flow path reaches a zone with its lower half: its area is that of its lower end."""
    return bool(substring(path["geometry"], 0.5, 1.0, normalized=True).intersects(zone))


def _once(result: Result, across: Sequence[Part]) -> list[Part]:
    """
    Crossings without those whose water comes on again at another of them.

    Water that comes on, leaves and comes on again is in the area of each crossing it passes; the
    last holds it all.
    """
    ways = {(part[3], part[4]): way for part, way in _run_on(result)}

    def comes_again(part: Part) -> bool:
        way = ways.get((part[3], part[4]))
        return way is not None and any(
            other[1] != part[1]
            and other[2] >= part[2]
            and way.distance(Point(other[3], other[4])) <= _CELLS * result.cell
            for other in across
        )

    return [part for part in across if not comes_again(part)]


def _scaled(parts: Sequence[Part], total: float) -> list[Part]:
    """Parts in their proportion, adding up to a total."""
    added = sum(part[2] for part in parts)
    if not added:
        return []
    return [(source, name, area * total / added, x, y) for source, name, area, x, y in parts]


def _counted(result: Result, subjects: Sequence[str], *, led: bool = True) -> list[Part]:
    """Parts that a study counted cell by cell, with or without what drains lead there."""
    return [
        (Source(row["source"]), row["name"] or "", row["area_m2"], row.get("x"), row.get("y"))
        for row in result.rows("water_parts")
        if row["subject"] in subjects and (led or not row["is_led_in"])
    ]


def _ground(result: Result, name: str) -> list[Part]:
    """Ground that drains to an inlet over the surface, cut by buildings and the lot line."""
    counted = _counted(result, [name], led=False)
    if counted:
        return counted
    inlet = result.row("inlets", name=name)
    outline = result.row("catchment_cells", name=name)
    if inlet is None or not inlet.get("catchment_m2"):
        return []
    total = float(inlet["catchment_m2"])
    if outline is None or not outline["geometry"].area:
        return [(Source.OWN, "", total, None, None)]
    cells, lot = outline["geometry"], unary_union([r["geometry"] for r in result.rows("lot")])
    per_unit = total / cells.area
    own = cells.intersection(lot)
    shed = _shed_at_eaves(result)
    parts: list[Part] = []
    for building in result.rows("buildings"):
        roof = own.intersection(building["geometry"])
        source = Source.EAVES if building["name"] in shed else Source.ROOF
        name = f"roof of {building['name']}"
        parts.append((source, name, roof.area * per_unit, None, None))
        own = own.difference(building["geometry"])
    parts.append((Source.OWN, "", own.area * per_unit, None, None))
    return [*parts, *_over_the_line(result, cells, lot, per_unit)]


def _over_the_line(result: Result, cells: Any, lot: Any, per_unit: float) -> list[Part]:
    """Ground beyond the lot, by the crossings at which its water comes onto the lot."""
    beyond = cells.difference(lot).area * per_unit
    if not beyond:
        return []
    near = cells.buffer(_CELLS * result.cell)
    across = [part for part, _ in _run_on(result) if near.covers(Point(part[3], part[4]))]
    across = _once(result, across)
    if not across:
        return [(Source.NEIGHBOUR, "", beyond, None, None)]
    return _scaled(across, beyond)


def _connected(result: Result, names: Sequence[str]) -> list[Part]:
    """Roofs led into inlets, by downspout where a study counted them."""
    found: list[Part] = []
    for name in names:
        inlet = result.row("inlets", name=name) or {}
        area = inlet.get("roof_connected_m2") or 0.0
        led = [
            (Source.ROOF, row["name"], row["area_m2"], None, None)
            for row in result.rows("water_parts", subject=name, is_led_in=True)
            if row["source"] == Source.ROOF
        ]
        found += led or [(Source.ROOF, f"roofs led into {name}", area, None, None)]
    return found


def _refused(result: Result, names: Sequence[str]) -> list[Row]:
    """What inlets get in the design storm, where one of them does not take all of it."""
    rows = [
        row
        for name in names
        for row in result.rows("inlet_bypass", case=result.state, name=name)
        if row["return_period_yr"] == result.design_storm_yr and row.get("own_m3") is not None
    ]
    kept = sum((row["stands_m3"] or 0.0) + (row["passed_m3"] or 0.0) for row in rows)
    return rows if kept > 0 else []


def _from_drains(result: Result, rows: Sequence[Row], names: Sequence[str]) -> list[Part]:
    """What comes up out of inlets, and what others let pass to them."""
    parts: list[Part] = []
    for row in rows:
        why = f"{_line_below(result, row['name'])} ({row['limited_by'] or 'line'})"
        up = row["backs_up_m3"] or 0.0
        for source, name, volume, x, y in _roofs_up(result, row["name"], up):
            parts.append((source, name, volume, x, y))
            up -= volume
        parts.append((Source.DRAIN, why, up, None, None))
        if row["from_inlets_m3"]:
            others = [
                other["name"]
                for other in result.rows("inlet_bypass", case=result.state)
                if other["runs_to"] == row["name"] and other["name"] not in names
            ]
            if others:  # what one of these inlets passes to another is theirs already
                name = ", ".join(sorted(set(others)))
                parts.append((Source.INLET, name, row["from_inlets_m3"], None, None))
    return parts


def _roofs_up(result: Result, inlet: str, up_m3: float) -> list[Part]:
    """
    Roof water in what comes up out of an inlet: roofs led into it, by their volume of the storm.

    It is not more than what comes up.
    """
    per_m2 = _roof_depth(result)
    parts: list[Part] = []
    for source, name, area, x, y in _connected(result, [inlet]):
        volume = min(area * per_m2, up_m3 - sum(part[2] for part in parts))
        if volume > 0:
            parts.append((source, f"{name} (backed up out of its full drain)", volume, x, y))
    return parts


def _roof_depth(result: Result) -> float:
    """Depth of water that roofs bring in the design storm [m]; nothing where none is told."""
    rows = [
        row
        for row in result.rows("runoff", kind="downspout", return_period_yr=result.design_storm_yr)
        if row.get("volume_m3") and row.get("area_m2")
    ]
    area = sum(row["area_m2"] for row in rows)
    return sum(row["volume_m3"] for row in rows) / area if area else 0.0


def roof_volume(result: Result, inlet: str) -> float:
    """Water of the roofs led into an inlet in the design storm [m^3]."""
    return _roof_depth(result) * sum(part[2] for part in _connected(result, [inlet]))


def _line_below(result: Result, node: str) -> str:
    line = result.row("drain_lines", case=result.state, from_node=node)
    return str(line["name"]) if line else node


def _downspout_areas(result: Result) -> dict[str, float]:
    """Roof of each downspout [m^2]."""
    areas = {
        row["subject"]: row["area_m2"]
        for row in result.rows("runoff", kind="downspout")
        if row.get("area_m2")
    }
    return areas | {
        row["name"]: row["roof_area_m2"]
        for row in result.rows("downspouts")
        if row.get("roof_area_m2")
    }


def _shed_at_eaves(result: Result) -> dict[str, float]:
    """Roofs without downspouts by building [m^2]."""
    return {
        one.subject: one.measured or 0.0
        for one in result.findings
        if one.rule == "roof-sheds-at-eaves"
    }


def _eaves(result: Result, walls: Sequence[Row]) -> list[Part]:
    """Roofs without downspouts, shed along all walls alike."""
    parts: list[Part] = []
    for name, area in _shed_at_eaves(result).items():
        here = sum(wall["length_m"] or 0.0 for wall in walls if wall["building"] == name)
        around = sum(wall["length_m"] or 0.0 for wall in result.rows("facades", building=name))
        if here and around:
            parts.append((Source.EAVES, f"roof of {name}", area * here / around, None, None))
    return parts


def _run_on(result: Result) -> list[tuple[Part, LineString | None]]:
    """Each crossing at which water comes onto the lot as a part, with its way."""
    return [
        (
            (
                Source.NEIGHBOUR, f"crossing {row['id']}", row["area_m2"],
                row["geometry"].x, row["geometry"].y,
            ),
            way,
        )
        for row, way in result.run_on
    ]  # fmt: skip
