"""What a channel drain on uneven ground leaves standing beside it."""

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain.inlet_places import DrawnInlet, drains_of, place_inlets, residual_depth
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface


def residual(line):
    """A trough 30 cells long whose bed falls 2 cm a cell to its middle, on level ground."""
    values = np.full((9, 31), 10.0)
    values[4, 3:28] = 9.7 + 0.02 * np.abs(np.arange(3, 28) - 15)
    grid = Grid(values, Affine(1.0, 0, 0, 0, -1.0, 9.0), None)
    surface = prepare_surface(grid)
    natural = route(surface, no_drains(surface))
    placed = place_inlets([DrawnInlet("A", shapely.LineString(line))], surface)
    drains, _ = drains_of(placed, surface, natural.drains.culverts)
    return residual_depth(placed[0], route(surface, drains))


def test_a_channel_over_the_low_point_leaves_nothing_though_its_ground_is_uneven():
    assert residual([(10.0, 4.5), (21.0, 4.5)]) == 0.0


def test_a_channel_that_stops_short_leaves_what_lies_below_its_lower_end():
    """It ends at cell 19, four cells above the low point: 8 cm stay."""
    assert residual([(19.0, 4.5), (26.0, 4.5)]) == pytest.approx(0.08, abs=1e-4)
