"""The confidence step of a study, on the sample lot."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lotflow.inputs.job import read_job
from lotflow.inputs.job_tables import Confidence, Elevation
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.summary import CONTRACT
from lotflow.runoff.flow_bounds import entering_ca
from lotflow.study.confidence import (
    confidence_chapter,
    confidence_note,
    realisations_of,
    realise_study,
)
from lotflow.study.lot_water import study_lot
from lotflow.terrain.low_spots import Artefact
from lotflow.terrain.sureness import Bounds, inlet_findings, low_spot_findings

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


def asked(lot, *, realisations=20, seed=0, **elevation):
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
    rows = {"low_spots": len(lot.low_spots), "inlets": len(lot.names), "flow_paths": len(lot.paths)}
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
    assert tuple(entry)[:6] == CONTRACT["confidence"]
    assert (entry["realisations"], entry["seed"], entry["rmse_m"]) == (20, 0, 0.1)
    assert entry["precision"] == pytest.approx(1.96 * np.sqrt(0.25 / 20))


def test_all_inlets_together_take_less_than_their_upper_bounds_added(lot):
    """Bounds of the sum, drawn by drawn: the water that one inlet gains another has lost."""
    weight = entering_ca(lot.window.surface, np.ones(lot.window.surface.ground.shape))
    chapter = confidence_chapter(asked(lot, realisations=40), ca_weight=weight)
    (entry,) = chapter.sections["confidence"]
    own = chapter.columns["inlets"]
    for each in ("catchment_m2", "ground_flow_per_10mm_h_m3s"):
        joint = f"inlets_{each}"
        assert entry[f"{joint}_p95"] < own[f"{each}_p95"].sum()
        assert entry[f"{joint}_p05"] > own[f"{each}_p05"].sum()
    # slowly, from the realisations themselves
    realised = realise_study(asked(lot, realisations=40), places=[])
    whole = sorted(row.sum() for row in realised.cells)
    at = 0.95 * 41 - 1  # rank by Weibull: k / (n + 1)
    expected = whole[int(at)] + (at - int(at)) * (whole[int(at) + 1] - whole[int(at)])
    cell = lot.window.surface.ground.cell_m2
    assert entry["inlets_catchment_m2_p95"] == pytest.approx(expected * cell)


def test_an_inlet_whose_catchment_is_open_says_so_in_its_columns(chapter):
    """Bounds and the measured catchment apart by two or more."""
    columns = chapter.columns["inlets"]
    spread = columns["catchment_m2_p95"] / np.maximum(columns["catchment_m2_p05"], 1e-9)
    assert np.array(columns["is_open"])[spread >= 2.0].all()
    for is_open, told in zip(columns["is_open"], columns["catchment_told"], strict=True):
        assert (" to " in told) is is_open


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
    assert chapter.findings[0].facts == {"rmse_m": 0.0}


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


@pytest.mark.parametrize("number", [1, 19])
def test_few_realisations_give_no_bounds_and_are_said_to_be_few(lot, number):
    """Of fewer than 20 none is the 5th of 100: one would look perfectly sure."""
    weight = entering_ca(lot.window.surface, np.ones(lot.window.surface.ground.shape))
    chapter = confidence_chapter(asked(lot, realisations=number), ca_weight=weight)
    (note,) = chapter.findings
    assert note.facts["number"] == number < note.facts["fewest"]
    assert np.isnan(chapter.columns["low_spots"]["probability"]).all()
    bounded = {layer: [name[:-4] for name in columns if name.endswith("_p50")]
               for layer, columns in chapter.columns.items()}  # fmt: skip
    assert len(bounded["low_spots"]) == len(bounded["inlets"]) == 2
    for layer, names in bounded.items():
        columns = chapter.columns[layer]
        for name in names:
            assert np.isfinite(columns[f"{name}_p50"]).all()
            assert np.isnan([columns[f"{name}_p05"], columns[f"{name}_p95"]]).all()


def test_an_error_of_micrometres_is_none_and_is_told_as_none(lot):
    """One surface is run; without this its share would be said to be good to 98 in 100."""
    chapter = confidence_chapter(asked(lot, rmse_m=1e-6))
    (note,) = chapter.findings
    assert note.facts == {"rmse_m": 1e-6}
    assert chapter.sections["confidence"][0]["precision"] == 0
    assert np.isfinite(chapter.columns["low_spots"]["depth_m_p05"]).all()


def test_the_error_is_told_with_its_source(lot):
    """What the job states is the job's; what is assumed is called so."""
    given = asked(lot, correlation_m=5.0, white_share=0.3)
    elevation = Elevation(file=lot.job.elevation.file)
    bare = lot.job.model_copy(update={"elevation": elevation})
    sources = [confidence_note(job, 100).source for job in (lot.job, given.job, bare)]
    assert ["RMSE: the job file" in source for source in sources] == [True, True, False]
    assert ["lotflow's assumption" in source for source in sources] == [True, False, True]
    assert "quality level 2" in sources[2]


def test_low_spots_between_and_under_buildings_are_left_out(lot):
    """Their depth is that without the buildings, which realisations have."""
    flags = [Artefact.IN_BUILDING, Artefact.ENCLOSED, *lot.low_spots.artefact[2:]]
    flagged = replace(lot, low_spots=replace(lot.low_spots, artefact=flags))
    chapter = confidence_chapter(asked(flagged))
    for name, values in chapter.columns["low_spots"].items():
        assert np.isnan(values[:2]).all(), name
        assert np.isfinite(values[2:]).all(), name
    told = {found.subject for found in chapter.findings if found.rule == "low-spot-sureness"}
    assert not told & {"low spot 1", "low spot 2"}


