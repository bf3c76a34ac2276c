"""
Terrain chain at 1000 x 1000: fill with inlets as drains, directions, accumulation, 8 labels.

Run: python tests/bench/bench_terrain.py. Beside each other in one run: the chain of record, with
richdem's hierarchy and accumulation; the compiled chain, which gives the same to the last bit; and
pyflwdir's. Prints seconds and ratios; nothing is judged here but that the two chains agree.
"""

import time

import numpy as np
import pyflwdir
from line import Aim, Line, show

from lotflow.terrain.drainage import depression_hierarchy, filled_by_flood, flow_field, level_steps
from lotflow.terrain.loops.ways import hand_down

SIZE, INLETS, ROUNDS = 1000, 8, 5


def rough(size):
    """Fractal relief of 1.5 m on a slope of 1 %."""
    random = np.random.default_rng(3)
    k = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    k[0, 0] = 1
    spectrum = np.fft.rfft2(random.standard_normal((size, size))) * k**-1.5
    spectrum[0, 0] = 0
    relief = np.fft.irfft2(spectrum, s=(size, size))
    return level_steps(300 + 1.5 * relief / relief.std() + 0.01 * np.arange(size)[:, None])


def of_record(elevation, drain, number, rule):
    """richdem's hierarchy, fill and accumulation; our directions and labels."""
    filled = depression_hierarchy(elevation, drain).filled()
    field = flow_field(filled, drain, rule=rule)
    return filled, field.accumulated(np.ones(elevation.shape)), field.labels(number)


def all_compiled(elevation, drain, number, rule):
    """The same by our own loops alone, as trial runs do it."""
    filled = filled_by_flood(elevation, drain)
    field = flow_field(filled, drain, rule=rule)
    total = np.ones(elevation.shape)
    hand_down(total.ravel(), field.direction.ravel(), field.order[::-1], total.shape[1])
    return filled, total, field.labels(number)


def peer(elevation, drain, cells):
    """pyflwdir's chain; its directions are by the steepest of eight."""
    _, direction = pyflwdir.dem.fill_depressions(
        elevation.astype(np.float32), idxs_pit=np.flatnonzero(drain)
    )
    flow = pyflwdir.from_array(direction, ftype="d8", check_ftype=False)
    flow.upstream_area(unit="cell")
    flow.basins(idxs=cells)


def measure():
    """Shortest of several runs of each chain, in turns [s], and of richdem's part alone."""
    elevation = rough(SIZE)
    cells = np.random.default_rng(0).choice(elevation.size, INLETS, replace=False)
    number = np.zeros(elevation.shape, dtype=np.int32)
    number.ravel()[cells] = range(1, INLETS + 1)
    drain = number > 0
    drain[[0, -1], :] = drain[:, [0, -1]] = True
    for rule in ("ltd", "steepest"):
        pairs = zip(of_record(elevation, drain, number, rule),
                    all_compiled(elevation, drain, number, rule), strict=True)  # fmt: skip
        for one, other in pairs:
            np.testing.assert_array_equal(one, other)
    runs = {
        "pyflwdir": lambda: peer(elevation, drain, cells),
        "compiled chain, least deviation": lambda: all_compiled(elevation, drain, number, "ltd"),
        "compiled chain, steepest": lambda: all_compiled(elevation, drain, number, "steepest"),
        "chain of record, least deviation": lambda: of_record(elevation, drain, number, "ltd"),
        "its hierarchy by richdem": lambda: depression_hierarchy(elevation, drain),
    }
    best = dict.fromkeys(runs, np.inf)
    for _ in range(ROUNDS):
        for name, run in runs.items():
            start = time.perf_counter()
            run()
            best[name] = min(best[name], time.perf_counter() - start)
    return best


def lines():
    """Lines of the table."""
    best = measure()
    for name, seconds in best.items():
        aim = Aim(1.0) if name.startswith("compiled chain, least") else None
        yield Line(name, seconds, "s", "pyflwdir", seconds / best["pyflwdir"], aim)


if __name__ == "__main__":
    show(lines())
