"""The error of elevation data: variance and variogram of what is drawn are those stated."""

import numpy as np
import pytest

from lotflow.errors import ParameterError
from lotflow.terrain.error_model import ErrorModel, random_field


@pytest.mark.parametrize("form", ["exponential", "gaussian"])
@pytest.mark.parametrize("white_share", [0.0, 0.2, 1.0])
def test_fields_have_the_stated_variance_and_variogram(form, white_share):
    """Half the mean square difference of cells apart, over many fields, against the formula."""
    error = ErrorModel(0.1, 6.0, white_share, form)
    random = np.random.default_rng(1)
    spectrum = error.spectrum((128, 128), 1.0)
    fields = [random_field(spectrum, random) for _ in range(60)]
    assert np.mean([np.mean(field**2) for field in fields]) == pytest.approx(0.01, rel=0.04)
    for lag in (1, 3, 6, 15):
        found = np.mean(
            [0.5 * np.mean((field[:, lag:] - field[:, :-lag]) ** 2) for field in fields]
        )
        assert found == pytest.approx(float(error.semivariance(lag)), rel=0.06)


@pytest.mark.parametrize("cell", [0.25, 1.0, 2.0])
def test_the_variance_is_that_stated_whatever_the_cell(cell):
    """The mean of a spectrum is the variance of its field."""
    error = ErrorModel(0.07, 10.0, 0.1)
    assert error.spectrum((96, 64), cell).mean() == pytest.approx(0.07**2)


def test_a_correlation_longer_than_the_window_keeps_the_variance():
    error = ErrorModel(0.1, 1000.0, 0.0)
    spectrum = error.spectrum((64, 64), 1.0)
    assert (spectrum >= 0).all()
    assert spectrum.mean() == pytest.approx(0.01)


@pytest.mark.parametrize(
    "numbers",
    [(-0.1, 10, 0.1), (np.nan, 10, 0.1), (0.1, 0, 0.1), (0.1, np.inf, 0.1), (0.1, 10, 1.1)],
)
def test_impossible_errors_are_refused(numbers):
    with pytest.raises(ParameterError):
        ErrorModel(*numbers)
