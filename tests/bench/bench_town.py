"""
What a lot of a batch costs beside a cold screening of it, and what a batch costs to take up again.

Run: python tests/bench/bench_town.py [LOTS]. Makes rough ground and lots of 36 m by 36 m with a
house each in a temporary folder. Seconds of computing of all processes, which depend little on what
else the machine does; those of two workers on the clock, which depend on it much.
"""

import shutil
import sys
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from affine import Affine
from cold import cold, cold_lotflow
from line import Aim, Line, show
from scipy.ndimage import gaussian_filter
from shapely import box

LOTS, APART_M, RIM_M = 60, 40, 150

#: In a process of its own: memory at its highest after ten lots, and after all [MB].
GROWTH = """
import json, resource, sys
from pathlib import Path
from lotflow.inputs.surroundings import keep_to_local_files
keep_to_local_files()
from lotflow.town.batch import Keep, run_batch
from lotflow.town.engine import Crew
from lotflow.town.lots import TownJob
town, out = map(Path, sys.argv[1:])
peaks = {}
def watch(done, of):
    peaks[done] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
job = TownJob((str(town / "dem.tif"),), {"lot": str(town / "lots.gpkg"), "buildings":
              str(town / "houses.gpkg")}, "pin", vertical_unit="m", realisations=0)
run_batch(job, out, keep=Keep(), crew=Crew(0), watch=watch)
Path(out, "peaks.json").write_text(json.dumps([peaks[10], peaks[max(peaks)]]))
"""


def made_town(folder, number):
    """Write ground, lots and houses."""
    side = int(np.ceil(np.sqrt(number)))
    size = side * APART_M + 2 * RIM_M
    west, north = 500000, 4500000
    ground = gaussian_filter(np.random.default_rng(0).normal(size=(size, size)), 6) * 4 + 100
    ground -= np.arange(size)[:, None] * 0.01
    profile = {
        "driver": "GTiff", "width": size, "height": size, "count": 1, "dtype": "float32",
        "crs": "EPSG:32618", "transform": Affine(1, 0, west, 0, -1, north), "tiled": True,
        "compress": "deflate",
    }  # fmt: skip
    with rasterio.open(folder / "dem.tif", "w", **profile) as target:
        target.write(ground.astype("float32"), 1)
    places = [(west + RIM_M + APART_M * (i % side), north - RIM_M - APART_M * (1 + i // side))
              for i in range(number)]  # fmt: skip
    gpd.GeoDataFrame(
        {"pin": [f"P-{i:06d}" for i in range(number)]},
        geometry=[box(x, y, x + 36, y + 36) for x, y in places], crs=32618,
    ).to_file(folder / "lots.gpkg", layer="lots")  # fmt: skip
    houses = [box(x + 12, y + 12, x + 24, y + 22) for x, y in places]
    gpd.GeoDataFrame(geometry=houses, crs=32618).to_file(folder / "houses.gpkg", layer="buildings")
    return folder


def batch(town, out, *options):
    """Run a batch anew."""
    shutil.rmtree(out, ignore_errors=True)
    return again(town, out, *options)


def again(town, out, *options):
    """Run a batch where it stands."""
    return cold_lotflow(
        "batch", town / "lots.gpkg", "--key", "pin", "--elevation", town / "dem.tif",
        "--buildings", town / "houses.gpkg", "--vertical-unit", "m", "-q", "-o", out, *options,
    )  # fmt: skip


def lines(number=LOTS):
    """Lines of the table."""
    with tempfile.TemporaryDirectory() as folder:
        town, few = Path(folder, "town"), Path(folder, "few")
        town.mkdir()
        few.mkdir()
        made_town(town, number)
        shutil.copy(town / "dem.tif", few)
        shutil.copy(town / "houses.gpkg", few)
        gpd.read_file(town / "lots.gpkg").iloc[:2].to_file(few / "lots.gpkg", layer="lots")
        out, none = Path(folder, "out"), ("--realisations", "0")

        def each(*options):
            """What one more lot costs, without the start of the process."""
            start = batch(few, out, "--workers", 0, *options)
            whole = batch(town, out, "--workers", 0, *options)
            return (whole.computing_s - start.computing_s) / (number - 2)

        screen = cold_lotflow(
            "screen", town / "dem.tif", town / "lots.gpkg", "--key", "pin", "--lot-name",
            "P-000000", "--buildings", town / "houses.gpkg", "--vertical-unit", "m", "--no-pack",
            *none, "-q", "-o", Path(folder, "one"),
        )  # fmt: skip
        yield Line("screen --no-pack of one lot, cold: computing", screen.computing_s)
        bare = each(*none)
        yield Line("a lot of a batch, overview: computing", bare, "s", "screen --no-pack",
                   bare / screen.computing_s, Aim(0.35))  # fmt: skip
        for what, options in {
            "with 100 realisations": (),
            "folder without pack": (*none, "--keep", "folders", "--no-pack"),
            "folder with pack": (*none, "--keep", "folders"),
        }.items():
            cost = each(*options)
            yield Line(f"{what}: computing", cost, "s", "overview", cost / bare)
        alone = batch(town, out, "--workers", 0, *none)
        two = batch(town, out, "--workers", 2, *none)
        yield Line(f"{number} lots, this process", alone.wall_s)
        yield Line(f"{number} lots, two workers", two.wall_s, "s", "this process",
                   two.wall_s / alone.wall_s)  # fmt: skip
        yield Line("computing", two.computing_s, "s", "this process",
                   two.computing_s / alone.computing_s)  # fmt: skip
        resumed = again(town, out, "--workers", 2, *none)
        yield Line("the finished batch again: computing", resumed.computing_s, "s", "the batch",
                   resumed.computing_s / two.computing_s)  # fmt: skip
        shutil.rmtree(out)
        cold("-c", GROWTH, str(town), str(out))
        at_ten, at_end = map(float, (out / "peaks.json").read_text().strip("[]").split(","))
        yield Line("memory after ten lots", at_ten, "MB")
        yield Line(f"memory after {number} lots", at_end - at_ten, "MB more", "",
                   None, Aim(20.0, is_of_amount=True))  # fmt: skip


if __name__ == "__main__":
    show(lines(*map(int, sys.argv[1:])))
