"""Stakes by two distances: circles that cross again, tapes that run clear, names of corners."""

import math
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from shapely import LineString, Point, box

from lotflow.drains.earthworks import JudgedEarthwork
from lotflow.drains.stakes import house_corners, stakes, tied
from lotflow.grid import Grid
from lotflow.inputs.site_layer import empty_site_layer
from lotflow.layers import SITE_LAYERS
from lotflow.terrain.earthworks import drawn_earthworks, laid_earthworks
from lotflow.terrain.surface import open_levels

FOOT = 0.3048
#: Directions by name, east and north, written out here.
WAYS = {
    "north": (0, 1), "north-east": (1, 1), "east": (1, 0), "south-east": (1, -1),
    "south": (0, -1), "south-west": (-1, -1), "west": (-1, 0), "north-west": (-1, 1),
}  # fmt: skip
L_SHAPE = shapely.Polygon([(0, 0), (12, 0), (12, 5), (6, 5), (6, 9), (0, 9)])


def site_of(*houses, **more):
    layers = {name: empty_site_layer(schema, None) for name, schema in SITE_LAYERS.items()}
    names = ["House", "Garage", "Shed"][: len(houses)]
    layers["buildings"] = gpd.GeoDataFrame({"name": names}, geometry=list(houses))
    layers["lot"] = gpd.GeoDataFrame({"name": ["Lot"]}, geometry=[box(-40, -40, 60, 60)])
    return SimpleNamespace(**(layers | more))


def crossed(tie, unit=1.0):
    """Both places at which two circles cross, by the law of cosines along the line between them."""
    a, b = np.array([tie.first.x, tie.first.y]), np.array([tie.second.x, tie.second.y])
    base = np.hypot(*(b - a))
    one, other = tie.first_m / unit, tie.second_m / unit
    along = (one**2 - other**2 + base**2) / (2 * base)
    off = math.sqrt(max(one**2 - along**2, 0.0))
    way = (b - a) / base
    foot = a + along * way
    return [foot + off * np.array([-way[1], way[0]]), foot - off * np.array([-way[1], way[0]])]


def on_side(tie, unit=1.0):
    """Of both places the one on the side that is told."""
    a, b = np.array([tie.first.x, tie.first.y]), np.array([tie.second.x, tie.second.y])
    way = np.array(WAYS[tie.side], dtype=float)
    return max(crossed(tie, unit), key=lambda place: float(way @ (place - (a + b) / 2)))


@pytest.mark.parametrize("unit", [1.0, FOOT])
@pytest.mark.parametrize("seed", range(4))
def test_two_circles_cross_at_the_stake_again(seed, unit):
    """On 100 random places round a house turned at random, to 5 mm; tapes clear of its inside."""
    rng = np.random.default_rng(seed)
    turned = shapely.affinity.rotate(L_SHAPE, rng.uniform(0, 360), origin=(6, 4))
    house = shapely.affinity.scale(turned, 1 / unit, 1 / unit, origin=(0, 0))
    corners = house_corners(site_of(house), unit)
    assert len({corner.name for corner in corners}) == len(corners) == 6
    shut = np.array([house.buffer(-0.05 / unit)])
    told = 0
    for _ in range(100):
        x, y = rng.uniform(-15, 27, 2) / unit
        if house.buffer(0.3 / unit).contains(Point(x, y)):
            continue
        tie = tied((x, y), corners, shut, unit)
        if tie is None:
            continue
        told += 1
        for corner, length in ((tie.first, tie.first_m), (tie.second, tie.second_m)):
            tape = LineString([(corner.x, corner.y), (x, y)])
            assert tape.length * unit == pytest.approx(length, abs=1e-6)
            # looked at step by step: no step is within the house by more than a tape grazes it
            steps = shapely.line_interpolate_point(tape, np.linspace(0, 1, 200), normalized=True)
            deep = shapely.distance(steps, house.boundary) * shapely.contains(house, steps)
            assert deep.max() * unit <= 0.051
        place = on_side(tie, unit)
        assert np.hypot(*(place - (x, y))) * unit <= 0.005
        assert 30.0 <= tie.angle_deg <= 150.0
        base = LineString([(tie.first.x, tie.first.y), (tie.second.x, tie.second.y)])
        clear = not base.intersects(house.buffer(-0.05 / unit))
        assert clear == (tie.between_m == pytest.approx(base.length * unit))
    assert told > 60


def test_of_all_pairs_that_is_taken_which_an_error_of_the_tape_moves_least():
    """
    Tapes off by 1 cm and 2 mm a metre, either way: no other pair of corners does better.

    Of such pairs as see each other along the outside of the house.
    """
    corners = house_corners(site_of(L_SHAPE), 1.0)
    shut = np.array([L_SHAPE.buffer(-0.05)])
    place = (9.0, 14.0)
    best = tied(place, corners, shut, 1.0)

    def moved(pair):
        tie = tied(place, pair, shut, 1.0)
        base = LineString([(corner.x, corner.y) for corner in pair])
        if tie is None or base.intersects(shut[0]):
            return math.inf
        most = []
        for signs in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            lengths = [
                length + sign * (0.01 + 0.002 * length)
                for sign, length in zip(signs, (tie.first_m, tie.second_m), strict=True)
            ]
            off = SimpleNamespace(
                first=tie.first, second=tie.second, first_m=lengths[0], second_m=lengths[1],
                side=tie.side,
            )  # fmt: skip
            most.append(np.hypot(*(on_side(off) - place)))
        return math.sqrt(np.mean(np.square(most)))

    pairs = [[a, b] for n, a in enumerate(corners) for b in corners[n + 1 :]]
    errors = sorted(map(moved, pairs))
    assert moved([best.first, best.second]) == pytest.approx(errors[0], rel=0.02)
    assert errors[0] < errors[1]


