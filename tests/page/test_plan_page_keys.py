"""The plan page by keyboard alone: Tab to a place, Enter, Space or an arrow to use it."""

import time

import pytest

#: More stops than any page of the sample has.
MOST_STOPS = 200
#: Tab is pressed several times before the driver, which takes its time, is asked where it has
#: led. A person looks up after each: where the focus is at its aim, more of them do nothing.
STOP_AT = """
if (!window.tabAim) {
  document.addEventListener('keydown', (event) => {
    if (event.key === 'Tab' && document.activeElement.matches(window.tabAim)) {
      event.preventDefault();
    }
  }, true);
}
[window.tabAim] = arguments;
"""
ANSWER = "return {...document.getElementById('answer').dataset}"
#: Layer and name of the row whose button has the focus.
FOCUSED_ROW = (
    "const { layer, name } = document.activeElement.closest('tr').dataset; return [layer, name]"
)
#: The map has moved there, and the row is chosen with its tooltip open and no other, or, where
#: nothing is drawn of it, a ring is drawn about its place.
SHOWN_THERE = """
const [layer, name] = arguments;
const { lat, lng } = lotflowPlan.map.getCenter();
const chosen = [...document.querySelectorAll('tr.chosen')]
  .some((row) => row.dataset.layer === layer && row.dataset.name === name);
return (lat !== 0 || lng !== 0) && (layer
  ? chosen && document.querySelectorAll('.told-tip').length === 1
  : document.querySelectorAll('#map path[stroke="#c25e00"]').length === 1);
"""
#: Tables whose rows are places, by what tells them.
WITH_PLACES = (
    "table-low_spots", "table-inlets", "table-outlet_options", "table-ponds", "table-pond_cases",
    "table-facades", "table-openings", "table-lines", "table-lines_today", "table-outlets",
    "table-lot_line_crossings", "table-findings",
)  # fmt: skip


class Keys:
    """A person who has a keyboard and no mouse."""

    def __init__(self, plan):
        self.plan = plan
        self.codes = pytest.importorskip("selenium.webdriver.common.keys").Keys
        self.chains = pytest.importorskip("selenium.webdriver").ActionChains

    def press(self, *names):
        for name in names:
            self.chains(self.plan).send_keys(getattr(self.codes, name, name)).perform()

    def has_focus(self, selector):
        return self.plan.execute_script("return document.activeElement.matches(arguments[0])",
                                        selector)  # fmt: skip

    def tab_to(self, selector, *, back=False):
        self.plan.execute_script(STOP_AT, selector)
        pressed, times = 0, 1
        while not self.has_focus(selector):
            assert pressed < MOST_STOPS, f"no way by Tab to {selector}"
            chain = self.chains(self.plan)
            if back:
                chain = chain.key_down(self.codes.SHIFT)
            chain = chain.send_keys(self.codes.TAB * times)
            (chain.key_up(self.codes.SHIFT) if back else chain).perform()
            # what is near is asked after soon; to ask takes as long as to press
            pressed, times = pressed + times, min(2 * times, 16)


@pytest.fixture
def keys(plan):
    return Keys(plan)


def text_of(plan, selector):
    return plan.execute_script(
        "return document.querySelector(arguments[0]).textContent", selector
    )  # fmt: skip


def wait_until(plan, script, *arguments, what):
    """Movements of the map and fading tooltips take their time."""
    deadline = time.monotonic() + 5
    while not plan.execute_script(script, *arguments):
        assert time.monotonic() < deadline, what
        time.sleep(0.05)


def move_map(plan, keys):
    """Move the map by its arrow key, and wait until it rests."""
    before = plan.execute_script("const c = lotflowPlan.map.getCenter(); return [c.lat, c.lng]")
    keys.press("ARROW_RIGHT")
    rests = (
        "const { map } = lotflowPlan; const { lat, lng } = map.getCenter(); "
        "return !map._panAnim?._inProgress && (lat !== arguments[0] || lng !== arguments[1])"
    )
    wait_until(plan, rests, *before, what="the map did not move")


