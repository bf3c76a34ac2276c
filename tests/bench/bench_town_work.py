"""
Lots of a batch on real ground, one by one: how long each takes, and what workers that die cost.

Run: python tests/bench/bench_town_work.py DEM SITE [LOTS], SITE with layers of buildings and water
in one GeoPackage each side by side with the raster. Cuts lots of 10 m by 14 m that touch a building
out of the site. Runs them in one worker, three tenths of them in two, and all through a scheduler
whose workers are killed twenty times, and which is killed itself. Seconds of computing of each lot;
on the clock only how much of the time workers had a lot in hand, which depends little on what else
the machine does. A fourth argument names a file for what each lot took.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from line import Aim, Line, show

from lotflow.inputs.parcels import read_parcels
from lotflow.town.engine import Crew, run_lots
from lotflow.town.lots import Lot, TownJob

LOTS, WIDE_M, DEEP_M = 200, 10.0, 14.0
KILLS, ROWS_BETWEEN = 20, 8
#: What is measured of a lot beside its row.
TOLD = ("began", "wall_s", "process", "cpu_s", "rss_mb")


def write_parcels(site, folder, number):
    """Rectangles that touch a building and are no water, row by row."""
    buildings = gpd.read_file(site, layer="buildings")
    water = gpd.read_file(site, layer="water")
    buildings.to_file(folder / "buildings.gpkg", layer="buildings")
    water.to_file(folder / "water.gpkg", layer="water")
    west, south, east, north = buildings.total_bounds
    boxes = np.array([
        shapely.box(x, y, x + WIDE_M, y + DEEP_M)
        for y in np.arange(south + 2, north - 2 - DEEP_M, DEEP_M)
        for x in np.arange(west + 2, east - 2 - WIDE_M, WIDE_M)
    ])  # fmt: skip
    houses, wet = buildings.union_all(), water.union_all()
    dry = shapely.area(shapely.intersection(boxes, wet)) < 0.2 * WIDE_M * DEEP_M
    found = boxes[shapely.intersects(boxes, houses) & dry][:number]
    keys = [f"P{i:04d}" for i in range(len(found))]
    gpd.GeoDataFrame({"pin": keys}, geometry=found, crs=buildings.crs).to_file(
        folder / "parcels.gpkg", layer="parcels"
    )


def timed_study():
    """A study of a task that tells besides what each lot took; sent to the workers as it is."""

    def study(town, lots, number):
        import time  # noqa: PLC0415 - it is sent

        from lotflow.town import engine  # noqa: PLC0415
        from lotflow.town import lots as studying  # noqa: PLC0415

        plain = getattr(studying, "plain_row", studying.lot_row)
        studying.plain_row = plain

        def row(town, lot):
            began, computed = time.time(), time.process_time()
            found = plain(town, lot)
            with open("/proc/self/status") as status:  # noqa: PTH123
                held = next(line for line in status if line.startswith("VmRSS"))
            return {**found, "began": began, "wall_s": time.time() - began, "process": os.getpid(),
                    "cpu_s": time.process_time() - computed,
                    "rss_mb": int(held.split()[1]) / 1024}  # fmt: skip

        studying.lot_row = row
        return engine.study_and_tell(town, lots, number)

    return study


def timed(job, lots, workers):
    """Rows of a run with so many workers, and the time they were at it [s]."""
    rows = []
    run_lots(job, lots, Crew(workers), rows.append, timed_study())
    assert Counter(row["parcel"] for row in rows) == Counter(lot.key for lot in lots)
    ends = [row["began"] + row["wall_s"] for row in rows]
    return rows, max(ends) - min(row["began"] for row in rows)


def growth(rows):
    """Memory that the process took on after its tenth lot [MB]."""
    held = [row["rss_mb"] for row in sorted(rows, key=lambda one: one["began"])]
    return max(held[10:]) - held[9]


def warm(rows):
    """Computing of each lot but the first of a process [s]."""
    first = {}
    for row in rows:
        first[row["process"]] = min(first.get(row["process"], row["began"]), row["began"])
    return {row["parcel"]: row["cpu_s"] for row in rows if row["began"] > first[row["process"]]}


def in_hand(rows, wall, workers):
    """Share of the time in which workers had a lot in hand [%]."""
    return 100 * sum(row["wall_s"] for row in rows) / workers / wall


class Cluster:
    """A scheduler and two workers of it, each to be killed."""

    def __init__(self, folder):
        self.folder, told = folder, folder / "scheduler.json"
        told.unlink(missing_ok=True)
        surroundings = {**os.environ, "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0",
                        "TMPDIR": str(folder)}  # fmt: skip
        run = {"cwd": folder, "stderr": subprocess.DEVNULL, "env": surroundings}
        self.scheduler = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
             "--port", "0", "--no-dashboard", "--scheduler-file", str(told)], **run,
        )  # fmt: skip
        while not told.exists():
            time.sleep(0.1)
        self.address = json.loads(told.read_text())["address"]
        self.workers = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_worker", self.address, "--nthreads", "1",
             "--nworkers", "2", "--host", "127.0.0.1", "--no-dashboard",
             "--local-directory", str(folder)], **run,
        )  # fmt: skip

    def processes(self):
        """Those in which lots are studied: children of the one that minds them."""
        found = []
        for status in Path("/proc").glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):
                text = status.read_text()
                parent = int(text.rsplit(")", 1)[1].split()[1])
                command = status.with_name("cmdline").read_bytes()
                if parent == self.workers.pid and b"spawn_main" in command:
                    found.append(int(status.parent.name))
        return found

    def end(self):
        """End what is still there."""
        for process in (self.workers, self.scheduler):
            process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(60)


def command(dem, folder, out, *options):
    """`lotflow batch` of the parcels, begun."""
    return subprocess.Popen(
        [sys.executable, "-c", "from lotflow.cli import main; main()", "batch",
         str(folder / "parcels.gpkg"), "--key", "pin", "--elevation", str(dem), "--buildings",
         str(folder / "buildings.gpkg"), "--water", str(folder / "water.gpkg"),
         "--vertical-unit", "m", "--realisations", "0", "-q", "-o", str(out), *options],
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def known(out):
    """Rows of the journal."""
    path = out / "progress.jsonl"
    return path.read_text().splitlines()[1:] if path.exists() else []


def killed(dem, folder, out, number):
    """Run through clusters that are killed; give deaths of workers, endings, lots studied twice."""
    deaths, endings, seen, at = 0, [], Counter(), ROWS_BETWEEN
    scheduler_dies = True
    while not (out / "summary.json").exists():
        cluster = Cluster(folder)
        run, read = command(dem, folder, out, "--scheduler", cluster.address), len(known(out))
        while run.poll() is None:
            time.sleep(0.05)
            rows = known(out)
            if len(rows) >= at and deaths < KILLS:
                at = len(rows) + ROWS_BETWEEN
                for process in cluster.processes()[deaths % 2 :][:1]:
                    os.kill(process, signal.SIGKILL)
                    deaths += 1
            if scheduler_dies and len(rows) > number // 2:
                scheduler_dies = False
                cluster.scheduler.kill()
        endings.append((run.returncode, run.stderr.read().strip()))
        seen.update(json.loads(line)["parcel"] for line in known(out)[read:])
        cluster.end()
    return deaths, endings, sum(count - 1 for count in seen.values())


def lines(dem, site, number=LOTS, told=None):
    """Lines of the table."""
    dem, number = Path(dem).resolve(), int(number)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_parcels(site, folder, number)
        layers = {"lot": folder / "parcels.gpkg", "buildings": folder / "buildings.gpkg",
                  "water": folder / "water.gpkg"}  # fmt: skip
        job = TownJob((str(dem),), {key: str(file) for key, file in layers.items()}, "pin",
                      vertical_unit="m", realisations=0)  # fmt: skip
        parcels = read_parcels(layers["lot"], "pin")
        lots = [Lot(parcels.keys[row], parcels.folder(row)) for row in parcels.in_order()]
        rows, wall = timed(job, lots, 1)
        few, few_wall = timed(job, lots[: len(lots) * 3 // 10], 2)
        taken = warm(rows)
        cost, both = np.array(list(taken.values())), warm(few)
        alike = sum(both.values()) / sum(taken[key] for key in both)
        if told:
            Path(told).write_text(json.dumps(np.round(cost, 4).tolist()))
        yield Line(f"{len(lots)} lots, one worker: computing of a lot", cost.mean())
        for share in (5, 50, 95, 100):
            yield Line(f"{share} % of the lots take no more", np.percentile(cost, share))
        yield Line("first lot of a worker", max(row["cpu_s"] for row in rows[:1]))
        yield Line("memory from the tenth lot to the last", growth(rows), "MB more", "", None,
                   Aim(20.0, is_of_amount=True))  # fmt: skip
        yield Line("time in which the worker has a lot in hand", in_hand(rows, wall, 1), "%")
        yield Line(f"{len(few)} of the lots, two workers: computing of a lot",
                   np.mean(list(both.values())), "s", "one worker", alike)  # fmt: skip
        yield Line("time in which both have a lot in hand", in_hand(few, few_wall, 2), "%")
        yield from lines_of_deaths(dem, folder, rows)


def lines_of_deaths(dem, folder, rows):
    """Lines of the table about workers that die."""
    out = folder / "out"
    deaths, endings, twice = killed(dem, folder, out, len(rows))
    after = {row["parcel"]: row for row in map(json.loads, known(out))}
    expected = [{key: row[key] for key in row if key not in TOLD} for row in rows]
    other = [row for row in expected if after.get(row["parcel"]) != row]
    left = [path.name for path in folder.rglob(".lotflow-*") if path.is_dir()]
    left += [path.name for path in folder.glob("lotflow-*")]
    print([*endings, left])
    yield Line("killed workers", deaths, "")
    yield Line("killed schedulers", len(endings) - 1, "")
    yield Line("lots lost", len(rows) - len(after), "")
    yield Line("lots written down twice", twice, "")
    yield Line("lots whose row is another than without a death", len(other), "")
    yield Line("files left over", len(left), "")


if __name__ == "__main__":
    show(lines(*sys.argv[1:]))
