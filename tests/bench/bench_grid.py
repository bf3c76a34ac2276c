"""Do 90 % intervals of gridded ground hold returns that were left out, near and far from others?

    python tests/bench/bench_grid.py [POINTS] [--rounds N]

Real returns (../shared/data/ahn3-points unless named). In each round a tenth of the ground returns
is withheld, and all in discs of 1 to 5 m, a tenth of the ground; surface and law are made of the
others alone, and held against the withheld ones.
"""

import sys
from pathlib import Path

import numpy as np
from pyproj import CRS
from scipy.spatial import cKDTree

from lotflow.inputs.points import points_crs, read_ground, read_points_header
from lotflow.terrain.ground_points import (
    SPREAD_90,
    learned_law,
    left_out,
    thinned_returns,
)

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


def main():
    arguments = [one for one in sys.argv[1:] if not one.startswith("--")]
    number = 12
    if "--rounds" in sys.argv:
        number = int(arguments.pop())
    header = read_points_header(Path(arguments[0]) if arguments else DATA)
    crs = points_crs([header], None if header.crs is not None else CRS(28992))
    xyz = thinned_returns(read_ground([header], crs, None, vertical_unit="m").xyz)
    error, distance, deviation = rounds(xyz, number)
    inside = np.abs(error) <= SPREAD_90 * deviation
    near = np.percentile(np.abs(error[distance < 0.5]), 90)
    print(f"\n{len(xyz):,} ground returns, {error.size:,} withheld in {number} rounds")
    print(f"all {inside.mean():.3f}")
    print("| distance to the nearest return [m] | withheld | RMSE [m] | mean half width [m] | "
          "inside | the error near returns taken everywhere | aim met |")  # fmt: skip
    print("|---|---|---|---|---|---|---|")
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
