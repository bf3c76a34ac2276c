"""Commands at work: whole results, the same in either unit, the same bytes twice."""

import json
import shutil
from pathlib import Path

import geopandas as gpd
import pytest
import rasterio

from lotflow.cli import main

SAMPLES = Path(__file__).parents[1] / "data_samples"
DEM = SAMPLES / "alder_court" / "dem.tif"
SITE = SAMPLES / "alder_court" / "site.gpkg"


def lotflow(*arguments):
    """Run a command and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def contents(folder):
    """Name and bytes of every file below a folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


#: Where it is not looked at how sure the result is.
QUICK = ("--realisations", 0)


@pytest.fixture
def lot():
    return gpd.read_file(SITE, layer="lot")


def test_demo_writes_the_job_and_its_whole_result_and_a_rerun_the_same(
    tmp_path, capfd, second_process
):
    """
    The sample runs, every file of the manifest is there, and the balance closes.

    Inputs stand beside the result, and other programs can read it. A rerun replaces it by the
    same bytes, whoever draws; what was drawn is replaced only if that is asked for.
    """
    assert lotflow("demo", tmp_path / "demo") == 0
    assert {"job.toml", "dem.tif", "site.gpkg"} <= set(contents(tmp_path / "demo"))
    result = tmp_path / "demo" / "result"
    summary = json.loads((result / "summary.json").read_text())
    assert summary["state"] == "complete"
    assert {path.name for path in result.iterdir()} == {*summary["files"], "summary.json"}
    assert summary["balance"]["residual_m2"] == 0
    assert len(summary["low_spots"]) >= 3
    inlets = gpd.read_file(result / "result.gpkg", layer="inlets")
    assert len(inlets) == 3
    assert set(inlets["name"]) == {row["name"] for row in summary["inlets"]}
    with rasterio.open(result / "ground.tif") as ground:
        assert ground.crs == inlets.crs
    out, err = capfd.readouterr()
    assert "Call before you dig" in out
    assert f"Written to {result}" in out
    assert err == ""
    before = contents(tmp_path / "demo")
    second_process.undo()  # the first one was drawn by it
    assert lotflow("demo", tmp_path / "demo") == 1
    assert "use --overwrite" in capfd.readouterr().err
    assert contents(tmp_path / "demo") == before
    (result / "summary.csv").write_text("old")
    assert lotflow("run", tmp_path / "demo", "-q") == 0
    assert contents(tmp_path / "demo") == before | {"result/summary.kept-1.csv": b"old"}


def test_metres_and_feet_give_the_same_answer(tmp_path):
    """The job in metres and the same job in US survey feet agree."""
    found = {}
    for name in ("alder_court", "alder_court_us"):
        assert lotflow("run", SAMPLES / name, "-o", tmp_path / name, "-q", *QUICK) == 0
        found[name] = json.loads((tmp_path / name / "summary.json").read_text())
    metric, us = found.values()
    for key in ("catchment_m2", "on_lot_m2"):
        assert [inlet[key] for inlet in metric["inlets"]] == pytest.approx(
            [inlet[key] for inlet in us["inlets"]], rel=1e-4
        )
    assert [spot["depth_m"] for spot in metric["low_spots"]] == pytest.approx(
        [spot["depth_m"] for spot in us["low_spots"]], abs=2e-4
    )


def test_screen_needs_two_files_and_prints_json_alone(tmp_path, capfd):
    """`--json` leaves nothing else on stdout; what is printed is what stands in the file."""
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "r", "--json", "--no-pack", *QUICK) == 0
    out, err = capfd.readouterr()
    assert err == ""
    summary = json.loads(out)
    assert summary == json.loads((tmp_path / "r" / "summary.json").read_text())
    assert summary["lot"]["area_m2"] == pytest.approx(960, rel=0.01)
    assert summary["schema_version"] == "1"
    assert summary["inlets"] == []


def test_same_inputs_give_the_same_bytes(tmp_path):
    """A rerun in another folder is identical, file by file."""
    for name in ("a", "b"):
        code = lotflow("screen", DEM, SITE, "-o", tmp_path / name, "-q", "--realisations", 20)
        assert code == 0
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_intensity_and_coefficient_give_flows(tmp_path, capfd):
    """Q = C i A: 100 mm/h on C 0.5."""
    inlets = gpd.read_file(SITE, layer="inlets")[["name", "geometry"]]
    inlets.to_file(tmp_path / "inlets.geojson")
    given = ("--inlets", tmp_path / "inlets.geojson", "--coefficient", 0.5)
    code = lotflow("screen", DEM, SITE, "-o", tmp_path / "r", *given, "--intensity", "100mm/h",
                   "--json", *QUICK)  # fmt: skip
    assert code == 0
    for row in json.loads(capfd.readouterr().out)["runoff"]:
        assert row["flow_m3s"] == pytest.approx(0.5 * 0.1 / 3600 * row["area_m2"], abs=2e-9)
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "s", "--intensity", "4in/h") == 2
    capfd.readouterr()
    given = ("--inlets", tmp_path / "inlets.geojson", "--coefficient", 0)
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "t", *given, "--json", *QUICK) == 0
    nothing = json.loads(capfd.readouterr().out)
    assert [inlet["runoff_coefficient"] for inlet in nothing["inlets"]] == [0.0] * 2
    assert nothing["provenance"]["use_covers"] is False


def test_start_makes_a_job_that_can_be_checked_and_run(tmp_path, lot, capfd):
    """The job file and empty layers are ready to draw in; nothing there is replaced."""
    lot.to_file(tmp_path / "lot.gpkg", layer="lot")
    shutil.copy(DEM, tmp_path / "dem.tif")
    job = tmp_path / "job"
    arguments = ("start", job, "--elevation", tmp_path / "dem.tif", "--lot", tmp_path / "lot.gpkg",
                 "--vertical-unit", "m")  # fmt: skip
    assert lotflow(*arguments) == 0
    assert 'vertical_unit = "m"' in (job / "job.toml").read_text()
    assert lotflow("check", job) == 0
    assert lotflow("run", job, "-q", *QUICK) == 0
    capfd.readouterr()
    assert lotflow(*arguments) == 1
    told = capfd.readouterr().err
    assert "already holds job.toml" in told
    assert "--overwrite" not in told  # what was drawn is never replaced
