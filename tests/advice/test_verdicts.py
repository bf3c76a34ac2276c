"""One verdict for a run of old pipe."""

import pytest
from hand_made import finding, line, node, result

from lotflow.advice.verdicts import Verdict, runs


def judged(lines, findings=(), nodes=()):
    return runs(result({"drain_lines": lines, "nodes": list(nodes)}, findings))


OLD = [line("A", "Gully", "Joint"), line("B", "Joint", "End")]


@pytest.mark.parametrize(
    ("found", "verdict"),
    [
        ([], Verdict.KEEP),
        ([("sediment-in-line", "A", "warn")], Verdict.CLEAN),
        ([("sediment-in-line", "A", "warn"), ("size-changes-within-line", "B", "fail")],
         Verdict.REPAIR),
        ([("size-changes-within-line", "B", "fail"), ("adverse-fall", "A", "fail")],
         Verdict.RELAY),
        ([("adverse-fall", "A", "warn")], Verdict.LOOK),
        ([("adverse-fall", "A", "note")], Verdict.KEEP),
        ([("adverse-fall", "A", "fail"), ("outlet-not-found", "B", "warn")], Verdict.LOOK),
        ([("cover-too-small", "B", "warn")], Verdict.REPAIR),
    ],
)  # fmt: skip
def test_the_verdict_is_the_first_that_is_asked_for(found, verdict):
    some = [finding(rule, subject, severity) for rule, subject, severity in found]
    (run,) = judged(OLD, some)
    assert run.verdict is verdict
    assert run.lines == ("A", "B")
    assert {one.rule for one in run.reasons} <= {rule for rule, _, _ in found}


def test_repair_names_where():
    (run,) = judged(OLD, [finding("size-changes-within-line", "B", "fail")])
    assert run.places == ("B",)


def test_what_the_proposed_replaces_is_given_up_and_not_relaid():
    lines = [row | {"status": "replaced"} for row in OLD]
    (run,) = judged(lines, [finding("adverse-fall", "A", "fail", today=True)])
    assert run.verdict is Verdict.ABANDON


def test_an_end_nobody_has_found_is_a_question_whatever_is_replaced():
    lines = [row | {"status": "replaced"} for row in OLD]
    some = [finding("outlet-not-found", "B", today=True), finding("adverse-fall", "A", "fail")]
    (run,) = judged(lines, some)
    assert run.is_question
    assert run.verdict is Verdict.LOOK


def test_a_run_without_levels_is_a_question_unless_water_came():
    lines = [line("A", "Gully", "End", invert_up_basis="unknown")]
    (run,) = judged(lines)
    assert run.is_question
    (run,) = judged(lines, [finding("hose-test", "A", "note")])
    assert run.verdict is Verdict.KEEP


def test_runs_are_those_lines_that_meet_upstream_first_and_questions_before_others():
    lines = [
        line("C", "J2", "End"), line("A", "Gully", "J1"), line("B", "J1", "J2"),
        line("Z", "Corner", "Lost"), line("New", "Gully", "Curb", status="proposed"),
    ]  # fmt: skip
    found = judged(lines, [finding("outlet-not-found", "Z")])
    assert [run.lines for run in found] == [("Z",), ("A", "B", "C")]


def test_what_is_found_of_an_inlet_that_stays_is_not_the_old_pipe_s():
    nodes = [node("proposed", "Gully", 0, 0)]
    some = [finding("grate-too-small", "Gully"), finding("grate-too-small", "Joint", today=True)]
    (run,) = judged(OLD, some, nodes)
    assert [one.subject for one in run.findings] == ["Joint"]


def test_lines_in_a_circle_end():
    lines = [line("A", "P", "Q"), line("B", "Q", "P")]
    (run,) = judged(lines)
    assert set(run.lines) == {"A", "B"}
