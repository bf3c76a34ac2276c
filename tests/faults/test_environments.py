"""The surroundings change no number, no byte, and no message into a traceback."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest
from programme.cases import SAMPLE
from programme.environments import (
    AT_ONCE,
    NOT_FOLLOWED,
    PROGRAM,
    SAID,
    SECONDS,
    WORKS,
    Surroundings,
    UnavailableError,
    run,
)
from programme.judge import Tally
from programme.results import contents
from programme.server import Server
from programme.small_job import small_job
from programme.tiers import report, tiers

Run = subprocess.CompletedProcess[str]

#: What is run in both long tiers.
LONG = (pytest.mark.nightly, pytest.mark.release)

REALISATIONS = ("-q", "--realisations", "12")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small job."""
    return small_job(tmp_path_factory.mktemp("environments") / "job")


@pytest.fixture(scope="module")
def whole(job: Path) -> dict[str, bytes]:
    """Its result in ordinary surroundings."""
    done, result = run(Surroundings(job.parent, job))
    assert done.returncode == 0, done.stderr
    return contents(result)


def assert_same(name: str, done: Run, result: Path, whole: dict[str, bytes]) -> None:
    """Require that a run worked, said nothing and left the same bytes; report it before."""
    found = contents(result) if result.exists() else {}
    good = (done.returncode, done.stdout, done.stderr) == (0, "", "")
    tell(name, "odd" if not good else "equal" if found == whole else "silent")
    assert_all_well(done, result, whole)


def assert_all_well(done: Run, result: Path, whole: dict[str, bytes]) -> None:
    """Require that a run worked, said nothing and left the same bytes."""
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert hashes(contents(result)) == hashes(whole)


def hashes(files: dict[str, bytes]) -> dict[str, str]:
    """SHA-256 of every file."""
    return {name: hashlib.sha256(data).hexdigest() for name, data in sorted(files.items())}


def tell(name: str, outcome: str) -> None:
    """Report the outcome of one case."""
    tally = Tally(name)
    tally.add(outcome, name)
    report(tally)


def surrounded(name: str, around: Surroundings) -> Surroundings:
    """Give these surroundings; skip the test where they cannot be had."""
    try:
        WORKS[name](around)
    except UnavailableError as why:
        pytest.skip(str(why))
    return around


def test_the_same_bytes_in_several_surroundings_at_once(
    server: Server, job: Path, tmp_path: Path
) -> None:
    """Of classes M and O: from a copy of the inputs in another folder, too."""
    usual = tmp_path / "usual"
    ended = server.run("programme.writing:run_alone",
                       ["run", str(job), "-o", str(usual), *REALISATIONS],
                       seconds=60.0, memory_bytes=None)  # fmt: skip
    assert ended.code == 0, ended.err
    around = Surroundings(tmp_path, job)
    for name in AT_ONCE:
        with suppress(UnavailableError):
            WORKS[name](around)
    assert around.job != job
    assert_all_well(*run(around, *REALISATIONS), contents(usual))


@pytest.mark.parametrize("name", [pytest.param(name, marks=LONG) for name in WORKS])
def test_the_same_bytes_in_any_surroundings(
    job: Path, whole: dict[str, bytes], tmp_path: Path, name: str
) -> None:
    """Classes M and O: works, says nothing, and every file of the result has the same bytes."""
    done, result = run(surrounded(name, Surroundings(tmp_path, job)), "-q")
    letter = "O" if name in NOT_FOLLOWED else "M"
    assert_same(f"{letter} {name}", done, result, whole)


