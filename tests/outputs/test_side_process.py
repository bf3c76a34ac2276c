"""The second process: the same results, every failure told, no process left behind."""

import operator
import os
import signal
import time
from pathlib import Path

import pytest

import lotflow
from lotflow.cli.report import drawing_process
from lotflow.errors import EngineError
from lotflow.outputs import side_process
from lotflow.outputs.field_sheet.typesetting import BOLD, REGULAR
from lotflow.outputs.map.layers import flow_width
from lotflow.outputs.palette import INK
from lotflow.outputs.side_process import SideProcess
from lotflow.units import from_si, shown


def alive(number):
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    return True


def ask(second):
    second.submit(operator.add, INK, INK)
    return second.result()


def test_results_come_in_the_order_of_the_work():
    with SideProcess() as second:
        for value in (1.0, 2.0):
            second.submit(from_si, value, "ft")
        assert [second.result(), second.result()] == [from_si(1.0, "ft"), from_si(2.0, "ft")]


def test_a_failure_is_told_with_its_own_account_and_does_not_end_the_process():
    with SideProcess() as second:
        second.submit(shown, 1.0, "no such quantity", "us")
        with pytest.raises(EngineError, match="KeyError: 'no such quantity'"):
            second.result()
        second.submit(shown, 0.1524, "depth", "us")
        assert second.result() == "6.0 in"


def test_what_a_library_prints_does_not_get_between_the_results():
    with SideProcess() as second:
        second.submit(print, "noise")
        second.submit(operator.add, 1, 2)
        assert [second.result(), second.result()] == [None, 3]


def test_a_dead_process_is_told():
    with SideProcess() as second:
        second._process.kill()
        second._process.wait()
        with pytest.raises(EngineError, match=r"is gone|has died"):
            ask(second)


def test_more_than_a_pipe_holds_does_not_stop_the_first_process():
    """What is handed over waits aside while the other process is still busy."""
    with SideProcess() as second:
        second.submit(time.sleep, 1.0)
        started = time.monotonic()
        second.submit(len, bytes(10_000_000))
        assert time.monotonic() - started < 0.5
        assert [second.result(), second.result()] == [None, 10_000_000]


@pytest.mark.usefixtures("second_process")
def test_what_draws_is_loaded_before_any_work():
    with drawing_process(pack=True) as second:
        second.submit(eval, "'lotflow.outputs.map.sheet' in __import__('sys').modules")
        assert second.result()
        fonts = "list(__import__('sys').modules['reportlab.pdfbase.pdfmetrics']._fonts)"
        second.submit(eval, fonts)
        assert {REGULAR, BOLD} <= set(second.result())


def test_what_cannot_get_ready_fails_only_where_it_is_needed():
    """The work itself tells of a missing library, if it needs it."""
    with SideProcess(["lotflow.nothing:f", "lotflow:nothing", "lotflow"]) as second:
        assert ask(second) == INK + INK


@pytest.mark.usefixtures("second_process")
def test_without_leave_to_start_a_process_the_map_is_drawn_here(monkeypatch):
    """The result needs no second process, it is only sooner there with one."""
    monkeypatch.setattr("sys.executable", "/nowhere/python")
    with drawing_process(pack=True) as second:
        assert second is None


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError])
def test_no_process_is_left_behind(error):
    with pytest.raises(error), SideProcess() as second:  # noqa: PT012
        number = second._process.pid
        second.submit(time.sleep, 60)
        raise error
    assert not alive(number)


def test_it_leaves_an_interrupt_to_the_first_process():
    with SideProcess() as second:
        second.submit(operator.add, 1, 1)
        assert second.result() == 2
        second._process.send_signal(signal.SIGINT)
        second.submit(operator.add, 2, 2)
        assert second.result() == 4


@pytest.mark.parametrize("path", [".", os.pathsep.join(["", "sub"])])
def test_it_works_in_a_neutral_folder_and_finds_this_package_all_the_same(
    path, monkeypatch, tmp_path
):
    """Where it is started, a broken settings file of a library does no harm."""
    (tmp_path / "matplotlibrc").write_bytes(b"\xff: nonsense\n")
    (tmp_path / "lotflow").symlink_to(Path(lotflow.__file__).parent)
    (tmp_path / "sub").mkdir()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", path)
    with SideProcess() as second:
        second.submit(flow_width, 500.0)
        assert second.result() == 2.2
        assert Path(f"/proc/{second._process.pid}/cwd").readlink() == Path(os.sep)


def test_a_folder_that_is_gone_is_no_obstacle(monkeypatch, tmp_path):
    monkeypatch.setenv("PYTHONPATH", "relative")
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    assert side_process._surroundings()["PYTHONPATH"] == "relative"
