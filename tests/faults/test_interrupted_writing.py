"""Whatever stops a run, its folder holds the old result, the new one, or says it is incomplete."""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from programme.judge import Tally, stopped
from programme.power_cut import cuts
from programme.results import (
    BROKEN,
    INCOMPLETE,
    NOTHING,
    Results,
    contents,
    left_over,
    reads_the_same,
    size,
)
from programme.server import Ended, Server
from programme.tiers import SEED, numbered, report, tiers

from lotflow.outputs.manifest import BEING_REPLACED, MANIFEST

ERRORS = (errno.EIO, errno.ENOSPC, errno.EACCES, errno.EROFS)


@pytest.fixture(scope="module")
def drawn_results(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Results]:
    """Two results that replace each other, known to a server of their own."""
    with Server() as server:
        yield Results(server, tmp_path_factory.mktemp("drawn"))


@pytest.fixture(scope="module")
def undrawn_results(server: Server, tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Two of fewer files, whose map is noise and whose GeoPackage is made once."""
    return Results(server, tmp_path_factory.mktemp("undrawn"), drawn=False)


@pytest.fixture
def results(request: pytest.FixtureRequest) -> Results:
    """In the quick tier those that are not drawn: what counts is how files are put in place."""
    long = any(request.node.get_closest_marker(tier) for tier in ("nightly", "release"))
    found = request.getfixturevalue("drawn_results" if long else "undrawn_results")
    assert isinstance(found, Results)
    return found


def outcome_of(results: Results, folder: Path, ended: Ended, old: str) -> str:
    """Name what came of writing B over `old`."""
    held = results.held(folder)
    if held == BROKEN:
        return "silent"
    if ended.code == 0 and held != "B":
        return "silent"  # a success that is none
    if bad := stopped(ended):
        return bad
    if held == INCOMPLETE:
        return "finding"
    return "equal" if held == "B" else "refused" if held == old else "silent"


def assert_next_run_succeeds(results: Results, folder: Path) -> None:
    """The next run cleans up and succeeds."""
    ended = results.write("A", folder)
    assert ended.code == 0, ended.err
    assert results.held(folder) == "A"
    assert left_over(folder) == []


# Class G: no room


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own in memory."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = shutil.which("mount")
    if os.geteuid() != 0 or mount is None:
        pytest.skip("only root can mount a small disk")
    made = subprocess.run([mount, "-t", "tmpfs", "-o", "size=64m", "tmpfs", str(place)],
                          capture_output=True, check=False)  # fmt: skip
    if made.returncode != 0:
        pytest.skip("a small disk cannot be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def leave_free(place: Path, free: int) -> None:
    """Let the small disk have so many bytes left."""
    used = shutil.disk_usage(place).used + free
    subprocess.run(["mount", "-o", f"remount,size={used}", str(place)], check=True)


@tiers(2, 150, 500)
def test_a_full_disk(results: Results, small_disk: Path, cases: int) -> None:
    """Class G: from no room to 1.2 times the result; the old one stays or the new one is whole."""
    fill_the_disk(results, small_disk, cases, drawn=False)


@tiers(None, 15, 50)
def test_a_full_disk_while_the_map_is_drawn(results: Results, small_disk: Path, cases: int) -> None:
    """Class G: the same with a map that is drawn anew each time."""
    fill_the_disk(results, small_disk, cases, drawn=True)


def fill_the_disk(results: Results, small_disk: Path, cases: int, *, drawn: bool) -> None:
    """Write B over A with more and more room."""
    tally = Tally(f"G full disk{', map drawn' if drawn else ''}")
    folder = small_disk / "result"
    results.put("A", folder)
    enough = 1.2 * 2 * size(results)
    for number in range(cases):
        leave_free(small_disk, 4096 * round(enough * number / max(cases - 1, 1) / 4096))
        ended = results.write("B", folder, drawn=drawn, packed=False)
        outcome = tally.add(outcome_of(results, folder, ended, "A"), f"{number} of {cases}")
        if outcome == "refused":
            assert "MB are free" in ended.err, ended.err
        assert left_over(folder) == []
        leave_free(small_disk, 40_000_000)
        if outcome != "refused":
            assert_next_run_succeeds(results, folder)
    report(tally)
    assert set(tally.counts) <= {"equal", "refused"}, tally.seeds
    assert tally.counts["refused"] > 0


@tiers(3, 60, 250)
def test_a_limit_on_file_size(results: Results, tmp_path: Path, cases: int) -> None:
    """Class G: the same where a file may not grow."""
    tally, folder = Tally("G limit on file size"), tmp_path / "result"
    results.put("A", folder)
    largest = max(len(data) for whole in results.whole.values() for data in whole.values())
    for number in range(cases):
        limit = round(1.3 * largest * number / max(cases - 1, 1)) + 1
        ended = results.write("B", folder, file_bytes=limit, packed=False)
        outcome = tally.add(outcome_of(results, folder, ended, "A"), f"{limit}")
        assert left_over(folder) == []
        if outcome == "equal":
            assert_next_run_succeeds(results, folder)
    report(tally)
    assert set(tally.counts) == {"equal", "refused"}, tally.seeds


def test_a_disk_that_loses_half_of_a_file(results: Results, tmp_path: Path) -> None:
    """Of class G: nobody says so, and only reading the file back can tell."""
    folder = tmp_path / "result"
    results.put("A", folder)
    for name in ("result.gpkg", "ground.tif", "summary.csv"):
        ended = results.write("B", folder, lose=name, packed=name != "result.gpkg")
        assert outcome_of(results, folder, ended, "A") == "refused", name
        assert name in ended.err
        assert left_over(folder) == []


# Class H: killed


@tiers(4, 450, 1800)
def test_kill_at_a_random_time(results: Results, tmp_path: Path, cases: int) -> None:
    """Class H: while one result replaces the other again and again, by three signals."""
    kill(results, tmp_path, cases, drawn=False)


@tiers(None, 50, 200)
def test_kill_while_the_map_is_drawn(results: Results, tmp_path: Path, cases: int) -> None:
    """Class H: the same with a map that is drawn anew each time."""
    kill(results, tmp_path, cases, drawn=True)


#: What a kill leaves: the result before it, the one that it came in, or one that is told apart.
LEFT = ("old", "new", INCOMPLETE)
#: From so many kills on each of them must have been left at least once.
ENOUGH_KILLS = 50


def kill(results: Results, tmp_path: Path, cases: int, *, drawn: bool) -> None:
    """End a process again and again, every second time while it replaces, and look what it left."""
    tally = Tally(f"H kill{', map drawn' if drawn else ''}")
    rng, folder, old = random.Random(f"H-{SEED}-{drawn}"), tmp_path / "result", "A"
    results.put(old, folder)
    whole, replacing = time_one_write(results, folder, drawn=drawn)
    left: Counter[str] = Counter()
    during = 0
    for number in range(cases):
        number_of_signal = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)[number % 3]
        if number_of_signal == signal.SIGINT:
            clear(folder)  # what the two before have left is not this one's to answer for
        before = inodes(folder)
        pid = results.start("B" if old == "A" else "A", folder, alternate=True, drawn=drawn)
        if number % 2:
            wait_for_the_replacement(folder, before, 60.0 + 20.0 * whole)
            # the first of them at its very beginning
            time.sleep(rng.uniform(0.0, max(0.02, 1.5 * replacing)) * (number > 1))
        else:
            time.sleep(rng.uniform(0.02, 1.05) * whole)
        being_replaced = is_being_replaced(folder)
        os.kill(pid, number_of_signal)
        held, ended = what_is_left(results, folder, pid)
        during += being_replaced or held == INCOMPLETE
        left[INCOMPLETE if held == INCOMPLETE else "old" if held == old else "new"] += 1
        seed = f"{number}, {signal.Signals(number_of_signal).name}"
        known = {"A": "equal", "B": "equal", INCOMPLETE: "finding"}
        outcome = tally.add(known.get(held, "silent"), seed)
        if number_of_signal == signal.SIGINT:
            assert ended.code == 130, ended
            assert outcome == "equal"
            assert left_over(folder) == []
        if outcome != "equal" or number % 25 == 0:
            assert_next_run_succeeds(results, folder)
        old = results.held(folder)
    assert_next_run_succeeds(results, folder)
    report(tally, during_replacement=during, left=dict(left))
    assert set(tally.counts) <= {"equal", "finding"}, tally.seeds
    assert cases < ENOUGH_KILLS or set(left) == set(LEFT), left


def what_is_left(results: Results, folder: Path, pid: int) -> tuple[str, Ended]:
    """Wait for the end of a run that was struck, and look at its folder."""
    ended = results.server.wait(pid)
    assert not ended.hang
    assert_no_process_is_left(pid)
    return results.held(folder), ended


def time_one_write(results: Results, folder: Path, *, drawn: bool) -> tuple[float, float]:
    """Time B over A undisturbed, and how long of it files are being replaced [s]."""
    before, begun = inodes(folder), time.monotonic()
    pid = results.start("B", folder, drawn=drawn)
    wait_for_the_replacement(folder, before, 60.0)
    replacing = time.monotonic()
    while is_being_replaced(folder):
        time.sleep(0.0005)
    replaced = time.monotonic()
    assert results.server.wait(pid).code == 0
    assert_next_run_succeeds(results, folder)
    return replaced - begun, replaced - replacing


def wait_for_the_replacement(folder: Path, before: dict[str, int], seconds: float) -> None:
    """Wait until the first file that shows in a folder is another one, be it told or not."""
    deadline = time.monotonic() + seconds
    while inodes(folder) == before:
        assert time.monotonic() < deadline, "nothing was replaced"
        time.sleep(0.0005)


def inodes(folder: Path) -> dict[str, int]:
    """Which files show in a folder."""
    with os.scandir(folder) as entries:
        return {entry.name: entry.inode() for entry in entries if not entry.name.startswith(".")}


def is_being_replaced(folder: Path) -> bool:
    """Tell whether a result says so itself."""
    return bool(json.loads((folder / MANIFEST).read_text())["state"] == BEING_REPLACED)


def clear(folder: Path) -> None:
    """Take away what does not show."""
    for name in left_over(folder):
        path = folder / name
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def assert_no_process_is_left(group: int) -> None:
    """Nothing that a run has started outlives it by long, on a busy machine either."""
    deadline = time.monotonic() + 20.0
    while time.monotonic() < deadline:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.01)
    raise AssertionError("a process that the run has started is still there")


def steps(
    results: Results, folder: Path, how: str | int, cases: int
) -> Iterator[tuple[int, Ended]]:
    """Write B over A in a new folder, struck at so many of all calls, spread evenly."""
    places = numbered(folder)
    results.put("A", next(places) / "result")
    counted = results.write("B", next(folder.glob("*/result")), count=True)
    calls = counted.value["calls"]
    assert calls > 5 * len(results.whole["B"])
    for call in sorted({1 + round((calls - 1) * i / max(cases - 1, 1)) for i in range(cases)}):
        place = next(places) / "result"
        results.put("A", place)
        yield call, results.write("B", place, strike=[call, how])


@tiers(None, 150, 1000)
def test_kill_at_every_step(results: Results, tmp_path: Path, cases: int) -> None:
    """Class H: at every call that changes the disk; or at so many of them."""
    tally, seen = Tally("H kill at every call"), []
    for call, ended in steps(results, tmp_path, "kill", cases):
        folder = next(tmp_path.glob("*/result"))
        seen.append(results.held(folder))
        known = {"A": "equal", "B": "equal", INCOMPLETE: "finding"}
        tally.add(known.get(seen[-1], "silent"), f"call {call}")
        if ended.code != 0:
            assert_next_run_succeeds(results, folder)
    report(tally)
    assert set(tally.counts) <= {"equal", "finding"}, tally.seeds
    assert (seen[0], seen[-1]) == ("A", "B")
    assert INCOMPLETE in seen


# Class I: failing calls


@pytest.mark.parametrize("code", ERRORS, ids=errno.errorcode.get)
@tiers(None, 60, 1000)
def test_every_failing_call_of_python(
    results: Results, tmp_path: Path, cases: int, code: int
) -> None:
    """Class I: a call fails once; old or new, and nothing left behind."""
    fail(results, tmp_path, cases, code)


def test_some_failing_calls_of_python(results: Results, tmp_path: Path) -> None:
    """Of class I: the first, the last and some between, of them one while files are replaced."""
    fail(results, tmp_path, 6, errno.EIO)


def fail(results: Results, tmp_path: Path, cases: int, code: int) -> None:
    """Write B over A again and again while one call fails."""
    tally = Tally(f"I failing call, {errno.errorcode[code]}")
    for call, ended in steps(results, tmp_path, code, cases):
        folder = next(tmp_path.glob("*/result"))
        outcome = tally.add(outcome_of(results, folder, ended, "A"), f"call {call}")
        assert left_over(folder) == []
        if outcome == "refused":
            assert os.strerror(code) in ended.err
    report(tally)
    assert set(tally.counts) == {"equal", "refused"}, tally.seeds


@pytest.fixture(scope="module")
def native_results(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Results]:
    """The same in a server whose libraries' calls can be made to fail."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("there is no C compiler")
    folder = tmp_path_factory.mktemp("native")
    source = Path(__file__).parent / "programme" / "failing_calls.c"
    library = folder / "failing_calls.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"],
                   check=True)  # fmt: skip
    with Server(LD_PRELOAD=str(library)) as server:
        yield Results(server, folder)


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC], ids=errno.errorcode.get)
@tiers(None, 100, 400)
def test_failing_calls_of_the_libraries(
    native_results: Results, tmp_path: Path, cases: int, code: int
) -> None:
    """Class I: a write, flush or close by which GDAL or SQLite writes fails once, unseen."""
    tally = Tally(f"I failing call of a library, {errno.errorcode[code]}")
    rng = random.Random(f"I-{SEED}-{code}")
    for number, place in zip(range(cases), numbered(tmp_path), strict=False):
        native_results.put("A", place / "result")
        call = number + 1 if number < cases // 2 else rng.randrange(cases // 2, 1500)
        ended = native_results.write("B", place / "result", native=[call, code])
        outcome = outcome_of(native_results, place / "result", ended, "A")
        if outcome == "silent" and ended.code == 0:
            # a library that tries again may lay a file out anew, and it holds the same
            held = contents(place / "result")
            again = reads_the_same(held, native_results.whole["B"], tmp_path)
            outcome = "equal" if again else outcome
        tally.add(outcome, f"call {call}")
        assert left_over(place / "result") == []
    report(tally)
    assert set(tally.counts) == {"equal", "refused"}, tally.seeds


