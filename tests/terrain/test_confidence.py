"""Many realisations: sums, seeds, bounds, and what is left where there is no error."""

import os
import signal
import threading
from collections import Counter
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.errors import ParameterError
from lotflow.grid import Grid
from lotflow.terrain.confidence import (
    Realised,
    Watched,
    half_width,
    interval,
    run_realisations,
)
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.inlet_places import (
    DrawnInlet,
    drains_of,
    place_inlets,
    set_rims,
    snap_inlets,
)
from lotflow.terrain.level_error import ErrorModel
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.realisations import realisation
from lotflow.terrain.realisations.realisation import open_ground, realisation_plan, realise
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface

LIMIT = 0.05
FIELDS = ("depth", "volume", "cells", "intake", "level", "hits")


def yard(size=64, seed=0):
    """A slope with a bowl 0.30 m deep, some roughness, a house and a gap in the data."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[:size, :size].astype(float)
    values = 50 + 0.02 * y + 0.005 * np.abs(x - 30) + 0.003 * random.standard_normal((size, size))
    radius = np.hypot(x - 30, y - 34)
    values -= np.where(radius < 8, 0.45 * (1 - (radius / 8) ** 2), 0.0)
    values[5:8, 50:54] = np.nan
    return Grid(values, Affine(1, 0, 0, 0, -1, size), None)


def study(grid, inlets, buildings=()):
    """Plan, low spots and routing of the measured surface."""
    surface = prepare_surface(grid, buildings=buildings)
    natural = route(surface, no_drains(surface))
    placed = snap_inlets(place_inlets(inlets, surface), natural, radius_m=1.5, pond_depth=LIMIT)
    placed = set_rims(placed, natural, rmse=0.1)
    routing = route(surface, drains_of(placed, surface)[0])
    plan = realisation_plan(natural, placed, snap_m=1.5, pond_depth_m=LIMIT)
    return plan, find_low_spots(natural, LIMIT), routing


INLETS = [
    DrawnInlet("Bowl", shapely.Point(30.5, 29.5)),
    DrawnInlet("Slope", shapely.Point(12.5, 50.5)),
]
HOUSE = [shapely.box(40, 20, 50, 32)]


@pytest.fixture(scope="module")
def case():
    return study(yard(), INLETS, HOUSE)


def watched(case):
    plan, spots, _ = case
    return Watched(
        spots.number, len(spots), plan.surface.rain_weight,
        np.array([inlet.cells[0] for inlet in plan.inlets]),
    )  # fmt: skip


def run(case, error, number=12, seed=5, workers=None):
    return run_realisations(
        case[0], error, watched(case), number=number, seed=seed, workers=workers
    )


def test_without_error_it_is_exactly_the_measured_surface(case):
    """One realisation is run, and every number is that of the main chain."""
    _, spots, routing = case
    found = run(case, ErrorModel(0.0, 10.0, 0.1), number=100)
    known = ~routing.surface.missing
    cells = np.bincount(routing.label[known], minlength=3)[1:]
    assert found.number == 1
    assert found.depth[0] == pytest.approx(spots.depth, abs=LEVEL_STEP / 2)
    assert found.volume[0] == pytest.approx(spots.volume, abs=1e-9)
    assert np.array_equal(found.cells[0], cells)
    assert np.array_equal(found.intake[0], cells)
    assert np.array_equal(found.hits, [(routing.label == i) & known for i in (1, 2)])
    assert np.array_equal(found.standing_share(LIMIT), np.ones(len(spots)))
    assert found.fall(1, 0)[0] == pytest.approx(
        np.subtract(*routing.elevation.ravel()[watched(case).places[::-1]]),
        abs=2 * LEVEL_STEP,  # to which the main chain rounds
    )
    inlet, share = found.most_likely()
    assert np.array_equal(inlet[known], routing.label[known])
    assert (share == 1).all()


@pytest.mark.parametrize("workers", [2, 3, 5])
def test_the_number_of_workers_changes_no_bit(case, workers):
    error = ErrorModel(0.05, 10.0, 0.1)
    one, more = run(case, error, workers=1), run(case, error, workers=workers)
    for name in FIELDS:
        assert getattr(one, name).tobytes() == getattr(more, name).tobytes(), name


def test_another_seed_gives_other_realisations(case):
    error = ErrorModel(0.05, 10.0, 0.1)
    assert not np.array_equal(run(case, error, seed=1).cells, run(case, error, seed=2).cells)


def test_every_realisation_has_random_numbers_of_its_own(case):
    """Also those of the same view whose bands are laid in the same position: every eighth."""
    found = run(case, ErrorModel(0.05, 10.0, 0.1), number=17)
    assert len({tuple(level) for level in found.level}) == 17


def test_more_realisations_begin_with_the_same_ones(case):
    """Asking for more adds to what was there, so that a result does not jump."""
    error = ErrorModel(0.05, 10.0, 0.1)
    few, many = run(case, error, number=5), run(case, error, number=9)
    assert np.array_equal(few.cells, many.cells[:5])


def test_counts_and_catchments_agree(case):
    """Every cell is counted once per realisation at most, missing cells never."""
    found = run(case, ErrorModel(0.08, 10.0, 0.1))
    assert np.array_equal(found.hits.sum(axis=(1, 2)), found.cells.sum(axis=0))
    assert found.hits.sum(axis=0).max() <= found.number
    assert not found.hits[:, case[0].surface.missing].any()
    assert np.array_equal(found.cells, found.intake)  # each cell's rain counts once


def test_a_deep_bowl_is_sure_and_an_error_as_deep_makes_it_unsure():
    """A bowl 0.28 m deep is certain at 2 cm of error, and no longer at 40 cm."""
    own = study(yard(), INLETS)
    bowl = int(np.argmax(own[1].depth))
    shares = [
        run(own, ErrorModel(rmse, 5.0, 0.3), number=20).standing_share(0.2)[bowl]
        for rmse in (0.02, 0.4)
    ]
    assert shares[0] == 1.0
    assert shares[1] < 1.0


@pytest.mark.parametrize(
    "error",
    [
        ErrorModel(5.0, 10.0, 0.1),  # huge
        ErrorModel(0.1, 1000.0, 0.0),  # shared by all of the window
        ErrorModel(0.1, 0.1, 1.0),  # white
    ],
)
def test_extreme_errors_give_finite_numbers(case, error):
    found = run(case, error, number=3)
    for name in ("depth", "volume", "cells", "level"):
        assert np.isfinite(getattr(found, name)).all()


def test_an_error_shared_by_all_changes_catchments_of_a_smooth_slope_by_less_than_a_third():
    """What lifts the whole lot moves no water; what is left is the prior's own spread."""
    y, x = np.mgrid[:60, :60].astype(float)
    own = study(
        Grid(0.05 * y + 0.02 * np.abs(x - 30), Affine(1, 0, 0, 0, -1, 60), None),
        [DrawnInlet("A", shapely.Point(30.5, 50.5))],
    )
    found = run(own, ErrorModel(0.1, 1000.0, 0.0, "gaussian"), number=8)
    assert np.abs(found.cells / own[2].total.ravel()[own[0].inlets[0].cells[0]] - 1).max() < 1 / 3
    assert np.ptp(found.level[:, 0]) > 0.05


