"""
A lot with the footprints of its street beside the same lot with those of a town.

Run: python tests/bench/bench_town_layers.py. Makes layers of 160 and of 80,000 invented footprints
(20 MB) in a temporary folder, the nearest ones of both the same. Cold commands, in turns; prints
ratios of one run, nothing is judged here.
"""

import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
from cold import SAMPLE, best, cold_lotflow
from line import Aim, Line, show
from shapely import box

ROUNDS, FEW, MANY, APART_M = 5, 160, 80_000, 42.0


def footprints(path, number):
    """Write houses of 10 m by 8 m on a mesh round the lot, none on it."""
    lot = gpd.read_file(SAMPLE / "site.gpkg", layer="lot")
    x, y = lot.geometry.iloc[0].centroid.coords[0]
    side = int(np.ceil(np.sqrt(number + 9)))
    steps = (np.arange(side) - side // 2) * APART_M
    at = [(x + u, y + v) for u in steps for v in steps if max(abs(u), abs(v)) > 1.5 * APART_M]
    at.sort(key=lambda place: max(abs(place[0] - x), abs(place[1] - y)))  # the nearest first
    shapes = [box(u, v, u + 10, v + 8) for u, v in at[:number]]
    gpd.GeoDataFrame(geometry=shapes, crs=lot.crs).to_file(path, layer="buildings")
    return path


def lines():
    """Lines of the table."""
    costs = {FEW: [], MANY: []}
    with tempfile.TemporaryDirectory() as folder:
        paths = {number: footprints(Path(folder, f"{number}.gpkg"), number) for number in costs}
        for turn in range(ROUNDS):
            for number, path in paths.items():
                costs[number].append(cold_lotflow(
                    "screen", SAMPLE / "dem.tif", SAMPLE / "site.gpkg", "--buildings", path,
                    "--no-pack", "--realisations", 0, "-q", "-o", Path(folder, f"{number}-{turn}"),
                ))  # fmt: skip
    few, many = best(costs[FEW]), best(costs[MANY])
    yield Line(f"screen --no-pack with {FEW} footprints: computing", few.computing_s, "s")
    yield Line(f"with {MANY:,} footprints: computing", many.computing_s, "s",
               f"with {FEW}", many.computing_s / few.computing_s, Aim(1.1))  # fmt: skip


if __name__ == "__main__":
    show(lines())
