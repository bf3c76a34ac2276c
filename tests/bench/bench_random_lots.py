"""
Random lots in real elevation data: the default window beside all data.

Run: python tests/bench/bench_random_lots.py [NUMBER [FOLDER]]. Of each raster it takes so many
lots of 18 to 45 m with two inlets each, at random places, and studies them twice: as by default,
and with all data read. What differs must be marked, and what is marked must differ. FOLDER holds
the rasters (by default the folder beside the checkout); that of the package `lidar` is added.
Prints a line per raster, and the median growth, time and memory.
"""

import sys
import time
import tracemalloc
from importlib.metadata import PackageNotFoundError, files
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely

from lotflow.inputs.job import screening_job, with_realisations
from lotflow.study.ground import terrain_chapter
from lotflow.study.lot_water import study_lot

DATA = Path(__file__).parents[3] / "shared" / "data"
RASTERS = {
    "alexandria-va/dtm_2m.tif": None, "delft-ahn3/dtm_05m_filled.tif": None,
    "delft-ahn3/dtm_05m_gaps.tif": None, "nm-gully-ft/dtm_2ft.tif": "us-ft",
}  # fmt: skip
ALL_M = 5000.0
#: The same to a reader: a tenth of a millimetre, a millionth of an area.
LEVEL_M, SHARE = 1e-4, 1e-6


def rasters(folder=DATA):
    """Rasters that are there, and the vertical unit of each."""
    found = {folder / name: unit for name, unit in RASTERS.items() if (folder / name).exists()}
    try:
        shipped = next(f for f in files("lidar") or [] if str(f) == "lidar/data/dem.tif")
        found[Path(shipped.locate())] = "m"
    except (PackageNotFoundError, StopIteration):
        pass
    return found


def random_lot(raster, random):
    """A lot somewhere in the raster, with two inlets: their geometries and the CRS."""
    with rasterio.open(raster) as source:
        bounds, crs, values = source.bounds, source.crs, source.read(1, masked=True)
        unit = source.crs.linear_units_factor[1]
        while True:
            room = min(bounds.right - bounds.left, bounds.top - bounds.bottom)
            wide, deep = random.uniform(18, 45, 2) / 45 * min(45 / unit, 0.35 * room)
            x = random.uniform(bounds.left + wide, bounds.right - wide)
            y = random.uniform(bounds.bottom + deep, bounds.top - deep)
            turned = shapely.affinity.rotate(
                shapely.box(x - wide / 2, y - deep / 2, x + wide / 2, y + deep / 2),
                random.uniform(0, 90),
            )
            west, south, east, north = turned.bounds
            inlets = shapely.points(random.uniform((west, south), (east, north), (2, 2)))
            places = [source.index(point.x, point.y) for point in inlets]
            inside = shapely.within(turned, shapely.box(*bounds))
            if inside and not np.ma.getmaskarray(values)[tuple(zip(*places, strict=True))].any():
                return turned, inlets, crs


def studied(raster, unit, drawn, folder, margin_m=None):
    """One study, and what it took: seconds, and memory at its highest [MB]."""
    lot, inlets, crs = drawn
    site = Path(folder, "lot.gpkg"), Path(folder, "inlets.gpkg")
    gpd.GeoDataFrame({"name": ["lot"]}, geometry=[lot], crs=crs).to_file(site[0], layer="lot")
    gpd.GeoDataFrame(
        {"name": ["A", "B"], "kind": "area drain"}, geometry=inlets, crs=crs
    ).to_file(site[1], layer="inlets")  # fmt: skip
    layers = {"lot": site[0], "inlets": site[1]}
    job = screening_job((raster,), layers, vertical_unit=unit, margin_m=margin_m)
    job = with_realisations(job, 0)
    tracemalloc.start()
    start = time.perf_counter()
    study = study_lot(job)
    took = time.perf_counter() - start
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return study, took, peak