def test_a_pit_of_one_cell_is_there_as_often_as_the_normal_distribution_says():
    """Depth d under an error s of that cell alone: share with depth >= limit is Phi((d - l)/s)."""
    values = np.full((9, 9), 10.0)
    values[4, 4] -= 0.10
    plan, spots, _ = study(Grid(values, Affine(1, 0, 0, 0, -1, 9), None), [])
    random = np.random.default_rng(3)
    ground = open_ground(plan.surface).reshape(9, 9)
    pit, share, number = (4, 4), [], 600
    for _ in range(number):
        drawn = ground.copy()
        drawn[pit] += 0.06 * random.standard_normal()
        found = realise(plan, drawn)
        depth = (found.natural_level - found.ground)[40] * LEVEL_STEP
        share.append(depth >= 0.05)
    expected = NormalDist().cdf((0.10 - 0.05) / 0.06)
    assert len(spots) == 1
    assert np.mean(share) == pytest.approx(expected, abs=half_width(number, expected))


def hand_made(hits):
    nothing = np.zeros((4, 0))
    return Realised(
        np.array([[0.1], [0.049999], [0.2], [0.0]]), nothing, np.zeros((4, len(hits))), nothing,
        nothing, np.array(hits, dtype=np.uint16),
    )  # fmt: skip


def test_the_most_likely_inlet_is_that_of_most_realisations():
    """No inlet wins a tie, and so does the first of two."""
    found = hand_made([[[4, 2, 1, 0, 2]], [[0, 1, 1, 3, 2]]])
    inlet, share = found.most_likely()
    assert inlet.tolist() == [[1, 1, 0, 2, 1]]
    assert share.tolist() == [[1.0, 0.5, 0.5, 0.75, 0.5]]
    assert found.draining()[1].tolist() == [[0.0, 0.25, 0.25, 0.75, 0.5]]


def test_a_depth_of_the_limit_counts():
    """It went through binary fractions: less than a step below the limit is the limit."""
    assert hand_made([[[0]]]).standing_share(0.05).tolist() == [0.75]


def test_a_low_spot_that_does_not_exist_is_not_deep():
    """Some millimetres in every dip would keep an interval from saying that there may be none."""
    found = replace(hand_made([[[0]]]), volume=np.array([[4.0], [3.0], [5.0], [0.1]]))
    depth, volume = found.standing(0.06)
    assert depth.tolist() == [[0.1], [0.0], [0.2], [0.0]]
    assert volume.tolist() == [[4.0], [0.0], [5.0], [0.0]]


def test_intervals_hold_ninety_of_a_hundred():
    values = np.random.default_rng(0).permutation(np.arange(1000.0))
    low, middle, high = interval(values)
    assert ((values >= low) & (values <= high)).mean() == pytest.approx(0.9, abs=1e-9)
    assert middle == 499.5


@pytest.mark.parametrize("number", [0, -1, 70_000])
def test_too_few_or_too_many_realisations_are_refused(case, number):
    with pytest.raises(ParameterError):
        run(case, ErrorModel(0.1, 10.0, 0.1), number=number)


def test_no_share_follows_from_nothing():
    with pytest.raises(ParameterError):
        half_width(0)


@pytest.mark.parametrize("thread", ["_0", "_1", "main"])
def test_what_stops_one_thread_stops_all(case, monkeypatch, thread):
    """Whichever it is; an interrupt comes to the main one, which waits for the others."""
    calls = Counter()
    before = signal.signal(signal.SIGINT, signal.default_int_handler)

    def stopped(plan, elevation):
        name = threading.current_thread().name[-2:]
        calls[name] += 1
        if calls[name] == 3 and name == thread:
            raise KeyboardInterrupt
        if calls.total() == 3 and thread == "main":
            os.kill(os.getpid(), signal.SIGINT)
        return realise(plan, elevation)

    monkeypatch.setattr(realisation, "realise", stopped)
    try:
        with pytest.raises(KeyboardInterrupt):
            run(case, ErrorModel(0.1, 10.0, 0.1), number=400, workers=2)
    finally:
        signal.signal(signal.SIGINT, before)
    assert calls.total() < 100
