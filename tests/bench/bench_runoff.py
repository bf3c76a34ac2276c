"""
Runoff of 1,000 inlets in 6 storms: one vectorised call beside a plain Python loop.

Run it by hand: `python tests/bench/bench_runoff.py`. Both run in the same process on the same
data, and must agree; the ratio is what counts (aim: 20 times faster or more).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from pathlib import Path
from time import perf_counter

import numpy as np
from line import Aim, Line, show

from lotflow.inputs.rainfall import parse_rainfall
from lotflow.runoff.rational import governing_flows

INLETS, PARTS_EACH = 1000, 3
STORMS = [2.0, 5.0, 10.0, 25.0, 50.0, 100.0]
RAINFALL = Path(__file__).parents[1] / "reference" / "atlas14_irving.csv"


def interpolated(durations, periods, logs, duration, period):
    """Depth between four neighbours of the table, in plain Python."""
    row = min(bisect_right(durations, duration), len(durations) - 1) - 1
    column = min(bisect_right(periods, period), len(periods) - 1) - 1
    along = math.log(duration / durations[row]) / math.log(durations[row + 1] / durations[row])
    across = math.log(period / periods[column]) / math.log(periods[column + 1] / periods[column])
    first = (1 - along) * logs[row][column] + along * logs[row + 1][column]
    second = (1 - along) * logs[row][column + 1] + along * logs[row + 1][column + 1]
    return math.exp((1 - across) * first + across * second)


def in_a_loop(times, areas, inlets, table):
    """Peak of every inlet and storm, part by part."""
    durations, periods = table.durations_s.tolist(), table.return_periods_yr.tolist()
    logs = np.log(table.depths_m).tolist()
    parts = [[] for _ in range(INLETS)]
    for time, area, inlet in zip(times, areas, inlets, strict=True):
        parts[inlet].append((time, area))
    flows = []
    for members in parts:
        members.sort()
        peaks = [0.0] * len(STORMS)
        for s, storm in enumerate(STORMS):
            arrived = 0.0
            for time, area in members:
                arrived += area
                depth = interpolated(durations, periods, logs, time, storm)
                peaks[s] = max(peaks[s], arrived * depth / time)
        flows.append(peaks)
    return flows


def best(function, *arguments, repeats):
    """Shortest of several runs, and the result."""
    taken = []
    for _ in range(repeats):
        start = perf_counter()
        result = function(*arguments)
        taken.append(perf_counter() - start)
    return min(taken), result


def lines():
    """Lines of the table."""
    rng = np.random.default_rng(1)
    table = parse_rainfall(RAINFALL.read_bytes(), RAINFALL.name)
    inlets = np.repeat(np.arange(INLETS), PARTS_EACH)
    times = rng.uniform(300, 3600, inlets.size)
    areas = rng.uniform(5, 500, inlets.size)

    def vectorised():
        return governing_flows(times, areas, inlets, table, STORMS, groups=INLETS).flow_m3s

    plain = times.tolist(), areas.tolist(), inlets.tolist()
    slow, expected = best(in_a_loop, *plain, table, repeats=10)
    fast, found = best(vectorised, repeats=200)
    np.testing.assert_allclose(found, expected, rtol=1e-9)
    what = f"runoff of {INLETS} inlets in {len(STORMS)} storms, vectorised"
    yield Line(what, fast * 1e3, "ms", "plain Python loop", fast / slow, Aim(1 / 20))


if __name__ == "__main__":
    show(lines())
