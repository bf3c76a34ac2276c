"""Where levels of a result come from, against what was drawn and measured of each."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from lotflow.layers import LEVEL_SOURCES
from lotflow.outputs.level_marks import level_marks

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
