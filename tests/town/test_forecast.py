"""The simulation of a large batch against what is known of such without simulating."""

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from forecast_town import STRETCH, World, drawn, simulate

from lotflow.town.engine import tasks_of

AT_ONCE = World(start_s=0, restart_s=0, notice_s=0, hand_s=0)


@pytest.mark.parametrize(("lots", "workers"), [(1000, 1), (1000, 2), (1600, 8), (12_800, 64)])
def test_lots_that_take_alike_go_in_rounds(lots, workers):
    """Full tasks: rounds times what a task takes, with its start, handing out and noticing."""
    world = replace(AT_ONCE, start_s=7.0, notice_s=0.3)
    tasks = tasks_of(range(lots), workers)
    assert len({len(task) for task in tasks}) == 1
    rounds = math.ceil(len(tasks) / workers)
    found = simulate(np.full(lots, 0.5), workers, world)
    expected = 7.0 + rounds * 0.5 * len(tasks[0]) + (rounds - 1) * 0.3
    assert found.makespan_s == pytest.approx(expected, rel=1e-12)
    assert found.busy_s == pytest.approx(0.5 * lots)
    assert (found.counts == 1).all()


def test_one_desk_hands_out_one_task_after_the_other():
    """Where handing out takes longer than the work, the desk alone decides."""
    lots, workers = 6400, 64
    number = len(tasks_of(range(lots), workers))
    found = simulate(np.full(lots, 1e-6), workers, replace(AT_ONCE, hand_s=2.0))
    assert found.makespan_s == pytest.approx(2.0 * number, rel=1e-3)


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("workers", [2, 8, 64])
def test_the_end_lies_within_the_bounds_of_list_scheduling(workers, seed):
    """
    Graham, R. L. (1969), Bounds on multiprocessing timing anomalies, SIAM J. Appl. Math. 17.

    The end comes no sooner than all work over all workers, and no later than that and
    (1 - 1/workers) of the longest task.
    """
    seconds = np.random.default_rng(seed).lognormal(-0.5, 0.8, 8000)
    tasks = [seconds[list(task)].sum() for task in tasks_of(range(8000), workers)]
    found = simulate(seconds, workers, AT_ONCE, seed)
    least = max(seconds.sum() / workers, *tasks)
    assert least * (1 - 1e-9) <= found.makespan_s
    assert found.makespan_s <= seconds.sum() / workers + (1 - 1 / workers) * max(tasks) + 1e-6


def test_deaths_of_one_worker_cost_what_they_must():
    """Half of each lot that it died on, once or twice, deadlines, and restarts."""
    lots = 5000
    world = replace(AT_ONCE, restart_s=3.0, death=0.01, poison=0.002, hang=0.001)
    found = simulate(np.full(lots, 0.4), 1, world, 4)
    assert (found.counts == 1).all()
    random = np.random.default_rng(4)
    kind, dies = random.random(lots), random.random(lots) < 0.01
    poison, hang = kind < 0.002, (kind >= 0.002) & (kind < 0.003)
    once = dies & ~poison & ~hang
    assert found.aside == poison.sum() + hang.sum() > 5
    assert found.deaths == 2 * poison.sum() + hang.sum() + once.sum()
    work = 0.4 * (lots - found.aside) + 0.2 * (2 * poison.sum() + once.sum()) + 600 * hang.sum()
    assert found.busy_s == pytest.approx(work)
    last_dies = 0 if found.makespan_s == pytest.approx(work + 3.0 * found.deaths) else 3.0
    assert found.makespan_s == pytest.approx(work + 3.0 * found.deaths - last_dies)


def test_slow_workers_take_fewer_tasks():
    """Until no task waits all work, each at its pace; after that none has more than one task."""
    seconds, workers, slow_by = np.full(20_000, 0.5), 8, 3.0
    found = simulate(seconds, workers, replace(AT_ONCE, slow=0.25, slow_by=slow_by), 5)
    random = np.random.default_rng(5)
    random.random((2, 20_000))
    slow = int((random.random(workers) < 0.25).sum())
    assert 0 < slow < workers
    shared = seconds.sum() / (workers - slow + slow / slow_by)
    longest = 0.5 * max(map(len, tasks_of(range(20_000), workers)))
    assert shared <= found.makespan_s <= shared + slow_by * longest


def test_durations_are_drawn_in_stretches_of_the_measured_ones():
    measured = np.random.default_rng(0).lognormal(0, 1, 200)
    found = drawn(measured, 100_000, 1)
    assert len(found) == 100_000
    assert found.mean() == pytest.approx(measured.mean(), rel=0.03)
    places = np.argsort(measured)[np.searchsorted(np.sort(measured), found)].reshape(-1, STRETCH)
    assert ((np.diff(places, axis=1) % len(measured)) == 1).all()
