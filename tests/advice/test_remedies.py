"""Remedies come in the order of practice, and only where they can work."""

import pytest
from hand_made import CROSSING, LOW_SPOT, SOUTH, result
from shapely.geometry import Point

from lotflow.advice import remedies
from lotflow.advice.causes import Cause, Source
from lotflow.advice.remedies import Step


def off(level, x=10.0, y=0.0, **values):
    return {
        "id": 9, "direction": "off", "area_m2": 80.0, "elevation_m": level, "geometry": Point(x, y)
    } | values  # fmt: skip


RUN_ON = (Cause(Source.NEIGHBOUR, "crossing 7", 0.6, 50.0, x=10.0, y=20.0),
          Cause(Source.OWN, "", 0.4, 30.0))  # fmt: skip
ROOF = (Cause(Source.ROOF, "DS1", 0.5, 50.0), Cause(Source.OWN, "", 0.5, 50.0))


def what(found):
    return [one.what for one in found]


def test_roof_water_goes_before_grading_and_grading_before_an_inlet(site):
    found = remedies.of_low_spot(result(site), LOW_SPOT, ROOF, at_house=True, is_paved=True)
    assert what(found) == ["roof-elsewhere", "relevel", "second-way"]
    assert [one.step for one in found] == sorted(one.step for one in found)


def test_a_pump_comes_last(site):
    found = remedies.without_outlet(["Basin"], ROOF, is_under_water=True, soaks=["Well"])
    assert what(found) == ["roof-elsewhere", "raise-terrace", "pit-test", "flap", "pump"]
    assert found[-1].step is Step.PUMP


@pytest.mark.parametrize(
    ("level", "has_swale"),
    [(11.79, True), (11.81, False), (13.0, False)],  # 1 % of 20 m below 12.00
)
def test_a_swale_needs_fall_to_where_water_leaves_already(site, level, has_swale):
    site["lot_line_crossings"] = [CROSSING, off(level)]
    found = remedies.of_walls(result(site), [SOUTH], RUN_ON, [])
    assert ("swale" in what(found)) == has_swale


def test_no_swale_leads_water_out_of_a_low_spot_it_comes_into_below_its_edge(site):
    site["lot_line_crossings"] = [CROSSING, off(8.0)]
    for spill, has_swale in ((11.0, True), (12.5, False)):
        spot = LOW_SPOT | {"spill_elevation_m": spill}
        found = remedies.of_low_spot(result(site), spot, RUN_ON, at_house=False, is_paved=False)
        assert ("swale" in what(found)) == has_swale


def test_a_swale_goes_past_the_house_before_through_it(site):
    site["lot_line_crossings"] = [
        CROSSING, off(10.0, 10.0, 0.0), off(11.0, 0.0, 10.0, id=4, area_m2=10.0),
    ]  # fmt: skip
    (swale,) = [
        one for one in remedies.of_walls(result(site), [SOUTH], RUN_ON, []) if one.what == "swale"
    ]
    assert swale.facts["to"] == "crossing 4"
    assert swale.length_m == pytest.approx(14.1, abs=0.1)


def test_a_low_spot_of_the_lawn_without_inlet_is_filled(site):
    spot = LOW_SPOT | {"inlets": ""}
    found = remedies.of_low_spot(result(site), spot, (), at_house=False, is_paved=False)
    assert what(found) == ["fill"]


def test_what_is_to_order_is_told_in_the_words_of_the_table(site):
    site["quantities"] = [
        {"item": "pipe pvc 4 in", "quantity": 3.0, "unit": "10 ft length"},
        {"item": "catch basin 12 in x 12 in", "quantity": 2.0, "unit": "each"},
        {"item": "trench up to 2 ft deep", "quantity": 40.0, "unit": "ft"},
        {"item": "trench 2-3 ft deep", "quantity": 2.0, "unit": "ft"},
        {"item": "surface lawn", "quantity": 9.0, "unit": "ft²"},
    ]
    assert remedies.drains_to_order(result(site)) == [
        "3 × 10 ft of pipe pvc 4 in", "2 × catch basin 12 in x 12 in", "42 ft of trench",
    ]  # fmt: skip
