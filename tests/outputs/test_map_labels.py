"""Labels do not cover each other where there is room."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given
from hypothesis import strategies as st

from lotflow.outputs.map.labels import Label, PaperGround, place_labels

PLACES = st.tuples(st.floats(0, 10), st.floats(0, 8))


@given(st.lists(PLACES, min_size=1, max_size=12))
def test_labels_stay_within_the_field(places):
    boxes = place_labels([Label(x, y, 1.0, 0.2) for x, y in places], 10, 8)
    assert (boxes[:, :2] >= -1e-9).all()
    assert (boxes[:, 2:] <= np.array([10, 8]) + 1e-9).all()
    assert np.allclose(boxes[:, 2:] - boxes[:, :2], (1.0, 0.2))


@given(st.lists(PLACES, min_size=2, max_size=3))
def test_a_few_labels_never_cover_each_other_wherever_they_are(places):
    boxes = place_labels([Label(x, y, 1.0, 0.2) for x, y in places], 10, 8)
    shapes = [shapely.box(*box).buffer(-1e-6) for box in boxes]
    assert not any(a.intersects(b) for number, a in enumerate(shapes) for b in shapes[number + 1 :])


def test_a_label_keeps_off_what_is_taken():
    taken = (4.0, 3.0, 8.0, 5.0)
    (box,) = place_labels([Label(4.5, 4.9, 1.0, 0.3)], 10, 8, taken=[taken])
    assert not shapely.box(*box).buffer(-1e-6).intersects(shapely.box(*taken))


def test_a_label_keeps_off_symbols():
    """The preferred place to the right is where another symbol stands."""
    label = Label(5.0, 4.0, 1.0, 0.3)
    (free,) = place_labels([label], 10, 8)
    (moved,) = place_labels([label], 10, 8, symbols=[(5.2, 3.9, 5.4, 4.2)])
    assert free[0] > 5.0
    assert moved[2] < 5.2


def test_a_number_may_lie_on_its_low_spot():
    (box,) = place_labels([Label(5.0, 4.0, 0.2, 0.2, middles=((5.0, 4.0),))], 10, 8)
    assert np.allclose(box, (4.9, 3.9, 5.1, 4.1))


def test_no_labels_no_boxes():
    assert place_labels([], 10, 8).shape == (0, 4)


def ground(lines=(), owners=()):
    """Squares of 0.1 on a sheet of 10 by 8: boxes that bear lines, boxes of numbered ground."""
    line, owner = np.zeros((80, 100)), np.zeros((80, 100), dtype=np.int32)
    for west, south, east, north in lines:
        line[south * 10 : north * 10, west * 10 : east * 10] = 1.0
    for number, (west, south, east, north) in enumerate(owners, 1):
        owner[south * 10 : north * 10, west * 10 : east * 10] = number
    return PaperGround(0.1, line, owner)


def test_a_label_keeps_off_lines():
    """The lot line runs where the label would stand otherwise."""
    label = Label(5.0, 4.0, 1.0, 0.3)
    (free,) = place_labels([label], 10, 8)
    (moved,) = place_labels([label], 10, 8, ground=ground(lines=[(5, 0, 6, 8)]))
    assert free[0] > 5.0
    assert moved[2] <= 5.0


def test_a_number_stands_on_its_own_ground_and_never_on_its_neighbours():
    """Two low spots side by side whose deepest points are close to each other."""
    both = ground(owners=[(2, 3, 5, 5), (5, 3, 8, 5)])
    labels = [
        Label(4.9, 4.0, 0.6, 0.6, middles=((4.9, 4.0), (3.5, 4.0)), home=1),
        Label(5.1, 4.0, 0.6, 0.6, middles=((5.1, 4.0), (6.5, 4.0)), home=2),
    ]
    first, second = place_labels(labels, 10, 8, ground=both)
    assert first[2] <= 5.0
    assert second[0] >= 5.0
    assert both.touches(first, 1)
    assert not both.touches(first, 2)
    assert both.touches(second, 2)


def test_the_line_to_a_label_does_not_run_through_another_label():
    """Of two free places the one is taken whose line to the point is free."""
    near = Label(5.0, 4.6, 0.2, 0.2, middles=((5.0, 4.6),))
    crowd = [(3.0, 3.0, 7.0, 4.5), (3.0, 3.0, 4.6, 5.4), (5.4, 3.0, 7.0, 5.4)]
    lower, upper = place_labels([near, Label(5.0, 4.9, 0.5, 0.2)], 10, 8, taken=crowd)
    assert upper[1] > lower[3]
