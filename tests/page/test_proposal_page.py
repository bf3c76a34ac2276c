"""The page of a proposal: options side by side, of a made one with every key that there may be."""

import html
import json
import math
import os
import re
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, box

from lotflow.inputs.site_layer import empty_site_layer
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS
from lotflow.outputs.proposal_page import ProposalView, proposal_page

SIZES = ("phone", "desktop")
HOSTILE = "<script>window.hit=1</script><img src=x onerror=window.hit=1>"
FIXED = {"status": "proposed", "origin": "lotflow"}
HARM = {"openings_m": 0.6744, "wall_m": 12.0, "near_m2": 26.5, "paved_m2": 28.0, "lawn_m2": 0.0,
        "stands_m3": 7.93, "run_on_m3": 2.12}  # fmt: skip


def rows(layer, given, crs=None):
    columns = empty_site_layer(SITE_LAYERS[layer], crs).columns
    frame = pd.DataFrame([{key: one.get(key) for key in columns} for one in given], columns=columns)
    return gpd.GeoDataFrame(frame, geometry="geometry")


def made_site():
    """A lot 40 m by 30 m with a house, a street before it, and what a proposal has added."""
    site = {name: empty_site_layer(schema, None) for name, schema in SITE_LAYERS.items()}
    site["lot"] = rows("lot", [{"name": "Lot", "geometry": box(0, 0, 40, 30)}])
    site["buildings"] = rows("buildings", [{"name": "House", "geometry": box(12, 12, 26, 22)}])
    site["constraints"] = rows("constraints", [
        {"name": "Main Street", "kind": "street", "geometry": box(-20, -12, 60, -4)}])  # fmt: skip
    site["inlets"] = rows("inlets", [
        {"name": HOSTILE, "geometry": Point(5, 26), **FIXED},
        {"name": "Proposed inlet 2", "geometry": Point(32, 24), **FIXED},
        {"name": "Mine", "geometry": Point(35, 5)},
    ])  # fmt: skip
    site["drain_lines"] = rows("drain_lines", [
        {"name": "Line 1", "from_node": HOSTILE, "to_node": "Wye",
         "geometry": LineString([(5, 26), (5, 10)]), **FIXED},
        {"name": "Line 2", "from_node": "Wye", "to_node": "Curb",
         "geometry": LineString([(5, 10), (5, -4)]), **FIXED},
        {"name": "Line 3", "from_node": "Proposed inlet 2", "to_node": "Wye",
         "geometry": LineString([(32, 24), (32, 10), (5, 10)]), **FIXED},
    ])  # fmt: skip
    site["outlets"] = rows("outlets", [{"name": "Curb", "kind": "curb", "geometry": Point(5, -4),
                                        **FIXED}])  # fmt: skip
    site["earthworks"] = rows("earthworks", [
        {"name": "Rear swale", "kind": "swale", "geometry": LineString([(30, 27), (8, 28)]),
         **FIXED}])  # fmt: skip
    return SimpleNamespace(**site)


