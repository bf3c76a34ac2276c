"""Harm is what breaks a published limit, place by place, today and as proposed."""

import pytest
from hand_made import SOUTH, finding, node, pond, result, water

from lotflow.advice.harm import LIMITS, Kind, Place, broken, harms


def keys(rows):
    return [(row.kind, row.state, row.inlets) for row in rows]


def test_every_kind_has_a_place_and_a_published_limit():
    assert set(LIMITS) == set(Kind)
    assert all(limit.source for limit in LIMITS.values())


def test_water_above_the_sill_enters_today_and_when_blocked_but_not_with_inlets_open(site):
    rows = [row for row in harms(result(site)) if row.kind is Kind.ENTERS]
    assert keys(broken(rows)) == [
        (Kind.ENTERS, "today", "open"), (Kind.ENTERS, "proposed", "blocked"),
    ]  # fmt: skip
    assert {row.measured for row in rows} == {-0.05}
    assert {row.low_spot for row in rows} == {1}


def test_what_an_old_inlet_drains_is_not_told_of_today(site):
    site["nodes"].append(node("today", "Old gully", 10, 11.5))
    rows = [row for row in harms(result(site)) if row.place is Place.OPENING]
    assert {row.state for row in rows if row.kind is not Kind.STEP} == {"proposed"}


def test_freeboard_is_held_against_one_foot(site):
    site["wall_water"] = [water("open", 0.31), water("blocked:all", 0.30)]
    rows = [row for row in harms(result(site)) if row.kind is Kind.FREEBOARD]
    assert {(row.inlets, row.is_harm) for row in rows if row.state == "proposed"} == {
        ("open", False), ("blocked", True),
    }  # fmt: skip


def test_water_that_does_not_touch_an_opening_is_no_harm_but_a_question(site):
    site["wall_water"][0] |= {"at_wall": False}
    assert {row.is_harm for row in harms(result(site)) if row.kind is Kind.FREEBOARD} == {None}


def test_without_rain_the_full_low_spot_is_told(site):
    site["pond_cases"] = []
    rows = [row for row in harms(result(site)) if row.kind is Kind.ENTERS]
    assert [(row.measured, row.inlets, row.is_harm) for row in rows] == [(-0.05, "blocked", True)]


@pytest.mark.parametrize(
    ("step", "is_harm"), [(0.40, False), (0.20, None), (0.10, None), (-0.10, True)]
)
def test_a_step_within_the_error_of_the_data_is_not_judged(site, step, is_harm):
    site["openings"][0] |= {"above_ground_m": step}
    assert [row.is_harm for row in harms(result(site)) if row.kind is Kind.STEP] == [is_harm]


def test_walls_go_by_the_verdict_of_their_facade(site):
    site["facades"] = [
        SOUTH | {"name": name, "verdict": verdict}
        for name, verdict in [("A", "too flat"), ("B", "cannot tell"), ("C", "no fault seen")]
    ]
    rows = {r.subject: r.is_harm for r in harms(result(site)) if r.kind is Kind.FALL}
    assert rows == {"A": True, "B": None, "C": False}


@pytest.mark.parametrize(
    ("touches", "hours", "told"),
    [
        ("House", 23.0, {Kind.STANDS_NEAR: False}),
        ("House", 25.0, {Kind.STANDS_NEAR: True}),
        ("", 47.0, {Kind.STANDS: False, Kind.NUISANCE: False}),
        ("", 50.0, {Kind.STANDS: True, Kind.NUISANCE: False}),
        ("", 80.0, {Kind.STANDS: True, Kind.NUISANCE: True}),
    ],
)
def test_time_is_24_hours_near_the_house_48_elsewhere_and_72_anywhere(site, touches, hours, told):
    if not touches:
        site["buildings"] = []
        site["low_spots"][0] = site["low_spots"][0] | {"building_distance_m": 9.0}
    site["ponds"] = [pond("blocked:all", touches=touches, soaks_away_h=hours)]
    rows = [row for row in harms(result(site)) if row.state == "proposed"]
    found = {row.kind: row.is_harm for row in rows if row.kind in {*told, Kind.STANDS_NEAR}}
    assert found == told


def test_what_stays_on_paving_is_harm_and_off_the_lot_is_none(site):
    stays = pond("blocked:all", paved_m2=6.0, stays_m=0.02, soaks_away_h=None)
    site["ponds"] = [stays]
    assert broken(harms(result(site)), kind=Kind.STAYS)
    site["ponds"] = [stays | {"off_lot_m2": 12.0}]
    assert not [row for row in harms(result(site)) if row.kind is Kind.STAYS]


def test_rows_stand_in_the_order_of_places(site):
    some = [
        finding("downspout-near-foundation", "DS1", measured=0.4, limit=1.5),
        finding("discharge-over-sidewalk", "Emitter"),
        finding("discharge-onto-neighbour", "Pipe end"),
    ]
    places = [row.place for row in harms(result(site, some))]
    assert places == sorted(places, key=list(Place).index)
    assert places[-1] is Place.NEIGHBOUR


def test_a_row_of_today_names_today(site):
    some = [finding("downspout-near-foundation", "DS1", measured=0.4, limit=1.5, today=True)]
    rows = [row for row in harms(result(site, some)) if row.kind is Kind.ROOF_WATER]
    assert [row.state for row in rows] == ["today"]
