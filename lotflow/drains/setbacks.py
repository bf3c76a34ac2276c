"""Where drains are: how near to what they must keep from, and what of them lies off the lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import shapely

from lotflow.drains.discharge_findings import Distance, OffLot, off_lot_findings
from lotflow.findings import with_earlier
from lotflow.layers import CONSTRAINT_KINDS
from lotflow.layers.drawn import cases_of, earthworks_in, in_case
from lotflow.terrain.discharge_path import VERGE_M

if TYPE_CHECKING:
    from lotflow.criteria import Criteria
    from lotflow.findings import Finding
    from lotflow.layers.drawn import Case, Drawn

#: Outlets that let water out on or into the ground of the lot.
_ON_THE_LOT: Final = ("daylight", "pop-up emitter", "swale", "dry well")
#: What lines are held away from too; they may run along the rest.
_LINES_KEEP_FROM: Final = ("septic", "well", "tree", "utility")

#: Outlets that are public by what they are.
_PUBLIC_OUTLETS: Final = ("public inlet", "storm sewer", "sanitary sewer")


def off_lot(site: Drawn, criteria: Criteria, metres_per_unit: float) -> list[Finding]:
    """
    Say what of the drains lies off the lot, on ground that is neither street nor water.

    An outlet in a drawn street, at its curb, in water or at a public inlet is in its place. A
    line to it may cross sidewalks, and a verge's width of other ground. `criteria` give how well
    drains are drawn.
    """
    limit, source = criteria.node_reach_m, criteria.sources()["node_reach_m"]
    *earlier, found = (
        off_lot_findings(_off_lot_parts(site, case, limit, metres_per_unit), limit, source)
        for case in cases_of(site)
    )
    for case in earlier:
        found = with_earlier(found, case)
    return found


def _off_lot_parts(site: Drawn, case: Case, reach_m: float, unit: float) -> list[OffLot]:
    """Inlets, outlets and lines of a case with what of them lies on another's ground."""
    lot, reach = site.lot.geometry.union_all(), reach_m / unit
    drawn = {kind: site.constraints[site.constraints["kind"] == kind].geometry.union_all()
             for kind in ("street", "sidewalk", "easement")}  # fmt: skip
    public = shapely.union_all([drawn["street"], *site.water.geometry]).buffer(reach)
    walks, easements = drawn["sidewalk"].buffer(reach), drawn["easement"].buffer(reach)
    outlets = in_case(site.outlets, case)
    # a street may be drawn as a line, and a curb stands beside it
    at_street = outlets.geometry.distance(drawn["street"]) * unit <= VERGE_M
    is_public = outlets["kind"].isin(_PUBLIC_OUTLETS) | (outlets["kind"].eq("curb") & at_street)
    ends = shapely.union_all([public, *outlets[is_public].geometry.buffer(reach)])
    inlets, lines = in_case(site.inlets, case), in_case(site.drain_lines, case)
    layers: tuple[tuple[Literal["inlet", "outlet", "line"], Any], ...]
    layers = ("inlet", inlets), ("outlet", outlets), ("line", lines)
    parts = []
    for what, frame in layers:
        for name, shape in zip(frame["name"], frame.geometry, strict=True):
            beyond = shape.difference(lot).difference(ends if what == "outlet" else public)
            if what == "line" and _ends_in(shape, ends):
                pieces = shapely.get_parts(beyond.difference(walks))
                beyond = shapely.union_all([p for p in pieces if p.length * unit > VERGE_M])
            if beyond.is_empty:
                continue
            points = [shapely.Point(xy) for xy in shapely.get_coordinates(beyond)]
            farthest = max(points, key=lot.distance)
            is_line = shape.geom_type.endswith("LineString")
            off = beyond.length if is_line else farthest.distance(lot)
            parts.append(
                OffLot(
                    what, str(name), float(off) * unit, is_length=is_line,
                    on_sidewalk=bool(beyond.within(walks)),
                    in_easement=bool(beyond.within(easements)),
                    street_is_drawn=not drawn["street"].is_empty, x=farthest.x, y=farthest.y,
                )
            )  # fmt: skip
    return parts


def _ends_in(line: Any, ends: Any) -> bool:
    """Whether one of its ends lies where water may be led; lines may be drawn backwards."""
    return any(ends.intersects(end) for end in shapely.get_parts(line.boundary))


def setback_distances(
    site: Drawn, case: Case, buildings: Any, metres_per_unit: float
) -> list[Distance]:
    """
    Measure from outlets to everything setbacks may be stated from, and from lines to some of it.

    Outlets that let water out on or into the ground of the lot count, rain gardens likewise, and of
    lines and other earthworks the distance to septic systems, wells, trees and utilities. Of each
    kind the nearest thing is given; `buildings` are the rows of the lot's own.
    """
    outlets = in_case(site.outlets, case)
    outlets = outlets[outlets["kind"].isin(_ON_THE_LOT)]
    works = earthworks_in(site.earthworks, case)
    soaks = works["kind"] == "rain garden"
    things = _things(site, buildings)
    found = [
        _nearest(str(name), shape, kind, of_kind, metres_per_unit)
        for kind, of_kind in things.items()
        for layer in (outlets, works[soaks])
        for name, shape in zip(layer["name"], layer.geometry, strict=True)
    ]
    return found + [
        _nearest(str(name), shape, kind, things[kind], metres_per_unit)
        for kind in _LINES_KEEP_FROM
        if kind in things
        for layer in (in_case(site.drain_lines, case), works[~soaks])
        for name, shape in zip(layer["name"], layer.geometry, strict=True)
    ]


def _things(site: Drawn, buildings: Any) -> dict[str, list[tuple[str, Any]]]:
    """Name and shape of what is to be kept from, by kind; kinds without any are left out."""
    lot_line = site.lot.geometry.union_all().boundary
    things: dict[str, list[tuple[str, Any]]] = {
        "foundation": list(zip(buildings["name"], buildings.geometry, strict=True)),
        "lot line": [("", lot_line)],
    }
    for kind in CONSTRAINT_KINDS:
        rows = site.constraints[site.constraints["kind"] == kind]
        things[kind] = list(zip(rows["name"], rows.geometry, strict=True))
    return {kind: of_kind for kind, of_kind in things.items() if of_kind}


def _nearest(
    subject: str, shape: Any, kind: str, things: list[tuple[str, Any]], metres_per_unit: float
) -> Distance:
    """Distance to the nearest of things of a kind."""
    name, nearest = min(things, key=lambda thing: shape.distance(thing[1]))
    x, y = shapely.get_coordinates(shapely.shortest_line(shape, nearest))[0]
    away = float(shape.distance(nearest)) * metres_per_unit
    return Distance(subject, kind, str(name or ""), away, float(x), float(y))
