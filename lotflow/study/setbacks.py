"""How near outlets and drain lines come to what they must keep from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import shapely

from lotflow.drains.discharge_findings import Distance
from lotflow.layers import CONSTRAINT_KINDS
from lotflow.study.cases import Case, in_case

if TYPE_CHECKING:
    from lotflow.inputs.site import Site

#: Outlets that let water out on or into the ground of the lot.
_ON_THE_LOT: Final = ("daylight", "pop-up emitter", "swale", "dry well")
#: What lines are held away from too; they may run along the rest.
_LINES_KEEP_FROM: Final = ("septic", "well", "tree", "utility")


def setback_distances(
    site: Site, case: Case, buildings: Any, metres_per_unit: float
) -> list[Distance]:
    """
    Measure from outlets to everything setbacks may be stated from, and from lines to some of it.

    Outlets that let water out on or into the ground of the lot count, and of lines the distance
    to septic systems, wells, trees and utilities.

    Parameters
    ----------
    site
        Gives outlets, lines, lot and constraints.
    case
        State of the drain system.
    buildings
        Rows of the lot's own buildings.
    metres_per_unit
        Of the site's CRS.

    Returns
    -------
    distances
        The nearest thing of each kind.
    """
    outlets = in_case(site.outlets, case)
    outlets = outlets[outlets["kind"].isin(_ON_THE_LOT)]
    lines = in_case(site.drain_lines, case)
    things = _things(site, buildings)
    found = [
        _nearest(str(name), shape, kind, of_kind, metres_per_unit)
        for kind, of_kind in things.items()
        for name, shape in zip(outlets["name"], outlets.geometry, strict=True)
    ]
    return found + [
        _nearest(str(name), shape, kind, things[kind], metres_per_unit)
        for kind in _LINES_KEEP_FROM
        if kind in things
        for name, shape in zip(lines["name"], lines.geometry, strict=True)
    ]


def _things(site: Site, buildings: Any) -> dict[str, list[tuple[str, Any]]]:
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
