"""What waits above an inlet of limited capacity."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.errors import ParameterError
from lotflow.runoff.excess import excess_volume
from lotflow.runoff.hydrograph import Hydrograph

FLOWS = st.lists(st.floats(0, 0.1), min_size=1, max_size=30).map(np.array)


def test_a_triangle_keeps_its_top():
    """Rise and fall of 10 min each to 10 l/s over a line of 6 l/s: (0.4)^2 of 6 m3 wait."""
    flow = 0.010 * (1 - np.abs(np.linspace(-1, 1, 1201)))
    assert excess_volume(Hydrograph(1.0, flow), 0.006) == pytest.approx(0.16 * 6.0, rel=1e-3)


def test_between_two_peaks_the_line_catches_up():
    """The sum above the capacity would be 1.2 m3; never more than 0.6 m3 wait at once."""
    flow = np.concatenate([np.full(10, 0.002), np.zeros(10), np.full(10, 0.002)])
    assert excess_volume(Hydrograph(60.0, flow), 0.001) == pytest.approx(0.6)


@given(FLOWS, st.floats(0, 0.1), st.floats(0, 0.1))
def test_more_capacity_never_leaves_more(flow, one, other):
    hydrograph = Hydrograph(60.0, flow)
    less, more = sorted((one, other))
    assert excess_volume(hydrograph, more) <= excess_volume(hydrograph, less) + 1e-12
    assert excess_volume(hydrograph, 0.0) == pytest.approx(hydrograph.volume_m3)


def test_negative_capacity_is_refused():
    with pytest.raises(ParameterError, match="capacity"):
        excess_volume(Hydrograph(60.0, np.ones(2)), -1.0)
