"""What is dug: volumes and classes of known trenches, length by cover."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from lotflow.drains.trench import TrenchRule, dig_trench, lengths_by_cover
from lotflow.errors import ParameterError

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
