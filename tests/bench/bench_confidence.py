"""
How often intervals of realisations hold the truth, and how fast realisations are.

    python tests/bench/bench_confidence.py speed
    python tests/bench/bench_confidence.py coverage [TRIALS [REALISATIONS]]

Coverage: synthetic truth plus synthetic error gives a measured surface; realisations of it are
run; the share of trials in which the 5-95 % interval holds the true value is printed. 0.90 is
claimed.
"""

import sys
import time
from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain.confidence import Watched, run_realisations
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.error_model import ErrorModel, random_field
from lotflow.terrain.inlet_places import (
    DrawnInlet,
    drains_of,
    place_inlets,
    set_rims,
    snap_inlets,
)
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.posterior import posterior
from lotflow.terrain.realisation import open_ground, realisation_plan, realise
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface

SIZE = 128
LIMIT = 0.05


def natural_relief(random, height, exponent, size=SIZE):
    """Waves that grow with their length by a power law."""
    wave = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size))
    wave[0, 0] = np.inf
    power = wave**-exponent
    return random_field(power * height**2 / power.mean(), random)


def natural(random, tilt, height, exponent):
    return natural_relief(random, height, exponent) + tilt * np.arange(SIZE)[:, None]


def built(random, roughness):
    """Pad, curb, a swale three times as deep as the error, a bowl and a sag at the pad."""
    y, x = np.mgrid[:SIZE, :SIZE].astype(float)
    z = -0.015 * y + 0.02 * np.abs(x - 64)
    z += np.where((abs(x - 32) < 12) & (abs(y - 40) < 10), 0.35, 0.0)
    z -= 0.30 * np.exp(-(((x - 100) / 2.5) ** 2))
    z += np.where(y > 112, 0.15, 0.0)
    radius = np.hypot(x - 64, y - 80)
    z -= np.where(radius < 8, 0.40 * (1 - (radius / 8) ** 2), 0.0)
    z -= 0.15 * np.exp(-(((x - 44) / 3) ** 2 + ((y - 48) / 3) ** 2))
    return z + natural_relief(random, roughness, 3.2)


@dataclass(frozen=True)
class Setting:
    name: str
    white: float
    shared: float
    length: float
    ground: object

    @property
    def error(self):
        rmse = float(np.hypot(self.white, self.shared))
        return ErrorModel(rmse, self.length, (self.white / rmse) ** 2, "gaussian")


SETTINGS = (
    Setting("natural, 3 cm white", 0.03, 0.0, 1, lambda r: natural(r, 0.02, 0.5, 3.5)),
    Setting("natural, 2 + 8 cm @ 10 m", 0.02, 0.08, 10, lambda r: natural(r, 0.02, 0.5, 3.5)),
    Setting("flat natural, 2 + 8 cm @ 10 m", 0.02, 0.08, 10, lambda r: natural(r, 0.01, 0.3, 4.0)),
    Setting("natural, 5 + 5 cm @ 5 m", 0.05, 0.05, 5, lambda r: natural(r, 0.02, 0.5, 3.0)),
    Setting("flat smooth yard, 3 + 5 cm @ 5 m", 0.03, 0.05, 5,
            lambda r: natural(r, 0.01, 0.02, 4.0)),
    Setting("built, 3 + 9.5 cm @ 10 m", 0.03, 0.095, 10, lambda r: built(r, 0.02)),
    Setting("built, 3 + 5 cm @ 5 m", 0.03, 0.05, 5, lambda r: built(r, 0.05)),
)  # fmt: skip


def inlets_for(setting, truth, measured):
    """Where a designer would draw them: low points of the measured surface, or what was built."""
    channel = DrawnInlet("channel", shapely.LineString([(45.5, 45.5), (62.5, 45.5)]))
    if setting.name.startswith("built"):
        marks = [(64, 80), (44, 48), (100, 104)]
    else:
        surface = prepare_surface(grid(measured))
        depth = route(surface, no_drains(surface), by_kernel=True).depth.copy()
        marks = []
        for _ in range(3):
            row, column = np.unravel_index(depth.argmax(), depth.shape)
            marks.append((column, row))
            depth[max(row - 20, 0) : row + 21, max(column - 20, 0) : column + 21] = 0
    points = [
        DrawnInlet(f"P{i}", shapely.Point(column + 0.5, SIZE - row - 0.5))
        for i, (column, row) in enumerate(marks)
    ]
    return [*points, channel], marks[:2]


def grid(values):
    return Grid(values, Affine(1, 0, 0, 0, -1, values.shape[0]), None)


def planned(measured, inlets, rmse, rule="ltd"):
    surface = prepare_surface(grid(measured))
    base = route(surface, no_drains(surface), rule=rule)
    placed = snap_inlets(place_inlets(inlets, surface), base, radius_cells=1.5, pond_depth=LIMIT)
    placed = set_rims(placed, base, rmse=rmse)
    plan = realisation_plan(base, placed, snap_cells=1.5, pond_depth_m=LIMIT, rule=rule)
    return plan, base


