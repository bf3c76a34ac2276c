"""No input makes lotflow read another file or ask the network."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from programme.in_turn import in_turn
from programme.judge import Tally, judged
from programme.redirections import NAMED_LINKS, REDIRECTIONS, Elsewhere
from programme.server import Ended, Server
from programme.small_job import layers, small_job, snapshot, write_raster
from programme.tiers import report, tiers
from programme.watch import OpenWatch, RequestCounter

SECRET = "CANARY-5e1f 600000 0.5"


@pytest.fixture(scope="module")
def elsewhere(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[Elsewhere, OpenWatch, RequestCounter]]:
    """Files that must not be opened, and a server that must not be asked."""
    folder = tmp_path_factory.mktemp("elsewhere")
    layers()["lot"].to_file(folder / "lot.gpkg", layer="lot", driver="GPKG")
    (folder / "secret.txt").write_text(SECRET)
    raster = write_raster(folder / "other.tif")
    watch = OpenWatch(raster, folder / "lot.gpkg", folder / "secret.txt")
    with RequestCounter() as counter:
        yield (Elsewhere(raster, folder / "lot.gpkg", folder / "secret.txt", counter.url), watch,
               counter)  # fmt: skip
    watch.close()


def test_the_watch_and_the_counter_see(
    elsewhere: tuple[Elsewhere, OpenWatch, RequestCounter],
) -> None:
    """The instruments themselves: rasterio left alone follows a VRT and a URL."""
    import rasterio  # noqa: PLC0415
    from programme.redirections import _vrt  # noqa: PLC0415

    there, watch, counter = elsewhere
    watch.opened()
    with rasterio.open(_vrt(str(there.raster))) as dataset:
        dataset.read(1)
    assert watch.opened()
    with pytest.raises(rasterio.errors.RasterioIOError):
        rasterio.open(f"{there.url}/dem.tif")
    assert counter.requests
    counter.requests.clear()


@pytest.fixture(scope="module")
def whole(server: Server, tmp_path_factory: pytest.TempPathFactory) -> Ended:
    """What is read of a job without any redirection."""
    return server.run("programme.cases:check", str(small_job(tmp_path_factory.mktemp("w") / "job")))


@pytest.mark.parametrize("linked", [False, True])
def test_redirections_in_turn(
    server: Server, whole: Ended, tmp_path: Path, linked: bool,
    elsewhere: tuple[Elsewhere, OpenWatch, RequestCounter],
) -> None:  # fmt: skip
    """All of class E in one process, and those where the job names the link in another."""
    there, watch, counter = elsewhere
    jobs = {}
    for number, (name, build) in enumerate(REDIRECTIONS.items()):
        if (name in NAMED_LINKS) == linked:
            jobs[name] = small_job(tmp_path / f"{number}")
            build(jobs[name], there)
    assert len(jobs) >= 3
    before = snapshot(there.raster.parent)
    watch.opened()
    orders = [["check", str(job), "--json"] for job in jobs.values()]
    cases = dict(zip(jobs, in_turn(server, orders), strict=True))
    opened, requests = watch.opened(), list(counter.requests)
    counter.requests.clear()
    assert requests == []
    assert opened == linked
    for name, ended in cases.items():
        assert judged(ended, whole) in ("equal", "refused"), (name, ended)
        assert "CANARY" not in ended.out + ended.err, name
    assert snapshot(there.raster.parent) == before


@pytest.mark.parametrize("name", REDIRECTIONS)
@tiers(None, 1, 1)
def test_redirections(
    server: Server, tmp_path: Path, elsewhere: tuple[Elsewhere, OpenWatch, RequestCounter],
    whole: Ended, name: str, cases: int,
) -> None:  # fmt: skip
    """Class E: refused, or read as if it were not there; nothing opened, asked or shown."""
    there, watch, counter = elsewhere
    job = small_job(tmp_path / "job")
    REDIRECTIONS[name](job, there)
    before = snapshot(there.raster.parent)
    watch.opened()
    ended = server.run("programme.cases:check", str(job))
    opened, requests = watch.opened(), list(counter.requests)
    counter.requests.clear()
    tally = Tally(f"E {name}")
    outcome = tally.add(judged(ended, whole), name)
    report(tally, opened=opened, requests=requests, said=ended.err[:200])
    assert outcome in ("equal", "refused"), ended
    assert requests == []
    assert not opened or name in NAMED_LINKS
    assert "CANARY" not in ended.out + ended.err
    assert snapshot(there.raster.parent) == before