# Class J: power cut


@tiers(1, 8, 40)
def test_power_cut(results: Results, tmp_path: Path, cases: int) -> None:
    """Class J: every prefix of what was flushed, with names since then kept, lost, or mixed."""
    tally, folder, store = Tally("J power cut"), tmp_path / "result", tmp_path / "store"
    results.put("A", folder)
    store.mkdir()
    before = {str(path): path.read_bytes() for path in folder.iterdir()}
    ended = results.write("B", folder, record=str(store))
    events = ended.value["events"]
    assert ended.value["code"] == 0
    assert sum(event[0] == "file" for event in events) > len(results.whole["B"])
    seen: set[str] = set()
    states: dict[object, str] = {}
    places = numbered(tmp_path / "cut")
    for number, disk in enumerate(cuts(events, before, f"J-{SEED}", cases)):
        again = number % 97 == 0 and cases > 1
        if again or disk.state() not in states:  # what a disk holds tells all of what is read
            place = next(places) / "result"
            disk.put(place, str(folder))
            states[disk.state()] = results.held(place)
        held = states[disk.state()]
        known = {"A": "equal", "B": "equal", INCOMPLETE: "finding"}
        tally.add(known.get(held, "silent"), f"cut {number}")
        if again or held not in seen:
            seen.add(held)
            assert_next_run_succeeds(results, place)
    report(tally)
    assert set(tally.counts) == {"equal", "finding"}, tally.seeds
    assert seen == {"A", "B", INCOMPLETE}


