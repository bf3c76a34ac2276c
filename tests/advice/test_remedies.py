"""Remedies come in the order of practice, and only where they can work."""

from dataclasses import replace

import pytest
from hand_made import CROSSING, DOOR, LOW_SPOT, SOUTH, finding, line, node, result
from shapely.geometry import LineString, Point, box

from lotflow.advice import buildable, drain_words, remedies
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
    found = remedies.without_outlet(["Basin"], ROOF, drowned=["Manhole"], soaks=["Well"])
    assert what(found) == ["roof-elsewhere", "raise-terrace", "pit-test", "flap", "pump"]
    assert found[-1].step is Step.PUMP


ROUND_THE_HOUSE = [(10, 20), (18.5, 14), (18.5, 0)]


def with_way(site, corners, *crossings):
    """Water that comes on at crossing 7 and takes a way over the lot."""
    site["flow_paths"] = [{"area_m2": 60.0, "slope": 0.05, "geometry": LineString(corners)}]
    site["lot_line_crossings"] = [CROSSING, *crossings]
    site["low_spots"] = []
    return result(site)


@pytest.mark.parametrize(
    ("level", "has_swale"),
    [(11.75, True), (11.77, False), (13.0, False)],  # 1 % of 24.4 m below 12.00
)
def test_a_swale_needs_fall_along_the_way_the_water_takes(site, level, has_swale):
    found = remedies.of_walls(
        with_way(site, ROUND_THE_HOUSE, off(level, 18.5)), [SOUTH], RUN_ON, []
    )
    assert ("swale" in what(found)) == has_swale
    assert ("ask-run-on" in what(found)) != has_swale


def test_a_swale_ends_where_its_water_leaves_now_and_at_no_other_neighbour(site):
    """Crossing 4 is nearer and lower, and another neighbour's."""
    nearer = off(5.0, 20.0, 16.0, id=4, area_m2=500.0)
    where = with_way(site, ROUND_THE_HOUSE, off(10.0, 18.5), nearer)
    (swale,) = [one for one in remedies.of_walls(where, [SOUTH], RUN_ON, []) if one.what == "swale"]
    assert swale.facts["to"] == "crossing 9"
    assert swale.length_m == pytest.approx(24.4, abs=0.1)


def test_no_swale_is_told_that_finds_no_room_beside_the_house(site):
    """Between the house and the line lie 6 m; the house moved over leaves 2."""
    site["buildings"] = [{"name": "House", "geometry": box(2, 4, 18, 10)}]
    where = with_way(site, ROUND_THE_HOUSE, off(10.0, 18.5))
    assert "swale" not in what(remedies.of_walls(where, [SOUTH], RUN_ON, []))


def test_no_swale_is_told_for_water_that_stands_or_comes_on_again(site):
    where = with_way(site, ROUND_THE_HOUSE, off(10.0, 18.5))
    assert "swale" in what(remedies.of_walls(where, [SOUTH], RUN_ON, []))
    again = CROSSING | {"id": 8, "geometry": Point(18.5, 0)}
    where = with_way(site, ROUND_THE_HOUSE, off(11.0, 18.5, 5.0), again)
    assert "swale" not in what(remedies.of_walls(where, [SOUTH], RUN_ON, []))
    with_way(site, ROUND_THE_HOUSE, off(10.0, 18.5))
    site["low_spots"] = [LOW_SPOT | {"geometry": box(17, 6, 20, 9)}]
    assert "swale" not in what(remedies.of_walls(result(site), [SOUTH], RUN_ON, []))


def test_no_swale_leads_water_out_of_a_low_spot_it_comes_into_below_its_edge(site):
    where = with_way(site, ROUND_THE_HOUSE, off(8.0, 18.5))
    for spill, has_swale in ((11.0, True), (12.5, False)):
        spot = LOW_SPOT | {"spill_elevation_m": spill}
        found = remedies.of_low_spot(where, spot, RUN_ON, at_house=False, is_paved=False)
        assert ("swale" in what(found)) == has_swale


def test_what_hollows_above_keep_is_not_asked_for(site):
    kept = (replace(RUN_ON[0], held_m2=45.0), RUN_ON[1])
    assert "ask-run-on" in what(remedies.of_walls(result(site), [SOUTH], RUN_ON, []))
    assert "ask-run-on" not in what(remedies.of_walls(result(site), [SOUTH], kept, []))


