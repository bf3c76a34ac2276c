"""The ten steps of the worked example run as they are printed."""

import importlib.util
import json
import shutil
from pathlib import Path

import pytest

from lotflow.cli import main

PAGE = Path(__file__).parents[1] / "docs" / "worked_example.py"


def example():
    spec = importlib.util.spec_from_file_location("worked_example", PAGE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_ten_steps_end_in_a_mended_drain(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("lotflow.outputs.side_process.worth_it", lambda: False)
    told = {}

    def run(words):
        if words[0] == "cp":
            shutil.copytree(words[2], words[3])
            return
        quick = ["--realisations", "0"] if words[1] in ("screen", "run") else []
        with pytest.raises(SystemExit) as stopped:
            main([*words[1:], *quick])
        said = capsys.readouterr()
        assert stopped.value.code == 0, (words, said.err)
        told.setdefault(words[1], []).append(said.out)

    example().run_steps(tmp_path, run)
    assert "rain" in told["check"][0]
    before, after = (
        json.loads((tmp_path / folder / "summary.json").read_text("utf-8"))
        for folder in ("before", "job/result")
    )
    assert {line["case"] for line in before["lines"]} == {"today"}
    assert {line["case"] for line in after["lines"]} == {"today", "proposed"}
    assert after["answer"][0]["rank"] == 1
    assert "No difference" not in told["compare"][0]
    assert "Misclosure" in told["levels"][0]
    for picture in ("drawn.png", "result.png"):
        assert (PAGE.parent / "pictures" / picture).stat().st_size > 20_000