def holds(values, true):
    low, high = np.quantile(values, (0.05, 0.95), axis=0)
    # what is measured comes in steps of a cell, or of an elevation step
    return (true >= low - 1e-5) & (true <= high + 1e-5)


def trial(setting, seed, realisations):
    """Whether each interval holds the truth: catchments, depths of two places, one fall."""
    random = np.random.default_rng(seed)
    truth = setting.ground(random)
    error = setting.error
    measured = truth + random_field(error.spectrum(truth.shape, 1.0), random)
    inlets, places = inlets_for(setting, truth, measured)
    plan, _ = planned(measured, inlets, error.rmse_m)
    # the depth of a place is the greatest within two cells of it
    number = np.zeros(truth.shape, dtype=np.int32)
    for i, (column, row) in enumerate(places, start=1):
        number[row - 2 : row + 3, column - 2 : column + 3] = i
    watched = Watched(
        number, len(places), None, np.array([SIZE * 40 + 40, SIZE * 60 + 64], dtype=np.int64)
    )
    found = run_realisations(plan, error, watched, number=realisations, seed=seed)
    exact = run_realisations(
        planned_on(plan, truth), ErrorModel(0.0, 1.0, 0.0), watched, number=1, seed=0
    )
    return (
        holds(found.cells, exact.cells[0]),
        holds(found.depth, exact.depth[0]),
        holds(found.fall(0, 1), exact.fall(0, 1)[0]),
        found.probability(0.1)[0],
        exact.depth[0, 0],
    )


def planned_on(plan, truth):
    """The same inlets where an installer would set them on the true surface."""
    surface = prepare_surface(grid(truth))
    base = route(surface, no_drains(surface))
    return realisation_plan(base, plan.inlets, snap_cells=1.5, pond_depth_m=LIMIT)


def coverage(trials, realisations):
    print(f"share of {trials} trials whose 5-95 % interval holds the truth, {realisations} draws")
    print(f"{'setting':34s} catchments (3 points, channel)   depth        fall  P(>= 10 cm) of")
    for setting in SETTINGS:
        start = time.perf_counter()
        runs = [trial(setting, seed, realisations) for seed in range(trials)]
        cells, depth, fall, share, true = (np.mean(part, axis=0) for part in zip(*runs, strict=True))
        print(
            f"{setting.name:34s} {cells.round(2)} = {cells.mean():.2f}   "
            f"{depth.round(2)}  {fall:.2f}  {share:.2f} of {true:.2f} m  "
            f"{time.perf_counter() - start:.0f} s",
            flush=True,
        )


def speed(size=300, number=60):
    """Realisations per second on one and two threads, and by the main chain."""
    random = np.random.default_rng(1)
    y, x = np.mgrid[:size, :size].astype(float)
    measured = natural_relief(random, 0.5, 3.5, size) + 0.02 * y
    error = ErrorModel(0.1, 10.0, 0.1)
    inlets = [
        DrawnInlet(f"I{i}", shapely.Point(*random.uniform(40, size - 40, 2))) for i in range(8)
    ]
    plan, base = planned(measured, inlets, error.rmse_m)
    spots = find_low_spots(base, 0.1)
    watched = Watched(spots.number, len(spots), None, np.zeros(0, dtype=np.int64))
    run_realisations(plan, error, watched, number=4, seed=0)  # compiles
    rate = {}
    for workers in (1, 2):
        best = np.inf
        for _ in range(3):
            start = time.perf_counter()
            run_realisations(plan, error, watched, number=number, seed=0, workers=workers)
            best = min(best, time.perf_counter() - start)
        rate[workers] = number / best
    ground = open_ground(plan.surface).reshape(size, size)
    drawn = posterior(ground, error, 1.0, random)
    own = best_of(lambda: realise(plan, drawn.draw(0, random)))
    drains, _ = drains_of(plan.inlets, plan.surface)
    chain = best_of(lambda: both_routings(plan, drains))
    print(f"{size} x {size} cells, 8 inlets, levels of {LEVEL_STEP:.1e} m")
    print(f"one thread   {rate[1]:.1f} realisations/s, posterior and draws included")
    print(f"two threads  {rate[2]:.1f} realisations/s: {rate[2] / rate[1]:.2f} times as many")
    print(f"one draw and realisation {own * 1000:.1f} ms; by the main chain without a draw "
          f"{chain * 1000:.1f} ms: {chain / own:.1f} times as long")  # fmt: skip


def both_routings(plan, drains):
    """What the main chain does for one surface: fill without inlets, then with them."""
    route(plan.surface, no_drains(plan.surface))
    route(plan.surface, drains)


def best_of(work, times=5):
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


if __name__ == "__main__":
    if sys.argv[1:2] == ["speed"]:
        speed()
    else:
        coverage(*(int(word) for word in (*sys.argv[2:4], *("40", "60")[len(sys.argv[2:4]) :])))
