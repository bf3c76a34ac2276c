"""
What stands and lies on the invented lot 14 Alder Court, in block coordinates and SI units.

One list of rows per site layer; columns by their base names as the schema declares them. The
levels belong to the ground of `sample_ground`: a drain of this list was fitted to it by hand.
"""

from __future__ import annotations

from typing import Any, Final

from shapely import LineString, Point, Polygon, box

HOUSE: Final = box(-6.5, 18.0, 5.5, 28.5)
GARAGE: Final = box(6.3, 31.0, 11.3, 37.5)
INCH_M: Final = 0.0254
GALLON_PER_MINUTE_M3S: Final = 231 * INCH_M**3 / 60

Rows = list[dict[str, Any]]


def lot() -> Rows:
    """One lot of 24 by 40 m."""
    return [{"name": "14 Alder Court", "geometry": box(-12.0, 7.5, 12.0, 47.5)}]


def buildings() -> Rows:
    """House and garage of the lot, and the neighbours' houses that steer water."""
    return [
        {"name": "House", "threshold": 31.66, "geometry": HOUSE},
        {"name": "Garage", "threshold": 31.65, "geometry": GARAGE},
        {"name": "12 Alder Court", "geometry": box(-31.0, 17.5, -19.0, 27.5)},
        {"name": "16 Alder Court", "geometry": box(17.5, 18.5, 29.5, 29.0)},
        {"name": "7 Birch Row", "geometry": box(-9.0, 63.0, 4.0, 72.0)},
    ]


def covers() -> Rows:
    """Everything that is not lawn; the street first, so that the aprons lie on the sidewalk."""
    drives = [
        {"cover": "concrete", "geometry": box(7.6 + 24 * lot, 4.5, 10.6 + 24 * lot, end)}
        for lot, end in ((-2, 30), (-1, 30), (0, 31), (1, 30))
    ]
    return [
        {"cover": "asphalt", "geometry": box(-64.0, -4.5, 64.0, 4.5)},
        {"cover": "concrete", "geometry": box(-64.0, 5.9, 64.0, 7.4)},
        *drives,
        {"cover": "pavers", "geometry": box(-4.5, 28.5, 4.5, 32.5)},
        {"cover": "concrete", "geometry": box(0.6, 15.2, 7.6, 16.5).union(box(0.6, 15.2, 2.0, 18))},
        {"cover": "planting", "geometry": box(-6.5, 16.2, 0.2, 18.0)},
        {"cover": "planting", "geometry": box(-12.0, 32.5, -11.2, 46.5)},
        {"cover": "gravel", "geometry": box(5.5, 19.0, 6.8, 28.5)},
    ]


def inlets() -> Rows:
    """
    Two inlets that are there and serve little, and three that are proposed at the low points.

    The old ones go when the new ones come.
    """
    basin = {"kind": "catch basin", "status": "proposed", "grate_length": 12.0 * INCH_M,
             "grate_width": 12.0 * INCH_M, "open_share": 0.40, "opening_width": 0.4 * INCH_M,
             "grates_removable": True}  # fmt: skip
    return [
        {
            # stops short: the settled middle of the patio lies 2 m beyond its end
            "name": "Patio channel", "kind": "channel drain", "status": "replaced",
            "channel_depth": 3.0 * INCH_M, "channel_width": 4.0 * INCH_M, "open_share": 0.25,
            "opening_width": 0.3 * INCH_M, "grates_removable": False,
            "geometry": LineString([(-4.2, 28.8), (-1.4, 28.8)]),
        },
        {
            # set too high when the lawn around it settled
            "name": "Yard basin", "kind": "catch basin", "status": "replaced",
            "grate_length": 9.0 * INCH_M, "grate_width": 9.0 * INCH_M, "open_share": 0.35,
            "opening_width": 0.5 * INCH_M, "grates_removable": True, "rim_above_ground": 0.05,
            "geometry": box(-7.72, 29.38, -7.48, 29.62),
        },
        {**basin, "name": "Patio basin", "geometry": Point(0.7, 28.95)},
        {**basin, "name": "Lawn drain", "geometry": Point(-5.7, 39.2)},
        {
            "name": "Garage channel", "kind": "channel drain", "status": "proposed",
            "channel_depth": 5.0 * INCH_M, "channel_width": 5.0 * INCH_M, "open_share": 0.35,
            "opening_width": 0.3 * INCH_M, "grates_removable": True,
            "geometry": LineString([(10.5, 29.4), (7.7, 29.4)]),
        },
    ]  # fmt: skip


