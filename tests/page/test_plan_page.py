"""The plan page in a browser: it asks nobody, and answers as the program does."""

import json
import os
import re
import time
from pathlib import Path

import numpy as np
import pytest

from lotflow.outputs.html_page import data_text
from lotflow.outputs.plan_page.tables import TABLES
from lotflow.study import write_study
from lotflow.terrain.level_error import LevelError
from lotflow.units import shown, shown_open

#: Tables in which the long hostile name stands.
HOSTILE_TABLES = ("table-findings",)
SIZES = ("phone", "desktop")


def test_the_page_is_one_small_file_that_names_no_other(made):
    text = made.page.read_text(encoding="utf-8")
    assert len(text.encode()) < 2_000_000
    assert not re.search(r"<(?:link|img|iframe|object|embed|base)\b", text.split("<script>")[0])
    assert "sourceMappingURL" not in text
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)[1]
    assert not re.search(r"url\((?!#)", style)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    assert policy.startswith(
        "default-src &#x27;none&#x27;; base-uri &#x27;none&#x27;; form-action &#x27;none&#x27;; "
        "img-src data:; style-src"
    )
    assert "unsafe" not in policy


def test_the_page_is_the_same_each_time(made, tmp_path):
    write_study(made.study, tmp_path / "again", overwrite=False)
    assert (tmp_path / "again" / "plan.html").read_bytes() == made.page.read_bytes()


@pytest.mark.parametrize("size", SIZES)
def test_it_loads_without_an_error_or_a_request_but_for_itself(browser, made, opened, size):
    opened(browser, made.page, size)
    assert browser.get_log("browser") == []
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = {
        event["params"]["request"]["url"]
        for event in events
        if event["method"] == "Network.requestWillBeSent"
    }
    assert {address for address in asked if not address.startswith("data:")} == {made.page.as_uri()}


def test_a_name_from_the_user_stays_text(plan, made):
    assert plan.execute_script("return window.hit") is None
    assert made.hostile in plan.execute_script("return document.body.innerText")


def test_a_layer_is_switched_off_and_on(plan):
    count = "return document.querySelectorAll('#map path').length"
    before = plan.execute_script(count)
    plan.execute_script("document.getElementById('layer-flow_paths').click()")
    assert plan.execute_script(count) < before
    plan.execute_script("document.getElementById('layer-flow_paths').click()")
    assert plan.execute_script(count) == before


def test_only_ponds_of_the_chosen_storm_are_drawn(plan):
    """Three low spots, three storms: of nine ponds with inlets blocked three are seen."""
    plan.execute_script("document.getElementById('layer-ponds_blocked').click()")
    seen = (
        "const s = lotflowPlan.state.storm; const all = []; lotflowPlan.map.eachLayer((one) => { "
        "if (one.feature?.layer === 'ponds_blocked') all.push(one); }); return [all.length, "
        "all.filter((one) => one.getElement().style.display !== 'none')"
        ".map((one) => String(one.feature.storm) === s)]"
    )
    for storm in ("2", "100"):
        plan.execute_script(
            "const c = document.getElementById('storm'); c.value = arguments[0]; "
            "c.dispatchEvent(new Event('change'))",
            storm,
        )
        assert plan.execute_script(seen) == [9, [True] * 3]


@pytest.mark.parametrize("size", SIZES)
def test_tables_fit_their_panel(browser, made, opened, unfold, size):
    """None of them has to be moved sideways, in either system of units."""
    opened(browser, made.page, size)
    unfold(browser)
    wide = (
        "return [...document.querySelectorAll('.scroll')].filter((one) => "
        "one.scrollWidth > one.clientWidth).map((one) => one.dataset.table)"
    )
    seen = "return [...document.querySelectorAll('.scroll')].every((one) => one.clientWidth > 0)"
    assert browser.execute_script(seen)
    for units in ("us", "metric"):
        browser.execute_script(
            "const u = document.getElementById('units'); u.value = arguments[0]; "
            "u.dispatchEvent(new Event('change'))",
            units,
        )
        found = [name for name in browser.execute_script(wide) if name not in HOSTILE_TABLES]
        assert found == []


def test_names_step_aside_for_each_other(plan_again):
    """Two names of one place go to two sides of it; one whose side is taken by a mark, too."""
    sides = plan_again.execute_script(
        "const at = { x: 100, y: 100, width: 80, height: 16, fixed: false }; "
        "const view = [0, 0, 400, 400]; "
        "return [placedNames([at, at], [], view, []), placedNames([at], [[150, 100]], view, []), "
        "placedNames([{ ...at, fixed: true }], [], view, [])]"
    )
    assert sides == [["right", "left"], ["left"], ["center"]]


