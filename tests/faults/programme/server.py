"""
Each case in a child process with limits of time and memory.

The server imports once and forks for every case, so that ten thousand cases are minutes and
not hours. Its orders and answers are lines of JSON.
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import resource
import select
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from programme.limits import MEMORY_BYTES, SECONDS

#: A child that an exception of the case itself ends, not one of the program.
BROKEN_CASE = 97


@dataclass(frozen=True)
class Ended:
    """
    How a child ended.

    Parameters
    ----------
    code
        Exit code; minus the signal's number where one ended it.
    hang
        Whether it was stopped because its time was over.
    seconds, cpu_seconds, peak_bytes
        What it took: time in all, of it that of a processor, and memory at the peak above an idle
        child's.
    out, err
        What it printed.
    value
        What the function gave back; None where it did not come so far.
    """

    code: int
    hang: bool
    seconds: float
    cpu_seconds: float
    peak_bytes: int
    out: str
    err: str
    value: Any


class Server:
    """A process that runs functions of the programme in children."""

    def __init__(self, **environment: str) -> None:
        paths = (str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", ""))
        settings = {"PYTHONPATH": os.pathsep.join(filter(None, paths)), "OMP_NUM_THREADS": "1",
                    "OPENBLAS_NUM_THREADS": "1", "PYTHONWARNINGS": "ignore"}  # fmt: skip
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from programme.server import serve; serve()"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env={**os.environ, **settings, **environment},
        )  # fmt: skip
        self._idle = 0
        self._idle = self.run("programme.server:nothing").peak_bytes

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *_: object) -> None:
        with self._process as process:
            assert process.stdin is not None
            process.stdin.close()

    def run(
        self,
        function: str,
        *arguments: Any,
        seconds: float = SECONDS,
        memory_bytes: int | None = MEMORY_BYTES,
        environment: dict[str, str] | None = None,
    ) -> Ended:
        """
        Run a function in a child and wait for its end.

        Parameters
        ----------
        function
            Module and name, as "programme.cases:check".
        arguments
            Handed over as JSON.
        seconds, memory_bytes
            Its limits; no limit of memory where None.
        environment
            Variables set for the child alone.
        """
        self._send([function, arguments, seconds, memory_bytes, environment or {}])
        return self._ended(self._answer())

    def prepare(self, function: str, *arguments: Any) -> None:
        """Run a function in the server itself, for all children to come."""
        self._send([function, arguments])
        if error := self._answer()["error"]:
            raise RuntimeError(error)

    def start(self, function: str, *arguments: Any, seconds: float = 30.0) -> int:
        """Start a function in a child and give its process number; `wait` ends it."""
        self._send([function, arguments, -seconds, None, {}])
        return int(self._answer()["pid"])

    def wait(self, pid: int) -> Ended:
        """Wait for a child that was started."""
        self._send([pid])
        return self._ended(self._answer())

    def _send(self, order: list[Any]) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()

    def _answer(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError("the server has ended")
        return dict(json.loads(line))

    def _ended(self, answer: dict[str, Any]) -> Ended:
        answer["peak_bytes"] = max(answer["peak_bytes"] - self._idle, 0)
        ended = Ended(**answer)
        if ended.code == BROKEN_CASE:
            raise RuntimeError(f"the case itself is broken:\n{ended.err}")
        return ended


def nothing() -> None:
    """Do nothing: what an idle child takes."""


def serve() -> None:
    """Take orders until there are no more."""
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # whatever prints must not disturb the answers
    # a shell that runs the tests in the background has the interrupt ignored
    signal.signal(signal.SIGINT, signal.default_int_handler)
    importlib.import_module("programme.cases").warm_up()
    gc.freeze()  # children then touch fewer pages
    children: dict[int, _Child] = {}
    for line in sys.stdin:
        order = json.loads(line)
        if len(order) == 1:
            answer = children.pop(order[0]).ended()
        elif len(order) == 2:
            answer = {"error": _error_of(*order)}
        else:
            child = _Child(*order)
            if order[2] < 0:
                children[child.pid] = child
                answer = {"pid": child.pid}
            else:
                answer = child.ended()
        answers.write(json.dumps(answer) + "\n")
        answers.flush()


class _Child:
    """A forked child that runs one function."""

    def __init__(
        self,
        function: str,
        arguments: list[Any],
        seconds: float,
        memory_bytes: int | None,
        environment: dict[str, str],
    ) -> None:
        self.begun, self.seconds = time.monotonic(), abs(seconds)
        self.files = [tempfile.TemporaryFile() for _ in range(3)]  # noqa: SIM115 - closed at its end
        # an interrupt that comes before the child can answer for it waits
        signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
        self.pid = os.fork()
        if self.pid == 0:
            os.setpgid(0, 0)
            self._run(function, arguments, memory_bytes, environment)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])

    def _run(
        self, function: str, arguments: list[Any], memory_bytes: int | None, environment: Any
    ) -> None:
        """Run in the child; never comes back."""
        code = 0
        try:
            out, err, value = self.files
            os.dup2(out.fileno(), 1)
            os.dup2(err.fileno(), 2)
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            sys.stdout = os.fdopen(1, "w", closefd=False)
            os.environ.update(environment)
            if memory_bytes is not None:
                limit = _mapped_bytes() + memory_bytes
                resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
            signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])
            value.write(json.dumps(_called(function, arguments)).encode())
            value.flush()
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else 0
        except KeyboardInterrupt:  # before or after the command that is to be interrupted
            code = 130
        except BaseException:  # noqa: BLE001 - told to whoever gave the order
            traceback.print_exc()
            code = BROKEN_CASE
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)

    def ended(self) -> dict[str, Any]:
        """Wait for the end, or bring it about when the time is over."""
        hang = not self._ends_within(self.seconds - (time.monotonic() - self.begun))
        if hang:
            os.killpg(self.pid, signal.SIGKILL)
        _, status, usage = os.wait4(self.pid, 0)
        texts = []
        for file in self.files:
            file.seek(0)
            texts.append(file.read().decode("utf-8", "replace"))
            file.close()
        return {
            "code": os.waitstatus_to_exitcode(status),
            "hang": hang,
            "seconds": time.monotonic() - self.begun,
            "cpu_seconds": usage.ru_utime + usage.ru_stime,
            "peak_bytes": usage.ru_maxrss * 1024,
            "out": texts[0],
            "err": texts[1],
            "value": json.loads(texts[2]) if texts[2] else None,
        }

    def _ends_within(self, seconds: float) -> bool:
        """Wait for the child without taking its status."""
        descriptor = os.pidfd_open(self.pid)
        try:
            return bool(select.select([descriptor], [], [], max(seconds, 0.0))[0])
        finally:
            os.close(descriptor)


def _error_of(function: str, arguments: list[Any]) -> str:
    """Call a function and give what went wrong, or nothing."""
    try:
        _called(function, arguments)
    except Exception:  # noqa: BLE001 - told to whoever gave the order
        return traceback.format_exc()
    return ""


def _called(function: str, arguments: list[Any]) -> Any:
    """Call a function by its name."""
    module, _, name = function.partition(":")
    return getattr(importlib.import_module(module), name)(*arguments)


def _mapped_bytes() -> int:
    """Address space of this process."""
    return int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
