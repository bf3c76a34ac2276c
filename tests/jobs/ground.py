"""
Slow, plain terrain tools behind `expected.json`: `python tests/jobs/ground.py tests/jobs/JOB`.

Nothing here comes from lotflow. A flood over a heap, eight neighbours, steepest way down; buildings
stand out of reach, water, gaps and the edge of the raster take all water.
"""

import heapq
import json
import sys
import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
from rasterio.features import rasterize

FOOT_US = 1200 / 3937
NEIGHBOURS = [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)]


class Ground:
    """Elevations [m] with houses and places that take all water."""

    def __init__(self, raster, buildings=(), water=(), to_metres=1.0):
        with rasterio.open(raster) as file:
            values, nodata = file.read(1).astype(float), file.nodata
            self.transform = file.transform
            foot = "foot" in (file.crs.linear_units or "").lower()
        self.shape = values.shape
        self.cell = self.transform.a * (FOOT_US if foot else 1.0)
        gap = ~np.isfinite(values) | (values == nodata)
        self.z = np.where(gap, np.nan, values * to_metres)
        self.house = self.mask(buildings)
        sea = self.mask(water) | gap
        sea[[0, -1], :] = sea[:, [0, -1]] = True
        self.sea = (sea & ~self.house) | gap
        self.house &= ~self.sea

    def mask(self, shapes):
        shapes = [(shape, 1) for shape in shapes]
        if not shapes:
            return np.zeros(self.shape, dtype=bool)
        return rasterize(shapes, out_shape=self.shape, transform=self.transform).astype(bool)

    def cell_at(self, x, y):
        column, row = ~self.transform * (x, y)
        return int(row // 1), int(column // 1)

    def around(self, cell):
        for down, right in NEIGHBOURS:
            row, column = cell[0] + down, cell[1] + right
            if 0 <= row < self.shape[0] and 0 <= column < self.shape[1]:
                yield (row, column), np.hypot(down, right)

    def flood(self, drains=()):
        """Level to which each cell fills before water leaves it; the way out; the order."""
        level, way, order = np.full(self.shape, np.nan), {}, []
        done = self.house | self.sea
        heap = [
            (self.z[cell] if np.isfinite(self.z[cell]) else -1e9, n, cell)
            for n, cell in enumerate(zip(*np.nonzero(self.sea), strict=True))
        ]
        for cell in drains:
            if not done[cell]:
                heap.append((self.z[cell], len(heap), cell))
                done[cell], level[cell] = True, self.z[cell]
        for cell in zip(*np.nonzero(self.sea), strict=True):
            level[cell] = self.z[cell]
        heapq.heapify(heap)
        count = len(heap)
        while heap:
            height, _, cell = heapq.heappop(heap)
            order.append(cell)
            for near, _ in self.around(cell):
                if not done[near]:
                    done[near], way[near] = True, cell
                    level[near] = max(self.z[near], height)
                    heapq.heappush(heap, (level[near], count, near))
                    count += 1
        return level, way, order

    def ways(self, drains=()):
        """As `flood`, but each cell's way is the steepest where there is one."""
        level, way, order = self.flood(drains)
        for cell in list(way):
            steepest = 1e-9
            for near, far in self.around(cell):
                if not self.house[near] and (level[cell] - level[near]) / far > steepest:
                    steepest, way[cell] = (level[cell] - level[near]) / far, near
        return level, way, order

    def body(self, start, level):
        """Cells of the water body at a level that holds a cell."""
        if not self.z[start] < level:
            return set()
        seen, left = {start}, [start]
        while left:
            for near, _ in self.around(left.pop()):
                dry = self.house[near] or self.sea[near] or not self.z[near] < level
                if near not in seen and not dry:
                    seen.add(near)
                    left.append(near)
        return seen

    def reaching(self, way, order, targets):
        """Cells whose way meets one of the targets."""
        met = {}
        for cell in order:
            met[cell] = cell in targets or met.get(way.get(cell), False)
        return [cell for cell, yes in met.items() if yes]


def _cells(ground, shape):
    if shape.geom_type == "Point":
        return [ground.cell_at(shape.x, shape.y)]
    points = [shape.interpolate(p, normalized=True) for p in np.linspace(0, 1, 400)]
    return [
        c for c in dict.fromkeys(ground.cell_at(p.x, p.y) for p in points) if not ground.house[c]
    ]


def facts(folder):
    """What is known of a job from its ground alone."""
    folder = Path(folder)
    job = tomllib.loads((folder / "job.toml").read_text())
    layers = {
        name: gpd.read_file(folder / "site.gpkg", layer=name)
        for name, kind in pyogrio.list_layers(folder / "site.gpkg")
        if kind is not None
    }
    feet = job["elevation"].get("vertical_unit") in ("ft", "us-ft")
    water = layers["water"].geometry if "water" in layers else ()
    ground = Ground(folder / job["elevation"]["file"], layers["buildings"].geometry, water,
                    FOOT_US if feet else 1.0)  # fmt: skip
    area, lot = ground.cell**2, ground.mask(layers["lot"].geometry)
    whole = set(zip(*np.nonzero(lot), strict=True))
    found = {}
    inlets = layers.get("inlets")
    taking = {}
    if inlets is not None and len(inlets):
        gone = inlets["status"].isin(["replaced", "abandoned"])
        taking = {r["name"]: _cells(ground, r.geometry) for _, r in inlets[~gone].iterrows()}
    every = [cell for cells in taking.values() for cell in cells]
    _, way, order = ground.ways(every)
    on = ground.reaching(way, order, whole)
    found["run-on, each cell once [m2]"] = sum(not lot[cell] for cell in on) * area
    full, _, _ = ground.flood()
    for name, cells in taking.items():
        rest = [cell for other, own in taking.items() if other != name for cell in own]
        level, _, _ = ground.flood(rest)
        low = min(cells, key=lambda cell: ground.z[cell])
        one, both = ground.body(low, level[low]), ground.body(low, full[low])
        found[name] = {
            "catchment of ground [m2]": len(ground.reaching(way, order, set(cells))) * area,
            "blocked: level [m]": float(level[low]),
            "blocked: area [m2]": len(one) * area,
            "all blocked: level [m]": float(full[low]),
            "all blocked: area [m2]": len(both) * area,
            "all blocked: volume [m3]": sum(full[low] - ground.z[cell] for cell in both) * area,
        }
    return found


if __name__ == "__main__":
    print(json.dumps(facts(sys.argv[1]), indent=1, default=float))  # noqa: T201