@pytest.mark.parametrize("name", [pytest.param(name, marks=LONG) for name in SAID])
def test_the_same_numbers_and_a_finding(
    job: Path, whole: dict[str, bytes], tmp_path: Path, name: str
) -> None:
    """Class M: grids, map and waypoints are the same; the summary says what is wrong."""
    around = Surroundings(tmp_path, job)
    SAID[name](around)
    done, result = run(around, "-q")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    found = contents(result)
    assert found.keys() == whole.keys()
    for file, data in whole.items():
        assert found[file] == data or file.endswith((".gpkg", ".html", ".csv", ".json", ".txt",
                                                     ".pdf")), file  # fmt: skip
    summary, usual = (json.loads(files["summary.json"]) for files in (found, whole))
    assert summary["low_spots"] == usual["low_spots"]
    assert len(summary["findings"]) > len(usual["findings"])
    tell(f"M {name}", "finding")


@tiers(None, 1, 1)
def test_a_package_that_cannot_be_written_to(
    job: Path, whole: dict[str, bytes], tmp_path: Path, cases: int
) -> None:
    """Class M: as another user, from a package of root's, without a home."""
    if os.geteuid() != 0 or shutil.which("setpriv") is None:
        pytest.skip("only root can act as another user")
    tmp_path.chmod(0o777)
    place = Path(shutil.copytree(job, "/tmp/lotflow-faults-nobody", dirs_exist_ok=True))
    try:
        place.chmod(0o777)
        around = Surroundings(place, place, prefix=["setpriv", "--reuid=65534", "--regid=65534",
                                                    "--clear-groups"])  # fmt: skip
        around.environment |= {"HOME": "/nonexistent"}
        command = [*around.prefix, sys.executable, "-c", "import click"]
        if subprocess.run(command, capture_output=True, check=False).returncode != 0:
            pytest.skip("the other user cannot use this Python")
        around.environment.pop("XDG_CACHE_HOME", None)
        done, result = run(around, "-q")
        assert_same("M package that cannot be written to", done, result, whole)
    finally:
        shutil.rmtree(place)


def lotflow(*arguments: str, **options: object) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-c", PROGRAM, *arguments], timeout=SECONDS, check=False,
        stderr=subprocess.PIPE, **options,
    )  # fmt: skip


@tiers(None, 1, 1)
def test_a_reader_that_has_gone(job: Path, tmp_path: Path, cases: int) -> None:
    """Class M: whoever was to read the output has closed it."""
    ends = os.pipe()
    os.close(ends[0])
    done = lotflow("run", str(job), "-o", str(tmp_path / "r"), stdout=ends[1])
    os.close(ends[1])
    assert b"Traceback" not in done.stderr
    assert (tmp_path / "r" / "summary.json").exists()
    tell("M reader that has gone", "equal")


@tiers(None, 1, 1)
def test_an_output_that_is_full(job: Path, tmp_path: Path, cases: int) -> None:
    """Class M: what is printed cannot be written."""
    with Path("/dev/full").open("w") as full:
        done = lotflow("run", str(job), "-o", str(tmp_path / "r"), stdout=full)
    assert done.returncode == 1
    assert b"Traceback" not in done.stderr
    assert re.search(rb"No space left on device", done.stderr)
    tell("M output that is full", "refused")


@tiers(None, 1, 1)
def test_a_closed_output(job: Path, tmp_path: Path, cases: int) -> None:
    """Class M: there is no output at all."""
    command = f'exec "{sys.executable}" -c "{PROGRAM}" run "{job}" -o "{tmp_path / "r"}" -q >&-'
    done = subprocess.run(["sh", "-c", command], stderr=subprocess.PIPE, check=False)
    assert b"Traceback" not in done.stderr
    assert (tmp_path / "r" / "summary.json").exists()
    tell("M closed output", "equal")