def test_the_storm_is_chosen(plan, keys):
    flows = "#tables section:has(#table-inlets) tbody"
    keys.tab_to("#storm")
    before = text_of(plan, flows)
    keys.press("ARROW_UP")
    assert plan.execute_script("return lotflowPlan.state.storm") == "10"
    assert text_of(plan, flows) != before


def test_units_are_chosen(plan, keys):
    keys.tab_to("#units")
    assert " m²" in text_of(plan, "#tables")
    keys.press("ARROW_UP")
    assert plan.execute_script("return lotflowPlan.state.system") == "us"
    assert " ft²" in text_of(plan, "#tables")


def test_every_layer_is_switched(plan, keys):
    names = plan.execute_script(
        "return [...document.querySelectorAll('#layers input')].map((box) => box.id)"
    )
    assert len(names) > 10
    shown = (
        "return [document.getElementById(arguments[0]).checked, document.querySelectorAll("
        "'#map path, #map .mark, #map .leaflet-image-layer').length]"
    )
    for name in names:
        keys.tab_to(f"#{name}")
        before, drawn = plan.execute_script(shown, name)
        keys.press("SPACE")
        after, redrawn = plan.execute_script(shown, name)
        assert (after, redrawn > drawn) == (not before, not before), name


def test_a_row_of_each_table_shows_its_place_on_the_map(plan, keys, unfold):
    """By Enter; each table's first row with a place. Prices have none."""
    there = plan.execute_script(
        "return [...document.querySelectorAll('#tables h2')].map((head) => head.id)"
    )
    assert set(WITH_PLACES) <= set(there)
    unfold(plan)
    for table in there:
        if table not in WITH_PLACES:
            continue
        keys.tab_to(f"#tables section:has(#{table}) td button")
        plan.execute_script("lotflowPlan.map.setView([0, 0], -2, { animate: false })")
        layer, name = plan.execute_script(FOCUSED_ROW)
        keys.press("ENTER")
        wait_until(plan, SHOWN_THERE, layer, name, what=f"{table}: {name} is not shown")


def test_the_way_of_the_water_is_asked_for(plan, keys):
    keys.tab_to("[data-ask=follow]")
    keys.press("ENTER")
    keys.tab_to("#here")
    keys.press("SPACE")
    assert "Ends at" in text_of(plan, "#answer")
    first = plan.execute_script(ANSWER)
    keys.tab_to("#map", back=True)
    move_map(plan, keys)
    keys.press("ENTER")
    assert plan.execute_script(ANSWER) != first


def test_the_fall_between_two_points_is_asked_for(plan, keys):
    """From the middle of the map to the middle of the map moved aside."""
    keys.tab_to("[data-ask=fall]")
    keys.press("SPACE")
    keys.tab_to("#map", back=True)
    keys.press("ENTER")
    assert "First point" in text_of(plan, "#answer")
    move_map(plan, keys)
    keys.press("ENTER")
    assert float(plan.execute_script(ANSWER)["distance"]) > 1
    before = text_of(plan, "#answer")
    keys.tab_to("#pipe-cover")
    keys.press("ARROW_UP")
    assert text_of(plan, "#answer") != before


def test_what_is_in_the_middle_of_the_map_is_asked_for(plan, keys):
    """The cross that marks the middle is seen while the map has the focus."""
    cross = "return getComputedStyle(document.getElementById('cross')).display"
    assert plan.execute_script(cross) == "none"
    keys.tab_to("#map")
    assert plan.execute_script(cross) == "block"
    keys.press("ENTER")
    assert "Ground" in text_of(plan, "#answer")
    keys.tab_to("[data-ask=look]")
    assert plan.execute_script(cross) == "none"


def test_a_button_of_the_map_is_not_taken_for_a_question(plan, keys):
    keys.tab_to("#map .leaflet-control-zoom-in")
    before = plan.execute_script("return lotflowPlan.map.getZoom()")
    keys.press("ENTER")
    time.sleep(0.5)
    assert plan.execute_script("return lotflowPlan.map.getZoom()") > before
    assert text_of(plan, "#answer") == ""
