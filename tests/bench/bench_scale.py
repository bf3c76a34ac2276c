"""
One large job beside a small one: cost and memory per lot area, per inlet, per drain line.

Run: python tests/bench/bench_scale.py [largest side of a lot in m]. Rough invented ground, cells
of 1 m; `run --no-pack --realisations 0` in a fresh process each. Prints ratios of one run; nothing
is judged here.
"""

import sys
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from cold import SAMPLE, cold_lotflow
from line import Aim, Line, show
from rasterio.transform import Affine

AROUND_M = 80
WEST, SOUTH, CRS = 300_000.0, 4_300_000.0, 26918


def ground(cells, seed=1):
    """Fractal relief of 0.4 m on a slope of 1 %."""
    frequency = np.fft.fftfreq(cells)
    wave = np.hypot(*np.meshgrid(frequency, frequency))
    wave[0, 0] = 1.0
    noise = np.random.default_rng(seed).normal(size=(cells, cells))
    relief = np.fft.ifft2(np.fft.fft2(noise) / wave**1.1).real
    return 0.4 * relief / relief.std() + 20.0 + 0.01 * np.arange(cells)[:, None]


def write_job(folder, side, inlets=0):
    """A square lot; inlets in rows, each row piped to a curb along the north side."""
    folder.mkdir()
    cells = int(side + 2 * AROUND_M)
    transform = Affine(1, 0, WEST - AROUND_M, 0, -1, SOUTH + side + AROUND_M)
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", height=cells, width=cells, count=1, crs=CRS,
        dtype="float32", transform=transform, nodata=-9999, compress="deflate",
    ) as file:  # fmt: skip
        file.write(ground(cells).astype(np.float32), 1)
    square = shapely.box(WEST, SOUTH, WEST + side, SOUTH + side)
    _write(folder, "lot", [{"name": "Large", "geometry": square}])
    if inlets:
        rows = int(np.ceil(np.sqrt(inlets)))
        step = side / rows
        place = {
            (i, k): shapely.Point(WEST + (i + 0.12) * step, SOUTH + (k + 0.12) * step)
            for i in range(rows) for k in range(rows) if i * rows + k < inlets
        }  # fmt: skip
        last = {i: max(k for j, k in place if j == i) for i, _ in place}
        curbs = {i: shapely.Point(place[i, 0].x, SOUTH + side + 1) for i in last}
        _write(folder, "inlets", [
            {"name": f"Inlet {i}-{k}", "kind": "catch basin", "geometry": at}
            for (i, k), at in place.items()
        ])  # fmt: skip
        _write(folder, "outlets", [
            {"name": f"Curb {i}", "kind": "curb", "geometry": at} for i, at in curbs.items()
        ])  # fmt: skip
        _write(folder, "drain_lines", [
            {
                "name": f"Line {i}-{k}", "from_node": f"Inlet {i}-{k}", "material": "pvc",
                "to_node": f"Inlet {i}-{k + 1}" if k < last[i] else f"Curb {i}", "size_in": 8.0,
                "geometry": shapely.LineString([at, place[i, k + 1] if k < last[i] else curbs[i]]),
            }
            for (i, k), at in place.items()
        ])  # fmt: skip
    (folder / "rain.csv").write_bytes((SAMPLE / "rainfall.csv").read_bytes())
    (folder / "job.toml").write_text(
        '[job]\nname = "Large"\nunits = "metric"\n[elevation]\nfile = "dem.tif"\n'
        'vertical_unit = "m"\n[layers]\nfile = "site.gpkg"\n[rainfall]\nfile = "rain.csv"\n'
        "storms = [2, 10, 100]\n"
    )


def _write(folder, layer, rows):
    frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS)
    frame.to_file(folder / "site.gpkg", layer=layer)


def lines(largest=400):
    """Four times the area; four times the inlets and lines."""
    found = []
    with tempfile.TemporaryDirectory() as name:
        jobs = [("lot", side, 0) for side in (largest // 4, largest // 2, largest)]
        jobs += [("inlets", 200, number) for number in (100, 400)]
        before = {}
        for kind, side, inlets in jobs:
            folder = Path(name) / f"{kind}{side}-{inlets}"
            write_job(folder, side, inlets)
            spent = cold_lotflow("run", folder, "--no-pack", "--realisations", 0, "-q")
            what = f"{inlets} inlets and lines" if inlets else f"lot of {side * side / 1e4:g} ha"
            aim = Aim(6 if inlets else 5)
            for amount, unit in ((spent.computing_s, "s"), (spent.peak_mb, "MB")):
                smaller = before.get((kind, unit))
                before[kind, unit] = amount
                label = f"{what}: {'computing' if unit == 's' else 'memory'}"
                found.append(
                    Line(label, amount, unit)
                    if smaller is None
                    else Line(label, amount, unit, "a quarter of it", amount / smaller, aim)
                )
    return found


if __name__ == "__main__":
    show(lines(*(int(one) for one in sys.argv[1:])))
