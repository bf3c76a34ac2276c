"""What the plan page shows, beside the other files of the same result and the program's chain."""

import json
import re

import numpy as np
import pyogrio
import pytest

from lotflow.scenarios import Scenario
from lotflow.units import from_si, shown, shown_open, sign

STORMS = ("2", "10", "100")
SYSTEMS = ("metric", "us")
#: Cells of a table: name of the row -> heading -> text.
CELLS = """
const part = document.getElementById(`table-${arguments[0]}`).closest('section');
const heads = [...part.querySelectorAll('th')].map((cell) => cell.textContent);
const rows = [];
for (const { classList, cells } of part.querySelectorAll('tbody tr')) {
  const texts = [...cells].map((cell) => cell.textContent);
  // a remark below its row: label and text
  const [label, told] = texts[0].split(': ');
  if (classList.contains('remark')) rows.at(-1)[label] = told;
  else rows.push(Object.fromEntries(texts.map((text, n) => [heads[n], text])));
}
return rows;
"""
CHOOSE = (
    "const one = document.getElementById(arguments[0]); one.value = arguments[1]; "
    "one.dispatchEvent(new Event('change'))"
)
ANSWER = """
lotflowPlan.tapped(L.latLng(...arguments[0]));
const texts = (tag) => [...document.querySelectorAll(`#answer ${tag}`)].map((e) => e.textContent);
const values = texts('dd');
return Object.fromEntries(texts('dt').map((label, n) => [label, values[n]]));
"""


@pytest.fixture
def plan(plan_again):
    """Not opened anew: each test here chooses the storm and the units it looks at."""
    return plan_again


@pytest.fixture(scope="module")
def result(made):
    """Layers and summary as they were written beside the page."""
    folder = made.page.parent

    def layer(name):
        frame = pyogrio.read_dataframe(folder / "result.gpkg", layer=name, read_geometry=False)
        return frame.astype(object).where(frame.notna(), None).to_dict("records")

    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    return layer, summary


def choose(plan, storm, system):
    """The storm last: a change of units draws all tables anew."""
    plan.execute_script(CHOOSE, "units", system)
    plan.execute_script(CHOOSE, "storm", storm)


def cells(plan, key, named_by="Name"):
    return {row[named_by]: row for row in plan.execute_script(CELLS, key)}


def told(value, quantity, system):
    return "–" if value is None else shown(value, quantity, system)


def told_flow(row, system):
    bounds = (row["flow_m3s_p05"], row["flow_m3s_p95"])
    return "–" if row["flow_m3s"] is None else shown_open(row["flow_m3s"], *bounds, "flow", system)


def of_storm(rows, storm, **more):
    wanted = {"return_period_yr": float(storm), **more}
    return [row for row in rows if all(row[key] == value for key, value in wanted.items())]


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("storm", STORMS)
def test_flows_of_the_chosen_storm_are_those_of_the_geopackage(plan, result, storm, system):
    layer, _ = result
    choose(plan, storm, system)
    flows = {
        row["subject"]: told_flow(row, system)
        for row in of_storm(layer("runoff"), storm, method="rational", kind="inlet")
    }
    inlets = cells(plan, "inlets")
    assert {name: row["Flow"] for name, row in inlets.items()} == {n: flows[n] for n in inlets}
    assert len(inlets) == 3


