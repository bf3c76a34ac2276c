"""
What levels taken on site do to the result, on ground whose truth is known.

    python tests/bench/bench_shots.py PART [TRIALS [DATA]]

PART is "levels" (how wide intervals are, how often they hold, with 12 levels in the order of the
field sheet), "routed" (which surface catchments and low spots are best taken from), "tie",
"pipes" (the fall from a levelled rim to ground), "guards" (one wrong level, changed ground,
units, false alarms), "lines", "wall", "time" or "all".
DATA is a folder with the rasters `delft-ahn3/dtm_05m_filled.tif` and `alexandria-va/dtm_2m.tif`;
without it the grounds are invented ones. A real raster is taken for the truth. The error is that
of the job file by default, 0.10 m, of which nine tenths of the variance are shared over 10 m; rods
are read to 10 mm, 14 mm are stated. Trial i of every ground has the seed 1000 + i (guards 8000,
lines 100, walls 9000, ties 3000).
"""

import sys
from dataclasses import dataclass, field
from pathlib import Path
from time import process_time

import numpy as np
import shapely
from affine import Affine
from scipy.ndimage import gaussian_filter

from lotflow.grid import Grid
from lotflow.terrain.conditioning import conditioning
from lotflow.terrain.confidence import drawn_by_seed, random_stream
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.inlet_places import DrawnInlet, place_inlets, snap_inlets
from lotflow.terrain.level_error import ErrorModel, LevelError, random_field
from lotflow.terrain.levelled import level_ground
from lotflow.terrain.loops.ways import water_in_outlines
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.realisations.realisation import realisation_plan, realise
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.shots import Shots
from lotflow.terrain.surface import prepare_surface

ERROR = ErrorModel(0.10, 10.0, 0.1)
LIMIT = 0.10
READ, STATED = 0.010, 0.014
DRAWS = 60
BOWLS = ((0.12, 4.0), (0.20, 5.0), (0.30, 6.0))


# ------------------------------------------------------------------ grounds


def natural(random, shape, *, deviation, exponent):
    """Ground of a power law."""
    wave = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.fftfreq(shape[1]))
    wave[0, 0] = np.inf
    spectrum = wave**-exponent
    return random_field(spectrum * deviation**2 / spectrum.mean(), random)


def yard(random, n=96, slope=0.008):
    """
    Built lot of 44 m in the middle, falling south.

    House pad with an apron that falls by chance, side swale of 12 cm, curb and gutter, bowls of
    12, 20 and 30 cm at random places, a sag behind the house; 2 cm of roughness.
    """
    first = (n - 44) // 2
    row, column = np.mgrid[:n, :n].astype(float) - first
    ground = 10 - slope * row - 0.002 * column
    lot = (row >= 0) & (row < 44) & (column >= 0) & (column < 44)
    street = (row >= 45) & (row < 54)
    ground[street] += (-0.15 + 0.02 * (4 - abs(row - 49)) - 0.004 * (column - 22))[street]
    house = (row >= 16) & (row < 28) & (column >= 14) & (column < 30)
    level = ground[first + 22, first + 22] + random.uniform(0.12, 0.35)
    outside = np.stack([16 - row, row - 27, 14 - column, column - 29])
    away = outside.max(axis=0)
    falls = random.uniform(0.01, 0.09, 4)[outside.argmax(axis=0)]
    near = away <= 4
    ground[near] = np.maximum(ground - 0.1, level - falls * np.maximum(away, 0))[near]
    sag = random.uniform(0.0, 0.12) * np.array([0.3, 0.6, 1.0])
    ground[first + 13 : first + 16, first + 16 : first + 28] -= sag[:, None]
    ground -= 0.12 * np.exp(-(((column - 42) / 1.5) ** 2)) * ((row >= 0) & (row < 46))
    centres = []
    for depth, radius in sorted(BOWLS, reverse=True):
        while True:
            r, c = random.uniform(radius, 44 - radius), random.uniform(radius, 38 - radius)
            clear = max(16 - r, r - 27, 14 - c, c - 29) > radius + 2
            if clear and all(np.hypot(r - a, c - b) > radius + q + 2 for a, b, q, _ in centres):
                break
        # deep enough that its depth below the lower lip of sloping ground is the one wanted
        fall = 2 * np.hypot(slope, 0.002) * radius
        deep = ((np.sqrt(depth) + np.sqrt(depth + fall)) / 2) ** 2
        part = np.hypot(row - r, column - c) / radius
        ground -= np.where(part < 1, deep * (1 - part**2), 0)
        centres.append((r, c, radius, depth))
    centres.sort(key=lambda one: one[3])
    ground += natural(random, (n, n), deviation=0.02, exponent=3.2)

    def at(r, c):
        return first + round(r), first + round(c)

    facades = [(at(15, 22), at(12, 22)), (at(28, 22), at(31, 22)),
               (at(22, 13), at(22, 10)), (at(22, 30), at(22, 33))]  # fmt: skip
    channel = ((first + 16.5, first + 8.5), (first + 27.5, first + 8.5))
    inlets = [*(at(*one[:2]) for one in centres[1:]), at(42, 42)]
    return {"truth": ground, "lot": lot, "cell": 1.0, "facades": facades, "house": house,
            "channel": channel, "inlets": inlets, "gutter": at(45, 40)}  # fmt: skip