@pytest.mark.parametrize(("sill", "is_raised"), [(10.31, True), (10.30, False)])
def test_a_low_spot_is_filled_only_six_inches_below_every_sill(site, sill, is_raised):
    """It runs over at 10.10: 10.2524 and more is enough."""
    found = remedies.of_low_spot(
        result(site), LOW_SPOT, (), at_house=True, is_paved=False,
        openings=[DOOR | {"sill_m": sill - 0.05}],
    )  # fmt: skip
    assert ("raise" in what(found)) == is_raised
    assert ({"no-fill", "way-out"} <= set(what(found))) != is_raised


def test_the_lowest_edge_on_the_own_lot_is_named_with_the_cut_it_takes(site):
    """At 10.20, 0.10 above where it runs over; to 6 in below the sill at 10.05 it is 0.30 deep."""
    spot = LOW_SPOT | {"own_edge_m": 10.20, "own_edge_x": 10.0, "own_edge_y": 17.0}
    found = remedies.of_low_spot(
        result(site), spot, (), at_house=True, is_paved=False, openings=[DOOR]
    )
    (way,) = [one for one in found if one.what == "way-out-over"]
    assert way.above_m == pytest.approx(0.10)
    assert way.length_m == pytest.approx(0.3024)
    assert way.facts["where"] == "7 m north of Door"
    assert not way.facts["beside"]
    spot |= {"own_edge_x": 18.5}
    found = remedies.of_low_spot(
        result(site), spot, (), at_house=True, is_paved=False, openings=[DOOR]
    )
    (way,) = [one for one in found if one.what == "way-out-over"]
    assert "1.5 m" in way.facts["beside"]


@pytest.mark.parametrize(
    ("slope", "asked"), [(-0.02, "fill-hollow"), (0.03, "raise"), (0.0, "raise")]
)
def test_a_hollow_at_a_wall_that_may_not_be_raised_is_filled_and_not_graded_away(
    site, slope, asked
):
    """A rise of 5 % and more over 10 ft is more than 6 in of soil at the wall."""
    site["openings"] = []
    site["facades"] = [SOUTH | {"slope": slope}]
    spot = LOW_SPOT | {"inlets": "", "geometry": box(8, 3, 12, 4)}
    found = remedies.of_low_spot(result(site), spot, (), at_house=True, is_paved=False)
    assert {"fill-hollow", "raise"} & set(what(found)) == {asked}
    if asked == "fill-hollow":
        (fill,) = [one for one in found if one.what == asked]
        assert fill.facts["where"] == "House, south side"
    assert ("basin" in what(found)) == (asked == "raise")


def test_a_deep_hollow_with_an_inlet_of_today_is_asked_about_that_and_no_culvert(site):
    spot = LOW_SPOT | {"artefact": "deep"}
    for name, asked in (("Old gully", "runs-today"), ("", "find-culvert")):
        site["nodes"] = [node("today", name, 10, 11)] if name else []
        found = remedies.of_low_spot(result(site), spot, (), at_house=True, is_paved=False)
        assert {"runs-today", "find-culvert"} & set(what(found)) == {asked}
        assert not name or found[0].subjects == (name,)


@pytest.mark.parametrize(("behind", "leads"), [(9.89, True), (9.91, False), (10.7, False)])
def test_no_cut_is_asked_for_where_the_ground_behind_the_edge_is_no_lower(site, behind, leads):
    """The sill stands at 10.05: a cut to 6 in below it, 9.898, leads out only onto lower ground."""
    spot = LOW_SPOT | {
        "own_edge_m": 10.20, "own_edge_x": 10.0, "own_edge_y": 17.0, "behind_own_edge_m": behind,
    }  # fmt: skip
    found = remedies.of_low_spot(
        result(site), spot, (), at_house=True, is_paved=False, openings=[DOOR]
    )
    assert ("way-out-over" in what(found)) == leads
    assert ("no-way-over" in what(found)) != leads
    if not leads:
        (none,) = [one for one in found if one.what == "no-way-over"]
        assert none.above_m == pytest.approx(behind - 10.05)


def test_inlets_without_an_outlet_are_not_told_to_be_built_as_drawn(site):
    found = remedies.of_low_spot(
        result(site), LOW_SPOT, (), at_house=True, is_paved=False, no_outlet={"Basin"}
    )
    assert "outlet-first" in what(found)
    assert "second-way" not in what(found)


GENTLE = SOUTH | {"slope": 0.01}  # 4 % of 10 ft: 0.12 m at the wall


