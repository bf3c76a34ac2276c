"""A server that lies: what comes is right, or is refused and leaves nothing."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
import rasterio
from lying_server import CORNER, Lying

from lotflow.errors import FetchError, InputError
from lotflow.fetching import http_door
from lotflow.fetching.http_door import Budget
from lotflow.inputs.area import Area
from lotflow.inputs.georeference import CRS
from lotflow.study.fetch import Order, fetch

#: Refused, or right after all, whatever the compression: by mode.
REFUSED = [
    "short", "shortsaid", "shortlength", "longer", "otherrange", "shiftedasked", "othertotal",
    "norangehead", "oddrange", "multipart", "norangescut", "norangesopen", "later200", "changed",
    "changed412", "droppedtag", "gzip", "saysgzip", "redirectother", "redirectinner",
    "redirectplain", "redirectfile", "redirectlogin", "redirectround", "redirectlater", "web",
    "webastiff", "vrt", "empty", "missing", "forbidden", "gone", "broken", "busylong", "closes",
    "garbage", "manyheaders", "chunkedcut", "endless",
]  # fmt: skip
RIGHT = ["good", "noranges", "weaktag", "notag", "redirect", "brokenonce", "busy", "chunked",
         "hugetotal"]  # fmt: skip
#: Whose lie only a checksum of the blocks can tell.
SILENT = ["flip", "zeros", "shift", "second"]
COMPRESSIONS = ["deflate", "lzw", "none"]


def order(*urls: str, half_m: float = 60.0) -> Order:
    """Ask for ground round the corner of four blocks."""
    x, y = CORNER
    bounds = (x - half_m, y - half_m, x + half_m, y + half_m)
    return Order((), urls, Area(bounds, CRS(26918), 0.0))


def truth(folder: Path, fetched: Path, name: str) -> bool:
    """Whether a file holds what the tile holds there, to the last bit."""
    with rasterio.open(fetched) as got, rasterio.open(folder / name) as tile:
        window = rasterio.windows.from_bounds(*got.bounds, tile.transform)
        window = window.round_offsets().round_lengths()
        here, there = got.transform, tile.transform
        corner = (there.c + window.col_off * there.a, there.f + window.row_off * there.e)
        same = (here.c, here.f) == corner and got.crs == tile.crs
        return same and np.array_equal(got.read(1), tile.read(1, window=window))


def tried(net: Lying, mode: str, name: str, out: Path, budget: Budget) -> str:
    """Fetch from a server that lies: "right", "wrong", or what was said; nothing may be left."""
    try:
        done = fetch(order(net.url(name, mode)), out, lambda host: "data.test" in host, budget)
    except (FetchError, InputError) as error:
        assert not out.exists()
        assert {one.name for one in out.parent.iterdir()} <= {f".{out.name}.parts"}
        return str(error)
    if truth(net.root, out, name):
        return "right"
    return "unverified" if any(f.rule == "fetched-unverified" for f in done.findings) else "wrong"


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait for nothing between tries."""
    monkeypatch.setattr(http_door.time, "sleep", lambda _: None)


@pytest.mark.parametrize("mode", RIGHT)
def test_a_lie_that_does_not_matter(
    net: Lying, canary: Lying, tmp_path: Path, mode: str, quick: None
) -> None:
    """Files without ranges or tags come whole; what passes by itself is tried again."""
    budget = Budget(seconds=10)
    assert tried(net, mode, "deflate.tif", tmp_path / "dem.tif", budget) == "right"
    assert canary.connections == 0
    assert budget.requests_taken <= 4 * len(net.log)


@pytest.mark.parametrize("mode", REFUSED)
def test_a_lie_is_refused(
    net: Lying, canary: Lying, tmp_path: Path, mode: str, quick: None
) -> None:
    """By an error that names the address, with nothing half-written and nobody else asked."""
    budget = Budget(seconds=5, octets=20_000_000)
    said = tried(net, mode, "deflate.tif", tmp_path / "dem.tif", budget)
    assert said not in ("right", "wrong", "unverified")
    assert "data.test" in said or "canary.test" in said or "127.0.0.2" in said or "MB" in said
    assert "secret" not in said
    assert canary.connections == 0


@pytest.mark.parametrize("mode", SILENT)
def test_a_block_that_was_changed_is_refused_by_its_checksum(
    net: Lying, tmp_path: Path, mode: str
) -> None:
    said = tried(net, mode, "deflate.tif", tmp_path / "dem.tif", Budget(seconds=5))
    assert "damaged" in said
    assert "https://data.test" in said
    # what was damaged is not kept for the next try
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("compress", ["lzw", "none"])
@pytest.mark.parametrize("mode", ["flip", "shift"])
def test_what_carries_no_checksum_is_called_unverified(
    net: Lying, tmp_path: Path, mode: str, compress: str
) -> None:
    """No client can tell; so it is said, and of good files of that kind too."""
    name, out = f"{compress}.tif", tmp_path / "dem.tif"
    said = tried(net, mode, name, out, Budget(seconds=5))
    assert said == "unverified" or "read" in said
    out.unlink(missing_ok=True)
    done = fetch(order(net.url(name)), out, lambda _: True, Budget())
    assert [one.rule for one in done.findings] == ["fetched", "fetched-unverified"]
    assert truth(net.root, out, name)


@pytest.mark.parametrize("mode", ["drip", "dripheaders", "hang"])
def test_a_slow_server_is_left_when_the_time_is_over(net: Lying, tmp_path: Path, mode: str) -> None:
    """However slowly it drips: of the whole answer, not of one piece."""
    began = time.monotonic()
    said = tried(net, mode, "deflate.tif", tmp_path / "dem.tif", Budget(seconds=0.7))
    assert "longer than 0.7 s" in said
    assert time.monotonic() - began < 3.0


@pytest.mark.nightly
@pytest.mark.parametrize("compress", COMPRESSIONS)
@pytest.mark.parametrize("mode", [*RIGHT, *REFUSED, *SILENT])
def test_every_lie_in_every_compression(
    net: Lying, canary: Lying, tmp_path: Path, mode: str, compress: str, quick: None
) -> None:
    """No wrong value without a word: right, refused, or called unverified."""
    budget = Budget(seconds=8, octets=20_000_000)
    said = tried(net, mode, f"{compress}.tif", tmp_path / "dem.tif", budget)
    assert said != "wrong"
    assert (said == "right") == (mode in RIGHT)
    assert said != "unverified" or (mode in SILENT and compress != "deflate")
    assert canary.connections == 0
