"""A result names every file it was computed from, with its hash."""

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest

from lotflow.inputs.job import read_job
from lotflow.inputs.job_tables import Prices
from lotflow.study.lot_water import study_lot
from lotflow.study.provenance import provenance

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


def origin(lot):
    return provenance(lot.job, lot.source, lot.site, use_covers=True)


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_elevation_layers_and_rainfall_are_named_with_their_hashes(lot):
    found = origin(lot)
    assert found["elevation"]["files"][0]["sha256"] == digest(SAMPLE / "dem.tif")
    assert found["layers"][0]["sha256"] == {"site.gpkg": digest(SAMPLE / "site.gpkg")}
    assert found["rainfall"] == {"file": "rainfall.csv", "sha256": digest(SAMPLE / "rainfall.csv")}
    assert found["prices"] is None


def test_another_price_list_is_another_run(lot, tmp_path):
    runs = []
    for price in (80, 90):
        (tmp_path / "prices.csv").write_text(f"item,price\nspoil,{price}\n")
        prices = Prices.model_validate({"file": str(tmp_path / "prices.csv")})
        found = origin(replace(lot, job=lot.job.model_copy(update={"prices": prices})))
        assert found["prices"]["sha256"] == digest(tmp_path / "prices.csv")
        runs.append(found["run_id"])
    assert runs[0] != runs[1]
