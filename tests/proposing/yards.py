"""Invented yards that lines are laid in, and an independent check of what must never be broken."""

from __future__ import annotations

import math
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import shapely
from affine import Affine
from scipy import ndimage

from lotflow.criteria import Criteria
from lotflow.drains.pipes import minimum_fall
from lotflow.grid import Grid
from lotflow.proposing.lines import CLEANOUT_ABOVE, FITTINGS, GIVES_WAY
from lotflow.proposing.trenches import SHALLOW_END_M, Digging, Line
from lotflow.terrain.cells import polygon_numbers
from lotflow.terrain.lower_places import LowerPlace

SIZE, CELL = 90, 0.5
CRITERIA = Criteria()
ROOM = {"septic": 1.5, "well": 3.0, "tree": 3.0, "neighbour building": 0.0, "keep out": 0.0}


def yard(seed: int) -> tuple[Digging, list[int], LowerPlace, list[float]]:
    """A lot of 30 by 40 m with house, shed, drive, septic field, well, tree, keep-out; invented."""
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
    place = random.uniform((9, 34), (30, 36))
    constraints = gpd.GeoDataFrame(
        {"kind": ["septic", "well", "tree", "neighbour building", "keep out"],
         "name": ["", "", "", "", "Play ground"]},
        geometry=[septic, well, tree, shapely.box(38.5, 18, 43, 28),
                  shapely.box(*place, *np.add(place, (4, 2)))],
    )  # fmt: skip
    drive = shapely.box(x + 11.0, 1.0, x + 14.0, 24.0)
    covers = gpd.GeoDataFrame({"cover": ["concrete"]}, geometry=[drive])
    site = SimpleNamespace(
        lot=gpd.GeoDataFrame(geometry=[shapely.box(7.5, 4, 37.5, 44)]),
        buildings=gpd.GeoDataFrame(geometry=[house, shed]), constraints=constraints,
        covers=covers,
    )  # fmt: skip
    at = float(random.uniform(10, 36)), 1.0
    row, column = grid.row_column(*at)
    end = LowerPlace("street", "Street", *at, float(level[row, column]))
    paved = polygon_numbers([drive], grid) > 0
    digging = Digging(site, grid, level, paved, {"septic": 1.5}, CRITERIA, "metric")
    shut = shapely.union_all([house, shed, septic.buffer(2), well.buffer(3), tree.buffer(3.5),
                              constraints.geometry.iloc[4]]).buffer(0.6)  # fmt: skip
    cells: list[int] = []
    while len(cells) < 3:
        spot = random.uniform((9, 14), (36, 43))
        if not shut.intersects(shapely.Point(spot)):
            row, column = grid.row_column(*spot)
            cells.append(int(row * SIZE + column))
    return digging, cells, end, list(random.uniform(0.0005, 0.006, 3))


def slants(found: Line, drive) -> list[float]:
    """Angle from square at which a line crosses the whole width of the drive [degrees]."""
    across = [one for one in shapely.get_parts(found.shape.intersection(drive))
              if one.geom_type == "LineString" and one.length > 0]  # fmt: skip
    west, _, east, _ = drive.bounds
    whole = [one for one in across if one.bounds[2] - one.bounds[0] >= east - west - 0.1]
    return [math.degrees(math.acos(min((east - west) / one.length, 1.0))) for one in whole]


def hold(digging: Digging, found: Line, end: LowerPlace, flow: float) -> None:
    """Hold one line against what must never be broken, by shapes and sums of their own."""
    site, shape = digging.site, found.shape
    start = shapely.Point(shape.coords[0])
    # the basin may stand where its trench may not go on: within a metre and a cell of it
    rest = shape.difference(start.buffer(1.5 + CELL))
    buildings = site.buildings.union_all()
    assert not shape.intersects(buildings.buffer(-CELL))
    assert rest.is_empty or rest.distance(buildings) > 0.0
    for kind, thing in zip(site.constraints["kind"], site.constraints.geometry, strict=True):
        assert rest.is_empty or rest.distance(thing) >= ROOM[kind] - CELL, kind
        if kind != "neighbour building":
            assert not rest.intersects(thing.buffer(-CELL)), kind
    lot = site.lot.union_all()
    off = shape.difference(lot)
    strip = shapely.shortest_line(lot, shapely.Point(end.x, end.y)).buffer(2.0 + CELL)
    assert off.is_empty or off.within(strip)
    at = shapely.get_coordinates(shape)
    legs = np.hypot(*np.diff(at, axis=0).T)
    assert legs.min() >= 1.0 - CELL or len(legs) == 1
    heading = np.degrees(np.arctan2(*np.diff(at, axis=0).T))
    turns = np.abs((np.diff(heading) + 180) % 360 - 180)
    assert (turns <= 90.0 + GIVES_WAY + 1.0).all()
    # its fall, no less than the least; no deeper than a trench may be, with its cover
    falls = -np.diff(found.inverts) / legs
    assert (falls >= minimum_fall("pipe", found.size.size_m).least * 0.98).all()
    assert found.capacity >= flow
    reached = np.concatenate([[0.0], np.cumsum(legs)])
    for along in np.linspace(0, reached[-1], 200):
        point = shape.interpolate(along)
        row, column = digging.grid.row_column(point.x, point.y)
        ground = digging.ground[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
        pipe = np.interp(along, reached, found.inverts)
        assert ground.min() - pipe <= CRITERIA.trench_depth_m + 1e-6
        # the line at 45 degrees from the footing
        assert ground.min() - pipe - CRITERIA.footing_depth_m <= point.distance(buildings) + 0.05
        joins = found.joins is not None
        if joins or shapely.Point(end.x, end.y).distance(point) > SHALLOW_END_M + CELL:
            cover = ground.max() - pipe - found.size.inside_diameter_m
            assert cover >= CRITERIA.cover_m - 0.005


def on_fittings(found: Line) -> list[bool]:
    """Of each turn, whether it is one of a fitting, worked out from the coordinates."""
    at = shapely.get_coordinates(found.shape)
    heading = np.degrees(np.arctan2(*np.diff(at, axis=0).T))
    turns = np.abs((np.diff(heading) + 180) % 360 - 180)
    turns = turns[turns > GIVES_WAY]
    return [min(abs(turn - one) for one in FITTINGS) <= GIVES_WAY + 1e-6 for turn in turns]


def sharp_points(found: Line) -> list[tuple[float, float]]:
    """Corners at which a clean-out must stand."""
    at = shapely.get_coordinates(found.shape)
    heading = np.degrees(np.arctan2(*np.diff(at, axis=0).T))
    turns = np.abs((np.diff(heading) + 180) % 360 - 180)
    return [tuple(at[i + 1]) for i in np.flatnonzero(turns > CLEANOUT_ABOVE + GIVES_WAY)]
