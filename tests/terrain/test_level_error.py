"""The vertical error of elevation data: of levels, of differences, and of whole fields."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.errors import ParameterError
from lotflow.terrain.level_error import (
    ErrorModel,
    GivenLevels,
    LevelError,
    deviation_between,
    random_field,
)


@given(st.floats(0, 1e4), st.floats(0.01, 1), st.floats(1, 100), st.floats(0, 1))
def test_a_difference_is_known_between_exactly_and_as_two_strange_levels(d, rmse, reach, white):
    deviation = float(LevelError(rmse, reach, white).of_difference(d))
    assert 0 <= deviation <= np.sqrt(2) * rmse + 1e-12
    assert float(LevelError(rmse, reach, white).of_difference(d + 1)) >= deviation


def test_deviation_is_that_of_drawn_errors():
    """20 000 pairs of levels with exponential correlation and a white part, drawn."""
    rng = np.random.default_rng(1)
    rmse, reach, white, distance = 0.1, 10.0, 0.1, 5.0
    r = np.exp(-distance / reach)
    shared = rng.multivariate_normal([0, 0], np.array([[1, r], [r, 1]]), 20_000)
    error = rmse * (np.sqrt(1 - white) * shared + np.sqrt(white) * rng.normal(size=(20_000, 2)))
    expected = LevelError(rmse, reach, white).of_difference(distance)
    assert np.std(error[:, 0] - error[:, 1]) == pytest.approx(float(expected), rel=0.02)


@dataclass(frozen=True)
class NearError(LevelError):
    """Levels at one place stand better to the benchmark than to the raster's datum."""

    of_benchmark_m = 0.06

    def at(self, x, y):
        return 0.07 + x / 1000

    def from_benchmark(self, x, y):
        return 0.01 + x / 1000


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ("raster", "raster", 0.0), ("benchmark", "benchmark", 0.0), ("raster", "ground", 0.072),
        ("ground", "raster", 0.071), ("benchmark", "ground", 0.012), ("ground", "benchmark", 0.011),
        ("raster", "benchmark", 0.06), ("benchmark", "raster", 0.06),
    ],
)  # fmt: skip
def test_given_levels_count_as_exact_each_beside_what_it_was_measured_from(first, second, expected):
    """The ground that counts is that at the other end."""
    error = NearError(0.1, 10.0, 0.1)
    found = deviation_between(error, 4.0, first, second, ((1.0, 0.0), (2.0, 0.0)))
    assert found == pytest.approx(expected, abs=1e-12)


def test_what_a_given_level_is_measured_from_the_shots_tell_before_the_drawing():
    rim, sill, lip = ("inlets", "CB", "rim_m"), ("openings", "D", "sill_m"), ("outlets", "O", "i")
    given = GivenLevels(False, frozenset({rim}), frozenset({sill}))
    assert [given.datum(one) for one in (rim, sill, lip)] == ["benchmark", "raster", "raster"]
    given = GivenLevels(True, frozenset({rim}), frozenset({sill}))
    assert [given.datum(one) for one in (rim, sill, lip)] == ["benchmark", "raster", "benchmark"]
    assert given.datum(lip, rim) == "benchmark"


def fields(error, number=60, shape=(96, 96), cell_m=0.5, seed=1):
    random = np.random.default_rng(seed)
    spectrum = error.spectrum(shape, cell_m)
    return np.array([random_field(spectrum, random) for _ in range(number)])


@pytest.mark.parametrize("form", ["exponential", "gaussian"])
@pytest.mark.parametrize("white_share", [0.0, 0.3, 1.0])
def test_fields_have_the_stated_variogram(form, white_share):
    """Half the mean square difference at a lag, counted on 60 fields, against the formula."""
    error = ErrorModel(0.10, 3.0, white_share, form)
    drawn = fields(error)
    assert drawn.var() == pytest.approx(error.rmse_m**2, rel=0.05)
    for lag in (1, 2, 4, 8, 16):
        counted = 0.5 * np.mean((drawn[:, :, lag:] - drawn[:, :, :-lag]) ** 2)
        along_rows = 0.5 * np.mean((drawn[:, lag:] - drawn[:, :-lag]) ** 2)
        stated = float(error.semivariance(0.5 * lag))
        assert counted == pytest.approx(stated, rel=0.07)
        assert along_rows == pytest.approx(stated, rel=0.07)


def test_the_correlation_length_is_where_1_over_e_is_left():
    for form in ("exponential", "gaussian"):
        assert float(ErrorModel(1.0, 7.0, 0.0, form).likeness(7.0)) == pytest.approx(
            0.3679, abs=1e-4
        )


@given(
    rmse=st.floats(0.0, 10.0),
    correlation=st.floats(0.01, 5000.0),
    share=st.floats(0.0, 1.0),
    form=st.sampled_from(["exponential", "gaussian"]),
)
def test_a_spectrum_adds_up_to_the_variance(rmse, correlation, share, form):
    """Also where the correlation is longer than the grid, or shorter than a cell."""
    spectrum = ErrorModel(rmse, correlation, share, form).spectrum((12, 20), 1.0)
    assert (spectrum >= 0).all()
    assert spectrum.mean() == pytest.approx(rmse**2, rel=1e-9, abs=1e-300)


def test_an_error_of_long_correlation_lifts_all_cells_alike():
    drawn = fields(ErrorModel(0.10, 1e4, 0.0), number=20, shape=(32, 32))
    assert np.ptp(drawn, axis=(1, 2)).max() < 0.03
    assert np.std(drawn.mean(axis=(1, 2))) == pytest.approx(0.10, rel=0.5)


@pytest.mark.parametrize(
    ("rmse", "correlation", "share"),
    [(-0.1, 10, 0.1), (np.nan, 10, 0.1), (0.1, 0, 0.1), (0.1, -1, 0.1), (0.1, 10, 1.1),
     (0.1, 10, -0.1), (0.1, np.inf, 0.1)],
)  # fmt: skip
def test_numbers_out_of_range_are_refused(rmse, correlation, share):
    with pytest.raises(ParameterError):
        ErrorModel(rmse, correlation, share)
