"""
Cold `lotflow screen` on the sample beside a bare import of the libraries it cannot do without.

Run: python tests/bench/bench_screen.py. Prints ratios of one run, the processes in turns; nothing
is judged here. Both cores should be idle: the map is drawn on the second one.
"""

import tempfile
from pathlib import Path

from cold import SAMPLE, best, cold, cold_lotflow

ROUNDS = 5
BARE = "import geopandas, rasterio, richdem"
FILES = SAMPLE / "dem.tif", SAMPLE / "site.gpkg"
RUNS = {
    BARE: lambda _: cold("-c", BARE),
    "lotflow --help": lambda _: cold_lotflow("--help"),
    "screen --no-pack": lambda folder: cold_lotflow(
        "screen", *FILES, "--no-pack", "--realisations", 0, "-q", "-o", folder
    ),
    "screen": lambda folder: cold_lotflow(
        "screen", *FILES, "--realisations", 0, "-q", "-o", folder
    ),
    "screen --no-pack, 100 realisations": lambda folder: cold_lotflow(
        "screen", *FILES, "--no-pack", "-q", "-o", folder
    ),
}  # fmt: skip
AIMS = {"screen --no-pack": 3.5, "screen --no-pack, 100 realisations": 2.0}
#: What a run is compared with, where that is not the bare import.
BESIDE = {"screen --no-pack, 100 realisations": "screen --no-pack"}


def rows():
    """Lines of the table: what, seconds, beside what, ratio, aim."""
    costs = {name: [] for name in RUNS}
    with tempfile.TemporaryDirectory() as folder:
        for number in range(ROUNDS):
            for name, run in RUNS.items():
                costs[name].append(run(Path(folder, f"{name.split()[-1]}{number}")))
    least = {name: best(all_costs) for name, all_costs in costs.items()}
    for name, cost in least.items():
        other = BESIDE.get(name, BARE)
        beside = "bare import" if other == BARE else other
        yield name, cost.wall_s, beside, cost.wall_s / least[other].wall_s, AIMS.get(name)


if __name__ == "__main__":
    for what, seconds, beside, ratio, _ in rows():
        print(f"{what:36s} {seconds:6.2f} s {ratio:6.2f} x {beside}")
