"""A study of the sample with a hostile name, its plan page, and a browser to open it in."""

import shutil
import time
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pytest

from lotflow.inputs.job import read_job, with_realisations
from lotflow.study import run_study, write_study

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
HOSTILE = "<script>window.hit=1</script><img src=x onerror=window.hit=1>"
SIZES = {"phone": (390, 844), "desktop": (1400, 900)}


#: Unfolds all tables, of which only the heads are seen at first.
UNFOLD = "document.querySelectorAll('#tables details').forEach((one) => { one.open = true; })"


@dataclass(frozen=True)
class Made:
    """A study of the sample with a hostile name, and its page."""

    study: object
    page: Path
    hostile: str


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan")
    job = folder / "job"
    shutil.copytree(SAMPLE, job)
    inlets = gpd.read_file(job / "site.gpkg", layer="inlets")
    row = inlets.index[inlets["status"] != "replaced"][0]
    old = inlets.loc[row, "name"]
    inlets.loc[row, "name"] = HOSTILE
    lines = gpd.read_file(job / "site.gpkg", layer="drain_lines")
    for column in ("from_node", "to_node"):
        lines[column] = lines[column].replace(old, HOSTILE)
    spouts = gpd.read_file(job / "site.gpkg", layer="downspouts")
    spouts["leads_to"] = spouts["leads_to"].replace(old, HOSTILE)
    for name, frame in (("inlets", inlets), ("drain_lines", lines), ("downspouts", spouts)):
        frame.to_file(job / "site.gpkg", layer=name, driver="GPKG")
    # the fewest that give bounds: no test of the page looks at more of them
    study = run_study(with_realisations(read_job(job), 20))
    write_study(study, folder / "result", overwrite=False)
    return Made(study, folder / "result" / "plan.html", HOSTILE)


@pytest.fixture(scope="session")
def browser():
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    service = pytest.importorskip("selenium.webdriver.chrome.service")

    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not chromium or not driver:
        pytest.skip("no chromium with its driver on this machine")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    started = webdriver.Chrome(options=options, service=service.Service(driver))
    yield started
    started.quit()


def _opened(browser, page, size="desktop"):
    width, height = SIZES[size]
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": size == "phone"},
    )
    browser.get_log("performance")
    browser.get(page.as_uri())
    ready = "return document.documentElement.dataset.ready === 'yes'"
    deadline = time.monotonic() + 20
    while not browser.execute_script(ready):
        assert time.monotonic() < deadline, "the page did not start"
        time.sleep(0.05)


@pytest.fixture(scope="session")
def unfold():
    """Open all tables of the page that is shown."""
    return lambda browser: browser.execute_script(UNFOLD)


@pytest.fixture(scope="session")
def opened():
    """Open a page in the browser, at the size of a phone or of a desktop."""
    return _opened


@pytest.fixture
def plan(browser, made):
    """The page newly opened."""
    _opened(browser, made.page)
    return browser


@pytest.fixture
def plan_again(browser, made):
    """
    The page as the test before has left it, if that took it from here too.

    For tests that ask its functions alone, or first choose all they look at: to open it takes
    longer than most of them.
    """
    if not browser.execute_script("return window.isUsedAgain === true"):
        _opened(browser, made.page)
        browser.execute_script("window.isUsedAgain = true")
    return browser
