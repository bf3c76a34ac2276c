"""The lowest place of a low spot's edge on the own lot, held against a slow search written here."""

import numpy as np
import pytest
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.own_edges import NONE, own_edges
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface

SHAPE = (24, 24)


def hollow(seed):
    """Rough ground with a hollow in its middle, its edge lowest to the east."""
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]] - 11.5
    far = np.hypot(rows, columns)
    level = 10.0 + np.where(far < 7, 0.05 * far, 0.35 - 0.05 * (far - 7))
    level = level + np.random.default_rng(seed).normal(0.0, 0.01, SHAPE)
    level[11:13, 17:20] -= 0.12
    return level


def edges(level, lot):
    grid = Grid(level, Affine(1.0, 0.0, 0.0, 0.0, -1.0, float(SHAPE[0])), None)
    surface = prepare_surface(grid)
    natural = route(surface, no_drains(surface))
    spots = find_low_spots(natural, 0.1)
    return spots, natural, own_edges(spots, natural, lot)[0]


def lowest_rim(level, lot, spots, receiver):
    """The least level at which water kept on the lot gets out: each level tried, slowly."""
    inside = spots.number == 1

    def gets_out(limit):
        reached = lot & inside & (level == level[lot & inside].min())
        while True:
            padded = np.pad(reached, 1)
            around = np.zeros_like(reached)
            for down in (0, 1, 2):
                for across in (0, 1, 2):
                    around |= padded[down : down + SHAPE[0], across : across + SHAPE[1]]
            grown = around & lot & (level <= limit)
            if (grown == reached).all():
                break
            reached = grown
        for cell in np.flatnonzero(reached & ~inside):
            at, back = int(cell), False
            while int(receiver[at]) != at:
                at = int(receiver[at])
                back |= bool(inside.ravel()[at])
            if not back:
                return True
        return False

    return next(limit for limit in np.sort(level[lot]) if gets_out(limit))


@pytest.mark.parametrize("seed", range(4))
def test_the_edge_is_the_lowest_over_which_water_kept_on_the_lot_gets_out(seed):
    level = hollow(seed)
    lot = np.zeros(SHAPE, dtype=bool)
    lot[:, :15] = True  # without the east, where it runs over
    spots, natural, (edge, *_) = edges(level, lot)
    assert lot.ravel()[edge]
    receiver = natural.receivers().ravel()
    assert level.ravel()[edge] == pytest.approx(lowest_rim(level, lot, spots, receiver))
    assert level.ravel()[edge] > spots.spill[0]


def test_where_it_runs_over_on_the_lot_that_is_its_edge():
    spots, _, (edge, *_) = edges(level := hollow(1), np.ones(SHAPE, dtype=bool))
    assert level.ravel()[edge] == pytest.approx(spots.spill[0], abs=1e-6)


def test_a_hollow_off_the_lot_or_with_no_way_out_on_it_has_none():
    level = hollow(2)
    away = np.zeros(SHAPE, dtype=bool)
    away[:2] = True
    assert edges(level, away)[2][0] == NONE
    inner = np.zeros(SHAPE, dtype=bool)
    inner[10:14, 10:14] = True
    assert edges(level, inner)[2][0] == NONE


def walked_down(filled, receiver, start, steps):
    """Where water comes to, so many steps on, one after the other."""
    for _ in range(steps):
        start = int(receiver[start])
    return filled[start]


@pytest.mark.parametrize("fall", [0.05, 0.004])
def test_behind_the_edge_ground_may_lie_lower_than_the_bed_or_hardly_lower_than_the_edge(fall):
    """A trough with its bed at 9.0 behind a bank, on ground that falls to the end of the data."""
    column = np.arange(160.0)
    profile = np.where(column < 20, 9.0, 10.0 - fall * (column - 20))
    profile[19:21] = 10.2
    level = np.repeat(profile[None, :], 9, axis=0)
    level[:, 0] += 3.0
    level[[0, -1]] += 3.0
    grid = Grid(level, Affine(1.0, 0.0, 0.0, 0.0, -1.0, 9.0), None)
    surface = prepare_surface(grid)
    natural = route(surface, no_drains(surface))
    spots = find_low_spots(natural, 0.1)
    lot = np.zeros(level.shape, dtype=bool)
    lot[:, :40] = True
    position = int(np.argmin(spots.bed))
    edge, behind = (one[position] for one in own_edges(spots, natural, lot))
    assert level.ravel()[edge] == pytest.approx(10.2)
    receiver, filled = natural.receivers().ravel(), natural.field.filled.ravel()
    assert behind == pytest.approx(walked_down(filled, receiver, edge, 61), abs=2 * fall)
    assert behind == pytest.approx(10.0 - fall * 61, abs=2 * fall)
