"""Swales of a job on its plan page and in its pack: the sample with one that crosses its drains."""

import math
import shutil
from pathlib import Path

import geopandas as gpd
import gpxpy
import numpy as np
import pytest
from pyproj import Transformer
from shapely import LineString, Point

from lotflow.inputs.job import read_job, with_realisations
from lotflow.study import run_study, write_study

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
#: From the north-east of the lawn to its drain, where a line begins.
SWALE = LineString([(600056.5, 3300056.5), (600049.0, 3300053.2), (600043.238, 3300052.826)])


@pytest.fixture(scope="module")
def dug(tmp_path_factory):
    folder = tmp_path_factory.mktemp("dug")
    job = folder / "job"
    shutil.copytree(SAMPLE, job)
    crs = gpd.read_file(job / "site.gpkg", layer="lot").crs
    rows = [{"name": "Rear swale", "kind": "swale", "status": "proposed", "depth_m": 0.15,
             "fall_pct": 1.0, "leads_to": "Lawn drain", "geometry": SWALE}]  # fmt: skip
    gpd.GeoDataFrame(rows, crs=crs).to_file(job / "site.gpkg", layer="earthwork_lines")
    study = run_study(with_realisations(read_job(job), 0))
    write_study(study, folder / "result", overwrite=False)
    return study, folder / "result"


@pytest.mark.parametrize("system", ["metric", "us"])
def test_a_swale_is_seen_in_section(browser, dug, opened, system):
    """Ground of today and bed at the levels of the layer, and the pipe where it is crossed."""
    study, folder = dug
    rows = study.layers["earthwork_profiles"]
    opened(browser, folder / "plan.html")
    browser.execute_script(
        "const u = document.getElementById('units'); u.value = arguments[0]; "
        "u.dispatchEvent(new Event('change')); "
        "document.querySelectorAll('#tables details').forEach((one) => { one.open = true; }); "
        "[...document.querySelectorAll('section:has(#table-earthwork_lines) td button')]"
        ".find((e) => e.textContent === 'Rear swale').click()",
        system,
    )
    texts, ground, bed, label = browser.execute_script(
        "const svg = document.querySelector('tr.in-section svg.section'); "
        "const d = (name) => svg.querySelector(name).getAttribute('d'); "
        "return [[...svg.querySelectorAll('text')].map((e) => e.textContent), d('.ground'), "
        "d('.dug'), svg.getAttribute('aria-label')]"
    )
    unit, factor = ("m", 1.0) if system == "metric" else ("ft", 0.3048)
    assert label == "Section of Rear swale, from its upper end; ground of today dashed"
    assert any(f"Level [{unit}]; heights" in text for text in texts)
    assert f"bed {rows['level_m'].iloc[0] / factor:.2f}" in texts
    assert f"bed {rows['level_m'].iloc[-1] / factor:.2f}" in texts
    # by the axis: the deepest cut is as high in the picture as it is in the layer
    ys = [[float(pair.split()[1]) for pair in path[1:].split("L")] for path in (ground, bed)]
    levels = [float(text) for text in texts if text.replace(".", "").isdigit() and "." in text]
    assert len(levels) >= 2
    deep = np.subtract(*ys[::-1])
    cut = (rows["ground_m"] - rows["level_m"]).to_numpy() / factor
    per_unit = deep.max() / cut.max()
    assert deep == pytest.approx(per_unit * cut, abs=0.4)  # pixels, written to a tenth
    crossed = rows[rows["crosses"].notna()]
    assert set(crossed["crosses"]) == {"Lawn line"}
    pipe = study.layers["line_profiles"]
    pipe = pipe[(pipe["name"] == "Lawn line") & (pipe["scenario"] == "proposed")]
    place = crossed.geometry.iloc[0]
    crown = pipe["crown_m"].iloc[int(pipe.distance(place).argmin())]
    assert any(text == f"Lawn line: top {crown / factor:.2f}" for text in texts)
    # not cut off where the table is wider than what is seen of it
    assert browser.execute_script(
        "const svg = document.querySelector('tr.in-section svg').getBoundingClientRect(); "
        "return svg.right <= document.getElementById('told').getBoundingClientRect().right"
    )
    assert browser.get_log("browser") == []


def test_a_tap_on_a_swale_shows_its_section(browser, dug, opened):
    _, folder = dug
    opened(browser, folder / "plan.html")
    x, y = SWALE.interpolate(3.0).coords[0]
    browser.execute_script(
        "const [west, south] = JSON.parse(document.getElementById('plan-data').textContent).corner;"
        "lotflowPlan.tapped(L.latLng(arguments[1] - south, arguments[0] - west))",
        x, y,
    )  # fmt: skip
    assert "Rear swale" in browser.execute_script(
        "return document.querySelector('#answer svg.section').getAttribute('aria-label')"
    )


def test_stakes_are_waypoints_at_the_places_of_the_layer(dug):
    """To the centimetre that degrees are written to; found again from the layer's own tapes."""
    study, folder = dug
    staked = study.layers["stakes"]
    with (folder / "waypoints.gpx").open(encoding="utf-8") as stream:
        points = {one.name: one for one in gpxpy.parse(stream).waypoints}
    to_crs = Transformer.from_crs(4326, staked.crs, always_xy=True)
    assert {f"Stake {number}" for number in staked["id"]} <= set(points)
    for row in staked.to_dict("records"):
        point = points[f"Stake {row['id']}"]
        x, y = to_crs.transform(point.longitude, point.latitude)
        assert math.hypot(x - row["x"], y - row["y"]) < 0.02
        assert row["subject"] in point.description
        if row["corner_a"] is not None:
            assert row["corner_a"] in point.description
            for one in "ab":
                corner = Point(row[f"corner_{one}_x"], row[f"corner_{one}_y"])
                assert corner.distance(Point(row["x"], row["y"])) == pytest.approx(
                    row[f"tie_{one}_m"], abs=1e-6
                )
    swale = staked[staked["subject"] == "Rear swale"]
    assert swale["part"].tolist()[0] == "upper end"
    assert swale["part"].tolist()[-1] == "lower end"
    assert "bend" in set(swale["part"])
    assert np.diff(swale["distance_m"]).max() <= 5.0


def test_layers_and_summary_hold_what_is_dug_and_staked(dug):
    study, folder = dug
    stakes = gpd.read_file(folder / "result.gpkg", layer="stakes")
    profiles = gpd.read_file(folder / "result.gpkg", layer="earthwork_profiles")
    assert len(stakes) == len(study.layers["stakes"])
    assert profiles["name"].unique().tolist() == ["Rear swale"]
    work = gpd.read_file(folder / "result.gpkg", layer="earthwork_lines").iloc[0]
    assert (work["width_m"], work["side_slope"], work["lining"]) == (0.3, 3.0, "grass")
    assert work["crosses"] == "Lawn line"
    assert work["level_up_m"] == pytest.approx(profiles["level_m"].iloc[0])