def flat(random, n=96):
    """Natural ground with one percent of fall."""
    ground = 10 - 0.01 * np.arange(n)[:, None]
    ground = ground + natural(random, (n, n), deviation=0.3, exponent=4.0)
    return {"truth": ground, "lot": middle((n, n), 22), "cell": 1.0}


def middle(shape, half):
    lot = np.zeros(shape, bool)
    row, column = shape[0] // 2, shape[1] // 2
    lot[row - half : row + half, column - half : column + half] = True
    return lot


def raster(path, random, n, lot_m, coarsen=1):
    """Part of a real raster, taken for the truth."""
    import rasterio  # noqa: PLC0415

    with rasterio.open(path) as source:
        values, cell = source.read(1).astype(float), source.res[0]
    rows, columns = (size // coarsen * coarsen for size in values.shape)
    blocks = values[:rows, :columns].reshape(rows // coarsen, coarsen, columns // coarsen, coarsen)
    values, cell = blocks.mean(axis=(1, 3)), cell * coarsen
    while True:
        r, c = (int(random.integers(0, max(size - n, 0) + 1)) for size in values.shape)
        part = values[r : r + n, c : c + n]
        if part.min() > -1000:
            break
    return {"truth": part.copy(), "lot": middle(part.shape, round(lot_m / cell / 2)), "cell": cell}


def grounds(data=None):
    """The kinds of ground by name: functions of a random generator."""
    found = {"yard": yard, "flat": flat}
    if data is not None:
        delft, alexandria = (
            Path(data) / "delft-ahn3/dtm_05m_filled.tif", Path(data) / "alexandria-va/dtm_2m.tif"
        )  # fmt: skip
        found["delft"] = lambda r: raster(delft, r, 96, 40, coarsen=2)
        found["alexandria"] = lambda r: raster(alexandria, r, 96, 60)
    return found


# ------------------------------------------------------------------ a surveyed case


@dataclass(eq=False)
class Case:
    """Truth, raster, and what is asked of them; places are flat indices of cells."""

    truth: np.ndarray
    lot: np.ndarray
    surface: object
    plan: object
    spot: np.ndarray
    beds: np.ndarray
    inlets: int
    places: np.ndarray
    pairs: list
    need: dict
    sheet: list
    allowed: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @property
    def cell(self):
        return self.surface.ground.cell_m

    @property
    def measured(self):
        return self.surface.ground.values


def surface_of(values, cell=1.0, **drawn):
    grid = Grid(values, Affine(cell, 0, 0, 0, -cell, values.shape[0] * cell), None)
    return prepare_surface(grid, **drawn)


def survey(kind, random):
    """Survey a ground with an error, and ask of it what a designer would."""
    truth, cell, lot = kind["truth"], kind["cell"], kind["lot"]
    rows = truth.shape[0]
    measured = truth + random_field(ERROR.spectrum(truth.shape, cell), random)
    surface = surface_of(measured, cell)
    flow = route(surface, no_drains(surface), by_kernel=True)
    house = kind.get("house", np.zeros(truth.shape, bool))
    found = find_low_spots(flow, LIMIT)
    on_lot = lot.ravel()[found.bed_cell] & ~house.ravel()[found.bed_cell]
    kept = np.flatnonzero(on_lot)[:3]
    spot = np.zeros(truth.shape, np.int32)
    for i, k in enumerate(kept, start=1):
        spot[found.number == k + 1] = i
    where = kind.get("inlets") or deepest(flow.depth, lot, round(14 / cell))
    drawn = [
        DrawnInlet(f"P{i}", shapely.Point((column + 0.5) * cell, (rows - row - 0.5) * cell))
        for i, (row, column) in enumerate(where)
    ]
    if "channel" in kind:
        ends = [(x * cell, (rows - y) * cell) for x, y in kind["channel"]]
        drawn.append(DrawnInlet("channel", shapely.LineString(ends)))
    placed = snap_inlets(place_inlets(drawn, surface), flow, radius_m=1.5 * cell, pond_depth=LIMIT)
    plan = realisation_plan(flow, placed, snap_m=1.5 * cell, pond_depth_m=LIMIT)
    places, pairs, need, after = asked(kind, where, measured)
    low = [int(c) for k in kept for c in (found.bed_cell[k], found.spill_cell[k])]
    sheet = list(dict.fromkeys([*low, *after]))
    inside = lot & ~house
    case = Case(truth, inside, surface, plan, spot, found.bed_cell[kept], len(drawn), places, pairs,
                need, sheet)  # fmt: skip
    taken = np.bincount(realise(plan, measured).label, minlength=len(drawn) + 1)[1:]
    case.allowed = 1.3 * np.maximum(taken, 30)
    return case


def deepest(depth, lot, apart):
    """Deepest measured places on the lot, as a designer would choose them for inlets."""
    depth, places = np.where(lot, depth, 0.0), []
    for _ in range(3):
        row, column = (int(i) for i in np.unravel_index(depth.argmax(), depth.shape))
        places.append((row, column))
        near = slice(max(row - apart, 0), row + apart + 1)
        depth[near, max(column - apart, 0) : column + apart + 1] = 0
    return places


def asked(kind, where, measured):
    """Which falls are asked for; the rest of the field sheet's order."""
    columns, cell = measured.shape[1], kind["cell"]
    places, pairs, need = [], [], {}

    def place(spot):
        places.append(int(spot[0]) * columns + int(spot[1]))
        return len(places) - 1

    tops = [place(one) for one in where]
    if "gutter" in kind:
        end, rise = kind["gutter"], 0.10
    else:
        inside = kind["lot"].copy()
        rows_, columns_ = np.nonzero(inside)
        inside[rows_.min() + 1 : rows_.max(), columns_.min() + 1 : columns_.max()] = False
        low = np.flatnonzero(inside.ravel())
        end, rise = divmod(int(low[measured.ravel()[low].argmin()]), columns), 0.0
    last = place(end)
    for i, (row, column) in enumerate(where[:2]):
        pairs.append((f"outlet{i}", tops[i], last))
        need[f"outlet{i}"] = rise + 0.005 * cell * np.hypot(row - end[0], column - end[1])
    pairs += [(f"fall{a}{b}", tops[a], tops[b]) for a, b in ((0, 1), (0, 2), (1, 2))]
    sides = []
    for i, (wall, out) in enumerate(kind.get("facades", ())):
        one, two = place(wall), place(out)
        pairs.append((f"facade{i}", one, two))
        need[f"facade{i}"] = 0.05 * cell * np.hypot(wall[0] - out[0], wall[1] - out[1])
        sides += [places[one], places[two]]
    rims = [places[one] for one in tops]
    return np.array(places), pairs, need, [*rims, places[last], *sides]


def shots_at(case, cells, level, *, own=False, kind="hard", line=None, part="", deviation=STATED,
             depth=np.nan):  # fmt: skip
    """Levels at the middles of cells."""
    n = len(cells)
    x, y = case.surface.ground.xy(*np.divmod(np.asarray(cells), case.truth.shape[1]))
    return Shots(
        tuple(f"S{i}" for i in range(n)), x.astype(float), y.astype(float), np.asarray(level),
        np.full(n, deviation), np.zeros(n), np.full(n, own), (line or "",) * n, (part,) * n,
        np.arange(n, dtype=float), np.full(n, depth), ("yes",) * n, (kind,) * n,
    )  # fmt: skip


def together(*many):
    """Several sets of levels as one."""
    names = Shots.__dataclass_fields__
    return Shots(**{
        name: sum((getattr(one, name) for one in many), ())
        if isinstance(getattr(many[0], name), tuple)
        else np.concatenate([getattr(one, name) for one in many])
        for name in names
    })  # fmt: skip


def by_sheet(case, number, random):
    """Cells of the field sheet's order, filled up at random."""
    cells = case.sheet[:number]
    pool = random.permutation(np.flatnonzero(case.lot.ravel()))
    return np.array([*cells, *(c for c in pool if c not in set(cells))][:number])


def ensemble(surfaces, number, seed):
    return [surfaces.draw(i, random_stream(seed, i + 1)) for i in range(number)]


def shown_by(case, surfaces):
    """What is asked, of each surface."""
    rows = []
    for one in surfaces:
        found = realise(case.plan, one)
        depth, volume = water_in_outlines(
            found.ground, found.natural_level, case.spot.ravel(), len(case.beds)
        )
        level = np.asarray(one, dtype=float).ravel()[case.places]
        there = depth * LEVEL_STEP >= LIMIT - LEVEL_STEP
        rows.append({
            "deep": depth * LEVEL_STEP, "depth": np.where(there, depth * LEVEL_STEP, 0.0),
            "volume": np.where(there, volume * LEVEL_STEP * case.cell**2, 0.0),
            "spill": (found.natural_level[case.beds].astype(float) + found.base) * LEVEL_STEP,
            "area": np.bincount(found.label, minlength=case.inlets + 1)[1 : case.inlets + 1],
            "fall": np.array([level[a] - level[b] for _, a, b in case.pairs]),
        })  # fmt: skip
    return {key: np.array([row[key] for row in rows], dtype=float) for key in rows[0]}


def decided(case, shown):
    """What is to be decided, as 0 and 1 per surface."""
    columns = [shown["deep"][:, i] >= LIMIT - LEVEL_STEP for i in range(len(case.beds))]
    presence = len(columns)
    columns += [
        shown["fall"][:, at] >= case.need[name]
        for at, (name, _, _) in enumerate(case.pairs)
        if name in case.need
    ]
    columns += [shown["area"][:, i] <= case.allowed[i] for i in range(case.inlets)]
    return np.array(columns, dtype=float).T, presence


def crps(values, truth):
    """Continuous ranked probability score of an ensemble."""
    ordered, n = np.sort(values, axis=0), len(values)
    rank = (2 * np.arange(1, n + 1) - n - 1)[:, None]
    return np.abs(values - truth).mean(axis=0) - (rank * ordered).sum(axis=0) / n**2


MEASURES = ("depth", "volume", "spill", "area", "fall")


def levels(trials=20, data=None, number=12):
    """Twelve levels by the field sheet, with the raster's datum and with a benchmark of its own."""
    said = {}
    for name, kind in grounds(data).items():
        for i in range(trials):
            seed = 1000 + i
            random = np.random.default_rng(seed)
            case = survey(kind(random), random)
            cells = by_sheet(case, number, random)
            level = case.truth.ravel()[cells] + READ * random.standard_normal(number)
            true = shown_by(case, [case.truth])
            answers = decided(case, true)[0][0]
            ways = {"none": drawn_by_seed(case.surface, ERROR, seed)}
            for way, own in (("levels", False), ("own benchmark", True)):
                shots = shots_at(case, cells, level + 3.7 * own, own=own)
                found = level_ground(case.surface, ERROR, shots, seed=seed)
                said.setdefault((name, way, "refused"), []).append(not found.judged.fits)
                said.setdefault((name, way, "named"), []).append(len(found.judged.left_out) > 0)
                ways[way] = found.surfaces
            for way, surfaces in ways.items():
                shown = shown_by(case, ensemble(surfaces, DRAWS, seed))
                for key in MEASURES:
                    low, _, high = np.quantile(shown[key], (0.05, 0.5, 0.95), 0, method="weibull")
                    held = (low <= true[key][0] + 1e-9) & (true[key][0] <= high + 1e-9)
                    said.setdefault((name, way, key), []).extend(
                        zip(held, high - low, crps(shown[key], true[key][0]), strict=True)
                    )
                share, presence = decided(case, shown)
                off = (share.mean(axis=0) - answers) ** 2
                said.setdefault((name, way, "brier"), []).extend(off)
                said.setdefault((name, way, "presence"), []).extend(off[:presence])
    print(f"12 levels in the order of the field sheet; {trials} trials a ground, seeds 1000 on, "
          f"{DRAWS} draws: held / width / CRPS, the last two by those without levels")  # fmt: skip
    for ground in [*grounds(data), "all"]:
        for way in ("none", "levels", "own benchmark"):
            row = []
            for key in MEASURES:
                own, base = (np.array(gathered(said, ground, w, key)) for w in (way, "none"))
                ratio = own.mean(axis=0)[1:] / base.mean(axis=0)[1:]
                row.append(f"{key} {own[:, 0].mean():.2f}/{ratio[0]:.2f}/{ratio[1]:.2f}")
            brier, presence = (np.mean(gathered(said, ground, way, k)) for k in
                               ("brier", "presence"))  # fmt: skip
            odd = "" if way == "none" else ", refused {:.2f}, named {:.2f}".format(*(
                np.mean(gathered(said, ground, way, k)) for k in ("refused", "named")
            ))  # fmt: skip
            print(f"  {ground:10} {way:13} {', '.join(row)}, Brier {brier:.3f}, of presence "
                  f"{presence:.3f}{odd}", flush=True)  # fmt: skip


def gathered(said, ground, way, key):
    return [one for (g, w, k), values in said.items() if (w, k) == (way, key)
            and ground in (g, "all") for one in values]  # fmt: skip


# ------------------------------------------------------------------ which surface is routed


def routed(trials=20, data=None, number=12):
    """One surface for map and catchments: how near is each to the truth?"""
    print(f"which surface is routed; {trials} trials a ground, seeds 1000 on: share of the lot "
          "that drains to the right inlet; catchments' areas off (mean |log ratio|); of the "
          "cells with 5 cm of water in truth share that has it, of those on the surface share that "
          "is true; depth off in outlines [mm]; "
          "level off [mm]; fall off [mm]")  # fmt: skip
    rows = {}
    for name, kind in grounds(data).items():
        for i in range(trials):
            seed = 1000 + i
            random = np.random.default_rng(seed)
            case = survey(kind(random), random)
            cells = by_sheet(case, number, random)
            level = case.truth.ravel()[cells] + READ * random.standard_normal(number)
            found = level_ground(case.surface, ERROR, shots_at(case, cells, level), seed=seed)
            draws = np.array(ensemble(found.surfaces, DRAWS, seed))
            rough = kriged(case, cells, level)
            ways = {"raw grid": case.measured, "kriged raster": rough,
                    "measured, corrected": found.conditioning.of(case.measured),
                    "median of draws": np.median(draws, 0), "mean of draws (used)": found.ground,
                    "most central draw": central(draws)}  # fmt: skip
            true = realise(case.plan, case.truth)
            shown = shown_by(case, [case.truth])
            for way, surface in ways.items():
                own, seen = realise(case.plan, surface), shown_by(case, [surface])
                inside = case.lot.ravel()
                wet = [
                    (r.natural_level - r.ground)[inside] * LEVEL_STEP > 0.05 for r in (true, own)
                ]
                both = (wet[0] & wet[1]).sum()
                rows.setdefault((name, way), []).append((
                    (own.label == true.label)[inside].mean(),
                    np.abs(np.log((seen["area"] + 5) / (shown["area"] + 5))).mean(),
                    both / wet[0].sum() if wet[0].any() else np.nan,
                    both / wet[1].sum() if wet[1].any() else np.nan,
                    1e3 * np.abs(seen["depth"] - shown["depth"]).mean() if len(case.beds) else 0,
                    1e3 * np.sqrt(((surface - case.truth)[case.lot] ** 2).mean()),
                    1e3 * np.abs(seen["fall"] - shown["fall"]).mean(),
                ))  # fmt: skip
            each = {key: np.median(v, axis=0) for key, v in shown_by(case, draws).items()}
            rows.setdefault((name, "figures' medians"), []).append((
                np.nan, np.abs(np.log((each["area"] + 5) / (shown["area"][0] + 5))).mean(), np.nan,
                np.nan,
                1e3 * np.abs(each["depth"] - shown["depth"][0]).mean() if len(case.beds) else 0,
                np.nan, 1e3 * np.abs(each["fall"] - shown["fall"][0]).mean(),
            ))  # fmt: skip
    for ground in [*grounds(data), "all"]:
        for way in ("raw grid", "kriged raster", "measured, corrected", "median of draws",
                    "mean of draws (used)", "most central draw", "figures' medians"):  # fmt: skip
            some = np.nanmean([row for (g, w), many in rows.items() if w == way
                               and ground in (g, "all") for row in many], axis=0)  # fmt: skip
            print(f"  {ground:10} {way:20} {some[0]:.2f} {some[1]:.2f} {some[2]:.2f} {some[3]:.2f} "
                  f"{some[4]:.0f} {some[5]:.0f} {some[6]:.0f}", flush=True)  # fmt: skip


def kriged(case, cells, level):
    """The raster corrected with all of its error's covariance, that of each cell alone included."""
    row, column = np.divmod(np.arange(case.truth.size), case.truth.shape[1])
    r, c = np.divmod(cells, case.truth.shape[1])
    away = case.cell * np.hypot(row[:, None] - r, column[:, None] - c)
    across = ERROR.rmse_m**2 * (0.9 * ERROR.likeness(away) + 0.1 * (away == 0))
    off = level - case.measured.ravel()[cells]
    total = across[cells] + STATED**2 * np.eye(len(cells))
    return case.measured + (across @ np.linalg.solve(total, off)).reshape(case.truth.shape)


def central(draws):
    """The draw that is nearest to all others."""
    off = draws - draws.mean(axis=0)
    return draws[(off**2).sum(axis=(1, 2)).argmin()]


# ------------------------------------------------------------------ ties and guards


def some_cells(case, number, random, apart=6.0):
    """Places on the lot, at least so far apart."""
    pool = random.permutation(np.flatnonzero(case.lot.ravel()))
    found = []
    for cell in pool:
        r, c = divmod(int(cell), case.truth.shape[1])
        if all(case.cell * np.hypot(r - a, c - b) > apart for a, b in found):
            found.append((r, c))
        if len(found) == number:
            break
    return np.array([r * case.truth.shape[1] + c for r, c in found])


def ties(trials=200, data=None):
    """Offset of a benchmark: its deviation as stated, and as it is."""
    print(f"offset of a benchmark of its own from levels on hard ground, {trials} trials, seeds "
          "3000 on: true deviation, stated by GLS, s/sqrt(n) [mm]")  # fmt: skip
    for number in (3, 5, 8):
        rows = []
        for i in range(trials):
            random = np.random.default_rng(3000 + i)
            case = survey(flat(random), random)
            cells = some_cells(case, number, random)
            level = case.truth.ravel()[cells] + READ * random.standard_normal(number) + 3.7
            found = level_ground(case.surface, ERROR, shots_at(case, cells, level, own=True),
                                 seed=i)  # fmt: skip
            off = level - case.measured.ravel()[cells]
            if found.tie is not None:
                rows.append((found.tie.offset_m - 3.7, found.tie.deviation_m,
                             off.std(ddof=1) / number**0.5))  # fmt: skip
        r = 1e3 * np.array(rows)
        print(f"  {number} levels: {np.sqrt((r[:, 0] ** 2).mean()):.0f}, {r[:, 1].mean():.0f}, "
              f"{r[:, 2].mean():.0f}", flush=True)  # fmt: skip


def pipes(trials=20, data=None):
    """
    The fall from a rim that was levelled to ground levelled from the same benchmark, or not.

    Its 95 % interval is that of lines and outlets: how often it holds the known fall, and how wide
    it is, by what the ground at the other end is. The rim is that of the first level; 12 levels
    are in the order of the field sheet. Beside it the interval of a benchmark whose lie to the
    data is all that is known.
    """
    ends = ("levelled", "within 3 m", "on the lot")
    rows = {end: [] for end in ends}
    for kind in grounds(data).values():
        for i in range(trials):
            random = np.random.default_rng(1000 + i)
            case = survey(kind(random), random)
            cells = by_sheet(case, 12, random)
            truth, columns = case.truth.ravel(), case.truth.shape[1]
            level = truth[cells] + READ * random.standard_normal(12) + 3.7
            found = level_ground(case.surface, ERROR, shots_at(case, cells, level, own=True),
                                 seed=i)  # fmt: skip
            if found.conditioning is None:
                continue
            grid = case.surface.ground
            stated = LevelError(ERROR.rmse_m, ERROR.correlation_m, ERROR.white_share)
            error = found.error(stated, grid)
            rim, ground = level[0] - found.offset_m, found.ground.ravel()
            row, column = np.divmod(np.arange(truth.size), columns)
            away = np.hypot(row[:, None] - row[cells], column[:, None] - column[cells]).min(axis=1)
            lot = case.lot.ravel()
            pools = (cells[1:], np.flatnonzero(lot & (away > 0) & (away * grid.cell_m <= 3)),
                     np.flatnonzero(lot & (away * grid.cell_m > 3)))  # fmt: skip
            for end, pool in zip(ends, pools, strict=True):
                for cell in random.choice(pool, min(8, len(pool)), replace=False).tolist():
                    x, y = map(float, grid.xy(*divmod(cell, columns)))
                    off = rim - ground[cell] - (truth[cells[0]] - truth[cell])
                    rows[end].append((off, error.from_benchmark(x, y), error.at(x, y)))
    print(f"fall from a levelled rim to ground, 95 % interval, {trials} trials a ground: by one "
          "benchmark held/width [m], as for one of a known level only")  # fmt: skip
    for end, some in rows.items():
        off, near, alone = np.array(some).T
        told = [f"{(abs(off) <= 1.96 * d).mean():.2f}/{2 * 1.96 * d.mean():.3f}"
                for d in (near, alone)]  # fmt: skip
        print(f"  ground {end:11} {', '.join(told)}; without levels {2 * 1.96 * 0.1:.3f}",
              flush=True)  # fmt: skip


def guards(trials=40, data=None):
    """One wrong level, changed ground, numbers read otherwise, and false alarms."""
    print(f"guards; own benchmark; {trials} trials a ground, seeds 8000 on")
    for name, kind in grounds(data).items():
        told = {}
        for i in range(trials):
            random = np.random.default_rng(8000 + i)
            case = survey(kind(random), random)
            for number in (8, 12):
                cells = by_sheet(case, number, random) if number == 12 else (
                    some_cells(case, number, random, 0.0))  # fmt: skip
                true = case.truth.ravel()[cells]
                read = true + READ * random.standard_normal(number)
                for what, level, wrong in wrongly(case, cells, read, random):
                    shots = shots_at(case, cells, level + 3.7, own=True)
                    judged = level_ground(case.surface, ERROR, shots, seed=i).judged
                    out = [set(one.which) for one in judged.left_out]
                    told.setdefault((number, what), []).append((
                        bool(out) and judged.reading == "as written", wrong in out,
                        any(len(o) > 1 and len(o & wrong) > len(o) / 2 for o in out),
                        judged.probability < 0.001, judged.reading != "as written",
                        not judged.fits,
                    ))  # fmt: skip
        for (number, what), rows in told.items():
            share = np.mean(rows, axis=0)
            print(
                f"  {name:10} {number:2} levels, {what:24} left out {share[0]:.2f}, the right "
                f"one {share[1]:.2f}, the right group {share[2]:.2f}; refused {share[5]:.2f} "
                f"(no fit {share[3]:.2f}, read otherwise {share[4]:.2f})",
                flush=True,
            )


def wrongly(case, cells, read, random):
    """Levels as read, and wrong in several ways, with the positions of those that are wrong."""
    yield "nothing wrong", read, set()
    for size in (0.3, 0.5):
        bad, wrong = read.copy(), int(random.integers(len(read)))
        bad[wrong] += size * random.choice((-1, 1))
        yield f"one wrong by {size} m", bad, {wrong}
    if len(read) == 8:
        yield "rod readings for levels", 5 - read, set()
        yield "feet for metres", read / 0.3048, set()
        yield "metres for feet", read * 0.3048, set()
        return
    row, column = np.divmod(cells, case.truth.shape[1])
    away = case.cell * np.hypot(row[:, None] - row, column[:, None] - column)
    group = np.flatnonzero(away[(away < 8).sum(axis=1).argmax()] < 8)
    if 2 <= len(group) <= len(read) / 2:
        for size in (0.3, 0.5):
            raised = read.copy()
            raised[group] += size
            yield f"{size} m of fill under some", raised, set(group.tolist())


# ------------------------------------------------------------------ lines and walls

N, BED, WEST, EAST = 96, 48, 36, 80
ROW, COLUMN = np.mgrid[:N, :N].astype(float)


def swale(random, lip=0.12, width=1.5):
    """Swale along a slope of 2 %, its lower lip so high above its bed."""
    deep, down = lip, np.linspace(0, 6, 601)
    for _ in range(50):
        section = -0.02 * down - deep * np.exp(-((down / width) ** 2))
        deep += lip - (section.max() - section[0])
    ground = 10 - 0.02 * ROW - 0.008 * COLUMN
    along = (COLUMN >= WEST - 2) & (COLUMN <= EAST)
    ground -= deep * np.exp(-(((ROW - BED) / width) ** 2)) * along
    ground += natural(random, (N, N), deviation=0.01, exponent=3.2)
    return ground, BED + round(down[section.argmax()])


def street(random, height=0.15):
    """Street along the slope below a lawn: gutter, and its crown four metres on."""
    ground = 10 - 0.02 * ROW - 0.008 * COLUMN
    on = (ROW >= BED) & (ROW < BED + 9)
    ground[on] = (10 - 0.02 * BED - 0.008 * COLUMN - height + 0.02 * (ROW - BED))[on]
    low = (ROW >= BED + 5) & on
    ground[low] -= (0.04 * (ROW - BED - 4))[low]
    return ground + natural(random, (N, N), deviation=0.007, exponent=3.2), BED + 4


def lines(trials=24, data=None):
    """What share of the water that comes down to a line is caught by it; in truth all of it."""
    print(f"levels along a line, {trials} trials, seeds 100 on, 40 draws: share of the water that "
          "is caught; how often the catchment is held; width over the true area")  # fmt: skip
    for kind, stated in ((swale, 0.12), (street, 0.10)):
        for number in (3, 6):
            rows = {}
            for i in range(trials):
                random = np.random.default_rng(100 + i)
                truth, lip = kind(random)
                case = line_case(truth, random)
                for way, shots in line_shots(case, lip, number, stated, random):
                    surfaces = drawn_by_seed(case.surface, ERROR, i)
                    if shots is not None:
                        surfaces = level_ground(case.surface, ERROR, shots, seed=i).surfaces
                    found = [realise(case.plan, s).label for s in ensemble(surfaces, 40, i)]
                    above = (BED - 2) * N + np.arange(WEST, EAST + 1)
                    area = np.array([(label == 1).sum() for label in found], dtype=float)
                    true = (realise(case.plan, truth).label == 1).sum()
                    low, high = np.quantile(area, (0.05, 0.95), method="weibull")
                    caught = np.mean([(label[above] == 1).mean() for label in found])
                    rows.setdefault(way, []).append((caught, low <= true <= high,
                                                     (high - low) / true))  # fmt: skip
            for way, many in rows.items():
                share = np.mean(many, axis=0)
                print(f"  {kind.__name__:7} {number} levels a line, {way:28} {share[0]:.2f} "
                      f"{share[1]:.2f} {share[2]:.2f}", flush=True)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Bare:
    """A ground on which no water is followed."""

    truth: np.ndarray
    surface: object


def line_case(truth, random):
    """A line's ground as surveyed, with an inlet at its lower end."""
    surface = surface_of(truth + random_field(ERROR.spectrum(truth.shape, 1.0), random))
    flow = route(surface, no_drains(surface), by_kernel=True)
    drawn = [DrawnInlet("P", shapely.Point(EAST + 0.5, N - BED - 0.5))]
    placed = snap_inlets(place_inlets(drawn, surface), flow, radius_m=1.5, pond_depth=LIMIT)
    plan = realisation_plan(flow, placed, snap_m=1.5, pond_depth_m=LIMIT)
    nothing = np.zeros(0, int)
    return Case(truth, np.ones((N, N), bool), surface, plan, np.zeros((N, N), np.int32), nothing, 1,
                nothing, [], {}, [])  # fmt: skip


def line_shots(case, lip, number, stated, random):
    """Levels along a line in several ways."""
    columns = np.linspace(WEST, EAST, number).round().astype(int)
    cells = {"bed": BED * N + columns, "lip": lip * N + columns}
    level = {key: case.truth.ravel()[own] + READ * random.standard_normal(number)
             for key, own in cells.items()}  # fmt: skip

    def some(part, **more):
        return shots_at(case, cells[part], level[part], kind="lawn", part=part, **more)

    yield "no levels", None
    yield "bed and lip, single levels", together(some("bed"), some("lip"))
    yield "bed", some("bed", line="a")
    yield f"bed, {stated} m below its lips", some("bed", line="a", depth=stated)
    yield "bed and lip", together(some("bed", line="a"), some("lip", line="a"))


def walls(trials=20, data=None):
    """Levels below a retaining wall of 0.6 m: by how much they move the ground above it."""
    print(f"levels 1 and 3 m below a wall of 0.6 m, {trials} trials, seeds 9000 on: how far the "
          "ground above is moved, mean and most over 8 m along and 8 m up [mm]; error of the mean "
          "surface 1 to 4 m below before and after [mm]")  # fmt: skip
    n, at = 64, 32
    for length in (48, 12):
        rows = []
        for i in range(trials):
            random = np.random.default_rng(9000 + i)
            row = np.mgrid[:n, :n][0]
            truth = 10 - 0.01 * row + np.where(row < at, 0.6, 0.0)
            truth += random_field(np.full((n, n), 0.005**2), random)
            measured = gaussian_filter(truth, 1.5) + random_field(ERROR.spectrum((n, n), 1), random)
            line = shapely.LineString(
                [(32 - length / 2, n - at + 0.5), (32 + length / 2, n - at + 0.5)]
            )
            surface = surface_of(measured, walls=[(line, 0.6)])
            cells = np.array([at * n + n + 29, at * n + n + 35, (at + 3) * n + 27,
                              (at + 3) * n + 37])  # fmt: skip
            case = Bare(truth, surface)
            level = truth.ravel()[cells] + READ * random.standard_normal(4)
            made = conditioning(shots_at(case, cells, level), surface, ERROR)
            moved = np.abs(made.of(measured) - measured)[at - 9 : at - 1, 28:37]
            below = np.s_[at + 1 : at + 5, 28:37]
            surfaces = drawn_by_seed(surface, ERROR, i)
            plain = ensemble(surfaces, 24, i)
            after = [made.of(one) for one in plain]
            off = [1e3 * np.sqrt(((np.mean(s, axis=0) - truth)[below] ** 2).mean())
                   for s in (plain, after)]  # fmt: skip
            rows.append((1e3 * moved.mean(), 1e3 * moved.max(), *off))
        mean, _, before, after = np.mean(rows, axis=0)
        print(f"  wall of {length} m: {mean:.1f}, {np.max([r[1] for r in rows]):.1f}; {before:.0f} "
              f"to {after:.0f}", flush=True)  # fmt: skip


def times(trials=3, data=None, size=300):
    """What levels add to the draws of a window: processor time on one thread."""
    random = np.random.default_rng(1)
    ground = natural(random, (size, size), deviation=1.0, exponent=3.0)
    ground += 0.01 * np.arange(size)[:, None]
    house = shapely.box(140, 140, 155, 152)
    surface = surface_of(ground, buildings=[house])
    flow = route(surface, no_drains(surface), by_kernel=True)
    drawn = [DrawnInlet("P", shapely.Point(120.5, 150.5))]
    placed = snap_inlets(place_inlets(drawn, surface), flow, radius_m=1.5, pond_depth=LIMIT)
    plan = realisation_plan(flow, placed, snap_m=1.5, pond_depth_m=LIMIT)
    cells = np.array([(130 + 4 * i) * size + 125 + 7 * (i % 5) for i in range(12)])
    case = Bare(ground, surface)
    shots = shots_at(case, cells, ground.ravel()[cells])
    best = np.full(2, np.inf)
    for _ in range(trials):
        for which in (0, 1):
            start = process_time()
            surfaces = drawn_by_seed(surface, ERROR, 0)
            if which:
                surfaces = level_ground(surface, ERROR, shots, seed=0).surfaces
            for one in ensemble(surfaces, 100, 0):
                realise(plan, one)
            best[which] = min(best[which], process_time() - start)
    print(
        f"100 realisations of {size} x {size} cells, 12 levels, a house; best of {trials}: "
        f"{best[0]:.2f} s without levels, {best[1]:.2f} s with: {best[1] / best[0]:.2f}"
    )


PARTS = {"levels": levels, "routed": routed, "tie": ties, "pipes": pipes, "guards": guards,
         "lines": lines, "wall": walls, "time": times}  # fmt: skip

if __name__ == "__main__":
    which, *rest = [*sys.argv[1:], "all"][: max(len(sys.argv) - 1, 1)]
    trials = [int(value) for value in rest[:1]]
    folder = rest[1] if len(rest) > 1 else None
    for part, run in PARTS.items():
        if which in (part, "all"):
            run(*trials, data=folder)
