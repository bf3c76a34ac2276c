"""The confidence step of a study, on the sample lot."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lotflow.inputs.job import read_job
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.summary import CONTRACT
from lotflow.study.confidence import confidence_chapter, entering_ca
from lotflow.study.confidence_findings import Bounds, inlet_findings, low_spot_findings
from lotflow.study.lot_water import study_lot

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


def asked(lot, *, realisations=12, seed=0, **elevation):
    """The same lot, whose job asks for other realisations or states another accuracy."""
    job = lot.job.model_copy(
        update={
            "confidence": lot.job.confidence.model_copy(
                update={"realisations": realisations, "seed": seed}
            ),
            "elevation": lot.job.elevation.model_copy(update=elevation),
        }
    )
    return replace(lot, job=job)


@pytest.fixture(scope="module")
def chapter(lot):
    return confidence_chapter(asked(lot))


def test_without_realisations_nothing_is_said(lot):
    chapter = confidence_chapter(asked(lot, realisations=0))
    assert not any(
        (chapter.columns, chapter.findings, chapter.sections, chapter.rasters, chapter.layers)
    )


def test_every_column_is_declared_and_has_one_value_per_row(lot, chapter):
    rows = {"low_spots": len(lot.low_spots), "inlets": len(lot.names)}
    for layer, columns in chapter.columns.items():
        assert set(columns) <= {column.name for column in RESULT_LAYERS[layer].columns}
        assert all(len(values) == rows[layer] for values in columns.values())


def test_bounds_are_in_order_and_shares_are_shares(chapter):
    spots, inlets = chapter.columns["low_spots"], chapter.columns["inlets"]
    for columns, name in ((spots, "depth_m"), (spots, "volume_m3"), (inlets, "catchment_m2")):
        low, middle, high = (columns[f"{name}_p{share}"] for share in ("05", "50", "95"))
        assert (low <= middle).all()
        assert (middle <= high).all()
    assert ((spots["probability"] >= 0) & (spots["probability"] <= 1)).all()


def test_the_section_says_what_was_run_and_how_precise_it_is(chapter):
    (entry,) = chapter.sections["confidence"]
    assert tuple(entry) == CONTRACT["confidence"]
    assert (entry["realisations"], entry["seed"], entry["rmse_m"]) == (12, 0, 0.1)
    assert entry["precision"] == pytest.approx(1.96 * np.sqrt(0.25 / 12))


def test_rasters_agree_with_each_other(lot, chapter):
    """The most likely inlet of a cell is the one whose own raster is highest there."""
    shares = np.array(
        [chapter.rasters[f"drains_to_inlet_{i + 1}.tif"].grid.values for i in range(len(lot.names))]
    )
    inlet = chapter.rasters["likely_inlet.tif"].grid.values
    share = chapter.rasters["likely_inlet_share.tif"].grid.values
    taken = inlet > 0
    assert taken.any()
    assert np.array_equal(shares.max(axis=0)[taken], share[taken])
    assert (np.nansum(shares, axis=0) <= 1 + 1e-6).all()


def test_without_error_all_is_as_on_the_measured_surface(lot):
    """Catchments, depths and volumes are the deterministic ones, and it is said."""
    chapter = confidence_chapter(asked(lot, rmse_m=0.0))
    spots, inlets = chapter.columns["low_spots"], chapter.columns["inlets"]
    cell_m2 = lot.window.surface.ground.cell_m2
    for share in ("05", "50", "95"):
        assert np.array_equal(inlets[f"catchment_m2_p{share}"], lot.cells.total * cell_m2)
        assert spots[f"depth_m_p{share}"] == pytest.approx(lot.low_spots.depth, abs=4e-6)
    assert chapter.sections["confidence"][0]["precision"] == 0
    assert [finding.rule for finding in chapter.findings] == ["realisations"]
    assert "exact, which no survey is" in chapter.findings[0].message


def test_the_same_seed_gives_the_same_chapter(lot, chapter):
    again, other = confidence_chapter(asked(lot)), confidence_chapter(asked(lot, seed=1))
    assert again.findings == chapter.findings
    for name, raster in chapter.rasters.items():
        assert raster.grid.values.tobytes() == again.rasters[name].grid.values.tobytes()
    name = "likely_inlet_share.tif"
    assert not np.array_equal(other.rasters[name].grid.values, chapter.rasters[name].grid.values)


def test_flow_follows_the_weights(lot):
    """With coefficient 1 everywhere the flow for 10 mm/h is that of the catchment's area."""
    surface = lot.window.surface
    weight = entering_ca(surface, np.ones(surface.ground.shape))
    inlets = confidence_chapter(asked(lot, realisations=5), ca_weight=weight).columns["inlets"]
    assert inlets["ground_flow_per_10mm_h_m3s_p50"] == pytest.approx(
        inlets["catchment_m2_p50"] * 0.01 / 3600
    )
    counted = ~surface.missing & ~surface.piped
    assert weight.sum() == pytest.approx(counted.sum() * surface.ground.cell_m2)


def bounds(lot, probability=0.5, catchment=(1.0, 2.0, 3.0)):
    spots, inlets = len(lot.low_spots), len(lot.names)
    return Bounds(
        100, np.full(spots, probability), np.full((3, spots), 0.2), np.full((3, spots), 1.0),
        np.array(catchment)[:, None] * np.ones(inlets),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.96, "stands in 96 of 100 realisations, 0.20 m"),
        (0.96, "check it first"),
        (0.7, "likely there"),
        (0.3, "within the noise of the data. Measure on site"),
    ],
)
def test_low_spots_are_told_in_plain_words(lot, share, words):
    found = low_spot_findings(lot, bounds(lot, share))
    assert found
    assert all(words in finding.message for finding in found)


def test_a_catchment_that_no_realisation_bears_out_is_told(lot):
    """The measured catchment lies outside the interval: a thin feature decides."""
    area = lot.cells.total[0] * lot.window.surface.ground.cell_m2
    found = inlet_findings(lot, bounds(lot, catchment=(0.1 * area, 0.2 * area, 0.5 * area)))
    assert (found[0].rule, found[0].subject) == ("catchment-hangs-on-detail", lot.names[0])
    assert "walls" in found[0].message


def test_a_narrow_interval_round_the_measured_catchment_is_no_finding(lot):
    area = lot.cells.total * lot.window.surface.ground.cell_m2
    own = replace(bounds(lot), catchment_m2=np.array([0.9, 1.0, 1.1])[:, None] * area)
    assert inlet_findings(lot, own) == []
    wide = replace(own, catchment_m2=np.array([0.4, 1.0, 1.1])[:, None] * area)
    assert {finding.rule for finding in inlet_findings(lot, wide)} == {"catchment-unsure"}
