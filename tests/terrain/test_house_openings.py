"""Freeboard of openings above ground and water."""

import numpy as np
import pytest
import shapely

from lotflow.terrain import known_surfaces as known
from lotflow.terrain.house_openings import DrawnOpening, opening_levels
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface


def levels(point, sill, *, rmse=0.1, artefact=""):
    surface = prepare_surface(known.spherical_bowl())
    spots = find_low_spots(route(surface, no_drains(surface)), 0.1)
    spots.artefact[0] = artefact
    return opening_levels(DrawnOpening("D", "door", point, sill), surface, spots, rmse_m=rmse)


def test_freeboard_is_measured_from_where_the_bowl_overflows():
    """The bowl of 0.5 m spills at 20.0."""
    middle = shapely.Point(13.125, 13.125)
    found = levels(middle, 20.3)
    assert found.low_spot == 1
    assert found.freeboard == pytest.approx(0.3, abs=1e-4)
    assert found.freeboard_low == pytest.approx(0.3 - 1.96 * 0.1, abs=1e-4)
    assert 0.75 < found.above_ground < 0.8


def test_far_from_water_there_is_no_freeboard_to_it():
    found = levels(shapely.Point(0.6, 0.6), 21.0)
    assert found.low_spot is None
    assert np.isnan(found.freeboard)
    assert found.above_ground == pytest.approx(21.0 - 20.09, abs=0.06)


def test_an_artefact_holds_no_water():
    assert levels(shapely.Point(13.125, 13.125), 20.3, artefact="at a gap").low_spot is None


def test_an_opening_off_the_data_has_no_ground():
    assert np.isnan(levels(shapely.Point(-50, 0), 20.3).above_ground)
