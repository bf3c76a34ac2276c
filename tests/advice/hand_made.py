"""Hand-made results with known answers."""

import pandas as pd
from shapely.geometry import LineString, Point, box

from lotflow.advice.result import Result
from lotflow.findings import Finding

#: A lot of 20 by 20 m with a house of 8 by 6 m, its south wall at y = 4.
LOT = {"name": "Lot", "area_m2": 400.0, "geometry": box(0, 0, 20, 20)}
HOUSE = {"name": "House", "geometry": box(6, 4, 14, 10)}
SOUTH = {
    "name": "House, south side", "building": "House", "x": 10.0, "y": 4.0, "length_m": 8.0,
    "reach_m": 3.048, "surface": "soil", "fall_m": -0.2, "slope": -0.06, "slope_low": -0.10,
    "slope_high": -0.02, "slope_limit": 0.05, "verdict": "too flat",
    "geometry": LineString([(6, 4), (14, 4)]),
}  # fmt: skip
#: A low spot before the door in the north wall, drained by the inlet Basin.
LOW_SPOT = {
    "id": 1, "x": 10.0, "y": 11.0, "depth_m": 0.30, "area_m2": 12.0, "volume_m3": 1.5,
    "bed_elevation_m": 9.80, "spill_elevation_m": 10.10, "contributing_area_m2": 100.0,
    "on_lot_m2": 12.0, "building_distance_m": 0.0, "inlets": "Basin", "artefact": "",
    "probability": 0.95, "geometry": box(8, 10, 14, 12),
}  # fmt: skip
DOOR = {
    "name": "Door", "kind": "door", "sill_m": 10.05, "ground_m": 9.85, "above_ground_m": 0.20,
    "low_spot": 1, "is_touched": True, "spill_elevation_m": 10.10, "freeboard_m": -0.05,
    "freeboard_low_m": -0.20, "freeboard_high_m": -0.01, "geometry": Point(10, 10),
}  # fmt: skip
#: Of its 100 m² half lie on the lot; 20 m² of roof are led into it.
BASIN = {
    "name": "Basin", "x": 10.0, "y": 11.0, "catchment_m2": 100.0, "roof_connected_m2": 20.0,
    "on_lot_m2": 50.0, "off_lot_m2": 50.0, "catchment_m2_p05": 90.0, "catchment_m2_p50": 100.0,
    "catchment_m2_p95": 120.0, "geometry": Point(10, 11),
}  # fmt: skip
CELLS = {"name": "Basin", "area_m2": 100.0, "geometry": box(5, 15, 15, 25)}
CROSSING = {
    "id": 7, "direction": "on", "area_m2": 50.0, "elevation_m": 12.0, "geometry": Point(10, 20),
}  # fmt: skip


def water(case, freeboard, storm=100.0):
    """Water of the low spot at the door."""
    return {
        "return_period_yr": storm, "case": case, "pond": 1, "low_spot": 1, "name": "Door",
        "kind": "opening", "is_own": True, "at_wall": True, "depth_m": 0.1,
        "level_m": 10.05 - freeboard, "freeboard_m": freeboard,
    }  # fmt: skip


def pond(case, **values):
    """The low spot under water."""
    return {
        "return_period_yr": 10.0, "case": case, "low_spot": 1, "x": 10.0, "y": 11.0,
        "depth_m": 0.30, "area_m2": 12.0, "volume_m3": 1.5, "paved_m2": 0.0, "off_lot_m2": 0.0,
        "touches": "House", "soaks_away_h": 30.0, "stays_m": None, "artefact": "",
        "geometry": box(8, 10, 14, 12),
    } | values  # fmt: skip


def line(name, start, end, **values):
    """An old length of pipe with its levels."""
    return {
        "case": "today", "name": name, "status": "existing", "from_node": start, "to_node": end,
        "outlet": end, "invert_up_basis": "given", "invert_down_basis": "given",
        "length_m": 10.0, "required_size": None, "design_storm_yr": 10.0,
        "geometry": LineString([(0, 0), (10, 0)]),
    } | values  # fmt: skip


def node(case, name, x, y, kind="inlet"):
    return {"case": case, "name": name, "kind": kind, "geometry": Point(x, y)}


STORMS = [
    {"return_period_yr": storm, "case": case}
    for storm in (2.0, 10.0, 100.0)
    for case in ("open", "blocked:all")
]


def site_layers():
    """The layers of a lot with a low spot at a door and a wall to which the ground falls."""
    return {
        "lot": [LOT],
        "buildings": [HOUSE],
        "low_spots": [LOW_SPOT],
        "openings": [DOOR],
        "facades": [SOUTH],
        "inlets": [BASIN],
        "catchment_cells": [CELLS],
        "lot_line_crossings": [CROSSING],
        "nodes": [node("proposed", "Basin", 10, 11)],
        "pond_cases": STORMS,
        "wall_water": [water("blocked:all", -0.05)],
        "ponds": [pond("blocked:all")],
    }


def frames(layers):
    return {name: pd.DataFrame(rows) for name, rows in layers.items()}


def result(layers, findings=(), content=None, units="metric"):
    """A result as it is published."""
    told = {"accuracy": {"rmse_m": 0.1, "cell_m": 1.0, "low_spot_limit_m": 0.1}} | (content or {})
    return Result(frames(layers), tuple(findings), told, units)


def finding(rule, subject, severity="warn", **values):
    return Finding(rule, severity, subject, "said", source="a source", **values)
