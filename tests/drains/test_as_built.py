"""The finished work by levels taken of it, from hand-made numbers and in a whole run."""

import json
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import lotflow
from lotflow.criteria import Criteria
from lotflow.drains.as_built import as_built, as_built_findings, fall_verdict, level_verdict

#: Of one line 20 m long, proposed at 1.5 % with 1.04 % needed: 30.300 to 30.000 m.
LINE = {"name": "Line", "case": "proposed", "to_node": "Street", "length_m": 20.0,
        "invert_up_m": 30.3, "invert_down_m": 30.0, "slope_m_per_m": 0.015,
        "minimum_slope_m_per_m": 0.010417}  # fmt: skip
NODE = {"name": "Grate", "case": "proposed", "rim_m": 31.0, "invert_m": np.nan, "level_m": np.nan}
SWALE = {"name": "Swale", "kind": "swale", "status": "proposed", "lining": "grass",
         "fall_pct": 2.0, "geometry": shapely.LineString([(0, 0), (30, 0)])}  # fmt: skip


def shots_of(*rows):
    """Name, level, and of a swale's bed the place along it; 5 mm each."""
    return gpd.GeoDataFrame(
        [{"name": name, "level_m": level, "deviation_m": 0.005, "counts": "yes",
          "line": None if at is None else "Swale", "line_part": None} for name, level, at in rows],
        geometry=[shapely.Point(at or 0, 0) for _, _, at in rows],
    )  # fmt: skip


def judged(shots, *built, swale=SWALE, datum_deviation_m=0.0):
    works = gpd.GeoDataFrame([swale])
    layers = {"drain_lines": pd.DataFrame([LINE]), "nodes": pd.DataFrame([NODE])}
    rows = as_built(
        SimpleNamespace(shots=shots, earthworks=works), built, layers, Criteria(),
        metres_per_unit=1.0, datum_deviation_m=datum_deviation_m,
    )  # fmt: skip
    return {(row.name, row.part): row for row in rows}, rows


def ends(up, down):
    shots = shots_of(("A", up, None), ("B", down, None))
    return judged(shots, ("drain_lines", "Line", "invert_up_m", (0,)),
                  ("drain_lines", "Line", "invert_down_m", (1,)))  # fmt: skip


@pytest.mark.parametrize(
    ("up", "down", "fall", "verdict", "severity"),
    [
        (30.30, 30.00, 0.0150, "as proposed", None),
        (30.35, 30.05, 0.0150, "as proposed", None),  # 5 cm high at both ends
        (30.27, 30.03, 0.0120, "holds", None),
        (30.25, 30.05, 0.0100, "cannot tell", "warn"),  # 14 mm of 200 mm may be misread
        (30.24, 30.06, 0.0090, "too flat", "fail"),  # each end within its 61 mm
        (29.99, 30.03, -0.0020, "runs back", "fail"),
    ],
)
def test_a_line_is_judged_by_its_fall_not_by_its_heights(up, down, fall, verdict, severity):
    found, rows = ends(up, down)
    row = found["Line", "fall"]
    assert row.measured_slope == pytest.approx(fall)
    assert row.doubt_m == pytest.approx(1.96 * 0.005 * 2**0.5)
    assert (row.expected_slope, row.least_slope) == (0.015, 0.010417)
    assert "plumbing code" in row.source
    assert row.verdict == verdict
    told = {one.rule: one.severity for one in as_built_findings(rows)}
    assert told.get("as-built-fall") == severity


def test_a_level_may_be_two_tenths_of_a_foot_off():
    """0.2 ft are 61 mm: Fort Collins."""
    found, rows = ends(30.37, 30.07)
    up, down = found["Line", "upper end"], found["Line", "lower end"]
    assert (up.verdict, down.verdict) == ("cannot tell", "cannot tell")  # by 9 mm, of 9.8
    assert up.off_m == pytest.approx(0.07)
    assert found["Line", "fall"].verdict == "as proposed"
    shots = shots_of(("R", 31.1, None))
    rim = ("inlets", "Grate", "rim_m", (0,))
    assert judged(shots, rim)[0]["Grate", "rim"].verdict == "off"
    (finding,) = as_built_findings(judged(shots, rim)[1])
    assert (finding.rule, finding.severity, finding.measured) == ("as-built-level", "warn", 0.1)
    # a datum known to 5 cm hides it
    doubted, _ = judged(shots, rim, datum_deviation_m=0.05)
    assert doubted["Grate", "rim"].verdict == "cannot tell"
    assert len(rows) == 3


