"""The page of a batch in a browser: sorted, filtered, map and table pointing at each other."""

import geopandas as gpd
import pytest
from shapely import box

from lotflow.layers.result_town import CONCERNS
from lotflow.outputs.town import town_table
from lotflow.outputs.town_page import town_page

NUMBER = 450


def table(number):
    """Lots on a mesh, the concerns in turn; of every tenth the depth is not known."""
    rows = [
        {"parcel": f"P-{i}", "outcome": "done", "concern": CONCERNS[i % 9], "harm_rows": i % 3,
         "first_item": "a <b>pond</b>" if i == 7 else "", "low_spots": i % 5,
         "deepest_m": None if i % 10 == 0 else (i * 37 % 100) / 100, "area_m2": 900.0 + i,
         "folder": f"lots/P-{i}" if i % 2 else ""}
        for i in range(number)
    ]  # fmt: skip
    shapes = [box(i % 30 * 40, i // 30 * 40, i % 30 * 40 + 36, i // 30 * 40 + 36)
              for i in range(number)]  # fmt: skip
    return town_table(rows, gpd.GeoSeries(shapes, crs=32618))


@pytest.fixture(scope="module")
def page(browser, tmp_path_factory):
    path = tmp_path_factory.mktemp("town") / "town.html"
    path.write_text(town_page(table(NUMBER), title="Fairview", units="metric", opens="plan.html"))
    browser.set_window_size(1400, 900)
    browser.get(path.as_uri())
    return browser


def shown(page, number=3):
    return page.execute_script(
        "return [...document.querySelectorAll('#rows tr')].slice(0, arguments[0])"
        ".map((row) => Number(row.dataset.lot))", number,
    )  # fmt: skip


def click(page, selector):
    page.execute_script("document.querySelector(arguments[0]).click()", selector)


def test_the_worst_stand_first_and_more_come_when_asked_for(page):
    assert shown(page) == [0, 9, 18]
    rows = "return document.querySelectorAll('#rows tr').length"
    before = page.execute_script(rows)
    click(page, "#more")
    assert (before, page.execute_script(rows)) == (200, 400)
    assert page.execute_script("return document.querySelectorAll('#lots path').length") == NUMBER


def test_a_column_sorts_and_what_is_not_known_comes_last(page):
    depth = "th:nth-child(6) button"
    click(page, depth)
    values = [(i * 37 % 100, i) for i in range(NUMBER) if i % 10]
    assert shown(page, 5) == [i for _, i in sorted(values, key=lambda one: (-one[0], one[1]))][:5]
    click(page, depth)
    assert shown(page, 5) == [i for _, i in sorted(values)][:5]
    click(page, "#all")


def test_concerns_and_words_filter_table_and_map(page):
    click(page, "[data-concern='2']")
    told = page.execute_script("return document.getElementById('count').textContent")
    assert told.startswith(f"{NUMBER // 9} of")
    out = page.execute_script("return document.querySelectorAll('#lots path.out').length")
    assert out == NUMBER - NUMBER // 9
    click(page, "#all")
    page.execute_script(
        "const find = document.getElementById('find'); find.value = 'P-44';"
        "find.dispatchEvent(new Event('input'))"
    )
    assert sorted(shown(page, 50)) == [44, *range(440, 450)]
    click(page, "#all")


def test_map_and_table_point_at_each_other(page):
    page.execute_script(
        "document.querySelector('#lots path[data-lot=\"441\"]')"
        ".dispatchEvent(new MouseEvent('click', { bubbles: true }))"
    )
    chosen = "return [...document.querySelectorAll('tr.chosen')].map((one) => one.dataset.lot)"
    assert page.execute_script(chosen) == ["441"]
    link = page.execute_script(
        "return document.querySelector('tr.chosen a').getAttribute('href')")  # fmt: skip
    assert link == "lots/P-441/plan.html"
    assert page.execute_script("return document.querySelectorAll('#rows b').length") == 0
