"""Levels taken on site in a whole study: the sample lot, whose raster is taken for a survey."""

from pathlib import Path

import numpy as np
import pytest

from lotflow.errors import InputError
from lotflow.inputs.job import read_job
from lotflow.study.lot_water import error_model, study_lot
from lotflow.study.main_job import run_study
from lotflow.terrain.level_error import random_field
from lotflow.terrain.shots import Shots

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
OFFSET = 3.7


@pytest.fixture(scope="module")
def job():
    job = read_job(SAMPLE)
    few = job.confidence.model_copy(update={"realisations": 24})
    return job.model_copy(update={"confidence": few})


@pytest.fixture(scope="module")
def plain(job):
    return run_study(job, use_covers=False)


@pytest.fixture(scope="module")
def ground(plain):
    """Ground that the sample's raster may be a survey of, open cells of the lot, and its grid."""
    lot = plain.lot
    grid, surface = lot.window.surface.ground, lot.window.surface
    error = random_field(error_model(lot.job).spectrum(grid.shape, grid.cell_m),
                         np.random.default_rng(2))  # fmt: skip
    open_ = np.flatnonzero((lot.window.lot & surface.bare & ~surface.wall).ravel())
    return grid.values - 0.6 * error, open_, grid


def shots_on(ground, cells, **columns):
    truth, _, grid = ground
    n = len(cells)
    x, y = grid.xy(*np.divmod(np.asarray(cells), grid.shape[1]))
    return Shots(**{
        "names": tuple(f"S{i + 1}" for i in range(n)), "x": x.astype(float), "y": y.astype(float),
        "level_m": truth.ravel()[cells] + OFFSET, "deviation_m": np.full(n, 0.014),
        "placed_within_m": np.full(n, 0.1), "own_datum": np.ones(n, dtype=bool), "line": ("",) * n,
        "line_part": ("",) * n, "line_rank": np.full(n, np.nan),
        "line_depth_m": np.full(n, np.nan), "usage": ("yes",) * n, "surface_kind": ("hard",) * n,
    } | columns)  # fmt: skip


@pytest.fixture(scope="module")
def cells(ground, plain):
    """The low spots' beds and spills, and some places of the lot."""
    random, spots = np.random.default_rng(1), plain.lot.low_spots
    places = [*spots.bed_cell[:2], *spots.spill_cell[:2], *random.choice(ground[1], 8)]
    return np.array([int(c) for c in places if c in set(ground[1].tolist())])


@pytest.fixture(scope="module")
def levelled(job, ground, cells):
    usage = ("yes",) * (len(cells) - 2) + ("check",) * 2
    return run_study(job, use_covers=False, shots=shots_on(ground, cells, usage=usage))


def test_without_levels_the_study_is_the_same(job, plain):
    none = shots_on((np.zeros((1, 1)), None, plain.lot.window.surface.ground), np.zeros(0, int))
    again = run_study(job, use_covers=False, shots=none)
    assert again.lot.levelled is None
    assert set(again.layers) == set(plain.layers)
    for name, table in plain.layers.items():
        assert again.layers[name].equals(table), name
    assert again.findings == plain.findings


def test_the_ground_comes_nearer_to_the_truth_and_the_raster_is_kept(
    levelled, plain, ground, cells
):
    """Up to one height of all, within two metres of the levels that were used."""
    truth, open_, grid = ground
    row, column = np.divmod(open_, grid.shape[1])
    r, c = np.divmod(cells[:-2], grid.shape[1])
    away = grid.cell_m * np.hypot(row[:, None] - r, column[:, None] - c).min(axis=1)
    before, after = (
        np.std((study.lot.window.surface.ground.values - truth).ravel()[open_[away < 2]])
        for study in (plain, levelled)
    )
    assert after < 0.75 * before
    raw = levelled.lot.window.elevation.grid.values
    assert raw.tobytes() == plain.lot.window.elevation.grid.values.tobytes()


def test_falls_between_levelled_places_narrow(levelled, plain):
    """Of low spots whose deepest points were levelled; both runs are paired by name."""
    width = []
    for study in (plain, levelled):
        falls = study.layers["falls"]
        both = (falls["from_kind"] == "low spot") | (falls["to_kind"] == "low spot")
        width.append((falls["fall_m_p95"] - falls["fall_m_p05"])[both].median())
    assert width[1] < 0.8 * width[0]


def test_what_levels_are_worth_is_told(levelled, cells):
    by_rule = {}
    for finding in levelled.findings:
        by_rule.setdefault(finding.rule, []).append(finding)
    assert by_rule["shots-used"][0].facts["used"] == len(cells) - 2
    tied = by_rule["shots-tied"][0].facts
    assert tied["offset_m"] == pytest.approx(OFFSET, abs=3 * tied["deviation_m"])
    assert len(by_rule["shot-compared"]) == 2
    assert all(finding.x is not None for finding in by_rule["shot-compared"])


def test_a_wrong_level_is_named_and_left_out(job, ground, cells):
    shots = shots_on(ground, cells)
    shots.level_m[4] += 0.8
    lot = study_lot(job, shots)
    assert [one.which for one in lot.levelled.judged.left_out] == [(4,)]
    assert not lot.levelled.used[4]
    assert lot.levelled.used.sum() == len(cells) - 1


@pytest.mark.parametrize(
    ("wrong", "asked"),
    [(lambda z: z / 0.3048, "feet"), (lambda z: 100 - z, "rod readings")],
)
def test_levels_that_are_none_are_refused_with_a_remedy(job, ground, cells, wrong, asked):
    shots = shots_on(ground, cells)
    with pytest.raises(InputError, match=asked) as raised:
        study_lot(job, shots_on(ground, cells, level_m=wrong(shots.level_m)))
    assert raised.value.faults[0].layer == "shots"
    assert raised.value.faults[0].remedy


def test_levels_that_fit_nothing_are_refused(job, ground, cells):
    off = np.random.default_rng(3).normal(0, 1.0, len(cells))
    shots = shots_on(ground, cells)
    with pytest.raises(InputError, match="do not fit"):
        study_lot(job, shots_on(ground, cells, level_m=shots.level_m + off))