def test_names_stay_in_view_and_off_what_lies_on_the_map(plan_again):
    sides = plan_again.execute_script(
        "const at = { x: 360, y: 100, width: 80, height: 16, fixed: false }; "
        "const view = [0, 0, 400, 400], box = [[260, 80, 345, 120]]; "
        "return [placedNames([at], [], view, []), placedNames([at], [], view, box)]"
    )
    assert sides == [["left"], ["bottom"]]


def test_no_name_lies_under_what_stays_on_the_map_of_a_phone(browser, made, opened):
    """The scale has a strip below the map; names keep off the north and the zoom buttons."""
    opened(browser, made.page, "phone")
    found = browser.execute_script(
        "const frame = lotflowPlan.map.getContainer().getBoundingClientRect(); "
        "const names = [...document.querySelectorAll('#map .name')].map((one) => "
        "[one.textContent, one.getBoundingClientRect()]).filter(([, box]) => "
        "box.bottom > frame.top && box.top < frame.bottom); "
        "const fixed = [...document.querySelectorAll('#scale, #north, .leaflet-control-zoom')]"
        ".map((one) => one.getBoundingClientRect()); "
        "const meet = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && "
        "b.top < a.bottom; return [names.length, fixed.length, names.filter(([, box]) => "
        "fixed.some((one) => meet(box, one))).map(([text]) => text), "
        "fixed.filter((one) => meet(one, frame)).length]"
    )
    count, fixed, covered, on_the_map = found
    assert count >= 6
    assert fixed == 3
    assert covered == []
    assert on_the_map == 2  # all but the scale


@pytest.mark.parametrize("size", SIZES)
def test_a_note_has_a_line_of_its_own(browser, made, opened, unfold, size, tmp_path):
    """As a column it was a letter wide on a phone; the sample has none, so one is put in."""
    text = made.page.read_text(encoding="utf-8")
    stored = re.search(r'id="plan-data">(.*?)</script>', text, re.DOTALL)[1]
    data = json.loads(stored)
    table = next(one for one in data["tables"] if one["key"] == "low_spots")
    table["columns"].append([TABLES["low_spots"].headings[-1].column.label, "remark"])
    for row, said in zip(table["rows"], ("", "deep, or held by a bank: " * 4, ""), strict=True):
        row["cells"].append(said)
    page = tmp_path / "noted.html"
    page.write_text(text.replace(stored, data_text(data)), encoding="utf-8")
    opened(browser, page, size)
    unfold(browser)
    lines, wide, scrolls = browser.execute_script(
        "const part = document.querySelector('section:has(#table-low_spots)'); "
        "const box = part.querySelector('.scroll'); return ["
        "[...part.querySelectorAll('tbody tr')].map((row) => row.cells.length), "
        "part.querySelector('.remark td').getBoundingClientRect().width / box.clientWidth, "
        "box.scrollWidth > box.clientWidth]"
    )
    assert lines == [7, 7, 1, 7]
    assert wide > 0.95
    assert not scrolls


CLICK = (
    "const box = arguments[0].getBoundingClientRect(); "
    "arguments[0].dispatchEvent(new MouseEvent('click', { bubbles: true, "
    "clientX: box.x + box.width / 2, clientY: box.y + box.height / 2 }))"
)


def test_a_tap_on_a_symbol_answers_where_the_ground_is_asked(plan):
    """From an inlet to another one, say; and nothing is selected, no tooltip stays in the way."""
    plan.execute_script("document.querySelector('[data-ask=fall]').click()")
    first, second = plan.find_elements("css selector", ".mark")[:2]
    for mark in (first, second):
        plan.execute_script(CLICK, mark)
    found = plan.execute_script("return document.getElementById('answer').dataset.distance")
    assert found is not None
    assert float(found) > 0
    assert plan.execute_script("return document.getElementById('position').textContent") != ""
    time.sleep(0.5)  # they fade away
    assert plan.execute_script("return document.querySelectorAll('.told-tip').length") == 0


def test_an_old_line_is_gone_when_the_fall_is_asked_for_again(plan):
    ask = "document.querySelector('[data-ask=fall]').click()"
    plan.execute_script(ask)
    for mark in plan.find_elements("css selector", ".mark")[:2]:
        plan.execute_script(CLICK, mark)
    plan.execute_script(ask)
    plan.execute_script(
        "const f = document.getElementById('pipe-fall'); f.value = '2'; "
        "f.dispatchEvent(new Event('input'))"
    )
    assert plan.execute_script("return document.getElementById('answer').textContent") == ""


