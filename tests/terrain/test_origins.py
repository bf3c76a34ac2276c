"""Where water comes from, against a plane counted by hand and a walk of every cell's water."""

from collections import defaultdict

import numpy as np
import pytest
import shapely

from lotflow.terrain import known_surfaces as known
from lotflow.terrain.catchments import lot_line_crossings, stretches
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.inlet_places import DrawnInlet, drains_of, place_inlets
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.origins import Ground, lot_origins, of_labels, origins
from lotflow.terrain.roofs import Downspout, roof_water
from lotflow.terrain.routing import route
from lotflow.terrain.surface import prepare_surface

#: Moves of the directions 1 to 8, W NW N NE E SE S SW, as the conventions give them.
MOVES = [(0, 0), (0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1)]
STRETCH_M = 5.0


def ground_of(roofs, routing, lot, outline, names):
    crossings = lot_line_crossings(routing, lot, outline.boundary, STRETCH_M)
    return Ground(roofs, lot, outline.boundary, STRETCH_M, crossings, names)


def told(found, subject):
    return {
        (one.source, one.name, one.is_led_in): one.cells for one in found if one.subject == subject
    }


def walked(ground, routing, target):
    """
    Follow the rain of every cell to the first cell of a place, and note what it came from.

    Slow code of its own: one cell after the other, one step after the other.
    """
    surface, lot = ground.roofs.surface, ground.lot
    columns = lot.shape[1]
    numbers = {one.stretch: n for n, one in enumerate(ground.crossings, 1) if one.inward}
    sums = defaultdict(float)
    for origin in range(lot.size):
        if surface.missing.flat[origin] or surface.piped.flat[origin]:
            continue
        cell, entry = int(surface.landing.flat[origin]), None
        place = int(target.flat[origin])
        was_in = bool(lot.flat[cell])
        met = was_in
        while not place:
            place = int(target.flat[cell])
            row, column = divmod(cell, columns)
            move = MOVES[routing.field.direction[row, column]]
            if place or move == (0, 0):
                break
            before, cell = cell, (row + move[0]) * columns + column + move[1]
            if bool(lot.flat[cell]) and not met and entry is None:
                entry = before
        if not place:
            continue
        # a place may lie beyond the line: where its water first comes on is looked for further on
        while entry is None and not met:
            row, column = divmod(cell, columns)
            move = MOVES[routing.field.direction[row, column]]
            if move == (0, 0):
                break
            before, cell = cell, (row + move[0]) * columns + column + move[1]
            if bool(lot.flat[cell]):
                entry = before
        if lot.flat[origin]:
            served, building = ground.roofs.served.flat[origin], surface.building.flat[origin]
            kind = ("own yard", "")
            if served:
                kind = ("roof", ground.roofs.downspouts[served - 1].name)
            elif building:
                kind = ("eaves without a gutter", f"roof of {ground.buildings[building - 1]}")
        elif entry is None:
            kind = ("neighbour", "")
        else:
            x, y = surface.ground.xy(*divmod(entry, columns))
            stretch = stretches(ground.line, shapely.points([x], [y]), ground.stretch_m)
            kind = ("neighbour", f"crossing {numbers[int(stretch[0])]}")
        sums[place, *kind] += float(surface.share.flat[origin])
    return dict(sums)


@pytest.mark.parametrize("seed", range(4))
def test_every_cell_is_of_one_place_and_one_source(seed):
    """A notched lot on rough ground with a house, its downspouts and its eaves, and two places."""
    size = 50
    rng = np.random.default_rng(seed)
    grid = known.tilted_plane(size, slope=0.02)
    grid = grid.with_values(grid.values + 0.25 * rng.standard_normal((size, size)))
    houses = [shapely.box(20.3, 21.2, 26.1, 27.4), shapely.box(41, 20, 46, 26)]
    surface = prepare_surface(grid, buildings=houses)
    spouts = [
        Downspout("A", 1, 30 * size + 19, area_m2=11.3),
        Downspout("B", 1, 22 * size + 27, node="i", area_m2=7.9),
    ]
    roofs = roof_water(surface, spouts, [house.area for house in houses])
    drains, _ = drains_of(
        place_inlets([DrawnInlet("i", shapely.Point(17, 17))], roofs.surface), roofs.surface
    )
    routing = route(roofs.surface, drains, by_kernel=True)
    outline = shapely.box(10.2, 12, 40, 38).difference(shapely.box(24, 10, 27, 28))
    lot = polygon_cells(outline, grid)
    ground = ground_of(roofs, routing, lot, outline, ["House", "Neighbour"])
    target = polygon_cells(shapely.box(12, 15, 16, 36), grid).astype(np.int32)
    target[polygon_cells(shapely.box(28, 15, 31, 36), grid)] = 2
    found = origins(ground, routing, ["west", "east"], target)
    expected = walked(ground, routing, target)
    exact = {
        (("west", "east")[place - 1], source, name): cells
        for (place, source, name), cells in expected.items()
    }
    assert {(o.subject, o.source, o.name): o.cells for o in found} == pytest.approx(exact)
    assert {one.source for one in found} > {"own yard", "neighbour"}
    # what an inlet takes over the ground is its catchment, and its roof is told apart
    taken = of_labels(ground, routing, ["i"], routing.label)
    over_ground = sum(one.cells for one in taken if not one.is_led_in)
    share = roofs.surface.share[routing.label == 1]
    assert over_ground == pytest.approx(float(share.sum()))
    assert told(taken, "i")["roof", "B", True] == pytest.approx(7.9)


def test_water_that_comes_on_twice_is_the_first_crossings():
    """
    Ten rows of a plane that falls to the west; the lot has a notch of 4 cells, its mouth south.

    Of each row 9 cells lie east of the lot and come on over its east line, 4 in the notch and
    come on west of it; 16 of the 20 of the lot are its own. The last cell before the line is the
    crossing's: column 30 in the east, 18 in the notch.
    """
    grid = known.tilted_plane(40, slope=0.05)
    surface = prepare_surface(grid)
    roofs = roof_water(surface, [])
    drains, _ = drains_of([], surface)
    routing = route(surface, drains, by_kernel=True)
    outline = shapely.box(10, 10, 30, 20).difference(shapely.box(18, 10, 22, 20))
    lot = polygon_cells(outline, grid)
    ground = ground_of(roofs, routing, lot, outline, [])
    found = told(lot_origins(ground, routing, [], find_low_spots(routing, 0.1)), "the lot")
    assert found.pop(("own yard", "", False)) == 160
    assert sum(found.values()) == 10 * (9 + 4)
    by_column = defaultdict(float)
    for (_, name, _), cells in found.items():
        crossing = ground.crossings[int(name.removeprefix("crossing ")) - 1]
        by_column[crossing.cell % 40] += cells
    assert by_column == {30: 90, 18: 40}