def facts(study):
    """What a study says of the lot, its inlets and the low spots on it or near it, with marks."""
    chapter = terrain_chapter(study)
    grid = study.window.surface.ground
    lot = study.site.lot.geometry.union_all()
    spots, inlets = chapter.layers["low_spots"], chapter.layers["inlets"]
    reach = study.job.criteria.pond_reach_m / grid.metres_per_unit
    near = spots[spots.geometry.distance(lot) <= reach]
    unclosed = near["not_closed"] if "not_closed" in near else near["cut_by_edge"] & False
    found = {
        ("low spot", round(row.x, 2), round(row.y, 2)): (
            [row.depth_m, row.spill_elevation_m],
            [row.area_m2, row.volume_m3, row.contributing_area_m2],
            bool(open_ or row.cut_by_edge),
        )
        for row, open_ in zip(near.itertuples(), unclosed, strict=True)
    }
    for row in inlets.itertuples():
        found["inlet", row.name] = [row.moved_m], [row.catchment_m2], bool(row.cut_by_edge)
    cut = any(one.rule == "cut-by-edge" and one.subject == "lot" for one in chapter.findings)
    on = study.balance.on * grid.cell_m2
    found["lot",] = [], [on], cut
    return found


def differ(one, other):
    """Whether a reader would see two facts differ."""
    levels = not np.allclose(one[0], other[0], rtol=0, atol=LEVEL_M)
    return levels or not np.allclose(one[1], other[1], rtol=SHARE, atol=1e-3)


def compared(usual, whole):
    """What differs unsaid, what is marked for nothing, and how many differ and are marked."""
    unsaid, for_nothing, said = [], [], 0
    for key in usual.keys() | whole.keys():
        if key not in usual or key not in whole:
            # a low spot only one of the two has
            marked = key in usual and usual[key][2]
            said, unsaid = (said + 1, unsaid) if marked else (said, [*unsaid, key])
        elif differ(usual[key], whole[key]):
            marked = usual[key][2]
            said, unsaid = (said + 1, unsaid) if marked else (said, [*unsaid, key])
        elif usual[key][2] and not whole[key][2]:
            for_nothing.append(key)
    return unsaid, for_nothing, said


def lots(number, folder=DATA, seed=0):
    """Study so many lots of each raster both ways; yields raster, both studies and costs."""
    for raster, unit in rasters(folder).items():
        random = np.random.default_rng(seed)
        for _ in range(number):
            drawn = random_lot(raster, random)
            with TemporaryDirectory() as place:
                try:
                    usual = studied(raster, unit, drawn, place)
                except Exception as reason:  # noqa: BLE001 - a lot without ground is refused
                    print(raster.name, "refused:", str(reason)[:70])
                    continue
                yield raster, usual, studied(raster, unit, drawn, place, ALL_M)


def growth(study):
    """Cells of the window beside those of lot, inlets and 30 m round them, within the data."""
    site, grid = study.site, study.window.surface.ground
    unit = grid.metres_per_unit
    around = shapely.box(*shapely.total_bounds([*site.lot.geometry, *site.inlets.geometry]))
    data = shapely.box(*study.source.bounds)
    least = around.buffer(30.0 / unit, join_style="mitre").intersection(data).area
    return grid.values.size / (least / (grid.cell_m / unit) ** 2)


def main(number=9, folder=DATA):
    """Print a line per raster, and the medians."""
    told, costs = {}, []
    for raster, usual, whole in lots(number, Path(folder)):
        outcome = compared(facts(usual[0]), facts(whole[0]))
        told.setdefault(raster.name, []).append(outcome)
        costs.append([growth(usual[0]), *usual[1:], *whole[1:]])
    for name, outcomes in told.items():
        unsaid = sum(bool(one[0]) for one in outcomes)
        nothing = sum(bool(one[1]) for one in outcomes)
        said = sum(bool(one[2]) for one in outcomes)
        print(f"{name:24s} {len(outcomes):4d} lots: {unsaid} differ unsaid, {said} differ and say "
              f"so, {nothing} marked for nothing")  # fmt: skip
        for one in outcomes:
            if one[0] or one[1]:
                print("   ", "unsaid:", one[0], "for nothing:", one[1])
    print("median, greatest: growth in cells, seconds, MB; seconds, MB with all data")
    print("  ", np.median(costs, axis=0).round(3), np.max(costs, axis=0).round(3))


if __name__ == "__main__":
    pyogrio.set_gdal_config_options({"OGR_SQLITE_JOURNAL": "MEMORY"})
    main(*(kind(value) for kind, value in zip((int, Path), sys.argv[1:], strict=False)))
