"""Running a command in a fresh process, for the benchmarks."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


class Cost(NamedTuple):
    """What a process took: seconds on the clock, seconds of computing, memory at its highest."""

    wall_s: float
    computing_s: float
    peak_mb: float


#: A small process in between: a child is told to have taken at least what its parent held.
WATCH = """
import json, os, subprocess, sys, time
start = time.perf_counter()
process = subprocess.Popen([sys.executable, *sys.argv[1:]], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(process.pid, 0)
wall = time.perf_counter() - start
print(json.dumps([wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024]))
sys.exit(os.waitstatus_to_exitcode(status))
"""


def cold(*arguments):
    """Run Python with arguments."""
    # as users run it: what was compiled to bytecode once is kept
    surroundings = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    done = subprocess.run([sys.executable, "-c", WATCH, *arguments], stdout=subprocess.PIPE,
                          check=False, env=surroundings)  # fmt: skip
    if done.returncode:
        raise RuntimeError(f"{arguments} failed")
    return Cost(*json.loads(done.stdout))


def cold_lotflow(*arguments):
    """Run a lotflow command."""
    return cold("-c", "from lotflow.cli import main; main()", *map(str, arguments))


def best(costs):
    """The least of each."""
    return Cost(*map(min, zip(*costs, strict=True)))