@pytest.mark.parametrize("system", SYSTEMS)
def test_catchments_that_the_data_leave_open_are_told_as_ranges(plan, result, system):
    """The ends are those of the layer; at least one inlet of the sample is so."""
    layer, _ = result
    choose(plan, "10", system)
    rows = {row["name"]: row for row in layer("inlets")}
    shown_areas = {name: row["Catchment"] for name, row in cells(plan, "inlets").items()}
    names = ("catchment_m2", "catchment_m2_p05", "catchment_m2_p95")
    assert shown_areas == {
        name: shown_open(*(rows[name][key] for key in names), "area", system) for name in rows
    }
    assert {name for name, text in shown_areas.items() if " to " in text} == {
        name for name, row in rows.items() if row["is_open"]
    }


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("storm", STORMS)
@pytest.mark.parametrize(("table", "case"), [("lines", "proposed"), ("lines_today", "today")])
def test_lines_of_the_chosen_storm_are_those_of_the_geopackage(
    plan, result, table, case, storm, system
):
    layer, _ = result
    choose(plan, storm, system)
    expected = {
        row["name"]: told_flow(row, system)
        for row in of_storm(layer("line_storms"), storm, scenario=case)
    }
    lines = cells(plan, table)
    assert {name: row["Flow"] for name, row in lines.items()} == expected
    assert len(lines) > 3


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("storm", STORMS)
def test_ponds_of_the_chosen_storm_are_those_of_the_summary(plan, result, storm, system):
    """Of each low spot with open inlets the deepest; and of each case of blocked ones."""
    _, summary = result
    choose(plan, storm, system)
    ponds = [row for row in of_storm(summary["ponds"], storm, case="open")
             if row["low_spot"] is not None]  # fmt: skip
    expected = {
        str(row["low_spot"]): told(row["depth_m"], "depth", system) if row["depth_m"] else "dry"
        for row in sorted(ponds, key=lambda row: row["depth_m"])
    }
    ponds = cells(plan, "ponds", "Low spot")
    assert {name: row["Depth"] for name, row in ponds.items()} == expected
    cases = {
        Scenario(row["case"]).words: (
            "–" if row["low_spot"] is None else str(row["low_spot"]),
            told(row["depth_m"], "depth", system),
            told(row["rise_m"], "depth", system),
            told(row["freeboard_m"], "depth", system),
            row["building"] or "–",
            row["spills_to"] or "–",
        )
        for row in of_storm(summary["pond_cases"], storm)
        if row["case"] != "open"
    }
    heads = ("Low spot", "Depth", "Rises", "Below sill", "Building", "Runs over into")
    shown_cases = cells(plan, "pond_cases", "When")
    told_cases = {n: tuple(row.get(head, "–") for head in heads) for n, row in shown_cases.items()}
    assert told_cases == cases


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("storm", STORMS)
def test_outlets_and_crossings_are_those_of_the_geopackage(plan, result, storm, system):
    """Each outlet of the proposed system with its flow; each place of run-on and run-off."""
    layer, summary = result
    choose(plan, storm, system)
    flows = {
        row["name"]: told(row["flow_m3s"], "flow", system)
        for row in of_storm(summary["outlet_storms"], storm, case="proposed")
    }
    expected = {
        row["name"]: (
            row["detail"],
            told(row["invert_m"], "elevation", system),
            flows[row["name"]],
        )
        for row in layer("nodes")
        if (row["kind"], row["scenario"]) == ("outlet", "proposed")
    }
    outlets = cells(plan, "outlets")
    heads = ("Kind", "Invert", "Flow")
    assert {n: tuple(row[head] for head in heads) for n, row in outlets.items()} == expected
    assert len(outlets) == 3
    ways = {"on": "onto the lot", "off": "off the lot"}
    expected = {
        str(row["id"]): (
            ways[row["direction"]],
            told(row["area_m2"], "area", system),
            told(row["elevation_m"], "elevation", system),
        )
        for row in layer("lot_line_crossings")
    }
    crossings = cells(plan, "lot_line_crossings", "No.")
    heads = ("Way", "Drains to it", "Ground")
    assert {n: tuple(row[head] for head in heads) for n, row in crossings.items()} == expected
    assert {way for way, *_ in expected.values()} == set(ways.values())


@pytest.mark.parametrize("system", SYSTEMS)
def test_lines_have_the_lengths_of_the_geopackage_rounded_once(plan, result, system):
    """Rounded to 0.1 mm before, 80.05 mm became 80.0 or 80.1, and the page's last digit another."""
    layer, _ = result
    plan.execute_script(CHOOSE, "units", system)
    rows = [row for row in layer("drain_lines") if row["scenario"] == "proposed"]
    expected = {row["name"]: told(row["diameter_m"], "diameter", system) for row in rows}
    assert {n: row["Bore"] for n, row in cells(plan, "lines").items()} == expected


