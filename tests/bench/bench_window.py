"""
The sample lot inside a large raster beside the same lot in the small one: time and memory.

Run: python tests/bench/bench_window.py. Makes a COG of 10,000 x 10,000 cells (some 150 MB) in a
temporary folder: the sample where it lies, round it rough ground 2 m lower, so that no catchment
reaches beyond the sample. Prints ratios of one run; nothing is judged here.
"""

import tempfile
from pathlib import Path

import numpy as np
import rasterio
import rasterio.shutil
from cold import SAMPLE, best, cold_lotflow
from line import Aim, Line, show
from rasterio.transform import Affine
from rasterio.windows import Window

SIZE, BLOCK, ROUNDS = 10_000, 500, 5


def large_raster(path, size=SIZE):
    """Write the sample into the middle of a large COG; all of its blocks are real."""
    with rasterio.open(SAMPLE / "dem.tif") as source:
        sample, profile, tags = source.read(1), source.profile, source.tags()
        unit = source.units
    row = column = (size - max(sample.shape)) // 2
    profile.update(
        driver="GTiff", width=size, height=size, tiled=True, blockxsize=512, blockysize=512,
        transform=profile["transform"] @ Affine.translation(-column, -row),
    )  # fmt: skip
    random = np.random.default_rng(0)
    lower = float(np.nanmin(sample)) - 2.0
    plain = path.with_suffix(".plain.tif")
    with rasterio.open(plain, "w", **profile) as target:
        for top in range(0, size, BLOCK):
            ground = lower + random.integers(0, 20, (BLOCK, size)) / 100.0
            target.write(ground.astype(np.float32), 1, window=Window(0, top, size, BLOCK))
        target.write(sample, 1, window=Window(column, row, *sample.shape[::-1]))
        target.update_tags(**tags)
        target.units = unit
    rasterio.shutil.copy(plain, path, driver="COG", compress="deflate", predictor=3)
    plain.unlink()


def measure():
    """Least cost of each, in turns, and the size of the large file [MB]."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        large_raster(folder / "large.tif")
        files = {"small": SAMPLE / "dem.tif", "large": folder / "large.tif"}
        costs = {key: [] for key in files}
        for number in range(ROUNDS):
            for key, file in files.items():
                costs[key].append(cold_lotflow(
                    "screen", file, SAMPLE / "site.gpkg", "--no-pack", "--realisations", 0, "-q",
                    "-o", folder / f"{key}{number}",
                ))  # fmt: skip
        return {key: best(all_costs) for key, all_costs in costs.items()}, (
            files["large"].stat().st_size / 1e6
        )


def lines():
    """Lines of the table."""
    least, size = measure()
    small, large = least["small"], least["large"]
    where = f"lot in {SIZE} x {SIZE} cells, {size:.0f} MB"
    beside = "lot in its small raster"
    time, memory = large.wall_s / small.wall_s, large.peak_mb / small.peak_mb
    yield Line(f"{where}: time", large.wall_s, "s", beside, time, Aim(1.15))
    yield Line(f"{where}: memory", large.peak_mb, "MB", beside, memory, Aim(1.1))


if __name__ == "__main__":
    show(lines())
