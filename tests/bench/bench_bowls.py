"""
Whether a measured low spot is really there, and how sure lotflow says it is.

Run it by hand:

    python tests/bench/bench_bowls.py fit [TRIALS [DRAWS]] [--save FILE]
    python tests/bench/bench_bowls.py grounds [TRIALS [DRAWS [DATA]]] [--save FILE]

A true surface is made, an error of known size is added, and of every low spot of the sum it is
asked whether the truth holds water as deep as the limit within its outline: `there`. `share` is
the share of the draws that do, `chance` what lotflow tells (`terrain.sureness.chance_there`).

"fit" finds the constants of that function: on invented grounds of random kinds (slope, valley,
roughness, pads, curbs, swales, bowls; a fifth of them parts of the forest raster of the package
`lidar`), under random errors, four in ten with some levels taken. Each ground counts alike, and
low spots that are there so much more that they are 0.35: how many are real beforehand no invented
ground can tell. Trial i has the seed 40,000 + i. None of the grounds of "grounds" is
among them.

"grounds" tests it on the grounds of `bench_confidence.py` (their three deepest low spots) and of
`bench_shots.py` (the first three on the lot, without levels and with twelve in the order of the
field sheet); DATA is the folder of the real rasters, see there. Trial i has the seed 10,000 + i
on the former, as in the table of coverage, and 20,000 + i on the latter. What the function
is of was chosen by the first trials of both, and by all of them that 0.35 are real beforehand.
Of Brier scores 0 is best.

With --save outcomes are added to FILE, and trials that are there are not run again.
"""

from __future__ import annotations

import json
import sys
from importlib.metadata import files
from pathlib import Path
from types import SimpleNamespace

import bench_confidence as own
import bench_shots as site
import numpy as np
from scipy.optimize import minimize

from lotflow.terrain.confidence import drawn_by_seed, random_stream
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.level_error import ErrorModel, random_field
from lotflow.terrain.levelled import level_ground
from lotflow.terrain.loops.flood import flood
from lotflow.terrain.loops.ways import levels_of, water_in_outlines
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.sureness import chance_there, signs_of_low_spots

MOST_SPOTS = 6
#: Share of measured low spots that count as real before anything is drawn.
BEFORE = 0.35
#: Seeds of the first trials.
RANDOM, OWN, SITE = 40_000, 10_000, 20_000
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


# ------------------------------------------------------------------ random grounds


def around(random, low, high):
    """A random number whose logarithm is as likely anywhere between two."""
    return float(np.exp(random.uniform(np.log(low), np.log(high))))


def forest():
    """Real ground, 1 m cells."""
    import rasterio  # noqa: PLC0415

    (path,) = (one.locate() for one in files("lidar") if one.name == "dem.tif")
    with rasterio.open(path) as source:
        return source.read(1).astype(float)


def random_ground(random, real):
    """Ground of a random kind, and its cell [m]."""
    size, cell = int(random.choice([80, 96, 128])), float(random.choice([0.5, 1.0, 1.0, 1.0, 2.0]))
    if random.random() < 0.2:
        row, column = (int(random.integers(0, side - size)) for side in real.shape)
        return real[row : row + size, column : column + size].copy(), 1.0
    row, column = np.mgrid[:size, :size] * cell
    side = size * cell
    slope, way = around(random, 0.002, 0.04), random.uniform(0, 2 * np.pi)
    ground = slope * (np.cos(way) * row + np.sin(way) * column)
    if random.random() < 0.4:  # a valley, or a crest
        across = np.sin(way) * (row - side / 2) - np.cos(way) * (column - side / 2)
        ground += random.uniform(-0.01, 0.03) * np.abs(across)
    is_built = random.random() < 0.65
    ground += own.natural(
        random, size, exponent=random.uniform(2.5, 4.5),
        deviation=around(random, 0.005, 0.1) if is_built else around(random, 0.05, 0.6),
    )  # fmt: skip
    if is_built:
        build(ground, random, row, column, side)
    for _ in range(int(random.integers(0, 6 if is_built else 2))):  # bowls
        middle, radius = random.uniform(0.1, 0.9, 2) * side, random.uniform(2, 12)
        away = np.hypot(row - middle[0], column - middle[1]) / radius
        ground -= np.where(away < 1, around(random, 0.04, 0.6) * (1 - away**2), 0)
    return ground, cell