#: A clock of another day and year for every call by which a program asks for the time.
CLOCK = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <sys/time.h>
#include <time.h>
#define SHIFT 86400L * 400
int clock_gettime(clockid_t id, struct timespec *out) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int result = real(id, out);
    if (id == CLOCK_REALTIME) out->tv_sec += SHIFT;
    return result;
}
time_t time(time_t *out) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (out) *out = now.tv_sec;
    return now.tv_sec;
}
int gettimeofday(struct timeval *out, void *zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    out->tv_sec = now.tv_sec;
    out->tv_usec = now.tv_nsec / 1000;
    return 0;
}
"""


@pytest.fixture(scope="module")
def clock(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Variables that give a process the clock of another year."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("there is no C compiler")
    folder = tmp_path_factory.mktemp("clock")
    (folder / "clock.c").write_text(CLOCK)
    library = folder / "clock.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-o", str(library), str(folder / "clock.c"),
                    "-ldl"], check=True)  # fmt: skip
    shifted = {"LD_PRELOAD": str(library)}
    today = [sys.executable, "-c", "import datetime; print(datetime.date.today())"]
    told, plain = (
        subprocess.run(today, env=env, capture_output=True, text=True, check=True).stdout
        for env in (os.environ | shifted, dict(os.environ))
    )
    assert told != plain
    return shifted


@tiers(None, 1, 1)
def test_another_day(
    job: Path, whole: dict[str, bytes], clock: dict[str, str], tmp_path: Path, cases: int
) -> None:
    """Class O: the same bytes in another year."""
    around = Surroundings(tmp_path, job, os.environ | clock)
    assert_same("O another day", *run(around, "-q"), whole)


@tiers(None, 1, 1)
def test_twice_and_from_elsewhere(
    job: Path, whole: dict[str, bytes], tmp_path: Path, cases: int
) -> None:
    """Class O: the same bytes again, from a copy of the inputs in another folder."""
    copy = Path(shutil.copytree(job, tmp_path / "elsewhere" / "copy"))
    assert_same("O another folder", *run(Surroundings(tmp_path, copy), "-q"), whole)


# The same with all there is in a job: inlets, rain, drains, and surfaces drawn at random


@pytest.fixture(scope="module")
def whole_sample(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The result of the sample in ordinary surroundings."""
    done, result = run(Surroundings(tmp_path_factory.mktemp("sample"), SAMPLE), *REALISATIONS)
    assert done.returncode == 0, done.stderr
    found = contents(result)
    assert {"likely_inlet_share.tif", "pond_depth_10yr.tif", "quantities.csv"} <= set(found)
    asked = json.loads(found["summary.json"])["provenance"]["job"]["confidence"]
    assert asked["realisations"] == 12
    return found


@pytest.mark.parametrize("name", ["one processor", "decimal comma", "another hash seed"])
@tiers(None, 1, 1)
def test_the_same_bytes_with_realisations(
    whole_sample: dict[str, bytes], tmp_path: Path, name: str, cases: int
) -> None:
    """Class O: whoever shares the work, and whatever numbers look like."""
    around = surrounded(name, Surroundings(tmp_path, SAMPLE))
    assert_same(f"O sample, {name}", *run(around, *REALISATIONS), whole_sample)


@tiers(None, 1, 1)
def test_another_day_with_realisations(
    whole_sample: dict[str, bytes], clock: dict[str, str], tmp_path: Path, cases: int
) -> None:
    """Class O: nothing is drawn by the clock."""
    around = Surroundings(tmp_path, SAMPLE, os.environ | clock)
    assert_same("O sample, another day", *run(around, *REALISATIONS), whole_sample)


def test_one_processor_is_one_worker(server: Server, tmp_path: Path) -> None:
    """The instrument: a process gets one, and what the program counts is what it was given."""
    around = surrounded("one processor", Surroundings(tmp_path, tmp_path))
    code = "import os; print(len(os.sched_getaffinity(0)))"
    done = subprocess.run([*around.prefix, sys.executable, "-c", code], capture_output=True,
                          text=True, check=True)  # fmt: skip
    assert int(done.stdout) == 1
    allowed = len(os.sched_getaffinity(0))
    assert server.run("programme.environments:workers", [allowed, 1]).value == [allowed, 1]
