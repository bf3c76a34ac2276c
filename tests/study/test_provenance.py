"""A result names every file it was computed from, with its hash."""

import hashlib
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from lotflow.inputs.job import read_job
from lotflow.inputs.job_tables import Prices, Rain
from lotflow.inputs.prices import read_prices
from lotflow.inputs.rainfall import read_rainfall
from lotflow.outputs.provenance import provenance
from lotflow.study.chapter import Chapter
from lotflow.study.job_chapters import quantity_chapter
from lotflow.study.lot_water import study_lot
from lotflow.study.main_job import bind

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


def origin(lot, **hashes):
    hashes = bind(lot, [Chapter(hashes=hashes)]).hashes
    return provenance(
        lot.job,
        lot.source,
        lot.site,
        program="lotflow",
        use_covers=True,
        hashes=hashes,
        units_because="stated",
    )


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
        read = read_prices(prices.file).sha256
        found = origin(replace(lot, job=lot.job.model_copy(update={"prices": prices})), prices=read)
        assert found["prices"]["sha256"] == digest(tmp_path / "prices.csv")
        runs.append(found["run_id"])
    assert runs[0] != runs[1]


def test_what_became_of_a_table_after_it_was_read_does_not_show(lot, tmp_path):
    """The hashes are those of the bytes that the numbers come from."""
    rain, prices = tmp_path / "rainfall.csv", tmp_path / "prices.csv"
    shutil.copy(SAMPLE / "rainfall.csv", rain)
    prices.write_text("item,price\nspoil,80\n")
    before = digest(rain), digest(prices)
    table = read_rainfall(Rain.model_validate({"file": str(rain), "storms": [10]}))
    job = lot.job.model_copy(
        update={"rainfall": Rain.model_validate({"file": str(rain)}),
                "prices": Prices.model_validate({"file": str(prices)})}
    )  # fmt: skip
    changed = replace(lot, job=job, rainfall=table)
    read = quantity_chapter(changed, ())
    rain.write_text("")
    prices.write_text("item,price\nspoil,90\n")
    found = origin(changed, **read.hashes)
    assert (found["rainfall"]["sha256"], found["prices"]["sha256"]) == before
