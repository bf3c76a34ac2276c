"""Drains checked for one stated intensity: Q = C i A in every line, and what is said of it."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lotflow.advice.sentences import worded
from lotflow.cli import main
from lotflow.drains.network_flows import led_down
from lotflow.inputs.job import read_job, with_realisations
from lotflow.layers.drawn import cases_of
from lotflow.study.drain_check import CaseRun, check_drains, drain_chapter
from lotflow.study.job_chapters import job_chapters, runoff_chapter, site_cover, stated_case
from lotflow.study.lot_water import case_water, study_lot

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


def stated(lot, millimetres_per_hour):
    """The lot without rainfall table."""
    general = lot.job.job.model_copy(update={"intensity_mm_h": millimetres_per_hour})
    job = lot.job.model_copy(update={"job": general, "rainfall": None})
    return replace(lot, rainfall=None, job=job)


def checked(lot):
    cover = site_cover(lot)
    waters = [case_water(lot, case) for case in cases_of(lot.site)]
    runs = [CaseRun(w.case, w.inlets, stated_case(lot, w, cover.ground)) for w in waters]
    return check_drains(lot, runs)


@pytest.fixture(scope="module")
def whole():
    return study_lot(read_job(SAMPLE))


@pytest.fixture(scope="module")
def lot(whole):
    return stated(whole, 90.0)


@pytest.fixture(scope="module")
def cases(lot):
    return checked(lot)


def test_every_line_carries_the_stated_rain_on_all_above_it(lot, cases):
    """C A summed down the tree without any time, in either case."""
    for case in cases:
        parts = case.state.system.water.parts
        entering = {name: np.zeros(1) for name in case.state.system.network.nodes}
        for node, ca in zip(parts.node, parts.ca_m2, strict=True):
            if node in entering:
                entering[node] = entering[node] + ca
        ca = led_down(case.state.system.network, entering)
        assert (ca > 0).any()
        assert case.state.flows.flow_m3s == pytest.approx(ca * 90.0 / 3.6e6)


def test_inlets_are_given_the_same_flow_as_the_runoff_says(lot, cases):
    """The parts of an inlet sum up to its composite C times its area."""
    rows = runoff_chapter(lot, site_cover(lot), None).layers["runoff"]
    flow = dict(zip(rows["subject"], rows["flow_m3s"], strict=True))
    parts = cases[0].state.system.water.parts
    for name, expected in flow.items():
        own = sum(ca[0] for node, ca in zip(parts.node, parts.ca_m2, strict=True) if node == name)
        assert own * 90.0 / 3.6e6 == pytest.approx(expected, rel=1e-9)


def test_findings_name_the_stated_rain_and_no_storm(cases):
    messages = [finding.message for case in cases for finding in worded(case.findings)]
    assert any("he stated rain" in message for message in messages)
    assert not any("nan" in message for message in messages)


def test_more_rain_fails_more_lines(whole, cases):
    """Three times the rain is three times the flow, and never fewer failures."""
    more = checked(stated(whole, 270.0))
    for low, high in zip(cases, more, strict=True):
        assert high.state.flows.flow_m3s == pytest.approx(3 * low.state.flows.flow_m3s)
        count = [sum(f.rule == "over-capacity" for f in case.findings) for case in (low, high)]
        assert count[0] <= count[1]


def test_layers_leave_the_return_period_empty(lot, cases):
    storms = drain_chapter(lot, cases).layers["line_storms"]
    assert len(storms)
    assert storms["return_period_yr"].isna().all()
    assert storms["flow_m3s"].notna().all()


def test_a_dry_well_is_not_judged_by_rain_without_end(whole):
    outlets = whole.site.outlets.assign(kind="dry well")
    lot = stated(replace(whole, site=replace(whole.site, outlets=outlets)), 90.0)
    found = [finding for case in checked(lot) for finding in case.findings]
    told = [finding for finding in found if finding.rule.startswith("dry-well")]
    assert told
    assert {finding.rule for finding in told} == {"dry-well-not-judged"}


def test_storms_of_a_rainfall_count_before_a_stated_intensity(whole, lot):
    job = whole.job.model_copy(update={"job": lot.job.job})
    both = replace(whole, job=with_realisations(job, 0))  # how sure it is does not matter here
    rules = [f.rule for chapter in job_chapters(both) for f in chapter.findings]
    assert "stated-intensity" not in rules


def test_a_run_says_what_it_checked_the_drains_for(tmp_path):
    """Through the command line: the flow of every line, and the note."""
    folder = tmp_path / "lot"
    shutil.copytree(SAMPLE, folder)
    text = (folder / "job.toml").read_text(encoding="utf-8")
    text = text.split("[rainfall]")[0].replace("ground =", "intensity_mm_h = 90\nground =", 1)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SystemExit) as stopped:
        main(["run", str(folder), "-q", "--realisations", "0", "--no-pack"])
    assert stopped.value.code == 0
    summary = json.loads((folder / "result" / "summary.json").read_text(encoding="utf-8"))
    flows = [line["flow_m3s"] for line in summary["lines"] if line["case"] == "proposed"]
    assert flows
    assert all(flow > 0 for flow in flows)
    (note,) = [f for f in summary["findings"] if f["rule"] == "stated-intensity"]
    assert "90" in note["message"]
    assert "Q = C i A" in note["message"]
