"""The sample's drains: at least five defects today, none that fails in what is proposed."""

from pathlib import Path

import pytest

from lotflow.inputs.job import read_job
from lotflow.study.drain_check import check_drains, dry_runs
from lotflow.study.lot_water import study_lot

SAMPLES = Path(__file__).parents[2] / "data_samples"


@pytest.fixture(scope="module", params=["alder_court", "alder_court_us"])
def checked(request):
    lot = study_lot(read_job(SAMPLES / request.param))
    return {case.case: case for case in check_drains(lot, dry_runs(lot))}


def test_the_proposed_system_fails_nothing(checked):
    assert [f.rule for f in checked["proposed"].findings if f.severity == "fail"] == []


def test_the_existing_system_has_its_defects(checked):
    rules = {f.rule for f in checked["today"].findings if f.severity in ("fail", "warn")}
    assert {
        "adverse-fall", "size-changes-within-line", "joint-not-for-burial", "outlet-not-found",
        "grate-not-removable", "sediment-in-line", "water-stands-in-line", "cover-too-small",
        "emitter-line-cannot-empty",
    } <= rules  # fmt: skip


def test_lines_of_one_case_are_not_those_of_the_other(checked):
    today, proposed = (
        {line.name for line in checked[c].state.lines} for c in ("today", "proposed")
    )
    assert not today & proposed
