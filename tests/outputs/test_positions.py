"""Positions that go to receivers and phones are on Earth, or nothing is written."""

import math

import pytest

from lotflow.errors import OutputError
from lotflow.outputs.positions import Waypoint, gpx_text, latitude_longitude


@pytest.mark.parametrize(
    ("x", "y", "crs"),
    [
        (math.nan, 3_300_000.0, "EPSG:26917"),
        (600_000.0, math.inf, "EPSG:26917"),
        (600_000.0, -math.inf, "EPSG:26917"),
        (1e300, 1e300, "EPSG:26917"),
        (0.0, 91.0, "EPSG:4326"),
        (181.0, 0.0, "EPSG:4326"),
        (-180.5, 0.0, "EPSG:4326"),
    ],
)
def test_a_position_that_is_nowhere_is_refused(x, y, crs):
    """One among good ones is enough."""
    good = (10.0, 50.0) if crs == "EPSG:4326" else (600_000.0, 3_300_000.0)
    with pytest.raises(OutputError, match="has no latitude and longitude"):
        latitude_longitude([good[0], x], [good[1], y], crs)
    with pytest.raises(OutputError, match="has no latitude and longitude"):
        gpx_text([Waypoint("C1", "inlet", "", x, y, None)], crs, title="Lot")


@pytest.mark.parametrize(("x", "y"), [(180.0, 90.0), (-180.0, -90.0), (0.0, 0.0)])
def test_the_edges_of_the_range_are_positions(x, y):
    """Poles and date line."""
    latitude, longitude = latitude_longitude([x], [y], "EPSG:4326")
    assert (longitude[0], latitude[0]) == (x, y)


def test_no_positions_are_none():
    """A result without places."""
    latitude, longitude = latitude_longitude([], [], "EPSG:26917")
    assert latitude.shape == longitude.shape == (0,)
