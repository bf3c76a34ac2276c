"""Levels taken on site in a whole study: the sample lot, whose raster is taken for a survey."""

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest

from lotflow.errors import InputError
from lotflow.inputs.job import read_job, with_realisations
from lotflow.study.lot_water import error_model, study_lot
from lotflow.study.main_job import run_study
from lotflow.terrain.level_error import random_field

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
#: Site levels start from 10 m at a benchmark about as high as the yard, which lies OFFSET off.
OFFSET, BENCHMARK_M, THERE_M = 0.7, 10.0, 31.5


@pytest.fixture(scope="module")
def job():
    return with_realisations(read_job(SAMPLE), 24)


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
    """Rows of the layer of shots, above a benchmark that lies OFFSET off as it is given."""
    truth, _, grid = ground
    x, y = grid.xy(*np.divmod(np.asarray(cells), grid.shape[1]))
    return gpd.GeoDataFrame({
        "name": [f"S{i + 1}" for i in range(len(cells))],
        "level_m": truth.ravel()[cells] - THERE_M + BENCHMARK_M + OFFSET,
        "deviation_mm": 14.0, "placed_within_m": 0.1, "datum": "benchmark",
        "surface_kind": "hard", "counts": "yes",
    } | columns, geometry=gpd.points_from_xy(x, y), crs=grid.crs)  # fmt: skip


@pytest.fixture(scope="module")
def with_levels(tmp_path_factory):
    """Give the sample job with some levels."""

    def made(shots):
        folder = tmp_path_factory.mktemp("levelled")
        for name in ("job.toml", "dem.tif", "site.gpkg", "rainfall.csv"):
            shutil.copy(SAMPLE / name, folder)
        shots.to_file(folder / "shots.gpkg", layer="shots", driver="GPKG")
        job = (folder / "job.toml").read_text("utf-8")
        job = job.replace("[layers]", "[layers]\nshots = 'shots.gpkg'")
        job += (
            f"[levels]\nbenchmark = {BENCHMARK_M}\nunit = 'm'\n"
            f"elevation_m = {THERE_M}\ndrawn = 'raster'\n"
        )
        (folder / "job.toml").write_text(job, "utf-8")
        return with_realisations(read_job(folder), 24)

    return made


@pytest.fixture(scope="module")
def cells(ground, plain):
    """The low spots' beds and spills, and some places of the lot."""
    random, spots = np.random.default_rng(1), plain.lot.low_spots
    places = [*spots.bed_cell[:2], *spots.spill_cell[:2], *random.choice(ground[1], 8)]
    return np.array([int(c) for c in places if c in set(ground[1].tolist())])


@pytest.fixture(scope="module")
def levelled(with_levels, ground, cells):
    usage = ("yes",) * (len(cells) - 2) + ("check",) * 2
    return run_study(with_levels(shots_on(ground, cells, counts=usage)), use_covers=False)


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


def test_a_wrong_level_is_named_and_left_out(with_levels, ground, cells):
    shots = shots_on(ground, cells)
    shots.loc[4, "level_m"] += 0.8
    lot = study_lot(with_levels(shots))
    assert [one.which for one in lot.levelled.judged.left_out] == [(4,)]
    assert not lot.levelled.used[4]
    assert lot.levelled.used.sum() == len(cells) - 1


@pytest.mark.parametrize(
    ("wrong", "asked"),
    [
        (lambda z: BENCHMARK_M + (z - BENCHMARK_M) / 0.3048, "feet"),
        (lambda z: 2 * BENCHMARK_M - z, "rod readings"),
    ],
)
def test_levels_that_are_none_are_refused_with_a_remedy(with_levels, ground, cells, wrong, asked):
    shots = shots_on(ground, cells)
    job = with_levels(shots.assign(level_m=wrong(shots["level_m"])))
    with pytest.raises(InputError, match=asked) as raised:
        study_lot(job)
    assert raised.value.faults[0].layer == "shots"
    assert raised.value.faults[0].remedy


def test_levels_that_fit_nothing_are_refused(with_levels, ground, cells):
    off = np.random.default_rng(3).normal(0, 1.0, len(cells))
    shots = shots_on(ground, cells)
    job = with_levels(shots.assign(level_m=shots["level_m"] + off))
    with pytest.raises(InputError, match="do not fit"):
        study_lot(job)
