"""The order: bends, trenches, stock lengths, classes, and the user's prices."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from lotflow.drains.quantities import (
    BENDS_DEG,
    OrderedLine,
    OrderedParts,
    Quantity,
    TrenchRule,
    bends,
    dig_trench,
    lengths_by_cover,
    priced,
    quantities,
    turn_between,
    turns,
)
from lotflow.errors import ParameterError


@given(st.floats(0, 180))
def test_a_corner_is_one_bend_and_sharper_than_square_two(angle):
    """The nearest of those sold: no other single bend comes closer, nor another beside the 90."""
    found = bends(angle)
    assert len(found) <= (1 if angle <= 95.625 else 2)
    left = angle - (90.0 if len(found) == 2 else 0.0)
    last = found[-1] if found else 0.0
    assert all(abs(left - last) <= abs(left - other) + 1e-9 for other in (0.0, *BENDS_DEG))
    assert found == sorted(found, reverse=True)


@given(angle=st.floats(20, 100), points=st.integers(2, 6), size=st.floats(0.05, 0.49))
def test_a_corner_drawn_round_is_one_corner(angle, points, size):
    """An arc of short steps turns as its two straights do; without the rule each step is a turn."""
    headings = np.radians(np.linspace(0, angle, points + 1))
    lengths = np.array([4.0, *[size] * (points - 1), 4.0])
    steps = lengths[:, None] * np.stack([np.cos(headings), np.sin(headings)], axis=1)
    path = shapely.LineString(np.vstack([[0, 0], np.cumsum(steps, axis=0)]))
    assert turns(path, together=0.5) == pytest.approx([angle])
    assert turns(path) == pytest.approx([angle / points] * points)


def test_a_jog_is_two_corners():
    """Left and right again within 0.3 m: the line goes on as before, and needs both bends."""
    path = shapely.LineString([(0, 0), (5, 0), (5, 0.3), (9, 0.3)])
    assert turns(path, together=0.5) == pytest.approx([90, 90])


@pytest.mark.parametrize(
    ("second", "angle"), [((1, 0), 0), ((0, 1), 90), ((1, -1), 45), ((-1, 0), 180)]
)
def test_turns_do_not_depend_on_the_side(second, angle):
    assert turn_between(np.array([2.0, 0.0]), np.array(second, dtype=float)) == pytest.approx(angle)


def test_a_point_drawn_twice_is_no_turn():
    assert turns(shapely.LineString([(0, 0), (1, 0), (1, 0), (2, 0)])) == [0.0]
    assert turns(shapely.LineString([(0, 0), (1, 0)])) == []


RULE = TrenchRule(side_m=0.1, bedding_m=0.1, swell=1.25)


def test_a_wedge_has_the_volume_of_a_wedge_and_its_length_in_each_class():
    """0.3 to 0.9 m to the invert over 60 m, with bedding 0.4 to 1.0 m; 0.3 m wide."""
    distance = np.linspace(0, 60, 601)
    trench = dig_trench(distance, 0.3 + 0.01 * distance, 0.1, (0.6, 0.9), RULE)
    assert trench.width_m == pytest.approx(0.3)
    assert trench.excavation_m3 == pytest.approx(0.7 * 60 * 0.3)
    assert trench.length_m == pytest.approx([20, 30, 10], abs=0.11)
    assert trench.bedding_m3 == pytest.approx(0.3 * 0.1 * 60)
    pipe = np.pi * 0.05**2 * 60
    assert trench.spoil_m3 == pytest.approx(1.25 * (trench.bedding_m3 + pipe))


@given(st.lists(st.floats(0.1, 3.0), min_size=2, max_size=30))
def test_classes_add_up_to_the_length_and_deeper_costs_more(depths):
    distance = np.arange(len(depths), dtype=float)
    depth = np.array(depths)
    trench = dig_trench(distance, depth, 0.1, (0.6, 0.9, 1.2, 1.5))
    assert trench.length_m.sum() == pytest.approx(distance[-1])
    deeper = dig_trench(distance, depth + 0.1, 0.1, (0.6, 0.9, 1.2, 1.5))
    assert deeper.excavation_m3 > trench.excavation_m3


def test_an_unknown_depth_counts_as_the_mean_and_none_known_is_refused():
    distance = np.arange(4.0)
    known = dig_trench(distance, np.full(4, 0.5), 0.1, (0.6,))
    gap = dig_trench(distance, np.array([0.5, np.nan, 0.5, 0.5]), 0.1, (0.6,))
    assert gap.excavation_m3 == pytest.approx(known.excavation_m3)
    with pytest.raises(ParameterError, match="depth"):
        dig_trench(distance, np.full(4, np.nan), 0.1, (0.6,))


def test_of_overlapping_covers_the_later_counts_and_lengths_add_up():
    line = shapely.LineString([(0, 0), (10, 0)])
    covers = [("lawn", shapely.box(0, -1, 8, 1)), ("concrete", shapely.box(6, -1, 9, 1))]
    found = lengths_by_cover(line, covers, "gravel")
    assert found == pytest.approx({"lawn": 6.0, "concrete": 3.0, "gravel": 1.0})


NO_PARTS = OrderedParts((), ())


def line(name="L", length=30.0, depth=0.5, pipe="pvc 4 in", turns=(), over=None):
    distance = np.linspace(0, length, 11)
    return OrderedLine(
        name, pipe, 0.1, list(turns), distance, np.full(11, depth), over or {"lawn": length}
    )


def amounts(listed):
    return {one.item: one.quantity for one in listed}


def test_lengths_of_one_size_are_ordered_together_and_rounded_up():
    found = amounts(quantities([line("A", 4.0), line("B", 4.0)], NO_PARTS, "metric"))
    assert found["pipe pvc 4 in"] == 3  # 8 m out of 3 m lengths
    exact = amounts(quantities([line(length=9.0)], NO_PARTS, "metric"))
    assert exact["pipe pvc 4 in"] == 3


def test_us_orders_are_in_feet_and_yards():
    found = quantities([line(length=30.48, depth=20 * 0.0254)], NO_PARTS, "us")
    units = {one.item: one.unit for one in found}
    assert amounts(found)["pipe pvc 4 in"] == 10  # 100 ft
    assert units["pipe pvc 4 in"] == "10 ft length"
    assert units["excavation"] == "yd³"
    # 12 in wide and 24 in deep but for the pipe's 100 mm: 7.4 yd3 per 100 ft
    assert amounts(found)["excavation"] == pytest.approx(7.4, abs=0.1)
    assert amounts(found)["trench up to 2 ft deep"] == pytest.approx(100.0)


def test_bends_are_counted_by_angle_and_size():
    """One at each corner: 78 degrees are a 90 bend, not 45 + 22.5 + 11.25; 135 are two."""
    found = amounts(quantities([line(turns=[90.0, 44.0, 3.0, 78.0, 135.0])], NO_PARTS, "metric"))
    assert {item: n for item, n in found.items() if "bend" in item} == {
        "bend 90 deg pvc 4 in": 3, "bend 45 deg pvc 4 in": 2,
    }  # fmt: skip


def test_depth_classes_split_at_five_feet_where_a_trench_is_shored():
    found = amounts(quantities([line(depth=1.6)], NO_PARTS, "us"))
    assert "trench over 5 ft deep" in found


def test_surface_is_the_width_of_the_trench_and_paving_is_sawn_on_both_sides():
    found = amounts(
        quantities([line(length=10.0, over={"lawn": 6.0, "concrete": 4.0})], NO_PARTS, "metric")
    )
    width = 0.1 + 2 * 0.1016
    assert found["surface concrete"] == pytest.approx(4 * width, abs=0.05)
    assert found["saw cut concrete"] == 8.0
    assert "saw cut lawn" not in found


def test_channels_come_in_sections_with_two_ends_and_pieces_are_counted():
    parts = OrderedParts(
        ("catch basin", "outlet curb", "catch basin"),
        (("channel drain", 2.8), ("channel drain", 1.0)),
    )
    found = amounts(quantities([], parts, "metric"))
    assert found["channel drain section"] == 4
    assert found["channel drain end cap"] == 4
    assert found["channel drain bottom outlet"] == 2
    assert found["catch basin"] == 2


def test_a_line_of_unknown_depth_is_ordered_without_a_trench():
    found = amounts(quantities([line(depth=np.nan)], NO_PARTS, "metric"))
    assert list(found) == ["pipe pvc 4 in"]


def test_prices_meet_their_items_and_what_is_left_over_is_told():
    listed = [Quantity("spoil", "", 2.0, "m³"), Quantity("bedding", "", 1.0, "m³")]
    order, notes = priced(listed, {" Spoil": 10.5, "gold": 1.0}, "prices.csv")
    assert [one.cost for one in order] == [21.0, None]
    assert {note.rule for note in notes} == {"item-without-price", "price-without-item"}
    assert [note.facts["items"] for note in notes] == [("bedding",), ("gold",)]
