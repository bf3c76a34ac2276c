"""The balance of a lot against a walk of every cell's water, step by step."""

import numpy as np
import pytest
import shapely

from lotflow.terrain import known_surfaces as known
from lotflow.terrain.catchments import lot_balance, lot_line_crossings
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.inlet_places import DrawnInlet, drains_of, place_inlets
from lotflow.terrain.roofs import Downspout, roof_water
from lotflow.terrain.routing import Culvert, route
from lotflow.terrain.surface import prepare_surface

SIZE = 50
#: Moves of the directions 1 to 8, W NW N NE E SE S SW, as the conventions give them.
MOVES = [(0, 0), (0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1)]


def walked(routing, lot):
    """
    Follow the rain of every cell to its end, and note where it first came and last left.

    Slow code of its own: one cell after the other, one step after the other.
    """
    surface, columns = routing.surface, lot.shape[1]
    pipes = {culvert.up_cell: culvert.down_cell for culvert in routing.drains.culverts}
    sums = dict.fromkeys(
        ("on", "culverts_in", "lot", "off", "captured", "culverts_out", "unseen", "roofs"), 0.0
    )
    for origin in range(lot.size):
        if surface.missing.flat[origin]:
            continue
        worth, ours = float(surface.share.flat[origin]), bool(lot.flat[origin])
        if ours:
            sums["lot"] += worth
        if surface.piped.flat[origin]:
            sums["roofs"] += worth if ours else 0.0
            continue
        came, end, was_in, by_pipe = "", "off", ours, False
        cell = int(surface.landing.flat[origin])
        while True:
            is_in = bool(lot.flat[cell])
            if is_in and not was_in and not ours and not came:
                came = "culverts_in" if by_pipe else "on"
            if was_in and not is_in:
                end = "culverts_out" if by_pipe else "off"
            was_in = is_in
            row, column = divmod(cell, columns)
            move = MOVES[routing.field.direction[row, column]]
            if cell in pipes:
                cell, by_pipe = pipes[cell], True
            elif move == (0, 0):
                if is_in:
                    end = "captured" if routing.drains.inlet.flat[cell] else "unseen"
                break
            else:
                cell, by_pipe = (row + move[0]) * columns + column + move[1], False
        if came:
            sums[came] += worth
        if came or ours:
            sums[end] += worth
    return sums


@pytest.mark.parametrize("seed", range(6))
def test_every_cell_counts_once_however_often_it_crosses(seed):
    """Notched lots on rough ground, with an inlet, a house with downspouts, water, culverts."""
    rng = np.random.default_rng(seed)
    grid = known.tilted_plane(SIZE, slope=0.02)
    grid = grid.with_values(grid.values + 0.25 * rng.standard_normal((SIZE, SIZE)))
    house = shapely.box(20.3, 21.2, 26.1, 27.4)
    surface = prepare_surface(grid, buildings=[house], water=[shapely.box(30, 30, 32, 33)])
    spouts = [
        Downspout("A", 1, 30 * SIZE + 19, area_m2=11.3),
        Downspout("B", 1, 22 * SIZE + 27, node="N", area_m2=7.9),
    ]
    surface = roof_water(surface, spouts, [house.area]).surface
    cells = rng.integers(3, SIZE - 3, (4, 2)) @ (SIZE, 1)
    culverts = (Culvert("k", *sorted(map(int, cells[:2]))),) if seed % 2 else ()
    inlet = DrawnInlet("i", shapely.Point(*rng.uniform(15, 19, 2)))
    drains, _ = drains_of(place_inlets([inlet], surface), surface, culverts)
    routing = route(surface, drains, by_kernel=True)
    notches = [shapely.box(x, 10, x + 3, 28) for x in (14, 24, 33)]
    outline = shapely.box(10.2, 12, 40, 38).difference(shapely.union_all(notches))
    lot = polygon_cells(outline, grid)
    balance, expected = lot_balance(routing, lot), walked(routing, lot)
    for name, value in expected.items():
        found = balance.connected_roofs if name == "roofs" else getattr(balance, name)
        assert found == pytest.approx(value, abs=1e-9), name
    assert balance.residual == pytest.approx(0, abs=1e-9)
    crossings = lot_line_crossings(routing, lot, outline.boundary, 5.0)
    assert sum(c.area for c in crossings if c.inward) > balance.on


def test_a_gully_that_cuts_a_corner_of_the_lot_comes_once():
    """It comes in, leaves through a notch, and comes back below."""
    grid = known.tilted_plane(40, slope=0.05)  # falls to the west
    surface = prepare_surface(grid)
    drains, _ = drains_of([], surface)
    routing = route(surface, drains, by_kernel=True)
    lot = polygon_cells(shapely.box(10, 10, 30, 20).difference(shapely.box(18, 10, 22, 20)), grid)
    balance = lot_balance(routing, lot)
    # each of ten rows: 9 cells east of the lot, and 4 in the notch
    assert (balance.on, balance.lot, balance.off) == (10 * (9 + 4), 160, 10 * 29)


@pytest.mark.parametrize(("turns", "bearing"), [(0, 270), (1, 180), (2, 90), (3, 0)])
def test_crossings_bear_where_the_water_runs_clockwise_from_north(turns, bearing):
    """A plane that falls to the west, turned against the clock; both where it comes and leaves."""
    grid = known.tilted_plane(40, slope=0.05)
    surface = prepare_surface(grid.with_values(np.rot90(grid.values, turns).copy()))
    drains, _ = drains_of([], surface)
    outline = shapely.box(10, 10, 30, 30)
    crossings = lot_line_crossings(
        route(surface, drains, by_kernel=True), polygon_cells(outline, grid), outline.boundary, 5.0
    )
    assert {crossing.inward for crossing in crossings} == {True, False}
    assert {round(crossing.bearing) for crossing in crossings} == {bearing}
