"""
Plan page of a window of 1000 x 1000 cells: its size, how long it takes to start and to answer.

Run: python tests/bench/bench_page.py. Needs chromium with its driver and selenium for the times in
the browser; without them only the size is printed. Aims: below 6 MB, a tap below 100 ms.
"""

import shutil
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from line import Aim, Line, show

from lotflow.inputs.job import screening_job
from lotflow.study import run_study, write_study

SIZE, CELL, TAPS = 1000, 0.5, 60
SHEET = "field_sheet.pdf"
WEST, SOUTH, CRS = 600_000.0, 3_300_000.0, 26917


def rough(size):
    """Fractal relief of 0.7 m, as smooth as ground, on a slope of 1 %, with 2 cm of noise."""
    random = np.random.default_rng(3)
    k = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    k[0, 0] = 1
    spectrum = np.fft.rfft2(random.standard_normal((size, size))) * k**-2.0
    spectrum[0, 0] = 0
    relief = np.fft.irfft2(spectrum, s=(size, size))
    slope = 0.01 * CELL * np.arange(size)[:, None]
    noise = random.normal(0.0, 0.02, (size, size))
    return 30.0 + 0.7 * relief / relief.std() - slope + noise


def write_inputs(folder):
    """Elevation, and a lot with houses and inlets in the middle of it."""
    profile = {"driver": "GTiff", "width": SIZE, "height": SIZE, "count": 1, "dtype": "float32",
               "crs": CRS, "transform": Affine(CELL, 0, WEST, 0, -CELL, SOUTH + SIZE * CELL),
               "nodata": -9999}  # fmt: skip
    with rasterio.open(folder / "dem.tif", "w", **profile) as target:
        target.write(rough(SIZE).astype("float32"), 1)
        target.units = ("metre",)
    x, y = WEST + SIZE * CELL / 2, SOUTH + SIZE * CELL / 2
    house = [shapely.box(x + dx, y + dy, x + dx + 12, y + dy + 10)
             for dx in range(-200, 201, 40) for dy in range(-200, 201, 40)]  # fmt: skip
    basins = [shapely.Point(x + dx, y + dy) for dx, dy in ((-15, -12), (16, 4), (-14, 15))]
    layers = {
        "lot": {"geometry": [shapely.box(x - 20, y - 20, x + 20, y + 20)]},
        "buildings": {"geometry": house},
        "inlets": {"name": ["A", "B", "C"], "kind": ["catch basin"] * 3, "geometry": basins},
    }
    paths = {name: folder / f"{name}.geojson" for name in layers}
    for name, columns in layers.items():
        gpd.GeoDataFrame(columns, crs=CRS).to_file(paths[name])
    return paths


def page_of_the_window(folder):
    """The page of the whole raster."""
    paths = write_inputs(folder)
    job = screening_job((folder / "dem.tif",), paths, margin_m=SIZE * CELL)
    study = run_study(job, use_covers=False)
    write_study(study, folder / "result", overwrite=False, use_covers=False)
    return folder / "result" / "plan.html", study.lot.window.surface.ground.shape


def times_in_the_browser(page):
    """Seconds until the page is ready; milliseconds of each tap, by what it asks."""
    from selenium import webdriver  # noqa: PLC0415 - not needed for the size
    from selenium.webdriver.chrome.service import Service  # noqa: PLC0415

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(argument)
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        start = time.perf_counter()
        browser.get(page.as_uri())
        while not browser.execute_script("return document.documentElement.dataset.ready"):
            time.sleep(0.01)
        ready = time.perf_counter() - start
        taps = {kind: browser.execute_script(TAP, kind, TAPS) for kind in ("follow", "fall")}
    finally:
        browser.quit()
    return ready, taps


#: Taps at random places; the layout is asked for, so that drawing is waited for.
TAP = """
const [kind, count] = arguments;
document.querySelector(`[data-ask=${kind}]`).click();
const { tapped, water } = lotflowPlan;
let seed = 7;
const random = () => { seed = (seed * 48271) % 2147483647; return seed / 2147483647; };
return Array.from({ length: count }, () => {
  const at = L.latLng(random() * water.rows * water.side, random() * water.columns * water.side);
  const start = performance.now();
  tapped(at);
  document.getElementById('answer').getBoundingClientRect();
  return performance.now() - start;
});
"""


def lines():
    """Lines of the table; times in the browser only where there is one."""
    with tempfile.TemporaryDirectory() as name:
        page, shape = page_of_the_window(Path(name))
        told = f"plan page of {shape[0]} x {shape[1]} cells"
        size, sheet = (page.with_name(name).stat().st_size / 1e6 for name in (page.name, SHEET))
        yield Line(told, size, "MB", aim=Aim(6, is_of_amount=True))
        yield Line("its field sheet", sheet, "MB")
        if not (shutil.which("chromium") and shutil.which("chromedriver")):
            return
        ready, taps = times_in_the_browser(page)
    yield Line(f"{told}: ready", ready)
    for kind, spent in taps.items():
        what = f"longest of {len(spent)} taps, {kind}"
        yield Line(what, max(spent), "ms", aim=Aim(100, is_of_amount=True))


if __name__ == "__main__":
    show(lines())
