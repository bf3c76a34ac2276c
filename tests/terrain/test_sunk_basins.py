"""Closed basins that no storm fills take water at their bottom; others are left as they are."""

import heapq

import numpy as np
import pytest
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain.closure import NO_STORM_M, with_sunk_basins
from lotflow.terrain.notes import sunk_notes
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface


def bowl(depth_m, *, size=81, upper=0.0):
    """A square pyramid sunk into a plain, and a plain beyond its rim that falls away."""
    row, column = np.mgrid[:size, :size]
    middle = size // 2
    away = np.maximum(abs(row - middle), abs(column - middle))
    values = np.where(away < 25, away / 25 * depth_m, depth_m - 0.01 * (away - 25))
    values = values + upper
    return Grid(values, Affine(1.0, 0.0, 0.0, 0.0, -1.0, size), None)


def lot_at(surface, row, column, half=4):
    lot = np.zeros(surface.ground.shape, dtype=bool)
    lot[row - half : row + half + 1, column - half : column + half + 1] = True
    return lot


def bathtub(ground, volume):
    """Level of a volume in a basin, slowly: it is raised by a millimetre again and again."""
    level = ground.min()
    while np.maximum(level - ground, 0.0).sum() < volume:
        level += 0.001
    return level


def test_a_deep_basin_is_drained_at_its_bottom_for_a_lot_on_its_side():
    surface = prepare_surface(bowl(8.0))
    lot = lot_at(surface, 40, 59, half=3)
    drained = with_sunk_basins(surface, lot)
    (basin,) = drained.sunk
    assert divmod(basin.bed_cell, 81) == (40, 40)
    assert basin.depth_m == pytest.approx(8.0)
    assert basin.holds_lot
    assert (basin.x, basin.y) == (40.5, 40.5)
    # rain that fills it, over what drains to it: every cell within the rim
    inside = surface.elevation[16:65, 16:65]
    assert basin.rain_m == pytest.approx(np.maximum(8.0 - inside, 0.0).sum() / 51**2, rel=0.1)
    filled = route(drained, no_drains(drained), by_kernel=True).field.filled
    np.testing.assert_allclose(filled[lot], drained.elevation[lot], atol=1e-3)
    before = route(surface, no_drains(surface), by_kernel=True).field.filled
    assert (before[lot] - surface.elevation[lot]).min() > 0.9
    assert drained.water.sum() == 1
    assert not drained.open_water.any()
    (one,) = sunk_notes(drained.sunk)
    assert (one.rule, one.severity, one.facts["basins"]) == ("closed-basin", "warn", 1)
    assert one.measured > one.limit == NO_STORM_M


def test_what_so_much_rain_would_bring_to_the_lot_stays_a_low_spot():
    surface = prepare_surface(bowl(8.0))
    inside = surface.elevation[16:65, 16:65].ravel()
    level = bathtub(inside, NO_STORM_M * 51**2)
    row = 40 - int(level / 8.0 * 25)
    touched = lot_at(surface, row + 1, 40, half=2)
    assert surface.elevation[touched].min() < level
    assert not with_sunk_basins(surface, touched).sunk
    above = lot_at(surface, row - 6, 40, half=2)
    assert surface.elevation[above].min() > level
    assert with_sunk_basins(surface, above).sunk


def test_a_shallow_basin_and_one_that_a_storm_fills_are_left():
    surface = prepare_surface(bowl(2.9))
    assert not with_sunk_basins(surface, lot_at(surface, 40, 62, half=2)).sunk
    # the same depth with ground for more water than it holds: all of a long valley drains to it
    row, column = np.mgrid[:60, :900].astype(float)
    valley = 0.02 * column + 0.3 * abs(row - 30)
    valley[:, 0] += 4.0
    surface = prepare_surface(Grid(valley, Affine(1.0, 0.0, 0.0, 0.0, -1.0, 60), None))
    natural = route(surface, no_drains(surface), by_kernel=True)
    depth = natural.field.filled - natural.elevation
    assert depth.max() > 3.0
    assert depth.sum() / 54_000 < NO_STORM_M
    assert not with_sunk_basins(surface, lot_at(surface, 30, 400)).sunk


def test_basins_nested_in_one_are_drained_too_and_a_lot_beyond_is_told_so():
    ground = bowl(12.0).values
    ground[18:23, 38:43] -= 6.0  # a pit in its side, by itself deep enough
    surface = prepare_surface(Grid(ground, Affine(1.0, 0.0, 0.0, 0.0, -1.0, 81), None))
    drained = with_sunk_basins(surface, lot_at(surface, 4, 40, half=3))
    assert len(drained.sunk) == 2
    (one,) = sunk_notes(drained.sunk)
    assert (one.severity, one.facts["basins"]) == ("note", 2)
    # by a slow flood from ring and bottoms nothing deeper is left
    level = flooded(drained.elevation, drained.outside)
    assert (level - drained.elevation).max() < 3.0


def flooded(ground, drain):
    level = np.where(drain, ground, np.inf)
    queue = [(ground[r, c], r, c) for r, c in zip(*np.nonzero(drain), strict=True)]
    heapq.heapify(queue)
    while queue:
        height, r, c = heapq.heappop(queue)
        for down, across in ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1)):
            a, b = r + down, c + across
            if 0 <= a < ground.shape[0] and 0 <= b < ground.shape[1] and level[a, b] == np.inf:
                level[a, b] = max(ground[a, b], height)
                heapq.heappush(queue, (level[a, b], a, b))
    return level
