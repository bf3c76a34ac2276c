"""Lines cut open, from the layers of a result: what a page and a sheet draw."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.sections import earthwork_cuts, line_cuts


def profile(layer, rows, shapes):
    names = [column.name for column in RESULT_LAYERS[layer].columns]
    assert set(rows[0]) <= set(names)
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=names), geometry=shapes)


def swale(stations, **more):
    along = np.linspace(0.0, 10.0, stations)
    rows = [
        {"name": "S, north; 1", "distance_m": at, "ground_m": 10.0, "level_m": 9.8 - 0.01 * at,
         "water_m": np.nan, "stands_m": np.nan, "crosses": None} | more.get(f"at{n}", {})
        for n, at in enumerate(along)
    ]  # fmt: skip
    return profile("earthwork_profiles", rows, shapely.points(along, np.zeros(stations)))


def pipe(scenario, crown, name="P1, old"):
    rows = [
        {"scenario": scenario, "name": name, "distance_m": at, "ground_m": 10.0,
         "invert_m": crown - 0.1 - 0.02 * at, "crown_m": crown - 0.02 * at}
        for at in range(-5, 6)
    ]  # fmt: skip
    return profile("line_profiles", rows, shapely.points(np.full(11, 5.0), np.arange(-5.0, 6.0)))


def test_a_swale_meets_the_pipe_of_the_system_the_result_is_for():
    """Crossed at 5 m, in the middle of a pipe whose crown lies at 9.4 m in the proposed system."""
    layers = {
        "earthwork_profiles": swale(11, at5={"crosses": "P1, old"}),
        "line_profiles": pd.concat([pipe("today", 9.0), pipe("proposed", 9.4)]),
    }
    (cut,) = earthwork_cuts(layers).values()
    assert cut.name == "S, north; 1"
    assert cut.met == ((5.0, "P1, old", pytest.approx(9.4)),)
    assert cut.dug[[0, -1]] == pytest.approx([9.8, 9.7])
    assert cut.levels.min() == pytest.approx(9.4)
    assert cut.plain()[0] == [0.0, 10.0, None, None, 9.8, None, None]


def test_of_what_is_no_pipe_the_level_is_not_known():
    (cut,) = earthwork_cuts({"earthwork_profiles": swale(3, at1={"crosses": "Gas"})}).values()
    ((at, name, level),) = cut.met
    assert (at, name) == (5.0, "Gas")
    assert np.isnan(level)
    assert np.isfinite(cut.levels).all()


def test_a_long_swale_is_thinned_and_keeps_its_ends_and_crossings():
    (cut,) = earthwork_cuts({"earthwork_profiles": swale(1001, at7={"crosses": "Gas"})}).values()
    assert cut.distance.size <= 161
    assert cut.distance[[0, -1]].tolist() == [0.0, 10.0]
    assert cut.met[0][0] == pytest.approx(0.07)


def test_a_pipe_has_the_levels_of_its_profile_in_each_state():
    layers = {"line_profiles": pd.concat([pipe("today", 9.0), pipe("proposed", 9.4)])}
    cuts = line_cuts(layers)
    assert set(cuts) == {("today", "P1, old"), ("proposed", "P1, old")}
    assert cuts["today", "P1, old"].plain()[5] == [0.0, 10.0, 8.9, 9.0]
    assert line_cuts({}) == earthwork_cuts({}) == {}
