"""Level books: what a surveyor checks stands in print, and the numbers are those of the notes."""

import json

import pytest

from lotflow.cli import main
from lotflow.inputs.level_notes import parse_level_notes
from lotflow.outputs.level_book import level_book_text

# Universiti Sains Malaysia, School of Civil Engineering, surveying course page "Example of the
# Height of Collimation method": the printed heights of collimation and reduced levels.
USM = """point,bs,is,fs,level,remark
OBM 1,1.717,,,29.23,
A,,1.432,,,
B,2.918,,1.716,,
C,,2.272,,,
D,0.816,,0.953,,
E,1.436,,3.005,,
CP,1.246,,1.391,,
F,,1.353,,,
G,,1.462,,,
OBM 2,,,0.628,29.66,old benchmark
"""


def lotflow(*arguments):
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def test_the_book_shows_each_set_up_its_checks_and_what_was_seen_once():
    text = level_book_text(parse_level_notes(USM.encode(), "notes.csv", "m"))
    rows = {line.split("  ")[0].strip(): line.split() for line in text.splitlines()}
    # height of collimation of the first set-up: 29.230 + 1.717
    assert rows["A"][1:] == ["1.432", "30.947", "29.515", "29.513"]
    assert rows["OBM 2"][-4:] == ["29.670", "29.660", "old", "benchmark"]
    assert "Misclosure 0.010 m over 5 set-ups; 0.011 m are allowed." in text
    assert "Seen once, checked by nothing: A, C, F, G" in text


def test_the_command_prints_the_book_or_json_and_refuses_what_does_not_close(tmp_path, capsys):
    notes = tmp_path / "notes.csv"
    notes.write_text(USM)
    assert lotflow("levels", notes) == 1
    assert "unit of the readings" in capsys.readouterr().err
    assert lotflow("levels", notes, "--unit", "m", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["misclosure_m"] == pytest.approx(0.010)
    assert told["points"][1]["adjusted_m"] == 29.513
    notes.write_text(USM.replace("0.628", "0.678"))
    assert lotflow("levels", notes, "--unit", "m") == 1
    assert "do not close" in capsys.readouterr().err