def build(ground, random, row, column, side):
    """Pads, a curb, and a swale or a bank."""
    for _ in range(int(random.integers(0, 3))):
        middle, half = random.uniform(0.15, 0.85, 2) * side, random.uniform(3, 12, 2)
        inside = (np.abs(row - middle[0]) < half[0]) & (np.abs(column - middle[1]) < half[1])
        ground[inside] += random.uniform(0.05, 0.5)

    def away():
        return (row if random.random() < 0.5 else column) - random.uniform(0.2, 0.8) * side

    if random.random() < 0.5:
        ground[away() > 0] += random.choice([-1, 1]) * random.uniform(0.08, 0.2)
    if random.random() < 0.5:
        height = random.choice([-1, -1, 1]) * random.uniform(0.08, 0.4)
        ground += height * np.exp(-((away() / random.uniform(1, 3)) ** 2))


def random_error(random):
    """An error of a random kind, and the depth from which a low spot counts."""
    white = (random.uniform(0.05, 0.3), 0.1, random.uniform(0.3, 0.7), 1.0)
    error = ErrorModel(
        around(random, 0.03, 0.15), around(random, 3, 20),
        float(random.choice(white, p=(0.6, 0.2, 0.15, 0.05))),
        "exponential" if random.random() < 0.7 else "gaussian",
    )  # fmt: skip
    return error, error.rmse_m * float(random.choice([1, 1, 1, 1, 0.5, 1.5]))


# ------------------------------------------------------------------ trials


def water(values, drain, number, count):
    """Greatest depth and volume within each outline, all full [m]."""
    ground, _ = levels_of(np.array(values, dtype=float).ravel(), LEVEL_STEP)
    found = water_in_outlines(ground, flood(ground, drain, values.shape[1]), number.ravel(), count)
    return [part * LEVEL_STEP for part in found]


def asked(surface, truth, number, drawn, draws, seed, limit, rmse):
    """Of each outline: there or not, share of the draws, fullness; see `signs_of_low_spots`."""
    drain, count = surface.outside.ravel(), int(number.max(initial=0))
    shown = [
        water(drawn.draw(i, random_stream(seed, i + 1)), drain, number, count) for i in range(draws)
    ]
    depth, volume = (np.array(part) for part in zip(*shown, strict=True))
    cells = np.bincount(number.ravel(), minlength=count + 1)[1:]
    there = water(truth, drain, number, count)[0] >= limit - LEVEL_STEP
    share, full = signs_of_low_spots(depth, volume, cells, limit, rmse)
    return {"there": there.tolist(), "share": share.tolist(), "full": full.tolist(),
            "draws": draws}  # fmt: skip


def low_spots_of(surface, limit, which=None):
    """Outlines of some low spots of a measured surface, all low spots, and those taken."""
    spots = find_low_spots(route(surface, no_drains(surface), by_kernel=True), limit)
    taken = np.arange(len(spots)) if which is None else which(len(spots))
    number = np.zeros(spots.number.shape, np.int32)
    for i, one in enumerate(taken, start=1):
        number[spots.number == one + 1] = i
    return number, spots, taken