def test_a_line_with_one_end_levelled_has_no_fall():
    found, _ = judged(shots_of(("A", 30.3, None)), ("drain_lines", "Line", "invert_up_m", (0,)))
    assert list(found) == [("Line", "upper end")]


@pytest.mark.parametrize(
    ("levels", "least", "verdict"),
    [((30.6, 30.4, 30.2), 0.02, "as proposed"), ((30.6, 30.45, 30.2), 0.015, "holds"),
     ((30.6, 30.55, 30.2), 0.005, "too flat"), ((30.6, 30.64, 30.2), -0.004, "runs back")],
)  # fmt: skip
def test_a_swale_is_as_good_as_its_flattest_stretch(levels, least, verdict):
    """Taken out of order: they are put along the drawn line. 1 % is the least of grass."""
    places = {0: 0.001, 1: 10.0, 2: 20.0}
    rows = [(f"S{i}", levels[i], places[i]) for i in (2, 0, 1)]
    found, _ = judged(shots_of(*rows))
    row = found["Swale", "fall"]
    assert row.measured_slope == pytest.approx(least, abs=1e-4)
    assert (row.verdict, row.least_slope, row.expected_slope) == (verdict, 0.01, 0.02)
    rejected = {**SWALE, "status": "rejected"}
    assert judged(shots_of(*rows), swale=rejected)[0] == {}


def test_the_verdicts_meet_at_their_limits():
    assert fall_verdict(0.01, np.nan, 0.01, 0.001) == "as proposed"
    assert fall_verdict(0.01, 0.02, 0.01, 0.001) == "holds"
    assert level_verdict(-0.061, 0.061, 0.0) == "as proposed"


def test_levels_of_proposed_drains_are_held_against_them_and_change_nothing(tmp_path):
    """The sample's patio line: proposed from 30.80 to 30.62 m; built 3 cm high, too flat."""
    lotflow_demo = lotflow.__file__.replace("lotflow/__init__.py", "data_samples/alder_court")
    site = gpd.read_file(f"{lotflow_demo}/site.gpkg", layer="drain_lines").set_index("name")
    first, *_, last = shapely.get_coordinates(site.loc["Patio line"].geometry)
    levels = ((30.79, first, "upper end"), (30.70, last, "lower end"))
    gpd.GeoDataFrame(
        [{"name": part, "level_m": level, "surface_kind": "invert", "deviation_mm": 3.0,
          "subject": f"Patio line {part}"} for level, _, part in levels],
        geometry=[shapely.Point(at) for _, at, _ in levels], crs=site.crs,
    ).to_file(tmp_path / "shots.geojson", driver="GeoJSON")  # fmt: skip
    text = f"""[job]
units = "metric"
[elevation]
file = "{lotflow_demo}/dem.tif"
[layers]
file = "{lotflow_demo}/site.gpkg"
shots = "shots.geojson"
[confidence]
realisations = 0
"""
    (tmp_path / "job.toml").write_text(text)
    result = lotflow.run(tmp_path)
    table = result.layers["as_built"].set_index("part")
    assert set(table["name"]) == {"Patio line"}
    assert table.loc["lower end", "off_m"] == pytest.approx(0.08)
    assert table.loc["lower end", "verdict"] == "off"
    assert table.loc["upper end", "verdict"] == "as proposed"
    line = result.layers["drain_lines"].set_index("name").loc["Patio line"]
    assert line["invert_down_m"] == pytest.approx(30.62)  # as it was proposed
    assert table.loc["fall", "expected_slope"] == pytest.approx(0.18 / line["length_m"], rel=1e-3)
    assert table.loc["fall", "measured_slope"] == pytest.approx(0.09 / line["length_m"], rel=1e-3)
    assert table.loc["fall", "verdict"] == "too flat"
    assert "The finished work against the proposal" in result.text
    result.write(tmp_path / "out")
    kept = json.loads((tmp_path / "out" / "summary.json").read_text("utf-8"))
    assert [one["part"] for one in kept["as_built"]] == ["fall", "upper end", "lower end"]
