"""Items of real tiles, and what is no Item that can be used."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from lotflow.errors import InputError
from lotflow.fetching.stac_item import Chosen, read_item

DATA = Path(__file__).parent / "data"
#: Source of both: data/README.md.
METRE, SEAMLESS = (
    (DATA / name).read_bytes()
    for name in ("USGS_1M_18_x32y430_VA_NorthernVA_B22.json", "n41w106-13.json")
)


def read(data: bytes, asset: str = "") -> Chosen:
    return read_item(data, "item.json", sha256="0" * 64, asset=asset)


def changed(**keys: Any) -> bytes:
    """A real Item with some of its keys changed; None leaves one out."""
    told = json.loads(METRE)
    for key, value in keys.items():
        if value is None:
            del told[key]
        else:
            told[key] = value
    return json.dumps(told).encode()


def test_a_real_item_of_version_1_1() -> None:
    """Projection 2.0 states a code; the survey has two days; the asset is called elevation."""
    chosen = read(METRE)
    assert chosen.item.crs == "EPSG:26918"
    assert chosen.item.surveyed == (date(2022, 12, 9), date(2022, 12, 28))
    assert chosen.item.properties.shape == (10012, 10012)
    assert chosen.asset.href.startswith("https://prd-tnm.s3.amazonaws.com/")
    assert chosen.asset.file_size == 116_706_524
    # a checksum, but none of SHA-256
    assert chosen.asset.file_checksum == "e50208206dcc61f738e4a5"
    assert chosen.asset.sha256 == ""


def test_a_real_item_of_version_1_0() -> None:
    """Projection 1.x states a number, the transform has six; four assets, one of data."""
    chosen = read(SEAMLESS)
    assert chosen.item.crs == "EPSG:4269"
    assert len(chosen.item.properties.transform or ()) == 6
    assert chosen.asset.href.endswith("USGS_13_n41w106.tif")
    assert read(SEAMLESS, asset="metadata").asset.href.endswith(".xml")


def test_sha_256_is_told_from_other_checksums() -> None:
    told = json.loads(METRE)
    told["assets"]["elevation"]["file:checksum"] = "1220" + "ab" * 32
    assert read(json.dumps(told).encode()).asset.sha256 == "ab" * 32


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"<html>", "no JSON"),
        (b"", "no JSON"),
        (b'{"type": "Feature", "bbox": [NaN]}', "no JSON"),
        (b"[" * 100_000, "no JSON"),
        (b"[]", "no STAC Item"),
        (changed(type="FeatureCollection"), "FeatureCollection"),
        (changed(type="Collection"), "Collection"),
        (changed(assets=None), "assets"),
        (changed(assets={}), "assets"),
        (changed(id=7), "id"),
        (changed(properties={"datetime": "last winter"}), "datetime"),
        (changed(assets={"a": {"href": "https://a.test/a.laz"}}), "no asset of the Item"),
        (changed(assets={k: {"href": f"https://a.test/{k}.tif", "type": "image/tiff"}
                         for k in "ab"}), "several assets"),
        (changed(assets={"elevation": {"href": 3}}), "href"),
    ],
)  # fmt: skip
def test_what_is_no_item(data: bytes, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        read(data)
    assert str(caught.value).startswith("item.json: ")


def test_an_asset_that_is_not_there_is_offered_another() -> None:
    with pytest.raises(InputError, match=r"no asset 'elevaton'.*elevation"):
        read(METRE, asset="elevaton")