@pytest.mark.parametrize(
    ("wall", "done"),
    [
        (GENTLE, "regrade"),
        (SOUTH, "neither"),  # 0.34 m of soil against the wall
        (GENTLE | {"reach_m": 5.0}, "neither"),  # beyond the lot line
    ],
)
def test_ground_is_raised_at_a_wall_by_no_more_than_six_inches_and_on_the_lot(site, wall, done):
    assert what(remedies.of_walls(result(site), [wall], (), [])) == [done]


def test_ground_is_not_raised_to_within_six_inches_of_a_sill(site):
    """0.12 m on ground at 9.85 reach 9.97."""
    for sill, done in ((10.13, "regrade"), (10.11, "neither")):
        site["openings"] = [DOOR | {"sill_m": sill, "geometry": Point(10, 4)}]
        assert what(remedies.of_walls(result(site), [GENTLE], (), [])) == [done]


def test_at_an_uphill_wall_a_cut_is_asked_for_with_what_speaks_against_fill(site):
    """Its water takes its way along the wall: that a cut leads it off there nothing shows."""
    where = with_way(site, [(10, 20), (16, 12), (16, 3), (13, 3), (13, 0)], off(9.0, 13.0))
    (asked,) = remedies.of_walls(where, [SOUTH], (), [])
    assert (asked.what, asked.facts["why"]) == ("neither", "height")
    site["openings"] = [DOOR | {"sill_m": 10.0, "geometry": Point(10, 4)}]
    (asked,) = remedies.of_walls(result(site), [SOUTH], (), [])
    assert (asked.facts["why"], asked.facts["sill"]) == ("sill", "Door")


