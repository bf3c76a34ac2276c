"""Kirpich and FAA beside the sum of segments."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from lotflow.errors import ParameterError
from lotflow.runoff.cross_checks import faa_time, kirpich_time
from lotflow.units import METRES_PER_FOOT

FEET_300 = 300 * METRES_PER_FOOT


def test_kirpich_of_300_feet_at_2_percent():
    """0.0078 x 300^.77 x .02^-.385, computed by hand."""
    assert float(kirpich_time(FEET_300, 0.02)) / 60 == pytest.approx(2.84, abs=0.005)


def test_kirpich_in_metres_is_the_published_0_0195():
    assert float(kirpich_time(100.0, 1.0)) / 60 / 100**0.77 == pytest.approx(0.0195, abs=5e-5)


@pytest.mark.parametrize(("slope", "minutes"), [(0.01, 23.4), (0.02, 18.6)])
def test_faa_of_300_feet_with_a_coefficient_of_035(slope, minutes):
    """1.8 (1.1 - C) L^.5 / S^(1/3) with S in percent, computed by hand."""
    assert float(faa_time(0.35, FEET_300, slope)) / 60 == pytest.approx(minutes, abs=0.05)


def test_both_take_one_path_per_inlet():
    lengths, slopes = np.array([30.0, 60.0]), np.array([0.02, 0.01])
    assert_allclose(kirpich_time(lengths, slopes)[1], kirpich_time(60.0, 0.01))
    assert_allclose(faa_time([0.2, 0.9], lengths, slopes)[1], faa_time(0.9, 60.0, 0.01))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: kirpich_time(0.0, 0.01), "length must be greater than 0"),
        (lambda: kirpich_time(10.0, 0.0), "slope must be greater than 0"),
        (lambda: faa_time(1.2, 10.0, 0.01), "runoff coefficient must be at least 0"),
        (lambda: faa_time(0.5, 0.0, 0.01), "length must be greater than 0"),
        (lambda: faa_time(0.5, 10.0, -0.01), "slope must be greater than 0"),
    ],
)
def test_arguments_outside_their_range_are_refused(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