def made_content():
    """What `proposal.json` may hold, those keys too that a proposal of today lacks."""
    line = {"length_m": 30.0, "size": "4 in", "material": "pvc", "fall": 0.02, "invert_up_m": 30.9,
            "invert_down_m": 30.3, "deepest_m": 0.97, "bends": 2, "shallow_m": 1.74,
            "flow_m3s": 0.002, "capacity_m3s": 0.011}  # fmt: skip
    end = {"name": "Curb", "kind": "curb", "verdict": "reachable", "left_m": 0.5,
           "deviation_m": 0.1, "ask": True}  # fmt: skip
    better = {**HARM, "wall_m": 4.5, "near_m2": 1.2, "stands_m3": 9.5}
    first = {"name": HOSTILE, "x": 5.0, "y": 26.0, "low_spot": 3, "verdict": "in this low spot",
             "same_low_spot_share": 0.75, "worth_kept": 0.5, "end": end, "line": line,
             "before": HARM, "after": better}  # fmt: skip
    second = {**first, "name": "Proposed inlet 2", "x": 32.0, "y": 24.0, "verdict": None,
              "same_low_spot_share": None, "worth_kept": None, "end": None,
              "grate": {"side_m": 0.3048, "is_enough": False},
              "line": {**line, "joins": HOSTILE, "shallow_m": 0.0}}  # fmt: skip
    swale = {
        "name": "Rear swale", "kind": "swale", "place": "north of House", "x": 20.0, "y": 27.5,
        "rows": [{"table": "earthwork_lines", "name": "Rear swale"}], "length_m": 22.0,
        "dug": {"cut_m3": 3.4, "fill_m3": 0.0, "fall": 0.012, "deepest_m": 0.3},
        "before": HARM, "alone": better, "on_top_of": {**HARM, "wall_m": 8.0}, "after": better,
        "needs": ["swale-onto-neighbour", "soil-test"],
    }  # fmt: skip
    ranked = {
        "name": "Rear swale", "verdict": "helps surely", "surfaces": 24, "share_helps": 0.9583,
        "share_harms": 0.0, "mended_p05": {**HARM, "wall_m": 1.0}, "cost": 1234.5,
        "mended_p50": {**HARM, "wall_m": 3.0}, "mended_p95": {**HARM, "wall_m": 5.5},
        "quantities": [{"item": "earthwork cut", "quantity": 3.4, "unit": "m3"},
                       {"item": "ground to seed", "quantity": 44.0, "unit": "m2"}],
    }  # fmt: skip
    refused = {"place": "low spot 2", "x": 9.0, "y": 9.0, "remedy": "inlet with line",
               "rule": "gravity reaches no named end with the least fall", "limit": 0.0,
               "unit": "m", "source": "lotflow's rule: outlet first"}  # fmt: skip
    return {
        "rain": True, "outcome": "options", "options": [first, second], "surface": [swale],
        "harm": {"mended": ["water stays on paving: low spot 2"], "left": [],
                 "new": ["water led onto a neighbour: low spot 1"]},
        "ranking": {"best": None, "cannot_tell": ["Rear swale", HOSTILE],
                    "sequence": ["Rear swale", HOSTILE], "options": [ranked]},
        "not_offered": [{**refused, "measured": -0.31}, {**refused, "measured": -0.12}],
        "shots": [{"option": HOSTILE, "what": "lowest ground at the inlet", "x": 5.0, "y": 26.0}],
    }  # fmt: skip


def view(units="metric", **more):
    names = [column.name for column in RESULT_LAYERS["quantities"].columns]
    order = pd.DataFrame(
        [{"item": "pipe pvc 4 in", "quantity": 12.0, "unit": "3 m length", "price": 20.0,
          "cost": 240.0}, {"item": "excavation", "quantity": 13.8, "unit": "m³", "cost": math.nan}],
        columns=names,
    )  # fmt: skip
    found = {"rule": "swale-onto-neighbour", "severity": "warn", "subject": "Rear swale",
             "message": "its water leaves the lot here."}  # fmt: skip
    return ProposalView("14 Alder Court", units, 1.0, made_site(), order, [found], **more)


