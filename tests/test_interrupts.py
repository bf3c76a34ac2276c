"""A Ctrl-C that a library swallows in a callback comes again and stops the run."""

import ctypes
import os
import signal
import subprocess
import sys
import textwrap
import time
from typing import Annotated

import pytest

from lotflow.cli.interrupts import interrupts_kept, is_interrupt


@pytest.fixture(autouse=True)
def heard():
    """A shell that runs the tests in the background has the interrupt ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


CALLBACK = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_int)


def swallowed(_number):
    """As a library calls it: what is raised here cannot be handed on."""
    signal.raise_signal(signal.SIGINT)
    return 0


def test_an_interrupt_in_a_callback_of_c_is_not_lost(capfd):
    with pytest.raises(KeyboardInterrupt), interrupts_kept():  # noqa: PT012 - it comes a little later
        CALLBACK(swallowed)(1)
        time.sleep(5)
        pytest.fail("nothing has come")
    assert capfd.readouterr().err == ""


def test_what_else_nobody_can_catch_is_told_as_ever(capfd):
    def fails(_number):
        raise ValueError("in a callback")

    before = sys.excepthook, sys.unraisablehook
    told = []
    sys.unraisablehook = told.append
    try:
        with interrupts_kept():
            CALLBACK(fails)(1)
    finally:
        sys.excepthook, sys.unraisablehook = before
    assert isinstance(told[0].exc_value, ValueError)
    assert (sys.excepthook, sys.unraisablehook) == before


def test_the_command_line_ends_with_130(tmp_path):
    code = f"""
        import ctypes, os, signal
        signal.signal(signal.SIGINT, signal.default_int_handler)
        import lotflow.inputs.job as job
        def swallowed(_number):
            signal.raise_signal(signal.SIGINT)
            return 0
        usual = job.screening_job
        def slow(*given, **named):
            ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_int)(swallowed)(1)
            for _ in range(50):
                __import__("time").sleep(0.1)
            return usual(*given, **named)
        job.screening_job = slow
        from lotflow.cli import main
        main(["screen", {os.devnull!r}, {os.devnull!r}, "-o", {str(tmp_path / "result")!r}])
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], capture_output=True,
                          text=True, check=False, timeout=60)  # fmt: skip
    assert done.returncode == 130, done.stderr
    assert done.stderr.strip() == "lotflow: stopped; nothing was written."
    assert not (tmp_path / "result").exists()


def test_an_interrupt_that_a_library_has_wrapped_is_known():
    """As the library of the job model does with what a function of ours raises."""
    from pydantic import BaseModel, PlainSerializer  # noqa: PLC0415 - for this one only

    def stops(_value):
        raise KeyboardInterrupt

    class Model(BaseModel):
        value: Annotated[int, PlainSerializer(stops)]

    with pytest.raises(Exception, match="KeyboardInterrupt") as caught:
        Model(value=1).model_dump()
    assert is_interrupt(caught.value)
    assert not is_interrupt(ValueError("a number is wrong"))
