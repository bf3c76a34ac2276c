"""Workers that die, hang and come back: no lot is lost, none is counted twice."""
# ruff: noqa: PLC0415  what is sent to workers imports there

import contextlib
import gc
import json
import logging
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter

import pytest

from lotflow.errors import EngineError, OutputError
from lotflow.town import engine
from lotflow.town.engine import Crew, run_lots, tasks_of
from lotflow.town.lots import Lot, TownJob

distributed = pytest.importorskip("distributed")

NUMBER = 24
LOTS = [Lot(f"L{number}", f"L{number}") for number in range(NUMBER)]
TOWN = TownJob(("dem.tif",), {"lot": "parcels.gpkg"}, "pin")


def hazards(folder):
    """A study that kills its worker on one lot always, on another once, and hangs on a third."""
    once = str(folder / "died")

    def study(town, lots, number):  # no function of a module: it is sent to the workers as it is
        import os
        import signal
        import time
        from pathlib import Path

        from lotflow.town import engine
        from lotflow.town import lots as studying

        def row(town, lot):
            if lot.key == "L5":
                os.kill(os.getpid(), signal.SIGKILL)
            if lot.key == "L11" and not Path(once).exists():
                Path(once).touch()
                os.kill(os.getpid(), signal.SIGKILL)
            if lot.key == "L17":
                time.sleep(600)
            return {"parcel": lot.key, "outcome": "done", "threads": os.environ["LOTFLOW_THREADS"]}

        studying.lot_row = row
        return engine.study_and_tell(town, lots, number)

    return study


def test_dying_and_hanging_workers_cost_only_the_lot_they_die_of(tmp_path, monkeypatch):
    rows, began = [], time.monotonic()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    run_lots(TOWN, LOTS, Crew(workers=2, deadline_s=4.0), rows.append, hazards(tmp_path))
    assert Counter(row["parcel"] for row in rows) == Counter(lot.key for lot in LOTS)
    wrong = {row["parcel"]: row["reason"] for row in rows if row["outcome"] == "failed"}
    assert wrong == {
        "L5": "its worker died on it twice, as when memory runs out",
        "L17": "it took longer than 4 s",
    }
    assert (tmp_path / "died").exists()
    assert {row["threads"] for row in rows if row["outcome"] == "done"} == {"1"}
    assert time.monotonic() - began < 120
    assert [path.name for path in tmp_path.iterdir()] == ["died"]  # no litter of the killed


def test_workers_of_a_scheduler_elsewhere_are_used(tmp_path):
    def study(town, lots, number):
        import tempfile

        from lotflow.town import engine
        from lotflow.town import lots as studying

        studying.lot_row = lambda town, lot: {
            "parcel": lot.key, "outcome": "done", "private": tempfile.gettempdir(),
        }  # fmt: skip
        return engine.study_and_tell(town, lots, number)

    def of_another_version(town, lots, number):
        from lotflow.town import engine

        engine.__version__ = "0.0.9"
        return study(town, lots, number)

    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address=None,
        local_directory=tmp_path, silence_logs=50,
        scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
    ) as cluster:  # fmt: skip
        rows, there = [], Crew(0, cluster.scheduler_address)
        run_lots(TOWN, LOTS, there, rows.append, study)
        assert sorted(row["parcel"] for row in rows) == sorted(lot.key for lot in LOTS)
        # dask clears its own folders of what a killed worker leaves
        assert {row["private"] for row in rows} == {
            one["local_directory"] for one in cluster.scheduler_info["workers"].values()
        }
        rows.clear()
        # a worker that came later has another version; then it is there from the start
        for kind in (of_another_version, study):
            with pytest.raises(EngineError, match=r"workers have lotflow 0\.0\.9, here it is"):
                run_lots(TOWN, LOTS, there, rows.append, kind)
        assert rows == []


def test_workers_with_several_threads_are_refused(tmp_path):
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, protocol="tcp", host="127.0.0.1",
        dashboard_address=None, local_directory=tmp_path, silence_logs=50,
        scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
    ) as cluster, pytest.raises(EngineError, match="--nthreads 1"):  # fmt: skip
        run_lots(TOWN, LOTS, Crew(0, cluster.scheduler_address), lambda _: None)