def random_trial(seed, draws, real):
    """A trial for the fit; None where nothing is low."""
    random = np.random.default_rng(seed)
    truth, cell = random_ground(random, real)
    error, limit = random_error(random)
    surface = site.surface_of(truth + random_field(error.spectrum(truth.shape, cell), random), cell)
    number, spots, taken = low_spots_of(
        surface, limit, lambda n: np.sort(random.permutation(n)[:MOST_SPOTS])
    )
    if not len(taken):
        return None
    drawn = drawn_by_seed(surface, error, seed)
    if random.random() < 0.4:
        low = [int(c) for k in random.permutation(taken)
               for c in (spots.bed_cell[k], spots.spill_cell[k])]  # fmt: skip
        most = int(random.integers(1, 13))
        anywhere = random.integers(0, truth.size, most).tolist()
        cells = list(dict.fromkeys([*low[: int(random.integers(0, most + 1))], *anywhere]))[:most]
        level = truth.ravel()[cells] + site.READ * random.standard_normal(len(cells))
        case = SimpleNamespace(surface=surface, truth=truth)
        shots = site.shots_at(case, cells, level, own=bool(random.random() < 0.5))
        found = level_ground(surface, error, shots, seed=seed)
        if found.surfaces is not None and found.judged.fits:
            drawn = found.surfaces
    return asked(surface, truth, number, drawn, draws, seed, limit, error.rmse_m)


def own_trial(setting, seed, draws):
    """A trial on a ground of `bench_confidence.py`."""
    random = np.random.default_rng(seed)
    truth = setting.ground(random)
    error = setting.error
    surface = own.surface_of(truth + random_field(error.spectrum(truth.shape, 1.0), random))
    number, _, _ = low_spots_of(surface, error.rmse_m, lambda n: np.arange(min(n, own.LOW_SPOTS)))
    drawn = drawn_by_seed(surface, error, seed)
    return asked(surface, truth, number, drawn, draws, seed, error.rmse_m, error.rmse_m)


def site_trials(kind, seed, draws):
    """Trials on a ground of `bench_shots.py`, without levels and with twelve."""
    random = np.random.default_rng(seed)
    case = site.survey(kind(random), random)
    cells = site.by_sheet(case, 12, random)
    level = case.truth.ravel()[cells] + site.READ * random.standard_normal(len(cells))
    found = level_ground(case.surface, site.ERROR, site.shots_at(case, cells, level), seed=seed)
    ways = {"": drawn_by_seed(case.surface, site.ERROR, seed)}
    if found.judged.fits and found.surfaces is not None:
        ways[", 12 levels"] = found.surfaces
    return {
        way: asked(
            case.surface, case.truth, case.spot, drawn, draws, seed, site.LIMIT, site.ERROR.rmse_m
        )
        for way, drawn in ways.items()
    }


class Kept:
    """Outcomes of trials, in a file where one is named."""

    def __init__(self, save):
        self.save = save
        lines = save.read_text().splitlines() if save is not None and save.exists() else []
        rows = [json.loads(line) for line in lines]
        self.found = {(row["ground"], row["seed"], row["draws"]): row["outcome"] for row in rows}

    def of(self, ground, seed, draws, run):
        """Take an outcome, or run the trial."""
        key = (ground, seed, draws)
        if key not in self.found:
            self.found[key] = run()
            if self.save is not None:
                line = {"ground": ground, "seed": seed, "draws": draws, "outcome": self.found[key]}
                with self.save.open("a") as file:
                    file.write(json.dumps(line) + "\n")
        return self.found[key]


# ------------------------------------------------------------------ fit and test


def fitted(signs, there, weight):
    """Logistic regression: the constants under which what was there is likeliest."""

    def unlikely(constants):
        z = signs @ constants
        off = 1 / (1 + np.exp(-z)) - there
        return weight @ (np.logaddexp(0, z) - there * z), signs.T @ (weight * off)

    return minimize(unlikely, np.zeros(signs.shape[1]), jac=True, method="BFGS").x


