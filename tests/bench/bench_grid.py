"""Do 90 % intervals of gridded ground hold returns that were left out, near and far from others?

    python tests/bench/bench_grid.py [POINTS] [--draws]

Real returns (../shared/data/ahn3-points unless named). In each round a tenth of the ground returns
is withheld, and all in discs of 1 to 5 m, a tenth of the ground; surface and law are made of the
others alone, and held against the withheld ones. With `--draws` the intervals are those of surfaces
that realisations draw, and the volume that depressions hold is compared with that of the surface of
all returns.
"""

import sys
from pathlib import Path

import numpy as np
from affine import Affine
from pyproj import CRS
from scipy.spatial import cKDTree
from skimage.morphology import reconstruction

from lotflow.inputs.points import points_crs, read_ground, read_points_header
from lotflow.terrain.ground_points import (
    SPREAD_90,
    grid_returns,
    learned_law,
    left_out,
    nearest,
    thinned_returns,
)
from lotflow.terrain.level_error import ErrorModel
from lotflow.terrain.realisations.likely_surfaces import likely_surfaces

DATA = Path(__file__).parents[3] / "shared" / "data" / "ahn3-points" / "sample.laz"
BINS = ((0, 0.25), (0.25, 0.5), (0.5, 1), (1, 1.5), (1.5, 2), (2, 3), (3, 5))
#: What is aimed at in each.
LEAST, MOST = 0.85, 0.95


def rounds(xyz, number):
    """Errors, distances and deviations of withheld returns, of all rounds."""
    told = []
    for seed in range(100, 100 + number):
        error, distance, place = left_out(xyz, np.random.default_rng(seed))
        keep = np.ones(len(xyz), dtype=bool)
        keep[cKDTree(xyz[:, :2]).query(place)[1]] = False
        law = learned_law(xyz[keep])
        told.append((error, distance, law.deviation(distance)))
        print(f"round {seed}: s0 {law.s0_m:.3f} m, c {law.c:.3f}, h {law.h:.2f}", flush=True)
    return [np.concatenate(one) for one in zip(*told, strict=True)]


def header_line(*words):
    print("| " + " | ".join(words) + " |")
    print("|" + "---|" * len(words))


#: Windows of so many cells of 0.5 m, of which so many at the sides are not judged.
SIDE, EDGE, CELL_M = 96, 8, 0.5
DRAWS, FILLED = 30, 12


def held(xyz):
    """Surface without withheld returns, that of all, the withheld ones, and the law."""
    _, _, place = left_out(xyz, np.random.default_rng(7))
    out = np.zeros(len(xyz), dtype=bool)
    out[cKDTree(xyz[:, :2]).query(place)[1]] = True
    west, north = np.floor(xyz[:, 0].min()), np.ceil(xyz[:, 1].max())
    transform = Affine(CELL_M, 0, west, 0, -CELL_M, north)
    shape = tuple(int(size / CELL_M) for size in np.ptp(xyz[:, :2], axis=0)[::-1])
    seen, whole = (grid_returns(one, transform, shape, 10.0) for one in (xyz[~out], xyz))
    return seen, whole, xyz[~out], xyz[out], learned_law(xyz[~out]), transform


def windows(seen, whole):
    """Where both surfaces are without gaps."""
    rows, columns = seen.elevation.shape
    for row in range(0, rows - SIDE + 1, 48):
        for column in range(0, columns - SIDE + 1, 24):
            part = (slice(row, row + SIDE), slice(column, column + SIDE))
            if np.isfinite(seen.elevation[part]).all() and np.isfinite(whole.elevation[part]).all():
                yield row, column, part


def volume(surface):
    """Volume that depressions hold away from the sides, by another library [m3]."""
    inner = slice(EDGE, SIDE - EDGE)
    seed = np.full_like(surface, surface.max())
    seed[[0, -1]], seed[:, [0, -1]] = surface[[0, -1]], surface[:, [0, -1]]
    filled = reconstruction(seed, surface, method="erosion")
    return float((filled - surface)[inner, inner].sum() * CELL_M**2)


def by_draws(xyz):
    """Intervals of draws, with and without what is added away from returns."""
    seen, whole, near, far, law, transform = held(xyz)
    header_line("error", *(f"{a:g} to {b:g} m" for a, b in BINS), "volume beside that of all")
    for name, rmse, with_law in (
        ("next to returns", law.s0_m, False), ("next to returns, and away", law.s0_m, True),
        ("0.10 m", 0.10, False), ("0.10 m, and away", 0.10, True),
    ):  # fmt: skip
        inside, distance, volumes = [], [], []
        for k, (row, column, part) in enumerate(windows(seen, whole)):
            apart = law.c * seen.distance[part] ** law.h if with_law else None
            error = ErrorModel(rmse, 10.0, 0.1)
            drawn = likely_surfaces(
                seen.elevation[part], error, CELL_M, np.random.default_rng(k), apart
            )
            draws = np.array([drawn.draw(n, np.random.default_rng(1000 * k + n))
                              for n in range(DRAWS)])  # fmt: skip
            i = np.floor((transform.f - far[:, 1]) / CELL_M).astype(int) - row
            j = np.floor((far[:, 0] - transform.c) / CELL_M).astype(int) - column
            own = (np.minimum(i, j) >= EDGE) & (np.maximum(i, j) < SIDE - EDGE)
            noise = np.random.default_rng(k).normal(0, law.s0_m, (DRAWS, own.sum()))
            low, high = np.percentile(draws[:, i[own], j[own]] + noise, [5, 95], axis=0)
            inside.append((far[own, 2] >= low) & (far[own, 2] <= high))
            distance.append(nearest(near, far[own, :2]))
            median = np.median([volume(one) for one in draws[:FILLED]])
            volumes.append(median / max(volume(whole.elevation[part]), 0.1))
        hits, away = np.concatenate(inside), np.concatenate(distance)
        shares = [hits[(away >= a) & (away < b)].mean() for a, b in BINS]
        told = " | ".join(f"{share:.2f}" for share in shares)
        print(f"| {name} | {told} | {np.median(volumes):.2f} |", flush=True)


def main():
    arguments = [one for one in sys.argv[1:] if not one.startswith("--")]
    number = 12
    header = read_points_header(Path(arguments[0]) if arguments else DATA)
    crs = points_crs([header], None if header.crs is not None else CRS(28992))
    xyz = thinned_returns(read_ground([header], crs, None, vertical_unit="m").xyz)
    if "--draws" in sys.argv:
        by_draws(xyz)
        return
    error, distance, deviation = rounds(xyz, number)
    inside = np.abs(error) <= SPREAD_90 * deviation
    near = np.percentile(np.abs(error[distance < 0.5]), 90)
    print(f"\n{len(xyz):,} ground returns, {error.size:,} withheld in {number} rounds")
    print(f"all {inside.mean():.3f}")
    header_line("distance to the nearest return [m]", "withheld", "RMSE [m]",
                "mean half width [m]", "inside", "with the error near returns everywhere",
                "aim met")  # fmt: skip
    for low, high in BINS:
        own = (distance >= low) & (distance < high)
        share, flat = inside[own].mean(), (np.abs(error[own]) <= near).mean()
        rms = np.sqrt(np.mean(error[own] ** 2))
        width = SPREAD_90 * deviation[own].mean()
        met = "yes" if LEAST <= share <= MOST else "no"
        print(f"| {low:g} to {high:g} | {own.sum():,} | {rms:.3f} | {width:.3f} | {share:.3f} | "
              f"{flat:.3f} | {met} |")  # fmt: skip


if __name__ == "__main__":
    main()