def test_a_cover_below_nothing_counts_as_none(plan):
    plan.execute_script("document.querySelector('[data-ask=fall]').click()")
    for mark in plan.find_elements("css selector", ".mark")[:2]:
        plan.execute_script(CLICK, mark)
    told = []
    for cover in ("0", "-5"):
        plan.execute_script(
            "const c = document.getElementById('pipe-cover'); c.value = arguments[0]; "
            "c.dispatchEvent(new Event('input'))",
            cover,
        )
        told.append(plan.execute_script("return document.getElementById('answer').textContent"))
    assert told[0] == told[1] != ""


def test_paper_shows_the_lot_whole_and_the_screen_comes_back(plan):
    plan.execute_script("lotflowPlan.map.setZoom(lotflowPlan.map.getZoom() + 2, "
                        "{ animate: false })")  # fmt: skip
    zoom = "return lotflowPlan.map.getZoom()"
    before = plan.execute_script(zoom)
    plan.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    size = plan.execute_script("const s = lotflowPlan.map.getSize(); return [s.x, s.y]")
    assert plan.execute_script(zoom) < before
    assert size == [pytest.approx(18 / 2.54 * 96, abs=3), pytest.approx(12.2 / 2.54 * 96, abs=3)]
    plan.execute_script("window.dispatchEvent(new Event('afterprint'))")
    assert plan.execute_script(zoom) == before


def test_units_are_switched_everywhere(plan, unfold):
    """In all cells; findings give both in their sentences."""
    unfold(plan)
    text = (
        "return [...document.querySelectorAll('#tables td.number')]"
        ".map((cell) => cell.innerText).join()"
    )
    assert " m²" in plan.execute_script(text)
    plan.execute_script(
        "const u = document.getElementById('units'); u.value = 'us'; "
        "u.dispatchEvent(new Event('change'))"
    )
    assert " ft²" in plan.execute_script(text)
    assert " m²" not in plan.execute_script(text)
    # sentences of the answer were written once, for the report
    assert not plan.execute_script("return document.getElementById('kept-units').hidden")


def test_what_is_said_of_the_data_is_switched_too(plan):
    """Cell size and accuracy in the head, and the accuracy among the cautions: 0.10 m is 3.9 in."""
    said = (
        "return [document.getElementById('note').textContent, "
        "document.querySelector('#cautions li').textContent]"
    )
    for units, cell, error in (
        ("us", "1.64 ft", "3.9 in"),
        ("metric", "0.50 m", "0.10 m"),
        ("us", "1.64 ft", "3.9 in"),
    ):
        plan.execute_script(
            "const u = document.getElementById('units'); u.value = arguments[0]; "
            "u.dispatchEvent(new Event('change'))",
            units,
        )
        note, caution = plan.execute_script(said)
        assert f"cells of {cell}, vertical accuracy {error} RMSE" in note
        assert f"good to about {error}" in caution


@pytest.mark.parametrize("value", [36.5, 37.5, 0.125, 1234.5])
@pytest.mark.parametrize("quantity", ["area", "elevation", "diameter"])
def test_numbers_are_rounded_as_in_the_other_files(plan_again, value, quantity):
    told = plan_again.execute_script(
        "const d = JSON.parse(document.getElementById('plan-data').textContent); "
        "return makeNumbers(d.shown).show(arguments[0], arguments[1], 'metric')", value, quantity
    )  # fmt: skip
    assert told == shown(value, quantity, "metric")


def test_a_range_is_told_as_in_the_other_files(plan_again):
    script = (
        "const d = JSON.parse(document.getElementById('plan-data').textContent); "
        "return makeNumbers(d.shown).show(arguments[0], arguments[1], arguments[2])"
    )
    for system in ("us", "metric"):
        for low, high in ((12.5, 1631.0), (0.001, 0.002), (0.0, 1.0)):
            told = plan_again.execute_script(script, [low, high], "area", system)
            assert told == shown_open(low, low, high, "area", system)


def test_a_row_of_a_table_and_its_shape_on_the_map_choose_one_another(plan):
    plan.execute_script(
        "document.querySelector('tr[data-layer=low_spots][data-name=\"2\"] button').click()"
    )
    chosen = "return [...document.querySelectorAll('tr.chosen')].map((r) => r.dataset.name)"
    assert plan.execute_script(chosen) == ["2"]
    assert plan.execute_script("return document.querySelectorAll('.told-tip').length") == 1


