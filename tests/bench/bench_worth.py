"""
What the order of levels is worth: decisions after 3, 6 and 12 of them on ground that is known.

    python tests/bench/bench_worth.py [TRIALS [FIRST [DATA]]]

Brier score of all decisions of a lot (low spot there, ground falls away from a wall, outlet has
the fall, line carries its water), with levels in the order of their worth, in the order of the
field sheet (low spots, inlets, outlet, walls; and as it is walked: outlet, walls, low spots,
inlets), and at random places. Lists that end are filled up with what the sheet has next. Trials
FIRST to FIRST + TRIALS - 1 of every ground, seed 5000 + number; DATA is a folder with the rasters
`delft-ahn3/dtm_05m_filled.tif` and `alexandria-va/dtm_2m.tif`, parts of which are taken for the
truth; without it the grounds are invented ones. The error of the raster is that of the job file by
default, 0.10 m. Rods are read to 10 mm, from a benchmark whose offset is unknown. Levels are
brought in by a dense Gaussian update of each draw with the covariance of the error without its
part of single cells.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.inlet_places import DrawnInlet, place_inlets, snap_inlets
from lotflow.terrain.level_error import ErrorModel, random_field
from lotflow.terrain.loops.ways import water_in_outlines
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.realisations.likely_surfaces import likely_surfaces
from lotflow.terrain.realisations.realisation import realisation_plan, realise
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface
from lotflow.terrain.worth import KEPT, LOW_SPOT_TRUST, OFFSET_M, ROD_M, openness, shots_by_worth

ERROR = ErrorModel(0.10, 10.0, 0.1)
LIMIT = 0.10
READ = 0.010
DRAWS, MEASURED = 100, 40
NUMBERS = (3, 6, 12)
N, LOT = 72, 44
FIRST = (N - LOT) // 2


def rough(random, deviation, exponent):
    """Ground of a power law."""
    wave = np.hypot(np.fft.fftfreq(N)[:, None], np.fft.fftfreq(N))
    wave[0, 0] = np.inf
    spectrum = wave**-exponent
    return random_field(spectrum * deviation**2 / spectrum.mean(), random)


def yard(random):
    """A lot of 44 m that falls south: house with an apron, swale, curb and gutter, three bowls."""
    row, column = np.mgrid[:N, :N].astype(float) - FIRST
    ground = 10 - 0.008 * row - 0.002 * column
    street = (row >= 45) & (row < 54)
    ground[street] += (-0.15 + 0.02 * (4 - abs(row - 49)))[street]
    pad = ground[FIRST + 22, FIRST + 22] + random.uniform(0.12, 0.35)
    outside = np.stack([16 - row, row - 27, 14 - column, column - 29])
    away = outside.max(axis=0)
    falls = random.uniform(0.01, 0.09, 4)[outside.argmax(axis=0)]
    near = away <= 4
    ground[near] = np.maximum(ground - 0.1, pad - falls * np.maximum(away, 0))[near]
    ground -= 0.12 * np.exp(-(((column - 42) / 1.5) ** 2)) * ((row >= 0) & (row < 46))
    bowls = []
    for depth, radius in ((0.30, 6.0), (0.20, 5.0), (0.12, 4.0)):
        while True:
            r, c = random.uniform(radius, LOT - radius), random.uniform(radius, 38 - radius)
            clear = max(16 - r, r - 27, 14 - c, c - 29) > radius + 2
            if clear and all(np.hypot(r - a, c - b) > radius + q + 2 for a, b, q in bowls):
                break
        # deep enough below the lower lip of ground that falls
        sunk = ((np.sqrt(depth) + np.sqrt(depth + 0.0165 * radius)) / 2) ** 2
        part = np.hypot(row - r, column - c) / radius
        ground -= np.where(part < 1, sunk * (1 - part**2), 0)
        bowls.append((r, c, radius))
    ground += rough(random, 0.02, 3.2)

    def at(r, c):
        return (FIRST + round(r)) * N + FIRST + round(c)

    walls = [(at(15, 22), at(12, 22)), (at(28, 22), at(31, 22)), (at(22, 13), at(22, 10)),
             (at(22, 30), at(22, 33))]  # fmt: skip
    house = (row >= 16) & (row < 28) & (column >= 14) & (column < 30)
    tops = [*(at(r, c) for r, c, _ in bowls[:2]), at(42, 42)]
    return {"truth": ground, "cell": 1.0, "walls": walls, "house": house, "tops": tops,
            "end": at(45, 40), "rise": 0.10}  # fmt: skip


def flat(random):
    """Natural ground with one percent of fall."""
    return {"truth": 10 - 0.01 * np.arange(N)[:, None] + rough(random, 0.3, 4.0), "cell": 1.0}


def raster(path, coarsen):
    """Parts of a real raster, somewhere in it."""
    import rasterio  # noqa: PLC0415

    with rasterio.open(path) as source:
        values, cell = source.read(1).astype(float), source.res[0] * coarsen
    rows, columns = (size // coarsen for size in values.shape)
    values = values[: rows * coarsen, : columns * coarsen]
    values = values.reshape(rows, coarsen, columns, coarsen).mean(axis=(1, 3))

    def part(random):
        while True:
            r, c = (int(random.integers(0, size - N + 1)) for size in values.shape)
            some = values[r : r + N, c : c + N]
            if some.min() > -1000:
                return {"truth": some.copy(), "cell": cell}

    return part


@dataclass(eq=False)
class Case:
    """A survey of known ground, and what is asked of it; places are flat indices of cells."""

    truth: np.ndarray
    measured: np.ndarray
    lot: np.ndarray
    plan: object
    spot: np.ndarray
    beds: np.ndarray
    spills: np.ndarray
    #: Falls that are asked for: upper and lower place, and what is enough.
    falls: list
    inlets: int
    sheet: list
    walked: list
    allowed: np.ndarray = None


def survey(kind, random):
    """Survey a ground with an error, and ask of it what a designer would."""
    truth, cell = kind["truth"], kind["cell"]
    measured = truth + random_field(ERROR.spectrum(truth.shape, cell), random)
    surface = prepare_surface(Grid(measured, Affine(cell, 0, 0, 0, -cell, N * cell), None))
    flow = route(surface, no_drains(surface), by_kernel=True)
    lot = np.zeros((N, N), bool)
    lot[FIRST:-FIRST, FIRST:-FIRST] = True
    lot &= ~kind.get("house", np.zeros((N, N), bool))
    found = find_low_spots(flow, LIMIT)
    kept = np.flatnonzero(lot.ravel()[found.bed_cell])[:3]
    spot = np.zeros((N, N), np.int32)
    for i, k in enumerate(kept, start=1):
        spot[found.number == k + 1] = i
    tops = kind.get("tops") or deepest(np.where(lot, flow.depth, 0.0))
    drawn = [
        DrawnInlet(f"P{i}", shapely.Point((at % N + 0.5) * cell, (N - at // N - 0.5) * cell))
        for i, at in enumerate(tops)
    ]
    placed = snap_inlets(place_inlets(drawn, surface), flow, radius_m=1.5 * cell, pond_depth=LIMIT)
    plan = realisation_plan(flow, placed, snap_m=1.5 * cell, pond_depth_m=LIMIT)
    end = kind.get("end")
    if end is None:
        ring = lot.copy()
        ring[FIRST + 1 : -FIRST - 1, FIRST + 1 : -FIRST - 1] = False
        edge = np.flatnonzero(ring)
        end = int(edge[measured.ravel()[edge].argmin()])
    far = [cell * np.hypot(at // N - end // N, at % N - end % N) for at in tops]
    falls = [
        (top, end, kind.get("rise", 0.0) + 0.005 * run)
        for top, run in zip(tops[:2], far[:2], strict=True)
    ]
    walls = kind.get("walls", [])
    falls += [(wall, out, 0.05 * 3 * cell) for wall, out in walls]
    beds, spills = found.bed_cell[kept], found.spill_cell[kept]
    low = [int(c) for pair in zip(beds, spills, strict=True) for c in pair]
    sides = [c for pair in walls for c in pair]
    sheet = list(dict.fromkeys([*low, *tops, end, *sides]))
    walked = list(dict.fromkeys([end, *sides, *low, *tops]))
    case = Case(truth, measured, lot, plan, spot, beds, spills, falls, len(tops), sheet, walked)
    taken = np.bincount(realise(plan, measured).label, minlength=len(tops) + 1)[1:]
    case.allowed = 1.3 * np.maximum(taken, 30)
    return case


def deepest(depth, apart=14):
    """Deepest measured places, as a designer would choose them for inlets."""
    depth, found = depth.copy(), []
    for _ in range(3):
        row, column = np.unravel_index(depth.argmax(), depth.shape)
        found.append(int(row * N + column))
        depth[
            max(row - apart, 0) : row + apart + 1, max(column - apart, 0) : column + apart + 1
        ] = 0
    return found


def margins(case, surfaces):
    """By how much each decision is yes, on each surface."""
    rows = []
    for one in surfaces:
        found = realise(case.plan, one)
        depth, _ = water_in_outlines(
            found.ground, found.natural_level, case.spot.ravel(), len(case.beds)
        )
        area = np.bincount(found.label, minlength=case.inlets + 1)[1 : case.inlets + 1]
        level = one.ravel()
        rows.append([
            *(depth * LEVEL_STEP - LIMIT + LEVEL_STEP),
            *(level[a] - level[b] - need for a, b, need in case.falls),
            *np.log(case.allowed / np.maximum(area, 1)),
        ])  # fmt: skip
    return np.array(rows, dtype=float)


def by_worth(case, margin, draws):
    """Cells in the order of what they settle, and how much of what is open they promise to take."""
    grid = np.zeros((N, N), bool)
    grid[::2, ::2] = True
    cells = list(dict.fromkeys([*case.sheet, *np.flatnonzero((grid & case.lot).ravel()).tolist()]))
    at = {cell: i for i, cell in enumerate(cells)}
    pairs = [
        (at[int(a)], at[int(b)]) for a, b in zip(case.beds, case.spills, strict=True) if a != b
    ]
    pairs += [(at[a], at[b]) for a, b, _ in case.falls if a != b]
    trust = np.ones(margin.shape[1])
    trust[: len(case.beds)] = LOW_SPOT_TRUST
    level = draws.reshape(len(draws), -1)[:, cells]
    many = np.arange(len(cells)) >= len(case.sheet)
    shots = shots_by_worth(margin, level, trust=trust, pairs=pairs, one_of_many=many)
    share = openness(margin, trust)
    seen, told = set(), dict.fromkeys(NUMBERS, 0.0)
    for i, shot in enumerate(shots):
        if shot.partner in seen:
            continue
        seen.add(shot.candidate)
        for number in NUMBERS:
            told[number] += (i < number) * shot.settles / KEPT * share[shot.question]
    return [cells[shot.candidate] for shot in shots], {n: one / 4 for n, one in told.items()}


def conditioned(case, draws, cells, cell_m, random):
    """Draws after levels were taken: one linear update of each, offset unknown."""
    cells = np.array(cells)
    row, column = np.divmod(np.arange(N * N), N)
    away = cell_m * np.hypot(row[:, None] - row[cells], column[:, None] - column[cells])
    across = ERROR.rmse_m**2 * (1 - ERROR.white_share) * ERROR.likeness(away)
    level = case.truth.ravel()[cells] + READ * random.standard_normal(len(cells))
    level = level + random.uniform(-1, 1)
    # a benchmark of its own: its height is set by the raster, on the whole
    level -= (level - case.measured.ravel()[cells]).mean()
    own = ROD_M**2 * np.eye(len(cells)) + OFFSET_M**2
    gain = np.linalg.solve(across[cells] + own, across.T).T
    flat = draws.reshape(len(draws), -1)
    noise = ROD_M * random.standard_normal((len(draws), len(cells)))
    noise += OFFSET_M * random.standard_normal((len(draws), 1))
    return (flat + (level + noise - flat[:, cells]) @ gain.T).reshape(draws.shape)


def trial(kind, seed):
    """Brier of the decisions by order and number of levels; number 0 is without any."""
    random = np.random.default_rng(seed)
    ground = kind(random)
    case = survey(ground, random)
    drawn = likely_surfaces(case.measured, ERROR, ground["cell"], np.random.default_rng((seed, 0)))
    draws = np.array(
        [drawn.draw(i, np.random.default_rng((seed, i + 1))) for i in range(DRAWS)], dtype=float
    )
    margin = margins(case, draws)
    truth = margins(case, [case.truth])[0] > 0
    worth, told = by_worth(case, margin, draws)
    pool = random.permutation(np.flatnonzero(case.lot.ravel())).tolist()
    orders = {"worth": [*worth, *case.walked], "sheet": case.sheet, "walked": case.walked,
              "random": []}  # fmt: skip
    out = {("none", 0): np.mean(((margin > 0).mean(axis=0) - truth) ** 2)}
    for how, cells in orders.items():
        cells = list(dict.fromkeys([*cells, *pool]))  # noqa: PLW2901
        for number in NUMBERS:
            after = conditioned(
                case, draws[:MEASURED], cells[:number], ground["cell"],
                np.random.default_rng((seed, 77)),
            )  # fmt: skip
            said = (margins(case, after) > 0).mean(axis=0)
            out[how, number] = np.mean((said - truth) ** 2)
            if how == "worth":
                p = (margin > 0).mean(axis=0)
                out["came", number] = np.sum(p * (1 - p)) - np.sum(said * (1 - said))
                out["promised", number] = told[number]
    return out


def main(trials=20, first=0, data=None):
    kinds = {"yard": yard, "flat": flat}
    if data is not None:
        kinds["delft"] = raster(Path(data) / "delft-ahn3/dtm_05m_filled.tif", 2)
        kinds["alexandria"] = raster(Path(data) / "alexandria-va/dtm_2m.tif", 1)
    rows = []
    for i in range(first, first + trials):
        for name, kind in kinds.items():
            rows.append((name, trial(kind, 5000 + i)))
            print(name, 5000 + i, {f"{k[0]} {k[1]}": round(float(v), 4)
                                   for k, v in rows[-1][1].items()}, flush=True)  # fmt: skip
    table(rows)


def table(rows):
    for name in [*dict.fromkeys(name for name, _ in rows), "all"]:
        some = [row for kind, row in rows if name in (kind, "all")]
        mean = {key: np.mean([row[key] for row in some]) for key in some[0]}
        print(f"{name}, {len(some)} trials: Brier without levels {mean['none', 0]:.3f}")
        for number in NUMBERS:
            less = {how: np.array([row[how, number] - row["worth", number] for row in some])
                    for how in ("sheet", "walked", "random")}  # fmt: skip
            print(f"  {number:2} levels: worth {mean['worth', number]:.3f}; " + ", ".join(
                f"{how} {mean[how, number]:.3f} (more by {one.mean():.3f} "
                f"+- {one.std() / np.sqrt(len(one)):.3f})" for how, one in less.items()
            ) + f"; openness taken {mean['came', number]:.2f} of "
                f"{mean['promised', number]:.2f} promised")  # fmt: skip


if __name__ == "__main__":
    main(*(int(value) for value in sys.argv[1:3]), *sys.argv[3:4])
