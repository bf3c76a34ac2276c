"""The answer on the plan page: it comes first, shows its places, and is read without a script."""

import base64
import json
import re
import zlib

import pytest

pytest.importorskip("selenium", reason="selenium is not installed")

from selenium.webdriver import ActionChains
from selenium.webdriver.common.keys import Keys

SIZES = ("phone", "desktop")
#: Item by number -> where it lies, as the page has it, [north, east].
PLACES = """
return Object.fromEntries([...document.querySelectorAll('#items details[data-rank]')]
  .map((one) => [one.dataset.rank, one.dataset.at ? one.dataset.at.split(',').map(Number) : null]));
"""
#: What has the focus: its tag, its name as a screen reader has it, the number of its item.
FOCUSED = """
const one = document.activeElement;
const named = one.getAttribute('aria-labelledby');
const label = one.labels?.[0]?.textContent;
const name = one.getAttribute('aria-label') ?? (named && document.getElementById(named).textContent)
  ?? label ?? one.textContent;
return [one.tagName.toLowerCase(), name.trim(),
  one.tagName === 'SUMMARY' ? one.parentElement.dataset.rank ?? null : null];
"""


@pytest.fixture(scope="module")
def summary(made):
    return json.loads((made.page.parent / "summary.json").read_text(encoding="utf-8"))


def layers_of(page):
    """What the page draws, by its key."""
    stored = re.search(r'id="plan-data">(.*?)</script>', page.read_text("utf-8"), re.DOTALL)[1]
    packed = base64.b64decode(json.loads(stored)["layers"])
    return {layer["key"]: layer for layer in json.loads(zlib.decompress(packed))}


def press(browser, key):
    ActionChains(browser).send_keys(key).perform()
    return browser.execute_script(FOCUSED)


@pytest.mark.parametrize("size", SIZES)
def test_the_first_thing_on_the_page_is_the_answer(browser, made, opened, summary, size):
    """Below the title: the worst item, unfolded, seen without scrolling; the others follow."""
    opened(browser, made.page, size)
    first, top, height, harms = browser.execute_script(
        "const one = document.querySelector('main h2'); "
        "const item = document.querySelector('#items details[open] .harm'); "
        "const box = item.getBoundingClientRect(); "
        "return [one.id, box.bottom, innerHeight, "
        "[...document.querySelectorAll('#items .harm')].map((e) => e.textContent)]"
    )
    assert first == "answer-head"
    assert top <= height
    assert harms == [item["harm"] for item in summary["answer"]]
    assert len(harms) > 3


def test_an_item_tells_all_of_its_parts(plan_again, summary):
    """What happens, why with shares, what to do, what it takes, how sure, what to measure."""
    texts = plan_again.execute_script(
        "return [...document.querySelectorAll('#items details[data-rank]')]"
        ".map((one) => one.textContent.toLowerCase())"
    )
    for item, text in zip(summary["answer"], texts, strict=True):
        keys = ("harm", "verdict", "remedy", "takes", "left", "grade_means", "check", "risk")
        for key in (*keys, "evidence", "source"):
            assert item[key].lower() in text, key
        assert all(cause["evidence"].lower() in text for cause in item["causes"])


def test_every_failure_and_warning_is_on_the_page_once(plan_again, summary):
    """Folded below its item, or among the other findings with the reason."""
    below, others = plan_again.execute_script(
        "return [[...document.querySelectorAll('#items .findings li')].map((e) => e.textContent), "
        "[...document.querySelectorAll('tr[data-layer=\"\"]')]"
        ".filter((e) => e.closest('section').querySelector('#table-findings'))"
        ".map((e) => e.textContent)]"
    )
    for one in summary["findings"]:
        here = [text for text in below if one["message"] in text and str(one["subject"]) in text]
        there = [text for text in others if one["message"] in text and one["subject"] in text]
        assert len(here) + len(there) == 1, one
    told = sum(len(item["findings"]) for item in summary["answer"])
    assert len(below) == told > 5
    reasons = plan_again.execute_script("return document.getElementById('tables').textContent")
    assert all(one["reason"] in reasons for one in summary["evidence_only"])


