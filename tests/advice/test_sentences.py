"""Every finding a run can make has its sentence, and each sentence its facts."""

import ast
from pathlib import Path

import pytest

from lotflow.advice.sentences import SENTENCES, message, worded
from lotflow.findings import RANKS, Finding

PACKAGE = Path(__file__).parents[2] / "lotflow"
#: What makes findings, and how many arguments come before a message.
MAKERS = {"Finding": 3, "about": 3, "about_place": 4}


def test_each_sentence_is_that_of_a_known_rule():
    assert set(SENTENCES) <= {rule for rules in RANKS.values() for rule in rules}


def test_a_missing_fact_is_a_fault_and_no_sentence_is_guessed():
    finding = Finding("size-changes-within-line", "fail", "L1", facts={"above_m": 0.1})
    with pytest.raises(TypeError, match="below_m"):
        message(finding)


def test_units_are_those_of_the_report_or_both():
    facts = {"above_m": 0.1016, "below_m": 0.0762}
    finding = Finding("size-changes-within-line", "fail", "L1", facts=facts)
    (us,), (metric,), (both,) = (worded([finding], units) for units in ("us", "metric", None))
    assert "4.0 in" in us.message
    assert "mm" not in us.message
    assert "102 mm" in metric.message
    assert " in " not in metric.message.partition("above")[0]
    assert "102 mm (4.0 in)" in both.message


def test_no_room_but_this_one_writes_messages():
    """A message given to a finding elsewhere would stand in no place where sentences are read."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        place = path.relative_to(PACKAGE)
        if place.parts[0] == "advice":
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and (most := MAKERS.get(getattr(node.func, "id", ""))):
                words = {keyword.arg for keyword in node.keywords}
                if len(node.args) > most or "message" in words:
                    found.append(f"{path.name}: {node.lineno}")
    assert not found


def test_the_surface_is_called_measured_only_where_no_level_went_into_it():
    facts = {"taken_m2": 40.0, "there_m2": 400.0, "away_m": 2.0, "off_lot": False}
    better = Finding("inlet-better-place", "warn", "CB 1", facts=facts)

    def told(used):
        facts = {"used": used, "of": 3, "own_datum": False, "offset_m": 0.0}
        return worded([Finding("shots-used", "note", "shots", facts=facts), better])[1].message

    assert told(0).startswith("By the measured surface alone")
    assert told(3).startswith("By the surface by data and levels alone")
