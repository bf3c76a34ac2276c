"""The same places of two results, by name, overlap and position."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from lotflow.advice.same_places import REACH_M, same_places


def inlets(**at):
    return {"inlets": gpd.GeoDataFrame({"name": list(at)}, geometry=gpd.points_from_xy(
        *zip(*at.values(), strict=True)))}  # fmt: skip


def spots(*circles):
    shapes = [shapely.Point(x, y).buffer(r) for x, y, r in circles]
    return {"low_spots": gpd.GeoDataFrame({"id": range(1, len(shapes) + 1)}, geometry=shapes)}


def names(places):
    return {(place.was_named, place.name) for place in places.found}


def test_a_name_counts_before_the_place():
    places = same_places(inlets(A=(0, 0), B=(9, 0)), inlets(A=(9, 0), B=(0, 0)))
    assert names(places) == {("A", "A"), ("B", "B")}
    assert [place.apart_m for place in places.found] == [9.0, 9.0]


def test_names_that_look_alike_are_one():
    places = same_places(inlets(**{"CB-1": (0, 0)}), inlets(**{"cb\u20111": (50, 0)}))
    assert names(places) == {("CB-1", "cb\u20111")}


def test_a_new_name_at_the_same_place_is_a_renamed_one():
    places = same_places(inlets(A=(0, 0), B=(9, 0)), inlets(C=(0.5, 0), B=(9, 0)))
    assert names(places) == {("A", "C"), ("B", "B")}
    assert places.now("A") == "C"


def test_beyond_reach_it_is_another_one():
    places = same_places(inlets(A=(0, 0)), inlets(C=(REACH_M + 0.1, 0)))
    assert names(places) == {("A", "A"), ("", "C")}
    # the same in a CRS in feet
    assert names(same_places(inlets(A=(0, 0)), inlets(C=(6.0, 0)), metres=0.3048)) == {("A", "C")}


def test_low_spots_are_matched_by_overlap_whatever_their_numbers():
    before = spots((0, 0, 5), (30, 0, 3), (60, 0, 2))
    after = spots((60.5, 0, 2), (0, 1, 4.5), (90, 0, 2))
    places = same_places(before, after)
    assert names(places) == {
        ("low spot 1", "low spot 2"), ("low spot 3", "low spot 1"), ("", "low spot 3"),
        ("low spot 2", "low spot 2 (as before)"),
    }  # fmt: skip
    assert places.now("low spot 2") == "low spot 2 (as before)"
    assert places.now("low spot 3") == "low spot 1"


def test_of_two_parts_the_one_that_shares_more_is_the_same():
    places = same_places(spots((0, 0, 5)), spots((-4, 0, 2), (2, 0, 3)))
    assert names(places) == {("low spot 1", "low spot 2"), ("", "low spot 1")}


def test_a_crossing_keeps_its_direction():
    def crossings(*ways):
        return {"lot_line_crossings": gpd.GeoDataFrame(
            {"id": range(1, len(ways) + 1), "direction": list(ways)},
            geometry=[shapely.Point(0, 0.3 * n) for n in range(len(ways))])}  # fmt: skip

    places = same_places(crossings("on"), crossings("off", "on"))
    assert names(places) == {
        ("crossing 1, on the lot", "crossing 2, on the lot"), ("", "crossing 1, off the lot"),
    }  # fmt: skip


def test_an_inlet_and_its_node_are_one_place():
    node = gpd.GeoDataFrame({"name": ["A"], "kind": ["inlet"], "case": ["today"]},
                            geometry=[shapely.Point(0, 0)])  # fmt: skip
    layers = {**inlets(A=(0, 0)), "nodes": node}
    assert [place.kind for place in same_places(layers, layers).found] == ["inlet"]


@given(st.permutations(range(6)), st.integers(0, 5))
def test_the_order_of_rows_changes_nothing(order, gone):
    """Any order of the rows, and one left out: all others are matched with themselves."""
    circles = [(20.0 * n, 3.0 * n, 2.0 + n / 4) for n in range(6)]
    after = [circles[n] for n in order if n != gone]
    places = same_places(spots(*circles), spots(*after))
    kept = [place for place in places.found if place.after is not None]
    assert len(kept) == 5
    assert all(np.allclose(place.at_before, place.at_after) for place in kept)
    assert [place.before for place in places.found if place.after is None] == [gone]


def test_what_is_not_there_is_no_place():
    assert same_places({}, {}).found == ()
    assert same_places({}, inlets(A=(0, 0))).found[0].at_before is None
    assert same_places(inlets(A=(1, 2)), {}).found[0].at_before == pytest.approx((1, 2))
