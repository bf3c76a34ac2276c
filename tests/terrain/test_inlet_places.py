"""Where an inlet is set: how far from its drawn place, on which side of a wall, at which cells."""

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.errors import InputError
from lotflow.grid import Grid
from lotflow.terrain.inlet_places import (
    LONGEST_MOVE_M,
    DrawnInlet,
    place_inlets,
    snap_inlets,
    snap_radius_m,
)
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface


def grid_of(side: float, extent: float = 60.0, metres_per_unit: float = 1.0) -> Grid:
    """A valley that falls to the south, its bottom along x = 30.1."""
    size = round(extent / side)
    x = (np.arange(size) + 0.5) * side
    z = 10 + 0.02 * x[::-1, None] * 1.0 + 0.08 * np.abs(x[None, :] - 30.1)
    return Grid(z, Affine(side, 0, 0, 0, -side, size * side), None, metres_per_unit)


def natural(grid, **drawn):
    surface = prepare_surface(grid, **drawn)
    return route(surface, no_drains(surface), by_kernel=True)


def place_of(grid, inlet):
    return np.array(grid.xy(*divmod(int(inlet.cells[0]), grid.shape[1])))


@pytest.mark.parametrize("side", [0.25, 0.3, 0.5, 1.0, 2.0, 3.0, 5.0])
def test_no_inlet_is_set_farther_away_than_is_said(side):
    """The larger of 0.75 m and half a cell, never above 1.5 m, from the drawn place itself."""
    grid = grid_of(side)
    flow = natural(grid)
    rng = np.random.default_rng(3)
    drawn = [
        DrawnInlet(f"I{i}", shapely.Point(*rng.uniform((26, 10), (34, 50)))) for i in range(40)
    ]
    radius = snap_radius_m(0.75, side)
    assert radius == min(max(0.75, side / 2), 1.5) <= LONGEST_MOVE_M
    placed = place_inlets(drawn, flow.surface)
    set_ = snap_inlets(placed, flow, radius_m=radius, pond_depth=0.1)
    for own, inlet in zip(placed, set_, strict=True):
        away = np.hypot(*(place_of(grid, inlet) - (inlet.drawn.geometry.x, inlet.drawn.geometry.y)))
        if inlet.cells[0] == own.cells[0]:
            assert inlet.moved_m == 0
        else:
            assert inlet.moved_m == pytest.approx(away)
            assert away <= radius + 1e-6
    moved = [inlet.moved_m > 0 for inlet in set_]
    assert any(moved) == (side < 2)


def test_the_same_inlet_finds_the_valley_on_any_fine_grid():
    """Drawn half a metre beside the bottom it is set on it, whether cells are 0.5 or 0.25 m."""
    for side in (0.25, 0.5):
        flow = natural(grid_of(side))
        (inlet,) = snap_inlets(
            place_inlets([DrawnInlet("CB", shapely.Point(30.6, 20.1))], flow.surface), flow,
            radius_m=0.75, pond_depth=0.1,
        )  # fmt: skip
        assert flow.total.ravel()[inlet.cells[0]] * side**2 > 1000


def test_the_radius_counts_metres_where_the_grid_counts_feet():
    """Cells of 2 ft: half a cell is less than 0.75 m, which is 2.46 ft."""
    grid = grid_of(2.0, metres_per_unit=0.3048)
    flow = natural(grid)
    (inlet,) = snap_inlets(
        place_inlets([DrawnInlet("CB", shapely.Point(33.0, 21.0))], flow.surface), flow,
        radius_m=snap_radius_m(0.75, grid.cell_m), pond_depth=0.1,
    )  # fmt: skip
    assert inlet.moved_m == pytest.approx(2 * 0.3048)


@pytest.mark.parametrize("side", [0.5, 1.0, 2.0])
@pytest.mark.parametrize(
    ("place", "toward"), [((19.7, 25.3), "west"), ((40.3, 25.3), "east"), ((25.3, 30.3), "north"),
                          ((20.4, 25.3), "west"), ((25.3, 19.8), "south")],
)  # fmt: skip
def test_an_inlet_at_a_wall_stands_before_that_wall(side, place, toward):
    """A third of a metre off a footprint, or under its eaves, whatever cell its corner covers."""
    house = shapely.box(20.0, 20.0, 40.0, 30.0)
    surface = prepare_surface(grid_of(side), buildings=[house])
    (inlet,) = place_inlets([DrawnInlet("CB", shapely.Point(*place))], surface)
    x, y = place_of(surface.ground, inlet)
    assert not surface.roof.ravel()[inlet.cells[0]]
    assert {"west": x < 20, "east": x > 40, "north": y > 30, "south": y < 20}[toward]
    assert np.hypot(x - place[0], y - place[1]) <= 1.5 + side


def test_a_thin_house_does_not_let_an_inlet_through():
    """A garage of one cell's width: the open ground on the other side may be nearer by cells."""
    house = shapely.box(20.2, 10.0, 21.9, 30.0)
    surface = prepare_surface(grid_of(2.0), buildings=[house])
    for x, west in ((20.1, True), (22.0, False)):
        (inlet,) = place_inlets([DrawnInlet("CB", shapely.Point(x, 21.0))], surface)
        assert (place_of(surface.ground, inlet)[0] < 20.2) == west


@pytest.mark.parametrize(("x", "west"), [(10.6, True), (11.4, False)])
def test_an_inlet_beside_a_wall_takes_the_water_of_its_side(x, west):
    """Both places lie in the cell of 2 m that the wall makes its own."""
    wall = shapely.LineString([(11.0, 0.0), (11.0, 60.0)])
    surface = prepare_surface(grid_of(2.0), walls=[(wall, 0.6)])
    (inlet,) = place_inlets([DrawnInlet("CB", shapely.Point(x, 31.0))], surface)
    assert not surface.wall.ravel()[inlet.cells[0]]
    assert (place_of(surface.ground, inlet)[0] < 11) == west


def test_a_channel_before_a_door_keeps_its_length():
    """Its cells of 2 m all belong to the garage; it is set on those before it."""
    surface = prepare_surface(grid_of(2.0), buildings=[shapely.box(20, 20.5, 40, 40)])
    channel = DrawnInlet("channel", shapely.LineString([(24.0, 20.2), (32.0, 20.2)]))
    (inlet,) = place_inlets([channel], surface)
    x, y = surface.ground.xy(*np.divmod(inlet.cells, surface.ground.shape[1]))
    assert (y == 19).all()
    assert set(x) == {25, 27, 29, 31}


def test_deep_inside_a_house_is_an_error():
    """However coarse the cells are."""
    for side in (0.5, 2.0, 5.0):
        surface = prepare_surface(grid_of(side), buildings=[shapely.box(20, 20, 40, 40)])
        with pytest.raises(InputError, match="inside a building"):
            place_inlets([DrawnInlet("CB", shapely.Point(30.0, 30.0))], surface)
