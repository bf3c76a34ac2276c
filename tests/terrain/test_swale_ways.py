"""Ways for swales round a house, held against a slow walk along them written here."""

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain.house_ring import Facade
from lotflow.terrain.surface import Surface
from lotflow.terrain.swale_ways import swale_ways

SHAPE = (40, 40)
LOT = shapely.box(2, 2, 38, 38)
HOUSE = shapely.box(14, 14, 26, 22)
NOTHING = np.zeros(SHAPE, dtype=bool)


def ground_of(fall, along=0.02):
    """Ground that falls to the north, and towards the middle line of the house's west side."""
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]] + 0.5
    north = SHAPE[0] - rows
    return 100.0 - fall * north + along * columns


def surface_of(level):
    grid = Grid(level, Affine(1.0, 0.0, 0.0, 0.0, -1.0, float(SHAPE[0])), None)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    x, y = grid.xy(rows, columns)
    roof = shapely.contains_xy(HOUSE, x, y)
    own = np.arange(level.size).reshape(SHAPE)
    return Surface(
        ground=grid, elevation=np.where(roof, level + 5, level), building=roof.astype(np.int32),
        wall=NOTHING, water=NOTHING, missing=NOTHING, eave_cell=own, landing=own, piped=NOTHING,
        share=np.ones(SHAPE),
    )  # fmt: skip


def steepest(level):
    """Cell that each cell drains to by its steepest fall: slow, for the test alone."""
    receiver = np.arange(level.size)
    for row in range(1, SHAPE[0] - 1):
        for column in range(1, SHAPE[1] - 1):
            best, to = 0.0, (row, column)
            for down in (-1, 0, 1):
                for across in (-1, 0, 1):
                    if down or across:
                        at = row + down, column + across
                        slope = (level[row, column] - level[at]) / np.hypot(down, across)
                        if slope > best:
                            best, to = slope, at
            receiver[row * SHAPE[1] + column] = to[0] * SHAPE[1] + to[1]
    return receiver


def wall(fall=-0.2, verdict_high=0.02):
    """South wall of the house: its uphill one."""
    return Facade(
        name="House, south side", building="House", line=shapely.LineString([(14, 14), (26, 14)]),
        x=20.0, y=14.0, length_m=12.0, reach_m=3.048, is_paved=False, fall_m=fall, run_m=3.0,
        deviation_m=verdict_high, slope_limit=0.05,
    )  # fmt: skip


def found(level, facade=None, clear=NOTHING, hollows=NOTHING, rmse_m=0.05):
    surface = surface_of(level)
    return swale_ways(
        [facade or wall()], surface, steepest(surface.elevation), lot=LOT, buildings=HOUSE,
        kept_clear=clear, hollows=hollows, rmse_m=rmse_m,
    )  # fmt: skip


def test_a_way_falls_all_along_on_the_lot_and_off_the_house_to_where_the_water_runs():
    level = ground_of(0.05)
    (way,) = found(level)
    assert way.wall == "House, south side"
    places = np.array(way.line.coords)
    heights = [level[SHAPE[0] - 1 - int(y), int(x)] for x, y in places]
    bed = heights[0]
    for (x0, y0), (x1, y1), height in zip(places, places[1:], heights[1:], strict=False):
        bed = min(height, bed - 0.01 * np.hypot(x1 - x0, y1 - y0))
        assert height - bed <= 0.15
    assert way.fall_m == pytest.approx(heights[0] - heights[-1])
    assert way.length_m == pytest.approx(way.line.length)
    assert way.line.distance(HOUSE) >= 1.5
    assert LOT.buffer(-0.9).covers(way.line)
    assert shapely.Point(places[0]).distance(HOUSE) < 4.0
    assert shapely.Point(places[-1]).distance(HOUSE) >= 3.0
    # it ends in the way of today's water from where it begins
    receiver = steepest(surface_of(level).elevation)
    cell = (SHAPE[0] - 1 - int(places[0][1])) * SHAPE[1] + int(places[0][0])
    today = [cell]
    while receiver[today[-1]] != today[-1]:
        today.append(receiver[today[-1]])
    assert (SHAPE[0] - 1 - int(places[-1][1])) * SHAPE[1] + int(places[-1][0]) in today


def test_no_way_is_shown_where_it_is_barred_too_flat_within_the_error_or_not_asked_for():
    level = ground_of(0.05)
    fence = NOTHING.copy()
    fence[SHAPE[0] - 19] = True  # a walk across the whole lot beside the house
    assert found(level, clear=fence) == []
    assert found(ground_of(0.003, along=0.0005)) == []
    assert found(level, rmse_m=1.0) == []
    assert found(level, facade=wall(fall=0.3)) == []
    # today's water stands in a hollow on its way
    assert found(level, hollows=fence) == []