def words(page):
    """Text of a page, entities read and tags left out."""
    body = re.sub(r"<style>.*?</style>", "", page, flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def card(page, number):
    """One card as text, and its plan."""
    found = re.findall(r"<article.*?</article>", page, flags=re.S)
    return words(found[number - 1]), re.search(r"<svg class=\"plan\".*?</svg>", found[number - 1],
                                               flags=re.S)[0]  # fmt: skip


@pytest.fixture(scope="module")
def page():
    return proposal_page(made_content(), view())


def test_options_stand_in_the_order_of_practice_with_all_that_is_known_of_them(page):
    swale, _ = card(page, 1)
    assert swale.startswith("1 Rear swale Swale: north of House")
    # on top of those before it, and the spread of what it mends
    assert (
        "House wall that stands in water alone it mends 1.0 m to 5.5 m (5 and 95 % of surfaces)"
        " 8.0 m 4.5 m" in swale
    )
    for fact in ("Earthwork cut 3.4 m3", "Length 22.0 m", "Fall 1.20%", "Ground to seed 44 m2",
                 "Cost 1,234.50",
                 "Helps surely", "96 % it helps", "0 % it makes something worse",
                 "of 24 surfaces", "Soil test", "its water leaves the lot here."):  # fmt: skip
        assert fact in swale, fact
    assert "swale onto neighbour" not in swale  # what a run says of it stands there instead
    first, _ = card(page, 2)
    for fact in ("30.0 m of 4 in pvc", "to Curb", "2.00%, invert 30.90 m to 30.30 m",
                 "0.97 m deep at most, 2 fittings", "over 1.7 m",
                 "Can carry 11.00 l/s; 2.00 l/s come",
                 "not all of it has a price", "75 %", "In this low spot",
                 "owner of the street"):  # fmt: skip
        assert fact in first, fact
    second, _ = card(page, 3)
    assert f"into the line of {HOSTILE}" in second
    assert "305 mm square, half clogged, too small for the design storm alone" in second
    assert "Not asked on other surfaces" in second
    assert "No level is known to decide it." in second


def test_what_is_made_worse_is_marked(page):
    """7.93 m3 stand before and 9.5 m3 after: a row of harm that an option makes worse."""
    worse = re.findall(r'<tr class="worse">(.*?)</tr>', page)
    assert len(worse) == 3
    assert all("Water that stands on the lot" in one for one in worse)


def test_a_level_is_found_from_two_corners_of_the_house(page):
    """From (5, 26): corner (12, 22) is hypot(7, 4) off, (12, 12) hypot(7, 14)."""
    told, _ = card(page, 2)
    assert (
        "Lowest ground at the inlet : 8.06 m from the north-west corner of House and 15.65 m from "
        "the south-west corner of House, west of the line between them" in told
    )


def test_what_is_not_offered_is_told_once_with_the_try_that_came_nearest(page):
    told = words(page)
    assert told.count("Gravity reaches no named end") == 1
    assert "Inlet with line Gravity reaches no named end with the least fall -0.12 m 0.00 m" in told
    assert "Which of these helps most, the levels cannot tell: 1 Rear swale; 2" in told
    assert "Sum of what has a price: 240.00 ; 1 without a price" in told
    for caution in ("Call before you dig", "29 CFR 1926.651", "septic tanks", "onto a neighbour",
                    "Local code", "licensed practice"):  # fmt: skip
        assert caution in told, caution


def test_the_plan_shows_the_rows_of_the_option_and_the_rest_pale(page):
    """Lines down to the end belong to the inlet: also the shared stretch below the wye."""
    for number, strong in ((1, {"earthworks swale": 1}), (2, {"drain_lines": 2}),
                           (3, {"drain_lines": 2})):  # fmt: skip
        _, plan = card(page, number)
        for look, count in strong.items():
            assert plan.count(f'class="{look}"') == count, number
        assert plan.count('class="there inlets"') == 1  # the user's own
        assert plan.count("drain_lines") == 3
    _, plan = card(page, 2)
    # drawn to scale: the line of 16 m and that of 14 m, against the bar
    steps = re.findall(r'class="drain_lines" d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)"', plan)
    sizes = sorted(math.dist((float(a), float(b)), (float(c), float(d))) for a, b, c, d in steps)
    bar = re.search(r'class="bar" d="M8 [\d.]+v-4v4h([\d.]+)v', plan)[1]
    metres = float(re.search(r"<text[^>]*>([\d.]+) m</text>", plan)[1])
    for size, length in zip(sizes, (14.0, 16.0), strict=True):
        assert size / float(bar) * metres == pytest.approx(length, rel=0.02)


def test_the_page_is_in_the_units_of_the_report():
    told = words(proposal_page(made_content(), view("us")))
    assert "98.4 ft of 4 in pvc" in told
    assert "26.45 ft from the north-west corner of House" in told  # hypot(7, 4) / .3048
    assert "Ground within 10 ft of the house" in told


def test_it_is_one_small_file_that_runs_nothing_and_names_no_other(page):
    assert len(page.encode()) < 2_000_000
    assert page == proposal_page(made_content(), view())
    assert not re.search(r"<(?:script|link|img|iframe|object|embed|base|form|input|button)\b", page)
    plain = page.replace(html.escape(HOSTILE), "")
    assert not re.search(r"url\(|https?:|\son\w+=", plain)
    policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1])
    assert policy.startswith("default-src 'none'; base-uri 'none'; form-action 'none';")
    assert "unsafe" not in policy


@pytest.mark.parametrize("gone", ["surface", "ranking", "not_offered", "shots", "harm"])
def test_a_key_that_is_not_there_is_left_out(gone):
    content = {key: value for key, value in made_content().items() if key != gone}
    told = words(proposal_page(content, view()))
    assert "Before anybody digs" in told
    assert ("Rear swale Swale:" in told) == (gone != "surface")


def test_a_verdict_or_row_of_harm_without_words_is_told_as_it_is_called():
    content = made_content()
    option = content["options"][0]
    option["verdict"] = "to be dug by hand"
    option["before"], option["after"] = {"cellar_wet_m2": 4.0}, {"cellar_wet_m2": 1.0}
    told = words(proposal_page(content, view()))
    assert "To be dug by hand" in told
    assert "Cellar wet 4 m² 1 m²" in told


