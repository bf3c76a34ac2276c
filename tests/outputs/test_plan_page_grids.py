"""The plan page: what is embedded comes back as it was."""

import base64
import json
import zlib

import numpy as np
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from lotflow.grid import Grid
from lotflow.outputs.html_page import data_text
from lotflow.outputs.plan_page.drawn import plain
from lotflow.outputs.plan_page.grids import elevation_grid, packed


def unpacked(text, dtype):
    return np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype=dtype)


def read_back(grid, shape):
    """As the page's script reads it."""
    change = unpacked(grid["values"], "<u2").reshape(shape)
    number = np.cumsum(change, axis=1, dtype=np.uint16)
    return np.where(number == 65_535, np.nan, grid["base"] + number * grid["step"])


@given(
    arrays(np.float64, (4, 7), elements=st.floats(-100, 9000) | st.just(np.nan)),
)
def test_elevations_come_back_to_half_a_step(values):
    grid = elevation_grid(Grid(values, Affine(1, 0, 0, 0, -1, 4), None))
    back = read_back(grid, values.shape)
    assert (np.isnan(back) == np.isnan(values)).all()
    assert np.nanmax(np.abs(back - values), initial=0) <= grid["step"] / 2 * 1.001 + 1e-9
    relief = np.nanmax(values, initial=-np.inf) - np.nanmin(values, initial=np.inf)
    assert grid["step"] == 0.001 or relief > 60


@given(arrays(np.int32, st.integers(0, 50)))
def test_packed_numbers_come_back(values):
    assert (unpacked(packed(values), "<i4") == values).all()


@pytest.mark.parametrize("text", ["</script>", "<!--", "<script>", "\u2028", "]]>", "'\"\\"])
def test_data_cannot_end_its_element_and_comes_back(text):
    written = data_text({"name": text})
    assert "<" not in written
    assert "\u2028" not in written
    assert json.loads(written) == {"name": text}


def test_numbers_that_are_none_become_none():
    assert plain(float("inf")) is None
    assert plain(None) is None
    assert plain(np.bool_(True)) is True
