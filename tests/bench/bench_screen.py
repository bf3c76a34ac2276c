"""
Cold `lotflow screen` on the sample beside a bare import of the libraries it cannot do without.

Run: python tests/bench/bench_screen.py. Prints ratios of one run, the processes in turns; nothing
is judged here. Both cores should be idle: the map is drawn on the second one.
"""

import tempfile
from pathlib import Path

from cold import SAMPLE, best, cold, cold_lotflow
from line import Aim, Line, show

ROUNDS = 5
BARE = "import geopandas, rasterio, richdem"
FILES = SAMPLE / "dem.tif", SAMPLE / "site.gpkg"
NO_PACK, PACK, MANY = "screen --no-pack", "screen", "screen --no-pack, 100 realisations"
USUAL = "screen, pack, 100 realisations"
RUNS = {
    BARE: lambda _: cold("-c", BARE),
    "lotflow --help": lambda _: cold_lotflow("--help"),
    NO_PACK: lambda folder: cold_lotflow(
        "screen", *FILES, "--no-pack", "--realisations", 0, "-q", "-o", folder
    ),
    PACK: lambda folder: cold_lotflow(
        "screen", *FILES, "--realisations", 0, "-q", "-o", folder
    ),
    MANY: lambda folder: cold_lotflow(
        "screen", *FILES, "--no-pack", "-q", "-o", folder
    ),
    USUAL: lambda folder: cold_lotflow("screen", *FILES, "-q", "-o", folder),
}  # fmt: skip
AIMS = {NO_PACK: Aim(3.3), MANY: Aim(2.0), USUAL: Aim(4.0)}
#: What a run is compared with, where that is not the bare import.
BESIDE = {MANY: NO_PACK}


def lines():
    """Lines of the table."""
    costs = {name: [] for name in RUNS}
    with tempfile.TemporaryDirectory() as folder:
        for number in range(ROUNDS):
            for name, run in RUNS.items():
                costs[name].append(run(Path(folder, f"{name.split()[-1]}{number}")))
    least = {name: best(all_costs) for name, all_costs in costs.items()}
    for name, cost in least.items():
        other = BESIDE.get(name, BARE)
        beside, ratio = "bare import" if other == BARE else other, cost.wall_s / least[other].wall_s
        yield Line(name, cost.wall_s, "s", beside, ratio, AIMS.get(name))
    added = least[PACK].wall_s - least[NO_PACK].wall_s
    aim = Aim(1.5, is_of_amount=True)
    yield Line("page, field sheet and waypoints add", added, "s", aim=aim)
    for name in (BARE, MANY):
        ratio = least[name].peak_mb / least[BARE].peak_mb
        yield Line(f"{name}: memory", least[name].peak_mb, "MB", "bare import", ratio)


if __name__ == "__main__":
    show(lines())
