"""What an owner saw, through the command line: refused, or held against the study; invented all."""

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

import lotflow
from lotflow.cli import main
from lotflow.outputs.plan_page.drawn import drawn_layers

JOB = Path(__file__).parents[1] / "data_samples" / "alder_court"
LAWN = (600042.75, 3300053.25)
RAIN = "date,rain_in\n2026-05-02,0.10\n2026-05-03,2.9\n2026-05-10,T\n"


def command(*arguments):
    """Run a command in this process and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def job_with(folder, *rows, rain=RAIN, table='rain = "rain.csv"'):
    """Copy the sample and add observations: place, and what was seen."""
    job = folder / "job"
    shutil.copytree(JOB, job, ignore=shutil.ignore_patterns("result"))
    crs = gpd.read_file(job / "site.gpkg", layer="lot").crs
    for name, is_area in (("observation_points", False), ("observation_areas", True)):
        some = [one for one in rows if (one[0].geom_type == "Polygon") is is_area]
        if some:
            frame = gpd.GeoDataFrame([row for _, row in some], geometry=[s for s, _ in some],
                                     crs=crs)  # fmt: skip
            frame.to_file(job / "site.gpkg", layer=name)
    if rain is not None:
        (job / "rain.csv").write_text(rain)
    if table:
        (job / "job.toml").write_text(
            (job / "job.toml").read_text() + f"\n[observations]\n{table}\n"
        )
    return job


POINT = shapely.Point(LAWN)
GOOD = {"name": "Lawn", "depth_in": 4.0, "hours": 30.0, "date": "2026-05-03"}


@pytest.mark.parametrize(
    ("rows", "rain", "said"),
    [
        ([(shapely.Point(599990, 3300050), GOOD)], RAIN,
         ["site.gpkg", "observation_points", "row 1", "'Lawn'", "off the elevation data"]),
        ([(POINT, GOOD), (shapely.box(599990, 3300050, 600010, 3300060), GOOD | {"name": "Edge"})],
         RAIN, ["observation_areas", "row 1", "'Edge'", "off the elevation data"]),
        ([(POINT, {"name": "Lawn", "note": "wet"})], RAIN,
         ["observation_points", "row 1", "neither the depth nor the hours", "depth_m or depth_in"]),
        ([(POINT, GOOD | {"date": "2099-05-03"})], RAIN,
         ["row 1", "date = '2099-05-03'", "future"]),
        ([(POINT, GOOD | {"date": "5/3/26"})], RAIN,
         ["row 1", "date = '5/3/26'", "no date that can be read", "2026-05-03"]),
        ([(POINT, GOOD | {"depth_in": -4.0})], RAIN,
         ["row 1", "depth_in = -4.0", "between 0 and 118.11 in"]),
        ([(POINT, GOOD | {"hours": 9000.0})], RAIN,
         ["row 1", "hours = 9000.0", "between 0 and 2160"]),
        ([(POINT, GOOD | {"depth_in": 0.0})], RAIN, ["row 1", "hours = 30.0", "Give 0 for both"]),
        ([(POINT, GOOD | {"date": "2026-05-07"})], RAIN,
         ["observation_points", "row 1", "date = '2026-05-07'", "rain.csv does not have this day",
          "from 2026-05-02 to 2026-05-10", "nearest day in it is 2026-05-10"]),
        ([(POINT, GOOD)], RAIN.replace("rain_in", "rain"),
         ["rain.csv, line 1, rain", "unit of the rain is not clear", "rain_mm or rain_in"]),
        ([(POINT, GOOD)], RAIN.replace("2.9", "290"),
         ["rain.csv, line 3", "more than has ever been measured", "Check the unit"]),
        ([(POINT, GOOD)], RAIN.replace("2.9", "2,9"),
         ["rain.csv, line 3", "the row has 3 cells, the first line 2", "with a point"]),
        ([(POINT, GOOD)], None, ["rain.csv", "does not exist"]),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_refused_and_says_where_and_what_to_do(
    tmp_path, capsys, rows, rain, said
):
    job = job_with(tmp_path, *rows, rain=rain)
    assert command("check", job, "-q") == 1
    told = capsys.readouterr().err
    for words in said:
        assert words in told


def test_a_run_writes_nothing_where_the_rain_of_a_day_is_lacking(tmp_path, capsys):
    job, out = job_with(tmp_path, (POINT, GOOD | {"date": "2026-05-07"})), tmp_path / "out"
    assert command("run", job, "-q", "-o", out, "--no-pack", "--realisations", 0) == 1
    assert "does not have this day" in capsys.readouterr().err
    assert not out.exists()


def test_a_gap_of_the_data_predicts_nothing(tmp_path, capsys):
    import rasterio  # noqa: PLC0415 - of one test

    place = (600060.0, 3300025.0)
    job = job_with(tmp_path, (shapely.Point(place), GOOD))
    with rasterio.open(job / "dem.tif", "r+") as file:
        values = file.read(1)
        row, column = file.index(*place)
        values[row - 3 : row + 4, column - 3 : column + 4] = file.nodata
        file.write(values, 1)
    assert command("check", job, "-q") == 1
    assert "'Lawn': lies where the elevation data have a gap" in capsys.readouterr().err


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """A whole result of the sample with invented observations."""
    folder = tmp_path_factory.mktemp("observed")
    job = job_with(
        folder,
        (POINT, GOOD),
        (shapely.Point(600042.75, 3300058.0), GOOD | {"name": "Beside", "depth_in": 30.0}),
        (shapely.box(600041, 3300052, 600044, 3300055),
         {"name": "Lawn, no rain", "depth_in": 2.0, "date": "2026-05-10", "note": "moss"}),
        (shapely.Point(600063.0, 3300030.0), {"name": "Front", "depth_in": 1.0}),
    )  # fmt: skip
    assert command("run", job, "-o", folder / "out", "-q", "--realisations", 0) == 0
    return folder / "out"


def rows_of(written):
    summary = json.loads((written / "summary.json").read_text("utf-8"))
    return summary, {one["name"]: one for one in summary["observations"]}


def test_each_observation_is_told_in_every_paper(written):
    summary, rows = rows_of(written)
    assert {name: one["verdict"] for name, one in rows.items()} == {
        "Lawn": "agrees", "Beside": "deeper than predicted",
        "Lawn, no rain": "seen, not predicted", "Front": "seen, not predicted",
    }  # fmt: skip
    assert rows["Lawn"]["depth_m"] == pytest.approx(4 * 0.0254)
    assert rows["Lawn"]["rain_mm"] == pytest.approx(2.9 * 25.4)
    assert 2 < rows["Lawn"]["return_period_yr"] < 10
    assert (rows["Beside"]["matched"], rows["Beside"]["low_spot"]) == ("beside it", 1)
    assert rows["Front"]["rain_basis"] == "design storms"
    spot = next(one for one in summary["answer"] if one["theme"] == "low spot"
                and {"rule": "observation-deeper", "subject": "Beside", "scenario": ""}
                in one["findings"])  # fmt: skip
    assert "Beside:" in spot["check"]
    assert "Seen (Lawn)" in spot["evidence"]
    asked = [one for one in summary["answer"] if one["theme"] == "seen"]
    assert [one["place"] for one in asked] == ["Front"]
    overview = (written / "overview.txt").read_text("utf-8")
    assert "What was seen" in overview
    assert "Beside:" in overview
    layer = gpd.read_file(written / "result.gpkg", layer="observations")
    assert layer["name"].tolist() == list(rows)
    with closing(sqlite3.connect(written / "result.gpkg")) as file:
        styled = file.execute("SELECT f_table_name FROM layer_styles").fetchall()
    assert ("observations",) in styled


def test_the_plan_page_marks_what_was_seen_and_tells_the_comparison(tmp_path):
    result = lotflow.run(job_with(tmp_path, (POINT, GOOD)), realisations=0)
    (layer,) = [one for one in drawn_layers(result.layers, result.ground)
                if one["key"] == "observations"]  # fmt: skip
    (feature,) = layer["features"]
    assert feature["name"] == "Lawn"
    assert feature["shape"]["kind"] == "point"
    told = {label: value for label, value, _ in feature["told"]}
    assert (told["Compared"], told["Seen on"]) == ("agrees", "2026-05-03")
    assert told["Depth seen"] == pytest.approx(4 * 0.0254)


def test_the_table_of_rain_is_in_the_provenance(written):
    told = rows_of(written)[0]["provenance"]["observations"]
    assert told["file"] == "rain.csv"
    assert len(told["sha256"]) == 64


def test_nothing_computed_changes_by_what_was_seen(written, tmp_path):
    """Only the answer hears of it: flows, ponds, low spots and lines are those of the sample."""
    summary = rows_of(written)[0]
    plain = lotflow.run(JOB, realisations=0).summary
    same = ("low_spots", "inlets", "runoff", "lines", "ponds", "pond_cases", "harm", "quantities")
    for name in same:
        assert summary[name] == plain[name], name
    assert "observations" not in plain
    added = {one["rule"] for one in summary["findings"]} - {
        one["rule"] for one in plain["findings"]
    }
    assert all(rule.startswith("observation-") for rule in added)


def test_a_screening_shows_nothing_of_observations(tmp_path):
    job = job_with(tmp_path, (POINT, GOOD), table="")
    result = lotflow.screen(job / "dem.tif", job / "site.gpkg", realisations=0)
    assert "observations" not in result.layers
    assert "observations" not in result.summary
    assert not any(one.rule.startswith("observation") for one in result.finding_list)


def test_without_rain_of_the_day_it_is_asked_for(tmp_path, capsys):
    job = job_with(tmp_path, (POINT, GOOD), rain=None, table="")
    result = lotflow.run(job, realisations=0)
    assert result.observations["rain_basis"].tolist() == ["design storms"]
    (asked,) = [one for one in result.finding_list if one.rule == "observation-rain-unknown"]
    assert asked.facts["days"] == ("2026-05-03",)
    assert command("check", job) == 0
    assert "no rain of the days on which water was seen" in capsys.readouterr().out


def test_forms_to_draw_with_have_both_tables(tmp_path):
    job = tmp_path / "new"
    assert (
        command("start", job, "--elevation", JOB / "dem.tif", "--lot", JOB / "site.gpkg", "-q") == 0
    )
    frame = gpd.read_file(job / "site.gpkg", layer="observation_points")
    assert list(frame.columns) == ["name", "depth_m", "hours", "date", "note", "geometry"]
    assert len(gpd.read_file(job / "site.gpkg", layer="observation_areas")) == 0
    assert "# [observations]" in (job / "job.toml").read_text()
