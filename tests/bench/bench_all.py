"""
All benchmarks, as one table of ratios.

Run: python tests/bench/bench_all.py [docs/performance.md]. Prints the table, and writes it where a
file is named. The machine should do nothing else meanwhile: the load is printed with the table.
"""

import datetime as dt
import os
import platform
import sys
from pathlib import Path

import bench_confidence
import bench_page
import bench_runoff
import bench_scale
import bench_screen
import bench_terrain
import bench_town
import bench_town_layers
import bench_window
from line import HEADINGS

BENCHES = (
    bench_screen, bench_window, bench_town_layers, bench_terrain, bench_runoff, bench_confidence,
    bench_page, bench_scale, bench_town,
)  # fmt: skip

INTRODUCTION = """# Performance

Made by `python tests/bench/bench_all.py docs/performance.md`: each amount is the least of several
runs, taken in turns with what it is compared with, so that the ratio counts and not the machine.
Processes are cold (a fresh interpreter each), compiled loops and files are in their caches.
"""


def machine():
    """What it was measured on."""
    load = " ".join(f"{part:.1f}" for part in os.getloadavg())
    model = platform.processor() or platform.machine()
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            model = line.split(":")[1].strip()
            break
    return (
        f"{dt.datetime.now(tz=dt.UTC).date()}, {model}, {os.cpu_count()} cores, "
        f"{platform.system()}, Python {platform.python_version()}; load before: {load}."
    )


def table():
    """The benchmarks as a table."""
    rows = [HEADINGS, ["---"] * len(HEADINGS)]
    rows += [line.cells() for bench in BENCHES for line in bench.lines()]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


if __name__ == "__main__":
    text = f"{INTRODUCTION}\n{machine()}\n\n{table()}\n"
    print(text)
    if sys.argv[1:]:
        Path(sys.argv[1]).write_text(text, encoding="utf-8")