def test_corners_are_named_by_the_compass_and_told_apart():
    names = [corner.name for corner in house_corners(site_of(L_SHAPE), 1.0)]
    assert sorted(names) == [
        "inside north-east corner of House", "north-east corner of House (no. 1 from the west)",
        "north-east corner of House (no. 2 from the west)", "north-west corner of House",
        "south-east corner of House", "south-west corner of House",
    ]  # fmt: skip
    at = {corner.name: (corner.x, corner.y) for corner in house_corners(site_of(L_SHAPE), 1.0)}
    assert at["north-east corner of House (no. 1 from the west)"] == (6, 9)
    assert at["inside north-east corner of House"] == (6, 5)
    stepped = shapely.Polygon([(0, 0), (10, 0), (10, 4), (9.9, 4), (9.9, 8), (0, 8)])
    assert len(house_corners(site_of(stepped), 1.0)) == 4  # a step of 10 cm is no corner


def test_without_a_house_the_corners_of_the_lot_are_taken_and_a_neighbours_house_is_not():
    beside = box(70, 0, 80, 9)
    names = {corner.name for corner in house_corners(site_of(beside), 1.0)}
    ways = ("north-east", "north-west", "south-east", "south-west")
    assert names == {f"{way} corner of the lot" for way in ways}


def test_where_no_two_corners_are_in_sight_at_a_good_angle_nothing_is_told():
    """Along a wall and in the middle between its corners both tapes run in one line."""
    corners = house_corners(site_of(box(0, 0, 10, 8)), 1.0)
    shut = np.array([box(0, 0, 10, 8).buffer(-0.05)])
    assert tied((5.0, -0.5), corners, shut, 1.0) is None
    assert tied((5.0, -5.0), corners, shut, 1.0).side == "south"


def dug(*rows):
    """Earthworks on a plane that falls to the east, as far as stakes need them."""
    x, _ = np.meshgrid(np.arange(40) + 0.5, np.arange(40))
    grid = Grid(10.0 - 0.03 * x, Affine(1, 0, 0, 0, -1, 40.0), None)
    nothing = dict.fromkeys(
        ("depth_m", "height_m", "width_m", "side_slope", "fall_pct", "level_up_m", "level_down_m",
         "soil_rate_m_s"), math.nan,
    )  # fmt: skip
    nothing |= {"status": None, "lining": None, "leads_to": None, "name": "S", "kind": "swale"}
    site = site_of(box(5, 25, 15, 33))
    site.earthworks = gpd.GeoDataFrame([nothing | row for row in rows])
    works = laid_earthworks(drawn_earthworks(site, "proposed", 1.0), site, grid)
    ground = open_levels(grid)
    judged = [
        JudgedEarthwork(edit.work, 0, 0, 0, 0, 0, 0, 0, 0, section=edit.section(ground))
        for edit in works.edits
    ]
    return site, judged, grid


def test_a_swale_is_staked_at_its_ends_its_bends_and_every_five_metres_between():
    """Bed given from 9.4 to 9.0 over 20 m; ground 10 - .03 x, .5 m off the middle of a cell."""
    line = LineString([(10.5, 20.5), (15.5, 20.5), (18.5, 20.5), (18.5, 8.5)])
    site, judged, grid = dug({"geometry": line, "level_up_m": 9.4, "level_down_m": 9.0})
    found = stakes(site, "proposed", None, judged, grid)
    assert [one.part for one in found] == [
        "upper end", "between", "bend", "between", "between", "lower end",
    ]  # fmt: skip
    assert [one.distance_m for one in found] == [0.0, 4.0, 8.0, 12.0, 16.0, 20.0]
    assert [one.level_m for one in found] == pytest.approx([9.4, 9.32, 9.24, 9.16, 9.08, 9.0])
    assert [(one.x, one.y) for one in found][2:4] == [(18.5, 20.5), (18.5, 16.5)]
    assert found[0].ground_m == pytest.approx(10 - 0.03 * 10.5)
    assert {one.level_of for one in found} == {"bed"}
    assert {one.level_basis for one in found} == {"given"}


def test_what_is_there_already_is_not_staked_and_a_place_is_staked_once():
    inlets = gpd.GeoDataFrame(
        {"name": ["Old", "New", "Channel"], "kind": ["area drain", "catch basin", "channel drain"],
         "status": [None, "proposed", "proposed"]},
        geometry=[Point(3, 3), Point(7, 3), LineString([(1, 1), (4, 1)])],
    )  # fmt: skip
    site, judged, grid = dug(
        {"geometry": LineString([(10, 20), (15, 20)]), "depth_m": 0.2, "status": "as built"}
    )
    site.inlets = inlets
    found = stakes(site, "proposed", None, judged, grid)
    assert [(one.subject, one.part) for one in found] == [
        ("New", "catch basin"), ("Channel", "channel drain, end 1"),
        ("Channel", "channel drain, end 2"),
    ]  # fmt: skip
    assert (found[0].x, found[0].y, found[0].level_of) == (7, 3, "")
    assert found[0].ground_m == pytest.approx(10 - 0.03 * 7.5)
