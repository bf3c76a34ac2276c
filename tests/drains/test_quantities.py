"""The order: stock lengths, fittings, classes, and the user's prices."""

import numpy as np
import pytest

from lotflow.drains.quantities import OrderedLine, OrderedParts, Quantity, priced, quantities

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
