"""Where levels of a result come from, against what was drawn and measured of each."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lotflow.layers import LEVEL_SOURCES
from lotflow.outputs.level_marks import ground_marks, level_marks

SITE = SimpleNamespace(
    inlets=pd.DataFrame({"name": ["A", "B", "C"], "rim_m": [1.0, 1.0, np.nan]}),
    drain_lines=pd.DataFrame({"name": ["P", "Q"], "invert_up_m": [0.5, np.nan],
                              "invert_down_m": [np.nan, 0.1]}),
)  # fmt: skip
NODES = pd.DataFrame({
    "name": ["A", "C", "J", "O", "L", "E"],
    "kind": ["inlet", "inlet", "junction", "outlet", "outlet", "outlet"],
    "level_source": ["given", "from ground", "from ground", "given", "from line", "unknown"],
})  # fmt: skip
LINES = pd.DataFrame({
    "name": ["P", "Q", "R", "S"], "from_node": ["A", "B", "J", "J"],
    "to_node": ["O", "O", "L", "J"], "invert_up_basis": ["given", "below rim", "from line",
                                                       "proposed"],
    "invert_down_basis": ["given", "given", "given", "from ground"],
})  # fmt: skip
OPENINGS = pd.DataFrame({"name": ["door", "vent", "well"], "sill_m": [1.0, 1.0, np.nan]})


def marks(*levelled):
    layers = {"openings": OPENINGS, "nodes": NODES, "drain_lines": LINES,
              "inlets": pd.DataFrame({"name": ["A", "B", "C"]})}  # fmt: skip
    return level_marks(layers, SITE, frozenset(levelled))


def test_without_shots_levels_are_drawn_public_or_unknown():
    found = marks()
    assert found["openings"]["level_from"] == ["drawn", "drawn", None]
    assert found["inlets"]["level_from"] == ["drawn", "drawn", "public data"]
    assert found["nodes"]["level_from"] == ["drawn", "public data", "public data", "drawn",
                                            "drawn", None]  # fmt: skip
    assert found["drain_lines"]["level_up_from"] == ["drawn", "drawn", "drawn", None]
    assert found["drain_lines"]["level_down_from"] == ["drawn", "drawn", "drawn", "public data"]
    told = {one for layer in found.values() for column in layer.values() for one in column}
    assert told - {None} <= set(LEVEL_SOURCES)


def test_levels_of_shots_are_levelled_where_they_are_met():
    """P takes its outlet's level, Q has one of its own; L is met by R, R begins where S ends."""
    found = marks(("openings", "door", "sill_m"), ("inlets", "A", "rim_m"),
                  ("outlets", "O", "invert_m"), ("drain_lines", "R", "invert_down_m"),
                  ("drain_lines", "S", "invert_down_m"))  # fmt: skip
    assert found["openings"]["level_from"] == ["levelled", "drawn", None]
    assert found["inlets"]["level_from"] == ["levelled", "drawn", "public data"]
    assert found["nodes"]["level_from"] == ["levelled", "public data", "public data", "levelled",
                                            "levelled", None]  # fmt: skip
    assert found["drain_lines"]["level_up_from"] == ["drawn", "drawn", "levelled", None]
    assert found["drain_lines"]["level_down_from"] == ["levelled", "drawn", "levelled",
                                                       "public data"]  # fmt: skip


def test_ground_is_levelled_where_both_ends_of_what_is_told_of_it_are():
    """In feet: a level counts at a place up to 1 m, 3.28 units, from it."""
    spots = pd.DataFrame({"id": [1, 2], "x": [0.0, 100.0], "y": [0.0, 0.0],
                          "spill_x": [20.0, 130.0], "spill_y": [0.0, 0.0]})  # fmt: skip
    walls = gpd.GeoDataFrame(
        {"reach_m": [3.048, 3.048]},
        geometry=[
            shapely.LineString([(-20, 50), (20, 50)]),
            shapely.LineString([(80, 50), (120, 50)]),
        ],
    )
    ways = pd.DataFrame({"subject": ["low spot 1", "low spot 2", "low spot 1"],
                         "x": [20.0, 20.0, 60.0], "y": [0.0, 0.0, 0.0]})  # fmt: skip
    layers = {"low_spots": spots, "facades": walls, "outlet_options": ways}
    taken = [(3.2, 0.0), (20.0, 0.0), (130.0, 0.0), (0.0, 49.0), (0.0, 41.0), (100.0, 49.0)]
    found = ground_marks(layers, taken, 1 / 3.28)
    levelled, public = "levelled", "public data"
    assert found["low_spots"]["level_from"] == [levelled, public]
    assert found["facades"]["level_from"] == [levelled, public]
    assert found["outlet_options"]["level_from"] == [levelled, public, public]
    none = ground_marks(layers, [], 1 / 3.28)
    assert {one for layer in none.values() for one in layer["level_from"]} == {public}
