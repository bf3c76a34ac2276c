"""`lotflow compare` at work: what it writes, prints, replaces and refuses."""

import csv
import io
import json
import shutil
from pathlib import Path

import geopandas as gpd
import pytest

from lotflow.cli import main
from lotflow.outputs.comparison import KEYS
from lotflow.outputs.manifest import verify_result

SAMPLE = Path(__file__).parents[1] / "data_samples" / "alder_court"


def lotflow(*arguments):
    """Run a command and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


@pytest.fixture(scope="module")
def jobs(tmp_path_factory):
    """The sample as a job that was run, and the same with a downspout less."""
    folder = tmp_path_factory.mktemp("jobs")
    for name in ("one", "other"):
        shutil.copytree(SAMPLE, folder / name)
    site = folder / "other" / "site.gpkg"
    spouts = gpd.read_file(site, layer="downspouts")
    spouts[spouts["name"] != "DS2"].to_file(site, layer="downspouts", driver="GPKG")
    for name in ("one", "other"):
        assert lotflow("run", folder / name, "--realisations", 0, "--no-pack", "-q") == 0
    return folder


def test_it_writes_a_page_a_table_and_a_document_that_say_the_same(jobs, tmp_path, capfd):
    """Job folders stand for their results; the inputs stay as they are, byte for byte."""
    before = (jobs / "one" / "result" / "result.gpkg").read_bytes()
    out = tmp_path / "compare"
    assert lotflow("compare", jobs / "one", jobs / "other" / "result", "-o", out) == 0
    printed = capfd.readouterr().out
    assert "14 Alder Court: one (before) and other (after)" in printed
    assert "DS2: gone" in printed
    assert f"Written to {out}" in printed
    assert {path.name for path in out.iterdir()} == {
        "compare.html", "compare.csv", "compare.json", "summary.json",
    }  # fmt: skip
    assert verify_result(out) == []
    told = json.loads((out / "compare.json").read_text())
    assert told["is_different"] is True
    assert [entry["rank"] for entry in told["differences"]] == [
        *range(1, len(told["differences"]) + 1)
    ]
    assert all(tuple(entry) == KEYS for entry in told["differences"])
    rows = list(csv.DictReader(io.StringIO((out / "compare.csv").read_text())))
    assert [row["what"] for row in rows] == [entry["what"] for entry in told["differences"]]
    assert all(str(tmp_path) not in path.read_text() for path in out.iterdir())
    assert all(str(jobs) not in path.read_text() for path in out.iterdir())
    assert (jobs / "one" / "result" / "result.gpkg").read_bytes() == before


def test_the_same_twice_is_the_same_bytes_and_replaces_its_own_unasked(jobs, tmp_path, capfd):
    out = tmp_path / "compare"
    arguments = ("compare", jobs / "one", jobs / "other", "-o", out, "-q")
    assert lotflow(*arguments) == 0
    first = {path.name: path.read_bytes() for path in out.iterdir()}
    assert lotflow(*arguments) == 0
    assert {path.name: path.read_bytes() for path in out.iterdir()} == first
    (out / "compare.csv").write_text("my notes")
    assert lotflow(*arguments) == 0
    assert "compare.kept-1.csv" in capfd.readouterr().err
    kept = {"compare.kept-1.csv": b"my notes"}
    assert {path.name: path.read_bytes() for path in out.iterdir()} == first | kept


def test_neither_a_run_nor_a_comparison_of_another_lot_replaces_a_comparison_unasked(
    jobs, tmp_path, capfd
):
    """The folder of a comparison is then most likely the wrong one."""
    out = tmp_path / "compare"
    arguments = ("compare", jobs / "one", jobs / "other", "-o", out, "-q")
    assert lotflow(*arguments) == 0
    first = {path.name: path.read_bytes() for path in out.iterdir()}
    assert lotflow("run", jobs / "one", "-o", out, "-q") == 1
    assert "the result of a comparison" in capfd.readouterr().err
    assert {path.name: path.read_bytes() for path in out.iterdir()} == first
    summary = json.loads((out / "summary.json").read_text())
    summary["lot"]["name"] = "Elsewhere"
    (out / "summary.json").write_text(json.dumps(summary))
    assert lotflow(*arguments) == 1
    assert "a result of 'Elsewhere'" in capfd.readouterr().err
    assert lotflow(*arguments, "--overwrite") == 0


def test_a_result_with_itself(jobs, tmp_path, capfd):
    out = tmp_path / "compare"
    assert lotflow("compare", jobs / "one", jobs / "one", "-o", out, "--json") == 0
    told = json.loads(capfd.readouterr().out)
    assert told["is_different"] is False
    assert told["differences"] == []
    assert lotflow("compare", jobs / "one", jobs / "one", "-o", out, "--overwrite") == 0
    assert "No difference." in capfd.readouterr().out


def test_one_folder_alone_is_today_against_proposed(jobs, tmp_path, capfd):
    assert lotflow("compare", jobs / "one", "-o", tmp_path / "compare") == 0
    assert "today (before) and proposed (after)" in capfd.readouterr().out


def test_a_result_is_never_replaced_by_a_comparison(jobs, tmp_path, capfd):
    target = jobs / "one" / "result"
    files = {path.name: path.read_bytes() for path in target.iterdir()}
    for folder in (target, shutil.copytree(target, tmp_path / "copy")):
        arguments = ("compare", jobs / "one", jobs / "other", "-o", folder, "--overwrite")
        assert lotflow(*arguments) == 1
        assert "a comparison never replaces" in capfd.readouterr().err
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == files


def test_what_cannot_be_compared_is_told_and_nothing_written(jobs, tmp_path, capfd):
    out = tmp_path / "compare"
    assert lotflow("compare", jobs / "one", tmp_path / "nowhere", "-o", out) == 1
    assert "nowhere" in capfd.readouterr().err
    assert lotflow("compare", jobs, "-o", out) == 1
    assert "the folder holds no result" in capfd.readouterr().err
    assert lotflow("compare", jobs / "one", jobs / "other", "-o", tmp_path / "a" / "b") == 1
    assert "does not exist. Make it first." in capfd.readouterr().err
    assert lotflow("compare", jobs / "one") == 2
    assert not out.exists()
    assert lotflow("compare", jobs / "one", jobs / "other", "-o", out, "-q") == 0
    assert lotflow("compare", out, jobs / "other", "-o", tmp_path / "c") == 1
    assert "this is a comparison, not a result" in capfd.readouterr().err