def test_a_downspout_at_the_lot_line_is_piped_and_one_within_led_away(site):
    """A wall on the lot line has no 5 ft before it that are the lot's."""
    site["buildings"] = [{"name": "House", "geometry": box(0, 0, 8, 6)}]
    site["flow_paths"] = [{"area_m2": 5.0, "geometry": LineString([(9.6, 3), (20, 3)])}]
    where = result(site)
    assert buildable.has_room_away(where, 8.3, 3.0)
    assert not buildable.has_room_away(where, 4.0, -0.3)
    assert not buildable.has_room_away(where, None, None)
    spouts = [remedies.Downspout("A"), remedies.Downspout("B", has_room=False)]
    found = remedies.of_walls(where, [], (), spouts)
    assert [(one.what, one.subjects) for one in found] == [
        ("lead-away", ("A",)), ("pipe-away", ("B",)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("way", "is_shown"),
    [
        ([(9.6, 3), (20, 3)], True),
        ([(9.6, 3), (11, 8), (7, 8)], False),  # back round the corner
        ([(9.6, 3), (10.5, 3)], False),  # into an inlet beside the wall
        ([(20, 20), (19, 0)], False),  # none there
    ],
)
def test_a_downspout_is_led_away_only_where_its_water_leaves_all_walls(site, way, is_shown):
    site["buildings"] = [{"name": "House", "geometry": box(0, 0, 8, 6)},
                         {"name": "Shed", "geometry": box(6, 9, 9, 11)}]  # fmt: skip
    site["flow_paths"] = [{"area_m2": 5.0, "geometry": LineString(way)}]
    assert buildable.has_room_away(result(site), 8.3, 3.0) is is_shown


@pytest.mark.parametrize(
    ("way", "keeps"),
    [
        ([(10, 20), (17, 14), (17, 0)], True),
        ([(10, 20), (15, 14), (15, 0)], False),  # 1.0 m beside the wall
        ([(10, 20), (19.5, 14), (19.5, 0)], False),  # 0.5 m beside the lot line
    ],
)
def test_a_swale_keeps_off_the_walls_and_the_lot_line(site, way, keeps):
    where = with_way(site, way, off(10.0, way[-1][0]))
    assert ("swale" in what(remedies.of_walls(where, [SOUTH], RUN_ON, []))) is keeps


@pytest.mark.parametrize(
    ("spill", "paved", "asked"),
    [((10.0, 19.0), False, True), ((10.0, 21.0), False, False), ((10.0, 9.0), False, False),
     ((10.0, 19.0), True, False)],
)  # fmt: skip
def test_levels_along_its_way_out_come_before_a_drain_of_the_lawn(site, spill, paved, asked):
    """Its edge on the lot, neither in the house nor paved; no drain is said to be needed."""
    spot = LOW_SPOT | {"spill_x": spill[0], "spill_y": spill[1]}
    found = what(remedies.of_low_spot(result(site), spot, (), at_house=False, is_paved=paved))
    assert ("level-way" in found) is asked
    assert found[-1] == "second-way"


def test_an_outlet_under_water_is_told_apart_from_one_out_of_reach(site):
    site["drain_lines"] = [line("Main", "Basin", "Out", case="proposed")]
    where = result(site, [finding("outlet-under-water", "Main")])
    found = remedies.of_low_spot(
        where, LOW_SPOT, (), at_house=True, is_paved=False, no_outlet={"Basin"}
    )
    assert what(found)[-1] == "outlet-drowned"


@pytest.mark.parametrize(
    ("water_m", "over"), [(9.70, None), (9.95, ("Basin", "Out", 0.10)), (None, None)]
)
def test_water_known_to_back_up_over_a_grate_is_kept_out_first(site, water_m, over):
    """The grate lies at 9.85; no larger pipe and no hose test help against it."""
    site["drain_lines"] = [line("Main", "Basin", "Out", case="proposed")]
    site["nodes"] = [node("proposed", "Basin", 10, 11) | {"rim_m": 9.85}]
    site["outlet_storms"] = [
        {"case": "proposed", "name": "Out", "return_period_yr": 2.0, "water_level_m": water_m}
    ]
    where = result(site, [finding("outlet-under-water", "Main")])
    told = remedies.over_grate(where, ["Basin"])
    assert told == (over and (*over[:2], pytest.approx(over[2])))
    found = remedies.of_low_spot(
        where, LOW_SPOT, (), at_house=True, is_paved=False, no_outlet={"Basin"}
    )
    if over:
        assert (found[0].what, found[0].subjects) == ("backwater", ("Out",))
        assert "outlet-drowned" not in what(found)
    else:
        assert what(found)[-1] == "outlet-drowned"
        assert "backwater" not in what(found)


def test_the_share_of_roofs_is_that_of_the_roofs_named():
    """One too small to be named has no share in what is taken off."""
    causes = (Cause(Source.ROOF, "DS1", 0.48, 48.0), Cause(Source.ROOF, "DS2", 0.01, 1.0),
              Cause(Source.OWN, "", 0.51, 51.0))  # fmt: skip
    (roofs, _) = remedies.without_outlet(
        ["Basin"], causes, drowned=(), soaks=(), can_be_raised=False
    )
    assert (roofs.subjects, roofs.facts["share"]) == (("DS1",), "48 %")


def test_a_low_spot_of_the_lawn_without_inlet_is_filled(site):
    spot = LOW_SPOT | {"inlets": ""}
    found = remedies.of_low_spot(result(site), spot, (), at_house=False, is_paved=False)
    assert what(found) == ["fill"]


@pytest.mark.parametrize(
    ("shares", "done"),
    [((0.3, 0.3), {"gutter": ("roof of House",), "ask-gutter": ("roof of Shed next door",)}),
     ((0.3, 0.09), {"gutter": ("roof of House",)}),
     ((0.0, 0.3), {"ask-gutter": ("roof of Shed next door",)}), ((0.0, 0.09), {})],
)  # fmt: skip
def test_nothing_is_ordered_on_a_neighbours_roof_who_is_asked_only_where_it_is_much(
    site, shares, done
):
    """The shed stands with a third of its ground on the lot of 20 by 20 m."""
    site["buildings"] = [*site["buildings"],
                         {"name": "Shed next door", "geometry": box(5, 19, 9, 22)}]  # fmt: skip
    own, theirs = shares
    water = tuple(
        Cause(source, name, share, 10.0)
        for source, name, share in (
            (Source.EAVES, "roof of House", own), (Source.EAVES, "roof of Shed next door", theirs),
            (Source.OWN, "", 1 - own - theirs),
        )
        if share
    )  # fmt: skip
    at_wall = remedies.of_walls(result(site), [SOUTH], water, [])
    in_spot = remedies.of_low_spot(result(site), LOW_SPOT, water, at_house=True, is_paved=False)
    no_way = remedies.without_outlet(
        ["Basin"], water, drowned=(), soaks=(), theirs=remedies.others_roofs(result(site))
    )
    for found in (at_wall, in_spot, no_way):
        assert {one.what: one.subjects for one in found if one.step is Step.ROOF} == done


@pytest.mark.parametrize(("share", "told"), [(0.15, ["DS1"]), (0.09, [])])
def test_an_own_downspout_that_backs_up_into_the_hollow_is_taken_off(site, share, told):
    """15 % of it is worth a pipe of its own: nobody else is asked."""
    water = (Cause(Source.ROOF, "DS1 (backed up out of its full drain)", share, 1.0, True),
             Cause(Source.NEIGHBOUR, "", 1 - share, 6.0, True))  # fmt: skip
    found = remedies.of_low_spot(result(site), LOW_SPOT, water, at_house=True, is_paved=True)
    assert [name for one in found if one.what == "roof-elsewhere" for name in one.subjects] == told


def swale(start, end, status="existing"):
    """A swale drawn in the job."""
    return {"name": "East swale", "kind": "swale", "status": status, "width_m": 1.0,
            "geometry": LineString([start, end])}  # fmt: skip


@pytest.mark.parametrize(
    ("start", "status", "at_house", "done"),
    [((13, 11), "existing", False, "keep-swale"), ((13, 11), "existing", True, "keep-swale"),
     ((13, 11), "proposed", False, "fill"), ((19, 11), "existing", False, "fill"),
     ((10, 14), "existing", False, "fill")],
)  # fmt: skip
def test_a_low_spot_in_a_swale_that_is_there_is_never_filled(site, start, status, at_house, done):
    """The low spot reaches from x 8 to 14, y 10 to 12: the swale lies in it, beside it, above."""
    site["earthwork_lines"] = [swale(start, (start[0] - 4, start[1]), status)]
    site["earthwork_lines"] += [swale((30, 11), (33, 11))]
    spot = LOW_SPOT | {"inlets": ""}
    found = remedies.of_low_spot(result(site), spot, RUN_ON[1:], at_house=at_house, is_paved=False)
    assert [one.what for one in found if one.step is Step.GRADE] == [done]
    named = [one.facts["swale"] for one in found if "swale" in one.facts]
    assert named == ["East swale"] * (done == "keep-swale")


@pytest.mark.parametrize(
    ("at_x", "status", "is_named"),
    [(18.5, "existing", True), (16.9, "existing", False), (18.5, "proposed", False)],
)
def test_a_swale_that_is_there_on_the_way_of_the_run_on_is_named_and_cleared_first(
    site, at_x, status, is_named
):
    """The water runs down x 18.5; the bed is 1 m wide, a cell 1 m, so it is off at x 16.9."""
    site["earthwork_lines"] = [swale((at_x, 10), (at_x, 2), status)]
    there = with_way(site, ROUND_THE_HOUSE, off(11.77, 18.5))
    for found in (
        remedies.of_walls(there, [SOUTH | {"slope": -0.2}], RUN_ON, []),
        remedies.of_low_spot(there, LOW_SPOT, RUN_ON, at_house=True, is_paved=False,
                             openings=[DOOR]),
    ):  # fmt: skip
        named = [one for one in found if one.what == "drawn-swale"]
        assert [one.subjects for one in named] == [("East swale",)] * is_named
        assert ("ask-run-on" in what(found)) != is_named
        if is_named:
            assert found[0] is named[0]
            assert "60 %" in named[0].facts["why"]
            assert "crossing 7" in named[0].facts["why"]


@pytest.mark.parametrize(("start", "is_named"), [(13, True), (4, False)])
def test_a_swale_that_water_reaches_past_the_wall_keeps_none_of_it_off(site, start, is_named):
    """The way is within 10 ft of the wall, 2 m before its end at x 14, y 4, from y 6.3 down."""
    site["earthwork_lines"] = [swale((16, start), (16, start - 4))]
    there = with_way(site, [(10, 20), (16, 14), (16, 0)], off(11.77, 16.0))
    found = what(remedies.of_walls(there, [SOUTH | {"slope": -0.2}], RUN_ON, []))
    assert ("drawn-swale" in found) == is_named
    assert bool({"ask-run-on", "swale"} & set(found)) != is_named


def test_a_swale_in_a_low_spot_that_cannot_be_filled_is_named(site):
    site["earthwork_lines"] = [swale((13, 11), (9, 11))]
    found = remedies.of_low_spot(
        result(site), LOW_SPOT, (), at_house=True, is_paved=False, openings=[DOOR]
    )
    assert what(found)[:2] == ["drawn-swale", "no-fill"]


@pytest.mark.parametrize(
    ("share", "slope", "done"),
    [(0.32, 0.0, "raise"), (0.34, 0.0, "grade-beside-way"), (0.34, -0.02, "keep-way"),
     (0.32, -0.02, "fill-hollow")],
)  # fmt: skip
def test_at_a_house_too_the_way_of_the_neighbours_water_is_kept(site, share, slope, done):
    site["openings"], site["facades"] = [], [SOUTH | {"slope": slope}]
    spot = LOW_SPOT | {"inlets": "", "geometry": box(8, 3, 12, 4)}
    water = (Cause(Source.NEIGHBOUR, "", share, 34.0), Cause(Source.OWN, "", 1 - share, 66.0))
    found = remedies.of_low_spot(result(site), spot, water, at_house=True, is_paved=False)
    assert [one.what for one in found if one.step is Step.GRADE] == [done]


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


def test_channels_are_ordered_in_feet_where_the_report_is_in_feet(site):
    site["quantities"] = [
        {"item": "channel drain 4 in wide section", "quantity": 4.0, "unit": "1 m section"},
        {"item": "channel drain 5 in wide section", "quantity": 3.0, "unit": "39 in section"},
    ]
    assert remedies.drains_to_order(result(site, units="us")) == [
        "13.1 ft of channel drain 4 in wide", "9.8 ft of channel drain 5 in wide",
    ]  # fmt: skip
    assert "1 m of" in remedies.drains_to_order(result(site))[0]


def test_run_on_is_asked_about_with_the_lower_street_that_is_drawn(site):
    """Gravity reaches it by what was searched: that it lies lower need not be looked for."""
    plain = remedies.of_walls(result(site), [SOUTH | {"slope": -0.2}], RUN_ON, ())[-1]
    site["outlet_options"] = [
        {"subject": "Basin", "rank": 1, "kind": kind, "place": place, "verdict": "reachable"}
        for kind, place in (("lot edge", "north side"), ("curb", "Curb outlet"))
    ]
    told = remedies.of_walls(result(site), [SOUTH | {"slope": -0.2}], RUN_ON, ())[-1]
    assert plain.what == told.what == "ask-run-on"
    assert "lower_place" not in plain.facts
    assert told.facts["lower_place"].startswith("Curb outlet")


def test_where_a_narrow_line_ends_at_a_curb_the_smaller_pipe_above_is_told_first():
    above = [{"name": "Patio line", "required_size": "4 in"}]
    larger = ("Lay Side line in 6 in, and the outlet no smaller.",)
    for at_curb in (True, False):
        told = drain_words.either_cure(larger, above, at_curb=at_curb)
        assert ["Patio line" in one for one in told] == [at_curb, not at_curb]
    assert drain_words.either_cure(larger, [], at_curb=True) == larger


def test_a_swale_round_the_house_comes_first_where_a_way_was_found_and_roofs_bring_little(site):
    """Its wall is not filled, and nothing is asked at it that the swale answers."""
    of_walls = remedies.of_walls
    steep = SOUTH | {"slope": -0.2}
    water = (
        Cause(Source.NEIGHBOUR, "crossing 7", 0.9, 50.0, x=10.0, y=20.0),
        Cause(Source.ROOF, "DS", 0.1, 5.0),
    )
    keys = [one.what for one in of_walls(result(site), [steep], water, ())]
    assert "swale-round" not in keys
    site["swale_ways"] = [{
        "wall": SOUTH["name"], "length_m": 15.0, "fall_m": 1.0, "cut_m": 0.05,
        "geometry": LineString([(10, 2), (2, 2), (2, 12)]),
    }]  # fmt: skip
    found = of_walls(result(site), [steep], water, ())
    keys = [one.what for one in found]
    assert keys[0] == "swale-round"
    assert found[0].subjects == (SOUTH["name"],)
    assert found[0].facts["side"] == "west, then the north"
    assert "neither-swale" in keys
    assert not {"ask-run-on", "neither"} & set(keys)
    # where roofs bring much they are led off first
    roofs = (Cause(Source.EAVES, "House", 0.4, 30.0), water[0])
    assert of_walls(result(site), [steep], roofs, ())[0].what == "gutter"
    # a wall in a low spot sheds nothing, with a swale or without
    standing = {SOUTH["name"]}
    assert [one.what for one in of_walls(result(site), [steep], water, (), standing)] == [
        "standing"
    ]
