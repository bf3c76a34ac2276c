"""Bounds of the flow of each inlet in each storm."""

from dataclasses import replace
from pathlib import Path

import pytest

from lotflow.inputs.job import read_job
from lotflow.study.cases import cases_of
from lotflow.study.confidence import confidence_chapter, entering_ca
from lotflow.study.cover import site_cover
from lotflow.study.lot_water import case_water, study_lot
from lotflow.study.runoff import runoff_chapter
from lotflow.study.storms import study_storms

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


@pytest.fixture(scope="module")
def known(lot):
    """Cover and runoff of the sample lot."""
    cover = site_cover(lot)
    water = case_water(lot, cases_of(lot.site)[-1])
    return cover, runoff_chapter(lot, cover, study_storms(lot, water, cover.ground))


def realised(lot, known, *, rmse_m, realisations=20):
    """The chapter for another accuracy of the elevation data, and the rows of inlets."""
    cover, runoff = known
    update = {
        "confidence": lot.job.confidence.model_copy(update={"realisations": realisations}),
        "elevation": lot.job.elevation.model_copy(update={"rmse_m": rmse_m}),
    }
    own = replace(lot, job=lot.job.model_copy(update=update))
    weight = entering_ca(lot.window.surface, cover.ground.coefficient)
    chapter = confidence_chapter(own, ca_weight=weight, runoff=runoff)
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
