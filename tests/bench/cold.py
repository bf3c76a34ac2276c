"""Running a command in a fresh process, for the benchmarks."""

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


class Cost(NamedTuple):
    """What a process took: seconds on the clock, seconds of computing, memory at its highest."""

    wall_s: float
    computing_s: float
    peak_mb: float


def cold(*arguments):
    """Run Python with arguments."""
    start = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    wall = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{arguments} failed")
    return Cost(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def cold_lotflow(*arguments):
    """Run a lotflow command."""
    return cold("-c", "from lotflow.cli import main; main()", *map(str, arguments))


def best(costs):
    """The least of each."""
    return Cost(*map(min, zip(*costs, strict=True)))
