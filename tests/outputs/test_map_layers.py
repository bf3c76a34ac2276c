"""Symbols point the way the water goes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from matplotlib.path import Path

from lotflow.outputs.map.ground import smoothed
from lotflow.outputs.map.layers import arrowheads, crossing_marks, outline

LOT = shapely.Polygon([(0, 0), (40, 0), (40, 30), (0, 30)])


@pytest.mark.parametrize(
    ("bearing", "direction"),
    [(0, (0, 1)), (90, (1, 0)), (180, (0, -1)), (270, (-1, 0)), (45, (0.5**0.5, 0.5**0.5))],
)
@pytest.mark.parametrize("place", [(20, 1), (39, 15), (20, 31), (-1, 15)])
def test_marks_on_the_lot_line_point_where_the_water_runs(place, bearing, direction):
    """Clockwise from north, at every side of the lot."""
    (mark,) = crossing_marks(
        np.array([place], dtype=float), np.radians([bearing]), np.array([2.0]), LOT
    )
    towards = mark[0] - mark[1:].mean(axis=0)
    assert towards / np.hypot(*towards) == pytest.approx(direction, abs=1e-6)
    assert LOT.boundary.distance(shapely.Point((mark[0] + mark[1:].mean(0)) / 2)) < 1e-6


def test_the_tip_of_a_mark_is_the_one_sharp_corner():
    """A triangle of three like sides seems to point three ways."""
    (mark,) = crossing_marks(np.zeros((1, 2)), np.zeros(1), np.array([1.0]), LOT)
    tip, first, _, second = mark
    sides = np.hypot(*(first - tip)), np.hypot(*(second - tip)), np.hypot(*(second - first))
    assert sides[0] == pytest.approx(sides[1])
    assert sides[0] > 1.3 * sides[2]


def test_a_mark_at_the_corner_where_the_lot_line_begins_is_drawn_too():
    marks = crossing_marks(np.zeros((1, 2)), np.zeros(1), np.array([1.0]), LOT)
    assert np.isfinite(marks[0]).all()


def test_arrowheads_point_downstream_on_lines_long_enough():
    lines = [np.array([(0.0, 0.0), (10.0, 0.0)]), np.array([(0.0, 0.0), (0.5, 0.0)])]
    (head,) = arrowheads(lines, 1.0, 2.0)
    assert head[0] - head[2] == pytest.approx((0.78, 0.0))
    assert head[2, 1] == 0.0


def test_smoothing_stays_near_the_line_and_keeps_its_ends():
    stairs = np.array([(0, 0), (1, 0), (1, 1), (2, 1), (2, 2), (3, 2)], dtype=float)
    smooth = smoothed(stairs)
    assert (smooth[0] == stairs[0]).all()
    assert (smooth[-1] == stairs[-1]).all()
    assert shapely.hausdorff_distance(shapely.LineString(smooth), shapely.LineString(stairs)) < 0.5


@pytest.mark.parametrize("flip", [False, True])
def test_holes_stay_open_whichever_way_their_rings_run(flip):
    shell, hole = [(0, 0), (9, 0), (9, 9), (0, 9)], [(3, 3), (6, 3), (6, 6), (3, 6)]
    polygon = shapely.Polygon(shell, [hole[::-1] if flip else hole])
    path = outline(polygon.union(shapely.box(20, 0, 30, 9)))
    codes = path.codes.tolist()
    assert codes.count(Path.MOVETO) == 3
    areas = [shapely.Polygon(ring).exterior.is_ccw for ring in path.to_polygons()]
    assert sorted(areas) == [False, False, True]
