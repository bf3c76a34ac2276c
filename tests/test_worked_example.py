"""The ten steps of the worked example run as they are printed."""

import csv
import importlib
import importlib.util
import io
import json
import math
import shutil
from pathlib import Path

import geopandas as gpd
import pytest

from lotflow.cli import main

PAGE = Path(__file__).parents[1] / "docs" / "worked_example.py"


def example():
    spec = importlib.util.spec_from_file_location("worked_example", PAGE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def told_by(folder):
    return json.loads((folder / "summary.json").read_text("utf-8"))


def known_ground(monkeypatch):
    """The level of the sample's ground at a place, without its roughness."""
    monkeypatch.syspath_prepend(PAGE.parents[1] / "data_samples")
    ground = importlib.import_module("sample_ground")
    known = ground.bare_ground(*ground.Block().from_xy(*ground.cell_points()))

    def at(x, y):
        line = len(known) - 1 - int((y - 3_300_000.0) / ground.POINT_M)
        return known[line, int((x - 600_000.0) / ground.POINT_M)]

    return at


def test_the_notes_of_the_visit_are_readings_of_the_known_ground(tmp_path, monkeypatch):
    """Reduced here once more, by hand; the sample's ground without its roughness, 8 mm."""
    ground_at = known_ground(monkeypatch)
    instrument, at, levels = math.nan, math.nan, {}
    for row in csv.DictReader(io.StringIO(example().block("csv", "backsight"))):
        if row["foresight"] or row["intermediate"]:
            level = instrument - float(row["foresight"] or row["intermediate"])
        else:
            level = float(row["level"] or at)
        if row["backsight"]:
            instrument = level + float(row["backsight"])
        if row["foresight"]:
            at = level
        if row["x"]:
            levels[float(row["x"]), float(row["y"])] = level - 100.0 + 31.66
    assert len(levels) == 7
    for place, level in levels.items():
        assert ground_at(*place) == pytest.approx(level, abs=0.008)


def assert_on_known_ground(shots, benchmark, monkeypatch):
    """Levels named by places of the sheet are of the ground there; the benchmark is the sill."""
    ground_at = known_ground(monkeypatch)
    for name, place, level in zip(shots.index, shots.geometry, shots["level_m"], strict=True):
        known = ground_at(place.x, place.y)
        assert known == pytest.approx(31.66 + level - benchmark, abs=0.008), name


def sources_of_ends(lines):
    """Where the inverts of each line come from, in its layer as in the summary."""
    keys = ("level_up_from", "level_down_from")
    told = ("levelled", "drawn", "public data")
    return {
        (one["name"], one["case"]): [one[key] if one[key] in told else None for key in keys]
        for one in lines
    }


def test_the_ten_steps_end_in_a_mended_drain(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
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
    assert "No difference" not in told["compare"][1]
    # the benchmark is the sill of the back door, which the sample's maker set to 31.66 m
    found = {one["rule"]: one for one in before["findings"]}
    assert found["shots-used"]["measured"] == 16  # but the two sills
    assert {"benchmark-tied", "shots-tied"} <= set(found)
    assert not {"shot-left-out", "ground-changed", "shots-not-tied"} & set(found)
    book = (tmp_path / "before" / "level_book.txt").read_text("utf-8")
    assert "off the rise by 0.000 m" in book
    assert "Misclosure 0.002 m over 3 set-ups; 0.009 m are allowed." in book
    assert "Misclosure 0.002 m" in told["levels"][0]
    shots = gpd.read_file(tmp_path / "before" / "result.gpkg", layer="shots").set_index("name")
    benchmark = shots.loc["sill of back door", "level_m"]
    assert benchmark == pytest.approx(31.66, abs=0.1)
    assert_on_known_ground(shots.loc[["east wall", "east 3 m out"]], benchmark, monkeypatch)
    doors = {one["name"]: one for one in before["openings"]}
    first = {one["name"]: one for one in told_by(tmp_path / "before-visit")["openings"]}
    assert {one["level_from"] for one in doors.values()} == {"levelled", "drawn"}
    # known ground: the full hollow stands 31.628 m high, the sill 31.65 m
    garage = doors["Garage door"]
    assert garage["freeboard_m"] == pytest.approx(0.022, abs=0.01)
    assert garage["freeboard_low_m"] < 0.022 < garage["freeboard_high_m"]
    assert garage["freeboard_high_m"] - garage["freeboard_low_m"] < 0.06
    assert first["Garage door"]["freeboard_high_m"] - first["Garage door"]["freeboard_low_m"] > 0.3
    # the hollow at the garage was levelled with its sill; where that at the patio runs over not
    answers = [
        {one["place"]: one["is_levelled"] for one in told_by(tmp_path / folder)["answer"]}
        for folder in ("before-visit", "before")
    ]
    assert not any(answers[0].values())
    assert (answers[1]["Garage door"], answers[1]["Back door"]) == (True, False)
    assert sources_of_ends(before["lines"]) == sources_of_ends(
        gpd.read_file(tmp_path / "before" / "result.gpkg", layer="drain_lines")
        .rename(columns={"scenario": "case"}).to_dict("records")
    )  # fmt: skip
    assert any("drawn" in ends for ends in sources_of_ends(before["lines"]).values())
    told_of_visit = told["compare"][0]
    assert "What the levels settled (18 levels: sill of back door" in told_of_visit
    settled = json.loads((tmp_path / "settled" / "compare.json").read_text("utf-8"))["settled"]
    assert {
        "place": "Garage door",
        "question": "sill above the full low spot",
    }.items() <= next(one for one in settled if one["place"] == "Garage door").items()
    for picture in ("drawn.png", "result.png"):
        assert (PAGE.parent / "pictures" / picture).stat().st_size > 20_000
