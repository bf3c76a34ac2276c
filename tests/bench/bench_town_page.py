"""
Page of a town of 400 and of 20,000 lots: its size, how long it takes to open, to sort, to filter.

Run: python tests/bench/bench_town_page.py [LOTS...]. Needs chromium with its driver and selenium
for the times in the browser; without them only sizes are printed. Aims: opened in 5 s, answered in
1 s.
"""

import shutil
import sys
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
from line import Aim, Line, show
from shapely import box

from lotflow.layers.result_town import CONCERNS
from lotflow.outputs.town import town_table
from lotflow.outputs.town_page import town_page

SIZES, TIMES = (400, 20_000), 3
#: Does something, and tells how long it is until that is drawn [ms].
DRAWN = """
const done = arguments[arguments.length - 1], began = performance.now();
%s
document.body.offsetHeight;
requestAnimationFrame(() => setTimeout(() => done(performance.now() - began)));
"""
DEEDS = {
    "sort": "document.querySelector('th:nth-child(6) button').click();",
    "filter by a concern": "document.querySelector(\"[data-concern='2']\").click();",
    "filter by a word": "const find = document.getElementById('find'); find.value = 'P-17';"
                        "find.dispatchEvent(new Event('input'));",
}  # fmt: skip
OPENED = """
const found = performance.getEntriesByType('navigation')[0];
return found.loadEventEnd > 0 ? found.loadEventEnd : null;
"""


def table(number):
    """Lots on a mesh as a town has them, with all that a row may say."""
    random = np.random.default_rng(0)
    rows = [
        {"parcel": f"P-{i:06d}", "outcome": "done", "concern": CONCERNS[random.integers(9)],
         "harm": "water at an opening: Front door", "harm_rows": int(random.integers(3)),
         "first_item": "Water stands 0.21 m deep beside the house after a storm of ten years.",
         "low_spots": int(random.integers(6)), "deepest_m": round(float(random.random()), 4),
         "largest_m3": round(float(random.random() * 9), 4), "area_m2": 900.0 + i,
         "run_on_m2": 1200.0, "run_id": "0" * 64, "folder": f"lots/P-{i:06d}"}
        for i in range(number)
    ]  # fmt: skip
    wide = int(np.ceil(np.sqrt(number)))
    shapes = [box(i % wide * 40, i // wide * 40, i % wide * 40 + 36, i // wide * 40 + 36)
              for i in range(number)]  # fmt: skip
    return town_table(rows, gpd.GeoSeries(shapes, crs=32618))


def times(browser, page):
    """Time to open the page, and of each deed from a page with all lots [ms], least of some."""
    browser.get(page.as_uri())
    opened = None
    while opened is None:
        opened = browser.execute_script(OPENED)
    found = {"open": [opened]}
    for _ in range(TIMES):
        for name, deed in DEEDS.items():
            found.setdefault(name, []).append(browser.execute_async_script(DRAWN % deed))
            browser.execute_async_script(DRAWN % "document.getElementById('all').click();")
    return {name: min(all_of_it) for name, all_of_it in found.items()}


def lines(*numbers):
    """Lines of the table."""
    with tempfile.TemporaryDirectory() as name:
        pages = {number: Path(name, f"{number}.html") for number in numbers or SIZES}
        for number, page in pages.items():
            page.write_text(
                town_page(table(number), title="Fairview", units="metric", opens="plan.html")
            )
            yield Line(f"page of {number:,} lots", page.stat().st_size / 1e6, "MB")
        if not (shutil.which("chromium") and shutil.which("chromedriver")):
            return
        from selenium import webdriver  # noqa: PLC0415 - only where there is a browser
        from selenium.webdriver.chrome.service import Service  # noqa: PLC0415

        options = webdriver.ChromeOptions()
        options.binary_location = shutil.which("chromium")
        for argument in ("--headless=new", "--no-sandbox", "--disable-gpu"):
            options.add_argument(argument)
        browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
        try:
            browser.set_window_size(1400, 900)
            browser.set_script_timeout(120)
            for number, page in pages.items():
                for what, took in times(browser, page).items():
                    aim = Aim(5.0 if what == "open" else 1.0, is_of_amount=True)
                    yield Line(f"{number:,} lots: {what}", took / 1000, "s", "", None, aim)
        finally:
            browser.quit()


if __name__ == "__main__":
    show(lines(*map(int, sys.argv[1:])))
