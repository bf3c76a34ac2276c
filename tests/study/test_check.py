"""What `check` accepts, `run` computes: both ask one judge."""

import json
import shutil
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from lotflow.cli import main

JOB = Path(__file__).parents[2] / "data_samples" / "alder_court"


def lotflow(*arguments):
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def changed(folder, layer, change):
    """Change a layer of the job's file."""
    # the sample has no earthworks: they are drawn from where its lot lies
    found = gpd.read_file(folder / "site.gpkg", layer=layer)
    frame = found if len(found) else gpd.read_file(folder / "site.gpkg", layer="lot")
    change(frame).to_file(folder / "site.gpkg", layer=layer, driver="GPKG")


def off_the_ground(frame):
    """Half a kilometre away, off the raster."""
    frame.loc[0, "geometry"] = shapely.affinity.translate(frame.geometry[0], 500.0, 0.0)
    return frame


def on_one_place(frame):
    """One on top of another."""
    frame.loc[1, "geometry"] = frame.geometry[0]
    return frame


def round_in_a_ring(frame):
    """Another line that leads back from the end of one to its start."""
    back = frame.iloc[[0]].copy()
    back["geometry"] = [shapely.LineString(shapely.get_coordinates(frame.geometry[0])[::-1])]
    back["name"] = "back again"
    return gpd.GeoDataFrame(pd.concat([frame, back], ignore_index=True), crs=frame.crs)


def without_rows(frame):
    """Lines remain, with roofs led into them, and no grate."""
    return frame.iloc[:0]


def swale_without_depth(frame):
    """A swale that is there already, of which nobody has said how deep it is."""
    west, south, _, north = (float(value) for value in frame.total_bounds)
    middle = (south + north) / 2
    return gpd.GeoDataFrame(
        [{"name": "Side swale", "kind": "swale", "status": "existing"}],
        geometry=[shapely.LineString([(west + 1, middle), (west + 1, south + 2)])], crs=frame.crs,
    )  # fmt: skip


SITES = [
    ("inlets", without_rows),
    ("inlets", off_the_ground),
    ("inlets", on_one_place),
    ("drain_lines", round_in_a_ring),
    ("drain_lines", off_the_ground),
    ("outlets", off_the_ground),
    ("downspouts", off_the_ground),
    ("buildings", off_the_ground),
    ("covers", off_the_ground),
    ("earthwork_lines", swale_without_depth),
]


@pytest.mark.parametrize(("layer", "change"), SITES)
def test_check_refuses_what_run_refuses_and_nothing_else(tmp_path, layer, change, capfd):
    """With the same words."""
    job = Path(shutil.copytree(JOB, tmp_path / "job"))
    changed(job, layer, change)
    capfd.readouterr()
    code = lotflow("check", job)
    out, said = capfd.readouterr()
    assert ("All inputs can be used." in out) == (code == 0)
    assert lotflow("run", job, "-q", "--no-pack", "--realisations", 0) == code
    assert capfd.readouterr().err == said


@pytest.mark.parametrize("prices", ["nonsense", "item,price\nPVC 4 in,x\n"])
def test_check_reads_the_prices_too(tmp_path, prices, capfd):
    job = Path(shutil.copytree(JOB, tmp_path / "job"))
    (job / "prices.csv").write_text(prices)
    text = (job / "job.toml").read_text()
    assert "[prices]" not in text
    (job / "job.toml").write_text(text + '\n[prices]\nfile = "prices.csv"\n')
    assert lotflow("check", job) == 1
    said = capfd.readouterr().err
    assert "prices.csv" in said
    assert lotflow("run", job, "-q", "--no-pack", "--realisations", 0) == 1
    assert capfd.readouterr().err == said


def test_check_says_what_is_missing_and_what_it_would_give(tmp_path, capfd):
    """In text and as JSON, from the same entries; a job may be fit to run all the same."""
    job = Path(shutil.copytree(JOB, tmp_path / "job"))
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.partition("[rainfall]")[0])
    assert lotflow("check", job) == 0
    printed = capfd.readouterr().out
    assert (
        "  no rainfall: flows per 10 mm/h only. Give [rainfall] in job.toml to get flows of each "
        "storm, what lines carry then, ponds.\n"
    ) in printed
    assert printed.endswith("All inputs can be used.\n")
    assert lotflow("check", job, "--json") == 0
    told = json.loads(capfd.readouterr().out)["missing"]
    assert [one["what"] for one in told] == ["rainfall", "prices", "benchmark", "setbacks"]
    assert all(set(one) == {"what", "now", "gives", "how"} and all(one.values()) for one in told)
    for one in told:
        assert f"  no {one['what']}: {one['now']}. {one['how']} to get {one['gives']}." in printed
