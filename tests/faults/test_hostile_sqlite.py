"""A hostile GeoPackage neither hangs lotflow nor is changed by it."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from programme.hostile_sqlite import HOSTILE, SMALLER, copy_site, held_by_another, make_site
from programme.in_turn import in_turn
from programme.judge import Tally, judged
from programme.server import Ended, Server
from programme.small_job import small_job, snapshot, write_job
from programme.tiers import report, tiers

#: Processor time until the refusal [s], and most memory above an idle process.
CPU_SECONDS, MEMORY_BYTES = 5.0, 1_000_000_000


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole GeoPackage."""
    return make_site(tmp_path_factory.mktemp("whole") / "site.gpkg")


@pytest.fixture(scope="module")
def whole(server: Server, site: Path) -> Ended:
    """What is read of it."""
    ended = server.run("programme.cases:check", str(put(site, site.parent / "job")))
    assert ended.value["code"] == 0
    return ended


def put(site: Path, job: Path) -> Path:
    """Make a job of it."""
    small_job(job)
    copy_site(site, job)
    return write_job(job, layer_lines='file = "site.gpkg"')


def tried(server: Server, whole: Ended, job: Path, name: str) -> None:
    """Check a job and require that its folder stays as it is."""
    before = snapshot(job)
    ended = server.run("programme.cases:check", str(job), memory_bytes=None)
    tally = Tally(f"F {name}")
    tally.add(outcome_of(ended, whole), name)
    report(tally, cpu_seconds=round(ended.cpu_seconds, 2), megabytes=round(ended.peak_bytes / 1e6),
           said=ended.err[:300])  # fmt: skip
    assert snapshot(job) == before
    require_good(ended, whole, name)


def outcome_of(ended: Ended, whole: Ended) -> str:
    return judged(ended, whole, names=("site.gpkg", "layer "))


def require_good(ended: Ended, whole: Ended, name: str) -> None:
    """Require that a case ended as it may and took no more than it may."""
    assert outcome_of(ended, whole) in ("equal", "refused"), (name, ended)
    assert ended.cpu_seconds <= CPU_SECONDS, (name, ended.err)
    assert ended.peak_bytes < MEMORY_BYTES, name


def test_hostile_geopackages_in_turn(
    server: Server, site: Path, whole: Ended, tmp_path: Path
) -> None:
    """All of class F in one process, two of them smaller."""
    jobs = {name: put(site, tmp_path / f"{number}") for number, name in enumerate(HOSTILE)}
    for name, build in (HOSTILE | SMALLER).items():
        build(jobs[name] / "site.gpkg")
    before = {name: snapshot(job) for name, job in jobs.items()}
    orders = [["check", str(job), "--json"] for job in jobs.values()]
    for name, ended in zip(jobs, in_turn(server, orders, memory_bytes=None), strict=True):
        require_good(ended, whole, name)
    assert [name for name, job in jobs.items() if snapshot(job) != before[name]] == []


@pytest.mark.parametrize("name", HOSTILE)
@tiers(None, 1, 1)
def test_hostile_geopackages(
    server: Server, site: Path, whole: Ended, tmp_path: Path, name: str, cases: int
) -> None:
    """Class F: refused in 5 s of processor time, or read as the whole one; nothing changed."""
    job = put(site, tmp_path / "job")
    HOSTILE[name](job / "site.gpkg")
    tried(server, whole, job, name)


@pytest.mark.parametrize("lock", ["BEGIN IMMEDIATE", "BEGIN EXCLUSIVE"])
@tiers(1, 1, 1)
def test_a_file_that_another_program_holds(
    server: Server, site: Path, whole: Ended, tmp_path: Path, lock: str, cases: int
) -> None:
    """Class F: what is not written yet does not show, and nobody is waited for."""
    job = put(site, tmp_path / "job")
    with held_by_another(job / "site.gpkg", lock):
        tried(server, whole, job, f"held by {lock}")


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
@tiers(4, 10, 10)
def test_a_file_that_is_written_to_all_the_time(
    server: Server, site: Path, whole: Ended, tmp_path: Path, mode: str, cases: int
) -> None:
    """Class F: copied under a writer, it is read whole or refused."""
    job, stop = put(site, tmp_path / "job"), threading.Event()

    def write() -> None:
        with closing(sqlite3.connect(job / "site.gpkg", isolation_level=None)) as database:
            database.execute(f"PRAGMA journal_mode = {mode}")
            count = 0
            while not stop.wait(0.002):
                count += 1
                database.execute("UPDATE gpkg_contents SET description = ?", (f"{count}" * 50,))

    writer = threading.Thread(target=write)
    writer.start()
    tally = Tally(f"F written all the time, {mode}")
    try:
        orders = [["check", str(job), "--json"]] * cases
        for number, ended in enumerate(in_turn(server, orders)):
            tally.add(judged(ended, whole, names=("site.gpkg",)), f"{number}")
    finally:
        stop.set()
        writer.join()
    report(tally)
    assert set(tally.counts) <= {"equal", "refused"}, tally.seeds