@pytest.mark.parametrize("size", SIZES)
def test_an_item_that_is_tapped_is_shown_by_the_map_and_the_page_stays(browser, made, opened, size):
    """Its place comes to the middle of the map that is seen, and its number is marked."""
    opened(browser, made.page, size)
    places = browser.execute_script(PLACES)
    ranks = [rank for rank, at in places.items() if at is not None]
    assert len(ranks) > 3
    for rank in reversed(ranks[1:]):
        summary = browser.find_element(
            "css selector", f"#items details[data-rank='{rank}'] > summary"
        )
        browser.execute_script("arguments[0].scrollIntoView({ block: 'nearest' })", summary)
        summary.click()
        browser.execute_async_script(
            "const done = arguments[0]; const { map } = lotflowPlan; "
            "const wait = () => (map._animatingZoom || map._panAnim?._inProgress "
            "? setTimeout(wait, 30) : done()); setTimeout(wait, 120)"
        )
        away, chosen, scrolled, seen = browser.execute_script(
            "const { map } = lotflowPlan; const middle = map.getSize().divideBy(2); "
            "const at = map.latLngToContainerPoint(L.latLng(arguments[0])); "
            "const box = map.getContainer().getBoundingClientRect(); "
            "const told = document.getElementById('told').getBoundingClientRect(); "
            "const over = innerWidth < 761 && at.y + box.top > told.top; "
            "return [at.distanceTo(middle), [...document.querySelectorAll('#map .pin.chosen')]"
            ".map((e) => e.dataset.rank), document.scrollingElement.scrollTop + scrollY, "
            "box.top >= 0 && !over]",
            places[rank],
        )
        assert away < 3
        assert chosen == [rank]
        assert scrolled == 0
        assert seen
        opened_now = browser.execute_script(
            "return [...document.querySelectorAll('#items details[data-rank][open]')]"
            ".map((e) => e.dataset.rank)"
        )
        assert opened_now == [rank]


def test_a_number_on_the_map_opens_its_item(plan):
    plan.execute_script("document.querySelector('#map .pin[data-rank=\"3\"]').click()")
    opened_now = "return document.querySelector('#items details[data-rank][open]').dataset.rank"
    plan.execute_async_script("setTimeout(arguments[0], 100)")
    assert plan.execute_script(opened_now) == "3"


def test_a_tap_on_the_map_of_a_phone_is_answered_in_the_sheet(browser, made, opened):
    """The answer to it is seen, and the map has not moved."""
    opened(browser, made.page, "phone")
    top, box, told, scrolled = browser.execute_script(
        "const before = document.getElementById('map').getBoundingClientRect().top; "
        "lotflowPlan.tapped(lotflowPlan.map.getCenter()); "
        "const rect = (id) => document.getElementById(id).getBoundingClientRect(); "
        "return [rect('map').top - before, [rect('answer').top, rect('answer').bottom], "
        "[rect('told').top, rect('told').bottom], document.scrollingElement.scrollTop]"
    )
    assert top == 0
    assert scrolled == 0
    assert told[0] < box[0] < told[1]
    assert box[1] > box[0]


def test_the_sheet_of_a_phone_is_raised_and_lowered(browser, made, opened):
    opened(browser, made.page, "phone")
    heights = [browser.execute_script(SHEET)]
    for button in ("more-text", "more-map", "more-map"):
        browser.find_element("id", button).click()
        heights.append(browser.execute_script(SHEET))
    half, high, again, low = heights
    assert low < again == half < high
    assert not browser.find_element("id", "more-map").is_enabled()


SHEET = "return document.getElementById('told').clientHeight"


def test_each_answer_is_ten_stops_away_and_every_stop_has_a_name(browser, made, opened):
    """From the top of the page: Tab, Enter on the skip link, arrows between items and round."""
    opened(browser, made.page)
    tag, name, _ = press(browser, Keys.TAB)
    assert (tag, name) == ("a", "To the answer")
    press(browser, Keys.ENTER)
    used = {press(browser, Keys.TAB)[2]: 2}
    count = browser.execute_script("return document.querySelectorAll('#items details[data-rank]')"
                                   ".length")  # fmt: skip
    for key in (Keys.ARROW_DOWN, Keys.ARROW_UP):
        browser.execute_script("document.querySelector('#items summary').focus()")
        for more in range(1, count):
            rank = press(browser, key)[2]
            used[rank] = min(used.get(rank, 99), 2 + more)
    assert len(used) == count
    assert max(used.values()) <= 10


def test_tab_meets_no_shape_of_the_map_and_nothing_without_a_name(browser, made, opened):
    opened(browser, made.page)
    stops = []
    while not stops or stops[-1][0] != "body":
        stops.append(press(browser, Keys.TAB))
        assert len(stops) < 90
    tags = [tag for tag, *_ in stops]
    assert "path" not in tags
    assert all(name for tag, name, _ in stops[:-1])
    assert any(tag == "div" and name.startswith("Map;") for tag, name, _ in stops)


