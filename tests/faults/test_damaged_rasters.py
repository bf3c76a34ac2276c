"""Damaged rasters are refused, told, or read as the whole ones: hardly ever silently otherwise."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import pytest
from programme.damage import damaged
from programme.in_turn import in_turn
from programme.judge import OUTCOMES, Tally, judged
from programme.mutate import HEADER_BYTES, mutated
from programme.server import Ended, Server
from programme.small_job import STORED, lot_geojson, small_job, write_job
from programme.tiers import CORPUS, SEED, keep, report, tiers

#: Largest share of damaged files that may be read as other elevations without a word. A deflate
#: block has a checksum, which is verified; the others have none.
MAY_BE_SILENT = {"deflate": 0.002, "lzw": 0.15, "zstd": 0.33, "plain": 0.18}

#: What an error names: the file, or the lot that a raster in another place does not cover.
NAMES = ("dem.tif", "layer lot")


@pytest.fixture(scope="module")
def templates(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A whole job for every way of storing a raster."""
    folder = tmp_path_factory.mktemp("whole")
    return {name: small_job(folder / name, **stored) for name, stored in STORED.items()}


@pytest.fixture(scope="module")
def raster_server(server: Server, templates: dict[str, Path]) -> Server:
    """A server that knows the lot, since only the raster is damaged."""
    server.prepare("programme.cases:know_site", str(templates["plain-strips"]))
    return server