def test_feet_and_metres_have_the_same_realisations(lot, chapter):
    """Cells and elevations in feet: the correlation of the error is in metres all the same."""
    feet = study_lot(read_job(SAMPLE.with_name("alder_court_us")))
    told = confidence_chapter(asked(feet)).layers["falls"]
    for share in ("05", "50", "95"):
        name = f"fall_m_p{share}"
        assert told[name].to_numpy() == pytest.approx(chapter.layers["falls"][name], abs=1e-3)


def bounds(lot, probability=0.5, catchment=(1.0, 2.0, 3.0)):
    spots, inlets = len(lot.low_spots), len(lot.names)
    return Bounds(
        100, np.full(spots, 0.84), np.full(spots, probability),
        np.full((3, spots), 0.2), np.full((3, spots), 1.0),
        np.array(catchment)[:, None] * np.ones(inlets), inlets * np.array(catchment),
    )  # fmt: skip


def of_low_spots(lot, bounds):
    return low_spot_findings(lot.low_spots, lot.window.surface.ground, lot.window.lot, bounds)


def of_inlets(lot, bounds):
    return inlet_findings(lot.names, lot.cells.total * lot.window.surface.ground.cell_m2, bounds)


@pytest.mark.parametrize(
    ("chance", "is_sure", "is_likely"),
    [
        (0.96, True, True),
        (0.5, False, True),
        (0.49, False, False),
        (0.3, False, False),
    ],
)
def test_low_spots_are_told_as_sure_likely_or_noise(lot, chance, is_sure, is_likely):
    found = of_low_spots(lot, bounds(lot, chance))
    assert found
    for one in found:
        assert (one.facts["there"], one.facts["number"]) == (84, 100)
        assert one.measured == one.facts["chance"] == chance
        assert (one.facts["is_sure"], one.facts["is_likely"]) == (is_sure, is_likely)
        assert one.facts["depth_low_m"] == 0.2


def test_a_catchment_that_no_realisation_bears_out_is_told(lot):
    """The measured catchment lies outside the interval: a thin feature decides."""
    area = lot.cells.total[0] * lot.window.surface.ground.cell_m2
    found = of_inlets(lot, bounds(lot, catchment=(0.1 * area, 0.2 * area, 0.5 * area)))
    assert (found[0].rule, found[0].subject) == ("catchment-hangs-on-detail", lot.names[0])
    assert found[0].facts["area_m2"] == pytest.approx(area)


def test_a_narrow_interval_round_the_measured_catchment_is_no_finding(lot):
    area = lot.cells.total * lot.window.surface.ground.cell_m2
    own = replace(bounds(lot), catchment_m2=np.array([0.9, 1.0, 1.1])[:, None] * area)
    assert of_inlets(lot, own) == []
    wide = replace(own, catchment_m2=np.array([0.4, 1.0, 1.1])[:, None] * area)
    assert {finding.rule for finding in of_inlets(lot, wide)} == {"catchment-unsure"}


def test_a_stated_precision_decides_how_many_are_run(lot):
    """Binomial shares: 1.96 sqrt(0.25 / n) is at most 0.2 from 25 realisations on, not from 24."""
    confidence = Confidence(precision=0.2)
    chapter = confidence_chapter(
        replace(lot, job=lot.job.model_copy(update={"confidence": confidence}))
    )
    (section,) = chapter.sections["confidence"]
    assert section["realisations"] == 25
    assert section["precision"] <= 0.2 < 1.96 * 0.5 / 24**0.5


def test_very_wide_ground_has_fewer_realisations_unless_somebody_asks_for_them(lot):
    bare = lot.job.model_copy(update={"confidence": Confidence()})
    assert realisations_of(bare, 800_000) == 100
    assert realisations_of(bare, 4_000_000) == 25
    assert realisations_of(bare, 10**9) == 20  # fewer give no bounds
    asked_for = bare.model_copy(update={"confidence": Confidence(realisations=100)})
    assert realisations_of(asked_for, 4_000_000) == 100
    precise = bare.model_copy(update={"confidence": Confidence(precision=0.05)})
    assert realisations_of(precise, 4_000_000) == 385
    assert confidence_note(bare, 50).facts["usual"] == 100
    cut_short = {number: confidence_note(bare, number).facts["cut_short"] for number in (50, 100)}
    assert cut_short == {50: True, 100: False}


def test_levels_to_take_are_listed_where_there_are_realisations_enough(lot, chapter):
    """Of few surfaces chance foretells too much: then the field sheet's own order stands."""
    table = chapter.layers["levels_to_take"]
    assert list(table["rank"]) == list(range(1, len(table) + 1))
    assert 1 < len(table) <= 12
    assert set(table["question"]) == {"low spot"}  # nothing else was asked
    assert table["settles"].between(0, 0.6).all()
    few = confidence_chapter(asked(lot, realisations=5))
    assert "levels_to_take" not in few.layers
    sure = confidence_chapter(asked(lot, rmse_m=0.0))
    assert "levels_to_take" not in sure.layers
