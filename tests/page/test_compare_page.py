"""The page of a comparison in a browser: it asks nobody, and a tap marks a place on both maps."""

import html
import json
import re
from dataclasses import dataclass
from pathlib import Path

import pytest

import lotflow
from lotflow.study.comparison import Comparison
from lotflow.study.door import Result

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
SIZES = ("phone", "desktop")
#: Row of an outlet that is gone.
LOST_END = (
    "[...document.querySelectorAll('tr')]"
    ".find((one) => one.querySelector('td b')?.textContent === 'Lost end')"
)


@dataclass(frozen=True)
class Compared:
    comparison: Comparison
    page: Path


@pytest.fixture(scope="module")
def sample():
    """The sample, without realisations."""
    return lotflow.run(SAMPLE, realisations=0)


@pytest.fixture(scope="module")
def compared(made, sample, tmp_path_factory):
    """The sample, and the same with a hostile name for an inlet and with realisations."""
    folder = tmp_path_factory.mktemp("compared") / "compare"
    comparison = lotflow.compare(sample, Result(made.study, use_covers=True))
    comparison.write(folder)
    return Compared(comparison, folder / "compare.html")


@pytest.fixture(scope="module")
def today(sample, tmp_path_factory):
    """Today and proposed of the sample."""
    folder = tmp_path_factory.mktemp("today") / "compare"
    comparison = lotflow.compare(sample)
    comparison.write(folder)
    return Compared(comparison, folder / "compare.html")


def test_the_page_is_one_small_file_that_names_no_other(compared, made):
    text = compared.page.read_text(encoding="utf-8")
    assert len(text.encode()) < 2_000_000
    assert not re.search(r"<(?:link|img|iframe|object|embed|base)\b", text)
    assert not re.search(r"url\(|https?:", re.sub(r"&[^;]*;", "", text))
    assert not re.search(r"\son\w+=", text.replace(html.escape(made.hostile), ""))
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    assert policy.startswith("default-src &#x27;none&#x27;; base-uri")
    assert "unsafe" not in policy


@pytest.mark.parametrize("size", SIZES)
def test_it_loads_without_an_error_or_a_request_but_for_itself(browser, today, opened, size):
    browser.get_log("browser")
    opened(browser, today.page, size)
    assert browser.get_log("browser") == []
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = {
        event["params"]["request"]["url"]
        for event in events
        if event["method"] == "Network.requestWillBeSent"
    }
    assert asked == {today.page.as_uri()}
    wide = "return document.documentElement.scrollWidth <= window.innerWidth"
    assert browser.execute_script(wide)


def test_a_name_from_the_user_stays_text(browser, compared, made, opened):
    opened(browser, compared.page)
    assert browser.execute_script("return window.hit") is None
    assert made.hostile in browser.execute_script("return document.body.innerText")


def chosen(browser):
    """Numbers that are marked on the map before, and on that after."""
    return browser.execute_script(
        "return ['before', 'after'].map((side) => [...document.querySelectorAll("
        "`figure.${side} .place.chosen`)].map((one) => one.dataset.place))"
    )


@pytest.mark.parametrize("size", SIZES)
def test_a_tap_marks_a_place_on_both_maps_and_the_maps_stay(browser, compared, opened, size):
    opened(browser, compared.page, size)
    mark = "[...document.querySelectorAll('.mark')].at(-1)"
    browser.execute_script(f"{mark}.scrollIntoView({{block: 'end'}}); {mark}.click()")
    number = browser.execute_script(f"return {mark}.dataset.place")
    assert chosen(browser) == [[number], [number]]
    assert browser.execute_script(f"return {mark}.getAttribute('aria-pressed')") == "true"
    seen = "const box = document.querySelector('.maps svg').getBoundingClientRect(); return "
    assert browser.execute_script(seen + "box.top >= 0 && box.bottom <= window.innerHeight")
    browser.execute_script(f"{mark}.click()")
    assert chosen(browser) == [[], []]


def test_a_place_that_is_gone_is_marked_on_the_first_map_only(browser, today, opened):
    opened(browser, today.page)
    row = LOST_END
    browser.execute_script(f"{row}.querySelector('.mark').click()")
    before, after = chosen(browser)
    assert (len(before), after) == (1, [])


def test_one_map_lies_over_the_other_and_the_slider_uncovers_it(browser, today, opened):
    opened(browser, today.page, "desktop")
    edges = (
        "return [...document.querySelectorAll('figure')].map("
        "(one) => Math.round(one.getBoundingClientRect().left))"
    )
    left, right = browser.execute_script(edges)
    assert left < right
    browser.execute_script("document.getElementById('over').click()")
    left, right = browser.execute_script(edges)
    assert left == right
    browser.execute_script(
        "const r = document.querySelector('#slide input'); r.value = 80; "
        "r.dispatchEvent(new Event('input'))"
    )
    clip = "return getComputedStyle(document.querySelector('figure.after')).clipPath"
    assert browser.execute_script(clip) == "inset(0px 0px 0px 80%)"
    browser.execute_script("document.getElementById('beside').click()")
    assert browser.execute_script(clip) == "none"


def test_every_stop_of_the_keyboard_has_a_name_and_the_first_answer_is_near(browser, today, opened):
    opened(browser, today.page)
    stops = browser.execute_script(
        "return [...document.querySelectorAll('button, input, summary, a[href], [tabindex]')]"
        ".filter((one) => one.checkVisibility())"
        ".map((one) => one.getAttribute('aria-label') || one.innerText)"
    )
    assert all(stop.strip() for stop in stops)
    first = next(number for number, stop in enumerate(stops) if "mark " in stop)
    assert first < 5


def test_without_scripts_both_maps_and_the_table_are_there(browser, today):
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(today.page.as_uri())
        shown = browser.find_elements("css selector", "figure svg")
        assert [one.is_displayed() for one in shown] == [True, True]
        assert shown[0].rect["x"] + shown[0].rect["width"] <= shown[1].rect["x"] + 1 or (
            shown[0].rect["y"] < shown[1].rect["y"]
        )
        assert browser.find_element("css selector", "#differs ~ table").is_displayed()
        assert not browser.find_element("css selector", ".switch").is_displayed()
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_a_page_without_differences_says_so(tmp_path):
    result = lotflow.screen(SAMPLE / "dem.tif", SAMPLE / "site.gpkg", realisations=0)
    folder = lotflow.compare(result, result).write(tmp_path / "same")
    text = (folder / "compare.html").read_text(encoding="utf-8")
    assert '<p class="none">No difference.</p>' in text
    assert text.count('<svg viewBox="0 0 18 18"') == 9
    assert text.count('role="img"') == 2


@pytest.mark.parametrize("size", SIZES)
def test_a_tap_on_the_map_unfolds_the_row_of_the_place(browser, today, opened, size):
    opened(browser, today.page, size)
    row = LOST_END
    number = browser.execute_script(f"return {row}.dataset.row")
    assert not browser.execute_script(f"return {row}.checkVisibility()")
    browser.execute_script(
        "document.querySelector(`figure.before .place[data-place='${arguments[0]}']`)"
        ".dispatchEvent(new MouseEvent('click', { bubbles: true }))",
        number,
    )
    assert browser.execute_script(f"return {row}.checkVisibility()")
    # neither under the maps nor out of sight
    at = (
        f"const box = {row}.getBoundingClientRect(); "
        "return document.elementFromPoint(box.right - 4, box.top + 4)?.closest('tr') === "
    )
    assert browser.execute_script(at + row)