def fit(trials=600, draws=60, save=None):
    """Find the constants, and how far they hang on which grounds there were."""
    kept, real = Kept(save), forest()
    rows = [
        kept.of("random", RANDOM + i, draws, lambda i=i: random_trial(RANDOM + i, draws, real))
        for i in range(trials)
    ]
    rows = [row for row in rows if row is not None]
    there = np.concatenate([row["there"] for row in rows]).astype(float)
    signs = np.concatenate([signs_of(row) for row in rows])
    ground = np.repeat(np.arange(len(rows)), [len(row["there"]) for row in rows])
    weight = 1 / np.bincount(ground)[ground]
    before = weight @ there / weight.sum()
    weight *= np.where(there > 0, BEFORE / before, (1 - BEFORE) / (1 - before))
    constants = fitted(signs, there, weight)
    random = np.random.default_rng(0)
    others = [
        fitted(signs, there, weight * np.bincount(
            random.integers(0, len(rows), len(rows)), minlength=len(rows))[ground])
        for _ in range(100)
    ]  # fmt: skip
    print(f"{len(rows)} grounds, {len(there)} low spots, {before:.2f} there "
          f"({draws} draws, seeds {RANDOM} to {RANDOM + trials - 1})")  # fmt: skip
    for name, value, spread in zip(("constant", "share", "fullness"), constants,
                                   np.std(others, axis=0), strict=True):  # fmt: skip
        print(f"  {name}: {value:.2f} +- {spread:.2f}")


def signs_of(row):
    """What the regression is of: 1, log odds of the share, log of the fullness."""
    share, full = np.array(row["share"]), np.array(row["full"])
    return np.stack([np.ones(len(share)), np.log(share / (1 - share)), np.log(full)], axis=1)


def grounds(trials=100, draws=60, data=None, save=None):
    """What is said beside what is there, by ground; then by what is said."""
    kept, found = Kept(save), {}
    for i in range(trials):
        for name, setting in own.SETTINGS.items():
            row = kept.of(name, OWN + i, draws, lambda s=setting, i=i: own_trial(s, OWN + i, draws))
            found.setdefault(name, []).append(row)
        for name, kind in site.grounds(data).items():
            rows = kept.of(
                f"site: {name}",
                SITE + i,
                draws,
                lambda k=kind, i=i: site_trials(k, SITE + i, draws),
            )
            for way, row in rows.items():
                found.setdefault(f"site: {name}{way}", []).append(row)
    print(f"{trials} trials a ground, {draws} draws")
    print("ground | low spots | there | share | chance | Brier share | chance | less by")
    every = []
    for name, every_row in found.items():
        rows = [row for row in every_row if row["there"]]
        told = [
            (
                np.array(row["there"], float),
                np.array(row["share"]),
                chance_there(np.array(row["share"]), np.array(row["full"])),
            )
            for row in rows
        ]
        there, share, chance = (np.concatenate(part) for part in zip(*told, strict=True))
        every.append((there, share, chance))
        less = np.array([np.mean((s - t) ** 2 - (c - t) ** 2) for t, s, c in told])
        print(f"{name} | {len(there)} | {there.mean():.2f} | {share.mean():.2f} | "
              f"{chance.mean():.2f} | {np.mean((share - there) ** 2):.3f} | "
              f"{np.mean((chance - there) ** 2):.3f} | {less.mean():.3f} +- "
              f"{less.std(ddof=1) / np.sqrt(len(less)):.3f}")  # fmt: skip
    there, share, chance = (np.concatenate(part) for part in zip(*every, strict=True))
    for what, said in (("share", share), ("chance", chance)):
        place = np.clip(np.digitize(said, BINS) - 1, 0, len(BINS) - 2)
        print(what, *(
            f"{BINS[b]:.1f} to {BINS[b + 1]:.1f}: {n}, said {said[place == b].mean():.2f}, "
            f"there {there[place == b].mean():.2f};"
            for b, n in enumerate(np.bincount(place, minlength=len(BINS) - 1)) if n
        ))  # fmt: skip


if __name__ == "__main__":
    kind, *rest = sys.argv[1:] or [""]
    if kind not in ("fit", "grounds"):
        sys.exit(__doc__)
    save = None
    if "--save" in rest[:-1]:
        place = rest.index("--save")
        save = Path(rest[place + 1])
        del rest[place : place + 2]
    numbers = [int(value) for value in rest[:2]]
    if kind == "fit":
        fit(*numbers, save=save)
    else:
        grounds(*numbers, *rest[2:3], save=save)