def test_a_machine_that_refuses_ends_all_and_is_told(tmp_path):
    """A full disk is no fault of a lot; where the lots of another task stand is kept."""

    def study(town, lots, number):
        from lotflow.errors import OutputError
        from lotflow.town import engine
        from lotflow.town import lots as studying

        def screened(town, lot):
            error = OutputError("No space left on device.")
            error.is_of_machine = lot.key == "L7"
            raise error

        studying.screened = screened
        return engine.study_and_tell(town, lots, number)

    rows = []
    taken = socket.socket()
    with contextlib.suppress(OSError):  # by another one, which is as good
        taken.bind(("127.0.0.1", 8787))  # where dask would show its pages
    with taken, pytest.raises(OutputError, match="No space left"):
        run_lots(TOWN, LOTS, Crew(workers=1), rows.append, study)
    assert {row["reason"] for row in rows} == {"No space left on device."}
    assert 0 < len(rows) < len(LOTS)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "hello", "http://127.0.0.1:9"])
def test_a_scheduler_that_is_not_there_is_told(monkeypatch, address):
    """And nothing else is said of it, not when what looked for it is thrown away either."""
    monkeypatch.setattr(engine, "_ANSWER_S", 1.0)
    complaints = []
    monkeypatch.setattr(sys, "unraisablehook", complaints.append)
    with pytest.raises(EngineError, match=f"{address} cannot be reached"):
        run_lots(TOWN, LOTS, Crew(0, address), lambda _: None)
    gc.collect()
    assert complaints == []


def test_tasks_hold_every_lot_once_and_never_too_many():
    lots = [Lot(str(number), "") for number in range(1234)]
    tasks = tasks_of(lots, 4)
    assert [lot for task in tasks for lot in task] == lots
    assert max(map(len, tasks)) == engine.MOST_OF_A_TASK


def test_without_dask_it_is_said_what_to_install(monkeypatch):
    def absent(name):
        raise ImportError(name)

    monkeypatch.setattr(engine, "import_module", absent)
    with pytest.raises(EngineError, match=r"lotflow\[batch\]"):
        run_lots(TOWN, LOTS, Crew(workers=1), lambda _: None)


def quick(folder):
    """A study that takes a moment, and tells the process it was done in."""

    def study(town, lots, number):
        import os
        import time

        from lotflow.town import engine
        from lotflow.town import lots as studying

        def row(town, lot):
            time.sleep(0.1)
            return {"parcel": lot.key, "outcome": "done", "process": os.getpid()}

        studying.lot_row = row
        return engine.study_and_tell(town, lots, number)

    return study


@pytest.mark.nightly
def test_twenty_kills_in_two_hundred_lots_lose_none(tmp_path, monkeypatch):
    """Each tenth row its worker is killed, as the system does when memory runs out."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    lots, rows, killed = [Lot(f"L{number}", "") for number in range(200)], [], []

    def take(row):
        rows.append(row)
        if len(rows) % 9 == 0 and len(killed) < 20 and row["outcome"] == "done":
            killed.append(row["process"])
            with contextlib.suppress(ProcessLookupError):  # killed for another row already
                os.kill(row["process"], signal.SIGKILL)

    run_lots(TOWN, lots, Crew(workers=2), take, quick(tmp_path))
    assert len(killed) == 20
    assert Counter(row["parcel"] for row in rows) == Counter(lot.key for lot in lots)
    assert {row["outcome"] for row in rows} == {"done"}
    assert list(tmp_path.iterdir()) == []


@pytest.mark.nightly
def test_a_scheduler_that_is_killed_loses_nothing_that_was_known(tmp_path):
    """What was told is kept; the rest is for the next time; of it one sentence is said."""
    scheduler = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port",
         "0", "--no-dashboard", "--scheduler-file", str(tmp_path / "scheduler.json")],
        cwd=tmp_path, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    worker, said = None, []
    listener = logging.Handler()
    listener.emit = said.append
    logging.getLogger("distributed.client").addHandler(listener)
    try:
        while not (tmp_path / "scheduler.json").exists():
            time.sleep(0.1)
        address = json.loads((tmp_path / "scheduler.json").read_text())["address"]
        worker = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1",
             "--host", "127.0.0.1", "--no-dashboard", "--local-directory", str(tmp_path)],
            cwd=tmp_path, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        rows = []

        def take(row):
            rows.append(row)
            if len(rows) == 30:
                scheduler.kill()

        lots = [Lot(f"L{number}", "") for number in range(200)]
        with pytest.raises(EngineError, match="scheduler is gone"):
            run_lots(TOWN, lots, Crew(0, address), take, quick(tmp_path))
        time.sleep(3)  # dask tries for a while to find it again
        assert said == []
        assert 30 <= len(rows) < 200
        assert max(Counter(row["parcel"] for row in rows).values()) == 1
    finally:
        logging.getLogger("distributed.client").removeHandler(listener)
        for process in filter(None, (worker, scheduler)):
            process.terminate()
            process.wait(30)
