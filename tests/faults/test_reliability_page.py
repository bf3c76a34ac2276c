"""The published page names tests that exist and keeps to the outcomes of the last run."""

from __future__ import annotations

import re

from reliability_page import LINES, PAGE, TESTS, properties, tallies, verdict, written


def test_the_tables_are_those_of_the_kept_outcomes() -> None:
    """Run `python tests/faults/reliability_page.py` after a run, or after adding a property."""
    page = PAGE.read_text(encoding="utf-8")
    fresh = written(page, tallies([]))
    assert page.split("## Properties")[0] == fresh.split("## Properties")[0]


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
