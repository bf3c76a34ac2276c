"""The layers of the ground, against what is worked out by hand."""

import geopandas as gpd
import numpy as np
import pytest
from affine import Affine

from lotflow.grid import Grid
from lotflow.outputs.ground_layers import LowSpotFacts, low_spots_layer
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface
from lotflow.units import METRES_PER_FOOT


def pit_of_two_by_three_cells(metres_per_unit):
    """Level ground at 10 m, and in it 2 by 3 cells of 2 units, 0.5 m lower."""
    values = np.full((9, 9), 10.0)
    values[3:5, 3:6] = 9.5
    return Grid(values, Affine(2.0, 0, 0, 0, -2.0, 18.0), None, metres_per_unit)


@pytest.mark.parametrize("metres_per_unit", [1.0, METRES_PER_FOOT])
def test_a_low_spot_has_the_area_depth_and_volume_of_its_cells(metres_per_unit):
    """By hand: six cells of 2 by 2 units, half a metre deep, whatever the unit of the CRS."""
    grid = pit_of_two_by_three_cells(metres_per_unit)
    surface = prepare_surface(grid)
    spots = find_low_spots(route(surface, no_drains(surface)), 0.1)
    no = np.zeros(1, dtype=bool)
    facts = LowSpotFacts(np.zeros(1, dtype=np.int64), no, no, [""])
    buildings = gpd.GeoDataFrame(geometry=[])
    (row,) = low_spots_layer(spots, grid, facts, [], buildings).itertuples()
    assert row.area_m2 == pytest.approx(24 * metres_per_unit**2)
    assert row.depth_m == pytest.approx(0.5)
    assert row.volume_m3 == pytest.approx(12 * metres_per_unit**2)
    assert (row.id, row.cut_by_edge) == (1, False)