def downspouts() -> Rows:
    """
    Four downspouts, as they discharge today and as they will.

    Today one is led into the yard basin, one feeds the low spot of the patio, one ends at the
    wall, and one in a pipe that nobody has found the end of.
    """
    return [
        {"name": name, "building": "House", "roof_area": area, "leader": 3 * INCH_M, "leads_to": to,
         "status": status, "geometry": Point(place)}
        for name, area, place, today, later in (
            ("DS1", 38.0, (-6.8, 28.8), "Yard basin", "Corner cleanout"),
            ("DS2", 34.0, (3.9, 28.9), "surface", "Patio basin"),
            ("DS3", 27.0, (-6.9, 17.7), "surface", "Side cleanout"),
            ("DS4", 27.0, (5.8, 17.6), "Front corner", "Front cleanout"),
        )
        for to, status in ((today, "replaced"), (later, "proposed"))
    ]  # fmt: skip


def drain_lines() -> Rows:
    """
    The existing system as it was found, and a proposed one.

    Existing: taped joints with too little cover; a line whose ends differ (4 in to 3 in) with
    sediment and standing water; a 3 in line that rises towards an emitter above it; a roof line
    of unknown end. Proposed: 4 in smooth pipe at more than 1 % to the curb, with cleanouts.
    """
    old = {"status": "replaced", "evidence": "measured"}
    new = {"status": "proposed", "size": 4 * INCH_M, "material": "pvc", "joint": "glued",
           "evidence": "assumed"}  # fmt: skip
    return [
        {**old, "name": "Old patio line", "from_node": "Patio channel", "to_node": "Yard basin",
         "diameter": 4 * INCH_M, "material": "hdpe corrugated", "joint": "taped",
         "invert_up": 31.40, "invert_down": 31.24,
         "geometry": LineString([(-4.2, 28.8), (-7.6, 29.5)])},
        {**old, "name": "Old side line", "from_node": "Yard basin", "to_node": "Old bend",
         "diameter": 4 * INCH_M, "diameter_down": 3 * INCH_M, "material": "hdpe corrugated",
         "joint": "push", "invert_up_below_rim": 0.255, "invert_down": 31.00,
         "sediment": 1.0 * INCH_M, "standing_water": 0.5 * INCH_M,
         "geometry": LineString([(-7.6, 29.5), (-7.4, 19.0)])},
        {**old, "name": "Old front line", "from_node": "Old bend", "to_node": "Old emitter",
         "diameter": 3 * INCH_M, "material": "hdpe corrugated", "joint": "none",
         "invert_up": 31.00, "invert_down": 31.02, "test": "hose",
         "test_flow": 10 * GALLON_PER_MINUTE_M3S, "test_seconds": 240.0,
         "geometry": LineString([(-7.4, 19.0), (-7.2, 16.0), (-3.6, 14.6)])},
        {**old, "name": "Old roof line", "from_node": "Front corner", "to_node": "Lost end",
         "diameter": 3 * INCH_M, "material": "hdpe corrugated", "joint": "none",
         "invert_up": 31.38, "evidence": "assumed",
         "geometry": LineString([(5.8, 17.6), (5.2, 12.0)])},
        {**new, "name": "Patio line", "from_node": "Patio basin", "to_node": "Corner cleanout",
         "invert_up": 30.80, "invert_down": 30.62,
         "geometry": LineString([(0.7, 28.95), (0.7, 30.2), (-8.6, 30.2)])},
        {**new, "name": "Side line", "from_node": "Corner cleanout", "to_node": "Side cleanout",
         "invert_up": 30.62, "invert_down": 30.37,
         "geometry": LineString([(-8.6, 30.2), (-8.6, 17.7)])},
        {**new, "name": "Street line", "from_node": "Side cleanout", "to_node": "Patio curb outlet",
         "invert_up": 30.37, "invert_down": 30.09,
         "geometry": LineString([(-8.6, 17.7), (-8.6, 4.9)])},
        {**new, "name": "Lawn line", "from_node": "Lawn drain", "to_node": "Lawn cleanout",
         "invert_up": 30.76, "invert_down": 30.37,
         "geometry": LineString([(-5.7, 39.2), (-9.8, 36.0), (-9.8, 20.0)])},
        {**new, "name": "Lawn street line", "from_node": "Lawn cleanout",
         "to_node": "Lawn curb outlet",
         "invert_up": 30.37, "invert_down": 30.08,
         "geometry": LineString([(-9.8, 20.0), (-9.8, 4.9)])},
        {**new, "name": "Garage line", "from_node": "Garage channel", "to_node": "Front cleanout",
         "invert_up": 31.10, "invert_down": 30.62,
         "geometry": LineString([(7.7, 29.4), (6.9, 28.6), (6.9, 17.0)])},
        {**new, "name": "Front line", "from_node": "Front cleanout", "to_node": "Front curb outlet",
         "invert_up": 30.62, "invert_down": 30.30,
         "geometry": LineString([(6.9, 17.0), (5.8, 4.9)])},
    ]  # fmt: skip