def test_following_the_water_ends_where_the_program_says(plan_again, made):
    """Ten random cells of known ground: the same last cell and the same area."""
    routing = made.study.lot.inlets.routing
    receiver, total = routing.receivers().ravel(), routing.total.ravel()
    roof = routing.surface.roof.ravel()
    outs = {culvert.up_cell: culvert.down_cell for culvert in routing.drains.culverts}
    open_ground = np.flatnonzero(~roof & ~routing.surface.missing.ravel())
    for start in np.random.default_rng(7).choice(open_ground, 10, replace=False).tolist():
        cell = start
        while (below := outs.get(cell, int(receiver[cell]))) != cell:
            cell = below
        told = plan_again.execute_script(
            "const w = wayDown(lotflowPlan.water, arguments[0]); "
            "return [w.end, w.area, w.length, w.fall]",
            start,
        )
        assert told[0] == cell
        grid = routing.surface.ground
        assert told[1] == pytest.approx(total[start] * grid.cell_m2, abs=1e-6)
        fall = grid.values.ravel()[start] - grid.values.ravel()[cell]
        assert told[3] == pytest.approx(fall, abs=1.1e-3)


def test_roof_water_is_followed_from_the_eaves(plan_again, made):
    surface = made.study.lot.inlets.routing.surface
    cell = int(np.flatnonzero(surface.roof)[100])
    told = plan_again.execute_script(
        "const w = wayDown(lotflowPlan.water, arguments[0]); return [w.roof, w.cells[0]]", cell
    )
    assert told == [True, int(surface.eave_cell.ravel()[cell])]


def test_the_fall_between_two_points_is_that_of_the_ground(plan_again, made):
    """Distance, fall and interval as computed here from the grid and the error model."""
    lot = made.study.lot
    grid, accuracy = lot.window.surface.ground, lot.job.elevation
    west, south, _, _ = grid.bounds
    error = LevelError(accuracy.rmse_m, accuracy.correlation_m, accuracy.white_share)
    rng = np.random.default_rng(3)
    for _ in range(5):
        cells = rng.integers(5, np.array(grid.shape) - 5, size=(2, 2))
        (x0, y0), (x1, y1) = (grid.xy(*cell) for cell in cells)
        told = plan_again.execute_script(
            "const f = fallBetween(lotflowPlan.water, arguments[0], arguments[1], "
            "JSON.parse(document.getElementById('plan-data').textContent).accuracy); "
            "return [f.distance, f.fall, f.doubt]",
            [y0 - south, x0 - west],
            [y1 - south, x1 - west],
        )
        distance = float(np.hypot(x1 - x0, y1 - y0)) * grid.metres_per_unit
        fall = float(grid.values[tuple(cells[0])] - grid.values[tuple(cells[1])])
        doubt = 1.6448536 * float(error.of_difference(distance))
        assert told == pytest.approx([distance, fall, doubt], abs=1.1e-3)


def test_a_pipe_keeps_its_cover_along_the_whole_line(plan_again):
    """Hand values: ground 10, 8, 9.5 m at 0, 10, 20 m; 1 % fall, 0.3 m cover, 0.1 m pipe."""
    told = plan_again.execute_script(
        "const p = pipeUnder([{distance: 0, ground: 10}, {distance: 10, ground: 8}, "
        "{distance: 20, ground: 9.5}], 0.01, 0.3, 0.1); "
        "return [p.depthUp, p.depthDown, p.deepest, p.fromFirst]"
    )
    # the low ground governs: invert 7.6 there, 7.7 at the top, 7.5 at the end
    assert told == [pytest.approx(2.3), pytest.approx(2.0), pytest.approx(2.3), True]


def test_taps_answer_on_the_page(plan):
    plan.execute_script(
        "document.querySelector('[data-ask=follow]').click(); "
        "document.getElementById('here').click()"
    )
    answer = "return document.getElementById('answer').innerText"
    assert "Ends at" in plan.execute_script(answer)
    plan.execute_script(
        "document.querySelector('[data-ask=fall]').click(); "
        "document.getElementById('here').click(); lotflowPlan.map.panBy([120, 0], "
        "{animate: false}); document.getElementById('here').click()"
    )
    assert "Distance" in plan.execute_script(answer)
    assert plan.execute_script("return document.querySelectorAll('svg.section').length") == 1


@pytest.mark.parametrize("size", SIZES)
def test_an_accessibility_checker_finds_nothing_serious(browser, made, opened, size):
    """axe-core (npm), where it is at hand."""
    script = Path(os.environ.get("LOTFLOW_NODE_MODULES", ""), "axe-core", "axe.min.js")
    if not script.is_file():
        pytest.skip("LOTFLOW_NODE_MODULES names no folder with axe-core")
    opened(browser, made.page, size)
    browser.execute_script(script.read_text(encoding="utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run().then((r) => done(r.violations.map("
        "(v) => [v.impact, v.id, v.nodes[0].html])))"
    )
    assert [one for one in found if one[0] in ("serious", "critical")] == []