# Class K: several at once


@tiers(2, 100, 500)
def test_several_runs_at_once(results: Results, tmp_path: Path, cases: int) -> None:
    """Class K: 2 or 4 runs 0 to 50 ms apart, and a reader that looks all the time."""
    rng, tally, folder = random.Random(f"K-{SEED}"), Tally("K several runs"), tmp_path / "result"
    results.put("A", folder)
    refused = 0
    for number in range(cases):
        pids = []
        for letter in "AB" * (1 + number % 2):
            pids.append(results.start(letter, folder))
            time.sleep(rng.uniform(0.0, 0.05))
        wrong = look_while(results, folder, pids)
        ended = [results.server.wait(pid) for pid in pids]
        for one in ended:
            assert one.code in (0, 1), one
            assert one.code == 0 or "another run (process " in one.err, one.err
        refused += sum(one.code for one in ended)
        held = results.held(folder)
        good = held in ("A", "B") and 0 in [one.code for one in ended] and not wrong
        tally.add("equal" if good else "silent", f"{number}: {held} {wrong}")
        assert left_over(folder) == []
    report(tally, refused=refused)
    assert tally.counts["silent"] == 0, tally.seeds


def look_while(results: Results, folder: Path, pids: list[int]) -> list[str]:
    """Look at the folder until all are done; give what a reader must never see."""
    wrong = []
    while any(Path(f"/proc/{pid}/stat").read_text().split()[2] != "Z" for pid in pids):
        before = (folder / "summary.json").read_bytes()
        held = results.held(folder)
        # what changed while it was looked at is looked at again
        if (folder / "summary.json").read_bytes() == before and held in (BROKEN, NOTHING):
            again = results.held(folder)
            if (folder / "summary.json").read_bytes() == before and again == held:
                wrong.append(held)
    return wrong
