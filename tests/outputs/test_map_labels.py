"""Labels do not cover each other where there is room."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given
from hypothesis import strategies as st

from lotflow.outputs.map_labels import Label, place_labels

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
    (box,) = place_labels([Label(5.0, 4.0, 0.2, 0.2, centred=True)], 10, 8)
    assert np.allclose(box, (4.9, 3.9, 5.1, 4.1))


def test_no_labels_no_boxes():
    assert place_labels([], 10, 8).shape == (0, 4)
