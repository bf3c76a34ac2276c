"""
Cold `lotflow screen` on the sample beside a bare import of its libraries, and the terrain chain.

Run: python tests/bench/bench_screen.py. Prints ratios of one run; nothing is judged here.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyflwdir

from lotflow.terrain.drainage import depression_hierarchy, flow_field, level_steps

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
ROUNDS = 5


def _cold(*arguments):
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    return time.perf_counter() - start


def _screen(folder, number):
    return _cold(
        "-c", "from lotflow.cli import main; main()", "screen", str(SAMPLE / "dem.tif"),
        str(SAMPLE / "site.gpkg"), "-o", str(Path(folder, str(number))), "-q",
    )  # fmt: skip


def screen_against_imports():
    """Best of several cold processes each, in turns."""
    bare, screen = [], []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(ROUNDS):
            bare.append(_cold("-c", "import geopandas, rasterio, richdem"))
            screen.append(_screen(folder, number))
    print(f"bare imports {min(bare):.2f} s, screen {min(screen):.2f} s, "
          f"ratio {min(screen) / min(bare):.2f}")  # fmt: skip


def _rough(size):
    random = np.random.default_rng(3)
    k = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    k[0, 0] = 1
    spectrum = np.fft.rfft2(random.standard_normal((size, size))) * k**-1.5
    spectrum[0, 0] = 0
    relief = np.fft.irfft2(spectrum, s=(size, size))
    return level_steps(300 + 1.5 * relief / relief.std() + 0.01 * np.arange(size)[:, None])


def _ours(elevation, drain, number, rule):
    filled = depression_hierarchy(elevation, drain).filled()
    field = flow_field(filled, drain, rule=rule)
    field.accumulated(np.ones(elevation.shape))
    field.labels(number)


def _peer(elevation, drain, cells):
    _, direction = pyflwdir.dem.fill_depressions(
        elevation.astype(np.float32), idxs_pit=np.flatnonzero(drain)
    )
    peer = pyflwdir.from_array(direction, ftype="d8", check_ftype=False)
    peer.upstream_area(unit="cell")
    peer.basins(idxs=cells)


def chain_against_peer(size=1000):
    """Fill with inlets as drains, directions, accumulation, labels of 8 inlets."""
    elevation = _rough(size)
    cells = np.random.default_rng(0).choice(size * size, 8, replace=False)
    number = np.zeros(elevation.shape, dtype=np.int32)
    number.ravel()[cells] = range(1, 9)
    drain = number > 0
    drain[[0, -1], :] = drain[:, [0, -1]] = True
    runs = {
        "lotflow, ltd": lambda: _ours(elevation, drain, number, "ltd"),
        "lotflow, steepest": lambda: _ours(elevation, drain, number, "steepest"),
        "pyflwdir": lambda: _peer(elevation, drain, cells),
    }
    best = dict.fromkeys(runs, np.inf)
    for _ in range(ROUNDS):
        for name, run in runs.items():
            start = time.perf_counter()
            run()
            best[name] = min(best[name], time.perf_counter() - start)
    for name, seconds in best.items():
        print(f"{name}: {seconds:.2f} s, {seconds / best['pyflwdir']:.2f} x pyflwdir")


if __name__ == "__main__":
    screen_against_imports()
    chain_against_peer()
