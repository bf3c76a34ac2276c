"""
A second process for work that needs slow libraries, started before the work is known.

While this process reads and computes, the other one imports what drawing needs; then it is handed
the content and draws while this one writes. The result is the same as without it.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import os
import pickle
import signal
import struct
import subprocess
import sys
import traceback
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, Self, cast

from lotflow.errors import EngineError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from types import TracebackType

_LENGTH: Final = struct.Struct("<Q")


class SideProcess:
    """
    A second process that runs functions of this package, one after the other.

    Use it as a context: at the end of it the process is gone, whatever happened.

    Parameters
    ----------
    first
        What is called over there as soon as it has started, so that libraries are loaded by the
        time there is work: functions without arguments, each as `module:function`.
    """

    def __init__(self, first: Sequence[str] = ()) -> None:
        command = [sys.executable, "-P", "-m", __name__, *first]
        self._process = subprocess.Popen(  # noqa: S603 - our own module, no shell
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            # where it is started, libraries look for settings, whoever has put them there
            cwd=os.sep, env=_surroundings(),
        )  # fmt: skip
        self._work = cast("BinaryIO", self._process.stdin)
        self._results = cast("BinaryIO", self._process.stdout)
        # what is handed over waits there, not here, until the other side has loaded its libraries
        self._sender = ThreadPoolExecutor(max_workers=1)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._process.kill()
        self._sender.shutdown()
        for pipe in (self._work, self._results):
            with contextlib.suppress(OSError):  # what is left unsent is of no use any more
                pipe.close()
        self._process.wait()

    def submit(self, function: Callable[..., Any], *arguments: Any) -> None:
        """
        Hand over work; `result` gives what comes of it, in the order of the work.

        Parameters
        ----------
        function
            A function at the top of a module of this package.
        arguments
            What it is called with; must be picklable.
        """
        work = _packed((function.__module__, function.__qualname__, arguments))
        self._sender.submit(_send, self._work, work)  # that it is gone is told by `result`

    def result(self) -> Any:
        """
        Wait for the next result.

        Raises
        ------
        EngineError
            If the process is gone, or the function failed; with its own account of it.
        """
        try:
            done, value = _receive(self._results)
        except (EOFError, OSError) as reason:
            raise EngineError("the second process has died") from reason
        if not done:
            raise EngineError(f"drawing failed in the second process:\n{value}")
        return value


def worth_it() -> bool:
    """Tell whether a second process can run at the same time."""
    return len(os.sched_getaffinity(0)) > 1 if hasattr(os, "sched_getaffinity") else True


def _surroundings() -> dict[str, str]:
    """Variables for a process in another folder: it finds this package at the same place."""
    told = os.environ.get("PYTHONPATH", "")
    with contextlib.suppress(FileNotFoundError):  # this folder is gone
        told = os.pathsep.join(str(Path(part).absolute()) for part in told.split(os.pathsep))
    return {**os.environ, "PYTHONPATH": told} if "PYTHONPATH" in os.environ else {**os.environ}


def _packed(value: Any) -> bytes:
    """Give one value with its length before it."""
    data = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)
    return _LENGTH.pack(len(data)) + data


def _send(pipe: BinaryIO, packed: bytes) -> None:
    """Write one value."""
    pipe.write(packed)
    pipe.flush()


def _receive(pipe: BinaryIO) -> Any:
    """Read one value; only what the other side of our own pipe has sent."""
    head = pipe.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    (length,) = _LENGTH.unpack(head)
    data = pipe.read(length)
    if len(data) < length:
        raise EOFError
    return pickle.loads(data)  # noqa: S301 - from our own other half


def serve(first: Sequence[str], work: BinaryIO, results: BinaryIO) -> None:
    """
    Get ready, then do the work that comes until there is no more.

    `first`: functions that get it ready, each as `module:function`; `work`, `results`: pipes from
    and to the first process.
    """
    for place in first:
        module, _, function = place.partition(":")
        # what cannot be loaded is told of when it is needed
        with contextlib.suppress(Exception):
            getattr(importlib.import_module(module), function)()
    while True:
        try:
            module, function, arguments = _receive(work)
        except EOFError:
            return
        try:
            answer = (True, getattr(importlib.import_module(module), function)(*arguments))
        except Exception:  # noqa: BLE001 - whatever it was, the first process tells it
            answer = (False, traceback.format_exc())
        _send(results, _packed(answer))


def _main() -> None:
    """Serve the process that started this one; what asks the pair to end is for it to handle."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):  # without the first process there is no more work, and it ends
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    gc.set_threshold(500_000, 20, 20)  # few looks for dead circles, as in the first process
    results = os.fdopen(os.dup(1), "wb")
    # what a library prints must not get between the results
    with open(os.devnull, "wb") as nothing:  # noqa: PTH123 - the null device
        os.dup2(nothing.fileno(), 1)
    with contextlib.suppress(BrokenPipeError):
        serve(sys.argv[1:], sys.stdin.buffer, results)


if __name__ == "__main__":
    _main()
