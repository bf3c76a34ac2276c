"""Bad covers, roofs, rain and drains of a job, through the command line: refused, or found."""

import json
import re
import shutil
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from lotflow.cli import main

JOB = Path(__file__).parents[1] / "data_samples" / "alder_court"


def lotflow(*arguments):
    """Run a command in this process and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def contents(folder):
    """Bytes of every file below a folder."""
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A result of the sample, made once and only copied from."""
    folder = tmp_path_factory.mktemp("finished") / "result"
    assert lotflow("run", JOB, "-o", folder, "-q", "--realisations", 0, "--no-pack") == 0
    return folder


def cell(layer, row, column, value):
    """Put a value into a layer of the sample."""

    def change(job):
        frame = gpd.read_file(job / "site.gpkg", layer=layer)
        frame.loc[row, column] = value
        frame.to_file(job / "site.gpkg", layer=layer)

    return change


def line_at(name, *points):
    """Draw a line of the sample elsewhere."""

    def change(job):
        frame = gpd.read_file(job / "site.gpkg", layer="drain_lines")
        frame.loc[frame["name"] == name, "geometry"] = shapely.LineString(points)
        frame.to_file(job / "site.gpkg", layer="drain_lines")

    return change


def rain(old, new, *, count=1):
    """Change the text of the rainfall table."""

    def change(job):
        text = (job / "rainfall.csv").read_text(encoding="utf-8")
        assert old in text
        (job / "rainfall.csv").write_text(text.replace(old, new, count), encoding="utf-8")

    return change


