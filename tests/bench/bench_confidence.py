"""
How often intervals hold the truth, and how fast realisations are.

Run it by hand:

    python tests/bench/bench_confidence.py coverage [TRIALS [DRAWS [SETTING ...]]] [--save FILE]
    python tests/bench/bench_confidence.py speed

Coverage: a true surface is made, an error of known size is added, and from the sum alone the
intervals are computed; the truth should lie between the 5 and 95 % values in 90 of 100 trials.
Trial i of every setting has seed 10000 + i. Each trial takes about a second of a free core with
40 draws; with --save its outcome is added to FILE, and trials that are there are not run again.
Outcomes in FILE are those of the code that wrote them: start another after a change.
Speed: realisations per second on one and two threads beside richdem's chain, in one run.
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

import numba
import numpy as np
import shapely
from affine import Affine
from line import Aim, Line, show

from lotflow.grid import Grid
from lotflow.terrain.confidence import Watched, interval, run_realisations
from lotflow.terrain.drainage import LEVEL_STEP, depression_hierarchy, flow_field, level_steps
from lotflow.terrain.inlet_places import DrawnInlet, drains_of, place_inlets, snap_inlets
from lotflow.terrain.level_error import ErrorModel, random_field
from lotflow.terrain.loops.ways import water_in_outlines
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.realisations.realisation import open_ground, realisation_plan, realise
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.sureness import chance_there, signs_of_low_spots
from lotflow.terrain.surface import prepare_surface

SIZE = 160
LOW_SPOTS = 3
ROW, COLUMN = (part.astype(float) for part in np.mgrid[:SIZE, :SIZE])


def natural(random, size=SIZE, *, deviation, exponent, tilt=0.0):
    """Ground of a power law on a slope."""
    wave = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size))
    wave[0, 0] = np.inf
    spectrum = wave**-exponent
    relief = random_field(spectrum * deviation**2 / spectrum.mean(), random)
    return relief + tilt * np.arange(size)[:, None]


def structured(random, *, roughness, swale):
    """Built ground: valley, house pad, swale, curb, bowl, sag at the pad; a little rough."""
    ground = -0.015 * ROW + 0.03 * np.abs(COLUMN - 80)
    ground[(abs(COLUMN - 40) < 14) & (abs(ROW - 50) < 12)] += 0.35
    ground -= swale * np.exp(-(((COLUMN - 115) / 2) ** 2))
    ground[ROW > 140] += 0.12
    away = np.hypot(COLUMN - 80, ROW - 100)
    ground -= np.where(away < 8, 0.40 * (1 - (away / 8) ** 2), 0)
    ground -= 0.15 * np.exp(-(((COLUMN - 52) / 3) ** 2) - ((ROW - 60) / 3) ** 2)
    return ground + natural(random, deviation=roughness, exponent=3.2)


def lonely_bowl(random):
    """A plane with one bowl 0.30 m deep: three errors of the survey, and nothing else."""
    away = np.hypot(COLUMN - 80, ROW - 80)
    return 0.01 * ROW - np.where(away < 8, 0.30 * (1 - (away / 8) ** 2), 0)


def smooth_yard(random):
    """Flat smooth yard: half a percent of fall, a faint valley, a bowl 8 cm deep."""
    ground = 0.005 * ROW + 0.01 * np.abs(COLUMN - 80) * (ROW > 60)
    away = np.hypot(COLUMN - 60, ROW - 90)
    ground -= np.where(away < 15, 0.08 * (1 - (away / 15) ** 2), 0)
    return ground + natural(random, deviation=0.03, exponent=4.0)


@dataclass(frozen=True)
class Setting:
    """A kind of ground, the error of its survey, and where inlets are drawn on it."""

    ground: object
    white_m: float
    shared_m: float
    correlation_m: float
    form: str = "gaussian"
    points: tuple[tuple[int, int], ...] = ()
    channel: tuple[tuple[float, float], tuple[float, float]] = ((60.5, 49.5), (79.5, 49.5))

    @property
    def error(self):
        """The error as the job file states it."""
        variance = self.white_m**2 + self.shared_m**2
        return ErrorModel(variance**0.5, self.correlation_m, self.white_m**2 / variance, self.form)


FRACTAL = {
    "3 cm white": Setting(
        lambda r: natural(r, deviation=0.5, exponent=3.5, tilt=0.02), 0.03, 0.0, 1.0
    ),
    "2 cm + 8 cm over 10 m": Setting(
        lambda r: natural(r, deviation=0.5, exponent=3.5, tilt=0.02), 0.02, 0.08, 10.0
    ),
    "flat, 2 cm + 8 cm over 10 m": Setting(
        lambda r: natural(r, deviation=0.3, exponent=4.0, tilt=0.01), 0.02, 0.08, 10.0
    ),
    "5 cm + 5 cm over 5 m": Setting(
        lambda r: natural(r, deviation=0.5, exponent=3.0, tilt=0.02), 0.05, 0.05, 5.0
    ),
}
BUILT = {"points": ((100, 80), (60, 52), (130, 115)), "channel": ((60.5, 24.5), (99.5, 24.5))}
YARD = {"points": ((90, 60), (40, 80), (120, 110)), "channel": ((60.5, 129.5), (99.5, 129.5))}
# the lip of a swale on a slope is lower than the swale is deep: three errors at the lip
SETTINGS = {
    **FRACTAL,
    "smooth yard, 3 cm + 9.5 cm over 10 m": Setting(smooth_yard, 0.03, 0.095, 10.0, **YARD),
    "built, 3 cm + 9.5 cm over 10 m": Setting(
        lambda r: structured(r, roughness=0.02, swale=0.43), 0.03, 0.095, 10.0, **BUILT
    ),
    "built, 3 cm + 5 cm over 5 m": Setting(
        lambda r: structured(r, roughness=0.05, swale=0.30), 0.03, 0.05, 5.0, **BUILT
    ),
    "one bowl, 3 cm + 9.5 cm over 10 m": Setting(
        lonely_bowl, 0.0316, 0.0949, 10.0,
        points=((80, 80), (40, 40), (120, 110)), channel=BUILT["channel"],
    ),
    "flat, defaults of the job file": Setting(
        lambda r: natural(r, deviation=0.3, exponent=4.0, tilt=0.01),
        0.0316, 0.0949, 10.0, "exponential",
    ),
    "built, defaults of the job file": Setting(
        lambda r: structured(r, roughness=0.02, swale=0.43),
        0.0316, 0.0949, 10.0, "exponential", **BUILT,
    ),
}  # fmt: skip


def surface_of(values):
    return prepare_surface(Grid(values, Affine(1.0, 0.0, 0.0, 0.0, -1.0, values.shape[0]), None))


def deepest_places(depth, count=3, apart=25):
    """Deepest cells of the measured low spots, as a designer would choose them for inlets."""
    depth, places = depth.copy(), []
    for _ in range(count):
        row, column = (int(i) for i in np.unravel_index(depth.argmax(), depth.shape))
        places.append((row, column))
        depth[
            max(row - apart, 0) : row + apart + 1, max(column - apart, 0) : column + apart + 1
        ] = 0
    return places


def trial(setting, seed, draws):
    """Whether each interval holds the truth; NaN where there is nothing to hold."""
    random = np.random.default_rng(seed)
    truth = setting.ground(random)
    measured = truth + random_field(setting.error.spectrum(truth.shape, 1.0), random)
    surface = surface_of(measured)
    flow = route(surface, no_drains(surface), by_kernel=True)
    limit = setting.error.rmse_m
    places = setting.points or deepest_places(flow.depth)
    drawn = [
        DrawnInlet(f"P{i}", shapely.Point(column + 0.5, SIZE - row - 0.5))
        for i, (row, column) in enumerate(places)
    ] + [DrawnInlet("channel", shapely.LineString(setting.channel))]
    placed = snap_inlets(place_inlets(drawn, surface), flow, radius_m=1.5, pond_depth=limit)
    plan = realisation_plan(flow, placed, snap_m=1.5, pond_depth_m=limit)
    spots = find_low_spots(flow, limit)
    count = min(len(spots), LOW_SPOTS)
    number = np.where(spots.number > count, 0, spots.number)
    cells = np.array([row * SIZE + column for row, column in places])
    watched = Watched(number, count, None, cells)
    shown = run_realisations(plan, setting.error, watched, number=draws, seed=seed, workers=1)
    pairs = np.array([(0, 1), (0, 2), (1, 2)])
    true = realise(plan, truth)
    true_depth, true_volume = water_in_outlines(
        true.ground, true.natural_level, number.ravel(), count
    )
    true_depth, true_level = true_depth * LEVEL_STEP, truth.ravel()[cells]

    def held(values, truth):
        low, _, high = interval(values)
        return (low <= truth) & (truth <= high)

    there = true_depth >= limit
    depth, volume = shown.standing(limit)
    return {
        "area": held(shown.cells, np.bincount(true.label, minlength=5)[1:]),
        "depth": held(depth, np.where(there, true_depth, 0.0)),
        "volume": held(volume, np.where(there, true_volume * LEVEL_STEP, 0.0)),
        "depth where there is one": held(shown.depth, true_depth)[there],
        "fall": held(
            shown.level[:, pairs[:, 0]] - shown.level[:, pairs[:, 1]],
            true_level[pairs[:, 0]] - true_level[pairs[:, 1]],
        ),
        "there": there,
        "draws in which it stands": shown.standing_share(limit),
        "said to be there": chance_there(
            *signs_of_low_spots(shown.depth, shown.volume, spots.cells[:count], limit, limit)
        ),
    }


def kept_trials(save):
    """Outcomes of trials that were run before, by setting, seed and draws."""
    if save is None or not save.exists():
        return {}
    lines = [json.loads(line) for line in save.read_text().splitlines()]
    return {(line["setting"], line["seed"], line["draws"]): line["outcome"] for line in lines}


def outcome_of(name, seed, draws, kept, save):
    """Outcome of one trial as lists of numbers: kept, or run and added to the file."""
    if (name, seed, draws) not in kept:
        found = {
            key: np.atleast_1d(values).astype(float).tolist()
            for key, values in trial(SETTINGS[name], seed, draws).items()
        }
        if save is None:
            return found
        line = {"setting": name, "seed": seed, "draws": draws, "outcome": found}
        with save.open("a") as file:
            file.write(json.dumps(line) + "\n")
        kept[name, seed, draws] = found
    return kept[name, seed, draws]


def coverage(trials=200, draws=100, names=None, *, first=10_000, save=None):
    kept = kept_trials(save)
    for name in names or SETTINGS:
        start = perf_counter()
        rows = [outcome_of(name, first + i, draws, kept, save) for i in range(trials)]
        shares = {key: np.concatenate([row[key] for row in rows]) for key in rows[0]}
        told = ", ".join(
            f"{key} {values.mean():.2f}" for key, values in shares.items() if values.size
        )
        seeds = f"seeds {first} to {first + trials - 1}, {draws} draws"
        print(f"{name}: {told} ({seeds}, {perf_counter() - start:.0f} s)", flush=True)


def rates(*functions, rounds=25):
    """Realisations per second of each, best of some rounds in which all take their turn."""
    best = np.full(len(functions), np.inf)
    for _ in range(rounds):
        for i, function in enumerate(functions):
            start = perf_counter()
            count = function()
            best[i] = min(best[i], (perf_counter() - start) / count)
    return 1 / best


def speed(size=300, inlets=8, number=50):
    """
    Realisations per second on one and two threads, draws included, and what richdem's chain does.

    That chain once with all inlets, and as often as the results of a realisation take it: without
    inlets, to see what is low and where each is to be set, and with them.
    """
    random = np.random.default_rng(1)
    ground = natural(random, size, deviation=1.0, exponent=3.0, tilt=0.01)
    ground += 0.03 * random.standard_normal(ground.shape)
    surface = surface_of(level_steps(ground))
    flow = route(surface, no_drains(surface), by_kernel=True)
    # half of the inlets in low spots, half where the dice put them
    places = deepest_places(flow.depth, inlets // 2, 30)
    places += [(int(r), int(c)) for r, c in random.integers(20, size - 20, (inlets // 2, 2))]
    drawn = [
        DrawnInlet(f"P{i}", shapely.Point(column + 0.5, size - row - 0.5))
        for i, (row, column) in enumerate(places)
    ]

    def set_by(routing):
        placed = place_inlets(drawn, surface)
        return snap_inlets(placed, routing, radius_m=1.5, pond_depth=0.1)

    placed = set_by(flow)
    plan = realisation_plan(flow, placed, snap_m=1.5, pond_depth_m=0.1)
    spots = find_low_spots(flow, 0.1)
    watched = Watched(spots.number, len(spots), None, np.array([0]))
    error = ErrorModel(0.1, 10.0, 0.1)

    def run(workers):
        run_realisations(plan, error, watched, number=number, seed=0, workers=workers)
        return number

    numbers = np.zeros(ground.shape, dtype=np.int32)
    for i, inlet in enumerate(placed, start=1):
        numbers.ravel()[inlet.cells] = i
    elevation, drain = open_ground(surface).reshape(ground.shape), surface.outside | (numbers > 0)

    def chain_once():
        filled = depression_hierarchy(elevation, drain).filled()
        flow_field(filled, drain).labels(numbers)
        return 1

    def chain():
        inlets_now = set_by(route(surface, no_drains(surface)))
        drains, _ = drains_of(inlets_now, surface)
        return int(route(surface, drains).label.any())

    run(1)  # compiles
    return rates(lambda: run(1), lambda: run(2), chain, chain_once)


@numba.njit(nogil=True)
def sines(count):
    """Compute, and share nothing with other threads."""
    total = 0.0
    for i in range(count):
        total += np.sin(0.1 * i)
    return total


def bare_loop(count=10_000_000):
    """Runs per second of a bare loop in one thread and in two."""
    with ThreadPoolExecutor(1) as one, ThreadPoolExecutor(2) as two:
        pools = [lambda pool=pool: len(list(pool.map(sines, [count] * 4))) for pool in (one, two)]
        return rates(*pools)


def lines():
    """Lines of the table."""
    one, two, chain, once = speed()
    what = "realisations, 300 x 300 cells, 8 inlets"
    yield Line(f"{what}, one thread", one, "per s", aim=Aim(40, is_least=True, is_of_amount=True))
    same, least = "richdem's chain to the same results", Aim(2.5, is_least=True)
    yield Line(f"{what}, one thread", one, "per s", same, one / chain, least)
    yield Line(f"{what}, one thread", one, "per s", "richdem's chain once", one / once)
    aim = Aim(1.8, is_least=True)
    yield Line(f"{what}, two threads", two, "per s", "one thread", two / one, aim)
    sines(1)
    alone, both = bare_loop()
    yield Line("bare loop, two threads", both, "per s", "one thread", both / alone)


if __name__ == "__main__":
    kind, *rest = [*sys.argv[1:], "speed"][: max(len(sys.argv) - 1, 1)]
    if kind == "coverage":
        save = None
        if "--save" in rest:
            place = rest.index("--save")
            if place + 1 == len(rest):
                sys.exit("--save needs the name of a file.")
            save = Path(rest[place + 1])
            del rest[place : place + 2]
        coverage(*(int(value) for value in rest[:2]), names=rest[2:], save=save)
    else:
        show(lines())