def test_figures_of_the_storms_differ(plan):
    """Else the tests above would not see a selector that does nothing."""
    told_of = {}
    for storm in STORMS:
        choose(plan, storm, "metric")
        tables = ("inlets", "lines", "lines_today")
        told_of[storm] = {key: plan.execute_script(CELLS, key) for key in tables}
    for key in told_of["2"]:
        assert len({json.dumps(told_of[storm][key]) for storm in STORMS}) > 1, key
    assert len({json.dumps(told_of[storm]["inlets"]) for storm in STORMS}) == len(STORMS)


@pytest.mark.parametrize("storm", STORMS)
def test_an_inlet_on_the_map_tells_the_flow_of_the_chosen_storm(
    browser, made, opened, result, storm
):
    layer, _ = result
    opened(browser, made.page)  # anew, since a tooltip of before takes its time to fade
    browser.execute_script(CHOOSE, "storm", storm)
    browser.execute_script(
        "document.querySelector('tr[data-layer=inlets][data-name=\"Lawn drain\"] button').click()"
    )
    tip = browser.execute_script("return document.querySelector('.told-tip').textContent")
    row, *more = of_storm(layer("runoff"), storm, method="rational", subject="Lawn drain")
    assert more == []
    assert f"Flow, {storm} yr{told_flow(row, 'metric')}" in tip


def way_of_the_program(routing, start):
    """Cells from `start` down to where the way ends, by the receivers and culverts."""
    receiver = routing.receivers().ravel()
    outs = {culvert.up_cell: culvert.down_cell for culvert in routing.drains.culverts}
    cells = [start]
    while (below := outs.get(cells[-1], int(receiver[cells[-1]]))) != cells[-1]:
        cells.append(below)
    return cells


def number_of(text, unit):
    """A number as it is printed with its unit, in SI, and half of its last digit."""
    digits, printed = re.fullmatch(r"(-?[\d,]+(?:\.\d+)?) (.+)", text).groups()
    assert printed == sign(unit)
    decimals = len(digits.partition(".")[2])
    si_of_one = 1.0 / from_si(1.0, unit)
    return float(digits.replace(",", "")) * si_of_one, 0.5001 * 10.0**-decimals * si_of_one


@pytest.mark.parametrize("system", SYSTEMS)
def test_the_way_of_the_water_has_the_length_and_the_fall_of_the_program(plan, made, system):
    """Twelve random cells of known ground, and the longest way; heights of the page are to 1 mm."""
    routing = made.study.lot.inlets.routing
    grid = routing.surface.ground
    ground = grid.values.ravel()
    plan.execute_script(CHOOSE, "units", system)
    plan.execute_script("document.querySelector('[data-ask=follow]').click()")
    open_ground = np.flatnonzero(~routing.surface.roof.ravel() & ~routing.surface.missing.ravel())
    some = np.random.default_rng(11).choice(open_ground, 40, replace=False).tolist()
    ways = sorted((way_of_the_program(routing, start) for start in some), key=len)[-13:]
    west, south, _, _ = grid.bounds
    for way in ways:
        xy = np.array([grid.xy(*divmod(cell, grid.shape[1])) for cell in way])
        length = float(np.hypot(*np.diff(xy, axis=0).T).sum()) * grid.metres_per_unit
        fall = float(ground[way[0]] - ground[way[-1]])
        answer = plan.execute_script(ANSWER, [xy[0, 1] - south, xy[0, 0] - west])
        units = ("m", "m", "m2") if system == "metric" else ("ft", "ft", "ft2")
        read, half = number_of(answer["Way down"], units[0])
        assert read == pytest.approx(length, abs=half + 1e-9)
        read, half = number_of(answer["Fall"], units[1])
        assert read == pytest.approx(fall, abs=half + 1.1e-3)
        area = float(routing.total.ravel()[way[0]]) * grid.cell_m2
        read, half = number_of(answer["Drains to here"], units[2])
        assert read == pytest.approx(area, abs=half + 1e-6)
    assert len(ways[-1]) > 100
