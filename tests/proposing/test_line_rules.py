"""No line breaks what must never be broken: held against shapes by shapely, on invented yards."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from scipy import ndimage

from lotflow.criteria import Criteria
from lotflow.drains.pipes import minimum_fall
from lotflow.grid import Grid
from lotflow.proposing.inlets import RIGID_END_M, SHALLOW_END_M, Digging, Line, line_to_end
from lotflow.terrain.lower_places import LowerPlace

SIZE, CELL = 90, 0.5
CRITERIA = Criteria()


def yard(seed: int):
    """A lot of 30 by 40 m with house, shed, septic field, well, tree and neighbour; invented."""
    random = np.random.default_rng(seed)
    rough = ndimage.gaussian_filter(random.standard_normal((SIZE, SIZE)), 5)
    rows, _ = np.mgrid[:SIZE, :SIZE]
    fall = random.uniform(0.008, 0.04)
    level = 20.0 - fall * rows * CELL + 0.08 * rough / rough.std()
    level[rows * CELL > 42.5] -= random.uniform(0.3, 0.6)  # a ditch along the street
    grid = Grid(level, Affine(CELL, 0, 0, 0, -CELL, SIZE * CELL), None)
    x = random.uniform(12, 18)
    house = shapely.box(x, 15, x + 10, 24)
    shed = shapely.box(*(corner := random.uniform((9, 27), (26, 32))), *(corner + 3.5))
    corner = random.uniform((8, 8), (28, 12))
    septic, well = shapely.box(*corner, *(corner + 4)), shapely.Point(random.uniform(8, 36), 26)
    tree = shapely.Point(random.uniform((9, 8), (36, 14)))
    constraints = gpd.GeoDataFrame(
        {"kind": ["septic", "well", "tree", "neighbour building"]},
        geometry=[septic, well, tree, shapely.box(38.5, 18, 43, 28)],
    )
    site = SimpleNamespace(
        lot=gpd.GeoDataFrame(geometry=[shapely.box(7.5, 4, 37.5, 44)]),
        buildings=gpd.GeoDataFrame(geometry=[house, shed]), constraints=constraints,
    )  # fmt: skip
    end = LowerPlace("street", "Street", float(random.uniform(10, 36)), 1.0, 0.0)
    row, column = grid.row_column(end.x, end.y)
    end = LowerPlace("street", "Street", end.x, end.y, float(level[row, column]))
    paved = np.zeros(level.shape, dtype=bool)
    digging = Digging(site, grid, level, paved, {"septic": 1.5}, CRITERIA, "metric")
    at = random.uniform((8, 26), (37, 43))
    row, column = grid.row_column(*at)
    return digging, int(row * SIZE + column), end, random.uniform(0.0005, 0.012)


def kept(seed: int) -> bool:
    """Hold one line against the rules; whether there was one."""
    digging, cell, end, flow = yard(seed)
    found = line_to_end(digging, cell, end, flow)
    if not isinstance(found, Line):
        rule, *_ = found
        assert rule
        return False
    site, shape = digging.site, found.shape
    start = shapely.Point(shape.coords[0])
    # the basin may stand where its trench may not go on: within a metre and a cell of it
    rest = shape.difference(start.buffer(1.5 + CELL))
    assert not shape.intersects(site.buildings.union_all().buffer(-CELL))
    assert rest.distance(site.buildings.union_all()) > 0.0
    room = dict(zip(["septic", "well", "tree", "neighbour building"],
                    [1.5, 3.0, 3.0, 0.0], strict=True))  # fmt: skip
    for kind, thing in zip(site.constraints["kind"], site.constraints.geometry, strict=True):
        assert rest.distance(thing) >= room[kind] - CELL, kind
    lot = site.lot.union_all()
    off = shape.difference(lot)
    strip = shapely.shortest_line(lot, shapely.Point(end.x, end.y)).buffer(2.0 + CELL)
    assert off.within(strip)
    legs = [shapely.Point(a).distance(shapely.Point(b))
            for a, b in zip(shape.coords[:-1], shape.coords[1:], strict=True)]  # fmt: skip
    assert min(legs) >= 1.0 - CELL or len(legs) == 1
    # one grade, no less than the least; no deeper than a trench may be, with its cover
    assert found.fall >= minimum_fall("pipe", found.size.size_m).least * 0.98
    assert found.invert_down >= end.level - 1e-6
    assert found.capacity >= flow
    for share in np.linspace(0, 1, 200):
        point = shape.interpolate(share, normalized=True)
        row, column = digging.grid.row_column(point.x, point.y)
        ground = digging.ground[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
        pipe = found.invert_up + share * (found.invert_down - found.invert_up)
        assert ground.min() - pipe <= CRITERIA.trench_depth_m + 1e-6
        if shapely.Point(end.x, end.y).distance(point) > SHALLOW_END_M + CELL:
            cover = ground.max() - pipe - found.size.inside_diameter_m
            assert cover >= CRITERIA.cover_m - 0.005
    if not found.shallow_m:
        assert SHALLOW_END_M > RIGID_END_M
    return True


def test_no_line_breaks_a_rule_on_some_yards() -> None:
    assert sum(kept(seed) for seed in range(6)) >= 3


@pytest.mark.nightly
def test_no_line_breaks_a_rule_on_a_hundred_yards() -> None:
    assert sum(kept(seed) for seed in range(100, 200)) >= 50
