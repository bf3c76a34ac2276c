"""Bounds of the flow of each inlet and each drain line in each storm."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lotflow.inputs.job import read_job
from lotflow.layers.drawn import cases_of
from lotflow.runoff.flow_bounds import entering_ca
from lotflow.study.confidence import confidence_chapter
from lotflow.study.drain_check import CaseRun, check_drains, drain_chapter
from lotflow.study.job_chapters import case_storms, runoff_chapter, site_cover
from lotflow.study.lot_water import case_water, study_lot

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


@pytest.fixture(scope="module")
def known(lot):
    """Cover and runoff of the sample lot."""
    cover = site_cover(lot)
    water = case_water(lot, cases_of(lot.site)[-1])
    return cover, runoff_chapter(lot, cover, case_storms(lot, water, cover.ground))


@pytest.fixture(scope="module")
def checked(lot, known):
    """The drain check of both cases, the proposed one first."""
    waters = [case_water(lot, case) for case in cases_of(lot.site)]
    return check_drains(
        lot,
        [CaseRun(water.case, water.inlets, case_storms(lot, water, known[0].ground))
         for water in waters],
    )  # fmt: skip


def realised(lot, known, *, rmse_m, realisations=20, checked=()):
    """The chapter for another accuracy of the elevation data, and the rows of inlets."""
    cover, runoff = known
    update = {
        "confidence": lot.job.confidence.model_copy(update={"realisations": realisations}),
        "elevation": lot.job.elevation.model_copy(update={"rmse_m": rmse_m}),
    }
    own = replace(lot, job=lot.job.model_copy(update=update))
    weight = entering_ca(lot.window.surface, cover.ground.coefficient)
    chapter = confidence_chapter(own, ca_weight=weight, runoff=runoff, checked=checked)
    rows = runoff.layers["runoff"].assign(**chapter.columns["runoff"])
    is_inlet = (rows["kind"] == "inlet") & (rows["method"] == "rational")
    return chapter, rows[is_inlet], rows[~is_inlet]


def test_without_error_every_bound_is_the_flow_of_the_measured_surface(lot, known):
    """Roofs, gutters and frequency factors included: realisation and main chain agree."""
    _, inlets, others = realised(lot, known, rmse_m=0.0)
    has_water = inlets["flow_m3s"] > 0
    assert has_water.sum() > 6
    for column in ("flow_m3s_p05", "flow_m3s_p50", "flow_m3s_p95"):
        assert inlets[column][has_water].to_numpy() == pytest.approx(
            inlets["flow_m3s"][has_water].to_numpy(), rel=1e-9
        )
        assert others[column].isna().all()


def test_bounds_move_with_the_ground_that_drains_to_an_inlet_and_not_with_its_roofs(lot, known):
    cover, runoff = known
    chapter, inlets, _ = realised(lot, known, rmse_m=0.1)
    weight = entering_ca(lot.window.surface, cover.ground.coefficient).ravel()
    label = lot.inlets.routing.label.ravel()
    ten_mm_h = 10 / 3.6e6
    for i, name in enumerate(lot.names):
        rows = inlets[(inlets["subject"] == name) & (inlets["flow_m3s"] > 0)]
        ground = weight[label == i + 1].sum()
        whole = runoff.columns["inlets"]["flow_per_10mm_h_m3s"][i] / ten_mm_h
        for share in ("05", "50", "95"):
            bound = chapter.columns["inlets"][f"ground_flow_per_10mm_h_m3s_p{share}"][i] / ten_mm_h
            expected = rows["flow_m3s"] * (whole - ground + bound) / whole
            assert rows[f"flow_m3s_p{share}"].to_numpy() == pytest.approx(expected.to_numpy())
    assert (inlets["flow_m3s_p05"] < 0.95 * inlets["flow_m3s_p95"]).any()


def test_few_realisations_give_the_middle_alone(lot, known):
    _, inlets, _ = realised(lot, known, rmse_m=0.1, realisations=5)
    assert inlets["flow_m3s_p95"].isna().all()
    assert inlets["flow_m3s_p50"].notna().any()


def test_without_error_every_bound_of_a_line_is_its_flow(lot, known, checked):
    """Of the proposed lines; those of today have inlets that are in no realisation."""
    chapter, _, _ = realised(lot, known, rmse_m=0.0, checked=checked)
    rows = drain_chapter(lot, checked).layers["line_storms"]
    rows = rows.assign(**chapter.columns["line_storms"])
    proposed = rows["scenario"] == "proposed"
    assert 6 < proposed.sum() < len(rows)
    for column in ("flow_m3s_p05", "flow_m3s_p50", "flow_m3s_p95"):
        assert rows[column][proposed].to_numpy() == pytest.approx(
            rows["flow_m3s"][proposed].to_numpy(), rel=1e-9
        )
        assert rows[column][~proposed].isna().all()
    assert not [one for one in chapter.findings if one.rule == "capacity-within-doubt"]


def test_a_line_below_one_inlet_varies_as_that_inlet_does(lot, known, checked):
    """The lawn drain alone runs into the lawn line, and no roof does."""
    chapter, inlets, _ = realised(lot, known, rmse_m=0.1, checked=checked)
    rows = drain_chapter(lot, checked).layers["line_storms"]
    rows = rows.assign(**chapter.columns["line_storms"])
    line = rows[(rows["scenario"] == "proposed") & (rows["name"] == "Lawn line")]
    inlet = inlets[inlets["subject"] == "Lawn drain"]
    for column in ("flow_m3s_p05", "flow_m3s_p50", "flow_m3s_p95"):
        assert (line[column] / line["flow_m3s"]).to_numpy() == pytest.approx(
            (inlet[column] / inlet["flow_m3s"]).to_numpy(), rel=1e-6
        )
    told = {one.subject for one in chapter.findings if one.rule == "capacity-within-doubt"}
    low = rows["flow_m3s"] <= rows["capacity_m3s"]
    doubted = rows[low & (rows["return_period_yr"] == 10) & (rows["scenario"] == "proposed")]
    doubted = doubted[doubted["flow_m3s_p95"] > doubted["capacity_m3s"]]
    assert told >= set(doubted["name"])
    assert "Lawn line" in told


def test_few_realisations_say_nothing_of_lines(lot, known, checked):
    chapter, _, _ = realised(lot, known, rmse_m=0.1, realisations=5, checked=checked)
    assert np.isnan(chapter.columns["line_storms"]["flow_m3s_p95"]).all()
    assert not [one for one in chapter.findings if one.rule == "capacity-within-doubt"]


def test_lines_of_the_other_case_alone_get_no_bounds(lot, known, checked):
    """Where no proposed line is drawn, those of today have inlets that are in no realisation."""
    assert [case.case for case in checked] == ["proposed", "today"]
    chapter, _, _ = realised(lot, known, rmse_m=0.1, checked=checked[1:])
    assert "line_storms" not in chapter.columns
    assert not [one for one in chapter.findings if one.rule == "capacity-within-doubt"]
