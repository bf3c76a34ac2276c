"""The published page names tests that exist and keeps to the outcomes of the last run."""

from __future__ import annotations

import json
import re
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from programme.judge import Tally
from programme.tiers import SEED, report
from reliability_page import (
    LINES,
    PAGE,
    TESTS,
    outcome_table,
    properties,
    tallies,
    verdict,
    written,
)


def test_the_tables_are_those_of_the_kept_outcomes() -> None:
    """Run `python tests/faults/reliability_page.py` after a run, or after adding a property."""
    page = PAGE.read_text(encoding="utf-8")
    assert page == written(page, tallies([]))


def entry(name: str, cases: int, **more: Any) -> dict[str, Any]:
    """A tally as a run leaves it."""
    return {"name": name, "cases": cases, "counts": {"equal": cases}, "seed": "1", **more}


def test_a_tally_gives_way_to_a_later_one_of_no_fewer_cases(tmp_path: Path) -> None:
    """A quick run does not take the place of a long one."""
    store, run = tmp_path / "store.jsonl", tmp_path / "run.jsonl"
    store.write_text("".join(json.dumps(entry(n, 500, seed="1")) + "\n" for n in ("H a", "H b")))
    later = [entry("H a", 4, seed="2"), entry("H b", 500, seed="2"), entry("H c", 1, seed="2")]
    run.write_text("".join(json.dumps(one) + "\n" for one in later))
    found = tallies([run], store=store)
    assert {name: (one["cases"], one["seed"]) for name, one in found.items()} == {
        "H a": (500, "1"), "H b": (500, "2"), "H c": (1, "2"),
    }  # fmt: skip


def test_the_table_says_what_was_measured_when_and_of_what() -> None:
    """Kills during the replacement, growth, properties with their examples; day, commit, seed."""
    run = {"date": "2026-11-26", "commit": "abc1234"}
    found = [entry("H kill", 60, during_replacement=20, **run),
             entry("H kill, map drawn", 40, during_replacement=5, **run),
             entry("P many runs", 1, growth_mb=3.21, **run),
             entry("N properties", 108, examples=[3, 200], **run), entry("E link", 1)]  # fmt: skip
    table = "\n".join(outcome_table({one["name"]: one for one in found}))
    assert "| 100 | same 100; 25 of them while files were replaced |" in table
    assert "| 1 | same 1; 3.2 MB more at the end |" in table
    assert "| 108 | held 108, 3 to 200 examples each |" in table
    assert "H N P: 2026-11-26, commit abc1234, seed 1" in table
    assert "E: not recorded, commit not recorded, seed 1" in table
    assert "| 0 | not counted yet |" in table


def test_a_tally_tells_its_day_and_commit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At the time of the run."""
    monkeypatch.setenv("LOTFLOW_FAULT_REPORT", str(tmp_path / "run.jsonl"))
    tally = Tally("H kill")
    tally.add("equal", "1")
    report(tally, during_replacement=1)
    told = json.loads((tmp_path / "run.jsonl").read_text())
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", told["date"])
    assert re.fullmatch(r"([0-9a-f]{7,40}\+?)?", told["commit"])
    assert (told["during_replacement"], told["cases"], told["seed"]) == (1, 1, SEED)


def marks_of_classes() -> dict[str, set[str]]:
    """Every test of a class of faults with the marks of its parameters."""
    found = {}
    for path in sorted(TESTS.glob("faults/test_*.py")):
        for name, test in vars(import_module(path.stem)).items():
            if name.startswith("test_") and (test.__doc__ or "").startswith("Class"):
                marks = getattr(test, "pytestmark", [])
                sets = [one for mark in marks if mark.name == "parametrize" for one in mark.args[1]]
                inner = [mark for one in sets for mark in getattr(one, "marks", ())]
                found[f"{path.stem}.{name}"] = {mark.name for mark in (*marks, *inner)}
    return found


def test_every_class_is_in_both_long_tiers() -> None:
    """So that one run gives every line of the table but N, which all tests together give."""
    found = marks_of_classes()
    assert len(found) > 25
    assert [name for name, marks in found.items() if not {"nightly", "release"} <= marks] == []


def test_every_test_that_is_named_exists() -> None:
    """In the table of promises and of properties."""
    page = PAGE.read_text(encoding="utf-8")
    there = {path.name for path in TESTS.rglob("test_*.py")}
    named = set(re.findall(r"(test_\w+\.py)", page))
    assert named <= there
    assert len(named) > 10


def test_there_are_at_least_25_properties() -> None:
    """Each named once in its file."""
    listed = [(path, name) for path, tests in properties().items() for name, _ in tests]
    assert len(listed) == len(set(listed)) >= 25


def test_what_misses_its_target_is_said_to() -> None:
    """By how much, or that a case ended as none may, however few were silent."""
    line = next(line for line in LINES if line.what == "A damaged raster: deflate")
    assert verdict(line, 0.001, 0) == "yes"
    assert verdict(line, 0.012, 0).startswith("no, by 1.0 points")
    assert verdict(line, 0.0, 2) == "no: 2 ended as none may"
