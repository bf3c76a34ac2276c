"""The commands of the README run in their order as they are printed, on files of those names."""

import re
import shlex
import shutil
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest

from lotflow import run
from lotflow.cli import main
from lotflow.inputs.job import read_job
from lotflow.outputs.manifest import read_manifest, verify_result
from lotflow.outputs.worked_sheets import explained

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "data_samples" / "alder_court"


def printed(heading):
    """Commands of the first block of a section of the README."""
    text = (ROOT / "README.md").read_text().split(f"## {heading}\n")[1]
    block = re.search(r"```sh\n(.*?)```", text, re.DOTALL)[1]
    lines = [line.partition("  #")[0] for line in block.splitlines()]
    return [shlex.split(part) for line in lines for part in line.split("&&")]


def lotflow(*arguments):
    """Run a command and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def layer(name):
    return gpd.read_file(SAMPLE / "site.gpkg", layer=name)


def drawn_by_another_program(job):
    """What a person draws between `start` and `check`, and has drawn anew after the first run."""
    names = {name for name, _ in pyogrio.list_layers(job / "site.gpkg")}
    for name, geometry in pyogrio.list_layers(SAMPLE / "site.gpkg"):
        if name in names and name != "lot" and geometry is not None:
            layer(name).to_file(job / "site.gpkg", layer=name, driver="GPKG")


def test_the_readme_runs_as_it_is_printed(tmp_path, monkeypatch, capfd):
    """
    A designer follows it line by line, and draws between `start` and `check`.

    Every command ends well, also the second screening and the second run into the same folder.
    """
    monkeypatch.chdir(tmp_path)
    shutil.copy(SAMPLE / "dem.tif", "dem.tif")
    layer("lot").to_file("lot.geojson")
    layer("lot").assign(pin=["14"]).to_file("parcels.gpkg")
    layer("inlets")[["name", "geometry"]].to_file("inlets.geojson")
    layer("buildings").to_file("houses.gpkg")
    shutil.copytree(SAMPLE, "other-job")
    assert lotflow("run", "other-job", "-q", "--no-pack", "--realisations", 0) == 0
    Path("notes.csv").write_text("point,bs,is,fs,level\nsill,4.10,,,100\nsill,,,4.11,100\n")
    sequence = printed("With your own data")
    assert [words[1] for words in sequence] == [
        "screen", "screen", "start", "check", "run", "run", "propose", "compare", "batch", "levels",
    ]  # fmt: skip
    for _, command, *arguments in sequence:
        quick = ["--realisations", 0] if command in ("screen", "run", "batch") else []
        quick += ["--workers", 0] if command == "batch" else []
        capfd.readouterr()
        assert lotflow(command, *arguments, *quick) == 0, capfd.readouterr().err
        out, err = capfd.readouterr()
        assert err == ""
        if command == "start":
            drawn_by_another_program(tmp_path / "my-job")
        if "--explain" in arguments:
            assert out.startswith("Patio basin")
            assert "Q = C i A" in out  # no rain is given yet
        if "--explain" in arguments:
            assert out.startswith("Patio basin")
    assert verify_result(tmp_path / "result") == []
    assert verify_result(tmp_path / "my-job" / "result") == []


def test_a_job_is_drawn_run_drawn_anew_and_run_again(tmp_path, capfd):
    """Another program writes `site.gpkg`; what a person put into the result is kept and told."""
    job = Path(shutil.copytree(SAMPLE, tmp_path / "job"))
    run = ("run", job, "-q", "--no-pack", "--realisations", 0)
    assert lotflow(*run) == 0
    before = read_manifest(job / "result")
    inlets = layer("inlets")
    inlets.loc[inlets["name"] == "Patio basin", "geometry"] = inlets.translate(0.5, 0.0)
    inlets.to_file(job / "site.gpkg", layer="inlets", driver="GPKG")
    result = gpd.read_file(job / "result" / "result.gpkg", layer="low_spots")
    result.iloc[:1].to_file(job / "result" / "result.gpkg", layer="low_spots", driver="GPKG")
    (job / "result" / "notes.md").write_text("pay Bob")
    capfd.readouterr()
    assert lotflow(*run) == 0
    assert "result.kept-1.gpkg" in capfd.readouterr().err
    after = read_manifest(job / "result")
    assert after["provenance"]["run_id"] != before["provenance"]["run_id"]
    assert verify_result(job / "result") == []
    assert (job / "result" / "notes.md").read_text() == "pay Bob"
    kept = gpd.read_file(job / "result" / "result.kept-1.gpkg", layer="low_spots")
    assert len(kept) == 1


def test_a_run_refuses_the_folder_of_another_lot_and_of_a_screening(tmp_path, monkeypatch, capfd):
    """Before anything is computed where the name differs; `--overwrite` replaces it."""
    quick = ("-o", tmp_path / "result", "-q", "--no-pack", "--realisations", 0)
    assert lotflow("run", SAMPLE, *quick) == 0
    before = (tmp_path / "result" / "summary.json").read_bytes()
    job = Path(shutil.copytree(SAMPLE, tmp_path / "job"))
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace("14 Alder Court", "16 Alder Court"))
    screen = ("screen", SAMPLE / "dem.tif", SAMPLE / "site.gpkg")
    for arguments, told in (
        (("run", job), "a result of '14 Alder Court'"), (screen, "the result of a run"),
    ):  # fmt: skip
        capfd.readouterr()
        with monkeypatch.context() as patch:
            patch.setattr("lotflow.study.door.computed", lambda *_, **__: pytest.fail("computed"))
            assert lotflow(*arguments, *quick) == 1
        err = capfd.readouterr().err
        assert told in err
        assert "--overwrite" in err
        assert (tmp_path / "result" / "summary.json").read_bytes() == before
    assert lotflow("run", job, *quick, "--overwrite") == 0


def test_without_rain_a_sheet_explains_the_flow_per_10_mm_h():
    """The areas on it times their coefficients give the figure of the layer."""
    job = read_job(SAMPLE)
    result = run(job.model_copy(update={"rainfall": None}), realisations=0)
    sheets = explained(result.study.texts["runoff_sheets.txt"])
    assert list(sheets) == result.inlets["name"].tolist()
    for name, flow in zip(sheets, result.inlets["flow_per_10mm_h_m3s"], strict=True):
        kinds = re.findall(r": ([\d,]+) m\xb2.*?, C = (\d\.\d\d)\n", sheets[name])
        total = sum(float(area.replace(",", "")) * float(c) for area, c in kinds)
        # areas on the sheet are rounded to 1 m2
        assert total == pytest.approx(flow * 3600 / 0.01, abs=len(kinds))
        assert "stated" in sheets[name]