@pytest.fixture(scope="module")
def masked(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Jobs of rasters with a mask inside, in tiles and strips, with and without a checksum."""
    folder = tmp_path_factory.mktemp("masked")
    return {name: small_job(folder / name, mask=True, **STORED[name])
            for name in ("deflate-tiles", "plain-strips")}  # fmt: skip


@pytest.fixture(scope="module")
def whole(raster_server: Server, templates: dict[str, Path]) -> dict[str, Ended]:
    """What is read of the whole files: the same of each."""
    orders = [["check", str(job), "--json"] for job in templates.values()]
    ended = dict(zip(templates, in_turn(raster_server, orders, site_is_known=True), strict=True))
    assert len({str(one.value) for one in ended.values()}) == 1
    assert ended["plain-tiles"].value["code"] == 0
    return ended


def check(server: Server, job: Path) -> Ended:
    return server.run("programme.cases:check", str(job), True)


def put(folder: Path, data: bytes) -> Path:
    """A job with these bytes as its raster."""
    if not folder.exists():
        write_job(folder)
        (folder / "lot.geojson").write_bytes(lot_geojson())
    (folder / "dem.tif").write_bytes(data)
    return folder


@pytest.mark.parametrize("kind", MAY_BE_SILENT)
@tiers(40, 2500, 25_000)
def test_damaged_rasters(
    raster_server: Server, templates: dict[str, Path], whole: dict[str, Ended], cases: int,
    kind: str,
) -> None:  # fmt: skip
    """Class A: four compressions, in strips and tiles, seven kinds of damage."""
    tally = Tally(f"A damaged raster, {kind}")
    if kind != "deflate" and cases == 40:
        cases = 20  # without a checksum few cases tell only that none crashes
    for name in (f"{kind}-tiles", f"{kind}-strips"):
        data = (templates[name] / "dem.tif").read_bytes()
        seeds = [f"A-{SEED}-{name}-{number}" for number in range(cases // 2)]
        for seed, ended in damaged(raster_server, templates[name], "dem.tif", seeds,
                                   site_is_known=True):  # fmt: skip
            outcome = tally.add(judged(ended, whole[name], names=NAMES), seed)
            bad = outcome not in ("equal", "refused", "finding", "silent")
            if bad or (outcome == "silent" and kind == "deflate"):
                keep(f"{seed}.{outcome}.tif", mutated(data, seed)[1])
    report(tally)
    tally.assert_no_crash()
    assert tally.counts["refused"] > 0
    # a share of few cases scatters by its square root
    expected = MAY_BE_SILENT[kind] * tally.cases
    assert tally.counts["silent"] <= expected + 3 * expected**0.5 * (kind != "deflate"), tally.seeds


@tiers(20, 2000, 10_000)
def test_damaged_headers(
    raster_server: Server, templates: dict[str, Path], whole: dict[str, Ended], cases: int
) -> None:
    """Class B: the first 512 bytes, where the tags stand."""
    tally, job = Tally("B damaged header"), templates["deflate-tiles"]
    data = (job / "dem.tif").read_bytes()
    seeds = [f"B-{SEED}-{number}" for number in range(cases)]
    for seed, ended in damaged(raster_server, job, "dem.tif", seeds, span=(0, HEADER_BYTES),
                               site_is_known=True):  # fmt: skip
        outcome = tally.add(judged(ended, whole["deflate-tiles"], names=NAMES), seed)
        if outcome in OUTCOMES[3:]:
            keep(f"{seed}.{outcome}.tif", mutated(data, seed, span=(0, HEADER_BYTES))[1])
    report(tally)
    tally.assert_no_crash()
    assert tally.counts["silent"] == 0, tally.seeds


def directories_of(data: bytes) -> list[tuple[int, int]]:
    """Where the directories of a little-endian classic TIFF begin and end, the first first."""
    found = []
    (start,) = struct.unpack_from("<I", data, 4)
    while start:
        (count,) = struct.unpack_from("<H", data, start)
        found.append((start, start + 6 + 12 * count))
        (start,) = struct.unpack_from("<I", data, start + 2 + 12 * count)
    return found


@pytest.mark.parametrize("which", ["first", "mask"])
@tiers(10, 1000, 10_000)
def test_damaged_directories(
    raster_server: Server, masked: dict[str, Path], cases: int, which: str
) -> None:
    """Class B: the directories themselves, of rasters with a mask of 400 cells."""
    tally = Tally(f"B damaged directory, {which}")
    for name, job in masked.items():
        whole = check(raster_server, job)
        data = (job / "dem.tif").read_bytes()
        span = directories_of(data)[which == "mask"]
        seeds = [f"D-{SEED}-{which}-{name}-{number}" for number in range(cases // len(masked))]
        for seed, ended in damaged(raster_server, job, "dem.tif", seeds, span=span,
                                   site_is_known=True):  # fmt: skip
            outcome = tally.add(judged(ended, whole, names=NAMES), seed)
            if outcome in OUTCOMES[3:]:
                keep(f"{seed}.{outcome}.tif", mutated(data, seed, span=span)[1])
    report(tally)
    tally.assert_no_crash()
    assert tally.counts["silent"] == 0, tally.seeds


@tiers(8, 400, 2000)
def test_shifted_blocks(
    raster_server: Server, templates: dict[str, Path], whole: dict[str, Ended], cases: int
) -> None:
    """Class B: the place of one block of a raster without checksum is off by a few bytes."""
    tally = Tally("B shifted block")
    job = templates["plain-strips"]
    path, data = job / "dem.tif", (job / "dem.tif").read_bytes()
    start, _ = directories_of(data)[0]
    entry = next(start + 2 + 12 * i for i in range(40)
                 if struct.unpack_from("<H", data, start + 2 + 12 * i)[0] == 273)  # fmt: skip
    count, place = struct.unpack_from("<II", data, entry + 4)
    rng = random.Random(f"S-{SEED}")
    for number in range(cases):
        at = place + 4 * rng.randrange(count)
        spoilt = bytearray(data)
        by = rng.choice((-1, 1)) * rng.choice((1, 4, 16, 64, 256, 1024, rng.randrange(1, 5000)))
        struct.pack_into("<I", spoilt, at, max(struct.unpack_from("<I", data, at)[0] + by, 0))
        path.write_bytes(bytes(spoilt))
        tally.add(judged(check(raster_server, job), whole["plain-strips"], names=NAMES),
                  f"S-{SEED}-{number}")  # fmt: skip
    path.write_bytes(data)
    report(tally)
    tally.assert_no_crash()
    assert tally.counts["silent"] == 0, tally.seeds


def without_tag(data: bytes, index: int) -> bytes:
    """Drop one entry of the first directory of a little-endian classic TIFF."""
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    entries = [data[start + 2 + 12 * i : start + 14 + 12 * i] for i in range(count)]
    del entries[index]
    after = data[start + 2 + 12 * count :]
    directory = struct.pack("<H", count - 1) + b"".join(entries) + after[:4] + bytes(12)
    return data[:start] + directory + after[4:]


def tags(data: bytes) -> list[int]:
    """Numbers of the tags of the first directory."""
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    return [struct.unpack_from("<H", data, start + 2 + 12 * i)[0] for i in range(count)]


@tiers(1, len(STORED), len(STORED))
def test_each_dropped_tag(
    raster_server: Server, templates: dict[str, Path], whole: dict[str, Ended], tmp_path: Path,
    cases: int,
) -> None:  # fmt: skip
    """Class B: every tag dropped in turn, of every way of storing; none changes a value unsaid."""
    tally = Tally("B dropped tag")
    for name, job in list(templates.items())[: max(cases, 1)]:
        data = (job / "dem.tif").read_bytes()
        jobs = [put(tmp_path / f"{name} {index}", without_tag(data, index))
                for index in range(len(tags(data)))]  # fmt: skip
        orders = [["check", str(job), "--json"] for job in jobs]
        for tag, ended in zip(tags(data), in_turn(raster_server, orders, site_is_known=True),
                              strict=True):  # fmt: skip
            tally.add(judged(ended, whole[name], names=NAMES), f"{name}, tag {tag}")
    report(tally)
    tally.assert_no_crash()
    assert tally.counts["refused"] >= 5 * cases
    assert tally.counts["silent"] == 0, tally.seeds


@pytest.mark.parametrize("path", sorted(CORPUS.glob("*.tif")), ids=lambda path: path.name)
def test_corpus(raster_server: Server, whole: dict[str, Ended], tmp_path: Path, path: Path) -> None:
    """Files that once did what they must not; of those that were read silently it is told now."""
    ended = check(raster_server, put(tmp_path / "job", path.read_bytes()))
    told = ("refused", "finding") if ".silent" in path.name else ("equal", "refused", "finding")
    assert judged(ended, whole["deflate-tiles"], names=NAMES) in told