def cut_rain(job):
    """Leave a third of the table."""
    data = (job / "rainfall.csv").read_bytes()
    (job / "rainfall.csv").write_bytes(data[: len(data) // 3])


def fewer_storms(job):
    """Ask for 500 years of a table that ends at 200."""
    lines = (job / "rainfall.csv").read_text(encoding="utf-8").splitlines()
    shorter = [line.rsplit(",", 2)[0] if re.search(r":.*,.*,.*,", line) else line for line in lines]
    (job / "rainfall.csv").write_text("\n".join(shorter), encoding="utf-8")
    toml = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text(toml.replace("[2, 10, 100]", "[2, 500]"), encoding="utf-8")


def without_outlet(job):
    """Take a curb outlet away that a line names."""
    frame = gpd.read_file(job / "site.gpkg", layer="outlets")
    frame[frame["name"] != "Patio curb outlet"].to_file(job / "site.gpkg", layer="outlets")


REFUSED = {
    "coefficient below 0": (
        cell("covers", 1, "runoff_coefficient", -0.1), "layer covers, row 2", "between 0 and 1",
    ),
    "coefficient above 1": (
        cell("covers", 1, "runoff_coefficient", 1.5), "layer covers, row 2", "between 0 and 1",
    ),
    "curve number below 30": (
        cell("covers", 0, "curve_number", 20), "layer covers, row 1", "between 30 and 100",
    ),
    "curve number above 100": (
        cell("covers", 0, "curve_number", 101), "layer covers, row 1", "between 30 and 100",
    ),
    "unknown cover": (
        cell("covers", 6, "cover", "paver"), "layer covers, row 7", "mean", "pavers",
    ),
    "downspout of no building": (
        cell("downspouts", 3, "building", "Hosue"), "layer downspouts, row 4", "mean", "House",
    ),
    "roof larger than its house": (
        cell("downspouts", 3, "roof_area_m2", 900.0), "layer downspouts", "992 m²", "126 m²",
    ),
    "rain cut in the middle": (cut_rain, "rainfall.csv"),
    "rain that falls with duration": (
        rain("10-min:, 0.446", "10-min:, 0.246"), "rainfall.csv", "line 16",
    ),
    "rain without its unit": (rain("(inches)", "(cubits)"), "rainfall.csv, line 1", "(inches)"),
    "storm outside the table": (fewer_storms, "rainfall.csv", "500", "1 to 200 years"),
    "unknown node": (
        cell("drain_lines", 4, "to_node", "Corner cleanot"), "layer drain_lines", "mean",
        "Corner cleanout",
    ),
    "line without length": (
        line_at("Patio line", (600050, 3300050), (600050, 3300050)), "layer drain_lines",
        "row 5", "no length",
    ),
    "diameter of 0": (
        cell("drain_lines", 0, "diameter_mm", 0.0),
        "layer drain_lines, row 1", "between 10 and 2000 mm",
    ),
    "diameter below 0": (
        cell("drain_lines", 0, "diameter_mm", -100.0),
        "layer drain_lines, row 1", "between 10 and 2000 mm",
    ),
    "proposed pipe of no size on sale": (
        cell("drain_lines", 4, "size_mm", 133.0), "layer drain_lines", "Patio line", "4 in",
    ),
    "invert above its ground": (
        cell("drain_lines", 4, "invert_up_m", 38.0), "layer drain_lines", "above its ground",
    ),
    "invert given twice": (
        lambda job: (cell("drain_lines", 1, "invert_up_m", 29.0)(job),
                     cell("inlet_areas", 0, "rim_m", 31.5)(job)),
        "layer drain_lines", "invert_up",
    ),
    "both units, and different": (
        cell("drain_lines", 0, "diameter_in", 6.0), "layer drain_lines, row 1", "diameter",
    ),
    "line wholly off the data": (
        line_at("Patio line", (600900, 3300900), (600920, 3300900)), "layer drain_lines",
        "Patio line",
    ),
    "outlet that is not there": (without_outlet, "layer drain_lines", "Patio curb outlet"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_taken_is_refused_and_the_old_result_stays(case, tmp_path, finished, capfd):
    """Exit 1, one message with file, layer, row and remedy; nothing made, replaced or changed."""
    change, *words = REFUSED[case]
    job = shutil.copytree(JOB, tmp_path / "job")
    change(job)
    old = shutil.copytree(finished, tmp_path / "old")
    before = contents(tmp_path)
    assert lotflow("run", job, "-o", old, "--overwrite", "--realisations", 0, "--no-pack") == 1
    out, err = capfd.readouterr()
    assert out == ""
    assert len(re.findall(r"^lotflow: ", err, re.MULTILINE)) == 1, err
    assert "fault of the program" not in err
    assert [word for word in words if word.lower() not in err.lower()] == [], err
    assert contents(tmp_path) == before


def level_ground(job):
    """A raster of hardly any fall, 2 mm in 10 m: no way has a slope to speak of."""
    import numpy as np  # noqa: PLC0415 - for this one only
    import rasterio  # noqa: PLC0415

    with rasterio.open(job / "dem.tif", "r+") as raster:
        rows = np.arange(raster.height)[:, None] + np.zeros(raster.width)
        raster.write((31.5 + 1e-4 * rows).astype(raster.dtypes[0]), 1)


def cover_twice(job):
    """Lay a gravel bed over the patio."""
    frame = gpd.read_file(job / "site.gpkg", layer="covers")
    bed = frame[frame["cover"] == "pavers"].assign(cover="gravel")
    pd.concat([frame, bed]).to_file(job / "site.gpkg", layer="covers")


FOUND = {
    "overlapping covers": (cover_twice, "covers-overlap"),
    "existing pipe of no size on sale": (
        lambda job: (cell("drain_lines", 0, "diameter_mm", None)(job),
                     cell("drain_lines", 0, "size_mm", 133.0)(job)),
        "size-not-in-table",
    ),
    "line that ends in nothing": (
        lambda job: cell("drain_lines", 6, "to_node", None)(job)
        or line_at("Street line", (600045, 3300040), (600046, 3300010))(job),
        "loose-end",
    ),
    "line that leaves the data": (
        line_at("Old roof line", (600060, 3300030), (600060, 3299950)),
        "line-leaves-elevation-data",
    ),
}  # fmt: skip


def rules_of(folder):
    """Rules of all findings of a result."""
    summary = json.loads((folder / "summary.json").read_text())
    return {finding["rule"] for finding in summary["findings"]}


@pytest.mark.parametrize("case", FOUND)
def test_what_can_be_worked_with_is_a_finding(case, tmp_path, finished, capfd):
    """Which the sample as it is does not have."""
    change, rule = FOUND[case]
    assert rule not in rules_of(finished)
    job = shutil.copytree(JOB, tmp_path / "job")
    change(job)
    code = lotflow("run", job, "-o", tmp_path / "result", "-q", "--realisations", 0, "--no-pack")
    assert code == 0, capfd.readouterr().err
    assert rule in rules_of(tmp_path / "result")


def test_the_several_systems_of_the_sample_are_a_finding(finished):
    assert "several-systems" in rules_of(finished)


def test_level_ground_counts_with_a_least_slope(tmp_path):
    """A way without fall has a stated least slope, and so a time."""
    job = shutil.copytree(JOB, tmp_path / "job")
    level_ground(job)
    for name in ("drain_lines", "outlets"):  # levels of another ground
        frame = gpd.read_file(job / "site.gpkg", layer=name)
        frame.iloc[:0].to_file(job / "site.gpkg", layer=name)
    frame = gpd.read_file(job / "site.gpkg", layer="downspouts")
    frame.iloc[:0].to_file(job / "site.gpkg", layer="downspouts")
    code = lotflow("run", job, "-o", tmp_path / "result", "-q", "--realisations", 0, "--no-pack")
    assert code == 0
    summary = json.loads((tmp_path / "result" / "summary.json").read_text())
    times = [row["time_of_concentration_min"] for row in summary["runoff"]
             if row["method"] == "rational" and row["area_m2"]]  # fmt: skip
    assert times
    assert all(5.0 <= time < 24 * 60 for time in times)
