"""
What a batch of 100,000 lots would take, on 2, 8 and 64 workers: a simulation, event by event.

Run: python tests/bench/forecast_town.py [LOTS] [SECONDS.json]. Durations of lots are drawn from
`SECONDS`, computing of lots of real ground one by one in a warm worker, in stretches, since
neighbours take alike. Tasks, deaths, restarts and lots that are set aside go as in
`lotflow.town.engine`; starts, restarts and how often workers die are assumed, in `World` and
`ROUGH`. Each line is the middle and the worst of some seeds.
"""

import heapq
import json
import math
import sys
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lotflow.town.engine import tasks_of

SECONDS = Path(__file__).with_name("lot_seconds.json")
STRETCH = 25
SEEDS = range(5)


@dataclass(frozen=True)
class World:
    """What is measured or assumed of workers, in seconds and shares."""

    #: Until a worker has begun, and until one that died is there again.
    start_s: float = 12.0
    restart_s: float = 8.0
    #: Until the end of a task is noticed, and what handing out one takes, one after the other.
    notice_s: float = 0.1
    hand_s: float = 0.01
    deadline_s: float = 600.0
    #: Shares of lots on which a worker dies once, on which it always dies, and that hang.
    death: float = 0.0
    poison: float = 0.0
    hang: float = 0.0
    #: Share of workers that are slow, and how much.
    slow: float = 0.0
    slow_by: float = 2.0


@dataclass(frozen=True)
class Outcome:
    """What came of a simulated batch."""

    makespan_s: float
    #: In which workers had a lot in hand.
    busy_s: float
    #: Times that each lot was done or set aside, and those set aside.
    counts: np.ndarray
    aside: int
    deaths: int


def simulate(seconds, workers, world, seed=0):
    """Let workers go through lots that take so many seconds."""
    random = np.random.default_rng(seed)
    kind, dies = random.random(len(seconds)), random.random(len(seconds)) < world.death
    pace = np.where(random.random(workers) < world.slow, world.slow_by, 1.0)
    # deaths until it is done: for ever on a poisoned lot, and one that hangs is set aside at once
    fatal = np.where(kind < world.poison, math.inf, dies * 1.0)
    hang = (kind >= world.poison) & (kind < world.poison + world.hang)
    waiting = deque(list(task) for task in tasks_of(range(len(seconds)), workers))
    counts, died = np.zeros(len(seconds), dtype=int), np.zeros(len(seconds), dtype=int)
    free = [(world.start_s, worker) for worker in range(workers)]
    ends, idle, desk_s, last, busy = [], [], 0.0, 0.0, 0.0
    while free or ends:
        if free and (not ends or free[0][0] <= ends[0][0]):
            now, worker = heapq.heappop(free)
            if not waiting:
                idle.append(worker)
                continue
            task, spent, victim = waiting.popleft(), 0.0, None
            desk_s = max(now, desk_s) + world.hand_s
            for place, lot in enumerate(task):
                if hang[lot] or fatal[lot] > died[lot]:
                    spent += world.deadline_s if hang[lot] else seconds[lot] * pace[worker] / 2
                    victim = place
                    break
                spent += seconds[lot] * pace[worker]
            counts[task[:victim]] += 1
            busy += spent
            heapq.heappush(ends, (desk_s + spent, worker, victim, task))
            continue
        last, worker, victim, task = heapq.heappop(ends)
        again = last + world.notice_s
        if victim is not None:
            lot, left = task[victim], task[victim + 1 :]
            died[lot] += 2 if hang[lot] else 1
            if died[lot] >= 2:
                counts[lot] += 1
            else:
                waiting.append([lot])
            if left:
                waiting.appendleft(left)
            for other in idle:
                heapq.heappush(free, (again, other))
            idle.clear()
            again += world.restart_s
        heapq.heappush(free, (again, worker))
    deaths = int(died.sum() - hang.sum())
    return Outcome(last, busy, counts, int((died >= 2).sum()), deaths)


def drawn(measured, lots, seed):
    """Draw durations in stretches of the measured ones, which are neighbours in a ring."""
    random = np.random.default_rng([seed, 1])
    starts = random.integers(len(measured), size=math.ceil(lots / STRETCH))
    places = (starts[:, None] + np.arange(STRETCH)).ravel()[:lots] % len(measured)
    return np.asarray(measured)[places]


#: What a lot takes beside an overview without realisations: computing, and bytes (performance.md).
KEPT = {
    "overview": (1.0, 1.5e3),
    "overview, 100 realisations": (1.84, 1.5e3),
    "folders without pack": (1.63, 1.3e6),
    "folders with pack": (2.35, 2.7e6),
}
CALM = World()
ROUGH = World(death=1 / 2_000, poison=1 / 20_000, hang=1 / 20_000, slow=0.05)


def forecast(measured, lots=100_000, workers=(2, 8, 64)):
    """Rows of the table: what, workers, hours, of the worst seed, core hours, share at work, GB."""
    for kept, (times, size) in KEPT.items():
        for number in workers:
            for name, world in (("calm", CALM), ("rough", ROUGH)):
                if name == "rough" and kept != "overview":
                    continue
                found = [simulate(drawn(measured, lots, seed) * times, number, world, seed)
                         for seed in SEEDS]  # fmt: skip
                assert all((one.counts == 1).all() for one in found)
                hours = sorted(one.makespan_s / 3600 for one in found)
                middle = hours[len(hours) // 2]
                share = np.median([one.busy_s / one.makespan_s / number for one in found])
                aside = np.median([one.aside for one in found])
                yield (f"{kept}, {name}", number, middle, hours[-1], middle * number, share,
                       lots * size / 1e9, aside)  # fmt: skip


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    file = Path(sys.argv[2]) if len(sys.argv) > 2 else SECONDS
    print("| kept | workers | hours | worst seed | core hours | at work | GB | set aside |")
    print("|---|---|---|---|---|---|---|---|")
    for what, count, middle, worst, cores, share, size, aside in forecast(
        json.loads(file.read_text()), number
    ):
        print(f"| {what} | {count} | {middle:.2f} | {worst:.2f} | {cores:.1f} | {share:.1%} | "
              f"{size:.2f} | {aside:.0f} |", flush=True)  # fmt: skip