def test_without_scripts_a_still_map_and_the_answer_are_read(browser, made, summary):
    """The drawing names its places and numbers; items unfold by themselves; no control is dead."""
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(made.page.as_uri())
        text = browser.find_element("css selector", "#items").text
        assert summary["answer"][0]["remedy"].split(".")[0] in text
        assert all(item["harm"] in text for item in summary["answer"])
        still = browser.find_element("id", "still")
        assert still.size["width"] > 300
        assert still.size["height"] > 300
        page = made.page.read_text(encoding="utf-8")
        drawn = re.search(r'<svg id="still".*?</svg>\s*<div id="map"', page, re.DOTALL)[0]
        ranks = [str(item["rank"]) for item in summary["answer"] if item["x"] is not None]
        assert re.findall(r"<text class=\"item\"[^>]*>(\d+)</text>", drawn) == ranks
        assert "Lawn drain" in drawn
        assert not browser.find_element("id", "print").is_displayed()
        item = browser.find_elements("css selector", "#items details[data-rank]")[1]
        item.find_element("tag name", "summary").click()
        assert item.find_element("tag name", "dl").is_displayed()
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pytest.mark.parametrize(("paper", "inches"), [("letter", (8.5, 11.0)), ("A4", (8.27, 11.69))])
def test_it_is_printed_on_four_pages_at_most(browser, made, opened, paper, inches):
    """With map, all items and the tables for the site; and the screen is as before."""
    opened(browser, made.page)
    asked = {"paperWidth": inches[0], "paperHeight": inches[1], "printBackground": True}
    pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", asked)["data"])
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 2 <= pages <= 4, paper
    assert browser.execute_script(
        "return document.querySelectorAll('#items details[data-rank][open]').length"
    ) == 1  # fmt: skip
    assert browser.execute_script("return document.querySelector('main').lastElementChild.id") == (
        "plan"
    )


def test_run_on_has_its_number_on_the_map(plan, summary):
    """Those the causes are told by."""
    names = plan.execute_script(
        "return [...document.querySelectorAll('#map .name')].map((e) => e.textContent)"
    )
    assert {str(one["id"]) for one in summary["lot_line_crossings"]} <= set(names)


def test_drain_lines_are_written_on_close_by(plan, made):
    """Bore and fall along the line, inverts at its ends, as the layer has them; not from afar."""
    written = "return [...document.querySelectorAll('#map .written')].map((e) => e.textContent)"
    plan.execute_script("lotflowPlan.map.setZoom(0, { animate: false })")
    assert plan.execute_script(written) == []
    plan.execute_script("lotflowPlan.map.setZoom(5, { animate: false })")
    texts = plan.execute_script(written)
    lines = layers_of(made.page)["drain_lines"]["features"]
    for line in lines:
        bore, fall, up, _ = line["pipe"]
        if fall is not None:
            assert f"{1000 * bore:.0f} mm, {100 * fall:.2f}%" in texts
        # a line of a few metres has no room for them
        if up is not None and line["course"][-1][0] > 5.0:
            assert any(text == f"inv. {up:.2f} m" for text in texts)
    assert len(texts) > 8


@pytest.mark.parametrize("system", ["metric", "us"])
def test_a_drain_line_is_seen_in_section_with_axes(plan_again, made, system):
    """Axes in the reader's units with round steps; ground and pipe at the levels of the result."""
    lines = layers_of(made.page)["drain_lines"]["features"]
    line = next(one for one in lines if one.get("course") and one["name"] == "Lawn line")
    plan_again.execute_script(
        "const u = document.getElementById('units'); u.value = arguments[0]; "
        "u.dispatchEvent(new Event('change')); "
        "[...document.querySelectorAll('section:has(#table-lines) td button')]"
        ".find((e) => e.textContent === 'Lawn line').click()",
        system,
    )
    texts, path = plan_again.execute_script(
        "const svg = document.querySelector('tr.in-section svg.section'); "
        "return [[...svg.querySelectorAll('text')].map((e) => e.textContent), "
        "svg.querySelector('.ground').getAttribute('d')]"
    )
    unit, factor = ("m", 1.0) if system == "metric" else ("ft", 0.3048)
    assert any(f"Level [{unit}]; heights" in text and "times" in text for text in texts)
    assert f"Along the line [{unit}]" in texts
    assert f"inv. {line['course'][0][2] / factor:.2f}" in texts
    # the ground drawn is the ground of the course: levels by the grid lines of the axis
    ys = [float(pair.split()[1]) for pair in re.split("[ML]", path)[1:]]
    ground = [point[1] / factor for point in line["course"]]
    assert len(ys) == len(ground) > 20
    levels = [float(text) for text in texts if re.fullmatch(r"-?\d+(\.\d+)?", text)]
    assert min(levels) <= min(ground)
    slope = (ys[0] - ys[-1]) / (ground[0] - ground[-1])
    for y, level in zip(ys, ground, strict=True):
        assert y - ys[0] == pytest.approx(slope * (level - ground[0]), abs=0.2)