def outlets() -> Rows:
    """Where the lines end, or are believed to end."""
    curb = {"kind": "curb", "diameter": 4 * INCH_M, "status": "proposed"}
    return [
        {"name": "Old emitter", "kind": "pop-up emitter", "invert": 31.19, "diameter": 3 * INCH_M,
         "status": "replaced", "geometry": Point(-3.6, 14.6)},
        {"name": "Lost end", "kind": "not found", "status": "replaced",
         "geometry": Point(5.2, 12.0)},
        {**curb, "name": "Patio curb outlet", "invert": 30.09, "geometry": Point(-8.6, 4.9)},
        {**curb, "name": "Lawn curb outlet", "invert": 30.08, "geometry": Point(-9.8, 4.9)},
        {**curb, "name": "Front curb outlet", "invert": 30.30, "geometry": Point(5.8, 4.9)},
    ]  # fmt: skip


def openings() -> Rows:
    """Where water would come in first."""
    return [
        {"name": "Back door", "kind": "door", "sill": 31.66, "geometry": Point(2.2, 28.6)},
        {"name": "Garage door", "kind": "garage", "sill": 31.65, "geometry": Point(8.9, 30.9)},
        {"name": "Basement window", "kind": "window well", "sill": 31.50,
         "geometry": Point(-6.7, 23.0)},
        {"name": "Heat pump", "kind": "AC pad", "sill": 31.72, "geometry": Point(5.9, 25.0)},
    ]  # fmt: skip


def constraints() -> Rows:
    """What drains and their water must keep clear of."""
    return [
        {"name": "Sidewalk", "kind": "sidewalk", "geometry": box(-64.0, 5.9, 64.0, 7.4)},
        {"name": "Alder Court", "kind": "street", "geometry": box(-64.0, -4.5, 64.0, 4.5)},
        {"name": "12 Alder Court", "kind": "neighbour building",
         "geometry": box(-31.0, 17.5, -19.0, 27.5)},
        {"name": "16 Alder Court", "kind": "neighbour building",
         "geometry": box(17.5, 18.5, 29.5, 29.0)},
        {"name": "Alder at the swale", "kind": "tree", "geometry": Point(-10.6, 14.0)},
        {"name": "Gas service", "kind": "utility",
         "geometry": LineString([(3.0, 4.5), (3.0, 18.0)])},
        {"name": "Rear easement", "kind": "easement",
         "geometry": Polygon([(-12.0, 45.5), (12.0, 45.5), (12.0, 47.5), (-12.0, 47.5)])},
    ]  # fmt: skip


def walls() -> Rows:
    """
    Two garden walls, too thin for the raster to show.

    One runs down the slope beside the lot line; the other stands across the slope above the lawn:
    the water of the slope must go round its ends.
    """
    return [
        {"name": "Garden wall", "height": 0.4,
         "geometry": LineString([(11.8, 38.5), (11.8, 46.5)])},
        {"name": "Rear wall", "height": 0.5,
         "geometry": LineString([(-9.0, 44.2), (-1.5, 44.2)])},
    ]  # fmt: skip


def site() -> dict[str, Rows]:
    """Rows of every layer, in SI units, by layer name."""
    return {
        "lot": lot(), "buildings": buildings(), "covers": covers(), "inlets": inlets(),
        "downspouts": downspouts(), "drain_lines": drain_lines(), "outlets": outlets(),
        "openings": openings(), "constraints": constraints(), "walls": walls(),
    }  # fmt: skip