def test_roof_water_is_told_with_its_gutter_and_those_that_help_alike_together():
    content = made_content()
    content["surface"][0] |= {"kind": "gutter", "gutter_m": 45.0, "downspouts": 2, "dug": None}
    content["ranking"] |= {"cannot_tell": [], "alike": ["Rear swale", "Proposed inlet 2"]}
    ordered = content["ranking"]["options"][0].pop("quantities")
    page = proposal_page(content, view())
    told, _ = card(page, 1)
    for fact in ("Gutter 45.0 m", "Led off 22.0 m", "Downspouts 2"):
        assert fact in told, fact
    # where it has an order list, that tells them, and nothing is told twice
    ordered[:] = [{"item": "gutter", "quantity": 45.0, "unit": "m"},
                  {"item": "downspout", "quantity": 2.0, "unit": "pieces"},
                  {"item": "downspout extension", "quantity": 22.0, "unit": "m"}]  # fmt: skip
    content["ranking"]["options"][0]["quantities"] = ordered
    told, _ = card(proposal_page(content, view()), 1)
    assert "Gutter 45 m Downspout 2 pieces Downspout extension 22 m Cost" in told
    assert "Led off" not in told
    assert "These help most, and alike: 1 Rear swale; 3 Proposed inlet 2" in words(page)


def test_without_rain_what_runs_is_told_as_a_share():
    """Nobody knows how much runs; three quarters of it are left."""
    content = made_content() | {"rain": False}
    option = content["options"][0]
    option["after"] = {**option["before"], "run_on_m3": 0.75 * option["before"]["run_on_m3"]}
    told, _ = card(proposal_page(content, view()), 2)
    assert "Water that runs to the house from elsewhere 100 % 75 %" in told
    assert "1.59 m³" in card(proposal_page(content | {"rain": True}, view()), 2)[0]


def test_where_nothing_is_offered_the_page_says_so_and_why():
    content = made_content() | {"options": [], "surface": [], "ranking": {}, "harm": {},
                                "outcome": "nothing can be offered"}  # fmt: skip
    told = words(proposal_page(content, view()))
    assert "Nothing can be offered." in told
    assert "Gravity reaches no named end" in told
    assert "Other levels that decide" in told
    assert "<article" not in proposal_page(content, view())


@pytest.fixture(scope="module")
def file(page, tmp_path_factory):
    path = tmp_path_factory.mktemp("proposal") / "proposal.html"
    path.write_text(page, encoding="utf-8")
    return path


def shown_at(browser, file, size):
    width, height = {"phone": (390, 844), "desktop": (1400, 900)}[size]
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": size == "phone"},
    )
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(file.as_uri())


@pytest.mark.parametrize("size", SIZES)
def test_it_opens_without_an_error_a_request_or_a_page_wider_than_the_screen(browser, file, size):
    shown_at(browser, file, size)
    assert browser.get_log("browser") == []
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = {event["params"]["request"]["url"] for event in events
             if event["method"] == "Network.requestWillBeSent"}  # fmt: skip
    assert asked == {file.as_uri()}
    assert browser.execute_script(
        "return document.documentElement.scrollWidth <= window.innerWidth"
    )
    assert browser.execute_script("return window.hit") is None
    assert HOSTILE in browser.execute_script("return document.body.innerText")


def test_on_a_desktop_parts_of_the_cards_stand_in_one_row_and_on_a_phone_below_each_other(
    browser, file
):
    tops = (
        "return [...document.querySelectorAll('.card')].map((card) => [...card.children]"
        ".map((part) => Math.round(part.getBoundingClientRect().top)))"
    )
    shown_at(browser, file, "desktop")
    first, second, third = browser.execute_script(tops)
    assert len(first) == 7
    assert first == second == third
    shown_at(browser, file, "phone")
    first, second, third = browser.execute_script(tops)
    assert first[-1] < second[0] < second[-1] < third[0]


@pytest.mark.parametrize("size", SIZES)
def test_an_accessibility_checker_finds_nothing(browser, file, size):
    """axe-core (npm), where it is at hand."""
    script = Path(os.environ.get("LOTFLOW_NODE_MODULES", ""), "axe-core", "axe.min.js")
    if not script.is_file():
        pytest.skip("LOTFLOW_NODE_MODULES names no folder with axe-core")
    shown_at(browser, file, size)
    browser.execute_script(script.read_text(encoding="utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run().then((r) => done(r.violations.map("
        "(v) => [v.impact, v.id, v.nodes[0].html])))"
    )
    assert found == []


def test_shapes_of_the_made_site_are_those_of_the_schema():
    """Else the page would be tried on rows that no job has."""
    site = made_site()
    for name in ("inlets", "drain_lines", "outlets", "earthworks", "constraints"):
        frame = getattr(site, name)
        assert set(frame.columns) == set(empty_site_layer(SITE_LAYERS[name], None).columns), name
        assert shapely.is_valid(frame.geometry.to_numpy()).all()
